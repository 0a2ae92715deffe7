"""All drive sets of a case in groups by what drives the wheels, and bounds on each without a look at its builds."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.recheck.asking import Case
from optimizer.recheck.choices import Boxes, joined
from optimizer.recheck.rounds import Rounds
from optimizer.recheck.screening import Screen
from optimizer.recheck.striking import CENT, strike
from optimizer.run.keeping import Keeping

GEARING = ("engine", "gearset", "final drive")
"""Kinds of the slots whose parts name a group."""
MONEY_STEP = 10_000.0
"""Cents: drive sets that leave nearly as much for the rest are looked at together, with the most that any leaves."""
MANY = 2**52
"""Numbers that still tell rows apart."""
CHUNK = 600
"""Drive sets bounded at once."""
KINDS = 1024
"""Kinds of drive sets looked at together: of each there is a price for every option."""


class Groups:
    """Every drive set that single parts and pairs allow, in groups.

    Attributes
    ----------
    builds : array (D, S)
    group_slots, set_slots : tuples of int
        Drive slots whose parts name a group, and those that tell the sets of a group apart.
    group : array (D,)
        Number of each set's group; groups are in the order of their options.
    firsts : array (G,)
        A set of each group.
    """

    def __init__(self, case: Case) -> None:
        self.case = case
        slots = case.options.slots
        self.group_slots = tuple(s for s in case.drive_slots if slots[s].kind in GEARING)
        self.set_slots = tuple(s for s in case.drive_slots if slots[s].kind not in GEARING)
        self.builds = case.choices.drive_sets(case.drive_slots)
        keys = _numbered(self.builds[:, self.group_slots])
        _, self.firsts, self.group = np.unique(keys, return_index=True, return_inverse=True)

    def sizes(self) -> IntArray:
        """How many drive sets each group has: (G,)."""
        return np.bincount(self.group, minlength=len(self.firsts))

    def name_of(self, group: int) -> tuple[str, ...]:
        """Ids of the parts that name a group."""
        return self._ids(int(self.firsts[group]), self.group_slots)

    def name_of_set(self, row: int) -> str:
        """What tells a drive set from the others of its group."""
        return " ".join(self._ids(row, self.set_slots))

    def _ids(self, row: int, slots: tuple[int, ...]) -> tuple[str, ...]:
        return tuple(self.case.options.parts[s][self.builds[row, s]].id for s in slots)

    @cached_property
    def _affected(self) -> tuple[int, ...]:
        """Drive slots whose choice rules out options of free slots."""
        return tuple(s for s in self.case.drive_slots if any(self.case.choices.table(s, t) is not None
                                                             for t in self.case.free))  # fmt: skip

    def sieved(self, rounds: Rounds, some: BoolArray | None = None) -> Sieved:
        """What rules, money and the speed asked for leave, of some drive sets (D,).

        Drive sets with the same options and nearly the same money are taken together, but for their own parts.
        """
        case = self.case
        dead = np.zeros(len(self.builds), dtype=np.bool_) if some is None else ~some
        for s in case.drive_slots:
            dead |= rounds.striking.hopeless[s][self.builds[:, s]]
        rows = np.flatnonzero(~dead)
        splits = rounds.scores.splits(rounds.aim, len(case.judge.conditions))
        rows = rows[Keeping(case.space, case.judge.conditions).could(self.builds[rows], splits)]
        builds = self.builds[rows]
        spent = case.costing.spent(builds)
        steps = np.ceil((case.budget - spent) / MONEY_STEP) if np.isfinite(case.budget) else np.zeros(len(spent))
        wanted = [
            np.logical_or.reduce([want[s][builds[:, s]] for s in case.drive_slots]) for want in rounds.striking.wanted
        ]
        columns = [builds[:, self._affected], case.costing.kinds(builds), steps[:, None], *wanted]
        _, first, which = np.unique(
            _numbered(np.column_stack(columns).astype(np.int64)), return_index=True, return_inverse=True
        )
        money = case.budget - steps[first] * MONEY_STEP if np.isfinite(case.budget) else spent[first]
        left, place = self._kinds(rounds, builds[first], money)
        kind = place[which]
        alive = np.flatnonzero(kind >= 0)
        open_ = zip(left.allowed, left.cents, strict=True)
        cheapest = sum((np.where(ok, each, np.inf).min(axis=1) for ok, each in open_), np.zeros(len(left)))
        alive = alive[spent[alive] + cheapest[kind[alive]] <= case.budget + 0.5]
        return Sieved(self, left, kind[alive], rows[alive], spent[alive])

    def _kinds(self, rounds: Rounds, heads: IntArray, money: FloatArray) -> tuple[Boxes, IntArray]:
        """What is left of kinds of drive sets, each given by one of them (K, S); and the place of each, or -1.

        A head stands for its kind, hopeless or not: that is asked of each set's own parts.
        """
        case, place = self.case, np.full(len(heads), -1)
        pieces: list[Boxes] = []
        for start in range(0, max(len(heads), 1), KINDS):
            some = heads[start : start + KINDS]
            allowed = case.choices.allowed(some, case.drive_slots)
            cents = case.costing.of(some).cents
            left, rows = rounds.striking.kinds(
                Boxes.unknown(some, case.free, allowed, money[start : start + KINDS], cents)
            )
            place[start + rows] = sum(map(len, pieces)) + np.arange(len(rows))
            pieces.append(left)
        return joined(pieces), place


class Sieved:
    """Drive sets that rules, money and speed leave: rows of the `Groups` (n,), and their boxes."""

    def __init__(self, groups: Groups, kinds: Boxes, kind: IntArray, rows: IntArray, spent: FloatArray) -> None:
        self.groups, self.kinds, self.kind, self.rows, self.spent = groups, kinds, kind, rows, spent
        self.each_ms = np.zeros((len(rows), 2))

    def __len__(self) -> int:
        return len(self.rows)

    def boxes(self, places: IntArray) -> Boxes:
        """Boxes of some of the sets."""
        boxes = self.kinds.take(self.kind[places])
        strike(list(boxes.allowed), boxes.cents, self.groups.case.budget + CENT - self.spent[places])
        builds, spent = self.groups.builds[self.rows[places]], self.spent[places]
        return replace(boxes, builds=builds, spent=spent, each_ms=self.each_ms[places])

    def highest(self, rounds: Rounds) -> tuple[FloatArray, BoolArray]:
        """Score (n,) that no build of each set passes, and whether that is too low for the level.

        On coarse cells first; on fine ones for those that are left.
        """
        bound = np.full(len(self), np.inf)
        waiting = np.arange(len(self))
        for fine in (False, True):
            screen = Screen(self.groups.case, rounds.aim, fine=fine)
            for start in range(0, len(waiting), CHUNK):
                some = waiting[start : start + CHUNK]
                opened = rounds.open(self.boxes(some))
                bounds = rounds.scores.bounds(screen.cases(opened.frame, opened.span))
                bound[some] = rounds.scores.joined(bounds)
                self.each_ms[some] = rounds.scores.each(bounds, rounds.aim)
            waiting = waiting[bound[waiting] >= rounds.aim]
        return bound, bound < rounds.aim


def _numbered(columns: IntArray) -> IntArray:
    """One number (n,) for each row (n, k), the same only for equal rows, in their order."""
    number, size = np.zeros(len(columns), dtype=np.int64), 1
    for column in columns.T:
        low = int(column.min(initial=0))
        width = int(column.max(initial=0)) - low + 1
        if size * width > MANY:
            values, number = np.unique(number, return_inverse=True)
            size = len(values)
        number, size = number.reshape(-1) * width + (column - low), size * width
    return number
