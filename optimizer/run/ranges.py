"""Forces and masses of all completions of drive sets: affine in their coordinates, with extremes in cells of speed.

What `envelope` builds on. Every extreme holds by argument (docs/method.md, section 4).
"""

from __future__ import annotations

import math

import numpy as np

from optimizer.physics.air import crosswind_square
from optimizer.run.affine import POWERS, Affine, Force, Span, cars_of
from optimizer.run.conditions import Conditions
from optimizer.run.driving import BoolArray
from optimizer.run.inputs import FloatArray, IntArray
from optimizer.run.linear import Frame, LinearSpace


class Ranges:
    """E drive sets under one set of conditions, on K cells between ground speeds.

    Attributes
    ----------
    edges : array (K + 1,)
        Ground speeds [m/s], rising, from the speed at the start.
    span : Span
    cars : dict of Affine
        Masses, areas and loads by the names of `RunInputs`; ``base`` has all that does not change.
    resistance, grip : Force
        Drag and rolling resistance, never above the real one; the most thrust that grip allows.
    least_resistance, most_resistance : arrays (E, K)
        In each cell, of any car of the span.
    gripping : bool array (E, K)
        Cells in which every car has some grip.
    least_grip, most_grip : arrays (E, K)
        Grip of the driven axles without thrust; ``grip_factor`` (E,) is the most thrust that the driver lets the tires
        take over it, and ``moved`` (E,) what load transfer adds to it per newton of thrust.
    inertia : list of Affine
        Turning mass in each gear.
    mildest : array (E, L)
        The corner of the span with least resistance; ``mildest_above`` (E, K) is by how much it is above the least.
    """

    def __init__(
        self, space: LinearSpace, frame: Frame, span: Span, conditions: Conditions, edges: FloatArray, aim: int
    ) -> None:
        self.edges, self.span = edges, span
        self.cars, self.base = cars_of(space, frame, span, conditions)
        inputs = self.base
        self.moved = (inputs.rear_mu - inputs.front_mu) * inputs.transfer
        self.grip_factor = inputs.grip_use_limit / (1.0 - inputs.grip_use_limit * self.moved)
        still = self._still_grip()
        self.resistance, self.grip = self._resistance(), still.times(self.grip_factor)
        self.inertia = [self.turning(inputs.overall[gear]) for gear in range(len(inputs.overall))]
        low, high = self.resistance.ends(edges, span)
        self.least_resistance = np.minimum(low[:, :-1], low[:, 1:])
        self.most_resistance = np.maximum(high[:, :-1], high[:, 1:])
        self._find_mildest(low, aim)
        low, high = still.ends(edges, span)
        least = np.minimum(low[:, :-1], low[:, 1:])
        self.gripping: BoolArray = least > 1.0
        self.least_grip = np.maximum(least, 1.0)
        self.most_grip = np.maximum(np.maximum(high[:, :-1], high[:, 1:]), 1.0)

    def _find_mildest(self, low: FloatArray, aim: int) -> None:
        """The corner of the span with least resistance at one speed, and by how much it is above the least at others.

        Each coordinate only ever adds, or only ever takes away, so that it is the same corner at every speed; where a
        catalog says otherwise, what it is too high by at either end of a cell is kept.
        """
        powers = self.edges[None] ** np.arange(len(self.resistance.const))[:, None]
        worth = np.einsum("pel,p->el", self.resistance.slope, powers[:, aim])
        self.mildest = np.where(worth >= 0, self.span.least, self.span.most)
        above = self.resistance.coefficients(self.mildest).T @ powers - low
        self.mildest_above = np.maximum(np.maximum(above[:, :-1], above[:, 1:]), 0.0)

    def _pressure(self) -> tuple[FloatArray, FloatArray]:
        """Dynamic pressure, and pressure times drag's own factor, as polynomials of ground speed (3,)."""
        inputs = self.base
        half, wind = 0.5 * float(inputs.air_density), float(inputs.headwind_ms)
        side = float(inputs.crosswind_ms) ** 2
        along = half * np.array([wind * wind, 2.0 * wind, 1.0])
        across = np.array([1.0, 0.0, 0.0]) * half
        return along + side * across, along + crosswind_square(inputs.crosswind_ms, inputs.drag_rise_at_yaw) * across

    def _rolling(self, force: Force, factor: FloatArray | float = 1.0) -> None:
        """Add rolling resistance, unclipped, times a factor."""
        pressure, _ = self._pressure()
        force.add(0, self.cars["rolling_n"], factor)
        force.add(2, self.cars["rolling_nv2"], factor)
        for power, part in enumerate(pressure):
            force.add(power, self.cars["lift_rolling_m2"], -part * np.asarray(factor))
            force.add(power + 2, self.cars["lift_rolling_v2"], -part * np.asarray(factor))

    def _still_grip(self) -> Force:
        """Grip of the driven axles without thrust, as `Gear.grip` has it."""
        inputs = self.base
        pressure, _ = self._pressure()
        force = Force(len(inputs))
        force.add(0, self.cars["front_grip_n"], inputs.front_mu)
        force.add(0, self.cars["rear_grip_n"], inputs.rear_mu)
        for power, part in enumerate(pressure):
            force.add(power, self.cars["front_lift_m2"], -part * inputs.front_mu)
            force.add(power, self.cars["rear_lift_m2"], -part * inputs.rear_mu)
        self._rolling(force, -self.moved)
        return force

    def _resistance(self) -> Force:
        """Drag and rolling resistance."""
        force = Force(len(self.base))
        _, drag = self._pressure()
        for power, part in enumerate(drag):
            force.add(power, self.cars["drag_area_m2"], part)
        self._rolling(force)
        return force

    def turning(self, ratio: FloatArray | None) -> Affine:
        """Turning mass (E,) with the engine at an overall ratio (E,), or with the clutch open."""
        inputs, radius = self.base, self.base.radius_m
        side = self.cars["wheel_side_kg"].plus(self.cars["shaft_kgm2"], (inputs.final_ratio / radius) ** 2)
        return side if ratio is None else side.plus(self.cars["engine_kgm2"], (ratio / radius) ** 2)

    def turning_in(self, gear: IntArray) -> Affine:
        """Turning mass with each drive set in a gear (E,)."""
        rows = np.arange(len(gear))
        return Affine(
            np.stack([each.const for each in self.inertia])[gear, rows],
            np.stack([each.slope for each in self.inertia])[gear, rows],
        )

    def grows(self, low: FloatArray, high: FloatArray) -> BoolArray:
        """Whether resistance surely grows with speed, and ever faster, between ground speeds (E,), in any car."""
        term = self.resistance.const + np.minimum(
            self.resistance.slope * self.span.least, self.resistance.slope * self.span.most
        ).sum(axis=-1)
        found = np.ones(len(low), dtype=np.bool_)
        for order in (1, 2):
            rise = np.zeros(len(low))
            for power in range(order, POWERS):
                factor = math.perm(power, order)
                rise += factor * term[power] * np.where(term[power] >= 0, low, high) ** (power - order)
            found &= rise >= 0
        return found

    def cell(self, speed: FloatArray) -> IntArray:
        """The cell (E,) in which a ground speed (E,) lies, the nearest where in none."""
        return cell_of(self.edges, speed)


def cell_of(edges: FloatArray, speed: FloatArray) -> IntArray:
    """The cell (E,) between edges (K + 1,) in which a speed (E,) lies, the nearest where in none."""
    place: IntArray = np.clip(np.searchsorted(edges, speed, side="right") - 1, 0, len(edges) - 2)
    return place
