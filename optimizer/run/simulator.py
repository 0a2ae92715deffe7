"""How fast each car gets: the run as quadrature over wheel speed, gear by gear, for many cars at once.

Time and distance are integrals of du / a and u du / a over each gear, taken on Lobatto panels in wheel speed c;
towards the speed where acceleration ends the panels are spaced in the logarithm of what is left of it, so that a
car which has all but stopped accelerating costs no accuracy. Results never depend on the batch.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from optimizer.run.ahead import LOG_REACH, Ahead, drive_on, look_ahead
from optimizer.run.driving import BoolArray, Gear
from optimizer.run.gears import Entries, Entry, entries_of, note
from optimizer.run.inputs import FloatArray, IntArray, RunInputs
from optimizer.run.panels import LIMITS, PASSING, Passing, Point, look_for, on_limiter, panels_of

CHUNK = 4096
"""Cars per pass: few enough for the processor's cache, many enough that the interpreter costs little."""
LAST_PANELS = (3, 3, 6)
"""Panels in the gear in which the run ends: up to where engine and grip take turns, twice, and beyond."""
LIMITER_PANELS = 6
"""Panels while the limiter holds the wheels and slip dies away."""
ROUNDING = 1e-12
"""What rounding may make of a score, as a share: of two gears that serve alike the higher one counts."""
FEW = 512
"""Cars that are tried in two gears at once."""

Measure = Literal["mean", "trap", "exit"]


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
    rows, parts = [], []
    for some, cars in _chunks(inputs):
        rows.append(some)
        gear = None if last_gear is None else last_gear[some]
        parts.append(_simulate_chunk(cars, marks_m, measure, gear))
    order = np.concatenate(rows)
    whole = _joined(parts)
    return whole if (order[1:] > order[:-1]).all() else whole.take(np.argsort(order))


def _joined(parts: Sequence[Run]) -> Run:
    """Runs one after the other."""
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
    for places, cars in _chunks(inputs):
        entries = entries_of(cars, marks_m)
        able, reach = _may_end_in(entries, len(cars))
        rows = np.flatnonzero(able & (reach > least_ms))
        if len(rows):
            run = _end_in(*entries.take(rows), marks_m, measure)
            gear, car = np.divmod(rows, len(cars))
            score[gear, places[car]] = run.score_ms
            held[gear, places[car]] = np.isin(run.passing.limit[1], holding)
    return score, held


