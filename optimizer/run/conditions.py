"""The air, wind and salt of one run, and what the engines give in that air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from optimizer.physics import air, driveline
from optimizer.run.inputs import FloatArray, TorqueTable
from optimizer.scenario.event import Event, Salt, Weather
from optimizer.scenario.parts import Engine

RPM_STEP = 10.0
"""Grid of the torque tables: linear interpolation on it adds less than 1e-4 N m to any real curve."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """Air and salt of one run."""

    salt: Salt
    weather: Weather
    headwind_ms: float

    @property
    def air_density(self) -> float:
        """Density of the moist air, kg/m3."""
        return float(
            air.moist_air_density(self.weather.pressure_pa, self.weather.temperature_k, self.weather.humidity)
        )


def conditions_of(event: Event, salt: str | None = None) -> tuple[Conditions, ...]:
    """Conditions of each run that counts; runs that cannot differ are given once.

    Two runs the opposite way see the wind from the other side. One ``[[weather]]`` serves both runs.
    """
    surface = event.salts[salt or event.salt]
    runs = []
    for number in range(event.scoring.runs):
        weather = event.weather[min(number, len(event.weather) - 1)]
        turned = number == 1 and event.scoring.second_run == "opposite"
        bearing = event.course.bearing_deg + (180.0 if turned else 0.0)
        wind = float(air.headwind(weather.wind_ms, weather.wind_from_deg, bearing))
        runs.append(Conditions(surface, weather, wind))
    return (runs[0],) if len(runs) == 2 and runs[0] == runs[1] else tuple(runs)


def fast_conditions_of(event: Event) -> Conditions:
    """The fastest day to be safe for."""
    weather = event.fast_case.weather
    wind = float(air.headwind(weather.wind_ms, weather.wind_from_deg, event.course.bearing_deg))
    return Conditions(event.salts[event.fast_case.salt], weather, wind)


def air_power_factor(engine: Engine, weather: Weather) -> float:
    """Torque in this weather over torque on the engine's sheet.

    The sheet is at the standard state of its correction, or at the dyno's own day where it was not corrected. The
    same formula leads from there to the event's air, so nothing is corrected twice.
    """
    if not engine.air_breathing:
        return 1.0
    factor = air.iso1585_factor if engine.correction == "ISO 1585" else air.j1349_factor

    def corrected_over_observed(pressure_pa: float, temperature_k: float, humidity: float) -> float:
        return float(factor(air.dry_pressure(pressure_pa, temperature_k, humidity), temperature_k))

    here = corrected_over_observed(weather.pressure_pa, weather.temperature_k, weather.humidity)
    if engine.correction != "none":
        return 1.0 / here
    if engine.dyno_pressure_pa is None or engine.dyno_temperature_k is None or engine.dyno_humidity is None:
        msg = f"engine {engine.id} is uncorrected but has no dyno weather"
        raise ValueError(msg)
    return corrected_over_observed(engine.dyno_pressure_pa, engine.dyno_temperature_k, engine.dyno_humidity) / here


def flywheel_torque(engine: Engine, driveline_efficiency: float) -> tuple[FloatArray, FloatArray]:
    """Steady flywheel torque [N m] of an engine's sheet, by rpm: what the dyno's sweep and rollers took is given back.

    Raises
    ------
    ValueError
        If the engine has no curve.
    """
    if engine.curve is None:
        msg = f"engine {engine.id} has no torque curve"
        raise ValueError(msg)
    rpm = np.array(engine.curve.rpm)
    torque = np.array(engine.curve.torque_nm)
    if engine.measured_at == "wheels":
        torque = driveline.flywheel_torque_from_wheels(torque, driveline_efficiency)
    if engine.sweep_rpm_per_s:
        torque = torque + driveline.sweep_torque(engine.inertia_kgm2, engine.sweep_rpm_per_s)
    return rpm, torque


def torque_table(engines: tuple[Engine, ...], driveline_efficiency: float) -> TorqueTable:
    """Torque of all engines on one grid: monotone cubics through the points of each sheet, flat beyond its ends.

    F. N. Fritsch, R. E. Carlson, "Monotone piecewise cubic interpolation", SIAM J. Numer. Anal. 17 (1980): the curve
    passes through every typed point and invents no peak between them.
    """
    top = max(max(engine.curve.rpm[-1] if engine.curve else 0.0, engine.rev_limit_rpm) for engine in engines)
    grid = np.arange(0.0, top + 2 * RPM_STEP, RPM_STEP)
    rows = []
    for engine in engines:
        rpm, torque = flywheel_torque(engine, driveline_efficiency)
        curve = PchipInterpolator(rpm, torque) if len(rpm) > 1 else (lambda at, only=torque[0]: np.full_like(at, only))
        rows.append(curve(np.clip(grid, rpm[0], rpm[-1])))
    return TorqueTable(np.array(rows), RPM_STEP)
