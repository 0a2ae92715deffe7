"""Bounds of the recheck against random builds: none is faster or cheaper than the bound of the box it is in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.recheck.asking import Asked, Case
from optimizer.recheck.choices import Boxes
from optimizer.recheck.completing import Asking, Line, completed
from optimizer.recheck.groups import Groups
from optimizer.recheck.rounds import RUN_ERROR_MS, Left, Rounds
from optimizer.recheck.screening import Screen
from optimizer.run.keeping import Keeping
from optimizer.run.linear import COORDINATES
from optimizer.scenario.reading import read_scenario
from tests.search.catalogs import enumerated, random_catalog
from tests.test_second_reading import unsettled

SEEDS = range(12)
COUNTED = 40


def boxes_of(case: Case, rng: np.random.Generator, count: int) -> Boxes:
    """Some drive sets with some of the options that suit them."""
    builds = Groups(case).builds
    builds = builds[rng.choice(len(builds), min(count, len(builds)), replace=False)]
    costs = case.costing.of(builds)
    allowed = []
    for ok in case.choices.allowed(builds, case.drive_slots):
        some = ok & (rng.random(ok.shape) < rng.uniform(0.2, 1.0, (len(ok), 1)))
        allowed.append(np.where(some.any(axis=1, keepdims=True), some, ok))
    boxes = Boxes.unknown(builds, case.free, tuple(allowed), costs.spent, costs.cents)
    return boxes.take(boxes.alive)


def some_builds(boxes: Boxes, rng: np.random.Generator, each: int) -> tuple[np.ndarray, np.ndarray]:
    """Random builds of boxes, and the box of each."""
    rows = np.repeat(np.arange(len(boxes)), each)
    builds = boxes.builds[rows]
    for s, ok in zip(boxes.free, boxes.allowed, strict=True):
        weights = ok[rows] * rng.random((len(rows), ok.shape[1]))
        builds[:, s] = weights.argmax(axis=1)
    return rows, builds


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("fine", [False, True])
def test_no_build_is_faster_than_the_screen_of_its_box(seed, fine):
    """Over all layouts and scorings, near the level and far from it; boxes of single builds too."""
    rng, case = np.random.default_rng(seed), Case(random_catalog(seed), Asked(5))
    boxes = boxes_of(case, rng, 60)
    rows, builds = some_builds(boxes, rng, 12)
    speed = case.judge.speeds(builds)
    single = Boxes.unknown(
        builds, boxes.free,
        tuple(np.eye(ok.shape[1], dtype=bool)[builds[:, s]] for s, ok in zip(boxes.free, boxes.allowed, strict=True)),
        boxes.spent[rows], tuple(cents[rows] for cents in boxes.cents),
    )  # fmt: skip
    for level in np.quantile(speed[speed > 0], [0.3, 0.7, 0.99]):
        rounds, screen = Rounds(case, float(level)), Screen(case, float(level), fine=fine)
        for some, which in ((boxes, rows), (single, np.arange(len(rows)))):
            opened = rounds.open(some)
            bound = rounds.scores.joined(rounds.scores.bounds(screen.cases(opened.frame, opened.span)))

            assert (speed <= bound[which] + 2e-3).all()


@pytest.mark.parametrize("seed", SEEDS)
def test_no_drive_set_that_could_not_keep_a_speed_has_a_build_that_scores_it(seed):
    """Of any options that may be chosen at all; and sets are ruled out, more of them at higher speeds."""
    rng, case = np.random.default_rng(seed), Case(random_catalog(seed), Asked(5))
    boxes = boxes_of(case, rng, 60)
    usable = replace(
        boxes, allowed=tuple(np.repeat(case.choices.open[s][None], len(boxes), axis=0) for s in boxes.free)
    )
    rows, builds = some_builds(usable, rng, 25)
    speed, out = case.judge.speeds(builds), []
    for level in (*np.quantile(speed[speed > 0], [0.1, 0.5, 0.9]), speed.max(), speed.max() + 4.0):
        rounds = Rounds(case, float(level))
        splits = rounds.scores.splits(rounds.aim, len(case.judge.conditions))
        able = Keeping(case.space, case.judge.conditions).could(boxes.builds, splits)
        assert (speed[~able[rows]] < level).all()
        out.append(int((~able).sum()))
    assert out == sorted(out)
    assert out[-1] > 0


@pytest.mark.parametrize("seed", SEEDS)
def test_the_screen_comes_near(seed):
    """Boxes of single builds: within 5 % of what they do, most of them."""
    rng, case = np.random.default_rng(seed), Case(random_catalog(seed), Asked(5))
    boxes = boxes_of(case, rng, 60)
    rows, builds = some_builds(boxes, rng, 4)
    speed = case.judge.speeds(builds)
    single = replace(
        boxes.take(rows), builds=builds,
        allowed=tuple(np.eye(ok.shape[1], dtype=bool)[builds[:, s]]
                      for s, ok in zip(boxes.free, boxes.allowed, strict=True)),
    )  # fmt: skip
    level = float(np.quantile(speed, 0.8))
    rounds, screen = Rounds(case, level), Screen(case, level, fine=True)
    opened = rounds.open(single)
    bound = rounds.scores.joined(rounds.scores.bounds(screen.cases(opened.frame, opened.span)))
    near = np.abs(speed - level) < 0.05 * level

    assert np.median(bound[near] / speed[near]) < 1.05


class Anyhow:
    """Decisions of a round at random: whatever they are, no build that counts may be lost."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng

    def share(self, _place, _demand, _fast, _slow, rows):
        return self.rng.random(len(rows))

    def multiplier(self, _place, _prospects, rows):
        return self.rng.choice([0.0, 1e-6, 1e-5, 1e-4], len(rows))


