"""Which drive sets could keep a speed at all: asked of each by itself, with the best of everything there is.

A build that scores a level reaches, in one of its runs, what a split of that score asks of this run. There it gains
speed or keeps it, in some gear: thrust is no less than resistance at that speed, at a wheel speed that limiter and grip
allow. The least resistance, the most grip and the highest torque that any option allows say where that cannot be
(docs/method.md, section 3, "Where the level comes from").
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.run.affine import Span
from optimizer.run.conditions import Conditions
from optimizer.run.driving import Gear
from optimizer.run.extremes import TorqueExtremes
from optimizer.run.inputs import RunInputs
from optimizer.run.linear import LESS_IS_FASTER, Additions, Frame, LinearSpace

CHUNK = 4096
"""Drive sets looked at together."""


def span_of(frame: Frame, additions: Sequence[Additions], allowed: Sequence[BoolArray]) -> Span:
    """Least and most (E, L) of each coordinate over the options allowed (1 or E, m_s), slot by slot."""
    least, most = frame.base.copy(), frame.base.copy()
    for add, ok in zip(additions, allowed, strict=True):
        low, high = add.ends(ok)
        least += low
        most += high
    return Span(least, most)


def extremes_of(span: Span, *, best: bool) -> tuple[FloatArray, FloatArray]:
    """Points (E, L) for resistance and for grip, best or worst of everything; lift saves rolling, and costs grip."""
    light, heavy = (span.least, span.most) if best else (span.most, span.least)
    rolling, grip = light.copy(), heavy.copy()
    for coordinate in range(rolling.shape[1]):
        if coordinate not in LESS_IS_FASTER:
            rolling[:, coordinate], grip[:, coordinate] = heavy[:, coordinate], light[:, coordinate]
    return rolling, grip


class Floor(NamedTuple):
    """A score, and splits of it: speeds [m/s] for each run, such that none that scores it is slower in all of them."""

    score_ms: float
    splits: Sequence[Sequence[float]]


class Keeping:
    """Asks the drive sets of a space which of them could be as fast in one of the runs that count."""

    def __init__(self, space: LinearSpace, runs: Sequence[Conditions]) -> None:
        self.space, self.runs, self.torque = space, runs, TorqueExtremes(space.model.table)

    def could(self, builds: IntArray, splits: Sequence[Sequence[float]]) -> BoolArray:
        """Which drive sets, builds (D, S) whose free slots do not matter, could keep one of the speeds of every split.

        A split has a speed [m/s] for each run. The others are slower than one of the splits in all runs: with the best
        of every usable option no wheel speed that limiter and grip allow gives a thrust that the resistance there does
        not exceed. A split with a speed that cars are pushed to, or with none at all, rules out none.
        """
        able = np.ones(len(builds), dtype=np.bool_)
        for start in range(0, len(builds) if self._telling(splits) else 0, CHUNK):
            able[start : start + CHUNK] = self.able(self._best(builds[start : start + CHUNK]), splits)
        return able

    def able(self, cars: Sequence[RunInputs], splits: Sequence[Sequence[float]]) -> BoolArray:
        """The same of E cars, given for each run, that are the best of all they stand for: (E,)."""
        able = np.ones(len(cars[0]), dtype=np.bool_)
        left = np.arange(len(able))
        for speeds in self._telling(splits):
            keep = self._keep([each.take(left) for each in cars], speeds)
            able[left[~keep]] = False
            left = left[keep]
        return able

    def _telling(self, splits: Sequence[Sequence[float]]) -> list[Sequence[float]]:
        """Those that can rule out anything."""
        pushed_ms = self.space.model.car.start_speed_ms
        return [each for each in splits if min(each) > pushed_ms and np.isfinite(each).all()]

    def _best(self, builds: IntArray) -> list[RunInputs]:
        """The best car of each drive set in each run, of all usable options."""
        space, free = self.space, self.space.free_slots
        frame = space.frame(builds)
        additions = [space.additions(frame, s) for s in free]
        rolling, grip = extremes_of(span_of(frame, additions, [space.usable[s][None] for s in free]), best=True)
        return [space.inputs(frame, rolling, conditions, grip) for conditions in self.runs]

    def _keep(self, cars: Sequence[RunInputs], speeds_ms: Sequence[float]) -> BoolArray:
        """Which cars, given for each run, could keep the speed of it."""
        able = np.zeros(len(cars[0]), dtype=np.bool_)
        for inputs, speed_ms in zip(cars, speeds_ms, strict=True):
            speed = np.full(len(inputs), speed_ms)
            for number in range(len(inputs.overall)):
                able |= Gear(inputs, number).could_keep(speed, self.torque)
        return able
