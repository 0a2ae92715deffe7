"""Slips of people who keep their sheets by hand: none is taken in silence, and each makes one fault that helps."""

from __future__ import annotations

import openpyxl
import pytest
import small

from optimizer.scenario.bounds import Bounds
from optimizer.scenario.reading import read_scenario


def notices(folder):
    """All remarks about a folder that can be read."""
    return read_scenario(folder).notices


# --- values outside all physical sense, in the unit that was typed

IMPOSSIBLE = [
    ("tires", "mass", "9000", "mass [lb]", "must be at least 4.41 lb and at most 132 lb"),
    ("tires", "mass", "0.09", "mass [lb]", "must be at least 4.41 lb and at most 132 lb"),
    ("tires", "rolling", "0.085", "rolling coefficient", "must be at least 0.001 and at most 0.05"),
    ("tires", "max pressure", "510", "max pressure [psi]", "must be at least 7.25 psi and at most 145 psi"),
    ("wheels", "center bore", "5.4", "center bore [mm]", "must be at least 30 mm and at most 200 mm"),
    ("wheels", "offset", "380", "offset [mm]", "must be at least -150 mm and at most 150 mm"),
    ("wheels", "load rating", "60", "load rating [lb]", "must be at least 110 lb and at most 6,614 lb"),
    ("rotors", "diameter", "240", "diameter [in]", "must be at least 3.94 in and at most 23.6 in"),
    ("rotors", "caliper", "302", "caliper envelope [in]", "must be at least 3.94 in and at most 31.5 in"),
    ("rotors", "max rise", "4000", "max rise [F]", "must be at least 18 degF and at most 2,700 degF"),
    ("final_drives", "ratio", "335", "ratio", "must be at least 1 and at most 15"),
    ("final_drives", "ratio", "10/41", "ratio", "must be at least 1 and at most 15"),
    ("engines", "displacement", "1.298", "displacement [cc]",
     "must be at least 20 cc and at most 10,000 cc; if 1298 is meant, write it so"),
    ("engines", "rev limit", "680", "rev limit [rpm]", "must be at least 1,000 rpm and at most 30,000 rpm"),
    ("engines", "inertia", "95", "inertia [lb ft2]", "must be at least 0 and at most 47.5 lb ft2"),
    ("extras", "position", "-3000", "position [in]", "must be at least -118 in and at most 394 in"),
    ("extras", "front ride", "-25", "front ride height change [in]", "must be at least -11.8 in and at most 11.8 in"),
]  # fmt: skip


@pytest.mark.parametrize(("sheet", "column", "text", "header", "expected"), IMPOSSIBLE)
def test_impossible_values_are_refused_with_the_range(tmp_path, sheet, column, text, header, expected):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell(sheet, 2, column, text)))

    assert found == [(f"{sheet}.csv", 2, header, text, expected)]


def test_a_rim_width_in_millimeters(tmp_path):
    tables = small.with_column("tires", "rim width max [in]", "152")

    expected = "must be at least 2.5 in and at most 14 in"
    assert small.faults_of(small.write(tmp_path, tables=tables)) == [
        ("tires.csv", 2, "rim width max [in]", "152", expected)
    ]


def test_a_torque_factor_written_as_a_factor(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("engines", 3, "torque factor", "1.07")))

    expected = "must be at least 30 % and at most 300 %"
    assert found == [("engines.csv", 3, "torque factor [%]", "1.07", expected)]


