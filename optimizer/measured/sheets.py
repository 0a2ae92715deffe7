"""A grid -> what stands above its table, and the cells of its columns with unit and place of each."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from optimizer.measured import cells
from optimizer.measured.columns import KINDS, LINE_NAMES, ROW_BY_ROW, field_of, is_unit
from optimizer.measured.grids import NUMBER_LIKE, Grid, Line
from optimizer.scenario import commas
from optimizer.scenario.columns import Field
from optimizer.scenario.entries import value_of
from optimizer.scenario.findings import Findings
from optimizer.scenario.tables import RUNS
from optimizer.units import Unit, choices, find_unit, nearest, split_header, split_quantity, usual

GAPS = frozenset({"", "-", "--", "---", "*", "nan", "n/a", "na", "#n/a", "null", "none"})
"""What loggers write where they have nothing."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column: which cell, under which header, holding which field in which unit (None: none, or in the cells).

    Where its unit is missing or wrong it is not ``readable``: that is one fault, and its cells have no values.
    """

    position: int
    header: str
    field: Field
    unit: Unit | None
    readable: bool = True


@dataclass(slots=True)
class Sheet:
    """One table of measurements and what stands above it.

    Attributes
    ----------
    file, name : str
        How messages call it; bare name of the file.
    kind : str
        Key of `KINDS`; ``trace`` as long as only its numbers can tell a coast-down from a run log.
    facts : dict
        Values of header lines, by name of the field.
    places : dict
        Row and text of each header line, by name of the field.
    header_row : int
    columns : dict
        By name of the field.
    rows : list of Line
        Those of which it is known which cell belongs to which column.
    decimal_comma : bool or None
        Whether commas in numbers are decimal ones; None where it cannot be told, so that no number with one is read.
    broken : bool
        Something above the table or in its header is wrong, a row is longer than it, or commas may mean two things:
        read on only to find faults.
    """

    file: str
    name: str
    kind: str
    facts: dict[str, Any] = field(default_factory=dict)
    places: dict[str, tuple[int, str]] = field(default_factory=dict)
    header_row: int = 0
    columns: dict[str, Column] = field(default_factory=dict)
    rows: list[Line] = field(default_factory=list)
    decimal_comma: bool | None = False
    broken: bool = False

    def text(self, row: Line, name: str) -> str:
        """Text of a cell; empty where the row or the table has none."""
        column = self.columns.get(name)
        return row.cells[column.position].text if column and column.position < len(row.cells) else ""

    def value(self, row: Line, name: str, findings: Findings) -> Any:
        """Value of a cell; None for a blank or, with a fault, for what cannot be read."""
        text = self.text(row, name)
        if not text:
            return None
        if name == "wind" and text.lower() in cells.CALM:
            return 0.0
        try:
            return self.parsed(cells.wind_speed(text) if name == "wind" else text, name, findings)
        except ValueError as fault:
            self.fault(findings, row, name, text, str(fault))
            return None

    def parsed(self, text: str, name: str, findings: Findings) -> Any:
        """Value of a text in a column; None where the column has no unit that could be read.

        Raises
        ------
        ValueError
            If it cannot be read; the text completes the sentence.
        """
        column = self.columns[name]
        text = self.plain(text, column.field)
        if not column.readable:
            own = split_quantity(text)[1]
            if own:
                find_unit(own, column.field.dimension)
            return None
        quick = _quick(text, column)
        return value_of(column.field, text, column.unit, findings)[0] if quick is None else quick

    def plain(self, text: str, field: Field) -> str:
        """A text without a decimal comma.

        Raises
        ------
        ValueError
            If nobody can tell what the comma in a number is.
        """
        if not field.is_number or self.decimal_comma is False or "," not in text:
            return text
        if self.decimal_comma is None:
            raise ValueError(f"{commas.unclear(text)}, or add a line above, decimal: comma or decimal: point")
        return commas.with_point(text)

    def fault(self, findings: Findings, row: Line | None, name: str, typed: str, expected: str) -> None:
        """Note a fault of a cell, of a whole column (no row), or of a header line where no column has the field."""
        column = self.columns.get(name)
        if column is not None:
            place, header = (self.header_row if row is None else row.number), column.header
        else:
            place, header = self.places.get(name, (0 if row is None else row.number, name))
        findings.fault(self.file, place, header, typed, expected)


def _quick(text: str, column: Column) -> float | None:
    """Value of a plain number within its bounds, as logs hold them by the thousand; None for anything else."""
    if column.unit is None or _DIGITS.fullmatch(text) is None:
        return None
    value = column.unit.inside(float(text))
    low, high = column.field.bounds.low, column.field.bounds.high
    return value if (low is None or value > low) and (high is None or value < high) else None


_DIGITS = re.compile(r"[+-]?\d{1,15}(\.\d*)?")


def sheet_of(grid: Grid, findings: Findings, *, kind: str = "") -> Sheet | None:
    """Take a grid apart; None, with faults, if nobody can tell what it is.

    `kind`: what the folder's own sheet is known to be: like a sheet of parts it has no columns but those of its kind.
    """
    before = len(findings.faults)
    sheet = Sheet(grid.file, grid.name, kind, header_row=grid.header.number)
    units = _take_rows(sheet, grid)
    lines = _lines_above(sheet, grid, findings)
    sheet.decimal_comma = _decimal_comma(sheet, grid, lines)
    for line in lines:
        _read_line(sheet, line, findings)
    sheet.kind = kind or str(sheet.facts.get("kind", "")) or _kind(sheet, grid.header, findings)
    if not sheet.kind:
        return None
    if sheet.kind in KINDS:
        _check_needs(sheet, grid.header, findings)
    unused = _read_header(sheet, grid.header, units, findings)
    _tell_unused(sheet, grid, unused, findings, own=bool(kind))
    if not sheet.rows and not kind:  # the folder's own sheet may wait for its first run
        findings.fault(sheet.file, sheet.header_row, "", "", "has a header but no rows below it")
    _check_width(sheet, grid, findings)
    sheet.broken = len(findings.faults) > before or sheet.decimal_comma is None
    return sheet


# --- above the table


@dataclass(frozen=True, slots=True)
class _Fact:
    """A header line: its row, its key as typed, its field, the unit beside the key, its value as typed."""

    number: int
    key: str
    field: Field
    unit: str
    value: str


def _lines_above(sheet: Sheet, grid: Grid, findings: Findings) -> list[_Fact]:
    """Header lines that are known; a notice names the others."""
    lines: list[_Fact] = []
    unused: list[str] = []
    for line in grid.above:
        whole = (grid.separator or ", ").join(line.filled)
        bare = whole.lstrip("# ").strip()
        if whole.startswith("#") and not re.search("[:=]", whole):
            continue  # a comment for readers
        key, value = _key_and_value(bare)
        found, unit_text = field_of(key, LINE_NAMES)
        if found is not None and value:
            lines.append(_Fact(line.number, key, found, unit_text, value))
        elif whole:
            shown = bare.replace("\t", " ")
            unused.append(f"{shown!r} (row {line.number})")
    if unused:
        findings.notices.append(f"{sheet.file}: above the table, nothing was done with {'; '.join(unused)}")
    return lines


def _key_and_value(text: str) -> tuple[str, str]:
    """Parts of ``key: value``, ``key = value`` or ``key, value``; the value is empty where there is none."""
    match = re.match(r"(?P<key>[^:=,;\t]*?)\s*[:=,;\t]+\s*(?P<value>.*)", text)
    return (match["key"], match["value"].strip(" ,;")) if match else (text, "")


def _read_line(sheet: Sheet, line: _Fact, findings: Findings) -> None:
    number, key, found, value = line.number, line.key, line.field, line.value
    if found.name in sheet.facts:
        expected = f"says again what row {sheet.places[found.name][0]} says; leave one of them"
        findings.fault(sheet.file, number, key, value, expected)
        return
    sheet.places[found.name] = (number, key)
    try:
        if found.name == "wind" and value.lower() in cells.CALM:
            sheet.facts["wind"] = 0.0
            return
        if found.name == "wind" and (origin := cells.wind_origin(value)) is not None:
            if sheet.facts.get("wind from", origin) != origin:
                row = sheet.places["wind from"][0]
                findings.fault(sheet.file, number, key, value, f"is another direction than row {row} says; leave one")
            sheet.places["wind from"] = (number, key)
            sheet.facts["wind from"] = origin
        unit = find_unit(line.unit, found.dimension) if line.unit and found.dimension else None
        plain = cells.wind_speed(value) if found.name == "wind" else value
        sheet.facts[found.name] = value_of(found, sheet.plain(plain, found), unit, findings)[0]
    except ValueError as fault:
        findings.fault(sheet.file, number, key, value, str(fault))


# --- rows


def _take_rows(sheet: Sheet, grid: Grid) -> Line | None:
    """Keep the rows below the header, without comments and repeated headers; the row of units, if there is one."""
    header = grid.header.filled
    rows = [line for line in grid.below if line.filled and not line.filled[0].startswith("#")]
    units = rows[0] if rows and _is_units(rows[0], grid.header) else None
    repeated = [header, units.filled if units else header]
    sheet.rows = [line for line in rows if line.filled not in repeated and not _is_rates(line)]
    return units


def _is_units(line: Line, header: Line) -> bool:
    """Whether a row says the units of the columns: some of it does, and nothing in it is a number."""
    if any(re.match(r"[-+~]?[\d.,]*\d", text) and text != "1/min" for text in line.filled):
        return False
    pairs = zip(line.cells, header.cells, strict=False)
    named = ((_bare(cell.text), field_of(head.text)[0]) for cell, head in pairs)
    return any(found is not None and is_unit(text, found.dimension) for text, found in named)


def _bare(text: str) -> str:
    return text.strip("[]() ")


def _is_rates(line: Line) -> bool:
    """Whether a row says how often each column was sampled."""
    return all(re.fullmatch(r"[\d.,]+ ?hz", text, re.IGNORECASE) for text in line.filled)


# --- what it is


def _kind(sheet: Sheet, header: Line, findings: Findings) -> str:
    names = frozenset(found.name for found, _ in map(field_of, header.filled) if found is not None)
    kinds = [name for name, kind in KINDS.items() if kind.suits(names)]
    if "run log" in kinds:
        if "dyno sheet" in kinds:
            kinds = ["run log", "dyno sheet"]
        elif names & SLIP_ONLY or any(name.startswith("mile ") for name in names):
            kinds = ["timing slips"]
        else:
            return "trace"
    for name in ("chalk mark", "dyno sheet"):
        kinds = [name] if name in kinds and "run log" not in kinds else kinds
    if len(kinds) == 1:
        return kinds[0]
    expected = f"may be of a {' or a '.join(kinds)}: say which, in a line above the table such as kind, {kinds[0]}"
    findings.fault(sheet.file, header.number, "", ", ".join(header.filled), expected)
    return ""


SLIP_ONLY = frozenset({"counted", "parts", "salt", "wind", "mass"})
"""Columns that no logger has."""


def _check_needs(sheet: Sheet, header: Line, findings: Findings) -> None:
    names = frozenset(found.name for found, _ in map(field_of, header.filled) if found is not None)
    missing = [" or ".join(group) for group in KINDS[sheet.kind].needs if not names.intersection(group)]
    for each in missing:
        findings.fault(sheet.file, header.number, each, "", f"is needed in a table of the kind {sheet.kind}")


# --- header, units, commas


def _read_header(sheet: Sheet, header: Line, units: Line | None, findings: Findings) -> list[int]:
    """Take the columns of the kind; places of the others."""
    kind = KINDS["run log" if sheet.kind == "trace" else sheet.kind]
    unused: list[int] = []
    for position, cell in enumerate(header.cells):
        found, unit_text = field_of(cell.text)
        if found is None or found.name not in kind.columns:
            unused.append(position)
            continue
        found = kind.field(found)
        if found.name in sheet.columns:
            if found.name == "time":  # one clock is as good as another
                unused.append(position)
                continue
            expected = f"means the same as {sheet.columns[found.name].header!r}; leave one of them"
            findings.fault(sheet.file, header.number, cell.text, "", expected)
            continue
        below = _bare(units.cells[position].text) if units and position < len(units.cells) else ""
        unit, readable = None, True
        try:
            if unit_text or below or not _have_own_units(_texts(sheet.rows, position)):
                unit = _unit_of(found, unit_text, below, metric=findings.metric)
        except ValueError as fault:
            findings.fault(sheet.file, header.number, cell.text, "", str(fault))
            readable = False
        sheet.columns[found.name] = Column(position, cell.text, found, unit, readable)
    return unused


def _tell_unused(sheet: Sheet, grid: Grid, places: Sequence[int], findings: Findings, *, own: bool) -> None:
    """Remark on columns that are passed over; in the folder's own sheet, those that nobody knows are faults."""
    passed = []
    for place in places:
        header = grid.header.cells[place].text
        if not own or field_of(header)[0] is not None:
            passed += [header] if header else []
        elif header:
            near = nearest(split_header(header)[0], KINDS[sheet.kind].names)
            findings.fault(sheet.file, sheet.header_row, header, "", f"is not a column of the sheet {RUNS}{near}")
        else:
            for row in sheet.rows:
                for typed in _texts([row], place):
                    expected = "stands in a column without a name"
                    findings.fault(sheet.file, row.number, f"cell {place + 1}", typed, expected)
    if passed:
        columns = "column" if len(passed) == 1 else "columns"
        findings.notices.append(f"{sheet.file}: nothing was done with the {columns} {', '.join(passed)}")


