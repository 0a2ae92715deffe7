"""Air of the days that a card is read on: round density altitudes, each with a temperature at the event's elevation.

Density altitude folds pressure, temperature and humidity into one number that a weather meter shows. Drag follows the
density alone, power a little more: so every row of a card names the pressure and the temperature it was computed for.
The pressure is the event's, since on one lake it moves by a percent or so from day to day while the temperature moves
the density by a tenth from dawn to afternoon; humidity is the event's too.
"""

from __future__ import annotations

import math
from dataclasses import replace

from optimizer.physics import air
from optimizer.scenario.event import Event, Weather
from optimizer.units import from_unit

COLDER_K, HOTTER_K = 3.0, 12.0
"""How far below the coldest and above the hottest air that the event names a card goes."""
TEMPERATURES_K = (273.15, 310.15)
"""Temperatures a card stays within: those the vapor pressure is meant for."""
SOLVED_WITHIN_K = (200.0, 360.0)
MOST_ROWS = 5
STEPS_FT, STEPS_M = (500.0, 1000.0, 2000.0), (200.0, 500.0, 1000.0)
"""Steps between rows: the first that makes no more than `MOST_ROWS`."""


def density_altitude_of(weather: Weather) -> float:
    """Density altitude [m] of a day."""
    density = air.moist_air_density(weather.pressure_pa, weather.temperature_k, weather.humidity)
    return float(air.density_altitude(density))


def weather_at(weather: Weather, density_altitude_m: float, pressure_pa: float | None = None) -> Weather:
    """The day at another temperature, so that it has a density altitude; at its own pressure unless one is given.

    Raises
    ------
    ValueError
        If no temperature between 200 and 360 K does.
    """
    from scipy.optimize import brentq  # noqa: PLC0415 - it takes long to load, and most answers do without

    day = weather if pressure_pa is None else replace(weather, pressure_pa=pressure_pa)

    def over(temperature_k: float) -> float:
        return density_altitude_of(replace(day, temperature_k=temperature_k)) - density_altitude_m

    return replace(day, temperature_k=float(brentq(over, *SOLVED_WITHIN_K, xtol=1e-6)))


def days_of(event: Event) -> tuple[tuple[float, Weather], ...]:
    """Round density altitudes [m] from a cold morning to a hot afternoon of the event, rising, each with its air."""
    first = event.weather[0]
    named = [event.fast_case.weather, *event.weather]
    low, high = TEMPERATURES_K
    coldest = max(low, min(each.temperature_k for each in named) - COLDER_K)
    hottest = min(high, max(each.temperature_k for each in named) + HOTTER_K)
    ends = [density_altitude_of(replace(first, temperature_k=each)) for each in (coldest, max(coldest, hottest))]
    metric = event.speed_unit == "km/h"
    for step in STEPS_M if metric else STEPS_FT:
        step_m = step if metric else from_unit(step, "ft", "length")
        numbers = range(math.ceil(ends[0] / step_m), math.floor(ends[1] / step_m) + 1)
        if len(numbers) <= MOST_ROWS:
            break
    levels = [number * step_m for number in numbers[:MOST_ROWS]] or [density_altitude_of(first)]
    return tuple((level, weather_at(first, level)) for level in levels)
