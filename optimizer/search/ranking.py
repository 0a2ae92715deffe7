"""The best K builds by simulated speed, and the evidence that nothing faster was left out.

Drive sets are bounded by optimistic runs and opened best bound first. Inside one, tangents at the K-th best speed say
which completions could still be faster; those are listed, priced, simulated and checked. The search ends when no
bound is above the K-th best. What each step rests on is in docs/method.md, section 3.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.choice.price import AdditiveBounds, PriceBook
from optimizer.run.judge import CHECKS, SPEED_STEP_MS, Judge, order_keys
from optimizer.run.linear import C, LinearSpace
from optimizer.scenario.parts import Axle
from optimizer.search.bounding import SLACK_MS as BOUND_SLACK_MS
from optimizer.search.bounding import Batch, Bounding
from optimizer.search.completions import Task, complete
from optimizer.search.drive_sets import DriveSets, cheapest_cents, drive_sets_of, job_sum, option_cents, within_budget
from optimizer.search.surrogate import Tangents, lagrangian_bound

Progress = Callable[[str, float], None]
"""Called with what is being done and the share of it that is done."""

SLACK_MS = 2e-3
"""Every cut is loosened by this: it covers differences, rounding and the curvature of the mean (docs/method.md)."""
CLIMBS, CLIMB_WIDTH = 7, 4
"""Builds whose neighbors are tried before the search proper, taken from among the best few."""
GENTLE = 0.75
"""Share of the smallest slope met that is relied on before a drive set has a tangent of its own."""
FIRST_BATCH, BATCH, OPEN_MOST = 8, 400, 40
"""Drive sets looked at together before the level is known, and after; how many of these get tangents at once."""
REBOUND_MS = 0.05
"""A rise of the level by this much is worth bounding the waiting drive sets again."""
SEED_LEAVES, MOST_LEAVES, CHEAP_LEAVES = 400, 6000, 1000
"""Completions listed for one drive set before the level is known, after, and when cheap ones are looked for."""
NEAR_MS = 0.15
"""Builds this little below the K-th best are checked too: candidates for the cheapest and most careful choice."""
AXLES: tuple[Axle, Axle] = ("front", "rear")


@dataclass(frozen=True, slots=True)
class Goal:
    """What is looked for: builds at least as fast as ``level``, for at most ``money`` cents.

    ``ties`` says whether builds that can only equal the level count; ``cheapest`` lists cheap completions first.
    """

    level: float
    money: float
    ties: bool = False
    cheapest: bool = False


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

    def kth_price(self) -> float:
        """Price of the K-th best, by speed and then price."""
        order = np.lexsort([self.numbers[:, 1], -np.round(self.numbers[:, 0] / SPEED_STEP_MS)])
        return float(self.numbers[order[self.k - 1], 1])


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
        self.gentlest: FloatArray | None = None
        self.evidence = Evidence(combinations=math.prod(judge.options.sizes))

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
        self.pool = pool = _Pool(self.judge, k)
        self._try(self.judge.options.fitted[None])
        if proposals is not None:
            self._try(proposals)
        self._climb()
        self.progress("best cases of all combinations", 0.1)
        self.all_sets = sets
        self._bound_all(Goal(pool.level, self.budget))
        self._search()
        if np.isfinite(pool.level) and np.isclose(self.judge.caps_ms(), pool.level, rtol=0, atol=SPEED_STEP_MS).any():
            self.progress("cheapest of the equally fast", 0.7)
            self._cheapest_first(pool.level, pool.kth_price)
        return self._ranked(k)

    # --- the search ---------------------------------------------------------------------------------------------

    def _bound_all(self, goal: Goal) -> None:
        """Bound every drive set that could meet a goal, best bound first."""
        sets = self._tighten(self.all_sets, goal)
        bound = self.bounding.optimistic(sets)
        order = np.argsort(-bound, kind="stable")
        self.sets, self.bound = sets.take(order), bound[order]

    def _climb(self) -> None:
        """Change one or two slots of good builds until that brings nothing: a level to start from, and no more.

        What is found here only decides how early the bounds bite.
        """
        done: set[bytes] = set()
        for equipped in (True, False):
            for step in range(CLIMBS):
                build = self._next_to_change(done, equipped=equipped)
                if build is None:
                    break
                self.progress("trying changes to the car", 0.05 * step / CLIMBS)
                done.add(build.tobytes())
                self._try(_two_changes(build, self.judge.options.sizes))

    def _next_to_change(self, done: set[bytes], *, equipped: bool) -> IntArray | None:
        """The best build met but not yet changed, among the best few: of all, or of those no speed bracket holds."""
        pool = self.pool
        rows = np.arange(len(pool.builds))
        if equipped:
            rows = rows[~np.isfinite(self.judge.model.drive_rows(pool.builds).cap_ms)]
        speed = np.round(pool.numbers[rows, 0] / SPEED_STEP_MS)
        best = rows[np.lexsort([pool.numbers[rows, 1], -speed])[:CLIMB_WIDTH]]
        return next((pool.builds[row] for row in best if pool.builds[row].tobytes() not in done), None)

    def _tighten(self, sets: DriveSets, goal: Goal) -> DriveSets:
        """Drop what no build that meets the goal can have.

        Hopeless tires and rotors, slots left without the equipment a speed bracket asks for, and what money then no
        longer allows.
        """
        sets = _without_hopeless(sets, self.judge.hopeless(goal.level))
        allowed = list(sets.allowed)
        for carry in self._equipment(goal):
            slots = [s for s, has in enumerate(carry) if has.any()]
            if len(slots) == 1 and slots[0] in sets.free:
                allowed[sets.free.index(slots[0])] = allowed[sets.free.index(slots[0])] & carry[slots[0]]
        sets = replace(sets, allowed=tuple(allowed))
        while True:
            sets = sets.take(sets.completable)
            before = sum(int(ok.sum()) for ok in sets.allowed)
            if np.isfinite(goal.money):
                sets = within_budget(sets, self.bounds, int(goal.money))
            if sum(int(ok.sum()) for ok in sets.allowed) == before:
                return sets

    def _equipment(self, goal: Goal) -> list[tuple[BoolArray, ...]]:
        """For each speed bracket that the goal lies above: which options carry what it asks for."""
        needed = []
        for bracket in self.judge.options.scenario.race_class.brackets:
            cap = bracket.cap_ms + (SPEED_STEP_MS if goal.ties else -SPEED_STEP_MS)
            if bracket.requires not in self.judge.event.carries and goal.level > cap:
                needed.append(self.judge.options.carrying(bracket.requires))
        return needed

    def _search(self) -> None:
        """Open drive sets best bound first until no bound is above the K-th best."""
        sets, bound, pool = self.sets, self.bound, self.pool
        waiting = list(range(len(sets)))
        most = dict.fromkeys(waiting, SEED_LEAVES)
        touched: set[int] = set()
        bounded_at = pool.level
        while waiting:
            level = pool.level
            if level > bounded_at + REBOUND_MS:
                kept = self._rebound(sets, np.array(waiting), Goal(level, self.budget))
                waiting, bounded_at = [int(row) for row in kept], level
                continue
            size = BATCH if np.isfinite(level) else FIRST_BATCH
            rows = [row for row in waiting[:size] if bound[row] > level - BOUND_SLACK_MS]
            if not rows:
                break
            close = int(np.count_nonzero(bound > level - BOUND_SLACK_MS))
            self.progress("looking for faster builds", 0.2 + 0.5 * len(touched) / (1 + close))
            touched.update(rows)
            again, later = self._open(sets, np.array(rows), Goal(level, self.budget), most)
            for row in again:
                most[row] = most[row] * 4 if pool.level <= level else MOST_LEAVES
            waiting = sorted([*again, *later, *waiting[len(rows) :]], key=lambda row: -bound[row])
        self.evidence.opened = len(touched)
        self.evidence.highest_left_ms = float(max((bound[row] for row in waiting), default=0.0))

    def _rebound(self, sets: DriveSets, rows: IntArray, goal: Goal) -> IntArray:
        """Which of the waiting drive sets (by row) are still worth opening now that the level has risen.

        Bounds are taken again over what the higher level leaves allowed; `sets` itself keeps its rows.
        """
        rows = rows[self.bound[rows] > goal.level - BOUND_SLACK_MS]
        if len(rows) == 0:
            return rows
        tight = self._tighten(replace(sets.take(rows), builds=_marked(sets.builds[rows], rows)), goal)
        marks = tight.builds[:, -1]
        tight = replace(tight, builds=tight.builds[:, :-1])
        self.bound[marks] = np.minimum(self.bound[marks], self.bounding.optimistic(tight))
        kept = marks[self.bound[marks] > goal.level - BOUND_SLACK_MS]
        return kept[np.argsort(-self.bound[kept], kind="stable")]

    def _cheapest_first(self, level: float, ceiling: Callable[[], float]) -> None:
        """Open drive sets that can reach the level for at most ``ceiling``, cheapest first, as the ceiling falls."""
        if self.budget < ceiling():
            return
        sets = self._tighten(self.all_sets, Goal(level, ceiling(), ties=True))
        sets = sets.take(self.bounding.optimistic(sets) > level - BOUND_SLACK_MS)
        least = sets.spent + sum(cheapest_cents(sets, option_cents(sets, self.bounds)), start=np.zeros(len(sets)))
        waiting = [int(row) for row in np.argsort(least, kind="stable")]
        most = dict.fromkeys(waiting, CHEAP_LEAVES)
        while waiting:
            money = ceiling()
            rows = [row for row in waiting[:BATCH] if least[row] <= money + 0.5]
            if not rows:
                break
            again, later = self._open(sets, np.array(rows), Goal(level, money, ties=True, cheapest=True), most)
            for row in again:
                most[row] *= 4
            waiting = sorted([*again, *later, *waiting[len(rows) :]], key=lambda row: least[row])

    def _open(self, sets: DriveSets, rows: IntArray, goal: Goal, most: dict[int, int]) -> tuple[list[int], list[int]]:
        """List, price and simulate the completions of drive sets that could meet the goal.

        Returns the sets whose list was cut off, to be opened again, and those there was no room for yet: the first
        `OPEN_MOST` that may reach the level are opened, since what they bring makes the others easier to rule out.
        """
        marked = replace(sets.take(rows), builds=_marked(sets.builds[rows], rows))
        chosen = self._tighten(marked, goal)
        rows = chosen.builds[:, -1]
        if len(rows) == 0:
            return [], []
        batch = self.bounding.open(replace(chosen, builds=chosen.builds[:, :-1]))
        again, batch, speed, free = self.bounding.by_gear(batch, goal.level)
        rows = rows[again]
        close = np.flatnonzero(self._may_reach(batch, speed, free, goal))
        now = close[np.isin(rows[close], list(dict.fromkeys(rows[close].tolist()))[:OPEN_MOST])]
        later = sorted(set(rows[close].tolist()) - set(rows[now].tolist()))
        rows, batch = rows[now], batch.take(now)
        if len(rows) == 0:
            return [], later
        fit, batch = self._tires_hold(batch, goal.level)
        rows, batch = rows[fit], batch.take(fit)
        if len(rows) == 0:
            return [], later
        cuts, kept = self._cuts(batch, goal)
        cut_off, found = [], []
        for place, row in enumerate(rows[kept]):
            task, order = self._task(batch, int(kept[place]), cuts, place, goal)
            each = complete(task, most[int(row)], cheapest=goal.cheapest)
            builds = np.repeat(batch.sets.builds[kept[place]][None], len(each.choices), axis=0)
            builds[:, order] = each.choices
            found.append(builds)
            if each.cut_off:
                cut_off.append(int(row))
        if found:
            self._try(np.concatenate(found))
        return sorted(set(cut_off)), later

    def _may_reach(self, batch: Batch, speed: FloatArray, free: BoolArray, goal: Goal) -> BoolArray:
        """Whether affordable completions could reach the level, by slopes gentler than any met so far.

        From the optimistic run, every kilogram and newton that money forces on a build costs at least `GENTLE` of the
        smallest slope seen among tangents of cars that no limiter or cap holds. Checked, not shown by argument.
        """
        if self.gentlest is None or not np.isfinite(goal.level):
            return np.ones(len(speed), dtype=bool)
        losses = self.bounding.losses(batch, GENTLE * self.gentlest)
        left = goal.money - batch.sets.spent
        bound, _ = lagrangian_bound(losses, option_cents(batch.sets, self.bounds), left, list(batch.sets.allowed))
        return (
            np.where(free, speed + bound, np.where(np.isfinite(bound), speed, -np.inf)) >= goal.level - BOUND_SLACK_MS
        )

    def _learn(self, tangents: Tangents) -> None:
        """Keep the smallest slope of each coordinate met so far."""
        steep = tangents.smooth & (tangents.slope[:, C["drag_area_m2"]] < 0)
        if steep.any():
            least = np.maximum(-tangents.slope[steep], 0.0).min(axis=0)
            self.gentlest = least if self.gentlest is None else np.minimum(self.gentlest, least)

    def _tires_hold(self, batch: Batch, level: float) -> tuple[IntArray, Batch]:
        """Drive sets and undriven tires that are good for the fast day of any build that reaches the level."""
        turning = ground = self.bounding.slowest_on_fast_day(batch)
        if np.isfinite(level):
            lead, ground_lead = self.bounding.fast_day_lead(batch)
            turning, ground = np.maximum(turning, level + lead), np.maximum(ground, level + ground_lead)
        fit = np.ones(len(batch.sets), dtype=bool)
        allowed = list(batch.sets.allowed)
        for axle in AXLES:
            s = self.judge.model.slot_on("tire", axle)
            if s in batch.sets.free:
                allowed[batch.sets.free.index(s)] &= self.judge.tires_hold(axle, ground, level)
            elif s is not None:
                holds = self.judge.tires_hold(axle, turning, level)
                fit &= holds[np.arange(len(fit)), batch.sets.builds[:, s]]
        sets = replace(batch.sets, allowed=tuple(allowed))
        return np.flatnonzero(fit & sets.completable), replace(batch, sets=sets)

    def _cuts(self, batch: Batch, goal: Goal) -> tuple[list[tuple[Tangents, FloatArray, BoolArray]], IntArray]:
        """Two tangents per drive set, and the sets whose bound by the first still reaches the level."""
        cents = option_cents(batch.sets, self.bounds)
        left, level = goal.money - batch.sets.spent, goal.level
        first = self.bounding.tangents(batch, level)
        self._learn(first)
        bound, multiplier, best = self._linear_bound(batch, first, cents, left)
        holds = (first.speed <= level) & first.smooth
        kept = np.flatnonzero(np.isfinite(bound) & (~holds | (bound >= -SLACK_MS)))
        if len(kept) == 0 or not np.isfinite(level):
            return [(first.take(kept), multiplier[kept], holds[kept])], kept
        smaller = batch.take(kept)
        ends = self._line_through(smaller, best[kept], level)
        second = self.bounding.tangents(smaller, level, ends)
        bound2, multiplier2, _ = self._linear_bound(smaller, second, [each[kept] for each in cents], left[kept])
        holds2 = (second.speed <= level) & second.smooth
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
        goal: Goal,
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
        rows, left = self._rows(one, goal)
        where = {s: order.index(f) for f, s in enumerate(free)}
        pairs = {}
        for (s, t), forbidden in self.legality.pairs.items():
            if s in where and t in where:
                a, b = where[s], where[t]
                pairs[min(a, b), max(a, b)] = forbidden if a < b else forbidden.T
        hours_spent = sum(self.bounds.hours[s][one.builds[0, s]] for s in self.judge.model.drive_slots)
        done = int(one.jobs[0])
        job_hours = float(job_sum(one.jobs, self.bounds.job_hours)[0])
        task = Task(
            allowed=[allowed[f] for f in order],
            scores=[[score[f] for f in order] for score in scores],
            score_base=np.array([(batch.frame.base[place] - p) @ g for p, g in zip(points, slopes, strict=True)]),
            threshold=np.array([-SLACK_MS if holds[position] else -np.inf for _, _, holds in cuts]),
            cents=[self.bounds.cents[free[f]].astype(float) for f in order],
            cents_left=goal.money - float(one.spent[0]) + 0.5,
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

    def _rows(self, one: DriveSets, goal: Goal) -> tuple[list[list[FloatArray]], FloatArray]:
        """Linear rows over the free slots with what the drive set leaves of them; equipment needed at the level."""
        rows, left = [], []
        drive = self.judge.model.drive_slots
        for row in self.legality.rows:
            used = sum(float(row.coefficients[s][one.builds[0, s]]) for s in drive)
            rows.append([row.coefficients[s] for s in one.free])
            left.append(row.upper + row.slack - used)
        for coefficients, upper in self.judge.rotor_rows(goal.level):
            used = sum(float(coefficients[s][one.builds[0, s]]) for s in drive)
            rows.append([coefficients[s] for s in one.free])
            left.append(upper - used)
        for has_it in self._equipment(goal):
            carry = [each.astype(float) for each in has_it]
            has = sum(float(carry[s][one.builds[0, s]]) for s in drive)
            rows.append([-carry[s] for s in one.free])
            left.append(has - 1.0)
        return rows, np.array(left)

    # --- builds -------------------------------------------------------------------------------------------------

    def _try(self, builds: IntArray) -> None:
        """Price, simulate and check builds; the legal ones enter the pool."""
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

    def _ranked(self, k: int) -> Ranking:
        """The pool in the total order."""
        pool = self.pool
        speed, cents, hours, care = pool.numbers.T
        order = order_keys(self.judge.options, pool.builds, speed, care, cents.astype(np.int64))
        listed = min(k, len(order))
        self.evidence.kth_ms = float(speed[order[listed - 1]]) if listed else 0.0
        self.evidence.simulations += self.bounding.simulated
        return Ranking(
            pool.builds[order], speed[order], cents[order].astype(np.int64), hours[order], care[order], listed,
            self.evidence,
        )  # fmt: skip


def _marked(builds: IntArray, rows: IntArray) -> IntArray:
    """Builds (n, S) with the row each came from as a further column, to survive a selection."""
    return np.concatenate([builds, rows[:, None]], axis=1)


def _two_changes(build: IntArray, sizes: tuple[int, ...]) -> IntArray:
    """Every build that differs from one (S,) in one or two slots."""
    places = [(s, o) for s, size in enumerate(sizes) for o in range(size)]
    slot, option = np.array(places).T
    first, second = np.triu_indices(len(places), k=0)
    keep = (slot[first] != slot[second]) | (first == second)
    first, second = first[keep], second[keep]
    builds = np.repeat(build[None], len(first), axis=0)
    rows = np.arange(len(first))
    builds[rows, slot[first]] = option[first]
    builds[rows, slot[second]] = option[second]
    return builds


def _without_hopeless(sets: DriveSets, hopeless: tuple[BoolArray, ...]) -> DriveSets:
    """Drop hopeless options from the free slots, and sets whose own parts are hopeless."""
    allowed = tuple(ok & ~hopeless[s] for s, ok in zip(sets.free, sets.allowed, strict=True))
    own = np.zeros(len(sets), dtype=bool)
    for s, out in enumerate(hopeless):
        if s not in sets.free:
            own |= out[sets.builds[:, s]]
    return replace(sets, allowed=tuple(ok & ~own[:, None] for ok in allowed))
