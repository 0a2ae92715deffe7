"""The simulator by itself: closed forms, batches, two runs, and what must never make a car slower.

'Computed closed form' marks numbers worked out from elementary solutions of the equations of motion.
"""

from __future__ import annotations

from dataclasses import fields, replace
from math import atan, cos, log, sqrt, tan
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from optimizer.choice.options import options_of
from optimizer.run import ahead, driving, panels, simulator
from optimizer.run.inputs import RunInputs, TorqueTable
from optimizer.run.judge import Judge
from optimizer.run.model import RunModel
from optimizer.run.panels import LIMITS, Passing
from optimizer.run.simulator import Run, simulate, simulate_each_gear
from optimizer.scenario.event import Scoring, Weather
from tests.choice.records import make_engine, make_final_drive, make_gearset, make_scenario, make_tire
from tests.run.independent_run import OneCar
from tests.run.random_cars import random_car_and_day

RADIUS_M = 0.3
G = 9.80665
MPH = 0.44704


def ideal_car(torque: TorqueTable, **changes: Any) -> RunInputs:
    """One car with nothing that turns, rolls or slips, and one gear of 4.0 that is never left."""
    one, zero = np.ones(1), np.zeros(1)
    values: dict[str, Any] = {
        "translating_kg": 945.0 * one, "wheel_side_kg": zero, "shaft_kgm2": zero, "engine_kgm2": zero,
        "front_grip_n": 1e7 * one, "rear_grip_n": 1e7 * one, "front_mu": one, "rear_mu": one,
        "slip_at_slide": 1e-12 * one, "transfer": zero, "rolling_n": zero, "rolling_nv2": zero,
        "lift_rolling_m2": zero, "lift_rolling_v2": zero, "drag_area_m2": 0.6 * one, "front_lift_m2": zero,
        "rear_lift_m2": zero, "radius_m": RADIUS_M * one, "growth": zero, "overall": np.full((1, 1), 4.0),
        "final_ratio": one, "engine": np.zeros(1, dtype=np.int64), "torque_scale": one, "rev_limit_rpm": 1e4 * one,
        "launch_rpm": 1000.0 * one, "shift_rpm": np.full((1, 1), 1e4), "cap_ms": np.inf * one,
        "surface_cap_ms": np.inf * one, "torque_table": torque, "air_density": 1.081, "headwind_ms": 0.0,
        "crosswind_ms": 0.0, "drag_rise_at_yaw": 0.0, "start_speed_ms": 10.0, "shift_time_s": 0.5,
        "grip_use_limit": 0.9,
    }  # fmt: skip
    every = values | changes
    return RunInputs(**({"efficiency": np.ones_like(every["overall"])} | every))


def constant_power(watt: float) -> TorqueTable:
    """Torque P / omega from 500 rpm up; linear between whole rpm is exact to 1e-6 there."""
    rpm = np.maximum(np.arange(0.0, 12_000.0), 500.0)
    return TorqueTable((watt / (rpm * np.pi / 30.0))[None], 1.0)


def constant_torque(newton_meter: float) -> TorqueTable:
    return TorqueTable(np.full((1, 3), newton_meter), 5000.0)


# --- closed forms -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start", "end", "distance", "seconds"),
    [(10.0, 40.0, 514.62054, 17.629282), (20.0, 50.0, 1565.19328, 38.493831)],
)
def test_constant_power_against_quadratic_drag(
    start: float, end: float, distance: float, seconds: float
) -> None:
    """945 kg, 50 kW, 0.3243 u^2: x = m / (3 c) ln((vt^3 - v1^3) / (vt^3 - v2^3)); computed closed form."""
    car = ideal_car(constant_power(50e3), start_speed_ms=start)
    run = simulate(car, (100.0, distance), "exit")
    assert run.score_ms[0] == pytest.approx(end, abs=1e-3)
    assert run.passing.time[1, 0] == pytest.approx(seconds, abs=2e-3)


