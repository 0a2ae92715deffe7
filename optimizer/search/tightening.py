"""Narrows drive sets to what a wanted score leaves of them, round by round, by cuts that hold by argument.

Each round bounds the completions that are left (`run.envelope`), asks what the score demands (`demands`), lays cuts
(`necessary`), and drops boxes and single options that no affordable completion can save. What is left is a smaller box,
or is split into such, on which the next round is sharper.
"""

from __future__ import annotations

from collections.abc import Callable
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
from optimizer.search.drive_sets import DriveSets, cents_left, joined, option_cents
from optimizer.search.limiter import limiter_cut
from optimizer.search.listing import Lister
from optimizer.search.narrowing import Narrower, past
from optimizer.search.necessary import Demand
from optimizer.search.pairing import NOTHING
from optimizer.search.propagation import Goal
from optimizer.search.purchases import Purchases
from optimizer.search.surrogate import lagrangian_bound
from optimizer.search.whole_lists import ROUNDING_MS, Cut

RUN_ERROR_MS = 2e-3
"""More than the simulator's own error, 0.0039 mph at most among 1,000 random cars: bounds are laid this far below the
level."""
RANGE_MS, ALIKE_MS = 0.1, 1e-9
"""Ranges of the highest speed in a run that are narrower are not split; options that differ by less are alike."""
COARSER = (4, 2)
"""How many times as wide as they could be cells of speed are in the first round, and later: bounds hold on any, most
drive sets are out by far, and what is left is sooner split than looked at on finer cells."""
SAMPLE = 24
"""Drive sets that say whether tires are too slow for many."""
CUTS = 2
"""Cuts for each way: one between the best and the worst of everything, one at what the first thought best."""
CHUNK = 300
"""Drive sets bounded at once: what fits the processor's cache."""
FEW, MANY = 2000, 1e15
"""Completions of a box that are worth listing in the first round already, and that are too many to try."""
LISTED, LISTED_OF_ALL = 100, 6000
"""Most completions that a list may have, and all lists where few boxes are left: to split a box once more takes less
time than a list that grows too long, but a round takes its time however few there are."""


