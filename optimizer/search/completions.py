"""All ways to complete one drive set that could still be good enough: branching on slots, whole blocks at a time.

A block is an array of partial builds; each step adds one slot, then drops what no completion can save: forbidden pairs,
linear rows that even the mildest options break, money, hours, and scores below the threshold of any tangent. What the
slots to come add at best is counted among the options that go with what is chosen: a tire and a rotor that leave no
wheel are dropped before anything else is tried.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.search.drive_sets import job_sums
from optimizer.search.pairing import NOTHING, Link, passed_up

BLOCKS = (500, 20_000)
"""Partial builds worked on at once, least and most: about as many as completions are wanted, since the first of them
decide what else is dropped."""


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
    links : list of Link
        Some of the pairs: each slot is the child of one earlier slot at most.
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
    links: list[Link]


@dataclass(frozen=True, slots=True)
class Found:
    """Completions (n, F) with their score on the first tangent (n,); ``cut_off`` says that lower ones were left out."""

    choices: IntArray
    scores: FloatArray
    cut_off: bool


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


def complete(task: Task, most: int, *, cheapest: bool = False) -> Found:
    """Find all completions, or, where there are more than ``most``, those that are best on the first tangent.

    With ``cheapest``, those with the lowest bound on their price instead.

    Never leaves out a completion that meets the limits, unless it says ``cut_off``; prices are lower bounds and
    linear rows are checked in full, so what is found still has to be priced.
    """
    return _Search(task, most, cheapest=cheapest).run()


class _Search:
    def __init__(self, task: Task, most: int, *, cheapest: bool) -> None:
        self.task = task
        self.cheapest = cheapest
        self.cents_left = task.cents_left
        self.most = most
        self.block = int(np.clip(10 * most, *BLOCKS))
        self.threshold = task.threshold.copy()
        self.cut_off = False
        self.slots = len(task.allowed)
        self.options = [np.flatnonzero(ok) for ok in task.allowed]
        self.place = [np.cumsum(ok) - 1 for ok in task.allowed]
        count = len(task.threshold)
        starts = np.cumsum([0, *(len(ok) for ok in task.allowed)])[:-1]
        scores, every = np.concatenate(task.scores, axis=1), self._side_by_side([*task.rows, task.cents, task.hours])
        harshest = np.maximum.reduceat(np.where(np.concatenate(task.allowed), every[:-2], NOTHING), starts, axis=1)
        binds = harshest.sum(axis=1) > task.row_left
        every, self.row_left = every[np.append(binds, [True, True])], task.row_left[binds, None]
        self.scores, self.rows = self._by_slot(scores, starts), self._by_slot(every[:-2], starts)
        # of all that follows, the more the better
        better = np.concatenate([scores, scores - task.multipliers[:, None] * every[-2], -every])
        self.rest, self.lost = self._of_rest(np.split(better, starts[1:], axis=1))
        self.of_score, self.of_net = slice(count), slice(count, 2 * count)
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

    def _of_rest(self, tables: list[FloatArray]) -> tuple[FloatArray, list[list[tuple[int, FloatArray]]]]:
        """What the slots to come add at best to n tables, more being better; tables (n, m_f) per slot.

        Returns
        -------
        rest : array (n, F + 1)
            The sum over slots from the f-th on.
        lost : per slot, list of pairs
            Later slots that it is linked to, and what each of its allowed options takes from their best: (n, options).
        """
        worth = [np.where(ok, table, NOTHING) for ok, table in zip(self.task.allowed, tables, strict=True)]
        own, passed = passed_up(self.task.links, worth)
        lost: list[list[tuple[int, FloatArray]]] = [[] for _ in own]
        begun = list(range(self.slots))  # a slot is counted with the one that it is linked to until that is chosen
        apart = np.zeros((len(own[0]), self.slots))
        for link, best in zip(self.task.links, passed, strict=True):
            apart[:, link.child], begun[link.child] = best.max(axis=1), link.parent + 1
            by_option = (apart[:, link.child, None] - best)[:, link.kind]
            lost[link.parent].append((link.child, by_option[:, self.options[link.parent]]))
        rest = np.zeros((len(own[0]), self.slots + 1))
        linked = {link.child for link in self.task.links}
        for f, table in enumerate(own):
            if f in linked:
                rest[:, begun[f] : f + 1] += apart[:, f, None]
            else:
                rest[:, : f + 1] += table.max(axis=1, initial=NOTHING)[:, None]
        return rest, lost

    def _taken(self, choices: IntArray, depth: int) -> tuple[FloatArray, FloatArray]:
        """What is taken from the best of slots beyond a depth: by what is chosen before it (n, c), by its options."""
        before, here = np.zeros((len(self.rest), len(choices))), np.zeros((len(self.rest), len(self.options[depth])))
        for f in range(depth):
            for child, lost in self.lost[f]:
                if child > depth:
                    before += lost[:, self.place[f][choices[:, f]]]
        for _, lost in self.lost[depth]:
            here += lost
        return before, here

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
                if len(block.hope) == 0:
                    continue
            if depth == self.slots:
                leaves = self._keep_best(leaves, block)
                continue
            stack.extend(_split(self._grow(block, depth), self.block))
        if not leaves:
            return Found(np.zeros((0, self.slots), dtype=np.int64), np.zeros(0), self.cut_off)
        choices = np.concatenate([leaf.choices for leaf in leaves])
        scores = np.concatenate([leaf.scores[0] for leaf in leaves])
        return Found(choices, scores, self.cut_off)

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
        task, rest, lines = self.task, self.rest[:, depth + 1, None], self.of_score
        before, here = self._taken(block.choices, depth)
        so_far, own = block.scores - before[lines] + rest[lines], self.scores[depth] - here[lines]
        keep = np.asarray((so_far[:, :, None] + own[:, None, :] >= self.threshold[:, None, None]).all(axis=0))
        for f in range(depth):
            if (f, depth) in self.fits:
                keep &= self.fits[f, depth][block.choices[:, f]]
        parent, place = np.nonzero(keep)
        option, scores = self.options[depth][place], block.scores[:, parent] + self.scores[depth][:, place]
        rest = rest - before[:, parent] - here[:, place]
        rows = block.rows[:, parent] + self.rows[depth][:, place]
        good = (rows - rest[self.of_net.stop : -2] <= self.row_left).all(axis=0)
        cents = block.cents[parent] + task.cents[depth][option]
        jobs = block.jobs[parent] | task.jobs[depth][option]
        spent = self._spent(cents, jobs)
        good &= spent - rest[-2] <= self.cents_left
        hours = block.hours[parent] + task.hours[depth][option]
        good &= hours + self.job_hours(jobs & ~task.jobs_done) - rest[-1] <= task.hours_left
        hope = scores[0] + rest[0]
        if np.isfinite(self.cents_left):
            reach = scores + rest[self.of_net] + task.multipliers[:, None] * (self.cents_left - spent)
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
