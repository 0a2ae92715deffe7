"""Two builds side by side: against the simulator asked directly, and switching values that can be reasoned out."""

from dataclasses import replace

import numpy as np
import pytest

from optimizer.answers.compare import compare, switching_values
from optimizer.answers.unknowns import with_values
from optimizer.report.questions import compare_text
from optimizer.report.wording import Words
from optimizer.run.judge import SPEED_STEP_MS, Judge
from optimizer.run.model import RunModel
from optimizer.search.study import Study
from tests.choice.records import extra_slot, make_engine, make_extra, make_rotor, make_scenario, make_tire
from tests.scenes import MPH
from tests.search.catalogs import held_to

SALT = "ordinary"
FIRST = {}
SECOND = {"front tires": "T-b", "front rotors": "R-b", "underside": "pan"}


@pytest.fixture(scope="module")
def study():
    return Study.of(
        make_scenario(
            (
                make_tire("T-b", rolling_coefficient=0.012, price_cents=10_000, mass_kg=8.0),
                make_tire("T-same", rolling_coefficient=0.010, price_cents=1),
                make_tire("T-unrated", speed_symbol=None, rolling_coefficient=0.009, price_cents=1),
                make_rotor("R-b", axle="front", inertia_kgm2=0.03, mass_kg=4.0, price_cents=5_000),
                make_engine("E-b"),
                make_extra("pan", drag_area_m2=-0.015, mass_kg=20.0, price_cents=30_000),
            ),
            extra_slots=[extra_slot("underside")],
        )
    )


def row(study, build):
    return study.options.encode(build)


def gain_with(study, unknown, value, first, second):
    """Speed of the second less that of the first, with one unknown set."""
    judge = Judge(RunModel(with_values(study.options, {unknown: value})), SALT)
    speeds = judge.speeds(np.stack([row(study, first), row(study, second)]))
    return float(speeds[1] - speeds[0])


def test_slots_are_worth_what_the_simulator_says(study):
    """Each change made alone in the first, and undone alone in the second."""
    found = compare(study, row(study, FIRST), row(study, SECOND), draws=8)
    speed = {
        name: float(study.judge.speeds(row(study, build)[None])[0])
        for name, build in {
            "first": FIRST,
            "second": SECOND,
            "with tires": {"front tires": "T-b"},
            "without tires": {"front rotors": "R-b", "underside": "pan"},
        }.items()
    }
    tires = found.differences[0]

    assert [each.slot for each in found.differences] == ["front tires", "front rotors", "underside"]
    assert (found.first_ms, found.second_ms) == (speed["first"], speed["second"])
    assert (tires.first, tires.second) == ("T-stock", "T-b")
    assert tires.in_first_ms == pytest.approx(speed["with tires"] - speed["first"], abs=1e-12)
    assert tires.in_second_ms == pytest.approx(speed["second"] - speed["without tires"], abs=1e-12)
    assert tires.mean_ms == pytest.approx((tires.in_first_ms + tires.in_second_ms) / 2)
    assert abs(found.together_ms) < 0.05 * MPH
    assert found.band.difference_ms == pytest.approx(-found.gain_ms)


def test_money_and_mass(study):
    """Two tires, two rotors and the pan; 0.4 kg a tire, -0.8 kg a rotor, 20 kg of pan."""
    found = compare(study, row(study, FIRST), row(study, SECOND), draws=8)

    assert found.cents == 2 * 10_000 + 2 * 5_000 + 30_000
    assert found.mass_kg == pytest.approx(2 * 0.4 - 2 * 0.8 + 20.0)


@pytest.mark.parametrize(
    ("cents", "mass_kg", "said"),
    [
        (45_000, 12.0, "; B costs $450 more and is 26.5 lb heavier."),
        (-45_000, 1e-13, "; B costs $450 less and weighs the same."),
        (0, -12.0, "; B costs the same and is 26.5 lb lighter."),
        (None, 12.0, "; B is 26.5 lb heavier."),
    ],
)
def test_money_and_mass_are_told_of_the_second(study, cents, mass_kg, said):
    """Whichever is the faster; nothing is called 0 lb lighter."""
    found = replace(compare(study, row(study, FIRST), row(study, SECOND), draws=8), cents=cents, mass_kg=mass_kg)
    for second_ms in (found.first_ms - 1.0, found.first_ms + 1.0):
        told = compare_text(Words(study.scenario), replace(found, second_ms=second_ms), "A", "B")
        assert said in " ".join(told.split())


def test_what_cannot_be_bought_or_run_is_marked_and_simulated(study):
    """A tire without a speed symbol is refused; an engine that nobody sells has no price."""
    found = compare(study, row(study, {}), row(study, {"front tires": "T-unrated", "engine": "E-b"}), draws=8)
    engine, tires = found.differences

    assert found.cents is None
    assert (engine.first_legal, tires.first_legal) == (False, False)
    assert tires.in_first_ms > 0
    rotors = compare(study, row(study, {}), row(study, {"front rotors": "R-b"}), draws=8).differences[0]
    assert rotors.first_legal
    assert rotors.second_legal


def test_one_difference_is_the_whole_difference(study):
    found = compare(study, row(study, {}), row(study, {"underside": "pan"}), draws=8)

    assert found.differences[0].in_first_ms == found.differences[0].in_second_ms == found.gain_ms
    assert found.together_ms == 0.0