def _texts(rows: Sequence[Line], position: int) -> list[str]:
    """Texts of the cells of a column that hold something."""
    return [row.cells[position].text for row in rows if position < len(row.cells) and row.cells[position].text]


def _have_own_units(texts: Sequence[str]) -> bool:
    """Whether values of a column are typed with their unit, as by hand (``104.2 mph``), rather than as bare numbers."""
    bare = sum(NUMBER_LIKE.fullmatch(text) is not None for text in texts)
    return bool(texts) and sum(_WITH_UNIT.match(text) is not None for text in texts) >= bare


_WITH_UNIT = re.compile(r"~?[+-]?[\d.,]+\s*[^\W\d_]")


def _unit_of(found: Field, text: str, below: str, *, metric: bool) -> Unit | None:
    """Unit of a column by its header and the row of units under it."""
    if not found.dimension:
        return None
    units = [find_unit(each, found.dimension) for each in (text, below) if each and each.lower() not in GAPS]
    if len(set(units)) > 1:
        raise ValueError(f"is in {units[0].name}, but the row of units says {units[1].name}")
    if units or found.unit:
        return units[0] if units else find_unit(found.unit, found.dimension)
    example = f"{found.name} [{usual(found.dimension, metric=metric)}]"
    raise ValueError(f"needs a unit, one of {choices(found.dimension)}; such as {example}")


