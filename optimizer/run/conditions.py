"""The air, wind and salt of one run, and what the engines give in that air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.physics import air, driveline, monotone_cubic, rolling
from optimizer.run.inputs import FloatArray, TorqueTable
from optimizer.run.panels import LOBATTO
from optimizer.scenario.event import Event, Salt, Weather
from optimizer.scenario.parts import Engine

SHARP, FINER = 0.001, 4
"""Share of the highest torque by which a curve may miss a cubic; and how many times as many points runs take beyond."""
WINDOWS, LOOKS = 9, 41
"""Panels over an engine's range of revs, about; and places at which each of so many is looked at."""
RPM_STEP = 10.0
"""Grid of the torque tables: linear interpolation on it adds less than 1e-4 N m to any real curve."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """Air and salt of one run."""

    salt: Salt
    weather: Weather
    headwind_ms: float
    crosswind_ms: float

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
        runs.append(_conditions(surface, weather, event.course.bearing_deg + (180.0 if turned else 0.0)))
    return (runs[0],) if len(runs) == 2 and runs[0] == runs[1] else tuple(runs)


def fast_conditions_of(event: Event) -> Conditions:
    """The fastest day to be safe for."""
    return _conditions(event.salts[event.fast_case.salt], event.fast_case.weather, event.course.bearing_deg)


def _conditions(salt: Salt, weather: Weather, bearing_deg: float) -> Conditions:
    """Conditions of a run along a bearing."""
    wind = (weather.wind_ms, weather.wind_from_deg, bearing_deg)
    return Conditions(salt, weather, float(air.headwind(*wind)), float(air.crosswind(*wind)))


def air_power_factor(engine: Engine, weather: Weather) -> float:
    """Torque in this weather, on a long pull, over torque on the engine's sheet.

    The sheet is at the standard state of its correction, or at the dyno's own day where it was not corrected. The
    same formula leads from there to the event's air, so nothing is corrected twice.
    """
    return engine.long_pull_factor * _air_factor(engine, weather)


def _air_factor(engine: Engine, weather: Weather) -> float:
    """Torque in this weather over torque on the engine's sheet."""
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


@dataclass(frozen=True, slots=True)
class DynoSide:
    """What of the car stood between the engine and a dynamometer at the wheels: the car as it stands.

    Attributes
    ----------
    efficiency : float
        Of the driveline.
    wheels_kgm2 : float
        Inertia of all that turns with the driven wheels.
    radius_m : float
        Rolling radius of the driven tires.
    tire_drag_n : float
        Rolling resistance of the driven tires on flat ground, as they stand.
    """

    efficiency: float
    wheels_kgm2: float
    radius_m: float
    tire_drag_n: float


def flywheel_torque(engine: Engine, side: DynoSide) -> tuple[FloatArray, FloatArray]:
    """Steady flywheel torque [N m] of an engine's sheet, by rpm: what the dyno's sweep and rollers took is given back.

    Raises
    ------
    ValueError
        If the engine has no curve, or was measured at the wheels in a ratio that is not known.
    """
    if engine.curve is None:
        msg = f"engine {engine.id} has no torque curve"
        raise ValueError(msg)
    rpm = np.array(engine.curve.rpm)
    torque = np.array(engine.curve.torque_nm)
    before = driveline.sweep_torque(engine.inertia_kgm2, engine.sweep_rpm_per_s)
    if engine.measured_at == "flywheel":
        return rpm, torque + before
    return rpm, driveline.flywheel_torque_from_wheels(torque, side.efficiency, _lost_after_gears(engine, side), before)


def _lost_after_gears(engine: Engine, side: DynoSide) -> float:
    """Torque at the engine [N m] that wheels spinning up, and tires on rollers, kept from a dyno at the wheels."""
    ratio = engine.dyno_ratio
    if ratio is None:
        msg = f"engine {engine.id} was measured at the wheels, but in which ratio is not known"
        raise ValueError(msg)
    spinning = float(driveline.sweep_torque(side.wheels_kgm2, engine.sweep_rpm_per_s)) / ratio**2
    if engine.measured_at == "hubs":
        return spinning
    drag = side.tire_drag_n * float(rolling.drum_factor(side.radius_m, engine.roller_diameter_m / 2))
    return spinning + drag * side.radius_m / ratio


def torque_table(engines: tuple[Engine, ...], side: DynoSide) -> TorqueTable:
    """Torque of all engines on one grid: monotone cubics through the points of each sheet, flat beyond its ends."""
    top = max(max(engine.curve.rpm[-1] if engine.curve else 0.0, engine.rev_limit_rpm) for engine in engines)
    grid = np.arange(0.0, top + 2 * RPM_STEP, RPM_STEP)
    rows = [monotone_cubic.interpolate(grid, *flywheel_torque(engine, side)) for engine in engines]
    ends = [(engine.launch_rpm, engine.rev_limit_rpm) for engine in engines]
    sharp = [bends_sharply(grid, row, *each) for row, each in zip(rows, ends, strict=True)]
    return TorqueTable(np.array(rows), RPM_STEP, np.where(sharp, FINER, 1) if any(sharp) else None)


def bends_sharply(rpm: FloatArray, torque_nm: FloatArray, launch_rpm: float, limit_rpm: float) -> bool:
    """Whether a curve, torque at engine speeds (K,), is no cubic over what a panel of the simulator takes at once.

    Power bands and turbochargers that come in are such; torque of engines that breathe by themselves is not.
    """
    width = (limit_rpm - launch_rpm) / WINDOWS
    begins = launch_rpm + (limit_rpm - launch_rpm - width) * np.linspace(0.0, 1.0, LOOKS)[:, None]
    places = np.linspace(0.0, 1.0, LOOKS)
    powers = np.vander(places, 4) @ np.linalg.inv(np.vander(LOBATTO, 4))
    real, known = (np.interp(begins + width * at, rpm, torque_nm) for at in (places, LOBATTO))
    return bool(np.abs(known @ powers.T - real).max() > SHARP * torque_nm.max())
