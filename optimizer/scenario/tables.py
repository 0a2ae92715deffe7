"""Sheets of a folder, CSV or XLSX, through one path into rows of cells with their real row numbers."""

from __future__ import annotations

import csv
import datetime as dt
import io
import pathlib
import re
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from optimizer.scenario.cells import CURRENCIES, SPREADSHEET_ERROR
from optimizer.scenario.findings import Findings
from optimizer.units import nearest

WORKBOOK = "parts.xlsx"
"""Workbook that may hold several sheets, one a tab."""


RUNS = "runs"
"""Sheet of what was timed: it may stand among the sheets of parts, and is read by who asks for it."""

OTHER_FORMATS = (".xls", ".ods", ".tsv")
"""Endings of sheets that spreadsheet programs write and nobody here reads."""


@dataclass(frozen=True, slots=True)
class Cell:
    """Text of one cell as its writer sees it; ``kind`` tells what a sheet did to it."""

    text: str = ""
    kind: Literal["", "date", "uncalculated", "merged"] = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One row: its number as a spreadsheet shows it, and its cells, as many as the header has.

    ``beyond`` are place and text of its last cell where it is longer than the header, so that its cells may
    stand under the wrong columns. ``short``: it ended before the header does.
    """

    number: int
    cells: tuple[Cell, ...]
    beyond: tuple[int, str] | None = None
    short: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """One sheet. ``separator`` stands between the cells of a text file; a workbook has none.

    ``units_in_cells``: typed by hand, each value with its own unit as in a TOML file, so that the header needs none.
    """

    file: str
    header: tuple[str, ...]
    header_row: int
    rows: tuple[Row, ...]
    separator: str = ""
    units_in_cells: bool = False

    @property
    def comma_is_unclear(self) -> bool:
        """Whether semicolons separate the cells, so that a comma may be a decimal one."""
        return self.separator == ";"


def decode(data: bytes, file: str, findings: Findings) -> str | None:
    """Text of a file: UTF-8 with or without byte order mark, else Windows-1252 with a notice; or a fault."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        findings.fault(file, 0, "", "", "is saved as UTF-16 text; save it as UTF-8")
        return None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        try:
            text = data.decode("cp1252")
        except UnicodeDecodeError:
            findings.fault(file, 0, "", "", "is neither UTF-8 nor Windows-1252 text; save it as UTF-8")
            return None
        findings.notices.append(f"{file} is not UTF-8 text; it was read as Windows-1252")
    if "\0" in text:
        findings.fault(file, 0, "", "", "holds binary data; save it as text")
        return None
    return text


# --- from rows of cells to a table


def _is_comment(cells: Sequence[Cell]) -> bool:
    first = cells[0].text if cells else ""
    return first.startswith("#") and not SPREADSHEET_ERROR.fullmatch(first.upper())


def table_of(
    file: str, raw: Iterable[Sequence[Cell]], findings: Findings, *, separator: str = ""
) -> Table | None:
    """Make a table of all rows of a sheet; comments and blank rows are skipped, the header is the first left.

    None, with a fault, for an empty sheet. A row longer than the header is marked, even where its last cell is
    blank: a separator inside a value has moved every cell after it.
    """
    header: tuple[str, ...] = ()
    header_row, width = 0, 0
    rows: list[Row] = []
    for number, cells in enumerate(raw, start=1):
        if _is_comment(cells) or not any(cell.text for cell in cells):
            continue
        if not header_row:
            texts = [cell.text for cell in cells]
            while not texts[-1]:
                texts.pop()
            header, header_row, width = tuple(texts), number, len(cells)
            continue
        used = max((place for place, cell in enumerate(cells, start=1) if cell.text), default=0)
        long = used if used > len(header) else len(cells) if len(cells) > width else 0
        padded = [*cells[: len(header)], *[Cell()] * (len(header) - len(cells))]
        beyond = (long, cells[long - 1].text) if long else None
        rows.append(Row(number, tuple(padded), beyond, short=bool(separator) and len(cells) < len(header)))
    if not header_row:
        findings.fault(file, 0, "", "", "is empty; its first row must name the columns")
        return None
    return Table(file, header, header_row, tuple(rows), separator)


# --- CSV


def _outside_quotes(line: str, mark: str) -> int:
    return re.sub(r'"[^"]*"', "", line).count(mark)


