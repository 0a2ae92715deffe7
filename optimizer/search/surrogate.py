"""Tangents: linear stand-ins for the speed of one drive set that no better build can be on the wrong side of.

For one drive set the cars that reach a given speed form a convex set of points (docs/method.md, section 3). So where
``y0`` has the speed v and slope g, every car at least that fast has ``g . (y - y0) >= 0``. Nothing here knows the
simulator: it is handed a function from points to speeds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray

SpeedOf = Callable[[IntArray, FloatArray], FloatArray]
"""Speeds (n,) of cars at points (n, L) of the drive sets given by rows (n,).

Below 0 for a car that is too weak for what is asked of it: a measure of what it lacks, 0 where it just would do.
"""

LINE_PASSES, LINE_NEAR_MS = 10, 1e-2
"""Bracketing passes along the line on which the level is looked for, and how close below it is close enough."""
BESIDE, AT_ONCE = np.array([-0.3, -0.06, 0.0, 0.06, 0.3]), 250
"""Points looked at in one pass where lines are few: how far from the likeliest towards either end. And how many at once
at most: a batch of some hundred cars takes hardly longer than one of a dozen."""
WORTH_DROPPING = 0.7
"""Share of options allowed anywhere below which the others are taken out of the tables."""
MULTIPLIER_PASSES, MULTIPLIER_NEAR_MS = 30, 1e-9
"""Times that the price of money is taken anew at most, and by how much the bound may stay above the least there is."""


@dataclass(frozen=True, slots=True)
class Tangents:
    """One tangent for each of B drive sets.

    Attributes
    ----------
    point, slope : arrays (B, L)
        Where it touches, and the change of speed per unit of each coordinate.
    speed : array (B,)
        Speed at the point; the tangent holds for all cars at least this fast. Below 0: what the car there lacks to
        be strong enough.
    smooth : bool array (B,)
        Whether the slopes to either side agree: where they do not (a shift at a board), it holds for no car.
    """

    point: FloatArray
    slope: FloatArray
    speed: FloatArray
    smooth: BoolArray

    @property
    def lack(self) -> FloatArray:
        """What the car at the point falls short of being strong enough (B,), 0 or below.

        A car of the set that is strong enough has ``lack + g . (y - y0) >= 0``.
        """
        return np.minimum(self.speed, 0.0)

    def of_moving_cars(self, coordinate: int) -> BoolArray:
        """Which are smooth slopes of speed (not of what a car lacks), with more of a coordinate slower: (B,)."""
        return np.asarray(self.smooth & (self.speed > 0) & (self.slope[:, coordinate] < 0))

    def take(self, rows: IntArray) -> Tangents:
        """Some of the tangents."""
        return Tangents(self.point[rows], self.slope[rows], self.speed[rows], self.smooth[rows])

    def replaced(self, rows: IntArray, others: Tangents) -> Tangents:
        """The same with other tangents in some rows."""
        out = Tangents(self.point.copy(), self.slope.copy(), self.speed.copy(), self.smooth.copy())
        out.point[rows], out.slope[rows] = others.point, others.slope
        out.speed[rows], out.smooth[rows] = others.speed, others.smooth
        return out


@dataclass(slots=True)
class Slopes:
    """Slopes of speed met so far in one scenario, course and salt: they say where to look.

    Attributes
    ----------
    typical : array (L,) or None
        Speed that a unit of each coordinate typically costs [m/s].
    gentlest : array (L,) or None
        The least that any met so far has cost, of cars that no limiter or cap holds.
    """

    typical: FloatArray | None = None
    gentlest: FloatArray | None = None

    def learn(self, costs: FloatArray) -> None:
        """Keep the least of some costs (n, L)."""
        least = costs.min(axis=0)
        self.gentlest = least if self.gentlest is None else np.minimum(self.gentlest, least)


def tangents_at(
    speed_of: SpeedOf, fast: FloatArray, slow: FloatArray, level: float | FloatArray, steps: FloatArray
) -> Tangents:
    """Tangents where the lines from ``fast`` to ``slow`` (B, L) fall to ``level``, or at ``slow`` if they do not.

    Parameters
    ----------
    speed_of : callable
        Speeds of cars at points.
    fast, slow : arrays (B, L)
        Ends of the lines; where ``fast`` is below the level itself, it is the point.
    level : float or array (B,)
        Speed [m/s]; the point found is at it or a trifle below, so that the tangent holds for it.
    steps : array (L,)
        Step of each coordinate for central differences; 0 leaves that coordinate out (its slope is 0).
    """
    point = _on_level(speed_of, np.arange(len(fast)), fast, slow, level)
    return tangents_here(speed_of, point, steps)


def tangents_here(speed_of: SpeedOf, point: FloatArray, steps: FloatArray) -> Tangents:
    """Tangents at given points (B, L), by central differences."""
    rows = np.arange(len(point))
    active = np.flatnonzero(steps)
    moved = np.repeat(point[None], 2 * len(active) + 1, axis=0)
    for place, coordinate in enumerate(active):
        moved[2 * place + 1, :, coordinate] += steps[coordinate]
        moved[2 * place + 2, :, coordinate] -= steps[coordinate]
    speeds = speed_of(np.tile(rows, len(moved)), moved.reshape(-1, point.shape[1])).reshape(len(moved), -1)
    slope = np.zeros_like(point)
    smooth = (speeds[0] != 0) & ((speeds > 0) == (speeds[0] > 0)).all(axis=0)
    for place, coordinate in enumerate(active):
        ahead, back = speeds[2 * place + 1] - speeds[0], speeds[0] - speeds[2 * place + 2]
        slope[:, coordinate] = (ahead + back) / (2 * steps[coordinate])
        smooth &= np.abs(ahead - back) <= 0.2 * (np.abs(ahead) + np.abs(back)) + 2e-5
    return Tangents(point, slope, speeds[0], smooth)


def _on_level(
    speed_of: SpeedOf, rows: IntArray, fast: FloatArray, slow: FloatArray, level: float | FloatArray
) -> FloatArray:
    """Points on the lines whose speed is the level or just below it: false position, the slow side kept.

    Where the fast side is hardly above the level (a cap holds it), the step is half of what is left instead.
    """
    if not np.isfinite(level).all():
        return slow
    level = np.broadcast_to(np.asarray(level), len(rows))
    low, high = np.zeros(len(rows)), np.ones(len(rows))
    over, under = speed_of(np.tile(rows, 2), np.concatenate([fast, slow])).reshape(2, -1) - level
    high[over <= 0] = 0.0
    best = under.copy()
    for _ in range(LINE_PASSES):
        left = np.flatnonzero((best < -LINE_NEAR_MS) & (over > 0))
        if len(left) == 0:
            break
        above, below = over[left], under[left]
        gap = np.where(above > below, above - below, 1.0)
        share = np.where(above < 0.1 * -below, 0.5, np.clip(above / gap, 0.02, 0.98))
        beside = BESIDE[:, None] if len(BESIDE) * len(left) <= AT_ONCE else np.zeros((1, 1))
        share = share + beside * np.where(beside < 0, share, 1.0 - share)
        at = low[left] + (high[left] - low[left]) * share
        points = fast[left] + at[:, :, None] * (slow[left] - fast[left])
        found = speed_of(np.tile(rows[left], len(at)), points.reshape(-1, fast.shape[1])).reshape(at.shape)
        found -= level[left]
        is_under = np.vstack([found <= 0, np.ones((1, len(left)), dtype=bool)])
        place, every = np.argmax(is_under, axis=0), np.arange(len(left))  # of the first that is under the level
        ends = np.vstack([low[left], at, high[left]])
        over_at = np.vstack([np.where(best[left] < 0, above * 0.7, above), found])
        under_at = np.vstack([found, below * 0.7])
        low[left], high[left] = ends[place, every], ends[place + 1, every]
        over[left], under[left] = over_at[place, every], under_at[place, every]
        best[left] = np.where(place == len(at), best[left], under[left])
    return fast + high[:, None] * (slow - fast)


@dataclass(frozen=True, slots=True)
class _Menu:
    """What may be chosen in each slot for B drive sets: scores, prices, and what is allowed, (B, m_s) each."""

    scores: list[FloatArray]
    cents: list[FloatArray]
    allowed: list[BoolArray]

    def take(self, rows: IntArray) -> _Menu:
        """The same for some of the drive sets."""
        return _Menu(
            [each[rows] for each in self.scores], [each[rows] for each in self.cents],
            [each[rows] for each in self.allowed],
        )  # fmt: skip

    def without_idle(self) -> _Menu:
        """Without options that no set has, where these are many; every slot keeps one, allowed or not."""
        columns = [np.flatnonzero(ok.any(axis=0)) for ok in self.allowed]
        if sum(map(len, columns)) >= WORTH_DROPPING * sum(ok.shape[1] for ok in self.allowed):
            return self
        columns = [some if len(some) else np.zeros(1, dtype=np.int64) for some in columns]
        return _Menu(
            [each[:, some] for each, some in zip(self.scores, columns, strict=True)],
            [each[:, some] for each, some in zip(self.cents, columns, strict=True)],
            [each[:, some] for each, some in zip(self.allowed, columns, strict=True)],
        )

    def best(self, multiplier: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The score of the choice with most score less the multiplier (B,) times price, and its price: (B,) each.

        Minus infinity and infinity where a slot has no option.
        """
        rows, total, spent = np.arange(len(multiplier)), np.zeros(len(multiplier)), np.zeros(len(multiplier))
        for score, price, ok in zip(self.scores, self.cents, self.allowed, strict=True):
            net = multiplier[:, None] * price
            np.subtract(score, net, out=net)
            net[~ok] = -np.inf
            place = net.argmax(axis=1)
            open_ = ok[rows, place]
            total += np.where(open_, score[rows, place], -np.inf)
            spent += np.where(open_, price[rows, place], np.inf)
        return total, spent

    def cheapest(self, count: int) -> tuple[FloatArray, FloatArray]:
        """The score of the cheapest choice, the best of equally cheap ones, and its price: (B,) each, of ``count``."""
        total, spent = np.zeros(count), np.zeros(count)
        for score, price, ok in zip(self.scores, self.cents, self.allowed, strict=True):
            own = np.where(ok, price, np.inf)
            least = own.min(axis=1)
            total += np.where(ok & (own == least[:, None]), score, -np.inf).max(axis=1)
            spent += least
        return total, spent


