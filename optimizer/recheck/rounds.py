"""How fast the builds of a box could be, and what cuts leave of it: one round, replayed with given numbers.

The cuts and what they rest on are those of docs/method.md, section 4. A round needs decisions: where on a line each
cut is laid and what a cent is worth. Any decision gives a valid bound; good ones close more (`Decisions`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.recheck.asking import Case
from optimizer.recheck.choices import Boxes
from optimizer.recheck.striking import Striking
from optimizer.run.affine import Span
from optimizer.run.envelope import Envelope
from optimizer.run.linear import Additions, Frame
from optimizer.search.demands import Scores, best_case, edges_about
from optimizer.search.necessary import Demand

RUN_ERROR_MS = 2e-3
"""More than the simulator's own error (docs/method.md, section 4): bounds are laid this far below the level."""
ROUNDING_MS = 1e-7
"""Cuts are loosened by this for rounding."""
CUTS = 2
"""Cuts for each demand: one between the best and the worst of everything, one through what the first thought best."""


@dataclass(frozen=True, slots=True)
class Opened:
    """Boxes with their coordinates: frame, what options add, and the span of it all."""

    boxes: Boxes
    frame: Frame
    additions: tuple[Additions, ...]
    span: Span

    def take(self, rows: IntArray) -> Opened:
        """Some of the boxes, or boxes repeated."""
        return Opened(
            self.boxes.take(rows), self.frame.take(rows), tuple(each.take(rows) for each in self.additions),
            self.span.take(rows),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Prospects:
    """What n options-by-slot scores and prices leave to decide: per free slot scores and cents (n, m_s), money (n,)."""

    scores: tuple[FloatArray, ...]
    cents: tuple[FloatArray, ...]
    allowed: tuple[BoolArray, ...]
    left: FloatArray

    def most(self, multiplier: FloatArray) -> tuple[FloatArray, tuple[FloatArray, ...]]:
        """Most that affordable options add to the score, for any multiplier (n,) >= 0; and the net scores by slot."""
        net = tuple(
            np.where(ok, score - multiplier[:, None] * cents, -np.inf)
            for score, cents, ok in zip(self.scores, self.cents, self.allowed, strict=True)
        )
        worth = np.where(multiplier > 0, multiplier * np.where(multiplier > 0, self.left, 0.0), 0.0)
        return sum((each.max(axis=1) for each in net), worth), net


class Decisions(Protocol):
    """Numbers that a round is free to choose, for ways whose boxes are ``rows`` (n,); ``place`` counts the cuts."""

    def share(self, place: int, demand: Demand, fast: FloatArray, slow: FloatArray, rows: IntArray) -> FloatArray:
        """How far from the fast to the slow end of a line each cut is laid: (n,), 0 to 1."""

    def multiplier(self, place: int, prospects: Prospects, rows: IntArray) -> FloatArray:
        """What a cent is worth in the score [m/s]: (n,), not below 0."""


@dataclass(frozen=True, slots=True)
class Cut:
    """A cut for each of n ways: ``const + slope . z >= 0`` [m/s] where it ``holds``."""

    const: FloatArray
    slope: FloatArray
    holds: BoolArray


@dataclass(frozen=True, slots=True)
class Left:
    """What a round leaves: boxes and the rows they came from; the ways that are alive, by row, with their cuts."""

    boxes: Boxes
    rows: IntArray
    opened: Opened
    ways: IntArray
    alive: IntArray
    cuts: tuple[Cut, ...]
    money: float

    def builds(self, place: int) -> IntArray:
        """Builds (n, S) of the box at a place that keep every cut of one of its ways."""
        boxes, row = self.boxes, int(self.rows[place])
        options = np.meshgrid(*[np.flatnonzero(ok[place]) for ok in boxes.allowed], indexing="ij")
        choices = np.stack([each.ravel() for each in options], axis=1)
        rows = np.full(len(choices), row)
        points = self.opened.frame.base[row] + sum(
            add.of(choices[:, f], rows) for f, add in enumerate(self.opened.additions)
        )
        kept = np.zeros(len(choices), dtype=np.bool_)
        for way in self.alive[self.ways[self.alive] == row]:
            keeps = np.ones(len(choices), dtype=np.bool_)
            for cut in self.cuts:
                if cut.holds[way]:
                    keeps &= cut.const[way] + points @ cut.slope[way] >= -ROUNDING_MS
            kept |= keeps
        found = np.repeat(boxes.builds[place][None], int(kept.sum()), axis=0)
        found[:, list(boxes.free)] = choices[kept]
        cents = boxes.spent[place] + sum(
            each[place][found[:, s]] for s, each in zip(boxes.free, boxes.cents, strict=True)
        )
        return found[cents <= self.money]


class Rounds:
    """Bounds and rounds for one case: what could score at least ``level`` [m/s]."""

    def __init__(self, case: Case, level: float) -> None:
        self.case, self.level = case, level
        self.aim = level - RUN_ERROR_MS
        self.striking = Striking(case, level)
        self.scores = Scores(case.judge.event.scoring, case.judge.marks_m)

    def open(self, boxes: Boxes) -> Opened:
        """Coordinates of boxes and of everything in them."""
        space = self.case.space
        frame = space.frame(boxes.builds)
        additions = tuple(space.additions(frame, s) for s in boxes.free)
        least, most = frame.base.copy(), frame.base.copy()
        for add, ok in zip(additions, boxes.allowed, strict=True):
            low, high = add.ends(ok)
            least += low
            most += high
        return Opened(boxes, frame, additions, Span(least, most))

    def envelopes(self, opened: Opened, coarser: int) -> list[Envelope]:
        """The most that boxes can do in each run that counts."""
        edges, aim = edges_about(self.aim, self.case.judge.model.car.start_speed_ms, coarser)
        found: list[Envelope] = []
        for conditions in self.case.judge.conditions:
            top = found[0].top if found else None
            found.append(Envelope(self.case.space, opened.frame, opened.span, conditions, edges, aim, top))
        return found

    def highest(self, boxes: Boxes, coarser: int) -> FloatArray:
        """Score (E,) that no build of each box passes."""
        cases = [best_case(each) for each in self.envelopes(self.open(boxes), coarser)]
        return self.scores.joined(self.scores.bounds(cases))

    def go(self, boxes: Boxes, coarser: int, bins: int, decisions: Decisions) -> Left:
        """One round for boxes that are looked at alike."""
        opened = self.open(boxes)
        envelopes = self.envelopes(opened, coarser)
        ways = self.scores.ways(envelopes, [best_case(each) for each in envelopes], self.aim, bins)
        every = opened.take(ways.rows)
        spare = np.full(len(ways.rows), np.inf)
        allowed = [ok.copy() for ok in every.boxes.allowed]
        cuts: list[Cut] = []
        for demand in ways.demands:
            fast, slow = every.span.least, every.span.most
            for _ in range(CUTS):
                place = len(cuts)
                share = decisions.share(place, demand, fast, slow, ways.rows)
                cut = Cut(*demand.cut(fast + share[:, None] * (slow - fast)))
                most, best = self._hold(every, cut, place, decisions, ways.rows, allowed)
                cuts.append(cut)
                spare = np.minimum(spare, most)
                fast, slow = _line_through(demand, best, every.span)
        living = (spare >= -ROUNDING_MS) & np.logical_and.reduce([ok.any(axis=1) for ok in allowed])
        alive = np.flatnonzero(living)
        merged = [np.zeros_like(ok) for ok in boxes.allowed]
        for into, ok in zip(merged, allowed, strict=True):
            np.logical_or.at(into, ways.rows[alive], ok[alive])
        rest = replace(boxes, allowed=tuple(merged))
        rows = np.unique(ways.rows[alive])
        after, kept = self.striking.narrowed(rest.take(rows), opened.frame.drive.radius_m[:, rows])
        return Left(after, rows[kept], opened, ways.rows, alive, tuple(cuts), self.case.budget + 0.5)

    def split(self, boxes: Boxes, f: int, options: IntArray) -> tuple[Boxes, IntArray]:
        """Boxes (E,) with one option (E,) each in their f-th free slot; those that are left, and their rows."""
        radius = self.case.space.frame(boxes.builds).drive.radius_m
        return self.striking.narrowed(boxes.only(f, options), radius)

    def _hold(
        self, every: Opened, cut: Cut, place: int, decisions: Decisions, rows: IntArray, allowed: list[BoolArray]
    ) -> tuple[FloatArray, FloatArray]:
        """Strike out options that cannot keep a cut; the most there is to spare (n,), and the point that has it."""
        boxes = every.boxes
        base = cut.const + np.einsum("bl,bl->b", every.frame.base, cut.slope)
        prospects = Prospects(
            tuple(add.along(cut.slope) for add in every.additions),
            boxes.cents,
            boxes.allowed,
            self.case.budget - boxes.spent,
        )
        bound, net = prospects.most(decisions.multiplier(place, prospects, rows))
        most = base + bound
        point = every.frame.base.copy()
        for ok, each, add in zip(allowed, net, every.additions, strict=True):
            best = each.argmax(axis=1)
            ok &= ~cut.holds[:, None] | (most[:, None] - each.max(axis=1)[:, None] + each >= -ROUNDING_MS)
            point += add.of(best)
        return np.where(cut.holds, most, np.inf), point


def _line_through(demand: Demand, point: FloatArray, span: Span) -> tuple[FloatArray, FloatArray]:
    """A line from the fast to the slow side of a demand that passes through a promising point."""
    const, slope, holds = demand.cut(point)
    ahead = (holds & (const + np.einsum("bl,bl->b", point, slope) >= 0))[:, None]
    return np.where(ahead, point, span.least), np.where(ahead, span.most, point)
