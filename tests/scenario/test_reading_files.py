"""One content in many files reads the same; files that cannot be taken apart are refused."""

from __future__ import annotations

import openpyxl
import pytest
import small

from optimizer.scenario.parts import Basis
from optimizer.scenario.reading import read_scenario


@pytest.fixture(scope="module")
def scenario(tmp_path_factory):
    return read_scenario(small.write(tmp_path_factory.mktemp("small")))


# --- one content, many files


FORMS = {
    "semicolons": {"separator": ";"},
    "byte order mark": {"encoding": "utf-8-sig"},
    "Windows-1252": {"encoding": "cp1252"},
    "semicolons, Windows-1252": {"separator": ";", "encoding": "cp1252"},
}


@pytest.mark.parametrize("form", FORMS)
def test_every_form_of_csv_reads_the_same(tmp_path, scenario, form):
    other = read_scenario(
        small.write(tmp_path, tables=small.without_thousands(small.sheets()), **FORMS[form])
    )

    assert small.content(other) == small.content(scenario)


def test_decimal_commas_between_semicolons_read_the_same(tmp_path, scenario):
    tables = small.with_decimal_commas(small.sheets())
    texts = {text for rows in tables.values() for row in rows for text in row}
    assert {"12,2", "~14,2", "$118,50", "14x5,5", "4x100; 4x114,3", "0,73"} <= texts
    other = read_scenario(small.write(tmp_path, tables=tables, separator=";"))

    car, event, parts, kits, _ = small.content(other)
    assert (car, event, parts, kits) == small.content(scenario)[:4]


def test_a_workbook_reads_the_same(tmp_path, scenario):
    other = read_scenario(small.write_workbook(tmp_path))

    assert small.content(other) == small.content(scenario)
    assert other.parts["T02"].where == "parts.xlsx [tires] row 3"


def test_one_sheet_may_be_a_workbook_of_its_own(tmp_path, scenario):
    small.write(tmp_path)
    (tmp_path / "engines.csv").unlink()
    book = openpyxl.Workbook()
    for row in small.SHEETS["engines"]:
        book.active.append([small._value(text) for text in row])
    book.save(tmp_path / "engines.xlsx")
    other = read_scenario(tmp_path)

    assert small.content(other) == small.content(scenario)
    assert other.parts["E02"].where == "engines.xlsx row 3"


def test_a_windows_file_is_read_with_a_notice(tmp_path):
    scenario = read_scenario(small.write(tmp_path, encoding="cp1252"))

    assert scenario.parts["T03"].notes == "café rubber"
    assert "tires.csv is not UTF-8 text; it was read as Windows-1252" in scenario.notices


def test_utf8_is_read_without_a_notice(scenario):
    assert scenario.notices == ()


def test_comments_and_blank_rows_keep_the_row_numbers(tmp_path):
    tables = small.sheets()
    tables["tires"].insert(0, ["# tires; as of May, with a comma", "x"])
    tables["tires"].insert(2, [""] * 16)
    tables["tires"].insert(3, ["# sold:"] + [""] * 15)
    scenario = read_scenario(small.write(tmp_path, tables=tables))

    assert scenario.parts["T01"].where == "tires.csv row 5"


@pytest.mark.parametrize("header", ["mass (lb)", "mass_lb", "Mass [LBS]", "MASS  lb"])
def test_every_spelling_of_a_header(tmp_path, scenario, header):
    other = read_scenario(small.write(tmp_path, tables=small.with_cell("tires", 1, "mass", header)))

    assert other.parts["T01"].mass_kg == scenario.parts["T01"].mass_kg


def test_the_basis_of_a_whole_row_is_that_of_its_values(tmp_path):
    tables = small.with_column("wheels", "basis", "measured: kitchen scale")
    scenario = read_scenario(small.write(tmp_path, tables=tables))

    assert scenario.parts["W01"].bases["mass_kg"] == Basis("measured", "kitchen scale")
    assert scenario.parts["W02"].bases["mass_kg"] == Basis("rated")


def test_seller_and_date_of_the_price_are_kept_in_the_notes(tmp_path):
    tables = small.with_column("wheels", "seller", "club member")
    for row, text in zip(tables["wheels"], ["price date", "2026-02-01", ""], strict=True):
        row.append(text)
    scenario = read_scenario(small.write(tmp_path, tables=tables))

    assert scenario.parts["W01"].notes == "seller: club member; price date: 2026-02-01"


