"""Lists the completions of many drive sets at once, as long as each has few: all that keep cuts, rules and money.

All that is asked of a completion is a number of sums over its slots none of which may fall below 0. For each sum it is
known what all slots add at best, among options that go together along a tree of pairs (`pairing`). A choice takes away
what it is worse than the best; where more is gone than there was, no completion is left. Slots are filled one after
another, in all drive sets at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.choice.price import AdditiveBounds
from optimizer.search.bounding import Batch
from optimizer.search.drive_sets import DriveSets, cents_left, hours_left, job_sums
from optimizer.search.pairing import NOTHING, Link, Pairing, passed_up
from optimizer.search.propagation import SetRow

ROUNDING_MS = 1e-7
"""Cuts are loosened by this for rounding."""
ROUNDING_ROWS = 1e-5
"""The same for rows, whose sums may hold what a rotor without a limit could take (1e9 kg)."""
WIDE = 2
"""How many times as many partial builds as completions are wanted say that there will be too many: bounds are sharp
enough that most of what is left halfway can be completed."""
CHUNK, BLOCK = 100, 1 << 17
"""Drive sets worked on at once; choices of one slot tried at once: what fits the processor's cache."""


@dataclass(frozen=True, slots=True)
class Cut:
    """A cut for each of n ways: ``const + slope . z >= 0`` [m/s] where it ``holds``; what a cent is worth on it."""

    const: FloatArray
    slope: FloatArray
    holds: BoolArray
    multiplier: FloatArray

    def take(self, rows: IntArray) -> Cut:
        """The same for some ways."""
        return Cut(self.const[rows], self.slope[rows], self.holds[rows], self.multiplier[rows])

    def among(self, rows: IntArray, count: int) -> Cut:
        """The same for so many ways, of which the rows (n,) have it."""
        const, slope, multiplier = np.zeros(count), np.zeros((count, self.slope.shape[1])), np.zeros(count)
        holds = np.zeros(count, dtype=np.bool_)
        const[rows], slope[rows], holds[rows], multiplier[rows] = self.const, self.slope, self.holds, self.multiplier
        return Cut(const, slope, holds, multiplier)


@dataclass(frozen=True, slots=True)
class Means:
    """What completions may cost at most.

    Attributes
    ----------
    bounds : AdditiveBounds
        Lower bounds on prices by slot.
    money, hours : float
        Cents and own hours of a whole build; infinite where there is no limit.
    """

    bounds: AdditiveBounds
    money: float
    hours: float


@dataclass(frozen=True, slots=True)
class _Sums:
    """n sums of B drive sets: what options add, (n, B, m_s) per slot; what there is without, and what a job takes.

    Attributes
    ----------
    added : list of arrays (n, B, m_s)
    base : array (n, B)
    by_cent, by_hour : arrays (n, B)
        What each cent and each hour of jobs takes from them.
    """

    added: list[FloatArray]
    base: FloatArray
    by_cent: FloatArray
    by_hour: FloatArray


@dataclass(frozen=True, slots=True)
class _Partial:
    """N partial builds: whose each is (N,), its choices (d, N), its jobs (N,), and the most of each sum (n, N)."""

    box: IntArray
    choices: IntArray
    jobs: IntArray
    most: FloatArray

    def take(self, rows: IntArray | BoolArray | slice) -> _Partial:
        return _Partial(self.box[rows], self.choices[:, rows], self.jobs[rows], self.most[:, rows])

    @classmethod
    def joined(cls, parts: Sequence[_Partial]) -> _Partial:
        return cls(
            np.concatenate([part.box for part in parts]), np.concatenate([part.choices for part in parts], axis=1),
            np.concatenate([part.jobs for part in parts]), np.concatenate([part.most for part in parts], axis=1),
        )  # fmt: skip


def whole_lists(
    batch: Batch,
    cuts: Sequence[Cut],
    rows: Sequence[SetRow],
    means: Means,
    pairing: Pairing,
    pairs: Mapping[tuple[int, int], BoolArray],
    most: int,
) -> list[IntArray | None]:
    """Completions (n, S) of each drive set of a batch; None where there are more than about ``most``.

    Never leaves out a completion that meets the limits. Prices are lower bounds: what is found still has to be priced.

    Parameters
    ----------
    batch : Batch
    cuts : sequence of Cut
        One way for each drive set; a completion has to keep all of them.
    rows : sequence of SetRow
        Linear rows that it has to keep, too.
    means : Means
    pairing : Pairing
        Of the free slots.
    pairs : mapping
        Free slots (f, g) -> bool array (m_f, m_g), True where two options do not go together.
    most : int
        A list is given up once there are more partial builds than twice that.
    """
    found: list[IntArray | None] = []
    for start in range(0, len(batch.sets), CHUNK):
        some = np.arange(start, min(start + CHUNK, len(batch.sets)))
        part = batch.take(some)
        lines, limits = [cut.take(some) for cut in cuts], [row.take(some) for row in rows]
        found += _Lists(part, lines, limits, means, pairing, pairs).run(WIDE * most)
    return found