def _separator(text: str, file: str, findings: Findings) -> str | None:
    """Comma or semicolon, whichever separates the header; cells below may hold either."""
    header = next(
        (line for line in text.splitlines() if line.strip(" ,;\t") and not line.lstrip('" ').startswith("#")),
        "",
    )
    commas, semicolons, tabs = (_outside_quotes(header, mark) for mark in ",;\t")
    if tabs > commas + semicolons:
        findings.fault(file, 0, "", "", "is separated by tabs; save it as CSV, with commas or semicolons")
        return None
    return ";" if semicolons > commas else ","


def read_csv(file: str, data: bytes, findings: Findings) -> Table | None:
    """Read a CSV sheet; None, with a fault, if it cannot be taken apart."""
    text = decode(data, file, findings)
    separator = None if text is None else _separator(text, file, findings)
    if text is None or separator is None:
        return None
    raw: list[list[Cell]] = []
    # strict: otherwise a quotation mark that is never closed swallows the rest of the sheet without a word
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        for row in lines:
            raw.append([Cell(each.replace("\N{NO-BREAK SPACE}", " ").strip()) for each in row])  # noqa: PERF401 (rows read so far give the number)
    except csv.Error as error:
        findings.fault(file, len(raw) + 1, "", "", f"has quotation marks that do not pair up ({error})")
        return None
    return table_of(file, raw, findings, separator=separator)


# --- XLSX


def read_xlsx(path: pathlib.Path, findings: Findings) -> dict[str, list[list[Cell]]] | None:
    """All tabs of a workbook, by name, as rows of cells; None, with a fault, if it cannot be opened."""
    import openpyxl  # noqa: PLC0415 (a quarter of a second that scenarios without a workbook need not spend)
    from openpyxl.utils.exceptions import InvalidFileException  # noqa: PLC0415

    try:
        values = openpyxl.load_workbook(path, data_only=True)
        formulas = openpyxl.load_workbook(path, data_only=False) if _has_formulas(path) else None
    except (zipfile.BadZipFile, InvalidFileException, KeyError, ValueError, OSError) as error:
        findings.fault(path.name, 0, "", "", f"cannot be opened as a workbook ({error})")
        return None
    tabs: dict[str, list[list[Cell]]] = {}
    for tab in values.worksheets:
        rows = [[_cell_of(cell) for cell in row] for row in tab.iter_rows()]
        if formulas is not None:
            _mark_uncalculated(rows, formulas[tab.title])
        _mark_merged(rows, tab)
        tabs[tab.title] = rows
    return tabs


def _has_formulas(path: pathlib.Path) -> bool:
    with zipfile.ZipFile(path) as archive:
        sheets = [
            name for name in archive.namelist() if name.startswith("xl/worksheets/") and name.endswith(".xml")
        ]
        return any(re.search(rb"<f[ >/]", archive.read(name)) for name in sheets)


def _mark_uncalculated(rows: list[list[Cell]], tab: Any) -> None:
    """Mark formulas that no spreadsheet program has calculated: no stored result is not a blank."""
    for r, row in enumerate(tab.iter_rows()):
        for c, cell in enumerate(row):
            if cell.data_type == "f" and not rows[r][c].text:
                formula = cell.value if isinstance(cell.value, str) else str(getattr(cell.value, "text", "="))
                rows[r][c] = Cell(formula, "uncalculated")


def _mark_merged(rows: list[list[Cell]], tab: Any) -> None:
    """Mark all but the first cell of merged ones: they look filled, but the file holds nothing for them."""
    for area in tab.merged_cells.ranges:
        for r in range(area.min_row - 1, min(area.max_row, len(rows))):
            for c in range(area.min_col - 1, area.max_col):
                if (r, c) != (area.min_row - 1, area.min_col - 1):
                    rows[r][c] = Cell("", "merged")


def _cell_of(cell: Any) -> Cell:
    """Text of a workbook cell as its writer sees it; the number format adds the percent or currency sign."""
    value = cell.value
    if value is None:
        return Cell()
    if isinstance(value, bool):
        return Cell("TRUE" if value else "FALSE")
    if isinstance(value, (int, float)):
        return Cell(_number_text(value, cell.number_format or ""))
    if isinstance(value, dt.datetime):
        return Cell(value.date().isoformat(), "date")
    if isinstance(value, (dt.date, dt.time, dt.timedelta)):
        return Cell(str(value), "date")
    return Cell(str(value).replace("\N{NO-BREAK SPACE}", " ").strip())