def test_a_bare_zr_with_its_symbol_beside_it(tmp_path):
    tables = small.with_cell("tires", 4, "size", "185/55ZR14")
    for row, *texts in zip(
        tables["tires"], ["load index", "", "", "80"], ["speed symbol", "", "", "W"], strict=True
    ):
        row.extend(texts)
    tire = read_scenario(small.write(tmp_path, tables=tables)).parts["T03"]

    assert (tire.load_index, tire.speed_symbol) == (80, "W")


# --- sheets as a whole


def test_an_empty_sheet(tmp_path):
    small.write(tmp_path)
    (tmp_path / "tires.csv").write_text("\n\n")

    assert ("tires.csv", 0, "", "", "is empty; its first row must name the columns") in small.faults_of(
        tmp_path
    )


def test_a_sheet_with_nothing_but_a_header(tmp_path):
    tables = small.sheets()
    del tables["rotors"][1:]
    found = small.faults_of(small.write(tmp_path, tables=tables))

    assert ("rotors.csv", 0, "", "", "holds no row, but a slot takes a rotor") in found


def test_a_missing_sheet(tmp_path):
    small.write(tmp_path)
    (tmp_path / "gearsets.csv").unlink()

    assert ("gearsets.csv", 0, "", "", "is missing: a slot takes a gearset") in small.faults_of(tmp_path)


def test_a_sheet_no_slot_needs_may_be_missing(tmp_path):
    car = small.CAR.replace(
        small.CAR[small.CAR.index('[[slots]]\nname = "belly pan"') : small.CAR.index("[[jobs]]")], ""
    )
    small.write(tmp_path, car=car)
    for name in ("extras", "kits"):
        (tmp_path / f"{name}.csv").unlink()

    assert "X01" not in read_scenario(tmp_path).parts


def test_a_sheet_that_is_there_twice(tmp_path):
    small.write(tmp_path)
    small.write_workbook(tmp_path / "book", {"wheels": small.SHEETS["wheels"]})
    (tmp_path / "book" / "parts.xlsx").rename(tmp_path / "parts.xlsx")

    assert (
        "parts.xlsx [wheels]",
        0,
        "",
        "",
        "the sheet wheels is there more than once: parts.xlsx [wheels] and wheels.csv; keep one",
    ) in small.faults_of(tmp_path)


def test_a_sheet_in_another_format(tmp_path):
    small.write(tmp_path)
    (tmp_path / "kits.csv").rename(tmp_path / "kits.ods")

    assert (
        "kits.ods",
        0,
        "",
        "",
        "cannot be read in this format; save it as .csv or .xlsx",
    ) in small.faults_of(tmp_path)


def test_a_workbook_that_is_none(tmp_path):
    small.write(tmp_path)
    (tmp_path / "kits.csv").rename(tmp_path / "kits.xlsx")

    file, row, column, typed, expected = small.faults_of(tmp_path)[0]
    assert (file, row, column, typed) == ("kits.xlsx", 0, "", "")
    assert expected.startswith("cannot be opened as a workbook")


def test_a_sheet_that_is_none_of_ours_is_left_with_a_notice(tmp_path):
    small.write(tmp_path)
    (tmp_path / "wish_list.csv").write_text("a,b\n")

    assert read_scenario(tmp_path).notices == ("wish_list.csv is not one of the sheets and was not read",)


def test_a_misnamed_sheet_is_pointed_out(tmp_path):
    small.write(tmp_path)
    (tmp_path / "kits.csv").rename(tmp_path / "kit.csv")

    notices = read_scenario(tmp_path).notices
    assert "kit.csv is not one of the sheets and was not read; did you mean kits?" in notices


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"id\tname\n", "is separated by tabs; save it as CSV, with commas or semicolons"),
        ("id,name\n".encode("utf-16"), "is saved as UTF-16 text; save it as UTF-8"),
        (b"id,name\n\0\0", "holds binary data; save it as text"),
        (b"id,name\n\x81\x8d", "is neither UTF-8 nor Windows-1252 text; save it as UTF-8"),
    ],
)
def test_a_file_that_cannot_be_taken_apart(tmp_path, data, expected):
    small.write(tmp_path)
    (tmp_path / "kits.csv").write_bytes(data)

    assert small.faults_of(tmp_path) == [("kits.csv", 0, "", "", expected)]


