"""From logs to numbers: strays, stretches, noise that lasts, outliers named by file and row."""

from dataclasses import replace

import numpy as np
import pytest

from optimizer.calibration.calibrating import calibrate
from optimizer.calibration.fitting import fit
from optimizer.calibration.noise import noise_before, noise_of
from optimizer.calibration.observations import of_coast_down, of_dyno
from optimizer.calibration.posing import problem_of
from optimizer.calibration.samples import means_of
from optimizer.calibration.stretches import pulls_of, rolling_part
from optimizer.measured.records import CoastDown, Day, DynoSheet, Measurements, RunLog, TimedRun
from tests.calibration.coverage import DRAG, ROLLING, TIME
from tests.calibration.made import (
    CALM,
    coast_downs,
    joined,
    lasting_noise,
    logged_pull,
    pulling,
    random_world,
    timed_runs,
)
from tests.choice.records import make_scenario


def test_means_of_a_line_are_on_it():
    """Means of a straight line lie on it; their number is bounded, and every sample is in one."""
    time = np.arange(0.0, 100.0, 0.1)
    means = means_of(time, 40.0 - 0.2 * time)
    assert len(means.value) <= 48
    assert means.value == pytest.approx(40.0 - 0.2 * means.time_s)
    assert means.reach_s == pytest.approx(np.full(len(means.value), means.reach_s[0]), rel=0.05)


def test_the_mean_of_a_bend_is_that_of_both_sides():
    """Of a parabola the mean over a stretch is the mean of its values one reach before and after: exactly."""
    time = np.arange(0.0, 60.0, 0.1)
    means = means_of(time, 0.01 * (time - 50.0) ** 2)
    sides = [0.01 * (means.time_s + sign * means.reach_s - 50.0) ** 2 for sign in (-1, 1)]
    assert means.value == pytest.approx(np.mean(sides, axis=0))


def test_a_sample_a_second_is_taken_as_it_is():
    """Where no more is known there is nothing to average."""
    time = np.arange(0.0, 30.0)
    means = means_of(time, 40.0 - 0.2 * time)
    assert means.time_s == pytest.approx(time)


def test_gaps_and_strays_are_left_out_and_named():
    """A receiver that jumps by 8 m/s for a moment, and gaps: means stay on the curve; the moments are told."""
    rng = np.random.default_rng(1)
    time = np.arange(0.0, 60.0, 0.2)
    speed = 45.0 - 0.4 * time + rng.normal(0, 0.03, len(time))
    speed[100] += 8.0
    speed[101] -= 6.0
    speed[200:210] = np.nan
    means = means_of(time, speed)
    assert means.strays == pytest.approx((20.0, 20.2))
    assert np.abs(means.value - (45.0 - 0.4 * means.time_s)).max() < 0.08


def test_noise_alone_has_no_strays():
    """Of 20 quiet logs of 300 samples, next to none is called a stray."""
    rng = np.random.default_rng(2)
    time = np.arange(0.0, 60.0, 0.2)
    noises = [lasting_noise(rng, time, 0.05, 0.1, 4) for _ in range(20)]
    assert sum(len(means_of(time, 45 - 0.4 * time + noise).strays) for noise in noises) <= 20


def test_a_coast_down_begins_where_the_car_is_fastest_and_ends_before_it_stands():
    """The pull before it, and the crawl after it, are no part of it."""
    time = np.arange(0.0, 120.0, 0.5)
    speed = np.where(time < 20, 20 + time, np.maximum(40 - 0.5 * (time - 20), 0))
    part = rolling_part(time, speed)
    assert time[part][0] == pytest.approx(20.0, abs=0.5)
    assert speed[part][-1] == pytest.approx(4.0, abs=0.3)


def test_too_short_a_coast_down_is_said_so():
    """One sample is no trace; the problem says which file could not be used."""
    nothing = CoastDown(CALM, np.array([0.0, 1.0]), np.array([2.0, 1.0]))
    assert of_coast_down(0, nothing, 0) is None
    problem = problem_of(make_scenario(), Measurements(coast_downs=(nothing,)))
    assert problem.left_out == ("coast.csv: no stretch in which the car rolls freely",)


def run_log(scenario, *, revs=True):
    """A pull in third and fourth gear, a shift between, and the driver lifts."""
    problem = problem_of(scenario, Measurements(runs=(TimedRun(CALM, 45.0),)))
    inputs = problem.inputs(np.zeros(len(problem.parameters)), 0)
    parts = []
    for gear, low in ((2, 22.0), (3, 34.0)):
        time = np.arange(0.0, 12.0 if gear == 2 else 40.0, 0.2)
        speed, surface = pulling(inputs, gear, low, time)
        parts.append((speed, surface * inputs.overall[gear, 0] * 30 / (np.pi * inputs.radius_m[0])))
    lifted = parts[1][0][-1] - 0.8 * np.arange(0.0, 10.0, 0.2)
    speed = np.concatenate([parts[0][0], np.full(4, parts[0][0][-1]), parts[1][0], lifted])
    rpm = np.concatenate([parts[0][1], np.full(4, 3000.0), parts[1][1], np.full(len(lifted), 2000.0)])
    return inputs, RunLog(CALM, 0.2 * np.arange(len(speed)), speed, rpm=rpm if revs else None)


