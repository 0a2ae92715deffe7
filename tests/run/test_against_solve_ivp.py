"""The simulator against an ordinary solver of differential equations, on 1,000 random builds.

The judge (`independent_run`) integrates over time with a tolerance of 1e-10 and goes by the model in words;
its torque goes through the typed points, not through the simulator's table.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from optimizer.choice.options import options_of
from optimizer.run.conditions import DynoSide, torque_table
from optimizer.run.judge import Judge
from optimizer.run.model import RunModel
from optimizer.run.panels import LIMITS
from optimizer.run.simulator import Run, simulate
from tests.choice.records import CURVE, make_engine, make_scenario
from tests.run import independent_run as judge
from tests.run.independent_run import OneCar, independent_run, pchip_torque, table_torque
from tests.run.random_cars import Case, random_car_and_day, random_case, random_curve

CASES = 1000
MPH = 0.44704
SPEED_MS = 0.005 * MPH
TIME_S = 0.05
GEARS_DIFFER_MS = 0.01 * MPH

Pair = tuple[Case, Run]
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def pairs() -> list[Pair]:
    found = []
    for seed in range(CASES):
        case = random_case(seed)
        if not left_out(case):
            found.append((case, simulate(case.inputs, case.marks, case.measure)))
    assert len(found) > 0.98 * CASES
    return found


def left_out(case: Case) -> bool:
    """What the simulator does not claim to know: a push faster than the car can hold, a cap below its launch speed."""
    car = case.inputs
    launch = OneCar(car, case.torque).surface(car.launch_rpm[0], 0)
    return 0 < case.truth.score_ms < car.start_speed_ms or car.cap_ms[0] < 1.2 * launch


def arriving(pairs: list[Pair]) -> list[Pair]:
    """Cars that pass the last board, by the judge, and by the simulator in a gear in which they can."""
    return [
        (case, run) for case, run in pairs if case.truth.ends and case.truth.ends[gear_of(run)] is not None
    ]


def gear_of(run: Run) -> int:
    return int(run.passing.gear[1, 0])


def boards(case: Case, run: Run) -> tuple[tuple[float, float], ...]:
    """Time and speed at the boards by the judge, in the simulator's last gear: it may choose among equals."""
    end = case.truth.ends[gear_of(run)]
    assert end is not None
    return end.passed


def test_every_kind_of_run_is_among_the_cases(pairs: list[Pair]) -> None:
    kinds = Counter(kind for case, _ in pairs for kind in case.kinds)
    for kind, least in {
        "front": 60, "rear": 60, "all": 60, "mean": 60, "trap": 60, "exit": 60,
        "4 gears": 40, "5 gears": 40, "6 gears": 40, "clutch start": 60, "pushed start": 60,
        "calm": 50, "headwind": 40, "tailwind": 40, "lift": 40, "downforce": 60, "soft salt": 50,
        "firm salt": 50,
        "short run-up": 60, "long run-up": 60, "grip limited at the last board": 15, "grip to spare": 100,
        "cap before the mile": 20, "cap in the mile": 20, "limiter at the tire's rating": 20,
        "limiter at the rev limit": 20, "still free at the last board": 50,
        "top gear": 40, "stays below top gear": 60, "top gear slower": 20,
    }.items():  # fmt: skip
        assert kinds[kind] >= least, (kind, kinds[kind])


def test_score(pairs: list[Pair]) -> None:
    faults = {
        case.seed: (run.score_ms[0] - case.truth.score_ms) / MPH
        for case, run in pairs
        if not abs(run.score_ms[0] - case.truth.score_ms) <= SPEED_MS
    }
    assert not faults, f"mph too fast, by seed: {faults}"


def test_exit_speed(pairs: list[Pair]) -> None:
    faults = {}
    for case, run in arriving(pairs):
        miss = run.passing.speed[1, 0] - boards(case, run)[1][1]
        if not abs(miss) <= SPEED_MS:
            faults[case.seed] = miss / MPH
    assert not faults, f"mph too fast, by seed: {faults}"


def test_time_to_the_last_board(pairs: list[Pair]) -> None:
    faults = {}
    for case, run in arriving(pairs):
        miss = run.passing.time[1, 0] - boards(case, run)[1][0]
        if not abs(miss) <= TIME_S:
            faults[case.seed] = miss
    assert not faults, f"seconds too late, by seed: {faults}"


def test_typical_error_is_far_below_the_limit(pairs: list[Pair]) -> None:
    """Nineteen cars in twenty agree to 0.002 mph: the rest are short of grip part of the way."""
    miss = [abs(run.score_ms[0] - case.truth.score_ms) / MPH for case, run in pairs]
    assert np.quantile(miss, 0.95) < 0.002
    assert np.median(miss) < 0.0002


