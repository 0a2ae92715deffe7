"""Numbers taken where the crew left a blank: each named, with why, and never for a rating."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from optimizer.physics.air import standard_pressure
from optimizer.physics.rotation import ROTOR_INNER_RATIO, rotor_inertia
from optimizer.physics.tires import (
    TIRE_GYRATION_OVER_RADIUS,
    WHEEL_GYRATION_OVER_RIM_RADIUS,
    tire_inertia,
    wheel_inertia,
)
from optimizer.scenario.entries import Entry
from optimizer.scenario.findings import Findings
from optimizer.scenario.parts import Basis
from optimizer.units import INCH, MILE, shown

PRACTICE = "common practice, no source"

SMALL_CAR_CG_OVER_WHEELBASE = 0.22
DRAG_AREA_SHARE_PER_METER_OF_HEIGHT = 0.5
DRAG_AREA_PER_METER_OF_TIRE_WIDTH = 0.15
DRAG_RISE_AT_YAW = 0.10
SHIFT_TIME_S = 0.4
DRIVELINE_EFFICIENCY: Mapping[str, float] = MappingProxyType({"front": 0.94, "rear": 0.92, "all": 0.89})
GRIP_USE_LIMIT = 0.8
BRAKE_FRONT_SHARE = 0.65
PROPSHAFT_INERTIA_KGM2: Mapping[str, float] = MappingProxyType({"front": 0.0, "rear": 0.02, "all": 0.02})
GEARBOX_INERTIA_KGM2 = 0.005
HEAVIEST_CORNER_SHARE = 0.52
SLIP_AT_SLIDE = 0.15
TIRE_GROWTH = 0.005
LONG_PULL_FACTOR = 1.0
ROLLER_DIAMETER_M = 0.5
HUMIDITY = 0.30
TIRE_SPEED_MARGIN = 0.03
GENTLE_G = 0.12
BRAKED_GRIP_SHARE = 0.7
CIRCUMFERENCE_MISMATCH = 0.01
HOLD_OFF_MS = 2 * MILE / 3600
BRAKE_ROOM_M = 0.045
RING_SHARE_OF_ROTOR = 0.75
CAST_IRON_JKGK = 450.0
LAUNCH_SHARE_OF_REV_LIMIT = 0.5


@dataclass(frozen=True, slots=True)
class Fill:
    """What is taken for one blank field, and why.

    ``value`` works it out of what else the entry holds; None means that nothing needs to be taken.
    """

    target: str
    quantity: str
    dimension: str
    value: Callable[[Mapping[str, Any]], float | str | None]
    why: str


def _always(number: float | str) -> Callable[[Mapping[str, Any]], float | str | None]:
    return lambda _: number


CAR: tuple[Fill, ...] = (
    Fill(
        "cg_height_m",
        "height of the center of gravity",
        "length",
        lambda car: SMALL_CAR_CG_OVER_WHEELBASE * car["wheelbase_m"],
        f"22 % of the wheelbase; {PRACTICE}",
    ),
    Fill(
        "front_lift_area_m2", "front lift area", "area", _always(0.0), "lift was not measured and is left out"
    ),
    Fill(
        "rear_lift_area_m2", "rear lift area", "area", _always(0.0), "lift was not measured and is left out"
    ),
    Fill(
        "drag_area_per_height_m",
        "drag area per ride height",
        "area per length",
        lambda car: DRAG_AREA_SHARE_PER_METER_OF_HEIGHT * car["drag_area_m2"],
        f"0.5 % of the drag area for 10 mm, from memory and weak; {PRACTICE}",
    ),
    Fill(
        "drag_area_per_tire_width_m",
        "drag area per front tire width",
        "area per length",
        _always(DRAG_AREA_PER_METER_OF_TIRE_WIDTH),
        f"two tires that stand 75 mm into the air below the body; {PRACTICE}",
    ),
    Fill(
        "drag_rise_at_yaw",
        "rise of drag area at 10 degrees of yaw",
        "fraction",
        _always(DRAG_RISE_AT_YAW),
        "many modern cars gain up to 10 %: Windsor, Real world drag coefficient - is it wind averaged drag?",
    ),
    Fill(
        "shift_time_s", "shift time", "time", _always(SHIFT_TIME_S), f"an unhurried shift by hand; {PRACTICE}"
    ),
    Fill(
        "driveline_efficiency",
        "driveline efficiency",
        "fraction",
        lambda car: DRIVELINE_EFFICIENCY[car["drive"]],
        f"by drive layout, from memory; {PRACTICE}",
    ),
    Fill(
        "grip_use_limit",
        "share of grip the driver uses",
        "fraction",
        _always(GRIP_USE_LIMIT),
        f"a tire that pulls with more holds little sideways; {PRACTICE}",
    ),
    Fill(
        "brake_front_share",
        "front share of the brake force",
        "fraction",
        _always(BRAKE_FRONT_SHARE),
        f"an ordinary small car; {PRACTICE}",
    ),
    Fill(
        "propshaft_inertia_kgm2",
        "inertia of the propshaft",
        "inertia",
        lambda car: PROPSHAFT_INERTIA_KGM2[car["drive"]],
        f"none with the engine over the driven front axle, else a light shaft; {PRACTICE}",
    ),
    Fill(
        "gearbox_inertia_kgm2",
        "inertia of the gearbox",
        "inertia",
        _always(GEARBOX_INERTIA_KGM2),
        f"small beside flywheel and clutch; {PRACTICE}",
    ),
)
HUB: tuple[Fill, ...] = (
    Fill(
        "heaviest_corner_share",
        "share of the heavier wheel",
        "fraction",
        _always(HEAVIEST_CORNER_SHARE),
        f"the driver sits to one side; {PRACTICE}",
    ),
    Fill("hub_inertia_kgm2", "inertia of the hub", "inertia", _always(0.0), "small beside tire and wheel"),
)
SALT: tuple[Fill, ...] = (
    Fill(
        "slip_at_slide",
        "slip at which a tire slides",
        "fraction",
        _always(SLIP_AT_SLIDE),
        "between wet and dry pavement in Burckhardt, Fahrwerktechnik: Radschlupf-Regelsysteme "
        "(from memory); nobody has measured salt",
    ),
)
EVENT: tuple[Fill, ...] = (
    Fill(
        "max_circumference_mismatch",
        "greatest mismatch of front and rear roll-out",
        "fraction",
        _always(CIRCUMFERENCE_MISMATCH),
        f"with all wheels driven; {PRACTICE}",
    ),
)
STOPPING: tuple[Fill, ...] = (
    Fill(
        "gentle_g",
        "rate of a gentle stop",
        "braking",
        _always(GENTLE_G),
        f"0.10 to 0.15 g is gentle; {PRACTICE}",
    ),
    Fill(
        "grip_share",
        "share of grip a braked axle uses",
        "fraction",
        _always(BRAKED_GRIP_SHARE),
        f"the rest is left for steering; {PRACTICE}",
    ),
)
FAST_CASE: tuple[Fill, ...] = (
    Fill(
        "tire_speed_margin",
        "margin below a tire's rating",
        "fraction",
        _always(TIRE_SPEED_MARGIN),
        PRACTICE,
    ),
)
BRACKET: tuple[Fill, ...] = (
    Fill("hold_off_ms", "speed kept below the bracket", "speed", _always(HOLD_OFF_MS), PRACTICE),
)

_NO_DYNO_INERTIA = Fill(
    "inertia_kgm2", "inertia", "inertia", _always(0.0), "counted with the gearbox of the car"
)

PARTS: Mapping[str, tuple[Fill, ...]] = MappingProxyType(
    {
        "tire": (
            Fill("grip_factor", "grip factor", "", _always(1.0), "grips as the salt condition says"),
            Fill(
                "growth",
                "growth of the roll-out by 100 mph",
                "fraction",
                _always(TIRE_GROWTH),
                f"a belted radial tire; {PRACTICE}",
            ),
            Fill(
                "inertia_kgm2",
                "inertia",
                "inertia",
                lambda tire: float(tire_inertia(tire["mass_kg"], tire["size"].diameter_m)),
                f"radius of gyration {TIRE_GYRATION_OVER_RADIUS:g} of the radius; two measured tires, "
                "one in Pacejka, Tire and Vehicle Dynamics (from memory)",
            ),
        ),
        "wheel": (
            Fill(
                "brake_clearance_m",
                "brake clearance",
                "length",
                lambda wheel: wheel["rim_diameter_in"] * INCH - BRAKE_ROOM_M,
                f"45 mm less than the rim diameter: measure it; {PRACTICE}",
            ),
            Fill(
                "inertia_kgm2",
                "inertia",
                "inertia",
                lambda wheel: float(wheel_inertia(wheel["mass_kg"], wheel["rim_diameter_in"])),
                f"radius of gyration {WHEEL_GYRATION_OVER_RIM_RADIUS:g} of the rim radius; {PRACTICE}",
            ),
        ),
        "rotor": (
            Fill(
                "heat_mass_kg",
                "mass that takes the heat",
                "mass",
                lambda rotor: RING_SHARE_OF_ROTOR * rotor["mass_kg"],
                f"the ring without the hat, 75 % of the mass; {PRACTICE}",
            ),
            Fill(
                "specific_heat_jkgk",
                "specific heat",
                "specific heat",
                _always(CAST_IRON_JKGK),
                "grey cast iron, 450 to 490 J/kg K in tables of materials; the lower end",
            ),
            Fill(
                "brake_drag_n",
                "brake drag",
                "force",
                _always(0.0),
                "pads that let go fully; 5 lbf cost about 1 mph",
            ),
            Fill(
                "inertia_kgm2",
                "inertia",
                "inertia",
                lambda rotor: float(rotor_inertia(rotor["mass_kg"], rotor["diameter_m"])),
                f"a flat ring, inner {ROTOR_INNER_RATIO:g} of outer diameter; {PRACTICE}",
            ),
        ),
        "final drive": (_NO_DYNO_INERTIA,),
        "gearset": (_NO_DYNO_INERTIA,),
        "engine": (
            Fill(
                "launch_rpm",
                "launch rpm",
                "engine speed",
                lambda engine: LAUNCH_SHARE_OF_REV_LIMIT * engine["rev_limit_rpm"],
                f"half the rev limit; {PRACTICE}",
            ),
            Fill(
                "measured_at", "where the curve was taken", "", _always("flywheel"), "the sheet does not say"
            ),
            Fill("correction", "correction of the curve", "", _always("SAE J1349"), "the sheet does not say"),
            Fill(
                "sweep_rpm_per_s",
                "sweep rate of the dyno",
                "sweep rate",
                lambda engine: 0.0 if engine.get("measured_at") in {"wheels", "hubs"} else None,
                "the sheet does not say; taken as steady",
            ),
            Fill(
                "roller_diameter_m",
                "diameter of the rollers",
                "length",
                lambda engine: ROLLER_DIAMETER_M if engine.get("measured_at") == "wheels" else None,
                PRACTICE,
            ),
            Fill(
                "long_pull_factor",
                "torque on a long pull against the sheet",
                "fraction",
                _always(LONG_PULL_FACTOR),
                f"none is taken off; hot oil and intake air take 1 to 3 % from some; {PRACTICE}",
            ),
            Fill(
                "dyno_humidity",
                "humidity at the dyno",
                "fraction",
                lambda engine: HUMIDITY if engine.get("correction") == "none" else None,
                PRACTICE,
            ),
        ),
        "extra": (
            Fill(
                "inertia_kgm2",
                "inertia",
                "inertia",
                lambda extra: 0.0 if extra.get("turns_with") else None,
                "it is said to turn, but not how heavily",
            ),
        ),
    }
)
"""By kind of part. Ratings (load, speed, pressure, temperature, age) are not here and stay unknown."""


def fill(entry: Entry, fills: Sequence[Fill], findings: Findings) -> None:
    """Fill the blanks of an entry, each as a named assumption in the findings and among the entry's bases."""
    for each in fills:
        if entry.values.get(each.target) is not None:
            continue
        value = each.value(entry.values)
        if value is None:
            continue
        entry.values[each.target] = value
        entry.bases[each.target] = Basis("assumed", each.why)
        text = value if isinstance(value, str) else shown(value, each.dimension, metric=findings.metric)
        findings.assume(entry.place, each.quantity, text, each.why, each.target)


