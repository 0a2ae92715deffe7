"""Inputs outside what is usual: inside what the sheets may hold, yet worth a second look before money is spent.

Nothing here refuses anything and nothing changes a speed. Each doubt names the value, the usual range and where the
range comes from; `docs/second-looks.md` lists them all.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from optimizer.scenario.assumed import PRACTICE
from optimizer.scenario.bounds import CAR_MASS, DISPLACEMENT
from optimizer.scenario.car import Car
from optimizer.scenario.event import Salt, Scenario, TypedLimit
from optimizer.scenario.parts import Engine, Part, Rotor, Tire, Wheel
from optimizer.units import INCH, UNITS, from_unit, shown, split_quantity, to_unit

COMMON = PRACTICE
HEYWOOD = "J. B. Heywood, Internal Combustion Engine Fundamentals, chapter 2 (from memory)"
LOCK = "R. H. Lock, 1993 New Car Data"
WONG = "J. Y. Wong, Theory of Ground Vehicles (from memory)"
ROUNDING = 1e-9
"""Share by which a value may pass an end and still stand on it: 10 ft2 typed is not quite 10 ft2 inside."""
LOW_POWER_WKG = from_unit(150.0, "hp", "power") / 1000
"""Power per mass below which a car is low-powered for slip [W/kg]: 150 hp per metric ton (common practice)."""
FEWEST_IN_A_SHEET = 3
"""Parts it takes to speak of the middle one of a sheet."""
PRICED_ALIKE = ("tire", "wheel", "rotor", "final drive", "gearset")
"""Kinds whose parts do the same for the car. An extra may be a roll of tape, an engine option a jet."""
WEIGHS_ALIKE = ("final drive", "gearset")
"""Kinds of which no size tells the mass, but whose parts go into the same housing."""
FEWEST_PRICES = 5
"""Prices it takes to say that one of them is unlike the others."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A value that is worth a second look.

    Attributes
    ----------
    what : str
        The quantity and the part, in a builder's words.
    value : float
        In the unit used inside.
    dimension : str
        Key of `units.UNITS`; empty for a plain number.
    low, high : float or None
        The usual range, in the same unit; None where there is no such end.
    source : str
        Author and title, or that it is common practice.
    hint : str
        What to look at.
    """

    what: str
    value: float
    dimension: str
    low: float | None
    high: float | None
    source: str
    hint: str


@dataclass(frozen=True, slots=True)
class Usual:
    """The usual range of a quantity, both ends included; ``name`` is what docs/second-looks.md calls it."""

    name: str
    low: float | None
    high: float | None
    dimension: str
    source: str
    hint: str

    def holds(self, value: float, scale: float = 1.0) -> bool:
        """Whether a value lies in the range times a scale; what is not a number raises no doubt."""
        below = self.low is not None and value < self.low * scale * (1 - ROUNDING)
        above = self.high is not None and value > self.high * scale * (1 + ROUNDING)
        return not (below or above)

    def doubt(self, what: str, value: float, *, scale: float = 1.0, dimension: str | None = None) -> Iterator[Doubt]:
        """The doubt about a value, if it lies outside.

        ``scale`` turns the range into one of the quantity that is shown, ``dimension`` is then that quantity's: a
        builder knows peak torque, not the mean pressure that it comes from.
        """
        if not self.holds(value, scale):
            low, high = (None if end is None else end * scale for end in (self.low, self.high))
            shown_as = self.dimension if dimension is None else dimension
            yield Doubt(what, value, shown_as, low, high, self.source, self.hint)


_ENGINE = "look at displacement, unit, and whether the sheet is of the wheels"
_WHEEL = "look at the unit of the column, and whether it is the bare wheel"
_ROTOR = "look at the unit of the column, and whether the caliper is in it"

USUAL: Mapping[str, Usual] = MappingProxyType({
    "drag area": Usual(
        "drag area of the car", 0.45, 0.95, "area", COMMON,
        "look whether it is drag coefficient times frontal area",
    ),
    "mean pressure": Usual(
        "mean effective pressure at peak torque, engine that breathes on its own",
        0.5e6, 1.25e6, "tire pressure", f"{HEYWOOD}, with room for engines made for racing", _ENGINE,
    ),
    "mean pressure, blown": Usual(
        "mean effective pressure at peak torque, blown engine",
        0.5e6, 2.2e6, "tire pressure", f"{HEYWOOD}, with room for engines made for racing", _ENGINE,
    ),
    "power per volume": Usual(
        "peak power per liter, engine that breathes on its own",
        15e6, 80e6, "", f"{HEYWOOD}; upper end {COMMON}", _ENGINE,
    ),
    "power per volume, blown": Usual(
        "peak power per liter, blown engine", 15e6, 150e6, "", f"{HEYWOOD}; upper end {COMMON}", _ENGINE,
    ),
    "salt rolling": Usual(
        "rolling coefficient of the salt", 0.015, 0.07, "", COMMON, "look whether it holds the tire's share too",
    ),
    "salt grip": Usual("grip of the salt", 0.2, 0.8, "", COMMON, "asphalt has 0.8 to 1, wet ice 0.1"),
    "slip at slide": Usual(
        "slip at which a tire slides", 0.05, 0.30, "fraction", COMMON, "look at the unit and the decimal point",
    ),
    "tire rolling": Usual(
        "rolling coefficient of a tire", 0.005, 0.02, "", f"{WONG}, with room for hard and sticky tires",
        "look whether it holds the salt's share too",
    ),
    "driveline efficiency": Usual(
        "driveline efficiency", 0.82, 0.97, "fraction", COMMON, "look whether it holds the slip of the tires too",
    ),
    "center of gravity": Usual(
        "height of the center of gravity over the wheelbase", 0.15, 0.30, "fraction", COMMON,
        "look whether it is measured from the ground",
    ),
    "shift time": Usual(
        "shift time", 0.1, 1.5, "time", COMMON, "look whether it is the time without thrust",
    ),
    "car mass": Usual(
        "mass of the car over the square of its wheelbase", 85.0, 320.0, "mass per area",
        f"{LOCK}, with room for open and stripped cars", "look at the units of both",
    ),
    "tire mass": Usual(
        "mass of a tire over diameter times section width", 40.0, 130.0, "mass per area", COMMON,
        "look at the unit of the column, and whether the wheel is in it",
    ),
    "wheel mass": Usual(
        "mass of a wheel over the area of its barrel and disc", 7.0, 50.0, "mass per area", COMMON, _WHEEL,
    ),
    "wheel mass, sheet": Usual(
        "the same of the middle wheel of the sheet", 11.0, 38.0, "mass per area", COMMON, _WHEEL,
    ),
    "rotor mass": Usual(
        "mass of a rotor over the square of its diameter", 15.0, 160.0, "mass per area", COMMON, _ROTOR,
    ),
    "rotor mass, sheet": Usual(
        "the same of the middle rotor of the sheet", 33.0, 140.0, "mass per area", COMMON, _ROTOR,
    ),
    "engine mass": Usual(
        "mass of an engine, in kg over its displacement in liters and one more", 20.0, 85.0, "", COMMON,
        "look at the unit of the column, and at the displacement",
    ),
    "mass, beside others": Usual(
        "mass of a final drive or gearset over that of the middle one of its sheet", 0.5, 2.0, "fraction", COMMON,
        "look at the decimal point, at the unit, and at what is weighed with it",
    ),
    "weight limit": Usual(
        "limit on the weight of a car", CAR_MASS.low, CAR_MASS.high, "mass", COMMON, "look at the unit",
    ),
    "displacement limit": Usual(
        "limit on displacement", DISPLACEMENT.low, DISPLACEMENT.high, "volume", COMMON, "look at the unit",
    ),
    "price": Usual(
        "price of one piece over that of the middle one of its sheet", 0.025, 50.0, "fraction", COMMON,
        "look at the decimal point, at cents, and at what the price is for",
    ),
    "price, sheet": Usual(
        "price of one piece of the middle one of a sheet over the whole budget", None, 1.0, "fraction", COMMON,
        "look whether prices are in cents, and at the budget",
    ),
})  # fmt: skip
"""Usual ranges of what the crew types, in the units used inside (mean pressures in Pa, power per volume in W/m3).

