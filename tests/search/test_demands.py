"""What a score asks of runs: closed forms, and times and speeds that do meet it."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.run.affine import FIELDS, cars_of
from optimizer.run.extremes import TorqueExtremes
from optimizer.run.inputs import TorqueTable
from optimizer.scenario.event import Scoring
from optimizer.search.demands import BestCase, Scores, edges_about
from tests.search.test_bounds_hold import points_of, ranker_of, sets_of, some_completions

MARKS = (3000.0, 4600.0)


def case_of(edges: np.ndarray, distance: np.ndarray) -> BestCase:
    """A best case without shifts."""
    return BestCase(edges, distance, distance, np.zeros((len(distance), len(edges) - 1)))


def test_time_of_even_acceleration() -> None:
    """u^2 = 2 a x: between the boards (sqrt(2 a x1) - sqrt(2 a x0)) / a; the bound is just below it."""
    edges, _ = edges_about(55.0, 0.0)
    case = case_of(edges, edges[None] ** 2 / (2 * 0.35))
    exact = (np.sqrt(2 * 0.35 * MARKS[1]) - np.sqrt(2 * 0.35 * MARKS[0])) / 0.35

    assert case.time_s(MARKS)[0] <= exact
    assert case.time_s(MARKS)[0] == pytest.approx(exact, rel=0.01)


def test_time_of_a_steady_speed() -> None:
    """50 m/s from the start on, and never more."""
    edges, _ = edges_about(50.0, 0.0)
    distance = np.where(edges <= 50.0, 0.0, np.inf)[None]

    assert case_of(edges, distance).time_s(MARKS)[0] == pytest.approx(1600.0 / 50.0, rel=1e-3)


def test_speed_at_a_distance_is_not_below_the_real_one() -> None:
    """Even acceleration: the edge above sqrt(2 a x)."""
    edges, _ = edges_about(50.0, 0.0)
    speed = case_of(edges, edges[None] ** 2 / (2 * 0.4)).speed_at(MARKS[0])[0]

    assert 0 <= speed - np.sqrt(2 * 0.4 * MARKS[0]) <= 0.031


@pytest.mark.parametrize("width", [0.06, 0.3, 1.2])
def test_time_up_to_an_unknown_speed_at_the_last_board(width: float) -> None:
    """Even acceleration, some of it slower than the best case by up to 2 %: a time never above the exact one.

    The wider the range in which the speed at the last board is known to lie, the looser; half of what the speed's own
    range would cost with no more than its upper end known.
    """
    edges, _ = edges_about(55.0, 0.0)
    best = 0.33
    case = case_of(edges, edges[None] ** 2 / (2 * best))
    for acceleration in best / np.linspace(1.0, 1.02, 9):
        first, last = (np.sqrt(2 * acceleration * mark) for mark in MARKS)
        exact = (last - first) / acceleration
        for low in last - width * np.array([0.0, 0.3, 0.6, 0.95]):
            reach = np.array([np.searchsorted(edges, low, side="right") - 1])
            high = np.array([max(low + width, last)])
            a, rows = edges[reach[0]], np.zeros(1, dtype=np.int64)
            weight = case.less_of_last(rows, reach, high, MARKS[1])[0]
            to_a = (a - first) / acceleration + MARKS[0] / a - (a * a / (2 * acceleration)) / a
            least = to_a + (MARKS[1] - MARKS[0]) / a - weight * (MARKS[1] - a * a / (2 * acceleration))

            assert least <= exact + 1e-9
            assert weight <= 1 / a - 1 / high[0] + 1e-15
            assert exact - least <= (0.55 * (high[0] - a) ** 2 + 0.03 * (high[0] - a)) / a / acceleration


@pytest.mark.parametrize("mean_of", ["speeds", "times"])
def test_two_runs_that_reach_a_level_meet_the_sum_of_times(mean_of: str) -> None:
    """Random pairs of speeds under the best cases: those at the level or above keep the inequality; few others do."""
    scores = Scores(Scoring(measure="mean", runs=2, mean_of=mean_of), MARKS)
    level, best = 50.0, [np.array([52.0]), np.array([50.5])]
    least = scores.each(best, level)
    factors, most = scores._times(best, least, level)
    rng = np.random.default_rng(1)
    first, second = rng.uniform(47.0, 52.0, 4000), rng.uniform(47.0, 50.5, 4000)
    reach = scores.joined([first, second]) >= level
    spent = factors[0] * scores.length / first + factors[1] * scores.length / second

    assert reach.sum() > 100
    assert (spent[reach] <= most[0] * (1 + 1e-12)).all()
    assert (first[reach] >= least[0, 0]).all()
    assert (second[reach] >= least[0, 1]).all()
    assert (spent[scores.joined([first, second]) < level - 0.05] > most[0]).all()


def test_edges_hold_the_level_and_the_start() -> None:
    """Rising, from the start, with the level among them, on coarse cells as well."""
    for start, coarser in ((0.0, 1), (20.0, 4)):
        edges, aim = edges_about(51.3, start, coarser)
        assert (np.diff(edges) > 0).all()
        assert edges[0] == start
        assert edges[aim] == pytest.approx(51.3, abs=1e-9)


@pytest.mark.parametrize("cap", [55.0021, 55.02, 55.09])
def test_cells_end_at_a_cap_near_the_level(cap: float) -> None:
    """A car that is at the cap from the start on: no faster than it, where cells know of it, and else than its cell."""
    for caps, over in ((np.array([cap, 200.0]), 2e-4), (None, 0.1)):
        edges, aim = edges_about(55.0, 0.0, 1, caps)
        above = edges[:-1] >= cap
        case = case_of(edges, np.append(0.0, np.where(above, np.inf, 0.0))[None])
        mean = (MARKS[1] - MARKS[0]) / case.time_s(MARKS)[0]

        assert (np.diff(edges) > 0).all()
        assert edges[aim] == pytest.approx(55.0, abs=1e-9)
        assert cap - 1e-9 <= mean <= case.speed_at(MARKS[1])[0] + 1e-9 <= cap + over
        assert (mean > cap + 2e-4) == (caps is None)


def test_extremes_of_torque_over_windows() -> None:
    """Against a thousand points in each window."""
    rng = np.random.default_rng(2)
    table = TorqueTable(rng.uniform(50.0, 200.0, (3, 120)), 50.0)
    extremes, engine = TorqueExtremes(table), rng.integers(0, 3, 40)
    low = rng.uniform(0.0, 6200.0, (40, 25))
    high = low + rng.choice([0.0, 3.0, 40.0, 700.0, 4000.0], (40, 25))
    inside = low + np.linspace(0.0, 1.0, 4001)[:, None, None] * (high - low)
    torque = np.stack([table.torque(engine, inside[:, :, k]) for k in range(25)], axis=2)

    most, least = torque.max(axis=0), torque.min(axis=0)
    highest, lowest = extremes.highest(engine, low, high), extremes.lowest(engine, low, high)
    assert (highest >= most - 1e-9).all()
    assert (lowest <= least + 1e-9).all()
    assert highest == pytest.approx(most, abs=5.0), "a point between two samples"
    assert lowest == pytest.approx(least, abs=5.0)


@pytest.mark.parametrize("seed", range(6))
def test_cars_are_affine_in_their_coordinates(seed: int) -> None:
    """Every field of every completion, to rounding; rolling saved by lift is never taken too small."""
    ranker, rng = ranker_of(seed), np.random.default_rng(seed)
    batch = ranker.bounding.open(sets_of(ranker, rng, 10))
    rows, builds = some_completions(batch.sets, rng, 6)
    points = points_of(batch, rows, builds)
    conditions = ranker.judge.conditions[0]
    cars, _ = cars_of(ranker.space, batch.frame, batch.span, conditions)
    real = ranker.space.inputs(batch.frame.take(rows), points, conditions)
    for name in FIELDS:
        found = cars[name].take(rows).at(points)
        if name.startswith("lift_rolling"):
            assert (found >= getattr(real, name) - 1e-12).all(), name
        else:
            assert found == pytest.approx(getattr(real, name), rel=1e-9, abs=1e-12), name
