"""Too close to call: how far apart two builds must be before the difference means something.

Both builds run in the same worlds: every draw sets all unknowns at once, those of the car, the salt, the weather and
the parts, and simulates every build in it. What builds have in common is off by the same in all of them and nearly
cancels; what is left is due to the parts in which they differ. Nothing is linearized.

The draws are those of `draws`. A Sobol sequence would need one dimension for every input of every part on offer,
hundreds, in which 64 points are worse than random ones: three pairs of columns in a hundred are then correlated by more
than a half.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.answers.draws import settings_of
from optimizer.answers.unknowns import Unknown, only_needed, salt_asked_about, speeds_with, unknowns_of
from optimizer.choice.options import BoolArray, FloatArray, IntArray, Options
from optimizer.run.judge import SPEED_STEP_MS
from optimizer.search.sharing import shared
from optimizer.search.study import Study

DRAWS = 64
SEED = 20
SURE = 0.90
"""A difference means something where at most half of what is missing to one speaks against its sign: the interval of
this width then lies on one side of zero."""
BLOCK = 4096
"""Cars simulated at once, about."""
FIRST_DRAWS = 8
"""Draws after which builds that are too close to call already are no longer run; after as many again, and so on."""


@dataclass(frozen=True, slots=True)
class Band:
    """How well the difference of two builds is known: speed of the first less that of the second.

    Attributes
    ----------
    difference_ms : float
        At the stated values [m/s].
    deviation_ms : float
        Standard deviation of the difference over the draws [m/s].
    low_ms, high_ms : float
        Ends of the interval that holds the middle 90 % of the draws [m/s].
    chance : float
        Share of the draws in which the first is faster; those in which they are equal in ranks count half.
    """

    difference_ms: float
    deviation_ms: float
    low_ms: float
    high_ms: float
    chance: float

    @property
    def half_width_ms(self) -> float:
        """Half the width of the interval [m/s]."""
        return (self.high_ms - self.low_ms) / 2

    @property
    def sure(self) -> float:
        """How sure the sign of the stated difference is: share of draws that agree with it; half where it has none."""
        return float(_sure(np.array(self.difference_ms), np.array(self.chance)))

    @property
    def too_close(self) -> bool:
        """Whether the two are too close to call.

        Draws in which they are equal, held by the same cap, count half; so they do not by themselves hide a difference.
        """
        return bool(_too_close(self.sure))


def _sure(difference_ms: FloatArray, chance: FloatArray) -> FloatArray:
    """How sure the signs of stated differences are, by the share of draws in which the first is faster."""
    agree = np.where(difference_ms > 0, chance, 1.0 - chance)
    return np.where(np.abs(difference_ms) < SPEED_STEP_MS, 0.5, agree)


def _too_close(sure: FloatArray | float) -> BoolArray:
    """Whether signs so sure are not sure enough."""
    return np.asarray(sure < (1.0 + SURE) / 2)


def closeness(
    study: Study, best: IntArray, others: IntArray, *, draws: int = DRAWS, seed: int = SEED
) -> tuple[Band, ...]:
    """One build (S,) against each of others (n, S): how well each difference is known, in their order."""
    builds = np.concatenate([best[None], others])
    stated = study.judge.speeds(builds)
    drawn = spread_of(study, builds, draws, seed)
    return tuple(band_of(float(stated[0] - stated[i]), drawn[:, 0] - drawn[:, i]) for i in range(1, len(builds)))


def too_close_to(
    study: Study, best: IntArray, others: IntArray, *, draws: int = DRAWS, seed: int = SEED
) -> BoolArray:
    """Which of others (n, S) are too close to call with one build (S,), as `closeness` finds.

    No build is run in more draws than it takes: where so many speak against the stated sign that it is not sure, even
    if all the others spoke for it, that is the answer.
    """
    builds = np.concatenate([best[None], others])
    stated = study.judge.speeds(builds)
    difference = stated[0] - stated[1:]
    worlds = _Worlds(study, builds, draws, seed)
    won, sure, done = np.zeros(len(others)), np.full(len(others), 1.0), 0
    sure[np.abs(difference) < SPEED_STEP_MS] = 0.5
    while done < draws:
        left = np.flatnonzero(~_too_close(sure))
        if len(left) == 0:
            break
        upto = min(max(2 * done, FIRST_DRAWS), draws)
        drawn = worlds.speeds(np.append(0, left + 1), done, upto)
        won[left] += _faster(drawn[:, :1] - drawn[:, 1:]).sum(axis=0)
        done = upto
        at_best = won[left] + np.where(difference[left] > 0, draws - done, 0)
        sure[left] = _sure(difference[left], at_best / draws)
    return _too_close(sure)


def each_against_the_next(study: Study, builds: IntArray) -> tuple[Band, ...]:
    """How well the gain of each of builds (n, S) but the first over the one before it is known, in their order."""
    stated, drawn = study.judge.speeds(builds), spread_of(study, builds)
    return tuple(
        band_of(float(stated[n] - stated[n - 1]), drawn[:, n] - drawn[:, n - 1]) for n in range(1, len(builds))
    )


def band_of(difference_ms: float, drawn_ms: FloatArray) -> Band:
    """What draws of a difference (draws,) say about it."""
    low, high = middle_of(drawn_ms)
    return Band(
        difference_ms=difference_ms,
        deviation_ms=float(np.std(drawn_ms, ddof=1)),
        low_ms=float(low),
        high_ms=float(high),
        chance=float(_faster(drawn_ms).mean()),
    )


def _faster(drawn_ms: FloatArray) -> FloatArray:
    """1 where the first is faster in a draw, 0 where the second is; half where they are equal in ranks."""
    return np.where(np.abs(drawn_ms) < SPEED_STEP_MS, 0.5, drawn_ms > 0)


def middle_of(drawn_ms: FloatArray) -> FloatArray:
    """Ends (2, ...) of the interval that holds the middle 90 % of draws (draws, ...)."""
    return np.quantile(drawn_ms, [(1 - SURE) / 2, (1 + SURE) / 2], axis=0, method="hazen")


def spread_of(study: Study, builds: IntArray, draws: int = DRAWS, seed: int = SEED) -> FloatArray:
    """Speed that counts [m/s] of builds (n, S) in every draw of all that is not known exactly: (draws, n).

    The same draws for all builds; rows with equal parts are equal. At least two draws.

    Raises
    ------
    ValueError
        If there are fewer than two draws.
    """
    return _Worlds(study, builds, draws, seed).speeds(np.arange(len(builds)), 0, draws)


class _Worlds:
    """Draws of all that is not known exactly about some builds (n, S)."""

    def __init__(self, study: Study, builds: IntArray, draws: int, seed: int) -> None:
        if draws < 2:
            msg = "a spread takes at least two draws"
            raise ValueError(msg)
        self.helper, self.salt = study.helper, salt_asked_about(study.judge)
        self.options, self.builds = only_needed(study.options, builds)
        calibration = self.options.scenario.calibration
        self.settings = settings_of(unknowns_of(self.options, self.salt), calibration, draws, seed)

    def speeds(self, which: IntArray, start: int, stop: int) -> FloatArray:
        """Speed that counts [m/s] of some of the builds in draws from one number up to another: (stop - start, n)."""
        options, rows = only_needed(self.options, self.builds[which])
        step = max(1, min(BLOCK // len(rows), -(-(stop - start) // 2)))  # two pieces at least: a helper may take one
        blocks = [
            (options, self.salt, rows, self.settings[at : min(at + step, stop)]) for at in range(start, stop, step)
        ]
        return np.concatenate(shared(self.helper, _drawn, blocks))


def _drawn(block: tuple[Options, str, IntArray, Sequence[Mapping[Unknown, float]]]) -> FloatArray:
    return speeds_with(*block)