def test_mean_between_boards_is_distance_over_time() -> None:
    """Boards where constant power from 20 m/s passes 30 and 45 m/s: computed closed form, and trapezoids."""
    top_cubed = 50e3 / 0.3243

    def distance(to: float) -> float:
        return 945.0 / (3 * 0.3243) * log((top_cubed - 8000.0) / (top_cubed - to**3))

    marks = (distance(30.0), distance(45.0))
    run = simulate(ideal_car(constant_power(50e3), start_speed_ms=20.0), marks, "mean")
    time = np.diff(run.passing.time[:, 0])[0]
    assert run.passing.speed[:, 0] == pytest.approx([30.0, 45.0], abs=3e-3)
    assert run.score_ms[0] == pytest.approx((marks[1] - marks[0]) / time, rel=1e-12)
    speeds = np.linspace(30.0, 45.0, 20_001)
    exact = np.trapezoid(945.0 * speeds / (50e3 - 0.3243 * speeds**3), speeds)
    assert time == pytest.approx(exact, abs=2e-3)


@pytest.mark.parametrize(("density", "top"), [(1.225, 49.099428), (1.081, 51.086009), (0.98, 52.697011)])
def test_top_speed_is_the_root_of_the_cubic(density: float, top: float) -> None:
    """50 kW at the wheels, 900 kg, rolling 0.015, 0.6 m2: computed closed form."""
    car = ideal_car(
        constant_power(50e3), translating_kg=np.array([900.0]), rolling_n=np.array([0.015 * 900.0 * G]),
        air_density=density, start_speed_ms=30.0,
    )  # fmt: skip
    run = simulate(car, (5_000.0, 60_000.0), "exit")
    assert run.final_ms[0] == pytest.approx(top, abs=2e-3)
    assert run.score_ms[0] == pytest.approx(top, abs=2e-3)
    assert LIMITS[run.passing.limit[1, 0]] == "power"


def test_constant_thrust_from_rest() -> None:
    """1000 kg, 3000 N, 0.4 u^2: after 10 s 28.854932 m/s and 147.092634 m; computed closed form."""
    car = ideal_car(
        constant_torque(3000.0 * RADIUS_M / 4.0), translating_kg=np.array([1000.0]),
        drag_area_m2=np.array([0.8]), air_density=1.0, start_speed_ms=0.0,
    )  # fmt: skip
    run = simulate(car, (50.0, 147.092634), "exit")
    assert run.score_ms[0] == pytest.approx(28.854932, abs=1e-4)
    assert run.passing.time[1, 0] == pytest.approx(10.0, abs=1e-4)


def test_two_gears_and_the_coast_between_them() -> None:
    """Constant thrust, a pause coasting against A + c u^2, constant thrust again: computed closed form.

    Coasting: u = sqrt(A / c) tan(atan(u0 sqrt(c / A)) - sqrt(A c) t / m), x = m / c ln(cos(..) / cos(..)).
    """
    mass, rolling, c, thrust, pause = 1000.0, 150.0, 0.4, (3000.0, 1500.0), 0.8
    shift_speed, board_speed = 24.0, 45.0
    car = ideal_car(
        constant_torque(225.0), translating_kg=np.array([mass]), rolling_n=np.array([rolling]),
        drag_area_m2=np.array([2 * c]), air_density=1.0, start_speed_ms=0.0, shift_time_s=pause,
        overall=np.array([[4.0], [2.0]]), shift_rpm=np.array([[shift_speed * 4 / RADIUS_M * 30 / np.pi],
        [1e4]]),
        rev_limit_rpm=np.array([50.0 * 2 / RADIUS_M * 30 / np.pi]),
    )  # fmt: skip

    def pull(force: float, low: float, high: float) -> tuple[float, float]:
        """Distance and time from one speed to another under ``force - rolling - c u^2``."""
        net = force - rolling
        top = sqrt(net / c)
        distance = mass / (2 * c) * log((top**2 - low**2) / (top**2 - high**2))
        return distance, mass / (c * top) * (np.arctanh(high / top) - np.arctanh(low / top))

    angle = atan(shift_speed * sqrt(c / rolling))
    later = angle - sqrt(rolling * c) * pause / mass
    after = sqrt(rolling / c) * tan(later)
    legs = [
        pull(thrust[0], 0.0, shift_speed),
        (mass / c * log(cos(later) / cos(angle)), pause),
        pull(thrust[1], after, board_speed),
    ]
    distance, time = (sum(leg[i] for leg in legs) for i in (0, 1))
    run = simulate(car, (100.0, distance), "exit")
    assert run.passing.gear[1, 0] == 1
    assert run.score_ms[0] == pytest.approx(board_speed, abs=1e-3)
    assert run.passing.time[1, 0] == pytest.approx(time, abs=1e-3)


