"""One question to the search on its way: what may be chosen, what is known and what is left."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.choice.price import AdditiveBounds, PriceBook
from optimizer.run.judge import CHECKS, SPEED_STEP_MS, TIRE_SPEED, Judge
from optimizer.run.keeping import Floor
from optimizer.run.linear import LinearSpace
from optimizer.search.bounding import SLACK_MS as BOUND_SLACK_MS
from optimizer.search.bounding import Bounding
from optimizer.search.climbing import WORTH_FORETELLING, Climber, Foretelling
from optimizer.search.demands import Scores
from optimizer.search.drive_sets import DriveSets, joined
from optimizer.search.memory import Limits, Memory
from optimizer.search.opening import Opener
from optimizer.search.pool import Evidence, Pool
from optimizer.search.propagation import Goal
from optimizer.search.purchases import Purchases
from optimizer.search.sharing import Helper, Matter, Piece, Result
from optimizer.search.shortage import Shortage

Progress = Callable[[str, float], None]
"""Called with what is being done and the share of it that is done."""

CLEARLY_MS = 0.4
"""More than estimates of a drive set's speed for the money are too high, mostly."""
NEAR_MS = 0.15
"""Builds this little below the K-th best are checked too: candidates for the cheapest and most careful choice."""
ESTIMATED = 1500
"""Drive sets, by best case, whose speed for the money is estimated."""
TELLING = 500
"""Builds tried together, from which on it says something of the next how many of them are too fast for their tires."""
LEAST_RUN, LEAST_BOUNDED, LEAST_TIGHTENED = 200, 300, 500
"""Builds to run, and drive sets to bound or to tighten, that are worth another process."""
WORTH_ASKING = 500
"""Drive sets of which to ask whether they could keep a speed takes less time than their runs."""
MOST_TIGHTENED = 8192
"""Drive sets tightened at once: prices of all that may complete them are large tables."""