SETTINGS = [
    ("car", '"1,730 lb"', '"17,300 lb"', "car.mass", "must be at least 441 lb and at most 11,023 lb"),
    ("car", '"92 in"', '"2340 in"', "car.wheelbase", "must be at least 39.4 in and at most 236 in"),
    ("car", '"6.4 ft2"', '"64 ft2"', "car.drag_area", "must be at least 0.538 ft2 and at most 43.1 ft2"),
    ("car", '"44 psi"', '"440 psi"', "car.front.tire_pressure", "must be at least 7.25 psi and at most 145 psi"),
    ("event", '"72 F"', '"72 C"', "weather[1].temperature", "must be at least -53.1 C and at most 61.9 C"),
    ("event", '"3 mph"', '"300 mph"', "weather[1].wind_speed", "must be at least 0 and at most 112 mph"),
    ("event", '"104.5 mph"', '"1045 mph"', "classes[1].record", "must be at least 11.2 mph and at most 447 mph"),
    ("event", 'timed = "1 mi"', 'timed = "100 mi"', "course.timed", "must be at least 0.0186 mi and at most 12.4 mi"),
]


@pytest.mark.parametrize(("file", "old", "new", "key", "expected"), SETTINGS)
def test_impossible_settings_are_refused_with_the_range(tmp_path, file, old, new, key, expected):
    text = getattr(small, file.upper())
    assert old in text
    found = small.faults_of(small.write(tmp_path, **{file: text.replace(old, new, 1)}))

    assert [(each[2], each[4]) for each in found] == [(key, expected)]


def test_ends_of_a_range_belong_to_it():
    assert not Bounds(1.0, 2.0).complaint(1.0, str)
    assert not Bounds(1.0, 2.0).complaint(2.0, str)
    assert Bounds(1.0, 2.0, low_included=False).complaint(1.0, str) == "must be greater than 1.0 and at most 2.0"


def test_no_message_speaks_of_how_far_a_sensor_may_read_under_the_least():
    assert not Bounds(0.0, 2.0, slack=0.5).complaint(-0.5, str)
    assert Bounds(0.0, 2.0, slack=0.5).complaint(-0.6, str) == "must be at least 0.0 and at most 2.0"


# --- values that do not go together


def test_a_slip_in_a_torque_curve(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("curves", 4, "torque", "780")))

    expected = "makes more than twice the torque of the rows above and below it"
    assert found == [("curves.csv", 4, "torque [lb-ft]", "780", expected)]


def test_a_slip_in_a_power_curve(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("curves", 5, "power", "8")))

    expected = "makes less than half the torque of the rows above and below it"
    assert found == [("curves.csv", 5, "power [hp]", "8", expected)]


def test_a_launch_above_the_rev_limit(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("engines", 2, "launch rpm", "7000")))

    expected = "does not fit: it launches at 7,000 rpm, the limit is 6,800"
    assert ("engines.csv", 2, "launch rpm", "7000", expected) in found


def test_a_rev_limit_far_beyond_the_curve(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("engines", 3, "rev limit", "9800")))

    expected = "does not fit its curve, which goes from 2000 to 7200 rpm"
    assert found == [("engines.csv", 3, "rev limit [rpm]", "9800", expected)]


def test_a_rev_limit_a_little_beyond_the_curve_is_a_notice(tmp_path):
    folder = small.write(tmp_path, tables=small.with_cell("engines", 3, "rev limit", "7500"))

    said = "its curve ends at 7200 rpm, below its rev limit of 7500 rpm; the last torque is used between them"
    assert notices(folder) == (f"engines.csv row 3, E02: {said}",)


def test_a_caliper_smaller_than_its_rotor(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("rotors", 2, "caliper", "9")))

    assert found == [("rotors.csv", 2, "caliper envelope [in]", "9", "is less than the diameter of the rotor")]


def test_more_heat_mass_than_mass(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("rotors", 2, "heat mass", "12")))

    assert found == [("rotors.csv", 2, "heat mass [lb]", "12", "is more than the mass of the whole rotor")]


def test_a_part_that_takes_all_drag_away(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("extras", 2, "drag area", "-6.5")))

    expected = "takes away more than the car's drag area of 6.4 ft2"
    assert found == [("extras.csv", 2, "drag area change [ft2]", "-6.5", expected)]


