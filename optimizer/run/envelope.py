"""The most that any completion of a drive set can do at every ground speed: forces, inertia, shifts, on fixed speeds.

Everything here is a bound that holds by argument (docs/method.md, section 4): no completion of the span accelerates
harder, at any ground speed, than ``n(u; z) / M(z)`` with ``n`` the least of two affine functions of its coordinates z.
Nothing is sampled and nothing is simulated.
"""

from __future__ import annotations

from copy import copy
from typing import NamedTuple

import numpy as np

from optimizer.run.affine import Affine, Span
from optimizer.run.conditions import Conditions
from optimizer.run.driving import BoolArray, Gear
from optimizer.run.inputs import FloatArray, IntArray
from optimizer.run.linear import Frame, LinearSpace
from optimizer.run.pulls import Pull, Pulls
from optimizer.run.ranges import Ranges
from optimizer.run.shifts import Shifts


class Tires(NamedTuple):
    """Driven tires of E drive sets: slip when they slide, what load transfer adds to grip per newton of thrust (E,).

    And the most thrust the driver lets them take over grip (E,), and cells in which every car has some grip (E, K).
    """

    slip_at_slide: FloatArray
    moved: FloatArray
    grip_factor: FloatArray
    some_grip: BoolArray

    def take(self, rows: IntArray) -> Tires:
        """The same for some drive sets, or drive sets repeated."""
        return Tires(self.slip_at_slide[rows], self.moved[rows], self.grip_factor[rows], self.some_grip[rows])