class SearchState:
    """What a search knows and has left; builds are tried here.

    Parameters
    ----------
    judge : Judge
        Simulates and checks builds.
    legality : Legality
        What may be chosen together.
    book : PriceBook
        What builds cost; it knows the limit on own hours.
    budget_cents : int or None
        Most a build may cost.
    hours_limit : float or None
        Most own hours a build may take.
    progress : callable, optional
        Told what is going on.
    memory : Memory, optional
        What earlier questions about the same options, class and salt found out; it learns from this one.
    helper : Helper, optional
        A second process for some of the work; what is found is the same.

    Attributes
    ----------
    pool : Pool
        Builds met so far.
    budget : float
        What a build that matters costs at most [cents]: it falls as cheaper ones are found, where these are looked for.
    sets, bound : DriveSets, array (D,)
        Drive sets that may have a build that ranks, and speeds that none of their builds passes; best first.
    left : DriveSets or None
        Those not ruled out, should the search be interrupted.
    touched : set of int
        Drive sets that were looked into.
    tires_first : bool
        Whether builds are run on the fast day before all else: where that is too fast for the tires of most.
    """

    sets: DriveSets
    bound: FloatArray
    deadline = math.inf
    tires_first = False

    def __init__(
        self,
        judge: Judge,
        legality: Legality,
        book: PriceBook,
        budget_cents: int | None,
        hours_limit: float | None,
        progress: Progress | None = None,
        memory: Memory | None = None,
        helper: Helper | None = None,
    ) -> None:
        self.judge, self.legality, self.book = judge, legality, book
        self.budget = np.inf if budget_cents is None else float(budget_cents)
        self.budget_cents = budget_cents
        self.hours_limit = np.inf if hours_limit is None else hours_limit
        self.bounds: AdditiveBounds = book.additive_bounds()
        self.progress = progress or (lambda _what, _share: None)
        usable = tuple(~out & ok for out, ok in zip(legality.forbidden, self.bounds.available, strict=True))
        self.space = LinearSpace(judge.model, judge.conditions, usable)
        self.bounding = Bounding(judge, self.space)
        again = (judge, legality.without_words(), book, budget_cents, hours_limit)
        self.matter = Matter(self, helper, type(self), again)
        self.memory = memory or Memory(judge.options)
        self.opener = Opener(
            judge, legality, self.bounding, self.bounds, self.hours_limit, self.matter, self.memory.slopes
        )
        self.shortage = Shortage(self.opener, self.bounds)
        self.purchases = Purchases(book, judge.model.drive_slots)
        self.climber = Climber(self.space.usable, self._try, self.progress)
        self.limits = Limits.of(legality, self.budget, self.hours_limit)
        self.evidence = Evidence(combinations=math.prod(judge.options.sizes))

    def _begin(self, pool: Pool, time_limit_s: float | None) -> None:
        """Start with a pool, and with what is known."""
        self.deadline = math.inf if time_limit_s is None else time.monotonic() + time_limit_s
        self.pool, self.touched = pool, set[int]()
        self.left: DriveSets | None = None
        self._recall()

    def _recall(self) -> None:
        """Begin with what is known: builds that were run before, those that the question allows."""
        self.pool.fresh(self.memory.builds)
        self.evidence.recalled = len(self.memory.builds)
        known = self.memory.within(self.legality, self.book, self.budget)
        self.pool.add(known.builds, known.speed_ms, known.cents, known.hours, known.care)
        self.budget = min(self.budget, self.pool.ceiling)

    def _goal(self) -> Goal:
        """What would rank with the K best; where ties are not looked for, at a cap only what is faster."""
        higher = SPEED_STEP_MS * (not self.pool.ties and self._at_cap())
        return replace(self._goal_at(self.pool.level + higher), ties=self.pool.ties)

    def _goal_at(self, level: float) -> Goal:
        """Builds that score a level, what they may lose at a board included."""
        return Goal(level, self.budget, dip=self.judge.most_dip_ms(level))

    def _at_cap(self) -> bool:
        """Whether a cap holds the K-th best, so that thousands may be just as fast."""
        return self.judge.caps(self.pool.level)

    def _late(self) -> bool:
        """Whether time is up."""
        self.evidence.stopped |= time.monotonic() >= self.deadline
        return self.evidence.stopped

    def _shared(self, work: Callable[[Any, Piece], Result], pieces: Sequence[Piece]) -> list[Result]:
        """What ``work``, a function of a module, makes of this search and each piece; see `sharing`."""
        found = self.matter.done(partial(_counted, work), pieces)
        self.bounding.simulated += sum(simulated for _, simulated in found)
        return [each for each, _ in found]

    def _optimistic(self, sets: DriveSets, level: float = -np.inf) -> FloatArray:
        """`Bounding.optimistic`; what is not above a level by its slack need not be known any closer."""
        floor = self._floor(level) if np.isfinite(level) and len(sets) >= WORTH_ASKING else None
        pieces = [(sets.take(rows), floor) for rows in self.matter.parts(len(sets), LEAST_BOUNDED)]
        return np.concatenate(self._shared(_optimistic, pieces))

    def _floor(self, level: float) -> Floor:
        """What bounds are to reach for a level, and splits of it."""
        lowest = level - BOUND_SLACK_MS
        scores = Scores(self.judge.event.scoring, self.judge.marks_m)
        return Floor(lowest, scores.splits(lowest, len(self.judge.conditions)))

    def _tightened(self, sets: DriveSets, goal: Goal) -> DriveSets:
        """`Narrower.tighten`."""
        pieces = [(sets.take(rows), goal) for rows in self.matter.parts(len(sets), LEAST_TIGHTENED, MOST_TIGHTENED)]
        return joined(self._shared(_tightened, pieces))

    def _able(self, sets: DriveSets, level: float) -> tuple[DriveSets, FloatArray]:
        """Drive sets whose best case reaches a level, and their best cases."""
        bound = self._optimistic(sets, level)
        able = bound > level - BOUND_SLACK_MS
        return sets.take(able), bound[able]

    def _estimates(self, level: float) -> tuple[FloatArray, IntArray]:
        """Estimated speeds of builds that meet what a level asks for, and the rows of their drive sets, best first."""
        rows = np.arange(min(ESTIMATED, len(self.sets)))
        tight = self._tightened(self.sets.marked(rows), Goal(level, self.budget))
        if len(tight) == 0:
            return np.zeros(0), tight.mark
        estimate = self.opener.estimate(tight, self._optimistic(tight), self.budget)
        order = np.argsort(-estimate, kind="stable")
        return estimate[order], tight.mark[order]

    def _seems_reached(self, level: float) -> bool:
        """Whether the likeliest drive set seems clearly faster than a level, for the money."""
        estimate, _ = self._estimates(level)
        return float(estimate.max(initial=-np.inf)) > level + CLEARLY_MS

    def _foretelling(self, build: IntArray) -> Foretelling:
        """What each change of a build (S,) does to its speed."""
        known = Foretelling(self.judge, build, self.climber.usable)
        self.evidence.simulations += known.runs
        return known

    def _try(self, builds: IntArray, near_ms: float = NEAR_MS, changed_from: IntArray | None = None) -> None:
        """Price, simulate and check builds; the legal ones enter the pool, those that are not far below its level.

        Of many that are all changes of one (S,), those that would likely be further below are left out.
        """
        pool, floor = self.pool, self.pool.level - near_ms
        builds = builds[self.legality.allowed(builds)]
        prices = self.book.price(builds)
        keep = prices.available & (prices.cents <= self.budget)
        if changed_from is not None and keep.sum() > WORTH_FORETELLING:
            rows = np.flatnonzero(keep)
            known = self._foretelling(changed_from)
            keep[rows] = known.likely(builds[rows], changed_from, known.speed_ms, floor, 1)
        builds, cents, hours = builds[keep], prices.cents[keep], prices.hours[keep]
        new = pool.fresh(builds)
        builds, cents, hours = builds[new], cents[new], hours[new]
        self.evidence.completions += len(builds)
        if len(builds) == 0:
            return
        pieces = [(builds[rows], floor, self.tires_first) for rows in self.matter.parts(len(builds), LEAST_RUN)]
        tried = zip(*self._shared(_run, pieces), strict=True)
        speed, care, passes = (np.concatenate(each, axis=-1) for each in tried)
        rows = np.flatnonzero(speed >= floor)
        self._note_refused(speed, passes)
        if len(rows) == 0:
            return
        legal = passes.all(axis=0) & (speed[rows] > 0)
        self.memory.learn(builds[rows], speed[rows], care, legal)
        good = rows[legal]
        pool.add(builds[good], speed[good], cents[good], hours[good], care[legal])
        self.budget = min(self.budget, pool.ceiling)

    def _note_refused(self, speed: FloatArray, passes: BoolArray) -> None:
        """Note what each check refused, as `_run` tells it, and whether tires are best asked about first."""
        refused = dict(zip(CHECKS, (~passes).sum(axis=1).tolist(), strict=True))
        refused[TIRE_SPEED] += int(np.isnan(speed).sum())
        for name, number in refused.items():
            self.evidence.refused[name] += number
        if len(speed) >= TELLING:
            self.tires_first = bool(np.isfinite(self.pool.level)) and 2 * refused[TIRE_SPEED] > len(speed)


