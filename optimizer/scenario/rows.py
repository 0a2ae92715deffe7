"""Rows of a table -> entries, by the columns declared for its sheet."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass

from optimizer.scenario import cells, commas
from optimizer.scenario.columns import MONEY, Field, Sheet
from optimizer.scenario.entries import Entry, nearest_name, value_of
from optimizer.scenario.findings import Findings
from optimizer.scenario.parts import Basis
from optimizer.scenario.tables import Cell, Row, Table
from optimizer.units import Unit, choices, find_unit, split_header, usual

RATED = Basis("rated")
"""A value typed without a basis is taken as its maker or seller states it."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table: which cell, under which header, holding which field in which unit.

    A column whose unit is wrong is not ``readable``: the fault is noted once, and its cells are not read.
    """

    position: int
    header: str
    field: Field
    unit: Unit | None
    readable: bool


@dataclass(frozen=True, slots=True)
class Layout:
    """Columns of a table.

    ``bases`` are position and header of basis columns by name of their field, ``""`` for the row's.
    ``absent`` are fields that every row needs and no column holds: one fault, not one a row.
    ``broken``: something in the header is wrong, so no record is made of any row. ``decimal_comma``: numbers of this
    table have decimal commas; without it, no number with a comma is read where semicolons separate the cells.
    """

    columns: tuple[Column, ...]
    bases: dict[str, tuple[int, str]]
    absent: frozenset[str]
    broken: bool
    decimal_comma: bool = False


def read_rows(table: Table, sheet: Sheet, findings: Findings) -> list[Entry]:
    """Entries of all rows of a table; required values are not asked for yet.

    Every fault of the header and of every cell is noted; an entry with one is marked as faulty.
    """
    layout = _layout(table, sheet, findings)
    if layout.columns:
        _note_long_rows(table, findings)
        _note_short_rows(table, findings)
    entries = []
    for row in table.rows:
        entry = Entry(table.file, row.number)
        shifted = row.beyond is not None
        entry.faulty = layout.broken or shifted
        # what a missing column or a shifted row cannot hold is not asked for again; of a shifted row only the
        # id is read, so that it is still known elsewhere
        unreadable = {field.target for field in sheet.fields} if shifted else layout.absent
        entry.typed |= dict.fromkeys(unreadable, "")
        for column in layout.columns[: 1 if shifted else None]:
            _read_cell(entry, column, layout, row, table, findings)
        entry.label = str(entry.values.get("id", ""))
        entries.append(entry)
    return entries


def ask_for_required(entry: Entry, fields: Sequence[Field], findings: Findings) -> None:
    """Note a fault for each required value that is blank; a value that could not be read is already noted."""
    for field in fields:
        if field.required and entry.lacks(field.target):
            entry.places.setdefault(field.target, (entry.row, field.name))
            entry.fault(findings, field.target, "is needed")


def _layout(table: Table, sheet: Sheet, findings: Findings) -> Layout:
    by_name = {field.name: field for field in sheet.fields}
    if not any(_field_of(*split_header(header), by_name)[0] for header in table.header):
        first = ", ".join(list(by_name)[:3])
        complaint = (
            f"names no column of the sheet {sheet.name}; the first row must hold names such as {first}, "
            "and a title above them must begin with #"
        )
        findings.fault(table.file, table.header_row, "", ", ".join(table.header), complaint)
        return Layout((), {}, frozenset(field.target for field in sheet.fields), broken=True)
    columns: dict[str, Column] = {}
    bases: dict[str, tuple[int, str]] = {}
    broken = False
    for position, header in enumerate(table.header):
        name, unit_text = split_header(header)
        about = "" if name == "basis" else name.removesuffix(" basis")
        if not header:
            _check_nameless(table, position, findings)
            continue
        if name != about and (about in by_name or not about):
            if about in bases:
                findings.fault(table.file, table.header_row, header, "", "stands in the header twice")
            bases[about] = (position, header)
            continue
        field, unit_text = _field_of(name, unit_text, by_name)
        if field is None:
            complaint = f"is not a column of the sheet {sheet.name}{nearest_name(name, by_name)}"
        elif field.name in columns:
            complaint = f"stands in the header twice; the other is {columns[field.name].header!r}"
        else:
            unit, complaint = _unit_of(field, unit_text, table, findings)
            columns[field.name] = Column(position, header, field, unit, readable=not complaint)
        if complaint:
            findings.fault(table.file, table.header_row, header, "", complaint)
            broken = True
    order = {field.name: place for place, field in enumerate(sheet.fields)}
    placed = tuple(sorted(columns.values(), key=lambda column: order[column.field.name]))
    missing = [] if sheet.inherits else [field for field in sheet.fields if field.required]
    missing = [] if broken else [field for field in missing if field.name not in columns]
    for field in missing:
        why = _in_words(field, findings) if table.units_in_cells else "the sheet has no such column"
        findings.fault(table.file, table.header_row, field.name, "", f"is needed: {why}")
    absent = (
        frozenset(field.target for field in sheet.fields if field.name not in columns)
        if broken
        else frozenset()
    )
    absent |= {field.target for field in missing}
    return Layout(placed, bases, absent, broken or bool(missing), _has_decimal_commas(table, placed))


def _has_decimal_commas(table: Table, columns: Sequence[Column]) -> bool:
    """Whether numbers of a table separated by semicolons have decimal commas, beyond doubt."""
    if not table.comma_is_unclear:
        return False
    numeric = [column.position for column in columns if column.field.is_number]
    return commas.decimal_comma(row.cells[place].text for row in table.rows for place in numeric) is True


def _without_decimal_comma(text: str, field: Field, table: Table, layout: Layout) -> str:
    """A text with points for decimal commas; cents are told by their two digits in any table of semicolons."""
    if field.dimension == MONEY:
        return commas.cents_with_point(text) if table.comma_is_unclear else text
    if layout.decimal_comma and field.parse in _NUMBERS_IN_WORDS:
        return re.sub(r"(?<=\d),(?=\d)", ".", text)
    return commas.with_point(text) if layout.decimal_comma and field.is_number else text


_NUMBERS_IN_WORDS = (cells.ratio, cells.wheel_size, cells.bolt_patterns)
"""Parsers of texts in which a comma can only be a decimal one: ``15x6,5``."""


def _note_long_rows(table: Table, findings: Findings) -> None:
    mark = table.separator
    hint = f"; a value that holds {mark!r} must stand in quotation marks" if mark else ""
    complaint = f"stands beyond the header, which names {len(table.header)} columns{hint}"
    for row in table.rows:
        if row.beyond is not None:
            place, text = row.beyond
            findings.fault(table.file, row.number, f"cell {place}", text, complaint)


def _note_short_rows(table: Table, findings: Findings) -> None:
    """Remark on rows that end before the header does: a cell left out in the middle moves all behind it."""
    numbers = [row.number for row in table.rows if row.short]
    if not numbers:
        return
    runs: list[str] = []
    for _, group in itertools.groupby(enumerate(numbers), key=lambda pair: pair[1] - pair[0]):
        rows = [number for _, number in group]
        runs.append(f"{rows[0]}" if len(rows) == 1 else f"{rows[0]} to {rows[-1]}")
    which = f"row {runs[0]} has" if len(numbers) == 1 else f"rows {', '.join(runs)} have"
    findings.notices.append(
        f"{table.file} {which} fewer cells than the header; what is missing at the end was taken as blank: "
        "see that nothing is missing in the middle"
    )


def _check_nameless(table: Table, position: int, findings: Findings) -> None:
    for row in table.rows:
        if row.cells[position].text:
            typed = row.cells[position].text
            findings.fault(
                table.file, row.number, f"cell {position + 1}", typed, "stands in a column without a name"
            )


def _field_of(name: str, unit: str, by_name: dict[str, Field]) -> tuple[Field | None, str]:
    """Field and unit that a header means: ``mass`` and ``lb`` for ``mass [lb]`` and for ``mass_lb``."""
    if name in by_name or unit:
        return by_name.get(name), unit
    for known in sorted(by_name, key=len, reverse=True):
        if by_name[known].dimension and name.startswith(known + " "):
            return by_name[known], name.removeprefix(known).strip()
    return None, ""


def _in_words(field: Field, findings: Findings) -> str:
    """What a value is, and how it is typed with its unit."""
    what = field.meaning[0].lower() + field.meaning[1:].removesuffix(".")
    if field.dimension in {"", MONEY, "fraction"}:
        return what
    return f"{what}, with its unit, such as {usual(field.dimension, metric=findings.metric)}"


def _unit_of(field: Field, text: str, table: Table, findings: Findings) -> tuple[Unit | None, str]:
    """Find the unit of a column, or a complaint about what is typed for it."""
    if field.dimension in {"", MONEY}:
        currency = findings.currency
        allowed = {""}
        if field.dimension:
            known = [currency] if currency else cells.CURRENCIES
            allowed.update(known, (cells.CURRENCIES[code] for code in known))
        needs = f"must be in the event's currency, {currency}" if field.dimension else "takes no unit"
        return None, "" if text.upper() in allowed else needs
    if not text and table.units_in_cells:
        return None, ""
    if not text and not field.unit:
        example = f"{field.name} [{usual(field.dimension, metric=findings.metric)}]"
        return None, f"needs a unit, one of {choices(field.dimension)}; such as {example}"
    try:
        return find_unit(text or field.unit, field.dimension), ""
    except ValueError as fault:
        return None, f"the {fault}"


def _read_cell(
    entry: Entry, column: Column, layout: Layout, row: Row, table: Table, findings: Findings
) -> None:
    field, cell = column.field, row.cells[column.position]
    entry.places[field.target] = (row.number, column.header)
    if not cell.text and not cell.kind and column.readable:
        return
    entry.typed[field.target] = cell.text
    if not column.readable:
        return
    text = _without_decimal_comma(cell.text, field, table, layout)
    complaint = _wrong_kind(Cell(text, cell.kind), field, table)
    if complaint:
        entry.fault(findings, field.target, complaint)
        return
    try:
        value, assumed = value_of(field, text, column.unit, findings)
    except ValueError as fault:
        entry.fault(findings, field.target, str(fault))
        return
    basis = (
        _basis(entry, field, layout, row, findings) if field.has_basis or isinstance(value, dict) else None
    )
    if basis is not None and assumed:
        basis = Basis("assumed", basis.by)
    entry.put(findings, field, value, basis)
    if column.unit is not None:
        entry.units[field.target] = column.unit.name


def _wrong_kind(cell: Cell, field: Field, table: Table) -> str:
    if cell.kind == "uncalculated":
        return "is a formula without a stored result; save it in a spreadsheet program, or type the value"
    if cell.kind == "merged":
        return "is merged with a neighbor and holds nothing of its own; unmerge the cells"
    if cell.kind == "date" and field.parse is not cells.words:
        return "was turned into a date by the spreadsheet; format the column as text and type it again"
    if table.comma_is_unclear and field.is_number and "," in cell.text:
        return commas.unclear(cell.text)
    return ""


def _basis(entry: Entry, field: Field, layout: Layout, row: Row, findings: Findings) -> Basis:
    for name in (field.name, ""):
        if name not in layout.bases:
            continue
        position, header = layout.bases[name]
        text = row.cells[position].text
        if not text:
            continue
        try:
            return cells.basis(text)
        except ValueError as fault:
            entry.faulty = True
            findings.fault(entry.file, row.number, header, text, str(fault))
            return RATED
    return RATED
