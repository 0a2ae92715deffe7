"""A row of a sheet or a table of a TOML file on its way to a record: values, their places, their bases."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import partial
from types import MappingProxyType
from typing import Any

from optimizer.errors import place_of
from optimizer.scenario import cells
from optimizer.scenario.columns import MONEY, Field
from optimizer.scenario.event import Assumption
from optimizer.scenario.findings import Findings
from optimizer.scenario.parts import Basis
from optimizer.units import (
    UNITS,
    Unit,
    choices,
    find_unit,
    nearest,
    shown,
    shown_in,
    split_quantity,
    take_tilde,
    usual,
    words_of,
)


@dataclass(slots=True)
class Entry:
    """What was read for one record.

    Attributes
    ----------
    file, row : str, int
        Where it stands; row 0 where none applies.
    label : str
        How messages call it: an id or a name; empty for the only one of its kind.
    values : dict
        By field of the record; a blank is not in it.
    bases : dict
        Basis of each quantity that was typed, by field of the record.
    places : dict
        Row and header or key, by field of the record: where a fault of this value is shown.
    typed : dict
        Text as typed, by field of the record; also of what could not be read.
    units : dict
        Unit of the column it was typed in, by field of the record.
    faulty : bool
        Something in it could not be read, so no record is made of it.
    """

    file: str
    row: int = 0
    label: str = ""
    values: dict[str, Any] = field(default_factory=dict)
    bases: dict[str, Basis] = field(default_factory=dict)
    places: dict[str, tuple[int, str]] = field(default_factory=dict)
    typed: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    faulty: bool = False

    @property
    def where(self) -> str:
        """File and row, as shown beside a part."""
        return place_of(self.file, self.row)

    @property
    def place(self) -> str:
        """File, row and label, as shown beside an assumption."""
        return f"{self.where}, {self.label}" if self.label else self.where

    def fault(self, findings: Findings, target: str, expected: str, typed: str | None = None) -> None:
        """Note a fault of one value of this entry, and that the entry makes no record."""
        row, column = self.places.get(target, (self.row, target))
        text = self.typed.get(target, "") if typed is None else typed
        findings.fault(self.file, row, column, text, expected)
        self.faulty = True

    def put(self, findings: Findings, item: Field, value: Any, basis: Basis | None) -> None:
        """Keep a value; one that fills several fields must agree with what is already there."""
        if item.target == "notes":
            note = str(value) if item.name == "notes" else f"{item.name}: {value}"
            self.values["notes"] = "; ".join(filter(None, [self.values.get("notes", ""), note]))
            return
        parts = value if isinstance(value, dict) else {item.target: value}
        for target, each in parts.items():
            earlier = self.values.get(target)
            if earlier is not None and each is not None and earlier != each:
                self.fault(findings, item.target, f"disagrees with {earlier} in another column of this row")
                continue
            if each is not None or target not in self.values:
                self.values[target] = each
            if basis is not None and each is not None:
                self.bases[target] = basis

    def list_assumed(self, names: dict[str, str]) -> list[Assumption]:
        """List what was typed but is marked as assumed; `names` are the names by field of the record."""
        return [
            Assumption(
                self.place, names.get(target, target), self._shown(target), basis.by or "marked as assumed", target
            )
            for target, basis in self.bases.items()
            if basis.kind == "assumed" and target in self.typed
        ]

    def lacks(self, target: str) -> bool:
        """Tell whether a value is blank; one that could not be read is not: its fault is noted already."""
        return target not in self.values and target not in self.typed

    def _shown(self, target: str) -> str:
        text, unit = self.typed[target], self.units.get(target, "")
        return text if text.endswith(unit) else f"{text} {unit}"


OTHER_NAMES: Mapping[str, str] = MappingProxyType(
    {"bolt circle": "bolt pattern", "pcd": "bolt pattern", "et": "offset", "weight": "mass", "cost": "price"}
)
"""What a column or key is called elsewhere, and its name here."""


def nearest_name(word: str, known: Iterable[str]) -> str:
    """End of a sentence that names the column or key that was likely meant; empty where none is."""
    names = list(known)
    other = OTHER_NAMES.get(words_of(word))
    found = next((each for each in names if words_of(each) == other), "")
    return f"; did you mean {found}?" if found else nearest(word, names)


NOT_KNOWN = frozenset({"?", "??", "-", "--", "n/a", "na", "tbd", "tba", "unknown", "ask"})
"""What is written for a number nobody has yet; a blank says it."""


def value_of(item: Field, text: str, unit: Unit | None, findings: Findings) -> tuple[Any, bool]:
    """Read one value that is not blank, and whether it is marked as assumed by ``~``.

    Parameters
    ----------
    item : Field
        What it is.
    text : str
        As typed.
    unit : Unit or None
        Unit of the column; None where the text must hold its own.
    findings : Findings
        Knows currency and customary units; nothing is noted in it here.

    Raises
    ------
    ValueError
        If it cannot be read or is physically impossible; the text completes the sentence.
    """
    if cells.SPREADSHEET_ERROR.fullmatch(text.upper()):
        raise ValueError("is a spreadsheet's error, not a value")
    assumed, bare = take_tilde(text) if item.has_basis else (False, text)
    if (item.is_number or item.dimension == MONEY) and bare.lower() in NOT_KNOWN:
        raise ValueError("is no number; leave it blank where it is not known")
    if item.dimension == MONEY:
        return cells.money(bare, findings.currency), False
    if item.dimension:
        value, said_in = _with_unit(item, bare, unit, metric=findings.metric)
    else:
        value, said_in = item.parse(bare), None
    if isinstance(value, float):
        complaint = item.bounds.complaint(value, partial(_limit, item, said_in, metric=findings.metric))
        if complaint and item.dimension == "fraction" and said_in is None:
            complaint += f"; a percentage has its sign: {bare} %"
        if complaint:
            raise ValueError(complaint + _other_mark(item, bare, unit, metric=findings.metric))
    return value, assumed


_THREE_DIGITS = re.compile(r"([+-]?[1-9]\d{0,2})([.,])(\d{3})(?![\d.,])")


def _other_mark(item: Field, text: str, unit: Unit | None, *, metric: bool) -> str:
    """What was likely meant by three digits behind a comma or dot, where the other reading is possible; else empty."""
    mark = _THREE_DIGITS.match(text)
    if mark is None:
        return ""
    meant = f"{mark[1]}{'.' if mark[2] == ',' else ''}{mark[3]}{text[mark.end() :]}"
    value = _with_unit(item, meant, unit, metric=metric)[0] if item.dimension else item.parse(meant)
    if item.bounds.complaint(value, str):
        return ""
    read_as = "a comma is read as one between thousands: " if mark[2] == "," else ""
    return f"; {read_as}if {meant} is meant, write it so"


def _limit(item: Field, unit: Unit | None, value: float, *, metric: bool) -> str:
    """Text of the end of a range, in the unit in which the value was typed."""
    if unit is None:
        return shown(value, item.dimension if value else "", metric=metric)
    return shown_in(value, unit.name, item.dimension) if value or unit.offset else "0"


def _with_unit(item: Field, text: str, unit: Unit | None, *, metric: bool) -> tuple[float, Unit | None]:
    """Read a number in the unit of its column, in its own, or in the one that the name of the field says.

    The unit is None for a fraction that was typed without one.
    """
    number, own = split_quantity(text)
    if own:
        found = find_unit(own, item.dimension)
        if unit is not None and found != unit and item.dimension != "fraction":
            raise ValueError(f"is in {found.name}, but its column is in {unit.name}")
    elif unit is not None:
        found = unit
    elif item.unit:
        found = find_unit(item.unit, item.dimension)
    elif item.dimension == "fraction":
        return number, None
    else:
        raise ValueError(_needs_unit(item, number, text, metric=metric))
    return found.inside(number), found


def _needs_unit(item: Field, number: float, text: str, *, metric: bool) -> str:
    """What is said of a number without its unit, with one that it may be in: 420 above the sea are no miles."""
    possible = [
        each.name for each in UNITS[item.dimension] if not item.bounds.complaint(each.inside(number), str)
    ]
    if (own := usual(item.dimension, metric=metric)) in possible:
        possible = [own]
    examples = " or ".join(f'"{text} {name}"' for name in possible[:2])
    return f"needs its unit, one of {choices(item.dimension)}" + (f"; such as {examples}" if examples else "")
