"""Files of measurements -> `Measurements`, or every fault of every file in one report."""

from __future__ import annotations

import pathlib
from collections.abc import Callable, Sequence
from typing import Any

from optimizer.errors import Fault, ScenarioError
from optimizer.measured.coasts import by_trend, coast_downs, run_logs
from optimizer.measured.dyno import dyno_sheets
from optimizer.measured.grids import grids_of, tabs_of
from optimizer.measured.records import Measurements
from optimizer.measured.sheets import Sheet, sheet_of
from optimizer.measured.slips import chalk_marks, timed_runs
from optimizer.scenario.event import Scenario
from optimizer.scenario.findings import Findings
from optimizer.scenario.tables import RUNS, WORKBOOK


def read_measurements(scenario: Scenario, files: Sequence[str | pathlib.Path]) -> Measurements:
    """Read what a crew measured; the columns of a file tell what it is, or a header line ``kind, coast-down``.

    Parameters
    ----------
    scenario : Scenario
        Of the car: parts, engines, tires and salt that the files name are looked up in it.
    files : sequence of paths
        CSV or other text with commas, semicolons or tabs, or XLSX.

    Returns
    -------
    Measurements
        In the order of the files, in SI.

    Raises
    ------
    ScenarioError
        If anything is wrong; it holds the faults of all files.
    """
    return _read(scenario, [(pathlib.Path(file), str(file), "") for file in files])


def read_runs(scenario: Scenario) -> Measurements:
    """Timing slips in the scenario's own folder; nothing where there are none.

    They are in ``runs.csv``, in ``runs.xlsx`` (tab ``runs``, else all of them) or in a tab ``runs`` of ``parts.xlsx``.

    Raises
    ------
    ScenarioError
        If anything in them is wrong, or they are there more than once.
    """
    files = sorted(path for path in pathlib.Path(scenario.folder).iterdir() if path.is_file())
    there = [path for path in files if path.name.lower() in {f"{RUNS}.csv", f"{RUNS}.xlsx"}]
    there += [path for path in files if path.name.lower() == WORKBOOK and RUNS in tabs_of(path)]
    if len(there) > 1:
        both = " and ".join(path.name for path in there)
        expected = f"the sheet {RUNS} is there more than once: {both}; keep one"
        raise ScenarioError([Fault(there[0].name, 0, "", "", expected)])
    return _read(scenario, [(path, path.name, "timing slips") for path in there])


def _read(scenario: Scenario, files: Sequence[tuple[pathlib.Path, str, str]]) -> Measurements:
    findings = Findings(currency=scenario.event.currency, metric=scenario.event.speed_unit == "km/h")
    readers: dict[str, Callable[[Sheet, Scenario, Findings], Sequence[Any]]] = {
        "coast-down": coast_downs,
        "run log": run_logs,
        "timing slips": timed_runs,
        "dyno sheet": dyno_sheets,
        "chalk mark": chalk_marks,
    }
    found: dict[str, list[Any]] = {kind: [] for kind in readers}
    for path, file, kind in files:
        for grid in grids_of(path, file, findings, tab=RUNS if kind else ""):
            sheet = sheet_of(grid, findings, kind=kind)
            if sheet is not None and sheet.kind == "trace":
                sheet.kind = by_trend(sheet, scenario, findings)
            if sheet is not None and sheet.kind:
                found[sheet.kind] += readers[sheet.kind](sheet, scenario, findings)
    if findings.faults:
        raise ScenarioError(findings.faults)
    return Measurements(
        coast_downs=tuple(found["coast-down"]),
        logs=tuple(found["run log"]),
        runs=tuple(found["timing slips"]),
        dyno=tuple(found["dyno sheet"]),
        chalk=tuple(found["chalk mark"]),
        notices=tuple(dict.fromkeys(findings.notices)),
    )
