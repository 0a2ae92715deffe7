"""Bounds for blocks of partial selections: which options can still be part of one that is good enough.

A partial selection is a column of a bool table (T, N): for each of the T options of all groups, one after the other,
whether it may still be chosen. Nothing here looks at one column at a time.

With multipliers ``u >= 0`` for the limits ``b``, no selection that keeps to them has a value above
``u . b + sum over groups of max(score - u . use)``, whatever the multipliers (Geoffrion, Lagrangean relaxation for
integer programming, 1974; from memory). The same sum with one group held to one option bounds all selections with
that option. So every vector of multipliers that is tried on the way to a good one may strike options out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.optimize
from numpy.typing import NDArray

from optimizer.choice.options import BoolArray, FloatArray, IntArray

ShortFloats = NDArray[np.float32]

DEAD = -1e100
"""Stands for "may not be chosen" in sums; finite, so that differences of two are not undefined."""
FEW = 0.7
"""Where less than this part of the options is left in a whole block, it is worth copying them out."""
MOMENTUM = 0.7
"""Share of the last step's direction kept in the next: fewer steps are needed on the published instances."""
PULL = 0.15
"""How far below the level to be reached the steps aim, in parts of the gap at the start: a step that aims at the
level itself never gets below it."""
LP_PENALTY = 1e3
"""Price of going over all limits by their whole spread, in parts of the spread of values."""
SWAP_OPTIONS, SWAP_ROUNDS = 200, 40
"""Options tried two at a time in looking for good selections before the search, and how often."""
LARGEST = 1e9
"""Largest multiplier, in parts of spread of value to spread of use."""


@dataclass(frozen=True, slots=True)
class Table:
    """All options of all groups, one after the other.

    Attributes
    ----------
    scores : array (T,)
    uses : array (R, T)
    limits : array (R,)
        With the allowance for rounding added.
    starts : int array (G,)
        First row of each group.
    group : int array (T,)
        Group of each row.
    pairs : tuple of (g, h, table float32 (m_g, m_h))
        1 where the two options may not be together.
    """

    scores: FloatArray
    uses: FloatArray
    limits: FloatArray
    starts: IntArray
    group: IntArray
    pairs: tuple[tuple[int, int, ShortFloats], ...]

    @property
    def groups(self) -> int:
        """Number of groups."""
        return len(self.starts)

    def rows_of(self, group: int) -> slice:
        """Rows of one group."""
        end = self.starts[group + 1] if group + 1 < len(self.starts) else len(self.group)
        return slice(int(self.starts[group]), int(end))

    def only(self, rows: IntArray) -> Table:
        """The same with some of the rows, in their order; each group must keep at least one."""
        group = self.group[rows]
        pairs = tuple(
            (g, h, table[np.ix_(rows[group == g] - self.starts[g], rows[group == h] - self.starts[h])])
            for g, h, table in self.pairs
        )
        starts = np.searchsorted(group, np.arange(self.groups))
        return Table(self.scores[rows], self.uses[:, rows], self.limits, starts, group, pairs)

    def tops(self, values: FloatArray) -> FloatArray:
        """Highest value in each group (G, N) of values (T, N)."""
        return self._reduced(np.maximum, values)

    def least(self, values: FloatArray) -> FloatArray:
        """Lowest value in each group (G, N) of values (T, N)."""
        return self._reduced(np.minimum, values)

    def sums(self, values: FloatArray | BoolArray) -> FloatArray:
        """Sum in each group (G, N) of values (T, N)."""
        return self._reduced(np.add, values)

    def _reduced(self, how: np.ufunc, values: FloatArray | BoolArray) -> FloatArray:
        """One group at a time, or all at once where they are of one size: both far faster than ``reduceat``."""
        width = len(self.group) // self.groups
        if np.array_equal(self.starts, width * np.arange(self.groups)) and width * self.groups == len(self.group):
            return how.reduce(values.reshape(self.groups, width, -1), axis=1, dtype=float)
        reduced = np.empty((self.groups, values.shape[1]))
        for group in range(self.groups):
            how.reduce(values[self.rows_of(group)], axis=0, dtype=float, out=reduced[group])
        return reduced


@dataclass(frozen=True, slots=True)
class Bounded:
    """Partial selections that are left, with what is known of each.

    Attributes
    ----------
    alive : bool array (T, N)
    multipliers : array (R, N)
        Those with the lowest bound.
    bound : array (N,)
        No selection of the column has a higher value.
    reach : array (T, N)
        The same for selections with this option.
    """

    alive: BoolArray
    multipliers: FloatArray
    bound: FloatArray
    reach: FloatArray

    def take(self, keep: BoolArray) -> Bounded:
        """Some of the columns."""
        if keep.all():
            return self
        return Bounded(self.alive[:, keep], self.multipliers[:, keep], self.bound[keep], self.reach[:, keep])


