"""Shares of the gain: they add up, they are the mean over all orders, and tied parts enter together."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from optimizer.answers import shares as module
from optimizer.answers.power_flow import power_flow
from optimizer.answers.shares import changes_of, shares_of
from optimizer.answers.swaps import best_swaps, savings, single_swaps
from optimizer.search.study import Study
from tests.search.catalogs import every_allowed, random_catalog


def study_and_build(seed: int, changes: int) -> tuple[Study, np.ndarray]:
    """A small catalog and a build with so many changed slots."""
    study = Study.of(random_catalog(seed))
    builds = every_allowed(study.legality)
    many = builds[(builds != study.options.fitted).sum(axis=1) == changes]
    return study, many[np.random.default_rng(seed).integers(len(many))]


@pytest.mark.parametrize("seed", range(9))
def test_shares_add_up_to_the_gain(seed: int) -> None:
    """To rounding, for every layout and scoring."""
    study, build = study_and_build(seed, 4)
    found = shares_of(study.judge, study.legality, build)
    speeds = study.judge.speeds(np.stack([study.options.fitted, build]))
    assert sum(each.share_ms for each in found.shares) == pytest.approx(speeds[1] - speeds[0], abs=1e-9)
    assert found.gain_ms == pytest.approx(speeds[1] - speeds[0], abs=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_a_share_is_the_mean_over_all_orders(seed: int) -> None:
    """Made one after the other in every order, by hand."""
    study, build = study_and_build(seed, 4)
    found = shares_of(study.judge, study.legality, build)
    changes = changes_of(study.legality, build)
    brought = dict.fromkeys(changes, 0.0)
    for order in itertools.permutations(changes):
        here = study.options.fitted.copy()
        builds = [here.copy()]
        for change in order:
            for slot in change.slots:
                here[study.options.position(slot)] = build[study.options.position(slot)]
            builds.append(here.copy())
        for change, gain in zip(order, np.diff(study.judge.speeds(np.stack(builds))), strict=True):
            brought[change] += gain / math.factorial(len(changes))
    assert {each.change: pytest.approx(each.share_ms, abs=1e-9) for each in found.shares} == brought


def test_what_only_fits_together_enters_together() -> None:
    """A tire that fits no wheel but the new one, and a wheel that takes no other tire, are one change."""
    for seed in range(12):
        study, build = study_and_build(seed, 5)
        fitted = study.options.fitted
        for change in changes_of(study.legality, build):
            slots = {study.options.position(name) for name in change.slots}
            others = [s for s in np.flatnonzero(build != fitted) if s not in slots]
            for s, t in itertools.product(slots, others):
                table = study.legality.pairs.get((min(s, t), max(s, t)))
                if table is not None:
                    first, second = min(s, t), max(s, t)
                    assert not table[build[first], 0]
                    assert not table[0, build[second]]


def test_sampled_shares_are_near_the_exact_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    """Within four of their standard errors, and still adding up."""
    study, build = study_and_build(2, 5)
    exact = {each.change: each for each in shares_of(study.judge, study.legality, build).shares}
    monkeypatch.setattr(module, "EXACT_CHANGES", 1)
    sampled = shares_of(study.judge, study.legality, build)
    assert sampled.pairings == ()
    for each in sampled.shares:
        assert abs(each.share_ms - exact[each.change].share_ms) <= 4 * each.error_ms + 1e-9
        assert each.first_ms == pytest.approx(exact[each.change].first_ms)
        assert each.last_ms == pytest.approx(exact[each.change].last_ms)
    assert sampled.gain_ms == pytest.approx(sum(each.share_ms for each in exact.values()), abs=1e-9)


@pytest.mark.parametrize("seed", range(9))
def test_power_adds_up_and_is_that_of_the_sheet(seed: int) -> None:
    """Air, rolling, driveline, slip and what still accelerates are all of the engine's power; none is below zero."""
    study, build = study_and_build(seed, 3)
    for flow in power_flow(study.judge, build):
        parts = (flow.driveline_w, flow.slip_w, flow.air_w, flow.rolling_w, flow.accelerating_w)
        assert sum(parts) == pytest.approx(flow.engine_w, rel=1e-9)
        assert min(parts) > -1e-3 * flow.engine_w
        assert flow.engine_w > 0


def test_savings_are_cheaper_and_the_best_ratio_comes_first() -> None:
    """Every swap saves money; those that cost no speed come first, then by speed lost for the money."""
    study, build = study_and_build(1, 5)
    swaps = savings(single_swaps(study.judge, study.legality, study.book, build))
    assert swaps
    assert all(each.cents < 0 for each in swaps)
    ratios = [max(-round(each.gain_ms, 3), 0.0) / -each.cents for each in swaps]
    assert ratios == sorted(ratios)


def test_of_equally_fast_swaps_the_cheaper_is_the_best() -> None:
    """Where a cap holds two, what the last digit of their speeds says is up to the machine."""
    study, build = study_and_build(1, 5)
    tried = single_swaps(study.judge, study.legality, study.book, build)
    (first, *_), _ = best_swaps(tried)
    s = [slot.name for slot in study.options.slots].index(first.slot)
    rows = np.flatnonzero(tried.legal & (tried.slot == s))[:2]
    gains = tried.gain_ms.copy()
    gains[rows] = gains.max() + np.array([1.0, 1.0 + 1e-12])
    for dearer in (0, 1):
        cents = tried.cents.copy()
        cents[rows] = [100 + dearer, 101 - dearer]
        best, _ = best_swaps(replace(tried, gain_ms=gains, cents=cents))
        assert best[0] == replace(tried, gain_ms=gains, cents=cents).swap(int(rows[dearer]))
