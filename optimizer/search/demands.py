"""What a wanted score asks of the runs: how far and how long a car may take, given how fast it is at its fastest.

A speed at a board is a demand on a distance. A mean over the timed distance is one on a time, and holds for cars whose
highest speed lies in a stated range: such ranges together cover all cars. Two runs that count together are one demand
on their times, or a pair of demands for the range of what the first run gives.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.choice.options import FloatArray, IntArray
from optimizer.run.envelope import Envelope
from optimizer.scenario.event import Scoring
from optimizer.search.necessary import Cells, Demand, Part, Stretch, distance_weights, time_weights

FINE_MS, MIDDLE_MS, COARSE, UPPER, HALF = 0.03, 0.1, 0.04, 0.005, 0.6
"""Widths of cells about the level, below it, and further down as a share of speed: above `HALF` of it and below."""
FINE_BELOW_MS, MIDDLE_BELOW_MS, FINE_ABOVE_MS, ABOVE_MS = 1.2, 6.0, 1.5, 25.0
"""How far below the level the finer cells reach, and above it the finest and any at all."""
SLOWEST_EDGE_MS = 2.0
CAP_MS, NEAR_CAP_MS, CAPS = 1e-4, 0.1, 3
"""Width of the cell above a cap, which no car that it holds gets into; how far above the level caps have one, and how
many."""
FIRST_GUESS = 0.35
"""Where the speed at the first board is looked for below the best case, as a share of what is gained between boards."""


def edges_about(
    level_ms: float, start_ms: float, coarser: int = 1, caps_ms: FloatArray | None = None
) -> tuple[FloatArray, int]:
    """Borders of cells of speed from the start to above a level, which is one of them; and its place.

    ``coarser`` makes the cells so many times as wide: the bounds hold on any cells, and are sharper on fine ones, and
    where some end at the caps (n,) near the level: a car held within a cell could be at its upper border.
    """
    width = FINE_MS * coarser
    fine = np.arange(-round(FINE_BELOW_MS / width), round(FINE_ABOVE_MS / width) + 1) * width
    above = fine[-1] + np.geomspace(MIDDLE_MS, ABOVE_MS, 40 // coarser)
    low = max(level_ms - MIDDLE_BELOW_MS, SLOWEST_EDGE_MS)
    half = max(HALF * low, SLOWEST_EDGE_MS)
    coarse = np.concatenate([
        np.geomspace(SLOWEST_EDGE_MS, half, max(2, int(np.log(half / SLOWEST_EDGE_MS) / COARSE / coarser) + 2)),
        np.geomspace(half, low, max(2, int(np.log(low / half) / UPPER / coarser) + 2)),
    ])  # fmt: skip
    step = MIDDLE_MS * coarser
    middle = np.arange(low + step, level_ms + fine[0] - 0.5 * width, step)
    caps = np.zeros(0) if caps_ms is None else np.unique(caps_ms)
    caps = caps[(caps > level_ms) & (caps < level_ms + NEAR_CAP_MS)][:CAPS]
    every = np.concatenate([[0.0], coarse, middle, level_ms + fine, level_ms + above, caps, caps + CAP_MS])
    every = np.unique(np.concatenate([[start_ms], every[(every > start_ms) & (every >= 0)]]))
    return every, int(np.argmin(np.abs(every - level_ms)))
APART_MS = (0.0, -0.5, 0.5, -1.0, 1.0)
"""How much faster one of two runs is taken to be than their mean, to see which drive sets could come as far."""


@dataclass(frozen=True, slots=True)
class BestCase:
    """The best of everything in E drive sets: the least distance to each edge (E, K + 1), inf where none gets.

    ``driven_m`` (E, K + 1) is without what shifts add: from one edge to another no car gains speed in less.
    ``rise_s`` (E, K) is the distance that a gain of speed takes at least in each cell, per m/s.
    """

    edges: FloatArray
    distance_m: FloatArray
    driven_m: FloatArray
    rise_s: FloatArray

    def speed_at(self, mark_m: float) -> FloatArray:
        """Speed (E,) that no car has at a distance."""
        place = np.minimum((self.distance_m <= mark_m).sum(axis=1), len(self.edges) - 1)
        speed: FloatArray = self.edges[place]
        return np.where(self.distance_m[:, -1] <= mark_m, np.inf, speed)

    def less_of_last(self, rows: IntArray, reach: IntArray, high: FloatArray, mark_m: float) -> FloatArray:
        """What 1 / speed is less at the last board than at the edge ``reach`` (n,), as a weight on distance: (n,).

        For cars that pass the board, at ``mark_m``, at a speed v from that edge, a, to ``high`` (n,). What the time
        over the stretch is more than with v = a, is the integral of ``(D(w) - mark) / w^2`` from a to v; D(w)
        is at least D(a) and the best case's way from a to w. The least of that over v is concave in D(a), nothing
        where D(a) is the mark, and known where it is the best case's: it stays above the chord.
        """
        edges, inverse = self.edges, 1.0 / np.maximum(self.edges, 1e-9)
        begin = np.arange(len(rows)), reach
        driven = self.driven_m[rows]
        start = np.minimum(self.distance_m[rows, reach], mark_m)
        with np.errstate(invalid="ignore"):  # beyond where none gets
            ahead = driven - driven[begin][:, None]
            ahead = np.where(np.isfinite(ahead), ahead, np.inf)
        short = np.maximum(mark_m - start[:, None] - ahead, 0.0) * (np.arange(len(edges)) >= reach[:, None])
        least = 1.0 / high[:, None]
        above = np.append(inverse[1:], 0.0)
        worth = short * (np.maximum(inverse, least) - np.maximum(above, least))
        width = np.diff(edges)
        by_end = np.maximum(short[:, :-1] - self.rise_s[rows] * width, 0.0)
        whole = 0.5 * (short[:, :-1] + by_end) * (width * inverse[:-1] ** 2)
        worth[:, :-1] = np.where(inverse[1:] >= least, np.minimum(worth[:, :-1], whole), worth[:, :-1])
        room = mark_m - start
        return np.where(room > 0, worth.sum(axis=1) / np.where(room > 0, room, 1.0), 0.0)

    def time_s(self, marks_m: tuple[float, float]) -> FloatArray:
        """Time (E,) between two boards that every car at least takes.

        ``1 / u`` is the integral of ``dw / w^2`` over w above u, and a car is slower than w until it has come as far as
        it takes to reach w: so time is the integral over w of that distance, cut to what lies between the boards.
        """
        passed, behind = self._behind(marks_m)
        return passed.sum(axis=1) + behind[:, -1] / self.edges[-1]

    def least_last(self, marks_m: tuple[float, float], time_s: FloatArray) -> FloatArray:
        """Speed (E,) below which no car's highest lies that takes a time (E,) at most between two boards.

        With v for the highest, ``1 / u`` is ``1 / v`` and the integral of ``dw / w^2`` over w from u to v.
        """
        passed, _ = self._behind(marks_m)
        least = np.cumsum(passed, axis=1) + (marks_m[1] - marks_m[0]) / self.edges[1:]
        # the time that goes with the edge above a speed is the least of its cell
        return np.asarray(self.edges[np.minimum((least > time_s[:, None]).sum(axis=1), len(self.edges) - 1)])

    def _behind(self, marks_m: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
        """How far beyond the first board no car has a speed, up to the last: at the edges (E, K + 1).

        First its integral over ``dw / w^2`` in each cell (E, K), where it grows by ``rise_s`` at least.
        """
        edges, length = self.edges, marks_m[1] - marks_m[0]
        behind = np.clip(self.distance_m - marks_m[0], 0.0, length)
        width, inverse = np.diff(edges), 1.0 / np.maximum(edges, 1e-9)
        gained = np.minimum(self.rise_s * width, length - behind[:, :-1]) * (self.distance_m[:, :-1] >= marks_m[0])
        passed = (inverse[:-1] - inverse[1:]) * behind[:, :-1] + 0.5 * gained * (width * inverse[1:] ** 2)
        return passed, behind


def best_case(envelope: Envelope) -> BestCase:
    """The best of everything at once, in each cell by itself."""
    edges, cells, count = envelope.edges, Cells(envelope.edges), len(envelope.share)
    weights = distance_weights(edges, np.full(count, len(edges) - 1))
    whole, against = cells.whole(weights), envelope.resistance.coefficients(envelope.mildest)
    lost = cells.of(weights, against) - envelope.mildest_above * whole
    push = (cells.between(weights, envelope.force_ends) - lost) / envelope.share
    by_grip = (envelope.most_grip * whole - lost) / envelope.grip_share[:, None]
    push = np.where(envelope.gripping, np.minimum(push, by_grip), push)
    steps = np.where(push > 0, whole * whole / np.where(push > 0, push, 1.0), np.inf)
    lightest = envelope.mass.least(envelope.span)[:, None]
    most = (envelope.force_ends.max(axis=0) - envelope.least_resistance) / envelope.share
    held = (envelope.most_grip - envelope.least_resistance) / envelope.grip_share[:, None]
    most = np.where(envelope.gripping, np.minimum(most, held), most)
    rise = np.where(most > 0, edges[:-1] * lightest / np.where(most > 0, most, 1.0), np.inf)
    driven = np.concatenate([np.zeros((len(push), 1)), np.cumsum(steps, axis=1)], axis=1) * lightest
    distance = driven.copy()
    for shift in envelope.shifts:
        powers = shift.speed_ms ** np.arange(len(against))[:, None]
        surplus = (shift.force_n - (against * powers).sum(axis=0) + envelope.mildest_above.max(axis=1)) / shift.share
        again = np.where(surplus > 0, shift.gained_m2s2 / np.where(surplus > 0, surplus, 1.0), 0.0) * lightest[:, 0]
        distance += np.where(edges > shift.beyond_ms[:, None], (shift.rolled_m + again)[:, None], 0.0)
    return BestCase(edges, distance, driven, rise)


@dataclass(frozen=True, slots=True)
class Ways:
    """What scoring asks of completions: way i is that of drive set ``rows[i]``; none of a set without a way scores.

    A completion that scores meets every demand of its drive set's way. Up to the board that the score hangs on it is
    then once as fast as ``low_ms`` (n, 2) in each run, and never faster than ``high_ms`` (n, 2). ``each_ms`` (E, 2) is
    what was known of that before.
    """

    rows: IntArray
    demands: tuple[Demand, ...]
    low_ms: FloatArray
    high_ms: FloatArray
    each_ms: FloatArray


class Scores:
    """What a score under an event's rules asks of runs past two boards."""

    def __init__(self, scoring: Scoring, marks_m: tuple[float, float]) -> None:
        self.scoring, self.marks_m = scoring, marks_m
        self.length = marks_m[1] - marks_m[0]
        self.mark = marks_m[0] if scoring.measure == "trap" else marks_m[1]

    def ranged(self, runs: int) -> int:
        """In how many of some runs that differ bounds are sharper where the highest speed is known closely."""
        return runs if self.scoring.measure == "mean" else runs - 1

    def bounds(self, cases: Sequence[BestCase]) -> list[FloatArray]:
        """Score (E,) that no completion has in each run."""
        if self.scoring.measure == "mean":
            with np.errstate(divide="ignore"):
                return [self.length / case.time_s(self.marks_m) for case in cases]
        return [case.speed_at(self.mark) for case in cases]

    def joined(self, speeds: Sequence[FloatArray]) -> FloatArray:
        """Speed that counts (E,) of speeds in each run."""
        if self.scoring.mean_of == "times":
            with np.errstate(divide="ignore"):
                return len(speeds) / np.asarray(sum(1.0 / speed for speed in speeds))
        return np.asarray(sum(speeds)) / len(speeds)

    def other_run(self, level: float, speed: FloatArray) -> FloatArray:
        """Speed the other of two runs needs for a level, by the rule, beside a speed in this; below 0: none."""
        if self.scoring.mean_of == "times":
            inverse = 2.0 / level - 1.0 / speed
            return np.where(inverse > 0, 1.0 / np.where(inverse > 0, inverse, 1.0), np.inf)
        return 2.0 * level - speed

    def splits(self, level: float, runs: int) -> list[list[float]]:
        """Speeds in each run that together score just a level: none that scores it is slower in all of them."""
        if runs == 1:
            return [[level]]
        first = [np.array(level + apart) for apart in APART_MS]
        return [[float(each), float(self.other_run(level, each))] for each in first]

    def each(self, bounds: Sequence[FloatArray], level: float) -> FloatArray:
        """Score that a completion needs at least in each run for a level, beside what the best case has in the other.

        Shape (E, 2); 0 where any does, and where there is no second run. No run scores more than the highest speed in
        it.
        """
        if len(bounds) == 1:
            needed = [np.full(len(bounds[0]), level), np.zeros(len(bounds[0]))]
        else:
            needed = [self.other_run(level, bounds[1]), self.other_run(level, bounds[0])]
        return np.maximum(np.stack(needed, axis=1), 0.0)

    def ways(
        self,
        envelopes: Sequence[Envelope],
        cases: Sequence[BestCase],
        level: float,
        between: tuple[FloatArray, FloatArray] | None = None,
    ) -> Ways:
        """What reaching a level asks of the completions of each drive set: one way for each that could.

        ``between`` are the least and the most (E, 2) that the highest speeds up to `mark` of those that count are.
        """
        count = len(cases[0].distance_m)
        lower, upper = (np.zeros((count, 2)), np.full((count, 2), np.inf)) if between is None else between
        bounds = [np.minimum(bound, most) for bound, most in zip(self.bounds(cases), upper.T, strict=False)]
        needed = self.each(bounds, level)
        each = np.maximum(needed, lower)
        # what is not a number rules out nothing
        possible = np.flatnonzero(~(self.joined(bounds) < level) & ~(each > upper).any(axis=1))
        edges = envelopes[0].edges
        if self.scoring.measure == "mean":
            return self._by_time(envelopes, cases, bounds, possible, needed, (each, upper), level)
        if len(envelopes) == 1:
            at = np.full(len(possible), level)
            low = np.stack([at, np.zeros(len(at))], axis=1)
            return Ways(possible, (self._at_mark(envelopes[0], possible, at),), low, upper[possible], each)
        most = np.minimum(bounds[0], edges[-1])[possible]
        least = np.maximum(self.other_run(level, np.minimum(bounds[1], edges[-1])), each[:, 0])[possible]
        low = np.clip(least, edges[0], most)
        other = np.maximum(self.other_run(level, most), each[possible, 1])
        demands = (self._at_mark(envelopes[0], possible, low), self._at_mark(envelopes[1], possible, other))
        above = np.stack([bounds[0][possible], bounds[1][possible]], axis=1)
        return Ways(possible, demands, np.stack([low, other], axis=1), above, each)

    def passed_ms(
        self, envelopes: Sequence[Envelope], ways: Ways, error_ms: float, past: Callable[[FloatArray], FloatArray]
    ) -> FloatArray:
        """Speed (n,) at which what counts of each way passes the last board at least, in one of its runs.

        That is no less than it ever had, but where the board may fall into the pause of a shift: ``past`` tells what
        then is left of a speed. ``error_ms`` is more than the simulator's own error.
        """
        found = np.zeros(len(ways.rows))
        later = 0.0 if self.mark == self.marks_m[1] else np.inf  # it may still gain up to the last board
        for envelope, low, high in zip(envelopes, ways.low_ms.T, ways.high_ms.T, strict=False):
            at_least = low - error_ms
            clear = envelope.no_shift_between(ways.rows, at_least, high + error_ms + later)
            np.maximum(found, np.where(clear, at_least, past(at_least)), out=found)
        return found

    def _at_mark(self, envelope: Envelope, rows: IntArray, speed: FloatArray) -> Demand:
        """The board is reached at a speed (n,) or more: not further than the board to get there."""
        edges = envelope.edges
        reach = np.clip(np.searchsorted(edges, speed * (1 + 1e-12), side="right") - 1, 1, len(edges) - 1)
        part = Part(envelope, Cells(edges), rows, distance_weights(edges, reach), np.ones(len(rows)))
        limit = np.full(len(rows), self.mark)
        return Demand(envelope.mass.take(rows), (part,), limit, np.full(len(rows), 1e-3))

    def _by_time(
        self,
        envelopes: Sequence[Envelope],
        cases: Sequence[BestCase],
        bounds: list[FloatArray],
        possible: IntArray,
        needed: FloatArray,
        between: tuple[FloatArray, FloatArray],
        level: float,
    ) -> Ways:
        """Means over the timed distance: times, by the range of the highest speed up to the last board in each run."""
        (lower, upper), (factors, most_time) = between, self._times(bounds, needed, level)
        edges, cells = envelopes[0].edges, Cells(envelopes[0].edges)
        ranges, some = [], np.ones(len(possible), dtype=np.bool_)
        for run, case in enumerate(cases):
            top = np.minimum(case.speed_at(self.marks_m[1]), upper[:, run])[possible]
            most = np.minimum(top, edges[-1])  # where a best case has no end in sight the range has none
            least = case.least_last(self.marks_m, self.length / np.maximum(needed[:, run], 1e-9))
            least = np.maximum(least, lower[:, run])[possible]
            some &= ~(least > most)
            ranges.append((np.clip(least, edges[1], most), most, top))
        able = some & ~(self.joined([top for *_, top in ranges]) < level)  # no mean is above the highest speed
        rows = possible[able]
        ranges = [(low[able], most[able], top[able]) for low, most, top in ranges]
        limit = most_time[rows].copy()
        parts, stretches = [], []
        for run, (envelope, case) in enumerate(zip(envelopes, cases, strict=True)):
            low, most, _ = ranges[run]
            reach = np.clip(np.searchsorted(edges, low * (1 + 1e-12), side="right") - 1, 1, len(edges) - 1)
            first_ms = np.minimum(case.speed_at(self.marks_m[0]), edges[-1])[rows]
            guess = first_ms - FIRST_GUESS * (most - first_ms) - 0.3
            first = np.minimum(np.clip(np.searchsorted(edges, guess), 1, None), reach)
            high = np.maximum(most, edges[reach] * (1 + 1e-12))
            factor = factors[run][rows]
            less = 1.0 / edges[reach] - case.less_of_last(rows, reach, high, self.marks_m[1])
            parts.append(Part(envelope, cells, rows, time_weights(edges, first, reach, less), factor))
            stretches.append(Stretch(self.marks_m[0], first, reach, less))
            limit += factor * (self.marks_m[0] / edges[first] - self.marks_m[1] * less)
        per_ms = np.asarray(level**2 / self.length / sum(factor[rows] for factor in factors))
        demand = Demand(envelopes[0].mass.take(rows), tuple(parts), limit, per_ms, tuple(stretches))
        low_ms, high_ms = np.zeros((len(rows), 2)), np.full((len(rows), 2), np.inf)
        for run, (low, _, top) in enumerate(ranges):
            low_ms[:, run], high_ms[:, run] = low, top
        return Ways(rows, (demand,), low_ms, high_ms, lower)

    def _times(
        self, bounds: list[FloatArray], each: FloatArray, level: float
    ) -> tuple[list[FloatArray], FloatArray]:
        """Factors on the runs' times and the most their sum may be, all (E,); ``each`` (E, 2) are least means.

        With the mean of speeds, the time of the second run as a function of the first's is convex: the chord over the
        range that the best cases leave lies above it.
        """
        count = len(bounds[0])
        if len(bounds) == 1:
            return [np.ones(count)], np.full(count, self.length / level)
        if self.scoring.mean_of == "times":
            return [np.ones(count)] * 2, np.full(count, 2 * self.length / level)
        usable = np.isfinite(bounds[0]) & np.isfinite(bounds[1]) & (each > 0).all(axis=1)
        fast, slow = (np.where(usable, speed, level) for speed in (bounds[0], each[:, 0]))
        second: Callable[[FloatArray], FloatArray] = lambda first: self.length / (2.0 * level - first)  # noqa: E731
        span = self.length / slow - self.length / fast
        drop = second(fast) - second(slow)
        factor = np.where(span > 1e-12, drop / np.where(span > 1e-12, span, 1.0), 1.0)
        most = second(fast) + factor * self.length / fast
        # where a best case has no end both runs may be as fast as they like
        return [np.where(usable, factor, 1.0), np.ones(count)], np.where(usable, most, np.inf)