def test_pulls_of_a_log_by_its_revs():
    """Each gear once, without the shift, and not beyond where the driver lifts."""
    inputs, log = run_log(make_scenario())
    stretches = pulls_of(log.time_s, log.speed_ms, log.rpm, inputs, 3)
    assert [each.gear for each in stretches] == [2, 3]
    for each in stretches:
        assert (np.diff(log.speed_ms[each.first : each.after]) > -1e-9).all()
    assert log.time_s[stretches[1].after - 1] < 12.0 + 0.8 + 40.0


def test_a_coast_down_far_off_all_else_is_named():
    """Three coast-downs, one with a brake that rubs with 60 N: that one is named, and drag area is not far off."""
    rng = np.random.default_rng(12)
    days = tuple(replace(CALM, file=f"{name}.csv", other_way=name == "two") for name in ("one", "two", "three"))
    rolled, car = coast_downs(make_scenario(), days, TIME, lambda ps: np.zeros(len(ps)), rng)
    dragging, _ = coast_downs(
        make_scenario(), days[2:], TIME, lambda ps: np.array([7.0 * (p.key == "car:coast drag") for p in ps]), rng
    )
    spoiled = replace(rolled, coast_downs=(*rolled.coast_downs[:2], *dragging.coast_downs))
    found = calibrate(make_scenario(), spoiled)
    whole = [each.file for each in found.outliers if "as a whole" in each.text]
    assert "three.csv" in whole
    assert car.world[car.problem.place[DRAG]] == 0


def test_a_mistyped_speed_is_named_with_its_row_and_hardly_counts():
    """Four runs, one typed ten miles an hour too slow: named, and the estimates are those without it."""
    rng = np.random.default_rng(5)
    days = [replace(CALM, file="runs.csv", row=n, name=str(n), other_way=n % 2 == 1) for n in (2, 3, 4, 5)]
    runs, _ = timed_runs(make_scenario(), days, random_world(rng), rng)
    wrong = replace(runs.runs[2], speed_ms=runs.runs[2].speed_ms - 4.5)
    spoiled = replace(runs, runs=(*runs.runs[:2], wrong, runs.runs[3]))
    without = replace(runs, runs=(*runs.runs[:2], runs.runs[3]))
    found, clean = (calibrate(make_scenario(), each) for each in (spoiled, without))
    assert [(each.file, each.row) for each in found.outliers] == [("runs.csv", 4)]
    assert "hardly counts" in found.outliers[0].text
    values = [{each.parameter.key: each for each in one.found} for one in (found, clean)]
    for key in (DRAG, ROLLING):
        one, other = (each[key] for each in values)
        assert abs(one.moved - other.moved) < 0.6


def test_two_passes_in_one_file_start_each_by_itself():
    """A file with a pass each way has two traces, each with its own speed at the start, and one wind."""
    out = replace(CALM, name="coast.csv, pass 1, out", row=0)
    passes = (out, replace(out, name="coast.csv, pass 2, back", other_way=True))
    rng = np.random.default_rng(10)
    rolled, _ = coast_downs(make_scenario(), passes, TIME, lambda ps: np.zeros(len(ps)), rng)
    slower = replace(rolled.coast_downs[1], time_s=TIME[50:], speed_ms=rolled.coast_downs[1].speed_ms[50:])
    problem = problem_of(make_scenario(), replace(rolled, coast_downs=(rolled.coast_downs[0], slower)))
    keys = [each.key for each in problem.parameters]
    assert len(set(keys)) == len(keys)
    assert sum(key.endswith(":wind") for key in keys) == 1
    found = calibrate(make_scenario(), replace(rolled, coast_downs=(rolled.coast_downs[0], slower)))
    assert max(each.rms for each in found.residuals) < 0.1
    assert found.residuals[1].what == "pass 2, back: speed, rolling freely"


def test_a_log_and_the_slip_of_a_run_share_its_wind():
    """Run 3 in the logger and run 3 on the slip are one run: one gust, not two."""
    day = replace(CALM, file="log.csv", name="run 3, 2031-05-01")
    log, _ = logged_pull(
        make_scenario(), day, lambda ps: np.zeros(len(ps)), np.random.default_rng(1), 3, 33.0, 40.0
    )  # fmt: skip
    slips = [TimedRun(replace(day, file="runs.csv", row=n, name=f"run {n}, 2031-05-01"), 45.0) for n in (3, 4)]
    problem = problem_of(make_scenario(), joined([log, Measurements(runs=tuple(slips))]))
    assert [each.own["gust"].key for each in problem.occasions] == [
        "run:2031-05-01:run 3, 2031-05-01:gust", "run:2031-05-01:run 3, 2031-05-01:gust",
        "run:2031-05-01:run 4, 2031-05-01:gust",
    ]  # fmt: skip


