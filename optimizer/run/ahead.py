"""What a gear has in store: where acceleration ends, where grip stops limiting, and the points to integrate at."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from optimizer.run.driving import BoolArray, Gear, Push
from optimizer.run.inputs import FloatArray, IntArray
from optimizer.run.panels import Mesh, OnBoard, Point, drive, gap_of, look_for, parabola

LOG_REACH = 10.0
"""How far the last gear is followed: to exp(-LOG_REACH) of the speed still to gain, then at constant speed."""
SCAN_POINTS = (7, 9)
"""Points at which a gear is searched for the speeds where engine and grip take turns and where acceleration ends: in a
gear that is left again, where every point driven over is looked at too, and in the last one."""
DIP_PASSES = 2
"""Parabolas laid towards the lowest point of a dip in acceleration."""
ROOT_PASSES = 3
"""Bracketing passes towards those speeds, two points each."""
ROOM = 1.2
"""How many times the way to the last board points are laid out for, by a short estimate of the way."""


class Ahead(NamedTuple):
    """What a gear has in store between two wheel speeds; arrays (n,).

    Attributes
    ----------
    mesh : where to integrate: its pole is where acceleration is zero, or would be if it went on falling past the end;
        borders lie where engine and grip take turns, or else where they divide the stretch sensibly.
    first : the state at the start.
    settles : whether acceleration ends before the end of the stretch.
    settled : the ground speed at which it does; 0 where it does not, or that was not asked for.
    least : the least acceleration found on the stretch.
    cut : whether points end sooner, where the car should have passed the last board.
    """

    mesh: Mesh
    first: Push
    settles: BoolArray
    settled: FloatArray
    least: FloatArray
    cut: BoolArray


class Bracket(NamedTuple):
    """Where acceleration ends, or the last stretch before the end: wheel speed, ground speed, acceleration (n,)."""

    low: FloatArray
    high: FloatArray
    slow: FloatArray
    fast: FloatArray
    pull: FloatArray
    end_pull: FloatArray


def look_ahead(
    gear: Gear, start: FloatArray, stop: FloatArray, panels: tuple[int, int, int], room: FloatArray | None = None
) -> Ahead:
    """Find where acceleration ends and where engine and grip take turns between two wheel speeds (n,) of a gear.

    With ``room`` (n,), the way to the last board, a car that settles is followed to where it does; elsewhere it cannot
    use the gear. Points then end where it must have passed the board, or else at the end of the stretch.
    """
    count = SCAN_POINTS[0 if room is None else 1]
    if gear.inputs.finer > 1:
        count = gear.inputs.finer * count + 1
    at = start + np.linspace(0.0, 1.0, count)[:, None] * (stop - start)
    push = gear.push(at)
    settles, least, bracket = _end_of_pull(gear, at, push)
    wide = bracket.high > bracket.low
    fall = np.where(wide, (bracket.pull - bracket.end_pull) / np.where(wide, bracket.high - bracket.low, 1.0), 0.0)
    beyond = np.where(fall > 1e-4, bracket.end_pull / np.maximum(fall, 1e-4), bracket.end_pull * 1e4)
    pole, settled = stop + np.clip(beyond, 1e-4, 1e3), np.zeros_like(stop)
    rows = np.flatnonzero(settles)
    if room is not None and len(rows):
        some = gear.take(rows)
        slow, fast, pull, end_pull = (each[rows] for each in bracket[2:])
        settled[rows] = _bracketed_root(lambda speed: some.surplus(speed)[0], (slow, fast), (pull, end_pull))
        pole[rows] = some.surplus(settled[rows])[1]
    span = pole - start
    end = np.where(settles, np.exp(-0.2 * LOG_REACH), gap_of(pole - stop, span))
    arrived = np.zeros_like(end) if room is None else gap_of(pole - _arrival(at, push, ROOM * room), span)
    reach = Reach(pole, span, np.maximum(end, arrived))
    mesh = Mesh(pole, span, _borders(gear, at, push, reach, panels), reach.end, parabola(at, push.share))
    return Ahead(mesh, push.row(0), settles, settled, least, arrived > end)


def drive_on(
    gear: Gear,
    ahead: Ahead,
    panels: tuple[int, int, int],
    begin: tuple[FloatArray, FloatArray],
    marks_m: tuple[float, float],
) -> tuple[Point, list[list[OnBoard]], FloatArray]:
    """Drive over the stretch ahead from a distance and a time (n,).

    Returns
    -------
    end : Point
        Where the points of the stretch end.
    found : list
        For each mark, the cars that pass it, by the panels on which they do.
    least : array (n,)
        The least acceleration on the way.
    """
    found: list[list[OnBoard]] = [[] for _ in marks_m]
    least = ahead.first.acceleration
    for block in drive(gear, ahead.mesh, panels, ahead.first, *begin):
        look_for(found, block, marks_m)
        least = np.minimum(least, block.least_acceleration())
    return block.end(), found, least


def _end_of_pull(gear: Gear, at: FloatArray, push: Push) -> tuple[BoolArray, FloatArray, Bracket]:
    """Whether and between which scanned wheel speeds (k, n) acceleration ends, and the least there is."""
    spent = push.acceleration <= 0
    settles = np.asarray(spent.any(axis=0))
    last = np.where(settles, np.argmax(spent, axis=0), len(at) - 1).clip(1)
    bracket = Bracket(*_pair_at(at, last), *_pair_at(push.speed, last), *_pair_at(push.acceleration, last))
    least = push.acceleration.min(axis=0)
    dip = _lowest_dip(gear, at, push)
    if dip is None:
        return settles, least, bracket
    sooner = (dip.end_pull <= 0) & (dip.low < bracket.low)
    both = Bracket(*(np.where(sooner, in_dip, at_end) for in_dip, at_end in zip(dip, bracket, strict=True)))
    return settles | sooner, np.minimum(least, dip.end_pull), both


def _arrival(at: FloatArray, push: Push, room: FloatArray) -> FloatArray:
    """Wheel speed (n,) by which a car has gone some way, about, and rather too low a speed; inf where it never does.

    Between two scanned speeds (k, n) a car accelerates by no more than it does at one of them, bumps apart.
    """
    most = np.maximum(np.maximum(push.acceleration[:-1], push.acceleration[1:]), 1e-9)
    square = push.speed * push.speed
    way = np.zeros_like(at)
    np.cumsum((square[1:] - square[:-1]) / (2.0 * most), axis=0, out=way[1:])
    far = way >= room
    place = np.argmax(far, axis=0).clip(1)
    (before, after), (low, high) = _pair_at(way, place), _pair_at(at, place)
    share = np.clip((room - before) / np.maximum(after - before, 1e-9), 0.0, 1.0)
    return np.where(far.any(axis=0) & (_pair_at(push.acceleration, place)[1] > 0), low + share * (high - low), np.inf)


class Reach(NamedTuple):
    """Pole, its distance from the start, and the gap at the end of a stretch, as in `Mesh`; arrays (n,)."""

    pole: FloatArray
    span: FloatArray
    end: FloatArray

    def take(self, rows: IntArray) -> Reach:
        """The same for some cars."""
        return Reach(*(each[rows] for each in self))

    def gap(self, surface: FloatArray) -> FloatArray:
        """Gap at a wheel speed, not beyond the end."""
        return np.maximum(gap_of(self.pole - surface, self.span), self.end)


def _borders(
    gear: Gear, at: FloatArray, push: Push, reach: Reach, panels: tuple[int, int, int]
) -> tuple[FloatArray, FloatArray]:
    """Gaps (n,) that divide a stretch in three: where engine and grip take turns, or else as panels are shared out."""
    share = np.cumsum(panels) / sum(panels)
    first, second = 1.0 - (1.0 - reach.end) * share[0], 1.0 - (1.0 - reach.end) * share[1]
    free = push.spare >= 0
    turns = (free[1:] != free[:-1]) & (push.acceleration[:-1] > 0)
    count = turns.sum(axis=0)
    rows = np.flatnonzero(count > 0)
    if len(rows):
        place = len(turns) - np.argmax(turns[::-1, rows], axis=0)
        surface = _turn(gear.take(rows), at[:, rows], push.spare[:, rows], place)
        inside = surface < reach.pole[rows]
        rows, surface = rows[inside], surface[inside]
        second[rows] = reach.take(rows).gap(surface)
        first[rows] = 1.0 - (1.0 - second[rows]) * (share[0] / share[1])
    rows = np.flatnonzero(count > 1)
    if len(rows):
        surface = _turn(gear.take(rows), at[:, rows], push.spare[:, rows], 1 + np.argmax(turns[:, rows], axis=0))
        inside = surface < reach.pole[rows]
        rows, surface = rows[inside], surface[inside]
        first[rows] = np.maximum(reach.take(rows).gap(surface), second[rows])
    return first, second


def _turn(gear: Gear, at: FloatArray, spare: FloatArray, place: IntArray) -> FloatArray:
    """Wheel speed (n,) at which engine and grip take turns, between scanned ones (k, n): just before a place (n,)."""
    before, after = _pair_at(spare, place)
    sign = np.where(before < 0, -1.0, 1.0)
    return _bracketed_root(
        lambda surface: sign * gear.spare_at_limit(surface), _pair_at(at, place), (sign * before, sign * after)
    )


def _lowest_dip(gear: Gear, at: FloatArray, push: Push) -> Bracket | None:
    """The lowest dip of acceleration between scanned wheel speeds (k, n), by parabolas; None if no car has one.

    An engine with a hole in its torque holds a car there that the scan alone would see pass. Inf for cars without.
    """
    pull = push.acceleration
    inner = pull[1:-1]
    is_dip = (inner > 0) & (inner < pull[:-2]) & (inner <= pull[2:]) & (np.minimum.accumulate(pull)[:-2] > 0)
    rows = np.flatnonzero(is_dip.any(axis=0))
    if len(rows) == 0:
        return None
    gear = gear.take(rows)
    place = np.argmin(np.where(is_dip[:, rows], inner[:, rows], np.inf), axis=0)
    # wheel speed, acceleration and ground speed at three points about the dip
    left, middle, right = (
        np.array([each[:, rows][place + i, np.arange(len(rows))] for each in (at, pull, push.speed)]) for i in range(3)
    )
    for _ in range(DIP_PASSES):
        vertex = _vertex(left, middle, right)
        there = gear.push(vertex[None])
        new = np.array([vertex, there.acceleration[0], there.speed[0]])
        before, lower = vertex < middle[0], new[1] < middle[1]
        left, middle, right = (
            np.where(before, np.where(lower, left, new), np.where(lower, middle, left)),
            np.where(lower, new, middle),
            np.where(before, np.where(lower, middle, right), np.where(lower, right, new)),
        )
    dip = np.full((6, pull.shape[1]), np.inf)
    dip[:, rows] = [left[0], middle[0], left[2], middle[2], left[1], middle[1]]
    return Bracket(*dip)


def _vertex(left: FloatArray, middle: FloatArray, right: FloatArray) -> FloatArray:
    """Lowest point of the parabola through three points (x, y), the middle one not above the others: arrays (n,)."""
    before, after = middle[0] - left[0], middle[0] - right[0]
    rise, fall = before * (middle[1] - right[1]), after * (middle[1] - left[1])
    clear = np.abs(rise - fall) > 1e-12
    step = 0.5 * (before * rise - after * fall) / np.where(clear, rise - fall, 1.0)
    return np.where(clear, np.clip(middle[0] - step, left[0], right[0]), middle[0])


def _pair_at(values: FloatArray, place: IntArray) -> tuple[FloatArray, FloatArray]:
    """Values (k, n) before and at a place (n,)."""
    cars = np.arange(values.shape[1])
    return values[place - 1, cars], values[place, cars]


def _bracketed_root(
    function: Callable[[FloatArray], FloatArray],
    bracket: tuple[FloatArray, FloatArray],
    values: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Just below the zero of a falling function between two speeds, where it is still positive: (n,).

    Regula falsi with a second step across the zero in every pass, twice as long as the secant asks for: so both ends
    of the bracket close in, also where the slope changes at once.
    """
    (low, high), (f_low, f_high) = bracket, values

    def keep(at: FloatArray) -> FloatArray:
        nonlocal low, high, f_low, f_high
        value = function(at)
        right = value <= 0
        low, high = np.where(right, low, at), np.where(right, at, high)
        f_low, f_high = np.where(right, f_low, value), np.where(right, value, f_high)
        return value

    for _ in range(ROOT_PASSES):
        gap, width = f_low - f_high, high - low
        falls = gap > 0
        middle = np.where(falls, low + width * f_low / np.where(falls, gap, 1.0), low)
        value = keep(middle)
        gap, width = f_low - f_high, high - low
        across = 2.0 * np.abs(value) * width / np.where(gap > 0, gap, 1.0) + 1e-12 * high
        keep(np.clip(np.where(value <= 0, middle - across, middle + across), low, high))
    return low