def test_grip_limits_thrust() -> None:
    """Grip of 2000 N, 90 % of it used, whatever the engine has: u^2 = 2 x F / m; computed closed form."""
    car = ideal_car(
        constant_torque(5000.0), translating_kg=np.array([900.0]), front_grip_n=np.array([2000.0]),
        rear_grip_n=np.zeros(1), drag_area_m2=np.array([1e-9]), slip_at_slide=np.array([0.1]),
        start_speed_ms=0.0,
    )  # fmt: skip
    run = simulate(car, (50.0, 250.0), "trap")
    assert run.passing.speed[:, 0] == pytest.approx([sqrt(2 * 50.0 * 2.0), sqrt(2 * 250.0 * 2.0)], abs=1e-3)
    assert run.passing.use[:, 0] == pytest.approx([0.9, 0.9], abs=1e-9)
    assert [LIMITS[each] for each in run.passing.limit[:, 0]] == ["grip", "grip"]
    slip = run.passing.surface[0, 0] / run.passing.speed[0, 0] - 1
    bent = 0.1 / 1.1 * (1 - 0.1 ** (1 / 3))
    assert slip == pytest.approx(bent / (1 - bent), abs=1e-4)


def test_turning_mass_slows_by_its_share() -> None:
    """No drag, no slip: u^2 = 2 x F / (M + J); computed closed form. The engine's inertia counts."""
    ratio, final, thrust = 8.0, 4.0, 3000.0
    car = ideal_car(
        constant_torque(thrust * RADIUS_M / ratio), translating_kg=np.array([900.0]),
        wheel_side_kg=np.array([40.0]),
        shaft_kgm2=np.array([0.02]), engine_kgm2=np.array([0.15]), overall=np.full((1, 1), ratio),
        final_ratio=np.array([final]), drag_area_m2=np.array([1e-9]), start_speed_ms=10.0,
    )  # fmt: skip
    turning = 40.0 + 0.02 * (final / RADIUS_M) ** 2 + 0.15 * (ratio / RADIUS_M) ** 2
    run = simulate(car, (50.0, 150.0), "exit")
    assert run.score_ms[0] == pytest.approx(sqrt(100.0 + 2 * 150.0 * thrust / (900.0 + turning)), abs=1e-3)


def test_cap_and_limiter_hold_a_steady_speed() -> None:
    free, marks = ideal_car(constant_power(50e3)), (1000.0, 2000.0)
    rpm = 35.0 * 4 / RADIUS_M * 30 / np.pi
    capped = simulate(replace(free, cap_ms=np.array([35.0])), marks, "mean")
    limited = simulate(replace(free, rev_limit_rpm=np.array([rpm])), marks, "mean")
    rated = simulate(replace(free, surface_cap_ms=np.array([35.0])), marks, "mean")
    for run, name in ((capped, "speed cap"), (limited, "revs"), (rated, "speed cap")):
        assert run.score_ms[0] == pytest.approx(35.0, abs=1e-9)
        assert LIMITS[run.passing.limit[1, 0]] == name


def test_the_limiter_holds_the_wheels_and_slip_takes_its_part() -> None:
    """Thrust equals drag at ``c = u (1 + s)``: with s of 5 % slide slip, solved here by bisection."""
    grip, slide = 3000.0, 0.05
    car = ideal_car(
        constant_power(80e3), front_grip_n=np.array([grip]), rear_grip_n=np.zeros(1),
        slip_at_slide=np.array([slide]), surface_cap_ms=np.array([45.0]),
    )  # fmt: skip
    low, high = 40.0, 45.0
    for _ in range(60):
        middle = (low + high) / 2
        bent = slide / (1 + slide) * (1 - (1 - 0.3243 * middle**2 / grip) ** (1 / 3))
        low, high = (low, middle) if middle / (1 - bent) > 45.0 else (middle, high)
    run = simulate(car, (3000.0, 4000.0), "exit")
    assert run.score_ms[0] == pytest.approx(low, abs=1e-6)
    assert run.passing.surface[1, 0] == pytest.approx(45.0, abs=1e-9)


def test_speed_does_not_jump_where_the_limiter_comes_in() -> None:
    """The board lies just before and just after the limiter: slip dies away over a distance, not at once."""
    car = ideal_car(
        constant_torque(700.0), front_grip_n=np.array([6000.0]), rear_grip_n=np.zeros(1),
        slip_at_slide=np.array([0.2]), surface_cap_ms=np.array([40.0]),
    )  # fmt: skip
    at = np.linspace(100.0, 1500.0, 2801)
    speeds = np.array([simulate(car, (mark, 5000.0), "trap").score_ms[0] for mark in at[::20]])
    limited = simulate(car, (4000.0, 5000.0), "trap").score_ms[0]
    gain = np.diff(speeds)
    assert speeds[0] < 0.9 * limited < limited - 0.5 < limited, "slip at full throttle is worth more than 0.5 m/s"
    assert (gain >= -1e-9).all()
    assert gain.max() == pytest.approx(gain[0], abs=1e-6), "the gain over 10 m falls from the start"
    assert speeds[-1] == pytest.approx(limited, abs=1e-3)


