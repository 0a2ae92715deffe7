"""Power in the air of the event: whether the correction is used beyond what it is meant for, and what that is worth.

Correction formulas are made for test cells near sea level. On a high lake bed they are used beyond that; what other
formulas give there is the only measure of how far this one may be off.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from types import MappingProxyType
from typing import Literal

import numpy as np

from optimizer.answers.plausibility import Doubt, Usual
from optimizer.choice.options import IntArray
from optimizer.physics import air
from optimizer.run.judge import Judge
from optimizer.scenario.event import Weather
from optimizer.scenario.parts import Engine

FormulaName = Literal["SAE J1349", "ISO 1585"]
Quantity = Literal["pressure", "temperature", "factor"]

_J1349 = "SAE J1349, Engine Power Test Code (from memory)"
_ISO1585 = "ISO 1585, Road vehicles - Engine test code - Net power (from memory)"
_HINT = "the power taken is less sure: see what other formulas give"


def _ranges(
    formula: FormulaName, source: str, rows: Sequence[tuple[Quantity, str, tuple[float, float], str]]
) -> dict[tuple[FormulaName, Quantity], Usual]:
    return {(formula, key): Usual(f"{words}, {formula}", *ends, unit, source, _HINT) for key, words, ends, unit in rows}


MEANT_FOR = MappingProxyType(
    _ranges(
        "SAE J1349",
        _J1349,
        (
            ("pressure", "pressure of the dry air", air.J1349_PRESSURE_RANGE_PA, "air pressure"),
            ("temperature", "temperature of the air", air.J1349_TEMPERATURE_RANGE_K, "temperature"),
        ),
    )
    | _ranges(
        "ISO 1585",
        _ISO1585,
        (
            ("pressure", "pressure of the dry air", air.ISO1585_PRESSURE_RANGE_PA, "air pressure"),
            ("temperature", "temperature of the air", air.ISO1585_TEMPERATURE_RANGE_K, "temperature"),
            ("factor", "power at the standard state over power in the air", air.ISO1585_FACTOR_RANGE, "fraction"),
        ),
    )
)
"""What each formula is meant for."""


def density_factor(dry_pressure_pa: float, temperature_k: float) -> float:
    """Return corrected over observed power by the density of the dry air alone.

    ``(99 kPa / p_d) (T / 298 K)``: all power goes with the air that is let in, and friction is not counted.

    Parameters
    ----------
    dry_pressure_pa : float
        Pressure of the dry air p_d [Pa].
    temperature_k : float
        Temperature of the inlet air T [K].

    Returns
    -------
    float
        Factor, 1 at 99 kPa and 298 K.

    References
    ----------
    The law of ideal gases; the two ends are those of `air.iso1585_factor`.
    """
    return 99000.0 / dry_pressure_pa * (temperature_k / 298.0)


def fixed_friction_factor(dry_pressure_pa: float, temperature_k: float) -> float:
    """Return corrected over observed power if friction takes 15 % of the standard state's indicated power in any air.

    ``0.85 / (x - 0.15)`` with ``x = (p_d / 99 kPa) sqrt(298.15 K / T)``: the statement behind SAE J1349 taken at its
    word. The printed formula lets friction shrink with the air.

    Parameters
    ----------
    dry_pressure_pa : float
        Pressure of the dry air p_d [Pa].
    temperature_k : float
        Temperature of the inlet air T [K].

    Returns
    -------
    float
        Factor, 1 at 99 kPa and 298.15 K.

    References
    ----------
    Derived in docs/second-derivation.md, part c.
    """
    return 0.85 / (dry_pressure_pa / 99000.0 * math.sqrt(298.15 / temperature_k) - 0.15)


FORMULAS: Mapping[str, Callable[[float, float], float]] = MappingProxyType(
    {
        "SAE J1349": lambda pressure, temperature: float(air.j1349_factor(pressure, temperature)),
        "ISO 1585": lambda pressure, temperature: float(air.iso1585_factor(pressure, temperature)),
        "fixed friction": fixed_friction_factor,
        "density": density_factor,
    }
)
"""Corrected over observed power, by dry pressure and temperature of the air."""


@dataclass(frozen=True, slots=True)
class PowerSpread:
    """How far power in this air is open for one engine, and what that is worth to one build.

    Attributes
    ----------
    engine : str
        Its id.
    formula : str
        The one used.
    pressure_outside, temperature_outside, factor_outside : bool
        Whether a run's air, or the dyno's own day, lies outside what the formula is meant for.
    blown : bool
        Whether the engine is blown: the formulas are meant for engines that breathe on their own.
    low, high : float
        Lowest and highest power over the one used; 1 lies between them.
    low_ms, high_ms : float
        Change of the speed that counts [m/s] with all torque at either end.
    """

    engine: str
    formula: FormulaName
    pressure_outside: bool
    temperature_outside: bool
    factor_outside: bool
    blown: bool
    low: float
    high: float
    low_ms: float
    high_ms: float


def formula_of(engine: Engine) -> FormulaName:
    """The formula that leads from an engine's sheet to the air of the event."""
    return "ISO 1585" if engine.correction == "ISO 1585" else "SAE J1349"


