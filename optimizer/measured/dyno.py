"""Dyno sheets: torque or power by engine speed, as one sheet of one engine."""

from __future__ import annotations

import math

import numpy as np

from optimizer.measured.days import day_of
from optimizer.measured.records import DynoSheet
from optimizer.measured.sheets import Sheet
from optimizer.measured.traces import numbers
from optimizer.scenario.event import Scenario
from optimizer.scenario.findings import Findings
from optimizer.units import nearest


def dyno_sheets(sheet: Sheet, scenario: Scenario, findings: Findings) -> list[DynoSheet]:
    """The sheet of a dyno file."""
    rpm = numbers(sheet, "rpm", findings)
    if "torque" in sheet.columns:
        torque = numbers(sheet, "torque", findings)
    else:
        torque = numbers(sheet, "power", findings) / (np.maximum(rpm, 1.0) * math.pi / 30.0)
    fitted = next((slot.fitted for slot in scenario.car.slots if slot.kind == "engine"), "")
    engine = str(sheet.facts.get("engine", fitted))
    if engine not in scenario.parts or scenario.parts[engine].kind != "engine":
        row, key = sheet.places.get("engine", (0, "engine"))
        engines = [part.id for part in scenario.parts.values() if part.kind == "engine"]
        findings.fault(sheet.file, row, key, engine, f"is no engine of the sheets{nearest(engine, engines)}")
    day = day_of(sheet, 0, sheet.facts, sheet.name, scenario, findings)
    there = np.isfinite(rpm) & np.isfinite(torque)
    order = np.argsort(rpm[there], kind="stable")
    return [DynoSheet(day, engine, rpm[there][order], torque[there][order], int(sheet.facts.get("pulls", 1)))]
