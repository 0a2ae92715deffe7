"""How fast each car gets: the run as quadrature over wheel speed, gear by gear, for many cars at once.

Time and distance are integrals of du / a and u du / a over each gear, taken on Lobatto panels in wheel speed c;
towards the speed where acceleration ends the panels are spaced in the logarithm of what is left of it, so that a
car which has all but stopped accelerating costs no accuracy. Results never depend on the batch.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from optimizer.run.ahead import LAST_PANELS, LOG_REACH, deep_points, look_ahead
from optimizer.run.driving import BoolArray, Gear
from optimizer.run.inputs import FloatArray, IntArray, RunInputs
from optimizer.run.panels import LOBATTO, Nodes, accumulate, at_distance, even_points, integrate, panel_points

CHUNK = 2048
"""Cars per pass: few enough for the processor's cache, many enough that the interpreter costs little."""
PULL_PANELS = 3
"""Panels on either side of where grip stops limiting, in a gear that is left again."""
LIMITER_PANELS = 8
"""Panels while the limiter holds the wheels and slip dies away."""

Measure = Literal["mean", "trap", "exit"]
LimitName = Literal["power", "revs", "grip", "distance", "speed cap"]
LIMITS: tuple[LimitName, ...] = ("power", "revs", "grip", "distance", "speed cap")


