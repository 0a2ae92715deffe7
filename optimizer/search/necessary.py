"""What every build that is fast enough must keep: linear inequalities in its coordinates, from the envelope alone.

The distance in which a car reaches a speed, and the time it takes over the timed stretch, are sums over cells of
speed of ``weight x M / n`` with M affine and n concave in the coordinates. So ``M <= limit x H`` with H the inverse of
``sum(weight / n)``, concave, and ``M <= limit x (H(y) + gradient . (z - y))`` for every y: a cut that no build that is
fast enough is on the wrong side of, wherever it is taken (docs/method.md, section 3).
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.run.affine import POWERS, Affine
from optimizer.run.envelope import Envelope

LINE_PASSES = 6
"""Steps of false position towards the point of a line where the demand is just met; any point gives a valid cut."""
LINE_STEPS = (0.05, 0.95)
"""Least and most share of what is left of the line that one step goes."""
UNLIMITED = 1e150
"""Force where nothing limits it: far above any, and finite, so that it can be interpolated and squared."""


@dataclass(frozen=True, slots=True)
class Weights:
    """Weights of cells, ``level + rise x speed`` inside a cell: (n, K); and of shifts by the speed they lie below.

    A shift below speed ``until_ms`` counts with ``1 / max(speed, floor_ms) - less``, or with 1 where ``floor_ms`` is 0.
    """

    level: FloatArray
    rise: FloatArray
    until_ms: FloatArray
    floor_ms: FloatArray
    less: FloatArray

    def of_shift(self, beyond_ms: FloatArray) -> FloatArray:
        """Weight of a shift that is surely made past a speed (n,)."""
        timed = self.floor_ms > 0
        by_time = 1.0 / np.maximum(np.maximum(beyond_ms, self.floor_ms), 1e-9) - self.less
        return np.where(beyond_ms < self.until_ms, np.where(timed, np.maximum(by_time, 0.0), 1.0), 0.0)


def distance_weights(edges: FloatArray, reach: IntArray) -> Weights:
    """Weights that give the distance to reach the edge ``reach`` (n,)."""
    inside = (np.arange(len(edges) - 1) < reach[:, None]).astype(np.float64)
    nothing = np.zeros(len(reach))
    return Weights(np.zeros_like(inside), inside, edges[reach], nothing, nothing)


def time_weights(edges: FloatArray, first: IntArray, reach: IntArray, less: FloatArray) -> Weights:
    """Weights of ``distance x (1 / max(u, edges[first]) - less)``, up to the edge ``reach`` (n,)."""
    cell = np.arange(len(edges) - 1)
    inside, below = cell < reach[:, None], cell < first[:, None]
    rise = np.where(below, (1.0 / edges[first] - less)[:, None], -less[:, None]) * inside
    return Weights(np.where(below, 0.0, 1.0) * inside, rise, edges[reach], edges[first], less)


class Cells:
    """Integrals over the cells of an envelope's speeds, for weights that are linear in each."""

    def __init__(self, edges: FloatArray) -> None:
        self.edges = edges
        power = np.arange(1, POWERS + 2)[:, None]
        self.integrals = (edges[1:] ** power - edges[:-1] ** power) / power

    def whole(self, weights: Weights) -> FloatArray:
        """Integral of the weight over each cell: (n, K)."""
        return weights.level * self.integrals[0] + weights.rise * self.integrals[1]

    def between(self, weights: Weights, ends: FloatArray) -> FloatArray:
        """Integral of weight times a line over each cell, given by its values (2, n, K) at both ends: (n, K)."""
        left, right = self.edges[:-1], self.edges[1:]
        whole = self.whole(weights)
        rise = weights.level * self.integrals[1] + weights.rise * self.integrals[2]
        share = (rise - left * whole) / (right - left)
        with np.errstate(invalid="ignore"):  # infinite force in cells of no weight
            found: FloatArray = ends[0] * (whole - share) + ends[1] * share
        return found

    def of(self, weights: Weights, coefficients: FloatArray) -> FloatArray:
        """Integral of weight times a polynomial (POWERS, n) of speed over each cell: (n, K)."""
        found: FloatArray = weights.level * (coefficients.T @ self.integrals[:-1])
        return found + weights.rise * (coefficients.T @ self.integrals[1:])

    def moments(self, weights: Weights, factor: FloatArray) -> FloatArray:
        """Sum over cells of factor (n, K) times the integral of weight times each power: (POWERS, n)."""
        found: FloatArray = self.integrals[:-1] @ (factor * weights.level).T
        return found + self.integrals[1:] @ (factor * weights.rise).T


