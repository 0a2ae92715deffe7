"""How fast the builds of a box could be, and what cuts leave of it: one round, replayed with given numbers.

The cuts and what they rest on are those of docs/method.md, section 4. A round needs decisions: where on a line each
cut is laid and what a cent is worth. Any decision gives a valid bound; good ones close more (`Decisions`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.recheck.asking import Case
from optimizer.recheck.choices import Boxes, joined
from optimizer.recheck.completing import Asking, Line, completed, worth_of
from optimizer.recheck.striking import Striking
from optimizer.run.affine import Span
from optimizer.run.envelope import Envelope
from optimizer.run.keeping import span_of
from optimizer.run.linear import LESS_IS_FASTER, Additions, Frame
from optimizer.search.demands import Scores, best_case, edges_about
from optimizer.search.necessary import Demand

RUN_ERROR_MS = 2e-3
"""More than the simulator's own error (docs/method.md, section 4): bounds are laid this far below the level."""
ROUNDING_MS = 1e-7
"""Cuts are loosened by this for rounding."""
CHUNK = 700
"""Boxes worked on at once: what fits the processor's cache."""
CUTS = 2
"""Cuts for each demand: one between the best and the worst of everything, one through what the first thought best."""
HARM_DIGITS = 6
"""Decimals by which options are told apart where a box is split: what differs by less goes by its place in the slot."""
HALVES, SPEEDS = ("milder", "harsher"), ("slow", "fast")
"""Names of the parts of boxes that are split by a slot, and by the highest speed in a run."""


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
        return sum((each.max(axis=1) for each in net), worth_of(multiplier, self.left)), net


