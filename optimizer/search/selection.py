"""The best ways to choose one option from each group within limits, and no doubt that they are the best.

Branch and bound over whole blocks of partial selections. Of each, the search knows which options may still be chosen
and a bound on what it can come to (:mod:`optimizer.search.selection_bounds`). Everything that is struck out is
measured against the last of the K best selections known so far, so what is left out cannot belong to the K best.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.search.selection_bounds import (
    PULL,
    Bounded,
    Known,
    Table,
    good_selections,
    lp_multipliers,
    strip_forbidden,
    strip_overuse,
    tighten,
)

LARGEST = 1e90
"""Scores and uses, at most: beyond, sums and squares of them end."""
TOLERANCE = 1e-9
"""What counts as equal, for values and for limits, in parts of the largest sum there could be."""
DECIMALS = 6
"""Scores with at most this many decimals are summed as whole numbers, so that ties are ties."""
CELLS = 50_000
"""Size of a block, options times partial selections: what fits the cache."""
ROOT_STEPS, STEPS = 100, 10
"""Steps towards good multipliers, at the start and for each partial selection."""
SWAP_POOL = (20, 200)
"""How many good selections to look for before the search, least and most."""


@dataclass(frozen=True, slots=True)
class SelectionProblem:
    """One option is to be chosen from each of G groups, for the highest sum of scores.

    Attributes
    ----------
    scores : per group, array (m_g,)
    uses : per group, array (R, m_g)
        What each option takes of each resource; below 0 where it gives.
    limits : array (R,)
        inf for no limit.
    forbidden : (g, h), g < h -> bool (m_g, m_h)
        True where the two options may not be together.
    """

    scores: Sequence[FloatArray]
    uses: Sequence[FloatArray]
    limits: FloatArray
    forbidden: Mapping[tuple[int, int], BoolArray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse what does not fit together."""
        sizes = [len(scores) for scores in self.scores]
        if not sizes:
            raise ValueError("a selection needs at least one group")
        if len(self.uses) != len(sizes):
            raise ValueError(f"{len(sizes)} groups have scores, {len(self.uses)} have uses")
        for group, (size, scores, uses) in enumerate(zip(sizes, self.scores, self.uses, strict=True)):
            if np.shape(uses) != (len(self.limits), size):
                raise ValueError(f"uses of group {group} are {np.shape(uses)}, not {(len(self.limits), size)}")
            if not (np.isfinite(scores).all() and np.isfinite(uses).all()):
                raise ValueError(f"group {group} has a score or use that is not a finite number")
            if max(np.abs(scores).max(initial=0.0), np.abs(uses).max(initial=0.0)) > LARGEST:
                raise ValueError(f"group {group} has a score or use beyond {LARGEST:g}: sums of such say nothing")
        if np.isnan(self.limits).any() or np.isneginf(self.limits).any():
            raise ValueError("a limit is not a number, or minus infinity")
        for (g, h), table in self.forbidden.items():
            if not 0 <= g < h < len(sizes) or np.shape(table) != (sizes[g], sizes[h]):
                raise ValueError(f"forbidden pairs of groups {g} and {h} do not fit the groups")


@dataclass(frozen=True, slots=True)
class SelectionResult:
    """The best selections, best first; of those equal in value, by the numbers of their options, lowest first.

    Attributes
    ----------
    choices : int array (n, G)
        Fewer than were asked for only where there are no more, or time ran out.
    values : array (n,)
    complete : bool
        Whether these are the best: no other selection has a value above the last (to 1e-9 of the largest sum there
        could be). Otherwise time ran out.
    bound : float
        Highest value that a selection not listed could have; -inf where all selections are listed.
    nodes : int
        Partial selections looked at.
    """

    choices: IntArray
    values: FloatArray
    complete: bool
    bound: float
    nodes: int


def best_selections(problem: SelectionProblem, k: int, *, time_limit_s: float | None = None) -> SelectionResult:
    """Find the k best selections.

    Parameters
    ----------
    problem : SelectionProblem
    k : int
        How many are wanted, at least 1.
    time_limit_s : float, optional
        Time after which the search stops with what it has; how far it got then depends on the machine. Without it,
        the same problem always takes the same way.
    """
    if k < 1:
        raise ValueError(f"at least one selection must be asked for, not {k}")
    deadline = math.inf if time_limit_s is None else time.monotonic() + time_limit_s
    if min(len(scores) for scores in problem.scores) == 0:
        return SelectionResult(np.zeros((0, len(problem.scores)), dtype=np.int64), np.zeros(0), True, -math.inf, 0)
    return _Search(problem, k, deadline).run()


