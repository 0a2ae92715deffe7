"""Rules out by argument what is left of a search, and tries what cannot be ruled out; the cheapest first at a cap."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from optimizer.choice.options import FloatArray, IntArray
from optimizer.search.bounding import SLACK_MS as BOUND_SLACK_MS
from optimizer.search.drive_sets import HALF_A_CENT, DriveSets, cheapest_cents, joined
from optimizer.search.opening import OPEN_MANY
from optimizer.search.propagation import Goal
from optimizer.search.sharing import in_pieces
from optimizer.search.state import SearchState
from optimizer.search.tightening import Tightener, most_listed

REBOUND_MS = 0.05
"""A rise of the level by this much is worth narrowing anew what is left."""
CHEAP_BATCH, CHEAP_FEW = 100, 20
"""Where the cheapest are looked for: drive sets looked at together, and how many of these get tangents at once."""
CHEAP_LEAVES = 50
"""Completions listed for one drive set at first, the cheapest; more when it is opened again."""
MOST_BOXES = 20_000
"""Boxes of completions that a thorough search goes into before it gives up."""
HEAD, WORTH_A_HEAD = 100, 600
"""Drive sets ruled out before all others where there are many, and how many are many."""
STEPPED = (60, 600)
"""Boxes that go through a round at once, about and at most."""
LEAST_SLOWED = 150
"""Drive sets of which to run the slowest completions is worth another process."""


class RulingOut(SearchState):
    """A search that can rule out."""

    @cached_property
    def tightener(self) -> Tightener:
        """Narrows drive sets round by round."""
        lister = self.opener.lister
        return Tightener(self.judge, self.bounding, self.bounds, self.opener.narrower, lister, self.purchases)

    def _close(self) -> bool:
        """Rule out by argument everything that is not known to the pool; whether that came to an end.

        What cannot be ruled out is tried. Where that raises the level, what is left is ruled out for the new one.
        """
        if not np.isfinite(self.pool.level):
            return True
        if self._late():
            self.evidence.highest_left_ms = float(self.bound.max(initial=0.0))
            return False
        goal = self._goal()
        self.progress("ruling out the rest", 0.7)
        rows = np.flatnonzero(self.bound > goal.level - BOUND_SLACK_MS)
        every = self.sets.marked(rows)
        if self.pool.cheaper and len(self.pool.builds):
            self._open_cheapest(every, self.bound[rows], briefly=True)
            goal = self._goal()
        waiting = [(part, 0) for part in self._likeliest_last(*self._first_look(every, goal))]
        while waiting:
            self.left = joined([part for part, _ in waiting])
            if len(self.left) > MOST_BOXES:
                return False
            sets, number = waiting.pop()
            found, sets = self._step(sets, goal, number)
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
                able = [(self._able(self._tightened(part, goal), goal.level)[0], number) for part, number in waiting]
                waiting = [(part, number) for part, number in able if len(part)]
        return True

    def _first_look(self, every: DriveSets, goal: Goal) -> tuple[DriveSets, FloatArray]:
        """What a goal leaves of drive sets at the first look, and their best cases."""
        every = self.opener.narrower.by_equipment(self._tightened(every, goal), goal)
        good = self.opener.narrower.good_at_level(every, goal)
        sets, bound = self._able(good, goal.level)
        self.touched.update(sets.mark.tolist())
        few_left = bool(good.completions.sum() < 0.5 * every.completions.sum())
        if self.tightener.begin(sets, goal, self.opener.typical(sets, bound), few_left):
            sets, bound = self._able(self._not_too_fast(sets, goal), goal.level)
        return sets, bound

    def _step(self, sets: DriveSets, goal: Goal, number: int) -> tuple[IntArray, DriveSets]:
        """One round: completions (n, S) that may meet the goal, and drive sets in which others may.

        No other completion of the sets given meets it. Rounds are numbered from 0. After the first, drive sets are
        split, and tires too slow are out. Those for which there is no time are given back as they are.
        """
        if number:
            sets = self._not_too_fast(self.tightener.parted(sets, goal, number), goal)
        if number == 1:
            sets = self.tightener.by_speed(sets)
        most = most_listed(len(sets))
        tires = self.tightener.tires_matter
        pieces = [(sets.take(rows), goal, number, most, tires) for rows in in_pieces(len(sets), *STEPPED)]
        found, rest = zip(*self._shared(RulingOut._round, pieces), strict=True)
        return np.concatenate(found), joined(rest)

    def _round(self, piece: tuple[DriveSets, Goal, int, int, bool]) -> tuple[IntArray, DriveSets]:
        return self.tightener.round(*piece, self._late)

    def _not_too_fast(self, sets: DriveSets, goal: Goal) -> DriveSets:
        """`Narrower.not_too_fast`."""
        pieces = [(sets.take(rows), goal) for rows in self.matter.parts(len(sets), LEAST_SLOWED)]
        return joined(self._shared(_not_too_fast, pieces))

    def _likeliest_last(self, sets: DriveSets, bound: FloatArray) -> list[DriveSets]:
        """Many drive sets in two parts, last the few that seem fastest for the money: they may raise the level.

        Where a cap holds the level there is mostly nothing faster.
        """
        if len(sets) < WORTH_A_HEAD or self._at_cap():
            return [sets] if len(sets) else []
        likely = self.opener.estimate(sets, bound, self.budget)
        first = np.zeros(len(sets), dtype=bool)
        first[np.argsort(-likely, kind="stable")[:HEAD]] = True
        return [sets.take(~first), sets.take(first)]

    def _cheapest_first(self) -> None:
        """List all that can reach the level, drive sets that are likely cheap first."""
        goal = self._goal()
        self._open_cheapest(*self._able(self._tightened(self.sets, goal), goal.level))

    def _open_cheapest(self, sets: DriveSets, bound: FloatArray, *, briefly: bool = False) -> None:
        """Open drive sets, by what they may reach, likely the cheapest first, as what a build may cost falls.

        ``briefly``: only until a look brings nothing cheaper; the rest is then sooner ruled out by argument.
        """
        level = self.pool.level
        if len(sets) == 0:
            return
        least = sets.spent + sum(cheapest_cents(sets, self.bounds), start=np.zeros(len(sets)))
        likely = self.opener.estimate_cents(sets, bound, level)
        waiting = [int(row) for row in np.argsort(likely, kind="stable")]
        most, width = dict.fromkeys(waiting, CHEAP_LEAVES), CHEAP_FEW
        while not self.pool.enough and not self._late():
            money = self.budget
            waiting = [row for row in waiting if least[row] <= money + HALF_A_CENT]
            rows, rest = waiting[:CHEAP_BATCH], waiting[CHEAP_BATCH:]
            if not rows:
                break
            goal = Goal(level, money, ties=True, cheapest=True)
            opened = self.opener.open(sets.marked(np.array(rows)), goal, most, width)
            self._try(opened.builds)
            if briefly and self.budget == money:
                break
            width = CHEAP_FEW if self.budget < money else min(4 * width, OPEN_MANY)
            for row in opened.cut_off:
                most[row] *= 4
            waiting = sorted([*opened.cut_off, *opened.later, *rest], key=lambda row: float(likely[row]))


def _not_too_fast(search: RulingOut, piece: tuple[DriveSets, Goal]) -> DriveSets:
    return search.opener.narrower.not_too_fast(*piece)
