"""A scenario folder -> one `Scenario`, or every fault of every file in one report. Nothing is half-read."""

from __future__ import annotations

import pathlib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Literal

from optimizer.errors import Fault, ScenarioError, place_of
from optimizer.scenario import crosscheck, sense
from optimizer.scenario.calibration_file import FILE, calibrated, hash_of_car, read_calibration, unfit_for
from optimizer.scenario.catalog import Draft, check_dyno, kits_of, parts_of, read_catalog, resolve_engines
from optimizer.scenario.columns import SHEETS
from optimizer.scenario.entries import Entry
from optimizer.scenario.estimates import Calibration
from optimizer.scenario.event import Assumption, Scenario, TypedLimit
from optimizer.scenario.findings import Findings
from optimizer.scenario.settings import (
    CarDraft,
    EventDraft,
    RulesDraft,
    car_of,
    entries_of,
    event_of,
    learn_customs,
    read_car,
    read_event,
)
from optimizer.scenario.tables import Table, find_tables
from optimizer.scenario.toml_files import read_document
from optimizer.units import nearest

MOST_NAMED = 4
"""Estimates named of a calibration that does not fit."""
BEGIN = "holds neither a car nor an event: saltmile new FOLDER makes a folder to begin with"
OTHER_CAR = (
    f"{FILE} was made with another car.toml: if more than a remark changed (a weight, a part that is fitted), run "
    "calibrate again, and write into runs.csv which parts were in the car on each run"
)


def read_scenario(folder: str | pathlib.Path, *, as_stated: bool = False) -> Scenario:
    """Read a scenario folder: ``car.toml``, ``event.toml`` and the sheets of parts.

    Parameters
    ----------
    folder : str or pathlib.Path
        Where the files are.
    as_stated : bool
        Leave a calibration that the folder has out of account.

    Returns
    -------
    Scenario
        Everything in it, in SI, with the list of what was assumed.

    Raises
    ------
    ScenarioError
        If anything is wrong; it holds the faults of all files.
    """
    return read_with_offers(folder, (), Findings(), as_stated=as_stated)


def read_with_offers(
    folder: str | pathlib.Path, offered: Sequence[tuple[str, Table]], findings: Findings, *, as_stated: bool = False
) -> Scenario:
    """Read a scenario folder together with tables on offer, as if each stood at the end of the sheet it is named like.

    Raises
    ------
    ScenarioError
        If anything is wrong in either, or in the findings so far; it holds all faults.
    """
    path = pathlib.Path(folder)
    if not path.is_dir():
        beside = [each.name for each in path.parent.glob("*") if each.is_dir()]
        raise ScenarioError([Fault(str(folder), 0, "", "", f"is not a folder{nearest(path.name, beside)}")])
    event_file = read_document(path / "event.toml", findings)
    learn_customs(event_file, findings)
    event = read_event(event_file)
    car_file = read_document(path / "car.toml", findings)
    car = read_car(car_file)
    if not any((path / name).exists() for name in ("event.toml", "car.toml")):
        findings.fault(str(folder), 0, "", "", BEGIN)
    catalog = read_catalog(find_tables(path, tuple(SHEETS), findings), findings, offered)
    resolve_engines(catalog, findings)
    check_dyno(catalog, findings)
    sense.check_curves(catalog, findings)
    sense.check_engine_speeds(catalog, findings)
    sense.check_rotors(catalog, findings)
    _crosscheck(car, event, catalog, findings)
    calibration = None if as_stated else read_calibration(path, findings)
    if findings.faults:
        raise ScenarioError(findings.faults)
    scenario = _scenario_of(path, car, event, catalog, findings)
    return scenario if calibration is None else _calibrated(scenario, calibration, hash_of_car(path))