A key with ``sheet`` is of the middle part of a sheet: a column in the wrong unit moves it as far as any, and it varies
less. Where there is none, the range of one part is that of the middle one too.
"""


def mean_effective_pressure(torque_nm: float, displacement_m3: float) -> float:
    """Return the mean effective pressure of a four-stroke engine.

    ``p = 4 pi T / V``: the work of two turns, ``4 pi T``, over what the pistons sweep in them.

    Parameters
    ----------
    torque_nm : float
        Torque at the flywheel T [N m].
    displacement_m3 : float
        Displacement V [m3].

    Returns
    -------
    float
        Brake mean effective pressure [Pa].

    References
    ----------
    J. B. Heywood, Internal Combustion Engine Fundamentals, chapter 2.
    """
    return 4 * math.pi * torque_nm / displacement_m3


def peaks(engine: Engine, driveline_efficiency: float) -> tuple[float, float, float]:
    """Peak torque [N m], peak power [W] and its engine speed [rpm] of a sheet, at the flywheel.

    Between the points of the sheet torque runs straight, and never past the rev limit. A sheet of the wheels is
    divided by the driveline's efficiency.

    Raises
    ------
    ValueError
        If the engine has no curve.
    """
    if engine.curve is None:
        msg = f"engine {engine.id} has no torque curve"
        raise ValueError(msg)
    typed, torque = np.array(engine.curve.rpm), np.array(engine.curve.torque_nm)
    last = max(min(typed[-1], engine.rev_limit_rpm), typed[0])
    rpm = np.unique(np.append(typed[typed <= last], np.linspace(typed[0], last, 401)))
    at_flywheel = np.interp(rpm, typed, torque) / (1.0 if engine.measured_at == "flywheel" else driveline_efficiency)
    power = at_flywheel * rpm * (math.pi / 30)
    best = int(np.argmax(power))
    return float(at_flywheel.max()), float(power[best]), float(rpm[best])


def doubts_of_car(car: Car) -> Iterator[Doubt]:
    """What is unusual about the car itself."""
    yield from USUAL["drag area"].doubt("drag area of the car", car.drag_area_m2)
    yield from USUAL["driveline efficiency"].doubt("driveline efficiency", car.driveline_efficiency)
    yield from USUAL["center of gravity"].doubt(
        "height of the center of gravity for this wheelbase",
        car.cg_height_m,
        scale=car.wheelbase_m,
        dimension="length",
    )
    yield from USUAL["shift time"].doubt("shift time", car.shift_time_s)
    yield from USUAL["car mass"].doubt(
        "mass of the car with driver and fuel, for this wheelbase",
        car.mass_kg,
        scale=car.wheelbase_m**2,
        dimension="mass",
    )


def doubts_of_salt(salt: Salt) -> Iterator[Doubt]:
    """What is unusual about a condition of the salt."""
    yield from USUAL["salt rolling"].doubt(f"rolling coefficient of {salt.name} salt", salt.rolling_coefficient)
    yield from USUAL["salt grip"].doubt(f"grip of {salt.name} salt", salt.grip)
    yield from USUAL["slip at slide"].doubt(f"slip at which a tire slides on {salt.name} salt", salt.slip_at_slide)


def doubts_of_part(part: Part, car: Car) -> Iterator[Doubt]:
    """What is unusual about a part."""
    if isinstance(part, Tire):
        yield from USUAL["tire rolling"].doubt(f"rolling coefficient of tire {part.id}", part.rolling_coefficient)
    elif isinstance(part, Engine) and part.curve is not None:
        yield from _doubts_of_engine(part, car.driveline_efficiency)


def _doubts_of_engine(engine: Engine, driveline_efficiency: float) -> Iterator[Doubt]:
    """Torque and power against what engines of this size give, blown or not."""
    torque, power, _ = peaks(engine, driveline_efficiency)
    size, blown = engine.displacement_m3, ", blown" if engine.forced_induction else ""
    whose = f"of engine {engine.id}{blown}, for its {shown(size, 'volume', metric=True, digits=4)}"
    pressure = USUAL[f"mean pressure{blown}"]
    # the torque that goes with one pascal of mean effective pressure
    by_pressure = 1 / mean_effective_pressure(1.0, size)
    yield from pressure.doubt(f"peak torque {whose}", torque, scale=by_pressure, dimension="torque")
    yield from USUAL[f"power per volume{blown}"].doubt(f"peak power {whose}", power, scale=size, dimension="power")


def _sized(part: Part, *, metric: bool) -> tuple[str, float, str] | None:
    """Key of the usual mass of a part, the size that its mass goes by, and that size in words; None: no such rule.

    Areas are in m2, that of a wheel a barrel and a flat disc, ``pi D (w + D/4)``; an engine goes by its displacement
    and a liter more, for what it weighs however small it is.
    """
    if isinstance(part, Tire):
        return "tire mass", part.size.diameter_m * part.size.section_width_m, str(part.size)
    if isinstance(part, Wheel):
        diameter, width = part.rim_diameter_in * INCH, part.rim_width_in * INCH
        size = f"{part.rim_diameter_in:g}x{part.rim_width_in:g}"
        return "wheel mass", math.pi * diameter * (width + diameter / 4), size
    if isinstance(part, Rotor):
        return "rotor mass", part.diameter_m**2, shown(part.diameter_m, "length", metric=metric)
    if isinstance(part, Engine):
        liters = to_unit(part.displacement_m3, "L", "volume")
        return "engine mass", liters + 1, shown(part.displacement_m3, "volume", metric=True, digits=4)
    return None


def _doubts_of_masses(scenario: Scenario, parts: Iterable[str]) -> Iterator[Doubt]:
    """Masses of parts for their size: the middle one of a sheet, or, where that is usual, each by itself."""
    sheets: dict[str, list[tuple[float, Part, float, str]]] = {}
    metric = scenario.event.speed_unit == "km/h"
    for part in scenario.parts.values():
        if sized := _sized(part, metric=metric):
            key, by, size = sized
            sheets.setdefault(key, []).append((part.mass_kg / by, part, by, size))
    wanted = set(parts)
    for key, masses in sheets.items():
        named = [each for each in masses if each[1].id in wanted]
        middle = sorted(masses, key=lambda each: each[0])[len(masses) // 2]
        usual = USUAL.get(f"{key}, sheet", USUAL[key])
        which = ""
        if named and len(masses) >= FEWEST_IN_A_SHEET and not usual.holds(middle[0]):
            # all of them are off alike: that is one slip, not one for each part
            named, which = [middle], f", the middle one of {len(masses)} for its size"
        else:
            usual = USUAL[key]
        for _, part, by, size in named:
            what = f"mass of {part.kind} {part.id} ({size}){which}"
            yield from usual.doubt(what, part.mass_kg, scale=by, dimension="mass")


def _doubts_beside_others(scenario: Scenario, parts: Iterable[str]) -> Iterator[Doubt]:
    """Masses far from those of others of the kind, where no size tells what a part should weigh."""
    wanted = set(parts)
    for kind in WEIGHS_ALIKE:
        alike = [part for part in scenario.parts.values() if part.kind == kind]
        if len(alike) < FEWEST_IN_A_SHEET:
            continue
        middle = sorted(part.mass_kg for part in alike)[len(alike) // 2]
        for part in alike:
            if part.id in wanted:
                what = f"mass of {kind} {part.id}, beside the middle one of {len(alike)}"
                yield from USUAL["mass, beside others"].doubt(what, part.mass_kg, scale=middle, dimension="mass")


def _doubts_of_prices(scenario: Scenario, parts: Iterable[str]) -> Iterator[Doubt]:
    """Prices far from those of others of the kind; what costs nothing is a gift, and no slip.

    A sheet of which hardly anything can be bought is spoken of whatever parts are asked about: it is never among them.
    """
    wanted, budget = set(parts), scenario.event.budget_cents
    for kind in PRICED_ALIKE:
        priced = [part for part in scenario.parts.values() if part.kind == kind and part.price_cents]
        each_cents = {part.id: (part.price_cents or 0) / part.pack for part in priced}
        if len(priced) < FEWEST_PRICES:
            continue
        middle = sorted(each_cents.values())[len(priced) // 2]
        if budget:
            what = f"price of one piece of the middle one of {len(priced)} priced {kind}s, over the whole budget"
            yield from USUAL["price, sheet"].doubt(what, middle / budget)
        for part in priced:
            if part.id in wanted:
                what = f"price of {kind} {part.id}, over that of the middle one of {len(priced)}"
                yield from USUAL["price"].doubt(what, each_cents[part.id] / middle)


def doubts_of_limits(limits: Iterable[TypedLimit]) -> Iterator[Doubt]:
    """Limits on weight and displacement that no car comes near, with what was likely meant; 0 limits nothing."""
    for limit in limits:
        usual = USUAL["weight limit" if limit.dimension == "mass" else "displacement limit"]
        meant = _meant(limit, usual)
        if limit.value:
            for doubt in usual.doubt(f"{usual.name}, {limit.where} {limit.typed!r}", limit.value):
                yield replace(doubt, hint=f"if {meant} is meant, write it so") if meant else doubt


def _meant(limit: TypedLimit, usual: Usual) -> str:
    """The limit with a comma between thousands, or in another unit, where that is usual; else empty."""
    typed = limit.typed.strip()
    number = split_quantity(typed)[0]
    if re.match(r"\d{1,3}\.\d{3}(?!\d)", typed) and usual.holds(1000 * limit.value):
        return typed.replace(".", ",", 1)
    units = (unit.name for unit in UNITS[limit.dimension] if usual.holds(unit.inside(number)))
    return next((f"{number:,g} {unit}" for unit in units), "")


def doubts_of_inputs(
    scenario: Scenario, parts: Iterable[str] | None = None, salts: Iterable[str] | None = None
) -> tuple[Doubt, ...]:
    """Doubts about what the crew typed.

    Parameters
    ----------
    scenario : Scenario
    parts : iterable of str, optional
        Ids to look at; all parts of all sheets when left out. The empty choice is passed over.
    salts : iterable of str, optional
        Conditions of the salt to look at; all of them when left out.
    """
    car, event = scenario.car, scenario.event
    named = scenario.parts if parts is None else [each for each in scenario.parts if each in set(parts)]
    found = list(doubts_of_car(car))
    found += doubts_of_limits(
        each for each in scenario.limits if parts is None or each.race_class in {"", event.race_class}
    )
    for salt in event.salts if salts is None else dict.fromkeys(salts):
        found += doubts_of_salt(event.salts[salt])
    for part in named:
        found += doubts_of_part(scenario.parts[part], car)
    found += _doubts_of_masses(scenario, named)
    found += _doubts_beside_others(scenario, named)
    found += _doubts_of_prices(scenario, named)
    return tuple(found)
