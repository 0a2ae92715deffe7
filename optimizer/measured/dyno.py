"""Dyno sheets: torque or power by engine speed, the mean of the pulls of a file."""

from __future__ import annotations

import itertools
import math

import numpy as np

from optimizer.measured.days import day_of
from optimizer.measured.records import DynoSheet, FloatArray
from optimizer.measured.sense import limits_of, too_many_revs
from optimizer.measured.sheets import Sheet
from optimizer.measured.traces import drop_end_lines, numbers
from optimizer.scenario.event import Scenario
from optimizer.scenario.findings import Findings
from optimizer.scenario.parts import Engine, Part
from optimizer.units import nearest, shown

LEAST_POINTS = 3
ANEW = 0.3
"""Share of the range of revs by which they must fall back for another pull to begin."""
AGREE = 0.03
"""How far torque and power of one row may differ."""
OFF, FAR_OFF = 1.2, 2.0
"""Peak torque over the stated one: more than dynos disagree by; more than any mistake but a wrong unit."""
RAD = math.pi / 30.0


def dyno_sheets(sheet: Sheet, scenario: Scenario, findings: Findings) -> list[DynoSheet]:
    """The sheet of a dyno file: one, the mean of its pulls."""
    before = len(findings.faults)
    drop_end_lines(sheet, "rpm", findings)
    rpm = numbers(sheet, "rpm", findings)
    torque = _torque(sheet, rpm, findings)
    engine = _engine(sheet, scenario, findings)
    _check_revs(sheet, rpm, scenario, findings)
    if len(findings.faults) > before:
        return []
    pulls = _pulls(sheet, rpm, torque)
    if min(len(pull[0]) for pull in pulls) < LEAST_POINTS:
        expected = f"a pull needs at least {LEAST_POINTS} points with revs and torque or power"
        sheet.fault(findings, None, "rpm", "", expected)
        return []
    day = day_of(sheet, 0, sheet.facts, sheet.name, scenario, findings)
    _check_peak(sheet, max(float(torque.max()) for _, torque in pulls), scenario.parts[engine], findings)
    repeat = int(sheet.facts.get("pulls", 1)) * len(pulls)
    return [DynoSheet(day, engine, *_mean(pulls), repeat)]


def _torque(sheet: Sheet, rpm: FloatArray, findings: Findings) -> FloatArray:
    """Torque [N m] of each row; where power stands beside it, both must say the same."""
    if "power" not in sheet.columns:
        return numbers(sheet, "torque", findings)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_power = numbers(sheet, "power", findings) / (rpm * RAD)
    if "torque" not in sheet.columns:
        return by_power
    torque = numbers(sheet, "torque", findings)
    off = np.abs(by_power / np.where(torque > 0, torque, np.nan) - 1.0) > AGREE
    if off.any():
        row = sheet.rows[int(np.flatnonzero(off)[0])]
        expected = f"disagrees with torque and revs of its row by more than {AGREE:.0%}; see the units"
        sheet.fault(findings, row, "power", sheet.text(row, "power"), expected)
    return np.where(np.isfinite(torque), torque, by_power)


def _engine(sheet: Sheet, scenario: Scenario, findings: Findings) -> str:
    """Id of the engine on the dyno: of the header line, else the fitted one."""
    fitted = next((slot.fitted for slot in scenario.car.slots if slot.kind == "engine"), "")
    id_ = str(sheet.facts.get("engine", fitted))
    engine = scenario.parts.get(id_)
    if not isinstance(engine, Engine):
        engines = [part.id for part in scenario.parts.values() if isinstance(part, Engine)]
        sheet.fault(findings, None, "engine", id_, f"is no engine of the sheets{nearest(id_, engines)}")
        return id_
    for name, stated in (("correction", engine.correction), ("measured at", engine.measured_at)):
        said = sheet.facts.get(name)
        if said is not None and said != stated:
            expected = f"is not how the sheet of {id_} was made, {stated}: give these pulls an engine of their own"
            sheet.fault(findings, None, name, str(said), expected)
    return id_


def _check_revs(sheet: Sheet, rpm: FloatArray, scenario: Scenario, findings: Findings) -> None:
    if not np.isfinite(rpm).any():
        return
    place = int(np.nanargmax(rpm))
    if complaint := too_many_revs(float(rpm[place]), limits_of(scenario)):
        row = sheet.rows[place]
        sheet.fault(findings, row, "rpm", sheet.text(row, "rpm"), complaint)


def _check_peak(sheet: Sheet, peak_nm: float, engine: Part, findings: Findings) -> None:
    """Hold the peak against that of the engine's own sheet: units mixed up are off by a third or more."""
    if not isinstance(engine, Engine) or engine.curve is None:
        return
    ratio = peak_nm / max(engine.curve.torque_nm)
    there, stated = (shown(nm, "torque", metric=findings.metric) for nm in (peak_nm, max(engine.curve.torque_nm)))
    expected = f"peaks at {there}, the sheet of {engine.id} at {stated}; is it in another unit, or of another engine?"
    column = "torque" if "torque" in sheet.columns else "power"
    if not 1 / FAR_OFF <= ratio <= FAR_OFF:
        sheet.fault(findings, None, column, "", expected)
    elif not 1 / OFF <= ratio <= OFF:
        findings.notices.append(f"{sheet.file}: {sheet.columns[column].header} {expected}")


def _pulls(sheet: Sheet, rpm: FloatArray, torque: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
    """Revs and torque of each pull, in rising revs: by the column ``pull``, else where revs fall back."""
    there = np.isfinite(rpm) & np.isfinite(torque) & (rpm > 0)
    labels = np.array([sheet.text(row, "pull") for row in sheet.rows])
    if "pull" in sheet.columns:
        groups = [np.flatnonzero(there & (labels == label)) for label in dict.fromkeys(labels[there].tolist())]
    else:
        kept = np.flatnonzero(there)
        span = float(np.ptp(rpm[kept])) if len(kept) else 0.0
        edges = [0, *(np.flatnonzero(np.diff(rpm[kept]) < -ANEW * span) + 1).tolist(), len(kept)]
        groups = [kept[a:b] for a, b in itertools.pairwise(edges)]
    return [_by_revs(rpm[group], torque[group]) for group in groups] or [(np.zeros(0), np.zeros(0))]


def _by_revs(rpm: FloatArray, torque: FloatArray) -> tuple[FloatArray, FloatArray]:
    each, group = np.unique(rpm, return_inverse=True)
    return each, np.bincount(group, weights=torque) / np.bincount(group)


def _mean(pulls: list[tuple[FloatArray, FloatArray]]) -> tuple[FloatArray, FloatArray]:
    """Mean torque over the revs that all pulls reach, at the points of the pull with the fewest."""
    if len(pulls) == 1:
        return pulls[0]
    low, high = max(rpm[0] for rpm, _ in pulls), min(rpm[-1] for rpm, _ in pulls)
    at = min((rpm for rpm, _ in pulls), key=len)
    at = at[(at >= low) & (at <= high)]
    return at, np.mean([np.interp(at, rpm, torque) for rpm, torque in pulls], axis=0)
