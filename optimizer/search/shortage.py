"""Rules out drive sets of which no completion is legal at any speed: what a rule leaves, money may not pay for.

`propagation` holds each rule against the mildest choice in all other slots, and the budget against the cheapest. Where
the mildest choices are dear, both are met and no build meets them together. Here money gets a price in the terms of
each rule, drive sets are split where that says too little, and the few completions that are left are listed. Before, it
is asked what the mildest and cheapest of many drive sets may have: most differ in gears, which rules hardly care for.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.choice.price import AdditiveBounds
from optimizer.search.bounding import SLACK_MS
from optimizer.search.drive_sets import DriveSets, cents_left, joined, merged_options, option_cents
from optimizer.search.opening import Opener
from optimizer.search.propagation import Goal, SetRow, least_of
from optimizer.search.surrogate import lagrangian_bound
from optimizer.search.tightening import CHUNK

FEW = 100
"""Completions of a box that are listed rather than split further: listing takes less time than one more split."""
MOST_BOXES = 20_000
"""Boxes of completions into which drive sets taken together are split, at most."""
ROUNDING = 1e-9
"""What a row may be broken by in rounding, as a share of its largest number."""


@dataclass(frozen=True, slots=True)
class Boxes:
    """Drive sets, or what many have in common, and the rows that their completions keep; rows are in their order."""

    sets: DriveSets
    rows: list[SetRow]

    def __len__(self) -> int:
        return len(self.sets)

    def take(self, which: BoolArray | IntArray) -> Boxes:
        """Some of them."""
        return Boxes(self.sets.take(which), [row.take(which) for row in self.rows])


class Shortage:
    """Looks for legal completions of any speed, for one scenario.

    Parameters
    ----------
    opener : Opener
        Has what knows rules and money.
    bounds : AdditiveBounds
        Lower bounds on prices by slot.
    """

    def __init__(self, opener: Opener, bounds: AdditiveBounds) -> None:
        self.judge, self.bounding, self.narrower = opener.judge, opener.bounding, opener.narrower
        self.propagation, self.bounds = opener.propagation, bounds

    def possible(self, boxes: Boxes, goal: Goal, late: Callable[[], bool] = lambda: False) -> BoolArray:
        """Whether rows and the money of a goal may leave each of some boxes a completion: (B,)."""
        boxes = Boxes(boxes.sets.marked(np.arange(len(boxes))), boxes.rows)
        kept = np.zeros(len(boxes), dtype=np.bool_)
        while 0 < len(boxes) <= MOST_BOXES and not late():
            boxes, spread = self._affordable(boxes, goal)
            kept[boxes.sets.mark[boxes.sets.completions == 1]] = True
            open_ = ~kept[boxes.sets.mark]
            boxes = self._split(boxes.take(open_), spread[:, open_], goal)
        kept[boxes.sets.mark] = True
        return kept

    def at_their_slowest(self, sets: DriveSets, goal: Goal) -> DriveSets:
        """What is left of drive sets where tires and rotors must do for the slowest completion of each at least.

        Level is a speed that every car reaches at some place, also one that a cap holds.
        """
        if len(sets) == 0:
            return sets
        slowest = self.bounding.slowest(self.bounding.open(sets)).min()
        level = float(min([slowest, *(cap - SLACK_MS for cap in self.judge.caps_ms())]))
        return self.narrower.not_too_fast(sets, replace(goal, level=level, dip=self.judge.most_dip_ms(level)))

    def step(self, sets: DriveSets, goal: Goal) -> tuple[IntArray, DriveSets]:
        """One round: completions (n, S) that may be legal, and smaller drive sets in which others may be.

        No other completion of those given is legal within the money of the goal.
        """
        found, rest = [np.zeros((0, sets.builds.shape[1]), dtype=np.int64)], [sets.take(np.zeros(0, dtype=np.int64))]
        for start in range(0, len(sets), CHUNK):
            some = sets.take(np.arange(start, min(start + CHUNK, len(sets))))
            boxes, spread = self._affordable(Boxes(some, self.propagation.rows(some, goal)), goal)
            few = boxes.sets.completions <= FEW
            found.append(self._listed(boxes.take(few), goal))
            rest.append(self._split(boxes.take(~few), spread[:, ~few], goal).sets)
        return np.concatenate(found), self.at_their_slowest(joined(rest), goal)

    def together(self, sets: DriveSets, goal: Goal) -> tuple[IntArray, Boxes]:
        """Group of each drive set (D,), and what the drive sets of each group have in common.

        Each group has every option that one of its members has, the least that one of them costs, and what is left of
        each row to the one to which it leaves most. Members have the same rows and need the same jobs.
        """
        rows = [row for row in self.propagation.rows(sets, goal) if row.could_break.any()]
        alike = np.stack([sets.jobs, sets.apart.astype(np.int64), *(row.kind for row in rows)], axis=1)
        _, first, group = np.unique(alike, axis=0, return_index=True, return_inverse=True)
        group = group.reshape(-1)

        def merged(fill: float, take: np.ufunc, values: FloatArray) -> FloatArray:
            out = np.full(len(first), fill)
            take.at(out, group, values)
            return out

        common = replace(
            sets.take(first),
            allowed=merged_options(sets.allowed, group, len(first)),
            spent=merged(np.inf, np.minimum, sets.spent),
        )
        left = [replace(row.take(first), left=merged(-np.inf, np.maximum, row.left)) for row in rows]
        return group, Boxes(common, left)

    def _affordable(self, boxes: Boxes, goal: Goal) -> tuple[Boxes, FloatArray]:
        """Boxes with the options that rows leave at some price of money, and how far slots spread (F, B).

        A completion that keeps a row and the budget keeps ``row + price of money x cents``, whatever that price is: an
        option goes that breaks this with the mildest options of all other slots. The spread is as a share of what the
        row leaves; -1 where a slot has one option.
        """
        sets = boxes.sets
        cents, left = option_cents(sets, self.bounds), cents_left(sets, goal.money)
        allowed = [ok.copy() for ok in sets.allowed]
        spread = np.zeros((len(allowed), len(sets)))
        for row in boxes.rows:
            if not row.could_break.any():
                continue
            scores = [np.broadcast_to(-each, (len(row.high[0]), each.shape[1]))[row.kind] for each in row.coefficients]
            bound, price = lagrangian_bound(scores, cents, left, list(sets.allowed))
            spare = bound + row.left + _rounding(row)
            for f, (ok, score, cost) in enumerate(zip(sets.allowed, scores, cents, strict=True)):
                net = np.where(ok, score - price[:, None] * cost, -np.inf)
                allowed[f] &= net - net.max(axis=1)[:, None] + spare[:, None] >= 0
                own = row.coefficients[f]
                apart = -least_of(-own, row.kind, ok) - least_of(own, row.kind, ok)
                spread[f] = np.maximum(spread[f], apart / np.maximum(np.abs(row.left), 1.0))
        spread[np.stack([ok.sum(axis=1) for ok in allowed]) < 2] = -1.0
        left_over = replace(sets, allowed=tuple(allowed))
        alive = left_over.completable
        return Boxes(left_over, boxes.rows).take(alive), spread[:, alive]

    def _split(self, boxes: Boxes, spread: FloatArray, goal: Goal) -> Boxes:
        """Boxes split by the slot that spreads widest, without what rules and money do not leave."""
        parts = boxes.sets.marked(np.arange(len(boxes))).split_by(spread.argmax(axis=0))
        split = boxes.take(parts.mark)
        left = self.propagation.narrowed(parts.marked(np.arange(len(parts))), goal, split.rows)
        return Boxes(replace(left, mark=split.sets.mark[left.mark]), [row.take(left.mark) for row in split.rows])

    def _listed(self, boxes: Boxes, goal: Goal) -> IntArray:
        """All completions (n, S) of boxes that go together, and keep the rows and the money by the least they cost."""
        builds, box = boxes.sets.every()
        fits = self.propagation.legality.allowed(builds)
        builds, box = builds[fits], box[fits]

        def total(tables: Sequence[FloatArray], row: IntArray) -> FloatArray:
            chosen = (table[row, builds[:, s]] for s, table in zip(boxes.sets.free, tables, strict=True))
            return sum(chosen, start=np.zeros(len(builds)))

        keeps = total(option_cents(boxes.sets, self.bounds), box) <= cents_left(boxes.sets, goal.money)[box]
        for row in boxes.rows:
            keeps &= total(row.coefficients, row.kind[box]) <= (row.left + _rounding(row))[box]
        return builds[keeps]


def _rounding(row: SetRow) -> FloatArray:
    """What each drive set may break a row by in rounding: (D,)."""
    return ROUNDING * np.maximum(np.abs(row.left), row.high.max(axis=0)[row.kind])
