"""Timing slips and chalk marks: one record a row."""

from __future__ import annotations

from typing import Any

from optimizer.measured import cells
from optimizer.measured.columns import MILES
from optimizer.measured.days import day_of
from optimizer.measured.grids import Line
from optimizer.measured.records import ChalkMark, TimedRun
from optimizer.measured.sense import check_day, check_run, circumference_m
from optimizer.measured.sheets import Sheet
from optimizer.scenario.bounds import CIRCUMFERENCE
from optimizer.scenario.event import Scenario
from optimizer.scenario.findings import Findings
from optimizer.scenario.parts import Tire
from optimizer.units import nearest, shown

ROLLOUT_ROOM = 0.1
"""A tire's roll-out is within this share of what its size or sheet says; anything else was measured otherwise."""


def timed_runs(sheet: Sheet, scenario: Scenario, findings: Findings) -> list[TimedRun]:
    """Runs of a sheet of timing slips, one a row; all of it is held against the car, whatever of a row is faulty."""
    runs = []
    for row, values in slip_values(sheet, findings):
        day = day_of(sheet, row.number, {**sheet.facts, **values}, _name(values, row), scenario, findings)
        last = max((n for n in range(1, MILES + 1) if f"mile {n}" in values), default=0)
        run = TimedRun(
            day,
            values.get("speed", float("nan")),
            tuple(values.get(f"mile {n}", float("nan")) for n in range(1, last + 1)),
            values.get("rpm"),
            values.get("gear"),
            values.get("counted", True),
            values.get("note", ""),
        )
        check_day(day, sheet, scenario, findings)
        check_run(run, sheet, scenario, findings)
        runs.append(run)
    return runs


def slip_values(sheet: Sheet, findings: Findings) -> list[tuple[Line, dict[str, Any]]]:
    """Values of each row of timing slips, by name of the field; what is blank or faulty is not in it."""
    if "date" in sheet.facts:  # a line above the table, where a date of any other file may be any text
        number, key = sheet.places["date"]
        try:
            sheet.facts["date"] = cells.day(sheet.facts["date"])
        except ValueError as fault:
            findings.fault(sheet.file, number, key, sheet.facts.pop("date"), str(fault))
    for row in sheet.rows:
        if "speed" in sheet.columns and not sheet.text(row, "speed"):
            sheet.fault(findings, row, "speed", "", "is needed")
    return [(row, row_values(sheet, row, findings)) for row in sheet.rows]


def chalk_marks(sheet: Sheet, scenario: Scenario, findings: Findings) -> list[ChalkMark]:
    """Chalk marks, one a row: roll-out of one turn, or the distance of all of them."""
    marks = []
    for row in sheet.rows:
        values = row_values(sheet, row, findings)
        tire = _tire(sheet, row, values, scenario, findings) if "tire" in sheet.columns else None
        turns = int(values.get("turns", 1))
        length = _one_turn(sheet, row, values, tire, findings) if tire is not None else None
        called = f"chalk mark of {values.get('tire', '')}"
        day = day_of(sheet, row.number, {**sheet.facts, **values}, called, scenario, findings)
        if tire is not None and length is not None:
            marks.append(ChalkMark(day, tire.id, length, turns))
    return marks


def row_values(sheet: Sheet, row: Line, findings: Findings) -> dict[str, Any]:
    """Values of a row by name of the field; blanks are not in it."""
    found = {name: sheet.value(row, name, findings) for name in sheet.columns}
    wind = sheet.text(row, "wind")
    try:
        origin = cells.wind_origin(wind)
    except ValueError as fault:
        origin = None
        sheet.fault(findings, row, "wind", wind, str(fault))
    if origin is not None and found.get("wind from") not in {None, origin}:
        other = sheet.text(row, "wind from")
        sheet.fault(findings, row, "wind", wind, f"and wind from, {other!r}, are two directions; leave one of them")
    elif origin is not None:
        found["wind from"] = origin
    return {name: value for name, value in found.items() if value is not None}


def _name(values: dict[str, Any], row: Line) -> str:
    """What to call a run that has no name of its own."""
    return f"run of {values['date']}" if values.get("date") else f"run in row {row.number}"


def _tire(
    sheet: Sheet, row: Line, values: dict[str, Any], scenario: Scenario, findings: Findings
) -> Tire | None:
    id_ = values.get("tire")
    tire = scenario.parts.get(str(id_))
    if isinstance(tire, Tire):
        return tire
    known = [part.id for part in scenario.parts.values() if isinstance(part, Tire)]
    expected = f"is no tire of the sheets{nearest(str(id_), known)}" if id_ else "is needed"
    sheet.fault(findings, row, "tire", str(id_ or ""), expected)
    return None


def _one_turn(
    sheet: Sheet, row: Line, values: dict[str, Any], tire: Tire, findings: Findings
) -> float | None:
    """Roll-out of one turn, held against what is stated; a length over all turns in its place is recognized."""
    turns = int(values.get("turns", 1))
    given = [name for name in ("roll-out", "distance") if name in values]
    known = {"roll-out", "distance"} & set(sheet.columns)
    if not given and (not known or any(sheet.text(row, name) for name in known)):
        return None  # it is not there, or could not be read, which is said already
    if len(given) != 1:
        both = "is given beside a distance; leave one of them"
        expected = both if given else "is needed, or a distance over all turns"
        sheet.fault(findings, row, "roll-out", "", expected)
        return None
    name = given[0]
    length, stated = float(values[name]), circumference_m(tire)
    each = length / turns if name == "distance" else length
    if name == "roll-out" and turns > 1 and abs(length / turns / stated - 1.0) <= ROLLOUT_ROOM:
        taken = f"{sheet.text(row, name)} was taken as the length of all {turns} turns"
        findings.notices.append(f"{sheet.file} row {row.number}: {taken}")
        each = length / turns
    if CIRCUMFERENCE.complaint(each, str) or abs(each / stated - 1.0) > ROLLOUT_ROOM:
        turn, sheets = (shown(value, "length", metric=findings.metric, digits=4) for value in (each, stated))
        sheet.fault(findings, row, name, sheet.text(row, name), f"is {turn} a turn, but {tire.id} has about {sheets}")
        return None
    return each