def _number_text(value: float, number_format: str) -> str:
    # 15 digits are what a spreadsheet keeps; more would show the binary dust of its sums
    if "%" in number_format:
        return f"{value * 100:.15g} %"
    symbols = re.sub(r"\[\$([^\-\]]*)[^\]]*\]", r"\1", number_format)
    mark = next((symbol for symbol in CURRENCIES.values() if symbol in symbols), "")
    return f"{mark}{value:.15g}"


# --- which sheet is where


def find_tables(folder: pathlib.Path, names: Sequence[str], findings: Findings) -> dict[str, Table | None]:
    """Read every sheet there is: ``NAME.csv``, ``NAME.xlsx`` (tab NAME, else the first) or a tab of ``parts.xlsx``.

    Returns
    -------
    dict
        By sheet name; None for a sheet that is there but cannot be used. A missing sheet is not in it.
    """
    found: dict[str, list[tuple[str, Table | None]]] = {}
    strangers: list[str] = []
    for path in sorted(folder.iterdir()):
        suffix, stem = path.suffix.lower(), path.stem.lower()
        if path.name.startswith(("~", ".")) or not _may_be_a_sheet(path, names):
            continue
        if suffix == ".csv" and stem in names:
            found.setdefault(stem, []).append((path.name, read_csv(path.name, path.read_bytes(), findings)))
        elif suffix == ".xlsx" and (stem in names or path.name.lower() == WORKBOOK):
            for name, file, table in _tabs_of(path, names, findings, strangers):
                found.setdefault(name, []).append((file, table))
        elif suffix in {".csv", ".xlsx"} and stem == RUNS:
            continue
        elif suffix in OTHER_FORMATS and (stem in names or stem == "parts"):
            findings.fault(path.name, 0, "", "", "cannot be read in this format; save it as .csv or .xlsx")
            found.setdefault(stem, []).append((path.name, None))
        else:
            strangers.append(path.name)
    _note_strangers(strangers, names, found, findings)
    tables: dict[str, Table | None] = {}
    for name, places in found.items():
        tables[name] = places[0][1]
        if len(places) > 1:
            both = " and ".join(file for file, _ in places)
            findings.fault(
                places[0][0], 0, "", "", f"the sheet {name} is there more than once: {both}; keep one"
            )
    return tables


def _may_be_a_sheet(path: pathlib.Path, names: Sequence[str]) -> bool:
    """Whether a file could be a sheet: also ``tires.csv.txt``, where a program hides the last ending."""
    return path.suffix.lower() in {".csv", ".xlsx", *OTHER_FORMATS} or path.name.lower().split(".")[0] in names


def _tabs_of(
    path: pathlib.Path, names: Sequence[str], findings: Findings, strangers: list[str]
) -> list[tuple[str, str, Table | None]]:
    tabs = read_xlsx(path, findings)
    if path.name.lower() != WORKBOOK:
        if tabs is None:
            return [(path.stem.lower(), path.name, None)]
        # the tab that is called like the sheet, wherever it stands; else the first
        first = next((tab for tab in tabs if tab.strip().lower() == path.stem.lower()), next(iter(tabs)))
        strangers.extend(f"{path.name} [{tab}]" for tab in tabs if tab != first and tabs[tab])
        return [(path.stem.lower(), path.name, table_of(path.name, tabs[first], findings))]
    sheets = []
    for tab, rows in (tabs or {}).items():
        file = f"{path.name} [{tab}]"
        if tab.strip().lower() in names:
            sheets.append((tab.strip().lower(), file, table_of(file, rows, findings)))
        elif tab.strip().lower() != RUNS:
            strangers.append(file)
    return sheets


def _note_strangers(
    strangers: list[str], names: Sequence[str], found: Iterable[str], findings: Findings
) -> None:
    missing = [name for name in names if name not in found]
    for stranger in strangers:
        name = re.sub(r".*\[(.*)\]", r"\1", stranger).split(".", 1)[0]
        near = nearest(name, missing)
        findings.notices.append(f"{stranger} is not one of the sheets and was not read{near}")
        for sheet in missing:
            if near == f"; did you mean {sheet}?":
                findings.unread.setdefault(sheet, stranger)
