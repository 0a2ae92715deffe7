"""Slips of the pen in measurements: speeds, revs and weights that this car cannot have had, units mixed up."""

from __future__ import annotations

import math
from dataclasses import dataclass

from optimizer.measured.grids import Line
from optimizer.measured.records import Day, TimedRun
from optimizer.measured.sheets import Sheet
from optimizer.physics.air import standard_pressure
from optimizer.physics.tires import rolling_circumference_m
from optimizer.scenario.event import Scenario
from optimizer.scenario.findings import Findings
from optimizer.scenario.parts import Engine, FinalDrive, Gearset, Tire
from optimizer.units import shown, shown_in

SPEED_ROOM = 1.1
"""Over the speed of the tallest gearing at the rev limit: an engine may be overrevved a little, a tire may grow."""
REVS_ROOM = 2.0
PRESSURE_HIGH, PRESSURE_ODD = 1.08, 1.04
"""Station pressure over the standard one at the elevation: more than any weather brings; more than it mostly does."""
MASS_ROOM = 1.5
FAR_FROM_RECORD = 1.4
SLIP_LOW, SLIP_HIGH = -0.06, 0.3
"""Beyond any slip of a driven tire, gearing and roll-out a few percent out included."""


@dataclass(frozen=True, slots=True)
class Limits:
    """The most that any car made of the sheets could show."""

    speed_ms: float
    rpm: float


def limits_of(scenario: Scenario) -> Limits:
    """Speed of the tallest gearing at the highest rev limit, with some room; and revs beyond any overrevving."""
    parts = list(scenario.parts.values())
    rpm = max((part.rev_limit_rpm for part in parts if isinstance(part, Engine)), default=math.inf)
    gear = min((part.ratios[-1] for part in parts if isinstance(part, Gearset)), default=0.0)
    final = min((part.ratio for part in parts if isinstance(part, FinalDrive)), default=0.0)
    turn = max((circumference_m(part) for part in parts if isinstance(part, Tire)), default=0.0)
    overall = gear * final
    speed = rpm / 60.0 * turn / overall * SPEED_ROOM if overall else math.inf
    return Limits(speed, REVS_ROOM * rpm)


def circumference_m(tire: Tire) -> float:
    """Roll-out of a tire: as measured, else by its size."""
    if tire.circumference_m is not None:
        return tire.circumference_m
    return float(rolling_circumference_m(tire.size.diameter_m))


def too_fast(speed_ms: float, limits: Limits, *, metric: bool) -> str:
    """End of the sentence about a speed that the car cannot reach; empty for any other."""
    if not speed_ms > limits.speed_ms:  # NaN is no speed at all
        return ""
    most = shown(limits.speed_ms / SPEED_ROOM, "speed", metric=metric)
    return f"is faster than the tallest gears of the sheets go at the rev limit, {most}; is it in another unit?"


def note_far_from_record(speed_ms: float, what: str, scenario: Scenario, findings: Findings) -> None:
    """Remark on a speed that the class has never seen: km/h under a header in mph."""
    record = scenario.race_class.record_ms
    if speed_ms > record * FAR_FROM_RECORD:
        reached, best = (shown(each, "speed", metric=findings.metric) for each in (speed_ms, record))
        findings.notices.append(f"{what}: {reached} is far above the record of the class, {best}; is the unit right?")


def too_many_revs(rpm: float, limits: Limits) -> str:
    """End of the sentence about revs that no engine of the sheets turns; empty for any other."""
    return "" if rpm <= limits.rpm else f"is more than twice the rev limit, {limits.rpm / REVS_ROOM:,.0f} rpm"


def check_day(day: Day, sheet: Sheet, scenario: Scenario, findings: Findings) -> None:
    """Station pressure that was corrected to sea level; a weight that is in another unit."""
    row = next((each for each in sheet.rows if each.number == day.row), None)
    metric = findings.metric
    if day.pressure_pa is not None:
        usual = float(standard_pressure(scenario.event.course.elevation_m))
        typed, expected = shown(day.pressure_pa, "air pressure", metric=metric, digits=4), ""
        if day.pressure_pa > PRESSURE_ODD * usual:
            here = shown(usual, "air pressure", metric=metric, digits=4)
            high = shown_in(scenario.event.course.elevation_m, "m" if metric else "ft", "length", digits=4)
            expected = f"is high for a course at {high}, where {here} is usual; not corrected to sea level is meant"
        if day.pressure_pa > PRESSURE_HIGH * usual:
            sheet.fault(findings, row, "station pressure", _as_typed(sheet, row, "station pressure") or typed, expected)
        elif expected:
            findings.notices.append(f"{sheet.file}, {day.name}: station pressure {typed} {expected}")
    car = scenario.car.mass_kg
    if day.mass_kg is not None and not car / MASS_ROOM <= day.mass_kg <= car * MASS_ROOM:
        typed, stated = (shown(each, "mass", metric=metric, digits=4) for each in (day.mass_kg, car))
        typed = _as_typed(sheet, row, "mass") or typed
        sheet.fault(findings, row, "mass", typed, f"is far from what the car weighs, {stated}; is it in another unit?")