def most_listed(boxes: int) -> int:
    """Most completions that the list of one of so many boxes may have."""
    return max(LISTED, LISTED_OF_ALL // max(boxes, 1))


@dataclass(frozen=True, slots=True)
class Left:
    """What is left of drive sets: B boxes of completions. One that meets the goal keeps every cut of its box."""

    batch: Batch
    cuts: tuple[Cut, ...]


class Tightener:
    """Tightens drive sets of one scenario and salt condition.

    ``tires_matter`` says whether what a round leaves is worth asking about its tires again; `begin` finds out.
    """

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
        self.tires_matter = True

    def begin(self, sets: DriveSets, goal: Goal, typical: FloatArray | None, tires_matter: bool = False) -> bool:
        """Whether those whose tires are too slow are many, known or by a few drive sets; they are then dropped first.

        Those given are split by the equipment that brackets near the level ask for. ``typical`` (L,), what coordinates
        mostly cost, says what to split by; it decides nothing else.
        """
        self.typical = np.ones(len(COORDINATES)) if typical is None else typical
        self.tires_matter = tires_matter
        if len(sets) and not tires_matter:
            some = sets.take(np.unique(np.linspace(0, len(sets) - 1, SAMPLE).astype(int)))
            left = self.narrower.not_too_fast(some, goal).completions.sum()
            self.tires_matter = bool(left < 0.5 * some.completions.sum())
        return self.tires_matter

    def parted(self, sets: DriveSets, goal: Goal, number: int) -> DriveSets:
        """Drive sets made ready for a round, numbered from 0: after the first they are split.

        Before the second, prices are sharpened.
        """
        if number == 0:
            return sets
        if number == 1:
            return self.propagation.narrowed(self.purchases.split(sets), goal)
        return self._split(sets, goal)

    def round(
        self,
        sets: DriveSets,
        goal: Goal,
        number: int,
        most: int,
        tires: bool,
        late: Callable[[], bool] = lambda: False,
    ) -> tuple[IntArray, DriveSets]:
        """One round of cuts: completions (n, S) that may meet the goal, and drive sets in which others may.

        No other completion of the sets given meets it. Completions that keep the cuts are listed where they are few
        enough, ``most`` for one drive set; before, what is left is asked about its ``tires``, which takes some time.
        Once ``late``, drive sets are given back as they are.
        """
        found = [np.zeros((0, sets.builds.shape[1]), dtype=np.int64)]
        coarser, rest = COARSER[min(number, len(COARSER) - 1)], [sets.take(np.zeros(0, dtype=np.int64))]
        for start in range(0, len(sets), CHUNK * coarser):
            if late():
                rest.append(sets.take(np.arange(start, len(sets))))
                break
            some = sets.take(np.arange(start, min(start + CHUNK * coarser, len(sets))))
            piece = self._round(some, goal, coarser)
            piece = self._not_too_fast(piece, goal) if tires else piece
            if len(piece.batch.sets) == 0:
                continue
            many = np.ones(len(piece.batch.sets), dtype=bool)
            few = np.flatnonzero(piece.batch.sets.completions <= (MANY if number else FEW))
            for box, builds in zip(few, self._listed(piece, few, goal, most), strict=True):
                if builds is not None:
                    found.append(builds)
                    many[box] = False
            rest.append(piece.batch.sets.take(many))
        return np.concatenate(found), joined(rest)

    def _not_too_fast(self, piece: Left, goal: Goal) -> Left:
        """What tires and rotors leave of it: `Narrower.not_too_fast`."""
        sets = piece.batch.sets
        kept = self.narrower.not_too_fast(sets.marked(np.arange(len(sets))), goal)
        left = piece.batch.take(kept.mark)
        return Left(
            replace(left, sets=replace(kept, mark=left.sets.mark)), tuple(cut.take(kept.mark) for cut in piece.cuts)
        )

    def _listed(self, piece: Left, boxes: IntArray, goal: Goal, most: int) -> list[IntArray | None]:
        """Completions (n, S) of each of some boxes that keep all its cuts; None where there are more than ``most``."""
        if len(boxes) == 0:
            return []
        return self.lister.whole(piece.batch.take(boxes), [cut.take(boxes) for cut in piece.cuts], goal, most)

    def by_speed(self, sets: DriveSets) -> DriveSets:
        """Drive sets split by the highest speed in each run, where that is not known closely: parts of one together."""
        parts = self._by_speed(sets.marked(np.arange(len(sets))), np.zeros(len(sets)))
        parts = parts.take(np.argsort(parts.mark, kind="stable"))
        return replace(parts, mark=sets.mark[parts.mark])

    def _by_speed(self, sets: DriveSets, least: FloatArray) -> DriveSets:
        """Drive sets split by the highest speed in each run that is known less closely than ``least`` (D,)."""
        for run in range(self.scores.ranged(len(self.judge.conditions))):
            low, high = sets.each_ms[:, run], sets.below_ms[:, run]
            wide = self._widths(sets)[:, run] > np.maximum(least, RANGE_MS)
            middle = np.where(wide, 0.5 * (low + high), high)
            slower, faster = sets.below_ms.copy(), sets.each_ms[wide].copy()
            slower[:, run], faster[:, run] = middle, middle[wide]
            sets = joined([replace(sets, below_ms=slower), replace(sets.take(wide), each_ms=faster)])
            least = np.concatenate([least, least[wide]])
        return sets

    def _widths(self, sets: DriveSets) -> FloatArray:
        """Ranges (D, R) of the highest speed in each run where these can be split; 0 where one has no end."""
        runs = self.scores.ranged(len(self.judge.conditions))
        return np.where(np.isfinite(sets.below_ms), sets.below_ms - sets.each_ms, 0.0)[:, :runs]

    def _split(self, sets: DriveSets, goal: Goal) -> DriveSets:
        """Drive sets split by what makes their bounds loose: how little is known of speeds, or what may be chosen.

        In two, by the free slot whose options differ most in what they do to speed: milder and harsher. So options that
        are alike stay together as long as they can be ruled out together.
        """
        losses = self.bounding.losses(self.bounding.open(sets), self.typical)
        milder, spread = zip(*(_in_two(-loss, ok) for loss, ok in zip(losses, sets.allowed, strict=True)), strict=True)
        most, widest = np.max(spread, axis=0), np.argmax(spread, axis=0)
        width = self._widths(sets).max(axis=1, initial=0.0)
        by_speed = (width > RANGE_MS) & (width > most)
        parts = [self._by_speed(sets.take(by_speed), most[by_speed])]
        for f, mild in enumerate(milder):
            own = (widest == f) & ~by_speed
            parts += [sets.take(own).only(f, mild[own]), sets.take(own).only(f, ~mild[own])]
        return self.propagation.narrowed(joined(parts), goal)

    def _round(self, sets: DriveSets, goal: Goal, coarser: int) -> Left:
        """One round: the boxes that are left, with the options that are left, and their cuts."""
        level = goal.level - RUN_ERROR_MS
        batch, envelopes = self.envelopes(sets, level, coarser)
        cases = [best_case(each) for each in envelopes]
        ways = self.scores.ways(envelopes, cases, level, between=(sets.each_ms, sets.below_ms))
        limits = [limiter_cut(envelope, speed) for envelope, speed in zip(envelopes, ways.each_ms.T, strict=False)]
        every = batch.take(ways.rows)
        options, cuts, living = self._cuts(every, ways, goal, limits)
        each = replace(every.sets, allowed=tuple(options), each_ms=ways.low_ms, below_ms=ways.high_ms)
        each = each.marked(np.arange(len(ways.rows))).take(living)
        passed = self.scores.passed_ms(envelopes, ways, RUN_ERROR_MS, goal.past)
        each = self.propagation.for_rotors(past(each, passed[living]), goal)
        each = self.propagation.narrowed(each, goal)
        left = every.take(each.mark)
        return Left(
            replace(left, sets=replace(each, mark=left.sets.mark)), tuple(cut.take(each.mark) for cut in cuts)
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
        first, alike = sets.alike()
        one = batch if len(first) == len(sets) else batch.take(first)
        for run, conditions in enumerate(self.judge.conditions):
            top = found[0].top if found else None
            reached = np.full(len(first), np.inf)  # by those of several that are alike which reach least
            np.minimum.at(reached, alike, sets.each_ms[:, run])
            found.append(Envelope(self.bounding.space, one.frame, one.span, conditions, edges, aim, top, reached))
        return batch, found if one is batch else [each.take(alike) for each in found]

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
        nets = [
            np.where(ok, score - multiplier[:, None] * price, NOTHING)
            for score, price, ok in zip(scores, cents, allowed, strict=True)
        ]
        together, short, best = self.lister.pairing.best(nets)
        money = multiplier * np.where(multiplier > 0, left, 0.0)
        most = base + np.minimum(bound, together + money)
        saved, point = [], every.frame.base.copy()
        for lost, option, add in zip(short, best, every.additions, strict=True):
            saved.append(~holds[:, None] | (most[:, None] - lost >= -ROUNDING_MS))
            point += add.of(option)
        spare = np.where((most > 0.5 * NOTHING) & ~holds, np.inf, most)
        return Cut(const, slope, holds, multiplier), spare, point, saved

    def _line_through(self, demand: Demand, point: FloatArray, every: Batch) -> tuple[FloatArray, FloatArray]:
        """A line from the fast to the slow side of a demand that passes through a promising point."""
        const, slope, holds = demand.cut(point)
        meets = holds & (const + np.einsum("bl,bl->b", point, slope) >= 0)
        ahead = meets[:, None]
        return np.where(ahead, point, every.span.least), np.where(ahead, every.span.most, point)


def _in_two(loss: FloatArray, allowed: BoolArray) -> tuple[BoolArray, FloatArray]:
    """Which options (D, m_s) of a slot are in the milder half of what is allowed, and the range of their loss (D,).

    Where they are all alike, it is the first half. The range is below 0 where there is nothing to divide.
    """
    low, high = np.where(allowed, loss, np.inf).min(axis=1), np.where(allowed, loss, -np.inf).max(axis=1)
    number = allowed.sum(axis=1)
    middle, first = 0.5 * (low + high)[:, None], 2 * allowed.cumsum(axis=1) <= number[:, None]
    milder = np.where((high - low > ALIKE_MS)[:, None], loss <= middle, first)
    return milder, np.where(number > 1, high - low, -1.0)
