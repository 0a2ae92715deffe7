"""What the rev limiter asks: a car that was as fast has it to spare, and one that the limiter holds nothing more."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.run.envelope import Envelope
from optimizer.run.inputs import FloatArray, IntArray
from optimizer.run.panels import LIMITS
from optimizer.run.simulator import Run, simulate
from optimizer.search.demands import edges_about
from optimizer.search.drive_sets import DriveSets
from optimizer.search.limiter import limiter_cut
from optimizer.search.ranking import Ranker
from optimizer.search.tightening import ROUNDING_MS, RUN_ERROR_MS
from tests.search.catalogs import boxes_of, some_completions
from tests.search.test_bounds_hold import SEEDS, points_of, ranker_of, sets_of


def runs_of(ranker: Ranker, builds: IntArray) -> list[Run]:
    """A long run under each of the conditions, to the end of the course."""
    length = ranker.judge.marks_m[1]
    return [
        simulate(ranker.judge.model.inputs(builds, each), (0.5 * length, length), "exit")
        for each in ranker.judge.conditions
    ]


def spare_at(
    ranker: Ranker, sets: DriveSets, rows: IntArray, builds: IntArray, run: int, speed_ms: FloatArray, revs: float = 1.0
) -> FloatArray:
    """What builds have to spare of what the limiter asks of their boxes at a speed (D,); nan where nothing is said.

    ``revs``: the limiter is set to so much of what it is.
    """
    batch, conditions = ranker.bounding.open(sets), ranker.judge.conditions[run]
    edges, aim = edges_about(float(np.median(speed_ms)), ranker.judge.model.car.start_speed_ms)
    envelope = Envelope(ranker.space, batch.frame, batch.span, conditions, edges, aim, None, speed_ms)
    envelope.highest_surface *= revs
    spare, holds = limiter_cut(envelope, speed_ms)
    return np.where(holds[rows], spare.take(rows).at(points_of(batch, rows, builds)), np.nan)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_car_that_was_as_fast_has_it_to_spare(seed: int) -> None:
    """In boxes of all completions, and of one."""
    ranker, rng = ranker_of(seed), np.random.default_rng(700 + seed)
    sets = sets_of(ranker, rng, 12)
    rows, builds = some_completions(sets, rng, 8)
    for run, each in enumerate(runs_of(ranker, builds)):
        highest = each.highest_ms[0]
        going = highest > 0
        for share in (0.3, 0.8):
            speed = np.full(len(sets), np.quantile(highest[going], share))
            spare = spare_at(ranker, sets, rows, builds, run, speed - RUN_ERROR_MS)
            assert not (spare[highest >= speed[rows]] < -ROUNDING_MS).any(), share
        alone, every = boxes_of(sets, rows, builds), np.arange(len(rows))
        spare = spare_at(ranker, alone, every, builds, run, np.maximum(highest - RUN_ERROR_MS, 0.0))
        assert np.isfinite(spare).any()
        assert not (spare[going] < -ROUNDING_MS).any()


@pytest.mark.parametrize("seed", SEEDS)
def test_a_car_on_the_limiter_has_nothing_more_to_spare(seed: int) -> None:
    """By itself in a box: it has it at its own speed, and not 0.1 % above; nor with the limiter 1 % lower.

    Where nothing is said no gear goes so fast. In a taller gear some could go faster, if there were more room.
    """
    ranker, rng = ranker_of(seed), np.random.default_rng(800 + seed)
    sets = sets_of(ranker, rng, 40)
    rows, builds = some_completions(sets, rng, 8)
    held = refused = lower = 0
    for run, each in enumerate(runs_of(ranker, builds)):
        on_it = np.flatnonzero((each.passing.limit[1] == LIMITS.index("revs")) & (each.score_ms > 0))
        if len(on_it):
            alone, final = boxes_of(sets, rows[on_it], builds[on_it]), each.final_ms[on_it]
            own = np.arange(len(on_it)), builds[on_it], run
            assert not (spare_at(ranker, alone, *own, final * (1 - 1e-6)) < 0).any()
            held += len(on_it)
            refused += int((~(spare_at(ranker, alone, *own, final * 1.001) >= 0)).sum())
            lower += int((spare_at(ranker, alone, *own, final * (1 - 1e-6), 0.99) < 0).sum())
    assert held > 5
    assert refused > 0.8 * held
    assert lower > 0.8 * held
