"""Parts on offer are read like those of the sheets, and the crew's own files stay as they are."""

from __future__ import annotations

import dataclasses
import pathlib

import pytest
import small

from optimizer.errors import ScenarioError
from optimizer.scenario.event import Scenario
from optimizer.scenario.offers import with_offers
from optimizer.scenario.parts import Engine, Gearset, Tire
from optimizer.scenario.reading import read_scenario

TIRE = 'tire X1 "size=165/65R14 79T" "mass=14 lb" price=$79 "rolling coefficient=0.008" "max pressure=51 psi"'


@pytest.fixture(name="scenario")
def _scenario(tmp_path: pathlib.Path) -> Scenario:
    return read_scenario(small.write(tmp_path / "crew"))


def faults(scenario: Scenario, *, sheets=(), lines=()) -> list[tuple[str, int, str, str, str]]:
    """Every fault of some offers, as plain tuples."""
    with pytest.raises(ScenarioError) as refused:
        with_offers(scenario, sheets, lines)
    return [dataclasses.astuple(fault) for fault in refused.value.faults]


def sheet(path: pathlib.Path, name: str, *rows: int, **new: str) -> pathlib.Path:
    """Some rows of a sheet of the scenario as a sheet of offers, with the columns given changed in all of them."""
    table = small.sheets()[name]
    kept = [table[0], *(table[row - 1] for row in rows)]
    for column, text in new.items():
        for row in kept[1:]:
            row[small.column_of(table, column)] = text
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(small.csv_text(kept), encoding="utf-8")
    return path


# --- what is read


def test_a_typed_line_is_the_same_part_as_a_row_of_a_sheet(scenario, tmp_path):
    """T02 of the crew's sheet, typed as a line and written as a sheet of its own under another id."""
    line = (
        'tire Y2 name="narrow eco" "mass=~14.2 lb" price=$118.50 "price for=each" fitting=15 '
        '"size=165/65R14 79T" category=road "rolling coefficient=0.0085" "max pressure=51 psi" made=3025'
    )
    path = sheet(tmp_path / "offers" / "my-tires.csv", "tires", 3, id="Y1")
    more, ids = with_offers(scenario, [path], [line])
    assert ids == ("Y1", "Y2")
    own, written, typed = (more.parts[each] for each in ("T02", "Y1", "Y2"))
    same = {"id": "", "where": ""}
    assert dataclasses.replace(written, **same) == dataclasses.replace(own, **same)
    assert dataclasses.replace(typed, **same) == dataclasses.replace(own, **same)
    assert written.where == f"{path} row 2"
    assert typed.where == "typed offer 1"


def test_the_scenario_stays_as_it_is(scenario):
    """Its parts and their order, its kits, car and event are those it had, whatever was changed in them since."""
    asked = dataclasses.replace(scenario, event=dataclasses.replace(scenario.event, budget_cents=1))
    more, ids = with_offers(asked, lines=[TIRE, 'kit price=$900 contents="X1 x4; W02 x4"'])
    assert ids == ("X1", "offer-1")
    assert list(more.parts)[: len(scenario.parts)] == list(scenario.parts)
    assert all(more.parts[each] is part for each, part in scenario.parts.items())
    assert more.kits[:-1] == scenario.kits
    assert more.kits[-1].contents == (("X1", 4), ("W02", 4))
    assert (more.car, more.event.budget_cents) == (scenario.car, 1)
    assert [each.quantity for each in more.assumptions if "X1" in each.where]


def test_ids_left_out_are_numbered_past_those_taken(scenario):
    bare = TIRE.replace(" X1", "")
    _, ids = with_offers(scenario, lines=[bare, TIRE.replace("X1", "offer-2"), bare])
    assert ids == ("offer-1", "offer-2", "offer-3")


def test_gears_in_one_key(scenario):
    """With blanks between them, or semicolons where one has blanks itself."""
    lines = [
        'gearset A mass="24 lb" "ratios=3.25 38/20 1.36 1.05" fits="transaxle B"',
        'gearset B mass="24 lb" "ratios=38/11 x 24/23; 1.9; 1.36" fits="transaxle B" price=$600',
    ]
    more, _ = with_offers(scenario, lines=lines)
    first, second = more.parts["A"], more.parts["B"]
    assert isinstance(first, Gearset)
    assert isinstance(second, Gearset)
    assert first.ratios == (3.25, 1.9, 1.36, 1.05)
    assert second.ratios == pytest.approx((38 / 11 * 24 / 23, 1.9, 1.36))
    assert (first.price_cents, second.price_cents) == (None, 60_000)