def test_gears_tried_one_by_one_and_all_together() -> None:
    """The best of every last gear is the run in the best gear; a gear not used lacks something or comes late."""
    judge, inputs = many_builds()
    marks, measure = judge.marks_m, judge.event.scoring.measure
    score, _ = simulate_each_gear(inputs, marks, measure, 0.0)
    np.testing.assert_allclose(judge.run_of(inputs).score_ms, score.max(axis=0), rtol=2 * simulator.ROUNDING)
    for gear in range(len(score)):
        forced = judge.run_of(inputs, np.full(len(inputs), gear))
        assert np.array_equal(forced.score_ms, score[gear])
        assert (forced.lack[score[gear] > 0] == 0).all()


def test_cars_in_gears_of_their_own_are_as_those_in_one_gear() -> None:
    _, inputs = many_builds()
    numbers = np.arange(len(inputs)) % len(inputs.overall)
    mixed, speeds = driving.Gear(inputs, numbers), np.linspace(5.0, 60.0, len(inputs))
    assert mixed.number == -1
    for number in range(len(inputs.overall)):
        rows = np.flatnonzero(numbers == number)
        some, one = mixed.take(rows), driving.Gear(inputs.take(rows), number)
        assert (some.numbers == one.numbers).all()
        for name in ("exists", "shift_surface", "limit_surface", "turning_kg"):
            assert np.array_equal(getattr(some, name), getattr(one, name)), name
        for mine, other in zip(some.push(speeds[rows][None]), one.push(speeds[rows][None]), strict=True):
            assert np.array_equal(mine, other)
        for mine, other in zip(some.at(speeds[rows]), one.at(speeds[rows]), strict=True):
            assert np.array_equal(mine, other)


def test_what_a_car_lacks_for_a_gear_it_will_not_pull() -> None:
    """First gear at 5,000 rpm is 39.3 m/s; second gives 500 N there, less 600 N of rolling and the drag."""
    car = ideal_car(
        constant_torque(150.0), overall=np.array([[4.0], [1.0]]), rolling_n=np.array([600.0]),
        rev_limit_rpm=np.array([5000.0]), shift_rpm=np.full((2, 1), 5000.0), start_speed_ms=0.0,
    )  # fmt: skip
    run = simulate(car, (2000.0, 3000.0), "mean", np.array([1]))
    speed = 5000.0 * np.pi / 30 * RADIUS_M / 4.0
    net = 150.0 / RADIUS_M - 600.0 - 0.3243 * speed**2
    assert run.score_ms[0] == 0
    assert run.lack[0] == pytest.approx(net / 945.0, rel=0.03), "the pause has cost a little speed"


def test_a_cap_below_what_the_limiter_holds_is_kept() -> None:
    """At full throttle the wheels reach the limiter first; at less throttle the car would pass its cap."""
    car = ideal_car(
        constant_torque(600.0), front_grip_n=np.array([9000.0]), rear_grip_n=np.zeros(1),
        slip_at_slide=np.array([0.2]), surface_cap_ms=np.array([40.0]), cap_ms=np.array([39.0]),
    )  # fmt: skip
    free = simulate(replace(car, cap_ms=np.array([np.inf])), (3000.0, 4000.0), "exit")
    assert free.score_ms[0] > 39.2, "the limiter alone would hold more than the cap"
    run = simulate(car, (3000.0, 4000.0), "exit")
    assert run.passing.speed[:, 0] == pytest.approx([39.0, 39.0], abs=1e-9)


def test_a_gear_that_the_car_will_not_pull_is_left_alone() -> None:
    """A second gear so tall that it slows the car: first is held to the limiter."""
    car = ideal_car(
        constant_torque(150.0), overall=np.array([[4.0], [1.0]]), rolling_n=np.array([600.0]),
        rev_limit_rpm=np.array([5000.0]), shift_rpm=np.full((2, 1), 5000.0), start_speed_ms=0.0,
    )  # fmt: skip
    run = simulate(car, (2000.0, 3000.0), "mean")
    assert run.passing.gear[:, 0].tolist() == [0, 0]
    assert run.score_ms[0] == pytest.approx(5000.0 * np.pi / 30 * RADIUS_M / 4.0, abs=1e-9)


