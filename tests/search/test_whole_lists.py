"""Lists of completions of many drive sets at once, against all completions tried."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.run.linear import COORDINATES
from optimizer.search import whole_lists
from optimizer.search.bounding import Batch
from optimizer.search.drive_sets import DriveSets, cents_left, job_sum
from optimizer.search.propagation import Goal
from optimizer.search.ranking import Ranker
from optimizer.search.whole_lists import Cut
from tests.search.catalogs import drive_sets_of, machinery, random_catalog

SEEDS = range(12)
FEW, ALL = 6, 10**6


def cuts_through(batch: Batch, rng: np.random.Generator, count: int) -> list[Cut]:
    """Random cuts; each lets about a third of what its drive set has pass, and some do not hold."""
    found = []
    for _ in range(count):
        slope = rng.normal(size=(len(batch.sets), len(COORDINATES))) / (batch.span.most - batch.span.least + 1e-9)
        each, rows = batch.sets.every()
        worth = scores_of(batch, slope, each, rows)
        const = -np.array([np.quantile(worth[rows == row], 0.66) for row in range(len(batch.sets))])
        holds = rng.random(len(batch.sets)) < 0.8
        multiplier = np.abs(rng.normal(size=len(batch.sets))) * 1e-5
        found.append(Cut(np.where(holds, const, 0.0), np.where(holds[:, None], slope, 0.0), holds, multiplier))
    return found


def scores_of(batch: Batch, slope: FloatArray, builds: IntArray, rows: IntArray) -> FloatArray:
    """``slope . z`` of completions (n, S) of drive sets ``rows`` (n,)."""
    at = batch.frame.base[rows].copy()
    for s, add in zip(batch.sets.free, batch.additions, strict=True):
        at += add.of(builds[:, s], rows)
    return (at * slope[rows]).sum(axis=1)


def keeps(ranker: Ranker, batch: Batch, cuts: Sequence[Cut], goal: Goal, builds: IntArray, rows: IntArray) -> BoolArray:
    """Which completions keep everything, each asked by itself: (n,)."""
    sets, bounds = batch.sets, ranker.bounds
    good = np.ones(len(builds), dtype=np.bool_)
    for cut in cuts:
        good &= ~cut.holds[rows] | (cut.const[rows] + scores_of(batch, cut.slope, builds, rows) >= -1e-7)
    for row in ranker.opener.lister.rows(batch, goal):
        used = sum(c[row.kind[rows], builds[:, s]] for s, c in zip(sets.free, row.coefficients, strict=True))
        good &= used <= row.left[rows] + 1e-9
    for (s, t), out in ranker.legality.pairs.items():
        if s in sets.free and t in sets.free:
            good &= ~out[builds[:, s], builds[:, t]]
    jobs, cents = sets.jobs[rows].copy(), np.zeros(len(builds))
    for s in sets.free:
        cents += np.where(sets.apart[rows], bounds.apart[s][builds[:, s]], bounds.cents[s][builds[:, s]])
        jobs |= bounds.jobs[s].astype(np.int64)[builds[:, s]]
    cents += job_sum(jobs & ~sets.jobs[rows], bounds.job_cents)
    hours = hours_of(ranker, builds)
    return good & (cents <= cents_left(sets, goal.money)[rows]) & (hours <= ranker.opener.lister.hours_limit + 1e-6)


def hours_of(ranker: Ranker, builds: IntArray) -> FloatArray:
    """Own hours (n,) of builds."""
    bounds, jobs, hours = ranker.bounds, np.zeros(len(builds), dtype=np.int64), np.zeros(len(builds))
    for s, option in enumerate(builds.T):
        hours += bounds.hours[s][option]
        jobs |= bounds.jobs[s].astype(np.int64)[option]
    return hours + job_sum(jobs, bounds.job_hours)


def case(seed: int) -> tuple[Ranker, Batch, list[Cut], Goal, list[set[bytes]]]:
    """Drive sets of a random catalog with cuts and a goal, and the completions of each that keep all of it."""
    scenario, rng = random_catalog(seed), np.random.default_rng(900 + seed)
    _, legality, book, judge = machinery(scenario)
    ranker = Ranker(judge, legality, book, scenario.event.budget_cents, scenario.event.hours_limit)
    every = drive_sets_of(legality, judge.model.drive_slots, book, None)
    sets: DriveSets = every.take(np.sort(rng.choice(len(every), min(25, len(every)), replace=False)))
    sets = ranker.purchases.split(sets.marked(np.arange(len(sets))))
    batch = ranker.bounding.open(sets.take(np.arange(min(len(sets), 40))))
    money = float(scenario.event.budget_cents or 3e5) if seed % 2 else np.inf
    goal = Goal(30.0 if seed % 3 else -np.inf, money)
    cuts = cuts_through(batch, rng, 1 + seed % 3)
    builds, rows = batch.sets.every()
    if seed % 4 > 1:
        ranker.opener.lister.hours_limit = float(np.quantile(hours_of(ranker, builds), 0.4))
    good = keeps(ranker, batch, cuts, goal, builds, rows)
    found = [{build.tobytes() for build in builds[good & (rows == row)]} for row in range(len(batch.sets))]
    return ranker, batch, cuts, goal, found


@pytest.mark.parametrize("seed", SEEDS)
def test_each_drive_set_has_all_its_completions(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever is worked on at once."""
    ranker, batch, cuts, goal, every = case(seed)
    monkeypatch.setattr(whole_lists, "CHUNK", (100, 7)[seed % 2])
    monkeypatch.setattr(whole_lists, "BLOCK", (1 << 17, 64)[seed // 2 % 2])
    lists = ranker.opener.lister.whole(batch, cuts, goal, ALL)
    assert len(lists) == len(every)
    for listed, all_of_it in zip(lists, every, strict=True):
        assert listed is not None
        assert len(listed) == len(all_of_it)
        assert {build.tobytes() for build in listed} == all_of_it


@pytest.mark.parametrize("seed", SEEDS)
def test_a_list_is_whole_or_none(seed: int) -> None:
    ranker, batch, cuts, goal, every = case(seed)
    lists = ranker.opener.lister.whole(batch, cuts, goal, FEW)
    for listed, all_of_it in zip(lists, every, strict=True):
        if listed is None:
            continue
        assert {build.tobytes() for build in listed} == all_of_it
        assert len(listed) <= whole_lists.WIDE * FEW


def test_there_are_cases_of_every_kind() -> None:
    cases = [case(seed) for seed in SEEDS]
    numbers = np.concatenate([[len(each) for each in every] for *_, every in cases])
    assert (numbers == 0).any()
    assert (numbers > whole_lists.WIDE * FEW).any()
    assert ((numbers > 0) & (numbers <= FEW)).any()
    kept = [ranker.opener.lister.whole(batch, cuts, goal, FEW) for ranker, batch, cuts, goal, _ in cases]
    assert any(each is None for lists in kept for each in lists)
    assert any(each is not None and len(each) for lists in kept for each in lists)
    assert any(not cut.holds.all() for _, _, cuts, *_ in cases for cut in cuts)
    assert any(ranker.bounds.job_cents.any() for ranker, *_ in cases)