def test_kinds_in_the_words_of_slots_and_of_sheets(scenario):
    """An engine takes over what it leaves out from its base, in the crew's own sheet."""
    lines = [
        "engine M base=E01 'torque factor=110 %' price=500",
        'final drive D1 ratio=3.5 mass="12 lb"',
        "Final_Drives D2 ratio=3.6 mass_lb=12",
        TIRE.replace("tire", "TIRES"),
    ]
    more, ids = with_offers(scenario, lines=lines)
    assert [more.parts[each].kind for each in ids] == ["engine", "final drive", "final drive", "tire"]
    base, tuned = more.parts["E01"], more.parts["M"]
    assert isinstance(base, Engine)
    assert isinstance(tuned, Engine)
    assert base.curve is not None
    assert tuned.curve is not None
    assert tuned.curve.torque_nm == pytest.approx([1.1 * each for each in base.curve.torque_nm])
    assert tuned.mass_kg == base.mass_kg
    assert more.parts["D1"].mass_kg == more.parts["D2"].mass_kg


def test_an_engine_with_a_curve_of_its_own(scenario, tmp_path):
    """Curves may be on offer too, beside an engine that names them; the crew's own may not be changed."""
    curves = tmp_path / "curves_of_the_shop.csv"
    curves.write_text("engine,rpm,torque [lb-ft]\nhot,2000,75\nhot,7000,70\n")
    line = 'engine H curve=hot displacement="1298 cc" "rev limit=7000" mass="230 lb" inertia="2.6 lb ft2" price=900'
    more, _ = with_offers(scenario, [curves], [line])
    engine = more.parts["H"]
    assert isinstance(engine, Engine)
    assert engine.curve is not None
    assert engine.curve.rpm == (2000, 7000)
    curves.write_text("engine,rpm,torque [lb-ft]\nE01,7500,75\nE01,8000,70\n")
    found = faults(scenario, sheets=[curves])
    assert found == [(str(curves), 2, "engine", "E01", "stands in two places; keep the rows of a curve together")]


def test_workbooks(scenario, tmp_path):
    """Tabs that are called like sheets; without one, the file's name says what its first tab holds."""
    tables = {name: rows for name, rows in small.sheets().items() if name in ("tires", "wheels")}
    for rows in tables.values():
        for row in rows[1:]:
            row[0] = "N" + row[0]
    tables["tires"] = [[text for text, head in zip(row, tables["tires"][0], strict=True) if head != "owned"]
                       for row in tables["tires"]]  # fmt: skip
    book = small.write_workbook(tmp_path / "shop", tables) / "parts.xlsx"
    _, ids = with_offers(scenario, [book])
    assert ids == ("NT01", "NT02", "NT03", "NW01", "NW02")
    single = small.write_workbook(tmp_path / "other", {"Sheet1": tables["wheels"]}) / "parts.xlsx"
    _, ids = with_offers(scenario, [single.rename(single.with_name("Wheels of May.xlsx"))])
    assert ids == ("NW01", "NW02")


def test_the_files_of_the_crew_are_not_changed(scenario, tmp_path):
    """Not a byte, and no file more."""
    folder = pathlib.Path(scenario.folder)
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    path = sheet(tmp_path / "wheels.csv", "wheels", 3, id="V1")
    with_offers(scenario, [path], [TIRE])
    faults(scenario, lines=[TIRE.replace("X1", "T01")])
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


# --- what is refused


def test_all_faults_of_all_offers_at_once(scenario, tmp_path):
    """Ids that exist, bad cells, unknown columns, files that are no sheets: each with its place."""
    path = sheet(tmp_path / "wheels.csv", "wheels", 2, 3, price="€3")
    lines = [TIRE.replace("X1", "T02"), 'rotor "mass=9 lb"', "tyre X5 size=3", TIRE.replace("14 lb", "14")]
    found = faults(scenario, sheets=[path, tmp_path / "none.csv"], lines=lines)
    own = "; give the offer an id of its own"
    for expected in (
        (str(path), 2, "id", "W01", "is taken already, in wheels.csv row 2" + own),
        (str(path), 3, "id", "W02", "is taken already, in wheels.csv row 3" + own),
        (str(path), 3, "price", "€3", "is in EUR, but the event counts in USD"),
        (str(tmp_path / "none.csv"), 0, "", "", "is not a file: name a sheet of parts, such as tires.csv"),
        ("typed offer 1", 0, "id", "T02", "is taken already, in tires.csv row 3" + own),
        ("typed offer 2", 0, "diameter", "", "is needed: outside diameter, with its unit, such as in"),
        ("typed offer 4", 0, "mass", "14", 'needs its unit, one of kg, lb, g, oz; such as "14 lb"'),
    ):
        assert expected in found
    assert any(file == "typed offer 3" and words.endswith("did you mean tire?") for file, *_, words in found)


