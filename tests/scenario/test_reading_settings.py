"""Every fault of car.toml and event.toml is refused at its key and line; all faults stand in one report."""

from __future__ import annotations

import pytest
import small

from optimizer.scenario.keys import RULE_FIELDS
from optimizer.scenario.reading import read_scenario

# --- car.toml and event.toml: (file, text replaced, by, key, typed, expected)

SETTINGS = [
    (
        "car",
        'fitted = "R01"',
        'fitted = "R1"',
        "slots[5].fitted",
        "R1",
        "is not a part of the sheets; did you mean R01?",
    ),
    (
        "car",
        'fitted = "R01"',
        'fitted = "W01"',
        "slots[5].fitted",
        "W01",
        "is a wheel, but the slot takes a rotor",
    ),
    (
        "car",
        'fitted = "G01"',
        'fitted = "none"',
        "slots[7].fitted",
        "none",
        "leaves a required slot empty; name a part, or write required = false",
    ),
    (
        "car",
        'kind = "gearset"',
        'kind = "gear set"',
        "slots[7].kind",
        "gear set",
        "must be one of tire, wheel, rotor, final drive, gearset, engine, extra; did you mean gearset?",
    ),
    (
        "car",
        'name = "belly pan"',
        'name = "engine"',
        "slots[9].name",
        "engine",
        "is taken already in line 90",
    ),
    (
        "car",
        'work = ["brakes apart"]',
        'work = ["brakes"]',
        "slots[5].work",
        "brakes",
        "is not one of the jobs; did you mean brakes apart?",
    ),
    (
        "car",
        'front_share = "61 %"',
        'front_share = "161 %"',
        "car.front_share",
        "161 %",
        "must be at least 5 % and at most 95 %",
    ),
    (
        "car",
        'front_share = "61 %"',
        "front_share = 61",
        "car.front_share",
        "61",
        "must be at least 5 % and at most 95 %; a percentage has its sign: 61 %",
    ),
    (
        "car",
        'wheelbase = "92 in"',
        "wheelbase = 92",
        "car.wheelbase",
        "92",
        'needs its unit, one of mm, cm, m, in, ft; such as "92 in"',
    ),
    (
        "car",
        'wheelbase = "92 in"',
        'wheelbase = "92 lb"',
        "car.wheelbase",
        "92 lb",
        "unit 'lb' is not one of mm, cm, m, in, ft",
    ),
    ("car", 'wheelbase = "92 in"\n', "", "car.wheelbase", "", "is needed"),
    (
        "car",
        "wheelbase =",
        "wheel_base =",
        "car.wheel_base",
        "",
        "is not a key of this table; did you mean wheelbase?",
    ),
    ("car", 'drive = "front"', "drive = true", "car.drive", "yes", "must be one of front, rear, all"),
    (
        "car",
        'basis = "measured"',
        'basis = "weighed"',
        "car.mass",
        "weighed",
        "must be measured, rated or assumed; who says so may follow a colon",
    ),
    (
        "car",
        'by = "corner scales, May"',
        'who = "scales"',
        "car.mass",
        "",
        "must be a value, or { value, basis, by }",
    ),
    (
        "car",
        'driveline_efficiency = "93 %"',
        'driveline_efficiency = "40 %"',
        "car.driveline_efficiency",
        "40 %",
        "must be at least 50 % and at most 100 %",
    ),
    (
        "car",
        'offset_max = "45 mm"\nmax',
        'offset_max = "25 mm"\nmax',
        "car.front.offset_max",
        "25 mm",
        "is less than offset_min",
    ),
    (
        "car",
        'ride_height = "5 in"',
        "ride_height = nan",
        "car.front.ride_height",
        "nan",
        "must be a finite number",
    ),
    (
        "event",
        'salt = "ordinary"\nrating',
        'salt = "ordinry"\nrating',
        "event.salt",
        "ordinry",
        "is not one of the salts; did you mean ordinary?",
    ),
    (
        "event",
        'class = "J/production"',
        'class = "J/prod"',
        "event.class",
        "J/prod",
        "is not one of the classes; did you mean J/production?",
    ),
    ("event", 'record = "104.5 mph"\n', "", "classes[1].record", "", "is needed"),
    (
        "event",
        'salt = "firm"',
        'salt = "frim"',
        "fast_case.salt",
        "frim",
        "is not one of the salts; did you mean firm?",
    ),
    ("event", "grip = 0.48", "grip = 2.5", "salts[2].grip", "2.5", "must be greater than 0 and at most 2"),
    ("event", "grip = 0.48", "grip = inf", "salts[2].grip", "inf", "must be a finite number"),
    ("event", 'name = "ordinary"', 'name = "firm"', "salts[2].name", "firm", "is taken already in line 27"),
    ("event", "runs = 1", "runs = 3", "scoring.runs", "3", "must be 1 or 2"),
    ("event", 'temperature = "72 F"\n', "", "weather[1].temperature", "", "is needed"),
    (
        "event",
        'pressure = "25.9 inHg"',
        'pressure = "12.7 psi"',
        "weather[1].pressure",
        "12.7 psi",
        "unit 'psi' may be gauge or absolute; station pressure is absolute: write psia or inHg",
    ),
    ("event", "wind_from = 250\n", "", "weather[1].wind_from", "", "is needed where there is wind"),
    ("event", "bearing = 40\n", "", "course.bearing", "", "is needed where there is wind"),
    (
        "event",
        'field = "displacement"',
        'field = "displacment"',
        "classes[1].rules[1].field",
        "displacment",
        f"must be one of {', '.join(RULE_FIELDS)}; did you mean displacement?",
    ),
    (
        "event",
        'maximum = "1,500 cc"',
        "maximum = 1500",
        "classes[1].rules[1].maximum",
        "1500",
        'needs its unit, one of cc, L, ci, m3; such as "1500 cc"',
    ),
    (
        "event",
        'maximum = "1,500 cc"\n',
        "",
        "classes[1].rules[1].field",
        "displacement",
        "needs allowed, forbidden, minimum or maximum beside it",
    ),
    (
        "event",
        'requires = "roll bar"',
        'requires = "rollbar"',
        "classes[1].brackets[1].requires",
        "rollbar",
        "is carried by no part; did you mean roll bar?",
    ),
    (
        "event",
        "date = 2026-09-14",
        'date = "Sept 14"',
        "event.date",
        "Sept 14",
        "must be a date written year-month-day, such as 2026-09-14",
    ),
    (
        "event",
        'currency = "USD"',
        'currency = "dollars"',
        "event.currency",
        "dollars",
        "must be one of USD, EUR, GBP, AUD, NZD, CAD",
    ),
    (
        "event",
        'gentle = "0.12 g"',
        "gentle = 0.12",
        "stopping.gentle",
        "0.12",
        'needs its unit, one of g, m/s2; such as "0.12 g"',
    ),
]


