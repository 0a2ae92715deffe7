"""The run that is drawn is the run that counts: boards, shifts, revs and the speed at which thrust meets resistance."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from optimizer.answers.cards import card_of
from optimizer.answers.run_trace import thrust_of, traces_of
from optimizer.run.simulator import simulate
from tests.scenes import STARTER, Scene
from tests.search.catalogs import machinery, random_catalog


@pytest.fixture(scope="module", params=["starter", 1, 2, 3, 4])
def case(request: pytest.FixtureRequest):
    """Cars of all layouts: judge, build, card."""
    if request.param == "starter":
        scene = Scene(STARTER)
        options, legality, book, judge = scene.options, scene.legality, scene.book, scene.judge
    else:
        options, legality, book, judge = machinery(random_catalog(request.param))
    build = options.fitted
    return judge, build, card_of(judge, legality, book, build, None)


def test_boards_are_those_of_the_card(case):
    """Speed, revs and gear at both boards, and the time."""
    judge, build, card = case
    traces = traces_of(judge, build)
    assert len(traces) == len(card.runs)
    for trace, run in zip(traces, card.runs, strict=True):
        first, last = trace.boards
        assert (first.speed_ms, last.speed_ms) == (run.first_board_ms, run.exit_ms)
        assert (first.rpm, last.rpm) == (run.rpm_first, run.rpm_last)
        assert (last.gear, last.time_s) == (run.gear, run.time_s)
        assert (first.distance_m, last.distance_m) == judge.marks_m


def test_the_line_passes_the_first_board_as_the_simulator_does(case):
    """Drawn from panels of its own, it meets the simulator's speed and time between the points too."""
    judge, build, _ = case
    for trace in traces_of(judge, build):
        first = trace.boards[0]
        distance, speed, time = (
            np.concatenate([getattr(leg, name) for leg in trace.legs]) for name in ("distance_m", "speed_ms", "time_s")
        )
        assert float(np.interp(first.distance_m, distance, speed)) == pytest.approx(first.speed_ms, abs=0.02)
        assert float(np.interp(first.distance_m, distance, time)) == pytest.approx(first.time_s, abs=0.02)


def test_any_other_board_is_met_too(case):
    """A board moved to wherever the line has a point is passed at that point's speed, while the same gear is last."""
    judge, build, _ = case
    for trace, conditions in zip(traces_of(judge, build), judge.conditions, strict=True):
        inputs = judge.model.inputs(build[None], conditions)
        last = np.array([trace.legs[-1].gear - 1])
        for leg in trace.legs:
            middle = len(leg.distance_m) // 2
            mark = float(leg.distance_m[middle])
            run = simulate(inputs, (mark, judge.marks_m[1]), "trap", last)
            assert float(run.passing.speed[0, 0]) == pytest.approx(leg.speed_ms[middle], abs=2e-3)


def test_legs_follow_each_other(case):
    """Distance and time never fall, each gear is higher than the last, and a pause lies between two."""
    judge, build, _ = case
    for trace, conditions in zip(traces_of(judge, build), judge.conditions, strict=True):
        inputs = judge.model.inputs(build[None], conditions)
        for leg in trace.legs:
            assert np.all(np.diff(leg.distance_m) >= 0)
            assert np.all(np.diff(leg.time_s) >= 0)
            assert leg.rpm.max() <= inputs.rev_limit_rpm[0] * (1 + 1e-9)
        for before, after in pairwise(trace.legs):
            assert after.gear > before.gear
            assert after.time_s[0] - before.time_s[-1] == pytest.approx(float(np.max(inputs.shift_time_s)))
            assert after.speed_ms[0] < before.speed_ms[-1]
            assert after.rpm[0] < before.rpm[-1]


def test_thrust_meets_resistance_where_the_car_settles(case):
    """In the gear of the last board, if the car is held by power: the speed the simulator says it settles at."""
    judge, build, card = case
    thrust = thrust_of(judge, build)
    run = card.runs[0]
    gear = next(each for each in thrust.gears if each.gear == run.gear)
    if run.limit in ("power", "distance"):
        assert gear.meets_ms == pytest.approx(run.settles_ms, rel=2e-3)
    else:
        assert gear.meets_ms is None or gear.meets_ms >= run.settles_ms * (1 - 2e-3)


def test_thrust_falls_from_gear_to_gear(case):
    """The most a gear pushes with is never more than that of the gear below; resistance rises with speed."""
    judge, build, _ = case
    thrust = thrust_of(judge, build)
    assert np.all(np.diff(thrust.resistance_n) > 0)
    assert np.all(thrust.air_n <= thrust.resistance_n)
    tops = [gear.thrust_n.max() for gear in thrust.gears]
    assert all(lower >= higher * (1 - 1e-9) for lower, higher in pairwise(tops))
