"""What shifts cost that no completion of a drive set can do without: distance rolled, and speed to be gained again.

Docs/method.md, section 4.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from optimizer.run.affine import POWERS
from optimizer.run.driving import BoolArray, Gear
from optimizer.run.inputs import FloatArray, IntArray
from optimizer.run.pulls import Pull, Pulls


class Shift(NamedTuple):
    """A shift that every car makes which gets faster than a gear allows; arrays (E,).

    Past ground speed ``beyond_ms`` the gear is surely left. The pause has then cost ``rolled_m`` without gain, and
    speed to be gained again: at least ``gained_m2s2`` of u du, at ``speed_ms``, against ``force_n``, ``share`` of M.
    Zero where there is no such shift. Whoever makes it does so from ``earliest_ms`` to ``latest_ms``: inf and 0 where
    there is no gear to go to.
    """

    earliest_ms: FloatArray
    latest_ms: FloatArray
    beyond_ms: FloatArray
    rolled_m: FloatArray
    gained_m2s2: FloatArray
    speed_ms: FloatArray
    force_n: FloatArray
    share: FloatArray

    def take(self, rows: IntArray) -> Shift:
        """The same for some drive sets."""
        return Shift(*(each[rows] for each in self))


class Shifts:
    """Looks at the shifts of drive sets one after the other.

    Parameters
    ----------
    pulls : Pulls
    gears : sequence of Pull
        Every gear.
    shares : array (G, E, K)
        Least inertia over M in each gear.
    counted : bool array (E, K)
        Cells in which the wind does not push.
    """

    def __init__(self, pulls: Pulls, gears: Sequence[Pull], shares: FloatArray, counted: BoolArray) -> None:
        self.pulls, self.gears, self.shares, self.counted = pulls, gears, shares, counted
        self.ranges, self.base, self.edges = pulls.ranges, pulls.base, pulls.edges

    def all(self) -> tuple[Shift, ...]:
        """Every shift upward, from the first."""
        found: list[Shift] = []
        before = np.full(len(self.base), float(self.base.start_speed_ms))
        for number in range(len(self.gears) - 1):
            shift, before = self._shift(number, before)
            found.append(shift)
        return tuple(found)

    def _ground(self, gear: Pull, surface: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Least and greatest ground speed (E,) at which a car can have a wheel speed (E,) in a gear."""
        edges = self.edges
        could = gear.surface[1] >= surface[:, None]
        first = could.argmax(axis=1)
        fastest = np.take_along_axis(gear.surface[1], first[:, None], 1)[:, 0]
        within = np.where(could.any(axis=1), edges[first + 1] * surface / np.where(fastest > 0, fastest, 1.0), 0.0)
        slipping = surface / (1.0 + self.pulls.most_slip)
        least = np.maximum(slipping, np.minimum(np.maximum(edges[first], within), surface))
        slow = gear.surface[0] <= surface[:, None]
        last = slow.shape[1] - 1 - slow[:, ::-1].argmax(axis=1)
        slowest = np.take_along_axis(gear.surface[0], last[:, None], 1)[:, 0]
        most = np.minimum(edges[last + 1], edges[last] * surface / np.where(slowest > 0, slowest, 1.0))
        return least, np.where(slow.any(axis=1) & np.isfinite(slowest), np.minimum(most, surface), surface)

    def _shift(self, number: int, before: FloatArray) -> tuple[Shift, FloatArray]:
        """One shift upward, and the highest ground speed after which it happens; ``before`` is that of the last.

        What the pause has cost is gained again in one of the gears above. A shift whose speed may be passed when the
        gear is taken up is skipped without a pause, and does not count.
        """
        inputs, ranges, here = self.base, self.ranges, Gear(self.base, number)
        pause, gear = inputs.shift_time_s, self.gears[number]
        earliest, latest = self._ground(gear, here.shift_surface)
        met = earliest <= latest  # else no car that counts has the shift's wheel speed in any cell
        latest = np.maximum(earliest, latest)
        coasting = ranges.cars["translating_kg"].plus(ranges.cars["wheel_side_kg"])
        most = ranges.most_resistance[np.arange(len(inputs)), ranges.cell(latest)]
        most_loss = pause * most / coasting.least(ranges.span)
        slowest = earliest - most_loss
        # what resists in the middle of the pause, where it only grows with speed, and ever faster
        steady = ranges.grows(np.maximum(slowest, 0.0), latest)
        middle = np.maximum(earliest - np.where(steady, 0.5, 1.0) * most_loss, 0.0)
        powers = middle ** np.arange(POWERS)[:, None]
        least = (ranges.resistance.coefficients(ranges.mildest) * powers).sum(axis=0) - ranges.mildest_above.max(axis=1)
        least_loss = np.minimum(pause * np.maximum(least, 0.0) / coasting.most(ranges.span), most_loss)
        force, share = self._regained(number + 1, slowest, earliest, latest)
        there = here.exists & (inputs.overall[number + 1] > 0)
        counts = there & met & (slowest > before) & np.isfinite(force)
        return Shift(
            earliest_ms=np.where(there, earliest, np.inf),
            latest_ms=np.where(there, latest, 0.0),
            beyond_ms=self._ground(gear, self.pulls.highest_surface(here))[1],
            rolled_m=np.where(counts, pause * (earliest - 0.5 * most_loss), 0.0),
            gained_m2s2=np.where(counts, least_loss * (earliest - 0.5 * least_loss), 0.0),
            speed_ms=middle,
            force_n=np.where(counts, force, 0.0),
            share=np.where(counts, share, 1.0),
        ), np.maximum(before, latest)

    def _regained(
        self, first: int, low: FloatArray, before: FloatArray, high: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Mean thrust (E,) in gears from ``first`` on while what a pause cost is regained, and the share of M then.

        Speeds (E,) are the lowest there is after the pause, and the lowest and highest before it. Over them thrust
        stays below a falling line; no mean over a stretch of it is above that over the first.
        """
        ranges = self.ranges
        cells = slice(int(ranges.cell(low).min()), int(ranges.cell(high).max()) + 1)
        left, right = self.edges[:-1][cells], self.edges[1:][cells]
        within = (right > low[:, None]) & (left <= high[:, None])
        share = np.where(within, self.shares[first][:, cells], np.inf).min(axis=1)
        share = np.where(np.isfinite(share), share, 1.0)
        ends = np.full((2, *within.shape), -np.inf)
        for number in range(first, len(self.gears)):
            own = np.where(within, self.shares[number][:, cells], np.inf).min(axis=1)
            heavier = np.maximum(share / own, 1.0)[:, None]
            each = self.gears[number].ends[:, :, cells]
            raised = each + (heavier - 1.0) * np.maximum(each - ranges.least_resistance[:, cells], 0.0)
            np.maximum(ends, np.where(np.isfinite(each), raised, -np.inf), out=ends)
        ends = np.where(within, np.where(self.counted[:, cells], ends, np.inf), -np.inf)
        after = np.maximum.accumulate(ends.max(axis=0)[:, ::-1], axis=1)[:, ::-1]
        later = np.concatenate([after[:, 1:], np.full((len(after), 1), -np.inf)], axis=1)
        begin, finish = after, np.maximum(ends[1], later)
        start, stop = np.maximum(left, low[:, None]), np.minimum(right, before[:, None])
        share_in = 0.5 * (start + stop - 2.0 * left) / (right - left)
        with np.errstate(invalid="ignore"):  # where no gear goes
            value = begin + (finish - begin) * share_in
        value = np.where(np.isfinite(begin) & np.isfinite(finish), value, begin)
        width = stop - start
        total = np.where(width > 0, value, 0.0) * np.maximum(width, 0.0)
        return total.sum(axis=1) / np.maximum(before - low, 1e-12), share
