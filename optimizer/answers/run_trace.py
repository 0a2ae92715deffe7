"""One build down the course, to be drawn: speed, gear and revs along the way, and thrust against resistance.

The way is taken from the simulator's own panels, more of them than it needs for its sums, so that lines between
points look like the curve they stand for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.choice.options import IntArray
from optimizer.run.ahead import LOG_REACH, look_ahead
from optimizer.run.conditions import Conditions
from optimizer.run.driving import Gear
from optimizer.run.inputs import FloatArray, RunInputs
from optimizer.run.judge import Judge
from optimizer.run.panels import Block, Point, drive, on_limiter
from optimizer.run.simulator import Run

PANELS = (8, 8, 16)
"""Panels of a stretch: many more than the simulator's, for lines that look smooth."""
SPEEDS = 121
"""Ground speeds at which thrust is told."""
AHEAD = 1.12
"""How far beyond the fastest speed the chart of thrust goes."""
LEAST_SPEED_MS = 5.0


@dataclass(frozen=True, slots=True)
class Leg:
    """A stretch in one gear: distance [m], ground speed [m/s], engine speed [rpm], time [s]; arrays (k,).

    ``gear`` counts from 1. The pause of a shift lies between two legs.
    """

    gear: int
    distance_m: FloatArray
    speed_ms: FloatArray
    rpm: FloatArray
    time_s: FloatArray


@dataclass(frozen=True, slots=True)
class Board:
    """Passing a board: where [m], ground speed [m/s], engine speed [rpm], gear from 1, time from the start [s]."""

    distance_m: float
    speed_ms: float
    rpm: float
    gear: int
    time_s: float


@dataclass(frozen=True, slots=True)
class RunTrace:
    """One run from the start to the last board."""

    legs: tuple[Leg, ...]
    boards: tuple[Board, Board]
    headwind_ms: float


@dataclass(frozen=True, slots=True)
class GearThrust:
    """What one gear can push with at steady ground speeds [m/s, N]; arrays (k,).

    ``meets_ms`` is the ground speed at which its thrust falls to the resistance, None where the limiter comes first
    or the gear is too tall at every speed.
    """

    gear: int
    speed_ms: FloatArray
    thrust_n: FloatArray
    meets_ms: float | None


@dataclass(frozen=True, slots=True)
class Thrust:
    """Thrust at the ground in each gear against what air and salt take [N], over ground speed [m/s].

    ``air_n`` and ``resistance_n`` (air and rolling together) go with ``speed_ms``.
    """

    gears: tuple[GearThrust, ...]
    speed_ms: FloatArray
    air_n: FloatArray
    resistance_n: FloatArray


def traces_of(judge: Judge, build: IntArray) -> tuple[RunTrace, ...]:
    """The runs that count of a build (S,)."""
    runs = judge.runs(build[None])
    return tuple(_trace(judge, build, run, each) for run, each in zip(runs, judge.conditions, strict=True))


def _trace(judge: Judge, build: IntArray, run: Run, conditions: Conditions) -> RunTrace:
    inputs = judge.model.inputs(build[None], conditions)
    rpm, passing = judge.rpm(build[None], run), run.passing
    first, last = (
        Board(
            mark, float(passing.speed[m, 0]), float(rpm[m, 0]), int(passing.gear[m, 0]) + 1, float(passing.time[m, 0])
        )
        for m, mark in enumerate(judge.marks_m)
    )
    return RunTrace(_legs(inputs, last), (first, last), conditions.headwind_ms)


def _legs(inputs: RunInputs, last: Board) -> tuple[Leg, ...]:
    """Gear by gear to the last board."""
    legs: list[Leg] = []
    speed, distance, time = np.array([inputs.start_speed_ms]), np.zeros(1), np.zeros(1)
    for number in range(last.gear):
        gear, parts = Gear(inputs, number), []
        if number == 0:
            blocks = _on_the_clutch(gear, speed, distance, time)
            if blocks:
                end = blocks[-1].end()
                speed, distance, time = end.speed, end.distance, end.time
                clutch = Gear(inputs, 0, clutch=True)
                parts.append(_leg(clutch, blocks))
        surface = gear.surface_at(speed)
        if number + 1 < last.gear and surface[0] >= gear.shift_surface[0]:
            continue
        stop = gear.shift_surface if number + 1 < last.gear else _last_stop(gear, surface)
        ahead = look_ahead(gear, surface, stop, PANELS, None if number + 1 < last.gear else np.full(1, np.inf))
        blocks = list(drive(gear, ahead.mesh, PANELS, ahead.first, distance, time))
        if number + 1 == last.gear and not ahead.settles[0]:
            blocks += _held_wheels(gear, blocks[-1].end(), stop)
        parts.append(_leg(gear, blocks))
        legs.append(_joined(parts))
        end = blocks[-1].end()
        after, rolled = gear.coast(end.speed, inputs.shift_time_s)
        speed, distance, time = after, end.distance + rolled, end.time + inputs.shift_time_s
    legs[-1] = _to_the_board(legs[-1], last)
    return tuple(legs)


