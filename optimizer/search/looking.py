"""Looks for good builds: probes where they likely are, climbs from them, opens drive sets best bound first.

What is ruled out here is so by tangents (docs/method.md, section 3); what holds by argument alone is in `ruling_out`.
"""

from __future__ import annotations

import numpy as np

from optimizer.choice.options import BoolArray, IntArray
from optimizer.search.bounding import SLACK_MS as BOUND_SLACK_MS
from optimizer.search.climbing import one_change
from optimizer.search.drive_sets import DriveSets, joined
from optimizer.search.opening import OPEN_MANY
from optimizer.search.propagation import Goal
from optimizer.search.ruling_out import REBOUND_MS, RulingOut
from optimizer.search.sharing import in_pieces
from optimizer.search.shortage import Boxes
from optimizer.search.state import CLEARLY_MS

BATCH, OPEN_FEW = 1000, 40
"""Drive sets looked at together; how many of these get tangents at once at first, when the level rises."""
FEW_LEAVES = 25
"""Completions listed for one drive set at first, the fastest; more when it is opened again."""
AROUND_MS, AROUND, AROUND_WIDTH = 0.45, 20, 8
"""Where careful and cheap builds are looked for: how far below the K-th best. Times, at most, that the most careful,
cheapest and fastest builds near are changed in one slot; how many of each."""
CAREFUL_CLIMBS = 20
"""Builds whose neighbors are tried, at most, where any legal build will do, or none is known."""
FIRST_STEP_MS, STEP_GROWTH = 0.1, 1.3
"""How far the target is lowered at first, and how much further every time."""
PROBES_SEEN, PROBED = 400, 20
"""How many of the best drive sets by estimate are looked at for good builds, and how many of those whose tires will do
are opened."""
ESTIMATES = 5
"""Times that the highest estimate is taken again with what that speed asks for."""
MOST_POSSIBLE = 100_000
"""Boxes of completions gone into where any legal build is looked for among what rules and money leave."""
PAID = (100, 1000)
"""Groups of drive sets asked at once whether any build of theirs is legal and affordable, about and at most."""
LISTED = (150, 600)
"""Boxes gone into at once there, about and at most."""
NEARLY_MS = 3.0
"""Where the highest estimate is less than this above the level, the rest is sooner ruled out than better ones found."""
PROBE_DEPTHS_MS = (0.2, 0.5, 1.0, 2.0, 4.0, 8.0)
"""How far below the highest estimate the probes look, one after the other."""


