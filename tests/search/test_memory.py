"""What an earlier search found out may make the next one shorter, never another answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest

from optimizer.choice.options import options_of
from optimizer.choice.wishes import places_of
from optimizer.run.judge import order_keys
from optimizer.run.linear import LinearSpace
from optimizer.scenario.event import Scenario
from optimizer.search.bounding import Bounding
from optimizer.search.cases import BestCases
from optimizer.search.drive_sets import DriveSets
from optimizer.search.study import Study
from tests.search.catalogs import drive_sets_of, every_passing, random_catalog

TOP = 5
SIZES = (1, 2, 2, 2, 2, 1, 1)
CHANGES = 10
"""Changed questions for each of ten catalogs."""


def ids_of(study: Study) -> list[str]:
    """Every part that some slot has a choice of."""
    return sorted({part.id for parts in study.options.parts for part in parts if len(parts) > 1})


def without_one(scenario: Scenario, rng: np.random.Generator) -> Scenario:
    """The scenario without one part that is not on the car."""
    fitted = {slot.fitted for slot in scenario.car.slots}
    in_kits = {part for kit in scenario.kits for part, _ in kit.contents}
    spare = sorted(set(scenario.parts) - fitted - in_kits)
    gone = spare[int(rng.integers(len(spare)))]
    return replace(scenario, parts=MappingProxyType({k: v for k, v in scenario.parts.items() if k != gone}))


def random_question(study: Study, budget: int, rng: np.random.Generator) -> dict[str, Any]:
    """Another budget, lower or higher; or a part that must be in, or must not."""
    kind = rng.integers(4)
    part = str(rng.choice(ids_of(study)))
    if kind < 2:
        return {"budget_cents": int(budget * rng.uniform(0.6, 1.3))}
    wish = "with_parts" if kind == 2 else "without_parts"
    return {"budget_cents": budget, wish: (part,)}


class Everything:
    """Every build of a catalog that is legal for enough money, found by trying all."""

    def __init__(self, study: Study) -> None:
        self.study = study
        self.builds, self.speed, self.care = every_passing(study.judge, study.legality)
        self.prices = study.book.price(self.builds)

    def best(
        self, budget_cents: int, with_parts: Sequence[str] = (), without_parts: Sequence[str] = ()
    ) -> tuple[np.ndarray, np.ndarray]:
        """The answer to a question: builds from the best, at most `TOP`, and their speeds."""
        kept = self.prices.available & (self.prices.cents <= budget_cents)
        for wanted, parts in ((True, with_parts), (False, without_parts)):
            for part in parts:
                has = np.logical_or.reduce([self.builds[:, s] == o for s, o in places_of(self.study.options, part)])
                kept &= has == wanted
        rows = np.flatnonzero(kept)
        numbers = self.builds[rows], self.speed[rows], self.care[rows], self.prices.cents[rows]
        first = rows[order_keys(self.study.options, *numbers)[:TOP]]
        return self.builds[first], self.speed[first]


def same_answer(study: Study, every: Everything, question: dict[str, Any]) -> None:
    """The answer of a study that remembers is that of trying everything."""
    warm, (best, speed) = study.best(TOP, **question), every.best(**question)
    assert warm.evidence.closed
    assert warm.listed == len(best)
    assert np.array_equal(warm.builds[: warm.listed], best), question
    assert np.array_equal(warm.speed_ms[: warm.listed], speed)


@pytest.mark.parametrize("seed", range(10))
def test_a_changed_question_has_the_same_answer_as_when_asked_first(seed: int) -> None:
    """A hundred changes in all, one after the other with one memory: what must not be reused would show.

    Held against trying everything, which a search that knows nothing is held against elsewhere.
    """
    scenario, rng = random_catalog(seed, sizes=SIZES), np.random.default_rng(seed)
    study = Study.of(scenario)
    every, budget = Everything(study), scenario.event.budget_cents or 300_000
    same_answer(study, every, {"budget_cents": budget})
    for _ in range(CHANGES):
        same_answer(study, every, random_question(study, budget, rng))


@pytest.mark.parametrize("seed", range(8))
def test_one_part_more(seed: int) -> None:
    """Only builds with the new part are unknown; the answer is that of a new search."""
    whole, rng = random_catalog(seed, sizes=SIZES), np.random.default_rng(seed + 50)
    less = Study.of(without_one(whole, rng))
    budget = whole.event.budget_cents
    less.best(TOP, budget_cents=budget)
    more = Study.of(whole, memory=less.memory)
    assert len(more.memory.builds) == len(less.memory.builds)
    same_answer(more, Everything(more), {"budget_cents": budget})
    assert options_of(whole).sizes == more.options.sizes


def test_what_is_known_is_not_searched_again() -> None:
    """The same question, less money than is spent anyway, or a part out that no listed build has: at once."""
    scenario = random_catalog(4)
    study, budget = Study.of(scenario), scenario.event.budget_cents
    first = study.best(TOP, budget_cents=budget)
    assert first.evidence.opened > 0
    dearest = int(first.cents[: first.listed].max())
    used = {part.id for build in first.builds[: first.listed] for part in study.options.chosen(build)}
    idle = next(part for part in ids_of(study) if part not in used)
    for question in ({"budget_cents": budget}, {"budget_cents": dearest}):
        again = study.best(TOP, **question)
        assert again.evidence.opened == 0
        assert again.evidence.closed
    again = study.best(TOP, budget_cents=budget, without_parts=(idle,))
    assert again.evidence.opened == 0
    assert np.array_equal(again.builds[: again.listed], first.builds[: first.listed])


def drive_sets_with_bounds(study: Study) -> tuple[DriveSets, np.ndarray]:
    """Every drive set that money does not rule out, and the speed of its optimistic run."""
    judge, book = study.judge, study.book
    sets = drive_sets_of(study.legality, judge.model.drive_slots, book, study.scenario.event.budget_cents)
    usable = tuple(~out for out in study.legality.forbidden)
    return sets, Bounding(judge, LinearSpace(judge.model, judge.conditions, usable)).optimistic(sets)


@pytest.mark.parametrize("seed", range(3))
def test_best_cases_hold_for_what_has_no_other_options(seed: int) -> None:
    """The same and less is known, the same speed at least; with one option more, or other parts, nothing is."""
    sets, bound = drive_sets_with_bounds(Study.of(random_catalog(seed, sizes=SIZES)))
    f = int(np.argmax([ok.sum(axis=1).max() for ok in sets.allowed]))
    some = sets.only(f, np.arange(sets.allowed[f].shape[1]) != 0)
    rows = np.searchsorted(sets.mark, some.mark)
    cases = BestCases()
    assert np.isinf(cases.of(sets)).all()
    cases.learn(sets, bound)
    assert np.array_equal(cases.of(sets), bound)
    assert np.array_equal(cases.of(some), bound[rows])
    fewer = BestCases()
    fewer.learn(some, bound[rows] - 1.0)
    wider = sets.allowed[f][rows].sum(axis=1) > some.allowed[f].sum(axis=1)
    assert wider.any()
    assert np.array_equal(np.isinf(fewer.of(sets.take(rows))), wider)


@pytest.mark.parametrize("seed", range(4))
def test_best_cases_go_with_the_options_to_their_new_places(seed: int) -> None:
    """With one part more, all that does not have it is known, and what is known is what a new run says."""
    whole, rng = random_catalog(seed, sizes=SIZES), np.random.default_rng(seed + 50)
    less = Study.of(without_one(whole, rng))
    sets, bound = drive_sets_with_bounds(less)
    less.memory.cases.learn(sets, bound)
    more = Study.of(whole, memory=less.memory)
    new_sets, new_bound = drive_sets_with_bounds(more)
    known = more.memory.cases.of(new_sets)
    assert np.isfinite(known).any() or len(new_sets) > len(sets)
    assert (known >= new_bound - 1e-9).all()
    ids = [{part.id for part in parts} for parts in less.options.parts]
    old = [np.array([part.id in mine for part in parts]) for parts, mine in zip(more.options.parts, ids, strict=True)]
    for f, s in enumerate(new_sets.free):
        new_sets = new_sets.only(f, old[s])
    drive = more.judge.model.drive_slots
    own = np.logical_and.reduce([old[s][new_sets.builds[:, s]] for s in drive])
    assert np.isfinite(more.memory.cases.of(new_sets.take(own))).all()
