"""Worlds of a meet: what lasts and what changes, and errors that mean what they say."""

from dataclasses import replace

import numpy as np
import pytest

from optimizer.answers.meet_worlds import GUST_MS, SETS, average, parts_of, worlds_of
from optimizer.answers.unknowns import unknowns_of
from optimizer.choice.options import options_of
from optimizer.scenario.estimates import Calibration, Estimate
from tests.choice.records import make_scenario

SALT = "ordinary"


@pytest.fixture(scope="module")
def unknowns():
    return unknowns_of(options_of(make_scenario()), SALT)


@pytest.fixture(scope="module")
def worlds(unknowns):
    return worlds_of(unknowns, None, 1024, 3, 6)


def named(unknowns, key):
    return next(each for each in unknowns if each.key == key)


def test_what_lasts_is_the_same_on_all_days(unknowns, worlds):
    """Car and parts are in what lasts only; salt and weather have a value for each day."""
    days = {each.place for each in worlds[0].days[0]}
    assert days == {"salt", "weather"}
    assert {each.place for each in worlds[0].lasting} == {each.place for each in unknowns} - {"weather"}
    assert len(worlds[0].days) == 3
    assert len(worlds[0].gusts_ms) == len(worlds[0].scatter) == 6


def test_salt_of_two_days_has_in_common_what_lasts(unknowns, worlds):
    """20 % not known in all, of which 10 % are the day's: two days have a covariance of the rest."""
    rolling = named(unknowns, f"salt:{SALT}:rolling_coefficient")
    days = np.array([[day[rolling] for day in world.days] for world in worlds]) / rolling.value - 1
    parts = parts_of(rolling)
    assert parts.lasting**2 + parts.daily**2 == pytest.approx(rolling.deviation**2)
    share = (parts.lasting / rolling.value) ** 2
    assert np.var(days, axis=0) == pytest.approx([(rolling.deviation / rolling.value) ** 2] * 3, rel=0.1)
    assert np.cov(days.T)[0, 1:] == pytest.approx([share, share], rel=0.15)


def test_weather_of_two_days_has_nothing_in_common(unknowns, worlds):
    heat = named(unknowns, "weather::temperature_k")
    days = np.array([[day[heat] for day in world.days] for world in worlds])
    assert days.std(axis=0) == pytest.approx([3.0] * 3, rel=0.05)
    assert abs(np.corrcoef(days.T)[0, 1]) < 0.1


def test_gusts_and_scatter_of_runs_are_their_own(worlds):
    gusts = np.array([[one for one, _ in world.gusts_ms] for world in worlds])
    assert gusts.std(axis=0) == pytest.approx([GUST_MS] * 6, rel=0.02)
    scatter = np.array([world.scatter for world in worlds])
    assert np.abs(np.corrcoef(scatter.T) - np.eye(6)).max() < 0.12


def test_other_unknowns_change_nothing(unknowns):
    """A world's value of one unknown does not depend on which others there are."""
    one = named(unknowns, "car::drag_area_m2")
    alone = worlds_of([one], None, 32, 1, 2)
    among = worlds_of(unknowns, None, 32, 1, 2)
    assert [world.lasting[one] for world in alone] == [world.lasting[one] for world in among]
    assert [world.scatter for world in alone] == [world.scatter for world in among]


def test_calibration_correlates_what_lasts(unknowns):
    """A ridge: drag area and rolling of the salt off by opposite amounts in every world, days aside."""
    area, rolling = named(unknowns, "car::drag_area_m2"), named(unknowns, f"salt:{SALT}:rolling_coefficient")
    told = [replace(area, calibrated=0.02), replace(rolling, calibrated=0.002)]
    estimates = (
        Estimate("car", "", "drag_area_m2", area.value, 0.02, area.value),
        Estimate("salt", SALT, "rolling_coefficient", rolling.value, 0.002, rolling.value),
    )
    made = worlds_of(told, Calibration(estimates, ((1.0, -0.9), (-0.9, 1.0))), 512, 2, 1)
    lasting = np.array([[world.lasting[each] for each in told] for world in made])
    assert np.corrcoef(lasting.T)[0, 1] == pytest.approx(-0.9, abs=0.04)
    daily = np.array([world.days[0][told[1]] - world.lasting[told[1]] for world in made])
    assert daily.std() == pytest.approx(0.1 * rolling.value, rel=0.1)


def test_the_error_is_what_averages_are_off_by():
    """Of 400 averages of independent numbers two thirds are off by less than their error, as Student's t has it."""
    rng = np.random.default_rng(2)
    off = []
    for _ in range(400):
        found = average(rng.normal(5.0, 1.0, 64 * SETS))
        off.append(abs(found.value - 5.0) < found.error)
    assert 0.58 < np.mean(off) < 0.73  # t with 7 degrees of freedom: 0.65


def test_a_chance_without_exception_has_an_error():
    assert average(np.ones(512), chance=True).error == pytest.approx(1.5 / 512)
    assert average(np.ones(512)).error == 0.0


def test_too_few_draws():
    with pytest.raises(ValueError, match="at least two draws"):
        worlds_of([], None, SETS, 1, 1)
