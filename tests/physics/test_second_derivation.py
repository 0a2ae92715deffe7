"""The five formulas that move the predicted speed most, against a second derivation from the cited sources.

Bounds of what should agree were set from theory before the first run; docs/second-derivation.md says how each follows.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.physics import rolling
from optimizer.run.inputs import RunInputs, TorqueTable
from optimizer.run.panels import LIMITS
from optimizer.run.simulator import simulate
from tests.physics import second_derivation as second
from tests.physics.second_derivation import G_N, MPH, ROUND_OFF, Car

PAGE = Path(__file__).parents[2] / "docs" / "second-derivation.md"

BOUNDS = {
    "thrust": ROUND_OFF,
    "turning mass": ROUND_OFF,
    "acceleration": ROUND_OFF,
    "density, ideal mixture": 7e-4,
    "density, with second virial": 2.5e-4,
    "head wind (m/s)": ROUND_OFF,
    "J1349, printed, from 273": ROUND_OFF,
    "J1349, exact 20/17 and 3/17": 1e-3,
    "rolling factor": ROUND_OFF,
    "grip of slip, bristles added up": 1e-7,
    "slip of grip use": ROUND_OFF,
    "largest thrust, front": 1e-11,
    "largest thrust, rear": 1e-11,
    "largest thrust, all": 1e-11,
    "settling speed": 1e-5,
}
"""Where the two are the same physics: relative, unless the name has a unit."""

EXPECTED = {
    "J1349, printed, from absolute zero": (2.4e-4, 3.5e-4),
    "J1349, friction fixed at standard": (1.2e-2, 1.6e-2),
    "J1349, the same at 86 kPa and 30 C": (3.9e-3, 4.7e-3),
    "wheel speed, slip relative to the road": (5e-3, 9e-3),
    "the same at half the grip, slide 15 %": (2.9e-3, 3.5e-3),
    "settling speed, slip relative to the road": (1e-3, 9e-3),
    "settling speed, tire loss as a moment": (1e-4, 9e-3),
    "settling speed, power less by 0.42 %": (0.7e-3, 4.2e-3),
    "settling speed, 3.0 bar front, 2.5 rear": (1e-4, 1e-3),
}
"""Where the two differ in what they say: its order of size, so that the page's remark stays true."""


def run_inputs(car: Car, start_ms: float) -> RunInputs:
    """The same car in the simulator's terms, with the package's own rolling factor, nothing that grows or leans."""
    one, zero, weight = np.ones(1), np.zeros(1), car.mass_kg * G_N
    loads = np.array([weight * car.front_share, weight * (1.0 - car.front_share)])
    pressures = np.array(car.pressures_bar) * 1e5
    at_rest = car.listed * rolling.pressure_speed_factor(pressures, 0.0)
    per_v2 = (car.listed * rolling.pressure_speed_factor(pressures, 50.0) - at_rest) / 50.0**2
    lift = np.array(car.lift_areas_m2)
    rpm = np.arange(0.0, 14_000.0)
    return RunInputs(
        translating_kg=car.mass_kg * one, wheel_side_kg=zero, shaft_kgm2=zero, engine_kgm2=zero,
        front_grip_n=loads[:1], rear_grip_n=loads[1:],
        front_mu=car.grip * one * (car.drive != "rear"), rear_mu=car.grip * one * (car.drive != "front"),
        slip_at_slide=car.slide * one, transfer=car.height_over_base * one,
        rolling_n=one * np.sum(loads * (at_rest + car.salt)), rolling_nv2=one * np.sum(loads * per_v2),
        lift_rolling_m2=one * np.sum(lift * (at_rest + car.salt)), lift_rolling_v2=one * np.sum(lift * per_v2),
        drag_area_m2=car.drag_area_m2 * one, front_lift_m2=lift[:1], rear_lift_m2=lift[1:],
        radius_m=car.radius_m * one, growth=zero, overall=np.full((1, 1), car.ratio), final_ratio=one,
        efficiency=np.full((1, 1), car.efficiency), engine=np.zeros(1, dtype=np.int64), torque_scale=one,
        rev_limit_rpm=1.39e4 * one, launch_rpm=1000.0 * one, shift_rpm=np.full((1, 1), 1.39e4),
        cap_ms=np.inf * one, surface_cap_ms=np.inf * one, torque_table=TorqueTable(car.torque(rpm)[None], 1.0),
        air_density=car.density, headwind_ms=car.head_wind_ms, crosswind_ms=0.0, drag_rise_at_yaw=0.0,
        start_speed_ms=start_ms, shift_time_s=0.5, grip_use_limit=0.99,
    )  # fmt: skip


