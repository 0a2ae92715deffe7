"""What a fit found, in the crew's quantities: estimates in the order they are found in, what is left, outliers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.calibration.fitting import ALONE, Fit
from optimizer.calibration.observations import Observation, OfRun, OfTrace
from optimizer.calibration.occasions import Parameter
from optimizer.calibration.ridges import KNOWN
from optimizer.scenario.estimates import Calibration, Estimate
from optimizer.scenario.parts import BasisKind

GROUPS: tuple[tuple[str, frozenset[str]], ...] = (
    (
        "gearing, roll-out and slip",
        frozenset({"circumference_m", "growth", "slip_at_slide", "grip", "grip_factor", "grip_use_limit"}),
    ),
    ("power", frozenset({"curve", "torque_factor", "long_pull_factor", "driveline_efficiency", "efficiency"})),
    ("rolling", frozenset({"rolling_coefficient", "rolling_change", "brake_drag_n", "tire_pressure_pa"})),
    (
        "drag area",
        frozenset({"drag_area_m2", "drag_area_per_height_m", "drag_area_per_tire_width_m", "drag_rise_at_yaw"}),
    ),
    ("weight, lift and what turns", frozenset()),
)
"""Quantities in the order in which one leads to the next; the last takes all others."""
MOVED, NARROWED = 0.1, 0.95
"""An estimate is kept where it moved by more of its uncertainty, or less of that is left."""
OFF = 1.6
"""A trace whose numbers are off what all else lets expect by this many times their usual scatter does not belong."""
DAY_TIME_S = 3 * 3600
"""Times beyond are times of day."""
MANY = 10
"""Numbers from which on that can be said of a trace."""


@dataclass(frozen=True, slots=True)
class Found:
    """What is known of one quantity now.

    ``stated`` and ``stated_deviation`` are what was known before, ``moved`` the change in units of the latter,
    ``narrowed`` what is left of it, ``kind`` how the value is known now, ``group`` the place among `GROUPS`.
    """

    parameter: Parameter
    value: float
    deviation: float
    stated: float
    stated_deviation: float
    moved: float
    narrowed: float
    kind: BasisKind
    group: int

    @property
    def noticed(self) -> bool:
        """Whether the data say anything about it."""
        return abs(self.moved) > MOVED or self.narrowed < NARROWED


@dataclass(frozen=True, slots=True)
class Residual:
    """What is left of one observation: ``count`` numbers, ``rms`` and the ``largest`` of them.

    Speeds in m/s, all else as shares (``of_speed`` tells which); the largest at ``at_s`` on the clock of the file, for
    traces. ``surprise``: see `Fit`; ``lasting_s``: how long the noise lasts; ``worth``: as how many independent numbers
    the trace counts for its mean.
    """

    file: str
    row: int
    what: str
    count: int
    rms: float
    largest: float
    at_s: float | None
    of_speed: bool
    surprise: float
    worth: float


@dataclass(frozen=True, slots=True)
class Outlier:
    """Something that was left out, or hardly counted: where it stands, and why."""

    file: str
    row: int
    text: str


def found_of(fit: Fit) -> tuple[Found, ...]:
    """All unknowns of car, salt and parts, in the order of `GROUPS`, the best known first."""
    found = []
    for parameter, score, narrowed in zip(fit.problem.parameters, fit.world, fit.narrowed, strict=True):
        unknown = parameter.unknown
        if unknown is None:
            continue
        value = parameter.at(float(score))
        group = next((g for g, (_, fields) in enumerate(GROUPS) if unknown.field in fields), len(GROUPS) - 1)
        found.append(
            Found(
                parameter=parameter,
                value=value,
                deviation=float(narrowed) * parameter.deviation,
                stated=parameter.value,
                stated_deviation=parameter.deviation,
                moved=float(score),
                narrowed=float(narrowed),
                kind="measured" if narrowed <= KNOWN else unknown.basis.kind,
                group=group,
            )
        )
    return tuple(sorted(found, key=lambda each: (each.group, each.narrowed, each.parameter.key)))


def calibration_of(fit: Fit, found: Sequence[Found], sources: Sequence[str], runs: Sequence[str]) -> Calibration:
    """What goes into the file: the estimates that the data say something about, with their correlation."""
    kept = [each for each in found if each.noticed]
    at = [fit.problem.place[each.parameter.key] for each in kept]
    left = fit.narrowed[at]
    correlation = fit.covariance[np.ix_(at, at)] / np.outer(left, left)
    np.fill_diagonal(correlation, 1.0)
    estimates = []
    for each in kept:
        place, id_, field = each.parameter.key.split(":")
        # digits beyond these depend on the machine
        value, deviation = (float(f"{number:.10g}") for number in (each.value, each.deviation))
        estimates.append(Estimate(place, id_, field, value, deviation, each.stated, each.kind))
    rows = tuple(tuple(float(value) for value in np.round(row, 12)) for row in correlation)
    return Calibration(tuple(estimates), rows, tuple(sources), tuple(runs))


def residuals_of(fit: Fit) -> tuple[Residual, ...]:
    """What is left of every observation."""
    found = []
    rows = zip(fit.problem.observations, fit.problem.slices, fit.noise, fit.surprise, strict=True)
    for each, where, noise, surprise in rows:
        left = fit.left[where]
        day = fit.problem.occasions[each.occasion].day
        largest = int(np.argmax(np.abs(left)))
        white = noise.whitened(np.ones(len(left)))
        found.append(
            Residual(
                file=day.file,
                row=day.row,
                what=_what(each, fit),
                count=len(left),
                rms=float(np.sqrt(np.mean(left**2))),
                largest=float(left[largest]),
                at_s=float(each.began_s + each.time_s[largest]) if isinstance(each, OfTrace) else None,
                of_speed=_of_speed(each),
                surprise=surprise,
                worth=min(float(white @ white) * float(np.mean(np.diag(noise.covariance))), float(len(left))),
            )
        )
    return tuple(found)


def _of_speed(each: Observation) -> bool:
    return (isinstance(each, OfTrace) and each.channel == "speed") or (isinstance(each, OfRun) and each.gear is None)


def _what(each: Observation, fit: Fit) -> str:
    """What an observation is, in words."""
    if isinstance(each, OfTrace):
        gear = fit.problem.stretches[each.stretch].gear
        channel = {"speed": "speed", "rpm": "revs", "driven": "speed of the driven wheels"}[each.channel]
        day = fit.problem.occasions[each.occasion].day
        which = day.name.removeprefix(day.file).removeprefix(", ")
        if gear is None:
            return f"{which}{': ' if which else ''}{channel}, rolling freely"
        return f"{channel} in gear {gear + 1}"
    if isinstance(each, OfRun):
        return each.what
    return f"torque of {each.part}" if each.what == "torque" else f"roll-out of {each.part}"


def outliers_of(fit: Fit) -> tuple[Outlier, ...]:
    """Samples that were left out, and numbers that nothing else agrees with."""
    found = []
    rows = zip(fit.problem.observations, fit.problem.slices, fit.surprise, fit.used, strict=True)
    for each, where, surprise, used in rows:
        if not used:
            continue
        day = fit.problem.occasions[each.occasion].day
        what = _what(each, fit)
        if not isinstance(each, OfTrace):
            if surprise > ALONE and fit.extra[where].any():
                text = f"{what} is {surprise:.1f} times as far off as all else lets expect; it hardly counts"
                found.append(Outlier(day.file, day.row, text))
            continue
        if each.strays:
            text = f"{what}: left out as strays the samples at {_times(each.strays)}"
            found.append(Outlier(day.file, day.row, text))
        strays = np.flatnonzero(fit.extra[where])
        if len(strays):
            times = tuple(float(each.began_s + each.time_s[i]) for i in strays)
            found.append(Outlier(day.file, day.row, f"{what}: does not fit around {_times(times)}; hardly counted"))
        if surprise > OFF and len(each.observed) >= MANY:
            text = f"{what}, as a whole, does not agree with all else: look at what was different"
            found.append(Outlier(day.file, day.row, text))
    return tuple(found)


def clock(time_s: float) -> str:
    """A time in a log: seconds, or the time of day where the log has that."""
    if time_s < DAY_TIME_S:
        return f"{time_s:.1f} s"
    hours, rest = divmod(time_s, 3600)
    return f"{int(hours)}:{int(rest // 60):02d}:{rest % 60:04.1f}"


def _times(times: Sequence[float], most: int = 4) -> str:
    """Times in a log, the first few of them."""
    text = ", ".join(clock(each) for each in times[:most])
    return text if len(times) <= most else f"{text} and {len(times) - most} more"
