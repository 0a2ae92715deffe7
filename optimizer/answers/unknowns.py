"""What is not known exactly, as things that can be set: one unknown for each input of car, salt, weather and part.

An unknown belongs to where its value comes from. A part that stands in several slots or in several builds has one
unknown for each of its inputs, and engine options that are made from another engine share that engine's: so whatever
builds have in common is off by the same amount in all of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Literal, cast

import numpy as np

from optimizer.answers.sensitivity import BY_SIZE, UNNAMED
from optimizer.answers.uncertainties import CAR, HUB, PARTS, SALT, WEATHER, Uncertainty
from optimizer.choice.options import FloatArray, IntArray, Options
from optimizer.run.inputs import models_side_by_side
from optimizer.run.judge import Judge
from optimizer.run.model import RunModel, rolling_radius_m
from optimizer.scenario.event import Event
from optimizer.scenario.parts import Axle, Basis, CurvePoints, Engine, Part, Tire

Place = Literal["car", "front", "rear", "salt", "weather", "part"]
WORDS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "mass_kg": ("mass", "mass"),
        "front_share": ("front share of the weight", "fraction"),
        "cg_height_m": ("height of the center of gravity", "length"),
        "drag_area_m2": ("drag area", "area"),
        "front_lift_area_m2": ("front lift area", "area"),
        "rear_lift_area_m2": ("rear lift area", "area"),
        "drag_area_per_height_m": ("drag area per ride height", "area per length"),
        "drag_area_per_tire_width_m": ("drag area per front tire width", "area per length"),
        "drag_rise_at_yaw": ("rise of drag area at 10 degrees of yaw", "fraction"),
        "driveline_efficiency": ("driveline efficiency", "fraction"),
        "gearbox_inertia_kgm2": ("inertia of the gearbox", "inertia"),
        "propshaft_inertia_kgm2": ("inertia of the propshaft", "inertia"),
        "shift_time_s": ("shift time", "time"),
        "grip_use_limit": ("share of grip the driver uses", "fraction"),
        "hub_inertia_kgm2": ("inertia of a hub", "inertia"),
        "tire_pressure_pa": ("tire pressure", "tire pressure"),
        "rolling_coefficient": ("rolling coefficient", ""),
        "grip": ("grip", ""),
        "slip_at_slide": ("slip at which a tire slides", "fraction"),
        "pressure_pa": ("air pressure", "air pressure"),
        "temperature_k": ("air temperature", "temperature"),
        "humidity": ("humidity", "fraction"),
        "wind_ms": ("wind speed", "speed"),
        "wind_from_deg": ("where the wind blows from", "angle"),
        "circumference_m": ("roll-out", "length"),
        "growth": ("growth of the roll-out by 100 mph", "fraction"),
        "grip_factor": ("grip factor", ""),
        "inertia_kgm2": ("inertia", "inertia"),
        "brake_drag_n": ("brake drag", "force"),
        "efficiency": ("efficiency", "fraction"),
        "curve": ("power: torque at all revs (the peak is shown)", "torque"),
        "torque_factor": ("torque factor", "fraction"),
        "long_pull_factor": ("torque on a long pull against the sheet", "fraction"),
        "rolling_change": ("change of the rolling coefficient", ""),
    }
)
"""What a field is called, and its dimension (key of `units.UNITS`; empty for a plain number)."""


@dataclass(frozen=True, slots=True)
class Unknown:
    """One input that is not known exactly.

    Attributes
    ----------
    place : Place
        What it belongs to: the car, one of its axles, the salt, the weather, or a part.
    id : str
        Of the part, or of the condition of the salt; else empty.
    field : str
        Of the record it belongs to.
    name : str
    dimension : str
        Key of `units.UNITS`; empty for a plain number.
    value : float
        As stated, in the unit used inside.
    basis : Basis
        How the value is known, and who says so.
    uncertainty : Uncertainty
    calibrated : float or None
        Standard uncertainty that calibration left, in the unit of the value; None where it says nothing.
    """

    place: Place
    id: str
    field: str
    name: str
    dimension: str
    value: float
    basis: Basis
    uncertainty: Uncertainty
    calibrated: float | None = None

    @property
    def key(self) -> str:
        """What tells it from all other unknowns of a scenario, whatever the builds."""
        return f"{self.place}:{self.id}:{self.field}"

    @property
    def deviation(self) -> float:
        """Standard uncertainty of what lasts, in the unit of the value."""
        return self.uncertainty.of(self.basis.kind, self.value) if self.calibrated is None else self.calibrated

    @property
    def daily(self) -> float:
        """Standard deviation from one day to the next of what calibration measured on its days, in the same unit."""
        return 0.0 if self.calibrated is None else self.uncertainty.daily * abs(self.value)

    def moved(self, deviations: float) -> float:
        """The value some standard uncertainties up, as far as makes sense."""
        return self.within_sense(self.value + deviations * self.deviation)

    def within_sense(self, value: float) -> float:
        """A value, or the end of what makes sense that it lies beyond."""
        least, most = self.uncertainty.ends(self.value)
        return min(max(value, least), most)

    def carried(self, here: float, value: float) -> float:
        """What a record saying ``here`` says where this unknown has another value: off by the same share, or amount."""
        if self.uncertainty.scale == "share":
            return here * (value / self.value)
        return here + (value - self.value)


# --- which there are


def unknowns_of(options: Options, salt: str) -> tuple[Unknown, ...]:
    """All unknowns of the car, a condition of the salt, the weather and the parts that may stand in the slots.

    Those without an uncertainty (a share of nothing) are left out. Each is there once.
    """
    found = {
        each.key: each
        for each in (*_shared(options, salt), *(own for part in _every(options) for own in _of_part(options, part)))
    }
    return tuple(_calibrated(options, each) for each in found.values() if each.deviation > 0)


def _calibrated(options: Options, unknown: Unknown) -> Unknown:
    """An unknown with what calibration says of it."""
    calibration = options.scenario.calibration
    estimate = None if calibration is None else calibration.of(unknown.key)
    return unknown if estimate is None else replace(unknown, calibrated=estimate.deviation)


def unknowns_of_part(options: Options, part: Part) -> tuple[Unknown, ...]:
    """The unknowns that a part brings; those of the engine it is made from where it is made from one."""
    return tuple(_calibrated(options, each) for each in _of_part(options, part) if each.deviation > 0)


def _every(options: Options) -> Iterator[Part]:
    """Every part once."""
    yield from {part.id: part for parts in options.parts for part in parts}.values()


def _shared(options: Options, salt: str) -> Iterator[Unknown]:
    """What every build of a scenario has in common."""
    car, event = options.scenario.car, options.scenario.event
    for field, known in CAR.items():
        name, dimension = WORDS[field]
        basis = car.bases.get(field, UNNAMED)
        yield Unknown("car", "", field, f"{name} of the car", dimension, getattr(car, field), basis, known)
    axles: tuple[Axle, ...] = ("front", "rear")
    for axle in axles:
        for field, known in HUB.items():
            name, dimension = WORDS[field]
            basis = car.bases.get(f"{axle}.{field}", UNNAMED)
            value = getattr(car.hub(axle), field)
            yield Unknown(axle, "", field, f"{name}, {axle}", dimension, value, basis, known)
    surface = event.salts[salt]
    for field, known in SALT.items():
        name, dimension = WORDS[field]
        basis = surface.bases.get(field, UNNAMED)
        yield Unknown("salt", salt, field, f"{name} of the salt", dimension, getattr(surface, field), basis, known)
    for field, known in WEATHER.items():
        name, dimension = WORDS[field]
        basis = event.bases.get(f"weather[1].{field}", UNNAMED)
        yield Unknown("weather", "", field, name, dimension, getattr(event.weather[0], field), basis, known)


def _of_part(options: Options, part: Part) -> Iterator[Unknown]:
    """What one part brings."""
    for field, known in PARTS.get(part.kind, {}).items():
        for source in _sources(options, part, field):
            value = _value(source, field)
            if value is None:
                continue
            name, dimension = WORDS[field]
            basis = _basis(source, field)
            yield Unknown("part", source.id, field, f"{name} of {source.id}", dimension, value, basis, known)


def _sources(options: Options, part: Part, field: str) -> tuple[Part, ...]:
    """The parts whose input this is: the part itself, or the engine it is made from; every factor on the way there."""
    if not isinstance(part, Engine):
        return (part,)
    chain = [part]
    while chain[-1].base is not None:
        chain.append(cast(Engine, options.scenario.parts[chain[-1].base]))
    return tuple(chain[:-1]) if field == "torque_factor" else (chain[-1],)


def _value(part: Part, field: str) -> float | None:
    """Value of an input of a part; None where the part does not state it."""
    if field == "circumference_m":
        return 2 * math.pi * rolling_radius_m(cast(Tire, part))
    if field == "curve":
        curve = cast(Engine, part).curve
        return None if curve is None else max(curve.torque_nm)
    return cast("float | None", getattr(part, field))


def _basis(part: Part, field: str) -> Basis:
    """How an input of a part is known."""
    if field == "circumference_m" and cast(Tire, part).circumference_m is None:
        return BY_SIZE
    return part.bases.get(field, UNNAMED)


# --- set to other values


def with_values(options: Options, values: Mapping[Unknown, float]) -> Options:
    """The options with unknowns set to values, all at once. A part is the same in whatever slot it stands."""
    by_place: dict[str, dict[str, tuple[Unknown, float]]] = {}
    by_part: dict[tuple[str, str], tuple[Unknown, float]] = {}
    for unknown, value in values.items():
        if unknown.place == "part":
            by_part[unknown.id, unknown.field] = (unknown, value)
        else:
            by_place.setdefault(unknown.place, {})[unknown.field] = (unknown, value)
    car = options.scenario.car
    hubs = {axle: _set(car.hub(axle), by_place.get(axle, {})) for axle in cast("tuple[Axle, ...]", ("front", "rear"))}
    car = replace(_set(car, by_place.get("car", {})), **hubs)
    event = _event_with(options.scenario.event, by_place)
    changed = {part.id: _part_with(options, part, by_part) for part in _every(options)} if by_part else {}
    return replace(
        options,
        scenario=replace(options.scenario, car=car, event=event),
        parts=tuple(tuple(changed.get(part.id, part) for part in parts) for parts in options.parts),
    )


def event_with(event: Event, values: Mapping[Unknown, float]) -> Event:
    """The event with those of the values set that belong to the weather and the salt; others are passed over."""
    by_place: dict[str, dict[str, tuple[Unknown, float]]] = {}
    for unknown, value in values.items():
        by_place.setdefault(unknown.place, {})[unknown.field] = (unknown, value)
    return _event_with(event, by_place)


def _event_with(event: Event, by_place: Mapping[str, Mapping[str, tuple[Unknown, float]]]) -> Event:
    """The event with values set, by place and field."""
    event = replace(event, weather=tuple(_set(run, by_place.get("weather", {})) for run in event.weather))
    surface = by_place.get("salt", {})
    keys = {unknown.id for unknown, _ in surface.values()}
    salts = {key: _set(each, surface) if key in keys else each for key, each in event.salts.items()}
    return replace(event, salts=MappingProxyType(salts))


def _set(record: Any, values: Mapping[str, tuple[Unknown, float]]) -> Any:
    """A record with fields set."""
    if not values:
        return record
    return replace(record, **{field: each.carried(getattr(record, field), to) for field, (each, to) in values.items()})


def _part_with(options: Options, part: Part, values: Mapping[tuple[str, str], tuple[Unknown, float]]) -> Part:
    """A part with those of its inputs set that are among the values."""
    fields: dict[str, Any] = {}
    power = 1.0
    for field in PARTS.get(part.kind, {}):
        for source in _sources(options, part, field):
            if (source.id, field) not in values:
                continue
            unknown, value = values[source.id, field]
            if field in {"curve", "torque_factor"}:
                power *= value / unknown.value
            else:
                fields[field] = unknown.carried(cast(float, _value(part, field)), value)
    if power != 1.0:
        curve = cast(CurvePoints, cast(Engine, part).curve)
        fields["curve"] = CurvePoints(curve.rpm, tuple(power * torque for torque in curve.torque_nm))
    return replace(part, **fields) if fields else part


# --- simulated


def only_needed(options: Options, builds: IntArray) -> tuple[Options, IntArray]:
    """The options that some builds (n, S) need, the fitted part of each slot first, and the builds in them."""
    kept, rows = [], np.empty_like(builds)
    for s, parts in enumerate(options.parts):
        used = np.union1d(builds[:, s], [0])
        kept.append(tuple(parts[int(o)] for o in used))
        rows[:, s] = np.searchsorted(used, builds[:, s])
    return replace(options, parts=tuple(kept)), rows


def speeds_with(
    options: Options, salt: str, builds: IntArray, settings: Sequence[Mapping[Unknown, float]]
) -> FloatArray:
    """Speed that counts [m/s] of builds (n, S) under each of K settings of unknowns, all else as stated: (K, n).

    All are simulated as one batch: a small one costs nearly as much.
    """
    judges = [Judge(RunModel(with_values(options, setting)), salt) for setting in settings]
    runs = []
    for number in range(max(len(judge.conditions) for judge in judges)):
        # runs that cannot differ are given once: the one then stands for both
        inputs = [
            judge.model.inputs(builds, judge.conditions[min(number, len(judge.conditions) - 1)]) for judge in judges
        ]
        runs.append(judges[0].run_of(models_side_by_side(inputs)))
    return judges[0].joined(tuple(runs)).reshape(len(settings), len(builds))


def salt_asked_about(judge: Judge) -> str:
    """Key of the condition of the salt that a judge simulates."""
    event, surface = judge.event, judge.conditions[0].salt
    return next(key for key in (event.salt, *event.salts) if event.salts[key] is surface)