def _table(problem: SelectionProblem, factor: float, *, whole: bool) -> Table:
    """All options in one table, without resources that have no limit; scores times ``factor``."""
    sizes = np.array([len(scores) for scores in problem.scores])
    limited = np.isfinite(problem.limits)
    uses = np.concatenate([np.asarray(part, dtype=float)[limited] for part in problem.uses], axis=1)
    group = np.repeat(np.arange(len(sizes)), sizes)
    starts = np.cumsum(sizes) - sizes
    limits = np.asarray(problem.limits, dtype=float)[limited]
    largest = np.abs(limits) + np.maximum.reduceat(np.abs(uses), starts, axis=1).sum(axis=1)
    limits = limits + TOLERANCE * largest
    spread = np.sqrt(sum(np.var(uses[:, group == g], axis=1) for g in range(len(sizes))))
    scale = np.where(spread > 1e-9 * largest, spread, np.maximum(largest, 1e-300))
    scores = np.concatenate([np.asarray(part, dtype=float) for part in problem.scores]) * factor
    scores = np.rint(scores) if whole else scores
    pairs = tuple((g, h, np.asarray(table, dtype=np.float32)) for (g, h), table in sorted(problem.forbidden.items()))
    return Table(scores, uses / scale[:, None], limits / scale, starts, group, pairs)


def _whole(problem: SelectionProblem) -> tuple[float, float]:
    """Factor that makes all scores whole numbers, with the least difference of two unequal sums; (1, 0) if none."""
    scores = np.concatenate([np.asarray(part, dtype=float) for part in problem.scores])
    largest = np.abs(scores).max() * len(problem.scores)
    for decimals in range(DECIMALS + 1):
        factor = 10.0**decimals
        if largest * factor * TOLERANCE > 0.1:
            break
        if (scores == np.round(scores * factor) / factor).all():
            return factor, 1.0
    return 1.0, 0.0


@dataclass(slots=True)
class _Open:
    """Partial selections still to be looked at: parents, and which parent takes which row on."""

    alive: BoolArray
    multipliers: FloatArray
    parent: IntArray
    row: IntArray
    hope: FloatArray

    def grown(self, group: IntArray) -> BoolArray:
        """Which options are left of each (T, N)."""
        alive = self.alive[:, self.parent]
        alive &= group[:, None] != group[self.row]
        alive[self.row, np.arange(len(self.row))] = True
        return alive

    def take(self, keep: BoolArray | slice) -> _Open:
        """Some of them, of the same parents."""
        return _Open(self.alive, self.multipliers, self.parent[keep], self.row[keep], self.hope[keep])


