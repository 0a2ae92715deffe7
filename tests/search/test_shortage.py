"""What rules and money leave together: no legal build is lost, and what is told apart is more than each tells alone."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from optimizer.choice.options import BoolArray, IntArray
from optimizer.choice.wishes import with_wishes
from optimizer.pipeline import study_of
from optimizer.run.judge import CHECKS
from optimizer.scenario.car import Job
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import Part
from optimizer.search.drive_sets import DriveSets
from optimizer.search.propagation import Goal
from optimizer.search.ranking import Ranker
from tests.choice.records import extra_slot, make_extra, make_final_drive, make_rotor, make_scenario
from tests.scenes import DEMO, Scene
from tests.search.catalogs import LAYOUTS, drive_sets_of, enumerate_all, machinery, random_catalog

PLACES = tuple(f"place {number}" for number in range(8))
SEEDS = range(6)
FEW = 40
"""Builds that stop from the planned speed."""


def light_parts(seed: int) -> Scenario:
    """Lighter pieces for eight places and rotors that take more, for more money; work that all places share."""
    rng = np.random.default_rng(seed)

    def cents(grade: int) -> int:
        return int(rng.integers(1500, 6000)) * grade + int(rng.integers(1, 99))

    parts: list[Part] = [
        make_extra(
            f"X{number}", slots=(place,), mass_kg=float(-rng.uniform(3, 9)), price_cents=cents(1), work=("trim",)
        )
        for number, place in enumerate(PLACES)
    ]
    parts += [
        make_rotor(f"R{i}", axle="front", heat_mass_kg=4.0 + 0.03 * i, price_cents=cents(i)) for i in (1, 2)
    ]
    parts += [make_final_drive(f"F{i}", ratio=float(rng.uniform(3.6, 4.6)), price_cents=cents(1)) for i in range(2)]
    slots = [extra_slot(place) for place in PLACES]
    jobs = (Job(name="trim", cost_cents=int(rng.integers(1000, 9999)), hours=1.0),)
    return make_scenario(parts, extra_slots=slots, jobs=jobs, drive=LAYOUTS[seed % 3])


def planned(scenario: Scenario, record_ms: float) -> Scenario:
    """With another record, and so another speed that the rotors have to stop the car from."""
    races = {name: replace(race, record_ms=record_ms) for name, race in scenario.event.classes.items()}
    return replace(scenario, event=replace(scenario.event, classes=races))


@cache
def hot(seed: int) -> tuple[Scenario, IntArray, IntArray]:
    """A small catalog of which few builds stop from the planned speed, its legal builds and their prices.

    Which rotors will do then hangs on what the car weighs, and that on money.
    """
    scenario = light_parts(seed)
    low, high = 30.0, 120.0
    for _ in range(12):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if len(enumerate_all(planned(scenario, middle))[0]) >= FEW else (low, middle)
    scenario = planned(scenario, low)
    builds, _, cents, _ = enumerate_all(scenario)
    return scenario, builds, cents


def within(seed: int, share: float, more_cents: int = 0) -> tuple[Scenario, IntArray]:
    """With just the money for one of the legal builds, from the cheapest to the dearest; and those there are then."""
    scenario, builds, cents = hot(seed)
    money = int(np.sort(cents)[int(share * (len(cents) - 1))]) + more_cents
    return replace(scenario, event=replace(scenario.event, budget_cents=money)), builds[cents <= money]


def asked(scenario: Scenario) -> tuple[Ranker, DriveSets, Goal]:
    """A search, its drive sets and what it asks for: any legal build that can be paid."""
    _, legality, book, judge = machinery(scenario)
    ranker = Ranker(judge, legality, book, scenario.event.budget_cents, None)
    sets = drive_sets_of(legality, judge.model.drive_slots, book, scenario.event.budget_cents)
    goal = Goal(-np.inf, ranker.budget)
    return ranker, ranker.opener.narrower.tighten(sets.marked(np.arange(len(sets))), goal), goal


def possible_of(ranker: Ranker, sets: DriveSets, goal: Goal) -> BoolArray:
    """Whether each drive set may have a legal completion (D,), as the search asks."""
    group, boxes = ranker.shortage.together(sets, goal)
    return ranker.shortage.possible(boxes, goal)[group]


def whose(sets: DriveSets, builds: IntArray, drive: tuple[int, ...]) -> IntArray:
    """Place (n,) of the drive set that each build has; -1 where it is not among them."""
    place = {build[list(drive)].tobytes(): row for row, build in enumerate(sets.builds)}
    return np.array([place.get(build[list(drive)].tobytes(), -1) for build in builds], dtype=np.int64)


@pytest.mark.parametrize("share", [0.0, 0.02, 0.3])
@pytest.mark.parametrize("seed", SEEDS)
def test_no_legal_build_is_lost(seed: int, share: float) -> None:
    """Every legal build has a drive set that may be completed, and is among the completions that are listed."""
    scenario, legal = within(seed, share)
    ranker, sets, goal = asked(scenario)
    sets = ranker.shortage.at_their_slowest(sets, goal)
    possible = possible_of(ranker, sets, goal)
    at = whose(sets, legal, ranker.judge.model.drive_slots)

    assert (at >= 0).all()
    assert possible[at].all()

    left, found = sets.take(possible), [legal[:0]]
    for _ in range(30):
        if len(left) == 0:
            break
        builds, left = ranker.shortage.step(left, goal)
        found.append(builds)
    listed = {build.tobytes() for build in np.concatenate(found)}
    assert len(left) == 0
    assert {build.tobytes() for build in legal} <= listed


@pytest.mark.parametrize("seed", SEEDS)
def test_twenty_dollars_too_little_leave_nothing_though_each_rule_alone_would(seed: int) -> None:
    """With less than the cheapest legal build costs no drive set is possible; with its price the ones of such are."""
    ranker, sets, goal = asked(within(seed, 0.0, -2000)[0])

    assert len(sets) > 0
    assert not possible_of(ranker, sets, goal).any()

    ranker, sets, goal = asked(within(seed, 0.0)[0])

    assert possible_of(ranker, sets, goal).any()


def test_a_rotor_of_the_demo_that_no_affordable_car_is_light_enough_for() -> None:
    """Each rule alone leaves thousands of drive sets; together they leave none, and that is said without any run."""
    study = study_of(Scene(DEMO).scenario)
    legality = with_wishes(study.legality, ("RF03",), ())
    ranker = Ranker(study.judge, legality, study.book, study.scenario.event.budget_cents, study.book.hours_limit)
    sets = drive_sets_of(legality, study.judge.model.drive_slots, study.book, ranker.budget_cents)
    goal = Goal(-np.inf, ranker.budget)
    left = ranker.opener.narrower.tighten(sets, goal)

    assert len(left) > 1000
    assert not possible_of(ranker, left, goal).any()


@pytest.mark.parametrize("seed", [0, 1, 3, 4, 6, 7])
def test_the_slowest_of_each_drive_set_costs_no_legal_build(seed: int) -> None:
    """Catalogs with speed brackets, kits and slow tires: asked is what every car reaches, those at a cap included."""
    scenario = random_catalog(seed, sizes=(1, 1, 1, 2, 2, 1, 2))
    legal, _, _, _ = enumerate_all(scenario)
    ranker, sets, goal = asked(scenario)
    left = ranker.shortage.at_their_slowest(sets, goal)
    at = whose(left, legal, ranker.judge.model.drive_slots)

    assert len(legal) > 0
    assert (at >= 0).all()
    for s, ok in zip(left.free, left.allowed, strict=True):
        assert ok[at, legal[:, s]].all()


@pytest.mark.parametrize("seed", [0, 1, 2, 3, 5, 7])
def test_rotor_rows_are_the_check_of_a_run_where_radii_are_known(seed: int) -> None:
    """With the radii of a build's own tires they say what the check does; with larger ones they keep all that pass."""
    scenario, rng = random_catalog(seed), np.random.default_rng(seed)
    options, _, _, judge = machinery(scenario)
    builds = np.stack([rng.integers(0, size, 400) for size in options.sizes], axis=1)
    runs = judge.runs(builds)
    moving = np.flatnonzero(np.minimum.reduce([run.score_ms for run in runs]) > 0)
    builds, runs = builds[moving], tuple(run.take(moving) for run in runs)
    board = np.maximum.reduce([run.passing.speed[1] for run in runs])
    passes = judge.judge(builds, runs).passes[CHECKS.index("rotor rise")]
    radius = judge.model.drive_rows(builds).radius_m

    def kept(larger: float) -> np.ndarray:
        rows = judge.rotor_rows(board, radius * larger)
        used = [sum(c[np.arange(len(builds)), builds[:, s]] for s, c in enumerate(each)) for each, _ in rows]
        return np.logical_and.reduce([total <= upper for total, (_, upper) in zip(used, rows, strict=True)])

    assert 0 < passes.sum() < len(passes)
    assert (kept(1.0) == passes).all()
    assert kept(1.1)[passes].all()
