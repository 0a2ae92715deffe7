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
from optimizer.choice.options import FloatArray, IntArray, Options
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
        if abs(self.difference_ms) < SPEED_STEP_MS:
            return 0.5
        return self.chance if self.difference_ms > 0 else 1.0 - self.chance

    @property
    def too_close(self) -> bool:
        """Whether the two are too close to call.

        Draws in which they are equal, held by the same cap, count half; so they do not by themselves hide a difference.
        """
        return self.sure < (1.0 + SURE) / 2


def closeness(
    study: Study, best: IntArray, others: IntArray, *, draws: int = DRAWS, seed: int = SEED
) -> tuple[Band, ...]:
    """One build (S,) against each of others (n, S): how well each difference is known, in their order."""
    builds = np.concatenate([best[None], others])
    stated = study.judge.speeds(builds)
    drawn = spread_of(study, builds, draws, seed)
    return tuple(band_of(float(stated[0] - stated[i]), drawn[:, 0] - drawn[:, i]) for i in range(1, len(builds)))


def each_against_the_next(study: Study, builds: IntArray) -> tuple[Band, ...]:
    """How well the gain of each of builds (n, S) but the first over the one before it is known, in their order."""
    stated, drawn = study.judge.speeds(builds), spread_of(study, builds)
    return tuple(
        band_of(float(stated[n] - stated[n - 1]), drawn[:, n] - drawn[:, n - 1]) for n in range(1, len(builds))
    )


def band_of(difference_ms: float, drawn_ms: FloatArray) -> Band:
    """What draws of a difference (draws,) say about it."""
    equal = np.abs(drawn_ms) < SPEED_STEP_MS
    low, high = middle_of(drawn_ms)
    return Band(
        difference_ms=difference_ms,
        deviation_ms=float(np.std(drawn_ms, ddof=1)),
        low_ms=float(low),
        high_ms=float(high),
        chance=float(np.where(equal, 0.5, drawn_ms > 0).mean()),
    )


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
    if draws < 2:
        msg = "a spread takes at least two draws"
        raise ValueError(msg)
    salt = salt_asked_about(study.judge)
    options, rows = only_needed(study.options, builds)
    settings = settings_of(unknowns_of(options, salt), options.scenario.calibration, draws, seed)
    step = max(1, min(BLOCK // len(builds), -(-draws // 2)))  # two pieces at least: a helper may take one
    blocks = [(options, salt, rows, settings[at : at + step]) for at in range(0, draws, step)]
    return np.concatenate(shared(study.helper, _drawn, blocks))


def _drawn(block: tuple[Options, str, IntArray, Sequence[Mapping[Unknown, float]]]) -> FloatArray:
    return speeds_with(*block)