def doubts_of_air(engine: Engine, weathers: Sequence[Weather]) -> tuple[Doubt, ...]:
    """Doubts about the power of one engine in the air of some runs; none if it breathes no outside air."""
    if not engine.air_breathing:
        return ()
    blown = (_blown_doubt(engine, weathers),) if engine.forced_induction else ()
    return (*blown, *(doubt for _, doubt in _outside(engine, weathers)))


def power_spread(judge: Judge, build: IntArray) -> PowerSpread | None:
    """How far the power of a build (S,) is open in the air of its runs; None if its formula is meant for that air."""
    engine = next(part for part in judge.options.chosen(build) if isinstance(part, Engine))
    weathers = [each.weather for each in judge.conditions]
    if not doubts_of_air(engine, weathers):
        return None
    outside = {quantity for quantity, _ in _outside(engine, weathers)}
    low, high = power_range(engine, weathers)
    here, slow, fast = (_speed(judge, build, factor) for factor in (1.0, low, high))
    return PowerSpread(
        engine=engine.id,
        formula=formula_of(engine),
        pressure_outside="pressure" in outside,
        temperature_outside="temperature" in outside,
        factor_outside="factor" in outside,
        blown=engine.forced_induction,
        low=low,
        high=high,
        low_ms=slow - here,
        high_ms=fast - here,
    )


def power_range(engine: Engine, weathers: Sequence[Weather]) -> tuple[float, float]:
    """Lowest and highest power in the air of some runs, over the power that is used; 1 lies between.

    A blown engine is taken from what the formula gives to no change with the air at all: a blower that is
    controlled to a pressure makes up for thin air.
    """
    shares = [1.0]
    for weather in weathers:
        used = _factor(formula_of(engine), engine, weather)
        if engine.forced_induction:
            shares.append(1.0 / used)
        else:
            shares += [_factor(formula, engine, weather) / used for formula in FORMULAS]
    return min(shares), max(shares)


def _factor(name: str, engine: Engine, weather: Weather) -> float:
    """Power in some weather over power on the sheet, by one formula."""
    formula, dyno = FORMULAS[name], _dyno_day(engine)
    on_sheet = 1.0 if dyno is None else formula(_dry(dyno), dyno.temperature_k)
    return on_sheet / formula(_dry(weather), weather.temperature_k)


def _dry(weather: Weather) -> float:
    return float(air.dry_pressure(weather.pressure_pa, weather.temperature_k, weather.humidity))


def _dyno_day(engine: Engine) -> Weather | None:
    """Air of the dyno's own day, where the sheet is as observed; None where it was corrected."""
    pressure, temperature, humidity = engine.dyno_pressure_pa, engine.dyno_temperature_k, engine.dyno_humidity
    if engine.correction != "none" or pressure is None or temperature is None or humidity is None:
        return None
    return Weather(pressure_pa=pressure, temperature_k=temperature, humidity=humidity)


def _outside(engine: Engine, weathers: Sequence[Weather]) -> Iterator[tuple[Quantity, Doubt]]:
    """What lies outside the formula's conditions: at the event by the run that is furthest out, and at the dyno."""
    formula, dyno = formula_of(engine), _dyno_day(engine)
    places: list[tuple[str, Sequence[Weather]]] = [("at the event", weathers)]
    if dyno is not None:
        places.append((f"on the day of the dyno sheet of engine {engine.id}", (dyno,)))
    for place, days in places:
        for (name, quantity), usual in MEANT_FOR.items():
            if name != formula:
                continue
            value = max((_reading(quantity, day) for day in days), key=partial(_excess, usual))
            for doubt in usual.doubt(f"{usual.name.rpartition(', ')[0]} {place}, for the {formula} correction", value):
                yield quantity, doubt


def _reading(quantity: Quantity, day: Weather) -> float:
    """The number of a day's air that a formula's conditions speak of; the factor is that of ISO 1585."""
    if quantity == "factor":
        return float(air.iso1585_factor(_dry(day), day.temperature_k))
    return _dry(day) if quantity == "pressure" else day.temperature_k


def _excess(usual: Usual, value: float) -> float:
    """How far a value lies beyond the nearer end of a range; negative inside."""
    low = -np.inf if usual.low is None else usual.low
    high = np.inf if usual.high is None else usual.high
    return float(max(low - value, value - high))


def _blown_doubt(engine: Engine, weathers: Sequence[Weather]) -> Doubt:
    """The formulas are not meant for a blown engine: a doubt without a range."""
    lowest = min(_factor(formula_of(engine), engine, weather) for weather in weathers)
    return Doubt(
        f"power of engine {engine.id}, blown, in this air as a share of its sheet by {formula_of(engine)}",
        lowest,
        "fraction",
        None,
        None,
        "the formula as used here is meant for engines that breathe on their own (from memory)",
        "a blower held to a pressure may lose nothing: ask what the boost is at the lake",
    )


def _speed(judge: Judge, build: IntArray, factor: float) -> float:
    """Speed that counts [m/s] of a build (S,) with all torque scaled."""
    inputs = [judge.model.inputs(build[None], each) for each in judge.conditions]
    runs = tuple(judge.run_of(replace(each, torque_scale=each.torque_scale * factor)) for each in inputs)
    return float(judge.joined(runs)[0])