@dataclass(frozen=True, slots=True)
class _Push:
    """Mean net force over inertia share, of engine and grip, in cells and shifts; affine in the coordinates."""

    engine: FloatArray
    grip: FloatArray
    shifts: FloatArray

    def between(self, other: _Push, share: FloatArray) -> _Push:
        """The same at a share (n,) of the way to another point."""
        each = share[:, None]

        def mixed(here: FloatArray, there: FloatArray) -> FloatArray:
            found = there - here
            found *= each
            found += here
            return found

        return _Push(mixed(self.engine, other.engine), mixed(self.grip, other.grip), mixed(self.shifts, other.shifts))


class Part:
    """Weighted distance of one run: ``factor x sum(weight^2 / push)``, for n entries that are rows of an envelope."""

    def __init__(self, envelope: Envelope, cells: Cells, rows: IntArray, weights: Weights, factor: FloatArray) -> None:
        self.cells, self.factor = cells, factor
        self.resistance, self.grip = envelope.resistance.take(rows), envelope.grip.take(rows)
        self.share, self.grip_share = envelope.share[rows], envelope.grip_share[rows][:, None]
        self.own_ends, self.per_grip = envelope.own_ends[:, rows], envelope.per_grip[rows]
        self.could_grip = envelope.gripping[rows]
        self.made = [shift.take(rows) for shift in envelope.shifts]
        self.powers = [shift.speed_ms[None] ** np.arange(POWERS)[:, None] for shift in self.made]
        self.gained = np.stack([s.gained_m2s2 for s in self.made], axis=1) if self.made else np.zeros((len(rows), 0))
        self.weigh(weights)

    def weigh(self, weights: Weights) -> None:
        """Take weights, and what follows from them."""
        self.weights, self.whole = weights, self.cells.whole(weights)
        self.counted = self.whole > 0
        self.gripping = self.could_grip & self.counted
        pull = np.where(self.counted, self.cells.between(weights, self.own_ends), UNLIMITED)
        self.pull = np.clip(pull, -UNLIMITED, UNLIMITED)
        count = len(self.factor)
        each = [weights.of_shift(shift.beyond_ms) for shift in self.made]
        self.shift_weight = np.stack(each, axis=1) if each else np.zeros((count, 0))
        rolled = [weight * shift.rolled_m for weight, shift in zip(each, self.made, strict=True)]
        self.rolled = self.factor * sum(rolled, start=np.zeros(count))

    def weighed(self, weights: Weights) -> Self:
        """The same with other weights."""
        other = copy(self)
        other.weigh(weights)
        return other

    def distance(self, push: _Push, mass: FloatArray) -> FloatArray:
        """About how far cars (n,) have come at each edge: (n, K + 1); not a bound."""
        least = np.minimum(push.engine, push.grip)
        going = self.counted & (least > 0)
        steps = np.where(going, self.whole / np.where(going, least, 1.0), 0.0) * self.cells.integrals[1]
        driven = np.cumsum(np.concatenate([np.zeros((len(mass), 1)), steps], axis=1), axis=1) * mass[:, None]
        for shift in self.made:
            driven += np.where(self.cells.edges > shift.beyond_ms[:, None], shift.rolled_m[:, None], 0.0)
        return driven

    def push(self, points: FloatArray) -> _Push:
        """Net force over inertia share at points (n, L)."""
        against = self.resistance.coefficients(points)
        lost = self.cells.of(self.weights, against)
        held = self.cells.of(self.weights, self.grip.coefficients(points))
        shifts = [
            np.where(shift.gained_m2s2 > 0, (shift.force_n - (against * power).sum(axis=0)) / shift.share, UNLIMITED)
            for shift, power in zip(self.made, self.powers, strict=True)
        ]
        return _Push(
            (self.pull + self.per_grip * held - lost) / self.share,
            np.where(self.gripping, (held - lost) / self.grip_share, UNLIMITED),
            np.stack(shifts, axis=1) if shifts else np.zeros((len(points), 0)),
        )

    def sum(self, push: _Push) -> FloatArray:
        """``factor x sum(weight^2 / push)``; inf for cars that do not get that far: (n,)."""
        least = np.minimum(push.engine, push.grip)
        stuck = (self.counted & (least <= 0)).any(axis=1)
        cells = np.where(self.counted, self.whole * self.whole / np.where(least > 0, least, 1.0), 0.0).sum(axis=1)
        weight = self.shift_weight * self.gained
        again = np.where(push.shifts > 0, weight / np.where(push.shifts > 0, push.shifts, 1.0), 0.0).sum(axis=1)
        return np.where(stuck, np.inf, self.factor * (cells + again))

    def gradient(self, push: _Push) -> FloatArray:
        """Slope of `sum` in the coordinates: (n, L). More resistance takes longer, more grip less."""
        least = np.minimum(push.engine, push.grip)
        by_grip = push.grip < push.engine
        core = np.where(self.counted & (least > 0), (self.whole / np.where(least > 0, least, 1.0)) ** 2, 0.0)
        engine, grip = np.where(by_grip, 0.0, core / self.share), np.where(by_grip, core / self.grip_share, 0.0)
        against = self.cells.moments(self.weights, engine + grip)
        for place, (shift, power) in enumerate(zip(self.made, self.powers, strict=True)):
            pull = push.shifts[:, place]
            each = self.shift_weight[:, place] * self.gained[:, place] / shift.share
            against += np.where(pull > 0, each / np.where(pull > 0, pull, 1.0) ** 2, 0.0) * power
        for_it = self.cells.moments(self.weights, grip + self.per_grip * engine)
        slope: FloatArray = np.einsum("pe,pel->el", against, self.resistance.slope)
        slope -= np.einsum("pe,pel->el", for_it, self.grip.slope)
        return self.factor[:, None] * slope