class Entry(NamedTuple):
    """How cars enter a gear: ground and wheel speed, distance, time, and whether they can; arrays (n,).

    Where they cannot because they stop accelerating first, ``lack`` is the acceleration that failed them, below 0.
    """

    speed: FloatArray
    surface: FloatArray
    distance: FloatArray
    time: FloatArray
    able: BoolArray
    lack: FloatArray

    def take(self, rows: IntArray) -> Entry:
        """The same for some cars."""
        return Entry(
            self.speed[rows], self.surface[rows], self.distance[rows], self.time[rows], self.able[rows], self.lack[rows]
        )


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
        return Passing(
            self.time[:, rows], self.speed[:, rows], self.surface[:, rows],
            self.use[:, rows], self.gear[:, rows], self.limit[:, rows],
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Run:
    """One run of n cars.

    Attributes
    ----------
    score_ms : array (n,)
        The speed that counts: mean between the two marks, or the speed at one; 0 for a car that gets nowhere.
    passing : Passing
        Passing the two marks, arrays (2, n): gear (0 is first), limit (index into `LIMITS`), speeds, grip used.
    final_ms : array (n,)
        Ground speed at which the car would settle, given room.
    lack : array (n,)
        Below 0 for a car that scores 0 since it is too weak for the gear its run was to end in: the acceleration
        that failed it on the way there.
    """

    score_ms: FloatArray
    passing: Passing
    final_ms: FloatArray
    lack: FloatArray

    def take(self, rows: IntArray) -> Run:
        """The same for some cars."""
        return Run(self.score_ms[rows], self.passing.take(rows), self.final_ms[rows], self.lack[rows])


def score_of(passing: Passing, marks_m: tuple[float, float], measure: Measure) -> FloatArray:
    """Speed that counts (n,) from passing the first and last mark; NaN where a mark was not reached."""
    if measure == "mean":
        return (marks_m[1] - marks_m[0]) / (passing.time[1] - passing.time[0])
    return passing.speed[0] if measure == "trap" else passing.speed[1]


def simulate(
    inputs: RunInputs, marks_m: tuple[float, float], measure: Measure, last_gear: IntArray | None = None
) -> Run:
    """Run n cars from the start past two marks, each in the gear that serves it best.

    A car that will not pull a gear stays in the one below: every gear is tried as the last one, and the best score
    counts. The driver lifts rather than use more grip than the limit, or pass a cap.

    Parameters
    ----------
    inputs : RunInputs
        n cars.
    marks_m : tuple of float
        Distances of the first and the last board from the start.
    measure : str
        ``mean`` between the boards, speed at the first (``trap``) or at the last (``exit``).
    last_gear : array (n,), optional
        The gear (0 is first) in which each car's run must end, where that is not to be its best one.
    """

    def chunk(start: int) -> Run:
        gear = None if last_gear is None else last_gear[start : start + CHUNK]
        return _simulate_chunk(inputs.take(slice(start, start + CHUNK)), marks_m, measure, gear)

    parts = [chunk(start) for start in range(0, max(1, len(inputs)), CHUNK)]
    passing = Passing(
        *(
            np.concatenate([getattr(part.passing, name) for part in parts], axis=1)
            for name in ("time", "speed", "surface", "use", "gear", "limit")
        )
    )
    return Run(
        score_ms=np.concatenate([part.score_ms for part in parts]),
        passing=passing,
        final_ms=np.concatenate([part.final_ms for part in parts]),
        lack=np.concatenate([part.lack for part in parts]),
    )


def simulate_each_gear(
    inputs: RunInputs, marks_m: tuple[float, float], measure: Measure, least_ms: float
) -> tuple[FloatArray, BoolArray]:
    """Scores of n cars for every gear in which their run may end.

    Parameters
    ----------
    inputs, marks_m, measure
        As for `simulate`.
    least_ms : float
        Gears whose limiter holds the wheels at or below this speed are left out.

    Returns
    -------
    score_ms : array (G, n)
        0 for a gear that is left out or that the car cannot end in.
    held : bool array (G, n)
        Whether limiter or cap holds the car at the last mark.
    """
    score = np.zeros((len(inputs.overall), len(inputs)))
    held = np.zeros(score.shape, dtype=bool)
    holding = (LIMITS.index("revs"), LIMITS.index("speed cap"))
    for start in range(0, len(inputs), CHUNK):
        cars = inputs.take(slice(start, start + CHUNK))
        entries = _entries(cars, marks_m)
        for number, (entry, passing) in enumerate(entries):
            rows = np.flatnonzero(_may_end_in(cars, number, entry, least_ms))
            if len(rows):
                gear = Gear(cars.take(rows), number)
                run = _end_in(gear, entry.take(rows), passing.take(rows), marks_m, measure, number)
                score[number, start + rows] = run.score_ms
                held[number, start + rows] = np.isin(run.passing.limit[1], holding)
    return score, held


def _simulate_chunk(
    inputs: RunInputs, marks_m: tuple[float, float], measure: Measure, last_gear: IntArray | None
) -> Run:
    """Pull through the gears upward, then try them as the last one downward, highest first."""
    count = len(inputs)
    entries = _entries(inputs, marks_m, None if last_gear is None else int(last_gear.max(initial=0)))
    best = Run(np.zeros(count), Passing.empty(len(marks_m), count), np.zeros(count), np.zeros(count))
    for number in reversed(range(len(entries))):
        entry, passing = entries[number]
        tried = _may_end_in(inputs, number, entry, best.score_ms)
        rows = np.flatnonzero(tried if last_gear is None else tried & (last_gear == number))
        if len(rows):
            gear = Gear(inputs.take(rows), number)
            run = _end_in(gear, entry.take(rows), passing.take(rows), marks_m, measure, number)
            _keep_better(best, run, rows)
        if last_gear is not None:
            short = (last_gear == number) & ~tried
            best.lack[short] = np.where(entry.able, _pull_at_entry(Gear(inputs, number), entry), entry.lack)[short]
    np.minimum(best.lack, 0.0, out=best.lack)
    return best


def _entries(
    inputs: RunInputs, marks_m: tuple[float, float], highest: int | None = None
) -> list[tuple[Entry, Passing]]:
    """How the cars come into each gear, up to the highest that is asked for or that any car reaches."""
    passing = Passing.empty(len(marks_m), len(inputs))
    entries: list[tuple[Entry, Passing]] = []
    entry = _start(inputs)
    for number in range(len(inputs.overall)):
        gear = Gear(inputs, number)
        entry, passing = _enter(gear, entry, passing, marks_m, number)
        if not entry.able.any() and highest is None:
            break
        entries.append((entry, passing))
        if number == highest:
            break
        entry, passing = _pull_through(gear, entry, passing, marks_m, number)
    return entries


def _may_end_in(inputs: RunInputs, number: int, entry: Entry, least_ms: FloatArray | float) -> BoolArray:
    """Whether each car can end its run in a gear, and its limiter lies above a speed: (n,)."""
    gear = Gear(inputs, number)
    reach = np.where(gear.exists, gear.limit_surface, 1e3)
    pulls = _pull_at_entry(gear, entry) > 0
    limit = np.minimum(reach, inputs.surface_cap_ms) * (1 + 1e-9)
    return np.asarray(entry.able & pulls & (entry.surface <= limit) & (reach > least_ms))


def _pull_at_entry(gear: Gear, entry: Entry) -> FloatArray:
    """Acceleration (n,) with which cars begin in a gear."""
    return gear.push(entry.surface[None]).acceleration[0]


def _keep_better(best: Run, run: Run, rows: IntArray) -> None:
    """Write the runs that beat the best so far into it."""
    better = run.score_ms > best.score_ms[rows]
    to, of = rows[better], np.flatnonzero(better)
    best.score_ms[to] = run.score_ms[of]
    best.final_ms[to] = run.final_ms[of]
    for name in ("time", "speed", "surface", "use", "gear", "limit"):
        getattr(best.passing, name)[:, to] = getattr(run.passing, name)[:, of]


def _start(inputs: RunInputs) -> Entry:
    """Standing, or at the speed the car is pushed to."""
    count = len(inputs)
    speed = np.full(count, inputs.start_speed_ms)
    return Entry(speed, speed, np.zeros(count), np.zeros(count), np.ones(count, dtype=bool), np.zeros(count))


def _enter(
    gear: Gear, entry: Entry, passing: Passing, marks_m: tuple[float, float], number: int
) -> tuple[Entry, Passing]:
    """Take up a gear; in first from below the launch speed the clutch slips until the engine's speed is reached."""
    able = entry.able & gear.exists
    if not able.any():
        return entry._replace(able=able), passing
    if number == 0:
        clutch = Gear(gear.inputs, 0, clutch=True)
        surface = clutch.surface_at(entry.speed)
        upper = np.maximum(gear.launch_surface, surface)
        nodes = integrate(clutch, even_points(surface, upper, 2 * PULL_PANELS), entry.distance, entry.time)
        able &= (upper == surface) | (nodes.acceleration > 0).all(axis=0)
        passing = _pass_marks(passing, nodes, marks_m, number)
        closed = gear.surface_at(nodes.speed[-1])
        pull = gear.push(closed[None]).acceleration[0]
        able &= (closed >= gear.shift_surface) | (pull > 0)
        least = np.minimum(nodes.acceleration.min(axis=0), pull)
        lack = np.where(entry.able & gear.exists & ~able, least, entry.lack)
        return Entry(nodes.speed[-1], closed, nodes.distance[-1], nodes.time[-1], able, lack), passing
    surface = gear.surface_at(entry.speed)
    pull = gear.push(surface[None]).acceleration[0]
    able &= (surface >= gear.shift_surface) | (pull > 0)
    lack = np.where(entry.able & gear.exists & ~able, pull, entry.lack)
    return entry._replace(surface=surface, able=able, lack=lack), passing


def _pull_through(
    gear: Gear, entry: Entry, passing: Passing, marks_m: tuple[float, float], number: int
) -> tuple[Entry, Passing]:
    """Accelerate to the shift speed, then coast through the pause. Cars already faster skip the gear.

    A car that passes the last mark before it shifts has run in this gear to the end: that is for `_end_in` to count.
    """
    inputs = gear.inputs
    skip = entry.surface >= gear.shift_surface
    top = np.where(skip, entry.surface, gear.shift_surface)
    ahead = look_ahead(gear, entry.surface, top)
    points = deep_points(ahead, np.where(ahead.settles, 1.0, ahead.reach), (PULL_PANELS, PULL_PANELS))
    nodes = integrate(gear, points, entry.distance, entry.time)
    capped = (nodes.speed[-1] >= inputs.cap_ms) | (top >= inputs.surface_cap_ms)
    pulls = ~ahead.settles & (nodes.acceleration > 0).all(axis=0) & (nodes.distance[-1] < marks_m[-1])
    able = entry.able & (skip | pulls) & ~capped
    passing = _pass_marks(passing, nodes, marks_m, number, able & ~skip)
    after, rolled = gear.coast(nodes.speed[-1], inputs.shift_time_s)
    pause = _pause_nodes(nodes, after, rolled, inputs.shift_time_s)
    passing = _pass_marks(passing, pause, marks_m, number, able & ~skip)
    speed = np.where(skip, entry.speed, after)
    distance = np.where(skip, entry.distance, nodes.distance[-1] + rolled)
    time = np.where(skip, entry.time, nodes.time[-1] + inputs.shift_time_s)
    lack = np.where(entry.able & ~skip & ahead.settles, ahead.least, entry.lack)
    return Entry(speed, speed, distance, time, able, lack), passing


def _pause_nodes(nodes: Nodes, after: FloatArray, rolled: FloatArray, pause_s: float) -> Nodes:
    """A shift pause as one panel: the car slows evenly."""
    before = nodes.speed[-1]
    speed = before + LOBATTO[:, None] * (after - before)
    distance = nodes.distance[-1] + LOBATTO[:, None] * rolled
    time = nodes.time[-1] + LOBATTO[:, None] * np.full_like(before, pause_s)
    slowing = np.repeat((after - before)[None] / max(pause_s, 1e-9), 4, axis=0)
    return Nodes(
        speed, distance, time, slowing, speed, np.zeros_like(speed),
        [(after - before)[None]] * 4, [(each * pause_s)[None] for each in speed],
        [np.full_like(before, pause_s)[None]] * 4,
    )  # fmt: skip


def _end_in(
    gear: Gear, entry: Entry, passing: Passing, marks_m: tuple[float, float], measure: Measure, number: int
) -> Run:
    """Stay in this gear to the end: to the speed where acceleration ends, the limiter or a cap, then hold it."""
    inputs = gear.inputs
    has_cap = np.isfinite(inputs.cap_ms)
    at_cap = np.full(len(inputs), np.inf)
    if has_cap.any():
        at_cap = np.where(has_cap, gear.surface_at(np.where(has_cap, inputs.cap_ms, 50.0)), np.inf)
    limiter = np.minimum(gear.limit_surface, inputs.surface_cap_ms)
    stop = np.maximum(np.minimum(limiter, at_cap), entry.surface)
    ahead = look_ahead(gear, entry.surface, stop, to_end=True)
    settles = ahead.settles
    points = deep_points(ahead, np.where(settles, LOG_REACH, ahead.reach), LAST_PANELS)
    nodes = integrate(gear, points, entry.distance, entry.time)
    limited_speed, limited_use = gear.hold(stop)
    at_limiter = ~settles & (limiter < at_cap)
    by_cap = ~settles & (~at_limiter | (limited_speed > inputs.cap_ms))
    # what is left to gain beyond the last point is gained, but not timed: exp(-LOG_REACH) of it
    final = gear.push(np.where(settles, ahead.pole, stop)[None]).speed[0]
    held = np.where(settles, final, np.where(by_cap, inputs.cap_ms, limited_speed))
    held_use = np.where(settles, nodes.use[-1], limited_use)
    holding = np.where(settles, 0, np.where(by_cap | (inputs.surface_cap_ms < gear.limit_surface), 4, 1))
    passing = _pass_marks(passing, nodes, marks_m, number)
    if at_limiter.any():
        # cars that no limiter holds keep their last point, to the last bit: results do not depend on the batch
        wheels = np.where(at_limiter, stop, nodes.surface[-1])
        nodes = _on_limiter(gear, nodes, wheels, np.where(at_limiter, limited_speed, nodes.speed[-1]))
        passing = _pass_marks(passing, nodes, marks_m, number, limit=holding)
    passing = _pass_held(passing, nodes, marks_m, number, (held, held_use, holding))
    _name_limits(passing, held, settles, inputs.grip_use_limit)
    score = score_of(passing, marks_m, measure)
    return Run(np.where(np.isfinite(score), score, 0.0), passing, held, np.zeros(len(inputs)))


def _on_limiter(gear: Gear, before: Nodes, surface: FloatArray, final: FloatArray) -> Nodes:
    """The stretch in which the limiter already keeps the wheels at ``surface`` and slip dies away.

    The car still gains on the wheels, from the last point of the stretch before towards the ground speed ``final``
    (n,), or to its cap. Ground speed is the variable, and depth is measured as in `Ahead`.
    """
    start, cap = before.speed[-1], gear.inputs.cap_ms
    gain = np.maximum(final - start, 0.0)
    below = np.maximum(final - np.minimum(cap, final), gain * np.exp(-LOG_REACH))
    reach = np.log(np.where(below > 0, np.maximum(gain, below) / np.where(below > 0, below, 1.0), 1.0))
    depth = panel_points(np.zeros_like(reach), reach, LIMITER_PANELS)
    left = gain * np.exp(-depth)
    speed = final - left
    speed[0] = start
    acceleration, use = gear.on_limiter(speed, surface)
    inverse = 1.0 / np.maximum(acceleration, 1e-9)
    width = (reach / LIMITER_PANELS)[None]
    corners = [slice(i, len(speed) - 3 + i, 3) for i in range(4)]
    rate = [width * left[corner] for corner in corners]
    per_time = [each * inverse[corner] for each, corner in zip(rate, corners, strict=True)]
    per_distance = [each * speed[corner] for each, corner in zip(per_time, corners, strict=True)]
    return Nodes(
        speed, accumulate(per_distance, before.distance[-1]), accumulate(per_time, before.time[-1]), acceleration,
        np.broadcast_to(surface, speed.shape), use, rate, per_distance, per_time,
    )  # fmt: skip


def _pass_marks(
    passing: Passing,
    nodes: Nodes,
    marks_m: tuple[float, float],
    number: int,
    where: BoolArray | None = None,
    limit: IntArray | None = None,
) -> Passing:
    """Note the passing of every mark that lies on this stretch, by the panel's own integrals.

    ``where`` says for which cars (all); ``limit`` what holds them there (distance).
    """
    new = Passing(*(getattr(passing, name).copy() for name in ("time", "speed", "surface", "use", "gear", "limit")))
    for m, mark in enumerate(marks_m):
        on = (nodes.distance[0] <= mark) & (mark < nodes.distance[-1]) & np.isnan(passing.time[m])
        if where is not None:
            on &= where
        rows = np.flatnonzero(on)
        if len(rows):
            time, speed, surface, use = at_distance(nodes, mark, rows)
            new.time[m, rows], new.speed[m, rows] = time, speed
            new.surface[m, rows], new.use[m, rows] = surface, use
            new.gear[m, rows] = number
            new.limit[m, rows] = LIMITS.index("distance") if limit is None else limit[rows]
    return new


def _pass_held(
    passing: Passing,
    nodes: Nodes,
    marks_m: tuple[float, float],
    number: int,
    held: tuple[FloatArray, FloatArray, IntArray],
) -> Passing:
    """Note the marks that lie beyond the last stretch, where the speed is held. Writes into ``passing``."""
    speed, use, limit = held
    for m, mark in enumerate(marks_m):
        rows = np.flatnonzero(np.isnan(passing.time[m]) & (nodes.distance[-1] <= mark))
        passing.time[m, rows] = nodes.time[-1, rows] + (mark - nodes.distance[-1, rows]) / speed[rows]
        passing.speed[m, rows] = speed[rows]
        passing.surface[m, rows] = nodes.surface[-1, rows]
        passing.use[m, rows] = use[rows]
        passing.gear[m, rows] = number
        passing.limit[m, rows] = limit[rows]
    return passing


def _name_limits(passing: Passing, held: FloatArray, settles: BoolArray, use_limit: float) -> None:
    """Say what holds the speed at each mark: distance, where more than 1 % is still to gain; grip; else power."""
    power, grip, distance = LIMITS.index("power"), LIMITS.index("grip"), LIMITS.index("distance")
    free = (passing.limit == power) | (passing.limit == distance)
    close = settles & (passing.speed > 0.99 * held)
    named = np.where(passing.use > 0.999 * use_limit, grip, np.where(close, power, distance))
    passing.limit[:] = np.where(free, named, passing.limit)
