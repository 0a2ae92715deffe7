"""Searches on the demo that once listed millions of builds: how many are tried, not how long that takes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from optimizer.answers.brings_in import with_part
from optimizer.answers.frontier import cheapest_past
from optimizer.pipeline import study_of
from optimizer.search.study import Study
from optimizer.units import from_unit
from tests.scenes import DEMO, Scene

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def demo() -> Study:
    """With nothing known."""
    return study_of(Scene(DEMO).scenario)


@pytest.mark.parametrize(
    ("part", "tried"),
    [
        pytest.param("T03", 20_000, id="a bracket holds what its tires are too slow for"),
        pytest.param("W15", 5_000, id="half the price of a set of four in each slot affords nothing"),
    ],
)
def test_few_builds_are_tried(demo: Study, part: str, tried: int) -> None:
    """And the best build with the part is ruled to be it by argument."""
    found = demo.fresh().best(budget_cents=demo.scenario.event.budget_cents, with_parts=(part,))
    assert found.listed == 1
    assert found.evidence.closed
    assert found.evidence.completions < tried


def test_few_builds_are_tried_for_the_cheapest_with_an_engine_given_away(demo: Study) -> None:
    """Its drive sets have no tangent that holds; to split each and list every part tried 230,000."""
    given = Study.of(with_part(demo.scenario, replace(demo.scenario.parts["E05"], price_cents=0)))
    found = given.cheapest(
        51.9265, budget_cents=demo.scenario.event.budget_cents, with_parts=("E05",), fastest_first=False
    )
    assert found.listed == 1
    assert found.evidence.closed
    assert found.evidence.completions < 20_000


@pytest.mark.parametrize(
    ("mph", "tried"),
    [
        pytest.param(118.0, 100_000, id="more money than there is does it"),
        pytest.param(150.0, 200_000, id="none does it; the fastest for any money is told"),
    ],
)
def test_a_target_above_what_the_budget_does_comes_to_an_end(demo: Study, mph: float, tried: int) -> None:
    """Money then rules out nothing: drive sets were split, and what came of that again, without end."""
    target = from_unit(mph, "mph", "speed")
    study = demo.fresh()
    found = cheapest_past(study, target)
    assert found is not None
    assert found.closed
    assert found.cents > demo.scenario.event.budget_cents
    assert found.reached is (found.speed_ms >= target)
    assert found.reached is (mph < 120)
    assert len(study.memory.builds) < tried
