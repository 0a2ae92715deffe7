"""The file of evidence: what it says, read strictly and written whole or not at all (docs/evidence.md)."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimizer.errors import UsageError
from optimizer.recheck.asking import Asked

FORMAT, VERSION = "saltmile search evidence", 2
CALIBRATION = "calibration.json"
"""Also input, where a folder has it."""
SHEETS = (".toml", ".csv", ".xlsx")
"""Endings of the files of a folder that are input."""
NO_INPUT = "runs"
"""Name, but for its ending, of the sheet of what was timed: a run more changes no prediction by itself."""
MOST_ROUNDS = 60
"""Rounds that may stand inside each other in a file."""
MOST_CELLS = 16
"""Width of the cells of speed, in units of the finest, that a round may have."""
MOST_NUMBER = 1e100
"""Numbers in a file, at most: a whole number may be too long to be any other."""
MOST_WORTH = 1e3
"""What a cent may be worth on a cut [m/s]: more than it ever is, and far from where numbers end, where no test says
anything."""
MOST_TYPICAL = 1e6
"""What a unit of a coordinate may cost [m/s]."""


@dataclass(frozen=True, slots=True)
class Listed:
    """One build of the list."""

    parts: dict[str, str]
    speed_ms: float
    price_cents: int


@dataclass(frozen=True, slots=True)
class Node:
    """One round for a box: how it is made, and what follows for what it leaves.

    Attributes
    ----------
    cells : int
        Width of the cells of speed, in units of the finest.
    cuts : tuple of (share, multiplier)
        Where each cut is laid on its line, and what a cent is worth [m/s].
    then : None, "list", Node or Split
        Nothing is left; few enough builds to be gone through; a further round; a split.
    """

    cells: int
    cuts: tuple[tuple[float, float], ...]
    then: Node | Split | str | None


@dataclass(frozen=True, slots=True)
class Split:
    """A box in two by the options of a slot, or by the highest speed in each of some runs; parts go on by themselves.

    Attributes
    ----------
    slot : str
        By its options: the mildest ``first`` of those that are open, and the others. Nothing where it is by speeds.
    runs : tuple of int
        By the highest speed in these runs (0 is the first): below the middle of what it may be, and above.
    parts : dict of str -> Node
        By name (`rounds.HALVES`, `rounds.SPEEDS`), those of which something is left.
    """

    slot: str
    first: int
    runs: tuple[int, ...]
    parts: dict[str, Node]


@dataclass(frozen=True, slots=True)
class Group:
    """Drive sets with the same engine and gears.

    Attributes
    ----------
    parts : tuple of str
        Ids in the group's slots.
    sets : int
        Drive sets that single parts and pairs allow.
    highest_ms : float or None
        Highest bound among those that are not opened; None where rules and money leave none of these.
    opened : dict of str -> Node
        Those that are, by the ids in the set's slots, joined by spaces.
    """

    parts: tuple[str, ...]
    sets: int
    highest_ms: float | None
    opened: dict[str, Node]


@dataclass(frozen=True, slots=True)
class Evidence:
    """All of a file; see docs/evidence.md. ``typical`` are slopes by coordinate, which say what is milder."""

    inputs_sha256: str
    asked: Asked
    listed: tuple[Listed, ...]
    kth_ms: float
    level_ms: float
    complete: bool
    why_not: str
    group_slots: tuple[str, ...]
    set_slots: tuple[str, ...]
    typical: tuple[float, ...]
    groups: tuple[Group, ...]


def hash_of(folder: Path) -> str:
    """SHA-256 over the names and bytes of a folder's input files, by name."""
    digest = hashlib.sha256()
    for file in sorted(each for each in folder.iterdir() if each.is_file() and _is_input(each)):
        data = file.read_bytes()
        digest.update(f"{file.name}\0{len(data)}\0".encode())
        digest.update(data)
    return digest.hexdigest()


def _is_input(file: Path) -> bool:
    is_sheet = file.suffix.lower() in SHEETS and file.stem.lower() != NO_INPUT
    return is_sheet or file.name == CALIBRATION


# --- writing