def test_a_part_that_lowers_the_car_into_the_ground(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("extras", 2, "front ride", "-5")))

    expected = "lowers more than the ride height of 5 in"
    assert found == [("extras.csv", 2, "front ride height change [in]", "-5", expected)]


def test_an_extra_for_every_slot_is_a_notice(tmp_path):
    second = '\n[[slots]]\nname = "nose"\nkind = "extra"\nrequired = false\nfitted = "none"\n'

    assert notices(small.write(tmp_path, car=small.CAR + second)) == (
        "extras.csv row 2, X01 names no slots: it is offered in all 2 slots for extras",
    )


# --- words that rules go by


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('allowed = ["road", "competition"]', 'allowed = ["raod", "competition"]', "road"),
        ('allowed = ["road", "competition"]', 'forbidden = ["competiton"]', "competition"),
        ('field = "category"\nallowed = ["road", "competition"]', 'field = "tags"\nforbidden = ["aeros"]', "aero"),
    ],
)
def test_a_misspelled_word_in_a_rule_does_not_forbid_nothing(tmp_path, old, new, expected):
    assert old in small.EVENT
    found = small.faults_of(small.write(tmp_path, event=small.EVENT.replace(old, new)))

    assert [each[4] for each in found] == [f"is carried by no part; did you mean {expected}?"]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('carries = ["roll bar"]\n', "", "'roll bar', nor does the car: every build is held below the speed"),
        ('field = "category"\nallowed = ["road", "competition"]', 'carry = "cage"', "'cage', nor does the car: no bu"),
        ('allowed = ["road", "competition"]', 'forbidden = ["slick"]', "'slick', nor does the car: nothing is kept"),
    ],
)
def test_what_follows_from_a_word_that_nothing_carries_is_said(tmp_path, old, new, said):
    assert old in small.EVENT
    found = notices(small.write(tmp_path, event=small.EVENT.replace(old, new)))

    assert any(f"no part carries {said}" in each for each in found), found


def test_a_rule_on_forced_induction_says_yes_or_no(tmp_path):
    old = 'field = "displacement"\nmaximum = "1,500 cc"'
    event = small.EVENT.replace(old, 'field = "forced induction"\nforbidden = ["blown"]')
    found = small.faults_of(small.write(tmp_path, event=event))

    assert [each[3:] for each in found] == [("blown", "is not yes or no")]


def test_case_of_a_listed_word_means_nothing(tmp_path):
    event = small.EVENT.replace('allowed = ["road", "competition"]', 'allowed = ["Road", "Competition"]')

    assert notices(small.write(tmp_path, event=event)) == ()


def test_a_misspelled_category_of_the_event(tmp_path):
    event = small.EVENT.replace('carries = ["roll bar"]', 'carries = ["roll bar"]\ntire_categories = ["raod"]')
    found = small.faults_of(small.write(tmp_path, event=event))

    assert [each[2:] for each in found] == [
        ("event.tire_categories", "raod", "is carried by no part; did you mean road?")
    ]


def test_a_misspelled_category_of_a_tire(tmp_path):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("tires", 3, "category", "raod")))

    expected = "is a category of no other tire and in no rule; did you mean road?"
    assert found == [("tires.csv", 3, "category", "raod", expected)]


def test_a_tag_that_just_misses_a_rule_is_a_notice(tmp_path):
    """The bracket asks for a roll bar, which the car carries; the part's tag is spelled otherwise."""
    tables = small.with_cell("extras", 2, "tags", "rollbar")

    assert notices(small.write(tmp_path, tables=tables)) == (
        "extras.csv row 2, X01: no rule and no part goes by its tag 'rollbar'; did you mean roll bar?",
    )


# --- sheets as a whole


def test_a_short_row_is_a_notice(tmp_path):
    small.write(tmp_path)
    path = tmp_path / "wheels.csv"
    lines = path.read_text().splitlines()
    path.write_text("\n".join([*lines[:2], lines[2].rsplit(",", 2)[0]]))

    said = "what is missing at the end was taken as blank: see that nothing is missing in the middle"
    assert notices(tmp_path) == (f"wheels.csv row 3 has fewer cells than the header; {said}",)