def _as_typed(sheet: Sheet, row: Line | None, name: str) -> str:
    """Text of a cell of a row; empty where a line above the table says it."""
    return "" if row is None else sheet.text(row, name)


# --- timed runs


def check_run(run: TimedRun, sheet: Sheet, scenario: Scenario, findings: Findings) -> None:
    """Speeds, revs and gear of a timing slip."""
    limits, metric = limits_of(scenario), findings.metric
    row = next(each for each in sheet.rows if each.number == run.day.row)
    for name, speed in {"speed": run.speed_ms, **{f"mile {n}": v for n, v in enumerate(run.mile_ms, start=1)}}.items():
        if complaint := too_fast(speed, limits, metric=metric):
            sheet.fault(findings, row, name, sheet.text(row, name), complaint)
    if run.rpm is not None and (complaint := too_many_revs(run.rpm, limits)):
        sheet.fault(findings, row, "rpm", sheet.text(row, "rpm"), complaint)
    record, what = scenario.race_class.record_ms, f"{sheet.file}, {run.day.name}"
    note_far_from_record(run.speed_ms, what, scenario, findings)
    if run.counted and run.speed_ms < record / FAR_FROM_RECORD:
        timed, best = (shown(each, "speed", metric=metric) for each in (run.speed_ms, record))
        findings.notices.append(f"{what}: {timed} is far below the record of the class, {best}; is the unit right?")
    _check_gear(run, sheet, scenario, findings)


def _check_gear(run: TimedRun, sheet: Sheet, scenario: Scenario, findings: Findings) -> None:
    """Revs, gear and speed of a slip must belong together, slip of the tires allowed for; the speed may be NaN."""
    car = {kind: part for kind, part in _drive_parts(run.day, scenario).items() if part is not None}
    gearset, final, tire = car.get("gearset"), car.get("final drive"), car.get("tire")
    if run.gear is None or not isinstance(gearset, Gearset):
        return
    row = next(each for each in sheet.rows if each.number == run.day.row)
    if run.gear > len(gearset.ratios):
        gears = len(gearset.ratios)
        sheet.fault(findings, row, "gear", sheet.text(row, "gear"), f"is a gear too many: {gearset.id} has {gears}")
        return
    if run.rpm is None or not isinstance(final, FinalDrive) or not isinstance(tire, Tire) or math.isnan(run.speed_ms):
        return
    wheel = run.rpm / 60.0 * circumference_m(tire) / (gearset.ratios[run.gear - 1] * final.ratio)
    if not SLIP_LOW <= wheel / run.speed_ms - 1.0 <= SLIP_HIGH:
        at, timed = (shown(each, "speed", metric=findings.metric) for each in (wheel, run.speed_ms))
        findings.notices.append(
            f"{sheet.file}, {run.day.name}: {run.rpm:,.0f} rpm in gear {run.gear} turn the wheels at {at}, but {timed} "
            "was timed; see whether revs, gear, unit and parts are right"
        )


def _drive_parts(day: Day, scenario: Scenario) -> dict[str, object]:
    """Gearset, final drive and driven tire in the car on a day, by kind."""
    driven = "rear" if scenario.car.drive == "rear" else "front"
    fitted = {slot.kind: slot.fitted for slot in scenario.car.slots if slot.axle in {None, driven}}
    for named in day.parts:
        slot_name, _, id_ = named.rpartition("=")
        part = scenario.parts.get(id_)
        slot = next((slot for slot in scenario.car.slots if slot.name == slot_name), None)
        axle = slot.axle if slot is not None else None if part is None else part.axle
        if part is not None and axle in {None, driven}:
            fitted[part.kind] = id_
    return {kind: scenario.parts.get(id_) for kind, id_ in fitted.items()}
