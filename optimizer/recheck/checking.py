"""Checks a file of evidence: every number in it is computed anew, and what does not agree is named.

What the file decides (where to cut, what a cent is worth, how to split) is taken from it; what it claims is not. Faults
are gathered, not raised: one look at the file says all that is wrong with it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.errors import UsageError
from optimizer.recheck.asking import Asked, Case
from optimizer.recheck.evidence import Evidence, Group, hash_of, read
from optimizer.recheck.groups import Groups, Sieved
from optimizer.recheck.halves import both, may_copy
from optimizer.recheck.listing import Level, List, better, everything, level_for
from optimizer.recheck.rounds import Rounds
from optimizer.recheck.walking import Waiting, Walker
from optimizer.run.judge import CHECKS
from optimizer.run.linear import COORDINATES
from optimizer.scenario.event import Scenario
from optimizer.scenario.reading import read_scenario

SPEED_AGREES_MS, BOUND_AGREES_MS = 1e-6, 1e-3
"""How near speeds of builds, and bounds as they are rounded in the file, must be to what is found."""
MOST_FAULTS = 50
"""Faults that are named one by one."""
WORTH_A_COPY = 5000
"""Drive sets that are worth a copy of this process."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a file of evidence is worth.

    Attributes
    ----------
    faults : tuple of str
        What is wrong; nothing is if empty.
    complete : bool
        Whether the file claims that nothing was left out.
    why_not : str
        Why it does not, in its own words.
    listed, sets, groups, opened, tried : int
        Builds of the list; drive sets, their groups, and how many of the sets were looked into; builds gone through.
    kth_ms, highest_ms : float
        Speed of the last build listed; highest bound among sets that were not looked into.
    speed_unit : str
        What the event tells speeds in.
    asked : Asked
        The question that the file answers.
    """

    faults: tuple[str, ...]
    complete: bool
    why_not: str
    listed: int
    sets: int
    groups: int
    opened: int
    tried: int
    kth_ms: float
    highest_ms: float
    speed_unit: str
    asked: Asked


def recheck(folder: Path, file: Path) -> Verdict:
    """Check a file of evidence against the folder it is about.

    Raises
    ------
    UsageError
        If the file cannot be read as evidence at all.
    ScenarioError
        If the folder cannot be used.
    """
    evidence = read(file)
    scenario = read_scenario(folder)
    found = hash_of(folder)
    if found != evidence.inputs_sha256:
        told = f"inputs: the sheets in {folder} are not those of the evidence (SHA-256 {found[:12]}..., the file has"
        return _nothing(evidence, scenario, f"{told} {evidence.inputs_sha256[:12]}...)")
    try:
        case = Case(scenario, evidence.asked)
    except UsageError as fault:
        return _nothing(evidence, scenario, f"question: {fault}")
    checker = Checker(case, evidence)
    return checker.verdict(copied=len(checker.groups.builds) >= WORTH_A_COPY and may_copy())


def _nothing(evidence: Evidence, scenario: Scenario, fault: str) -> Verdict:
    """The verdict where nothing can be compared."""
    unit = scenario.event.speed_unit
    listed = len(evidence.listed)
    return Verdict(
        (fault,), evidence.complete, evidence.why_not, listed, 0, 0, 0, 0, 0.0, 0.0, unit, evidence.asked
    )  # fmt: skip


@dataclass(slots=True)
class _Looked:
    """What was found in the list, or in some of the groups."""

    faults: list[str] = field(default_factory=list)
    opened: int = 0
    tried: int = 0
    highest_ms: float = 0.0

    def fault(self, text: str) -> None:
        """Note a fault."""
        if len(self.faults) < MOST_FAULTS:
            self.faults.append(text)


class Checker:
    """Checks evidence of one case."""

    def __init__(self, case: Case, evidence: Evidence) -> None:
        self.case, self.evidence = case, evidence
        self.own = _Looked()
        self.groups = Groups(case)

    def verdict(self, *, copied: bool = False) -> Verdict:
        """Go through all of it; ``copied``: through half of the groups in a copy of this process (`halves`)."""
        listed = self._list()
        level = level_for(self.case, listed)
        self._level(level)
        if len(self.evidence.typical) != len(COORDINATES):
            self.own.fault(f"typical: {len(COORDINATES)} slopes are needed, the file has {len(self.evidence.typical)}")
        looked = [self.own]
        if self.evidence.complete and not self.own.faults:
            rounds = Rounds(self.case, level.level_ms)
            if level.level_ms > 0:
                looked += self._tree(rounds, listed, copied=copied)
            else:
                looked.append(self._everything(rounds, listed))
        faults = [fault for each in looked for fault in each.faults]
        return Verdict(
            tuple(faults[:MOST_FAULTS]), self.evidence.complete, self.evidence.why_not, len(listed),
            len(self.groups.builds), len(self.groups.firsts), sum(each.opened for each in looked),
            sum(each.tried for each in looked), level.kth_ms, max(each.highest_ms for each in looked),
            self.case.scenario.event.speed_unit, self.evidence.asked,
        )  # fmt: skip

    # --- the list -----------------------------------------------------------------------------------------------

    def _list(self) -> List:
        """The list as it is found to be; what the file has differently is noted."""
        rows = [row for row in map(self._encoded, range(len(self.evidence.listed))) if row is not None]
        builds = np.array(rows, dtype=np.int64).reshape(-1, len(self.case.options.slots))
        if len(rows) < len(self.evidence.listed) or not rows:
            if not self.evidence.listed:
                self.own.fault("list: it is empty")
            nothing = np.zeros(0)
            return List(builds[:0], nothing, nothing, np.zeros(0, dtype=np.int64))
        speed, passes, care = self.case.run(builds)
        cents = np.array([self._entry(n, builds[n], float(speed[n]), passes[:, n]) for n in range(len(builds))])
        for n, build in enumerate(builds):
            if any((build == other).all() for other in builds[:n]):
                self.own.fault(f"list: build {n + 1} stands in it twice")
        if len(builds) > self.case.asked.top:
            self.own.fault(f"list: it holds {len(builds)} builds where {self.case.asked.top} were asked for")
        order = self.case.order(builds, speed, care, cents)
        for n, place in enumerate(order):
            if n != place:
                there = f"build {place + 1} of the file belongs there"
                self.own.fault(f"list: the order is wrong at place {n + 1}: {there}")
                break
        return List(builds[order], speed[order], care[order], cents[order])

    def _encoded(self, n: int) -> IntArray | None:
        parts = self.evidence.listed[n].parts
        missing = [slot.name for slot in self.case.options.slots if slot.name not in parts]
        if missing:
            self.own.fault(f"list: build {n + 1} says nothing of {', '.join(missing)}")
            return None
        try:
            return self.case.options.encode(parts)
        except UsageError as fault:
            self.own.fault(f"list: build {n + 1}: {fault}")
            return None

    def _entry(self, n: int, build: IntArray, speed_ms: float, passes: BoolArray) -> int:
        """Compare one build of the list; its price, 0 where it has none."""
        told, name = self.evidence.listed[n], f"list: build {n + 1}"
        refused = (*self.case.refused(build), *(c for c, ok in zip(CHECKS, passes, strict=True) if not ok))
        if refused:
            self.own.fault(f"{name} is not legal: {', '.join(refused)}")
        if abs(told.speed_ms - speed_ms) > SPEED_AGREES_MS:
            self.own.fault(f"{name}: speed is {speed_ms:.6f} m/s, the file has {told.speed_ms:.6f}")
        cents = self.case.cents(build)
        if cents != told.price_cents:
            self.own.fault(f"{name}: price is {cents} cents, the file has {told.price_cents}")
        return cents or 0

    def _level(self, level: Level) -> None:
        told = self.evidence
        if abs(told.kth_ms - level.kth_ms) > SPEED_AGREES_MS:
            self.own.fault(f"level: the last build listed does {level.kth_ms:.6f} m/s, the file has {told.kth_ms:.6f}")
        if abs(told.level_ms - level.level_ms) > SPEED_AGREES_MS:
            self.own.fault(f"level: it is {level.level_ms:.6f} m/s, the file has {told.level_ms:.6f}")

    # --- what is not listed -------------------------------------------------------------------------------------

    def _everything(self, rounds: Rounds, listed: List) -> _Looked:
        """The list is shorter than was asked for: whatever can be had must be in it."""
        sieved, looked = self.groups.sieved(rounds), _Looked()
        builds = everything(sieved.boxes(np.arange(len(sieved))))
        if builds is None:
            looked.fault("list: it is shorter than was asked for, and there are too many builds to try them all")
        else:
            self._try([builds], ["everything"], 0.0, listed, looked)
        return looked

    def _tree(self, rounds: Rounds, listed: List, *, copied: bool) -> list[_Looked]:
        """Every group and every drive set: bounded below the level, or opened and closed again."""
        self._names()
        work, count = partial(self._look, rounds, listed), len(self.groups.firsts)
        if not copied:
            return [work(np.ones(count, dtype=np.bool_))]
        # by the parity of binary digits, in which no kind of part recurs as it would in every second group
        first = np.array([number.bit_count() % 2 == 0 for number in range(count)])
        return list(both(work, first, ~first))

    def _names(self) -> None:
        """Compare what groups are called with what they should be."""
        slots = self.case.options.slots
        named = tuple(tuple(slots[s].name for s in each) for each in (self.groups.group_slots, self.groups.set_slots))
        if named != (self.evidence.group_slots, self.evidence.set_slots):
            self.own.fault(f"groups: they are named by {' + '.join(named[0])}, sets by {' + '.join(named[1])}")
        found = {self.groups.name_of(g) for g in range(len(self.groups.firsts))}
        for parts, times in Counter(group.parts for group in self.evidence.groups).items():
            if times > 1 or parts not in found:
                self.own.fault(f"{_named(parts)}: {'stands there twice' if times > 1 else 'there is none'}")

    def _look(self, rounds: Rounds, listed: List, which: BoolArray) -> _Looked:
        """Go through some of the groups (G,)."""
        looked, groups = _Looked(), self.groups
        told = {group.parts: group for group in self.evidence.groups}
        sieved = groups.sieved(rounds, which[groups.group])
        bound, low = sieved.highest(rounds)
        looked.highest_ms = float(bound[low].max(initial=0.0))
        self._compare(told, which, sieved, (bound, low), looked)
        names, nodes, kept = [], [], []
        for place in np.flatnonzero(~low):
            row = int(sieved.rows[place])
            parts, key = groups.name_of(int(groups.group[row])), groups.name_of_set(row)
            name = f"{_named(parts)}, set {key}"
            if parts not in told or key not in told[parts].opened:
                looked.fault(f"{name}: not opened, though its bound, {bound[place]:.4f} m/s, reaches the level")
                continue
            names.append(name)
            nodes.append(told[parts].opened[key])
            kept.append(place)
        looked.opened = len(bound) - int(low.sum())
        if kept:
            walker = Walker(self.case, rounds, np.array(self.evidence.typical), looked.fault)
            walker.walk(Waiting(sieved.boxes(np.array(kept)), names, nodes))
            self._try(walker.to_try, walker.names, rounds.level, listed, looked)
        return looked

    def _compare(
        self,
        told: Mapping[tuple[str, ...], Group],
        which: BoolArray,
        sieved: Sieved,
        bounds: tuple[FloatArray, BoolArray],
        looked: _Looked,
    ) -> None:
        """Compare some groups with what the file says of them."""
        bound, low = bounds
        sizes, highest = self.groups.sizes(), np.full(len(which), -np.inf)
        np.maximum.at(highest, self.groups.group[sieved.rows[low]], bound[low])
        for g in np.flatnonzero(which):
            parts = self.groups.name_of(int(g))
            if parts not in told:
                looked.fault(f"{_named(parts)}: it is missing")
                continue
            if told[parts].sets != sizes[g]:
                looked.fault(f"{_named(parts)}: it has {sizes[g]} drive sets, the file has {told[parts].sets}")
            if not _agree(told[parts].highest_ms, float(highest[g])):
                has = told[parts].highest_ms
                looked.fault(f"{_named(parts)}: the highest bound is {_ms(highest[g])}, the file has {has}")

    def _try(
        self, to_try: list[IntArray], names: list[str], level_ms: float, listed: List, looked: _Looked
    ) -> None:
        """Go through builds one by one: none may be legal and rank among those listed."""
        looked.tried = sum(len(each) for each in to_try)
        if not looked.tried:
            return
        found = better(self.case, np.concatenate(to_try), level_ms, listed)
        for build in found:
            where = next(n for n, each in zip(names, to_try, strict=True) if (each == build).all(axis=1).any())
            parts = ", ".join(f"{slot} {part}" for slot, part in self.case.options.decode(build).items())
            looked.fault(f"{where}: a build is missing from the list: {parts}")


def _named(parts: tuple[str, ...]) -> str:
    """What a group is called."""
    return f"group {' + '.join(parts)}"


def _agree(told: float | None, found: float) -> bool:
    """Whether a bound of the file is what was found; None stands for no bound at all."""
    if told is None or not np.isfinite(found):
        return told is None and not np.isfinite(found)
    return abs(told - found) <= BOUND_AGREES_MS


def _ms(value: float) -> str:
    return f"{value:.4f} m/s" if np.isfinite(value) else "none"
