"""What the rev limiter asks of cars that are to be as fast as a speed: little enough slip.

A car that is once as fast as v, having been slower, does not slow down there: its thrust is at least its resistance.
Its wheels turn no faster than the limiter lets them in the tallest gear that can push so hard, so that tires slip by no
more than what lies between, and push no harder than they do at that slip (docs/method.md, section 4).
"""

from __future__ import annotations

import numpy as np

from optimizer.physics.grip import grip_of_slip
from optimizer.run.affine import POWERS, Affine, Force
from optimizer.run.driving import BoolArray
from optimizer.run.envelope import Envelope
from optimizer.run.inputs import FloatArray
from optimizer.run.ranges import cell_of

LEAST_SPEED_MS = 1.0
"""Stands in for a speed where there is none to ask about."""
LEAST_SLOPE = 1.0
"""Least change of resistance with speed [N s/m] by which a lack of thrust is turned into one of speed."""


def limiter_cut(envelope: Envelope, speed_ms: FloatArray) -> tuple[Affine, BoolArray]:
    """What every car of E drive sets has of at least 0 that is once as fast as a speed (E,) [m/s]; and where it holds.

    It is about how much faster than that the limiter would let it go on. It does not hold where some car may have no
    grip at all, where all start as fast, or no gear can push hard enough: other cuts say that.
    """
    tires, rows = envelope.tires, np.arange(len(speed_ms))
    cell = cell_of(envelope.edges, speed_ms)
    usable = envelope.usable[:, rows, cell]
    holds = tires.some_grip[rows, cell] & (speed_ms > envelope.edges[0]) & usable.any(axis=0)
    speed_ms = np.where(holds, speed_ms, LEAST_SPEED_MS)
    highest = np.where(usable, envelope.highest_surface, 0.0).max(axis=0)
    slip = highest / speed_ms - 1.0
    use = np.minimum(grip_of_slip(slip, tires.slip_at_slide), envelope.grip_use_limit)
    allowed = use / (1.0 - use * tires.moved)
    against = _at(envelope.resistance, speed_ms)
    spare = _at(envelope.grip, speed_ms).times(allowed / tires.grip_factor).plus(against, -1.0)
    steep = np.maximum(2.0 * against.at(envelope.mildest) / speed_ms, LEAST_SLOPE)
    return spare.times(1.0 / steep), holds


def _at(force: Force, speed_ms: FloatArray) -> Affine:
    """A force at a ground speed (E,)."""
    powers = speed_ms ** np.arange(POWERS)[:, None]
    return Affine((powers * force.const).sum(axis=0), np.einsum("pe,pel->el", powers, force.slope))