@pytest.mark.parametrize(("file", "old", "new", "key", "typed", "expected"), SETTINGS)
def test_a_bad_setting_is_refused_in_its_place(tmp_path, file, old, new, key, typed, expected):
    text = getattr(small, file.upper())
    assert old in text
    changed = text.replace(old, new, 1)
    found = small.faults_of(small.write(tmp_path, **{file: changed}))

    shown = [(each[0], each[2], each[3], each[4]) for each in found]
    assert (f"{file}.toml", key, typed, expected) in shown


@pytest.mark.parametrize(
    ("file", "old", "new", "line"),
    [
        ("car", 'fitted = "R01"', 'fitted = "R1"', 'fitted = "R1"'),
        ("event", "grip = 0.48", "grip = 9", "grip = 9"),
    ],
)
def test_a_fault_of_a_setting_gives_its_line(tmp_path, file, old, new, line):
    changed = getattr(small, file.upper()).replace(old, new, 1)
    found = small.faults_of(small.write(tmp_path, **{file: changed}))

    assert [fault[1] for fault in found] == [small.line_of(changed, line)]


def test_syntax_of_toml_gives_line_and_column(tmp_path):
    found = small.faults_of(small.write(tmp_path, car='[car]\nname = "Sparrow\nmass = 1\n'))

    expected = "is not TOML: text that begins with a quotation mark must end with one on the same line"
    assert ("car.toml", 2, "column 16", 'name = "Sparrow', expected) in found


def test_a_value_with_a_unit_outside_quotation_marks(tmp_path):
    car = small.CAR.replace('wheelbase = "92 in"', "wheelbase = 92 in")
    found = small.faults_of(small.write(tmp_path, car=car))

    line = small.line_of(car, "wheelbase")
    assert [fault[:4] for fault in found] == [("car.toml", line, "column 16", "wheelbase = 92 in")]
    assert found[0][4].endswith("; a value with a unit stands in quotation marks")