def fill_weather(weather: Sequence[Entry], elevation_m: float, findings: Findings) -> None:
    """Fill blank pressure by the standard atmosphere at the course, humidity by a dry day, wind by none."""
    fills = (
        Fill(
            "pressure_pa",
            "station pressure",
            "air pressure",
            _always(float(standard_pressure(elevation_m))),
            "standard atmosphere at the elevation of the course (ISO 2533)",
        ),
        Fill("humidity", "humidity", "fraction", _always(HUMIDITY), f"a dry day; {PRACTICE}"),
        Fill("wind_ms", "wind speed", "speed", _always(0.0), "no wind was given"),
    )
    for run in weather:
        fill(run, fills, findings)


def fill_fast_case(fast: Entry, first: Entry, bearing_deg: float, findings: Findings) -> None:
    """Fill blank weather of the fast case from the first run's; its wind becomes a tailwind."""
    for target, quantity, dimension in (
        ("pressure_pa", "station pressure", "air pressure"),
        ("temperature_k", "temperature", "temperature"),
        ("humidity", "humidity", "fraction"),
        ("wind_ms", "wind speed", "speed"),
    ):
        value = first.values[target]
        fill(
            fast,
            (Fill(target, quantity, dimension, _always(value), "as in the first run's weather"),),
            findings,
        )
    tailwind = (bearing_deg + 180.0) % 360.0
    fill(fast, (Fill("wind_from_deg", "wind from", "angle", _always(tailwind), "a tailwind"),), findings)
    fill(fast, FAST_CASE, findings)
