"""Draws of all that is not known exactly: worlds in which every build can be run.

Every draw sets all unknowns at once. Those that calibration measured together are drawn together, with the
correlation that it left; what the salt does from one day to the next comes on top; all else is independent. The scores
of an unknown come of its own name: they depend neither on the builds nor on what else is in the catalogs.

The draws are a Latin hypercube (M. D. McKay, R. J. Beckman, W. J. Conover, "A comparison of three methods for
selecting values of input variables in the analysis of output from a computer code", Technometrics 21 (1979); from
memory), with one column for each unknown. Correlation is given to them by a root of the correlation matrix, after which
the columns of those unknowns are no longer evenly spread each by itself.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from functools import cache
from statistics import NormalDist

import numpy as np

from optimizer.answers.unknowns import Unknown
from optimizer.choice.options import FloatArray
from optimizer.scenario.estimates import Calibration


def scores_of(key: str, draws: int, seed: int) -> FloatArray:
    """Standard normal scores (draws,) of one unknown: one from the middle of each of equally likely strata, shuffled.

    They are scaled to a mean square of one, which the middles of few strata fall short of.
    """
    strata = np.random.default_rng([seed, zlib.crc32(key.encode())]).permutation(draws)
    scores = _middles(draws)[strata]
    return np.asarray(scores / np.sqrt(np.mean(scores**2)))


@cache
def _middles(draws: int) -> FloatArray:
    """Standard normal scores (draws,) of the middles of equally likely strata, rising: the same for every unknown."""
    normal = NormalDist()
    return np.array([normal.inv_cdf((stratum + 0.5) / draws) for stratum in range(draws)])


def settings_of(
    unknowns: Sequence[Unknown], calibration: Calibration | None, draws: int, seed: int
) -> list[Mapping[Unknown, float]]:
    """What every unknown is in each draw; ``calibration`` is that of the scenario they belong to."""
    scores = scores_by_key(unknowns, calibration, draws, seed)
    columns = {
        each: each.value + each.deviation * scores[each.key] + each.daily * scores_of(f"{each.key}@day", draws, seed)
        for each in unknowns
    }
    return [{each: each.within_sense(float(column[d])) for each, column in columns.items()} for d in range(draws)]


def scores_by_key(
    unknowns: Sequence[Unknown], calibration: Calibration | None, draws: int, seed: int
) -> Mapping[str, FloatArray]:
    """Standard normal scores (draws,) by key, correlated where calibration says so."""
    scores = {each.key: scores_of(each.key, draws, seed) for each in unknowns}
    if calibration is None or not calibration.estimates:
        return scores
    keys = [each.key for each in calibration.estimates]
    # all of them, whichever are asked for: so that a build's draws do not depend on the other builds
    free = np.stack([scores.get(key, scores_of(key, draws, seed)) for key in keys])
    size, axes = np.linalg.eigh(np.array(calibration.correlation))
    root = (axes * np.sqrt(np.maximum(size, 0.0))) @ axes.T
    return {**scores, **dict(zip(keys, root @ free, strict=True))}