def test_runs_that_do_not_count_are_left_out():
    """The crew does not trust it, so nothing is learned from it."""
    run = TimedRun(replace(CALM, file="runs.csv", row=2), 20.0, counted=False)
    problem = problem_of(make_scenario(), Measurements(runs=(run,)))
    assert problem.observations == ()


def test_noise_that_lasts_counts_for_few():
    """A log whose noise goes on for seconds is worth far fewer numbers than one whose noise is new each time."""
    rng = np.random.default_rng(3)
    scenario = make_scenario()
    worth = []
    for noise in ((0.3, 0.0, 1.0), (0.02, 0.15, 10.0)):
        rolled, _ = coast_downs(scenario, (CALM,), TIME, lambda ps: np.zeros(len(ps)), rng, noise=noise)
        found = calibrate(scenario, rolled)
        worth.append((found.residuals[0].worth, found.fit.noise[0]))
    assert worth[1][0] < 0.6 * worth[0][0]
    assert worth[1][1].lasting == pytest.approx(0.15, rel=0.6)
    assert worth[0][1].single == pytest.approx(0.3 / np.sqrt(6), rel=0.5)


def test_noise_is_found_where_it_is_known():
    """Noise of known sizes alone, no car to explain it: found within the luck of one log."""
    rng = np.random.default_rng(6)
    problem = problem_of(make_scenario(), Measurements(coast_downs=(CoastDown(CALM, TIME, 45 - 0.3 * TIME),)))
    trace = problem.observations[0]
    off = lasting_noise(rng, trace.time_s, 0.04, 0.12, 5.0)
    trace = replace(trace, scatter=np.full(len(off), 0.04))
    noise = noise_of(trace, off, np.zeros((len(off), 1)), np.eye(1), np.zeros(len(off)))
    assert noise.lasting == pytest.approx(0.12, rel=0.5)
    assert noise.single == pytest.approx(0.04, rel=0.5)
    white = noise.whitened(off)
    assert np.mean(white**2) == pytest.approx(1.0, abs=0.4)
    assert noise_before(trace).covariance.shape == (len(off),) * 2


def test_a_sheet_counts_as_one_number():
    """Forty points of a dyno do not make it forty times as sure: one dyno differs from another by 2 %."""
    rpm = np.linspace(2000.0, 7000.0, 40)
    torque = np.full(40, 100.0)
    found = of_dyno(0, DynoSheet(CALM, "E-stock", rpm, 0.97 * torque, repeat=3), rpm, torque)
    assert found.observed == pytest.approx(np.log(0.97))
    assert found.scatter == pytest.approx(0.02)
    assert of_dyno(0, DynoSheet(CALM, "E-stock", rpm + 9000, torque), rpm, torque) is None


def test_revs_tell_roll_out_and_slip_from_power():
    """With revs a log narrows roll-out; without them it does not."""
    rng = np.random.default_rng(7)
    log, _ = logged_pull(make_scenario(), CALM, lambda ps: np.zeros(len(ps)), rng, 3, 33.0, 60.0)
    with_revs = fit(problem_of(make_scenario(), log))
    without = fit(problem_of(make_scenario(), replace(log, logs=(replace(log.logs[0], rpm=None),))))
    at = with_revs.problem.place["part:T-stock:circumference_m"]
    assert with_revs.narrowed[at] < 0.6
    assert without.narrowed[without.problem.place["part:T-stock:circumference_m"]] > 0.8


def test_a_day_nobody_described_is_less_sure():
    """Without wind and air written down the same runs leave drag area wider."""
    rng = np.random.default_rng(8)
    described, _ = coast_downs(make_scenario(), (CALM,), TIME, lambda ps: np.zeros(len(ps)), rng)
    bare = Day(file="coast.csv", salt="ordinary")
    silent = Measurements(coast_downs=(replace(described.coast_downs[0], day=bare),))
    one, other = (fit(problem_of(make_scenario(), each)) for each in (described, silent))
    assert one.narrowed[one.problem.place[DRAG]] < other.narrowed[other.problem.place[DRAG]]


def test_both_ways_tell_the_wind_from_drag():
    """Two coast-downs of an unknown wind of 2 m/s, out and back: it is found, and drag area is not spoiled."""
    rng = np.random.default_rng(9)
    day = replace(CALM, wind_ms=None, wind_from_deg=None)
    days = (day, replace(day, file="back.csv", other_way=True))

    def windy(parameters):
        return np.array([1.0 if each.key.endswith(":wind") else 0.0 for each in parameters])

    rolled, car = coast_downs(make_scenario(), days, TIME, windy, rng)
    found = fit(problem_of(make_scenario(), joined([rolled])))
    wind = found.problem.place["day:2031-05-01:wind"]
    assert car.world[car.problem.place["day:2031-05-01:wind"]] == 1.0
    assert found.world[wind] == pytest.approx(1.0, abs=0.35)
    drag = found.problem.place[DRAG]
    assert abs(found.world[drag]) < 2 * found.narrowed[drag]