def _chunks(inputs: RunInputs) -> Iterator[tuple[IntArray, RunInputs]]:
    """Cars to be run together, with their rows: those that take as many points each, no more than fit the cache."""
    finer, every = inputs.torque_table.finer, np.arange(len(inputs))
    if finer is None or len(inputs) == 0:
        for start in range(0, max(1, len(inputs)), CHUNK):
            yield every[start : start + CHUNK], inputs.take(slice(start, start + CHUNK))
        return
    each = finer[inputs.engine]
    for times in np.unique(each).tolist():
        alike = every[each == times]
        for start in range(0, len(alike), CHUNK // times):
            some = alike[start : start + CHUNK // times]
            yield some, replace(inputs.take(some), finer=times)


def _simulate_chunk(
    inputs: RunInputs, marks_m: tuple[float, float], measure: Measure, last_gear: IntArray | None
) -> Run:
    """Pull through the gears upward, then try them as the last one downward, highest first."""
    count = len(inputs)
    entries = entries_of(inputs, marks_m, None if last_gear is None else int(last_gear.max(initial=0)))
    nothing = Passing.empty(len(marks_m), count)
    best = Run(np.zeros(count), nothing, np.zeros((2, count)), np.zeros(count), np.zeros(count))
    able, reach = _may_end_in(entries, count)
    if last_gear is not None:
        able = able & (np.arange(len(able))[:, None] == last_gear)
        short = np.flatnonzero(~able.any(axis=0))
        entry = entries.entry.take(last_gear[short] * count + short)
        best.lack[short] = np.minimum(np.where(entry.able, entry.pull, entry.lack), 0.0)
    waiting = able & (reach > 0)
    while waiting.any():
        tried = [_highest(waiting) for _ in range(1 + (count <= FEW))]
        rows = np.sort(np.concatenate(tried))
        run = _end_in(*entries.take(rows), marks_m, measure)
        for each in tried:
            _keep_better(best, run.take(np.searchsorted(rows, each)), each % count)
        waiting &= reach > best.score_ms
    return best


def _highest(waiting: BoolArray) -> IntArray:
    """Rows of G * n: the highest gear that each car waits for, if any (G, n). It then waits for that no longer."""
    car = np.flatnonzero(waiting.any(axis=0))
    gear = len(waiting) - 1 - np.argmax(waiting[::-1, car], axis=0)
    waiting[gear, car] = False
    return gear * waiting.shape[1] + car


def _may_end_in(entries: Entries, count: int) -> tuple[BoolArray, FloatArray]:
    """Whether each of n cars can end its run in each gear, and the speed of its limiter there: (G, n)."""
    gears, entry = entries.gears, entries.entry
    reach = np.where(gears.exists, gears.limit_surface, 1e3)
    limit = np.minimum(reach, gears.inputs.surface_cap_ms) * (1 + 1e-9)
    able = entry.able & (entry.pull > 0) & (entry.surface <= limit)
    shape = len(able) // max(count, 1), count
    return able.reshape(shape), reach.reshape(shape)


def _keep_better(best: Run, run: Run, rows: IntArray) -> None:
    """Write the runs that beat the best so far into it."""
    better = run.score_ms > best.score_ms[rows] * (1.0 + ROUNDING)
    to, of = rows[better], np.flatnonzero(better)
    best.score_ms[to] = run.score_ms[of]
    best.highest_ms[:, to] = run.highest_ms[:, of]
    best.final_ms[to] = run.final_ms[of]
    for name in PASSING:
        getattr(best.passing, name)[:, to] = getattr(run.passing, name)[:, of]


def _drive_further(
    gear: Gear, ahead: Ahead, end: Point, stop: FloatArray, passing: Passing, marks_m: tuple[float, float]
) -> Passing:
    """Drive those cars on that end short of the last mark since its place was misjudged. Writes into ``end``."""
    rows = np.flatnonzero(ahead.cut & (end.distance <= marks_m[-1]))
    if len(rows) == 0:
        return passing
    some, begin = gear.take(rows), end.take(rows)
    panels = panels_of(LAST_PANELS, some.inputs)
    further = look_ahead(some, begin.surface, stop[rows], panels, np.full(len(rows), np.inf))
    after, found, _ = drive_on(some, further, panels, (begin.distance, begin.time), marks_m)
    for whole, part in zip(end, after, strict=True):
        whole[rows] = part
    return passing.put(rows, note(passing.take(rows), found, some.numbers))


def _end_in(gear: Gear, entry: Entry, passing: Passing, marks_m: tuple[float, float], measure: Measure) -> Run:
    """Stay in this gear to the end: to the speed where acceleration ends, the limiter or a cap, then hold it."""
    inputs = gear.inputs
    has_cap = np.isfinite(inputs.cap_ms)
    at_cap = np.full(len(inputs), np.inf)
    if has_cap.any():
        at_cap = np.where(has_cap, gear.surface_at(np.where(has_cap, inputs.cap_ms, 50.0)), np.inf)
    limiter = np.minimum(gear.limit_surface, inputs.surface_cap_ms)
    stop = np.maximum(np.minimum(limiter, at_cap), entry.surface)
    panels = panels_of(LAST_PANELS, inputs)
    ahead = look_ahead(gear, entry.surface, stop, panels, marks_m[-1] - entry.distance)
    settles = ahead.settles
    end, found, _ = drive_on(gear, ahead, panels, (entry.distance, entry.time), marks_m)
    passing = note(passing, found, gear.numbers)
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
        number = inputs.finer * LIMITER_PANELS
        block = on_limiter(gear.take(rows), end.take(rows), limited_speed[rows], number, LOG_REACH)
        found = [[] for _ in marks_m]
        look_for(found, block, marks_m)
        passing = passing.put(rows, note(passing.take(rows), found, gear.numbers[rows], holding[rows]))
        end.distance[rows], end.time[rows] = block.distance[-1], block.time[-1]
    passing = _pass_held(passing, end, marks_m, gear.numbers, (held, held_use, holding))
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
    numbers: IntArray,
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
        passing.gear[m, rows] = numbers[rows]
        passing.limit[m, rows] = limit[rows]
    return passing


def _name_limits(passing: Passing, held: FloatArray, settles: BoolArray, use_limit: float | FloatArray) -> None:
    """Say what holds the speed at each mark: distance, where more than 1 % is still to gain; grip; else power."""
    power, grip, distance = LIMITS.index("power"), LIMITS.index("grip"), LIMITS.index("distance")
    free = (passing.limit == power) | (passing.limit == distance)
    close = settles & (passing.speed > 0.99 * held)
    named = np.where(passing.use > 0.999 * use_limit, grip, np.where(close, power, distance))
    passing.limit[:] = np.where(free, named, passing.limit)