class _Search:
    def __init__(self, problem: SelectionProblem, most: int, deadline: float) -> None:
        self.factor, self.unit = _whole(problem)
        self.table = _table(problem, self.factor, whole=self.unit > 0)
        self.deadline = deadline
        self.known = Known(most, self.table.groups)
        largest = self.table.tops(np.abs(self.table.scores)[:, None]).sum()
        self.rounding = TOLERANCE * max(float(largest), 1e-300)
        self.floor = float(self.table.least(self.table.scores[:, None]).sum()) - max(self.unit, 2 * self.rounding)
        self.block = max(1, CELLS // len(self.table.group))
        self.top = math.inf
        self.left_out = False
        self.nodes = 0

    @property
    def level(self) -> float:
        """Value below which nothing is of interest; below all values until enough selections are known."""
        return float(self.known.values[-1]) - self.rounding if self.known.full else self.floor

    def run(self) -> SelectionResult:
        """Look at everything at once, then at what is left of it, the most hopeful first."""
        table = self.table
        multipliers = lp_multipliers(table)
        net = table.scores - multipliers @ table.uses
        tops = table.tops(net[:, None])[:, 0]
        self.top = float(tops.sum() + multipliers @ table.limits)
        choices = good_selections(table, net - tops[table.group], int(np.clip(self.known.most, *SWAP_POOL)))
        self.known.add(choices, self._values(choices))
        stack = list(self._look(np.ones((len(table.group), 1), dtype=bool), multipliers[:, None], ROOT_STEPS))
        while stack and time.monotonic() < self.deadline:
            alive, starts = self._next(stack)
            if alive.shape[1]:
                stack.extend(self._look(alive, starts, STEPS))
        return self._result(stack)

    def _values(self, choices: IntArray) -> FloatArray:
        """Values (n,) of selections, the same in whatever order they are summed."""
        scores = self.table.scores[choices + self.table.starts]
        return np.array([math.fsum(row) for row in scores]).reshape(len(choices))

    def _next(self, stack: list[_Open]) -> tuple[BoolArray, FloatArray]:
        """Take the next block off the stack: options left (T, N) and multipliers (R, N)."""
        parts: list[_Open] = []
        count = 0
        while stack and count + len(stack[-1].row) <= self.block:
            part = stack.pop()
            hopeful = part.hope >= self.level
            self.left_out |= not hopeful.all()
            if hopeful.any():
                parts.append(part.take(hopeful))
                count += int(hopeful.sum())
        if not parts:
            return np.zeros((len(self.table.group), 0), dtype=bool), np.zeros((len(self.table.limits), 0))
        alive = np.concatenate([part.grown(self.table.group) for part in parts], axis=1)
        return alive, np.concatenate([part.multipliers[:, part.parent] for part in parts], axis=1)

    def _look(self, alive: BoolArray, multipliers: FloatArray, steps: int) -> Iterator[_Open]:
        """Bound partial selections, keep those that are whole, and hand back what the others branch into."""
        table = self.table
        self.nodes += alive.shape[1]
        alive = strip_forbidden(table, alive)
        fit = (table.sums(alive) > 0).all(axis=0)
        if not fit.all():
            alive, multipliers = alive[:, fit], multipliers[:, fit]
        if not fit.any():
            return
        pull = PULL * max(self.top - self.level, 0.0) + self.rounding
        bounded = tighten(table, alive, multipliers, self.level, steps, pull)
        self.left_out |= self.known.full and bool(bounded.alive.sum() < alive.sum())
        bounded = self._stripped(bounded)
        whole = (table.sums(bounded.alive) == 1).all(axis=0)
        if whole.any():
            fits = self._stripped(bounded.take(whole)).alive  # again, now that nothing is open: limits one and all
            choices = np.nonzero(fits.T)[1].reshape(-1, table.groups) - table.starts
            self.known.add(choices, self._values(choices))
            bounded = bounded.take(~whole)
        bounded = bounded.take(~self._behind(bounded))
        yield from self._branches(bounded)

    def _stripped(self, bounded: Bounded) -> Bounded:
        """Without options that forbidden pairs or limits rule out, and what cannot be made whole without them."""
        alive = strip_overuse(self.table, strip_forbidden(self.table, bounded.alive))
        keep = np.asarray((self.table.sums(alive) > 0).all(axis=0))
        return Bounded(alive, bounded.multipliers, bounded.bound, bounded.reach).take(keep)

    def _behind(self, bounded: Bounded) -> BoolArray:
        """Partial selections that can at best equal the last of the known ones, but would stand behind it."""
        behind = np.zeros(len(bounded.bound), dtype=bool)
        if not self.known.full:
            return behind
        behind = bounded.bound < self.known.values[-1] + max(self.unit - self.rounding, self.rounding)
        which = np.flatnonzero(behind)
        alive = bounded.alive[:, which]
        first = np.stack([alive[self.table.rows_of(g)].argmax(axis=0) for g in range(self.table.groups)])
        ahead = np.sign(self.known.choices[-1][:, None] - first)
        decides = (ahead != 0).argmax(axis=0)
        behind[which] = ahead[decides, np.arange(len(which))] <= 0
        self.left_out |= bool(behind.any())
        return behind

    def _branches(self, bounded: Bounded) -> Iterator[_Open]:
        """Split each by the options of the group that leaves the least to do; the most hopeful come last."""
        table = self.table
        count = table.sums(bounded.alive)
        gap = np.maximum(bounded.bound - self.level, self.rounding)
        share = np.where(bounded.alive, (bounded.reach - self.level) / gap, 0.0)
        work = np.where(count > 1, table.sums(share * share * share), np.inf)
        row, parent = np.nonzero(bounded.alive & (table.group[:, None] == work.argmin(axis=0)))
        hope = np.minimum(bounded.reach[row, parent], bounded.bound[parent])
        order = np.lexsort((-row, hope))
        whole = _Open(bounded.alive, bounded.multipliers, parent[order], row[order], hope[order])
        for end in reversed(range(len(order), 0, -self.block)):
            yield whole.take(slice(max(end - self.block, 0), end))

    def _result(self, stack: list[_Open]) -> SelectionResult:
        """What is known once the stack is empty or time is up."""
        known = self.known
        known.sort()
        hopes = [hope for hope in (float(part.hope.max()) for part in stack) if hope >= self.level]
        complete = not hopes
        if known.full and (self.left_out or known.left_out):
            hopes.append(float(known.values[-1]))
        bound = max(hopes, default=-math.inf)
        if self.unit and math.isfinite(bound):
            bound = float(math.floor(bound + self.rounding))
        return SelectionResult(known.choices, known.values / self.factor, complete, bound / self.factor, self.nodes)
