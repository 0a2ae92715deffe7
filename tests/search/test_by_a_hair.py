"""Rules made so tight that one good build just meets them: the search lists what enumeration does.

A bound that is too strict by a little drops just such a build, and hardly ever another.
"""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from optimizer.choice.options import FloatArray, IntArray
from optimizer.run.judge import CHECKS, TIRE_SPEED, Judge
from optimizer.run.simulator import Run
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import Rotor
from optimizer.search import ranking, state
from optimizer.search.pool import Evidence, Pool
from optimizer.search.state import SearchState
from tests.search.catalogs import Tried, random_catalog, ranker_of

SIZES = ((1, 1, 2, 3, 2, 2, 2), (1, 2, 1, 3, 3, 2, 2), (2, 1, 2, 2, 2, 2, 2))
HAIR = 1e-8
"""What the build has to spare, as a share."""
LISTED = 5


def tightened(scenario: Scenario, tried: Tried, row: int, check: str) -> Scenario:
    """The scenario with a rule that a build, by its row, just meets."""
    event = scenario.event
    tires, distance, rise, _ = (1.0 - tried.judged.margins[:, row]) * (1.0 + HAIR)
    if check == "tire speed":
        margin = (1.0 + event.fast_case.tire_speed_margin) / tires - 1.0
        return replace(scenario, event=replace(event, fast_case=replace(event.fast_case, tire_speed_margin=margin)))
    if check == "stopping distance":
        course = replace(event.course, shutdown_m=event.course.shutdown_m * distance)
        return replace(scenario, event=replace(event, course=course))
    if check == "rotor rise":
        parts = {
            name: replace(part, max_rise_k=part.max_rise_k * rise)
            if isinstance(part, Rotor) and part.max_rise_k
            else part
            for name, part in scenario.parts.items()
        }
        return replace(scenario, parts=MappingProxyType(parts))
    low, high = 0.1, 10.0  # of the load on the heavier wheel, until the build just passes
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _passes(_loaded(scenario, middle), tried, row) else (low, middle)
    return _loaded(scenario, low)


def _loaded(scenario: Scenario, factor: float) -> Scenario:
    """The same with another share of each axle's load on its heavier wheel."""
    car = scenario.car
    front, rear = (
        replace(hub, heaviest_corner_share=factor * hub.heaviest_corner_share) for hub in (car.front, car.rear)
    )
    return replace(scenario, car=replace(car, front=front, rear=rear))


def _passes(scenario: Scenario, tried: Tried, row: int) -> bool:
    """Whether a build carries its load, standing and at speed."""
    ranker, build = ranker_of(scenario), tried.builds[row : row + 1]
    at_speed = ranker.judge.judge(build, ranker.judge.runs(build)).passes[CHECKS.index("load at speed"), 0]
    return bool(ranker.legality.allowed(build)[0] and at_speed)


def row_of(tried: Tried, build: IntArray) -> int:
    """Where a build (S,) stands among those tried."""
    return int(np.flatnonzero((tried.builds == build).all(axis=1))[0])


@pytest.fixture
def little_is_no_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is tried only because there is little to try."""
    monkeypatch.setattr(ranking, "ALL_TRIED", 0)
    monkeypatch.setattr(ranking, "FEW_TRIED", 0)


def assert_listed_as_tried(scenario: Scenario, best: IntArray, speeds: FloatArray) -> Evidence:
    """A search lists the legal builds, given best first, and has shown that there is nothing else."""
    found = ranker_of(scenario).top(LISTED, thorough=True)
    assert found.evidence.closed
    assert found.listed == min(LISTED, len(best))
    np.testing.assert_array_equal(found.builds[: found.listed], best[: found.listed])
    np.testing.assert_array_equal(found.speed_ms[: found.listed], speeds[: found.listed])
    return found.evidence


@pytest.mark.slow
@pytest.mark.usefixtures("little_is_no_reason")
@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("seed", [0, 4, 8])
def test_a_build_that_is_legal_by_a_hair_is_found(seed: int, check: str) -> None:
    """The best build, and one further down."""
    scenario = random_catalog(seed, sizes=SIZES[seed % 3])
    tried = Tried(scenario)
    builds = tried.in_order()[0]
    for place in (0, len(builds) // 20):
        tight = tightened(scenario, tried, row_of(tried, builds[place]), check)
        best, speeds, _, _ = Tried(tight).in_order()
        assert (best == builds[place]).all(axis=1).any(), "it is legal still"
        assert_listed_as_tried(tight, best, speeds)


@pytest.mark.slow
@pytest.mark.usefixtures("little_is_no_reason")
@pytest.mark.parametrize("seed", [0, 4])
def test_what_is_too_fast_for_its_tires_may_be_asked_first(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The list is that of enumeration, and what the fast day refuses is not run under the conditions that count."""
    monkeypatch.setattr(state, "TELLING", 10**9)
    monkeypatch.setattr(SearchState, "tires_first", True)
    tight, refused = too_fast(seed)
    best, speeds, _, _ = Tried(tight).in_order()
    judge = ranker_of(tight).judge
    too_fast_there = refused[~judge.tires_last(refused, judge.on_fast_day(refused))]
    assert len(too_fast_there)
    run: set[bytes] = set()
    runs = Judge.runs

    def watched(judge: Judge, builds: IntArray) -> tuple[Run, ...]:
        run.update(build.tobytes() for build in builds)
        return runs(judge, builds)

    monkeypatch.setattr(Judge, "runs", watched)
    evidence = assert_listed_as_tried(tight, best, speeds)
    assert evidence.refused[TIRE_SPEED] > 0
    assert run
    assert not run & {build.tobytes() for build in too_fast_there}


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 4])
def test_it_is_asked_first_as_long_as_it_refuses_most(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """And only once a level is known: before, builds that were refused are changed into legal ones."""
    monkeypatch.setattr(state, "TELLING", 5)
    tight, refused = too_fast(seed)
    best = Tried(tight).in_order()[0]
    ranker = ranker_of(tight)
    ranker._begin(Pool(ranker.judge, 1), None)
    first = []
    for builds in (refused[:5], best[-1:], refused[5:10], refused[10:15], best[:-1]):
        ranker._try(builds)
        first.append(ranker.tires_first)
    assert first == [False, False, True, True, False]
    assert ranker.evidence.refused[TIRE_SPEED] == 15
    np.testing.assert_array_equal(ranker.pool.best(1), best[:1])


def too_fast(seed: int) -> tuple[Scenario, IntArray]:
    """A catalog whose margin on tires the build a twentieth down its list just meets, and those that then do not."""
    scenario = random_catalog(seed, sizes=SIZES[seed % 3])
    tried = Tried(scenario)
    builds = tried.in_order()[0]
    tight = tightened(scenario, tried, row_of(tried, builds[len(builds) // 20]), TIRE_SPEED)
    legal = {build.tobytes() for build in Tried(tight).in_order()[0]}
    return tight, builds[[build.tobytes() not in legal for build in builds]]
