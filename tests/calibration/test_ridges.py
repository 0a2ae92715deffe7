"""What one speed cannot tell apart, and which test would; against a small-car's usual numbers."""

from dataclasses import replace

import numpy as np
import pytest

from optimizer.calibration.calibrating import calibrate
from optimizer.calibration.ridges import ridges_of
from optimizer.measured.records import Day, Measurements, TimedRun
from optimizer.report.calibration import calibration_text
from optimizer.report.wording import Words
from optimizer.run.simulator import simulate
from optimizer.scenario.parts import Basis
from optimizer.units import from_unit
from tests.calibration.coverage import DRAG, POWER, ROLLING, TIME
from tests.calibration.made import CALM, MILE_M, coast_downs, joined
from tests.choice.records import make_engine, make_scenario

ONE_MILE = Measurements(
    runs=(TimedRun(Day(file="runs.csv", row=2, name="1", salt="ordinary"), from_unit(103.0, "mph", "speed")),)
)
"""One line of a timing slip, and nothing else."""


def small_car():
    """A low-powered front-drive car as its crew states it: everything assumed, and a drag area that is a guess."""
    engine = make_engine("E-stock")
    curve = replace(engine.curve, torque_nm=tuple(0.86 * each for each in engine.curve.torque_nm))
    guess = Basis("assumed", "a guess")
    shape = {"drag_area_m2": from_unit(5.8, "ft2", "area"), "bases": {"drag_area_m2": guess}}
    stated = make_scenario([replace(engine, curve=curve)], car=shape)
    salts = {
        key: replace(salt, bases={"rolling_coefficient": guess, "grip": guess, "slip_at_slide": guess})
        for key, salt in stated.event.salts.items()
    }
    return replace(stated, event=replace(stated.event, salts=salts))


@pytest.fixture(scope="module")
def from_one_mile():
    return calibrate(small_car(), ONE_MILE)


def value_of(found, key):
    return next(each for each in found.found if each.parameter.key == key)


def test_one_timed_mile_lands_within_the_usual_ranges(from_one_mile):
    """Drag area 5 to 6.5 ft2, rolling .025 to .035 on ordinary salt, slip 2 to 6 %: as such cars have them."""
    assert 5.0 < value_of(from_one_mile, DRAG).value / from_unit(1, "ft2", "area") < 6.5
    assert 0.025 < value_of(from_one_mile, ROLLING).value < 0.035
    fit = from_one_mile.fit
    run = simulate(fit.problem.inputs(fit.world, 0), (2 * MILE_M, 3 * MILE_M), "mean")
    assert run.score_ms[0] == pytest.approx(ONE_MILE.runs[0].speed_ms, rel=0.004)
    assert 0.02 < run.passing.surface[1, 0] / run.passing.speed[1, 0] - 1 < 0.06


def test_one_timed_mile_leaves_all_on_a_ridge(from_one_mile):
    """Not one number is called measured; drag area and rolling trade, one high with the other low."""
    assert not [each for each in from_one_mile.found if each.kind == "measured"]
    ridge = from_one_mile.ridges[0]
    parameters = from_one_mile.fit.problem.parameters
    members = {parameters[p].key for p in ridge.members}
    assert {DRAG, ROLLING, POWER} <= members
    assert (parameters[ridge.first].key, parameters[ridge.second].key) == (DRAG, ROLLING)
    assert ridge.first_ends[0] < ridge.first_ends[1]
    assert ridge.second_ends[0] > ridge.second_ends[1]
    assert ridge.at_ms == pytest.approx(ONE_MILE.runs[0].speed_ms)


def test_both_ends_of_a_ridge_run_alike(from_one_mile):
    """The speed of a car at one end of the trade is that at the other, within the scatter of a run: simulated."""
    fit, ridge = from_one_mile.fit, from_one_mile.ridges[0]
    worlds = np.repeat(fit.world[None], 2, axis=0)
    for p, ends in ((ridge.first, ridge.first_ends), (ridge.second, ridge.second_ends)):
        parameter = fit.problem.parameters[p]
        worlds[:, p] = [(end - parameter.value) / parameter.deviation for end in ends]
    one, other = fit.problem.shown(worlds)[:, 0]
    assert abs(one - other) < 0.005 * one
    # whereas one number alone at its other end would move it by miles
    alone = worlds[:1].copy()
    alone[0, ridge.second] = worlds[1, ridge.second]
    assert abs(fit.problem.shown(alone)[0, 0] - one) > 0.01 * one


def test_the_text_says_so(from_one_mile):
    """In words: only what they come to together is known; and which test would tell them apart."""
    text = " ".join(calibration_text(Words(small_car()), from_one_mile, None).split())
    assert "only what they come to together, at about 103.0 mph, is known, not each" in text
    assert "drag area may be" in text
    assert "a coast-down at the end of a run, logged, both ways" in text
    assert "measured now" not in text


def test_a_test_keeps_its_promise(from_one_mile):
    """What a coast-down was said to leave of the uncertainties is about what one leaves that is really made."""
    promised = next(each for each in from_one_mile.tests if each.name == "coast-down").narrowed
    rng = np.random.default_rng(8)
    rolled, _ = coast_downs(
        small_car(), (CALM, replace(CALM, file="back.csv", other_way=True)), TIME,
        lambda parameters: np.zeros(len(parameters)), rng, from_ms=44.0,
    )  # fmt: skip
    after = calibrate(small_car(), joined([ONE_MILE, rolled]))
    for key in (DRAG, ROLLING):
        at = from_one_mile.fit.problem.place[key]
        assert value_of(after, key).narrowed == pytest.approx(promised[at], rel=0.25)


def test_a_coast_down_ends_the_ridge():
    """With it drag area counts as measured, and is on no ridge."""
    rng = np.random.default_rng(9)
    rolled, _ = coast_downs(
        small_car(), (CALM, replace(CALM, file="back.csv", other_way=True)), TIME,
        lambda parameters: np.zeros(len(parameters)), rng, from_ms=44.0,
    )  # fmt: skip
    found = calibrate(small_car(), joined([ONE_MILE, rolled]))
    assert value_of(found, DRAG).kind == "measured"
    place = found.fit.problem.place[DRAG]
    assert not any(place in ridge.members for ridge in found.ridges)


def test_numbers_that_do_not_trade_are_on_no_ridge(from_one_mile):
    """Drag and rolling each tied to the wind of the day, not to each other: neither is high since the other is low."""
    parameters = from_one_mile.fit.problem.parameters
    area, rolling = (next(p for p, each in enumerate(parameters) if each.key == key) for key in (DRAG, ROLLING))
    day = next(p for p, each in enumerate(parameters) if each.key.startswith("day:"))
    tied = np.eye(len(parameters))
    tied[day, area] = tied[area, day] = -0.88
    tied[day, rolling] = tied[rolling, day] = -0.82
    tied[area, rolling] = tied[rolling, area] = 0.88 * 0.82  # all of it by way of the day
    fit = replace(from_one_mile.fit, covariance=tied)
    assert not ridges_of(fit, from_one_mile.tests)
