"""Parts and kits on offer: a sheet of them, or one typed line each, added to a scenario whose files stay as they are.

A typed line becomes a table of one row and goes the way of every sheet: the same columns, faults and assumptions.
"""

from __future__ import annotations

import pathlib
import re
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from optimizer.scenario.columns import SHEETS
from optimizer.scenario.event import Scenario
from optimizer.scenario.findings import Findings
from optimizer.scenario.parts import Kit, Part
from optimizer.scenario.reading import read_with_offers
from optimizer.scenario.tables import OTHER_FORMATS, Cell, Row, Table, read_csv, read_xlsx, table_of
from optimizer.units import nearest, words_of

KINDS_IN_WORDS: Mapping[str, str] = MappingProxyType(
    {
        word: sheet.name
        for sheet in SHEETS.values()
        if sheet.name != "curves"
        for word in (sheet.kind or "kit", words_of(sheet.name))
    }
)
"""Name of the sheet by what a typed line may begin with: the word of the car's slots, or that of the sheet."""
OTHER_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "gearbox": "gearset (with its final drive: kit)",
        "transmission": "gearset (with its final drive: kit)",
        **dict.fromkeys(("diff", "differential"), "final drive"),
        **dict.fromkeys(("disc", "disk", "brake"), "rotor"),
        **dict.fromkeys(("motor", "cam", "head"), "engine"),
        "rim": "wheel",
        "tyre": "tire",
    }
)
"""What is likely meant by other words that a typed line may begin with (common practice, no source)."""
RATIOS = "ratios"
"""A key of its own in a typed gearset: all gears at once, first to top."""
GEARS = 6

Offered = tuple[str, Table]
"""Name of the sheet that a table is like, and the table."""


def with_offers(
    scenario: Scenario, sheets: Sequence[str | pathlib.Path] = (), lines: Sequence[str] = ()
) -> tuple[Scenario, tuple[str, ...]]:
    """A scenario with parts and kits on offer beside its own, and their ids: sheets first, then lines.

    Parameters
    ----------
    scenario : Scenario
        As it was read from its folder, which is read again beside the offers; it may have another class or budget now.
    sheets : sequence of paths
        CSV or XLSX files; the name says what is in it (``my-wheels.csv``), or the names of the tabs do.
    lines : sequence of str
        ``KIND [ID] COLUMN=VALUE ...``, blanks in quotation marks: ``tire X1 size="165/60R14 75H" mass="12 lb" ...``.
        Without an id it is ``offer-1``, ``offer-2`` and so on.

    Raises
    ------
    ScenarioError
        If anything is wrong in the offers; it holds all faults. An id that the scenario has already is one.
    """
    findings = Findings(currency=scenario.event.currency, metric=scenario.event.speed_unit == "km/h")
    tables = [table for sheet in sheets for table in _tables_of(pathlib.Path(sheet), findings)]
    taken = {*scenario.parts, *(kit.id for kit in scenario.kits)}
    for number, line in enumerate(lines, start=1):
        tables += _table_of_line(line, f"typed offer {number}", taken, findings)
    _check_kinds_and_owned(scenario, tables, findings)
    whole = read_with_offers(scenario.folder, tables, findings)
    files = {table.file: place for place, (_, table) in enumerate(tables)}
    parts = {key: part for key, part in whole.parts.items() if _file_of(part.where) in files}
    kits = tuple(kit for kit in whole.kits if _file_of(kit.where) in files)
    every: tuple[Part | Kit, ...] = (*parts.values(), *kits)
    place = {each.id: files[_file_of(each.where)] for each in every}
    more = replace(
        scenario,
        parts=MappingProxyType({**scenario.parts, **parts}),
        kits=(*scenario.kits, *kits),
        assumptions=tuple(dict.fromkeys((*scenario.assumptions, *whole.assumptions))),
        notices=tuple(dict.fromkeys((*scenario.notices, *whole.notices))),
    )
    return more, tuple(sorted(place, key=place.__getitem__))


def _file_of(where: str) -> str:
    """File of a place: ``./tires.csv`` of ``./tires.csv row 2``."""
    return re.sub(r" row \d+$", "", where)


def _check_kinds_and_owned(scenario: Scenario, tables: Sequence[Offered], findings: Findings) -> None:
    """What is on offer suits some slot, and is not owned: it would not have to be bought."""
    kinds = {slot.kind for slot in scenario.car.slots}
    for name, table in tables:
        kind = SHEETS[name].kind
        if kind and kind not in kinds:
            findings.fault(table.file, 0, "", kind, f"fits no slot: those of the car take {', '.join(sorted(kinds))}")
        for place in [place for place, header in enumerate(table.header) if words_of(header) == "owned"]:
            for row in table.rows:
                if row.cells[place].text not in {"", "0"}:
                    typed = row.cells[place].text
                    findings.fault(table.file, row.number, table.header[place], typed, "is for what the crew has")


# --- sheets