@dataclass(frozen=True, slots=True)
class Stretch:
    """What a part that is a time over the timed stretch was weighed with: see `time_weights`; arrays (n,).

    Any edge ``first`` gives a valid bound; the best is the one that cars pass the first board with.
    """

    board_m: float
    first: IntArray
    reach: IntArray
    less: FloatArray


@dataclass(frozen=True, slots=True)
class Demand:
    """``mass x (sum over parts) <= limit``: necessary for n entries; ``per_ms`` scales a miss to a speed [m/s].

    ``stretches``, one for each part, where it is times that are limited.
    """

    mass: Affine
    parts: tuple[Part, ...]
    limit: FloatArray
    per_ms: FloatArray
    stretches: tuple[Stretch, ...] = ()

    @property
    def room(self) -> FloatArray:
        """The limit less what shifts cost every car: (n,)."""
        return self.limit - sum(part.rolled for part in self.parts)

    def aimed(self, points: FloatArray) -> Demand:
        """The same demand, sharpest for cars that pass the first board as those at points (n, L) do."""
        if not self.stretches:
            return self
        mass, limit = self.mass.at(points), self.limit.copy()
        parts, stretches = [], []
        for part, old in zip(self.parts, self.stretches, strict=True):
            edges, driven = part.cells.edges, part.distance(part.push(points), mass)
            first = np.clip((driven <= old.board_m).sum(axis=1) - 1, 1, old.reach)
            limit += part.factor * old.board_m * (1.0 / edges[first] - 1.0 / edges[old.first])
            parts.append(part.weighed(time_weights(edges, first, old.reach, old.less)))
            stretches.append(replace(old, first=first))
        return replace(self, parts=tuple(parts), limit=limit, stretches=tuple(stretches))

    def on_line(self, fast: FloatArray, slow: FloatArray) -> FloatArray:
        """Points (n, L) of the lines from fast to slow where the demand is just met, on the side that meets it.

        The fast end where even that does not meet it.
        """
        ends = [(part.push(fast), part.push(slow)) for part in self.parts]
        light, heavy = self.mass.at(fast), self.mass.at(slow)
        low, high = np.zeros(len(fast)), np.ones(len(fast))

        def missed(share: FloatArray) -> FloatArray:
            total = sum(part.sum(a.between(b, share)) for part, (a, b) in zip(self.parts, ends, strict=True))
            return np.asarray((light + share * (heavy - light)) * total - self.room)

        under, over = missed(low), missed(high)
        for _ in range(LINE_PASSES):
            known = np.isfinite(over) & np.isfinite(under) & (over > under)
            end, start = np.where(known, over, 1.0), np.where(known, under, 0.0)
            share = np.where(known, np.clip(start / (start - end), *LINE_STEPS), 0.5)
            middle = low + share * (high - low)
            value = missed(middle)
            beyond = value > 0
            # the end that stays counts less each time, so that both close in
            over, under = np.where(beyond, value, 0.5 * over), np.where(beyond, 0.5 * under, value)
            low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
        return fast + low[:, None] * (slow - fast)

    def cut(self, points: FloatArray) -> tuple[FloatArray, FloatArray, BoolArray]:
        """``const + slope . z >= 0`` for every build that meets the demand, in m/s: (n,), (n, L); and where it holds.

        Where the car at the point gets stuck before it is fast enough there is no cut.
        """
        pushes = [part.push(points) for part in self.parts]
        total = np.asarray(sum(part.sum(push) for part, push in zip(self.parts, pushes, strict=True)))
        holds = np.isfinite(total) & (total > 0)
        total = np.where(holds, total, 1.0)
        # a car that all but stands still in some cell asks for numbers without end: no cut either
        with np.errstate(invalid="ignore", over="ignore"):
            rise = sum(part.gradient(push) for part, push in zip(self.parts, pushes, strict=True))
            steep = self.room / total**2
            slope = -(self.mass.slope + steep[:, None] * rise)
            const = -(self.mass.const - self.room / total - steep * (rise * points).sum(axis=1))
        holds &= np.isfinite(const) & np.isfinite(slope).all(axis=1)
        const, slope = np.where(holds, const, 0.0), np.where(holds[:, None], slope, 0.0)
        scale = total * self.per_ms
        return const * scale, slope * scale[:, None], holds
