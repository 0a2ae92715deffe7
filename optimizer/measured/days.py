"""What is known of the day of a measurement, from header lines and columns; parts and salt are looked up."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from optimizer.measured.records import Day
from optimizer.measured.sheets import Sheet
from optimizer.scenario.event import Scenario
from optimizer.scenario.findings import Findings
from optimizer.units import nearest, nearest_and_all, same_words


def day_of(
    sheet: Sheet, row: int, values: dict[str, Any], name: str, scenario: Scenario, findings: Findings
) -> Day:
    """Make the record of a day.

    Parameters
    ----------
    sheet : Sheet
    row : int
        0: the whole file.
    values : dict
        By name of the field; those of the row over those of the header lines.
    name : str
        What it is called where nobody named it.
    scenario : Scenario
    findings : Findings
    """

    def fault(field: str, typed: str, expected: str) -> None:
        place, header = sheet.places.get(field, (row, field))
        column = sheet.columns.get(field)
        if column is not None and row:
            place, header = row, column.header
        findings.fault(sheet.file, place, header, typed, expected)

    parts = tuple(values.get("parts", ()))
    _check_parts(parts, scenario, fault)
    salt = values.get("salt")
    if salt is not None and salt not in scenario.event.salts:
        known = scenario.event.salts
        fault("salt", salt, f"is not one of the event's conditions: {', '.join(known)}{nearest(salt, known)}")
    direction = values.get("direction")
    return Day(
        file=sheet.name,
        row=row,
        name=_called(str(values.get("name", "")), str(values.get("date", "")), name),
        date=str(values.get("date", "")),
        parts=parts,
        salt=salt,
        bearing_deg=None if isinstance(direction, bool) else direction,
        other_way=direction is True,
        pressure_pa=values.get("station pressure"),
        temperature_k=values.get("air temperature"),
        humidity=values.get("humidity"),
        wind_ms=values.get("wind"),
        wind_from_deg=values.get("wind from"),
        mass_kg=values.get("mass"),
    )


def _called(name: str, date: str, otherwise: str) -> str:
    """What a crew would call it: ``run 2, 2027-09-18``; a bare number is that of a run."""
    if not name:
        return otherwise
    bare = f"run {name}" if name.isdigit() else name
    return f"{bare}, {date}" if date else bare


def _check_parts(parts: tuple[str, ...], scenario: Scenario, fault: Callable[[str, str, str], None]) -> None:
    """Every part is one of the sheets' and has a slot; every slot that is named is one of the car's."""
    slots = {slot.name: slot for slot in scenario.car.slots}
    kinds = {slot.kind for slot in scenario.car.slots}
    for named in parts:
        slot, _, id_ = named.rpartition("=")
        if slot and slot not in slots:
            fault("parts", named, f"names no slot of the car{nearest_and_all(slot, slots, 'they are')}")
        elif id_ == "none" and slot and not slots[slot].required:
            continue
        elif id_ not in scenario.parts:
            ids = [part.id for part in scenario.parts.values() if same_words(part.name, id_)]
            hint = f"; that is the name of {', '.join(ids)}" if ids else nearest(id_, scenario.parts)
            fault("parts", named, f"is no part of the sheets{hint}")
        elif scenario.parts[id_].kind not in ({slots[slot].kind} if slot else kinds):
            fault("parts", named, f"is of kind {scenario.parts[id_].kind}, for which there is no slot")