def lagrangian_bound(
    scores: list[FloatArray], cents: list[FloatArray], left: FloatArray, allowed: list[BoolArray]
) -> tuple[FloatArray, FloatArray]:
    """Most that options can add to a score within the money left: one multiplier of money per drive set.

    As a function of the multiplier the bound is convex and made of straight lines, one for every choice. The next
    multiplier is where the line of a choice that is too dear meets that of one that is not; where the bound is no
    higher there than the two lines, it is the least (J. E. Kelley, "The cutting-plane method for solving convex
    programs", 1960, from memory).

    Parameters
    ----------
    scores, cents : lists of arrays (B, m_s)
        Score and price of each option of each free slot.
    left : array (B,)
        Money left for them; inf for no limit.
    allowed : list of bool arrays (B, m_s)
        Options that may be chosen.

    Returns
    -------
    bound, multiplier : arrays (B,)
        The bound, valid whatever the multiplier; -inf where even the cheapest options cost too much.
    """
    menu, chosen = _Menu(scores, cents, allowed).without_idle(), np.zeros(len(left))
    best, dear = menu.best(chosen)
    rows = np.flatnonzero(dear > left)
    if len(rows) == 0:
        return best, chosen
    menu, money = menu.take(rows), left[rows]
    score, spent = menu.cheapest(len(rows))
    possible = spent <= money
    best[rows[~possible]] = -np.inf
    low = np.stack([best[rows], money - dear[rows]])  # each line: its value at no multiplier, and its slope
    high = np.stack([score, money - spent])
    open_ = np.flatnonzero(possible)
    for _ in range(MULTIPLIER_PASSES):
        if len(open_) == 0:
            break
        if len(open_) < len(rows):
            menu, rows, money, low, high = menu.take(open_), rows[open_], money[open_], low[:, open_], high[:, open_]
        multiplier = np.maximum(low[0] - high[0], 0.0) / (high[1] - low[1])
        lines = low[0] + multiplier * low[1]
        score, spent = menu.best(multiplier)
        bound = score + multiplier * (money - spent)
        better = bound < best[rows]
        best[rows[better]], chosen[rows[better]] = bound[better], multiplier[better]
        line, too_dear = np.stack([score, money - spent]), spent > money
        low, high = np.where(too_dear, line, low), np.where(too_dear, high, line)
        open_ = np.flatnonzero(bound > lines + MULTIPLIER_NEAR_MS)
    return best, chosen
