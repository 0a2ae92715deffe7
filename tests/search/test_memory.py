"""What an earlier search found out may make the next one shorter, never another answer."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from optimizer.choice.options import options_of
from optimizer.scenario.event import Scenario
from optimizer.search.study import Study
from tests.search.catalogs import random_catalog

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


def random_question(study: Study, budget: int, rng: np.random.Generator) -> dict[str, object]:
    """Another budget, lower or higher; or a part that must be in, or must not."""
    kind = rng.integers(4)
    part = str(rng.choice(ids_of(study)))
    if kind < 2:
        return {"budget_cents": int(budget * rng.uniform(0.6, 1.3))}
    wish = "with_parts" if kind == 2 else "without_parts"
    return {"budget_cents": budget, wish: (part,)}


def same_answer(study: Study, question: dict[str, object]) -> None:
    """The answer of a study that remembers is that of one that knows nothing."""
    warm, cold = study.best(TOP, **question), study.fresh().best(TOP, **question)  # type: ignore[arg-type]
    assert warm.evidence.closed
    assert cold.evidence.closed
    assert warm.listed == cold.listed
    assert np.array_equal(warm.builds[: warm.listed], cold.builds[: cold.listed]), question
    assert np.array_equal(warm.speed_ms[: warm.listed], cold.speed_ms[: cold.listed])


@pytest.mark.parametrize("seed", range(10))
def test_a_changed_question_has_the_same_answer_as_when_asked_first(seed: int) -> None:
    """A hundred changes in all, one after the other with one memory: what must not be reused would show."""
    scenario, rng = random_catalog(seed, sizes=SIZES), np.random.default_rng(seed)
    study = Study.of(scenario)
    budget = scenario.event.budget_cents or 300_000
    same_answer(study, {"budget_cents": budget})
    for _ in range(CHANGES):
        same_answer(study, random_question(study, budget, rng))


@pytest.mark.parametrize("seed", range(8))
def test_one_part_more(seed: int) -> None:
    """Only builds with the new part are unknown; the answer is that of a new search."""
    whole, rng = random_catalog(seed, sizes=SIZES), np.random.default_rng(seed + 50)
    less = Study.of(without_one(whole, rng))
    budget = whole.event.budget_cents
    less.best(TOP, budget_cents=budget)
    more = Study.of(whole, memory=less.memory)
    assert len(more.memory.builds) == len(less.memory.builds)
    same_answer(more, {"budget_cents": budget})
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
