"""Which builds are one car for all that matters to speed, whatever their brake pads."""

from __future__ import annotations

import numpy as np

from optimizer.answers.swaps import MATTERS_MS
from optimizer.choice.options import BoolArray, IntArray, Options
from optimizer.search.study import Study

MAIN_KINDS = ("engine", "gearset", "final drive", "tire")
"""Builds that differ in such a slot are two cars, equally fast or not: what is not known of the parts differs."""


def clones_of(study: Study, build: IntArray, others: IntArray) -> BoolArray:
    """Which of builds (n, S) are the same car as one (S,) for all that matters to speed: (n,).

    They have the same engine, gears and tires; no other part in which they differ moves the speed of either by as much
    as matters, put into it alone, nor do all of them together.
    """
    main = main_slots(study.options)
    firsts, seconds, owners = [build], [build], [-1]
    for row in np.flatnonzero((others[:, main] == build[main]).all(axis=1)).tolist():
        for one, other in ((build, others[row]), (others[row], build)):
            slots = np.flatnonzero(one != other)
            swapped = np.repeat(one[None], len(slots) + 1, axis=0)
            swapped[np.arange(len(slots)), slots] = other[slots]
            swapped[-1] = other
            firsts += [one] * len(swapped)
            seconds += list(swapped)
            owners += [row] * len(swapped)
    every, place = np.unique(np.array([*firsts, *seconds]), axis=0, return_inverse=True)
    speed = study.judge.speeds(every)[place.reshape(2, -1)]
    found = np.isin(np.arange(len(others)), owners)
    found[np.array(owners)[(np.abs(speed[0] - speed[1]) >= MATTERS_MS)]] = False
    return found


def main_slots(options: Options) -> IntArray:
    """Positions of the slots that make two cars of two builds: engine, gears, tires."""
    return np.array([s for s, slot in enumerate(options.slots) if slot.kind in MAIN_KINDS], dtype=np.int64)