@pytest.mark.parametrize(
    ("line", "ending"),
    [
        ("Gearbox 600", "kit; did you mean gearset (with its final drive: kit)?"),
        ("tyres X1", "kit; did you mean tire?"),
        ("wing X1", "engine, extra, kit"),
    ],
)
def test_another_word_for_a_kind_of_part(scenario, line, ending):
    ((*_, typed, words),) = faults(scenario, lines=[line])
    assert typed == line
    assert words.endswith(ending)


@pytest.mark.parametrize(
    ("line", "column", "typed", "words"),
    [
        ("", "", "", "must begin with what it is: one of tire, wheel, rotor, final drive, gearset, engine, extra, kit"),
        ('tire X1 mass="14 lb', "", 'tire X1 mass="14 lb', "has quotation marks that do not pair up"),
        (TIRE + " mass_lb=3", "mass_lb", "", "stands in the header twice; the other is 'mass'"),
        (TIRE + " color=red", "color", "", "is not a column of the sheet tires"),
        (TIRE + " black", "", "black", "must be COLUMN=VALUE"),
        (TIRE + " owned=2", "owned", "2", "is for what the crew has"),
        (TIRE + " needs=wings", "needs", "wings", "is not the id or a tag of any part"),
        ('gearset "ratios=1 2 3 4 5 6 7" "mass=9 lb"', "ratios", "1 2 3 4 5 6 7", "must be 1 to 6 ratios"),
        ('gearset "ratios=1 2" "mass=20 lb"', "gear 2", "2", "must be less than gear 1, 1"),
        ('kit price=$9 contents="T99 x4"', "contents", "T99", "is not the id of a part"),
        ('kit contents="T02 x4"', "price", "", "is needed: price of the whole kit"),
        ("engine base=E99", "base", "E99", "is not the id of an engine"),
    ],
)
def test_what_is_wrong_with_a_line(scenario, line, column, typed, words):
    """Each is told by the column, what was typed, and what was expected."""
    found = faults(scenario, lines=[line])
    assert [each for each in found if each[:4] == ("typed offer 1", 0, column, typed) and each[4].startswith(words)]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("things.csv", "has a name that does not say what is in it"),
        ("tires and wheels.csv", "has a name that means tires and wheels; leave one of them"),
        ("tires.ods", "cannot be read in this format; save it as .csv or .xlsx"),
        ("tires.txt", "is no sheet; save it as .csv or .xlsx"),
    ],
)
def test_files_that_say_not_what_they_are(scenario, tmp_path, name, words):
    path = sheet(tmp_path / name, "tires", 3, id="Y1")
    assert [each[4].startswith(words) for each in faults(scenario, sheets=[path])] == [True]


def test_a_sheet_in_the_folder_one_is_in_is_told_from_the_crews_own(scenario, tmp_path, monkeypatch):
    sheet(tmp_path / "tires.csv", "tires", 3, id="Y1", mass="heavy")
    monkeypatch.chdir(tmp_path)
    assert [each[:3] for each in faults(scenario, sheets=["tires.csv"])] == [("./tires.csv", 2, "mass [lb]")]


def test_a_kind_that_no_slot_takes(tmp_path):
    """A car without slots for rotors has no use for one."""
    car = small.CAR
    start = car.index('[[slots]]\nname = "front rotors"')
    rest = car[start + 9 :]
    tables = {name: rows for name, rows in small.sheets().items() if name != "rotors"}
    folder = small.write(tmp_path / "bare", car=car[:start] + rest[rest.index("[[") :], tables=tables)
    line = 'rotor "mass=9 lb" "diameter=9 in" "caliper envelope=12 in"'
    found = faults(read_scenario(folder), lines=[line])
    assert [each[3:] for each in found] == [
        ("rotor", "fits no slot: those of the car take engine, extra, final drive, gearset, tire, wheel")
    ]


def test_a_tire_on_offer_is_a_tire(scenario):
    more, (each,) = with_offers(scenario, lines=[TIRE])
    part = more.parts[each]
    assert isinstance(part, Tire)
    assert (part.size.rim_diameter_in, part.load_index, part.price_cents) == (14, 79, 7900)
    assert part.mass_kg == pytest.approx(14 * 0.45359237)
