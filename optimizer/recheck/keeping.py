"""Which drive sets could keep a speed at all: asked of each by itself, with the best of everything there is.

A build that scores a level reaches, in one of its runs, what a split of that score asks of this run. There it gains
speed or keeps it, in some gear: thrust is no less than resistance at that speed, at a wheel speed that limiter and grip
allow. The least resistance, the most grip and the highest torque that any option allows say where that cannot be
(docs/method.md, section 3, "Where the level comes from").
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.recheck.asking import Case
from optimizer.run.affine import Span
from optimizer.run.driving import Gear
from optimizer.run.extremes import TorqueExtremes
from optimizer.run.inputs import RunInputs
from optimizer.run.linear import LESS_IS_FASTER, Additions, Frame
from optimizer.search.demands import Scores

APART_MS = (0.0, -0.5, 0.5, -1.0, 1.0)
"""How much faster one of two runs is taken to be than their mean."""
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


class Keeping:
    """Asks drive sets of one case for a score [m/s]."""

    def __init__(self, case: Case, scores: Scores, aim_ms: float) -> None:
        self.case, self.extremes = case, TorqueExtremes(case.judge.model.table)
        pushed_ms = case.judge.model.car.start_speed_ms  # all cars have been as fast
        every = _splits(scores, aim_ms, len(case.judge.conditions))
        self.speeds = [each for each in every if min(each) > pushed_ms and np.isfinite(each).all()]

    def could(self, builds: IntArray) -> BoolArray:
        """Whether a build of each drive set (E, S) could score it: (E,)."""
        able = np.ones(len(builds), dtype=np.bool_)
        for start in range(0, len(builds) if self.speeds else 0, CHUNK):
            cars, rows = self._best(builds[start : start + CHUNK]), np.arange(start, min(start + CHUNK, len(builds)))
            for speeds in self.speeds:
                keep = self._keep(cars, speeds)
                able[rows[~keep]] = False
                cars, rows = [each.take(np.flatnonzero(keep)) for each in cars], rows[keep]
        return able

    def _keep(self, cars: Sequence[RunInputs], speeds: Sequence[float]) -> BoolArray:
        """Whether each car could keep the first speed in the first run, or the second in the second."""
        able = np.zeros(len(cars[0]), dtype=np.bool_)
        for inputs, speed_ms in zip(cars, speeds, strict=True):
            speed = np.full(len(inputs), speed_ms)
            for number in range(len(inputs.overall)):
                able |= Gear(inputs, number).could_keep(speed, self.extremes)
        return able

    def _best(self, builds: IntArray) -> list[RunInputs]:
        """The best car of each drive set in each run, of all options that may be chosen at all."""
        space, case = self.case.space, self.case
        frame = space.frame(builds)
        additions = [space.additions(frame, s) for s in case.free]
        span = span_of(frame, additions, [case.choices.open[s][None] for s in case.free])
        rolling, grip = extremes_of(span, best=True)
        return [space.inputs(frame, rolling, conditions, grip) for conditions in case.judge.conditions]


def _splits(scores: Scores, aim_ms: float, runs: int) -> list[list[float]]:
    """Speeds in each run that score just the aim together: no build that scores it is slower in all of them."""
    if runs == 1:
        return [[aim_ms]]
    first = [np.array(aim_ms + apart) for apart in APART_MS]
    return [[float(each), float(scores.other_run(aim_ms, each))] for each in first]
