"""Coast-downs and run logs: stretches of samples in which the car slows down, or gathers speed."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np

from optimizer.measured.days import day_of
from optimizer.measured.records import CoastDown, Day, FloatArray, RunLog
from optimizer.measured.sense import check_day, limits_of, note_far_from_record, too_fast, too_many_revs
from optimizer.measured.sheets import Sheet
from optimizer.measured.traces import Stretch, stretches_of
from optimizer.scenario.event import Scenario
from optimizer.scenario.findings import Findings
from optimizer.units import GRAVITY, shown

LEAST_SAMPLES = 8
LEAST_FALL_MS = 4.0
"""Least of a coast-down that says something of rolling and drag."""
LEAST_GAIN_MS = 10.0
"""Least of a run."""
TURN_MS = 1.5
"""By how much speed must change its way before that is more than the noise of a satellite fix."""
LIFT_MS = 3.0
"""The same for a run: more than what a shift costs."""
EDGE_MS = 0.5
"""Within how much of the fastest sample the last one begins to roll free."""
STANDSTILL_MS = 1.0
HARDEST_COAST_G, LEAST_COAST_G = 0.5, 0.003
"""Soft salt and air together take less than the one; a tire on a hard road takes more than the other."""
HARDEST_PULL_G, LEAST_PULL_G = 1.5, 0.002
"""A car of any power at most; a run that gains less was logged in another unit of time."""


def coast_downs(sheet: Sheet, scenario: Scenario, findings: Findings) -> list[CoastDown]:
    """Coast-downs of a file, one for each time that the car slows down."""
    found = []
    ground = ground_column(sheet, scenario)
    stretches = _checked(sheet, scenario, findings)
    speeds = [ground_speed(stretch, ground) for stretch in stretches]
    for stretch, speed in zip(stretches, speeds, strict=True):
        falls = [leg for leg in legs(speed, TURN_MS) if _range(speed[leg]) < -LEAST_FALL_MS]
        found += [(stretch.part(leg), speed[leg]) for leg in (_rolling(speed, leg) for leg in falls)]
    long = [(part, speed) for part, speed in found if np.isfinite(speed).sum() >= LEAST_SAMPLES]
    if stretches and not long:
        sheet.fault(findings, None, "speed", "", _no_coast(speeds, metric=findings.metric))
    _note_left_out(sheet, stretches, [part for part, _ in long], findings)
    _note_unused(sheet, {"time", "pass", "direction", ground}, findings)
    days = _days(sheet, [part for part, _ in long], scenario, findings)
    for part, speed in long:
        _check_rate(sheet, part.time_s, speed, (LEAST_COAST_G, HARDEST_COAST_G), findings)
    return [CoastDown(day, part.time_s, speed) for day, (part, speed) in zip(days, long, strict=True)]


def run_logs(sheet: Sheet, scenario: Scenario, findings: Findings) -> list[RunLog]:
    """Runs of a file, one for each time that the car gathers speed, up to where it lifts."""
    found = []
    ground, wheels = ground_column(sheet, scenario), driven_columns(sheet, scenario)
    stretches = _checked(sheet, scenario, findings)
    for stretch in stretches:
        speed = ground_speed(stretch, ground)
        rises = [_pulling(speed, leg) for leg in legs(speed, LIFT_MS) if _range(speed[leg]) > LEAST_GAIN_MS]
        found += [stretch.part(leg) for leg in rises if np.isfinite(speed[leg]).sum() >= LEAST_SAMPLES]
    if stretches and not found:
        gain = shown(LEAST_GAIN_MS, "speed", metric=findings.metric, digits=2)
        expected = f"holds no run: it takes at least {LEAST_SAMPLES} samples in which speed rises by {gain} or more"
        sheet.fault(findings, None, "speed", "", expected)
    _note_left_out(sheet, stretches, found, findings)
    _note_unused(sheet, {"time", "pass", "direction", "distance", "rpm", ground, *wheels}, findings)
    days = _days(sheet, found, scenario, findings)
    logs = []
    for day, part in zip(days, found, strict=True):
        speed = ground_speed(part, ground)
        _check_rate(sheet, part.time_s, speed, (LEAST_PULL_G, HARDEST_PULL_G), findings)
        _check_distance(sheet, part, findings)
        driven = np.mean([part.columns[name] for name in wheels], axis=0) if wheels else None
        logs.append(RunLog(day, part.time_s, speed, part.columns.get("distance"), part.columns.get("rpm"), driven))
    return logs


def by_trend(sheet: Sheet, scenario: Scenario, findings: Findings) -> str:
    """Whether time and speed of a sheet are those of a coast-down or of a run; a fault where both may be."""
    if "coast" in sheet.name.lower():
        return "coast-down"
    quiet = Findings(metric=findings.metric)  # what is wrong with the samples is told by who reads them
    rows = list(sheet.rows)
    ground = ground_column(sheet, scenario)
    speeds = [ground_speed(stretch, ground) for stretch in stretches_of(sheet, quiet)]
    sheet.rows = rows
    changes = [_range(speed[leg]) for speed in speeds for leg in legs(speed, LIFT_MS)]
    rises, falls = max(changes, default=0.0) >= LEAST_GAIN_MS, min(changes, default=0.0) <= -LEAST_FALL_MS
    if rises and falls and not {"rpm", "distance", "driven wheel speed"} & set(sheet.columns):
        expected = "rises and falls: add a line above the table, kind: coast-down or kind: run log"
        sheet.fault(findings, None, "speed", "", expected)
        return ""
    return "run log" if rises else "coast-down"


# --- speeds


def ground_column(sheet: Sheet, scenario: Scenario) -> str:
    """Column of the speed over the ground: as logged, else that of undriven wheels; empty for none."""
    undriven = {"front": "rear wheel speed", "rear": "front wheel speed"}.get(scenario.car.drive, "")
    return next((name for name in ("speed", "undriven wheel speed", undriven) if name in sheet.columns), "")


def driven_columns(sheet: Sheet, scenario: Scenario) -> tuple[str, ...]:
    """Columns of the surface speed of driven wheels."""
    if "driven wheel speed" in sheet.columns:
        return ("driven wheel speed",)
    axles = ("front", "rear") if scenario.car.drive == "all" else (scenario.car.drive,)
    return tuple(f"{axle} wheel speed" for axle in axles if f"{axle} wheel speed" in sheet.columns)


def ground_speed(stretch: Stretch, column: str) -> FloatArray:
    """Speed over the ground; NaN where no column tells it."""
    return stretch.columns[column] if column else np.full(len(stretch.time_s), np.nan)


def legs(speed: FloatArray, turn_ms: float) -> list[slice]:
    """Legs of rising and falling speed in turn, apart where speed has changed its way by more than `turn_ms`.

    A leg ends with the fastest or slowest sample before the turn, and the next one begins with it. NaN are passed over.
    """
    there = np.flatnonzero(np.isfinite(speed)).tolist()
    if not there:
        return []
    pivots: list[int] = []
    high = low = there[0]
    way = 0
    for k in there:
        high = k if speed[k] > speed[high] else high
        low = k if speed[k] < speed[low] else low
        if way >= 0 and speed[high] - speed[k] > turn_ms:
            pivots += [high] if way else []
            way, low = -1, k
        elif way <= 0 and speed[k] - speed[low] > turn_ms:
            pivots += [low] if way else []
            way, high = 1, k
    edges = [0, *pivots, len(speed) - 1]
    return [slice(a, b + 1) for a, b in itertools.pairwise(edges)]


def _range(speed: FloatArray) -> float:
    """How much speed rises from the first to the last sample of a leg; what falls is below 0."""
    there = speed[np.isfinite(speed)]
    return float(there[-1] - there[0]) if len(there) else 0.0


def _rolling(speed: FloatArray, leg: slice) -> slice:
    """The part of a falling leg in which the car rolls free: from where it no longer holds speed to a standstill."""
    start, stop = leg.start, leg.stop
    before = speed[: start + 1]
    gathered = start >= 2 and np.isfinite(before[-2]) and speed[start] - before[-2] < TURN_MS  # no gap, no jump
    if gathered:
        start += int(np.flatnonzero(speed[leg] >= speed[start] - EDGE_MS)[-1])
    still = np.flatnonzero(speed[start:stop] < STANDSTILL_MS)
    return slice(start, start + int(still[0]) if len(still) else stop)


def _pulling(speed: FloatArray, leg: slice) -> slice:
    """The part of a rising leg in which the car goes: from the last moment at a standstill."""
    still = np.flatnonzero(speed[leg] < STANDSTILL_MS)
    return slice(leg.start + int(still[-1]) if len(still) else leg.start, leg.stop)


# --- checks and words


def _checked(sheet: Sheet, scenario: Scenario, findings: Findings) -> list[Stretch]:
    """Stretches of a sheet, with faults for speeds and revs that the car cannot have; none where there are faults."""
    before = len(findings.faults)
    stretches = stretches_of(sheet, findings)
    limits, metric = limits_of(scenario), findings.metric
    for name in [name for name in sheet.columns if name.endswith("speed") or name == "rpm"]:
        values = np.concatenate([stretch.columns[name] for stretch in stretches]) if stretches else np.zeros(0)
        if not np.isfinite(values).any():
            continue
        place = int(np.nanargmax(values))
        number = int(np.concatenate([stretch.rows for stretch in stretches])[place])
        most = float(values[place])
        complaint = too_many_revs(most, limits) if name == "rpm" else too_fast(most, limits, metric=metric)
        if complaint:
            row = next(each for each in sheet.rows if each.number == number)
            sheet.fault(findings, row, name, sheet.text(row, name), complaint)
        elif name != "rpm":
            note_far_from_record(most, f"{sheet.file} row {number}", scenario, findings)
    names = {"speed", "undriven wheel speed", "front wheel speed", "rear wheel speed"} & set(sheet.columns)
    ground = ground_column(sheet, scenario)
    blind = all(not np.isfinite(ground_speed(stretch, ground)).any() for stretch in stretches)
    if not stretches:
        sheet.fault(findings, None, "time", "", "holds no times")
    elif blind and len(findings.faults) == before:
        column = min(names)
        expected = "tells nothing of the speed over the ground: needs a column speed, or that of undriven wheels"
        sheet.fault(findings, None, column, "", expected)
    return stretches if len(findings.faults) == before else []


def _check_rate(
    sheet: Sheet, time: FloatArray, speed: FloatArray, limits_g: tuple[float, float], findings: Findings
) -> None:
    """Speed that changes faster than any car's, or hardly at all: time in another unit."""
    there = np.isfinite(speed)
    span = float(np.ptp(time[there]))
    rate_g = abs(_range(speed)) / max(span, 1e-9) / GRAVITY
    least, most = limits_g
    if least <= rate_g <= most:
        return
    sort = "harder than any car does" if rate_g > most else "less than any car does on flat ground"
    expected = f"speed changes by {rate_g:.2g} g, {sort}, over {span:,.4g} s; is the time in another unit?"
    sheet.fault(findings, None, "time", "", expected)


