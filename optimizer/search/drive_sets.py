"""Drive sets: every legal combination of the parts that fix wheel force at a road speed, and what may complete each.

Positions only: a drive set is a build whose free slots do not matter.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.choice.price import AdditiveBounds, PriceBook

HALF_A_CENT, ROUNDING_HOURS = 0.5, 1e-6
"""Slack on sums of floats that bound whole cents, and on sums of hours."""
TABLED_JOBS = 8
"""Jobs whose sums are kept for every mask."""
_BLOCK = 1 << 17
"""Numbers worked on at once, so that they stay in the processor's cache: 1 MiB of them."""


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
    board_ms : array (D,)
        Ground speed at which every completion that counts passes the last board at least, in one of its runs.
    each_ms : array (D, 2)
        Ground speed that every completion that counts once reaches at least, in its first and in its second run.
    below_ms : array (D, 2)
        Ground speed that none that counts passes in each, up to the board that its score hangs on.
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
    board_ms: FloatArray
    each_ms: FloatArray
    below_ms: FloatArray
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

    def every(self) -> tuple[IntArray, IntArray]:
        """All completions (n, S), whatever they cost and whether or not they go together, and whose each is (n,)."""
        numbers = [ok.sum(axis=1) for ok in self.allowed]
        each = self.completions.astype(np.int64)
        whose = np.repeat(np.arange(len(self)), each)
        builds, place = self.builds[whose], np.arange(len(whose)) - np.repeat(np.cumsum(each) - each, each)
        for s, ok, number in zip(reversed(self.free), reversed(self.allowed), reversed(numbers), strict=True):
            place, digit = np.divmod(place, number[whose])
            builds[:, s] = np.argsort(~ok, axis=1, kind="stable")[whose, digit]  # what is allowed comes first
        return builds, whose

    def alike(self) -> tuple[IntArray, IntArray]:
        """Those that differ in nothing but speeds and marks: the first of each kind (U,), and each one's kind (D,)."""
        told = [self.builds, self.cap_ms[:, None], *(np.packbits(ok, axis=1) for ok in self.allowed)]
        flat = np.concatenate([np.ascontiguousarray(each).view(np.uint8) for each in told], axis=1)
        _, first, kind = np.unique(flat, axis=0, return_index=True, return_inverse=True)
        order = np.argsort(first)  # in the order in which they stand
        place = np.empty_like(order)
        place[order] = np.arange(len(order))
        return first[order], place[kind.reshape(-1)]

    def by_own_parts(self) -> tuple[DriveSets, IntArray]:
        """Those of the same own parts as one, with the options of all of them; and the row of each one's own (D,)."""
        kinds: dict[bytes, int] = {}
        kind = np.array([kinds.setdefault(row.tobytes(), len(kinds)) for row in self.builds], dtype=np.int64)
        if len(kinds) == len(self):
            return self, kind
        _, first = np.unique(kind, return_index=True)
        cap_ms = np.full(len(first), -np.inf)
        np.maximum.at(cap_ms, kind, self.cap_ms)
        allowed = merged_options(self.allowed, kind, len(first))
        return replace(self.take(first), allowed=allowed, cap_ms=cap_ms), kind

    def take(self, rows: IntArray | BoolArray) -> DriveSets:
        """Some of the drive sets."""
        return DriveSets(
            self.builds[rows], self.free, tuple(ok[rows] for ok in self.allowed), self.spent[rows], self.jobs[rows],
            self.cap_ms[rows], self.board_ms[rows], self.each_ms[rows], self.below_ms[rows], self.apart[rows],
            self.mark[rows],
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

    def split_by(self, widest: IntArray) -> DriveSets:
        """Each drive set once for every option allowed in the free slot that is given for it (D,)."""
        return joined([self.take(widest == f).split(f) for f in range(len(self.free))])

    def by_carrier(self, carry: tuple[BoolArray, ...]) -> DriveSets:
        """Completions that carry something, split by the first free slot that does; ``carry`` (m_s,) per slot.

        In the sets that result it is plain which slot carries it: what that costs is then counted in full.
        """
        own = np.zeros(len(self), dtype=np.bool_)
        for s, has_it in enumerate(carry):
            if s not in self.free:
                own |= has_it[self.builds[:, s]]
        found, rest = self.take(own), self.take(~own)
        for f, s in enumerate(self.free):
            if carry[s].any():
                found = found.and_also(rest.only(f, carry[s]))
                rest = rest.only(f, ~carry[s])
        return found

    def only(self, f: int, options: BoolArray) -> DriveSets:
        """With some options (m_s,) or (D, m_s) only in the f-th free slot; sets that have none of them are dropped."""
        allowed = self.allowed[f] & options
        some = replace(self, allowed=(*self.allowed[:f], allowed, *self.allowed[f + 1 :]))
        return some.take(np.asarray(allowed.any(axis=1)))

    def and_also(self, others: DriveSets) -> DriveSets:
        """These and others with the same free slots."""
        return joined([self, others])


def merged_options(options: Sequence[BoolArray], rows: IntArray, count: int) -> tuple[BoolArray, ...]:
    """Options (count, m_s) that any of those (n, m_s) with the same row (n,) has, per free slot."""
    out = tuple(np.zeros((count, ok.shape[1]), dtype=np.bool_) for ok in options)
    for merged, ok in zip(out, options, strict=True):
        np.logical_or.at(merged, rows, ok)
    return out


def joined(parts: Sequence[DriveSets]) -> DriveSets:
    """All of some drive sets, at least one lot, with the same free slots, in their order."""
    if len(parts) == 1:
        return parts[0]

    def all_of(name: str) -> Any:
        return np.concatenate([getattr(part, name) for part in parts])

    return DriveSets(
        all_of("builds"), parts[0].free,
        tuple(np.concatenate(each) for each in zip(*(part.allowed for part in parts), strict=True)),
        all_of("spent"), all_of("jobs"), all_of("cap_ms"), all_of("board_ms"), all_of("each_ms"), all_of("below_ms"),
        all_of("apart"), all_of("mark"),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Outlines:
    """D drive sets before anything is known of what may complete them.

    Attributes
    ----------
    builds : array (D, S)
    spent, jobs : arrays (D,)
        As in `DriveSets`.
    mark : array (D,)
    """

    builds: IntArray
    spent: FloatArray
    jobs: IntArray
    mark: IntArray

    def __len__(self) -> int:
        return len(self.builds)

    def take(self, rows: IntArray | BoolArray) -> Outlines:
        """Some of the drive sets."""
        return Outlines(self.builds[rows], self.spent[rows], self.jobs[rows], self.mark[rows])


def outlines_of(
    legality: Legality, drive_slots: tuple[int, ...], book: PriceBook, budget_cents: int | None
) -> Outlines:
    """All drive sets that are legal, and within the budget with the cheapest of everything else there is."""
    bounds = book.additive_bounds()
    builds = _combinations(legality, drive_slots, bounds)
    jobs = np.zeros(len(builds), dtype=np.int64)
    spent = np.full(len(builds), float(bounds.fixed_cents))
    for s in drive_slots:
        jobs |= bounds.jobs[s].astype(np.int64)[builds[:, s]]
        spent += bounds.cents[s][builds[:, s]]
    spent += job_sum(jobs, bounds.job_cents) + book.kit_surcharge(builds, drive_slots)
    most = np.inf if budget_cents is None else budget_cents + HALF_A_CENT
    for s in set(range(len(bounds.cents))) - set(drive_slots):  # what is sold for it may make an option bring money
        most -= np.where(bounds.available[s], bounds.cents[s], np.inf).min(initial=np.inf)
    mark = np.flatnonzero(np.isfinite(spent) & (spent <= most))
    return Outlines(builds[mark], spent[mark], jobs[mark], mark)


def completed(
    outlines: Outlines, legality: Legality, drive_slots: tuple[int, ...], bounds: AdditiveBounds, money: int | None
) -> DriveSets:
    """Drive sets with what may complete them, those that some legal build within the money could have."""
    free = tuple(s for s in range(len(legality.options.sizes)) if s not in drive_slots)
    count = len(outlines)
    allowed = tuple(_allowed(legality, outlines.builds, drive_slots, s, bounds.available[s]) for s in free)
    no_cap, no_speed, apart = np.full(count, np.inf), np.zeros((count, 2)), np.zeros(count, dtype=np.bool_)
    sets = DriveSets(
        outlines.builds, free, allowed, outlines.spent, outlines.jobs, no_cap, no_speed[:, 0], no_speed,
        no_speed + np.inf, apart, outlines.mark,
    )  # fmt: skip
    del allowed
    if not (possible := sets.completable).all():
        sets = sets.take(possible)
    return sets if money is None else within_budget(sets, bounds, money)


def job_sum(jobs: IntArray, amounts: IntArray | FloatArray) -> FloatArray:
    """Sum of the amounts of the jobs in each mask (n,)."""
    total = np.zeros(len(jobs))
    for j, amount in enumerate(amounts):
        total += float(amount) * ((jobs >> j) & 1)
    return total


def job_sums(amounts: IntArray | FloatArray) -> Callable[[IntArray], FloatArray]:
    """`job_sum` for the same amounts over and over: looked up where that is a small table."""
    if len(amounts) > TABLED_JOBS:
        return lambda jobs: job_sum(jobs, amounts)
    table = job_sum(np.arange(1 << len(amounts)), amounts)
    return lambda jobs: table[jobs]


def option_cents(sets: DriveSets, bounds: AdditiveBounds) -> list[FloatArray]:
    """Lower bounds (D, m_s) on what each option of each free slot adds to the price of each set.

    A job that the set does not pay already is shared among the free slots that may need it: if t of k slots do, the
    shares add up to t/k of it, never more than its cost.
    """
    cents, paid = _cents_by_jobs(sets, bounds)
    return [each[paid] for each in cents]


def cheapest_cents(sets: DriveSets, bounds: AdditiveBounds) -> list[FloatArray]:
    """Lowest of the `option_cents` allowed in each free slot: (D,) each; infinite where no option is."""
    cents, paid = _cents_by_jobs(sets, bounds)
    return [_cheapest(ok, each, paid) for ok, each in zip(sets.allowed, cents, strict=True)]


def cents_left(sets: DriveSets, money: float) -> FloatArray:
    """Money (D,) left for the free slots, and half a cent: prices add up to whole cents, shares of jobs nearly so."""
    left: FloatArray = money + HALF_A_CENT - sets.spent
    return left


def hours_left(sets: DriveSets, bounds: AdditiveBounds, limit: float) -> FloatArray:
    """Own hours (D,) that a limit leaves for the free slots, and a trifle for rounding."""
    used = job_sum(sets.jobs, bounds.job_hours)
    for s in set(range(sets.builds.shape[1])) - set(sets.free):
        used += bounds.hours[s][sets.builds[:, s]]
    return limit + ROUNDING_HOURS - used


def within_budget(sets: DriveSets, bounds: AdditiveBounds, budget_cents: int) -> DriveSets:
    """Drop sets that even the cheapest completion takes over the budget, and options that do so alone.

    What nothing is dropped from is not copied.
    """
    cents, paid = _cents_by_jobs(sets, bounds)
    least = [_cheapest(ok, each, paid) for ok, each in zip(sets.allowed, cents, strict=True)]
    left = cents_left(sets, budget_cents) - sum(least, start=np.zeros(len(sets)))
    keep = left >= 0
    if not keep.all():
        sets, paid, left, least = sets.take(keep), paid[keep], left[keep], [low[keep] for low in least]
    affordable = (
        _affordable(ok, each, paid, low, left) for ok, each, low in zip(sets.allowed, cents, least, strict=True)
    )
    return replace(sets, allowed=tuple(affordable))


def _cents_by_jobs(sets: DriveSets, bounds: AdditiveBounds) -> tuple[list[FloatArray], IntArray]:
    """The `option_cents` (J, m_s) by mask of jobs and by sharing, each kind once; and which kind each set is (D,)."""
    masks, which = np.unique(sets.jobs, return_inverse=True)
    kinds, paid = np.unique(2 * which + sets.apart, return_inverse=True)
    masks, apart = masks[kinds // 2], kinds % 2 == 1
    sharing = np.zeros(len(bounds.job_cents))
    for s in sets.free:
        mask = np.bitwise_or.reduce(bounds.jobs[s].astype(np.int64), initial=0)
        sharing += (mask >> np.arange(len(sharing))) & 1
    out = []
    for s in sets.free:
        cents = np.where(apart[:, None], bounds.apart[s], bounds.cents[s]).astype(float)
        for j, cost in enumerate(bounds.job_cents):
            needs = ((bounds.jobs[s].astype(np.int64) >> j) & 1).astype(float)
            if cost and needs.any():
                unpaid = 1 - ((masks >> j) & 1)
                cents += unpaid[:, None] * needs * (float(cost) / sharing[j])
        out.append(cents)
    return out, paid


def _cheapest(allowed: BoolArray, cents: FloatArray, paid: IntArray) -> FloatArray:
    """Lowest price (D,) among the options allowed (D, m), at prices ``cents[paid]``."""
    low = np.empty(len(allowed))
    for block in _blocks(np.arange(len(allowed)), allowed.shape[1]):
        low[block] = np.where(allowed[block], cents[paid[block]], np.inf).min(axis=1)
    return low


def _affordable(
    allowed: BoolArray, cents: FloatArray, paid: IntArray, low: FloatArray, left: FloatArray
) -> BoolArray:
    """Those of the allowed options that cost no more beyond the cheapest (D,) than is left (D,); as in `_cheapest`."""
    # Where the dearest option of all may stay, so may every other.
    tight = np.flatnonzero(cents.max(axis=1)[paid] - low > left)
    if len(tight):
        allowed = allowed.copy()
    for block in _blocks(tight, allowed.shape[1]):
        allowed[block] &= cents[paid[block]] - low[block, None] <= left[block, None]
    return allowed


def _blocks(rows: IntArray, width: int) -> Iterator[IntArray]:
    """Cut rows of tables so wide into blocks that stay in the processor's cache."""
    step = max(1, _BLOCK // max(width, 1))
    for at in range(0, len(rows), step):
        yield rows[at : at + step]


def _combinations(legality: Legality, drive_slots: tuple[int, ...], bounds: AdditiveBounds) -> IntArray:
    """Legal combinations over the drive slots, slot by slot: (D, S)."""
    builds = np.zeros((1, len(legality.options.sizes)), dtype=np.int64)
    for place, s in enumerate(drive_slots):
        parent, option = np.nonzero(_allowed(legality, builds, drive_slots[:place], s, bounds.available[s]))
        builds = builds[parent]
        builds[:, s] = option
    return builds


def _allowed(
    legality: Legality, builds: IntArray, chosen: tuple[int, ...], s: int, available: BoolArray
) -> BoolArray:
    """Options (D, m_s) of a slot that can be had and that no rule keeps from what is chosen in other slots."""
    open_ = ~legality.forbidden[s] & available
    apart = {t: legality.pairs[t, s] for t in chosen if (t, s) in legality.pairs}
    apart |= {t: legality.pairs[s, t].T for t in chosen if (s, t) in legality.pairs}
    if not apart:
        return np.repeat(open_[None], len(builds), axis=0)
    first, *others = (np.ascontiguousarray(~table & open_)[builds[:, t]] for t, table in apart.items())
    for each in others:
        first &= each
    return first
