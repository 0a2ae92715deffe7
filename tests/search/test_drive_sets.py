"""Drive sets against trying every combination, with the reasons of the legality and the price bounds themselves."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from optimizer.pipeline import study_of
from optimizer.scenario.car import Job
from optimizer.search.drive_sets import cents_left, cheapest_cents, option_cents, within_budget
from optimizer.search.surrogate import lagrangian_bound
from tests.choice.records import extra_slot, make_extra, make_scenario
from tests.scenes import DEMO, Scene
from tests.search.catalogs import drive_sets_of, machinery, random_catalog
from tests.test_second_reading import unsettled


def scenario_of(seed: int):
    if seed % 2:
        return unsettled(random_catalog(seed, sizes=(2, 2, 3, 4, 4, 2, 2)), seed)
    return random_catalog(seed, sizes=(1, 2, 2, 3, 3, 1, 2))


@pytest.mark.parametrize("seed", range(6))
def test_sets_are_all_legal_combinations_in_order(seed):
    """Every combination with no forbidden part or pair, the first slot varying slowest, and what may complete it."""
    options, legality, book, judge = machinery(scenario_of(seed))
    drive, bounds = judge.model.drive_slots, book.additive_bounds()
    sets = drive_sets_of(legality, drive, book, None)

    def passes(s, o):
        return not legality.forbidden[s][o] and bounds.available[s][o]

    def together(chosen, s, o):
        return passes(s, o) and not any(legality.pair_reasons(s, o, t, q) for t, q in chosen)

    expected = []
    for combination in itertools.product(*(range(options.sizes[s]) for s in drive)):
        chosen = list(zip(drive, combination, strict=True))
        if not all(together(chosen[:n], s, o) for n, (s, o) in enumerate(chosen)):
            continue
        beside = [[together(chosen, s, o) for o in range(options.sizes[s])] for s in sets.free]
        build = np.zeros((1, len(options.sizes)), dtype=np.int64)
        build[0, list(drive)] = combination
        if all(map(any, beside)) and np.isfinite(book.kit_surcharge(build, drive)[0]):
            expected.append((list(combination), beside))

    assert expected
    assert sets.builds[:, list(drive)].tolist() == [combination for combination, _ in expected]
    assert not sets.builds[:, list(sets.free)].any()
    assert [[ok[d].tolist() for ok in sets.allowed] for d in range(len(sets))] == [beside for _, beside in expected]


def assert_same_sets(found, expected):
    np.testing.assert_array_equal(found.builds, expected.builds)
    np.testing.assert_array_equal(found.mark, expected.mark)
    for ok, wanted in zip(found.allowed, expected.allowed, strict=True):
        np.testing.assert_array_equal(ok, wanted)


def test_sets_within_a_budget_are_those_of_any_money_that_it_leaves():
    """Also where a drive set costs more than the budget by itself, and what is sold for another part pays for it."""
    study = study_of(Scene(DEMO).scenario)
    drive, book, legality = study.judge.model.drive_slots, study.book, study.legality
    bounds, every = book.additive_bounds(), drive_sets_of(legality, drive, book, None)
    paid_by_others = 0
    for budget in (150_000, 250_000, study.scenario.event.budget_cents):
        sets = drive_sets_of(legality, drive, book, budget)
        assert_same_sets(sets, within_budget(every, bounds, budget))
        paid_by_others += int((sets.spent > budget).sum())
    assert paid_by_others > 0


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 1.0])
def test_budget(seed, share):
    """A set goes if its cheapest options together pass the budget, an option if it does beside the cheapest others.

    What it is asked about stays as it was, also where no set goes.
    """
    _, legality, book, judge = machinery(scenario_of(seed))
    bounds = book.additive_bounds()
    sets = drive_sets_of(legality, judge.model.drive_slots, book, None)
    before = [ok.copy() for ok in sets.allowed]
    prices = option_cents(sets, bounds)
    total = sets.spent + sum(cheapest_cents(sets, bounds))
    budget = math.ceil(total.min() + share * (total.max() - total.min()))
    kept = within_budget(sets, bounds, budget)

    lowest = [np.array([min(row[ok]) for row, ok in zip(each, may, strict=True)])
              for each, may in zip(prices, before, strict=True)]  # fmt: skip
    np.testing.assert_allclose(total, sets.spent + sum(lowest), rtol=1e-12)
    fits = np.flatnonzero(total <= budget + 0.5)
    assert kept.mark.tolist() == sets.mark[fits].tolist()
    assert 0 < len(fits) < len(sets) or (share == 1.0 and len(fits) == len(sets))
    struck = 0
    for may, left, price, low in zip(before, kept.allowed, prices, lowest, strict=True):
        expected = may[fits] & ((total - low)[fits, None] + price[fits] <= budget + 0.5)
        assert left.tolist() == expected.tolist()
        struck += int(may[fits].sum() - left.sum())
    assert struck > 0
    assert all((ok == was).all() for ok, was in zip(sets.allowed, before, strict=True))


def test_money_for_exactly_the_price_is_enough_where_slots_share_a_job():
    """The job's price is counted in sevenths, which add up to a trifle more than it in one catalog of seven."""
    above = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        places = [f"place {number}" for number in range(7)]
        parts = [
            make_extra(f"X{place}", slots=(place,), price_cents=int(rng.integers(1, 50_000)), work=("trim",))
            for place in places
        ]
        jobs = (Job(name="trim", cost_cents=int(rng.integers(1000, 99_999)), hours=1.0),)
        slots = [extra_slot(place) for place in places]
        _, legality, book, judge = machinery(make_scenario(parts, extra_slots=slots, jobs=jobs))
        sets, bounds = drive_sets_of(legality, judge.model.drive_slots, book, None), book.additive_bounds()
        build = sets.builds[:1].copy()
        build[:, -7:] = 1
        for f, s in enumerate(sets.free):
            sets = sets.only(f, np.arange(sets.allowed[f].shape[1]) == build[0, s])
        price = float(book.price(build).cents[0])
        cents = option_cents(sets, bounds)
        above += float(sets.spent[0] + sum(cheapest_cents(sets, bounds))[0]) > price

        assert within_budget(sets, bounds, int(price)).completable.all()
        assert np.isfinite(lagrangian_bound(cents, cents, cents_left(sets, price), list(sets.allowed))[0]).all()
        assert np.isinf(lagrangian_bound(cents, cents, cents_left(sets, price - 1), list(sets.allowed))[0]).all()
    assert above > 0


@pytest.mark.parametrize("seed", range(4))
def test_every_completion_is_given_once_and_by_its_set(seed):
    """Those of some sets with some options struck out, against products of what is allowed."""
    _, legality, book, judge = machinery(scenario_of(seed))
    sets = drive_sets_of(legality, judge.model.drive_slots, book, None)
    rng = np.random.default_rng(seed)
    sets = replace(sets, allowed=tuple(ok & (rng.random(ok.shape) < 0.8) for ok in sets.allowed))
    builds, whose = sets.every()
    expected = []
    for row in range(len(sets)):
        for chosen in itertools.product(*(np.flatnonzero(ok[row]) for ok in sets.allowed)):
            build = sets.builds[row].copy()
            build[list(sets.free)] = chosen
            expected.append((row, *build.tolist()))
    assert [(row, *build) for row, build in zip(whose.tolist(), builds.tolist(), strict=True)] == expected
    assert not sets.completable.all()
