"""Reader of tests/published/*.csv: one published value a row, its tolerance (relative) and its source."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

FOLDER = Path(__file__).parent.parent / "published"


@dataclass(frozen=True)
class Row:
    """One published value. ``inputs`` are numbers where they read as numbers."""

    quantity: str
    inputs: dict[str, float | str]
    expected: float
    unit: str
    tolerance: float
    source: str
    how_known: str

    def __str__(self) -> str:
        return " ".join([self.quantity, *map(str, self.inputs.values())])

    def number(self, name: str) -> float:
        """Return an input that must be a number."""
        return float(self.inputs[name])


def _value(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def rows(file: str, *quantities: str) -> list[Row]:
    """Return the rows of these quantities (all, where none is named); never an empty list."""
    with (FOLDER / file).open(newline="", encoding="utf-8") as handle:
        found = [
            Row(
                line["quantity"],
                {key: _value(value) for key, value in (pair.split("=") for pair in line["inputs"].split())},
                float(line["expected"]),
                line["unit"],
                float(line["tolerance"]),
                line["source"],
                line["how_known"],
            )
            for line in csv.DictReader(handle)
            if not quantities or line["quantity"] in quantities
        ]
    if not found:
        raise LookupError(f"{file} has no row of {', '.join(quantities)}")
    return found


def files() -> list[str]:
    """Names of all tables."""
    return sorted(each.name for each in FOLDER.glob("*.csv"))


def all_rows() -> list[Row]:
    """Every row of every table."""
    return [row for file in files() for row in rows(file)]
