"""What a gear has in store: where acceleration ends, where grip stops limiting, and the points to integrate at."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from optimizer.run.driving import BoolArray, Gear
from optimizer.run.inputs import FloatArray, IntArray
from optimizer.run.panels import Points, panel_points

LAST_PANELS = (12, 24)
"""Panels in the gear in which the run ends: before and after the speed at which grip stops limiting."""
LOG_REACH = 10.0
"""How far the last gear is followed: to exp(-LOG_REACH) of the speed still to gain, then at constant speed."""
SCAN_POINTS = 9
"""Points at which a gear is searched for the speeds where grip stops limiting and where acceleration ends."""
DIP_PASSES = 2
"""Parabolas laid towards the lowest point of a dip in acceleration."""
ROOT_PASSES = 5
"""Bracketing passes towards those speeds, two points each."""


class Ahead(NamedTuple):
    """What a gear has in store between two wheel speeds; arrays (n,).

    Depth y measures how much of the speed to the pole is gained: ``c = pole - (pole - start) exp(-y)``.

    Attributes
    ----------
    start : wheel speed at which the stretch begins.
    pole : wheel speed at which acceleration is zero, or would be if it went on falling past the end.
    reach : depth of the end of the stretch.
    kink : depth at which grip stops limiting; where it does not, a depth that divides the stretch sensibly.
    settles : whether acceleration ends before the end of the stretch.
    least : the least acceleration found on the stretch.
    """

    start: FloatArray
    pole: FloatArray
    reach: FloatArray
    kink: FloatArray
    settles: BoolArray
    least: FloatArray


def look_ahead(gear: Gear, start: FloatArray, stop: FloatArray, *, to_end: bool = False) -> Ahead:
    """Find where acceleration ends and where grip stops limiting between two wheel speeds (n,) of a gear.

    The pole of a car that settles is sought only with ``to_end``: elsewhere such a car cannot use the gear.
    """
    at = start + np.linspace(0.0, 1.0, SCAN_POINTS)[:, None] * (stop - start)
    push = gear.push(at)
    spent = push.acceleration <= 0
    settles = np.asarray(spent.any(axis=0))
    last = np.where(settles, np.argmax(spent, axis=0), SCAN_POINTS - 1).clip(1)
    (low, high), (pull, end_pull) = _pair_at(at, last), _pair_at(push.acceleration, last)
    least = push.acceleration.min(axis=0)
    dip = _lowest_dip(gear, at, push.acceleration)
    if dip is not None:
        sooner = (dip.pull <= 0) & (dip.before < low)
        settles = settles | sooner
        low, high = np.where(sooner, dip.before, low), np.where(sooner, dip.surface, high)
        pull, end_pull = np.where(sooner, dip.pull_before, pull), np.where(sooner, dip.pull, end_pull)
        least = np.minimum(least, dip.pull)
    wide = high > low
    fall = np.where(wide, (pull - end_pull) / np.where(wide, high - low, 1.0), 0.0)
    beyond = np.where(fall > 1e-4, end_pull / np.maximum(fall, 1e-4), end_pull * 1e4)
    pole = stop + np.clip(beyond, 1e-4, 1e3)
    if to_end and settles.any():
        root = _bracketed_root(lambda c: gear.push(c[None]).acceleration[0], (low, high), (pull, end_pull))
        pole = np.where(settles, root, pole)
    span = pole - start
    reach = np.where(settles, LOG_REACH, np.log(np.maximum(span / np.maximum(pole - stop, 1e-12), 1.0)))
    kink = reach * (LAST_PANELS[0] / sum(LAST_PANELS))
    frees = (push.spare[:-1] < 0) & (push.spare[1:] >= 0) & ~spent[:-1]
    if frees.any():
        place = np.where(frees.any(axis=0), SCAN_POINTS - 1 - np.argmax(frees[::-1], axis=0), 1)
        before, after = _pair_at(at, place), _pair_at(push.spare, place)
        freed = _bracketed_root(lambda c: -gear.push(c[None]).spare[0], before, (-after[0], -after[1]))
        inside = frees.any(axis=0) & (freed < pole)
        depth = np.log(np.where(inside, span / np.where(inside, pole - freed, 1.0), 1.0))
        kink = np.where(inside, np.minimum(depth, reach), kink)
    return Ahead(start, pole, np.minimum(reach, LOG_REACH), np.minimum(kink, LOG_REACH), settles, least)


class Dip(NamedTuple):
    """Where acceleration is least between two wheel speeds, and a point before it; arrays (n,), inf where nowhere."""

    before: FloatArray
    pull_before: FloatArray
    surface: FloatArray
    pull: FloatArray


def _lowest_dip(gear: Gear, at: FloatArray, pull: FloatArray) -> Dip | None:
    """The lowest dip of acceleration between scanned wheel speeds (k, n), by parabolas; None if no car has one.

    An engine with a hole in its torque holds a car there that the scan alone would see pass.
    """
    inner = pull[1:-1]
    is_dip = (inner > 0) & (inner < pull[:-2]) & (inner <= pull[2:]) & (np.minimum.accumulate(pull)[:-2] > 0)
    if not is_dip.any():
        return None
    has = is_dip.any(axis=0)
    place = np.argmin(np.where(is_dip, inner, np.inf), axis=0)
    x, f = ([np.take_along_axis(v, place[None] + i, 0)[0] for i in range(3)] for v in (at, pull))
    for _ in range(DIP_PASSES):
        vertex = _vertex(x, f)
        there = gear.push(vertex[None]).acceleration[0]
        left = vertex < x[1]
        lower = there < f[1]
        x, f = (
            [
                np.where(left, np.where(lower, v[0], new), np.where(lower, v[1], v[0])),
                np.where(lower, new, v[1]),
                np.where(left, np.where(lower, v[1], v[2]), np.where(lower, v[2], new)),
            ]
            for v, new in ((x, vertex), (f, there))
        )
    nowhere = np.where(has, 0.0, np.inf)
    return Dip(x[0] + nowhere, f[0] + nowhere, x[1] + nowhere, f[1] + nowhere)


def _vertex(x: list[FloatArray], f: list[FloatArray]) -> FloatArray:
    """Lowest point of the parabola through three points, the middle one not above the others: arrays (n,)."""
    rise, fall = (x[1] - x[0]) * (f[1] - f[2]), (x[1] - x[2]) * (f[1] - f[0])
    below = rise - fall
    clear = np.abs(below) > 1e-12
    step = 0.5 * ((x[1] - x[0]) * rise - (x[1] - x[2]) * fall) / np.where(clear, below, 1.0)
    return np.where(clear, np.clip(x[1] - step, x[0], x[2]), x[1])


def _pair_at(values: FloatArray, place: IntArray) -> tuple[FloatArray, FloatArray]:
    """Values (k, n) before and at a place (n,)."""
    return (
        np.take_along_axis(values, place[None] - 1, 0)[0],
        np.take_along_axis(values, place[None], 0)[0],
    )


def deep_points(ahead: Ahead, reach: FloatArray, panels: tuple[int, int]) -> Points:
    """Points even in depth, from the start to ``reach`` (n,), with a panel border where grip stops limiting."""
    kink = np.minimum(ahead.kink, reach)
    first = panel_points(np.zeros_like(kink), kink, panels[0])
    depth = np.concatenate([first, panel_points(kink, reach, panels[1])[1:]])
    left = (ahead.pole - ahead.start) * np.exp(-depth)
    width = depth[3::3] - depth[:-3:3]
    slope = [width * left[i : len(left) - 3 + i : 3] for i in range(4)]
    return Points(ahead.pole - left, slope)


def _bracketed_root(
    function: Callable[[FloatArray], FloatArray],
    bracket: tuple[FloatArray, FloatArray],
    values: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Just below the zero of a falling function between two wheel speeds, where it is still positive: (n,).

    Regula falsi with a second step across the zero in every pass, twice as long as the secant asks for: so both ends
    of the bracket close in, also where the slope changes at once.
    """
    (low, high), (f_low, f_high) = bracket, values

    def keep(at: FloatArray) -> FloatArray:
        nonlocal low, high, f_low, f_high
        value = function(at)
        right = value <= 0
        low, high = np.where(right, low, at), np.where(right, at, high)
        f_low, f_high = np.where(right, f_low, value), np.where(right, value, f_high)
        return value

    for _ in range(ROOT_PASSES):
        gap, width = f_low - f_high, high - low
        falls = gap > 0
        middle = np.where(falls, low + width * f_low / np.where(falls, gap, 1.0), low)
        value = keep(middle)
        gap, width = f_low - f_high, high - low
        across = 2.0 * np.abs(value) * width / np.where(gap > 0, gap, 1.0) + 1e-12 * high
        keep(np.clip(np.where(value <= 0, middle - across, middle + across), low, high))
    return low
