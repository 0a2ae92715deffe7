"""The best K builds by simulated speed, and the evidence that nothing faster was left out.

Drive sets are bounded by optimistic runs and opened best bound first. Inside one, tangents at the K-th best speed say
which completions could still be faster; those are listed, priced, simulated and checked. While fewer than K builds are
known, the search looks for builds above a target, and lowers the target. It ends when no bound is above the K-th best.
What each step rests on is in docs/method.md, section 3.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import FloatArray, IntArray
from optimizer.choice.price import AdditiveBounds, PriceBook
from optimizer.run.judge import CHECKS, SPEED_STEP_MS, Judge
from optimizer.run.linear import LinearSpace
from optimizer.search.bounding import SLACK_MS as BOUND_SLACK_MS
from optimizer.search.bounding import Bounding
from optimizer.search.climbing import Climber, one_change
from optimizer.search.drive_sets import HALF_A_CENT, DriveSets, cheapest_cents, drive_sets_of, joined, within_budget
from optimizer.search.memory import Limits, Memory
from optimizer.search.opening import Opener
from optimizer.search.pool import AnyPool, CheapPool, Evidence, Pool
from optimizer.search.propagation import Goal
from optimizer.search.purchases import Purchases
from optimizer.search.shortage import Shortage
from optimizer.search.tightening import Tightener

Progress = Callable[[str, float], None]
"""Called with what is being done and the share of it that is done."""

BLOCK = 8192
"""Drive sets bounded at once: what they may be completed with is a large table."""
BATCH, OPEN_FEW, OPEN_MANY = 1000, 40, 400
"""Drive sets looked at together; how many of these get tangents at once, at first and when the level rests."""
CHEAP_BATCH, CHEAP_FEW, IDLE = 100, 20, 2
"""Likewise, where the cheapest are looked for: of the likeliest, few will do. Steps in vain after which these are no
longer looked for."""
REBOUND_MS = 0.05
"""A rise of the level by this much is worth bounding the waiting drive sets again."""
FEW_LEAVES, CHEAP_LEAVES = 25, 50
"""Completions listed for one drive set at first: the fastest, or the cheapest; more when it is opened again."""
CLEARLY_MS = 0.4
"""More than estimates of a drive set's speed for the money are too high, mostly."""
NEAR_MS, AROUND_MS = 0.15, 0.45
"""Builds this little below the K-th best are checked too: candidates for the cheapest and most careful choice; and this
little, where these are looked for."""
AROUND, AROUND_WIDTH = 20, 8
"""Times, at most, that the most careful, cheapest and fastest builds near are changed in one slot; how many of each."""
CAREFUL_CLIMBS = 20
"""Builds whose neighbors are tried, at most, where any legal build will do, or none is known."""
ALL_TRIED, FEW_TRIED, SOON_CLOSED = 40_000, 2_000, 2_000_000
"""Completions of all drive sets, up to which they are all tried where K builds are not known, and where they are; and
up to which, from any K builds, the rest is sooner ruled out than better ones are looked for."""
TRIED_AT_ONCE = 4000
"""Completions tried together where all are."""
FIRST_STEP_MS, STEP_GROWTH = 0.1, 1.3
"""How far the target is lowered at first, and how much further every time."""
ESTIMATED, PROBES_SEEN, PROBED = 1500, 400, 20
"""Drive sets, by best case, whose speed for the money is estimated; how many of the best are looked at for good builds,
and how many of those whose tires will do are opened."""
ESTIMATES = 5
"""Times that the highest estimate is taken again with what that speed asks for."""
MOST_BOXES = 20_000
"""Boxes of completions that a thorough search goes into before it gives up."""
MOST_POSSIBLE = 100_000
"""Likewise, where any legal build is looked for among what rules and money leave."""
HEAD, WORTH_A_HEAD = 100, 600
"""Drive sets ruled out before all others where there are many, and how many are many."""
PROBE_DEPTHS_MS = (0.2, 0.5, 1.0, 2.0, 4.0, 8.0)
"""How far below the highest estimate the probes look, one after the other."""


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


