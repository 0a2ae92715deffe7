"""Builds one by one: those of the list, and those that no bound rules out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.choice.options import FloatArray, IntArray
from optimizer.recheck.asking import Case, level_of
from optimizer.recheck.choices import Boxes
from optimizer.run.judge import SPEED_STEP_MS

EVERYTHING = 200_000
"""Builds that are few enough to be gone through one by one where the list holds all legal ones."""


@dataclass(frozen=True, slots=True)
class List:
    """The builds of a list, best first, as they are found to be: builds (n, S), arrays (n,)."""

    builds: IntArray
    speed_ms: FloatArray
    care: FloatArray
    cents: IntArray

    def __len__(self) -> int:
        return len(self.builds)


@dataclass(frozen=True, slots=True)
class Level:
    """What a build that is not listed must not reach.

    Attributes
    ----------
    kth_ms : float
        Speed of the last build listed; 0 where the list is shorter than was asked for.
    level_ms : float
        Least speed that counts; 0 where every legal build does.
    """

    kth_ms: float
    level_ms: float


def level_for(case: Case, listed: List) -> Level:
    """The level that a list sets: that of its last build; at a speed cap, what is faster than it."""
    if len(listed) < case.asked.top:
        return Level(0.0, 0.0)
    kth = float(listed.speed_ms[-1])
    level = level_of(kth)
    return Level(kth, level + SPEED_STEP_MS * case.judge.caps(level))


def better(case: Case, builds: IntArray, level_ms: float, listed: List) -> IntArray:
    """Legal builds among some (n, S) that belong in the list and are not there: (m, S)."""
    known = {row.tobytes() for row in listed.builds}
    builds = np.unique(builds, axis=0)
    builds = builds[case.choices.suit(builds)]
    builds = builds[[row.tobytes() not in known for row in np.ascontiguousarray(builds)]]
    if len(builds) == 0:
        return builds
    runs = case.judge.runs(builds)
    speed = case.judge.joined(runs)
    fast = np.flatnonzero((speed >= level_ms) & (speed > 0))
    if len(fast) == 0:
        return builds[fast]
    judged = case.judge.judge(builds[fast], tuple(run.take(fast) for run in runs))
    found = []
    for row, care in zip(fast[judged.legal], judged.care[judged.legal], strict=True):
        if not case.refused(builds[row]) and _ranks(case, builds[row], float(speed[row]), float(care), listed):
            found.append(row)
    return builds[np.array(found, dtype=np.int64)]


def _ranks(case: Case, build: IntArray, speed_ms: float, care: float, listed: List) -> bool:
    """Whether a legal build comes before the last of a full list, or the list is not full."""
    if len(listed) < case.asked.top:
        return True
    cents = case.cents(build)
    both = np.stack([listed.builds[-1], build])
    order = case.order(
        both,
        np.array([listed.speed_ms[-1], speed_ms]),
        np.array([listed.care[-1], care]),
        np.array([listed.cents[-1], 0 if cents is None else cents]),
    )
    return bool(order[0] == 1)


def everything(boxes: Boxes) -> IntArray | None:
    """All builds (n, S) of boxes; None where these are too many."""
    if boxes.completions.sum() > EVERYTHING:
        return None
    found = []
    for row in range(len(boxes)):
        options = np.meshgrid(*[np.flatnonzero(ok[row]) for ok in boxes.allowed], indexing="ij")
        builds = np.repeat(boxes.builds[row][None], options[0].size if options else 1, axis=0)
        for s, each in zip(boxes.free, options, strict=True):
            builds[:, s] = each.ravel()
        found.append(builds)
    return np.concatenate(found) if found else np.zeros((0, boxes.builds.shape[1]), dtype=np.int64)