def _calibrated(scenario: Scenario, calibration: Calibration, car_sha256: str) -> Scenario:
    """The scenario with estimates; a calibration that was made against other values is refused, not half used."""
    unfit = unfit_for(calibration, scenario)
    if unfit:
        more = [f"{len(unfit) - MOST_NAMED} more"] if len(unfit) > MOST_NAMED else []
        gone = ", ".join([*unfit[:MOST_NAMED], *more])
        expected = f"was made when the files said something else of {gone}; run calibrate again, or delete the file"
        raise ScenarioError([Fault(FILE, 0, "", "", expected)])
    if calibration.car_sha256 and calibration.car_sha256 != car_sha256:
        scenario = replace(scenario, notices=(*scenario.notices, OTHER_CAR))
    return calibrated(scenario, calibration)


def _crosscheck(car: CarDraft, event: EventDraft, catalog: Draft, findings: Findings) -> None:
    crosscheck.check_for_repeated_names(car.slots, findings)
    crosscheck.check_for_repeated_names(car.jobs, findings)
    crosscheck.check_for_repeated_names(event.salts, findings)
    crosscheck.check_for_repeated_names([entry for entry, _ in event.classes], findings)
    for _, rules in event.classes:
        crosscheck.check_for_repeated_names([*_named(event.rules), *_named(rules)], findings)
    crosscheck.check_for_repeated_ids(catalog, findings)
    sheets = {sheet.kind: name for name, sheet in SHEETS.items() if sheet.kind}
    crosscheck.check_for_missing_sheets(car, sheets, catalog, findings)
    crosscheck.check_slots(car, catalog, findings)
    crosscheck.check_offsets(car, findings)
    crosscheck.check_names_in_sheets(car, event, catalog, findings)
    crosscheck.check_kits(catalog, findings)
    crosscheck.check_rim_widths(catalog, findings)
    crosscheck.check_event(car, event, catalog, findings)
    crosscheck.check_tire_dates(event, catalog, findings)
    sense.check_extras(car, catalog, findings)
    sense.note_extras_for_every_slot(car, catalog, findings)


def _named(rules: RulesDraft) -> list[Entry]:
    return [*rules.rules, *rules.pairs, *rules.limits, *rules.brackets]


def _scenario_of(
    path: pathlib.Path, car: CarDraft, event: EventDraft, catalog: Draft, findings: Findings
) -> Scenario:
    """Make the records; only called where there is no fault, so that nothing in it can fail."""
    typed = _typed_as_assumed(car, event, catalog)
    fitted = crosscheck.fitted_pieces(car)
    crosscheck.note_parts_out_of_reach(catalog, fitted, findings)
    crosscheck.note_fewer_owned_than_fitted(catalog, fitted, findings)
    return Scenario(
        folder=str(path),
        event=event_of(event, findings),
        car=car_of(car, findings),
        parts=MappingProxyType(parts_of(catalog, fitted, findings)),
        kits=kits_of(catalog),
        assumptions=(*typed, *findings.assumptions),
        notices=tuple(dict.fromkeys(findings.notices)),
        limits=tuple(_typed_limits(event)),
    )


def _typed_limits(event: EventDraft) -> Iterator[TypedLimit]:
    """Limits on the weight of the whole car and on displacement: of what they bound, every car has about as much."""
    for race_class, rules in (("", event.rules), *((entry.label, rules) for entry, rules in event.classes)):
        for rule in rules.rules:
            if rule.values.get("field") == "displacement":
                yield from _ends(rule, "volume", race_class)
        for limit in rules.limits:
            if limit.values["quantity"] == "mass" and limit.lacks("tag"):
                yield from _ends(limit, "mass", race_class)


def _ends(entry: Entry, dimension: Literal["mass", "volume"], race_class: str) -> Iterator[TypedLimit]:
    for target in ("minimum", "maximum"):
        if target in entry.values:
            line, key = entry.places[target]
            where = f"{place_of(entry.file, line)}, {key}"
            yield TypedLimit(where, entry.typed[target], entry.values[target], dimension, race_class)


def _typed_as_assumed(car: CarDraft, event: EventDraft, catalog: Draft) -> list[Assumption]:
    listed: list[Assumption] = []
    for entry, fields in entries_of(car, event):
        listed += entry.list_assumed({item.target: item.name for item in fields})
    for sheet, entries in catalog.parts.items():
        names = {item.target: item.name for item in SHEETS[sheet].fields}
        for entry in entries:
            listed += entry.list_assumed(names)
    return listed