@pytest.mark.parametrize("seed", SEEDS)
def test_no_build_that_counts_is_lost_in_rounds_and_splits(seed):
    """The fastest of all are each in one of the boxes left, keep its cuts, and their speeds are as the box says."""
    rng, case = np.random.default_rng(700 + seed), Case(random_catalog(seed), Asked(5))
    counts = enumerated(seed)[0][:COUNTED]
    level = float(case.judge.speeds(counts).min())
    rounds, typical = Rounds(case, level), rng.random(len(COORDINATES))
    sieved = Groups(case).sieved(rounds)
    boxes = sieved.boxes(np.arange(len(sieved)))
    before, ranged = boxes.completions.sum(), rounds.scores.ranged(len(case.judge.conditions))
    for number in range(5):
        left = rounds.go(boxes, 4 - 2 * (number > 0), Anyhow(rng))
        listed = listed_with(case, left, counts)
        if number % 2 and ranged:
            boxes = rounds.by_speed(left.boxes, range(ranged)).boxes
        else:
            f = int(rng.integers(len(boxes.free)))
            first = rng.integers(0, left.boxes.allowed[f].sum(axis=1) + 1)
            boxes = rounds.by_slot(left.boxes, f, first, typical).boxes

    assert listed < before


def listed_with(case: Case, left: Left, builds: np.ndarray) -> int:
    """How many builds a round leaves; each of some must be listed for a box whose speeds are its own."""
    runs, found, marks = case.judge.runs(builds), np.zeros(len(builds), dtype=bool), case.judge.event.scoring.measure
    listed, box, too_many = left.builds(np.arange(len(left.boxes)), case, 10**6)
    assert not too_many.any()
    for place in range(len(left.boxes)):
        own = {row.tobytes() for row in listed[box == place]}
        inside = np.array([build.tobytes() in own for build in builds], dtype=bool)
        passed = np.maximum.reduce([run.passing.speed[1] for run in runs])
        inside &= passed >= left.boxes.board_ms[place] - 1e-9
        for number, run in enumerate(runs):
            highest = run.passing.speed[0] if marks == "trap" else run.highest_ms[0]
            low, high = left.boxes.each_ms[place, number], left.boxes.below_ms[place, number]
            inside &= (highest >= low - RUN_ERROR_MS) & (highest <= high + RUN_ERROR_MS)
        found |= inside
    assert found.all()
    return len(np.unique(listed, axis=0))


def prices_of(case: Case, builds: np.ndarray) -> list[int | None]:
    """Prices of builds; None where one cannot be had."""
    return [case.cents(build) for build in builds]


