"""The best K builds by simulated speed, and the evidence that nothing faster was left out.

Drive sets are bounded by optimistic runs and opened best bound first. Inside one, tangents at the K-th best speed say
which completions could still be faster; those are listed, priced, simulated and checked. The search ends when no
bound is above the K-th best. What each step rests on is in docs/method.md, section 3.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.choice.price import AdditiveBounds, PriceBook
from optimizer.run.judge import CHECKS, SPEED_STEP_MS, Judge, order_keys
from optimizer.run.linear import LinearSpace
from optimizer.search.bounding import Batch, Bounding
from optimizer.search.completions import Task, complete
from optimizer.search.drive_sets import DriveSets, drive_sets_of, option_cents
from optimizer.search.surrogate import Tangents, lagrangian_bound

Progress = Callable[[str, float], None]
"""Called with what is being done and the share of it that is done."""

SLACK_MS = 2e-3
"""Every cut is loosened by this: it covers differences, rounding and the curvature of the mean (docs/method.md)."""
FIRST_BATCH, BATCH = 8, 48
SEED_LEAVES, MOST_LEAVES = 400, 6000
"""Completions listed for one drive set before the level is known, and after."""


@dataclass(slots=True)
class Evidence:
    """How complete the search was: counts, and the two numbers that end it.

    Attributes
    ----------
    combinations : product of the options of all slots.
    drive_sets : legal combinations of engine, gears and tires within the budget.
    opened : how many of them had to be looked into; the others are bounded below the K-th best.
    completions : builds listed as possibly better; priced, simulated and checked one by one.
    refused : of these, how many each check that needs a run refused.
    simulations : runs simulated in all.
    kth_ms : speed of the last build listed; nothing left out is faster by more than ``slack_ms``.
    highest_left_ms : highest bound among drive sets that were not opened.
    """

    combinations: int = 0
    drive_sets: int = 0
    opened: int = 0
    completions: int = 0
    simulations: int = 0
    refused: dict[str, int] = field(default_factory=lambda: dict.fromkeys(CHECKS, 0))
    kth_ms: float = 0.0
    highest_left_ms: float = 0.0
    slack_ms: float = SLACK_MS


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


class _Pool:
    """Legal builds met so far, each once, with their speed, price, hours and margin."""

    def __init__(self, judge: Judge, k: int) -> None:
        self.judge, self.k = judge, k
        count = len(judge.options.slots)
        self.builds = np.zeros((0, count), dtype=np.int64)
        self.numbers = np.zeros((0, 4))
        self.seen: set[bytes] = set()

    def fresh(self, builds: IntArray) -> IntArray:
        """Those of the builds (n, S) that were not met before."""
        keep = []
        for row in np.ascontiguousarray(builds):
            key = row.tobytes()
            keep.append(key not in self.seen)
            self.seen.add(key)
        return builds[np.array(keep, dtype=bool)] if keep else builds

    def add(self, builds: IntArray, speed: FloatArray, cents: IntArray, hours: FloatArray, care: FloatArray) -> None:
        """Add legal builds."""
        self.builds = np.concatenate([self.builds, builds])
        self.numbers = np.concatenate([self.numbers, np.stack([speed, cents.astype(float), hours, care], axis=1)])

    @property
    def level(self) -> float:
        """Speed of the K-th best; minus infinity while there are fewer."""
        if len(self.builds) < self.k:
            return -np.inf
        return float(np.partition(self.numbers[:, 0], -self.k)[-self.k])


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
    """

    def __init__(
        self,
        judge: Judge,
        legality: Legality,
        book: PriceBook,
        budget_cents: int | None,
        hours_limit: float | None,
        progress: Progress | None = None,
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
        self.evidence = Evidence(combinations=_product(judge.options.sizes))

    def top(self, k: int, proposals: IntArray | None = None) -> Ranking:
        """Best K builds in the total order, with the evidence.

        Parameters
        ----------
        k : int
            How many builds are wanted.
        proposals : array (n, S), optional
            Builds that may be good: tried first, so that the bounds bite early. They change nothing else.
        """
        self.progress("listing tire, gear and engine combinations", 0.0)
        sets = drive_sets_of(self.legality, self.judge.model.drive_slots, self.bounds, self.budget_cents)
        self.evidence.drive_sets = len(sets)
        pool = _Pool(self.judge, k)
        self._try(pool, np.zeros((1, len(self.judge.options.slots)), dtype=np.int64))
        if proposals is not None:
            self._try(pool, proposals)
        self.progress("best cases of all combinations", 0.1)
        bound = self.bounding.optimistic(sets)
        order = np.argsort(-bound, kind="stable")
        self._search(pool, sets.take(order), bound[order])
        return self._ranked(pool, k)

    # --- the search ---------------------------------------------------------------------------------------------

    def _search(self, pool: _Pool, sets: DriveSets, bound: FloatArray) -> None:
        """Open drive sets best bound first until no bound is above the K-th best."""
        waiting = list(range(len(sets)))
        most = dict.fromkeys(waiting, SEED_LEAVES)
        touched: set[int] = set()
        size = FIRST_BATCH
        while waiting:
            level = pool.level
            rows = [row for row in waiting[:size] if bound[row] > level - SLACK_MS]
            if not rows:
                break
            self.progress("looking for faster builds", 0.3 + 0.7 * len(touched) / (len(touched) + len(waiting)))
            touched.update(rows)
            again = self._open(pool, sets, np.array(rows), level, most)
            for row in again:
                most[row] = most[row] * 4 if pool.level <= level else MOST_LEAVES
            waiting = sorted([*again, *waiting[len(rows) :]], key=lambda row: -bound[row])
            size = BATCH if np.isfinite(pool.level) else FIRST_BATCH
        left = [bound[row] for row in waiting]
        self.evidence.opened = len(touched)
        self.evidence.highest_left_ms = float(max(left)) if left else 0.0

    def _open(self, pool: _Pool, sets: DriveSets, rows: IntArray, level: float, most: dict[int, int]) -> list[int]:
        """List, price and simulate the completions of drive sets that could reach the level.

        Returns the sets whose list was cut off, to be opened again.
        """
        chosen = _without_hopeless(sets.take(rows), self._hopeless(level))
        alive = np.logical_and.reduce([ok.any(axis=1) for ok in chosen.allowed], initial=True)
        rows, batch = rows[alive], self.bounding.open(chosen.take(alive))
        if len(rows) == 0:
            return []
        fit = self._tires_hold(batch, level)
        rows, batch = rows[fit], batch.take(np.flatnonzero(fit))
        if len(rows) == 0:
            return []
        cuts, kept = self._cuts(batch, level)
        cut_off, found = [], []
        for place, row in enumerate(rows[kept]):
            task, order = self._task(batch, int(kept[place]), cuts, place, level)
            each = complete(task, most[int(row)])
            builds = np.repeat(batch.sets.builds[kept[place]][None], len(each.choices), axis=0)
            builds[:, order] = each.choices
            found.append(builds)
            if each.cut_off:
                cut_off.append(int(row))
        if found:
            self._try(pool, np.concatenate(found))
        return cut_off

    def _cuts(self, batch: Batch, level: float) -> tuple[list[tuple[Tangents, FloatArray, BoolArray]], IntArray]:
        """Two tangents per drive set, and the sets whose bound by the first still reaches the level."""
        cents = option_cents(batch.sets, self.bounds)
        left = self.budget - batch.sets.spent
        first = self.bounding.tangents(batch, level)
        bound, multiplier, best = self._linear_bound(batch, first, cents, left)
        holds = first.speed <= level
        kept = np.flatnonzero(np.isfinite(bound) & (~holds | (bound >= -SLACK_MS)))
        if len(kept) == 0 or not np.isfinite(level):
            return [(first.take(kept), multiplier[kept], holds[kept])], kept
        smaller = batch.take(kept)
        ends = self._line_through(smaller, best[kept], level)
        second = self.bounding.tangents(smaller, level, ends)
        bound2, multiplier2, _ = self._linear_bound(smaller, second, [each[kept] for each in cents], left[kept])
        holds2 = second.speed <= level
        stay = ~holds2 | (bound2 >= -SLACK_MS)
        one = (first.take(kept[stay]), multiplier[kept[stay]], holds[kept[stay]])
        two = (second.take(np.flatnonzero(stay)), multiplier2[stay], holds2[stay])
        return [two, one], kept[stay]

    def _linear_bound(
        self, batch: Batch, tangents: Tangents, cents: list[FloatArray], left: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Most that any affordable completion has on a tangent, the price of money, and the point that attains it."""
        scores = [np.einsum("bml,bl->bm", add, tangents.slope) for add in batch.additions]
        base = np.einsum("bl,bl->b", batch.frame.base - tangents.point, tangents.slope)
        allowed = list(batch.sets.allowed)
        bound, multiplier = lagrangian_bound(scores, cents, left, allowed)
        point = batch.frame.base.copy()
        for score, price, ok, add in zip(scores, cents, allowed, batch.additions, strict=True):
            best = np.where(ok, score - multiplier[:, None] * price, -np.inf).argmax(axis=1)
            point += add[np.arange(len(best)), best]
        return base + bound, multiplier, point

    def _line_through(self, batch: Batch, point: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
        """A line from the fast to the slow side of the level that passes through a promising point."""
        fast, slow = batch.span.least.copy(), batch.span.most
        at = self.bounding.speed_of(batch, np.arange(len(point)), point)
        below = (at < level)[:, None]
        return np.where(below, fast, point), np.where(below, point, slow)

    def _task(
        self,
        batch: Batch,
        place: int,
        cuts: list[tuple[Tangents, FloatArray, BoolArray]],
        position: int,
        level: float,
    ) -> tuple[Task, list[int]]:
        """The completion task of one drive set, and its free slots in the order of how much they matter to speed."""
        sets, free = batch.sets, batch.sets.free
        slopes = [tangents.slope[position] for tangents, _, _ in cuts]
        points = [tangents.point[position] for tangents, _, _ in cuts]
        allowed = [ok[place] for ok in sets.allowed]
        scores = [[add[place] @ slope for add in batch.additions] for slope in slopes]
        spread = [np.ptp(score[ok]) for score, ok in zip(scores[0], allowed, strict=True)]
        order = sorted(range(len(free)), key=lambda f: -spread[f])
        one = sets.take(np.array([place]))
        cents = [each[0] for each in self._plain_cents(one)]
        rows, left = self._rows(one, level)
        where = {s: order.index(f) for f, s in enumerate(free)}
        pairs = {}
        for (s, t), forbidden in self.legality.pairs.items():
            if s in where and t in where:
                a, b = where[s], where[t]
                pairs[min(a, b), max(a, b)] = forbidden if a < b else forbidden.T
        hours_spent = sum(self.bounds.hours[s][one.builds[0, s]] for s in self.judge.model.drive_slots)
        done = int(one.jobs[0])
        job_hours = sum(float(h) for j, h in enumerate(self.bounds.job_hours) if done >> j & 1)
        task = Task(
            allowed=[allowed[f] for f in order],
            scores=[[score[f] for f in order] for score in scores],
            score_base=np.array([(batch.frame.base[place] - p) @ g for p, g in zip(points, slopes, strict=True)]),
            threshold=np.array([-SLACK_MS if holds[position] else -np.inf for _, _, holds in cuts]),
            cents=[cents[f] for f in order],
            cents_left=self.budget - float(one.spent[0]) + 0.5,
            jobs=[self.bounds.jobs[free[f]].astype(np.int64) for f in order],
            jobs_done=done,
            job_cents=self.bounds.job_cents.astype(float),
            job_hours=self.bounds.job_hours,
            hours=[self.bounds.hours[free[f]] for f in order],
            hours_left=self.hours_limit - float(hours_spent) - job_hours + 1e-6,
            multipliers=np.array([multiplier[position] for _, multiplier, _ in cuts]),
            rows=[[row[f] for f in order] for row in rows],
            row_left=left,
            pairs=pairs,
        )
        return task, [free[f] for f in order]

    def _plain_cents(self, one: DriveSets) -> list[FloatArray]:
        """Price of each option without jobs, which the task counts exactly."""
        return [self.bounds.cents[s][None].astype(float) for s in one.free]

    def _rows(self, one: DriveSets, level: float) -> tuple[list[list[FloatArray]], FloatArray]:
        """Linear rows over the free slots with what the drive set leaves of them; equipment needed at the level."""
        rows, left = [], []
        drive = self.judge.model.drive_slots
        for row in self.legality.rows:
            used = sum(float(row.coefficients[s][one.builds[0, s]]) for s in drive)
            rows.append([row.coefficients[s] for s in one.free])
            left.append(row.upper + row.slack - used)
        event = self.judge.event
        for bracket in self.judge.options.scenario.race_class.brackets:
            if bracket.requires in event.carries or level <= bracket.above_ms - bracket.hold_off_ms:
                continue
            carry = [
                np.array([float(bracket.requires in part.tags) for part in parts])
                for parts in self.judge.options.parts
            ]
            has = sum(float(carry[s][one.builds[0, s]]) for s in drive)
            rows.append([-carry[s] for s in one.free])
            left.append(has - 1.0)
        return rows, np.array(left)

    def _hopeless(self, level: float) -> tuple[BoolArray, ...]:
        """Options with which no build that reaches the level meets every check."""
        return self.judge.hopeless(level)

    def _tires_hold(self, batch: Batch, level: float) -> BoolArray:
        """Drive sets whose driven tires are good for the slowest of their completions on the fast day."""
        return self.judge.driven_tires_hold(batch.sets.builds, self.bounding.slowest_on_fast_day(batch), level)

    # --- builds -------------------------------------------------------------------------------------------------

    def _try(self, pool: _Pool, builds: IntArray) -> None:
        """Price, simulate and check builds; the legal ones enter the pool."""
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
        near = speed >= pool.level - NEAR_MS
        rows = np.flatnonzero(near)
        if len(rows) == 0:
            return
        judged = self.judge.judge(builds[rows], tuple(run.take(rows) for run in runs))
        self.evidence.simulations += len(builds) * len(runs) + len(rows)
        for name, passed in zip(CHECKS, judged.passes, strict=True):
            self.evidence.refused[name] += int((~passed).sum())
        legal = rows[judged.legal & (speed[rows] > 0)]
        care = judged.care[judged.legal & (speed[rows] > 0)]
        pool.add(builds[legal], speed[legal], cents[legal], hours[legal], care)

    def _ranked(self, pool: _Pool, k: int) -> Ranking:
        """The pool in the total order."""
        speed, cents, hours, care = pool.numbers.T
        order = order_keys(self.judge.options, pool.builds, speed, care, cents.astype(np.int64))
        listed = min(k, len(order))
        self.evidence.kth_ms = float(speed[order[listed - 1]]) if listed else 0.0
        self.evidence.simulations += self.bounding.simulated
        return Ranking(
            pool.builds[order], speed[order], cents[order].astype(np.int64), hours[order], care[order], listed,
            self.evidence,
        )  # fmt: skip


NEAR_MS = 0.15
"""Builds this little below the K-th best are checked too: candidates for the cheapest and most careful choice."""


def _product(sizes: tuple[int, ...]) -> int:
    """Product of whole numbers of any size."""
    total = 1
    for size in sizes:
        total *= size
    return total


def _without_hopeless(sets: DriveSets, hopeless: tuple[BoolArray, ...]) -> DriveSets:
    """Drop hopeless options from the free slots, and sets whose own parts are hopeless."""
    allowed = tuple(ok & ~hopeless[s] for s, ok in zip(sets.free, sets.allowed, strict=True))
    own = np.zeros(len(sets), dtype=bool)
    for s, out in enumerate(hopeless):
        if s not in sets.free:
            own |= out[sets.builds[:, s]]
    allowed = tuple(ok & ~own[:, None] for ok in allowed)
    return DriveSets(sets.builds, sets.free, allowed, sets.spent, sets.jobs)


__all__ = ["SPEED_STEP_MS", "Evidence", "Ranker", "Ranking"]
