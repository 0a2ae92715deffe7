"""Too close to call: how far apart two builds must be before the difference means something.

Both builds run in the same worlds: every draw sets all unknowns at once, those of the car, the salt, the weather and
the parts, and simulates every build in it. What builds have in common is off by the same in all of them and nearly
cancels; what is left is due to the parts in which they differ. Nothing is linearized.

The draws are a Latin hypercube (M. D. McKay, R. J. Beckman, W. J. Conover, "A comparison of three methods for
selecting values of input variables in the analysis of output from a computer code", Technometrics 21 (1979); from
memory), with one column for each unknown whose shuffle comes of the unknown's own name. So a build's draws depend
neither on the other builds nor on what else is in the catalogs. A Sobol sequence would need one dimension for every
input of every part on offer, hundreds, in which 64 points are worse than random ones: three pairs of columns in a
hundred are then correlated by more than a half.
"""

from __future__ import annotations

import statistics
import zlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from optimizer.answers.unknowns import Unknown, only_needed, salt_asked_about, speeds_with, unknowns_of
from optimizer.choice.options import FloatArray, IntArray
from optimizer.run.judge import SPEED_STEP_MS
from optimizer.search.study import Study

DRAWS = 64
SEED = 20
SURE = 0.90
"""A difference means something where its sign is at least this sure, and the interval of this width leaves out zero."""
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
        """Whether the two are too close to call."""
        return self.sure < SURE or self.low_ms <= 0 <= self.high_ms


def closeness(
    study: Study, best: IntArray, others: IntArray, *, draws: int = DRAWS, seed: int = SEED
) -> tuple[Band, ...]:
    """One build (S,) against each of others (n, S): how well each difference is known, in their order."""
    builds = np.concatenate([best[None], others])
    stated = study.judge.speeds(builds)
    drawn = spread_of(study, builds, draws, seed)
    return tuple(band_of(float(stated[0] - stated[i]), drawn[:, 0] - drawn[:, i]) for i in range(1, len(builds)))


def band_of(difference_ms: float, drawn_ms: FloatArray) -> Band:
    """What draws of a difference (draws,) say about it."""
    equal = np.abs(drawn_ms) < SPEED_STEP_MS
    low, high = np.quantile(drawn_ms, [(1 - SURE) / 2, (1 + SURE) / 2], method="hazen")
    return Band(
        difference_ms=difference_ms,
        deviation_ms=float(np.std(drawn_ms, ddof=1)),
        low_ms=float(low),
        high_ms=float(high),
        chance=float(np.where(equal, 0.5, drawn_ms > 0).mean()),
    )


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
    settings = _settings(unknowns_of(options, salt), draws, seed)
    step = max(1, BLOCK // len(builds))
    return np.concatenate([speeds_with(options, salt, rows, settings[at : at + step]) for at in range(0, draws, step)])


def _settings(unknowns: tuple[Unknown, ...], draws: int, seed: int) -> list[Mapping[Unknown, float]]:
    """What every unknown is in each draw."""
    columns = {each: scores_of(each.key, draws, seed) for each in unknowns}
    return [{each: each.moved(float(column[d])) for each, column in columns.items()} for d in range(draws)]


def scores_of(key: str, draws: int, seed: int) -> FloatArray:
    """Standard normal scores (draws,) of one unknown: one from the middle of each of equally likely strata, shuffled.

    They are scaled to a mean square of one, which the middles of few strata fall short of.
    """
    strata = np.random.default_rng([seed, zlib.crc32(key.encode())]).permutation(draws)
    normal = statistics.NormalDist()
    scores = np.array([normal.inv_cdf((d + 0.5) / draws) for d in range(draws)])[strata]
    return np.asarray(scores / np.sqrt(np.mean(scores**2)))