def _decimal_comma(sheet: Sheet, grid: Grid, lines: Sequence[_Fact]) -> bool | None:
    """Whether commas in numbers are decimal ones; None where it is neither said nor can be told."""
    said = next((line.value.lower() for line in lines if line.field.name == "decimal"), "")
    if said or grid.separator in {"", ","}:
        return said == "comma"
    numeric = [place for place, cell in enumerate(grid.header.cells) if _is_numeric(cell.text)]
    return commas.decimal_comma(text for place in numeric for text in _texts(sheet.rows, place))


def _is_numeric(header: str) -> bool:
    found = field_of(header)[0]
    return found is not None and found.is_number


def _check_width(sheet: Sheet, grid: Grid, findings: Findings) -> None:
    """Refuse rows that are longer than the header: a comma inside a value moves every cell after it."""
    width = len(grid.header.cells)
    most = max([width, *(len(row.cells) for row in sheet.rows[:1])])
    long = [row for row in sheet.rows if len(row.cells) > most or any(cell.text for cell in row.cells[width:])]
    hint = "; numbers with decimal commas need semicolons or tabs between them" if grid.separator == "," else ""
    expected = f"stands beyond the header, which names {len(grid.header.filled)} columns{hint}"
    named = long if sheet.kind in ROW_BY_ROW else long[:1]  # one row of a log shows it; the rest would only repeat it
    for row in named:
        beyond = [(place, cell.text) for place, cell in enumerate(row.cells, start=1) if place > width and cell.text]
        place, typed = beyond[0] if beyond else (len(row.cells), "")
        findings.fault(sheet.file, row.number, f"cell {place}", typed, expected)
    faulty = {row.number for row in long}
    sheet.rows = [row for row in sheet.rows if row.number not in faulty]