def test_pushed_past_the_lower_gears() -> None:
    """Pushed to 40 m/s, beyond the rev limit in first and second: there is no torque, third takes over."""
    rpm = np.arange(0.0, 20_000.0, 10.0)
    car = ideal_car(
        TorqueTable(np.where(rpm < 5000.0, 200.0, 5.0)[None], 10.0), overall=np.array([[8.0], [6.0], [2.5]]),
        rev_limit_rpm=np.array([4900.0]), shift_rpm=np.full((3, 1), 4900.0), start_speed_ms=40.0,
    )  # fmt: skip
    run = simulate(car, (100.0, 500.0), "exit")
    assert run.passing.gear[:, 0].tolist() == [2, 2]
    net = 200.0 * 2.5 / RADIUS_M
    top_squared = net / 0.3243
    exact = sqrt(top_squared - (top_squared - 1600.0) * np.exp(-2 * 0.3243 * 500.0 / 945.0))
    assert run.score_ms[0] == pytest.approx(exact, abs=2e-3)


def test_a_car_that_cannot_move_scores_nothing() -> None:
    car = ideal_car(constant_torque(10.0), rolling_n=np.array([500.0]), start_speed_ms=0.0)
    assert simulate(car, (1000.0, 2000.0), "mean").score_ms[0] == 0.0


def test_a_tire_that_grows_lets_the_limiter_hold_more_speed() -> None:
    """35 m/s at walking-pace roll-out; grown by g (c / 44.704)^2 the surface speed is the root of c = 35 (1 + ...)."""
    rpm = 35.0 * 4 / RADIUS_M * 30 / np.pi
    car = ideal_car(constant_power(60e3), rev_limit_rpm=np.array([rpm]), growth=np.array([0.02]))
    run = simulate(car, (3000.0, 4000.0), "exit")
    speed = 35.0
    for _ in range(50):
        speed = 35.0 * (1 + 0.02 * (speed / 44.704) ** 2)
    assert LIMITS[run.passing.limit[1, 0]] == "revs"
    assert run.score_ms[0] == pytest.approx(speed, rel=1e-9)


def test_a_tire_that_grows_gears_the_car_up() -> None:
    """Constant torque: thrust is T N / (r (1 + g (c / 44.704)^2)) and equals drag where the car settles."""
    car = ideal_car(constant_torque(60.0), growth=np.array([0.02]))
    run = simulate(car, (8e4, 9e4), "exit")
    speed = run.score_ms[0]
    assert 0.3243 * speed**2 == pytest.approx(60.0 * 4 / RADIUS_M / (1 + 0.02 * (speed / 44.704) ** 2), rel=1e-6)


def test_a_crosswind_adds_its_drag_at_yaw() -> None:
    """Constant thrust of 400 N against 0.3243 (v^2 + (1 + k) c^2), k = rise / sin^2 10 degrees."""
    car = ideal_car(
        constant_torque(400.0 * RADIUS_M / 4), crosswind_ms=5.0, drag_rise_at_yaw=0.1,
    )  # fmt: skip
    run = simulate(car, (8e4, 9e4), "exit")
    k = 0.1 / np.sin(np.radians(10.0)) ** 2
    assert run.score_ms[0] == pytest.approx(sqrt(400.0 / 0.3243 - (1 + k) * 25.0), rel=1e-6)


def test_each_gear_has_its_own_efficiency() -> None:
    """Second gear of the same ratio, but with less loss, settles at the square root of its share more speed."""
    both = ideal_car(
        constant_torque(60.0), overall=np.array([[4.1], [4.0]]), efficiency=np.array([[0.9], [0.95]]),
        shift_rpm=np.array([[3000.0], [1e4]]),
    )  # fmt: skip
    run = simulate(both, (8e4, 9e4), "exit")
    assert run.passing.gear[1, 0] == 1
    assert run.score_ms[0] == pytest.approx(sqrt(0.95 * 60.0 * 4.0 / RADIUS_M / 0.3243), rel=1e-6)


# --- batches ------------------------------------------------------------------------------------------------


