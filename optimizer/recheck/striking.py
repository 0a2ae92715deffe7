"""What rules, money and a wanted speed strike out of boxes of builds, whatever else is chosen in them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.recheck.asking import Case
from optimizer.recheck.choices import Boxes
from optimizer.run.judge import SPEED_STEP_MS

CENT = 0.5
"""Amounts are whole cents."""


class Striking:
    """Strikes options out of boxes of one case, for builds that score at least ``level`` [m/s]."""

    def __init__(self, case: Case, level: float) -> None:
        self.case = case
        # a board may fall into the pause of a shift
        self.at_board = level - case.judge.most_dip_ms(level)
        self.kept_share = self.at_board / level if level > 0 else 0.0
        self.hopeless = case.judge.hopeless(level, self.at_board)
        carries = case.scenario.event.carries
        brackets = [each for each in case.scenario.race_class.brackets if each.requires not in carries]
        needed = [each for each in brackets if level > each.cap_ms + SPEED_STEP_MS]
        equipment = [case.options.carrying(each.requires) for each in needed]
        self.wanted = (*case.choices.wanted, *equipment)
        # as numbers: how many options of one slot go with each of another is then one product of matrices
        self.fits = {slots: (~table).astype(np.float32) for slots, table in case.choices.pairs.items()}

    def past(self, highest_ms: FloatArray) -> FloatArray:
        """Least speeds at the last board of builds that have been as fast before: what a pause costs grows slowly."""
        return np.maximum(highest_ms * self.kept_share, 0.0)

    def narrowed(self, boxes: Boxes, radius_m: FloatArray) -> tuple[Boxes, IntArray]:
        """Boxes with the options that are left, those with nothing left dropped; and the rows that stay.

        ``radius_m`` (2, E) is the rolling radius of front and rear tires, the largest there may be.
        """
        dead = np.zeros(len(boxes), dtype=np.bool_)
        for s in self.case.drive_slots:
            dead |= self.hopeless[s][boxes.builds[:, s]]
        return self._struck(boxes, dead, self._rotors(boxes, radius_m))

    def kinds(self, boxes: Boxes) -> tuple[Boxes, IntArray]:
        """The same for boxes that stand for many drive sets: nothing that hangs on the set's own parts is asked."""
        return self._struck(boxes, np.zeros(len(boxes), dtype=np.bool_), [])

    def _struck(
        self, boxes: Boxes, dead: BoolArray, rotors: list[tuple[tuple[FloatArray, ...], FloatArray]]
    ) -> tuple[Boxes, IntArray]:
        rows = np.arange(len(boxes))
        allowed = [ok & ~self.hopeless[s] for s, ok in zip(boxes.free, boxes.allowed, strict=True)]
        before, fitting = list[int](), list[int]()
        while (counts := _counts(allowed)) != before:  # to the end: so what is left of a box hangs on no other box
            before = counts
            strike(allowed, boxes.cents, self.case.budget + CENT - boxes.spent)
            for coefficients, left in rotors:
                strike(allowed, coefficients, left)
            for want in self.wanted:
                dead |= self._want(boxes, allowed, want)
            if fitting != (now := _counts(allowed)):
                self._strike_pairs(boxes.free, allowed)
                fitting = now
        found = replace(boxes, allowed=tuple(allowed))
        kept = found.alive & ~dead
        return found.take(kept), rows[kept]

    def _rotors(self, boxes: Boxes, radius_m: FloatArray) -> list[tuple[tuple[FloatArray, ...], FloatArray]]:
        """What rotors must take: per free slot coefficients, and what is left of the row."""
        found = []
        judge, rows = self.case.judge, np.arange(len(boxes))
        for coefficients, upper in judge.rotor_rows(np.maximum(boxes.board_ms, self.at_board), radius_m):
            each = [np.broadcast_to(c, (len(boxes), c.shape[1])) for c in coefficients]
            used = sum((each[s][rows, boxes.builds[:, s]] for s in self.case.drive_slots), np.zeros(len(boxes)))
            found.append((tuple(each[s] for s in boxes.free), upper - used))
        return found

    def _want(self, boxes: Boxes, allowed: list[BoolArray], want: tuple[BoolArray, ...]) -> BoolArray:
        """Leave only what answers to a want in the last slot that could; whether nothing can: (E,)."""
        has = np.zeros(len(boxes), dtype=np.bool_)
        for s in self.case.drive_slots:
            has |= want[s][boxes.builds[:, s]]
        able = [(ok & want[s]).any(axis=1) for s, ok in zip(boxes.free, allowed, strict=True)]
        number = np.sum(able, axis=0)
        for f, (s, can) in enumerate(zip(boxes.free, able, strict=True)):
            last = ~has & can & (number == 1)
            allowed[f] &= want[s] | ~last[:, None]
        dead: BoolArray = ~has & (number == 0)
        return dead

    def _strike_pairs(self, free: tuple[int, ...], allowed: list[BoolArray]) -> None:
        """Strike out what may not be with any option left of another slot."""
        for (s, t), fits in self.fits.items():
            if s in free and t in free:
                ours, theirs = allowed[free.index(s)], allowed[free.index(t)]
                ours &= theirs.astype(np.float32) @ fits.T > 0.5
                theirs &= ours.astype(np.float32) @ fits > 0.5


def _counts(allowed: list[BoolArray]) -> list[int]:
    """How many options are open in all boxes together, slot by slot."""
    return [int(ok.sum()) for ok in allowed]


def strike(allowed: list[BoolArray], amounts: tuple[FloatArray, ...], left: FloatArray) -> None:
    """Strike out options that pass what is left even with the least of all other slots."""
    least = [np.where(ok, each, np.inf).min(axis=1) for ok, each in zip(allowed, amounts, strict=True)]
    with np.errstate(invalid="ignore"):  # a slot without options left: the box is dropped
        room = left - sum(least, start=np.zeros(len(left)))
        for ok, each, low in zip(allowed, amounts, least, strict=True):
            np.logical_and(ok, each - low[:, None] <= room[:, None], out=ok)
