"""Every fault of a sheet is refused in its place, in words that say how to mend it."""

from __future__ import annotations

import pytest
import small

from optimizer.errors import ScenarioError
from optimizer.scenario.reading import read_scenario

# --- what a sheet may get wrong: (file, row, column, typed, expected)

CELLS = [
    ("tires", 2, "mass", "-12", "mass [lb]", "must be at least 4.41 lb and at most 132 lb"),
    ("tires", 2, "mass", "0", "mass [lb]", "must be at least 4.41 lb and at most 132 lb"),
    ("tires", 2, "mass", "nan", "mass [lb]", "must be a finite number"),
    ("tires", 2, "mass", "inf", "mass [lb]", "must be a finite number"),
    ("tires", 2, "mass", "TRUE", "mass [lb]", "is a yes/no value where a number belongs"),
    ("tires", 2, "mass", "#N/A", "mass [lb]", "is a spreadsheet's error, not a value"),
    ("tires", 2, "mass", "#DIV/0!", "mass [lb]", "is a spreadsheet's error, not a value"),
    ("tires", 2, "mass", "12,5", "mass [lb]", "has a decimal comma; write 12.5"),
    ("tires", 2, "mass", "heavy", "mass [lb]", "must be a number, such as 12.5 or 1,250 or 1/4"),
    ("tires", 2, "mass", "7.9 kg", "mass [lb]", "is in kg, but its column is in lb"),
    ("tires", 2, "mass", "", "mass [lb]", "is needed"),
    ("tires", 2, "price", "€120", "price", "is in EUR, but the event counts in USD"),
    ("tires", 2, "price for", "eech", "price for", "must be one of each, pair, set; did you mean each?"),
    ("tires", 2, "owned", "1.5", "owned", "must be a whole number, 0 or more"),
    ("tires", 2, "size", "185/60", "size", "must be a size code such as 205/60R15 or 205/60R15 91V"),
    ("tires", 2, "size", "", "size", "is needed"),
    ("tires", 2, "rolling", "0.6", "rolling coefficient", "must be at least 0.001 and at most 0.05"),
    ("tires", 2, "max pressure", "-3", "max pressure [psi]", "must be at least 7.25 psi and at most 145 psi"),
    ("tires", 2, "made", "5126", "made", "is after the event"),
    (
        "tires",
        2,
        "inertia basis",
        "mesured",
        "inertia basis",
        "must be measured, rated or assumed; who says so may follow a colon; did you mean measured?",
    ),
    ("tires", 2, "id", "", "id", "is needed"),
    ("tires", 3, "id", "T01", "id", "is taken already, in tires.csv row 2"),
    ("wheels", 3, "id", "T02", "id", "is taken already, in tires.csv row 3"),
    ("kits", 2, "id", "X01", "id", "is taken already, in extras.csv row 2"),
    ("wheels", 2, "size", "", "size", "is needed"),
    ("wheels", 2, "bolt pattern", "4x", "bolt pattern", "must be bolts x circle, such as 4x100 or 5x4.5 in"),
    ("final_drives", 2, "ratio", "0", "ratio", "must be at least 1 and at most 15"),
    ("final_drives", 2, "efficiency", "30", "efficiency [%]", "must be at least 50 % and at most 100 %"),
    ("final_drives", 2, "efficiency", "101", "efficiency [%]", "must be at least 50 % and at most 100 %"),
    ("gearsets", 2, "gear 3", "1.9", "gear 3", "must be less than gear 2, 1.81"),
    ("gearsets", 2, "gear 3", "", "gear 4", "stands after a gap: gear 3 is blank"),
    ("gearsets", 2, "gear 1", "", "gear 1", "is needed"),
    ("engines", 2, "curve", "E1", "curve", "is not a curve of the sheet curves; did you mean E01?"),
    ("engines", 3, "base", "F01", "base", "is a final drive, not an engine"),
    ("engines", 3, "curve", "E01", "curve", "cannot stand beside a base: the curve is the base's"),
    (
        "engines",
        2,
        "torque factor",
        "105",
        "torque factor [%]",
        "changes the curve of a base, and none is named",
    ),
    ("curves", 4, "rpm", "3500", "rpm", "must be greater than 3500 in the row above"),
    ("curves", 3, "power", "63.3", "power [hp]", "disagrees with the torque, which is 53.3 hp at 3500 rpm"),
    ("curves", 2, "torque", "", "torque [lb-ft]", "is needed, or power"),
    ("curves", 2, "rpm", "", "rpm", "is needed"),
    ("kits", 2, "contents", "G02; F2", "contents", "is not the id of a part; did you mean F02?"),
    ("kits", 2, "price", "", "price", "is needed"),
]

SHOWN = {"kits contents G02; F2": "F2", "tires size ": "", "gearsets gear 3 ": "0.86"}


@pytest.mark.parametrize(("sheet", "row", "column", "text", "header", "expected"), CELLS)
def test_a_bad_cell_is_refused_in_its_place(tmp_path, sheet, row, column, text, header, expected):
    folder = small.write(tmp_path, tables=small.with_cell(sheet, row, column, text))
    typed = SHOWN.get(f"{sheet} {column} {text}", text)

    assert (f"{sheet}.csv", row, header, typed, expected) in small.faults_of(folder)


