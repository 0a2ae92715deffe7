"""Narrows drive sets to what a wanted score leaves of them, round by round, by cuts that hold by argument.

Each round bounds the completions that are left (`run.envelope`), asks what the score demands (`demands`), lays cuts
(`necessary`), and drops ways, drive sets and single options that no affordable completion can save. What is left is a
smaller box, on which the next round is sharper.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.choice.price import AdditiveBounds
from optimizer.run.affine import Affine
from optimizer.run.envelope import Envelope
from optimizer.run.judge import Judge
from optimizer.run.linear import COORDINATES
from optimizer.search.bounding import Batch, Bounding
from optimizer.search.demands import Scores, Ways, best_case, edges_about
from optimizer.search.drive_sets import DriveSets, cents_left, joined, merged_options, option_cents
from optimizer.search.limiter import limiter_cut
from optimizer.search.listing import Line, Lister, Way
from optimizer.search.narrowing import Narrower, past
from optimizer.search.necessary import Demand
from optimizer.search.propagation import Goal, SetRow
from optimizer.search.purchases import Purchases
from optimizer.search.surrogate import lagrangian_bound

RUN_ERROR_MS = 2e-3
"""More than the simulator's own error, 0.0039 mph at most among 1,000 random cars: bounds are laid this far below the
level."""
ROUNDING_MS = 1e-7
"""Cuts are loosened by this for rounding."""
BINS, SPLIT_BINS = (1, 3, 5), 5
"""Ranges into which speeds are split: round by round at first, and once drive sets are split."""
WORTH_A_LOOK = 3
"""Ranges from which a look at one range goes before, which most boxes do not survive."""
COARSER = (4, 2, 1)
"""How many times as wide as in later rounds cells of speed are in the first: bounds hold on any, and most drive sets
are out by far."""
SAMPLE, SAMPLE_DEPTH_MS = 24, 0.3
"""Drive sets whose slopes are taken as typical, and how far below the level."""
CUTS = 2
"""Cuts for each way: one between the best and the worst of everything, one at what the first thought best."""
CHUNK = 300
"""Drive sets bounded at once: what fits the processor's cache."""
FEW, LISTED, LISTED_OF_SPLIT = 2000, 2000, 3000
"""Completions of a box that are worth listing before the last of the first rounds; most that one list may have, of a
whole drive set and of a split one: to split it once more takes as long as to simulate some thousand builds."""


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

    def line(self, way: int) -> Line:
        """The cut of one way."""
        threshold = -ROUNDING_MS if self.holds[way] else -np.inf
        return Line(float(self.const[way]), self.slope[way], threshold, float(self.multiplier[way]))


@dataclass(frozen=True, slots=True)
class Left:
    """What is left of drive sets: a batch of B boxes of completions, and n ways in which some of these could score.

    ``box`` (n,) is the box of each way, ``allowed`` per free slot (n, m_s) its options. A completion that meets the
    goal keeps every cut of a way of its box.
    """

    batch: Batch
    box: IntArray
    allowed: tuple[BoolArray, ...]
    cuts: tuple[Cut, ...]


