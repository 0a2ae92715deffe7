"""The odds of the record: a margin that is normal, brute force, and what must hold whatever the numbers."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from optimizer.answers import odds as module
from optimizer.answers.meet_worlds import worlds_of
from optimizer.answers.odds import draw_runs, odds_of, spread_of_runs
from optimizer.answers.unknowns import only_needed, speeds_with, unknowns_of, with_values
from optimizer.run.conditions import Conditions, conditions_of
from optimizer.run.judge import Judge
from optimizer.run.model import RunModel
from optimizer.scenario.event import Bracket, Meet, Scoring, Weather
from optimizer.search.study import Study
from tests.choice.records import make_class, make_final_drive, make_scenario, make_tire

SALT = "ordinary"
STILL = Meet(days=1, runs_a_day=2, breakage=0.0, run_scatter=0.0)
LONG = make_final_drive("F-stock", ratio=3.7)


def study_with(needed_ms, *parts, **event):
    """A long final drive keeps the car off its limiter: speed falls smoothly with drag."""
    return Study.of(make_scenario((LONG, *parts), event={"classes": (make_class(record_ms=needed_ms),), **event}))


def only(monkeypatch, keys, gust=0.0):
    """Let nothing be unknown but some inputs, and the wind have no gusts but these."""
    every = unknowns_of
    monkeypatch.setattr(module, "unknowns_of", lambda *of: tuple(each for each in every(*of) if each.key in keys))
    monkeypatch.setattr("optimizer.answers.meet_worlds.GUST_MS", gust)


@pytest.mark.parametrize("chance", [0.9, 0.5, 0.2])
def test_one_normal_unknown(monkeypatch, chance):
    """Speed falls with drag area, which is normal: the record falls as often as drag is below what it asks for."""
    study = study_with(50.0)
    fitted = study.options.fitted[None]
    area = next(each for each in unknowns_of(study.options, SALT) if each.key == "car::drag_area_m2")
    at = area.value + norm.ppf(chance) * area.deviation
    needed = float(speeds_with(study.options, SALT, fitted, [{area: at}])[0, 0])
    study = study_with(needed)
    only(monkeypatch, {area.key})

    found = odds_of(study, [("now", fitted[0])], meet=STILL, draws=512).builds[0]

    assert found.as_scored.value == pytest.approx(chance, abs=0.01)
    assert found.attempt.value == found.meet.value == found.as_scored.value
    assert found.as_scored.error < 0.01


def test_scatter_of_runs_alone(monkeypatch):
    """Two runs of one speed v that scatter by s: their mean passes v (1 + s) one time in 12.7, as sqrt(2) sigma."""
    speed = float(study_with(50.0).judge.speeds(np.zeros((1, 9), dtype=np.int64))[0])
    study = study_with(speed * 1.01, scoring=Scoring(runs=2))
    only(monkeypatch, set())
    meet = replace(STILL, run_scatter=0.01)

    found = odds_of(study, [("now", study.options.fitted)], meet=meet, draws=768).builds[0]

    assert found.as_scored.value == 0.0
    assert abs(found.attempt.value - norm.sf(np.sqrt(2))) < 4 * found.attempt.error
    assert found.spread.run_ms == pytest.approx(0.01 * speed, rel=0.05)
    assert found.spread.lasting_ms == pytest.approx(0.0, abs=0.25 * found.spread.run_ms)


def test_the_best_of_runs_that_scatter(monkeypatch):
    """Six runs of one car on nothing but luck: the best of six independent normal numbers."""
    speed = float(study_with(50.0).judge.speeds(np.zeros((1, 9), dtype=np.int64))[0])
    study = study_with(speed * 1.005)
    only(monkeypatch, set())
    meet = Meet(days=2, runs_a_day=3, breakage=0.0, run_scatter=0.005)

    found = odds_of(study, [("now", study.options.fitted)], meet=meet, draws=768).builds[0]

    for run, chance in enumerate(found.by_run, start=1):
        assert abs(chance - (1 - norm.cdf(1.0) ** run)) < 4 * max(found.meet.error, 0.006)


def test_speeds_of_a_meet_against_one_run_at_a_time():
    """Every run of every world once more by itself: the car with its numbers, the day's salt and air, the gust."""
    noon = Weather(pressure_pa=87_000.0, temperature_k=298.0, humidity=0.2, wind_ms=2.0, wind_from_deg=70.0)
    study = study_with(
        45.0, make_tire("T-b", rolling_coefficient=0.011),
        scoring=Scoring(runs=2, second_run="opposite"), weather=(noon, replace(noon, temperature_k=301.0)),
    )  # fmt: skip
    builds = np.stack([study.options.fitted, study.options.encode({"front tires": "T-b"})])
    meet = Meet(days=2, runs_a_day=2, run_scatter=0.01)
    drawn = draw_runs(study, builds, meet, 16)

    options, rows = only_needed(study.options, builds)
    worlds = worlds_of(unknowns_of(options, SALT), None, 16, 2, 4)
    for w, world in enumerate(worlds):
        for run in range(4):
            day, way = divmod(run, 2)
            there = with_values(options, {**world.lasting, **world.days[day]})
            plain = conditions_of(there.scenario.event, SALT)[way]
            along, across = world.gusts_ms[run]
            gusty = Conditions(plain.salt, plain.weather, plain.headwind_ms + along, plain.crosswind_ms + across)
            judge = Judge(RunModel(there))
            speed = judge.run_of(judge.model.inputs(rows, gusty)).score_ms * (1 + 0.01 * world.scatter[run])
            assert drawn.runs_ms[w, run] == pytest.approx(speed, rel=1e-9)
        first = with_values(options, {**world.lasting, **world.days[0]})
        assert drawn.scored_ms[w] == pytest.approx(Judge(RunModel(first)).speeds(rows), rel=1e-9)