class Looking(RulingOut):
    """A search that can look for builds, too."""

    def _good_speed(self) -> float:
        """Look for good builds, harder where none is found; the speed to start looking from."""
        target = self._probe()
        if len(self.pool.builds) == 0:
            self._drop_impossible()
            target = self._probe_again(target)
        if not np.isfinite(self.pool.level):
            self._list_possible()
        return target

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
        return self._look_on() if np.isfinite(self.pool.level) else top

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
            self._look_on()
        return self.pool.level if np.isfinite(self.pool.level) else target

    def _look_on(self) -> float:
        """Look for better builds than are known, and return their level: where a cap holds it, no change brings any."""
        if not self._at_cap():
            self.climber.by_twos(self.pool, self._late)
        self._probe_higher()
        return self.pool.level

    def _probe_higher(self) -> None:
        """Look above the level in the likeliest drive sets, as long as these seem clearly faster and that raises it."""
        before = -np.inf
        while self.pool.level > before and not self._late():
            before = self.pool.level
            estimate, rows = self._estimates(before)
            if len(rows) == 0 or estimate[0] <= before + CLEARLY_MS:
                break
            self._try_likeliest(rows, Goal(before, self.budget))

    def _seems_found(self, *, thorough: bool) -> bool:
        """Whether the K best so far seem near the best there are: at once, or after a look in the likeliest drive sets.

        Where the rest is to be ruled out by argument, less will do: what is better is met then. A look there brings
        mostly nothing where no drive set seems clearly faster.
        """
        if not thorough:
            return not self._seems_reached(self.pool.level)
        estimate, rows = self._estimates(self.pool.level)
        highest = float(estimate.max(initial=-np.inf))
        if highest <= self.pool.level + CLEARLY_MS:
            return True
        self._try_likeliest(rows, Goal(self.pool.level, self.budget))
        return highest <= self.pool.level + NEARLY_MS

    def _try_likeliest(self, rows: IntArray, goal: Goal) -> IntArray:
        """Try a few completions of the likeliest drive sets (by row, best first) for a goal: (n, S)."""
        rows = rows[:PROBES_SEEN]
        most = dict.fromkeys(rows.tolist(), FEW_LEAVES)
        builds = self.opener.open(self.sets.marked(rows), goal, most, PROBED, splits=0).builds
        self._try(builds)
        return builds

    def _drop_impossible(self) -> None:
        """Drop drive sets to which rules and money together leave no completion, whatever its speed.

        And from the others what tires and rotors do not leave even their slowest completions.
        """
        goal = Goal(-np.inf, self.budget)
        self._drop_unaffordable(goal)
        left = self.shortage.at_their_slowest(self.sets.marked(np.arange(len(self.sets))), goal)
        self.sets, self.bound = left, self.bound[left.mark]

    def _drop_unaffordable(self, goal: Goal) -> None:
        """Drop drive sets of which no completion keeps the rules for the money."""
        self.progress("ruling out what cannot be legal", 0.1)
        group, boxes = self.shortage.together(self.sets, goal)
        pieces = [(boxes.take(rows), goal) for rows in in_pieces(len(boxes), *PAID)]
        kept = np.concatenate(self._shared(Looking._completable, pieces))[group]
        self.sets, self.bound = self.sets.take(kept), self.bound[kept]

    def _completable(self, piece: tuple[Boxes, Goal]) -> BoolArray:
        return self.shortage.possible(*piece, self._late)

    def _list_possible(self) -> None:
        """While K legal builds are not known: list what rules and money leave, and drop what is done."""
        goal = Goal(-np.inf, self.budget)
        if len(self.pool.builds) == 0:  # what their slowest completions ask for left less of them
            self._drop_unaffordable(goal)
        left = self.sets.marked(np.arange(len(self.sets)))
        while 0 < len(left) <= MOST_POSSIBLE and not (self.pool.enough or np.isfinite(self.pool.level) or self._late()):
            self.progress("looking for any legal build", 0.1)
            pieces = [(left.take(rows), goal) for rows in in_pieces(len(left), *LISTED)]
            found, rest = zip(*self._shared(_possible, pieces), strict=True)
            left = joined(rest)
            self._try(np.concatenate(found))
        rows = np.unique(left.mark)
        self.sets, self.bound = self.sets.take(rows), self.bound[rows]

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
            opened = self.opener.open(self.sets.marked(np.array(rows)), Goal(level, self.budget), most, width)
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
        tight = self._tightened(self.sets.marked(rows), goal)
        bound = self._optimistic(tight, goal.level)
        order = np.argsort(-bound, kind="stable")
        return tight.mark[order[bound[order] > goal.level - BOUND_SLACK_MS]]

    def _look_around(self) -> None:
        """Change the most careful, the cheapest and the fastest builds near the best in one slot, some times over.

        Changes that do not drive the car are left out where, done to the best build, they cost too much.
        """
        done: set[bytes] = set()
        pool = self.pool
        if len(pool.builds) == 0:
            return
        known, floor = self._foretelling(pool.best(1)[0]), pool.level - AROUND_MS
        for _ in range(AROUND):
            near = np.flatnonzero(pool.numbers[:, 0] >= pool.numbers[:, 0].max() - AROUND_MS)
            speed, cents, _hours, care = pool.numbers[near].T
            orders = [np.argsort(each, kind="stable") for each in (-np.round(care, 3), cents, -speed)]
            rows = near[np.unique(np.concatenate([order[:AROUND_WIDTH] for order in orders]))]
            rows = [int(row) for row in rows if pool.builds[row].tobytes() not in done]
            if not rows:
                break
            done |= {pool.builds[row].tobytes() for row in rows}
            changed = []
            for row in rows:
                build, build_ms = pool.builds[row], float(pool.numbers[row, 0])
                some = one_change(build, self.climber.usable)
                changed.append(some[known.likely(some, build, build_ms, floor, 0)])
            self._try(np.concatenate(changed), AROUND_MS)


def _possible(search: Looking, piece: tuple[DriveSets, Goal]) -> tuple[IntArray, DriveSets]:
    return search.shortage.step(*piece)
