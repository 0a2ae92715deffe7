"""A TOML file: its tables and keys as entries, with the line each value stands on."""

from __future__ import annotations

import datetime as dt
import pathlib
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from typing import Any

from optimizer.scenario import cells
from optimizer.scenario.columns import Field
from optimizer.scenario.entries import Entry, nearest_name, value_of
from optimizer.scenario.findings import Findings
from optimizer.scenario.parts import Basis
from optimizer.scenario.rows import RATED
from optimizer.scenario.tables import decode
from optimizer.units import words_of

Path = tuple[str | int, ...]
"""Way to a value: keys, and positions in arrays."""


@dataclass(frozen=True, slots=True)
class Document:
    """A TOML file that was taken apart.

    ``tree`` is empty and the document not ``usable`` where the file is missing or its syntax is wrong: that
    is one fault, and no key is missed. ``lines`` gives the line on which a key or a table begins.
    ``misspelled`` are keys and tables that stand there under nearly their name: they are not missed either.
    """

    file: str
    tree: Mapping[str, Any]
    lines: Mapping[Path, int]
    findings: Findings
    usable: bool = True
    misspelled: set[Path] = dataclass_field(default_factory=set)

    def line(self, path: Path) -> int:
        """Line of a value, or of the nearest table around it; 0 where that is not known."""
        while path:
            for each in (path, (*path, 0)):  # an array of tables begins where its first one does
                if each in self.lines:
                    return self.lines[each]
            path = path[:-1]
        return 0

    def fault(self, path: Path, typed: str, expected: str) -> None:
        """Note a fault of one value."""
        self.findings.fault(self.file, self.line(path), dotted(path), typed, expected)

    def at(self, path: Path) -> Any:
        """Whatever stands at a path; None for nothing."""
        node: Any = self.tree
        for step in path:
            if isinstance(step, int):
                node = node[step] if isinstance(node, list) and step < len(node) else None
            else:
                node = node.get(step) if isinstance(node, dict) else None
        return node

    def tables(self, path: Path) -> Iterator[Path]:
        """Paths of the tables of an array such as ``[[slots]]``; a fault for anything else in its place."""
        node = self.at(path)
        if node is None:
            return
        if not isinstance(node, list) or not all(isinstance(each, dict) for each in node):
            self.fault(path, "", f"must be tables, each beginning with [[{dotted(path)}]]")
            return
        for position in range(len(node)):
            yield (*path, position)

    def entry(self, path: Path, fields: Sequence[Field], tables: Sequence[str] = ()) -> Entry:
        """Read one table; required keys that are blank and keys that are unknown are faults.

        Parameters
        ----------
        path : tuple
            Where the table stands; a table that is not there reads as an empty one.
        fields : sequence of Field
            Its keys.
        tables : sequence of str
            Further keys, which hold tables and are read on their own.
        """
        node = self.at(path)
        entry = Entry(self.file, self.line(path))
        if node is not None and not isinstance(node, dict):
            self.fault(path, str(node), f"must be a table, [{dotted(path)}]")
            entry.faulty = True
            return entry
        by_name = {field.name: field for field in fields}
        entry.places = {field.target: (entry.row, dotted((*path, _key(field.name)))) for field in fields}
        for key, value in (node or {}).items():
            field = by_name.get(words_of(key))
            if field is not None:
                entry.places[field.target] = (self.line((*path, key)), dotted((*path, key)))
                self._read(entry, field, value)
            elif words_of(key) not in map(words_of, tables):
                near = nearest_name(key, [*map(_key, by_name), *tables])
                self.fault((*path, key), "", f"is not a key of this table{near}")
                entry.faulty = True
                meant = near.removeprefix("; did you mean ").removesuffix("?")
                self.misspelled.add((*path, meant))
        for field in fields:
            if (*path, _key(field.name)) in self.misspelled:
                entry.typed.setdefault(field.target, "")
            if self.usable and path not in self.misspelled and field.required and entry.lacks(field.target):
                entry.fault(self.findings, field.target, "is needed")
        entry.label = str(entry.values.get("name", ""))
        return entry

    def _read(self, entry: Entry, field: Field, value: Any) -> None:
        """Read one value, plain or as ``{value = ..., basis = ..., by = ...}``."""
        basis = RATED
        if isinstance(value, dict):
            strange = set(value) - {"value", "basis", "by"}
            if strange or "value" not in value:
                entry.fault(self.findings, field.target, "must be a value, or { value, basis, by }", "")
                entry.typed[field.target] = ""
                return
            basis = self._basis(entry, field, value)
            value = value["value"]
        text = _text_of(value)
        if text is None:
            entry.typed[field.target] = str(value)
            entry.fault(self.findings, field.target, "must be text, a number or a list of them")
            return
        if not text.strip():
            return
        entry.typed[field.target] = text
        try:
            found, assumed = value_of(field, text, None, self.findings)
        except ValueError as fault:
            entry.fault(self.findings, field.target, str(fault))
            return
        if assumed:
            basis = Basis("assumed", basis.by)
        entry.put(self.findings, field, found, basis if field.has_basis else None)

    def _basis(self, entry: Entry, field: Field, value: Mapping[str, Any]) -> Basis:
        text = str(value.get("basis", "rated"))
        try:
            basis = cells.basis(text)
        except ValueError as fault:
            entry.fault(self.findings, field.target, str(fault), text)
            return RATED
        return Basis(basis.kind, str(value.get("by", basis.by)).strip())


