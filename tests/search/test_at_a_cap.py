"""Where a bracket holds cars to a speed: the first builds against enumeration, with caps in all sorts of places."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from optimizer.run.judge import SPEED_STEP_MS
from optimizer.scenario.event import Scenario
from optimizer.search.propagation import Goal
from tests.search.catalogs import LookingUp, Tried, drive_sets_of, held_to, machinery, random_catalog, ranker_of

SIZES = (2, 1, 2, 1, 1, 2, 1)
TOPS = (1, 5)


def capped(seed: int, cap_ms: float) -> Scenario:
    """A random catalog with one bracket that holds to a speed: what lacks the cage, or every car, for even seeds."""
    return held_to(random_catalog(seed, sizes=SIZES), cap_ms, "cage" if seed % 2 else "what nobody sells")


@cache
def tried_at(seed: int, cap_ms: float) -> Tried:
    """Every build simulated."""
    return Tried(capped(seed, cap_ms))


@cache
def enumerated_at(seed: int, cap_ms: float) -> tuple[np.ndarray, ...]:
    """Every legal build in order, their speeds and prices."""
    return tried_at(seed, cap_ms).in_order()[:3]


def caps_about(seed: int) -> list[float]:
    """In the middle of what is legal, below all of it, and a trifle under and over a build that no cap holds."""
    _, speeds, _ = enumerated_at(seed, 500.0)
    quick = float(np.quantile(speeds, 0.8))
    return [float(np.quantile(speeds, 0.4)), float(speeds.min()) - 1.0, quick - 6e-4, quick + 4e-4]


@pytest.mark.slow
@pytest.mark.parametrize("place", range(4))
@pytest.mark.parametrize("seed", [1, 2])
def test_first_builds_equal_enumeration(seed: int, place: int) -> None:
    """All that a cap makes equally fast are told apart by price, and what is a step faster goes before.

    The thorough searches simulate; the quick ones try nothing that was not run by trying everything.
    """
    cap_ms = caps_about(seed)[place]
    scenario = capped(seed, cap_ms)
    builds, speeds, cents = enumerated_at(seed, cap_ms)
    assert len(builds) > max(TOPS)
    known = LookingUp(tried_at(seed, cap_ms))
    for k in TOPS:
        for thorough, judge in ((False, known), (True, None)):
            found = ranker_of(scenario, judge).top(k, thorough=thorough)
            np.testing.assert_array_equal(found.builds[:k], builds[:k])
            np.testing.assert_array_equal(found.cents[:k], cents[:k])
            assert found.evidence.closed or not thorough
    assert (np.diff(np.round(speeds / SPEED_STEP_MS)) <= 0).all()


def test_some_first_builds_are_held() -> None:
    """Or the above would say little: the first builds of some catalogs are equally fast, and more follow."""
    held = 0
    for seed in (0, 1, 2, 3):
        for cap in caps_about(seed)[:2]:
            steps = np.round(enumerated_at(seed, cap)[1] / SPEED_STEP_MS)
            held += steps[0] == steps[min(20, len(steps) - 1)] == round(cap / SPEED_STEP_MS)
    assert held >= 2


def test_the_price_at_which_a_cap_is_reached_is_that_of_cars_that_it_would_not_hold() -> None:
    """What a car could do beyond the cap it may do without: as if there were none, and not nothing at all."""
    level, ranker = 42.0, ranker_of(capped(1, 500.0))
    sets = drive_sets_of(ranker.legality, ranker.judge.model.drive_slots, ranker.book, ranker.budget_cents)
    bound = ranker.bounding.optimistic(sets)
    free = ranker.opener.estimate_cents(sets, bound, level)
    held = replace(sets, cap_ms=np.full(len(sets), level + 1e-4))
    cents = ranker.opener.estimate_cents(held, np.minimum(bound, level + 1e-4), level)
    assert np.isfinite(free).any()
    np.testing.assert_array_equal(cents, free)


def test_of_cheap_drive_sets_the_first_given_are_opened() -> None:
    """Where cheap builds are looked for, in the order given, that of their price, and not the fastest first."""
    level, ranker = 40.0, ranker_of(capped(1, 500.0))
    sets = drive_sets_of(ranker.legality, ranker.judge.model.drive_slots, ranker.book, None)
    slowest_first = np.argsort(ranker.bounding.optimistic(sets), kind="stable")
    most = dict.fromkeys(slowest_first.tolist(), 5)
    opened = {}
    for cheapest in (False, True):
        goal = Goal(level, np.inf, ties=True, cheapest=cheapest)
        found = ranker.opener.open(sets.marked(slowest_first), goal, most, 3)
        opened[cheapest] = set(slowest_first.tolist()) - set(found.later)
        assert len(found.builds)
    assert opened[True] == set(slowest_first[:3].tolist()) != opened[False]


@pytest.mark.parametrize("cap", [50.96256, 50.9624, 50.9630])
def test_only_levels_of_the_very_step_of_a_cap_are_capped(cap: float) -> None:
    """Where the K-th best is a step faster than a cap, few builds are equal, and none of them is held."""
    judge = machinery(capped(1, cap))[3]
    step = round(cap / SPEED_STEP_MS)
    levels = {number: (number - 0.5) * SPEED_STEP_MS for number in (step - 1, step, step + 1)}
    assert [judge.caps(level) for level in levels.values()] == [False, True, False]
    assert not judge.caps(-np.inf)

    assert not Goal(levels[step], np.inf, ties=True).passes(cap), "a build that is held may equal the K-th best"
    assert Goal(levels[step + 1], np.inf, ties=True).passes(cap)
    assert Goal(levels[step], np.inf).passes(cap), "where equals do not count, only faster ones"
    assert not Goal(levels[step - 1], np.inf).passes(cap)