class Envelope:
    """E drive sets under one set of conditions, on K cells between ground speeds.

    Attributes
    ----------
    edges : array (K + 1,)
        Ground speeds [m/s], rising, from the speed at the start.
    mass : Affine
        M: translating mass and turning mass in the gear ``top``.
    force : array (E, K)
        Highest thrust of the engine in a cell; -inf where no car gets, inf where the cell is not counted.
    force_ends : array (2, E, K)
        Thrust at both ends of a cell: the line between them is nowhere below the thrust of any car.
    own_ends : array (2, E, K)
        The same, where ``per_grip`` (E, K) times a car's own `grip` comes on top.
    share : array (E, K)
        Least inertia in a cell over M, in the gear that pulls there.
    grip_share : array (E,)
        Least translating mass over M, for cars that grip limits.
    mildest : array (E, L)
        The corner of the span with least resistance; ``mildest_above`` (E, K) is by how much it is above the least.
    resistance, grip : Force
        Drag and rolling resistance, never above the real one; the most thrust that grip allows, infinite in cells that
        are not ``gripping``. ``most_grip`` (E, K) is what no car has more of in a cell.
    shifts : tuple of Shift
    top : int array (E,)
        The gear whose turning mass is in M.
    usable : bool array (G, E, K)
        Gears in which some car may keep its speed.
    highest_surface : array (G, E)
        Wheel speed up to which each gear is used.
    tires : Tires
        What slip makes of grip.
    """

    def __init__(
        self,
        space: LinearSpace,
        frame: Frame,
        span: Span,
        conditions: Conditions,
        edges: FloatArray,
        aim: int,
        top: IntArray | None = None,
        reached_ms: FloatArray | float = 0.0,
    ) -> None:
        self.edges, self.span = edges, span
        ranges = Ranges(space, frame, span, conditions, edges, aim)
        self.grip_use_limit = ranges.base.grip_use_limit
        self.tires = Tires(ranges.base.slip_at_slide, ranges.moved, ranges.grip_factor, ranges.gripping)
        self.resistance, self.grip, self.gripping = ranges.resistance, ranges.grip, ranges.gripping
        self.least_resistance = ranges.least_resistance
        self.mildest, self.mildest_above = ranges.mildest, ranges.mildest_above
        self.most_grip = ranges.most_grip * ranges.grip_factor[:, None]
        pulls = Pulls(ranges, reached_ms)
        gears = pulls.all()
        self.usable = np.stack([each.usable for each in gears])
        self.highest_surface = np.stack([each.highest for each in gears])
        best = np.stack([each.force for each in gears]).argmax(axis=0)
        self.top = best[:, aim] if top is None else top
        self.mass = ranges.cars["translating_kg"].plus(ranges.turning_in(self.top))
        shares = self._combine(ranges, gears, best)
        self.shifts = Shifts(pulls, gears, shares, ~np.isposinf(self.force)).all()

    def take(self, rows: IntArray) -> Envelope:
        """The same for some drive sets, or drive sets repeated."""
        some = copy(self)
        for name in ("resistance", "grip", "mass", "span", "tires"):
            setattr(some, name, getattr(self, name).take(rows))
        for name in _BY_SET:
            setattr(some, name, getattr(self, name)[rows])
        for name in _BY_SET_SECOND:
            setattr(some, name, getattr(self, name)[:, rows])
        some.shifts = tuple(shift.take(rows) for shift in self.shifts)
        return some

    def _share(self, ranges: Ranges, turning: Affine | None) -> FloatArray:
        """Least inertia over M of cars with some turning mass, or with none: (E,).

        Never less than that of the lightest car with the most that turns in M and nothing that turns here.
        """
        top, lightest = ranges.turning_in(self.top), ranges.cars["translating_kg"].least(self.span)
        extra = top.plus(top, -2.0) if turning is None else turning.plus(top, -1.0)
        least = extra.least(self.span)
        over = np.where(least >= 0, self.mass.most(self.span), self.mass.least(self.span))
        share: FloatArray = np.maximum(1.0 + least / over, lightest / (lightest + top.most(self.span)))
        return share

    def _combine(self, ranges: Ranges, gears: list[Pull], best: IntArray) -> FloatArray:
        """One thrust and inertia for each cell that no gear beats, whatever the resistance.

        The gear with most thrust stands for all; where it carries more inertia than another, its thrust is raised by
        what makes up for that. Slip turns the engine side faster than the car: what turns counts ``1 + slip`` times.

        Returns the least inertia over M in each gear (G, E, K).
        """
        inputs = ranges.base
        self.grip_share = self._share(ranges, None)
        heaviest = self.mass.most(self.span)
        free = np.stack([
            self._share(ranges, turning)[:, None] + gear.slip * (turning.least(self.span) / heaviest)[:, None]
            for turning, gear in zip(ranges.inertia, gears, strict=True)
        ])  # fmt: skip
        limited = np.stack([each.on_limiter for each in gears])
        shares = np.where(limited, np.minimum(free, self.grip_share[:, None]), free)
        own = np.take_along_axis(free, best[None], 0)[0]
        force, ends = np.full(best.shape, -np.inf), np.full((2, *best.shape), -np.inf)
        per_grip = np.take_along_axis(np.stack([each.per_grip for each in gears]), best[None], 0)[0]
        own_ends = np.full((2, *best.shape), -np.inf)
        for number, gear in enumerate(gears):
            heavier = np.where(best == number, 1.0, np.maximum(own / shares[number], 1.0))
            goes = np.isfinite(gear.force)
            for whole, own_force in ((force, gear.force), (ends, gear.ends)):
                raised = own_force + (heavier - 1.0) * np.maximum(own_force - self.least_resistance, 0.0)
                np.maximum(whole, np.where(goes, raised, -np.inf), out=whole)
            here = np.where(best == number, gear.own_ends, raised - per_grip * ranges.least_grip)
            np.maximum(own_ends, np.where(goes, here, -np.inf), out=own_ends)
        self.share = np.take_along_axis(shares, best[None], 0)[0]
        left = self.edges[:-1]
        clutch = left < Gear(inputs, 0).launch_surface[:, None]
        open_share = self._share(ranges, ranges.turning(None))
        self.share = np.where(clutch, np.minimum(self.share, open_share[:, None]), self.share)
        capped = left >= inputs.cap_ms[:, None]
        # with the wind faster than the car its drag pushes: such cells are not counted
        pushed = left < -float(inputs.headwind_ms)
        self.force, self.force_ends, self.own_ends = (
            np.where(pushed, np.inf, np.where(capped, -np.inf, each)) for each in (force, ends, own_ends)
        )
        self.per_grip = np.where(pushed | capped, 0.0, per_grip) / ranges.grip_factor[:, None]
        self.gripping = self.gripping & ~pushed
        return shares

    def no_shift_between(self, rows: IntArray, low_ms: FloatArray, high_ms: FloatArray) -> BoolArray:
        """Whether no car of drive sets ``rows`` (n,) shifts at a speed between two (n,)."""
        clear = np.ones(len(rows), dtype=np.bool_)
        for shift in self.shifts:
            clear &= (shift.latest_ms[rows] <= low_ms) | (shift.earliest_ms[rows] > high_ms)
        return clear


_BY_SET = (
    "force", "per_grip", "share", "grip_share", "mildest", "mildest_above", "least_resistance", "most_grip",
    "gripping", "top",
)  # fmt: skip
_BY_SET_SECOND = ("force_ends", "own_ends", "usable", "highest_surface")
"""Attributes of an envelope whose first axis, or second, is that of drive sets."""