def lp_multipliers(table: Table) -> FloatArray:
    """Multipliers (R,) of the continuous relaxation without forbidden pairs; a good start, never a proof by itself.

    Going over the limits is allowed at a price, so that there is a solution and a direction where there is none.
    """
    rows, groups, resources = len(table.group), table.groups, len(table.limits)
    if resources == 0:
        return np.zeros(0)
    spread = max(float(np.ptp(table.scores)), 1e-12)
    one_each = np.zeros((groups, rows + 1))
    one_each[table.group, np.arange(rows)] = 1.0
    found = scipy.optimize.linprog(
        np.append(-table.scores / spread, LP_PENALTY),
        A_ub=np.hstack([table.uses, -np.ones((resources, 1))]),
        b_ub=table.limits,
        A_eq=one_each,
        b_eq=np.ones(groups),
    )
    if found.status != 0:
        return np.zeros(resources)
    return np.maximum(-np.asarray(found.ineqlin.marginals) * spread, 0.0)


def tighten(table: Table, alive: BoolArray, multipliers: FloatArray, level: float, steps: int, pull: float) -> Bounded:
    """Lower the bounds of partial selections and strike out options that are in no selection of value ``level``.

    Parameters
    ----------
    table : Table
    alive : bool array (T, N)
    multipliers : array (R, N)
        Where to start from.
    level : float
        Selections of this value or more must not be lost.
    steps : int
        Steps along the subgradient, with the length of Polyak (Minimization of unsmooth functionals, 1969; from
        memory) for a target ``pull`` below the level.

    Returns
    -------
    Bounded
        Without the columns that cannot reach the level.
    """
    rows = np.flatnonzero(alive.any(axis=1))
    if 0 < len(rows) < FEW * len(alive) and table.sums(alive).any(axis=1).all():
        few = tighten(table.only(rows), alive[rows], multipliers, level, steps, pull)
        wide_alive = np.zeros((len(alive), len(few.bound)), dtype=bool)
        wide_reach = np.full(wide_alive.shape, DEAD)
        wide_alive[rows], wide_reach[rows] = few.alive, few.reach
        return Bounded(wide_alive, few.multipliers, few.bound, wide_reach)
    penalty = np.where(alive, 0.0, DEAD)
    best, best_bound = multipliers, np.full(alive.shape[1], np.inf)
    heading = np.zeros_like(multipliers)
    cap = LARGEST * max(float(np.ptp(table.scores)), 1e-12)
    transposed = np.ascontiguousarray(table.uses.T)
    for step in range(steps if len(table.limits) else 0):
        net, tops, bound = _relaxed(table, transposed, penalty, multipliers)
        better = bound < best_bound
        best, best_bound = np.where(better, multipliers, best), np.where(better, bound, best_bound)
        np.putmask(penalty, net < (tops - (bound - level))[table.group], DEAD)
        keep = best_bound >= level
        if keep.mean() < 0.8:
            if not keep.any():
                break
            penalty, net, tops = penalty[:, keep], net[:, keep], tops[:, keep]
            best, best_bound, bound = best[:, keep], best_bound[keep], bound[keep]
            multipliers, heading = multipliers[:, keep], heading[:, keep]
        if step < steps - 1:
            heading = _slope(table, net, tops) + MOMENTUM * heading
            heading = np.where((multipliers <= 0) & (heading > 0), 0.0, heading)
            length = (bound - level + pull) / np.maximum((heading * heading).sum(axis=0), 1e-30)
            multipliers = np.clip(multipliers - length * heading, 0.0, cap)
    net, tops, bound = _relaxed(table, transposed, penalty, best)
    reach = net + (bound - tops)[table.group]
    alive = reach >= level
    keep = (bound >= level) & (table.sums(alive) > 0).all(axis=0)
    return Bounded(alive, best, bound, reach).take(keep)


