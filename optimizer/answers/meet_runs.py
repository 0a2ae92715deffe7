"""Runs of builds in the worlds of a meet: the speed of every run, before its own scatter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from optimizer.answers.meet_worlds import World
from optimizer.answers.unknowns import event_with, with_values
from optimizer.choice.options import FloatArray, IntArray, Options
from optimizer.executor import Pool, Progress, work_through
from optimizer.run.conditions import Conditions, conditions_of
from optimizer.run.inputs import RunInputs, models_side_by_side, side_by_side
from optimizer.run.judge import Judge
from optimizer.run.model import RunModel
from optimizer.scenario.event import Event, Meet
from optimizer.search.sharing import Beside, Helper

BLOCK = 4096
"""Cars simulated at once, about."""


@dataclass(frozen=True, slots=True)
class Leg:
    """One run of a meet.

    Attributes
    ----------
    day : int
        From 0.
    way : int
        0 or 1: as the first or the second run of the event's scoring, in its direction and air.
    run : int or None
        Which of the world's runs lends its gusts; None: none, the day's own wind.
    """

    day: int
    way: int
    run: int | None


def legs_as_scored(event: Event) -> tuple[Leg, ...]:
    """The runs of the event's scoring on the first day, in the day's wind."""
    return tuple(Leg(0, way, None) for way in range(event.scoring.runs))


def legs_of_meet(event: Event, meet: Meet) -> tuple[Leg, ...]:
    """All runs of a meet in their order. Where the scoring takes two runs, those of a day take turns."""
    return tuple(
        Leg(day, number % event.scoring.runs, day * meet.runs_a_day + number)
        for day in range(meet.days)
        for number in range(meet.runs_a_day)
    )


@dataclass(frozen=True, slots=True)
class _Task:
    """What a batch of worlds is worked on with; ``rows`` (n, S) are builds in the options."""

    options: Options
    salt: str
    rows: IntArray
    legs: tuple[Leg, ...]


def run_speeds(
    options: Options,
    salt: str,
    rows: IntArray,
    worlds: Sequence[World],
    legs: tuple[Leg, ...],
    *,
    pool: Pool | None = None,
    helper: Helper | None = None,
    progress: Progress | None = None,
) -> FloatArray:
    """Speed under the clocks [m/s] of builds (n, S) in every run of every world: (W, legs, n).

    What is not worth a pool is done with a helper, if there is one.
    """
    work, beside = partial(_speeds, _Task(options, salt, rows, legs)), None if helper is None else Beside(helper)
    what = "running the builds in what may come"
    return np.stack(work_through(work, worlds, pool, progress, beside=beside, what=what))


def _speeds(task: _Task, worlds: Sequence[World]) -> list[FloatArray]:
    """Speeds (legs, n) in each world of a batch."""
    step = max(1, BLOCK // (len(task.rows) * len(task.legs)))
    found: list[FloatArray] = []
    for at in range(0, len(worlds), step):
        found += _block(task, worlds[at : at + step])
    return found


def _block(task: _Task, worlds: Sequence[World]) -> list[FloatArray]:
    """The same for worlds that are simulated as one batch."""
    models = [RunModel(with_values(task.options, world.lasting)) for world in worlds]
    inputs = [_inputs(task, model, world) for model, world in zip(models, worlds, strict=True)]
    speeds = Judge(models[0], task.salt).run_of(models_side_by_side(inputs)).score_ms
    return list(speeds.reshape(len(worlds), len(task.legs), len(task.rows)))


def _inputs(task: _Task, model: RunModel, world: World) -> RunInputs:
    """All legs of one world, leg after leg. What a leg does not change is worked out once."""
    sums, drive = model.sums_of(task.rows), model.drive_rows(task.rows)
    days = [
        conditions_of(event_with(task.options.scenario.event, values), task.salt) for values in world.days
    ]
    legs = [model.inputs_from(sums, drive, _conditions(days[leg.day], leg, world)) for leg in task.legs]
    return side_by_side(legs)


def _conditions(day: tuple[Conditions, ...], leg: Leg, world: World) -> Conditions:
    """Conditions of a leg on its day; runs that cannot differ stand there once."""
    plain = day[min(leg.way, len(day) - 1)]
    if leg.run is None:
        return plain
    along, across = world.gusts_ms[leg.run]
    return replace(plain, headwind_ms=plain.headwind_ms + along, crosswind_ms=plain.crosswind_ms + across)