def test_a_key_given_twice(tmp_path):
    found = small.faults_of(
        small.write(tmp_path, event=small.EVENT.replace("runs = 1", "runs = 1\nruns = 2"))
    )

    line = small.line_of(small.EVENT, "runs = 1") + 1
    assert found[0][:2] == ("event.toml", line)
    assert found[0][4].startswith("is not TOML: Cannot overwrite a value")


def test_missing_files(tmp_path):
    small.write(tmp_path)
    (tmp_path / "car.toml").unlink()
    (tmp_path / "event.toml").unlink()

    found = small.faults_of(tmp_path)
    assert ("car.toml", 0, "", "", "is missing from the folder") in found
    assert ("event.toml", 0, "", "", "is missing from the folder") in found
    begin = "holds neither a car nor an event: saltmile new FOLDER makes a folder to begin with"
    assert (str(tmp_path), 0, "", "", begin) in found
    (tmp_path / "event.toml").write_text(small.EVENT)
    assert begin not in {each[4] for each in small.faults_of(tmp_path)}


def test_a_missing_folder(tmp_path):
    assert small.faults_of(tmp_path / "nowhere") == [
        (str(tmp_path / "nowhere"), 0, "", "", "is not a folder")
    ]
    (tmp_path / "my_car").mkdir()
    (tmp_path / "my_cat").touch()
    assert small.faults_of(tmp_path / "my_cra")[0][-1] == "is not a folder; did you mean my_car?"
    assert small.faults_of(tmp_path / "nowhere" / "else")[0][-1] == "is not a folder"


def test_a_fitted_part_must_be_allowed_where_it_is(tmp_path):
    tables = small.with_cell("rotors", 2, "axle", "rear")

    assert [fault[2:] for fault in small.faults_of(small.write(tmp_path, tables=tables))] == [
        ("slots[5].fitted", "R01", "is for the rear axle only, says rotors.csv row 2")
    ]


def test_a_car_has_one_engine_and_tires_on_both_axles(tmp_path):
    car = small.CAR.replace(
        'name = "rear tires"\nkind = "tire"\naxle = "rear"', 'name = "x"\nkind = "tire"\naxle = "front"'
    )
    car += '\n[[slots]]\nname = "second engine"\nkind = "engine"\nfitted = "E01"\n'
    said = [fault[4] for fault in small.faults_of(small.write(tmp_path, car=car))]

    assert "needs exactly one slot of kind engine, not 2" in said
    assert "needs one slot of kind tire on the front axle, not 2" in said
    assert "needs one slot of kind tire on the rear axle, not 0" in said


@pytest.mark.parametrize(
    ("check", "part", "column", "typed", "expected"),
    [
        (
            "tyre age",
            "T01",
            "check",
            "tyre age",
            "is not the name of a check or rule; did you mean tire age?",
        ),
        ("tire age", "T1", "part", "T1", "is not the id of a part; did you mean T01?"),
        (
            "1.5 litres",
            "T01",
            "check",
            "1.5 litres",
            "is not the name of a check or rule; did you mean 1.5 liters?",
        ),
    ],
)
def test_overrides_name_known_checks_and_parts(tmp_path, check, part, column, typed, expected):
    event = small.EVENT + f'\n[[overrides]]\ncheck = "{check}"\npart = "{part}"\nreason = "x"\nby = "y"\n'

    found = small.faults_of(small.write(tmp_path, event=event))
    assert [fault[2:] for fault in found] == [(f"overrides[1].{column}", typed, expected)]


def test_every_built_in_check_and_rule_may_be_overridden(tmp_path):
    names = ["tire age", "rotor limit unknown", "1.5 liters", "car tires"]
    event = small.EVENT + "".join(
        f'\n[[overrides]]\ncheck = "{name}"\npart = "T01"\nreason = "x"\nby = "y"\n' for name in names
    )
    scenario = read_scenario(small.write(tmp_path, event=event))

    assert [override.check for override in scenario.event.overrides] == names


# --- all at once