def _on_the_clutch(gear: Gear, speed: FloatArray, distance: FloatArray, time: FloatArray) -> list[Block]:
    """The launch, while the clutch slips; nothing for a car that is pushed off faster than that."""
    clutch = Gear(gear.inputs, gear.number, clutch=True)
    surface = clutch.surface_at(speed)
    if surface[0] >= gear.launch_surface[0]:
        return []
    ahead = look_ahead(clutch, surface, gear.launch_surface, PANELS)
    return list(drive(clutch, ahead.mesh, PANELS, ahead.first, distance, time))


def _last_stop(gear: Gear, surface: FloatArray) -> FloatArray:
    """Wheel speed at which limiter or cap end the last gear's pull."""
    inputs = gear.inputs
    at_cap = gear.surface_at(inputs.cap_ms) if np.isfinite(inputs.cap_ms[0]) else inputs.cap_ms
    return np.maximum(np.minimum(np.minimum(gear.limit_surface, inputs.surface_cap_ms), at_cap), surface)


def _held_wheels(gear: Gear, end: Point, stop: FloatArray) -> list[Block]:
    """The stretch on the limiter, while slip dies away; none where a cap on ground speed comes first."""
    inputs = gear.inputs
    if stop[0] < min(gear.limit_surface[0], inputs.surface_cap_ms[0]):
        return []
    final, _ = gear.hold(stop)
    return [on_limiter(gear, end._replace(surface=stop), final, PANELS[-1], LOG_REACH)]


def _leg(gear: Gear, blocks: list[Block]) -> Leg:
    """Distances, speeds and revs at the borders of panels."""
    surface = np.concatenate([[blocks[0].surface[0][0]], *(each.surface[3] for each in blocks)])
    rpm = gear.rpm_at(surface)[:, 0]
    return Leg(
        gear=gear.number + 1,
        distance_m=np.concatenate([blocks[0].distance[:1], *(each.distance[1:] for each in blocks)])[:, 0],
        speed_ms=np.concatenate([[blocks[0].speed[0][0]], *(each.speed[3] for each in blocks)])[:, 0],
        rpm=np.maximum(rpm, gear.inputs.launch_rpm[0]) if gear.clutch else rpm,
        time_s=np.concatenate([blocks[0].time[:1], *(each.time[1:] for each in blocks)])[:, 0],
    )


def _joined(parts: list[Leg]) -> Leg:
    """Several stretches in one gear as one."""

    def all_of(name: str) -> FloatArray:
        return np.concatenate([getattr(part, name) for part in parts])

    return Leg(
        parts[-1].gear, all_of("distance_m"), all_of("speed_ms"), all_of("rpm"), all_of("time_s")
    )


def _to_the_board(leg: Leg, last: Board) -> Leg:
    """A leg up to the last board; beyond its points the speed is held."""
    before = leg.distance_m < last.distance_m
    return Leg(
        leg.gear,
        np.append(leg.distance_m[before], last.distance_m),
        np.append(leg.speed_ms[before], last.speed_ms),
        np.append(leg.rpm[before], last.rpm),
        np.append(leg.time_s[before], last.time_s),
    )


def thrust_of(judge: Judge, build: IntArray) -> Thrust:
    """Thrust against resistance of a build (S,) in the first run's wind and air.

    At a steady speed: nothing is spent on making the car or what turns in it faster, so a gear's line meets the
    resistance where the car would settle in it. Grip limits the thrust where the engine has more.
    """
    car = judge.model.inputs(build[None], judge.conditions[0])
    run = judge.run_of(car)
    fastest = AHEAD * float(np.fmax(run.final_ms[0], run.passing.speed[1, 0]))
    speed = np.linspace(min(LEAST_SPEED_MS, fastest / 2), fastest, SPEEDS)
    inputs = car.take(np.zeros(SPEEDS, dtype=np.int64))
    drag, rolling, _ = Gear(inputs, 0).resistance(speed)
    gears = [
        found
        for number in range(len(car.overall))
        if car.overall[number, 0] > 0 and (found := _gear_thrust(Gear(inputs, number), speed, drag + rolling))
    ]
    return Thrust(tuple(gears), speed, drag, drag + rolling)


def _gear_thrust(gear: Gear, speed: FloatArray, resistance: FloatArray) -> GearThrust | None:
    """One gear's line, between launch and limiter; None where no speed shown can be driven in it."""
    inputs = gear.inputs
    surplus, surface = gear.surplus(speed)
    rpm = gear.rpm_at(surface)
    rows = np.flatnonzero((rpm >= inputs.launch_rpm[0]) & (rpm <= inputs.rev_limit_rpm[0]))
    if len(rows) < 2:
        return None
    spare = surplus * (inputs.translating_kg + gear.turning_kg)
    left = spare[rows]
    falls = np.flatnonzero((left[:-1] > 0) & (left[1:] <= 0))
    meets = None
    if len(falls):
        at = falls[-1]
        share = left[at] / (left[at] - left[at + 1])
        meets = float(speed[rows[at]] + share * (speed[rows[at + 1]] - speed[rows[at]]))
    return GearThrust(gear.number + 1, speed[rows], (resistance + spare)[rows], meets)
