"""What speeds that are known leave of tires, and what boxes that differ in known speeds alone have in common."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.run.envelope import Envelope
from optimizer.run.simulator import simulate
from optimizer.search.drive_sets import joined
from optimizer.search.propagation import Goal, least_of
from tests.search.catalogs import boxes_of, some_completions
from tests.search.test_bounds_hold import SEEDS, ranker_of, sets_of, tightener_of


@pytest.mark.parametrize("seed", SEEDS)
def test_a_tire_that_holds_is_kept_whatever_speed_its_car_is_known_to_have_reached(seed: int) -> None:
    """Boxes of one build each, with the highest speed of its own runs; what fails by these runs alone is dropped."""
    ranker, rng = ranker_of(seed), np.random.default_rng(800 + seed)
    sets = sets_of(ranker, rng, 60)
    rows, builds = some_completions(sets, rng, 30)
    fits = ranker.legality.allowed(builds)
    rows, builds = rows[fits], builds[fits]
    runs = ranker.judge.runs(builds)
    legal, speed = ranker.judge.judge(builds, runs).legal, ranker.judge.joined(runs)
    some = speed > 20.0
    highest = np.zeros((len(builds), 2))
    highest[:, : len(runs)] = np.stack([run.highest_ms[0] for run in runs], axis=1)
    boxes = boxes_of(sets, rows, builds).marked(np.arange(len(builds)))
    boxes = replace(boxes, each_ms=highest).take(some)
    level = float(speed[some].min())
    goal = Goal(level, np.inf, ties=True, dip=ranker.judge.most_dip_ms(level))
    kept = set(ranker.opener.narrower.not_too_fast(boxes, goal).mark.tolist())
    assert set(np.flatnonzero(legal & some).tolist()) <= kept
    by_runs = set(ranker.opener.narrower.good_at_level(boxes, goal).mark.tolist())
    assert kept <= by_runs
    surface = np.maximum.reduce([ranker.judge.tire_surface(run) for run in runs])
    clear = 0.99 * surface
    front, rear = (ranker.judge.tires_hold(axle, at) for axle, at in zip(("front", "rear"), clear, strict=True))
    slots = [ranker.judge.model.slot_on("tire", axle) for axle in ("front", "rear")]
    cars = np.arange(len(builds))
    holds = front[cars, builds[:, slots[0]]] & rear[cars, builds[:, slots[1]]]
    assert not by_runs & set(np.flatnonzero(some & ~holds).tolist()), "too fast for its tires by the runs that count"


@pytest.mark.parametrize("seed", SEEDS)
def test_no_car_slips_less_than_the_least_slip_on_the_fast_day(seed: int) -> None:
    """On salt that is firmer or softer than that of the runs, or the same; driven tires at the car's highest speed."""
    ranker, rng = ranker_of(seed), np.random.default_rng(810 + seed)
    sets = sets_of(ranker, rng, 40)
    rows, builds = some_completions(sets, rng, 20)
    judge, bounding = ranker.judge, ranker.bounding
    batch = bounding.open(sets).take(rows)
    for salt in judge.event.salts.values():
        day = replace(judge.fast, salt=salt)
        ground, turning = simulate(judge.model.inputs(builds, day), judge.marks_m, "exit").highest_ms
        runs = ground > 5.0
        assert runs.any()
        least = ground * (1.0 + bounding.least_slip(batch, ground, day))
        assert (least <= turning + 1e-6)[runs].all(), salt.name


@pytest.mark.parametrize("seed", [0, 4, 8])
def test_boxes_that_differ_in_known_speeds_alone_have_one_envelope(seed: int) -> None:
    ranker, rng = ranker_of(seed), np.random.default_rng(820 + seed)
    sets, tightener = sets_of(ranker, rng, 10), tightener_of(ranker)
    faster = replace(sets, each_ms=sets.each_ms + 1.0, mark=sets.mark + 100)
    both = joined([sets, faster])
    first, kind = both.alike()
    assert len(first) == len(sets)
    assert (kind[: len(sets)] == kind[len(sets) :]).all()
    _, alone = tightener.envelopes(sets, 40.0)
    _, together = tightener.envelopes(both, 40.0)
    twice = np.tile(np.arange(len(sets)), 2)
    for one, two in zip(alone, together, strict=True):
        assert_same(one.take(twice), two)


def assert_same(one: Envelope, two: Envelope) -> None:
    """Every number of both is the same, those of the forces, masses and shifts too."""
    assert vars(one).keys() == vars(two).keys()
    for name, mine in vars(one).items():
        other = getattr(two, name)
        if isinstance(mine, np.ndarray | float | int):
            np.testing.assert_array_equal(mine, other, err_msg=name)
        elif name == "shifts":
            for a, b in zip(mine, other, strict=True):
                for x, y in zip(a, b, strict=True):
                    np.testing.assert_array_equal(x, y, err_msg=name)
        else:
            parts = getattr(mine, "_fields", None) or getattr(mine, "__slots__", None) or vars(mine)
            for part in parts:
                np.testing.assert_array_equal(getattr(mine, part), getattr(other, part), err_msg=f"{name}.{part}")


def test_least_coefficients_are_those_of_a_plain_minimum() -> None:
    """Kinds in one order, and in orders of their own; where nothing is allowed any number will do."""
    rng = np.random.default_rng(1)
    for kinds in (1, 5):
        for rise in (True, False):
            table = rng.integers(0, 6, (kinds, 9)).astype(float)
            table = np.sort(table, axis=1) if rise else table
            kind, allowed = rng.integers(kinds, size=200), rng.random((200, 9)) < 0.3
            some = allowed.any(axis=1)
            plain = np.where(allowed, table[kind], np.inf).min(axis=1)
            np.testing.assert_array_equal(least_of(table, kind, allowed)[some], plain[some])