def test_every_fault_of_every_file_is_in_one_report(tmp_path):
    tables = small.with_cell("tires", 2, "mass", "-12")
    tables["tires"][2][small.column_of(tables["tires"], "size")] = "big"
    tables["wheels"][1][small.column_of(tables["wheels"], "offset")] = "NaN"
    tables["kits"][1][small.column_of(tables["kits"], "contents")] = "G99"
    car = small.CAR.replace('fitted = "R01"', 'fitted = "R1"')
    event = small.EVENT.replace("grip = 0.48", "grip = 9")
    found = small.faults_of(small.write(tmp_path, car=car, event=event, tables=tables))

    assert [fault[:1] + fault[2:3] for fault in found] == [
        ("car.toml", "slots[5].fitted"),
        ("event.toml", "salts[2].grip"),
        ("kits.csv", "contents"),
        ("tires.csv", "mass [lb]"),
        ("tires.csv", "size"),
        ("wheels.csv", "offset [mm]"),
    ]


def test_a_part_with_a_bad_cell_is_still_a_known_part(tmp_path):
    """Fitted, in a kit and with a bad mass: one fault, not three."""
    tables = small.with_cell("gearsets", 3, "mass", "x")

    assert len(small.faults_of(small.write(tmp_path, tables=tables))) == 1


def test_limits_on_weight_and_displacement_are_kept_as_typed(tmp_path):
    """The dot may stand between thousands: what is read is 2 cc and 1 kg, and somebody must be told."""
    event = small.EVENT.replace('"1,500 cc"', '"2.000 cc"').replace('"1,500 lb"', '"1.000 kg"')
    assert event.count("2.000") == event.count("1.000 kg") == 1
    displacement, mass = read_scenario(small.write(tmp_path, event=event)).limits

    line = 1 + event[: event.index("2.000")].count("\n")
    assert displacement.where == f"event.toml line {line}, classes[1].rules[1].maximum"
    assert (displacement.typed, displacement.dimension) == ("2.000 cc", "volume")
    assert displacement.value == pytest.approx(2e-6)
    assert (mass.typed, mass.value, mass.dimension, mass.race_class) == ("1.000 kg", 1.0, "mass", "J/production")


@pytest.mark.parametrize("typed", ["€", "eur", " EUR "])
def test_a_currency_by_its_code_in_any_case_or_by_a_symbol_that_only_it_has(tmp_path, typed):
    scenario = read_scenario(_in_euros(tmp_path, typed))

    assert scenario.event.currency == "EUR"
    assert scenario.parts["T02"].price_cents == 11850


@pytest.mark.parametrize(
    ("typed", "near"), [("$", ""), ("euros", "; did you mean EUR?")], ids=["one symbol of four", "a word"]
)
def test_a_currency_that_cannot_be_told_is_one_fault_and_not_one_a_price(tmp_path, typed, near):
    found = small.faults_of(_in_euros(tmp_path, typed))

    expected = f"must be one of USD, EUR, GBP, AUD, NZD, CAD{near}"
    assert [each[2:] for each in found] == [("event.currency", typed, expected)]


def _in_euros(folder, currency):
    """The small scenario with all its money in euros, and a currency typed as given."""
    tables = {
        name: [[text.replace("$", "€") for text in row] for row in rows]
        for name, rows in small.sheets().items()
    }
    event = small.EVENT.replace("$", "€").replace('"USD"', f'"{currency}"')
    return small.write(folder, car=small.CAR.replace("$", "€"), event=event, tables=tables)


def test_directions_may_be_points_of_the_compass(tmp_path):
    """WNW is 292.5 degrees, as in a sheet of timing slips."""
    event = small.EVENT.replace("bearing = 40", 'bearing = "WNW"').replace("wind_from = 250", 'wind_from = "sw"')
    scenario = read_scenario(small.write(tmp_path, event=event))

    assert scenario.event.course.bearing_deg == 292.5
    assert scenario.event.weather[0].wind_from_deg == 225.0


@pytest.mark.parametrize("typed", ["NNN", "400", "-10", "12 mph"])
def test_a_direction_that_is_none(tmp_path, typed):
    found = small.faults_of(small.write(tmp_path, event=small.EVENT.replace("bearing = 40", f'bearing = "{typed}"')))

    expected = "must be degrees from north, 0 to 360, or a point of the compass such as NW"
    assert [each[2:] for each in found] == [("course.bearing", typed, expected)]


def test_a_key_by_the_name_it_has_elsewhere(tmp_path):
    car = small.CAR.replace("bolt_pattern", "bolt_circle", 1)

    expected = "is not a key of this table; did you mean bolt_pattern?"
    assert [each[2:] for each in small.faults_of(small.write(tmp_path, car=car))] == [
        ("car.front.bolt_circle", "", expected)
    ]