def _tables_of(path: pathlib.Path, findings: Findings) -> list[Offered]:
    """The table of a CSV file; of a workbook, the tabs that are called like sheets, else the first one."""
    # never by a bare name, so that no fault in it seems to be one of the crew's own sheet
    file = f"./{path}" if path.parent == pathlib.Path() else str(path)
    suffix = path.suffix.lower()
    if not path.is_file():
        findings.fault(file, 0, "", "", "is not a file: name a sheet of parts, such as tires.csv")
        return []
    if suffix not in {".csv", ".xlsx"}:
        written = "cannot be read in this format" if suffix in OTHER_FORMATS else "is no sheet"
        findings.fault(file, 0, "", "", f"{written}; save it as .csv or .xlsx")
        return []
    if suffix == ".csv":
        name = _sheet_named(path.stem, file, findings)
        table = read_csv(file, path.read_bytes(), findings) if name else None
        return [(name, table)] if name and table else []
    tabs = read_xlsx(path, findings) or {}
    known = {tab: name for tab in tabs if (name := tab.strip().lower()) in SHEETS}
    if tabs and not known:
        name = _sheet_named(path.stem, file, findings)
        known = {next(iter(tabs)): name} if name else {}
    found = [(name, table_of(f"{file} [{tab}]", tabs[tab], findings)) for tab, name in known.items()]
    return [(name, table) for name, table in found if table]


def _sheet_named(stem: str, file: str, findings: Findings) -> str | None:
    """Which sheet a file is like, by its name: ``my-wheels``; else by one of it, ``wheel-from-the-yard``."""
    bare = re.sub(r"[\s-]+", "_", stem.lower())
    for ending in ("", "s"):
        names = [name for name in SHEETS if name.removesuffix(ending) in bare]
        if len(names) == 1:
            return names[0]
        if names:
            findings.fault(file, 0, "", "", f"has a name that means {' and '.join(names)}; leave one of them")
            return None
    near = nearest(bare, SHEETS)
    findings.fault(file, 0, "", "", f"has a name that does not say what is in it: one of {', '.join(SHEETS)}{near}")
    return None


# --- typed lines


def _table_of_line(line: str, file: str, taken: set[str], findings: Findings) -> list[Offered]:
    """A typed line as a table of one row; its id is taken from then on. None at all where it cannot be taken apart."""
    try:
        words = shlex.split(line)
    except ValueError:
        complaint = "has quotation marks that do not pair up; inches are written in: 15 in"
        findings.fault(file, 0, "", line, complaint)
        return []
    kind = _kind_of(words)
    if kind is None:
        known = [sheet.kind or "kit" for sheet in SHEETS.values() if sheet.name != "curves"]
        near = _meant(words[0], known) if words else ""
        findings.fault(file, 0, "", line, f"must begin with what it is: one of {', '.join(known)}{near}")
        return []
    sheet, rest = kind
    cells = [("id", rest.pop(0))] if rest and "=" not in rest[0] else []
    for word in rest:
        key, mark, value = word.partition("=")
        if not mark or not key.strip():
            complaint = 'must be COLUMN=VALUE, in quotation marks where it holds blanks, such as "price for=set"'
            findings.fault(file, 0, "", word, complaint)
        elif sheet == "gearsets" and words_of(key) == RATIOS:
            cells += _gears_of(value, file, key, findings)
        else:
            cells.append((key.strip(), value))
    if "id" not in {words_of(key) for key, _ in cells}:
        number = next(n for n in range(1, len(taken) + 2) if f"offer-{n}" not in taken)
        cells.insert(0, ("id", f"offer-{number}"))
    taken.update(value for key, value in cells if words_of(key) == "id")
    header, texts = zip(*cells, strict=True)
    row = Row(0, tuple(Cell(text.replace("\N{NO-BREAK SPACE}", " ").strip()) for text in texts))
    return [(sheet, Table(file, header, 0, (row,), units_in_cells=True))]


def _kind_of(words: Sequence[str]) -> tuple[str, list[str]] | None:
    """Name of the sheet that the first word or two words mean, and the words after them; None for any other."""
    for length in (2, 1):
        sheet = KINDS_IN_WORDS.get(words_of(" ".join(words[:length])))
        if sheet is not None and len(words) >= length:
            return sheet, list(words[length:])
    return None


def _meant(word: str, known: Sequence[str]) -> str:
    """End of a sentence that names the kind which a word likely means; empty where none is near."""
    other = OTHER_WORDS.get(word.lower()) or OTHER_WORDS.get(word.lower().removesuffix("s"))
    return f"; did you mean {other}?" if other else nearest(word, known)


def _gears_of(text: str, file: str, key: str, findings: Findings) -> list[tuple[str, str]]:
    """Columns of all gears: ``3.25 1.90 1.36``, or with semicolons, so that ``38/11 x 24/23`` may stand among them."""
    ratios = [each.strip() for each in (text.split(";") if ";" in text else text.split()) if each.strip()]
    if not 1 <= len(ratios) <= GEARS:
        findings.fault(file, 0, key, text, f"must be 1 to {GEARS} ratios, first to top, such as 3.25 1.90 1.36 1.05")
        return []
    return [(f"gear {gear}", ratio) for gear, ratio in enumerate(ratios, start=1)]
