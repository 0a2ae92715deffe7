"""Files of measurements -> `Measurements`, or every fault of every file in one report."""

from __future__ import annotations

import pathlib
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any

from optimizer.errors import ScenarioError
from optimizer.measured.coasts import by_trend, coast_downs, run_logs
from optimizer.measured.columns import ROW_BY_ROW
from optimizer.measured.days import day_of
from optimizer.measured.dyno import dyno_sheets
from optimizer.measured.grids import grids_of, tabs_of
from optimizer.measured.records import Measurements
from optimizer.measured.sheets import Sheet, sheet_of
from optimizer.measured.slips import chalk_marks, row_values, slip_values, timed_runs
from optimizer.measured.traces import check_samples
from optimizer.scenario.event import Scenario
from optimizer.scenario.findings import Findings
from optimizer.scenario.reading import read_scenario
from optimizer.scenario.settings import learn_customs
from optimizer.scenario.tables import RUNS, WORKBOOK
from optimizer.scenario.toml_files import read_document

File = tuple[pathlib.Path, str, str]
"""Where it is, how messages call it, and what it is known to be."""
READERS: Mapping[str, Callable[[Sheet, Scenario, Findings], Sequence[Any]]] = MappingProxyType(
    {
        "coast-down": coast_downs,
        "run log": run_logs,
        "timing slips": timed_runs,
        "dyno sheet": dyno_sheets,
        "chalk mark": chalk_marks,
    }
)


def read_folder(
    folder: str | pathlib.Path, files: Sequence[str | pathlib.Path] = (), *, as_stated: bool = False
) -> Scenario:
    """Read a scenario folder (`read_scenario`), with the faults of its timing slips beside those of its sheets.

    Parameters
    ----------
    folder : str or pathlib.Path
    files : sequence of paths
        Of measurements that will be asked for next: their faults are told too.
    as_stated : bool
        Leave a calibration that the folder has out of account.

    Raises
    ------
    ScenarioError
        If anything is wrong with car, event or parts. It holds their faults, and of the measurements all that can be
        seen without knowing the car.
    """
    try:
        return read_scenario(folder, as_stated=as_stated)
    except ScenarioError as refused:
        path = pathlib.Path(folder)
        findings = Findings()
        if path.is_dir():
            learn_customs(read_document(path / "event.toml", Findings()), findings)
            _read(None, [*_named(files), *_slips_of(path, findings)], findings)
        raise ScenarioError(list(dict.fromkeys([*refused.faults, *findings.faults]))) from refused


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
    findings = _findings(scenario)
    return _read(scenario, _named(files), findings)


def read_with_runs(scenario: Scenario, files: Sequence[str | pathlib.Path]) -> Measurements:
    """The same, and the timing slips in the scenario's own folder behind them.

    Raises
    ------
    ScenarioError
        If anything is wrong; it holds the faults of all of them.
    """
    findings = _findings(scenario)
    return _read(scenario, [*_named(files), *_own_slips(scenario, findings)], findings)


def read_runs(scenario: Scenario) -> Measurements:
    """Timing slips in the scenario's own folder; nothing where there are none.

    They are in ``runs.csv``, in ``runs.xlsx`` (tab ``runs``, else all of them) or in a tab ``runs`` of ``parts.xlsx``.

    Raises
    ------
    ScenarioError
        If anything in them is wrong, or they are there more than once.
    """
    findings = _findings(scenario)
    return _read(scenario, _own_slips(scenario, findings), findings)


def _findings(scenario: Scenario) -> Findings:
    return Findings(currency=scenario.event.currency, metric=scenario.event.speed_unit == "km/h")


def _named(files: Sequence[str | pathlib.Path]) -> list[File]:
    return [(pathlib.Path(file), str(file), "") for file in files]


def _own_slips(scenario: Scenario, findings: Findings) -> list[File]:
    """Those of the scenario's folder; a scenario that was not read has none."""
    return _slips_of(pathlib.Path(scenario.folder), findings) if scenario.folder else []


def _slips_of(folder: pathlib.Path, findings: Findings) -> list[File]:
    """The folder's own sheet of timing slips, if there is one; a fault where there are more."""
    files = sorted(path for path in folder.iterdir() if path.is_file())
    there = [path for path in files if path.name.lower() in {f"{RUNS}.csv", f"{RUNS}.xlsx"}]
    there += [path for path in files if path.name.lower() == WORKBOOK and RUNS in tabs_of(path)]
    if len(there) > 1:
        both = " and ".join(path.name for path in there)
        expected = f"the sheet {RUNS} is there more than once: {both}; keep one"
        findings.fault(there[0].name, 0, "", "", expected)
    return [(path, path.name, "timing slips") for path in there]


def _read(scenario: Scenario | None, files: Sequence[File], findings: Findings) -> Measurements:
    """Measurements of files; where the scenario is not known, there are none, and all that is found are faults.

    Raises
    ------
    ScenarioError
        If anything is wrong, and the scenario is known.
    """
    found: dict[str, list[Any]] = {kind: [] for kind in READERS}
    for path, file, kind in files:
        for grid in grids_of(path, file, findings, tab=RUNS if kind else ""):
            sheet = sheet_of(grid, findings, kind=kind)
            if sheet is not None and scenario is None:
                _check_cells(sheet, findings)
            elif sheet is not None and scenario is not None and (records := _records(sheet, scenario, findings)):
                found[sheet.kind] += records
    if findings.faults and scenario is not None:
        raise ScenarioError(findings.faults)
    return Measurements(
        coast_downs=tuple(found["coast-down"]),
        logs=tuple(found["run log"]),
        runs=tuple(found["timing slips"]),
        dyno=tuple(found["dyno sheet"]),
        chalk=tuple(found["chalk mark"]),
        notices=tuple(dict.fromkeys(findings.notices)),
    )


def _records(sheet: Sheet, scenario: Scenario, findings: Findings) -> Sequence[Any]:
    """What a sheet holds; where anything in it is wrong, everything else that can be said of it is said too."""
    before = len(findings.faults)
    whole = not sheet.broken or sheet.kind in ROW_BY_ROW
    if sheet.kind == "trace" and whole:
        sheet.kind = by_trend(sheet, scenario, findings)
    records = READERS[sheet.kind](sheet, scenario, findings) if whole and sheet.kind in READERS else []
    if sheet.kind not in ROW_BY_ROW and (sheet.broken or len(findings.faults) > before):
        _check_cells(sheet, findings)
        day_of(sheet, 0, sheet.facts, sheet.name, scenario, findings)
    if sheet.decimal_comma is None and len(findings.faults) == before:  # no column that is read has such a comma
        expected = "has commas that may be decimal ones: add a line above, decimal: comma or decimal: point"
        findings.fault(sheet.file, sheet.header_row, "", "", expected)
    return records


def _check_cells(sheet: Sheet, findings: Findings) -> None:
    """Faults of the cells of a sheet, as far as they can be seen without knowing the car."""
    if sheet.kind == "timing slips":
        slip_values(sheet, findings)
    elif sheet.kind == "chalk mark":
        for row in sheet.rows:
            row_values(sheet, row, findings)
    else:
        check_samples(sheet, "rpm" if sheet.kind == "dyno sheet" else "time", findings)
