"""Changes one or two slots of good builds: a good level to begin with, and no more. It proves nothing."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import combinations

import numpy as np

from optimizer.choice.options import BoolArray, IntArray
from optimizer.run.judge import Judge
from optimizer.search.pool import Pool

FIRST_CLIMBS, CLIMBS, CLIMB_WIDTH = 12, 4, 4
"""Builds whose neighbors are tried, by one change at first and by two later, taken from among the best few."""
IDLE_CLIMBS = 2
"""Changes by one in a row, without any gain, after which no more are tried."""
TRIED_BY_TWOS, GOOD_BUILDS = 400, 300
"""Options of all slots up to which they are tried by twos; where there are more, those of so many good builds are."""
WORTH_FORETELLING = 2000
"""Changes by two of which to foretell the speed takes less time than their runs."""
FORETOLD_MS = 0.15
"""How far from the truth what is foretold may be: where at most one of two changes is in what drives the car, 0.013 m/s
at most was seen, and more only at speed brackets."""
MENDED_SLOTS, MENDED_MOST = 2, 20_000
"""Slots of a build in which something may be replaced at once by all that may stand there; builds made so in all."""


class Climber:
    """Tries the neighbors of the best builds of a pool.

    Parameters
    ----------
    usable : tuple of bool arrays (m_s,)
        Options that may stand in some build.
    attempt : callable
        Prices, simulates and checks builds (n, S), and adds the legal ones to the pool; told the build (S,) that all of
        them are changes of, it may leave out those that would be slow.
    progress : callable
        Told what is going on.
    """

    def __init__(
        self, usable: tuple[BoolArray, ...], attempt: Callable[..., None], progress: Callable[[str, float], None]
    ) -> None:
        self.usable = [np.flatnonzero(ok) for ok in usable]
        self.attempt, self.progress = attempt, progress

    def by_ones(self, pool: Pool) -> None:
        """Change one slot of the best build, and of the next best."""
        done: set[bytes] = set()
        idle = 0
        for _ in range(FIRST_CLIMBS):
            build = pool.best_not_in(done, CLIMB_WIDTH, uncapped=False)
            if build is None or idle == IDLE_CLIMBS:
                break
            done.add(build.tobytes())
            before = pool.level
            self.attempt(one_change(build, self.usable))
            idle = 0 if pool.level > before or not np.isfinite(before) else idle + 1

    def by_twos(self, pool: Pool, late: Callable[[], bool]) -> None:
        """Change one or two slots of good builds, those that no speed bracket holds first, until it is late."""
        done: set[bytes] = set()
        for uncapped in (True, False):
            for step in range(CLIMBS):
                build = pool.best_not_in(done, CLIMB_WIDTH, uncapped=uncapped)
                if build is None or late():
                    break
                self.progress("trying changes to the car", 0.1 + 0.05 * step / CLIMBS)
                done.add(build.tobytes())
                changed = [one_change(build, self.usable), _two_changes(build, self._by_twos(pool))]
                self.attempt(np.concatenate(changed), changed_from=build)

    def _by_twos(self, pool: Pool) -> list[IntArray]:
        """Options to be tried two at a time: all, or where there are many, those that good builds have."""
        if sum(map(len, self.usable)) <= TRIED_BY_TWOS:
            return self.usable
        return [np.unique(column) for column in pool.best(GOOD_BUILDS).T]


class Foretelling:
    """What each change of one build by itself does to speed, legal or not: others are likely to do as much together.

    Parameters
    ----------
    build : array (S,)
    options : list of int arrays
        What may stand in each slot.

    Attributes
    ----------
    speed_ms : float
        Of the build.
    runs : int
        Cars that were run.
    """

    def __init__(self, judge: Judge, build: IntArray, options: list[IntArray]) -> None:
        speed = judge.speeds(np.concatenate([build[None], one_change(build, options)]))
        self.speed_ms, self.runs = float(speed[0]), len(speed) * len(judge.conditions)
        self._gain = np.zeros((len(options), max(judge.options.sizes)))
        self._gain[_each(options)] = speed[1:] - self.speed_ms
        self._drive = list(judge.model.drive_slots)

    def likely(self, builds: IntArray, start: IntArray, start_ms: float, floor_ms: float, most: int) -> BoolArray:
        """Which of some builds (n, S) are likely as fast as a floor: (n,). All are changes of one (S,) of known speed.

        What their changes do is added up. That says little of what drives the car, where one change may undo the other:
        those with more than ``most`` changes there are all kept.
        """
        slots = np.arange(len(start))
        foretold = start_ms + (self._gain[slots, builds] - self._gain[slots, start]).sum(axis=1)
        driven = (builds[:, self._drive] != start[self._drive]).sum(axis=1)
        return np.asarray((driven > most) | (foretold >= floor_ms - FORETOLD_MS))


def _each(options: list[IntArray]) -> tuple[IntArray, IntArray]:
    """Slot and option of everything that may stand in some slot, slot by slot."""
    return np.repeat(np.arange(len(options)), [len(each) for each in options]), np.concatenate(options)


def one_change(build: IntArray, options: list[IntArray]) -> IntArray:
    """Every build that differs from one (S,) in one slot, by some options."""
    changed = np.repeat(build[None], sum(map(len, options)), axis=0)
    slot, option = _each(options)
    changed[np.arange(len(slot)), slot] = option
    return changed


def _two_changes(build: IntArray, options: list[IntArray]) -> IntArray:
    """Every build that differs from one (S,) in two slots, by some options."""
    slot, option = _each(options)
    first, second = np.triu_indices(len(slot), k=1)
    keep = slot[first] != slot[second]
    first, second = first[keep], second[keep]
    builds, rows = np.repeat(build[None], len(first), axis=0), np.arange(len(first))
    builds[rows, slot[first]] = option[first]
    builds[rows, slot[second]] = option[second]
    return builds


def mended(builds: IntArray, usable: Sequence[IntArray], asked_for: Sequence[tuple[BoolArray, ...]]) -> IntArray:
    """Builds (n, S) changed into such as a question allows, as far as that takes no more than a few changes: (m, S).

    Parameters
    ----------
    builds : array (n, S)
        Those that matter most first: there is an end to how many are made.
    usable : list of int arrays
        What may stand in each slot: where a build has anything else, all of it takes its place.
    asked_for : sequence of bool arrays (m_s,) per slot
        Of each a build has to have one option: where it has none, the first is put in, into one slot after the other
        and into two at once.
    """
    found, room = [builds[:0]], MENDED_MOST
    for build in builds:
        some = build[None]
        for carry in asked_for:
            if not any(has_it[o] for has_it, o in zip(carry, build, strict=True)):
                some = _put_in(some, [(s, int(has_it.argmax())) for s, has_it in enumerate(carry) if has_it.any()])
        for each in some:
            out = [s for s, o in enumerate(each) if o not in usable[s]]
            number = math.prod(len(usable[s]) for s in out)
            if len(out) <= MENDED_SLOTS and number <= room:
                found.append(_with_all(each, out, usable))
                room -= number
    return np.unique(np.concatenate(found), axis=0)


def _put_in(builds: IntArray, places: list[tuple[int, int]]) -> IntArray:
    """Builds (n, S) with an option put in, given as slot and option: into each by itself, and into every two."""
    made = []
    for where in (*combinations(places, 1), *combinations(places, 2)):
        changed = builds.copy()
        for s, o in where:
            changed[:, s] = o
        made.append(changed)
    return np.concatenate(made)


def _with_all(build: IntArray, slots: list[int], options: Sequence[IntArray]) -> IntArray:
    """A build (S,) with every combination of options in some slots: (n, S)."""
    made = build[None]
    for s in slots:
        number, each = len(made), options[s]
        made = np.repeat(made, len(each), axis=0)
        made[:, s] = np.tile(each, number)
    return made