class Tightener:
    """Tightens drive sets of one scenario and salt condition."""

    def __init__(
        self,
        judge: Judge,
        bounding: Bounding,
        bounds: AdditiveBounds,
        narrower: Narrower,
        lister: Lister,
        purchases: Purchases,
    ) -> None:
        self.judge, self.bounding, self.bounds = judge, bounding, bounds
        self.narrower, self.lister, self.purchases = narrower, lister, purchases
        self.propagation = narrower.propagation
        self.scores = Scores(judge.event.scoring, judge.marks_m)
        self.typical = np.ones(len(COORDINATES))

    def begin(self, sets: DriveSets, goal: Goal) -> DriveSets:
        """Drive sets without those whose tires are too slow, where a few of them say that these are many.

        Those given are split by the equipment that brackets near the level ask for. And find out what coordinates are
        typically worth, which says what to split by; it decides nothing else.
        """
        if len(sets) == 0:
            return sets
        some = sets.take(np.unique(np.linspace(0, len(sets) - 1, SAMPLE).astype(int)))
        slopes = self.slopes(some, goal.level - SAMPLE_DEPTH_MS)
        if len(slopes):
            self.typical = np.maximum(-np.median(slopes, axis=0), 0.0)
        mostly = self.narrower.not_too_fast(some, goal).completions.sum() < 0.5 * some.completions.sum()
        return self.narrower.not_too_fast(sets, goal) if mostly else sets

    def step(
        self, sets: DriveSets, goal: Goal, number: int, late: Callable[[], bool] = lambda: False
    ) -> tuple[IntArray, DriveSets]:
        """One round of cuts: completions (n, S) that may meet the goal, and drive sets in which others may.

        No other completion of the sets given meets it. Rounds are numbered from 0. In the first ones drive sets stay
        whole; after the first, prices are sharpened, and tires too slow are out; from the last of them on completions
        that keep the cuts are listed where they are few enough, and what is left is split by the slot that matters most
        to speed. Once ``late``, drive sets are given back as they are.
        """
        found = [np.zeros((0, sets.builds.shape[1]), dtype=np.int64)]
        if number == 1:
            sets = self.narrower.not_too_fast(self.propagation.narrowed(self.purchases.split(sets), goal), goal)
        if number >= len(BINS):
            sets = self.narrower.not_too_fast(self._split(sets, goal), goal)
        rest = self._rounds(sets, goal, number, found, late)
        return np.concatenate(found), rest

    def _rounds(
        self, sets: DriveSets, goal: Goal, number: int, found: list[IntArray], late: Callable[[], bool]
    ) -> DriveSets:
        """One round for all drive sets: completions of those with few left are ``found``; the rest is given back."""
        split, listing = number >= len(BINS), number >= len(BINS) - 1
        bins, coarser = SPLIT_BINS if split else BINS[number], COARSER[min(number, len(COARSER) - 1)]
        rest, most = [sets.take(np.zeros(0, dtype=np.int64))], LISTED_OF_SPLIT if split else LISTED
        for start in range(0, len(sets), CHUNK * coarser):
            if late():
                rest.append(sets.take(np.arange(start, len(sets))))
                break
            some = sets.take(np.arange(start, min(start + CHUNK * coarser, len(sets))))
            piece = self._round(some, goal, bins, coarser)
            if len(piece.batch.sets) == 0:
                continue
            many = np.ones(len(piece.batch.sets), dtype=bool)
            rows = self.lister.rows(piece.batch, goal)
            for box in np.flatnonzero(listing | (piece.batch.sets.completions <= FEW)):
                builds = self._listed(piece, int(box), goal, most, rows)
                if builds is not None:
                    found.append(builds)
                    many[box] = False
            rest.append(piece.batch.sets.take(many))
        return joined(rest)

    def _listed(self, piece: Left, box: int, goal: Goal, most: int, rows: Sequence[SetRow]) -> IntArray | None:
        """Completions (n, S) of a box that keep all cuts of one of its ways; None where there are too many."""
        ways, left = [], [ok[box] for ok in piece.batch.sets.allowed]
        for way in np.flatnonzero(piece.box == box):
            allowed = [ok[way] & mine for ok, mine in zip(piece.allowed, left, strict=True)]
            if all(ok.any() for ok in allowed):
                lines = [cut.line(int(way)) for cut in piece.cuts]
                ways.append(Way(allowed, sorted(lines, key=lambda line: line.threshold == -np.inf)))
        if not ways:
            return np.zeros((0, piece.batch.sets.builds.shape[1]), dtype=np.int64)
        builds, cut_off = self.lister.complete(piece.batch, box, ways, goal, most, rows, whole=True)
        return None if cut_off else builds

    def _split(self, sets: DriveSets, goal: Goal) -> DriveSets:
        """Drive sets split by the free slot whose options differ most in what they do to speed."""
        batch = self.bounding.open(sets)
        losses = self.bounding.losses(batch, self.typical)
        spread = np.stack([np.where(ok, -loss, 0.0).max(axis=1) for loss, ok in zip(losses, sets.allowed, strict=True)])
        spread[np.stack([ok.sum(axis=1) for ok in sets.allowed]) < 2] = -1.0
        return self.propagation.narrowed(sets.split_by(spread.argmax(axis=0)), goal)

    def slopes(self, sets: DriveSets, level_ms: float) -> FloatArray:
        """Change of the score per unit of each coordinate (n, L), of cars about a level in some drive sets."""
        batch, envelopes = self.envelopes(sets, level_ms, COARSER[0])
        ways = self.scores.ways(envelopes, [best_case(each) for each in envelopes], level_ms, 1)
        every, demand = batch.take(ways.rows), ways.demands[0]
        _, slope, holds = demand.cut(demand.on_line(every.span.least, every.span.most))
        return slope[holds]

    def _round(self, sets: DriveSets, goal: Goal, bins: int, coarser: int) -> Left:
        """One round: the ways that are left with their cuts, and their drive sets with the options that are left."""
        level = goal.level - RUN_ERROR_MS
        batch, envelopes = self.envelopes(sets, level, coarser)
        cases, among = [best_case(each) for each in envelopes], None
        needed = self.scores.each(self.scores.bounds(cases), level)
        limits = [limiter_cut(envelope, speed) for envelope, speed in zip(envelopes, needed.T, strict=False)]
        if bins >= WORTH_A_LOOK:
            ways = self.scores.ways(envelopes, cases, level, 1)
            some, _, living = self._cuts(batch.take(ways.rows), ways, goal, limits)
            among = np.zeros(len(sets), dtype=bool)
            among[ways.rows[living]] = True
            batch = replace(batch, sets=_struck(batch.sets, ways.rows[living], [ok[living] for ok in some]))
        ways = self.scores.ways(envelopes, cases, level, bins, among)
        each_ms = np.maximum(batch.sets.each_ms, ways.each_ms)
        batch = replace(batch, sets=replace(batch.sets, each_ms=each_ms))
        every = batch.take(ways.rows)
        options, cuts, living = self._cuts(every, ways, goal, limits)
        each = replace(every.sets, allowed=tuple(options)).marked(np.arange(len(ways.rows))).take(living)
        each = self.propagation.for_rotors(past(each, goal.past(ways.highest_ms[living] - RUN_ERROR_MS)), goal)
        each = each.take(each.completable)
        alive, options = each.mark, list(each.allowed)
        rows = ways.rows[alive]
        after = self.propagation.narrowed(_merged(batch.sets, rows, options, each.board_ms), goal)
        kept = np.flatnonzero(np.isin(rows, after.mark))
        return Left(
            replace(batch.take(after.mark), sets=replace(after, mark=sets.mark[after.mark])),
            np.searchsorted(after.mark, rows[kept]),
            tuple(ok[kept] for ok in options),
            tuple(cut.take(alive[kept]) for cut in cuts),
        )

    def _cuts(
        self, every: Batch, ways: Ways, goal: Goal, limits: list[tuple[Affine, BoolArray]]
    ) -> tuple[list[BoolArray], list[Cut], BoolArray]:
        """Options that the cuts of each of n ways leave, the cuts, and whether anything affordable is left (n,).

        ``limits`` are what the limiter asks of the drive sets in each run, and where it does.
        """
        cents, left = option_cents(every.sets, self.bounds), cents_left(every.sets, goal.money)
        spare = np.full(len(ways.rows), np.inf)
        options = [ok.copy() for ok in every.sets.allowed]
        cuts: list[Cut] = []
        for asked in ways.demands:
            demand, fast, slow = asked, every.span.least, every.span.most
            for _ in range(CUTS):
                point = demand.on_line(fast, slow)
                demand = demand.aimed(point)
                cut, most, best, saved = self._laid(every, *demand.cut(point), cents, left)
                cuts.append(cut)
                spare = np.minimum(spare, most)
                options = [ok & kept for ok, kept in zip(options, saved, strict=True)]
                fast, slow = self._line_through(demand, best, every)
        for limit, holds in limits:
            asked_of = limit.take(ways.rows)
            some = np.flatnonzero(holds[ways.rows] & (asked_of.least(every.span) < -ROUNDING_MS))
            if len(some):
                few, sure = asked_of.take(some), np.ones(len(some), dtype=bool)
                cut, most, _, saved = self._laid(
                    every.take(some), few.const, few.slope, sure, [each[some] for each in cents], left[some]
                )
                cuts.append(cut.among(some, len(spare)))
                spare[some] = np.minimum(spare[some], most)
                for ok, kept in zip(options, saved, strict=True):
                    ok[some] &= kept
        living = (spare >= -ROUNDING_MS) & np.logical_and.reduce([ok.any(axis=1) for ok in options])
        return options, cuts, living

    def envelopes(self, sets: DriveSets, level_ms: float, coarser: int = 1) -> tuple[Batch, list[Envelope]]:
        """Drive sets opened, and their envelope in each run, on speeds about a level."""
        batch = self.bounding.open(sets)
        start_ms, caps_ms = self.judge.model.car.start_speed_ms, batch.frame.drive.cap_ms
        edges, aim = edges_about(level_ms, start_ms, coarser, caps_ms)
        found: list[Envelope] = []
        for run, conditions in enumerate(self.judge.conditions):
            top = found[0].top if found else None
            reached = sets.each_ms[:, run]
            found.append(Envelope(self.bounding.space, batch.frame, batch.span, conditions, edges, aim, top, reached))
        return batch, found

    def _laid(
        self,
        every: Batch,
        const: FloatArray,
        slope: FloatArray,
        holds: BoolArray,
        cents: list[FloatArray],
        left: FloatArray,
    ) -> tuple[Cut, FloatArray, FloatArray, list[BoolArray]]:
        """A cut; the most any affordable completion has on it, the point that has it, and the options it leaves."""
        base = const + np.einsum("bl,bl->b", every.frame.base, slope)
        scores = [add.along(slope) for add in every.additions]
        allowed = list(every.sets.allowed)
        bound, multiplier = lagrangian_bound(scores, cents, left, allowed)
        most = base + bound
        saved, point = [], every.frame.base.copy()
        for score, price, ok, add in zip(scores, cents, allowed, every.additions, strict=True):
            net = np.where(ok, score - multiplier[:, None] * price, -np.inf)
            best = net.argmax(axis=1)
            saved.append(~holds[:, None] | (most[:, None] - net.max(axis=1)[:, None] + net >= -ROUNDING_MS))
            point += add.of(best)
        spare = np.where(np.isfinite(bound) & ~holds, np.inf, most)
        return Cut(const, slope, holds, multiplier), spare, point, saved

    def _line_through(self, demand: Demand, point: FloatArray, every: Batch) -> tuple[FloatArray, FloatArray]:
        """A line from the fast to the slow side of a demand that passes through a promising point."""
        const, slope, holds = demand.cut(point)
        meets = holds & (const + np.einsum("bl,bl->b", point, slope) >= 0)
        ahead = meets[:, None]
        return np.where(ahead, point, every.span.least), np.where(ahead, every.span.most, point)


def _struck(sets: DriveSets, rows: IntArray, options: list[BoolArray]) -> DriveSets:
    """Drive sets with what any of some ways leaves: options per free slot (n, m_s), of the sets ``rows`` (n,)."""
    return replace(sets, allowed=merged_options(options, rows, len(sets)))


def _merged(sets: DriveSets, rows: IntArray, options: list[BoolArray], board_ms: FloatArray) -> DriveSets:
    """Drive sets, marked by row, with what any of their ways left; those without a way are dropped.

    Options per free slot (n, m_s) and speeds at the last board (n,) are those of the ways.
    """
    slowest = np.full(len(sets), np.inf)
    np.minimum.at(slowest, rows, board_ms)
    return replace(_struck(sets, rows, options), board_ms=slowest).marked(np.unique(rows))
