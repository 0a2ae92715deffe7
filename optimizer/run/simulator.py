"""How fast each car gets: the run as quadrature over wheel speed, gear by gear, for many cars at once.

Time and distance are integrals of du / a and u du / a over each gear, taken on Lobatto panels in wheel speed c;
towards the speed where acceleration ends the panels are spaced in the logarithm of what is left of it, so that a
car which has all but stopped accelerating costs no accuracy. Results never depend on the batch.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from optimizer.run.ahead import LOG_REACH, Ahead, drive_on, look_ahead
from optimizer.run.driving import BoolArray, Gear
from optimizer.run.inputs import FloatArray, IntArray, RunInputs
from optimizer.run.panels import PASSING, OnBoard, Passing, Point, at_board, look_for, on_limiter, pause

CHUNK = 8192
"""Cars per pass: few enough for the processor's cache, many enough that the interpreter costs little."""
LAST_PANELS = (3, 3, 6)
"""Panels in the gear in which the run ends: up to where engine and grip take turns, twice, and beyond."""
PULL_PANELS = (2, 2, 2)
"""The same in a gear that is left again."""
CLUTCH_PANELS = (1, 1, 1)
"""The same while the clutch slips."""
LIMITER_PANELS = 6
"""Panels while the limiter holds the wheels and slip dies away."""
PICK_BELOW = 0.9
"""Share of a batch below which the cars that go on are picked out of it."""

Measure = Literal["mean", "trap", "exit"]
LimitName = Literal["power", "revs", "grip", "distance", "speed cap"]
LIMITS: tuple[LimitName, ...] = ("power", "revs", "grip", "distance", "speed cap")


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

    def put(self, rows: IntArray, some: Entry) -> Entry:
        """The same with other values for some cars; the others go no further."""
        able, lack = np.zeros_like(self.able), self.lack.copy()
        able[rows], lack[rows] = some.able, some.lack
        speed, surface, pull, distance, time, top_speed, top_surface = (each.copy() for each in self[:7])
        whole = Entry(speed, surface, pull, distance, time, top_speed, top_surface, able, lack)
        for mine, values in zip(whole[:7], some[:7], strict=True):
            mine[rows] = values
        return whole


