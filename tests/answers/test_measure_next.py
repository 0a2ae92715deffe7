"""What to measure: values with closed forms, tests with error, and what is worth nothing."""

import math

import numpy as np
import pytest
from scipy.stats import norm

from optimizer.answers.bench_tests import TESTS, bench_test_of
from optimizer.answers.contenders import contenders
from optimizer.answers.draws import scores_of
from optimizer.answers.measure_next import Decision, bought, chance_with, explained, fitted, measure_next
from optimizer.answers.meet_worlds import SETS
from optimizer.answers.uncertainties import CAR, HUB, PARTS, SALT
from optimizer.answers.unknowns import unknowns_of
from optimizer.chance_questions import measure
from optimizer.choice.options import options_of
from optimizer.scenario.event import Meet
from optimizer.scenario.parts import Basis
from optimizer.scenario.reading import read_scenario
from optimizer.search.study import Study
from tests.choice.records import extra_slot, make_class, make_extra, make_final_drive, make_scenario
from tests.scenes import STARTER

WORLDS = 256 * SETS
BEHIND, SPREAD = 0.4, 1.0


def normal(name, seed=1):
    """A normal score for each world, set by set."""
    return np.concatenate([scores_of(name, WORLDS // SETS, seed * 100 + number) for number in range(SETS)])


def two_builds(known, unknown):
    """A sure build, and one that is slower by BEHIND but for what one number does to it; the rest is common to both."""
    common = 50.0 + 2.0 * normal("common")
    speeds = np.stack([common, common - BEHIND + SPREAD * known + 0.2 * unknown], axis=1)
    return Decision.of(speeds, chance_with(speeds, 50.0, 0.02, 1), np.array([100, 300]))


def gain_of(deviation):
    """E max(D, 0) of a normal D with mean -BEHIND."""
    z = BEHIND / deviation
    return deviation * norm.pdf(z) - BEHIND * norm.cdf(-z)


@pytest.fixture(scope="module")
def case():
    known = normal("known")
    return known, two_builds(known, normal("other"))


def test_knowing_all_of_it(case):
    """The other is bought where it is better: E max(D, 0), with a probability, for 200 more."""
    known, decision = case
    found = decision.knowing(known)
    assert decision.for_speed == 0
    assert abs(found.gain_ms.value - gain_of(SPREAD)) < 4 * found.gain_ms.error
    assert found.gain_ms.error < 0.02
    assert found.changes == pytest.approx(norm.cdf(-BEHIND / SPREAD), abs=0.05)
    assert found.cents == 200


@pytest.mark.parametrize("error", [0.5, 1.0, 2.0])
def test_a_test_with_error_is_worth_what_it_moves_the_mean(case, error):
    """After a test with error t what is expected of D varies with s^2 / sqrt(s^2 + t^2)."""
    known, decision = case
    found = decision.knowing(known + error * normal("test"))
    assert abs(found.gain_ms.value - gain_of(SPREAD / math.hypot(1.0, error))) < 4 * found.gain_ms.error + 0.004


def test_what_has_nothing_to_do_with_it_is_worth_nothing(case):
    """Neither what moves both builds alike nor a number that moves nothing; a bad rule may even cost a little."""
    _, decision = case
    for told in (normal("common"), normal("nothing")):
        found = decision.knowing(told)
        assert found.gain_ms.value < 2 * found.gain_ms.error + 0.003
        assert found.gain_ms.value > -0.03


def test_what_explains_the_speed():
    """Of 4 + 1 parts of variance one number explains four fifths, in worlds that were not fitted on."""
    one, other = normal("one"), normal("two")
    assert explained(one, 2 * one + other) == pytest.approx(0.8, abs=0.02)
    assert explained(normal("nothing"), 2 * one + other) < 0.01
    assert explained(one, np.full(WORLDS, 3.0)) == 0.0


def test_a_fit_is_the_cubic_where_there_is_one_and_flat_beyond():
    told = np.linspace(-2, 2, 41)
    values = np.stack([told**3 - told, 2 * told], axis=1)
    there = fitted(told, values, np.array([1.5, 5.0]))
    assert there[0] == pytest.approx([1.5**3 - 1.5, 3.0])
    assert there[1] == pytest.approx([6.0, 4.0])
    assert fitted(np.zeros(41), values, np.array([1.0]))[0] == pytest.approx(values.mean(axis=0))


def test_nothing_is_bought_for_a_gain_that_does_not_matter():
    told = normal("told")
    worth = np.stack([np.zeros(WORLDS), 0.01 * told], axis=1)
    assert (bought(worth, 0, told, 0.05) == 0).all()
    assert (bought(worth, 0, told, 0.0) == (told > 0)).mean() > 0.9


def test_the_chance_of_an_attempt():
    speeds = np.array([[49.0, 50.0, 51.0]])
    assert chance_with(speeds, 50.0, 0.01, 1)[0] == pytest.approx(norm.cdf([-2.0, 0.0, 2.0]))
    assert chance_with(speeds, 50.0, 0.01, 2)[0] == pytest.approx(norm.cdf(np.sqrt(2.0) * np.array([-2.0, 0.0, 2.0])))
    assert chance_with(np.array([[49.9, 50.0]]), 50.0, 0.0, 1).tolist() == [[0.0, 1.0]]


def test_no_attempt_passes_what_the_driver_holds_the_car_to():
    """A cap below what is needed leaves no chance; one above takes what good runs had over it, as drawn runs say."""
    speeds, caps = np.array([[49.8, 49.8, 50.2, 49.8]]), np.array([49.9, 50.1, 50.1, np.inf])
    for scatter in (0.0, 0.01):
        assert chance_with(speeds, 50.0, scatter, 2, caps)[0, 0] == 0.0
    drawn = np.random.default_rng(0).normal(size=(200_000, 2, 1))
    for runs in (1, 2):
        ran = np.minimum(speeds[0] + 0.5 * drawn[:, :runs], caps).mean(axis=1)
        found = chance_with(speeds, 50.0, 0.01, runs, caps)[0]
        assert found == pytest.approx((ran >= 50.0).mean(axis=0), abs=4e-3)
        assert found[0] == 0.0 < found[1]
    assert found[1] < found[3] - 0.1


@pytest.mark.parametrize("draws", [16, 24])
def test_few_draws_are_enough_to_say_something(draws):
    assert measure(Study.of(read_scenario(STARTER)), draws=draws).draws == draws


def test_the_nose_that_nobody_has_tried_is_worth_measuring():
    """Of two noses one is measured and one is guessed: what the guess is decides, the car's own drag does not."""
    noses = (
        make_extra("sure", price_cents=40_000, drag_area_m2=-0.08, bases={"drag_area_m2": Basis("measured")}),
        make_extra("guessed", price_cents=30_000, drag_area_m2=-0.075, bases={"drag_area_m2": Basis("assumed")}),
    )
    study = Study.of(
        make_scenario(
            (make_final_drive("F-stock", ratio=3.7), *noses), extra_slots=[extra_slot("nose")],
            event={"classes": (make_class(record_ms=46.0),)},
        )
    )  # fmt: skip
    found = measure_next(study, contenders(study, None), meet=Meet(), draws=256)
    first = found.unknowns[0]
    assert first.unknown.key == "part:guessed:drag_area_m2"
    assert first.matters
    assert first.by_test is not None
    assert first.good_enough is not None
    assert first.all_of_it.gain_ms.value <= found.everything_ms.value + 1e-9
    assert study.options.decode(found.purchase)["nose"] == "sure"
    own = next(each for each in found.unknowns if each.unknown.key == "car::drag_area_m2")
    assert not own.matters
    assert own.share > 0.1
    assert all(each.unknown.place != "weather" for each in found.unknowns)


def test_every_test_measures_something_there_is():
    """Each entry of the table belongs to an unknown of the starter, or of a record that has such a field."""
    fields = {("car", name) for name in CAR} | {("salt", name) for name in SALT}
    fields |= {(axle, name) for axle in ("front", "rear") for name in HUB}
    fields |= {("part", name) for kind in PARTS.values() for name in kind}
    assert set(TESTS) <= fields
    options = options_of(read_scenario(STARTER))
    tests = [bench_test_of(each) for each in unknowns_of(options, options.scenario.event.salt)]
    assert sum(each is not None for each in tests) > 20
    assert all(each is None or each.source == "common practice, no source" for each in tests)
