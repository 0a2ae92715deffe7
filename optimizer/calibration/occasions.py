"""Each measurement's car, air, wind and salt; and what was not quite known of that day, as numbers the fit may move.

Every such number is in units of its standard uncertainty, as the unknowns of car and parts are: its prior is standard
normal. What was written down is known to what a hand-held instrument is good for; what was not is the event's, and is
known far less.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from optimizer.answers.uncertainties import SALT
from optimizer.answers.unknowns import Unknown
from optimizer.choice.options import IntArray, Options
from optimizer.choice.wishes import build_with
from optimizer.errors import Fault, ScenarioError, UsageError
from optimizer.measured.records import Day
from optimizer.physics import air
from optimizer.run.conditions import Conditions
from optimizer.scenario.event import Event, Salt, Weather

WIND_READ_MS = 0.5
"""A wind read off a hand-held instrument, or judged by flags."""
WIND_READ_SHARE, WIND_READ_RAD = 0.2, math.radians(20)
"""And how far its speed and direction differ along a course of miles."""
WIND_UNKNOWN_MS = 2.0
"""Wind along the course on a day of which nobody wrote it down: a car is run when it is calm enough."""
GUST_MS = 0.5
"""What the mean wind over one run or coast-down differs from that of the day."""
PRESSURE_READ_PA, PRESSURE_UNKNOWN_PA = 150.0, 700.0
TEMPERATURE_READ_K, TEMPERATURE_UNKNOWN_K = 1.5, 6.0
"""Station pressure and air temperature, written down or not. All these are common practice, without a source."""
COAST_DRAG_N = 8.0
"""Oil and bearings of a driveline that turns idle, as a force at the road: not in the model of a run."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """A number that the fit may move; its deviation is one.

    Attributes
    ----------
    key : str
        What tells it from all others: of the unknown, or of the day.
    name : str
        In the words of a shed.
    dimension : str
        Key of `units.UNITS`; empty for a plain number.
    value, deviation : float
        Of the quantity itself, in the unit used inside.
    unknown : Unknown or None
        None where it is one of a day only.
    """

    key: str
    name: str
    dimension: str
    value: float
    deviation: float
    unknown: Unknown | None = None

    def at(self, score: float) -> float:
        """The quantity, some deviations up, as far as makes sense."""
        value = self.value + self.deviation * score
        return value if self.unknown is None else self.unknown.within_sense(value)


@dataclass(frozen=True, slots=True)
class Occasion:
    """What was measured at once: one car on one day, in one direction.

    ``row`` (S,) is its build, ``headwind_ms`` and ``crosswind_ms`` the wind as written down, ``along`` how much of a
    wind against the course is against the car, ``mass_kg`` None or its own mass as weighed. ``own`` are the
    parameters of its day by role.
    """

    day: Day
    row: IntArray
    salt: str
    weather: Weather
    headwind_ms: float
    crosswind_ms: float
    along: float
    mass_kg: float | None
    own: Mapping[str, Parameter]

    def conditions(self, salt: Salt, scores: Mapping[str, float]) -> Conditions:
        """Air, wind and salt where parameters by key have other scores than zero; ``salt`` is what lasts of it."""

        def of(role: str) -> float:
            parameter = self.own.get(role)
            return 0.0 if parameter is None else parameter.deviation * scores.get(parameter.key, 0.0)

        weather = replace(
            self.weather,
            pressure_pa=self.weather.pressure_pa + of("pressure"),
            temperature_k=self.weather.temperature_k + of("temperature"),
        )
        surface = replace(
            salt, **{field: getattr(salt, field) * max(1.0 + of(field), 0.1) for field in SALT if field in self.own}
        )
        wind = self.headwind_ms + self.along * of("wind") + of("gust")
        return Conditions(surface, weather, wind, self.crosswind_ms)


def build_of(options: Options, day: Day) -> IntArray:
    """The build (S,) that was measured.

    Raises
    ------
    ScenarioError
        If a part is no option of any slot, or two are for the same one.
    """
    try:
        return options.encode(build_with(options, day.parts))
    except UsageError as fault:
        raise ScenarioError([Fault(day.file, day.row, "parts", "; ".join(day.parts), f"is no car: {fault}")]) from fault


def occasion_of(event: Event, row: IntArray, day: Day, number: int) -> Occasion:
    """The occasion of a measurement, with all that may move of its day; ``number`` tells it from others."""
    weather = event.weather[0]
    air_then = Weather(
        pressure_pa=weather.pressure_pa if day.pressure_pa is None else day.pressure_pa,
        temperature_k=weather.temperature_k if day.temperature_k is None else day.temperature_k,
        humidity=weather.humidity if day.humidity is None else day.humidity,
    )
    course = event.course.bearing_deg
    bearing = day.bearing_deg if day.bearing_deg is not None else course + (180.0 if day.other_way else 0.0)
    head, cross, unsure = _wind(day, bearing)
    date = day.date or f"{day.file} {day.row}".strip()
    # the log of a run and its timing slip are of one run, and of its wind
    which = f"{day.date}:{day.name}" if day.date and day.name.startswith("run ") else str(number)
    salt = event.salt if day.salt is None else day.salt
    when = f"on {day.date}" if day.date else f"in {day.name or day.file}"
    own = {
        "wind": Parameter(f"day:{date}:wind", f"wind along the course {when}", "speed", 0.0, unsure),
        "gust": Parameter(f"run:{which}:gust", f"gusts in {day.name or day.file}", "speed", 0.0, GUST_MS),
        "pressure": Parameter(
            f"day:{date}:pressure", f"air pressure {when}", "air pressure", 0.0,
            PRESSURE_UNKNOWN_PA if day.pressure_pa is None else PRESSURE_READ_PA,
        ),
        "temperature": Parameter(
            f"day:{date}:temperature", f"air temperature {when}", "temperature rise", 0.0,
            TEMPERATURE_UNKNOWN_K if day.temperature_k is None else TEMPERATURE_READ_K,
        ),
    }  # fmt: skip
    for field, known in SALT.items():
        # nobody said which condition the salt was in: it may as well have been half-way to the next
        share = known.daily * (1.0 if day.salt is not None else 2.0)
        name = f"{_SALT_WORDS[field]} of the salt {when} against other days"
        own[field] = Parameter(f"day:{date}:{salt}:{field}", name, "fraction", 0.0, share)
    return Occasion(
        day, row, salt, air_then, head, cross, math.cos(math.radians(bearing - course)), day.mass_kg,
        MappingProxyType(own),
    )  # fmt: skip


_SALT_WORDS = {"rolling_coefficient": "rolling", "grip": "grip", "slip_at_slide": "slip"}


def _wind(day: Day, bearing: float) -> tuple[float, float, float]:
    """Headwind and crosswind as written down, and the standard uncertainty of the headwind [m/s]."""
    if day.wind_ms is None:
        return 0.0, 0.0, WIND_UNKNOWN_MS
    if day.wind_from_deg is None:
        aside = day.wind_ms / math.sqrt(2.0)
        return 0.0, aside, float(np.hypot(WIND_READ_MS, aside))
    head = float(air.headwind(day.wind_ms, day.wind_from_deg, bearing))
    cross = float(air.crosswind(day.wind_ms, day.wind_from_deg, bearing))
    return head, cross, math.sqrt(WIND_READ_MS**2 + (WIND_READ_SHARE * head) ** 2 + (WIND_READ_RAD * cross) ** 2)
