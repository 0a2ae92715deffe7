"""Panels of four Lobatto points: points along a stretch of the run, integrals over it, and where a board lies on it.

Everything is elementwise over cars: a result never depends on its batch.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from optimizer.run.driving import BLOCK, Gear, Push
from optimizer.run.inputs import FloatArray, IntArray, RunInputs

# Four Lobatto points on [0, 1] (A. Quarteroni, R. Sacco, F. Saleri, "Numerical Mathematics", ch. 10).
LOBATTO = np.array([0.0, 0.5 - np.sqrt(0.05), 0.5 + np.sqrt(0.05), 1.0])
LEAST_ACCELERATION = 1e-12
"""A car that accelerates less than this [m/s2], or slows, is taken to stand still in speed: it never gets further."""
BOARD_PASSES = 4
"""Newton steps towards the place of a board on its panel."""

Corners = list[FloatArray]
"""Values at the four points of p panels, arrays (p, n)."""


def _lobatto_matrices() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slopes, integral over the panel, and coefficients, of the cubic through values at the four points."""
    exponent = np.arange(4)
    powers = LOBATTO[:, None] ** exponent
    to_coefficients = np.linalg.inv(powers)
    slopes = np.zeros((4, 4))
    slopes[:, 1:] = powers[:, :3] * exponent[1:]
    return slopes @ to_coefficients, (1.0 / (exponent + 1)) @ to_coefficients, to_coefficients


def _numbers(row: FloatArray) -> tuple[float, ...]:
    """Weights as plain numbers, which multiply arrays sooner than elements of arrays do; rounding to 0 is 0."""
    return tuple(0.0 if abs(each) < 1e-12 else float(each) for each in row)


_MATRICES = _lobatto_matrices()
_SLOPE, _COEFFICIENT = ([_numbers(row) for row in matrix] for matrix in (_MATRICES[0], _MATRICES[2]))
_WEIGHT = _numbers(_MATRICES[1])


LimitName = Literal["power", "revs", "grip", "distance", "speed cap"]
LIMITS: tuple[LimitName, ...] = ("power", "revs", "grip", "distance", "speed cap")
"""What may limit a car at a mark."""
PASSING = ("time", "speed", "surface", "use", "gear", "limit")
"""What is noted at each mark: the fields of `Passing`."""


@dataclass(slots=True)
class Passing:
    """Passing each mark of the course; arrays (m, n). NaN: never reached. ``use`` is the share of grip used."""

    time: FloatArray
    speed: FloatArray
    surface: FloatArray
    use: FloatArray
    gear: IntArray
    limit: IntArray

    @classmethod
    def empty(cls, marks: int, count: int) -> Passing:
        """No mark passed yet."""
        blank = np.full((marks, count), np.nan)
        zero = np.zeros((marks, count), dtype=np.int64)
        return cls(blank.copy(), blank.copy(), blank.copy(), blank.copy(), zero.copy(), zero.copy())

    def take(self, rows: IntArray) -> Passing:
        """The same for some cars."""
        return Passing(*(getattr(self, name)[:, rows] for name in PASSING))

    def copy(self) -> Passing:
        """The same, to be written to."""
        return Passing(*(getattr(self, name).copy() for name in PASSING))

    def put(self, rows: IntArray, some: Passing) -> Passing:
        """The same with other values for some cars."""
        whole = self.copy()
        for name in PASSING:
            getattr(whole, name)[:, rows] = getattr(some, name)
        return whole


class Mesh(NamedTuple):
    """Wheel speeds ``c = pole - span gap**5`` of a stretch in three parts; arrays (n,).

    Gap falls from 1 to the first of two ``borders``, on to the second, and to ``end``, in panels of equal width in each
    part. The pole is where acceleration ends: towards it points crowd together, as time does. ``guess`` are
    coefficients of a parabola close to ground speed over wheel speed.
    """

    pole: FloatArray
    span: FloatArray
    borders: tuple[FloatArray, FloatArray]
    end: FloatArray
    guess: tuple[FloatArray, FloatArray, FloatArray]


class Block(NamedTuple):
    """Some panels of a stretch: distance and time at their borders (p + 1, n), all else at their corners.

    Rates are slopes over a panel of unit width.
    """

    distance: FloatArray
    time: FloatArray
    speed: Corners
    surface: Corners
    use: Corners
    acceleration: Corners
    speed_rate: Corners
    distance_rate: Corners
    time_rate: Corners

    def end(self) -> Point:
        """Where the last panel ends."""
        return Point(self.speed[3][-1], self.surface[3][-1], self.use[3][-1], self.distance[-1], self.time[-1])

    def least_acceleration(self) -> FloatArray:
        """The least at all points but the very first: (n,)."""
        return np.minimum.reduce([each.min(axis=0) for each in self.acceleration[1:]])


class Point(NamedTuple):
    """Where a stretch begins or ends: ground and wheel speed, grip use, distance, time; arrays (n,)."""

    speed: FloatArray
    surface: FloatArray
    use: FloatArray
    distance: FloatArray
    time: FloatArray

    def take(self, rows: IntArray) -> Point:
        """The same for some cars."""
        return Point(*(each[rows] for each in self))