def _check_distance(sheet: Sheet, part: Stretch, findings: Findings) -> None:
    distance = part.columns.get("distance")
    if distance is None:
        return
    there = np.flatnonzero(np.isfinite(distance))
    falls = np.flatnonzero(np.diff(distance[there]) < 0)
    if len(falls):
        number = int(part.rows[there[falls[0] + 1]])
        row = next(each for each in sheet.rows if each.number == number)
        sheet.fault(findings, row, "distance", sheet.text(row, "distance"), "is less than in a row before, in one run")


def _no_coast(speeds: list[FloatArray], *, metric: bool) -> str:
    speed = max(speeds, key=lambda each: int(np.isfinite(each).sum()))
    there = speed[np.isfinite(speed)]
    fall = shown(LEAST_FALL_MS, "speed", metric=metric, digits=2)
    if _range(speed) > LEAST_FALL_MS:
        first, last = (shown(float(each), "speed", metric=metric) for each in (there[0], there[-1]))
        return f"rises from {first} to {last}: in a coast-down the car slows down"
    return f"holds no coast-down: it takes at least {LEAST_SAMPLES} samples in which speed falls by {fall} or more"


def _note_left_out(sheet: Sheet, stretches: list[Stretch], parts: list[Stretch], findings: Findings) -> None:
    every = sum(len(stretch.time_s) for stretch in stretches)
    left = every - len({int(row) for part in parts for row in part.rows})
    if left and parts:
        why = "speed falls" if sheet.kind == "coast-down" else "the car gathers speed"
        findings.notices.append(f"{sheet.file}: {left:,} of {every:,} samples are not part of where {why}; left out")


def _note_unused(sheet: Sheet, used: set[str], findings: Findings) -> None:
    unused = [column.header for name, column in sheet.columns.items() if name not in used]
    if unused:
        columns = f"column{'' if len(unused) == 1 else 's'} {', '.join(unused)}"
        findings.notices.append(f"{sheet.file}: nothing was done with the {columns}: it was read as a {sheet.kind}")


def _days(sheet: Sheet, parts: list[Stretch], scenario: Scenario, findings: Findings) -> list[Day]:
    """Days of all passes of a file, told apart by name."""
    days = []
    for number, part in enumerate(parts, start=1):
        values: dict[str, Any] = dict(sheet.facts)
        if part.way is not None:
            values["direction"] = part.way
        day = day_of(sheet, 0, values, sheet.name, scenario, findings)
        ending = "" if len(parts) == 1 else f", pass {part.label or number}"
        if len(parts) > 1 and isinstance(part.way, bool):
            ending += ", back" if part.way else ", out"
        days.append(replace(day, name=day.name + ending))
    if days:
        check_day(days[0], sheet, scenario, findings)
    return days
