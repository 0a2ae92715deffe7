"""Scenarios made to trip the search, and a solver that fails: answered, and equal to trying every build."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from optimizer import pipeline
from optimizer.errors import NoLegalBuildError, SolverError
from optimizer.pipeline import Question
from optimizer.run.judge import SPEED_STEP_MS
from optimizer.scenario.event import Bracket, Course, Limit, Salt, Scenario
from optimizer.scenario.parts import CurvePoints, Part
from optimizer.search import solver
from optimizer.search.diagnosis import explain_no_legal_build
from optimizer.search.ranking import Ranker, Ranking
from tests.choice.records import (
    CURVE,
    extra_slot,
    make_class,
    make_engine,
    make_extra,
    make_final_drive,
    make_scenario,
    make_tire,
)
from tests.search.catalogs import enumerate_all, machinery
from tests.search.test_solver import scripted

PLACES = ("nose", "tray", "roof", "belly")


def ranked(scenario: Scenario, k: int) -> Ranking:
    _, legality, book, judge = machinery(scenario)
    return Ranker(judge, legality, book, scenario.event.budget_cents, scenario.event.hours_limit).top(k)


def assert_all_tried(scenario: Scenario, k: int) -> tuple[Ranking, np.ndarray, np.ndarray]:
    """The ranking is that of every legal build, simulated; speeds and prices of all of them, best first."""
    builds, speeds, cents, _ = enumerate_all(scenario)
    found, listed = ranked(scenario, k), min(k, len(builds))

    assert found.listed == listed
    np.testing.assert_array_equal(found.builds[:listed], builds[:listed])
    np.testing.assert_array_equal(found.speed_ms[:listed], speeds[:listed])
    np.testing.assert_array_equal(found.cents[:listed], cents[:listed])
    return found, speeds, cents


def with_extras(parts: Iterable[Part], **changes: Any) -> Scenario:
    """The car as it stands with four empty places for extras."""
    return make_scenario(parts, extra_slots=[extra_slot(name) for name in PLACES], **changes)


def bodywork(number: int, *, tags: frozenset[str] = frozenset()) -> list[Part]:
    """So many pieces for each place: less drag for more money."""
    return [
        make_extra(
            f"X{place[0]}{i}", slots=(place,), drag_area_m2=-0.004 * (i + 1) - 0.0007 * p, mass_kg=1.0 + 0.5 * i,
            price_cents=5003 * (i + 1) + 1100 * p, tags=tags,
        )
        for p, place in enumerate(PLACES)
        for i in range(number)
    ]  # fmt: skip


# --- ties -----------------------------------------------------------------------------------------------------------


def equal_parts(number: int, cents: dict[str, int]) -> Scenario:
    """Parts that change nothing at all, in four places; they differ by name and, some of them, by price."""
    parts = [
        make_extra(f"{place}-{i}", slots=(place,), mass_kg=0.0, price_cents=cents.get(f"{place}-{i}", 0))
        for place in PLACES
        for i in range(number)
    ]
    return with_extras(parts)


@pytest.mark.slow
def test_thousands_of_equal_builds_come_cheapest_first():
    """4,096 builds of one speed: by price, then by names; the order is worked out here from the sheet alone."""
    prices = {f"{place}-{i}": 100 * ((3 * i + p) % 5) + 1 for p, place in enumerate(PLACES) for i in range(7)}
    scenario = equal_parts(7, prices)
    choices = [["none", *(f"{place}-{i}" for i in range(7))] for place in PLACES]
    expected = sorted((sum(prices.get(each, 0) for each in names), names) for names in itertools.product(*choices))
    options = machinery(scenario)[0]
    found, speeds, _ = assert_all_tried(scenario, 30)
    listed = [
        (int(cents), tuple(options.decode(build)[place] for place in PLACES))
        for build, cents in zip(found.builds[:30], found.cents[:30], strict=True)
    ]

    assert len(speeds) == 4096
    assert np.ptp(speeds) == 0.0
    assert listed == expected[:30]


def test_free_parts_and_a_budget_of_nothing():
    """Every price is 0, and so is the budget: all 256 builds are affordable, names decide."""
    scenario = equal_parts(3, {})
    scenario = replace(scenario, event=replace(scenario.event, budget_cents=0))
    found, speeds, cents = assert_all_tried(scenario, 12)

    assert len(speeds) == 256
    assert (cents == 0).all()
    assert machinery(scenario)[0].decode(found.builds[0])["nose"] == "none"


def capped(cap_ms: float, number: int = 5) -> Scenario:
    """Bodywork in four places, none of it the cage without which a bracket holds the car."""
    bracket = Bracket(name="cage", above_ms=cap_ms + 0.5, requires="cage", hold_off_ms=0.5)
    race = make_class(brackets=(bracket,), record_ms=40.0)
    finals = [make_final_drive(f"F{i}", ratio=3.9 + 0.15 * i, price_cents=9000 + i) for i in range(3)]
    return with_extras([*bodywork(number), *finals], event={"classes": (race,)})


@pytest.mark.slow
def test_thousands_of_builds_at_a_cap():
    """All that reach it are equal to 0.001 m/s: the cheapest of them is best, the car as it stands."""
    found, speeds, cents = assert_all_tried(capped(43.0), 10)
    equal = np.round(speeds / SPEED_STEP_MS) == np.round(speeds[0] / SPEED_STEP_MS)

    assert equal.sum() > 2000
    assert found.cents[0] == cents[equal].min()


def boards(scenario: Scenario, found: Ranking) -> np.ndarray:
    """Speeds at the two boards of the best build."""
    judge = machinery(scenario)[3]
    return judge.runs(found.builds[:1])[0].passing.speed[:, 0]


@pytest.mark.slow
def test_a_cap_that_binds_in_the_middle_of_the_timed_mile():
    """The best cars enter below the cap and leave at it, so that equal exits hide unequal means."""
    scenario = capped(47.5, number=4)
    short = Course(run_up_m=900.0, timed_m=1609.344, shutdown_m=3218.688, elevation_m=1300.0)
    scenario = replace(scenario, event=replace(scenario.event, course=short))
    found, speeds, _ = assert_all_tried(scenario, 10)
    entry, leaving = boards(scenario, found)

    assert entry < 47.4
    assert leaving == pytest.approx(47.5, abs=0.02)
    assert speeds[0] - speeds[9] > SPEED_STEP_MS


# --- few builds, or none ----------------------------------------------------------------------------------------------


def only_red(least: float) -> Scenario:
    """At least so many red parts; each of four places has one red part among four."""
    parts = [
        replace(part, tags=frozenset({"red"} if part.id.endswith("2") else ())) for part in bodywork(4) if part.slots
    ]
    limit = Limit(name="red parts", reason="class", quantity="count", tag="red", minimum=least)
    return with_extras(parts, event={"classes": (make_class(limits=(limit,), record_ms=40.0),)})


def test_exactly_one_legal_build():
    """Of 625 builds one has four red parts; ten are asked for."""
    scenario = only_red(4.0)
    found, _, _ = assert_all_tried(scenario, 10)
    result = pipeline.rank(scenario)

    assert found.listed == 1
    assert [result.builds[0].build[place] for place in PLACES] == ["Xn2", "Xt2", "Xr2", "Xb2"]


def test_no_legal_build_says_which_rule():
    """There are no five red parts."""
    with pytest.raises(NoLegalBuildError) as caught:
        pipeline.rank(only_red(5.0))

    assert caught.value.reasons == ("red parts",)


def test_no_build_that_can_stop_says_so():
    """Every build fits and is affordable, and none stops in 100 m."""
    course = Course(run_up_m=3218.688, timed_m=1609.344, shutdown_m=100.0, elevation_m=1300.0)
    with pytest.raises(NoLegalBuildError) as caught:
        pipeline.rank(with_extras(bodywork(2), event={"course": course}))

    assert caught.value.reasons == ("stopping distance",)


# --- money to the cent ------------------------------------------------------------------------------------------------


def test_a_budget_met_to_the_cent_and_missed_by_one():
    """With exactly the price of the best of all it is first; with one cent less it is not listed."""
    scenario = with_extras(bodywork(4))
    builds, _, cents, _ = enumerate_all(scenario)
    exact = replace(scenario, event=replace(scenario.event, budget_cents=int(cents[0])))
    short = replace(scenario, event=replace(scenario.event, budget_cents=int(cents[0]) - 1))
    found, _, _ = assert_all_tried(exact, 5)
    less, _, _ = assert_all_tried(short, 5)

    assert cents[0] > 0
    np.testing.assert_array_equal(found.builds[0], builds[0])
    assert found.cents[0] == cents[0]
    assert not (less.builds[: less.listed] == builds[0]).all(axis=1).any()


def test_a_budget_one_cent_too_small_names_the_price():
    """Four red parts are asked for: 4 x $150.09 and $66.00 more, by the sheet."""
    scenario = only_red(4.0)
    price = 4 * 3 * 5003 + 1100 * (1 + 2 + 3)
    with pytest.raises(NoLegalBuildError) as caught:
        pipeline.rank(scenario, Question(budget_cents=price - 1))

    assert (caught.value.reasons, caught.value.cheapest_cents) == (("budget",), price)
    assert pipeline.rank(scenario, Question(budget_cents=price)).builds[0].cents == price


# --- one long list, and cars short of grip ----------------------------------------------------------------------------


@pytest.mark.slow
def test_a_slot_with_two_thousand_parts():
    """Drag and mass against money, with scatter; four ways to choose the rest."""
    rng = np.random.default_rng(0)
    nose = [
        make_extra(
            f"N{i:04d}", slots=("nose",), drag_area_m2=-0.05 * float(share), mass_kg=float(rng.uniform(1, 12)),
            price_cents=int(90_000 * share * rng.uniform(0.8, 1.2)) + 500,
        )
        for i, share in enumerate(rng.random(2000))
    ]  # fmt: skip
    tire = make_tire("T0", axle="front", rolling_coefficient=0.010, price_cents=9000)
    final = make_final_drive("F0", ratio=4.0, price_cents=20_000)
    scenario = make_scenario(
        [*nose, tire, final], extra_slots=[extra_slot("nose")], event={"budget_cents": 60_000}
    )
    _, speeds, _ = assert_all_tried(scenario, 10)

    assert 1000 < len(speeds) < 8000


def slippery(drive: Any) -> Scenario:
    """Twice the torque on wet salt, with ballast on offer over either axle and in the middle."""
    ballast = [
        make_extra(f"B{p}{mass}", slots=(slot,), mass_kg=float(mass), position_m=2.38 * p / 2, price_cents=50 * mass)
        for slot, p in (("nose", 0), ("tray", 2), ("belly", 1))
        for mass in (20, 60, 120, 200)
    ]
    engine = make_engine("E1", curve=CurvePoints(CURVE.rpm, tuple(2 * t for t in CURVE.torque_nm)), price_cents=100)
    wet = Salt(name="wet", rolling_coefficient=0.02, grip=0.22, slip_at_slide=0.2)
    scenario = with_extras([*ballast, engine], drive=drive, event={"salt": "wet"})
    return replace(scenario, event=replace(scenario.event, salts={**scenario.event.salts, "wet": wet}))


@pytest.mark.parametrize(("drive", "place"), [("rear", "tray"), ("front", "nose")])
def test_ballast_over_the_driven_axle_of_a_car_short_of_grip(drive, place):
    """More mass is faster there, which the search must not take for granted the other way."""
    scenario = slippery(drive)
    options = machinery(scenario)[0]
    found, _, _ = assert_all_tried(scenario, 10)
    best = options.decode(found.builds[0])

    assert best[place] != "none"
    assert best[{"tray": "nose", "nose": "tray"}[place]] == "none"


# --- a solver that fails ----------------------------------------------------------------------------------------------


def test_presolve_that_hangs_does_not_keep_the_ranking_from_its_answer(monkeypatch):
    """The first attempt of every question ends in presolve with its time up; the second, without presolve, is real."""
    real, tried = solver._attempt, []

    def hanging(program, limit_s, *, presolve, start=None):
        tried.append((presolve, limit_s))
        if presolve:
            return replace(
                real(program, limit_s, presolve=False), status="kTimeLimit", solution=None, objective=math.nan,
                bound=math.inf, in_presolve=True,
            )  # fmt: skip
        return real(program, limit_s, presolve=False, start=start)

    scenario = only_red(4.0)
    expected = pipeline.rank(scenario).builds[0].build
    monkeypatch.setattr(solver, "_attempt", hanging)

    assert pipeline.rank(scenario).builds[0].build == expected
    assert [presolve for presolve, _ in tried] == [True, False]
    with pytest.raises(NoLegalBuildError) as caught:
        pipeline.rank(only_red(5.0))
    assert caught.value.reasons == ("red parts",)


UNFINISHED = [("kTimeLimit", {"nodes": -1}), ("kTimeLimit", {"nodes": 0, "bound": 0.0})]


def test_a_time_limit_without_a_solution_is_never_no_legal_build(monkeypatch):
    """The question is not settled: the search answers it, without the solver."""
    scripted(monkeypatch, *UNFINISHED, *UNFINISHED)

    assert pipeline.rank(only_red(4.0)).builds[0].build["nose"] == "Xn2"


def test_a_stop_without_a_solution_is_never_no_legal_build(monkeypatch):
    """The question ends without an answer: there is a legal build, so no refusal."""
    attempt, tried = solver._attempt, []

    def stopping(program, limit_s, *, presolve, start=None):
        tried.append(presolve)
        found = attempt(program, limit_s, presolve=presolve, start=start)
        if len(tried) == 1:
            return replace(found, status="kUnknown", solution=None, objective=math.nan, bound=-math.inf)
        return found

    monkeypatch.setattr(solver, "_attempt", stopping)
    result = pipeline.rank(only_red(4.0))
    assert result.builds[0].build["nose"] == "Xn2"


def leave_a_gap(monkeypatch) -> None:
    """The solver calls optimal what it has found, with a bound that is better by 1."""
    attempt = solver._attempt

    def gapped(program, limit_s, *, presolve, start=None):
        found = attempt(program, limit_s, presolve=presolve, start=start)
        return replace(found, bound=found.bound - 1.0)

    monkeypatch.setattr(solver, "_attempt", gapped)


def test_optimal_with_a_gap_gives_no_cheapest_price(monkeypatch):
    """A cheapest build that may not be the cheapest is not named in a refusal of money."""
    options, legality, book, _ = machinery(only_red(4.0))

    assert explain_no_legal_build(options, legality, book, budget_cents=100).reasons == ("budget",)
    leave_a_gap(monkeypatch)
    with pytest.raises(SolverError, match="with a gap of 1"):
        explain_no_legal_build(options, legality, book, budget_cents=100)


def test_optimal_with_a_gap_does_not_change_a_ranking(monkeypatch):
    """That some build is legal is all that is asked before the search."""
    scenario = only_red(4.0)
    expected = [card.build for card in pipeline.rank(scenario).builds]
    leave_a_gap(monkeypatch)

    assert [card.build for card in pipeline.rank(scenario).builds] == expected


def test_a_solution_that_is_no_build_is_an_error(monkeypatch):
    """The solver says optimal, and chooses nothing at all."""
    attempt = solver._attempt

    def empty(program, limit_s, *, presolve, start=None):
        found = attempt(program, limit_s, presolve=presolve, start=start)
        return replace(found, solution=SimpleNamespace(col_value=[0.0] * program.num_col_))

    monkeypatch.setattr(solver, "_attempt", empty)
    with pytest.raises(SolverError, match="without a choice"):
        pipeline.rank(only_red(4.0))