class OnBoard(NamedTuple):
    """What the panel on which a board lies is made of, for c cars: their places in the batch, and values (c,)."""

    cars: IntArray
    left: FloatArray
    span: FloatArray
    time: FloatArray
    speed: FloatArray
    corners: FloatArray


def gap_of(left: FloatArray, span: FloatArray) -> FloatArray:
    """Gap (n,) that belongs to a speed still to gain up to the pole."""
    share = np.minimum(np.maximum(left, 0.0), span) / np.maximum(span, 1e-12)
    return np.power(share, 0.2)


def parabola(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Coefficients (n,) of parabolas through the first, middle and last of values y at even x (k, n)."""
    middle = len(x) // 2
    inverse = 1.0 / np.maximum(x[-1] - x[middle], 1e-9)
    slope = 0.5 * (y[-1] - y[0]) * inverse
    bend = 0.5 * (y[-1] - 2.0 * y[middle] + y[0]) * inverse * inverse
    return y[middle] - x[middle] * (slope - x[middle] * bend), slope - 2.0 * x[middle] * bend, bend


def panels_of(panels: tuple[int, int, int], inputs: RunInputs) -> tuple[int, int, int]:
    """Panels of a stretch for cars: more of them where engines bend sharply."""
    first, second, third = panels
    return inputs.finer * first, inputs.finer * second, inputs.finer * third


def drive(
    gear: Gear, mesh: Mesh, panels: tuple[int, int, int], first: Push, distance: FloatArray, time: FloatArray
) -> Iterator[Block]:
    """Panels of a stretch, as many at a time as fit the cache, from the state, distance and time at its start (n,)."""
    together = max(1, BLOCK // (3 * max(1, len(distance))))
    part, number = np.repeat(np.arange(len(panels)), panels), np.concatenate([np.arange(count) for count in panels])
    begin = np.stack([np.ones_like(mesh.end), *mesh.borders])
    width = (begin - np.stack([*mesh.borders, mesh.end])) / np.array(panels)[:, None]
    states = (begin[0], mesh.pole - mesh.span, first.speed, first.share, first.acceleration, first.use)
    last = [state[None] for state in states]
    for start in range(0, len(part), together):
        own, places = part[start : start + together], number[start : start + together, None] + LOBATTO[1:]
        rows = own[:1] if own[0] == own[-1] else np.repeat(own, 3)  # within one part all points have the same
        gap = begin[rows] - places.reshape(-1, 1) * width[rows]
        fourth = gap * gap
        fourth *= fourth
        gap *= fourth
        gap *= mesh.span
        surface = np.subtract(mesh.pole, gap, out=gap)
        push = gear.push(surface, mesh.guess[0] + surface * (mesh.guess[1] + surface * mesh.guess[2]))
        states = (fourth, surface, push.speed, push.share, push.acceleration, push.use)
        corners = [_corners(before, state) for before, state in zip(last, states, strict=True)]
        block = _block(corners, 5.0 * mesh.span * width[own], distance, time)
        yield block
        distance, time = block.distance[-1], block.time[-1]
        last = [each[3][-1:] for each in corners]


def _corners(before: FloatArray, values: FloatArray) -> Corners:
    """Values at the corners of panels, from those before the first and at the three further points of each (3 p, n)."""
    ends = values[2::3]
    return [before if len(ends) == 1 else np.concatenate([before, ends[:-1]]), values[::3], values[1::3], ends]


def _block(corners: list[Corners], steepness: FloatArray, distance: FloatArray, time: FloatArray) -> Block:
    """Rates and integrals over panels, from their corners; wheel speed rises by ``steepness gap**4`` in each (p, n).

    Ground speed is ``u = c share``: the slope of c is exact, that of share is taken from the panel's own cubic, so
    that lift and lifting off need no derivative, and only the small part that slip has is interpolated.
    """
    fourth, surface, speed, share, acceleration, use = corners
    gain, per_time, per_distance = [], [], []
    for i in range(4):
        rate = row_of(_SLOPE[i], share)
        rate *= surface[i]
        rate += fourth[i] * steepness * share[i]
        gain.append(rate)
        # where wheels run away from a car that has all but no grip, it loses speed for a moment: that takes no time
        per_time.append(np.maximum(rate, 0.0) / np.maximum(acceleration[i], LEAST_ACCELERATION))
        per_distance.append(speed[i] * per_time[i])
    return Block(
        accumulate(per_distance, distance), accumulate(per_time, time), speed, surface, use, acceleration,
        gain, per_distance, per_time,
    )  # fmt: skip


def on_limiter(gear: Gear, begin: Point, final: FloatArray, panels: int, reach: float) -> Block:
    """The stretch in which the limiter already keeps the wheels at their speed and slip dies away.

    The car still gains on the wheels towards the ground speed ``final`` (n,), to exp(-reach) of what is left to gain,
    or to its cap. Ground speed is the variable, and points crowd together as in a `Mesh`.
    """
    gain = np.maximum(final - begin.speed, 0.0)
    left = np.maximum(final - np.minimum(gear.inputs.cap_ms, final), gain * np.exp(-reach))
    width = (1.0 - np.where(left < gain, gap_of(left, gain), 1.0)) / panels
    gap = 1.0 - (np.arange(panels)[:, None] + LOBATTO).reshape(-1, 1) * width
    fourth = (gap * gap) * (gap * gap)
    speed = final - gain * (fourth * gap)
    speed[0] = begin.speed
    acceleration, use = gear.on_limiter(speed, begin.surface)
    rate = 5.0 * gain * width * fourth
    per_time = rate / np.maximum(acceleration, 1e-9)
    per_distance = per_time * speed
    states = (speed, np.broadcast_to(begin.surface, speed.shape), use, acceleration, rate, per_distance, per_time)
    corners = [[each[i::4] for i in range(4)] for each in states]
    return Block(accumulate(corners[5], begin.distance), accumulate(corners[6], begin.time), *corners)


def pause(begin: Point, speed: FloatArray, rolled: FloatArray, pause_s: float | FloatArray) -> Block:
    """A shift pause to a ground speed and over a distance (n,), as one panel: the car slows evenly."""
    slower = speed - begin.speed
    speeds = [(begin.speed + place * slower)[None] for place in LOBATTO]
    even = np.full((1, len(speed)), pause_s)
    return Block(
        np.array([begin.distance, begin.distance + rolled]), np.array([begin.time, begin.time + pause_s]),
        speeds, speeds,
        [0.0 * even] * 4, [slower[None]] * 4, [slower[None]] * 4, [each * pause_s for each in speeds], [even] * 4,
    )  # fmt: skip


def row_of(weights: tuple[float, ...], values: Corners) -> FloatArray:
    """Weighted sum, written out: a matrix product would make results depend on the batch."""
    out: FloatArray = values[0] * weights[0]
    for weight, value in zip(weights[1:], values[1:], strict=True):
        if weight:
            out += weight * value
    return out


def accumulate(rates: Corners, start: FloatArray) -> FloatArray:
    """Running integral at the borders of panels (p + 1, n), from the rates at their corners."""
    out = np.empty((len(rates[0]) + 1, len(start)))
    out[0] = start
    out[1:] = row_of(_WEIGHT, rates)
    for panel in range(len(rates[0])):
        out[panel + 1] += out[panel]
    return out


def on_board(block: Block, mark_m: float | FloatArray) -> OnBoard | None:
    """The cars that pass a board, at one distance or at each car's own (n,), on some panels; None if there is none."""
    cars = np.flatnonzero((mark_m < block.distance[-1]) & (block.distance[0] <= mark_m))
    if len(cars) == 0:
        return None
    at = np.broadcast_to(mark_m, block.distance[0].shape)[cars]
    panel = np.zeros(len(cars), dtype=np.int64)
    for border in block.distance[1:-1]:
        panel += border[cars] <= at
    start = block.distance[panel, cars]
    corners = [
        each[panel, cars]
        for kind in (block.distance_rate, block.time_rate, block.speed_rate, block.surface, block.use)
        for each in kind
    ]
    return OnBoard(
        cars, at - start, block.distance[panel + 1, cars] - start, block.time[panel, cars],
        block.speed[0][panel, cars], np.array(corners),
    )  # fmt: skip


def look_for(found: list[list[OnBoard]], block: Block, marks_m: Sequence[float | FloatArray]) -> None:
    """Add the cars that pass each mark on some panels to those found so far."""
    for mark, on_it in zip(marks_m, found, strict=True):
        cars = on_board(block, mark)
        if cars is not None:
            on_it.append(cars)


def at_board(found: list[OnBoard]) -> tuple[IntArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Which cars pass, their time, ground speed, wheel speed and grip use: by each panel's own integrals."""
    cars, left, span, time, speed, corners = (np.concatenate(each, axis=-1) for each in zip(*found, strict=True))

    def cubic(kind: int) -> list[FloatArray]:
        four = list(corners[4 * kind : 4 * kind + 4])
        return [row_of(_COEFFICIENT[i], four) for i in range(4)]

    rate = cubic(0)
    span = np.maximum(span, 1e-12)
    share = np.clip(left / span, 0.0, 1.0)
    for _ in range(BOARD_PASSES):
        slope = np.maximum(_polynomial(rate, share), 1e-9 * span)
        share = np.clip(share - (_integral(rate, share) - left) / slope, 0.0, 1.0)
    surface, use = _polynomial(cubic(3), share), _polynomial(cubic(4), share)
    return cars, time + _integral(cubic(1), share), speed + _integral(cubic(2), share), surface, use


def _polynomial(coefficients: list[FloatArray], share: FloatArray) -> FloatArray:
    """Value of a cubic."""
    c0, c1, c2, c3 = coefficients
    return c0 + share * (c1 + share * (c2 + share * c3))


def _integral(coefficients: list[FloatArray], share: FloatArray) -> FloatArray:
    """Integral of a cubic from 0."""
    c0, c1, c2, c3 = coefficients
    return share * (c0 + share * (c1 / 2 + share * (c2 / 3 + share * c3 / 4)))