class Decisions(Protocol):
    """Numbers that a round is free to choose, for some of its boxes, ``rows`` (n,); ``place`` counts the cuts."""

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
        Boxes of which something is left: E of them.
    rows : array (E,)
        Where each was among those that went in.
    lines : tuple of Line
        The cuts, over the boxes left.
    """

    boxes: Boxes
    rows: IntArray
    lines: tuple[Line, ...]

    def asking(self, places: IntArray, budget: float) -> Asking:
        """The boxes at some places, for `completed`."""
        some = self.boxes.take(places)
        lines = [line.take(places) for line in self.lines]
        looser = tuple(replace(line, spare=line.spare + ROUNDING_MS) for line in lines)
        return Asking(some.free, some.allowed, some.cents, budget + 0.5 - some.spent, looser)

    def builds(self, places: IntArray, case: Case, most: int) -> tuple[IntArray, IntArray, BoolArray]:
        """Builds of the boxes at some places that keep their cuts and money.

        Returns
        -------
        builds : array (k, S)
        box : array (k,)
            The place of each build's box.
        too_many : bool array (E,)
            Boxes for which there were too many.
        """
        way, chosen, crowded = completed(self.asking(places, case.budget), case.choices.pairs, most)
        box = places[way]
        found = self.boxes.builds[box]
        found[:, list(self.boxes.free)] = chosen
        too_many = np.zeros(len(self.boxes), dtype=np.bool_)
        too_many[places[crowded]] = True
        return found, box, too_many


@dataclass(frozen=True, slots=True)
class Parts:
    """What is left of boxes that were split: the parts, the row of the box that each is of, and the name of each."""

    boxes: Boxes
    rows: IntArray
    names: list[str]


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

    def go(self, boxes: Boxes, coarser: int, decisions: Decisions) -> Left:
        """One round for boxes that are looked at alike."""
        opened = self.open(boxes)
        envelopes, known = self.envelopes(opened, coarser), (boxes.each_ms, boxes.below_ms)
        ways = self.scores.ways(envelopes, [best_case(each) for each in envelopes], self.aim, known)
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
        passed = self.scores.passed_ms(envelopes, ways, RUN_ERROR_MS, self.striking.past)
        found = replace(
            every.boxes, allowed=tuple(allowed), each_ms=ways.low_ms, below_ms=ways.high_ms,
            board_ms=np.maximum(every.boxes.board_ms, passed),
        )  # fmt: skip
        alive = np.flatnonzero(~(spare < -ROUNDING_MS) & found.alive)  # what is not a number rules out nothing
        after, kept = self.striking.narrowed(found.take(alive), every.frame.drive.radius_m[:, alive])
        stay = alive[kept]
        return Left(after, ways.rows[stay], tuple(line.take(stay) for line in lines))

    def harms(self, boxes: Boxes, typical: FloatArray, slots: Sequence[int]) -> list[FloatArray]:
        """About what each option of some free slots takes from the speed [m/s]: (E, m_s), by typical slopes (L,)."""
        worth = np.zeros(len(typical))
        worth[list(LESS_IS_FASTER)] = typical[list(LESS_IS_FASTER)]
        frame = self.case.space.frame(boxes.builds, boxes.allowed)
        return [np.round(self.case.space.additions(frame, boxes.free[f]).along(worth), HARM_DIGITS) for f in slots]

    def by_slot(self, boxes: Boxes, f: int, first: IntArray, typical: FloatArray) -> Parts:
        """Boxes in two by their f-th free slot: the mildest ``first`` (E,) of its open options, and the others."""
        ok = boxes.allowed[f]
        harm = np.where(ok, self.harms(boxes, typical, (f,))[0], np.inf)
        rank = np.argsort(np.argsort(harm, axis=1, kind="stable"), axis=1, kind="stable")
        milder = ok & (rank < first[:, None])
        before, after = boxes.allowed[:f], boxes.allowed[f + 1 :]
        pieces = [replace(boxes, allowed=(*before, some, *after)) for some in (milder, ok & ~milder)]
        parts = _parts(pieces, HALVES)
        left, kept = self.striking.narrowed(parts.boxes, self.case.space.frame(parts.boxes.builds).drive.radius_m)
        return Parts(left, parts.rows[kept], [parts.names[place] for place in kept])

    def by_speed(self, boxes: Boxes, runs: Sequence[int]) -> Parts:
        """Boxes in two by the highest speed in each of some runs: below the middle of what it may be, and above.

        Their options are the same, so that rules and money strike out no more than before.
        """
        pieces, names = [boxes], [""]
        for run in runs:
            halves = [half for piece in pieces for half in _in_the_middle(piece, run)]
            pieces, names = halves, [f"{name} {end}".strip() for name in names for end in SPEEDS]
        return _parts(pieces, names)

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
            lost = most[:, None] - each.max(axis=1)[:, None] + each < -ROUNDING_MS
            allowed[f] &= ~(holds[:, None] & lost)
            point += add.of(best)
        line = Line(np.where(holds, base, np.inf), scores, multiplier)
        return line, np.where(holds, most, np.inf), point


def _parts(pieces: Sequence[Boxes], names: Sequence[str]) -> Parts:
    """Parts of boxes, all of a name together; every piece has one of each box."""
    count = len(pieces[0])
    every = np.tile(np.arange(count), len(pieces))
    return Parts(joined(pieces), every, [name for name in names for _ in range(count)])


def _in_the_middle(boxes: Boxes, run: int) -> tuple[Boxes, Boxes]:
    """Boxes with the lower half of what the highest speed in a run may be, and with the upper one."""
    below, each = boxes.below_ms.copy(), boxes.each_ms.copy()
    below[:, run] = each[:, run] = 0.5 * (boxes.each_ms[:, run] + boxes.below_ms[:, run])
    return replace(boxes, below_ms=below), replace(boxes, each_ms=each)


def _line_through(demand: Demand, point: FloatArray, span: Span) -> tuple[FloatArray, FloatArray]:
    """A line from the fast to the slow side of a demand that passes through a promising point."""
    const, slope, holds = demand.cut(point)
    ahead = (holds & (const + np.einsum("bl,bl->b", point, slope) >= 0))[:, None]
    return np.where(ahead, point, span.least), np.where(ahead, span.most, point)
