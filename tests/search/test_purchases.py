"""Drive sets split by what is bought together: no completion is lost, and no price is overstated."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.choice.options import IntArray
from optimizer.choice.price import AdditiveBounds
from optimizer.search.drive_sets import DriveSets, drive_sets_of, job_sum
from optimizer.search.purchases import Purchases
from optimizer.search.ranking import Ranker
from tests.benchmarks.big_catalogs import big_catalog
from tests.search.catalogs import machinery, random_catalog, some_completions

SEEDS = range(12)


def least_price(sets: DriveSets, box: int, build: IntArray, bounds: AdditiveBounds) -> float:
    """What the prices by slot of one drive set add up to for a completion, jobs once."""
    jobs = int(sets.jobs[box])
    total = float(sets.spent[box])
    for s in sets.free:
        cents = bounds.apart[s] if sets.apart[box] else bounds.cents[s]
        total += float(cents[build[s]])
        jobs |= int(bounds.jobs[s][build[s]])
    return total + float(job_sum(np.array([jobs & ~int(sets.jobs[box])]), bounds.job_cents)[0])


def prices_of(ranker: Ranker, seed: int, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Real prices of random builds, and the least by slots, before and after splitting, of boxes that hold them."""
    rng = np.random.default_rng(seed)
    every = drive_sets_of(ranker.legality, ranker.judge.model.drive_slots, ranker.book, None)
    some = every.take(np.sort(rng.choice(len(every), min(count, len(every)), replace=False)))
    some = some.marked(np.arange(len(some)))
    rows, builds = some_completions(some, rng, 8)
    priced = ranker.book.price(builds)
    rows, builds, real = rows[priced.available], builds[priced.available], priced.cents[priced.available]
    split = Purchases(ranker.book, ranker.judge.model.drive_slots).split(some)
    before = np.array([least_price(some, row, build, ranker.bounds) for row, build in zip(rows, builds, strict=True)])
    after = np.full(len(builds), np.inf)
    for place, (row, build) in enumerate(zip(rows, builds, strict=True)):
        for box in np.flatnonzero(split.mark == row):
            if all(ok[box, build[s]] for s, ok in zip(split.free, split.allowed, strict=True)):
                after[place] = min(after[place], least_price(split, int(box), build, ranker.bounds))
    return real, before, after


@pytest.mark.parametrize("seed", SEEDS)
def test_every_completion_is_kept_at_no_more_than_its_price(seed: int) -> None:
    """The mildest of the boxes that hold a build says at most what it costs, and no less than before."""
    _, legality, book, judge = machinery(random_catalog(seed))
    real, before, after = prices_of(Ranker(judge, legality, book, None, None), seed, 40)

    assert len(real) > 100
    assert np.isfinite(after).all(), "some box holds it"
    assert (after <= real + 0.5).all()
    assert (after >= before - 0.5).all()


def test_prices_are_exact_where_kits_are_few_and_packs_are_shared_by_two() -> None:
    """A large catalog: kits of tires on wheels, packs of four, tires that both axles take."""
    _, legality, book, judge = machinery(big_catalog("tiny", "front"))
    real, before, after = prices_of(Ranker(judge, legality, book, None, None), 1, 60)

    assert (before < real - 100).any(), "it is not exact to begin with"
    np.testing.assert_allclose(after, real, atol=1.0)
