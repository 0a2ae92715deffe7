"""Timing slips and chalk marks: one record a row."""

from __future__ import annotations

from optimizer.measured.columns import MILES
from optimizer.measured.days import day_of
from optimizer.measured.records import ChalkMark, TimedRun
from optimizer.measured.sheets import Sheet
from optimizer.scenario.event import Scenario
from optimizer.scenario.findings import Findings


def timed_runs(sheet: Sheet, scenario: Scenario, findings: Findings) -> list[TimedRun]:
    """Runs of a sheet of timing slips, one a row."""
    runs = []
    for row in sheet.rows:
        values = {name: sheet.value(row, name, findings) for name in sheet.columns}
        values = {name: value for name, value in values.items() if value is not None}
        if "speed" not in values:
            if not sheet.text(row, "speed"):
                findings.fault(sheet.file, row.number, sheet.columns["speed"].header, "", "is needed")
            continue
        day = day_of(sheet, row.number, {**sheet.facts, **values}, f"row {row.number}", scenario, findings)
        miles = [values.get(f"mile {n}", float("nan")) for n in range(1, MILES + 1)]
        last = max((n for n in range(1, MILES + 1) if f"mile {n}" in values), default=0)
        runs.append(
            TimedRun(
                day,
                values["speed"],
                tuple(miles[:last]),
                values.get("rpm"),
                values.get("gear"),
                values.get("counted", True),
                values.get("note", ""),
            )
        )
    return runs


def chalk_marks(sheet: Sheet, scenario: Scenario, findings: Findings) -> list[ChalkMark]:
    """Chalk marks, one a row: roll-out of one turn, or the distance of all of them."""
    marks = []
    for row in sheet.rows:
        values = {name: sheet.value(row, name, findings) for name in sheet.columns}
        turns = values.get("turns") or 1
        length = values.get("roll-out") or (values["distance"] / turns if values.get("distance") else None)
        if values.get("tire") is None or length is None:
            findings.fault(sheet.file, row.number, "", "", "needs the tire and its roll-out")
            continue
        given = {name: value for name, value in values.items() if value is not None}
        day = day_of(sheet, row.number, {**sheet.facts, **given}, f"chalk mark of {given['tire']}", scenario, findings)
        marks.append(ChalkMark(day, given["tire"], length, turns))
    return marks