def test_a_title_above_the_header_is_one_fault(tmp_path):
    small.write(tmp_path)
    path = tmp_path / "wheels.csv"
    path.write_text("My wheels\n" + path.read_text())

    found = small.faults_of(tmp_path)
    assert [each[:4] for each in found] == [("wheels.csv", 1, "", "My wheels")]
    assert found[0][4].endswith("and a title above them must begin with #")


@pytest.mark.parametrize("called", ["tire.csv", "tires.txt", "tires.csv.txt", "Tyres.xlsx"])
def test_a_missing_sheet_is_one_fault_that_names_the_file_meant(tmp_path, called):
    small.write(tmp_path)
    (tmp_path / "tires.csv").rename(tmp_path / called)

    expected = f"is missing: a slot takes a tire; {called} is there, but must be called tires.csv or tires.xlsx"
    assert small.faults_of(tmp_path) == [("tires.csv", 0, "", "", expected)]


def test_a_misspelled_tab_is_one_fault_that_names_it(tmp_path):
    tables = small.sheets()
    small.write_workbook(tmp_path, {("tyres" if name == "tires" else name): rows for name, rows in tables.items()})

    expected = "is missing: a slot takes a tire; parts.xlsx [tyres] is there, but must be called tires"
    assert small.faults_of(tmp_path) == [("tires.csv", 0, "", "", expected)]


def test_missing_curves_are_one_fault(tmp_path):
    small.write(tmp_path)
    (tmp_path / "curves.csv").unlink()

    expected = "is missing: engines have their curves in it"
    assert small.faults_of(tmp_path) == [("curves.csv", 0, "", "", expected)]


def test_a_letter_for_a_digit_in_an_id_is_told_beside_a_missing_sheet(tmp_path):
    small.write(tmp_path, tables=small.with_cell("kits", 3, "contents", "TO2 x4; W02 x4"))
    (tmp_path / "rotors.csv").unlink()

    assert [(each[0], each[4]) for each in small.faults_of(tmp_path)] == [
        ("kits.csv", "is not the id of a part; did you mean T02?"),
        ("rotors.csv", "is missing: a slot takes a rotor"),
    ]


def test_the_tab_called_like_the_sheet_is_read(tmp_path):
    small.write(tmp_path)
    (tmp_path / "engines.csv").unlink()
    book = openpyxl.Workbook()
    book.active.title = "to do"
    book.active.append(["ring the tuner"])
    tab = book.create_sheet("Engines")
    for row in small.SHEETS["engines"]:
        tab.append([small._value(text) for text in row])
    book.save(tmp_path / "engines.xlsx")

    assert notices(tmp_path) == ("engines.xlsx [to do] is not one of the sheets and was not read",)


KITS = [
    ("G02, F02", "G02, F02", "is not the id of a part; separate the parts of a kit by semicolons"),
    ("4x T02", "4x T02", "is not the id of a part; the number of pieces stands behind the id: T02 x4"),
]


@pytest.mark.parametrize(("text", "typed", "expected"), KITS)
def test_contents_of_kits_say_how_they_are_written(tmp_path, text, typed, expected):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("kits", 2, "contents", text)))

    assert found == [("kits.csv", 2, "contents", typed, expected)]


@pytest.mark.parametrize("text", ["?", "n/a", "TBD", "-"])
def test_what_is_not_known_is_left_blank(tmp_path, text):
    found = small.faults_of(small.write(tmp_path, tables=small.with_cell("tires", 2, "max pressure", text)))

    expected = "is no number; leave it blank where it is not known"
    assert found == [("tires.csv", 2, "max pressure [psi]", text, expected)]


