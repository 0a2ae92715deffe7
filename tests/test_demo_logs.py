"""The demo's invented measurements: what is in the files, and that they are those of the car as it really is."""

from __future__ import annotations

import re

import numpy as np
import pytest

from optimizer.measured.reading import read_measurements, read_runs
from optimizer.run.simulator import simulate
from optimizer.scenario.parts import Engine, Tire
from optimizer.scenario.reading import read_scenario
from tests.demo_logs import (
    COASTS,
    DEMO,
    ENGINE,
    LIFTED_MS,
    LOGGED,
    MPH,
    RUNS,
    TIRE,
    TRUTH,
    coast_file,
    coasting,
    inputs_on,
    true_scenario,
    weather_of,
)  # fmt: skip
from tests.run.independent_run import OneCar

LOGS = sorted((DEMO / "logs").iterdir())


@pytest.fixture(scope="module")
def stated():
    return read_scenario(DEMO, as_stated=True)


@pytest.fixture(scope="module")
def true(stated):
    return true_scenario(stated)


@pytest.fixture(scope="module")
def measured(stated):
    return read_measurements(stated, LOGS)


def said_mph(scenario, noted):
    """What the model says of the car as it stands on a day as it was written down."""
    course = scenario.event.course
    boards = (course.run_up_m, course.run_up_m + course.timed_m)
    return float(simulate(inputs_on(scenario, noted, weather_of(noted)), boards, "mean").score_ms[0]) / MPH


def test_a_crew_has_one_of_everything(measured, stated):
    assert [len(each) for each in (measured.coast_downs, measured.logs, measured.dyno, measured.chalk)] == [2, 1, 1, 1]
    assert [run.counted for run in read_runs(stated).runs] == [True, False, True, True]
    assert len({run.day.date for run in read_runs(stated).runs}) == 2


def test_the_runs_were_about_two_slower_than_the_sheets_say(stated):
    """And those of the car as it really is, within a gust and the noise of the notes."""
    runs = zip(RUNS, read_runs(stated).runs, strict=True)
    short = [said_mph(stated, noted) - run.speed_ms / MPH for noted, run in runs if noted.counted]
    assert all(1.5 < each < 3.0 for each in short), short
    assert np.mean(short) == pytest.approx(2.2, abs=0.3)


def test_with_the_truth_in_its_place_the_model_says_what_was_timed(stated, true):
    """The integrator of the logs and the simulator have nothing in common but the car."""
    for noted, run in zip(RUNS, read_runs(stated).runs, strict=True):
        lifted = 0.0 if noted.counted else LIFTED_MS / MPH
        assert said_mph(true, noted) - lifted == pytest.approx(run.speed_ms / MPH, abs=0.8)


def test_the_logged_run_is_the_one_on_the_slip(measured, stated):
    """Over the last mile of the log the mean is that of the clocks; revs at the end are those at the last board."""
    (log,) = measured.logs
    slip = read_runs(stated).runs[LOGGED]
    there = np.isfinite(log.distance_m)
    distance, time = log.distance_m[there], log.time_s[there]
    miles = np.interp(np.array([2.0, 2.9]) * 1609.344, distance, time)
    assert 0.9 * 1609.344 / np.diff(miles)[0] / MPH == pytest.approx(slip.speed_ms / MPH, abs=0.3)
    assert log.rpm[-20:].mean() == pytest.approx(slip.rpm, abs=25)
    assert log.day.temperature_k == slip.day.temperature_k


def test_both_coast_downs_are_those_of_the_true_car(measured, true):
    """Within the wind that nobody wrote down."""
    for passed, noted in zip(measured.coast_downs, COASTS, strict=True):
        assert passed.day.other_way == (noted.way == "back")
        car = OneCar(inputs_on(true, noted, weather_of(noted)))
        time = passed.time_s - passed.time_s[0]
        speeds = coasting(car, float(np.nanmean(passed.speed_ms[:1])), time)
        assert np.nanmax(np.abs(passed.speed_ms - speeds)) < 1.5 * MPH
    assert np.isnan(measured.coast_downs[1].speed_ms).sum() == 4


def test_dyno_and_chalk_tell_the_truth_within_their_noise(measured, stated, true):
    (sheet,), (mark,) = measured.dyno, measured.chalk
    engine, tire = stated.parts[ENGINE], true.parts[TIRE]
    assert isinstance(engine, Engine)
    assert isinstance(tire, Tire)
    bench = np.interp(sheet.rpm, engine.curve.rpm, engine.curve.torque_nm)
    assert np.mean(sheet.torque_nm / bench) == pytest.approx(TRUTH.power, abs=0.008)
    assert (sheet.engine, sheet.repeat) == (ENGINE, 2)
    assert mark.circumference_m == pytest.approx(tire.circumference_m, rel=2e-3)


def test_what_was_done_to_the_files_is_said(measured):
    """Nothing of what a phone and a logger wrote beside the numbers is dropped without a word."""
    said = "\n".join(measured.notices)
    for words in ("GPS speed recorder", "Accuracy (m)", "Session;Thrennel Flat", "END OF SESSION"):
        assert words in said
    assert len(measured.notices) == 4


def test_files_are_small_and_name_no_truth():
    files = [*LOGS, DEMO / "runs.csv"]
    assert sum(file.stat().st_size for file in files) < 60_000
    for file in files:
        assert not re.search("truth|invented error|1\\.06|0\\.0262", file.read_text(encoding="utf-8"))


def test_the_same_seed_writes_the_same_file(true):
    """The quickest of the files, made again."""
    made = coast_file(true, np.random.default_rng(13))
    assert made.encode() == (DEMO / "logs" / "coast-down.csv").read_bytes()