def test_the_same_last_gear_wherever_gears_differ(pairs: list[Pair]) -> None:
    faults = {}
    for case, run in pairs:
        if case.truth.score_ms == 0:
            continue
        scores = case.truth.gear_scores
        loss = np.nanmax(scores) - scores[gear_of(run)]
        if not loss <= GEARS_DIFFER_MS:
            faults[case.seed] = (gear_of(run), case.truth.gear, scores)
    assert not faults, f"gear of the simulator, of the judge, and scores by gear, by seed: {faults}"


def test_cars_that_get_nowhere(pairs: list[Pair]) -> None:
    for case, run in pairs:
        assert (run.score_ms[0] == 0) == (case.truth.score_ms == 0), case.seed


def test_no_cap_and_no_limit_is_passed(pairs: list[Pair]) -> None:
    faults = {}
    for case, run in pairs:
        if run.score_ms[0] == 0:
            continue
        speed, surface = np.nanmax(run.passing.speed[:, 0]), np.nanmax(run.passing.surface[:, 0])
        revs = OneCar(case.inputs, case.torque).surface(case.inputs.rev_limit_rpm[0], gear_of(run))
        over = max(speed - case.inputs.cap_ms[0], surface - case.inputs.surface_cap_ms[0], surface - revs)
        if over > 1e-6:
            faults[case.seed] = over / MPH
    assert not faults, f"mph over the cap, by seed: {faults}"


def test_what_limits_the_speed_is_named(pairs: list[Pair]) -> None:
    names = {"cap": {"speed cap"}, "limit": {"revs", "speed cap"}, "": {"power", "distance", "grip"}}
    for case, run in arriving(pairs):
        end = case.truth.ends[gear_of(run)]
        assert end is not None
        name = LIMITS[run.passing.limit[1, 0]]
        assert name in names[end.held], (case.seed, end.held, name)


def test_grip_used_and_wheel_speed_at_the_last_board(pairs: list[Pair]) -> None:
    """Compared where the car runs free: held speeds have their own slip."""
    for case, run in arriving(pairs):
        end, gear = case.truth.ends[gear_of(run)], gear_of(run)
        assert end is not None
        if end.held or end.coasting or abs(run.passing.speed[1, 0] - end.speed) > SPEED_MS:
            continue
        car = OneCar(case.inputs, case.torque)
        surface = car.wheel_speed(end.speed, gear)
        assert run.passing.surface[1, 0] == pytest.approx(surface, abs=0.05 * MPH), case.seed
        bent = (1.0 - end.speed / surface) * (1.0 + car.slip_at_slide) / car.slip_at_slide
        use = 1.0 - (1.0 - bent) ** 3
        assert run.passing.use[1, 0] == pytest.approx(use, abs=5e-3), case.seed


def test_speed_at_which_the_car_would_settle() -> None:
    compared = 0
    for seed in range(1000, 1030):
        drive = ("front", "rear", "all")[seed % 3]
        inputs, marks, torque = random_car_and_day(np.random.default_rng(seed), drive)
        run = simulate(inputs, marks, "exit")
        if run.score_ms[0] == 0:
            continue
        far = independent_run(inputs, (marks[0], 45_000.0), "exit", torque).ends[gear_of(run)]
        assert far is not None, seed
        assert run.final_ms[0] == pytest.approx(far.passed[1][1], abs=0.005 * MPH), seed
        compared += 1
    assert compared > 20