def test_a_quotation_mark_that_is_never_closed(tmp_path):
    """Without this fault the rest of the sheet would vanish into one cell."""
    small.write(tmp_path)
    text = (tmp_path / "kits.csv").read_text()
    (tmp_path / "kits.csv").write_text(text.replace("K01,used", 'K01,"used'))

    file, row, _, _, expected = small.faults_of(tmp_path)[0]
    assert (file, row) == ("kits.csv", 2)
    assert expected.startswith("has quotation marks that do not pair up")


# --- traps of workbooks


@pytest.fixture
def workbook(tmp_path):
    """Folder with a workbook, and a function that changes one cell of a tab and gives the faults."""
    small.write_workbook(tmp_path)
    book = openpyxl.load_workbook(tmp_path / "parts.xlsx")

    def change(tab: str, row: int, column: str, value, number_format: str = "") -> None:
        cell = book[tab].cell(row, small.column_of(small.SHEETS[tab], column) + 1, value)
        if number_format:
            cell.number_format = number_format
        book.save(tmp_path / "parts.xlsx")

    change.folder = tmp_path
    return change


WORKBOOK_CELLS = [
    ("tires", 2, "mass", True, "", "mass [lb]", "TRUE", "is a yes/no value where a number belongs"),
    ("tires", 2, "mass", "#N/A", "", "mass [lb]", "#N/A", "is a spreadsheet's error, not a value"),
    (
        "tires",
        2,
        "mass",
        "=8*2",
        "",
        "mass [lb]",
        "=8*2",
        "is a formula without a stored result; save it in a spreadsheet program, or type the value",
    ),
    (
        "final_drives",
        2,
        "ratio",
        45000,
        "yyyy-mm-dd",
        "ratio",
        "2023-03-15",
        "was turned into a date by the spreadsheet; format the column as text and type it again",
    ),
    ("tires", 2, "price", 90, "[$€-407] #,##0.00", "price", "€90", "is in EUR, but the event counts in USD"),
]


@pytest.mark.parametrize(
    ("tab", "row", "column", "value", "form", "header", "typed", "expected"), WORKBOOK_CELLS
)
def test_traps_of_workbooks(workbook, tab, row, column, value, form, header, typed, expected):
    workbook(tab, row, column, value, form)

    assert small.faults_of(workbook.folder) == [(f"parts.xlsx [{tab}]", row, header, typed, expected)]


def test_a_percent_format_is_not_taken_a_hundredfold_too_small(workbook):
    """A spreadsheet stores 97 % as 0.97 and shows it as typed."""
    workbook("final_drives", 2, "efficiency", 0.97, "0%")

    assert read_scenario(workbook.folder).parts["F01"].efficiency == pytest.approx(0.97)


def test_a_currency_format_is_money(workbook):
    workbook("tires", 3, "price", 118.5, '"$"#,##0.00')

    assert read_scenario(workbook.folder).parts["T02"].price_cents == 11850


def test_binary_dust_of_sums_is_not_money_finer_than_a_cent(workbook):
    workbook("tires", 3, "price", 0.1 + 0.2)

    assert read_scenario(workbook.folder).parts["T02"].price_cents == 30


def test_merged_cells_hold_nothing_of_their_own(tmp_path):
    small.write_workbook(tmp_path)
    book = openpyxl.load_workbook(tmp_path / "parts.xlsx")
    book["tires"].merge_cells("C2:C3")
    book.save(tmp_path / "parts.xlsx")

    expected = "is merged with a neighbor and holds nothing of its own; unmerge the cells"
    assert small.faults_of(tmp_path) == [("parts.xlsx [tires]", 3, "mass [lb]", "", expected)]


def test_merged_titles_above_the_header_are_harmless(tmp_path):
    tables = small.sheets()
    tables["tires"].insert(0, ["# our tires"])
    small.write_workbook(tmp_path, tables)
    book = openpyxl.load_workbook(tmp_path / "parts.xlsx")
    book["tires"].merge_cells("A1:F1")
    book.save(tmp_path / "parts.xlsx")

    assert read_scenario(tmp_path).parts["T01"].where == "parts.xlsx [tires] row 3"
