"""CSV sheets: numbers are numbers, text that a spreadsheet would run is not run, whatever a part is called."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer import cli
from optimizer.report.sheets import FORMULA_STARTS, csv_text, defused
from tests.scenes import STARTER

HOSTILE = "=cmd|' /C calc'!A0"


def rows_of(text: str) -> list[list[str]]:
    assert text.startswith("\ufeff")
    return list(csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline="")))


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", " =1", "\u00a0=1", "\ufeff=1", "\uff1d1", HOSTILE]
)
def test_what_would_run_gets_an_apostrophe(text: str) -> None:
    assert defused(text) == f"'{text}"


@pytest.mark.parametrize("cell", ["", "cam", "a=b", "3-speed", "165/65R14 79H", "'quoted", -1.5, 12, 0, None])
def test_all_else_stays(cell: object) -> None:
    assert defused(cell) == cell  # type: ignore[arg-type]


@given(st.lists(st.one_of(st.text(), st.integers(), st.floats(allow_nan=False), st.none()), min_size=2, max_size=6))
def test_no_cell_of_any_sheet_starts_a_formula(cells: list[str | int | float | None]) -> None:
    """Read back, every text is itself or has an apostrophe before it; numbers are what they were."""
    (_, read) = rows_of(csv_text(["a"], [cells]))

    for cell, found in zip(cells, read, strict=True):
        if isinstance(cell, str):
            assert found in (cell, f"'{cell}")
            assert not found.startswith(FORMULA_STARTS)
        else:
            assert found == ("" if cell is None else str(cell))


@pytest.fixture
def hostile(tmp_path: Path) -> Path:
    """The starter, whose cam is called like a formula."""
    folder = shutil.copytree(STARTER, tmp_path / "mine")
    sheet = folder / "engines.csv"
    text = sheet.read_text("utf-8")
    assert "E3,cam," in text
    sheet.write_text(text.replace("E3,cam,", f'E3,"{HOSTILE}",'), "utf-8")
    return folder


@pytest.mark.parametrize("command", ["rank", "purchase"])
def test_sheets_of_hostile_parts(
    command: str, hostile: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "out.csv"

    assert cli.run([command, str(hostile), "--csv", str(file)]) == 0

    assert capsys.readouterr().out, "the answer is told all the same"
    text = file.read_text("utf-8")
    rows = rows_of(text)
    assert len({len(row) for row in rows}) == 1
    cells = [cell for row in rows for cell in row]
    assert f"'{HOSTILE}" in cells
    assert HOSTILE not in cells
    for cell in cells:
        if cell.startswith(FORMULA_STARTS):
            float(cell)  # a number below zero


def test_the_ranking_as_a_sheet_is_the_ranking(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A row for each build, with the speeds and prices that are told."""
    file = tmp_path / "out.csv"
    assert cli.run(["rank", str(STARTER), "--top", "3", "--csv", str(file)]) == 0
    head, *rows = rows_of(file.read_text("utf-8"))
    told = capsys.readouterr().out

    assert [row[0] for row in rows] == ["1", "2", "3"]
    best = dict(zip(head, rows[0], strict=True))
    assert f"does {float(best['speed [mph]']):.1f} mph" in " ".join(told.split())
    assert f"${float(best['price [USD]']):,.0f}" in told
    assert best["engine"] == "E3"
    assert best["engine, name"] == "cam"


def test_the_purchase_sheet_adds_up(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "out.csv"
    assert cli.run(["purchase", str(STARTER), "--csv", str(file)]) == 0
    capsys.readouterr()
    head, *rows = rows_of(file.read_text("utf-8"))
    amount = head.index("amount [USD]")

    assert rows[-1][0] == "in all"
    assert sum(float(row[amount]) for row in rows[:-1]) == pytest.approx(float(rows[-1][amount]))