def many_builds() -> tuple[Judge, RunInputs]:
    """1000 random builds of one scenario with engines, gearsets, final drives, tires; caps on some."""
    parts = [
        *(make_final_drive(f"F{i}", ratio=2.8 + 0.17 * i) for i in range(14)),
        make_gearset("G4", ratios=(3.2, 1.8, 1.2, 0.9)),
        make_gearset("G6", ratios=(3.6, 2.4, 1.75, 1.35, 1.05, 0.82)),
        make_engine("E2", inertia_kgm2=0.2, rev_limit_rpm=6400.0),
        *(make_tire(f"T{i}", circumference_m=1.65 + 0.05 * i) for i in range(6)),
    ]
    options = options_of(make_scenario(parts, drive="rear"))
    judge = Judge(RunModel(options))
    rng = np.random.default_rng(7)
    builds = np.stack([rng.integers(0, size, 1000) for size in options.sizes], axis=1)
    inputs = judge.model.inputs(builds, judge.conditions[0])
    some = rng.random(1000)
    return judge, replace(
        inputs,
        cap_ms=np.where(some < 0.2, rng.uniform(30.0, 50.0, 1000), np.inf),
        surface_cap_ms=np.where(some > 0.8, rng.uniform(30.0, 50.0, 1000), np.inf),
        front_mu=inputs.front_mu * rng.uniform(0.3, 1.0, 1000),
        rear_mu=inputs.rear_mu * rng.uniform(0.3, 1.0, 1000),
    )


def assert_same(one: Run, other: Run, rows: slice | np.ndarray = slice(None)) -> None:
    """Equal to the last bit, NaN included."""
    assert np.array_equal(one.score_ms, other.score_ms[rows])
    assert np.array_equal(one.final_ms, other.final_ms[rows])
    for each in fields(Passing):
        mine, theirs = getattr(one.passing, each.name), getattr(other.passing, each.name)[:, rows]
        assert np.array_equal(mine, theirs, equal_nan=mine.dtype.kind == "f"), each.name


def test_results_do_not_depend_on_the_batch() -> None:
    judge, inputs = many_builds()
    whole = judge.run_of(inputs)
    assert len(np.unique(whole.score_ms)) > 600
    for row in range(0, 1000, 13):
        assert_same(judge.run_of(inputs.take(slice(row, row + 1))), whole, slice(row, row + 1))
    for row in range(0, 1000, 49):
        assert_same(judge.run_of(inputs.take(slice(row, row + 7))), whole, slice(row, row + 7))
    mixed = np.random.default_rng(1).permutation(1000)
    assert_same(judge.run_of(inputs.take(mixed)), whole, mixed)


def test_results_do_not_depend_on_how_a_batch_is_cut_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Chunks of cars, and blocks of points within them, are for the processor's cache alone."""
    judge, inputs = many_builds()
    whole = judge.run_of(inputs)
    monkeypatch.setattr(simulator, "CHUNK", 301)
    for module in (driving, panels):
        monkeypatch.setattr(module, "BLOCK", 999)
    assert_same(judge.run_of(inputs), whole)


# --- points -------------------------------------------------------------------------------------------------


