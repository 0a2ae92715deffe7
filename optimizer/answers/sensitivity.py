"""What each number is worth: how far the speed of one build moves when one input of car, day or part is off by a step.

Every step is a changed copy of the records, simulated whole: nothing is read again and nothing is linearized.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, cast

from optimizer.choice.options import IntArray, Options, options_of
from optimizer.run.judge import Judge
from optimizer.run.model import RunModel, rolling_radius_m
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import Axle, Basis, CurvePoints, Engine, Part, Rotor, Tire
from optimizer.units import from_unit, usual

SHARE_STEP = 0.01
"""Relative step of what is known to a percentage."""
STATED_STEPS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "area": (0.1, 0.01),
        "temperature rise": (5.0, 3.0),
        "speed": (1.0, 1.0),
        "angle": (10.0, 10.0),
        "fraction": (0.01, 0.01),
    }
)
"""Steps of offsets and of what may well be zero, by dimension: in the usual unit of readers in miles, in kilometers.

Fractions are steps in the fraction itself: 0.01 is one percentage point.
"""
GROWTH_STEP = 0.001
"""Step of the growth of a roll-out: a tenth of a percentage point."""
UNNAMED = Basis("rated")
"""Basis of an input whose record names none."""
BY_SIZE = Basis("assumed", "standard share of the diameter of the size code")


@dataclass(frozen=True, slots=True)
class Worth:
    """What one input is worth for one build.

    Attributes
    ----------
    name : str
        What it is, in the words of a shed.
    dimension : str
        Key of `units.UNITS`; empty for a plain number.
    value : float
        As the build has it, in the unit used inside.
    basis : Basis
        How the value is known, and who says so.
    step : float
        Size of the step: a share of the value where ``relative``, else in the unit used inside.
    relative : bool
    up_ms, down_ms : float or None
        Change of the speed that counts [m/s] with the value a step higher, a step lower; None where such a value
        makes no sense (a humidity below zero).
    """

    name: str
    dimension: str
    value: float
    basis: Basis
    step: float
    relative: bool
    up_ms: float | None
    down_ms: float | None

    @property
    def size_ms(self) -> float:
        """The larger of the two changes [m/s], without sign: a build at its best loses both ways."""
        return max(abs(change) for change in (self.up_ms, self.down_ms, 0.0) if change is not None)

    @property
    def slope_ms(self) -> float:
        """Change of the speed [m/s] for a step up by central differences; one-sided where one side makes no sense."""
        if self.up_ms is None or self.down_ms is None:
            return (self.up_ms or 0.0) - (self.down_ms or 0.0)
        return (self.up_ms - self.down_ms) / 2


Change = Callable[[Options, float], Options]
"""The options with an input set to another value."""


@dataclass(frozen=True, slots=True)
class Input:
    """One input that can be set: see `Worth`. ``least`` and ``most`` are the ends of what makes sense."""

    name: str
    dimension: str
    value: float
    basis: Basis
    change: Change
    step: float = SHARE_STEP
    relative: bool = True
    least: float = float("-inf")
    most: float = float("inf")

    def stepped(self, share: float) -> float | None:
        """The value moved by a number of steps; None where that makes no sense."""
        moved = self.value * (1 + share * self.step) if self.relative else self.value + share * self.step
        return moved if self.least <= moved <= self.most else None


def worth_of_inputs(
    scenario: Scenario, build: Mapping[str, str], salt: str | None = None, *, steps: float = 1.0
) -> tuple[Worth, ...]:
    """What every assumed or measured input is worth for a build, largest first.

    Parameters
    ----------
    scenario : Scenario
    build : mapping of slot name -> part id
        Slots not named keep the fitted part.
    salt : str, optional
        Salt condition; the event's own when left out.
    steps : float
        How many of the stated steps to go each way.

    Returns
    -------
    tuple of Worth
        Inputs with a relative step that are zero are left out: a share of nothing is nothing.

    Raises
    ------
    UsageError
        If the build names a slot or part that the scenario does not have.
    """
    every = options_of(scenario)
    options, row = _only(every, every.encode(build))
    here = _speed(options, row, salt)
    found = []
    for each in inputs_of(options, row, salt):
        up, down = (_change_of_speed(each, share, options, row, salt, here) for share in (steps, -steps))
        step = each.step * steps
        found.append(Worth(each.name, each.dimension, each.value, each.basis, step, each.relative, up, down))
    # rounded, so that inputs worth the same (power, efficiency) keep their order on every machine
    return tuple(sorted(found, key=lambda worth: -round(worth.size_ms, 6)))


def _change_of_speed(
    each: Input, share: float, options: Options, row: IntArray, salt: str | None, here_ms: float
) -> float | None:
    """Change of the speed that counts [m/s] with one input moved by some steps."""
    value = each.stepped(share)
    return None if value is None else _speed(each.change(options, value), row, salt) - here_ms


def _speed(options: Options, row: IntArray, salt: str | None) -> float:
    """Speed that counts [m/s] of one build (S,)."""
    return float(Judge(RunModel(options), salt).speeds(row[None])[0])


def _only(options: Options, row: IntArray) -> tuple[Options, IntArray]:
    """The options that one build needs, and the build in them: the fitted part of each slot, and the chosen one."""
    kept = tuple(
        parts[:1] if chosen == 0 else (parts[0], parts[int(chosen)])
        for parts, chosen in zip(options.parts, row, strict=True)
    )
    return replace(options, parts=kept), row.clip(0, 1)


# --- the inputs


def inputs_of(options: Options, row: IntArray, salt: str | None = None) -> tuple[Input, ...]:
    """Every assumed or measured input of one build (S,); those that are zero and step by a share are left out."""
    found = (
        *_car_inputs(options),
        *_hub_inputs(options),
        *_salt_inputs(options, salt),
        *_weather_inputs(options),
        *_part_inputs(options, row),
    )
    return tuple(each for each in found if each.value != 0 or not each.relative)


def _stated(options: Options, dimension: str) -> dict[str, Any]:
    """Step of an input that steps by a stated amount, as arguments of `Input`."""
    metric = options.scenario.event.speed_unit == "km/h"
    number = STATED_STEPS[dimension][metric]
    step = number if dimension == "fraction" else from_unit(number, usual(dimension, metric=metric), dimension)
    return {"step": step, "relative": False}


def _car_inputs(options: Options) -> Iterator[Input]:
    """What was weighed and measured of the car."""
    car = options.scenario.car
    share = {"least": 0.0, "most": 1.0}
    table: tuple[tuple[str, str, str, dict[str, Any]], ...] = (
        ("mass_kg", "mass of the car as weighed", "mass", {}),
        ("front_share", "front share of the weight", "fraction", _stated(options, "fraction") | share),
        ("wheelbase_m", "wheelbase", "length", {}),
        ("cg_height_m", "height of the center of gravity", "length", {}),
        ("drag_area_m2", "drag area", "area", {}),
        ("front_lift_area_m2", "front lift area", "area", _stated(options, "area")),
        ("rear_lift_area_m2", "rear lift area", "area", _stated(options, "area")),
        ("drag_area_per_height_m", "drag area per ride height", "area per length", {}),
        ("drag_area_per_tire_width_m", "drag area per front tire width", "area per length", {}),
        ("drag_rise_at_yaw", "rise of drag area at 10 degrees of yaw", "fraction", _stated(options, "fraction")),
        ("driveline_efficiency", "driveline efficiency", "fraction", share),
        ("gearbox_inertia_kgm2", "inertia of the gearbox", "inertia", {}),
        ("propshaft_inertia_kgm2", "inertia of the propshaft", "inertia", {}),
        ("shift_time_s", "shift time", "time", {}),
        ("grip_use_limit", "share of grip the driver uses", "fraction", share),
    )
    for target, name, dimension, more in table:
        basis = car.bases.get(target, UNNAMED)
        yield Input(name, dimension, getattr(car, target), basis, _car_change(target), **more)


def _car_change(target: str) -> Change:
    """Set a number of the car."""

    def change(options: Options, value: float) -> Options:
        car = replace(options.scenario.car, **cast(dict[str, Any], {target: value}))
        return replace(options, scenario=replace(options.scenario, car=car))

    return change


def _hub_inputs(options: Options) -> Iterator[Input]:
    """What differs between the axles of the car."""
    car = options.scenario.car
    axles: tuple[Axle, ...] = ("front", "rear")
    for axle in axles:
        for target, name, dimension in (
            ("hub_inertia_kgm2", f"inertia of a {axle} hub", "inertia"),
            ("tire_pressure_pa", f"tire pressure, {axle}", "tire pressure"),
        ):
            basis = car.bases.get(f"{axle}.{target}", UNNAMED)
            yield Input(name, dimension, getattr(car.hub(axle), target), basis, _hub_change(axle, target))


def _hub_change(axle: Axle, target: str) -> Change:
    """Set a number of one axle."""

    def change(options: Options, value: float) -> Options:
        hub = replace(options.scenario.car.hub(axle), **cast(dict[str, Any], {target: value}))
        car = replace(options.scenario.car, **cast(dict[str, Any], {axle: hub}))
        return replace(options, scenario=replace(options.scenario, car=car))

    return change


def _salt_inputs(options: Options, salt: str | None) -> Iterator[Input]:
    """What is taken of the salt in the condition that is asked about."""
    key = salt or options.scenario.event.salt
    surface = options.scenario.event.salts[key]
    slip = _stated(options, "fraction") | {"least": 1e-3, "most": 1.0}
    for target, name, dimension, more in (
        ("rolling_coefficient", "rolling coefficient of the salt", "", {}),
        ("grip", "grip of the salt", "", {}),
        ("slip_at_slide", "slip at which a tire slides", "fraction", slip),
    ):
        basis = surface.bases.get(target, UNNAMED)
        yield Input(name, dimension, getattr(surface, target), basis, _salt_change(key, target), **more)


def _salt_change(key: str, target: str) -> Change:
    """Set a number of one condition of the salt."""

    def change(options: Options, value: float) -> Options:
        event = options.scenario.event
        surface = replace(event.salts[key], **cast(dict[str, Any], {target: value}))
        changed = replace(event, salts=MappingProxyType({**event.salts, key: surface}))
        return replace(options, scenario=replace(options.scenario, event=changed))

    return change


def _weather_inputs(options: Options) -> Iterator[Input]:
    """Air and wind: of each run where they differ, else of all runs together."""
    event = options.scenario.event
    count = min(len(event.weather), event.scoring.runs)
    alike = len(set(event.weather[:count])) == 1
    for number in (0,) if alike else range(count):
        run = "" if alike else f", run {number + 1}"
        which = range(count) if alike else range(number, number + 1)
        for target, name, dimension, more in (
            ("pressure_pa", "air pressure", "air pressure", {}),
            ("temperature_k", "air temperature", "temperature", _stated(options, "temperature rise")),
            ("humidity", "humidity", "fraction", _stated(options, "fraction") | {"least": 0.0, "most": 1.0}),
            # less than no wind blows from the other side
            ("wind_ms", "wind speed", "speed", _stated(options, "speed")),
            ("wind_from_deg", "where the wind blows from", "angle", _stated(options, "angle")),
        ):
            basis = event.bases.get(f"weather[{number + 1}].{target}", UNNAMED)
            value = getattr(event.weather[number], target)
            yield Input(name + run, dimension, value, basis, _weather_change(which, target), **more)


def _weather_change(which: range, target: str) -> Change:
    """Set a number of the weather of some runs."""

    def change(options: Options, value: float) -> Options:
        event = options.scenario.event
        weather = tuple(
            replace(run, **cast(dict[str, Any], {target: value})) if number in which else run
            for number, run in enumerate(event.weather)
        )
        return replace(options, scenario=replace(options.scenario, event=replace(event, weather=weather)))

    return change


def _part_inputs(options: Options, row: IntArray) -> Iterator[Input]:
    """What the parts of the build bring: power, rolling, roll-out, brake drag."""
    drive = options.scenario.car.drive
    for s, slot in enumerate(options.slots):
        part = options.parts[s][int(row[s])]

        def setting(target: str, s: int = s, o: int = int(row[s])) -> Change:
            return _part_change(s, o, lambda old, value: replace(old, **cast(dict[str, Any], {target: value})))

        if isinstance(part, Tire):
            driven = "driven" if drive in ("all", slot.axle) else "undriven"
            name, basis = "rolling_coefficient", part.bases.get("rolling_coefficient", UNNAMED)
            yield Input(f"rolling coefficient, {slot.name} ({driven})", "", getattr(part, name), basis, setting(name))
            around = 2 * math.pi * rolling_radius_m(part)
            known = BY_SIZE if part.circumference_m is None else part.bases.get("circumference_m", UNNAMED)
            yield Input(f"roll-out, {slot.name} ({driven})", "length", around, known, setting("circumference_m"))
            name, basis = f"growth of the roll-out by 100 mph, {slot.name}", part.bases.get("growth", UNNAMED)
            yield Input(name, "fraction", part.growth, basis, setting("growth"), GROWTH_STEP, relative=False, least=0.0)
        elif isinstance(part, Rotor):
            name, basis = "brake_drag_n", part.bases.get("brake_drag_n", UNNAMED)
            yield Input(f"brake drag of each of the {slot.name}", "force", part.brake_drag_n, basis, setting(name))
        elif isinstance(part, Engine) and part.curve is not None:
            basis = part.bases.get("torque_factor", part.bases.get("curve", UNNAMED))
            scaled = _part_change(s, int(row[s]), _with_peak_torque)
            peak = max(part.curve.torque_nm)
            yield Input("power: torque at all revs (the peak is shown)", "torque", peak, basis, scaled)
            for target, name, dimension in _engine_numbers(part):
                basis = part.bases.get(target, UNNAMED)
                yield Input(name, dimension, getattr(part, target), basis, setting(target))


def _engine_numbers(engine: Engine) -> tuple[tuple[str, str, str], ...]:
    """Numbers of an engine beside its curve, and of the dyno where they count: field, name, dimension."""
    always = (
        ("inertia_kgm2", "inertia of the engine", "inertia"),
        ("long_pull_factor", "torque on a long pull against the sheet", "fraction"),
        ("sweep_rpm_per_s", "sweep rate of the dyno", "sweep rate"),
    )
    ratio = ("dyno_ratio", "overall ratio of the dyno pull", "")
    roller = ("roller_diameter_m", "diameter of the dyno's rollers", "length")
    return {"flywheel": always, "hubs": (*always, ratio), "wheels": (*always, ratio, roller)}[engine.measured_at]


def _with_peak_torque(part: Part, peak_nm: float) -> Part:
    """An engine with its whole curve scaled to another peak."""
    engine = cast(Engine, part)
    curve = cast(CurvePoints, engine.curve)
    factor = peak_nm / max(curve.torque_nm)
    return replace(engine, curve=CurvePoints(curve.rpm, tuple(factor * torque for torque in curve.torque_nm)))


def _part_change(s: int, o: int, with_value: Callable[[Part, float], Part]) -> Change:
    """Change one option of one slot; the same part in another slot stays as it is."""

    def change(options: Options, value: float) -> Options:
        parts = list(options.parts)
        parts[s] = tuple(with_value(part, value) if at == o else part for at, part in enumerate(parts[s]))
        return replace(options, parts=tuple(parts))

    return change
