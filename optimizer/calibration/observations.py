"""From what was measured to numbers that a simulated car can be held against, each with how well it is known.

Speeds are held in m/s; revs, wheel speeds and everything of which a share is off, as natural logarithms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from optimizer.calibration.occasions import Parameter
from optimizer.calibration.samples import Means, means_of
from optimizer.calibration.stretches import FEWEST, pulls_of, rolling_part
from optimizer.choice.options import FloatArray
from optimizer.measured.records import ChalkMark, CoastDown, Day, DynoSheet, RunLog, TimedRun
from optimizer.run.inputs import RunInputs
from optimizer.run.simulator import Measure
from optimizer.units import from_unit

Channel = Literal["speed", "rpm", "driven"]
MILE_M = from_unit(1.0, "mi", "distance")
START_MS = 1.0
"""Prior of the speed at the start of a trace, about its first mean."""
RUN_SHARE, EARLY_SHARE = 0.004, 0.01
"""Scatter from run to run that no number of the model stands for (line, driver, lane): of the speed that counts, and of
the means over miles before, in which the start and the shifts are. Common practice, no source."""
TACH_SHARE = 0.008
"""A tachometer read by the driver: some 50 of 6,000 rpm; common practice, no source."""
DYNO_SHARE = 0.02
"""One dyno against another; what one sheet differs from the next comes on top. Common practice, no source."""
CHALK_M, CHALK_SHARE = 0.004, 0.001
"""A chalk mark: reading both ends, and a straight line and load that are not quite those of the car at rest."""


@dataclass(frozen=True, slots=True)
class Smoothness:
    """What is expected of the noise of a trace before it is seen: medians of its three numbers.

    ``lasting`` is the standard deviation of what lasts from one mean to the next, over ``lasting_s``; single means
    scatter on their own. Neither is less than ``least``: no model of a car is better.
    """

    least: float
    lasting: float
    lasting_s: float = 5.0


SMOOTHNESS: dict[Channel, Smoothness] = {
    "speed": Smoothness(0.004, 0.05),
    "rpm": Smoothness(0.0004, 0.0015),
    "driven": Smoothness(0.0004, 0.0015),
}
"""Gusts, slope and the receiver move a speed by a few cm/s for some seconds."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A car of an occasion that rolls (gear None) or pulls in a gear from a speed; ``start`` moves that speed."""

    occasion: int
    gear: int | None
    seconds: float
    start: Parameter


@dataclass(frozen=True, slots=True)
class OfTrace:
    """Means of one channel of a stretch: values (m,) at times (m,) after its start, each over times so far about it."""

    occasion: int
    stretch: int
    channel: Channel
    time_s: FloatArray
    reach_s: FloatArray
    began_s: float
    observed: FloatArray
    scatter: FloatArray
    strays: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class OfRun:
    """One number of a timed run: a speed [m/s] over or at marks, or (``gear`` given) the logarithm of revs."""

    occasion: int
    observed: float
    scatter: float
    marks_m: tuple[float, float]
    measure: Measure
    gear: int | None = None
    what: str = ""


@dataclass(frozen=True, slots=True)
class OfPart:
    """The logarithm of a part's number over what is stated: torque of an engine, roll-out of a tire."""

    occasion: int
    observed: float
    scatter: float
    part: str
    what: Literal["torque", "roll-out"]


Observation = OfTrace | OfRun | OfPart


def of_coast_down(number: int, one: CoastDown, stretch: int) -> tuple[Stretch, OfTrace] | None:
    """A coast-down as one stretch; None where too little of it can be used."""
    steady = _steady(one.speed_ms)
    part = rolling_part(one.time_s, steady)
    return _stretch_of(number, stretch, None, one.time_s[part], one.speed_ms[part], f"{one.day.file}:{one.day.row}")


def of_log(
    number: int, one: RunLog, stretches: int, inputs: RunInputs, last_gear: int
) -> tuple[list[Stretch], list[OfTrace]]:
    """A log of a run: a stretch for each gear that it pulled in, with all channels; ``stretches`` there are before."""
    found: list[Stretch] = []
    traces: list[OfTrace] = []
    for gear, first, after in pulls_of(one.time_s, _steady(one.speed_ms), one.rpm, inputs, last_gear):
        part = slice(first, after)
        key = f"{one.day.file}:{one.day.row}:{gear + 1}"
        made = _stretch_of(number, stretches + len(found), gear, one.time_s[part], one.speed_ms[part], key)
        if made is None:
            continue
        stretch, speed = made
        found.append(stretch)
        traces.append(speed)
        channels: tuple[tuple[Channel, FloatArray | None], ...] = (("rpm", one.rpm), ("driven", one.driven_ms))
        for channel, values in channels:
            if values is None:
                continue
            turning = np.where(values[part] > 0, values[part], np.nan)
            means = means_of(one.time_s[part], np.log(turning))
            if len(means.value) >= FEWEST:
                traces.append(_trace(number, speed.stretch, channel, means, speed.began_s))
    return found, traces


