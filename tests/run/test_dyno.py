"""What a dynamometer sheet leaves out, given back once: sweep, wheels, rollers, the weather, a long pull."""

from __future__ import annotations

from dataclasses import replace
from math import pi, sqrt

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from optimizer.choice.options import options_of
from optimizer.physics import air
from optimizer.run.conditions import DynoSide, air_power_factor, conditions_of, flywheel_torque, monotone_cubic
from optimizer.run.judge import Judge
from optimizer.run.model import RunModel
from optimizer.scenario.parts import CurvePoints, Tire
from tests.choice.records import make_engine, make_gearset, make_scenario

SIDE = DynoSide(efficiency=0.9, wheels_kgm2=1.6, radius_m=0.30, tire_drag_n=60.0)
FLAT = CurvePoints(rpm=(2000.0, 6000.0), torque_nm=(90.0, 90.0))
SWEEP = 300.0  # rpm/s, 10 pi rad/s2


def torque_of(**changes: object) -> float:
    """Flywheel torque of an engine whose sheet says 90 N m throughout."""
    engine = make_engine("E", curve=FLAT, inertia_kgm2=0.15, **changes)
    return float(flywheel_torque(engine, SIDE)[1][0])


def test_a_steady_pull_at_the_flywheel_is_taken_as_it_is() -> None:
    """Nothing spun up, nothing in between."""
    assert torque_of() == 90.0


def test_a_sweep_at_the_flywheel_spun_up_the_engine() -> None:
    """0.15 kg m2 at 10 pi rad/s2 took 1.5 pi N m."""
    assert torque_of(sweep_rpm_per_s=SWEEP) == pytest.approx(90.0 + 1.5 * pi)


def test_a_sweep_at_the_hubs_spun_up_the_wheels_too() -> None:
    """1.6 kg m2 of wheels at 10 pi / 4 rad/s2 take 4 pi N m at the hubs, pi N m at the engine, behind the driveline."""
    found = torque_of(measured_at="hubs", dyno_ratio=4.0, sweep_rpm_per_s=SWEEP)
    assert found == pytest.approx((90.0 + pi) / 0.9 + 1.5 * pi)


def test_rollers_took_what_the_tires_lost_on_them() -> None:
    """60 N on the flat, sqrt(1 + 0.3 / 0.1) = 2 times that on a roller of 0.2 m; 120 N x 0.3 m / 4 = 9 N m."""
    found = torque_of(measured_at="wheels", dyno_ratio=4.0, roller_diameter_m=0.2)
    assert found == pytest.approx((90.0 + 9.0) / 0.9)


def test_a_pull_at_the_wheels_in_an_unknown_ratio_is_refused() -> None:
    """The reader asks for it; a record made without it does not pass silently."""
    with pytest.raises(ValueError, match="in which ratio"):
        torque_of(measured_at="wheels")


def test_the_car_as_it_stands_was_on_the_rollers() -> None:
    """Rear drive: wheels, tires, rotors of the rear axle; tires at the car's own pressure with the rear load."""
    options = options_of(make_scenario(drive="rear"))
    model = RunModel(options)
    car, side = options.scenario.car, model._dyno_side()
    tire = next(part for part in options.parts[model.slot_on("tire", "rear")] if isinstance(part, Tire))
    bar = car.rear.tire_pressure_pa / 1e5
    at_rest = tire.rolling_coefficient * (0.005 + 0.01 / bar) / (0.005 + 0.01 / 2.5)
    turning = sum(
        slot.count * options.parts[s][0].inertia_kgm2
        for s, slot in enumerate(options.slots)
        if slot.kind in {"tire", "wheel", "rotor"} and slot.axle == "rear"
    )
    assert side.tire_drag_n == pytest.approx(at_rest * car.mass_kg * (1 - car.front_share) * air.G)
    assert side.wheels_kgm2 == pytest.approx(turning + 2 * car.rear.hub_inertia_kgm2)
    assert side.efficiency == car.driveline_efficiency


def test_what_the_sheet_left_out_makes_the_car_faster() -> None:
    """The same numbers read on rollers mean more engine than read at the flywheel, by a cube root of power or more."""
    engine = make_engine("E-stock")
    rolled = replace(engine, measured_at="wheels", dyno_ratio=4.0, sweep_rpm_per_s=SWEEP)
    speeds = []
    for each in (engine, rolled):
        options = options_of(make_scenario((each,)))
        speeds.append(Judge(RunModel(options)).speeds(options.fitted[None])[0])
    assert speeds[1] > speeds[0] * (1 / 0.93) ** (1 / 3)


def test_a_long_pull_takes_its_share_in_any_air() -> None:
    """3 % off, with air and without."""
    weather = conditions_of(make_scenario().event)[0].weather
    for breathes in (True, False):
        fresh = make_engine("E", air_breathing=breathes)
        tired = replace(fresh, long_pull_factor=0.97)
        assert air_power_factor(tired, weather) == pytest.approx(0.97 * air_power_factor(fresh, weather))
    assert air_power_factor(replace(fresh, long_pull_factor=0.97), weather) == 0.97


def test_a_gear_with_less_loss_counts_against_the_set_that_is_fitted() -> None:
    """Fitted set 97 %; the other 98 %, its third gear 99 %: the car's own 93 % moves in proportion, gear by gear."""
    fitted = make_gearset("G-stock", efficiency=0.97)
    other = make_gearset("G2", efficiency=0.98, gear_efficiency=(None, None, 0.99, None, None))
    options = options_of(make_scenario((fitted, other), car={"driveline_efficiency": 0.93}))
    model = RunModel(options)
    build = options.encode({"gearset": "G2"})
    efficiency = model.drive_rows(build[None]).efficiency[:, 0]
    assert efficiency == pytest.approx(0.93 / 0.97 * np.array([0.98, 0.98, 0.99, 0.98, 0.98]))
    assert model.drive_rows(options.fitted[None]).efficiency[:, 0] == pytest.approx(0.93)


def test_gears_shift_where_wheel_force_after_losses_is_equal() -> None:
    """Torque that falls in a line from 200 N m: 0.98 T(n) 2.0 = T(0.7 n) 1.4 x 0.93 solved by hand."""
    fall = CurvePoints(rpm=(1000.0, 7000.0), torque_nm=(200.0, 80.0))  # T = 220 - 0.02 n
    gears = make_gearset("G-stock", ratios=(2.0, 1.4), efficiency=0.98, gear_efficiency=(0.98, 0.93))
    options = options_of(make_scenario((make_engine("E-stock", curve=fall, rev_limit_rpm=7000.0), gears)))
    shift = RunModel(options).drive_rows(options.fitted[None]).shift_rpm[0, 0]
    high, low = 0.98 * 2.0, 0.93 * 1.4
    assert shift == pytest.approx(min((high - low) * 220 / (0.02 * (high - 0.7 * low)), 7000.0), abs=0.5)
    assert sqrt(shift) > 0


def test_torque_between_typed_points_is_a_monotone_cubic() -> None:
    """The same curve as scipy's own, through 1 to 9 random points with level stretches; a single point is flat."""
    rng = np.random.default_rng(3)
    for count in [2, 3, 4, 9] * 25:
        x = np.cumsum(rng.uniform(100.0, 900.0, count))
        y = np.round(rng.uniform(50.0, 200.0, count) / 25.0) * 25.0
        at = np.linspace(x[0], x[-1], 57)
        assert monotone_cubic(x, y, at) == pytest.approx(PchipInterpolator(x, y)(at), rel=1e-12)
    assert (monotone_cubic(np.array([3000.0]), np.array([140.0]), np.full(4, 3000.0)) == 140.0).all()