class Ranker:
    """Finds the best K builds of one scenario, class, salt condition and budget.

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
    """

    def __init__(
        self,
        judge: Judge,
        legality: Legality,
        book: PriceBook,
        budget_cents: int | None,
        hours_limit: float | None,
        progress: Progress | None = None,
        memory: Memory | None = None,
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
        self.opener = Opener(judge, legality, self.bounding, self.bounds, self.hours_limit)
        self.shortage = Shortage(self.opener, self.bounds)
        self.purchases = Purchases(book, judge.model.drive_slots)
        self.climber = Climber(self.space.usable, self._try, self.progress)
        self.memory = memory or Memory(judge.options)
        self.limits = Limits.of(legality, self.budget, self.hours_limit)
        self.evidence = Evidence(combinations=math.prod(judge.options.sizes))

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
        try:
            self._look_for_best(thorough=thorough)
            if around and not self.evidence.stopped:
                self._look_around()
        except KeyboardInterrupt:
            if not interruptible:
                raise
            self._interrupted()
        return self._ended(k)

    def _look_for_best(self, *, thorough: bool) -> None:
        """The whole search for the K best."""
        pool = self.pool
        warm = len(pool.builds) > 0 or len(self.memory.hints) > 0
        self._try(np.concatenate([self.judge.options.fitted[None], self.memory.hints]))
        self.climber.by_ones(pool)
        if warm:
            self.climber.by_twos(pool, self._late)
        if len(self._bound_all(warm=warm)):
            self._find(thorough=thorough, warm=warm)
        elif thorough:
            self.evidence.closed = True
        if not self.evidence.stopped and self._at_cap():
            self._settle_equals()

    def _settle_equals(self) -> None:
        """Where a cap holds the K-th best: look for builds as fast that cost no more than it, until none is unknown."""
        pool, money = self.pool, self.budget
        self.progress("cheapest of the equally fast", 0.7)
        pool.ties, self.budget = True, min(money, pool.ceiling)
        if not self._close() and not self.evidence.stopped:
            self._cheapest_first()
        pool.ties, self.budget = False, money

    def _look_around(self) -> None:
        """Change the most careful, the cheapest and the fastest builds near the best in one slot, some times over."""
        done: set[bytes] = set()
        for _ in range(AROUND):
            near = np.flatnonzero(self.pool.numbers[:, 0] >= self.pool.numbers[:, 0].max(initial=0.0) - AROUND_MS)
            speed, cents, _hours, care = self.pool.numbers[near].T
            orders = [np.argsort(each, kind="stable") for each in (-np.round(care, 3), cents, -speed)]
            rows = near[np.unique(np.concatenate([order[:AROUND_WIDTH] for order in orders]))]
            picked = [build for build in self.pool.builds[rows] if build.tobytes() not in done]
            if not picked:
                break
            done |= {build.tobytes() for build in picked}
            self._try(np.concatenate([one_change(build, self.climber.usable) for build in picked]), AROUND_MS)

    def _interrupted(self) -> None:
        """Leave off in the midst of anything: what is in the pool counts, and the best cases say how much is left."""
        self.pool.mend()
        self.evidence.stopped = self.evidence.interrupted = True
        self.evidence.closed = None
        self.evidence.highest_left_ms = math.inf
        if self.left is not None:  # what is under the level of the search is ruled out
            self.evidence.highest_left_ms = float(self.bounding.optimistic(self.left).max(initial=self.pool.level))

    def cheapest(self, floor_ms: float) -> Ranking:
        """The cheapest build that scores at least a floor [m/s], ruled out by argument that a cheaper one does.

        ``listed`` is 0 where no build does, and 1 else: of the cheapest that were met, the first in the total order.
        """
        self._begin(CheapPool(self.judge, floor_ms), None)
        self.climber.by_ones(self.pool)
        self.climber.by_twos(self.pool, self._late)
        self.evidence.closed = len(self._bound_all(warm=True)) == 0 or self._few_left() or self._close()
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

    def some_legal(self, start: IntArray) -> Ranking:
        """Some build of any speed; ``listed`` is 0 where there is none.

        Parameters
        ----------
        start : array (S,)
            A build that meets everything before a run: from it on, one slot is changed after the other for more margin.
        """
        self._begin(AnyPool(self.judge, -np.inf), None)
        self._try(start[None])
        self._climb_to_legal()
        if not self.pool.enough and len(self._bound_all(warm=True)):
            self._drop_impossible()
            self._list_possible()
            self._lower_target(-np.inf)
        return self._ended(1)

    def _climb_to_legal(self) -> None:
        """While no legal build is known: change in one slot those that were run and refused, of most margin first."""
        done: set[bytes] = set()
        while len(self.pool.builds) == 0 and len(done) < CAREFUL_CLIMBS and not self._late():
            safest = self._safest(done)
            if safest is None:
                break
            done.add(safest.tobytes())
            self._try(one_change(safest, self.climber.usable))

    def _safest(self, done: set[bytes]) -> IntArray | None:
        """The build that was run, of those the question allows, with the most margin: one that is not ``done``."""
        known = self.memory.builds
        allowed = np.flatnonzero(self.legality.allowed(known))
        prices = self.book.price(known[allowed])
        rows = allowed[prices.available & (prices.cents <= self.budget)]
        best = rows[np.argsort(-self.memory.numbers[rows, 1], kind="stable")]
        return next((known[row] for row in best if known[row].tobytes() not in done), None)

    def _begin(self, pool: Pool, time_limit_s: float | None) -> None:
        """Start with a pool, and with what is known."""
        self.deadline = math.inf if time_limit_s is None else time.monotonic() + time_limit_s
        self.pool, self.touched = pool, set[int]()
        self.left: DriveSets | None = None
        self._recall()

    def _ended(self, k: int) -> Ranking:
        """Note what was settled, and rank what was found."""
        self.evidence.opened = len(self.touched)
        if self.evidence.closed:
            self.memory.settle(self._goal().level, replace(self.limits, cents=self.budget))
        return self._ranked(k)

    def _recall(self) -> None:
        """Begin with what is known: builds that were run before, those that the question allows."""
        self.pool.fresh(self.memory.builds)
        self.evidence.recalled = len(self.memory.builds)
        known = self.memory.within(self.legality, self.book, self.budget)
        self.pool.add(known.builds, known.speed_ms, known.cents, known.hours, known.care)
        self.budget = min(self.budget, self.pool.ceiling)

    def _drive_sets(self) -> DriveSets:
        """Drive sets with all completions that could matter: those that the question allows and that are not known."""
        self.progress("listing tire, gear and engine combinations", 0.0)
        money = None if np.isinf(self.budget) else int(self.budget)
        sets = drive_sets_of(self.legality, self.judge.model.drive_slots, self.book, money)
        self.evidence.drive_sets = len(sets)
        asked_for = [row.carriers for row in self.legality.rows]
        unknown = self.memory.left_open(self.pool.level, replace(self.limits, cents=self.budget))
        carriers = [each for each in (*asked_for, unknown) if each is not None]
        for carry in carriers:
            sets = sets.by_carrier(carry)
        return sets if not carriers or money is None else within_budget(sets, self.bounds, money)

    # --- the search ---------------------------------------------------------------------------------------------

    def _bound_all(self, *, warm: bool = False) -> DriveSets:
        """Bound every drive set, and keep those that may reach the level already known, best bound first.

        Where that level is likely good (``warm``) and few best cases are known, what the level leaves of them is looked
        at before. Else what rules between the other slots leave is looked at once more is known of the level.
        """
        sets, level = self._drive_sets(), self.pool.level
        self.progress("best cases of all combinations", 0.05)
        known = self.memory.cases.of(sets)
        if warm and np.isfinite(level) and 2 * np.isinf(known).sum() > len(known):
            sets = sets.take(known > level - BOUND_SLACK_MS)
            sets = self.opener.narrower.tighten(sets, replace(self._goal_at(level), ties=True))
            bound = self.bounding.optimistic(sets)
        else:
            bound = self._best_cases(sets, known)
        order = np.argsort(-bound, kind="stable")
        order = order[bound[order] > level - BOUND_SLACK_MS]
        self.sets, self.bound = sets.take(order), bound[order]
        self.left = self.sets
        return self.sets

    def _seems_reached(self, level: float) -> bool:
        """Whether the likeliest drive set seems clearly faster than a level, for the money."""
        estimate, _ = self._estimates(level)
        return float(estimate.max(initial=-np.inf)) > level + CLEARLY_MS

    def _best_cases(self, sets: DriveSets, bound: FloatArray) -> FloatArray:
        """Speeds (D,) that no completion of drive sets passes; ``bound`` (D,) has those known, and infinity."""
        unknown = np.flatnonzero(np.isinf(bound))
        for start in range(0, len(unknown), BLOCK):
            self.progress("best cases of all combinations", 0.05 + 0.05 * start / len(unknown))
            rows = unknown[start : start + BLOCK]
            some = sets.take(rows)
            bound[rows] = self.bounding.optimistic(some)
            self.memory.cases.learn(some, bound[rows])
        return bound

    def _find(self, *, thorough: bool, warm: bool) -> None:
        """Find good builds, then rule out the rest by argument if that is wanted and can be done, or by tangents.

        Where there are few builds, the first is left out, or all are tried.
        """
        number, ranked = self.sets.completions.sum(), np.isfinite(self.pool.level)
        if number <= (FEW_TRIED if ranked else ALL_TRIED):
            tried = self._try_all()
            self.evidence.closed = tried if thorough else None
            return
        if ranked and self._at_cap():  # where a cap holds all, there is nothing faster to look for
            number = self.opener.narrower.tighten(self.sets, self._goal()).completions.sum()
        few = ranked and number <= (SOON_CLOSED if thorough else ALL_TRIED)
        found = few or (warm and not self._seems_reached(self.pool.level))
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
        builds = [self.sets.every(row) for row in range(len(self.sets))]
        rows = np.repeat(np.arange(len(builds)), [len(each) for each in builds])
        every = np.concatenate(builds)
        self.touched.update(range(len(builds)))
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

    def _good_speed(self) -> float:
        """Look for good builds, harder where none is found; the speed to start looking from."""
        target = self._probe()
        if len(self.pool.builds) == 0:
            self._drop_impossible()
            target = self._probe_again(target)
        if not np.isfinite(self.pool.level):
            self._list_possible()
        return target

    def _late(self) -> bool:
        """Whether time is up."""
        self.evidence.stopped |= time.monotonic() >= self.deadline
        return self.evidence.stopped

    def _lower_target(self, target: float) -> None:
        """Look for builds above a target, from what seems the most that money can buy, until there are K or no more.

        A target above the K-th best is only a question that costs little: the last search, at the K-th best or
        without any level, is the one that counts.
        """
        step = FIRST_STEP_MS
        while target > max(self.pool.level, 0.0):
            before = len(self.pool.builds)
            missed = self._search(target)
            if self.evidence.stopped:  # what does not reach the target may still pass the level
                self.evidence.highest_left_ms = float(self.bound.max(initial=0.0))
            if self.pool.level >= target or self.evidence.stopped:
                return
            if len(self.pool.builds) > before:
                self.climber.by_twos(self.pool, self._late)
            step *= STEP_GROWTH
            lower = missed - FIRST_STEP_MS
            target = lower if target - 3 * step < lower < target - FIRST_STEP_MS else target - step
        self._search(-np.inf)

    def _probe(self) -> float:
        """Try the best builds of the drive sets that seem best, at falling speeds, until there are K legal ones.

        Returns the speed to start looking from: the K-th best found, or an estimate of the most that money can buy.
        """
        top = above = float(self.bound[0])
        rows = np.zeros(0, dtype=np.int64)
        for _ in range(ESTIMATES):
            if self._late():
                return top
            estimate, rows = self._estimates(top - PROBE_DEPTHS_MS[0])
            if len(rows) == 0:
                break
            if estimate[0] >= top - FIRST_STEP_MS:
                # with less asked of it (a bracket's equipment) a car may be faster than what more would leave it
                top = max(top, min(float(estimate[0]), above))
                break
            top, above = float(estimate[0]), top
        for depth in PROBE_DEPTHS_MS:
            if self._late() or self.pool.level > top:
                break
            self.progress("looking for good builds", 0.1)
            if depth > PROBE_DEPTHS_MS[0]:
                _, rows = self._estimates(top - depth)
            builds = self._try_likeliest(rows, Goal(top - depth, self.budget, probe=True))
            if self.pool.holds(builds) >= self.pool.k:
                break
        if np.isfinite(self.pool.level):
            self.climber.by_twos(self.pool, self._late)
            self._probe_higher()
            return self.pool.level
        return top

    def _probe_again(self, target: float) -> float:
        """Where no legal build was found: with prices of what is bought together, and from builds that were refused.

        Returns the speed to start looking from.
        """
        split = self.purchases.split(self.sets.marked(np.arange(len(self.sets))))
        split = self.opener.propagation.narrowed(split, Goal(-np.inf, self.budget))
        self.sets, self.bound = split, self.bound[split.mark]
        if len(split) == 0:
            return target
        target = self._probe()
        if len(self.pool.builds) == 0:
            self._climb_to_legal()
            self.climber.by_ones(self.pool)
            self.climber.by_twos(self.pool, self._late)
            self._probe_higher()
        return self.pool.level if np.isfinite(self.pool.level) else target

    def _drop_impossible(self) -> None:
        """Drop drive sets to which rules and money together leave no completion, whatever its speed."""
        goal, left = Goal(-np.inf, self.budget), self.sets.marked(np.arange(len(self.sets)))
        self.progress("ruling out what cannot be legal", 0.1)
        left = left.take(self.shortage.possible(left, goal, self._late))
        left = self.shortage.at_their_slowest(left, goal)
        left = left.take(self.shortage.possible(left, goal, self._late))
        self.sets, self.bound = self.sets.take(left.mark), self.bound[left.mark]

    def _list_possible(self) -> None:
        """While K legal builds are not known: list what rules and money leave, and drop what is done."""
        goal = Goal(-np.inf, self.budget)
        left = self.sets.marked(np.arange(len(self.sets)))
        while 0 < len(left) <= MOST_POSSIBLE and not (self.pool.enough or np.isfinite(self.pool.level) or self._late()):
            self.progress("looking for any legal build", 0.1)
            builds, left = self.shortage.step(left, goal)
            self._try(builds)
        rows = np.unique(left.mark)
        self.sets, self.bound = self.sets.take(rows), self.bound[rows]

    def _probe_higher(self) -> None:
        """Look above the level in the likeliest drive sets, as long as these seem clearly faster and that raises it."""
        before = -np.inf
        while self.pool.level > before and not self._late():
            before = self.pool.level
            estimate, rows = self._estimates(before)
            if len(rows) == 0 or estimate[0] <= before + CLEARLY_MS:
                break
            self._try_likeliest(rows, Goal(before, self.budget))

    def _try_likeliest(self, rows: IntArray, goal: Goal) -> IntArray:
        """Try a few completions of the likeliest drive sets (by row, best first) for a goal: (n, S)."""
        rows = rows[:PROBES_SEEN]
        most = dict.fromkeys(rows.tolist(), FEW_LEAVES)
        builds = self.opener.open(self.sets, rows, goal, most, PROBED).builds
        self._try(builds)
        return builds

    def _estimates(self, level: float) -> tuple[FloatArray, IntArray]:
        """Estimated speeds of builds that meet what a level asks for, and the rows of their drive sets, best first."""
        rows = np.arange(min(ESTIMATED, len(self.sets)))
        tight = self.opener.narrower.tighten(self.sets.marked(rows), Goal(level, self.budget))
        if len(tight) == 0:
            return np.zeros(0), tight.mark
        estimate = self.opener.estimate(tight, self.bounding.optimistic(tight), self.budget)
        order = np.argsort(-estimate, kind="stable")
        return estimate[order], tight.mark[order]

    def _search(self, target: float) -> float:
        """Open drive sets best bound first until no bound is above the K-th best, or above the target.

        Returns about how fast the best of the builds is that do not reach the target.
        """
        pool = self.pool
        waiting = list(range(len(self.sets)))
        most = dict.fromkeys(waiting, FEW_LEAVES)
        bounded_at, width, looked, missed = -np.inf, OPEN_FEW, 0, -np.inf
        while waiting:
            level = max(pool.level, target)
            if level > bounded_at + REBOUND_MS:
                kept = self._rebound(np.array(waiting), Goal(level, self.budget))
                waiting, bounded_at = [int(row) for row in kept], level
                continue
            rows = [row for row in waiting[:BATCH] if self.bound[row] > level - BOUND_SLACK_MS]
            if not rows or pool.enough or self._late():
                break
            self.progress("looking for faster builds", 0.1 + 0.6 * looked / (looked + len(waiting)))
            looked += len(rows)
            self.touched.update(rows)
            opened = self.opener.open(self.sets, np.array(rows), Goal(level, self.budget), most, width)
            self._try(opened.builds)
            missed = max(missed, opened.missed_ms)
            risen = pool.level > level
            width = OPEN_FEW if risen else min(4 * width, OPEN_MANY)
            for row in opened.cut_off:
                most[row] *= 2 if risen else 8
            waiting = sorted(
                [*opened.cut_off, *opened.later, *waiting[len(rows) :]], key=lambda row: -float(self.bound[row])
            )
        self.evidence.highest_left_ms = float(max((self.bound[row] for row in waiting), default=0.0))
        return missed

    def _rebound(self, rows: IntArray, goal: Goal) -> IntArray:
        """Which of the waiting drive sets (by row) are worth opening for a goal.

        Bounds are taken again over what the goal leaves allowed, but not kept: they hold for this level only.
        """
        rows = rows[self.bound[rows] > goal.level - BOUND_SLACK_MS]
        if len(rows) == 0 or not np.isfinite(goal.level):
            return rows
        tight = self.opener.narrower.tighten(self.sets.marked(rows), goal)
        bound = self.bounding.optimistic(tight)
        order = np.argsort(-bound, kind="stable")
        return tight.mark[order[bound[order] > goal.level - BOUND_SLACK_MS]]

    def _cheapest_first(self) -> None:
        """List all that can reach the level, drive sets that are likely cheap first."""
        goal = self._goal()
        self._open_cheapest(*self._able(self.opener.narrower.tighten(self.sets, goal), goal.level))

    def _open_cheapest(self, sets: DriveSets, bound: FloatArray, *, briefly: bool = False) -> None:
        """Open drive sets, by what they may reach, likely the cheapest first, as what a build may cost falls.

        ``briefly``: only until builds that are tried bring nothing; the rest is then sooner ruled out by argument.
        """
        level = self.pool.level
        if len(sets) == 0:
            return
        least = sets.spent + sum(cheapest_cents(sets, self.bounds), start=np.zeros(len(sets)))
        likely = self.opener.estimate_cents(sets, bound, level)
        waiting = [int(row) for row in np.argsort(likely, kind="stable")]
        most, width, idle = dict.fromkeys(waiting, CHEAP_LEAVES), CHEAP_FEW, 0
        before = self.budget
        while not self.pool.enough and not self._late():
            money = self.budget
            waiting = [row for row in waiting if least[row] <= money + HALF_A_CENT]
            rows, rest = waiting[:CHEAP_BATCH], waiting[CHEAP_BATCH:]
            if not rows:
                break
            goal = Goal(level, money, ties=True, cheapest=True)
            opened = self.opener.open(sets, np.array(rows), goal, most, width)
            self._try(opened.builds)
            idle = 0 if self.budget < money else idle + (len(opened.builds) > 0 or self.budget < before)
            if briefly and idle == IDLE:
                break
            width = CHEAP_FEW if self.budget < money else min(4 * width, OPEN_MANY)
            for row in opened.cut_off:
                most[row] *= 4
            waiting = sorted([*opened.cut_off, *opened.later, *rest], key=lambda row: float(likely[row]))

    def _close(self) -> bool:
        """Rule out by argument everything that is not known to the pool; whether that came to an end.

        What cannot be ruled out is tried. Where that raises the level, what is left is ruled out for the new one.
        """
        if not np.isfinite(self.pool.level):
            return True
        if self._late():
            self.evidence.highest_left_ms = float(self.bound.max(initial=0.0))
            return False
        narrower, goal = self.opener.narrower, self._goal()
        tightener = Tightener(self.judge, self.bounding, self.bounds, narrower, self.opener.lister, self.purchases)
        self.progress("ruling out the rest", 0.7)
        every = self.sets.marked(np.flatnonzero(self.bound > goal.level - BOUND_SLACK_MS))
        sets, _ = self._able(narrower.by_equipment(narrower.tighten(every, goal), goal), goal.level)
        self.touched.update(sets.mark.tolist())
        sets, bound = self._able(tightener.begin(sets, goal), goal.level)
        if self.pool.cheaper and (len(self.pool.builds) or self._seems_reached(goal.level)):
            self._open_cheapest(sets, bound, briefly=True)
            goal = self._goal()
            sets, bound = self._able(narrower.tighten(sets, goal), goal.level)
        waiting = [(part, 0) for part in self._likeliest_last(sets, bound)]
        while waiting:
            self.left = joined([part for part, _ in waiting])
            if len(self.left) > MOST_BOXES:
                return False
            sets, number = waiting.pop()
            found, sets = tightener.step(sets, goal, number, self._late)
            self._try(found)
            if self.pool.enough:
                return False
            if len(sets):
                waiting.append((sets, number + 1))
            if self._late() and waiting:
                self.left = joined([part for part, _ in waiting])
                self.evidence.highest_left_ms = float(self.bounding.optimistic(self.left).max())
                return False
            before, goal = goal, self._goal()
            if goal.level > before.level + REBOUND_MS or goal.money < before.money:
                able = [(self._able(narrower.tighten(part, goal), goal.level)[0], number) for part, number in waiting]
                waiting = [(part, number) for part, number in able if len(part)]
        return True

    def _able(self, sets: DriveSets, level: float) -> tuple[DriveSets, FloatArray]:
        """Drive sets whose best case reaches a level, and their best cases."""
        bound = self.bounding.optimistic(sets)
        able = bound > level - BOUND_SLACK_MS
        return sets.take(able), bound[able]

    def _likeliest_last(self, sets: DriveSets, bound: FloatArray) -> list[DriveSets]:
        """Many drive sets in two parts, last the few that seem fastest for the money: they may raise the level."""
        if len(sets) < WORTH_A_HEAD:
            return [sets] if len(sets) else []
        likely = self.opener.estimate(sets, bound, self.budget)
        first = np.zeros(len(sets), dtype=bool)
        first[np.argsort(-likely, kind="stable")[:HEAD]] = True
        return [sets.take(~first), sets.take(first)]

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

    # --- builds -------------------------------------------------------------------------------------------------

    def _try(self, builds: IntArray, near_ms: float = NEAR_MS) -> None:
        """Price, simulate and check builds; the legal ones enter the pool, those that are not far below its level."""
        pool = self.pool
        builds = pool.fresh(builds)
        builds = builds[self.legality.allowed(builds)]
        if len(builds) == 0:
            return
        prices = self.book.price(builds)
        keep = prices.available & (prices.cents <= self.budget)
        builds, cents, hours = builds[keep], prices.cents[keep], prices.hours[keep]
        self.evidence.completions += len(builds)
        if len(builds) == 0:
            return
        runs = self.judge.runs(builds)
        speed = self.judge.joined(runs)
        near = speed >= pool.level - near_ms
        rows = np.flatnonzero(near)
        if len(rows) == 0:
            return
        judged = self.judge.judge(builds[rows], tuple(run.take(rows) for run in runs))
        self.memory.learn(builds[rows], speed[rows], judged.care, judged.legal & (speed[rows] > 0))
        self.evidence.simulations += len(builds) * len(runs) + len(rows)
        for name, passed in zip(CHECKS, judged.passes, strict=True):
            self.evidence.refused[name] += int((~passed).sum())
        legal = rows[judged.legal & (speed[rows] > 0)]
        care = judged.care[judged.legal & (speed[rows] > 0)]
        pool.add(builds[legal], speed[legal], cents[legal], hours[legal], care)
        self.budget = min(self.budget, pool.ceiling)

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