def test_a_way_to_the_last_board_that_was_misjudged_is_driven_to_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Points laid out for a third of the way only: cars drive on from there, and score the same."""
    judge, inputs = many_builds()
    whole = judge.run_of(inputs)
    monkeypatch.setattr(ahead, "ROOM", 0.33)
    short = judge.run_of(inputs)
    assert (short.score_ms != whole.score_ms).mean() > 0.3, "most cars are driven in two stretches now"
    assert short.score_ms == pytest.approx(whole.score_ms, abs=QUADRATURE_MS)
    assert np.array_equal(short.passing.limit, whole.passing.limit)
    assert np.array_equal(short.passing.gear, whole.passing.gear)


@pytest.mark.parametrize("seed", range(12))
def test_full_throttle_is_what_the_judge_solves_for(seed: int) -> None:
    """Wheel speed and acceleration at the ground speed found, by root-finding for slip, in all gears."""
    inputs, _, _ = random_car_and_day(np.random.default_rng(seed), ("front", "rear", "all")[seed % 3])
    car = OneCar(inputs)
    for number in range(len(car.ratios)):
        gear = driving.Gear(inputs, number)
        surface = np.linspace(0.3, 1.0, 9)[:, None] * gear.limit_surface
        rough = gear.push(surface)
        push = gear.push(surface, rough.share * 1.002)
        for row, speed in enumerate(push.speed[:, 0]):
            acceleration, slip, lifts = car.full_throttle(float(speed), number, clutch=False)
            assert lifts == (push.spare[row, 0] < 0)
            assert rough.speed[row, 0] == pytest.approx(speed, abs=2e-4)
            assert push.acceleration[row, 0] == pytest.approx(acceleration, abs=1e-6)
            assert surface[row, 0] == pytest.approx(speed * (1.0 + slip), abs=1e-6)
            back, pull = gear.taken_up(push.speed[row])
            assert back[0] == pytest.approx(surface[row, 0], abs=1e-6)
            assert pull[0] == pytest.approx(acceleration, abs=1e-6)


# --- two runs -----------------------------------------------------------------------------------------------

BREEZE = Weather(pressure_pa=87e3, temperature_k=298.15, humidity=0.25, wind_ms=4.0, wind_from_deg=0.0)
COOLER = replace(BREEZE, temperature_k=285.0, wind_ms=1.0)


def judge_of(**event: Any) -> Judge:
    return Judge(RunModel(options_of(make_scenario(event=event))))


def test_two_runs_the_opposite_way_have_opposite_winds() -> None:
    judge = judge_of(weather=(BREEZE,), scoring=Scoring(runs=2, second_run="opposite"))
    assert [each.headwind_ms for each in judge.conditions] == pytest.approx([4.0, -4.0])
    builds = judge.options.fitted[None]
    into, along = judge.runs(builds)
    calm = judge_of(weather=(replace(BREEZE, wind_ms=0.0),)).speeds(builds)[0]
    assert into.score_ms[0] < calm < along.score_ms[0]
    assert judge.speeds(builds)[0] == pytest.approx((into.score_ms[0] + along.score_ms[0]) / 2, rel=1e-14)
    assert judge.speeds(builds)[0] < calm + 0.1, "wind costs more than it gives"


def test_two_runs_joined_by_the_mean_of_times() -> None:
    scoring = Scoring(runs=2, second_run="opposite", mean_of="times")
    judge = judge_of(weather=(BREEZE, COOLER), scoring=scoring)
    builds = judge.options.fitted[None]
    first, second = judge.runs(builds)
    mile = 1609.344
    mean_time = (mile / first.score_ms[0] + mile / second.score_ms[0]) / 2
    assert judge.speeds(builds)[0] == pytest.approx(mile / mean_time, rel=1e-12)
    assert judge.conditions[1].weather == COOLER


def test_two_runs_that_cannot_differ_are_run_once() -> None:
    judge = judge_of(weather=(BREEZE,), scoring=Scoring(runs=2, second_run="same"))
    builds = judge.options.fitted[None]
    assert len(judge.runs(builds)) == 1
    assert judge.speeds(builds)[0] == judge_of(weather=(BREEZE,)).speeds(builds)[0]


def test_a_run_that_fails_spoils_the_mean_of_times() -> None:
    """40 and 50 m/s: mean of speeds 45, of times 44.44; with one run that gets nowhere 25 and nothing."""
    passing = Passing.empty(2, 2)
    runs = (
        Run(np.array([40.0, 0.0]), passing, np.zeros((2, 2)), np.zeros(2), np.zeros(2)),
        Run(np.array([50.0, 50.0]), passing, np.zeros((2, 2)), np.zeros(2), np.zeros(2)),
    )
    speeds = judge_of(scoring=Scoring(runs=2)).joined(runs)
    times = judge_of(scoring=Scoring(runs=2, mean_of="times")).joined(runs)
    assert speeds.tolist() == [45.0, 25.0]
    assert times == pytest.approx([400.0 / 9.0, 0.0], rel=1e-12)


# --- what must never make a car slower ----------------------------------------------------------------------

STRICT_MS = 1e-6
SETTLED_MS = 2e-5
"""A car that has all but stopped accelerating is held a little below the speed it would settle at."""
QUADRATURE_MS = 0.002 * MPH
"""Where grip limits for a while, or a cap moves the points of the quadrature: its accuracy there."""
FACTOR = st.floats(1e-4, 0.3)
SEED = st.integers(0, 20_000)
MEASURES = ("mean", "trap", "exit")
checked = settings(
    max_examples=50, derandomize=True, deadline=None, suppress_health_check=[HealthCheck.filter_too_much]
)


def car_of(seed: int) -> tuple[RunInputs, tuple[float, float], Any]:
    """A random car; a tailwind faster than the car would push it, so there is none."""
    inputs, marks, _ = random_car_and_day(np.random.default_rng(seed), ("front", "rear", "all")[seed % 3])
    return replace(inputs, headwind_ms=abs(inputs.headwind_ms)), marks, MEASURES[seed // 3 % 3]


def assert_never_slower(
    better: RunInputs, worse: RunInputs, marks: tuple[float, float], measure: Any
) -> None:
    """The better car is not slower, up to what the quadrature of these two can tell."""
    ahead, behind = simulate(better, marks, measure), simulate(worse, marks, measure)
    assume(behind.score_ms[0] > 0)
    grip_to_spare = all(
        simulate(replace(car, grip_use_limit=0.9999), marks, measure).score_ms[0] == run.score_ms[0]
        for car, run in ((better, ahead), (worse, behind))
    )
    settled = "power" in {LIMITS[each] for run in (ahead, behind) for each in run.passing.limit[:, 0]}
    limit = (SETTLED_MS if settled else STRICT_MS) if grip_to_spare else QUADRATURE_MS
    assert ahead.score_ms[0] >= behind.score_ms[0] - limit


@checked
@given(SEED, FACTOR)
@example(1131, 0.2)
@example(3, 0.1)
@example(2115, 0.25)
@example(21195, 0.25)
def test_more_power_is_never_slower(seed: int, share: float) -> None:
    inputs, marks, measure = car_of(seed)
    better = replace(inputs, torque_scale=inputs.torque_scale * (1 + share))
    assert_never_slower(better, inputs, marks, measure)


@checked
@given(SEED, FACTOR)
@example(162, 0.01)
def test_less_drag_is_never_slower(seed: int, share: float) -> None:
    inputs, marks, measure = car_of(seed)
    better = replace(inputs, drag_area_m2=inputs.drag_area_m2 * (1 - share))
    assert_never_slower(better, inputs, marks, measure)


@checked
@given(SEED, FACTOR)
@example(162, 0.01)
def test_less_rolling_is_never_slower(seed: int, share: float) -> None:
    inputs, marks, measure = car_of(seed)
    better = replace(inputs, rolling_n=inputs.rolling_n * (1 - share))
    assert_never_slower(better, inputs, marks, measure)


@checked
@given(SEED, FACTOR)
@example(1118, 0.2)
@example(21071, 0.05)
def test_less_mass_with_the_same_loads_is_never_slower(seed: int, share: float) -> None:
    inputs, marks, measure = car_of(seed)
    better = replace(inputs, translating_kg=inputs.translating_kg * (1 - share))
    assert_never_slower(better, inputs, marks, measure)


@checked
@given(SEED, FACTOR, st.floats(0.5, 1.1))
@example(1311, 0.03, 0.85)
@example(1341, 0.2, 0.85)
@example(1422, 0.03, 0.95)
def test_a_lower_cap_is_never_faster(seed: int, share: float, where: float) -> None:
    """Caps below the speed at which the clutch bites are not claimed (docs/method.md, section 1)."""
    inputs, marks, measure = car_of(seed)
    cap = where * float(np.nan_to_num(simulate(inputs, marks, measure).passing.speed).max())
    assume(cap * (1 - share) > max(inputs.start_speed_ms, float(driving.Gear(inputs, 0).launch_surface[0])))
    high, low = (replace(inputs, cap_ms=np.array([each])) for each in (cap, cap * (1 - share)))
    fast, slow = simulate(high, marks, measure), simulate(low, marks, measure)
    assert fast.score_ms[0] >= slow.score_ms[0] - QUADRATURE_MS
    for run, most in ((fast, cap), (slow, cap * (1 - share))):
        assert not run.passing.speed[:, 0].max() > most + STRICT_MS


def test_a_tailwind_faster_than_the_car_pushes_it() -> None:
    """The one case in which more drag helps, and it does in the world too."""
    car = ideal_car(constant_torque(20.0), headwind_ms=-30.0, start_speed_ms=0.0)
    small, large = (
        simulate(replace(car, drag_area_m2=np.array([area])), (100.0, 200.0), "trap").score_ms[0]
        for area in (0.5, 0.7)
    )
    assert large > small


def test_no_cars_are_no_trouble() -> None:
    """An empty batch gives empty results."""
    run = simulate(ideal_car(constant_power(50e3)).take(slice(0, 0)), (1000.0, 2000.0), "mean")
    assert run.score_ms.shape == (0,)
    assert run.passing.speed.shape == (2, 0)
