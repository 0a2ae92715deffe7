"""Coast-downs and run logs: columns of numbers over time, in passes."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from optimizer.measured.cells import clock
from optimizer.measured.days import day_of
from optimizer.measured.records import CoastDown, FloatArray, RunLog
from optimizer.measured.sheets import Sheet
from optimizer.scenario.entries import value_of
from optimizer.scenario.event import Scenario
from optimizer.scenario.findings import Findings

GAPS = frozenset({"", "-", "--", "nan", "n/a", "na", "#n/a", "null", "none", "*", "---"})
"""What loggers write where they have nothing."""


def numbers(sheet: Sheet, name: str, findings: Findings) -> FloatArray:
    """A column as numbers, one a row; NaN for a gap, and with a fault for what is no number."""
    column = sheet.columns[name]
    values = np.full(len(sheet.rows), np.nan)
    for place, row in enumerate(sheet.rows):
        text = sheet.text(row, name)
        if text.lower() in GAPS:
            continue
        seconds = clock(text) if name == "time" else None
        if seconds is not None:
            values[place] = seconds
            continue
        try:
            values[place] = value_of(column.field, sheet.plain(text, column.field), column.unit, findings)[0]
        except ValueError as fault:
            findings.fault(sheet.file, row.number, column.header, text, str(fault))
    return values


def coast_downs(sheet: Sheet, scenario: Scenario, findings: Findings) -> list[CoastDown]:
    """Coast-downs of a file, one a pass."""
    time, speed = numbers(sheet, "time", findings), numbers(sheet, "speed", findings)
    day = day_of(sheet, 0, sheet.facts, sheet.name, scenario, findings)
    there = np.isfinite(time)
    time, speed = time[there], speed[there]
    edges = [0, *(np.flatnonzero((np.diff(time) < 0) | (np.diff(speed) > 3.0)) + 1).tolist(), len(time)]
    passes = [slice(a, b) for a, b in itertools.pairwise(edges) if b > a]
    names = [day.name if len(passes) == 1 else f"{day.name}, pass {n}" for n in range(1, len(passes) + 1)]
    return [CoastDown(replace(day, name=name), time[p], speed[p]) for name, p in zip(names, passes, strict=True)]


def run_logs(sheet: Sheet, scenario: Scenario, findings: Findings) -> list[RunLog]:
    """Runs of a file."""
    columns = {name: numbers(sheet, name, findings) for name in sheet.columns if sheet.columns[name].field.is_number}
    day = day_of(sheet, 0, sheet.facts, sheet.name, scenario, findings)
    driven = "driven wheel speed" if "driven wheel speed" in columns else f"{scenario.car.drive} wheel speed"
    there = np.isfinite(columns["time"])
    get = {name: values[there] for name, values in columns.items()}
    return [RunLog(day, get["time"], get["speed"], get.get("distance"), get.get("rpm"), get.get(driven))]
