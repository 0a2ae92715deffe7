"""The page docs/validation.md: every published value of tests/published/*.csv beside what the product answers.

``python -m tests.validation_page`` writes it; with ``--check`` it only compares, and ends with 1 if the page on disk
is another.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.physics.published import Row, all_rows
from tests.physics.registry import FAMILIES, REGISTRY, relative_error

PAGE = Path(__file__).parent.parent / "docs" / "validation.md"
NO_SOURCE = ("Closed form of ", "Mechanics of rigid bodies")
"""How a source begins that is arithmetic or common knowledge: it is shown, and not counted."""
NO_AUTHOR = "author not known"
NOISE = 1e-9
"""Errors below it are rounding, which differs from one processor to another."""

INTRODUCTION = """# Checked against published values

Written by `python -m tests.validation_page` from the tables in `tests/published/`; a test fails if they disagree.
Each row of a table is a published value with its source. The answers come from the functions that the program itself
runs. Errors and tolerances are shares of the published value; a line shows the largest error of its rows.
"""

REMARKS = """## What to know when reading this

- Federal coast-down table: 24 of its 25 times agree within 0.3 %. The one for 160 kg is printed as 4.10 s, where the
  forces of the table itself give 4.18 s; the neighbors on both sides agree. It reads like a misprint, stands on its own
  line with a tolerance of 2 % (at 0.3 % it fails), and is no evidence either way.
- A run that settles is followed until exp(-10) of the speed still to gain is left, then held there: it settles 2.3e-5
  below the root of the cubic. The three closed forms of top speed have a tolerance of 4e-5 for that reason; the
  forces themselves balance at the root ("speed at which full throttle no longer accelerates").
- Coasting is what the run does in a shift pause, so it is repeated pause by pause, 0.5 s each.
- Times and speeds from rest at constant power would need infinite thrust at rest: the run begins pushed, at the place
  and time where the closed form has that speed.
- "From memory" means that the number or formula was not read in the source for this table.
- Two tables that use the same formula, or two columns of one table, count once.

## Published values that are not here, and why

- Rolling resistance and road adhesion by surface: the program takes both from the event's sheet. No published
  measurement of a salt flat was found.
- Specific heat of cast iron (450, 460, 490 and 544 J/kg K by source): the program takes it from the rotors' sheet.
- Other formulas of rolling resistance with speed, other slip curves, sinkage in soft soil, an empirical mass factor,
  cornering drag: the program does not use them.
- A design rule for the temperature of a front rotor: it states a limit and no value to compute.
"""


@dataclass(frozen=True)
class Line:
    """Rows of one quantity with the same source, knowledge and tolerance, and their largest error."""

    quantity: str
    rows: int
    error: float
    tolerance: float
    source: str
    how_known: str


def lines_of(rows: Sequence[Row]) -> list[Line]:
    """Group rows in the order in which they stand."""
    errors: dict[tuple[str, str, str, float], list[float]] = {}
    for row in rows:
        error = relative_error(row, REGISTRY[row.quantity].answer(row))
        errors.setdefault((row.quantity, row.source, row.how_known, row.tolerance), []).append(error)
    return [
        Line(quantity, len(group), max(group), tolerance, source, how_known)
        for (quantity, source, how_known, tolerance), group in errors.items()
    ]


def works_of(rows: Sequence[Row]) -> set[str]:
    """Sources that count, each once: what stands before the semicolon is the work, behind it the place in it."""
    return {row.source.split(";")[0].strip() for row in rows if not row.source.startswith(NO_SOURCE)}


def _share(value: float) -> str:
    if value < NOISE:
        return "0" if value == 0 else "under 1e-9"
    return f"{100 * value:.2g} %" if value >= 1e-4 else f"{value:.1e}"


def _error(line: Line) -> str:
    shown = "under 1e-9" if line.error < NOISE else _share(line.error)
    return shown if line.error <= line.tolerance else f"{shown}, **more than the tolerance**"


def _table(lines: Sequence[Line]) -> str:
    head = "| quantity | rows | largest error | tolerance | source | how known |\n|---|---|---|---|---|---|\n"
    return head + "".join(
        f"| {REGISTRY[each.quantity].title} | {each.rows} | {_error(each)} | {_share(each.tolerance)} "
        f"| {each.source} | {each.how_known} |\n"
        for each in lines
    )


def _counts(rows: Sequence[Row], lines: Sequence[Line]) -> str:
    quantities = {row.quantity for row in rows}
    distinct = {REGISTRY[each].same_as or each for each in quantities}
    works = works_of(rows)
    unread = works - works_of([row for row in rows if "from memory" not in row.how_known])
    within = sum(each.rows for each in lines if each.error <= each.tolerance)
    named = sum(NO_AUTHOR not in each for each in works)
    memory = sum("from memory" in row.how_known for row in rows)
    computed = sum("computed" in row.how_known and "from memory" not in row.how_known for row in rows)
    return (
        f"- {len(distinct)} distinct formulas, tables and rules ({len(quantities)} quantities)\n"
        f"- {len(works)} distinct sources, {named} of them with a named author or body; "
        f"{len(unread)} known from memory only\n"
        f"- {len(rows)} rows: {len(rows) - memory - computed} print the value, {computed} give a formula or question "
        f"and the value was computed from it, {memory} rest on memory\n"
        f"- {within} of {len(rows)} rows within their tolerance\n"
    )


def page() -> str:
    """Text of the whole page."""
    rows = all_rows()
    lines = lines_of(rows)
    families = [
        f"## {family}\n\n{_table([each for each in lines if REGISTRY[each.quantity].family == family])}"
        for family in FAMILIES
    ]
    return "\n".join([INTRODUCTION, _counts(rows, lines), *families, REMARKS])


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the page, or compare it."""
    parser = argparse.ArgumentParser(description="Write docs/validation.md from the tables of published values.")
    parser.add_argument("--check", action="store_true", help="write nothing; end with 1 if the page is another")
    check = parser.parse_args(arguments).check
    text = page()
    if not check:
        PAGE.write_text(text, encoding="utf-8")
        return 0
    if PAGE.is_file() and PAGE.read_text(encoding="utf-8") == text:
        return 0
    sys.stderr.write(f"{PAGE.name} is not what the tables give; run python -m tests.validation_page\n")
    return 1


if __name__ == "__main__":
    sys.exit(main())