def as_json(evidence: Evidence) -> str:
    """The file's text: one group a line, so that two files can be compared by eye."""
    asked = evidence.asked
    head: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "inputs_sha256": evidence.inputs_sha256,
        "question": {
            "top": asked.top,
            "budget_cents": asked.budget_cents,
            "class": asked.race_class,
            "salt": asked.salt,
            "with": list(asked.with_parts),
            "without": list(asked.without_parts),
        },
        "list": [
            {"speed_ms": each.speed_ms, "price_cents": each.price_cents, "parts": each.parts}
            for each in evidence.listed
        ],
        "kth_ms": evidence.kth_ms,
        "level_ms": evidence.level_ms,
        "complete": evidence.complete,
        "why_not": evidence.why_not,
        "group_slots": list(evidence.group_slots),
        "set_slots": list(evidence.set_slots),
        "typical": list(evidence.typical),
    }
    lines = [f'"{key}":{_compact(value)}' for key, value in head.items()]
    groups = ",\n".join(_compact(_group_out(group)) for group in evidence.groups)
    lines.append(f'"groups":[\n{groups}\n]')
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _compact(value: object) -> str:
    return json.dumps(value, separators=(",", ":"), allow_nan=False, ensure_ascii=False)


def _group_out(group: Group) -> dict[str, Any]:
    found: dict[str, Any] = {"parts": list(group.parts), "sets": group.sets}
    if group.highest_ms is not None:
        found["highest_ms"] = group.highest_ms
    if group.opened:
        found["opened"] = {name: _node_out(node) for name, node in group.opened.items()}
    return found


def _short(number: float) -> float | int:
    """A whole number without its point."""
    return int(number) if number == int(number) else number


def _node_out(node: Node) -> dict[str, Any]:
    found: dict[str, Any] = {"cells": node.cells, "cuts": [_short(number) for cut in node.cuts for number in cut]}
    if isinstance(node.then, Split):
        split = node.then
        how = {"slot": split.slot, "first": split.first} if split.slot else {"runs": list(split.runs)}
        found["then"] = {**how, "parts": {name: _node_out(each) for name, each in split.parts.items()}}
    elif isinstance(node.then, Node):
        found["then"] = _node_out(node.then)
    elif node.then is not None:
        found["then"] = node.then
    return found


# --- reading


def read(file: Path) -> Evidence:
    """A file of evidence.

    Raises
    ------
    UsageError
        If it cannot be read, is no JSON, or does not say what it should; with the place.
    """
    try:
        text = file.read_text(encoding="utf-8")
    except OSError as fault:
        raise UsageError(f"cannot read {file}: {fault.strerror}") from fault
    except UnicodeDecodeError as fault:
        raise UsageError(f"cannot read {file}: {fault}") from fault
    return parse(text, str(file))


def parse(text: str, name: str = "the evidence") -> Evidence:
    """The text of a file of evidence.

    Raises
    ------
    UsageError
        If it is no JSON, or does not say what it should; with the place.
    """
    try:
        whole = json.loads(text, parse_constant=_no_number, object_pairs_hook=_once)
    except (ValueError, RecursionError) as fault:
        raise UsageError(f"{name} is not whole or not JSON: {fault}") from fault
    try:
        return _evidence(_Item(whole, ""))
    except _MalformedError as fault:
        raise UsageError(f"{name} is no evidence that can be read: {fault}") from fault


class _MalformedError(ValueError):
    """Something in the file is not what it should be."""