def test_what_is_wrong_with_each_is_said(study):
    """A tire without a rating is not legal in any build; the budget is asked of whole builds."""
    event = replace(study.scenario.event, budget_cents=20_000)
    study = Study.of(replace(study.scenario, event=event))
    found = compare(study, row(study, {}), row(study, {"front tires": "T-unrated"}), draws=8)
    assert not found.first_problems
    assert any("T-unrated" in each for each in found.second_problems)

    found = compare(study, row(study, SECOND), row(study, {}), draws=8)
    assert [each.partition(":")[0] for each in found.first_problems] == ["budget"]
    assert not found.second_problems


def test_equal_builds_differ_in_nothing(study):
    same = row(study, SECOND)
    found = compare(study, same, same, draws=8)

    assert found.differences == ()
    assert (found.cents, found.mass_kg, found.gain_ms) == (0, 0.0, 0.0)
    assert all(each.value is None and each.deviations is None for each in found.switching)
    assert found.band.too_close


def test_tires_alike_but_for_one_number_switch_where_it_is_the_same(study):
    """Either tire needs the other's rolling coefficient; nothing else of them can make up for it but by chance."""
    both = {"front tires": "T-same", "rear tires": "T-same"}
    found = {each.unknown.key: each for each in switching_values(study, row(study, {}), row(study, both))}

    assert found["part:T-same:rolling_coefficient"].value == pytest.approx(0.011, abs=1e-8)
    assert found["part:T-stock:rolling_coefficient"].value == pytest.approx(0.010, abs=1e-8)
    assert found["part:T-same:rolling_coefficient"].deviations == pytest.approx(1.0, abs=1e-5)
    assert found["part:T-stock:rolling_coefficient"].deviations == pytest.approx(-1 / 1.1, abs=1e-5)
    assert found["salt:ordinary:rolling_coefficient"].value is None
    assert found["car::drag_area_m2"].value is None


def test_at_a_switching_value_both_are_equally_fast(study):
    """Simulated afresh: equal at it, in one order below it and in the other above."""
    second = {"underside": "pan", "front tires": "T-b"}
    listed = switching_values(study, row(study, {}), row(study, second))
    found = [each for each in listed if each.value is not None]
    away = [abs(each.deviations) for each in found]

    assert len(found) >= 3
    assert listed[: len(found)] == tuple(found)
    assert away == sorted(away)
    for each in found:
        step = 0.02 * each.unknown.deviation
        below, at, above = (
            gain_with(study, each.unknown, each.value + by, {}, second) for by in (-step, 0.0, step)
        )
        assert abs(at) < 1e-4, each.unknown.name
        assert below * above < 0, each.unknown.name
        assert each.least < each.value < each.most


def test_heavier_but_slimmer_turns_on_the_salt(study):
    """The pan's mass costs by the salt's rolling, its shape gains by the air: soft enough salt and it does not pay."""
    listed = switching_values(study, row(study, {}), row(study, {"underside": "pan"}))
    salt = next(each for each in listed if each.unknown.key == "salt:ordinary:rolling_coefficient")
    own = next(each for each in listed if each.unknown.key == "part:pan:drag_area_m2")
    gain = gain_with(study, salt.unknown, salt.unknown.value, {}, {"underside": "pan"})

    assert gain > 0
    assert salt.value > salt.unknown.value
    assert -0.015 < own.value < 0
    assert own.deviations > 0
    assert gain_with(study, salt.unknown, 1.1 * salt.value, {}, {"underside": "pan"}) < 0


def test_every_comparison_asks_about_salt_air_shape_and_power(study):
    """One curve for both builds is asked about once; where engines differ, each is."""
    keys = {each.unknown.key for each in switching_values(study, row(study, {}), row(study, {"front rotors": "R-b"}))}
    shared = {
        "salt:ordinary:rolling_coefficient", "salt:ordinary:grip", "car::drag_area_m2", "weather::temperature_k",
        "part:E-stock:curve",
    }  # fmt: skip

    assert keys == shared | {"part:R-b:brake_drag_n", "part:R-front-stock:brake_drag_n"}
    engines = {each.unknown.key for each in switching_values(study, row(study, {}), row(study, {"engine": "E-b"}))}
    assert {"part:E-stock:curve", "part:E-b:curve"} <= engines


def test_two_that_a_cap_holds_are_as_fast_and_what_sets_them_apart_is_told(study):
    """Neither is faster; the order turns where the better one is held no more and the other falls behind."""
    speeds = study.judge.speeds(np.stack([row(study, FIRST), row(study, SECOND)]))
    capped = Study.of(held_to(study.scenario, speeds.min() - 1.0))
    worse, better = (row(capped, (FIRST, SECOND)[n]) for n in np.argsort(speeds))
    found = compare(capped, worse, better, draws=8)
    assert abs(found.gain_ms) < SPEED_STEP_MS / 2
    assert "as fast as each other" in " ".join(compare_text(Words(capped.scenario), found, "A", "B").split())
    turning = [each for each in found.switching if each.value is not None]
    assert turning
    for each in turning:
        away = 1e-3 * (each.value - each.unknown.value)
        gains = []
        for value in (each.value - away, each.value + away):
            judge = Judge(RunModel(with_values(capped.options, {each.unknown: value})), SALT)
            first, second = judge.speeds(np.stack([worse, better]))
            gains.append(second - first)
        assert gains[0] < 1e-4
        assert gains[1] > 0
