"""Drive sets: every legal combination of the parts that fix wheel force at a road speed, and what may complete each.

Positions only: a drive set is a build whose free slots do not matter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.choice.price import AdditiveBounds, PriceBook


@dataclass(frozen=True, slots=True)
class DriveSets:
    """D drive sets and what may complete them; F free slots.

    Attributes
    ----------
    builds : array (D, S)
        Options of the drive slots; 0 in free slots.
    free : tuple of int (F,)
        The free slots.
    allowed : per free slot, bool (D, m_s)
        Options that no rule keeps from the set's own parts and that money allows beside it.
    spent : array (D,)
        Lower bound on the price of the set itself, with the jobs it needs and fixed costs [cents].
    jobs : array (D,)
        Mask of the jobs it needs.
    cap_ms : array (D,)
        Ground speed that no completion may pass, for want of the equipment a speed bracket asks for; else inf.
    apart : bool array (D,)
        Whether no completion shares a pack between two slots, but for what is counted in ``spent``.
    mark : array (D,)
        A number that goes with the set through every selection.
    """

    builds: IntArray
    free: tuple[int, ...]
    allowed: tuple[BoolArray, ...]
    spent: FloatArray
    jobs: IntArray
    cap_ms: FloatArray
    apart: BoolArray
    mark: IntArray

    def __len__(self) -> int:
        return len(self.builds)

    @property
    def completable(self) -> BoolArray:
        """Whether every free slot still has an option: (D,)."""
        out = np.ones(len(self), dtype=np.bool_)
        for ok in self.allowed:
            out &= ok.any(axis=1)
        return out

    @property
    def completions(self) -> FloatArray:
        """How many ways there are to choose from the allowed options: (D,)."""
        number = np.ones(len(self))
        for ok in self.allowed:
            number *= ok.sum(axis=1)
        return number

    def take(self, rows: IntArray | BoolArray) -> DriveSets:
        """Some of the drive sets."""
        return DriveSets(
            self.builds[rows], self.free, tuple(ok[rows] for ok in self.allowed), self.spent[rows], self.jobs[rows],
            self.cap_ms[rows], self.apart[rows], self.mark[rows],
        )  # fmt: skip

    def marked(self, rows: IntArray) -> DriveSets:
        """Some of the drive sets, marked with the row each came from."""
        return replace(self.take(rows), mark=rows)

    def split(self, f: int) -> DriveSets:
        """Each drive set once for every option allowed in its f-th free slot, with that option only."""
        parent, option = np.nonzero(self.allowed[f])
        one = self.take(parent)
        only = np.zeros_like(one.allowed[f])
        only[np.arange(len(parent)), option] = True
        return replace(one, allowed=(*one.allowed[:f], only, *one.allowed[f + 1 :]))

    def and_also(self, others: DriveSets) -> DriveSets:
        """These and others with the same free slots."""
        return DriveSets(
            np.concatenate([self.builds, others.builds]), self.free,
            tuple(np.concatenate(each) for each in zip(self.allowed, others.allowed, strict=True)),
            np.concatenate([self.spent, others.spent]), np.concatenate([self.jobs, others.jobs]),
            np.concatenate([self.cap_ms, others.cap_ms]), np.concatenate([self.apart, others.apart]),
            np.concatenate([self.mark, others.mark]),
        )  # fmt: skip


def drive_sets_of(
    legality: Legality, drive_slots: tuple[int, ...], book: PriceBook, budget_cents: int | None
) -> DriveSets:
    """All drive sets that some legal build within the budget could have."""
    bounds = book.additive_bounds()
    sizes = legality.options.sizes
    free = tuple(s for s in range(len(sizes)) if s not in drive_slots)
    builds = _combinations(legality, drive_slots, bounds)
    allowed = tuple(_allowed(legality, builds, drive_slots, s) & bounds.available[s] for s in free)
    jobs = np.zeros(len(builds), dtype=np.int64)
    spent = np.full(len(builds), float(bounds.fixed_cents))
    for s in drive_slots:
        jobs |= bounds.jobs[s].astype(np.int64)[builds[:, s]]
        spent += bounds.cents[s][builds[:, s]]
    spent += job_sum(jobs, bounds.job_cents) + book.kit_surcharge(builds, drive_slots)
    nothing = np.zeros(len(builds), dtype=bool)
    sets = DriveSets(
        builds, free, allowed, spent, jobs, np.full(len(builds), np.inf), nothing, np.arange(len(builds))
    )  # fmt: skip
    sets = sets.take(sets.completable & np.isfinite(spent))
    return sets if budget_cents is None else within_budget(sets, bounds, budget_cents)


def job_sum(jobs: IntArray, amounts: IntArray | FloatArray) -> FloatArray:
    """Sum of the amounts of the jobs in each mask (n,)."""
    total = np.zeros(len(jobs))
    for j, amount in enumerate(amounts):
        total += float(amount) * ((jobs >> j) & 1)
    return total


def option_cents(sets: DriveSets, bounds: AdditiveBounds) -> list[FloatArray]:
    """Lower bounds (D, m_s) on what each option of each free slot adds to the price of each set.

    A job that the set does not pay already is shared among the free slots that may need it: if t of k slots do, the
    shares add up to t/k of it, never more than its cost.
    """
    sharing = np.zeros(len(bounds.job_cents))
    for s in sets.free:
        mask = np.bitwise_or.reduce(bounds.jobs[s].astype(np.int64), initial=0)
        sharing += (mask >> np.arange(len(sharing))) & 1
    out = []
    for s in sets.free:
        cents = np.where(sets.apart[:, None], bounds.apart[s], bounds.cents[s]).astype(float)
        for j, cost in enumerate(bounds.job_cents):
            needs = ((bounds.jobs[s].astype(np.int64) >> j) & 1).astype(float)
            if cost and needs.any():
                unpaid = 1 - ((sets.jobs >> j) & 1)
                cents += unpaid[:, None] * needs * (float(cost) / sharing[j])
        out.append(cents)
    return out


def cheapest_cents(sets: DriveSets, cents: list[FloatArray]) -> list[FloatArray]:
    """Lowest of the `option_cents` allowed in each free slot: (D,) each."""
    return [np.where(ok, price, np.inf).min(axis=1) for ok, price in zip(sets.allowed, cents, strict=True)]


def within_budget(sets: DriveSets, bounds: AdditiveBounds, budget_cents: int) -> DriveSets:
    """Drop sets that even the cheapest completion takes over the budget, and options that do so alone."""
    cents = option_cents(sets, bounds)
    least = cheapest_cents(sets, cents)
    left = budget_cents - sets.spent - sum(least, start=np.zeros(len(sets)))
    allowed = tuple(
        ok & (price - low[:, None] <= left[:, None] + 0.5)
        for ok, price, low in zip(sets.allowed, cents, least, strict=True)
    )
    return replace(sets, allowed=allowed).take(left >= -0.5)


def _combinations(legality: Legality, drive_slots: tuple[int, ...], bounds: AdditiveBounds) -> IntArray:
    """Legal combinations over the drive slots, slot by slot: (D, S)."""
    sizes = legality.options.sizes
    builds = np.zeros((1, len(sizes)), dtype=np.int64)
    for place, s in enumerate(drive_slots):
        options = np.flatnonzero(~legality.forbidden[s] & bounds.available[s])
        builds = np.repeat(builds, len(options), axis=0)
        builds[:, s] = np.tile(options, len(builds) // max(len(options), 1))
        keep = np.ones(len(builds), dtype=bool)
        for t in drive_slots[:place]:
            first, second = min(s, t), max(s, t)
            if (first, second) in legality.pairs:
                keep &= ~legality.pairs[first, second][builds[:, first], builds[:, second]]
        builds = builds[keep]
    return builds


def _allowed(legality: Legality, builds: IntArray, drive_slots: tuple[int, ...], s: int) -> BoolArray:
    """Options (D, m_s) of a free slot that no rule keeps from the drive set's parts."""
    allowed = np.repeat(~legality.forbidden[s][None], len(builds), axis=0)
    for t in drive_slots:
        if (s, t) in legality.pairs:
            allowed &= ~legality.pairs[s, t].T[builds[:, t]]
        elif (t, s) in legality.pairs:
            allowed &= ~legality.pairs[t, s][builds[:, t]]
    return allowed
