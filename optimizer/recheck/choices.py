"""What may stand where, by the second reading: tables for single parts and for pairs, and boxes of builds.

A *box* is a drive set (the parts of the drive slots) with the options of each free slot that are still open.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray, Options, options_of
from optimizer.errors import UsageError
from optimizer.recheck.reading import Reading
from optimizer.recheck.ruling import answers_to
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import NONE_ID, Part


@dataclass(frozen=True, slots=True)
class Boxes:
    """E boxes of builds.

    Attributes
    ----------
    builds : array (E, S)
        Options of the drive slots; those in free slots do not matter.
    free : tuple of int (F,)
        The free slots.
    allowed : per free slot, bool (E, m_s)
        Options that are still open.
    spent : array (E,)
        Lower bound on the price of the drive set, jobs and fixed costs with it [cents].
    cents : per free slot, array (E, m_s)
        What each option adds at least.
    each_ms, below_ms : arrays (E, 2)
        The highest ground speed of every build that counts, in its first and in its second run, up to the board that
        the score hangs on: at least, and at most; inf where it is not known.
    board_ms : array (E,)
        Speed at which every build that counts passes the last board at least, in one of its runs; 0 where not known.
    """

    builds: IntArray
    free: tuple[int, ...]
    allowed: tuple[BoolArray, ...]
    spent: FloatArray
    cents: tuple[FloatArray, ...]
    each_ms: FloatArray
    below_ms: FloatArray
    board_ms: FloatArray

    @classmethod
    def unknown(
        cls,
        builds: IntArray,
        free: tuple[int, ...],
        allowed: tuple[BoolArray, ...],
        spent: FloatArray,
        cents: tuple[FloatArray, ...],
    ) -> Boxes:
        """Boxes of whose speeds nothing is known."""
        count = len(builds)
        low, high = np.zeros((count, 2)), np.full((count, 2), np.inf)
        return cls(builds, free, allowed, spent, cents, low, high, np.zeros(count))

    def __len__(self) -> int:
        return len(self.builds)

    def take(self, rows: IntArray | BoolArray) -> Boxes:
        """Some of the boxes, or boxes repeated."""
        return Boxes(
            self.builds[rows], self.free, tuple(ok[rows] for ok in self.allowed), self.spent[rows],
            tuple(each[rows] for each in self.cents), self.each_ms[rows], self.below_ms[rows],
            self.board_ms[rows],
        )  # fmt: skip

    @property
    def alive(self) -> BoolArray:
        """Whether every free slot still has an option: (E,)."""
        found = np.ones(len(self), dtype=np.bool_)
        for ok in self.allowed:
            found &= ok.any(axis=1)
        return found

    @property
    def completions(self) -> FloatArray:
        """How many builds each box holds: (E,)."""
        number = np.ones(len(self))
        for ok in self.allowed:
            number *= ok.sum(axis=1)
        return number

    def only(self, f: int, options: IntArray) -> Boxes:
        """Each box with only the option (E,) given left in its f-th free slot."""
        one = np.zeros_like(self.allowed[f])
        one[np.arange(len(options)), options] = True
        return replace(self, allowed=(*self.allowed[:f], one & self.allowed[f], *self.allowed[f + 1 :]))


def joined(pieces: Sequence[Boxes]) -> Boxes:
    """Boxes one after the other; there is at least one piece."""
    return Boxes(
        np.concatenate([each.builds for each in pieces]),
        pieces[0].free,
        tuple(np.concatenate(each) for each in zip(*(piece.allowed for piece in pieces), strict=True)),
        np.concatenate([each.spent for each in pieces]),
        tuple(np.concatenate(each) for each in zip(*(piece.cents for piece in pieces), strict=True)),
        np.concatenate([each.each_ms for each in pieces]),
        np.concatenate([each.below_ms for each in pieces]),
        np.concatenate([each.board_ms for each in pieces]),
    )


class Choices:
    """Which options may be chosen at all, and which two together.

    Attributes
    ----------
    options : Options
    reading : Reading
    open : per slot, bool (m_s,)
        Options that break no check by themselves and are not left out as asked.
    pairs : dict of (s, t) -> bool (m_s, m_t)
        Pairs that break a check; s < t, and only where there is such a pair.
    wanted : tuple of (per slot, bool (m_s,))
        What must be in: of each, at least one option has to be chosen.

    Raises
    ------
    UsageError
        If a part that is asked for or left out is no option anywhere.
    """

    def __init__(self, scenario: Scenario, with_parts: tuple[str, ...], without_parts: tuple[str, ...]) -> None:
        self.options: Options = options_of(scenario)
        self.reading = Reading(scenario)
        left_out = [self._named(each) for each in without_parts]
        self.open = tuple(
            np.array(
                [self._may_stand(s, part) and not any(out[s][o] for out in left_out) for o, part in enumerate(parts)]
            )
            for s, parts in enumerate(self.options.parts)
        )
        self.wanted = tuple(self._named(each) for each in with_parts)
        self.pairs = self._pairs()

    def _may_stand(self, s: int, part: Part) -> bool:
        slot, spending = self.options.slots[s], self.reading.spending
        enough = part.id == NONE_ID or slot.count <= spending.obtainable(part.id)
        return enough and not self.reading.broken_alone(slot.name, part)

    def _named(self, named: str) -> tuple[BoolArray, ...]:
        """Options meant by ``id`` or ``slot=id``."""
        slot, _, part_id = named.rpartition("=")
        found = tuple(
            np.array([part.id == part_id and slot in ("", self.options.slots[s].name) for part in parts])
            for s, parts in enumerate(self.options.parts)
        )
        if not any(each.any() for each in found):
            raise UsageError(f"no part is called {named!r}")
        return found

    def _pairs(self) -> dict[tuple[int, int], BoolArray]:
        found: dict[tuple[int, int], BoolArray] = {}
        for (s, o), (t, p) in self._suspects():
            first, second = self.options.slots[s].name, self.options.slots[t].name
            parts = self.options.parts
            if self.reading.broken_together(first, parts[s][o], second, parts[t][p]):
                found.setdefault((s, t), np.zeros((len(parts[s]), len(parts[t])), dtype=np.bool_))[o, p] = True
        return found

    def _suspects(self) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
        """Pairs of open options that could break a check: by their kinds, or because a relation names them."""
        slots, race = self.options.slots, self.reading.race
        kinds = [{"tire", "wheel"}, {"rotor", "wheel"}, {"gearset", "final drive"}]
        whole = {
            (s, t)
            for s, t in itertools.combinations(range(len(slots)), 2)
            if ({slots[s].kind, slots[t].kind} in kinds and slots[s].axle == slots[t].axle)
            or (slots[s].kind == slots[t].kind == "tire" and self.reading.car.drive == "all")
        }
        whole |= {(min(s, t), max(s, t)) for s in self._with("pressure_pa") for t in range(len(slots))
                  if slots[t].kind in ("tire", "wheel")}  # fmt: skip
        for s, t in sorted(whole):
            yield from itertools.product(self._open_in(s), self._open_in(t))
        every = [place for s in range(len(slots)) for place in self._open_in(s)]
        shy = [word for part in self.options.scenario.parts.values() for word in part.not_with]
        sides = [*((pair.first, pair.second) for pair in race.pairs)]
        named = {
            place
            for place in every
            if self._part(place).not_with
            or any(answers_to(self._part(place), word) for word in (*shy, *itertools.chain.from_iterable(sides)))
        }
        for one, two in itertools.combinations(sorted(named), 2):
            if one[0] != two[0] and (one[0], two[0]) not in whole:
                yield one, two

    def _with(self, field: str) -> list[int]:
        """Slots with an option that changes something."""
        return [s for s, parts in enumerate(self.options.parts) if any(getattr(part, field, 0.0) for part in parts)]

    def _open_in(self, s: int) -> list[tuple[int, int]]:
        return [(s, int(o)) for o in np.flatnonzero(self.open[s])]

    def _part(self, place: tuple[int, int]) -> Part:
        return self.options.parts[place[0]][place[1]]

    def table(self, s: int, t: int) -> BoolArray | None:
        """Pairs (m_s, m_t) that may not be together, in either order of the slots; None where all may."""
        if (s, t) in self.pairs:
            return self.pairs[s, t]
        return self.pairs[t, s].T if (t, s) in self.pairs else None

    def drive_sets(self, drive_slots: tuple[int, ...]) -> IntArray:
        """Every combination (D, S) over the drive slots that singles and pairs allow; 0 in the other slots."""
        builds = np.zeros((1, len(self.options.slots)), dtype=np.int64)
        for place, s in enumerate(drive_slots):
            options = np.flatnonzero(self.open[s])
            count = len(builds)
            builds = np.repeat(builds, len(options), axis=0)
            builds[:, s] = np.tile(options, count)
            keep = np.ones(len(builds), dtype=bool)
            for t in drive_slots[:place]:
                table = self.table(s, t)
                if table is not None:
                    keep &= ~table[builds[:, s], builds[:, t]]
            builds = builds[keep]
        return builds

    def allowed(self, builds: IntArray, drive_slots: tuple[int, ...]) -> tuple[BoolArray, ...]:
        """Options of each free slot that suit the drive sets (E, S): bool (E, m_s)."""
        found = []
        for s in range(len(self.options.slots)):
            if s not in drive_slots:
                ok = np.repeat(self.open[s][None], len(builds), axis=0)
                for t in drive_slots:
                    table = self.table(t, s)
                    if table is not None:
                        ok &= ~table[builds[:, t]]
                found.append(ok)
        return tuple(found)

    def suit(self, builds: IntArray) -> BoolArray:
        """Whether builds (n, S) break no check on single parts or pairs, and hold what must be in: (n,)."""
        found = np.ones(len(builds), dtype=np.bool_)
        for s, ok in enumerate(self.open):
            found &= ok[builds[:, s]]
        for (s, t), table in self.pairs.items():
            found &= ~table[builds[:, s], builds[:, t]]
        for want in self.wanted:
            found &= np.logical_or.reduce([each[builds[:, s]] for s, each in enumerate(want)])
        return found
