"""Files of measurements, text or workbook, as grids of cells; where in a grid the table begins."""

from __future__ import annotations

import csv
import html
import io
import itertools
import pathlib
import re
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from optimizer.measured.columns import KINDS, field_of
from optimizer.scenario.findings import Findings
from optimizer.scenario.tables import Cell, decode, read_xlsx

SEPARATORS = (",", ";", "\t")
"""Between the cells of a text file; the first counts where all would do."""
READABLE = (".csv", ".txt", ".tsv", ".log", ".xlsx")
"""Endings of files that are read."""
MOST_ABOVE = 200
"""Lines among which the header of a table must be."""
NUMBER_LIKE = re.compile(r"[~+-]?[\d.,]+(e[+-]?\d+)?( ?%)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Line:
    """One row of a file: its number as a spreadsheet shows it, and its cells."""

    number: int
    cells: tuple[Cell, ...]

    @property
    def filled(self) -> tuple[str, ...]:
        """Texts of the cells that hold something."""
        return tuple(cell.text for cell in self.cells if cell.text)


@dataclass(frozen=True, slots=True)
class Grid:
    """One file, or one tab of a workbook: lines above the table, its header, lines below it.

    ``file`` is how messages call it, ``name`` the bare name of the file. ``separator`` is empty for a workbook.
    """

    file: str
    name: str
    above: tuple[Line, ...]
    header: Line
    below: tuple[Line, ...]
    separator: str = ""


def grids_of(path: pathlib.Path, file: str, findings: Findings, *, tab: str = "") -> list[Grid]:
    """Read a file: one grid, or one a tab of a workbook that is not empty; none, with a fault, if it cannot be.

    `tab`: name of the folder's own sheet, where it is that: only the tab that is called so, if there is one; and its
    header may lack a column that is needed.
    """
    if not path.is_file():
        findings.fault(file, 0, "", "", "is not a file")
        return []
    suffix = path.suffix.lower()
    if suffix not in READABLE:
        findings.fault(file, 0, "", "", "cannot be read in this format; save it as .csv or .xlsx")
        return []
    if suffix == ".xlsx":
        every = read_xlsx(path, findings) or {}
        tabs = {name: rows for name, rows in every.items() if name.strip().lower() == tab} or every
        found = [
            _grid(f"{file} [{name}]" if len(every) > 1 else file, path.name, _lines(rows), "", findings, own=bool(tab))
            for name, rows in tabs.items()
            if len(tabs) == 1 or any(cell.text for row in rows for cell in row)
        ]
    else:
        found = [_grid_of_text(path, file, findings, own=bool(tab))]
    return [grid for grid in found if grid is not None]


def tabs_of(path: pathlib.Path) -> set[str]:
    """Names of the tabs of a workbook, in lower case; none of a file that cannot be opened as one."""
    try:
        with zipfile.ZipFile(path) as archive:
            listed = archive.read("xl/workbook.xml").decode()
    except (zipfile.BadZipFile, KeyError, UnicodeDecodeError):
        return set()  # read_scenario says what is wrong with it
    return {html.unescape(name).strip().lower() for name in re.findall(r'<(?:\w+:)?sheet [^>]*?name="([^"]*)"', listed)}


def _lines(rows: Sequence[Sequence[Cell]]) -> list[Line]:
    return [Line(number, tuple(row)) for number, row in enumerate(rows, start=1)]


def _grid_of_text(path: pathlib.Path, file: str, findings: Findings, *, own: bool) -> Grid | None:
    text = decode(path.read_bytes(), file, findings)
    if text is None:
        return None
    separator = max(SEPARATORS, key=lambda mark: _recognized(_split(text, mark)))
    try:
        rows = list(_split(text, separator, strict=True))
    except csv.Error as error:
        findings.fault(file, 0, "", "", f"has quotation marks that do not pair up ({error})")
        return None
    return _grid(file, path.name, _lines(rows), separator, findings, own=own)


def _split(text: str, separator: str, *, strict: bool = False) -> Iterator[list[Cell]]:
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=strict)
    return ([Cell(each.replace("\N{NO-BREAK SPACE}", " ").strip()) for each in row] for row in rows)


def _recognized(rows: Iterator[list[Cell]]) -> int:
    """How many columns of the header would be known, if there is one."""
    lines = (Line(0, tuple(row)) for row in itertools.islice(rows, MOST_ABOVE))
    return next((known for line in lines if (known := _columns_in(line))), 0)


def _columns_in(line: Line) -> int:
    """Number of known columns that a line names, if it may be the header of a table; else 0."""
    texts, known = line.filled, _known_in(line)
    kinds = [name for name, kind in KINDS.items() if kind.suits(frozenset(known))]
    if not kinds or (kinds == ["timing slips"] and 2 * len(known) < len(texts)):
        return 0
    return len(known)


def _known_in(line: Line) -> list[str]:
    """Names of the fields of a line that may be a header; none of a comment and of a row with numbers."""
    texts = line.filled
    if not texts or texts[0].startswith("#") or any(NUMBER_LIKE.fullmatch(text) for text in texts):
        return []
    return [field.name for field, _ in map(field_of, texts) if field is not None]


def _grid(
    file: str, name: str, lines: list[Line], separator: str, findings: Findings, *, own: bool
) -> Grid | None:
    if not any(line.filled for line in lines):
        findings.fault(file, 0, "", "", "is empty")
        return None
    place = next((place for place, line in enumerate(lines[:MOST_ABOVE]) if _columns_in(line)), None)
    if place is None and own and (counts := [len(_known_in(line)) for line in lines[:MOST_ABOVE]]) and max(counts):
        place = counts.index(max(counts))
    if place is None:
        first = next((line for line in lines if line.filled and not line.filled[0].startswith("#")), lines[0])
        findings.fault(file, first.number, "", ", ".join(first.filled)[:80], _expected())
        return None
    return Grid(file, name, tuple(lines[:place]), lines[place], tuple(lines[place + 1 :]), separator)


def _expected() -> str:
    return (
        "no row names the columns of a measurement: time and speed (coast-down, run log), speed (timing slips), "
        "rpm and torque or power (dyno sheet), tire and roll-out (chalk mark)"
    )
