"""A meet as its rules have it: which run of a meet takes a record, and the chance that it is ever made.

Plain arithmetic on speeds of runs; it knows no car.
"""

from __future__ import annotations

import numpy as np

from optimizer.choice.options import FloatArray, IntArray
from optimizer.scenario.event import Meet, Scoring

NEVER = np.iinfo(np.int64).max


def held_to_steps(speeds_ms: FloatArray, meet: Meet) -> FloatArray:
    """Speeds (W, R, n) of runs as driven: held at each license step until a run has shown it.

    A car that does not reach a step is not held by it, and is not past it either.
    """
    if not meet.license_steps_ms:
        return speeds_ms
    steps = np.array([*meet.license_steps_ms, np.inf])
    shown = np.zeros(speeds_ms[:, 0].shape, dtype=np.int64)
    driven = np.empty_like(speeds_ms)
    for run in range(speeds_ms.shape[1]):
        driven[:, run] = np.minimum(speeds_ms[:, run], steps[shown])
        shown += driven[:, run] >= steps[shown]
    return driven


def falls_in(driven_ms: FloatArray, meet: Meet, scoring: Scoring, needed_ms: float) -> IntArray:
    """The run (W, n), counted from 1, with which a speed is passed; `NEVER` where none does.

    Parameters
    ----------
    driven_ms : array (W, R, n)
        In the order of the meet.
    meet : Meet
    scoring : Scoring
        Two runs are joined as it says, and only in opposite ways where it says so.
    needed_ms : float
        Reaching it is enough.
    """
    runs = driven_ms.shape[1]
    first = np.full(driven_ms[:, 0].shape, NEVER, dtype=np.int64)
    for later in range(runs):
        reached = np.zeros(first.shape, dtype=np.bool_)
        if scoring.runs == 1:
            reached = driven_ms[:, later] >= needed_ms
        for earlier in range(later if scoring.runs > 1 else 0):
            if pair_counts(earlier, later, meet, scoring):
                reached |= joined_ms(driven_ms[:, earlier], driven_ms[:, later], scoring) >= needed_ms
        first = np.where(reached & (first == NEVER), later + 1, first)
    return first


def pair_counts(earlier: int, later: int, meet: Meet, scoring: Scoring) -> bool:
    """Whether two runs of a meet, by their number from 0, may be joined. Opposite ways take turns within a day."""
    (day, place), (other_day, other_place) = (divmod(run, meet.runs_a_day) for run in (earlier, later))
    if scoring.second_run == "opposite" and (other_place - place) % 2 == 0:
        return False
    apart = other_day - day
    return {"same day": apart == 0, "next day": apart == 1, "any": True}[meet.pairs]


def joined_ms(one: FloatArray, other: FloatArray, scoring: Scoring) -> FloatArray:
    """Speed of two runs together, as the scoring joins them: mean of speeds, or of times."""
    if scoring.mean_of == "speeds":
        return (one + other) / 2
    slow = np.minimum(one, other)
    return np.where(slow > 0, 2 / (1 / np.maximum(one, 1e-9) + 1 / np.maximum(other, 1e-9)), 0.0)


def chances(first: IntArray, breakage: float, runs: int | None = None) -> FloatArray:
    """Chance (W, n) that a record falls in the first runs of a meet, all when left out.

    The car breaks in each run with a chance of its own, and a run that breaks it does not count: what falls in run k
    needs k runs without.
    """
    within = first <= (NEVER - 1 if runs is None else runs)
    return np.where(within, (1.0 - breakage) ** np.where(within, first, 0), 0.0)
