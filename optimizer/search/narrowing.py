"""What a wanted speed asks of drive sets: ratings, rotors, equipment, and what money then still allows.

Everything here holds for every build that reaches the speed; it makes the tangents' work smaller.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray
from optimizer.run.judge import SPEED_STEP_MS, Judge
from optimizer.scenario.parts import Axle
from optimizer.search.bounding import SLACK_MS, Batch, Bounding
from optimizer.search.drive_sets import DriveSets, joined
from optimizer.search.propagation import Goal, Propagation

NEAR_CAP_MS = 5.0
"""Drive sets are split by their equipment where a speed bracket lies less than this above the level."""
SIMULATED = 4096
"""Drive sets whose slowest completions are run at once."""
AXLES: tuple[Axle, Axle] = ("front", "rear")


class Narrower:
    """Narrows drive sets down to what a goal leaves of them.

    Parameters
    ----------
    judge, bounding
        What runs, and how fast a drive set could be.
    propagation : Propagation
        What rules and money leave.
    """

    def __init__(self, judge: Judge, bounding: Bounding, propagation: Propagation) -> None:
        self.judge, self.bounding, self.propagation = judge, bounding, propagation

    def tighten(self, sets: DriveSets, goal: Goal) -> DriveSets:
        """Drop what no build that meets the goal can have.

        Hopeless tires and rotors, slots left without the equipment a speed bracket asks for, and what money then no
        longer allows.
        """
        sets = _without_hopeless(sets, self.judge.hopeless(goal.level, goal.at_board))
        return self.propagation.narrowed(sets, goal)

    def by_equipment(self, sets: DriveSets, goal: Goal) -> DriveSets:
        """Drive sets split by whether they carry what a speed bracket a little above the level asks for.

        Without it the bracket caps them; with it, it has to be paid.
        """
        for bracket in self.propagation.brackets:
            if np.isfinite(goal.level) and -SPEED_STEP_MS <= bracket.cap_ms - goal.level < NEAR_CAP_MS:
                carry = self.judge.options.carrying(bracket.requires)
                lacking = self._lacking(sets, carry, bracket.cap_ms)
                sets = self.propagation.narrowed(lacking.and_also(self._having(sets, carry)), goal)
        return sets

    def _lacking(self, sets: DriveSets, carry: tuple[BoolArray, ...], cap_ms: float) -> DriveSets:
        """Drive sets with completions that do not carry something, capped."""
        allowed = tuple(ok & ~carry[s] for s, ok in zip(sets.free, sets.allowed, strict=True))
        capped = replace(sets, allowed=allowed, cap_ms=np.minimum(sets.cap_ms, cap_ms))
        return capped.take(~self._carried(sets, carry))

    def _having(self, sets: DriveSets, carry: tuple[BoolArray, ...]) -> DriveSets:
        """Drive sets with completions that carry something; with all of them where several slots could."""
        own = self._carried(sets, carry)
        carriers = [f for f, s in enumerate(sets.free) if carry[s].any()]
        if not carriers:
            return sets.take(own)
        if len(carriers) > 1:
            return sets
        f = carriers[0]
        allowed = list(sets.allowed)
        allowed[f] = allowed[f] & (own[:, None] | carry[sets.free[f]])
        return replace(sets, allowed=tuple(allowed))

    def _carried(self, sets: DriveSets, carry: tuple[BoolArray, ...]) -> BoolArray:
        """Whether each drive set's own parts carry something: (D,)."""
        own = np.zeros(len(sets), dtype=bool)
        for s in self.judge.model.drive_slots:
            own |= carry[s][sets.builds[:, s]]
        return own

    def good_at_level(self, sets: DriveSets, goal: Goal) -> DriveSets:
        """Without tires that any build at the level takes past their rating in its runs: nothing is run for that."""
        return self._in_lots(self._good_in_runs, sets, goal.level)

    def not_too_fast(self, sets: DriveSets, goal: Goal) -> DriveSets:
        """Without what even the slowest completion, or one at the level, takes past a tire's or a rotor's limit."""
        sets = self._in_lots(self.good_tires, sets, goal.level)
        if len(sets) == 0:
            return sets
        slowest = np.minimum(self.bounding.slowest(self.bounding.open(sets)), self._least_cap(goal.level))
        return self.propagation.narrowed(past(sets, goal.past(slowest)), goal)

    def _in_lots(self, good: Callable[[Batch, float], Batch], sets: DriveSets, level: float) -> DriveSets:
        """What is good for a level, of as many drive sets at a time as fit the cache."""
        parts = [sets.take(np.zeros(0, dtype=np.int64))]
        for start in range(0, len(sets), SIMULATED):
            batch = self.bounding.open(sets.take(np.arange(start, min(start + SIMULATED, len(sets)))))
            parts.append(good(batch, level).sets)
        return joined(parts)

    def _least_cap(self, level: float) -> float:
        """The lowest ground speed cap at or above a level; infinite where there is none."""
        return min((cap for cap in self.judge.caps_ms() if cap >= level), default=np.inf)

    def good_tires(self, batch: Batch, level: float) -> Batch:
        """Drive sets and undriven tires that are good for the runs, and the fast day, of any build at the level.

        Of builds that count, which are once as fast as their drive set says in each run.
        """
        batch = self._good_in_runs(batch, level)
        cap = np.minimum(batch.sets.cap_ms, self.judge.least_cap_ms(level, NEAR_CAP_MS))
        ground = np.minimum(self.bounding.slowest_on_fast_day(batch), cap)
        turning = ground * (1 + self.bounding.least_slip(batch, ground, self.judge.fast))
        return self._holding(batch, ground, turning)

    def _good_in_runs(self, batch: Batch, level: float) -> Batch:
        """The same for the runs alone."""
        if not np.isfinite(level):
            return batch
        ground = np.full(len(batch.sets), level)
        slips = [self.bounding.least_slip(batch, ground, each) for each in self.judge.conditions]
        turning = ground * (1 + np.minimum.reduce(slips))
        for speed, each in zip(batch.sets.each_ms.T - SLACK_MS, self.judge.conditions, strict=False):
            ground = np.maximum(ground, speed)
            turning = np.maximum(turning, speed * (1 + self.bounding.least_slip(batch, speed, each)))
        return self._holding(batch, ground, turning)

    def _holding(self, batch: Batch, ground: FloatArray, turning: FloatArray) -> Batch:
        """Without tires that do not hold the speeds (B,) that undriven and driven ones at least turn with."""
        fit = np.ones(len(batch.sets), dtype=bool)
        allowed = list(batch.sets.allowed)
        for axle in AXLES:
            s = self.judge.model.slot_on("tire", axle)
            if s in batch.sets.free:
                f = batch.sets.free.index(s)
                allowed[f] = allowed[f] & self.judge.tires_hold(axle, ground)
            elif s is not None:
                holds = self.judge.tires_hold(axle, turning)
                fit &= holds[np.arange(len(fit)), batch.sets.builds[:, s]]
        sets = replace(batch.sets, allowed=tuple(allowed))
        return replace(batch, sets=sets).take(np.flatnonzero(fit & sets.completable))


def _without_hopeless(sets: DriveSets, hopeless: tuple[BoolArray, ...]) -> DriveSets:
    """Drop hopeless options from the free slots, and sets whose own parts are hopeless."""
    allowed = tuple(ok & ~hopeless[s] for s, ok in zip(sets.free, sets.allowed, strict=True))
    own = np.zeros(len(sets), dtype=bool)
    for s, out in enumerate(hopeless):
        if s not in sets.free:
            own |= out[sets.builds[:, s]]
    return replace(sets, allowed=tuple(ok & ~own[:, None] for ok in allowed))


def past(sets: DriveSets, board_ms: FloatArray) -> DriveSets:
    """Drive sets of whose completions those count that pass the last board at least so fast (D,)."""
    return replace(sets, board_ms=np.maximum(sets.board_ms, board_ms))
