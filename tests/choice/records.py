"""Scenarios made in memory for tests: an invented small car with sensible defaults, no files.

`make_scenario` gives a car that stands as it is, front, rear or all-wheel drive, on which every check and the
simulator can work. Tests add the parts, slots, kits and jobs they are about.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np

from optimizer.choice.options import IntArray, Options
from optimizer.scenario.car import Car, Drive, Hub, Job, Slot
from optimizer.scenario.event import (
    Course,
    Event,
    FastCase,
    RaceClass,
    Salt,
    Scenario,
    Scoring,
    StoppingRule,
    Weather,
)
from optimizer.scenario.parts import (
    NONE_ID,
    BoltPattern,
    CurvePoints,
    Engine,
    Extra,
    FinalDrive,
    Gearset,
    Kit,
    Part,
    Rotor,
    Tire,
    TireSize,
    Wheel,
)

FOUR_BOLT = BoltPattern(bolts=4, circle_m=0.100)
CURVE = CurvePoints(
    rpm=(1000.0, 2000.0, 3000.0, 4000.0, 4500.0, 5000.0, 6000.0, 7000.0, 7500.0),
    torque_nm=(80.0, 95.0, 108.0, 116.0, 119.0, 120.0, 116.0, 104.0, 92.0),
)
"""An engine of 1.4 liters: 73 kW at 6000 rpm."""


def make_tire(id: str, **changes: Any) -> Tire:  # noqa: A002
    """185/60R15 84V, 7.6 kg."""
    values: dict[str, Any] = {
        "kind": "tire",
        "mass_kg": 7.6,
        "size": TireSize(section_width_m=0.185, aspect=0.60, rim_diameter_in=15.0),
        "load_index": 84,
        "speed_symbol": "V",
        "rolling_coefficient": 0.011,
        "max_pressure_pa": 350e3,
        "rim_width_min_in": 5.0,
        "rim_width_max_in": 6.5,
        "made": (2025, 10),
        "inertia_kgm2": 0.55,
        "category": "road",
    }
    return Tire(id=id, **(values | changes))


def make_wheel(id: str, **changes: Any) -> Wheel:  # noqa: A002
    """15x6, 4x100, 6.8 kg."""
    values: dict[str, Any] = {
        "kind": "wheel",
        "mass_kg": 6.8,
        "rim_diameter_in": 15.0,
        "rim_width_in": 6.0,
        "bolt_patterns": (FOUR_BOLT,),
        "center_bore_m": 0.0561,
        "offset_m": 0.040,
        "load_rating_kg": 500.0,
        "max_pressure_pa": 450e3,
        "brake_clearance_m": 0.335,
        "inertia_kgm2": 0.16,
    }
    return Wheel(id=id, **(values | changes))


def make_rotor(id: str, **changes: Any) -> Rotor:  # noqa: A002
    """240 mm iron rotor, 4.8 kg."""
    values: dict[str, Any] = {
        "kind": "rotor",
        "mass_kg": 4.8,
        "diameter_m": 0.240,
        "caliper_envelope_m": 0.310,
        "heat_mass_kg": 4.0,
        "specific_heat_jkgk": 500.0,
        "max_rise_k": 400.0,
        "brake_drag_n": 5.0,
        "inertia_kgm2": 0.035,
    }
    return Rotor(id=id, **(values | changes))


def make_final_drive(id: str, **changes: Any) -> FinalDrive:  # noqa: A002
    """4.10, 6 kg."""
    values: dict[str, Any] = {"kind": "final drive", "mass_kg": 6.0, "ratio": 4.10, "inertia_kgm2": 0.002}
    return FinalDrive(id=id, **(values | changes))


def make_gearset(id: str, **changes: Any) -> Gearset:  # noqa: A002
    """Five gears, 3.45 to 0.85, 11 kg."""
    values: dict[str, Any] = {
        "kind": "gearset",
        "mass_kg": 11.0,
        "ratios": (3.45, 1.95, 1.36, 1.03, 0.85),
        "inertia_kgm2": 0.004,
    }
    return Gearset(id=id, **(values | changes))


def make_engine(id: str, **changes: Any) -> Engine:  # noqa: A002
    """1.4 liters, 73 kW at the flywheel."""
    values: dict[str, Any] = {
        "kind": "engine",
        "mass_kg": 105.0,
        "curve": CURVE,
        "displacement_m3": 1.397e-3,
        "rev_limit_rpm": 7200.0,
        "launch_rpm": 3000.0,
        "inertia_kgm2": 0.12,
    }
    return Engine(id=id, **(values | changes))


def make_extra(id: str, **changes: Any) -> Extra:  # noqa: A002
    """3 kg of something in the middle of the car."""
    values: dict[str, Any] = {"kind": "extra", "mass_kg": 3.0, "position_m": 1.2}
    return Extra(id=id, **(values | changes))


def make_kit(id: str, price_cents: int, contents: Mapping[str, int], **changes: Any) -> Kit:  # noqa: A002
    """One lot of several pieces."""
    return Kit(id=id, price_cents=price_cents, contents=tuple(contents.items()), **changes)


def stock_parts() -> tuple[Part, ...]:
    """What is on the car as it stands."""
    return (
        make_engine("E-stock"),
        make_gearset("G-stock"),
        make_final_drive("F-stock"),
        make_tire("T-stock"),
        make_wheel("W-stock"),
        make_rotor("R-front-stock", axle="front"),
        make_rotor("R-rear-stock", axle="rear", mass_kg=3.6, heat_mass_kg=3.0),
    )


def stock_slots() -> tuple[Slot, ...]:
    """Engine, gearbox, and both axles; tires, wheels and rotors two each."""
    return (
        Slot(name="engine", kind="engine", fitted="E-stock"),
        Slot(name="gearset", kind="gearset", fitted="G-stock"),
        Slot(name="final drive", kind="final drive", fitted="F-stock"),
        Slot(name="front tires", kind="tire", axle="front", count=2, fitted="T-stock"),
        Slot(name="rear tires", kind="tire", axle="rear", count=2, fitted="T-stock"),
        Slot(name="front wheels", kind="wheel", axle="front", count=2, fitted="W-stock"),
        Slot(name="rear wheels", kind="wheel", axle="rear", count=2, fitted="W-stock"),
        Slot(name="front rotors", kind="rotor", axle="front", count=2, fitted="R-front-stock"),
        Slot(name="rear rotors", kind="rotor", axle="rear", count=2, fitted="R-rear-stock"),
    )


def extra_slot(name: str, **changes: Any) -> Slot:
    """Declare an optional slot for an extra, empty as the car stands."""
    values: dict[str, Any] = {"kind": "extra", "required": False, "fitted": NONE_ID, "position_m": 1.2}
    return Slot(name=name, **(values | changes))


def make_hub(**changes: Any) -> Hub:
    """4x100, room for a tire of 0.62 m by 0.21 m."""
    values: dict[str, Any] = {
        "bolt_pattern": FOUR_BOLT,
        "center_bore_m": 0.0561,
        "offset_min_m": 0.030,
        "offset_max_m": 0.048,
        "max_tire_diameter_m": 0.620,
        "max_tire_width_m": 0.210,
        "heaviest_corner_share": 0.52,
        "tire_pressure_pa": 300e3,
        "ride_height_m": 0.140,
        "min_ride_height_m": 0.080,
        "hub_inertia_kgm2": 0.02,
    }
    return Hub(**(values | changes))


def make_car(
    drive: Drive = "front", slots: Iterable[Slot] = (), jobs: Iterable[Job] = (), **changes: Any
) -> Car:
    """860 kg with the driver, 0.62 m2 of drag area; ``slots`` stand in for `stock_slots` if given."""
    values: dict[str, Any] = {
        "name": "test car",
        "mass_kg": 860.0,
        "front_share": {"front": 0.61, "rear": 0.50, "all": 0.57}[drive],
        "wheelbase_m": 2.38,
        "cg_height_m": 0.48,
        "drag_area_m2": 0.62,
        "front_lift_area_m2": 0.05,
        "rear_lift_area_m2": 0.08,
        "drag_area_per_height_m": 0.8,
        "drag_area_per_tire_width_m": 0.6,
        "drive": drive,
        "start_speed_ms": 0.0,
        "shift_time_s": 0.4,
        "driveline_efficiency": {"front": 0.92, "rear": 0.90, "all": 0.87}[drive],
        "grip_use_limit": 0.8,
        "limiter_adjustable": True,
        "brake_front_share": 0.68,
        "propshaft_inertia_kgm2": 0.0 if drive == "front" else 0.01,
        "gearbox_inertia_kgm2": 0.004,
        "front": make_hub(),
        "rear": make_hub(),
        "slots": tuple(slots) or stock_slots(),
        "jobs": MappingProxyType({job.name: job for job in jobs}),
    }
    return Car(**(values | changes))


def make_class(name: str = "street", **changes: Any) -> RaceClass:
    """A class with a record of 100 mph and no rules."""
    return RaceClass(name=name, **({"record_ms": 44.704} | changes))


def make_event(classes: Iterable[RaceClass] = (), **changes: Any) -> Event:
    """Two miles of run-up, a measured mile, two miles to stop, at 1300 m; no budget, no limit on hours."""
    every = tuple(classes) or (make_class(),)
    noon = Weather(pressure_pa=87_000.0, temperature_k=298.15, humidity=0.25)
    values: dict[str, Any] = {
        "name": "test meet",
        "date": (2026, 37),
        "course": Course(run_up_m=3218.688, timed_m=1609.344, shutdown_m=3218.688, elevation_m=1300.0),
        "scoring": Scoring(),
        "salts": MappingProxyType(
            {
                "firm": Salt(name="firm", rolling_coefficient=0.020, grip=0.55, slip_at_slide=0.12),
                "ordinary": Salt(name="ordinary", rolling_coefficient=0.028, grip=0.48, slip_at_slide=0.15),
                "soft": Salt(name="soft", rolling_coefficient=0.045, grip=0.40, slip_at_slide=0.20),
            }
        ),
        "salt": "ordinary",
        "weather": (noon,),
        "fast_case": FastCase(
            salt="firm", weather=replace(noon, temperature_k=288.15, wind_ms=2.0), tire_speed_margin=0.03
        ),
        "stopping": StoppingRule(gentle_g=0.12, grip_share=0.5, salt="ordinary"),
        "rating_rule": "refuse",
        "max_tire_age_years": None,
        "tire_categories": ("road", "competition"),
        "max_circumference_mismatch": 0.01,
        "classes": MappingProxyType({each.name: each for each in every}),
        "race_class": every[0].name,
        "fixed_costs": (),
        "budget_cents": None,
        "hours_limit": None,
        "currency": "USD",
        "speed_unit": "mph",
    }
    return Event(**(values | changes))


def make_scenario(
    parts: Iterable[Part] = (),
    *,
    kits: Iterable[Kit] = (),
    slots: Iterable[Slot] = (),
    extra_slots: Iterable[Slot] = (),
    jobs: Iterable[Job] = (),
    drive: Drive = "front",
    car: Mapping[str, Any] | None = None,
    event: Mapping[str, Any] | None = None,
) -> Scenario:
    """Join the car as it stands with the parts on offer.

    ``slots`` stand in for `stock_slots`, ``extra_slots`` come on top; a part with the id of a stock part
    stands in for it. ``car`` and ``event`` hold other values for their records. Fitted pieces are owned, as
    in a crew's own sheets.
    """
    every = (*(tuple(slots) or stock_slots()), *extra_slots)
    fitted: dict[str, int] = {}
    for slot in every:
        fitted[slot.fitted] = fitted.get(slot.fitted, 0) + slot.count
    named = {part.id: part for part in (*stock_parts(), *parts)}
    return Scenario(
        folder="",
        car=make_car(drive, every, jobs, **(car or {})),
        event=make_event(**(event or {})),
        parts=MappingProxyType(
            {key: replace(part, owned=max(part.owned, fitted.get(key, 0))) for key, part in named.items()}
        ),
        kits=tuple(kits),
    )


def random_builds(options: Options, seed: int, number: int) -> IntArray:
    """Draw builds of shape ``(number, S)``, every option of a slot as likely as the others."""
    rng = np.random.default_rng(seed)
    return np.stack([rng.integers(0, size, number) for size in options.sizes], axis=1)
