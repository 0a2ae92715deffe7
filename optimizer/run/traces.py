"""Speed over time of a car that rolls freely, or pulls in one gear at full throttle; for many cars at once.

The equation of motion is integrated; nothing is differentiated. Steps of a car are all equally long, and every car has
its own. Results never depend on the batch.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from optimizer.run.driving import Gear
from optimizer.run.inputs import FloatArray, RunInputs

STEPS = 48
"""Steps of a trace: of a coast-down from 50 m/s to a crawl they leave less than 1e-4 m/s."""


class Trace(NamedTuple):
    """Speeds [m/s], accelerations [m/s2] and wheel surface speeds [m/s] at the ends of steps: (steps + 1, n) each.

    ``step_s`` (n,) is how long a step takes.
    """

    step_s: FloatArray
    speed: FloatArray
    acceleration: FloatArray
    surface: FloatArray


def coasting_mass_kg(inputs: RunInputs) -> FloatArray:
    """Mass (n,) that a car out of gear slows: with its wheels turns what lies behind the gears."""
    shaft_kg = inputs.shaft_kgm2 * (inputs.final_ratio / inputs.radius_m) ** 2
    return inputs.translating_kg + inputs.wheel_side_kg + shaft_kg


def coast_down(
    inputs: RunInputs, speed_ms: FloatArray, seconds: FloatArray, drag_n: FloatArray | float = 0.0, steps: int = STEPS
) -> Trace:
    """The car rolls out of gear: drag with the wind, rolling, brake drag, and what the driveline takes.

    Parameters
    ----------
    inputs : RunInputs
        n cars.
    speed_ms : array (n,)
        Ground speed at the start.
    seconds : array (n,)
        How long to follow each car.
    drag_n : array (n,) or float
        Further force that slows the car [N].
    steps : int
    """
    gear, mass = Gear(inputs, 0), coasting_mass_kg(inputs)

    def slope(speed: FloatArray) -> tuple[FloatArray, FloatArray]:
        drag, rolling, _ = gear.resistance(speed)
        # a car that stands stays
        return np.where(speed > 0, -(drag + rolling + drag_n) / mass, 0.0), speed

    return _integrated(slope, speed_ms, seconds / steps, steps)


def pull(inputs: RunInputs, gear: int, speed_ms: FloatArray, seconds: FloatArray, steps: int = STEPS) -> Trace:
    """The car pulls in one gear (0 is first) at full throttle, as far as grip lets the driver, limiter aside.

    Parameters
    ----------
    inputs : RunInputs
        n cars.
    gear : int
    speed_ms : array (n,)
        Ground speed at the start.
    seconds : array (n,)
        How long to follow each car.
    steps : int
    """
    driving = Gear(inputs, gear)

    def slope(speed: FloatArray) -> tuple[FloatArray, FloatArray]:
        surface, acceleration = driving.taken_up(np.maximum(speed, 1.0))
        return acceleration, surface

    return _integrated(slope, speed_ms, seconds / steps, steps)


def _integrated(
    slope: Callable[[FloatArray], tuple[FloatArray, FloatArray]], speed: FloatArray, step_s: FloatArray, steps: int
) -> Trace:
    """Runge-Kutta steps of fourth order; ``slope`` gives acceleration and surface speed."""
    speeds, slopes, surfaces = [speed], [], []
    for _ in range(steps):
        first, surface = slope(speed)
        second, _ = slope(speed + 0.5 * step_s * first)
        third, _ = slope(speed + 0.5 * step_s * second)
        fourth, _ = slope(speed + step_s * third)
        slopes.append(first)
        surfaces.append(surface)
        speed = np.maximum(speed + step_s / 6.0 * (first + 2.0 * second + 2.0 * third + fourth), 0.0)
        speeds.append(speed)
    last, surface = slope(speed)
    return Trace(step_s, np.stack(speeds), np.stack([*slopes, last]), np.stack([*surfaces, surface]))


def speed_at(trace: Trace, cars: slice, time_s: FloatArray) -> FloatArray:
    """Speeds (k, m) of k cars of a trace with equally long steps at times (m,) after its start: cubics by slopes."""
    step = float(trace.step_s[cars][0])
    below, share = _places(trace, step, time_s)
    here, after = trace.speed[below, cars], trace.speed[below + 1, cars]
    rise, rise_after = trace.acceleration[below, cars] * step, trace.acceleration[below + 1, cars] * step
    gap = after - here
    s = share[:, None]
    curve = here + s * (rise + s * ((3 * gap - 2 * rise - rise_after) + s * (rise + rise_after - 2 * gap)))
    return np.ascontiguousarray(curve.T)


def slip_at(trace: Trace, cars: slice, time_s: FloatArray) -> FloatArray:
    """Wheel surface speed over ground speed (k, m) at times (m,) after the start."""
    below, share = _places(trace, float(trace.step_s[cars][0]), time_s)
    ratio = trace.surface[:, cars] / np.maximum(trace.speed[:, cars], 1.0)
    return np.ascontiguousarray((ratio[below] + share[:, None] * (ratio[below + 1] - ratio[below])).T)


def _places(trace: Trace, step: float, time_s: FloatArray) -> tuple[np.ndarray, FloatArray]:
    """Step in which each time lies, and the share of it that is over."""
    place = time_s / step
    below = np.clip(place.astype(np.int64), 0, len(trace.speed) - 2)
    return below, place - below
