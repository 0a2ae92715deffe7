"""A logged trace as few numbers: means over short stretches of time, strays left out and named.

A receiver gives ten speeds a second, each of them close to the last in what it is wrong by. Means over stretches lose
nothing of a curve that bends over half a minute, and let noise that lasts be weighed as a whole.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.choice.options import FloatArray

MOST_MEANS = 48
"""Means that a trace is taken as."""
SHORTEST_S = 1.0
"""Stretch of time that a mean is taken over, at least."""
STRAY = 5.0
"""How many times the usual scatter (by the median) a sample is off its neighbors to be left out."""
LEAST_SCATTER = 1e-4


@dataclass(frozen=True, slots=True)
class Means:
    """A trace as means: times, values, standard uncertainty of each by the scatter within it, arrays (m,).

    ``reach_s`` is the standard deviation of the times that a mean is over: a parabola's mean is that of its values so
    far before and after. ``strays`` are the times of the samples that were left out.
    """

    time_s: FloatArray
    reach_s: FloatArray
    value: FloatArray
    scatter: FloatArray
    strays: tuple[float, ...]


def means_of(time_s: FloatArray, value: FloatArray) -> Means:
    """Means of samples (n,), gaps (NaN) left out."""
    known = np.isfinite(time_s) & np.isfinite(value)
    time, value = time_s[known], value[known]
    stray = _strays(time, value)
    strays = tuple(float(each) for each in time[stray])
    time, value = time[~stray], value[~stray]
    if len(time) == 0:
        empty = np.empty(0)
        return Means(empty, empty, empty, empty, strays)
    width = max(SHORTEST_S, float(time[-1] - time[0]) / MOST_MEANS * (1 + 1e-9))
    which = np.floor((time - time[0]) / width).astype(np.int64)
    first = np.flatnonzero(np.diff(which, prepend=-1))
    count = np.diff(first, append=len(which))
    middle, mean = np.add.reduceat(time, first) / count, np.add.reduceat(value, first) / count
    reach = np.sqrt(np.add.reduceat((time - np.repeat(middle, count)) ** 2, first) / count)
    return Means(middle, reach, mean, _scatter(time, value) / np.sqrt(count), strays)


def _residuals(time: FloatArray, value: FloatArray) -> FloatArray:
    """What each sample (n,), n > 4, is off the line through its neighbors on both sides."""
    before, after = np.roll(value, 1), np.roll(value, -1)
    share = (time - np.roll(time, 1)) / np.maximum(np.roll(time, -1) - np.roll(time, 1), 1e-9)
    off = value - before - share * (after - before)
    off[0], off[-1] = 0.0, 0.0
    return np.asarray(off)


def _scatter(time: FloatArray, value: FloatArray) -> float:
    """Standard deviation of what single samples are off by, from neighbor to neighbor; floor where too few tell."""
    if len(value) < 5:
        return LEAST_SCATTER
    # the line through two neighbors is itself off: 1 + 1/4 + 1/4
    off = _residuals(time, value)[1:-1] / np.sqrt(1.5)
    return max(float(1.4826 * np.median(np.abs(off))), LEAST_SCATTER)


def _strays(time: FloatArray, value: FloatArray) -> np.ndarray:
    """Samples that lie far off a running median of seven, against the usual distance from it: bool (n,)."""
    count = len(value)
    if count < 9:
        return np.zeros(count, dtype=np.bool_)
    padded = np.concatenate([np.full(3, np.nan), value, np.full(3, np.nan)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, 7)
    steady = np.nanmedian(windows, axis=1)
    off = np.abs(value - steady)
    usual = max(_scatter(time, value), 1.4826 * float(np.median(off)))
    # on a curve that bends or falls steeply neighbors differ by that as well
    slope = np.abs(np.gradient(steady, np.maximum(time, np.arange(count) * 1e-9)))
    step = np.median(np.diff(time))
    found = off > STRAY * usual + 3.0 * slope * step
    found[:3] = found[-3:] = False
    return np.asarray(found)