def test_the_same_worlds_for_all_builds():
    """A build's odds do not depend on what it is compared with; equal builds are equally likely."""
    study = study_with(45.5, make_tire("T-b", rolling_coefficient=0.008))
    now, other = study.options.fitted, study.options.encode({"front tires": "T-b"})
    alone = odds_of(study, [("now", now)], draws=64).builds[0]
    both = odds_of(study, [("b", other), ("now", now), ("again", now)], draws=64).builds
    assert (both[1].meet, both[1].as_scored) == (alone.meet, alone.as_scored)
    assert both[1].meet == both[2].meet
    assert both[1].ahead.value == pytest.approx(both[1].meet.value - both[0].meet.value)
    assert both[0].ahead.value == both[0].ahead.error == 0.0


def test_more_runs_never_hurt_and_breakage_never_helps():
    study = study_with(47.0)
    now = [("now", study.options.fitted)]
    sound = Meet(days=2, runs_a_day=2, breakage=0.0, run_scatter=0.01)
    found = odds_of(study, now, meet=sound, draws=128).builds[0]
    assert list(found.by_run) == sorted(found.by_run)
    assert found.by_run[-1] == pytest.approx(found.meet.value)
    broken = odds_of(study, now, meet=replace(sound, breakage=0.2), draws=128).builds[0]
    assert 0 < broken.meet.value < found.meet.value
    held = odds_of(study, now, meet=replace(sound, license_steps_ms=(40.0, 44.0)), draws=128).builds[0]
    assert held.by_run[:2] == (0.0, 0.0)
    assert held.meet.value <= found.meet.value


def test_what_lasts_the_day_and_the_run_come_apart():
    """Numbers made of three normal parts: 3 that lasts, 2 of the day, 1 of the run."""
    rng = np.random.default_rng(6)
    lasting, day, run = (rng.normal(0, size, (60_000, n)) for size, n in ((3.0, 1), (2.0, 2), (1.0, 6)))
    found = spread_of_runs(lasting + np.repeat(day, 3, axis=1) + run, Meet(days=2, runs_a_day=3))
    assert (found.lasting_ms, found.daily_ms, found.run_ms) == pytest.approx((3.0, 2.0, 1.0), rel=0.03)


def test_root_of_the_margin_is_where_it_should_be():
    """The closed form above rests on speed falling with drag all the way; so it does."""
    study = study_with(50.0)
    area = next(each for each in unknowns_of(study.options, SALT) if each.key == "car::drag_area_m2")
    fitted = study.options.fitted[None]

    def speed(deviations):
        return float(speeds_with(study.options, SALT, fitted, [{area: area.moved(deviations)}])[0, 0])

    at = [speed(each) for each in np.linspace(-3, 3, 13)]
    assert at == sorted(at, reverse=True)
    assert brentq(lambda each: speed(each) - speed(0.7), -3, 3) == pytest.approx(0.7, abs=1e-3)


def test_no_run_is_better_than_the_cap_it_is_held_to(monkeypatch):
    """A driver who keeps below a bracket does so on a good run too: what lies above it is out of reach."""
    speed = float(study_with(50.0).judge.speeds(np.zeros((1, 9), dtype=np.int64))[0])
    only(monkeypatch, set())
    bracket = Bracket(name="cage", above_ms=speed - 1.0, requires="cage", hold_off_ms=0.5)
    held = make_class(record_ms=speed - 1.2, brackets=(bracket,))
    study = Study.of(make_scenario((LONG,), event={"classes": (held,)}))
    meet = Meet(days=2, runs_a_day=4, breakage=0.0, run_scatter=0.02)

    runs = draw_runs(study, study.options.fitted[None], meet, 64).runs_ms
    found = odds_of(study, [("now", study.options.fitted)], meet=meet, draws=64).builds[0]

    assert runs.max() == pytest.approx(bracket.cap_ms, abs=1e-6)
    assert found.meet.value == found.attempt.value == found.as_scored.value == 0.0