def _no_number(word: str) -> float:
    msg = f"{word} is no number"
    raise ValueError(msg)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object whose names are all different."""
    found = dict(pairs)
    if len(found) < len(pairs):
        msg = "a name stands twice in one object"
        raise ValueError(msg)
    return found


class _Item:
    """A value of the file and where it stands."""

    def __init__(self, value: Any, where: str) -> None:
        self.value, self.where = value, where

    def wrong(self, expected: str) -> _MalformedError:
        where = self.where if self.where.isprintable() else ascii(self.where)
        return _MalformedError(f"{where or 'the whole'}: expected {expected}, not {str(self.value)[:40]!a}")

    def at(self, name: str) -> _Item:
        if not isinstance(self.value, dict) or name not in self.value:
            raise _MalformedError(f"{self.where or 'the whole'}: {name!r} is missing")
        return _Item(self.value[name], f"{self.where}/{name}")

    def has(self, name: str) -> bool:
        return isinstance(self.value, dict) and name in self.value

    def each(self) -> list[_Item]:
        if not isinstance(self.value, list):
            raise self.wrong("a list")
        return [_Item(value, f"{self.where}[{place}]") for place, value in enumerate(self.value)]

    def items(self) -> dict[str, _Item]:
        if not isinstance(self.value, dict):
            raise self.wrong("an object")
        return {name: _Item(value, f"{self.where}/{name}") for name, value in self.value.items()}

    def text(self) -> str:
        if not isinstance(self.value, str) or not self.value.isprintable():
            raise self.wrong("text that can be shown")
        return self.value

    def number(self, *, least: float = -math.inf, most: float = math.inf) -> float:
        if isinstance(self.value, bool) or not isinstance(self.value, int | float):
            raise self.wrong("a number")
        if not -MOST_NUMBER <= self.value <= MOST_NUMBER or not least <= self.value <= most:
            raise self.wrong(f"a number from {least:g} to {most:g}")
        return float(self.value)

    def whole(self, least: int, most: int = 10**12) -> int:
        if isinstance(self.value, bool) or not isinstance(self.value, int) or not least <= self.value <= most:
            raise self.wrong(f"a whole number of {least} or more")
        return self.value

    def texts(self) -> tuple[str, ...]:
        return tuple(each.text() for each in self.each())


def _evidence(item: _Item) -> Evidence:
    if item.at("format").text() != FORMAT or item.at("version").whole(0) != VERSION:
        raise _MalformedError(f"this is not {FORMAT!r}, version {VERSION}")
    question, complete = item.at("question"), item.at("complete").value
    if not isinstance(complete, bool):
        raise item.at("complete").wrong("true or false")
    budget, race, salt = (question.at(name) for name in ("budget_cents", "class", "salt"))
    return Evidence(
        inputs_sha256=item.at("inputs_sha256").text(),
        asked=Asked(
            top=question.at("top").whole(1, 1000),
            budget_cents=None if budget.value is None else budget.whole(0),
            race_class=None if race.value is None else race.text(),
            salt=None if salt.value is None else salt.text(),
            with_parts=question.at("with").texts(),
            without_parts=question.at("without").texts(),
        ),
        listed=tuple(_listed(each) for each in item.at("list").each()),
        kth_ms=item.at("kth_ms").number(least=0.0),
        level_ms=item.at("level_ms").number(least=0.0),
        complete=complete,
        why_not=item.at("why_not").text(),
        group_slots=item.at("group_slots").texts(),
        set_slots=item.at("set_slots").texts(),
        typical=tuple(each.number(least=0.0, most=MOST_TYPICAL) for each in item.at("typical").each()),
        groups=tuple(_group(each) for each in item.at("groups").each()),
    )


def _listed(item: _Item) -> Listed:
    parts = {slot: each.text() for slot, each in item.at("parts").items().items()}
    return Listed(parts, item.at("speed_ms").number(least=0.0), item.at("price_cents").whole(-(10**12)))


def _group(item: _Item) -> Group:
    opened = item.at("opened").items() if item.has("opened") else {}
    return Group(
        item.at("parts").texts(),
        item.at("sets").whole(0),
        item.at("highest_ms").number() if item.has("highest_ms") else None,
        {name: _node(each, MOST_ROUNDS) for name, each in opened.items()},
    )


def _node(item: _Item, deeper: int) -> Node:
    if deeper == 0:
        raise item.wrong("fewer rounds inside each other")
    cuts = item.at("cuts").each()
    if len(cuts) % 2:
        raise item.at("cuts").wrong("a share and a multiplier for each cut")
    pairs = zip(cuts[::2], cuts[1::2], strict=True)
    told = tuple(
        (share.number(least=0.0, most=1.0), worth.number(least=0.0, most=MOST_WORTH)) for share, worth in pairs
    )
    cells = item.at("cells").whole(1, MOST_CELLS)
    return Node(cells, told, _then(item.at("then"), deeper - 1) if item.has("then") else None)


def _then(item: _Item, deeper: int) -> Node | Split | str:
    if isinstance(item.value, str):
        if item.value != "list":
            raise item.wrong("a round, a split or 'list'")
        return item.value
    if not item.has("parts"):
        return _node(item, deeper)
    parts = {name: _node(each, deeper) for name, each in item.at("parts").items().items()}
    if item.has("slot"):
        return Split(item.at("slot").text(), item.at("first").whole(0), (), parts)
    runs = tuple(each.whole(0, 1) for each in item.at("runs").each())
    if not runs or len(set(runs)) < len(runs):
        raise item.at("runs").wrong("the number of one run, or of both")
    return Split("", 0, runs, parts)
