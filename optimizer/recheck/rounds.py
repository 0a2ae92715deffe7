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
from optimizer.recheck.completing import Asking, Line, completed
from optimizer.recheck.striking import Striking
from optimizer.run.affine import Span
from optimizer.run.envelope import Envelope
from optimizer.run.keeping import span_of
from optimizer.run.linear import Additions, Frame
from optimizer.search.demands import Scores, best_case, edges_about
from optimizer.search.necessary import Demand

RUN_ERROR_MS = 2e-3
"""More than the simulator's own error (docs/method.md, section 4): bounds are laid this far below the level."""
ROUNDING_MS = 1e-7
"""Cuts are loosened by this for rounding."""
CHUNK = 400
"""Boxes worked on at once: what fits the processor's cache."""
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
class Left:
    """What a round leaves.

    Attributes
    ----------
    boxes : Boxes
        Boxes of which something is left.
    rows : array (E,)
        Where each was among those that went in.
    opened : Opened
        Those that went in.
    ways, box : arrays (n,)
        Ways that are alive: the row of each among those that went in, and its place among the boxes left.
    allowed : per free slot, bool (n, m_s)
        Options that the cuts of a way leave.
    lines : tuple of Line
        The cuts.
    """

    boxes: Boxes
    rows: IntArray
    opened: Opened
    ways: IntArray
    box: IntArray
    allowed: tuple[BoolArray, ...]
    lines: tuple[Line, ...]

    def asking(self, places: IntArray, budget: float) -> tuple[Asking, IntArray]:
        """The ways of the boxes at some places, for `completed`; and the box of each."""
        some = np.flatnonzero(np.isin(self.box, places))
        box = self.box[some]
        lines = tuple(
            Line(line.spare[some] + ROUNDING_MS, tuple(each[some] for each in line.scores), line.multiplier[some])
            for line in self.lines
        )
        allowed = tuple(
            ok[some] & open_[box] for ok, open_ in zip(self.allowed, self.boxes.allowed, strict=True)
        )
        cents = tuple(each[box] for each in self.boxes.cents)
        return Asking(self.boxes.free, allowed, cents, budget + 0.5 - self.boxes.spent[box], lines), box

    def builds(self, places: IntArray, case: Case, most: int) -> tuple[IntArray, IntArray, BoolArray]:
        """Builds of the boxes at some places that keep the cuts of a way and money.

        Returns
        -------
        builds : array (k, S)
        box : array (k,)
            The place of each build's box.
        too_many : bool array (E,)
            Boxes for which there were too many.
        """
        asking, box = self.asking(places, case.budget)
        way, chosen, crowded = completed(asking, case.choices.pairs, most)
        found = self.boxes.builds[box[way]]
        found[:, list(self.boxes.free)] = chosen
        too_many = np.zeros(len(self.boxes), dtype=np.bool_)
        too_many[box[crowded]] = True
        return found, box[way], too_many


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
        frame = space.frame(boxes.builds, boxes.allowed)
        additions = tuple(space.additions(frame, s) for s in boxes.free)
        return Opened(boxes, frame, additions, span_of(frame, additions, boxes.allowed))

    def envelopes(self, opened: Opened, coarser: int) -> list[Envelope]:
        """The most that boxes can do in each run that counts."""
        start_ms, caps_ms = self.case.judge.model.car.start_speed_ms, opened.frame.drive.cap_ms
        edges, aim = edges_about(self.aim, start_ms, coarser, caps_ms)
        found: list[Envelope] = []
        for run, conditions in enumerate(self.case.judge.conditions):
            top, reached = found[0].top if found else None, opened.boxes.each_ms[:, run]
            found.append(Envelope(self.case.space, opened.frame, opened.span, conditions, edges, aim, top, reached))
        return found

    def go(self, boxes: Boxes, coarser: int, bins: int, decisions: Decisions) -> Left:
        """One round for boxes that are looked at alike."""
        opened = self.open(boxes)
        envelopes = self.envelopes(opened, coarser)
        ways = self.scores.ways(envelopes, [best_case(each) for each in envelopes], self.aim, bins)
        every = opened.take(ways.rows)
        spare = np.full(len(ways.rows), np.inf)
        allowed = [ok.copy() for ok in every.boxes.allowed]
        lines: list[Line] = []
        for asked in ways.demands:
            demand, fast, slow = asked, every.span.least, every.span.most
            for _ in range(CUTS):
                place = len(lines)
                share = decisions.share(place, demand, fast, slow, ways.rows)
                point = fast + share[:, None] * (slow - fast)
                demand = demand.aimed(point)
                line, most, best = self._hold(every, demand.cut(point), place, decisions, ways.rows, allowed)
                lines.append(line)
                spare = np.minimum(spare, most)
                fast, slow = _line_through(demand, best, every.span)
        living = (spare >= -ROUNDING_MS) & np.logical_and.reduce([ok.any(axis=1) for ok in allowed])
        alive = np.flatnonzero(living)
        merged = [np.zeros_like(ok) for ok in boxes.allowed]
        for into, ok in zip(merged, allowed, strict=True):
            np.logical_or.at(into, ways.rows[alive], ok[alive])
        rest = replace(boxes, allowed=tuple(merged), each_ms=np.maximum(boxes.each_ms, ways.each_ms))
        rows = np.unique(ways.rows[alive])
        after, kept = self.striking.narrowed(rest.take(rows), opened.frame.drive.radius_m[:, rows])
        rows = rows[kept]
        stay = alive[np.isin(ways.rows[alive], rows)]
        return Left(
            after,
            rows,
            opened,
            ways.rows[stay],
            np.searchsorted(rows, ways.rows[stay]),
            tuple(ok[stay] for ok in allowed),
            tuple(
                Line(line.spare[stay], tuple(each[stay] for each in line.scores), line.multiplier[stay])
                for line in lines
            ),
        )

    def split(self, boxes: Boxes, f: int) -> tuple[Boxes, IntArray, IntArray]:
        """Boxes once for every open option of their f-th free slot: those that are left, their rows, their options."""
        row, option = np.nonzero(boxes.allowed[f])
        radius = self.case.space.frame(boxes.builds).drive.radius_m
        parts, kept = self.striking.narrowed(boxes.take(row).only(f, option), radius[:, row])
        return parts, row[kept], option[kept]

    def _hold(
        self,
        every: Opened,
        cut: tuple[FloatArray, FloatArray, BoolArray],
        place: int,
        decisions: Decisions,
        rows: IntArray,
        allowed: list[BoolArray],
    ) -> tuple[Line, FloatArray, FloatArray]:
        """Strike out options that cannot keep a cut.

        Returns the cut as a line, the most there is to spare (n,), and the point that has it (n, L).
        """
        const, slope, holds = cut
        boxes = every.boxes
        base = const + np.einsum("bl,bl->b", every.frame.base, slope)
        scores = tuple(add.along(slope) for add in every.additions)
        prospects = Prospects(scores, boxes.cents, boxes.allowed, self.case.budget - boxes.spent)
        multiplier = decisions.multiplier(place, prospects, rows)
        bound, net = prospects.most(multiplier)
        most = base + bound
        point = every.frame.base.copy()
        for f, (each, add) in enumerate(zip(net, every.additions, strict=True)):
            best = each.argmax(axis=1)
            allowed[f] &= ~holds[:, None] | (most[:, None] - each.max(axis=1)[:, None] + each >= -ROUNDING_MS)
            point += add.of(best)
        line = Line(np.where(holds, base, np.inf), scores, multiplier)
        return line, np.where(holds, most, np.inf), point


def _line_through(demand: Demand, point: FloatArray, span: Span) -> tuple[FloatArray, FloatArray]:
    """A line from the fast to the slow side of a demand that passes through a promising point."""
    const, slope, holds = demand.cut(point)
    ahead = (holds & (const + np.einsum("bl,bl->b", point, slope) >= 0))[:, None]
    return np.where(ahead, point, span.least), np.where(ahead, span.most, point)
