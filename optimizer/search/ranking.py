"""The best K builds by simulated speed, and the evidence that nothing faster was left out.

Drive sets are bounded by optimistic runs and opened best bound first. Inside one, tangents at the K-th best speed say
which completions could still be faster; those are listed, priced, simulated and checked. While fewer than K builds are
known, the search looks for builds above a target, and lowers the target. It ends when no bound is above the K-th best.
What each step rests on is in docs/method.md, section 3.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.search.bounding import SLACK_MS as BOUND_SLACK_MS
from optimizer.search.climbing import mended
from optimizer.search.drive_sets import DriveSets, Outlines, completed, outlines_of, within_budget
from optimizer.search.looking import Looking
from optimizer.search.pool import AnyPool, CheapPool, Evidence, Pool

BLOCK = 8192
"""Drive sets bounded at once: what they may be completed with is a large table."""
MANY_SETS, SAMPLED = 30_000, 12_000
"""Drive sets from which good builds are first looked for in so many of them: most others are then ruled out at once."""
LEAST_KEEPING = 1000
"""Drive sets of which to ask whether they could keep a speed is worth another process."""
ALL_TRIED, FEW_TRIED, SOON_CLOSED = 40_000, 2_000, 2_000_000
"""Completions of all drive sets, up to which they are all tried where K builds are not known, and where they are; and
up to which, from any K builds, the rest is sooner ruled out than better ones are looked for."""
MENDED = 60
"""Builds from other questions that are changed into such as this one allows, the fastest."""
TRIED_AT_ONCE = 4000
"""Completions tried together where all are."""


@dataclass(frozen=True, slots=True)
class Ranking:
    """The best builds, best first, and every other legal build that was simulated near them.

    Attributes
    ----------
    builds : array (n, S)
        In the total order; the first ``listed`` are the answer, the rest were met on the way.
    speed_ms, cents, hours, care : arrays (n,)
    listed : int
        How many builds the answer has: K, or all legal ones where there are fewer.
    evidence : Evidence
    """

    builds: IntArray
    speed_ms: FloatArray
    cents: IntArray
    hours: FloatArray
    care: FloatArray
    listed: int
    evidence: Evidence


class Ranker(Looking):
    """Finds the best K builds of one scenario, class, salt condition and budget; made as a `SearchState`.

    Attributes
    ----------
    many : bool
        Whether there are so many drive sets that some of them are looked into before the others are.
    """

    many = False

    def top(
        self,
        k: int,
        *,
        thorough: bool = False,
        around: bool = False,
        time_limit_s: float | None = None,
        interruptible: bool = False,
    ) -> Ranking:
        """Best K builds in the total order, with the evidence.

        Parameters
        ----------
        k : int
            How many builds are wanted.
        thorough : bool
            Whether everything that is not listed is to be ruled out by argument, nothing by samples.
        around : bool
            Whether careful and cheap builds near the best are looked for, beside those met on the way.
        time_limit_s : float, optional
            Time after which the search stops with what it has, and says how much faster what is left could be. How far
            it gets then depends on the machine; without it the same question always takes the same way.
        interruptible : bool
            Whether a `KeyboardInterrupt` ends the search as a time limit would, and is not raised.
        """
        self._begin(Pool(self.judge, k), time_limit_s)
        if len(self.memory.builds) == 0:  # there will be work for two: a second process needs a while to begin
            self.matter.tell()
        try:
            self._look_for_best(thorough=thorough)
            if around and not self.evidence.stopped:
                self._look_around()
        except KeyboardInterrupt:
            if not interruptible:
                raise
            self._interrupted()
        return self._ended(k)

    def cheapest(self, floor_ms: float, *, likely: bool = False) -> Ranking:
        """The cheapest build that scores at least a floor [m/s], ruled out by argument that a cheaper one does.

        ``listed`` is 0 where no build does, and 1 else: of the cheapest that were met, the first in the total order.
        ``likely``: one that is likely the cheapest will do, if any is met; ``closed`` says whether it was shown.
        """
        self._begin(CheapPool(self.judge, floor_ms), None)
        self.climber.by_ones(self.pool)
        self.climber.by_twos(self.pool, self._late)
        self.evidence.closed = len(self._bound_all(warm=True)) == 0 or self._few_left()
        if not self.evidence.closed and (likely or len(self.pool.builds) == 0):
            self._find_cheap(likely=likely)
            if likely and len(self.pool.builds):
                return self._ended(1)
        self.evidence.closed = self.evidence.closed or self._close()
        if not self.evidence.closed:
            self._cheapest_first()
            self.evidence.closed = self._close()
        return self._ended(1)

    def reaching(self, floor_ms: float) -> Ranking:
        """Some build that scores at least a floor [m/s]: nothing is said of others.

        ``listed`` is 0 where there is none; then ``closed`` says whether that was shown by argument.
        """
        self._begin(AnyPool(self.judge, floor_ms), None)
        self.climber.by_ones(self.pool)
        self.climber.by_twos(self.pool, self._late)
        if not self.pool.enough:
            self.evidence.closed = len(self._bound_all(warm=True)) == 0 or self._few_left()
        if not self.pool.enough and not self.evidence.closed:
            self.evidence.closed = self._close()
        if not self.pool.enough and not self.evidence.closed:
            self._cheapest_first()
        return self._ended(1)

    def changed(self, builds: IntArray, count: int) -> Ranking:
        """The best builds, at most so many, that changes by one lead to from some (n, S): nothing is said of others."""
        self._begin(Pool(self.judge, 1), None)
        self._try(builds)
        self.climber.by_ones(self.pool)
        return self._ended(count)

    def some_legal(self, start: IntArray) -> Ranking:
        """Some build of any speed; ``listed`` is 0 where there is none.

        Parameters
        ----------
        start : array (S,)
            A build that meets everything before a run: from it on, one slot is changed after the other for more margin.
        """
        self._begin(AnyPool(self.judge, -np.inf), None)
        self._try(start[None])
        if self.pool.enough:
            return self._ended(1)
        sets = self._drive_sets(self._outlines(warm=True))  # how fast they could be does not matter here
        self.sets, self.bound = sets, np.full(len(sets), np.inf)
        self._drop_impossible()
        if len(self.sets):
            self._climb_to_legal()
        if len(self.sets) and not self.pool.enough:
            self._bound(self.sets)
            self._list_possible()
            self._lower_target(-np.inf)
        return self._ended(1)

    def _look_for_best(self, *, thorough: bool) -> None:
        """The whole search for the K best."""
        pool = self.pool
        warm = len(pool.builds) > 0 or len(self.memory.hints) > 0
        self._try(np.concatenate([self.judge.options.fitted[None], self.memory.hints, self._mended()]))
        self.climber.by_ones(pool)
        if warm and not thorough:
            self.climber.by_twos(pool, self._late)
        if len(self._bound_all(warm=warm)):
            self._find(thorough=thorough, warm=warm or self.many)
        elif thorough:
            self.evidence.closed = True
        if not self.evidence.stopped and self._at_cap():
            self._settle_equals()

    def _find_cheap(self, *, likely: bool) -> None:
        """Look for builds that score enough where they seem cheap; where money has no end, then where they seem fast.

        Where it has one, little is left to rule out, and what cannot be ruled out is met sooner.
        """
        if not (likely or self._seems_reached(self.pool.level)):
            return
        self._open_cheapest(self.sets, self.bound, briefly=True)
        none = len(self.pool.builds) == 0 and np.isinf(self.budget)
        if none and (not likely or self._seems_reached(self.pool.level)):
            self._probe()
            self.climber.by_twos(self.pool, self._late)

    def _mended(self) -> IntArray:
        """The fastest builds that are known, changed into such as the question allows: (n, S)."""
        known = self.memory.fastest(MENDED)
        return mended(known, self.climber.usable, self._asked_for())

    def _asked_for(self) -> list[tuple[BoolArray, ...]]:
        """Options (m_s,) per slot of which a build has to have one, for each rule that says so."""
        return [row.carriers for row in self.legality.rows if row.carriers is not None]

    def _settle_equals(self) -> None:
        """Where a cap holds the K-th best: look for builds as fast that cost no more than it, until none is unknown."""
        pool, money = self.pool, self.budget
        self.progress("cheapest of the equally fast", 0.7)
        pool.ties, self.budget = True, min(money, pool.ceiling)
        if not self._close() and not self.evidence.stopped:
            self._cheapest_first()
        pool.ties, self.budget = False, money

    def _find(self, *, thorough: bool, warm: bool) -> None:
        """Find good builds, then rule out the rest by argument if that is wanted and can be done, or by tangents.

        Where there are few builds, the first is left out, or all are tried. Where K are known from other questions, one
        look mostly has to do: what is better still is met while the rest is ruled out.
        """
        number, ranked = self.sets.completions.sum(), np.isfinite(self.pool.level)
        if number <= (FEW_TRIED if ranked else ALL_TRIED):
            tried = self._try_all()
            self.evidence.closed = tried if thorough else None
            return
        if ranked and self._at_cap():  # where a cap holds all, there is nothing faster to look for
            number = self._tightened(self.sets, self._goal()).completions.sum()
        few = ranked and number <= (SOON_CLOSED if thorough else ALL_TRIED)
        found = few or (ranked and warm and self._seems_found(thorough=thorough))
        target = self.pool.level if found else self._good_speed()
        if thorough and np.isfinite(self.pool.level):
            self.evidence.closed = self._close()
            if self.evidence.closed or self.evidence.stopped:
                return
        self._lower_target(target)
        if thorough and not self.evidence.stopped:
            self.evidence.closed = self._close()

    def _try_all(self) -> bool:
        """Try every completion of all drive sets, best bound first; whether there was time for all, if all matter."""
        every, rows = self.sets.every()
        self.touched.update(range(len(self.sets)))
        for start in range(0, len(every), TRIED_AT_ONCE):
            self.progress("trying every build", start / len(every))
            if self._late() or self.pool.enough:
                self.evidence.highest_left_ms = float(self.bound[rows[start]])
                return False
            self._try(every[start : start + TRIED_AT_ONCE])
        self.sets, self.bound = self.sets.take(np.arange(0)), self.bound[:0]
        return True

    def _few_left(self) -> bool:
        """Whether few completions are left, and all of them are tried now."""
        return bool(self.sets.completions.sum() <= FEW_TRIED) and self._try_all()

    def _interrupted(self) -> None:
        """Leave off in the midst of anything: what is in the pool counts, and the best cases say how much is left."""
        self.pool.mend()
        self.evidence.stopped = self.evidence.interrupted = True
        self.evidence.closed = None
        self.evidence.highest_left_ms = math.inf
        if self.left is not None:  # what is under the level of the search is ruled out
            self.evidence.highest_left_ms = float(self.bounding.optimistic(self.left).max(initial=self.pool.level))

    def _drive_sets(self, outlines: Outlines) -> DriveSets:
        """Drive sets with all completions that could matter: those that the question allows and that are not known."""
        money = None if np.isinf(self.budget) else int(self.budget)
        sets = completed(outlines, self.legality, self.judge.model.drive_slots, self.bounds, money)
        if not self.many:
            self.evidence.drive_sets = len(sets)
        unknown = self.memory.left_open(self.pool.level, replace(self.limits, cents=self.budget))
        carriers = [each for each in (*self._asked_for(), unknown) if each is not None]
        for carry in carriers:
            sets = sets.by_carrier(carry)
        return sets if not carriers or money is None else within_budget(sets, self.bounds, money)

    def _outlines(self, *, warm: bool) -> Outlines:
        """Drive sets that may matter. Of a great many, those that could be as fast as good builds of some of them."""
        self.progress("listing tire, gear and engine combinations", 0.0)
        money = None if np.isinf(self.budget) else int(self.budget)
        every = outlines_of(self.legality, self.judge.model.drive_slots, self.book, money)
        self.many = len(every) > MANY_SETS
        if not self.many:
            return every
        self.evidence.drive_sets = len(every)
        if not warm:
            self._bound(self._drive_sets(every.take(np.linspace(0, len(every) - 1, SAMPLED).astype(np.int64))))
            if len(self.sets):
                self._probe()
        return self._fast_enough(every)

    def _fast_enough(self, outlines: Outlines) -> Outlines:
        """Drive sets of which some build could be as fast as the level, in the mean of all runs."""
        if not np.isfinite(self.pool.level):
            return outlines
        splits = self._floor(self.pool.level).splits
        pieces = [(outlines.builds[rows], splits) for rows in self.matter.parts(len(outlines), LEAST_KEEPING)]
        return outlines.take(np.concatenate(self._shared(_could_keep, pieces)))

    def _bound_all(self, *, warm: bool = False) -> DriveSets:
        """Bound every drive set that may matter, as `_bound` does."""
        sets = self._drive_sets(self._outlines(warm=warm))
        self._bound(sets, warm=warm or self.many)
        self.left = self.sets
        return self.sets

    def _bound(self, sets: DriveSets, *, warm: bool = False) -> None:
        """Bound drive sets, and keep those that may reach the level already known, best bound first.

        Where that level is likely good (``warm``) and few best cases are known, what the level leaves of them is looked
        at before. Else what rules between the other slots leave is looked at once more is known of the level.
        """
        level = self.pool.level
        self.progress("best cases of all combinations", 0.05)
        known = self.memory.cases.of(sets)
        if warm and np.isfinite(level) and 2 * np.isinf(known).sum() > len(known):
            sets = sets.take(known > level - BOUND_SLACK_MS)
            sets = self._tightened(sets, replace(self._goal_at(level), ties=True))
            bound = self._optimistic(sets, level)
        else:
            bound = self._best_cases(sets, known)
        order = np.argsort(-bound, kind="stable")
        order = order[bound[order] > level - BOUND_SLACK_MS]
        self.sets, self.bound = sets.take(order), bound[order]

    def _best_cases(self, sets: DriveSets, bound: FloatArray) -> FloatArray:
        """Speeds (D,) that no completion of drive sets passes; ``bound`` (D,) has those known, and infinity.

        Parts of one set, split by which slot carries a part that is asked for, are run as the one. Of those that do not
        reach the level no more is known, and kept for other questions, than that.
        """
        unknown, level = np.flatnonzero(np.isinf(bound)), self.pool.level
        every, whole = sets.take(unknown).by_own_parts()
        best = np.zeros(len(every))
        for start in range(0, len(every), BLOCK):
            self.progress("best cases of all combinations", 0.05 + 0.05 * start / len(every))
            some = every.take(np.arange(start, min(start + BLOCK, len(every))))
            speed = self._optimistic(some, level)
            best[start : start + BLOCK] = speed
            self.memory.cases.learn(some, speed)
        bound[unknown] = best[whole]
        return bound

    def _ended(self, k: int) -> Ranking:
        """Note what was settled, and rank what was found."""
        self.evidence.opened = len(self.touched)
        if self.evidence.closed:
            self.memory.settle(self._goal().level, replace(self.limits, cents=self.budget))
        return self._ranked(k)

    def _ranked(self, k: int) -> Ranking:
        """The pool in the total order."""
        pool = self.pool
        speed, cents, hours, care = pool.numbers.T
        order = pool.ranked()
        listed = min(k, len(order))
        self.evidence.kth_ms = float(speed[order[listed - 1]]) if listed else 0.0
        self.evidence.simulations += self.bounding.simulated
        return Ranking(
            pool.builds[order], speed[order], cents[order].astype(np.int64), hours[order], care[order], listed,
            self.evidence,
        )  # fmt: skip


def _could_keep(search: Ranker, piece: tuple[IntArray, Sequence[Sequence[float]]]) -> BoolArray:
    return search.bounding.keeping.could(*piece)
