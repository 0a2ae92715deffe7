"""Where in a log the car pulls in one gear at full throttle, and where in a coast-down it rolls freely."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from optimizer.choice.options import FloatArray, IntArray
from optimizer.run.inputs import RunInputs

SLOWEST_MS = 4.0
"""Below this a coast-down is left out: the brakes, and the ground, come into it."""
FALL_MS, FALL_SHARE = 0.7, 0.02
"""A car that has lost this much of its highest speed no longer pulls."""
SHORTEST_S = 5.0
FEWEST = 4
"""Stretches shorter, or with fewer samples, tell nothing."""
TRIM_S = 0.6
"""Left out after and before a change of gear."""
RATIO_OFF = 0.10
"""How far revs over speed may be off a gear's, slip included, for the car to be in that gear."""


class Stretch(NamedTuple):
    """Samples from ``first`` to before ``after``; ``gear`` is 0 for first."""

    gear: int
    first: int
    after: int


def rolling_part(time_s: FloatArray, speed_ms: FloatArray) -> slice:
    """The samples of a coast-down from its highest speed to where it is slow."""
    known = np.where(np.isfinite(speed_ms), speed_ms, -np.inf)
    if not len(known) or not np.isfinite(known.max()):
        return slice(0, 0)
    # a crew starts its log before it lifts; noise must not pick the start, so some of it is cut
    near = np.flatnonzero(known >= known.max() - 0.3)
    start = int(near[-1]) if near[-1] > 2 and time_s[near[-1]] - time_s[near[0]] > 2.0 else int(near[0])
    slow = np.flatnonzero(known[start:] < SLOWEST_MS)
    slow = slow[np.isfinite(known[start:][slow])]
    return slice(start, start + int(slow[0]) if len(slow) else len(known))


def pulls_of(
    time_s: FloatArray, speed_ms: FloatArray, rpm: FloatArray | None, inputs: RunInputs, last_gear: int
) -> tuple[Stretch, ...]:
    """Stretches of a log at full throttle in one gear; ``inputs`` is the car (one), ``last_gear`` that of its run."""
    gears = _gears(speed_ms, rpm, inputs, last_gear)
    found = []
    for gear in np.unique(gears[gears >= 0]):
        here = np.flatnonzero(gears == gear)
        # the last change into the gear is the run; earlier ones are the way to the start
        first = here[np.flatnonzero(np.diff(here, prepend=here[0] - 9, append=here[-1]) > 5)]
        start = int(first[-1]) if len(first) else int(here[0])
        stretch = _trimmed(time_s, speed_ms, int(gear), start, int(here[-1]) + 1)
        if stretch is not None:
            found.append(stretch)
    return tuple(found)


def _gears(speed_ms: FloatArray, rpm: FloatArray | None, inputs: RunInputs, last_gear: int) -> IntArray:
    """Gear of each sample (n,), -1 where it cannot be told."""
    exists = np.flatnonzero(inputs.overall[:, 0] > 0)
    per_surface = inputs.overall[exists, 0] * 30.0 / (np.pi * inputs.radius_m[0])
    speed = np.maximum(np.where(np.isfinite(speed_ms), speed_ms, 0.0), 0.5)
    if rpm is not None:
        turns = np.where(np.isfinite(rpm) & (rpm > 0), rpm, np.nan)
        with np.errstate(invalid="ignore"):
            off = np.log(turns[:, None] / (speed[:, None] * per_surface)) - 0.03
        off = np.where(np.isfinite(off), off, np.inf)
        nearest = np.argmin(np.abs(off), axis=1)
        fits = np.abs(off[np.arange(len(speed)), nearest]) < RATIO_OFF
        launched = speed * per_surface[nearest] > 1.05 * inputs.launch_rpm[0]
        return np.where(fits & launched, exists[nearest], -1)
    gears = np.full(len(speed), -1)
    low = 1.1 * inputs.launch_rpm[0] / per_surface[0]
    for gear in exists[exists <= last_gear]:
        high = np.inf if gear == last_gear else inputs.shift_rpm[gear, 0] / per_surface[gear]
        gears[(speed > 1.04 * low) & (speed < 0.93 * high)] = gear
        low = high
    return gears


def _trimmed(time_s: FloatArray, speed_ms: FloatArray, gear: int, first: int, after: int) -> Stretch | None:
    """A stretch from after the change of gear to before the driver lifts; None if too little is left."""
    inside = np.arange(first, after)
    speed = np.where(np.isfinite(speed_ms[inside]), speed_ms[inside], -np.inf)
    highest = np.maximum.accumulate(speed)
    lifted = np.flatnonzero(np.isfinite(speed) & (speed < highest - FALL_MS - FALL_SHARE * highest))
    if len(lifted):
        inside = inside[: int(np.argmax(speed[: lifted[0] + 1])) + 1]
    time = time_s[inside]
    if not len(time):
        return None
    kept = inside[(time >= time[0] + TRIM_S) & (time <= time[-1] - TRIM_S)]
    kept = kept[np.isfinite(speed_ms[kept])]
    if len(kept) < FEWEST or time_s[kept[-1]] - time_s[kept[0]] < SHORTEST_S:
        return None
    return Stretch(gear, int(kept[0]), int(kept[-1]) + 1)
