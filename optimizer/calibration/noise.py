"""How far each number observed may be off: noise that lasts from one mean of a trace to the next is weighed as a whole.

A receiver's 600 speeds are not 600 measurements: what it, the wind and the ground are wrong by goes on for seconds. The
noise of a trace is taken as two parts, one that is new in every mean and one that dies away as ``exp(-t / lasting_s)``
(a first-order autoregressive process in continuous time; G. E. Uhlenbeck, L. S. Ornstein, "On the theory of the
Brownian motion", Physical Review 36 (1930); from memory). Both sizes and the time are those under which the trace is
most likely with all parameters left open as far as they are unknown (restricted likelihood: H. D. Patterson,
R. Thompson, "Recovery of inter-block information when block sizes are unequal", Biometrika 58 (1971); from memory), and
what is expected of such traces. Numbers that stand alone have the scatter they are stated with.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from optimizer.calibration.observations import SMOOTHNESS, Observation, OfTrace, size_of
from optimizer.choice.options import FloatArray

SPREAD = (0.7, 1.0, 0.7)
"""How far the three numbers of a trace's noise may lie from what is expected: deviations of their logarithms."""
ROUNDS, FIRST_STEP, LAST_STEP = 40, 0.8, 0.05
"""A search along the three axes, with steps (of logarithms) that are halved where none leads further."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of one observation of m numbers.

    ``covariance`` (m, m); ``single`` and ``lasting`` are the standard deviations of its two parts, ``lasting_s`` how
    long the second lasts (0 where there is none).
    """

    covariance: FloatArray
    single: float
    lasting: float = 0.0
    lasting_s: float = 0.0

    def whitened(self, rows: FloatArray) -> FloatArray:
        """Rows (m, ...) as independent ones of unit variance."""
        if len(rows) == 1:  # a lone number: the root of its covariance is its deviation
            return np.asarray(np.linalg.solve(np.sqrt(self.covariance), rows), dtype=np.float64)
        from scipy.linalg import cholesky, solve_triangular  # noqa: PLC0415 - it takes long to load, and runs do without

        return np.asarray(solve_triangular(cholesky(self.covariance, lower=True), rows, lower=True))


def noise_before(observation: Observation) -> Noise:
    """What is expected of an observation's noise before it is looked at."""
    if not isinstance(observation, OfTrace):
        return Noise(np.full((1, 1), observation.scatter**2), observation.scatter)
    return _of_trace(observation, _expected(observation), np.zeros(size_of(observation)))


def noise_of(
    observation: Observation, off: FloatArray, slopes: FloatArray, prior: FloatArray, extra: FloatArray
) -> Noise:
    """The noise under which an observation is most likely.

    Parameters
    ----------
    observation : Observation
    off : array (m,)
        What was observed less what the stated values give.
    slopes : array (m, P)
        Slopes of the latter in the parameters.
    prior : array (P, P)
        Covariance of the parameters before anything is looked at.
    extra : array (m,)
        Variance that single numbers have on top, being strays.
    """
    if not isinstance(observation, OfTrace):
        return Noise(np.full((1, 1), observation.scatter**2 + float(extra[0])), observation.scatter)
    from scipy.linalg import cho_solve, cholesky  # noqa: PLC0415 - it takes long to load, and runs do without

    expected = _expected(observation)
    open_ = slopes @ prior @ slopes.T

    def unlikely(point: FloatArray) -> float:
        noise = _of_trace(observation, point, extra)
        root = cholesky(open_ + noise.covariance, lower=True, check_finite=False)
        fit = 0.5 * float(off @ cho_solve((root, True), off, check_finite=False))
        return fit + float(np.log(np.diag(root)).sum()) + 0.5 * float((((point - expected) / SPREAD) ** 2).sum())

    return _of_trace(observation, _lowest(unlikely, expected), extra)


def _expected(observation: OfTrace) -> FloatArray:
    """Logarithms of the noise's three numbers before it is looked at."""
    known = SMOOTHNESS[observation.channel]
    single = max(known.least, float(np.median(observation.scatter)))
    return np.log([single, known.lasting, known.lasting_s])


def _of_trace(observation: OfTrace, point: FloatArray, extra: FloatArray) -> Noise:
    """Noise with the numbers whose logarithms are given."""
    single, lasting, lasting_s = np.exp(point)
    least = SMOOTHNESS[observation.channel].least
    single, lasting = max(float(single), least), max(float(lasting), least)
    apart = np.abs(observation.time_s[:, None] - observation.time_s)
    # means of few samples scatter more
    share = np.maximum(observation.scatter, 1e-9) / np.median(np.maximum(observation.scatter, 1e-9))
    covariance = lasting**2 * np.exp(-apart / lasting_s)
    covariance[np.diag_indices_from(covariance)] += (single * share) ** 2 + extra
    return Noise(covariance, single, lasting, float(lasting_s))


def _lowest(of: Callable[[FloatArray], float], start: FloatArray) -> FloatArray:
    """Where a function of three numbers is lowest nearby."""
    here, step = start, FIRST_STEP
    value = of(here)
    for _ in range(ROUNDS):
        before = value
        for axis in range(3):
            for sign in (1.0, -1.0):
                there = here.copy()
                there[axis] += sign * step
                found = of(there)
                if found < value:
                    here, value = there, found
                    break
        if value >= before:
            step /= 2
            if step < LAST_STEP:
                break
    return here