@dataclass(frozen=True, slots=True)
class Run:
    """One run of n cars.

    Attributes
    ----------
    score_ms : array (n,)
        The speed that counts: mean between the two marks, or the speed at one; 0 for a car that gets nowhere.
    passing : Passing
        Passing the two marks, arrays (2, n): gear (0 is first), limit (index into `LIMITS`), speeds, grip used.
    highest_ms : array (2, n)
        Highest ground and wheel speed up to the last mark. A mark may fall into the pause of a shift, after it.
    final_ms : array (n,)
        Ground speed at which the car would settle, given room.
    lack : array (n,)
        Below 0 for a car that scores 0 since it is too weak for the gear its run was to end in: the acceleration
        that failed it on the way there.
    """

    score_ms: FloatArray
    passing: Passing
    highest_ms: FloatArray
    final_ms: FloatArray
    lack: FloatArray

    def take(self, rows: IntArray) -> Run:
        """The same for some cars."""
        return Run(
            self.score_ms[rows], self.passing.take(rows), self.highest_ms[:, rows], self.final_ms[rows], self.lack[rows]
        )


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
    passing = Passing(*(np.concatenate([getattr(part.passing, name) for part in parts], axis=1) for name in PASSING))
    return Run(
        score_ms=np.concatenate([part.score_ms for part in parts]),
        passing=passing,
        highest_ms=np.concatenate([part.highest_ms for part in parts], axis=1),
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
        for gear, entry, passing in _entries(cars, marks_m):
            rows = np.flatnonzero(_may_end_in(gear, entry, least_ms))
            if len(rows):
                run = _end_in(*_some(gear, entry, passing, rows), marks_m, measure)
                score[gear.number, start + rows] = run.score_ms
                held[gear.number, start + rows] = np.isin(run.passing.limit[1], holding)
    return score, held


def _simulate_chunk(
    inputs: RunInputs, marks_m: tuple[float, float], measure: Measure, last_gear: IntArray | None
) -> Run:
    """Pull through the gears upward, then try them as the last one downward, highest first."""
    count = len(inputs)
    entries = _entries(inputs, marks_m, None if last_gear is None else int(last_gear.max(initial=0)))
    nothing = Passing.empty(len(marks_m), count)
    best = Run(np.zeros(count), nothing, np.zeros((2, count)), np.zeros(count), np.zeros(count))
    for gear, entry, passing in reversed(entries):
        tried = _may_end_in(gear, entry, best.score_ms)
        rows = np.flatnonzero(tried if last_gear is None else tried & (last_gear == gear.number))
        if len(rows):
            _keep_better(best, _end_in(*_some(gear, entry, passing, rows), marks_m, measure), rows)
        if last_gear is not None:
            short = (last_gear == gear.number) & ~tried
            best.lack[short] = np.where(entry.able, entry.pull, entry.lack)[short]
    np.minimum(best.lack, 0.0, out=best.lack)
    return best


def _some(gear: Gear, entry: Entry, passing: Passing, rows: IntArray) -> tuple[Gear, Entry, Passing]:
    """Gear, entry and passing of some of the cars."""
    return gear.take(rows), entry.take(rows), passing.take(rows)


def _entries(
    inputs: RunInputs, marks_m: tuple[float, float], highest: int | None = None
) -> list[tuple[Gear, Entry, Passing]]:
    """How the cars come into each gear, up to the highest that is asked for or that any car reaches."""
    passing = Passing.empty(len(marks_m), len(inputs))
    entries: list[tuple[Gear, Entry, Passing]] = []
    entry, top = _start(inputs), len(inputs.overall) - 1
    for number in range(top + 1):
        gear = Gear(inputs, number)
        entry, passing = _enter(gear, entry, passing, marks_m)
        if not entry.able.any() and highest is None:
            break
        entries.append((gear, entry, passing))
        if number in (highest, top):
            break
        rows = np.flatnonzero(entry.able & (inputs.overall[number + 1] > 0))
        if len(rows) > PICK_BELOW * len(inputs):
            entry, passing = _pull_through(gear, entry, passing, marks_m)
        else:
            some, marked = _pull_through(*_some(gear, entry, passing, rows), marks_m)
            entry, passing = entry.put(rows, some), passing.put(rows, marked)
    return entries


def _may_end_in(gear: Gear, entry: Entry, least_ms: FloatArray | float) -> BoolArray:
    """Whether each car can end its run in a gear, and its limiter lies above a speed: (n,)."""
    reach = np.where(gear.exists, gear.limit_surface, 1e3)
    limit = np.minimum(reach, gear.inputs.surface_cap_ms) * (1 + 1e-9)
    return np.asarray(entry.able & (entry.pull > 0) & (entry.surface <= limit) & (reach > least_ms))


def _keep_better(best: Run, run: Run, rows: IntArray) -> None:
    """Write the runs that beat the best so far into it."""
    better = run.score_ms > best.score_ms[rows]
    to, of = rows[better], np.flatnonzero(better)
    best.score_ms[to] = run.score_ms[of]
    best.highest_ms[:, to] = run.highest_ms[:, of]
    best.final_ms[to] = run.final_ms[of]
    for name in PASSING:
        getattr(best.passing, name)[:, to] = getattr(run.passing, name)[:, of]


def _start(inputs: RunInputs) -> Entry:
    """Standing, or at the speed the car is pushed to."""
    speed, zero = np.full(len(inputs), inputs.start_speed_ms), np.zeros(len(inputs))
    return Entry(speed, speed, zero, zero, zero, speed, speed, np.ones(len(inputs), dtype=bool), zero)


def _enter(gear: Gear, entry: Entry, passing: Passing, marks_m: tuple[float, float]) -> tuple[Entry, Passing]:
    """Take up a gear; in first from below the launch speed the clutch slips until the engine's speed is reached."""
    could = entry.able & gear.exists
    if not could.any():
        return entry._replace(able=could), passing
    least = np.full(len(could), np.inf)
    if gear.number == 0:
        entry, passing, least = _launch(gear, entry, passing, marks_m)
    surface, pull = gear.taken_up(entry.speed)
    able = could & (least > 0) & ((surface >= gear.shift_surface) | (pull > 0))
    lack = np.where(could & ~able, np.minimum(least, pull), entry.lack)
    return entry._replace(surface=surface, pull=pull, able=able, lack=lack), passing


def _launch(
    gear: Gear, entry: Entry, passing: Passing, marks_m: tuple[float, float]
) -> tuple[Entry, Passing, FloatArray]:
    """Let the clutch slip up to the launch speed; and the least acceleration (n,) then, inf for cars beyond it."""
    clutch = Gear(gear.inputs, gear.number, clutch=True)
    surface = clutch.surface_at(entry.speed)
    slips = surface < gear.launch_surface
    rows = np.flatnonzero(slips)
    if len(rows) == 0:
        return entry, passing, np.full(len(slips), np.inf)
    ahead = look_ahead(clutch, surface, np.maximum(gear.launch_surface, surface), CLUTCH_PANELS)
    end, found, least = drive_on(clutch, ahead, CLUTCH_PANELS, (entry.distance, entry.time), marks_m)
    if any(found):
        passing = passing.put(rows, _note(passing, found, gear.number).take(rows))
    entry = entry._replace(
        speed=np.where(slips, end.speed, entry.speed),
        distance=np.where(slips, end.distance, entry.distance),
        time=np.where(slips, end.time, entry.time),
    )
    return entry, passing, np.where(slips, least, np.inf)


def _pull_through(gear: Gear, entry: Entry, passing: Passing, marks_m: tuple[float, float]) -> tuple[Entry, Passing]:
    """Accelerate to the shift speed, then coast through the pause. Cars already faster skip the gear.

    A car that passes the last mark before it shifts has run in this gear to the end: that is for `_end_in` to count.
    """
    inputs, pause_s = gear.inputs, gear.inputs.shift_time_s
    skip = entry.surface >= gear.shift_surface
    top = np.where(skip, entry.surface, gear.shift_surface)
    ahead = look_ahead(gear, entry.surface, top, PULL_PANELS)
    end, found, least = drive_on(gear, ahead, PULL_PANELS, (entry.distance, entry.time), marks_m)
    capped = (end.speed >= inputs.cap_ms) | (top >= inputs.surface_cap_ms)
    pulls = ~ahead.settles & (least > 0) & (end.distance < marks_m[-1])
    able = entry.able & (skip | pulls) & ~capped
    after, rolled = gear.coast(end.speed, pause_s)
    look_for(found, pause(end, after, rolled, pause_s), marks_m)
    if any(found):
        rows = np.flatnonzero(able & ~skip)
        passing = passing.put(rows, _note(passing, found, gear.number).take(rows))
    speed = np.where(skip, entry.speed, after)
    distance = np.where(skip, entry.distance, end.distance + rolled)
    time = np.where(skip, entry.time, end.time + pause_s)
    lack = np.where(entry.able & ~skip & ahead.settles, ahead.least, entry.lack)
    top_speed = np.where(skip, entry.top_speed, np.maximum(entry.top_speed, end.speed))
    top_surface = np.where(skip, entry.top_surface, np.maximum(entry.top_surface, top))
    return Entry(speed, speed, entry.pull, distance, time, top_speed, top_surface, able, lack), passing


def _drive_further(
    gear: Gear, ahead: Ahead, end: Point, stop: FloatArray, passing: Passing, marks_m: tuple[float, float]
) -> Passing:
    """Drive those cars on that end short of the last mark since its place was misjudged. Writes into ``end``."""
    rows = np.flatnonzero(ahead.cut & (end.distance <= marks_m[-1]))
    if len(rows) == 0:
        return passing
    some, begin = gear.take(rows), end.take(rows)
    further = look_ahead(some, begin.surface, stop[rows], LAST_PANELS, np.full(len(rows), np.inf))
    after, found, _ = drive_on(some, further, LAST_PANELS, (begin.distance, begin.time), marks_m)
    for whole, part in zip(end, after, strict=True):
        whole[rows] = part
    return passing.put(rows, _note(passing.take(rows), found, gear.number))


def _note(passing: Passing, found: list[list[OnBoard]], number: int, limit: IntArray | None = None) -> Passing:
    """Passing with the marks that were passed on panels; ``limit`` (n,) says what holds the cars there (distance)."""
    if not any(found):
        return passing
    new = passing.copy()
    for m, on_it in enumerate(found):
        if on_it:
            cars, *values = at_board(on_it)
            rows = np.flatnonzero(np.isnan(new.time[m, cars]))
            for name, each in zip(PASSING, values, strict=False):
                getattr(new, name)[m, cars[rows]] = each[rows]
            new.gear[m, cars[rows]] = number
            new.limit[m, cars[rows]] = LIMITS.index("distance") if limit is None else limit[cars[rows]]
    return new


def _end_in(gear: Gear, entry: Entry, passing: Passing, marks_m: tuple[float, float], measure: Measure) -> Run:
    """Stay in this gear to the end: to the speed where acceleration ends, the limiter or a cap, then hold it."""
    inputs = gear.inputs
    has_cap = np.isfinite(inputs.cap_ms)
    at_cap = np.full(len(inputs), np.inf)
    if has_cap.any():
        at_cap = np.where(has_cap, gear.surface_at(np.where(has_cap, inputs.cap_ms, 50.0)), np.inf)
    limiter = np.minimum(gear.limit_surface, inputs.surface_cap_ms)
    stop = np.maximum(np.minimum(limiter, at_cap), entry.surface)
    ahead = look_ahead(gear, entry.surface, stop, LAST_PANELS, marks_m[-1] - entry.distance)
    settles = ahead.settles
    end, found, _ = drive_on(gear, ahead, LAST_PANELS, (entry.distance, entry.time), marks_m)
    passing = _note(passing, found, gear.number)
    passing = _drive_further(gear, ahead, end, stop, passing, marks_m)
    limited_speed, limited_use = gear.hold(stop)
    at_limiter = ~settles & (limiter < at_cap)
    by_cap = ~settles & (~at_limiter | (limited_speed > inputs.cap_ms))
    # what is left to gain beyond the last point is gained, but not timed: exp(-LOG_REACH) of it
    held = np.where(settles, ahead.settled, np.where(by_cap, inputs.cap_ms, limited_speed))
    held_use = np.where(settles, end.use, limited_use)
    holding = np.where(settles, 0, np.where(by_cap | (inputs.surface_cap_ms < gear.limit_surface), 4, 1))
    end = end._replace(surface=np.where(settles, end.surface, stop))
    rows = np.flatnonzero(at_limiter & (end.distance <= marks_m[-1]))
    if len(rows):
        block = on_limiter(gear.take(rows), end.take(rows), limited_speed[rows], LIMITER_PANELS, LOG_REACH)
        found = [[] for _ in marks_m]
        look_for(found, block, marks_m)
        passing = passing.put(rows, _note(passing.take(rows), found, gear.number, holding[rows]))
        end.distance[rows], end.time[rows] = block.distance[-1], block.time[-1]
    passing = _pass_held(passing, end, marks_m, gear.number, (held, held_use, holding))
    _name_limits(passing, held, settles, inputs.grip_use_limit)
    score = score_of(passing, marks_m, measure)
    highest = np.stack(
        [np.fmax(entry.top_speed, passing.speed[-1]), np.fmax(entry.top_surface, passing.surface[-1])]
    )
    return Run(np.where(np.isfinite(score), score, 0.0), passing, highest, held, np.zeros(len(inputs)))


def _pass_held(
    passing: Passing,
    end: Point,
    marks_m: tuple[float, float],
    number: int,
    held: tuple[FloatArray, FloatArray, IntArray],
) -> Passing:
    """Note the marks that lie beyond the last stretch, where the speed is held. Writes into ``passing``."""
    speed, use, limit = held
    for m, mark in enumerate(marks_m):
        rows = np.flatnonzero(np.isnan(passing.time[m]) & (end.distance <= mark))
        passing.time[m, rows] = end.time[rows] + (mark - end.distance[rows]) / speed[rows]
        passing.speed[m, rows] = speed[rows]
        passing.surface[m, rows] = end.surface[rows]
        passing.use[m, rows] = use[rows]
        passing.gear[m, rows] = number
        passing.limit[m, rows] = limit[rows]
    return passing


def _name_limits(passing: Passing, held: FloatArray, settles: BoolArray, use_limit: float | FloatArray) -> None:
    """Say what holds the speed at each mark: distance, where more than 1 % is still to gain; grip; else power."""
    power, grip, distance = LIMITS.index("power"), LIMITS.index("grip"), LIMITS.index("distance")
    free = (passing.limit == power) | (passing.limit == distance)
    close = settles & (passing.speed > 0.99 * held)
    named = np.where(passing.use > 0.999 * use_limit, grip, np.where(close, power, distance))
    passing.limit[:] = np.where(free, named, passing.limit)