def _relaxed(
    table: Table, transposed: FloatArray, penalty: FloatArray, multipliers: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Scores net of priced use (T, N), the highest in each group (G, N), and the bounds (N,)."""
    net = table.scores[:, None] - transposed @ multipliers
    net += penalty
    tops = table.tops(net)
    return net, tops, tops.sum(axis=0) + table.limits @ multipliers


def _slope(table: Table, net: FloatArray, tops: FloatArray) -> FloatArray:
    """Slope of the bound with each multiplier (R, N); where options tie for the highest, their mean."""
    chosen = (net == tops[table.group]).astype(float)
    chosen /= table.sums(chosen)[table.group]
    return table.limits[:, None] - table.uses @ chosen


def strip_overuse(table: Table, alive: BoolArray) -> BoolArray:
    """Strike out options that go over a limit even with the mildest options of all other groups: bool (T, N)."""
    for uses, limit in zip(table.uses, table.limits, strict=True):
        use = np.where(alive, uses[:, None], -DEAD)
        least = table.least(use)
        room = limit - least.sum(axis=0)
        alive = alive & (use <= (least + room)[table.group])
    return alive


def strip_forbidden(table: Table, alive: BoolArray) -> BoolArray:
    """Strike out options that may not be with any option left of some other group: bool (T, N)."""
    alive = alive.copy()
    for g, h, forbidden in table.pairs:
        ours, theirs = alive[table.rows_of(g)], alive[table.rows_of(h)]
        ours &= forbidden @ theirs.astype(np.float32) < theirs.sum(axis=0) - 0.5
        theirs &= forbidden.T @ ours.astype(np.float32) < ours.sum(axis=0) - 0.5
    return alive


class Known:
    """The K best selections known so far."""

    def __init__(self, most: int, groups: int) -> None:
        self.most = most
        self.choices = np.zeros((0, groups), dtype=np.int64)
        self.values = np.zeros(0)
        self.left_out = False
        self._waiting: list[tuple[IntArray, FloatArray]] = []

    @property
    def full(self) -> bool:
        """Whether as many are known as are wanted."""
        return len(self.values) == self.most

    def add(self, choices: IntArray, values: FloatArray) -> None:
        """Add selections, some of them known already; where many are wanted, sort them in only now and then."""
        if len(values) == 0:
            return
        self._waiting.append((choices, values))
        if 4 * sum(len(values) for _, values in self._waiting) >= self.most:
            self.sort()

    def sort(self) -> None:
        """Sort in what waits, and keep the best."""
        waiting, self._waiting = self._waiting, []
        choices = np.concatenate([self.choices, *(choices for choices, _ in waiting)])
        choices, first = np.unique(choices, axis=0, return_index=True)
        values = np.concatenate([self.values, *(values for _, values in waiting)])[first]
        order = np.argsort(-values, kind="stable")  # choices are in their order already
        self.left_out |= len(order) > self.most
        self.choices, self.values = choices[order[: self.most]], values[order[: self.most]]


def good_selections(table: Table, loss: FloatArray, most: int) -> IntArray:
    """Selections (n, G) that keep to all limits, by swapping one or two options at a time; there may be none.

    Parameters
    ----------
    table : Table
    loss : array (T,)
        What each option loses against the best of its group, its use priced; at most 0. The start, and the choice of
        what to swap in.
    most : int
        How many are wanted.
    """
    found = Known(most, table.groups)
    order = np.argsort(-loss, kind="stable")
    start = np.array([order[table.group[order] == g][0] for g in range(table.groups)])
    swaps = np.union1d(order[:SWAP_OPTIONS], start)
    part = table.only(swaps)
    clash = _clashes(part)
    rows, seen = np.searchsorted(swaps, start), set[bytes]()
    for _ in range(SWAP_ROUNDS):
        seen.add(rows.tobytes())
        excess, values = _after_swaps(part, clash, rows)
        one, two = np.nonzero(excess <= 0)
        good = np.argsort(-values[one, two], kind="stable")[:most]
        if len(good):
            choices = np.repeat(rows[None], len(good), axis=0)
            at = np.arange(len(good))
            for new in (one[good], two[good]):
                choices[at, part.group[new]] = new
            found.add(choices, values[one[good], two[good]])
            found.sort()
        elif len(found.values) == 0:
            rows = rows.copy()
            new = np.array(np.unravel_index(excess.argmin(), excess.shape))
            rows[part.group[new]] = new
            if rows.tobytes() in seen:
                break
            continue
        left = [choice for choice in found.choices if choice.tobytes() not in seen]
        if not left:
            break
        rows = left[0]
    return swaps[found.choices] - table.starts


def _clashes(table: Table) -> FloatArray:
    """1 where two options may not be together (T, T)."""
    clash = np.zeros((len(table.group), len(table.group)))
    for g, h, forbidden in table.pairs:
        clash[table.rows_of(g), table.rows_of(h)] = forbidden
    return np.asarray(clash + clash.T)


def _after_swaps(table: Table, clash: FloatArray, rows: IntArray) -> tuple[FloatArray, FloatArray]:
    """Excess over limits and forbidden pairs, and value, with each two options (T, T) swapped in for those in ``rows``.

    Swapping in one that is chosen already leaves one swap, or none.
    """
    old = rows[table.group]
    excess: FloatArray = np.zeros((len(old), len(old)))
    for uses, limit in zip(table.uses, table.limits, strict=True):
        change = uses - uses[old]
        room = limit - uses[rows].sum()
        excess += np.maximum(change[:, None] + change - room, 0.0)
    if clash.any():
        hits = clash[:, rows].sum(axis=1)
        change = hits - hits[old]
        with_old = clash[:, old]
        excess += hits[rows].sum() / 2 + change[:, None] + change
        excess += clash - with_old - with_old.T + clash[np.ix_(old, old)]
    excess[table.group[:, None] == table.group] = np.inf
    gain = table.scores - table.scores[old]
    values: FloatArray = gain[:, None] + gain + table.scores[rows].sum()
    return excess, values
