"""Money against speed, and the cheapest past a speed, against trying everything."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from optimizer.answers.frontier import Step, cheapest_past, money_against_speed
from optimizer.run.judge import SPEED_STEP_MS, just_above
from optimizer.search import ranking
from optimizer.search.looking import Looking
from optimizer.search.ruling_out import RulingOut
from optimizer.search.study import Study
from tests.search.catalogs import every_passing, held_to, random_catalog

SEEDS = range(4)


@cache
def legal_builds(seed: int) -> tuple[Study, np.ndarray, np.ndarray]:
    """A catalog, and price and speed of every legal build, speeds to the step in which they rank."""
    study = Study.of(random_catalog(seed, sizes=(1, 1, 2, 2, 1, 1, 1)))
    builds, speed, _ = every_passing(study.judge, study.legality)
    prices = study.book.price(builds)
    return study, prices.cents[prices.available], np.round(speed[prices.available] / SPEED_STEP_MS)


def staircase(cents: np.ndarray, speed: np.ndarray, most: int) -> list[tuple[int, float]]:
    """Prices at which a faster build can be had, and its speed."""
    found: list[tuple[int, float]] = []
    for money in np.unique(cents[cents <= most]):
        best = speed[cents <= money].max()
        if not found or best > found[-1][1]:
            found.append((int(money), float(best)))
    return found


def as_pairs(steps: tuple[Step, ...]) -> list[tuple[int, float]]:
    return [(step.cents, float(np.round(step.speed_ms / SPEED_STEP_MS))) for step in steps]


@pytest.mark.parametrize("seed", SEEDS)
def test_every_step_of_money_against_speed(seed: int) -> None:
    """All breakpoints, none else, from no money to all; and until where each build is the best."""
    study, cents, speed = legal_builds(seed)
    most = int(np.quantile(cents, 0.4))
    steps = money_against_speed(study.fresh(), 0, most, questions=None)
    expected = staircase(cents, speed, most)
    assert as_pairs(steps) == expected
    assert [step.until_cents for step in steps] == [*(price - 1 for price, _ in expected[1:]), most]
    assert all(step.closed for step in steps)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_few_questions(seed: int) -> None:
    """Each step named is one of the staircase's, and no further step lies where there is said to be none."""
    study, cents, speed = legal_builds(seed)
    most = int(np.quantile(cents, 0.6))
    steps = money_against_speed(study.fresh(), 0, most, questions=4)
    expected = staircase(cents, speed, most)
    assert set(as_pairs(steps)) <= set(expected)
    assert steps[-1].until_cents == most
    for step in steps:
        assert not [price for price, _ in expected if step.cents < price <= step.until_cents]


@pytest.mark.parametrize("seed", SEEDS)
def test_what_the_events_own_budget_buys_is_among_the_first_steps(seed: int) -> None:
    study, cents, speed = legal_builds(seed)
    own, most = (int(np.quantile(cents, share)) for share in (0.3, 0.8))
    scenario = replace(study.scenario, event=replace(study.scenario.event, budget_cents=own))
    steps = money_against_speed(Study.of(scenario), 0, most, questions=3)
    bought = [step for step in staircase(cents, speed, most) if step[0] <= own][-1]
    assert bought in as_pairs(steps)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_cheapest_past_a_speed(seed: int) -> None:
    """At speeds all over the range; just above the fastest there is none, and the fastest is named instead."""
    study, cents, speed = legal_builds(seed)
    for share in (0.2, 0.7, 0.97, 1.0):
        floor = float(np.quantile(speed, share, method="higher"))
        found = cheapest_past(study.fresh(), floor * SPEED_STEP_MS)
        assert found is not None
        assert found.reached
        assert found.closed
        assert found.cents == cents[speed >= floor].min()
    found = cheapest_past(study.fresh(), (speed.max() + 1) * SPEED_STEP_MS)
    assert found is not None
    assert not found.reached
    assert round(found.speed_ms / SPEED_STEP_MS) == speed.max()


@pytest.mark.parametrize("seed", [3023, 3061, 3094])
def test_the_cheapest_where_the_first_in_rank_is_a_step_slower_than_its_equals(seed: int) -> None:
    """Of builds that rank as equally fast the cheaper comes first; at the fastest one's own speed there is one."""
    scenario = random_catalog(seed, sizes=(1, 1, 2, 2, 1, 1, 1))
    study = Study.of(replace(scenario, event=replace(scenario.event, budget_cents=None)))
    builds, speed, _ = every_passing(study.judge, study.legality)
    prices = study.book.price(builds)
    speed, cents = speed[prices.available], prices.cents[prices.available]
    assert study.fresh().best(budget_cents=None).speed_ms[0] < speed.max()
    found = study.fresh().cheapest(float(speed.max()), budget_cents=None)
    assert found.listed == 1
    assert found.cents[0] == cents[speed >= speed.max()].min()


@pytest.mark.parametrize("seed", [1, 5032])
def test_a_target_at_a_cap_is_reached_by_all_whom_it_holds(seed: int) -> None:
    """Whatever the last digit of their mean says."""
    study, _, speed = legal_builds(seed)
    cap_ms = float(np.quantile(speed, 0.4)) * SPEED_STEP_MS
    capped = Study.of(held_to(study.scenario, cap_ms))
    builds, speeds, _ = every_passing(capped.judge, capped.legality)
    prices = capped.book.price(builds)
    at_cap = prices.available & (speeds > cap_ms - SPEED_STEP_MS / 2)
    for last_digit in (-1e-12, 0.0, 1e-12):
        found = cheapest_past(capped.fresh(), cap_ms + last_digit)
        assert found is not None
        assert found.reached
        assert found.cents == prices.cents[at_cap].min()


@pytest.mark.parametrize("seed", SEEDS)
def test_the_cheapest_past_a_speed_where_no_cheap_car_is_fast_enough(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a look at the cheapest brings none, it begins with the fastest, and what it finds is the same."""
    look, probe, probes = RulingOut._open_cheapest, Looking._probe, []

    def none_at_first(search: RulingOut, *sets: object, briefly: bool = False) -> None:
        if not briefly:
            look(search, *sets)

    def counted(search: Looking) -> float:
        probes.append(len(search.pool.builds))
        return probe(search)

    monkeypatch.setattr(ranking, "FEW_TRIED", 0)
    monkeypatch.setattr(RulingOut, "_open_cheapest", none_at_first)
    monkeypatch.setattr(Looking, "_probe", counted)
    study, cents, speed = legal_builds(seed)
    for share in (0.5, 0.9, 0.999):
        floor = float(np.quantile(speed, share, method="higher"))
        found = study.fresh().cheapest(just_above((floor - 1) * SPEED_STEP_MS), fastest_first=False)
        assert found.evidence.closed
        assert found.cents[0] == cents[speed >= floor].min()
    assert probes
    assert not any(probes)