def _stretch_of(
    number: int, stretch: int, gear: int | None, time_s: FloatArray, speed_ms: FloatArray, key: str
) -> tuple[Stretch, OfTrace] | None:
    """A stretch and its speeds, from the first of its means on."""
    means = means_of(time_s, speed_ms)
    if len(means.value) < 2 or means.time_s[-1] <= means.time_s[0]:
        return None
    began = float(means.time_s[0])
    start = Parameter(f"start:{stretch}:{key}", "speed at the start", "speed", float(means.value[0]), START_MS)
    trace = _trace(number, stretch, "speed", means, began)
    return Stretch(number, gear, float(means.time_s[-1]) - began, start), trace


def _trace(number: int, stretch: int, channel: Channel, means: Means, began: float) -> OfTrace:
    return OfTrace(
        number, stretch, channel, means.time_s - began, means.reach_s, began, means.value, means.scatter, means.strays
    )


def _steady(speed_ms: FloatArray) -> FloatArray:
    """Running median of five, so that one stray neither begins nor ends a stretch; gaps stay gaps."""
    if len(speed_ms) < 9:
        return speed_ms
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(speed_ms, 2, mode="edge"), 5)
    none = ~np.isfinite(windows).any(axis=1, keepdims=True)
    filled = np.where(none, 0.0, windows)
    return np.where(np.isfinite(speed_ms), np.nanmedian(filled, axis=1), np.nan)


def run_name(day: Day) -> str:
    """What a run is called: "run 4" where the crew numbers them."""
    return f"run {day.name}" if day.name.isdigit() else day.name or f"the run in row {day.row}"


def mark_of(run: TimedRun) -> str:
    """What tells a run from all others, wherever it stands in its file."""
    name, date = run_name(run.day), run.day.date
    return ", ".join([name, *([date] if date and date not in name else []), f"{run.speed_ms:.4f} m/s"])


def of_run(number: int, one: TimedRun, marks_m: tuple[float, float], measure: Measure) -> list[OfRun]:
    """What a line of a timing slip says; nothing where the run does not count."""
    if not one.counted:
        return []
    what = run_name(one.day)
    found = [OfRun(number, one.speed_ms, RUN_SHARE * one.speed_ms, marks_m, measure, None, what)]
    for mile, speed in enumerate(one.mile_ms):
        marks = (mile * MILE_M, (mile + 1) * MILE_M)
        same = measure == "mean" and abs(marks[1] - marks_m[1]) < 1.0 and abs(marks[0] - marks_m[0]) < 1.0
        if np.isfinite(speed) and speed > 0 and not same and marks[1] <= marks_m[1] + 1.0:
            found.append(OfRun(number, speed, EARLY_SHARE * speed, marks, "mean", None, f"{what}, mile {mile + 1}"))
    if one.rpm is not None and one.gear is not None:
        revs = f"{what}, revs at the last board"
        found.append(OfRun(number, float(np.log(one.rpm)), TACH_SHARE, marks_m, measure, one.gear - 1, revs))
    return found


def of_dyno(number: int, one: DynoSheet, rpm: FloatArray, torque_nm: FloatArray) -> OfPart | None:
    """Torque of a sheet over that stated (points (k,)), as one number; None where they have no revs in common."""
    inside = (one.rpm >= rpm[0]) & (one.rpm <= rpm[-1]) & (one.torque_nm > 0)
    if not inside.any():
        return None
    share = np.log(one.torque_nm[inside] / np.interp(one.rpm[inside], rpm, torque_nm))
    spread = float(np.std(share, ddof=1)) if inside.sum() > 2 else DYNO_SHARE
    # neighboring revs are wrong by the same: three or four bends of a curve are what it has to say
    own = spread / np.sqrt(min(int(inside.sum()), 4))
    scatter = float(np.hypot(DYNO_SHARE, own / np.sqrt(one.repeat)))
    return OfPart(number, float(np.median(share)), scatter, one.engine, "torque")


def of_chalk(number: int, one: ChalkMark, stated_m: float) -> OfPart:
    """A roll-out over that stated."""
    scatter = float(np.hypot(CHALK_M / (one.turns * one.circumference_m), CHALK_SHARE))
    return OfPart(number, float(np.log(one.circumference_m / stated_m)), scatter, one.tire, "roll-out")


def size_of(observation: Observation) -> int:
    """How many numbers an observation is."""
    return len(observation.observed) if isinstance(observation, OfTrace) else 1


def values_of(observations: Sequence[Observation]) -> FloatArray:
    """All numbers observed, one observation after the other: (N,)."""
    return np.concatenate([np.atleast_1d(each.observed) for each in observations] or [np.empty(0)])