def settled(car: Car, start_ms: float) -> float:
    """The speed at which the simulator settles a car, on a course so long that it gets there."""
    run = simulate(run_inputs(car, start_ms), (5e4, 1e5), "exit")
    if LIMITS[run.passing.limit[1, 0]] != "power":
        raise ValueError("the car is to be limited by its power alone")
    return float(run.final_ms[0])


@pytest.mark.parametrize("name", BOUNDS)
def test_the_package_agrees_with_the_second_derivation(name: str) -> None:
    """Each formula and the whole car stay within the difference that theory allows."""
    assert second.largest_differences(settled)[name] <= BOUNDS[name]


@pytest.mark.parametrize("name", EXPECTED)
def test_a_known_difference_is_as_large_as_expected(name: str) -> None:
    """Each reading in which the two part ways moves the answer by about what the page says."""
    low, high = EXPECTED[name]
    assert low <= second.largest_differences(settled)[name] <= high


def test_every_comparison_has_a_bound() -> None:
    """No number is on the page without a bound that was set for it."""
    assert set(second.largest_differences(settled)) == set(BOUNDS) | set(EXPECTED)


def test_the_cars_cover_the_range_and_use_their_grip() -> None:
    """The thirty cars settle between 60 and 160 mph, some at each end, some with much of their grip used."""
    speeds = np.array([second.settling_speed(car) for car in second.random_cars()])
    uses = [second.balance(car, speed, "wheel")[1] for car, speed in zip(second.random_cars(), speeds, strict=True)]
    assert 60.0 * MPH <= speeds.min() < 80.0 * MPH
    assert 145.0 * MPH < speeds.max() <= 160.0 * MPH
    assert max(uses) > 0.7


def test_the_closed_form_of_the_brush_is_the_sum_of_its_bristles() -> None:
    """The derivation's own algebra: the cubic against the patch added up, and the inverse undoes the cubic."""
    for slip in np.linspace(0.001, 0.15, 30):
        use = second.brush_use(slip, 25.0)
        assert use == pytest.approx(second.brush_by_integration(slip, 25.0), abs=1e-8)
        assert slip >= 3.0 / 25.0 or second.brush_slip(use, 25.0) == pytest.approx(slip, rel=1e-9)


def test_power_lost_to_thin_air_under_both_readings_of_the_friction() -> None:
    """The gap of the two readings is 3/17 (1 - x)^2 over the indicated share of it, as worked out on the page."""
    for dry_pa in (78e3, 86e3, 99e3):
        x = second.indicated_ratio(dry_pa, 303.15)
        gap = 1.0 / second.factor_test_share(dry_pa, 303.15) - 1.0 / second.factor_standard_share(dry_pa, 303.15)
        assert gap == pytest.approx(60.0 / 289.0 * (1.0 - x) ** 2 / (20.0 / 17.0 - 3.0 / 17.0 * x), abs=1e-12)


def test_the_page_holds_these_numbers() -> None:
    """Each comparison stands on the page with its largest difference to two digits, in one row."""
    page = PAGE.read_text(encoding="utf-8")
    rows = [
        f"| {name} | {second.as_written(value)} |" for name, value in second.largest_differences(settled).items()
    ]  # fmt: skip
    assert [row for row in rows if row not in page] == []