@pytest.mark.parametrize(("sheet", "row", "column", "text", "header", "expected"), CELLS)
def test_one_bad_cell_makes_few_faults(tmp_path, sheet, row, column, text, header, expected):  # noqa: ARG001
    """A fault does not drag along others that vanish with it, but for a missing id or a changed one."""
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell(sheet, row, column, text)))

    assert len(found) == 1 or column == "id"


def test_the_message_says_file_row_column_typed_and_expected(tmp_path):
    with pytest.raises(ScenarioError) as refused:
        read_scenario(small.write(tmp_path, tables=small.with_cell("tires", 2, "mass", "-12")))

    assert str(refused.value) == (
        "1 fault in the scenario; nothing was read\n"
        "tires.csv row 2, mass [lb]: '-12' must be at least 4.41 lb and at most 132 lb"
    )
    assert refused.value.exit_code == 3


WORDS = [
    ("wheels", "work", "gearbx out", "is not one of the jobs in car.toml; did you mean gearbox out?"),
    ("wheels", "slots", "front wheel", "is not one of the slots in car.toml; did you mean front wheels?"),
    ("wheels", "slots", "engine", "is a slot for kind engine, and this is of kind wheel"),
    ("wheels", "needs", "T3", "is not the id or a tag of any part; did you mean T03?"),
    ("wheels", "needs", "areo", "is not the id or a tag of any part; did you mean aero?"),
    ("wheels", "not with", "X02", "is not the id or a tag of any part; did you mean X01?"),
    ("wheels", "axle", "reer", "must be one of front, rear; did you mean rear?"),
]


@pytest.mark.parametrize(("sheet", "column", "text", "expected"), WORDS)
def test_unknown_words_come_with_the_nearest_known_one(tmp_path, sheet, column, text, expected):
    tables = small.with_column(sheet, column, "", text)

    assert small.faults_of(small.write(tmp_path, tables=tables)) == [
        (f"{sheet}.csv", 3, column, text, expected)
    ]


def test_known_words_are_accepted(tmp_path):
    tables = small.with_column("wheels", "needs", "", "T03; aero; roll bar")

    assert read_scenario(small.write(tmp_path, tables=tables)).parts["W02"].needs == (
        "T03",
        "aero",
        "roll bar",
    )


HEADERS = [
    ("tires", "mass", "mas [lb]", "is not a column of the sheet tires; did you mean mass?"),
    ("tires", "notes", "colour", "is not a column of the sheet tires"),
    ("wheels", "bolt pattern", "Bolt Circle", "is not a column of the sheet wheels; did you mean bolt pattern?"),
    ("tires", "mass", "weight [lb]", "is not a column of the sheet tires; did you mean mass?"),
    ("tires", "mass", "mass", "needs a unit, one of kg, lb, g, oz; such as mass [lb]"),
    ("tires", "mass", "mass [stone]", "the unit 'stone' is not one of kg, lb, g, oz"),
    ("tires", "mass", "mass_stone", "the unit 'stone' is not one of kg, lb, g, oz"),
    (
        "tires",
        "max pressure",
        "max pressure [psia]",
        "the unit 'psia' is absolute pressure; tire pressures are gauge: write psi",
    ),
    ("tires", "rolling", "rolling coefficient [%]", "takes no unit"),
    ("tires", "price", "price [EUR]", "must be in the event's currency, USD"),
    ("tires", "notes", "Mass (kg)", "stands in the header twice; the other is 'mass [lb]'"),
    ("tires", "notes", "inertia_basis", "stands in the header twice"),
]


@pytest.mark.parametrize(("sheet", "column", "header", "expected"), HEADERS)
def test_a_bad_header_is_refused_in_its_place(tmp_path, sheet, column, header, expected):
    folder = small.write(tmp_path, tables=small.with_cell(sheet, 1, column, header))

    assert (f"{sheet}.csv", 1, header, "", expected) in small.faults_of(folder)


def test_a_sheet_without_a_header_is_one_fault(tmp_path):
    tables = small.sheets()
    del tables["kits"][0]

    expected = (
        "names no column of the sheet kits; the first row must hold names such as id, name, price, "
        "and a title above them must begin with #"
    )
    assert small.faults_of(small.write(tmp_path, tables=tables)) == [
        ("kits.csv", 1, "", "K01, used gearbox, $750, G02; F02, 1, no", expected)
    ]


def test_pieces_written_onto_the_id_are_understood_and_refused(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("kits", 3, "contents", "T02x4")))

    expected = "is not the id of a part; leave a space before the number of pieces: T02 x4"
    assert found == [("kits.csv", 3, "contents", "T02x4", expected)]


def test_a_bad_unit_is_one_fault_not_one_a_row(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("tires", 1, "mass", "mass [stone]")))

    assert len(found) == 1


