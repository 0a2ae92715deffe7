"""Searches on the demo that once listed millions of builds: how many are tried, not how long that takes."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from optimizer.answers.brings_in import with_part
from optimizer.answers.buying_order import buying_order
from optimizer.answers.closeness import too_close_to
from optimizer.answers.frontier import STANDING_MS, cheapest_past
from optimizer.answers.near_best import WINDOW_MS, known_builds
from optimizer.errors import NoLegalBuildError, UsageError
from optimizer.pipeline import Question, rank, rank_in, study_of
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


def test_all_that_is_near_the_best_is_compared_with_it(demo: Study) -> None:
    """The most careful and the cheapest of hundreds, not of the fastest of them alone."""
    study = demo.fresh()
    result = rank_in(study, Question())
    met = known_builds(study, demo.scenario.event.budget_cents)
    met = met.take(met.speed_ms >= met.speed_ms[0] - WINDOW_MS)
    close = met.take(np.append(True, too_close_to(study, met.builds[0], met.builds[1:])))

    assert result.near_met == len(met.builds) > result.near_compared > result.near_count
    assert result.cheapest.cents == close.cents.min()
    assert round(result.most_careful.care, 3) == round(float(close.care.max()), 3)


def test_a_search_that_had_no_time_does_not_say_that_no_build_is_legal(demo: Study) -> None:
    """With this rotor none is, but that takes longer to show."""
    with pytest.raises(UsageError, match="no legal build was met within the time limit; there may be one"):
        rank(demo.scenario, Question(with_parts=("RF11",), time_limit_s=1e-3))


def test_a_speed_next_to_nothing_is_asked_for_without_numbers_that_are_none(demo: Study) -> None:
    """Cuts for it had no number in them, and ruled out what they were laid on; it is the cheapest legal car."""
    event = replace(demo.scenario.event, race_class="Smoothed 1500")
    study = Study.of(replace(demo.scenario, event=event))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = study.cheapest(STANDING_MS, budget_cents=140_000)
    assert found.evidence.closed
    assert found.listed == 1
    assert study.fresh().best(budget_cents=int(found.cents[0]) - 1).listed == 0


def test_the_first_stage_buys_no_legal_car_for_what_it_fails_at_speed(demo: Study) -> None:
    """Also where the builds that fail were run before."""
    event = replace(demo.scenario.event, race_class="Smoothed 1500")
    with pytest.raises(NoLegalBuildError, match="fails at speed: rotor rise"):
        buying_order(Study.of(replace(demo.scenario, event=event)), [134_900, 230_000])


def test_a_part_that_no_build_may_have_is_refused_with_the_check_it_fails(demo: Study) -> None:
    """Nothing is run on the way: the search knows what the lightest car fails."""
    with pytest.raises(NoLegalBuildError, match="fails at speed: rotor rise"):
        rank(demo.scenario, Question(with_parts=("RF11",)))