def _key(name: str) -> str:
    return name.replace(" ", "_")


def _text_of(value: Any) -> str | None:
    """Text of a TOML value, so that it is read as a cell would be; None for what no cell could hold."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float, str)):
        return str(value)
    if isinstance(value, dt.date):
        return value.isoformat()[:10]
    if isinstance(value, list):
        texts = [_text_of(each) for each in value]
        return None if None in texts else "; ".join(filter(None, texts))
    return None


def dotted(path: Path) -> str:
    """Path as shown: ``slots[3].fitted``, counting from 1."""
    shown = ""
    for step in path:
        shown += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if shown else step
    return shown


def read_document(path: pathlib.Path, findings: Findings) -> Document:
    """Take a TOML file apart; a missing file and wrong syntax are faults, the latter with line and column."""
    empty = Document(path.name, {}, {}, findings, usable=False)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        findings.fault(path.name, 0, "", "", "is missing from the folder")
        return empty
    text = decode(data, path.name, findings)
    if text is None:
        return empty
    if not text.strip():
        findings.fault(path.name, 0, "", "", "is empty")
        return empty
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        _note_syntax(path.name, text, error, findings)
        return empty
    return Document(path.name, tree, _lines(text), findings)


def _note_syntax(file: str, text: str, error: tomllib.TOMLDecodeError, findings: Findings) -> None:
    lines = text.splitlines()
    match = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
    row, column = (int(match[1]), int(match[2])) if match else (len(lines), 0)
    typed = lines[row - 1].strip() if 0 < row <= len(lines) else ""
    said = re.sub(r"\s*\(at .*\)", "", str(error))
    if said == r"Illegal character '\n'":
        said = "text that begins with a quotation mark must end with one on the same line"
    if re.match(r"[^=]*=\s*[~$\d.,]+\s*[A-Za-z%]", typed):
        said += "; a value with a unit stands in quotation marks"
    findings.fault(file, row, f"column {column}" if column else "end of file", typed, f"is not TOML: {said}")


_HEADER = re.compile(r"\s*(?P<open>\[\[?)(?P<name>[^\[\]]+)\]\]?\s*(#.*)?")
_KEY = re.compile(r"\s*(?P<key>(?:[\w-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[\w-]+|\"[^\"]*\"|'[^']*'))*)\s*=")


def _lines(text: str) -> dict[Path, int]:
    """Line on which each table and key begins.

    Found by looking at how lines begin; inside text or arrays over several lines it may note a line too many,
    which shows in a message at most as a neighboring line.
    """
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    here: Path = ()
    for number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.fullmatch(line)
        if header:
            here = ()
            names = _split_key(header["name"])
            for depth, name in enumerate(names):
                here = (*here, name)
                if header["open"] == "[[" and depth == len(names) - 1:
                    counts[here] = counts.get(here, -1) + 1
                if here in counts:
                    here = (*here, counts[here])
            lines.setdefault(here, number)
        elif match := _KEY.match(line):
            lines.setdefault((*here, *_split_key(match["key"])), number)
    return lines


def _split_key(text: str) -> list[str]:
    parts: list[str] = re.findall(r"[\w-]+|\"[^\"]*\"|'[^']*'", text)
    return [part.strip("\"'") for part in parts]
