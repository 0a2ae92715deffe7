"""How cars come into each gear: the launch, the pull through each gear below, and the pauses between them.

All gears are worked out together. A gear is left at its shift speed, whatever speed it was taken up with: so the speed
with which the next one is taken up is known beforehand, and each pull is a stretch of its own, put together with the
others when all are known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from optimizer.run.ahead import drive_on, look_ahead
from optimizer.run.driving import BoolArray, Gear
from optimizer.run.inputs import FloatArray, IntArray, RunInputs
from optimizer.run.panels import (
    LIMITS,
    PASSING,
    Block,
    OnBoard,
    Passing,
    Point,
    at_board,
    drive,
    look_for,
    panels_of,
    pause,
)

PULL_PANELS = (2, 2, 2)
"""Panels in a gear that is left again: up to where engine and grip take turns, twice, and beyond."""
CLUTCH_PANELS = (1, 1, 1)
"""The same while the clutch slips."""


class Entry(NamedTuple):
    """How cars enter a gear: ground and wheel speed, acceleration, distance, time, whether they can; arrays (n,).

    ``top_speed`` and ``top_surface`` are the highest ground and wheel speed so far, before the pause of a shift. Where
    they cannot because they stop accelerating first, ``lack`` is the acceleration that failed them, below 0.
    """

    speed: FloatArray
    surface: FloatArray
    pull: FloatArray
    distance: FloatArray
    time: FloatArray
    top_speed: FloatArray
    top_surface: FloatArray
    able: BoolArray
    lack: FloatArray

    def take(self, rows: IntArray) -> Entry:
        """The same for some cars."""
        return Entry(
            self.speed[rows], self.surface[rows], self.pull[rows], self.distance[rows], self.time[rows],
            self.top_speed[rows], self.top_surface[rows], self.able[rows], self.lack[rows],
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Entries:
    """How n cars come into each of G gears: car c into gear g is row ``g * n + c`` of each array (G * n,).

    ``passing`` is what they have passed before.
    """

    gears: Gear
    entry: Entry
    passing: Passing

    def take(self, rows: IntArray) -> tuple[Gear, Entry, Passing]:
        """Some of the rows."""
        return self.gears.take(rows), self.entry.take(rows), self.passing.take(rows)


def entries_of(inputs: RunInputs, marks_m: tuple[float, float], highest: int | None = None) -> Entries:
    """How cars come into each gear, up to the highest that any has, or a ``highest`` that is asked for."""
    count = len(inputs)
    if highest is None:
        highest = int(np.flatnonzero((inputs.overall > 0).any(axis=1)).max(initial=0))
    number = highest + 1
    gears = Gear(inputs.take(np.tile(np.arange(count), number)), np.repeat(np.arange(number), count))
    first, passing, least = _launched(Gear(inputs, 0), marks_m)
    takes = _Taking(gears, number, first, least)
    pulls = _pulled(takes)
    entry, goes = _put_together(first, least, takes, pulls, marks_m[-1])
    passing = Passing(*(np.tile(getattr(passing, name), (1, number)) for name in PASSING))
    _note_on_way(passing, entry, takes, pulls, goes, marks_m)
    return Entries(gears, entry, passing)


def note(passing: Passing, found: list[list[OnBoard]], numbers: IntArray, limit: IntArray | None = None) -> Passing:
    """Passing with the marks that cars in gears (n,) pass; ``limit`` (n,) says what holds them there (distance)."""
    if not any(found):
        return passing
    new = passing.copy()
    for m, on_it in enumerate(found):
        if on_it:
            cars, *values = at_board(on_it)
            rows = np.flatnonzero(np.isnan(new.time[m, cars]))
            for name, each in zip(PASSING, values, strict=False):
                getattr(new, name)[m, cars[rows]] = each[rows]
            new.gear[m, cars[rows]] = numbers[cars[rows]]
            new.limit[m, cars[rows]] = LIMITS.index("distance") if limit is None else limit[cars[rows]]
    return new


def _launched(gear: Gear, marks_m: tuple[float, float]) -> tuple[Entry, Passing, FloatArray]:
    """Standing, or at the speed the car is pushed to; below the launch speed the clutch slips until that is reached.

    Third, the least acceleration (n,) on a slipping clutch; inf for cars beyond it.
    """
    count = len(gear.exists)
    speed, zero = np.full(count, gear.inputs.start_speed_ms), np.zeros(count)
    passing = Passing.empty(len(marks_m), count)
    entry = Entry(speed, speed, zero, zero, zero, speed, speed, gear.exists, zero)
    clutch = Gear(gear.inputs, 0, clutch=True)
    surface = clutch.surface_at(speed)
    slips = surface < gear.launch_surface
    rows = np.flatnonzero(slips)
    if len(rows) == 0:
        return entry, passing, np.full(count, np.inf)
    panels = panels_of(CLUTCH_PANELS, gear.inputs)
    ahead = look_ahead(clutch, surface, np.maximum(gear.launch_surface, surface), panels)
    end, found, least = drive_on(clutch, ahead, panels, (zero, zero), marks_m)
    if any(found):
        passing = passing.put(rows, note(passing, found, gear.numbers).take(rows))
    entry = entry._replace(
        speed=np.where(slips, end.speed, speed),
        distance=np.where(slips, end.distance, zero),
        time=np.where(slips, end.time, zero),
    )
    return entry, passing, np.where(slips, least, np.inf)


class _Taking:
    """With which speeds gears are taken up and left: arrays (G, n) of ground speed, wheel speed and acceleration.

    At the shift ``left_speed`` and ``left_pull`` are those at its wheel speed, ``after`` and ``rolled`` what follows
    from the pause. ``skips``: taken up faster than that. ``held``: a cap ends it first. ``comes``: whether cars may get
    into the gear, as far as is known before they have pulled.
    """

    def __init__(self, gears: Gear, count: int, first: Entry, least: FloatArray) -> None:
        self.gears, inputs = gears, gears.inputs
        self.shape = shape = (count, len(first.speed))
        self.left_speed, self.left_pull = (each.reshape(shape) for each in gears.at(gears.shift_surface))
        after, rolled = gears.coast(self.left_speed.ravel(), inputs.shift_time_s)
        self.after, self.rolled = after.reshape(shape), rolled.reshape(shape)
        self.pause_s = np.broadcast_to(inputs.shift_time_s, after.shape).reshape(shape)
        self.speed = np.concatenate([first.speed[None], self.after[:-1]])
        surface, pull = gears.taken_up(self.speed.ravel())
        self.surface, self.pull = surface.reshape(shape), pull.reshape(shape)
        self.shift_surface, self.exists = gears.shift_surface.reshape(shape), gears.exists.reshape(shape)
        self.skips = self.surface >= self.shift_surface
        self._take_up_later()
        leaves = [np.where(self.skips, ours, theirs) for ours, theirs in (
            (self.speed, self.left_speed), (self.surface, self.shift_surface),
        )]  # fmt: skip
        caps = inputs.cap_ms.reshape(shape), inputs.surface_cap_ms.reshape(shape)
        self.held = (leaves[0] >= caps[0]) | (leaves[1] >= caps[1])
        self.goes_on = self.skips | (self.pull > 0)
        self.comes = self.goes_on.copy()
        self.comes[0] &= first.able & (least > 0)
        for number in range(len(self.comes) - 1):
            may = self.comes[number] & (self.skips[number] | (self.left_pull[number] > 0)) & ~self.held[number]
            self.comes[number + 1] &= may & self.exists[number + 1]

    def _take_up_later(self) -> None:
        """Where a gear is skipped the next is taken up with the same speed."""
        count = self.shape[1]
        for number in range(len(self.skips) - 1):
            cars = np.flatnonzero(self.skips[number])
            if len(cars) == 0:
                continue
            self.speed[number + 1, cars] = speed = self.speed[number, cars]
            surface, pull = self.gears.take((number + 1) * count + cars).taken_up(speed)
            self.surface[number + 1, cars], self.pull[number + 1, cars] = surface, pull
            self.skips[number + 1, cars] = surface >= self.shift_surface[number + 1, cars]


@dataclass(frozen=True, slots=True)
class _Pulls:
    """Pulls through gears to their shift speed: ``rows`` (p,) of G * n, and panels of them, from distance and time 0.

    The way and the time to the shift, whether acceleration ends before, and the least there is, overall and as scanned,
    are arrays (G, n).
    """

    rows: IntArray
    blocks: list[Block]
    distance: FloatArray
    time: FloatArray
    settles: BoolArray
    least: FloatArray
    scanned: FloatArray


def _pulled(takes: _Taking) -> _Pulls:
    """Pull through every gear that cars may get into and out of again."""
    shape = takes.shape
    leaves = takes.comes & ~takes.skips
    leaves[:-1] &= takes.exists[1:]
    leaves[-1] = False
    rows = np.flatnonzero(leaves)
    distance, time, least, scanned = np.zeros(shape), np.zeros(shape), np.full(shape, np.inf), np.full(shape, np.inf)
    settles, blocks = np.zeros(shape, dtype=bool), []
    if len(rows):
        some, zero = takes.gears.take(rows), np.zeros(len(rows))
        panels = panels_of(PULL_PANELS, some.inputs)
        ahead = look_ahead(some, takes.surface.ravel()[rows], some.shift_surface, panels)
        blocks = list(drive(some, ahead.mesh, panels, ahead.first, zero, zero))
        distance.ravel()[rows], time.ravel()[rows] = blocks[-1].distance[-1], blocks[-1].time[-1]
        slowest = [ahead.first.acceleration, *(block.least_acceleration() for block in blocks)]
        least.ravel()[rows], scanned.ravel()[rows] = np.minimum.reduce(slowest), ahead.least
        settles.ravel()[rows] = ahead.settles
    return _Pulls(rows, blocks, distance, time, settles, least, scanned)


def _put_together(
    first: Entry, least: FloatArray, takes: _Taking, pulls: _Pulls, last_m: float
) -> tuple[Entry, BoolArray]:
    """How cars come into each gear, from how they come into the first; and which pull through each (G, n).

    A car that passes the last mark before it shifts has run in this gear to the end: it goes into no other.
    """
    able = first.able & (least > 0) & takes.goes_on[0]
    lack = np.where(first.able & ~able, np.minimum(least, takes.pull[0]), 0.0)
    each = [first._replace(surface=takes.surface[0], pull=takes.pull[0], able=able, lack=lack)]
    through = np.zeros(takes.skips.shape, dtype=bool)
    for number in range(len(takes.skips) - 1):
        here, skip = each[-1], takes.skips[number]
        could = here.able & takes.exists[number + 1]
        weak = pulls.settles[number] | (takes.left_pull[number] <= 0)
        distance = here.distance + pulls.distance[number]
        through[number] = could & ~skip & ~weak & (pulls.least[number] > 0) & (distance < last_m) & ~takes.held[number]
        goes = through[number] | (could & skip & ~takes.held[number])
        failed = np.minimum(pulls.scanned[number], takes.left_pull[number])
        lack = np.where(could & ~skip & weak, failed, here.lack)
        able, pull = goes & takes.goes_on[number + 1], takes.pull[number + 1]
        rolled = pulls.distance[number] + takes.rolled[number]
        top_speed = np.maximum(here.top_speed, takes.left_speed[number])
        top_surface = np.maximum(here.top_surface, takes.shift_surface[number])
        each.append(Entry(
            takes.speed[number + 1], takes.surface[number + 1], pull,
            np.where(skip, here.distance, here.distance + rolled),
            np.where(skip, here.time, here.time + pulls.time[number] + takes.pause_s[number]),
            np.where(skip, here.top_speed, top_speed), np.where(skip, here.top_surface, top_surface),
            able, np.where(goes & ~able, pull, lack),
        ))  # fmt: skip
    columns: Any = (np.concatenate(arrays) for arrays in zip(*each, strict=True))
    return Entry(*columns), through


def _note_on_way(
    passing: Passing, entry: Entry, takes: _Taking, pulls: _Pulls, through: BoolArray, marks_m: tuple[float, float]
) -> None:
    """Note the marks that lie on pulls and in the pauses after them, for every later gear. Writes into ``passing``."""
    number, count = through.shape
    whole = (pulls.distance + takes.rolled).ravel()
    begin, after = entry.distance, np.append(entry.distance[count:], np.zeros(count))
    rows = pulls.rows
    on_way = [(begin <= mark) & (mark < after) & through.ravel() for mark in marks_m]
    if not any(each[rows].any() for each in on_way):
        return
    # what lies on the way by the distances that other gears begin with must do so by those of its own panels
    own = [
        np.where(each, np.minimum(mark - begin, np.nextafter(whole, 0.0)), -1.0)[rows]
        for mark, each in zip(marks_m, on_way, strict=True)
    ]
    found: list[list[OnBoard]] = [[] for _ in marks_m]
    for block in [*pulls.blocks, _pauses(takes, pulls)]:
        look_for(found, block, own)
    noted = note(Passing.empty(len(marks_m), len(rows)), found, takes.gears.numbers[rows])
    noted.time += entry.time[rows]
    gear, car = np.divmod(rows, count)
    for later in range(1, number):
        for m in range(len(marks_m)):
            to = np.flatnonzero((gear + later < number) & ~np.isnan(noted.time[m]))
            for name in PASSING:
                getattr(passing, name)[m, (gear + later)[to] * count + car[to]] = getattr(noted, name)[m, to]


def _pauses(takes: _Taking, pulls: _Pulls) -> Block:
    """The pauses after pulls."""
    rows = pulls.rows
    left, surface, distance, time, after, rolled, pause_s = (
        each.ravel()[rows]
        for each in (
            takes.left_speed, takes.shift_surface, pulls.distance, pulls.time, takes.after, takes.rolled, takes.pause_s,
        )
    )  # fmt: skip
    return pause(Point(left, surface, np.zeros(len(rows)), distance, time), after, rolled, pause_s)