@pytest.mark.parametrize("seed", range(24))
@pytest.mark.parametrize("harder", [False, True])
def test_no_build_costs_less_than_the_bound_of_its_box(seed, harder):
    """Kits, packs, owned pieces, resale, shared work; the same part in several slots more often than by chance."""
    scenario = random_catalog(seed)
    case = Case(unsettled(scenario, seed) if harder else scenario, Asked(5))
    rng = np.random.default_rng(seed)
    boxes = boxes_of(case, rng, 40)
    rows, builds = some_builds(boxes, rng, 8)
    for row in builds[::2]:
        for s in case.free:
            for t in case.drive_slots:
                here, there = case.options.parts[s], case.options.parts[t][row[t]]
                row[s] = next((o for o, part in enumerate(here) if part.id == there.id and part.id != "none"), row[s])
    least = boxes.spent[rows] + sum(
        cents[rows, builds[:, s]] for s, cents in zip(boxes.free, boxes.cents, strict=True)
    )
    prices = prices_of(case, builds)
    for bound, cents in zip(least, prices, strict=True):
        if cents is not None:
            assert bound <= cents + 1e-6
    assert harder or sum(cents is not None for cents in prices) > 20


def test_bounds_on_prices_are_mostly_exact_on_the_demo():
    case = Case(read_scenario("catalogs_demo/thrennel_flat"), Asked(5))
    rng = np.random.default_rng(0)
    boxes = boxes_of(case, rng, 150)
    rows, builds = some_builds(boxes, rng, 2)
    least = boxes.spent[rows] + sum(
        cents[rows, builds[:, s]] for s, cents in zip(boxes.free, boxes.cents, strict=True)
    )
    gaps = [cents - bound for bound, cents in zip(least, prices_of(case, builds), strict=True) if cents is not None]

    assert min(gaps) >= -1e-6
    assert np.mean(np.array(gaps) < 0.1 * np.median(least)) > 0.8


def test_completions_are_those_that_keep_all():
    """Against going through everything: three slots, money, two cuts of which one does not hold, a forbidden pair."""
    rng = np.random.default_rng(5)
    sizes, count = (4, 3, 5), 6
    allowed = tuple(rng.random((count, m)) < 0.8 for m in sizes)
    cents = tuple(rng.integers(0, 50, (count, m)).astype(float) for m in sizes)
    scores = [tuple(rng.normal(size=(count, m)) for m in sizes) for _ in range(2)]
    spare = [np.full(count, 0.3), np.where(np.arange(count) % 2 == 0, np.inf, 0.8)]
    lines = tuple(Line(a, b, np.full(count, 0.01)) for a, b in zip(spare, scores, strict=True))
    left, table = rng.uniform(40, 100, count), rng.random((4, 5)) < 0.3
    way, chosen, crowded = completed(Asking((1, 4, 6), allowed, cents, left, lines), {(1, 6): table}, 10**6)
    found = {(int(w), *map(int, row)) for w, row in zip(way, chosen, strict=True)}
    wanted = set()
    for w in range(count):
        for choice in np.ndindex(*sizes):
            fits = all(allowed[f][w, o] for f, o in enumerate(choice)) and not table[choice[0], choice[2]]
            paid = sum(cents[f][w, o] for f, o in enumerate(choice)) <= left[w]
            kept = all(s[w] + sum(v[f][w, o] for f, o in enumerate(choice)) >= 0
                       for s, v in zip(spare, scores, strict=True))  # fmt: skip
            if fits and paid and kept:
                wanted.add((w, *choice))

    assert found == wanted
    assert len(wanted) > 20
    assert not crowded.any()


def test_too_many_completions_are_given_up_and_said_so():
    free = tuple(np.ones((2, 4), dtype=bool) for _ in range(3))
    none = tuple(np.zeros((2, 4)) for _ in range(3))
    free[1][1, 1:] = free[2][1, 1:] = False
    way, _, crowded = completed(Asking((0, 1, 2), free, none, np.full(2, np.inf), ()), {}, 10)

    np.testing.assert_array_equal(crowded, [True, False])
    assert (way == 1).all()
    assert len(way) == 4
