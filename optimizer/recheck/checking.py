"""Checks a file of evidence: every number in it is computed anew, and what does not agree is named.

What the file decides (where to cut, what a cent is worth, how to split) is taken from it; what it claims is not. Faults
are gathered, not raised: one look at the file says all that is wrong with it.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.errors import UsageError
from optimizer.recheck.asking import Case
from optimizer.recheck.choices import Boxes, joined
from optimizer.recheck.evidence import Evidence, Node, Split, hash_of, read
from optimizer.recheck.groups import Groups, Sieved
from optimizer.recheck.listing import Level, List, better, everything, level_for
from optimizer.recheck.rounds import CHUNK, Left, Prospects, Rounds
from optimizer.run.judge import CHECKS
from optimizer.run.linear import COORDINATES
from optimizer.scenario.event import Scenario
from optimizer.scenario.reading import read_scenario
from optimizer.search.necessary import Demand

SPEED_AGREES_MS, BOUND_AGREES_MS = 1e-6, 1e-3
"""How near speeds of builds, and bounds as they are rounded in the file, must be to what is found."""
MOST_FAULTS = 50
"""Faults that are named one by one."""
MOST_PARTIAL = 20_000
"""Builds of a box, or parts of builds on the way to them, that may be left to be gone through one by one. Far more than
where evidence is made: how many parts there are on the way hangs on which boxes are looked at together, so that one
which has too many among others is looked at alone."""


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
    return Checker(case, evidence).verdict()


def _nothing(evidence: Evidence, scenario: Scenario, fault: str) -> Verdict:
    """The verdict where nothing can be compared."""
    unit = scenario.event.speed_unit
    return Verdict((fault,), evidence.complete, evidence.why_not, len(evidence.listed), 0, 0, 0, 0, 0.0, 0.0, unit)


class _Written:
    """Decisions as the file has them, for boxes whose nodes are given."""

    def __init__(self, nodes: list[Node]) -> None:
        most = max((len(node.cuts) for node in nodes), default=0)
        table = np.zeros((len(nodes), most, 2))
        for row, node in enumerate(nodes):
            if node.cuts:
                table[row, : len(node.cuts)] = node.cuts
        self.table = table

    def share(self, place: int, _demand: Demand, _fast: FloatArray, _slow: FloatArray, rows: IntArray) -> FloatArray:
        """Where the cut is laid; at the fast end where the file says nothing."""
        return self._column(place, 0)[rows]

    def multiplier(self, place: int, _prospects: Prospects, rows: IntArray) -> FloatArray:
        """What a cent is worth; nothing where the file does not say."""
        return self._column(place, 1)[rows]

    def _column(self, place: int, which: int) -> FloatArray:
        if place >= self.table.shape[1]:
            return np.zeros(len(self.table))
        return self.table[:, place, which]


@dataclass(frozen=True, slots=True)
class _Waiting:
    """Boxes that wait for their rounds, with the names to call them by and what the file says of them."""

    boxes: Boxes
    names: list[str]
    nodes: list[Node]


class Checker:
    """Checks evidence of one case."""

    def __init__(self, case: Case, evidence: Evidence) -> None:
        self.case, self.evidence = case, evidence
        self.faults: list[str] = []
        self.groups = Groups(case)
        self.opened = self.tried = 0
        self.highest = 0.0

    def verdict(self) -> Verdict:
        """Go through all of it."""
        listed = self._list()
        level = level_for(self.case, listed)
        self._level(level)
        if len(self.evidence.typical) != len(COORDINATES):
            self._fault(f"typical: {len(COORDINATES)} slopes are needed, the file has {len(self.evidence.typical)}")
        if self.evidence.complete and not self.faults:
            rounds = Rounds(self.case, level.level_ms)
            sieved = self.groups.sieved(rounds)
            if level.level_ms > 0:
                self._tree(rounds, sieved, listed, level)
            else:
                self._everything(sieved, listed)
        return Verdict(
            tuple(self.faults), self.evidence.complete, self.evidence.why_not, len(listed), len(self.groups.builds),
            len(self.groups.firsts), self.opened, self.tried, level.kth_ms, self.highest,
            self.case.scenario.event.speed_unit,
        )  # fmt: skip

    def _fault(self, text: str) -> None:
        if len(self.faults) < MOST_FAULTS:
            self.faults.append(text)

    # --- the list -----------------------------------------------------------------------------------------------

    def _list(self) -> List:
        """The list as it is found to be; what the file has differently is noted."""
        rows = [row for row in map(self._encoded, range(len(self.evidence.listed))) if row is not None]
        builds = np.array(rows, dtype=np.int64).reshape(-1, len(self.case.options.slots))
        if len(rows) < len(self.evidence.listed) or not rows:
            if not self.evidence.listed:
                self._fault("list: it is empty")
            nothing = np.zeros(0)
            return List(builds[:0], nothing, nothing, np.zeros(0, dtype=np.int64))
        speed, passes, care = self.case.run(builds)
        cents = np.array([self._entry(n, builds[n], float(speed[n]), passes[:, n]) for n in range(len(builds))])
        for n, build in enumerate(builds):
            if any((build == other).all() for other in builds[:n]):
                self._fault(f"list: build {n + 1} stands in it twice")
        if len(builds) > self.case.asked.top:
            self._fault(f"list: it holds {len(builds)} builds where {self.case.asked.top} were asked for")
        order = self.case.order(builds, speed, care, cents)
        for n, place in enumerate(order):
            if n != place:
                self._fault(f"list: the order is wrong at place {n + 1}: build {place + 1} of the file belongs there")
                break
        return List(builds[order], speed[order], care[order], cents[order])

    def _encoded(self, n: int) -> IntArray | None:
        parts = self.evidence.listed[n].parts
        missing = [slot.name for slot in self.case.options.slots if slot.name not in parts]
        if missing:
            self._fault(f"list: build {n + 1} says nothing of {', '.join(missing)}")
            return None
        try:
            return self.case.options.encode(parts)
        except UsageError as fault:
            self._fault(f"list: build {n + 1}: {fault}")
            return None

    def _entry(self, n: int, build: IntArray, speed_ms: float, passes: BoolArray) -> int:
        """Compare one build of the list; its price, 0 where it has none."""
        told, name = self.evidence.listed[n], f"list: build {n + 1}"
        refused = (*self.case.refused(build), *(c for c, ok in zip(CHECKS, passes, strict=True) if not ok))
        if refused:
            self._fault(f"{name} is not legal: {', '.join(refused)}")
        if abs(told.speed_ms - speed_ms) > SPEED_AGREES_MS:
            self._fault(f"{name}: speed is {speed_ms:.6f} m/s, the file has {told.speed_ms:.6f}")
        cents = self.case.cents(build)
        if cents != told.price_cents:
            self._fault(f"{name}: price is {cents} cents, the file has {told.price_cents}")
        return cents or 0

    def _level(self, level: Level) -> None:
        told = self.evidence
        if abs(told.kth_ms - level.kth_ms) > SPEED_AGREES_MS:
            self._fault(f"level: the last build listed does {level.kth_ms:.6f} m/s, the file has {told.kth_ms:.6f}")
        if abs(told.level_ms - level.level_ms) > SPEED_AGREES_MS:
            self._fault(f"level: it is {level.level_ms:.6f} m/s, the file has {told.level_ms:.6f}")

    # --- what is not listed -------------------------------------------------------------------------------------

    def _everything(self, sieved: Sieved, listed: List) -> None:
        """The list is shorter than was asked for: whatever can be had must be in it."""
        builds = everything(sieved.boxes(np.arange(len(sieved))))
        if builds is None:
            self._fault("list: it is shorter than was asked for, and there are too many builds to try them all")
        else:
            self._try([builds], ["everything"], 0.0, listed)

    def _tree(self, rounds: Rounds, sieved: Sieved, listed: List, level: Level) -> None:
        """Every group and every drive set: bounded below the level, or opened and closed again."""
        bound, low = sieved.highest(rounds)
        places = np.flatnonzero(~low)
        self.highest = float(bound[low].max(initial=0.0))
        opened = self._groups(sieved, bound, low)
        self.opened = len(places)
        names, nodes, kept = [], [], []
        for place in places:
            row = int(sieved.rows[place])
            key = (self.groups.name_of(int(self.groups.group[row])), self.groups.name_of_set(row))
            name = f"group {' + '.join(key[0])}, set {key[1]}"
            if key not in opened:
                self._fault(f"{name}: not opened, though its bound, {bound[place]:.4f} m/s, reaches the level")
                continue
            names.append(name)
            nodes.append(opened[key])
            kept.append(place)
        if kept:
            self._walk(rounds, _Waiting(sieved.boxes(np.array(kept)), names, nodes), listed, level)

    def _groups(self, sieved: Sieved, bound: FloatArray, low: BoolArray) -> dict[tuple[tuple[str, ...], str], Node]:
        """Compare groups with those there are; what is opened, by group and set."""
        slots = self.case.options.slots
        named = tuple(tuple(slots[s].name for s in each) for each in (self.groups.group_slots, self.groups.set_slots))
        if named != (self.evidence.group_slots, self.evidence.set_slots):
            self._fault(f"groups: they are named by {' + '.join(named[0])}, sets by {' + '.join(named[1])}")
        found = {self.groups.name_of(g): g for g in range(len(self.groups.firsts))}
        for parts, times in Counter(group.parts for group in self.evidence.groups).items():
            if times > 1 or parts not in found:
                self._fault(f"group {' + '.join(parts)}: {'stands there twice' if times > 1 else 'there is none'}")
        told = {group.parts: group for group in self.evidence.groups}
        sizes, highest = self.groups.sizes(), np.full(len(found), -np.inf)
        np.maximum.at(highest, self.groups.group[sieved.rows[low]], bound[low])
        for parts, g in found.items():
            name = f"group {' + '.join(parts)}"
            if parts not in told:
                self._fault(f"{name}: it is missing")
                continue
            if told[parts].sets != sizes[g]:
                self._fault(f"{name}: it has {sizes[g]} drive sets, the file has {told[parts].sets}")
            if not _agree(told[parts].highest_ms, float(highest[g])):
                self._fault(f"{name}: the highest bound is {_ms(highest[g])}, the file has {told[parts].highest_ms}")
        return {(parts, key): node for parts, group in told.items() for key, node in group.opened.items()}

    def _walk(self, rounds: Rounds, waiting: _Waiting, listed: List, level: Level) -> None:
        """Rounds as the file has them, all boxes of one depth together."""
        to_try: list[IntArray] = []
        names: list[str] = []
        while len(waiting.boxes):
            rest: list[_Waiting] = []
            cells = np.array([node.cells for node in waiting.nodes])
            for width in np.unique(cells):
                alike = np.flatnonzero(cells == width)
                for start in range(0, len(alike), CHUNK):
                    rows = alike[start : start + CHUNK]
                    nodes = [waiting.nodes[row] for row in rows]
                    left = rounds.go(waiting.boxes.take(rows), int(width), _Written(nodes))
                    names_left = [waiting.names[rows[row]] for row in left.rows]
                    some = _Waiting(left.boxes, names_left, [nodes[row] for row in left.rows])
                    rest += self._follow(rounds, left, some, to_try, names)
            waiting = _Waiting(
                joined([waiting.boxes.take(np.zeros(0, dtype=np.int64)), *(each.boxes for each in rest)]),
                [name for each in rest for name in each.names],
                [node for each in rest for node in each.nodes],
            )
        self._try(to_try, names, level.level_ms, listed)

    def _follow(
        self, rounds: Rounds, left: Left, some: _Waiting, to_try: list[IntArray], names: list[str]
    ) -> list[_Waiting]:
        """What follows for the boxes that a round leaves."""
        further, listing = [], []
        splits: dict[tuple[str, tuple[int, ...]], list[int]] = {}
        for place, (name, node) in enumerate(zip(some.names, some.nodes, strict=True)):
            if node.then is None:
                count = left.boxes.completions[place]
                self._fault(f"{name}: what the file says does not rule out the last {count:.0f} builds")
            elif isinstance(node.then, Node):
                further.append(place)
            elif isinstance(node.then, Split):
                splits.setdefault((node.then.slot, node.then.runs), []).append(place)
            else:
                listing.append(place)
        if listing:
            builds, box, too_many = left.builds(np.array(listing), self.case, MOST_PARTIAL)
            for own in np.unique(box):
                to_try.append(builds[box == own])
                names.append(some.names[own])
            for crowded in np.flatnonzero(too_many):
                alone, _, still = left.builds(np.array([crowded]), self.case, MOST_PARTIAL)
                if still.any():
                    self._fault(f"{some.names[crowded]}: too many builds are left to try them one by one")
                to_try.append(alone)
                names.append(some.names[crowded])
        found = [self._split(rounds, some, *how, np.array(places)) for how, places in splits.items()]
        nodes = [some.nodes[place].then for place in further]
        found.append(
            _Waiting(
                some.boxes.take(np.array(further, dtype=np.int64)),
                [some.names[place] for place in further],
                [node for node in nodes if isinstance(node, Node)],
            )
        )
        return found

    def _split(
        self, rounds: Rounds, some: _Waiting, slot: str, runs: tuple[int, ...], places: IntArray
    ) -> _Waiting:
        """The parts of boxes that are split alike; each that is left must stand in the file."""
        boxes = some.boxes.take(places)
        nodes = [some.nodes[place].then for place in places]
        splits = [node for node in nodes if isinstance(node, Split)]
        free = [self.case.options.slots[s].name for s in boxes.free]
        if slot and slot not in free:
            return self._unsplit(some, places, f"split by {slot!r}, which is no slot that is open")
        if not slot and not np.isfinite(boxes.below_ms[:, list(runs)]).all():
            return self._unsplit(some, places, f"split by speeds in runs {list(runs)}, of which no highest is known")
        if slot:
            firsts = np.array([split.first for split in splits])
            parts = rounds.by_slot(boxes, free.index(slot), firsts, np.array(self.evidence.typical))
        else:
            parts = rounds.by_speed(boxes, runs)
        names, below, kept = [], [], []
        for place, (row, part) in enumerate(zip(parts.rows, parts.names, strict=True)):
            name = f"{some.names[places[row]]}, {slot or 'speed'} {part}"
            if part not in splits[row].parts:
                self._fault(f"{name}: this part of the split is missing")
                continue
            names.append(name)
            below.append(splits[row].parts[part])
            kept.append(place)
        return _Waiting(parts.boxes.take(np.array(kept, dtype=np.int64)), names, below)

    def _unsplit(self, some: _Waiting, places: IntArray, told: str) -> _Waiting:
        """Boxes cannot be split as the file says."""
        for place in places:
            self._fault(f"{some.names[place]}: {told}")
        return _Waiting(some.boxes.take(places[:0]), [], [])

    def _try(self, to_try: list[IntArray], names: list[str], level_ms: float, listed: List) -> None:
        """Go through builds one by one: none may be legal and rank among those listed."""
        self.tried = sum(len(each) for each in to_try)
        if not self.tried:
            return
        found = better(self.case, np.concatenate(to_try), level_ms, listed)
        for build in found:
            where = next(n for n, each in zip(names, to_try, strict=True) if (each == build).all(axis=1).any())
            parts = ", ".join(f"{slot} {part}" for slot, part in self.case.options.decode(build).items())
            self._fault(f"{where}: a build is missing from the list: {parts}")


def _agree(told: float | None, found: float) -> bool:
    """Whether a bound of the file is what was found; None stands for no bound at all."""
    if told is None or not np.isfinite(found):
        return told is None and not np.isfinite(found)
    return abs(told - found) <= BOUND_AGREES_MS


def _ms(value: float) -> str:
    return f"{value:.4f} m/s" if np.isfinite(value) else "none"