def test_a_missing_required_column_is_one_fault(tmp_path):
    found = small.faults_of(
        small.write(tmp_path, tables=small.without_column("tires", "rolling coefficient"))
    )

    assert found == [("tires.csv", 1, "rolling coefficient", "", "is needed: the sheet has no such column")]


BEYOND = (
    "stands beyond the header, which names {} columns; a value that holds ',' must stand in quotation marks"
)


def test_a_row_one_cell_too_long(tmp_path):
    """An unquoted comma would shift every column after it."""
    small.write(tmp_path)
    lines = (tmp_path / "wheels.csv").read_text().splitlines()
    lines[2] = lines[2].replace('"', "").replace("W02,light", "W02,light,alloy")
    (tmp_path / "wheels.csv").write_text("\n".join(lines))

    assert small.faults_of(tmp_path) == [
        (
            "wheels.csv",
            3,
            "cell 14",
            "",
            BEYOND.format(13),
        )
    ]


def test_blank_cells_beyond_the_header_are_harmless(tmp_path):
    tables = small.sheets()
    tables["wheels"] = [[*row, "", ""] for row in tables["wheels"]]
    padded = read_scenario(small.write(tmp_path / "padded", tables=tables))

    assert small.content(padded) == small.content(read_scenario(small.write(tmp_path / "plain")))


def test_values_under_no_header(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("tires", 1, "notes", "")))

    expected = BEYOND.format(15)
    assert ("tires.csv", 2, "cell 16", "on the car", expected) in found


def test_values_under_a_blank_header_in_the_middle(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("tires", 1, "name", "")))

    assert ("tires.csv", 2, "cell 2", "touring", "stands in a column without a name") in found


def test_a_comma_in_a_sheet_of_semicolons_is_not_guessed(tmp_path):
    """1,100 is eleven hundred here and one point one elsewhere."""
    tables = small.without_thousands(small.sheets())
    tables["wheels"][1][small.column_of(tables["wheels"], "load rating")] = "1,100"

    assert small.faults_of(small.write(tmp_path, tables=tables, separator=";")) == [
        (
            "wheels.csv",
            2,
            "load rating [lb]",
            "1,100",
            "has a decimal comma or one between thousands: write 1.100 or 1100",
        )
    ]


def test_a_decimal_comma_beside_decimal_points_is_not_guessed(tmp_path):
    """Whoever writes both may have meant 1.100 as eleven hundred; cents are told by their two digits."""
    tables = small.without_thousands(small.sheets())
    tables["wheels"][1][small.column_of(tables["wheels"], "center bore")] = "57,1"
    tables["wheels"][2][small.column_of(tables["wheels"], "price")] = "$1.640,50"

    expected = "has a decimal comma, and other numbers here have a decimal point: write 57.1"
    assert small.faults_of(small.write(tmp_path, tables=tables, separator=";")) == [
        ("wheels.csv", 2, "center bore [mm]", "57,1", expected)
    ]


# --- engines


def test_a_loop_of_bases(tmp_path):
    tables = small.with_cell("engines", 3, "base", "E03")

    assert small.faults_of(small.write(tmp_path, tables=tables)) == [
        ("engines.csv", 3, "base", "E03", "leads back to itself: E02 -> E03 -> E02"),
        ("engines.csv", 4, "base", "E02", "leads back to itself: E03 -> E02 -> E03"),
    ]


def test_an_engine_that_is_its_own_base(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("engines", 4, "base", "E03")))

    assert found == [("engines.csv", 4, "base", "E03", "leads back to itself: E03 -> E03")]


def test_an_unknown_base(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("engines", 4, "base", "E0")))

    assert found == [("engines.csv", 4, "base", "E0", "is not the id of an engine; did you mean E03?")]


def test_an_engine_with_neither_curve_nor_base(tmp_path):
    tables = small.with_cell("engines", 3, "base", "")
    tables["engines"][2][small.column_of(tables["engines"], "torque factor")] = ""

    found = small.faults_of(small.write(tmp_path, tables=tables))
    assert (
        "engines.csv",
        3,
        "curve",
        "",
        "is needed: the name of a curve in the sheet curves, or a base",
    ) in found


def test_an_uncorrected_curve_needs_the_air_of_the_day(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("engines", 2, "correction", "none")))

    needed = "is needed where the correction is none"
    assert ("engines.csv", 2, "dyno pressure", "", needed) in found
    assert ("engines.csv", 2, "dyno temperature", "", needed) in found


def test_a_curve_in_two_places(tmp_path):
    tables = small.sheets()
    tables["curves"].insert(3, ["E09", "1000", "50", ""])
    tables["curves"].insert(4, ["E09", "2000", "50", ""])

    found = small.faults_of(small.write(tmp_path, tables=tables))
    assert (
        "curves.csv",
        6,
        "engine",
        "E01",
        "stands in two places; keep the rows of a curve together",
    ) in found


def test_a_curve_no_engine_names_is_a_notice(tmp_path):
    tables = small.sheets()
    tables["curves"] += [["spare", "1000", "50", ""], ["spare", "2000", "50", ""]]

    assert read_scenario(small.write(tmp_path, tables=tables)).notices == (
        "the curve spare is named by no engine",
    )