def _counted(work: Callable[[SearchState, Piece], Result], search: SearchState, piece: Piece) -> tuple[Result, int]:
    """What is made of a piece, and how many runs that took; these are counted by who asked."""
    before = search.bounding.simulated
    found = work(search, piece)
    simulated, search.bounding.simulated = search.bounding.simulated - before, before
    return found, simulated


def _optimistic(search: SearchState, piece: tuple[DriveSets, Floor | None]) -> FloatArray:
    return search.bounding.optimistic(*piece)


def _tightened(search: SearchState, piece: tuple[DriveSets, Goal]) -> DriveSets:
    return search.opener.narrower.tighten(*piece)


def _run(search: SearchState, piece: tuple[IntArray, float, bool]) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Speeds (n,) of builds; margin (m,) and checks passed (len(CHECKS), m) of those as fast as a floor.

    Where tires are to be asked about first, those that are too fast for theirs are not run any further: NaN.
    """
    builds, floor_ms, tires_first = piece
    judge, count = search.judge, len(builds)
    speed, left, fast = np.full(count, np.nan), np.arange(count), None
    if tires_first:
        fast = judge.on_fast_day(builds)
        left = np.flatnonzero(judge.tires_last(builds, fast))
    runs = judge.runs(builds[left])
    speed[left] = judge.joined(runs)
    enough = np.flatnonzero(speed[left] >= floor_ms)
    rows = left[enough]
    search.bounding.simulated += len(left) * len(runs) + (count if tires_first else len(rows))
    if len(rows) == 0:
        return speed, np.zeros(0), np.zeros((len(CHECKS), 0), dtype=np.bool_)
    runs, fast = tuple(run.take(enough) for run in runs), None if fast is None else fast.take(rows)
    judged = judge.judge(builds[rows], runs, fast)
    return speed, judged.care, judged.passes
