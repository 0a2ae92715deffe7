"""A grid -> what stands above its table, and the cells of its columns with unit and place of each."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from optimizer.measured.columns import KINDS, LINE_NAMES, field_of
from optimizer.measured.grids import Grid, Line
from optimizer.scenario.columns import Field
from optimizer.scenario.entries import value_of
from optimizer.scenario.findings import Findings
from optimizer.units import Unit, choices, find_unit, usual


@dataclass(frozen=True, slots=True)
class Column:
    """One column: which cell, under which header, holding which field in which unit (None: none, or in the cells)."""

    position: int
    header: str
    field: Field
    unit: Unit | None


@dataclass(slots=True)
class Sheet:
    """One table of measurements and what stands above it.

    Attributes
    ----------
    file, name : str
        How messages call it; bare name of the file.
    kind : str
        Key of `KINDS`.
    facts : dict
        Values of header lines, by name of the field.
    places : dict
        Row and text of each header line, by name of the field.
    columns : dict
        By name of the field.
    rows : list of Line
    decimal_comma : bool
    """

    file: str
    name: str
    kind: str
    facts: dict[str, Any] = field(default_factory=dict)
    places: dict[str, tuple[int, str]] = field(default_factory=dict)
    columns: dict[str, Column] = field(default_factory=dict)
    rows: list[Line] = field(default_factory=list)
    decimal_comma: bool = False

    def text(self, row: Line, name: str) -> str:
        """Text of a cell; empty where the row or the table has none."""
        column = self.columns.get(name)
        return row.cells[column.position].text if column and column.position < len(row.cells) else ""

    def value(self, row: Line, name: str, findings: Findings) -> Any:
        """Value of a cell; None for a blank or, with a fault, for what cannot be read."""
        text = self.text(row, name)
        if not text:
            return None
        column = self.columns[name]
        try:
            return value_of(column.field, self.plain(text, column.field), column.unit, findings)[0]
        except ValueError as fault:
            findings.fault(self.file, row.number, column.header, text, str(fault))
            return None

    def plain(self, text: str, field: Field) -> str:
        """Text with a decimal point, where the table has decimal commas and the field is a number."""
        if not self.decimal_comma or not field.is_number:
            return text
        return re.sub(r"(?<=\d)\.(?=\d{3}(\D|$))", "", text).replace(",", ".") if "," in text else text


def sheet_of(grid: Grid, findings: Findings, *, kind: str = "") -> Sheet | None:
    """Take a grid apart; None, with faults, if its header cannot be used. `kind`: what it is known to be."""
    known = len(findings.faults)
    sheet = Sheet(grid.file, grid.name, kind)
    _read_lines(sheet, grid.above, findings)
    sheet.rows = [line for line in grid.below if line.filled and not line.filled[0].startswith("#")]
    units = _take_units(grid.header, sheet)
    sheet.kind = sheet.kind or str(sheet.facts.get("kind", "")) or _kind(sheet, grid.header, findings)
    if not sheet.kind:
        return None
    sheet.decimal_comma = _decimal_comma(sheet, grid)
    _read_header(sheet, grid.header, units, findings)
    return sheet if len(findings.faults) == known else None


# --- above the table


def _read_lines(sheet: Sheet, lines: Sequence[Line], findings: Findings) -> None:
    unused: list[str] = []
    for line in lines:
        if not line.filled:
            continue
        whole = ", ".join(line.filled)
        bare = whole.lstrip("# ").strip()
        key, value = _key_and_value(bare)
        field, unit_text = field_of(key, LINE_NAMES)
        if field is None or not value:
            if value or not whole.startswith("#"):
                unused.append(f"{bare!r} (row {line.number})")
            continue
        sheet.places[field.name] = (line.number, key)
        try:
            unit = find_unit(unit_text or field.unit, field.dimension) if unit_text or field.unit else None
            sheet.facts[field.name] = value_of(field, value, unit, findings)[0]
        except ValueError as fault:
            findings.fault(sheet.file, line.number, key, value, str(fault))
    if unused:
        findings.notices.append(f"{sheet.file}: above the table, nothing was done with {'; '.join(unused)}")


def _key_and_value(text: str) -> tuple[str, str]:
    """Parts of ``key: value``, ``key = value`` or ``key, value``; the value is empty where there is none."""
    match = re.match(r"(?P<key>[^:=,;\t]*?)\s*[:=,;\t]+\s*(?P<value>.*)", text)
    return (match["key"], match["value"].strip(" ,;")) if match else (text, "")


# --- header and units


def _take_units(header: Line, sheet: Sheet) -> tuple[Line, ...]:
    """The row of units under the header, taken out of the rows, if there is one."""
    if not sheet.rows:
        return ()
    first = sheet.rows[0]
    if any(re.search(r"\d", re.sub(r"(?<=[a-z])[23]", "", text)) for text in first.filled):
        return ()
    for cell, head in zip(first.cells, header.cells, strict=False):
        found = field_of(head.text)[0]
        if found is not None and found.dimension and _is_unit(cell.text, found.dimension):
            sheet.rows = sheet.rows[1:]
            return (first,)
    return ()


def _is_unit(text: str, dimension: str) -> bool:
    try:
        find_unit(text.strip("[]() "), dimension)
    except ValueError:
        return False
    return True


def _kind(sheet: Sheet, header: Line, findings: Findings) -> str:
    names = frozenset(found.name for found, _ in map(field_of, header.filled) if found is not None)
    kinds = [name for name, kind in KINDS.items() if kind.suits(names)]
    if "time" in names and "run log" in kinds:
        return "run log" if names.intersection(("rpm", "distance", "driven wheel speed")) else "coast-down"
    for name in ("chalk mark", "dyno sheet", "timing slips"):
        if name in kinds:
            return name
    findings.fault(sheet.file, header.number, "", ", ".join(header.filled), "does not say what the file is")
    return ""


def _read_header(sheet: Sheet, header: Line, units: tuple[Line, ...], findings: Findings) -> None:
    allowed = KINDS[sheet.kind].columns
    below = units[0].cells if units else ()
    unused: list[str] = []
    for position, cell in enumerate(header.cells):
        if not cell.text:
            continue
        field, unit_text = field_of(cell.text)
        if field is None or field.name not in allowed:
            unused.append(cell.text)
            continue
        if field.name in sheet.columns:
            expected = f"means the same as {sheet.columns[field.name].header!r}; leave one of them"
            findings.fault(sheet.file, header.number, cell.text, "", expected)
            continue
        row_text = below[position].text.strip("[]() ") if position < len(below) else ""
        try:
            unit = _unit_of(field, unit_text, row_text, metric=findings.metric)
        except ValueError as fault:
            findings.fault(sheet.file, header.number, cell.text, "", str(fault))
            continue
        sheet.columns[field.name] = Column(position, cell.text, field, unit)
    if unused:
        findings.notices.append(f"{sheet.file}: nothing was done with the columns {', '.join(unused)}")


def _unit_of(field: Field, text: str, below: str, *, metric: bool) -> Unit | None:
    """Unit of a column by its header and the row of units under it."""
    if not field.dimension:
        return None
    found = [find_unit(each, field.dimension) for each in (text, below) if each]
    if len(set(found)) > 1:
        raise ValueError(f"is in {found[0].name}, but the row of units says {found[1].name}")
    if found or field.unit:
        return found[0] if found else find_unit(field.unit, field.dimension)
    example = f"{field.name} [{usual(field.dimension, metric=metric)}]"
    raise ValueError(f"needs a unit, one of {choices(field.dimension)}; such as {example}")


def _decimal_comma(sheet: Sheet, grid: Grid) -> bool:
    if sheet.facts.get("decimal"):
        return bool(sheet.facts["decimal"] == "comma")
    return grid.separator in {";", "\t"} and any(
        re.fullmatch(r"[+-]?\d+,\d+", text) for row in sheet.rows for text in row.filled
    )