def test_a_list_separated_by_commas(tmp_path):
    tables = small.with_column("wheels", "needs", "", "T03, aero")

    expected = "is not the id or a tag of any part; a list is separated by semicolons"
    assert small.faults_of(small.write(tmp_path, tables=tables)) == [
        ("wheels.csv", 3, "needs", "T03, aero", expected)
    ]


# --- TOML files


@pytest.mark.parametrize(
    ("file", "old", "new", "key", "meant"),
    [
        ("car", "wheelbase =", "weelbase =", "car.weelbase", "wheelbase"),
        ("car", "[car.front]", "[car.frnt]", "car.frnt", "front"),
        ("car", "[[jobs]]", "[[job]]", "job", "jobs"),
        ("car", "[[slots]]", "[[slot]]", "slot", "slots"),
        ("event", "[[salts]]", "[[salt]]", "salt", "salts"),
        ("event", "[course]", "[curse]", "curse", "course"),
    ],
)
def test_a_misspelled_key_or_table_is_one_fault(tmp_path, file, old, new, key, meant):
    """What it should have held is not missed as well, and no name it would have given is called unknown."""
    changed = getattr(small, file.upper()).replace(old, new)
    found = small.faults_of(small.write(tmp_path, **{file: changed}))

    line = small.line_of(changed, new)
    assert found == [(f"{file}.toml", line, key, "", f"is not a key of this table; did you mean {meant}?")]


@pytest.mark.parametrize("file", ["car", "event"])
def test_an_empty_toml_file_is_one_fault(tmp_path, file):
    assert small.faults_of(small.write(tmp_path, **{file: "\n"})) == [(f"{file}.toml", 0, "", "", "is empty")]


def test_a_file_that_cannot_be_read_hides_no_fault_of_the_other(tmp_path):
    event = small.EVENT.replace('class = "J/production"', 'class = "J/prod"')
    found = small.faults_of(small.write(tmp_path, car=small.CAR.replace('"92 in"', "92 in"), event=event))

    assert [each[0] for each in found] == ["car.toml", "event.toml"]
    assert found[1][4] == "is not one of the classes; did you mean J/production?"


def test_one_fault_is_told_once(tmp_path):
    """A name that two rules of the event share would be found again with the rules of every class."""
    rule = '\n[[rules]]\nname = "car tires"\ncarry = "roll bar"\n'
    second = '\n[[classes]]\nname = "K"\nrecord = "90 mph"\n'
    found = small.faults_of(small.write(tmp_path, event=small.EVENT + rule + second))

    assert [each[2:4] for each in found] == [("rules[2].name", "car tires")]


# --- advice made of what was typed

ADVICE = [
    ("event", '"4,200 ft"', '"420"', 'such as "420 m" or "420 ft"'),
    ("car", '"92 in"', '"2.420"', 'such as "2.420 m"'),
    ("car", '"92 in"', '"92"', 'such as "92 in"'),
    ("car", '"92 in"', '"0.001"', "one of mm, cm, m, in, ft"),
    ("car", '"92 in"', '"2,420 m"', "a comma is read as one between thousands: if 2.420 m is meant, write it so"),
    ("car", '"1,730 lb"', '"1.730 lb"', "if 1730 lb is meant, write it so"),
    ("car", '"1,730 lb"', '"10,730 t"', "unit 't' is not one of kg, lb, g, oz"),
    ("event", "rolling_coefficient = 0.020", 'rolling_coefficient = "0,019"', "has a decimal comma; write 0.019"),
    ("event", "cost = 400", 'cost = "0,500"', "has a decimal comma; write 0.500"),
]


@pytest.mark.parametrize(("file", "old", "new", "advice"), ADVICE)
def test_advice_is_made_of_what_was_typed(tmp_path, file, old, new, advice):
    """420 above the sea are no miles, 2.420 no inches between axles, and 0,019 is no 19."""
    text = getattr(small, file.upper())
    assert text.count(old) >= 1
    (found,) = small.faults_of(small.write(tmp_path, **{file: text.replace(old, new, 1)}))

    assert found[4].endswith(advice)