class _Lists:
    """Drive sets whose completions are listed at once, slots in one order."""

    def __init__(
        self,
        batch: Batch,
        cuts: Sequence[Cut],
        rows: Sequence[SetRow],
        means: Means,
        pairing: Pairing,
        pairs: Mapping[tuple[int, int], BoolArray],
    ) -> None:
        self.sets = sets = batch.sets
        scores = [np.stack([add.along(cut.slope) for cut in cuts]) for add in batch.additions]
        spread = [_spread(score, ok) for score, ok in zip(scores, sets.allowed, strict=True)]
        self.order, links = pairing.rooted(sorted(range(len(sets.free)), key=lambda f: -spread[f]))
        self.depth = {f: depth for depth, f in enumerate(self.order)}
        bounds = means.bounds
        self.jobs = [bounds.jobs[sets.free[f]].astype(np.int64) for f in self.order]
        self.job_cents, self.job_hours = job_sums(bounds.job_cents.astype(float)), job_sums(bounds.job_hours)
        self.lines = len(cuts)
        self.sums = _sums(batch, scores, cuts, rows, means)
        self.fits = self._fits(pairs)
        self.links: list[Link | None] = [None] * len(self.order)
        for link in links:
            self.links[self.depth[link.child]] = link
        self._pass_up(links)

    def _fits(self, pairs: Mapping[tuple[int, int], BoolArray]) -> list[list[tuple[int, BoolArray]]]:
        """For each slot in the order: earlier ones, and which of their options go with its own."""
        found: list[list[tuple[int, BoolArray]]] = [[] for _ in self.order]
        for (f, g), forbidden in pairs.items():
            if forbidden.any():
                a, b = self.depth[f], self.depth[g]
                found[max(a, b)].append((min(a, b), ~forbidden if a < b else ~forbidden.T))
        return found

    def _pass_up(self, links: Sequence[Link]) -> None:
        """What each option is worth with the best of all slots below it, and what each slot passes to its parent."""
        count, boxes = self.sums.base.shape
        worth = [np.where(ok, each, NOTHING) for ok, each in zip(self.sets.allowed, self.sums.added, strict=True)]
        own, passed = passed_up(links, [each.reshape(count * boxes, -1) for each in worth])
        self.own = [own[f].reshape(count, boxes, -1) for f in self.order]
        best = [each.max(axis=2, initial=NOTHING) for each in self.own]
        self.best = [each[:, :, None] for each in best]  # one kind of parent: none
        top = self.sums.base.copy()
        for depth, link in enumerate(self.links):
            if link is None:
                top += best[depth]
        for link, each in zip(links, passed, strict=True):
            self.best[self.depth[link.child]] = each.reshape(count, boxes, -1)
        self.top = top

    def run(self, widest: int) -> list[IntArray | None]:
        """Completions of each drive set; None where more than so many partial builds are left on the way."""
        boxes = len(self.sets)
        given_up = np.zeros(boxes, dtype=np.bool_)
        none = np.zeros(boxes, dtype=np.int64)
        left = _Partial(np.arange(boxes), np.zeros((0, boxes), dtype=np.int64), none, self.top)
        for depth in range(len(self.order)):
            left = _Partial.joined([self._grown(left.take(block), depth) for block in self._blocks(left, depth)])
            given_up |= np.bincount(left.box, minlength=boxes) > widest
            left = left.take(~given_up[left.box])
        builds = self.sets.builds[left.box]
        builds[:, [self.sets.free[f] for f in self.order]] = left.choices.T
        ends = np.cumsum(np.bincount(left.box, minlength=boxes))
        each = np.split(builds, ends[:-1])
        return [None if out else one for one, out in zip(each, given_up.tolist(), strict=True)]

    def _blocks(self, left: _Partial, depth: int) -> Iterator[slice]:
        """Partial builds to go on with together."""
        size = max(1, BLOCK // self.own[depth].shape[2])
        for start in range(0, max(len(left.box), 1), size):
            yield slice(start, start + size)

    def _grown(self, left: _Partial, depth: int) -> _Partial:
        """Every partial build with every option of the next slot, as far as any completion of it keeps all sums."""
        box, own, link = left.box, self.own[depth], self.links[depth]
        kind = 0 if link is None else link.kind[left.choices[self.depth[link.parent]]]
        before = left.most - self.best[depth][:, box, kind]
        keep = np.ones((len(box), own.shape[2]), dtype=np.bool_)
        for earlier, fits in self.fits[depth]:
            keep &= fits[left.choices[earlier]]
        for line in range(self.lines):  # most go by these
            keep &= before[line, :, None] + own[line, box] >= 0
        parent, option = np.nonzero(keep)
        box = box[parent]
        most = before[:, parent] + own[:, box, option]
        jobs = left.jobs[parent] | (self.jobs[depth][option] & ~self.sets.jobs[box])
        good = (most - self._due(jobs, box) >= 0).all(axis=0)
        choices = np.concatenate([left.choices[:, parent], option[None]])
        return _Partial(box, choices, jobs, most).take(good)

    def _due(self, jobs: IntArray, box: IntArray) -> FloatArray | float:
        """What jobs (N,) take from the sums of partial builds: (n, N)."""
        if not jobs.any():
            return 0.0
        sums = self.sums
        due: FloatArray = sums.by_cent[:, box] * self.job_cents(jobs) + sums.by_hour[:, box] * self.job_hours(jobs)
        return due


def _spread(scores: FloatArray, allowed: BoolArray) -> float:
    """How much the allowed options (B, m) of a slot differ in their scores (T, B, m), in the mean."""
    high, low = np.where(allowed, scores, -np.inf).max(axis=2), np.where(allowed, scores, np.inf).min(axis=2)
    return float((high - low).mean())


def _sums(
    batch: Batch, scores: list[FloatArray], cuts: Sequence[Cut], rows: Sequence[SetRow], means: Means
) -> _Sums:
    """All that completions have to keep: cuts first, given what options score on them (T, B, m_s)."""
    sets, count = batch.sets, len(batch.sets)
    multiplier = np.stack([cut.multiplier for cut in cuts])
    based = np.stack([cut.const + np.einsum("bl,bl->b", batch.frame.base, cut.slope) for cut in cuts]) + ROUNDING_MS
    binding = [row for row in rows if _binds(row, sets).any()]
    base = [based, *(row.left[None] + ROUNDING_ROWS for row in binding)]
    by_cent, by_hour = ([np.zeros((len(cuts) + len(binding), count))] for _ in range(2))
    added = [[score, *(-row.coefficients[f][row.kind][None] for row in binding)] for f, score in enumerate(scores)]
    nothing, one = np.zeros_like(multiplier), np.ones((1, count))
    if np.isfinite(means.money):
        left = cents_left(sets, means.money)
        cents = _cents(sets, means.bounds)
        for each, score, price in zip(added, scores, cents, strict=True):
            each += [score - multiplier[:, :, None] * price, -price[None]]
        base += [based + multiplier * left, left[None]]
        by_cent += [multiplier, one]
        by_hour += [nothing, 0 * one]
    if np.isfinite(means.hours):
        for each, s in zip(added, sets.free, strict=True):
            each.append(np.broadcast_to(-means.bounds.hours[s], (1, count, len(means.bounds.hours[s]))))
        base.append(hours_left(sets, means.bounds, means.hours)[None])
        by_cent.append(0 * one)
        by_hour.append(one)
    return _Sums(
        [np.concatenate(each) for each in added], np.concatenate(base), np.concatenate(by_cent),
        np.concatenate(by_hour),
    )  # fmt: skip


def _binds(row: SetRow, sets: DriveSets) -> BoolArray:
    """Whether the harshest allowed options of all slots break a row: (B,)."""
    most = np.zeros(len(sets))
    for coefficients, ok in zip(row.coefficients, sets.allowed, strict=True):
        most += np.where(ok, coefficients[row.kind], NOTHING).max(axis=1)
    return most > row.left


def _cents(sets: DriveSets, bounds: AdditiveBounds) -> list[FloatArray]:
    """Lower bounds (B, m_s) on what options cost, without jobs."""
    return [np.where(sets.apart[:, None], bounds.apart[s], bounds.cents[s]).astype(float) for s in sets.free]
