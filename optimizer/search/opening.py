"""Looking into drive sets: which of them could reach a speed for the money, and with which completions.

Rough cuts first, tangents after, a list of completions last. What each step rests on is in docs/method.md, section 3.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.choice.price import AdditiveBounds
from optimizer.run.judge import Judge
from optimizer.run.linear import C
from optimizer.search.bounding import CUT_SLACK_MS, Batch, Bounding
from optimizer.search.bounding import SLACK_MS as BOUND_SLACK_MS
from optimizer.search.drive_sets import DriveSets, cents_left, option_cents
from optimizer.search.listing import Line, Lister
from optimizer.search.narrowing import Narrower
from optimizer.search.propagation import Goal, Propagation
from optimizer.search.sharing import Matter
from optimizer.search.surrogate import Slopes, Tangents, lagrangian_bound

GENTLE = 0.75
"""Share of the smallest slope met that is relied on before a drive set has a tangent of its own."""
PROBE_SPARE = 1.03
"""Probes look for builds whose rotors take this much more than the level asks: the last board is passed faster."""
SPLITS, WORTH_SPLITTING = 5, 20_000
"""How often a drive set may be split where no tangent holds, and the completions from which that is worth it."""
MOST_PARTS = 1000
"""Parts of drive sets, beyond which they are not split further: with any money to spend nothing else would end that."""
MANY = 1000
"""Completions wanted of a drive set from which it is split where cheap ones are looked for."""
ROUNDS = 2
"""Tangents per drive set."""
CUT_SLACK_M2 = 6e-5
"""Drag area whose worth every tangent is loosened by: 0.6 square centimeters, about 0.01 % of a small car's."""
OPEN_MANY = 400
"""Drive sets that get tangents at once, when what they bring changes nothing for the others."""
SAMPLE, SAMPLE_DEPTH_MS = 24, 1.0
"""Drive sets whose slopes are taken as typical, and how far below their best case."""


@dataclass(frozen=True, slots=True)
class Cut:
    """One tangent per drive set, the price of money on it, and whether it holds for builds at the level: (B,)."""

    tangents: Tangents
    multiplier: FloatArray
    holds: BoolArray

    def take(self, rows: IntArray) -> Cut:
        """The same for some drive sets."""
        return Cut(self.tangents.take(rows), self.multiplier[rows], self.holds[rows])


@dataclass(frozen=True, slots=True)
class Opened:
    """What a look into some drive sets brought.

    Attributes
    ----------
    builds : array (n, S)
        Every completion that could meet the goal, of the sets that were looked into.
    cut_off : list of int
        Marks of sets whose list was cut off: to be opened again with room for more.
    later : list of int
        Marks of sets that may reach the goal and for which there was no room yet.
    missed_ms : float
        About how fast the best of those is that do not reach the goal; -inf if there are none. No bound.
    """

    builds: IntArray
    cut_off: list[int]
    later: list[int]
    missed_ms: float = -np.inf


