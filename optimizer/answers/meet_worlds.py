"""Worlds of a meet: what is not known exactly, split into what lasts and what changes from day to day and run to run.

What lasts (the car, its parts, the salt of the meet on the average) is off by the same in all runs. The salt of a day
and the day's air and wind are the same in all runs of the day. What is left is a run's own: gusts, and all that makes
two runs of one car differ. All builds meet the same worlds.

The draws are those of `draws`, in independent sets: each is a Latin hypercube of its own, with a column for each
unknown of each day and run. What the sets differ by is the error of an average over all of them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.answers.draws import scores_by_key, scores_of
from optimizer.answers.unknowns import Unknown
from optimizer.choice.options import FloatArray
from optimizer.scenario.estimates import Calibration

SETS = 8
"""Independent sets of draws."""
SEED = 41
GUST_MS = 0.6
"""Standard deviation of the wind along and across the course from one run to the next of a day, beside what the day's
forecast is off by; common practice, no source."""


@dataclass(frozen=True, slots=True)
class World:
    """One way in which all that is not known may turn out.

    Attributes
    ----------
    lasting : mapping of Unknown to float
        Car, axles and parts, and the salt as it is on the average of the meet.
    days : tuple of mappings of Unknown to float
        Salt and weather of each day.
    gusts_ms : tuple of (float, float)
        Along and across the course, of each run in the order of the meet [m/s].
    scatter : tuple of float
        Standard normal score of each run's own scatter.
    """

    lasting: Mapping[Unknown, float]
    days: tuple[Mapping[Unknown, float], ...]
    gusts_ms: tuple[tuple[float, float], ...]
    scatter: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Parts:
    """Standard deviations of an unknown: of what lasts, and from one day to the next."""

    lasting: float
    daily: float


def parts_of(unknown: Unknown) -> Parts:
    """Split what an unknown is off by.

    Weather is the day's alone. Of the salt, what calibration measured on its days lasts and a day's own comes on top;
    where nobody has measured, the uncertainty stated is that of one day to come: both together.
    """
    if unknown.place == "weather":
        return Parts(0.0, unknown.deviation)
    if unknown.calibrated is not None:
        return Parts(unknown.deviation, unknown.daily)
    daily = min(unknown.uncertainty.daily * abs(unknown.value), unknown.deviation)
    return Parts(math.sqrt(unknown.deviation**2 - daily**2), daily)


def worlds_of(
    unknowns: Sequence[Unknown],
    calibration: Calibration | None,
    draws: int,
    days: int,
    runs: int,
    *,
    sets: int = SETS,
    seed: int = SEED,
) -> list[World]:
    """Worlds in ``sets`` independent sets of equal size, set after set.

    Parameters
    ----------
    unknowns : sequence of Unknown
    calibration : Calibration or None
        That of the scenario they belong to.
    draws : int
        Of all sets together; rounded up to a multiple of ``sets``.
    days, runs : int
        Days of the meet, and runs of all days.

    Raises
    ------
    ValueError
        If there are fewer than two draws to a set.
    """
    each = -(-draws // sets)
    if each < 2:
        msg = "worlds take at least two draws to a set"
        raise ValueError(msg)
    return [
        world
        for number in range(sets)
        for world in _one_set(unknowns, calibration, each, days, runs, seed * 1000 + number)
    ]


def _one_set(
    unknowns: Sequence[Unknown], calibration: Calibration | None, draws: int, days: int, runs: int, seed: int
) -> list[World]:
    """One Latin hypercube of worlds."""
    scores = scores_by_key(unknowns, calibration, draws, seed)
    lasting: dict[Unknown, FloatArray] = {}
    daily: list[dict[Unknown, FloatArray]] = [{} for _ in range(days)]
    for unknown in unknowns:
        parts = parts_of(unknown)
        base = unknown.value + parts.lasting * scores[unknown.key]
        if unknown.place not in {"weather", "salt"}:
            lasting[unknown] = base
            continue
        for day, values in enumerate(daily, start=1):
            values[unknown] = base + parts.daily * scores_of(f"{unknown.key}@day {day}", draws, seed)
        if unknown.place == "salt":
            lasting[unknown] = base
    ways = ("along", "across")
    gusts = [[GUST_MS * scores_of(f"{way}@run {run}", draws, seed) for way in ways] for run in range(runs)]
    scatter = [scores_of(f"scatter@run {run}", draws, seed) for run in range(runs)]
    return [
        World(
            {each: each.within_sense(float(column[d])) for each, column in lasting.items()},
            tuple({each: each.within_sense(float(column[d])) for each, column in day.items()} for day in daily),
            tuple((float(along[d]), float(across[d])) for along, across in gusts),
            tuple(float(column[d]) for column in scatter),
        )
        for d in range(draws)
    ]


@dataclass(frozen=True, slots=True)
class Chance:
    """An average over worlds, with its standard error: of a chance, or of anything else."""

    value: float
    error: float


def average(values: FloatArray, sets: int = SETS, *, chance: bool = False) -> Chance:
    """Average of values (W,) that stand set after set, with what the sets say about its error.

    A chance that no world speaks against has an error all the same: that of one and a half worlds, half of what three
    in N would bound with 19 to 1 (the rule of three; from memory).
    """
    means = values.reshape(sets, -1).mean(axis=1)
    error = float(means.std(ddof=1) / math.sqrt(sets)) if sets > 1 else math.nan
    return Chance(float(means.mean()), max(error, 1.5 / values.size) if chance else error)


def averages(values: FloatArray, sets: int = SETS, *, chance: bool = False) -> tuple[Chance, ...]:
    """The same for each column of values (W, n)."""
    return tuple(average(np.ascontiguousarray(column), sets, chance=chance) for column in values.T)
