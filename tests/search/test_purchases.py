"""Drive sets split by what is bought together: no completion is lost, and no price is overstated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.answers.brings_in import with_part
from optimizer.choice.options import IntArray
from optimizer.choice.price import AdditiveBounds
from optimizer.run.judge import SPEED_STEP_MS
from optimizer.search import ranking
from optimizer.search.climbing import Climber
from optimizer.search.drive_sets import DriveSets, job_sum
from optimizer.search.purchases import Purchases
from optimizer.search.ranking import Ranker
from optimizer.search.study import Study
from tests.benchmarks.big_catalogs import big_catalog
from tests.search.catalogs import drive_sets_of, every_passing, machinery, random_catalog, some_completions

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


@pytest.mark.parametrize("seed", [0, 3])
def test_a_dear_set_that_two_slots_share_is_searched_like_any_other(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half its price in each slot is no price at all: with little money over, most of what seems affordable is not.

    So no build that is tried may be had, and the search begins again with prices of what is bought together: here it is
    made to, by a first probe and first changes that find nothing.
    """
    again: list[float] = []
    probe, probe_again = Ranker._probe, Ranker._probe_again

    def probe_in_vain(self: Ranker) -> float:
        return probe(self) if again else float(self.bound[0])

    def counted(self: Ranker, top: float) -> float:
        again.append(top)
        return probe_again(self, top)

    monkeypatch.setattr(ranking, "ALL_TRIED", 0)
    monkeypatch.setattr(ranking, "SOON_CLOSED", 0)
    monkeypatch.setattr(Climber, "by_ones", lambda *_: None)
    monkeypatch.setattr(Ranker, "_probe", probe_in_vain)
    monkeypatch.setattr(Ranker, "_probe_again", counted)
    scenario = random_catalog(seed, sizes=(2, 2, 2, 2, 1, 2, 1))
    wheel = replace(scenario.parts["W0"], price_cents=90_000, pack=4, owned=0)
    study = Study.of(with_part(scenario, wheel))
    builds, speed, _ = every_passing(study.judge, study.legality)
    cents = study.book.price(builds).cents
    place = next(s for s, slot in enumerate(study.options.slots) if slot.name == "front wheels")
    option = [part.id for part in study.options.parts[place]].index("W0")
    having = builds[:, place] == option
    for quantile in (0.0, 0.1, 0.5):
        budget = int(np.quantile(cents[having], quantile))
        some = having & (cents <= budget)
        again.clear()
        found = study.fresh().best(3, budget_cents=budget, with_parts=("front wheels=W0",))
        best = np.sort(np.round(speed[some] / SPEED_STEP_MS))[::-1][:3]
        assert found.evidence.closed
        np.testing.assert_array_equal(np.round(found.speed_ms[: found.listed] / SPEED_STEP_MS), best)
        assert (found.cents[: found.listed] <= budget).all()
        assert again