class Opener:
    """Looks into drive sets of one scenario.

    Parameters
    ----------
    judge, legality, bounding
        What runs, what is allowed, and how fast a drive set could be.
    bounds : AdditiveBounds
        Lower bounds on prices by slot.
    hours_limit : float
        Most own hours a build may take.
    matter : Matter
        The search that this belongs to.
    slopes : Slopes
        Those met so far; it adds to them.
    """

    def __init__(
        self,
        judge: Judge,
        legality: Legality,
        bounding: Bounding,
        bounds: AdditiveBounds,
        hours_limit: float,
        matter: Matter,
        slopes: Slopes,
    ) -> None:
        self.judge, self.bounding, self.bounds = judge, bounding, bounds
        self.propagation = Propagation(judge, legality, bounding.space, bounds)
        self.narrower = Narrower(judge, bounding, self.propagation)
        self.lister = Lister(legality, bounds, hours_limit, self.propagation, matter)
        self.slopes = slopes

    def open(
        self, sets: DriveSets, goal: Goal, most: dict[int, int], width: int, *, splits: int = SPLITS
    ) -> Opened:
        """List the completions of drive sets that could meet the goal.

        Parameters
        ----------
        sets : DriveSets
            The most promising first, each with a mark of its own.
        goal : Goal
        most : dict
            Mark -> how many completions may be listed.
        width : int
            How many of the sets that pass the rough cuts are looked into, the likeliest first; what they bring makes
            the others easier to rule out.
        splits : int
            How often a drive set may be split where no tangent holds.
        """
        nothing = np.zeros((0, sets.builds.shape[1]), dtype=np.int64)
        chosen = self.narrower.by_equipment(self.narrower.tighten(sets, goal), goal)
        batch, likely, missed = self._screen(chosen, goal)
        mark = batch.sets.mark
        # The order given is by price where cheap ones are looked for; else the rough cuts know more of speed than it.
        best_first = sets.mark[np.isin(sets.mark, mark)] if goal.cheapest else mark[np.argsort(-likely, kind="stable")]
        now = np.flatnonzero(np.isin(mark, list(dict.fromkeys(best_first.tolist()))[:width]))
        later = sorted(set(mark.tolist()) - set(mark[now].tolist()))
        found, cut_off, short = self._list(batch.take(now), goal, most, splits)
        return Opened(np.concatenate([nothing, *found]), sorted(cut_off), later, max(missed, short))

    def _screen(self, sets: DriveSets, goal: Goal) -> tuple[Batch, FloatArray, float]:
        """Drive sets, once for each choice of last gears, that pass the rough cuts.

        Returns them, the speed that each likely does not pass, and the highest such speed among those cut.
        """
        batch = self.narrower.good_tires(self.bounding.open(sets), goal.level)
        batch, speed, free = self.bounding.by_gear(batch, goal.level)
        likely = self._likely(batch, speed, free, goal)
        reach = np.isfinite(likely) if goal.probe else likely >= goal.level - BOUND_SLACK_MS
        missed = float(likely[~reach].max(initial=-np.inf))
        close = np.flatnonzero(reach)
        return batch.take(close), likely[close], missed

    def _list(
        self, batch: Batch, goal: Goal, most: dict[int, int], splits: int
    ) -> tuple[list[IntArray], set[int], float]:
        """Completions of drive sets that reach a goal by their tangents; marks whose lists were cut off; the best miss.

        Where no tangent holds (speed that rises with drag: a gear taken too early), the drive set is split by one of
        its slots and every part is bounded again, as long as that makes no more than `MOST_PARTS`.
        """
        found: list[IntArray] = []
        cut_off: set[int] = set()
        if len(batch.sets) == 0:
            return found, cut_off, -np.inf
        cuts, kept, short = self._cuts(batch, goal)
        missed = goal.level + float(short.max(initial=-np.inf))
        loose = np.zeros(len(kept), dtype=bool)
        if splits and np.isfinite(goal.level) and not goal.probe:
            loose = ~np.logical_or.reduce([cut.holds for cut in cuts])
            loose &= batch.sets.completions[kept] > WORTH_SPLITTING
            if goal.cheapest:  # some cheap ones of the whole will do, until they do not
                loose &= np.array([most[mark] >= MANY for mark in batch.sets.mark[kept].tolist()], dtype=bool)
        widest = 0
        if loose.any():
            widest = self._widest(batch.take(kept[loose]))
            loose &= batch.sets.allowed[widest][kept[loose]].sum() <= MOST_PARTS
        rows = self.lister.rows(batch, goal, PROBE_SPARE if goal.probe else 1.0)
        places = np.flatnonzero(~loose)
        marks = batch.sets.mark[kept[places]].tolist()
        asked = [(self._lines(cuts, int(place), goal), most[mark]) for place, mark in zip(places, marks, strict=True)]
        for mark, (builds, short_list) in zip(
            marks, self.lister.lists(batch, kept[places], asked, goal, rows), strict=True
        ):
            found.append(builds)
            if short_list:
                cut_off.add(mark)
        if loose.any():
            parts = self.propagation.narrowed(batch.take(kept[loose]).sets.split(widest), goal)
            passed, _, missed_too = self._screen(parts, goal)
            more, cut_too, short_too = self._list(passed, goal, most, splits - 1)
            return [*found, *more], cut_off | cut_too, max(missed, missed_too, short_too)
        return found, cut_off, missed

    def _widest(self, batch: Batch) -> int:
        """The free slot of drive sets whose options differ most in what they do to speed."""
        gentlest = self.slopes.gentlest
        slope = np.ones(batch.frame.base.shape[1]) if gentlest is None else gentlest
        losses = self.bounding.losses(batch, slope)
        spread = [
            float(np.where(ok, -loss, 0.0).max(axis=1).sum())
            for loss, ok in zip(losses, batch.sets.allowed, strict=True)
        ]
        return int(np.argmax(spread))

    def estimate(self, sets: DriveSets, bound: FloatArray, money: float) -> FloatArray:
        """Rough speeds (D,) of the best that money can buy in each drive set, from slopes of a few of them.

        An estimate to start from and no bound: what money keeps a build from having, at the typical slope.
        """
        losses = self._typical_losses(sets, bound)
        if losses is None:
            return bound
        lost, _ = lagrangian_bound(losses, option_cents(sets, self.bounds), cents_left(sets, money), list(sets.allowed))
        return bound + lost

    def estimate_cents(self, sets: DriveSets, bound: FloatArray, level: float) -> FloatArray:
        """Rough prices (D,) at which each drive set reaches a level, likewise; infinite where it never seems to."""
        losses = self._typical_losses(sets, bound)
        cents = option_cents(sets, self.bounds)
        if losses is None:
            losses = [np.zeros_like(each) for each in cents]
        capped = np.flatnonzero(np.isfinite(sets.cap_ms))
        if len(capped):  # what a cap takes costs nothing: only what is above it may be lost
            bound = bound.copy()
            some = sets.take(capped)
            bound[capped] = self.bounding.optimistic(replace(some, cap_ms=np.full(len(some), np.inf)))
        spent, lost = [-each for each in cents], [-each for each in losses]
        saved, _ = lagrangian_bound(spent, lost, bound - level, list(sets.allowed))
        return sets.spent - saved

    def _typical_losses(self, sets: DriveSets, bound: FloatArray) -> list[FloatArray] | None:
        """Speed (D, m_s) that options cost at the typical slope; None where no car tells one."""
        typical = self.typical(sets, bound)
        return None if typical is None else self.bounding.losses(self.bounding.open(sets), typical)

    def typical(self, sets: DriveSets, bound: FloatArray) -> FloatArray | None:
        """Speed (L,) that coordinates typically cost: as met before, else by a few of some drive sets; or None."""
        if self.slopes.typical is None and len(sets):
            sample = np.unique(np.linspace(0, len(sets) - 1, SAMPLE).astype(int))
            batch = self.bounding.open(sets.take(sample))
            tangents = self.bounding.slopes_near(batch, bound[sample] - SAMPLE_DEPTH_MS)
            self._learn(tangents)
            good = tangents.of_moving_cars(C["drag_area_m2"])
            if good.any():
                self.slopes.typical = np.maximum(-np.median(tangents.slope[good], axis=0), 0.0)
        return self.slopes.typical

    def _likely(self, batch: Batch, speed: FloatArray, free: BoolArray, goal: Goal) -> FloatArray:
        """Speed that no affordable completion passes, by slopes gentler than any met so far; -inf if there is none.

        From the optimistic run, every kilogram and newton that money forces on a build costs at least `GENTLE` of the
        smallest slope seen among tangents of cars that no limiter or cap holds. Checked, not shown by argument.
        """
        if self.slopes.gentlest is None:
            return speed
        losses = self.bounding.losses(batch, GENTLE * self.slopes.gentlest)
        left = cents_left(batch.sets, goal.money)
        lost, _ = lagrangian_bound(losses, option_cents(batch.sets, self.bounds), left, list(batch.sets.allowed))
        return np.where(free, speed + lost, np.where(np.isfinite(lost), speed, -np.inf))

    def _learn(self, tangents: Tangents) -> None:
        """Keep the smallest slope of each coordinate met so far."""
        steep = tangents.of_moving_cars(C["drag_area_m2"])
        if steep.any():
            self.slopes.learn(np.maximum(-tangents.slope[steep], 0.0))

    def _cuts(self, batch: Batch, goal: Goal) -> tuple[list[Cut], IntArray, FloatArray]:
        """Tangents of each drive set, the sets whose bounds still reach the level, and by how much the others do not.

        Each round's tangent passes through the point that the last one thought best. The latest comes first.
        """
        cents = option_cents(batch.sets, self.bounds)
        left, level = cents_left(batch.sets, goal.money), goal.level
        kept, ends = np.arange(len(batch.sets)), None
        cuts: list[Cut] = []
        short = [np.zeros(0)]
        for number in range(1 if goal.probe or goal.cheapest else ROUNDS):
            smaller = batch.take(kept)
            bounding = self.bounding
            tangents = bounding.slopes_near(smaller, level) if goal.probe else bounding.tangents(smaller, level, ends)
            if number == 0:
                self._learn(tangents)
            bound, multiplier, best = self._linear_bound(smaller, tangents, [each[kept] for each in cents], left[kept])
            downward = tangents.slope[:, C["drag_area_m2"]] <= 0
            holds = (tangents.speed <= level) & tangents.smooth & downward
            stay = np.isfinite(bound) & (~holds | (bound >= -slack_of(tangents)) | goal.probe)
            short.append(bound[~stay & np.isfinite(bound)])
            cuts = [Cut(tangents, multiplier, holds), *cuts]
            cuts = [cut.take(np.flatnonzero(stay)) for cut in cuts]
            kept = kept[stay]
            if len(kept) == 0 or not np.isfinite(level) or goal.probe:
                break
            ends = self._line_through(batch.take(kept), best[stay], level)
        return cuts, kept, np.concatenate(short)

    def _linear_bound(
        self, batch: Batch, tangents: Tangents, cents: list[FloatArray], left: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Most that any affordable completion has on a tangent, the price of money, and the point that attains it."""
        scores = [add.along(tangents.slope) for add in batch.additions]
        base = tangents.lack + np.einsum("bl,bl->b", batch.frame.base - tangents.point, tangents.slope)
        allowed = list(batch.sets.allowed)
        bound, multiplier = lagrangian_bound(scores, cents, left, allowed)
        point = batch.frame.base.copy()
        for score, price, ok, add in zip(scores, cents, allowed, batch.additions, strict=True):
            best = np.where(ok, score - multiplier[:, None] * price, -np.inf).argmax(axis=1)
            point += add.of(best)
        return base + bound, multiplier, point

    def _line_through(self, batch: Batch, point: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
        """A line from the fast to the slow side of the level that passes through a promising point."""
        fast, slow = batch.span.least.copy(), batch.span.most
        at = self.bounding.speed_of(batch, np.arange(len(point)), point)
        below = (at < level)[:, None]
        return np.where(below, fast, point), np.where(below, point, slow)

    def _lines(self, cuts: list[Cut], position: int, goal: Goal) -> list[Line]:
        """The tangents of one drive set as lines; those that do not hold cut nothing."""
        lines = []
        for cut in cuts:
            tangents = cut.tangents.take(np.array([position]))
            slope, holds = tangents.slope[0], bool(cut.holds[position]) and not goal.probe
            threshold = -float(slack_of(tangents)[0]) if holds else -np.inf
            const = float(tangents.lack[0] - tangents.point[0] @ slope)
            lines.append(Line(const, slope, threshold, float(cut.multiplier[position])))
        return lines


def slack_of(tangents: Tangents) -> FloatArray:
    """By how much each tangent is loosened (B,): what a little drag area is worth there, and `CUT_SLACK_MS` at most.

    Close to a cap speeds saturate, and a fixed speed would be worth a great deal of car.
    """
    return np.minimum(CUT_SLACK_MS, np.maximum(-tangents.slope[:, C["drag_area_m2"]], 0.0) * CUT_SLACK_M2)