# --- the judge itself ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [4, 45, 70, 100, 109, 131])
def test_the_judge_does_not_depend_on_its_tolerance(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    case = random_case(seed)
    monkeypatch.setattr(judge, "RTOL", 1e-12)
    monkeypatch.setattr(judge, "ATOL", 1e-12)
    finer = independent_run(case.inputs, case.marks, case.measure, case.torque)
    assert finer.gear_scores == pytest.approx(case.truth.gear_scores, abs=1e-6, nan_ok=True)
    assert finer.last_board_s == pytest.approx(case.truth.last_board_s, abs=1e-6)


def test_the_judge_with_the_table_of_the_inputs() -> None:
    case = random_case(1)
    by_table = independent_run(case.inputs, case.marks, case.measure, table_torque(case.inputs))
    assert by_table.score_ms == pytest.approx(case.truth.score_ms, abs=2e-4 * MPH)


def test_the_judge_on_constant_thrust() -> None:
    """1000 kg, 3000 N, 0.4 u^2 from rest: tanh and ln cosh; computed closed form."""
    base, _, _ = random_car_and_day(np.random.default_rng(0), "front")
    zero, one = np.zeros(1), np.ones(1)
    inputs = replace(
        base, translating_kg=1000.0 * one, wheel_side_kg=zero, shaft_kgm2=zero, engine_kgm2=zero,
        front_grip_n=1e6 * one, front_mu=one, slip_at_slide=1e-9 * one, transfer=zero, rolling_n=zero,
        rolling_nv2=zero, lift_rolling_m2=zero, lift_rolling_v2=zero, drag_area_m2=0.8 * one,
        front_lift_m2=zero,
        rear_lift_m2=zero, radius_m=0.3 * one, growth=zero, overall=np.full((1, 1), 3.0),
        efficiency=np.ones((1, 1)), torque_scale=one,
        rev_limit_rpm=1e5 * one, shift_rpm=np.full((1, 1), 1e5), launch_rpm=1000.0 * one,
        air_density=1.0, headwind_ms=0.0, crosswind_ms=0.0, start_speed_ms=0.0,
    )  # fmt: skip
    run = independent_run(inputs, (50.0, 147.092634), "exit", lambda _rpm: 300.0)
    assert run.exit_ms == pytest.approx(28.854932, abs=1e-6)
    assert run.last_board_s == pytest.approx(10.0, abs=1e-6)


# --- inputs of both -----------------------------------------------------------------------------------------


def test_the_torque_table_follows_monotone_cubics() -> None:
    curves = [CURVE, *(random_curve(np.random.default_rng(seed)) for seed in range(20))]
    engines = tuple(make_engine(f"E{number}", curve=each) for number, each in enumerate(curves))
    table = torque_table(engines, DynoSide(0.92, 2.0, 0.28, 90.0))
    for number, curve in enumerate(curves):
        rpm = np.concatenate([np.linspace(0.0, 9500.0, 5003), curve.rpm])
        cubic = PchipInterpolator(curve.rpm, curve.torque_nm)
        miss = table.torque(np.full(1, number), rpm[:, None])[:, 0] - cubic(
            np.clip(rpm, curve.rpm[0], curve.rpm[-1])
        )
        inner = (rpm > curve.rpm[0] + table.step_rpm) & (rpm < curve.rpm[-1] - table.step_rpm)
        assert np.abs(miss[inner]).max() < 5e-3
        assert np.abs(miss[inner]).mean() < 5e-4
        # The curve breaks off into a flat line at its ends, which the one step around each end rounds off.
        slope = np.abs(cubic(np.array([curve.rpm[0], curve.rpm[-1]]), 1)).max()
        assert np.abs(miss).max() <= slope * table.step_rpm / 4 + 5e-3


def test_the_judge_follows_monotone_cubics() -> None:
    rpm = np.linspace(500.0, 9000.0, 501)
    expected = PchipInterpolator(CURVE.rpm, CURVE.torque_nm)(np.clip(rpm, CURVE.rpm[0], CURVE.rpm[-1]))
    own = pchip_torque(CURVE.rpm, CURVE.torque_nm)
    assert [own(float(each)) for each in rpm] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("seed", range(40))
def test_shift_points_are_where_the_wheel_forces_cross(seed: int) -> None:
    inputs, _, torque = random_car_and_day(np.random.default_rng(seed), "rear")
    ratios, limit = [each for each in inputs.overall[:, 0] if each > 0], inputs.rev_limit_rpm[0]
    for gear, (this, following) in enumerate(pairwise(ratios)):
        shift = inputs.shift_rpm[gear, 0]

        gain = inputs.efficiency[gear + 1, 0] / inputs.efficiency[gear, 0]

        def surplus(rpm: float, a: float = this, b: float = following, gain: float = gain) -> float:
            return torque(rpm) * a - torque(rpm * b / a) * b * gain

        above = [surplus(rpm) for rpm in np.linspace(shift + 1.0, limit, 200)] if shift + 1.0 < limit else []
        assert all(each <= 1e-2 for each in above), "the next gear pulls harder from there on"
        if shift < limit:
            assert shift == inputs.launch_rpm[0] or abs(surplus(shift)) < 1e-2 * torque(shift)
        else:
            assert surplus(limit) >= -1e-2


def test_the_fixture_car_by_both() -> None:
    """The car of the records as it stands."""
    scenario = make_scenario()
    options = options_of(scenario)
    model = RunModel(options)
    scoring = Judge(model)
    inputs = model.inputs(options.fitted[None], scoring.conditions[0])
    run = scoring.run_of(inputs)
    truth = independent_run(inputs, scoring.marks_m, "mean", pchip_torque(CURVE.rpm, CURVE.torque_nm))
    assert run.score_ms[0] == pytest.approx(truth.score_ms, abs=0.002 * MPH)
    assert gear_of(run) == truth.gear
