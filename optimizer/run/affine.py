"""Cars as affine functions of their coordinates: masses, areas and forces of every completion of a drive set at once.

Given a drive set, each quantity that enters the run is a number plus a slope times the coordinates of `linear`. Where
it is not quite (lift of the undriven axle saves rolling by a coefficient that depends on its tire), the line is never
on the slow side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.run.conditions import Conditions
from optimizer.run.inputs import FloatArray, IntArray, RunInputs
from optimizer.run.linear import COORDINATES, C, Frame, LinearSpace

FIELDS = (
    "translating_kg", "wheel_side_kg", "shaft_kgm2", "engine_kgm2", "rolling_n", "rolling_nv2", "lift_rolling_m2",
    "lift_rolling_v2", "drag_area_m2", "front_lift_m2", "rear_lift_m2", "front_grip_n", "rear_grip_n",
)  # fmt: skip
"""Fields of `RunInputs` that differ between the completions of a drive set."""
POWERS = 5
"""Forces are polynomials of ground speed up to its fourth power: lift times rolling that grows with speed squared."""


@dataclass(frozen=True, slots=True)
class Span:
    """Coordinates that the completions of E drive sets reach: (E, L) each."""

    least: FloatArray
    most: FloatArray

    def take(self, rows: IntArray) -> Span:
        """Some of the drive sets, or drive sets repeated."""
        return Span(self.least[rows], self.most[rows])


@dataclass(frozen=True, slots=True)
class Affine:
    """A quantity of E drive sets: ``const + slope . z``; const (E,), slope (E, L)."""

    const: FloatArray
    slope: FloatArray

    def at(self, points: FloatArray) -> FloatArray:
        """Values (E,) at points (E, L)."""
        value: FloatArray = self.const + np.einsum("el,el->e", self.slope, points)
        return value

    def least(self, span: Span) -> FloatArray:
        """The least value that the span allows: (E,)."""
        value: FloatArray = self.const + np.minimum(self.slope * span.least, self.slope * span.most).sum(axis=1)
        return value

    def most(self, span: Span) -> FloatArray:
        """The greatest value that the span allows: (E,)."""
        value: FloatArray = self.const + np.maximum(self.slope * span.least, self.slope * span.most).sum(axis=1)
        return value

    def plus(self, other: Affine, factor: FloatArray | float = 1.0) -> Affine:
        """The sum with ``factor`` (a number, or one per drive set) times another."""
        each = np.broadcast_to(np.asarray(factor, dtype=np.float64), self.const.shape)
        return Affine(self.const + each * other.const, self.slope + each[:, None] * other.slope)

    def times(self, factor: FloatArray) -> Affine:
        """The quantity times a factor (E,)."""
        return Affine(self.const * factor, self.slope * factor[:, None])

    def take(self, rows: IntArray) -> Affine:
        """The same for some drive sets."""
        return Affine(self.const[rows], self.slope[rows])


class Force:
    """A force of E drive sets: a polynomial of ground speed whose coefficients are affine in the coordinates.

    Attributes
    ----------
    const : array (POWERS, E)
    slope : array (POWERS, E, L)
    """

    def __init__(self, count: int) -> None:
        self.const = np.zeros((POWERS, count))
        self.slope = np.zeros((POWERS, count, len(COORDINATES)))

    def add(self, power: int, term: Affine, factor: FloatArray | float = 1.0) -> None:
        """Add ``factor x term x speed ** power``; factor is a number, or one per drive set."""
        each = np.broadcast_to(np.asarray(factor, dtype=np.float64), term.const.shape)
        self.const[power] += each * term.const
        self.slope[power] += each[:, None] * term.slope

    def times(self, factor: FloatArray) -> Force:
        """The force times a factor (E,)."""
        found = Force(0)
        found.const, found.slope = self.const * factor, self.slope * factor[:, None]
        return found

    def coefficients(self, points: FloatArray) -> FloatArray:
        """Coefficients (POWERS, E) of the polynomials of cars at points (E, L)."""
        found: FloatArray = self.const + np.einsum("pel,el->pe", self.slope, points)
        return found

    def ends(self, speeds: FloatArray, span: Span) -> tuple[FloatArray, FloatArray]:
        """Least and greatest force (E, U) of any car of the span at ground speeds (U,)."""
        powers = speeds[None] ** np.arange(POWERS)[:, None]
        low = self.const.T @ powers
        high = low.copy()
        for coordinate in np.flatnonzero(self.slope.any(axis=(0, 1))):
            each = self.slope[:, :, coordinate].T @ powers
            one, other = each * span.least[:, coordinate, None], each * span.most[:, coordinate, None]
            low += np.minimum(one, other)
            high += np.maximum(one, other)
        return low, high

    def take(self, rows: IntArray) -> Force:
        """The same for some drive sets, or drive sets repeated."""
        taken = Force(0)
        taken.const, taken.slope = self.const[:, rows], self.slope[:, rows]
        return taken


def cars_of(
    space: LinearSpace, frame: Frame, span: Span, conditions: Conditions
) -> tuple[dict[str, Affine], RunInputs]:
    """Every field of `FIELDS` as an affine function, and the inputs of cars at the frame's base.

    Everything but the changing fields is the same for all completions, and is found in those inputs. The coordinate
    of the rolling change multiplies loads; it is the drive set's own and does not move.
    """
    base = space.inputs(frame, frame.base, conditions)
    slopes = {name: np.zeros_like(frame.base) for name in FIELDS}
    for coordinate in range(len(COORDINATES)):
        if coordinate == C["rolling_change"]:
            continue
        point = frame.base.copy()
        point[:, coordinate] += 1.0
        moved = space.inputs(frame, point, conditions)
        for name in FIELDS:
            slopes[name][:, coordinate] = getattr(moved, name) - getattr(base, name)
    cars = {
        name: Affine(getattr(base, name) - (slope * frame.base).sum(axis=1), slope) for name, slope in slopes.items()
    }
    if space.free_axle is not None:
        _straighten_lift(cars, base, space, frame, span)
    return cars, base


def _straighten_lift(cars: dict[str, Affine], base: RunInputs, space: LinearSpace, frame: Frame, span: Span) -> None:
    """Put lines in the place of what undriven lift saves of rolling: the larger of two lines through zero.

    With ``high >= low`` the larger of ``high x lift`` and ``low x lift`` is at most
    ``high x lift + (high - low) x max(0, -least lift)`` for every lift of the span.
    """
    at = C[f"{space.free_axle}_lift_m2"]
    lift = frame.base[:, at]
    for name, high, low in (
        ("lift_rolling_m2", frame.free_ceiling, frame.free_floor),
        ("lift_rolling_v2", frame.free_growth_ceiling, frame.free_growth_floor),
    ):
        slope = cars[name].slope.copy()
        slope[:, at] = 0.0
        saved = np.where(lift > 0, high, low) * lift
        const = getattr(base, name) - saved - (slope * frame.base).sum(axis=1)
        slope[:, at] = high
        cars[name] = Affine(const + (high - low) * np.maximum(0.0, -span.least[:, at]), slope)
