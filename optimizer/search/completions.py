"""All ways to complete one drive set that could still be good enough: branching on slots, whole blocks at a time.

A block is an array of partial builds; each step adds one slot, then drops what no completion can save: forbidden pairs,
linear rows that even the mildest options break, money, hours, and scores below the threshold of any tangent.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.search.drive_sets import job_sums

BLOCKS = (500, 20_000)
"""Partial builds worked on at once, least and most: about as many as completions are wanted, since the first of them
decide what else is dropped."""

NOT_ALLOWED = -1e300
"""Score of what may not be chosen."""
WIDE = 2
"""How many times as many partial builds as completions are wanted say that there will be too many: bounds are sharp
enough that most of what is left halfway can be completed."""


@dataclass(frozen=True, slots=True)
class Task:
    """What is to be completed; F free slots in the order in which they are branched on.

    Attributes
    ----------
    allowed : per slot, bool (m_s,)
    scores : per slot, (T, m_s), on T tangents, with ``score_base`` (T,) of the drive set; every total has to reach
        ``threshold`` (T,).
    cents : per slot, (m_s,) with ``cents_left``; ``jobs`` per slot (m_s,) bit masks with ``job_cents`` (J,) and the
        mask ``jobs_done`` that the drive set pays already.
    hours : per slot, (m_s,) with ``hours_left`` and ``job_hours`` (J,).
    multipliers : (T,)
        Price of money in each score: tightens the bound, never decides.
    rows : per linear row, per slot, (m_s,) with what is left ``row_left`` (R,).
    pairs : (f, g), f < g -> bool (m_f, m_g), True where the two may not be together.
    """

    allowed: list[BoolArray]
    scores: list[FloatArray]
    score_base: FloatArray
    threshold: FloatArray
    cents: list[FloatArray]
    cents_left: float
    jobs: list[IntArray]
    jobs_done: int
    job_cents: FloatArray
    job_hours: FloatArray
    hours: list[FloatArray]
    hours_left: float
    multipliers: FloatArray
    rows: list[list[FloatArray]]
    row_left: FloatArray
    pairs: dict[tuple[int, int], BoolArray]


@dataclass(frozen=True, slots=True)
class Found:
    """Completions (n, F) with their score on the first tangent (n,); ``cut_off`` says that lower ones were left out."""

    choices: IntArray
    scores: FloatArray
    cut_off: bool
    blocks: int


@dataclass(slots=True)
class _Block:
    choices: IntArray
    scores: FloatArray
    cents: FloatArray
    hours: FloatArray
    jobs: IntArray
    rows: FloatArray
    hope: FloatArray

    def take(self, keep: BoolArray | IntArray | slice) -> _Block:
        return _Block(
            self.choices[keep], self.scores[:, keep], self.cents[keep], self.hours[keep], self.jobs[keep],
            self.rows[:, keep], self.hope[keep],
        )  # fmt: skip

    @classmethod
    def joined(cls, parts: list[_Block]) -> _Block:
        """Several one after the other."""
        one = [np.concatenate([getattr(part, name) for part in parts]) for name in ("choices", "cents", "hours")]
        jobs, hope = (np.concatenate([getattr(part, name) for part in parts]) for name in ("jobs", "hope"))
        scores, rows = (np.concatenate([getattr(part, name) for part in parts], axis=1) for name in ("scores", "rows"))
        return cls(one[0], scores, one[1], one[2], jobs, rows, hope)


def complete(task: Task, most: int, *, cheapest: bool = False, whole: bool = False) -> Found:
    """Find all completions, or, where there are more than ``most``, those that are best on the first tangent.

    With ``cheapest``, those with the lowest bound on their price instead. With ``whole`` a list that is cut off is no
    good: the search gives up as soon as it seems to become too long.

    Never leaves out a completion that meets the limits, unless it says ``cut_off``; prices are lower bounds and
    linear rows are checked in full, so what is found still has to be priced.
    """
    return _Search(task, most, cheapest=cheapest, whole=whole).run()


class _Search:
    def __init__(self, task: Task, most: int, *, cheapest: bool, whole: bool) -> None:
        self.task = task
        self.cheapest, self.whole = cheapest, whole
        self.cents_left = task.cents_left
        self.most = most
        self.block = int(np.clip(10 * most, *BLOCKS))
        self.threshold = task.threshold.copy()
        self.cut_off = False
        self.blocks = 0
        self.slots = len(task.allowed)
        self.options = [np.flatnonzero(ok) for ok in task.allowed]
        count = len(task.threshold)
        scores, every = np.concatenate(task.scores, axis=1), self._side_by_side([*task.rows, task.cents, task.hours])
        starts, some = np.cumsum([0, *(len(ok) for ok in task.allowed)])[:-1], np.concatenate(task.allowed)
        binds = self._best_of_rest(every[:-2], some, starts)[:, 0] > task.row_left
        every, self.row_left = every[np.append(binds, [True, True])], task.row_left[binds, None]
        harsh, cents = every[:-2], every[-2]
        self.scores = self._by_slot(scores, starts)
        self.rows = self._by_slot(harsh, starts)
        both = np.concatenate([scores, scores - task.multipliers[:, None] * cents])
        rest = self._best_of_rest(both, some, starts)
        self.rest_score, self.rest_net = rest[:count], rest[count:]
        rest = -self._best_of_rest(-every, some, starts)
        self.rest_rows, self.rest_cents, self.rest_hours = rest[:-2], rest[-2], rest[-1]
        self.fits = {
            (f, g): ~forbidden[:, self.options[g]] for (f, g), forbidden in task.pairs.items() if forbidden.any()
        }
        self.job_cents, self.job_hours = job_sums(task.job_cents), job_sums(task.job_hours)

    @staticmethod
    def _side_by_side(tables: list[list[FloatArray]]) -> FloatArray:
        """Tables of one number an option, all slots after each other: (n, sum of m_s)."""
        return np.stack([np.concatenate(table) for table in tables])

    def _by_slot(self, tables: FloatArray, starts: IntArray) -> list[FloatArray]:
        """Numbers (n, options) of the allowed options, per slot."""
        return [tables[:, start + options] for start, options in zip(starts, self.options, strict=True)]

    @staticmethod
    def _best_of_rest(tables: FloatArray, allowed: BoolArray, starts: IntArray) -> FloatArray:
        """Sums (n, F + 1) of the highest allowed number of each slot from the f-th on."""
        best = np.maximum.reduceat(np.where(allowed, tables, NOT_ALLOWED), starts, axis=1)
        sums = np.cumsum(best[:, ::-1], axis=1)[:, ::-1]
        return np.concatenate([sums, np.zeros((len(best), 1))], axis=1)

    def run(self) -> Found:
        task = self.task
        start = _Block(
            choices=np.zeros((1, 0), dtype=np.int64),
            scores=task.score_base[:, None].copy(),
            cents=np.zeros(1),
            hours=np.zeros(1),
            jobs=np.array([task.jobs_done], dtype=np.int64),
            rows=np.zeros((len(self.row_left), 1)),
            hope=np.zeros(1),
        )
        leaves: list[_Block] = []
        stack = [start]
        while stack:
            block = stack.pop()
            depth = block.choices.shape[1]
            if self.cut_off and not self.cheapest:
                block = block.take(block.hope > self.threshold[0])
            if depth == self.slots:
                leaves = self._keep_best(leaves, block)
                continue
            grown = self._grow(block, depth)
            self.blocks += 1
            if self.whole and len(grown.cents) > WIDE * self.most:
                return Found(np.zeros((0, self.slots), dtype=np.int64), np.zeros(0), cut_off=True, blocks=self.blocks)
            stack.extend(_split(grown, self.block))
        if not leaves:
            return Found(np.zeros((0, self.slots), dtype=np.int64), np.zeros(0), self.cut_off, self.blocks)
        choices = np.concatenate([leaf.choices for leaf in leaves])
        scores = np.concatenate([leaf.scores[0] for leaf in leaves])
        return Found(choices, scores, self.cut_off, self.blocks)

    def _keep_best(self, leaves: list[_Block], block: _Block) -> list[_Block]:
        """Add leaves; where there are too many, raise the first threshold to keep the best ``most``."""
        leaves = [*leaves, block]
        if sum(len(leaf.cents) for leaf in leaves) <= 2 * self.most:
            return leaves
        self.cut_off = True
        if self.cheapest:
            spent = np.concatenate([self._spent(leaf.cents, leaf.jobs) for leaf in leaves])
            order = np.argsort(spent, kind="stable")[: self.most]
            self.cents_left = float(np.nextafter(spent[order[-1]], -np.inf))
        else:
            scores = np.concatenate([leaf.scores[0] for leaf in leaves])
            order = np.argsort(-scores, kind="stable")[: self.most]
            self.threshold[0] = scores[order[-1]]
        return [_Block.joined(leaves).take(order)]

    def _spent(self, cents: FloatArray, jobs: IntArray) -> FloatArray:
        """Lower bound on the price of partial builds, with the jobs they need so far."""
        return cents + self.job_cents(jobs & ~self.task.jobs_done)

    def _grow(self, block: _Block, depth: int) -> _Block:
        """Add every allowed option of the next slot to every partial build, and drop what cannot be saved."""
        task = self.task
        higher = block.scores[:, :, None] + self.scores[depth][:, None, :]
        least = self.threshold - self.rest_score[:, depth + 1]
        keep = np.asarray((higher >= least[:, None, None]).all(axis=0))
        for f in range(depth):
            if (f, depth) in self.fits:
                keep &= self.fits[f, depth][block.choices[:, f]]
        parent, place = np.nonzero(keep)
        option, scores = self.options[depth][place], higher[:, parent, place]
        rows = block.rows[:, parent] + self.rows[depth][:, place]
        good = (rows + self.rest_rows[:, depth + 1, None] <= self.row_left).all(axis=0)
        cents = block.cents[parent] + task.cents[depth][option]
        jobs = block.jobs[parent] | task.jobs[depth][option]
        spent = self._spent(cents, jobs)
        good &= spent + self.rest_cents[depth + 1] <= self.cents_left
        hours = block.hours[parent] + task.hours[depth][option]
        good &= hours + self.job_hours(jobs & ~task.jobs_done) + self.rest_hours[depth + 1] <= task.hours_left
        hope = scores[0] + self.rest_score[0, depth + 1]
        if np.isfinite(self.cents_left):
            reach = scores + self.rest_net[:, depth + 1, None] + task.multipliers[:, None] * (self.cents_left - spent)
            good &= (reach >= self.threshold[:, None]).all(axis=0)
            hope = np.minimum(hope, reach[0])
        if self.cheapest:
            hope = -spent
        choices = np.concatenate([block.choices[parent], option[:, None]], axis=1)
        return _Block(choices, scores, cents, hours, jobs, rows, hope).take(good)


def _split(block: _Block, size: int) -> Iterator[_Block]:
    """Cut into blocks of bearable size, the most hopeful on top of the stack."""
    if len(block.cents) == 0:
        return
    if len(block.cents) <= size:
        yield block
        return
    order = np.argsort(block.hope, kind="stable")
    first = len(order) % size
    for start in range(first - size if first else 0, len(order), size):
        yield block.take(order[max(start, 0) : start + size])
