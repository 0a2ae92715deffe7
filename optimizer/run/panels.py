"""Panels of four Lobatto points: points along a stretch of the run, integrals over it, and where a board lies on it.

Everything is elementwise over cars: a result never depends on its batch.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from optimizer.run.driving import Gear
from optimizer.run.inputs import FloatArray, IntArray

# Four Lobatto points on [0, 1] (A. Quarteroni, R. Sacco, F. Saleri, "Numerical Mathematics", ch. 10).
LOBATTO = np.array([0.0, 0.5 - np.sqrt(0.05), 0.5 + np.sqrt(0.05), 1.0])


def _lobatto_matrices() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Differentiation, integration-from-the-left and coefficient matrices of the cubic through the four points."""
    exponent = np.arange(4)
    powers = LOBATTO[:, None] ** exponent
    to_coefficients = np.linalg.inv(powers)
    slopes = np.zeros((4, 4))
    slopes[:, 1:] = powers[:, :3] * exponent[1:]
    integrals = powers * LOBATTO[:, None] / (exponent + 1)
    return slopes @ to_coefficients, integrals @ to_coefficients, to_coefficients


_SLOPE, _INTEGRAL, _COEFFICIENT = _lobatto_matrices()


class Nodes(NamedTuple):
    """A stretch of the run: its points (k, n), and slopes per panel (p, n) at each panel's four points."""

    speed: FloatArray
    distance: FloatArray
    time: FloatArray
    acceleration: FloatArray
    surface: FloatArray
    use: FloatArray
    speed_rate: list[FloatArray]
    distance_rate: list[FloatArray]
    time_rate: list[FloatArray]


class Points(NamedTuple):
    """Wheel speeds (3 p + 1, n) at the Lobatto points of p panels, and their slope per panel, at its four points."""

    surface: FloatArray
    slope: list[FloatArray]


def even_points(low: FloatArray, high: FloatArray, panels: int) -> Points:
    """Points of panels even in wheel speed."""
    surface = panel_points(low, high, panels)
    return Points(surface, [surface[3::3] - surface[:-3:3]] * 4)


def panel_points(low: FloatArray, high: FloatArray, panels: int) -> FloatArray:
    """Lobatto points of equal panels between two values (n,): shape (3 panels + 1, n)."""
    corner = np.arange(panels)[:, None] + LOBATTO[None, :3]
    share = np.append(corner.ravel(), panels) / panels
    return low + share[:, None] * (high - low)


def integrate(gear: Gear, points: Points, distance: FloatArray, time: FloatArray) -> Nodes:
    """Distance and time over the points of p panels, from those at the start (n,).

    Ground speed is ``u = c / (1 + s)``: the slope of c is exact, that of slip is taken from the panel's own cubic, so
    that lift and lifting off need no derivative, and only the small share that slip has is interpolated.
    """
    surface = points.surface
    push = gear.push(surface)
    moving = np.abs(push.acceleration) > 1e-13
    inverse = 1.0 / np.where(moving, push.acceleration, 1e-13)
    ratio = np.where(push.speed > 0, surface / np.where(push.speed > 0, push.speed, 1.0), 1.0)
    corners = [slice(i, len(surface) - 3 + i, 3) for i in range(4)]
    ratios = [ratio[each] for each in corners]
    gain, per_time, per_distance = [], [], []
    for i, corner in enumerate(corners):
        gain.append((points.slope[i] - push.speed[corner] * row_of(_SLOPE[i], ratios)) / ratios[i])
        per_time.append(gain[i] * inverse[corner])
        per_distance.append(push.speed[corner] * per_time[i])
    return Nodes(
        push.speed,
        accumulate(per_distance, distance),
        accumulate(per_time, time),
        push.acceleration,
        surface,
        push.use,
        gain,
        per_distance,
        per_time,
    )


def row_of(weights: FloatArray, values: list[FloatArray]) -> FloatArray:
    """Weighted sum, written out: a matrix product would make results depend on the batch."""
    return weights[0] * values[0] + weights[1] * values[1] + weights[2] * values[2] + weights[3] * values[3]


def accumulate(rates: list[FloatArray], start: FloatArray) -> FloatArray:
    """Running integral at all points of the panels, from the rates at their four points (p, n) each."""
    gains = [row_of(_INTEGRAL[i], rates) for i in (1, 2, 3)]
    panels = len(rates[0])
    out = np.empty((3 * panels + 1, len(start)))
    out[0] = start
    for panel in range(panels):
        base = out[3 * panel]
        for i in range(3):
            out[3 * panel + 1 + i] = base + gains[i][panel]
    return out


def at_distance(nodes: Nodes, mark_m: float, cars: IntArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Time, ground speed, wheel speed and grip use at a distance on the stretch, for some cars: arrays (c,)."""
    borders = nodes.distance[::3, cars]
    panel = (borders <= mark_m).sum(axis=0).clip(1, len(borders) - 1) - 1

    def cubic(values: list[FloatArray]) -> list[FloatArray]:
        return [row_of(_COEFFICIENT[i], [value[panel, cars] for value in values]) for i in range(4)]

    rate = cubic(nodes.distance_rate)
    start = nodes.distance[3 * panel, cars]
    span = np.maximum(nodes.distance[3 * panel + 3, cars] - start, 1e-12)
    share = np.clip((mark_m - start) / span, 0.0, 1.0)
    for _ in range(5):
        slope = np.maximum(_polynomial(rate, share), 1e-9 * span)
        share = np.clip(share - (_integral(rate, share) - (mark_m - start)) / slope, 0.0, 1.0)
    time = nodes.time[3 * panel, cars] + _integral(cubic(nodes.time_rate), share)
    speed = nodes.speed[3 * panel, cars] + _integral(cubic(nodes.speed_rate), share)
    surface, use = (
        _polynomial(cubic([values[i : len(values) - 3 + i : 3] for i in range(4)]), share)
        for values in (nodes.surface, nodes.use)
    )
    return time, speed, surface, use


def _polynomial(coefficients: list[FloatArray], share: FloatArray) -> FloatArray:
    """Value of a cubic."""
    c0, c1, c2, c3 = coefficients
    return c0 + share * (c1 + share * (c2 + share * c3))


def _integral(coefficients: list[FloatArray], share: FloatArray) -> FloatArray:
    """Integral of a cubic from 0."""
    c0, c1, c2, c3 = coefficients
    return share * (c0 + share * (c1 / 2 + share * (c2 / 3 + share * c3 / 4)))
