"""The sheets of the demo: large, plausible, kept as a builder keeps them, with odd rows that do not fit."""

import csv
import re
import zipfile

import numpy as np
import pytest

from optimizer.choice.legality import legality_of
from tests.scenes import DEMO, Scene, axle_set

SHEETS = ("tires", "wheels", "rotors", "final_drives", "gearsets", "extras", "kits", "curves")


@pytest.fixture(scope="module")
def demo():
    return Scene(DEMO)


# --- size and looks of the sheets ---------------------------------------------------------------------------


def test_demo_is_large_enough_to_need_a_search(demo):
    """Slots, parts of each kind and combinations are as many as the demo promises."""
    kinds = [part.kind for part in demo.scenario.parts.values()]

    assert len(demo.options.slots) >= 11
    assert sum(not slot.required for slot in demo.options.slots) >= 3
    assert kinds.count("tire") >= 30
    assert kinds.count("wheel") >= 25
    for axle in ("front", "rear"):
        assert sum(part.kind == "rotor" and part.axle == axle for part in demo.scenario.parts.values()) >= 12
    assert kinds.count("final drive") >= 14
    assert kinds.count("gearset") >= 8
    assert kinds.count("engine") >= 4
    assert len(demo.scenario.kits) >= 4
    assert np.prod([float(size) for size in demo.options.sizes]) > 1e12


def test_one_sheet_is_a_real_workbook():
    """At least one sheet of the demo is a binary XLSX, and it is not there as a CSV too."""
    book = DEMO / "engines.xlsx"

    assert zipfile.is_zipfile(book)
    assert "xl/workbook.xml" in zipfile.ZipFile(book).namelist()
    assert not (DEMO / "engines.csv").exists()


def test_sheets_look_as_a_builder_keeps_them():
    """Money, size codes, bolt patterns, guesses, tooth counts, comments, blanks: as typed by hand."""
    rows = [
        row for name in SHEETS for row in csv.reader((DEMO / f"{name}.csv").read_text("utf-8").splitlines())
    ]
    cells = [cell for row in rows for cell in row]

    for pattern in (
        r"\$\d,\d{3}",  # $1,320
        r"\$\d,\d{3}\.\d{2}",  # $1,020.50
        r"\d{3}/\d{2}R\d{2} \d{2}[A-Z]",  # 175/65R14 82H
        r"\d{3}/\d{2}ZR\d{2}",
        r"4x100",
        r"4x4\.5 in",
        r"~\d.*",
        r"\d{2}/\d{2}",  # tooth counts
        r"\d{2}:\d{2}",
        r"T\d\d x4; W\d\d x4",
        r"measured: .+",
        r"# .+",
        r"set|pair",
        r"",
    ):
        assert any(re.fullmatch(pattern, cell) for cell in cells), pattern
    header_units = {unit for row in rows for cell in row for unit in re.findall(r"\[(.+)\]", cell)}
    assert {"lb", "in", "mm", "psi", "lbf", "ft2", "lb ft2", "lb-ft", "h", "%", "K"} <= header_units


def test_every_column_of_the_demo_is_explained():
    """The README of the demo names every column that its sheets have."""
    readme = (DEMO / "README.md").read_text("utf-8")
    for name in SHEETS:
        header = (DEMO / f"{name}.csv").read_text("utf-8").splitlines()[0]
        for cell in header.split(","):
            column = re.sub(r"\s*\[.*\]", "", cell).removesuffix(" basis")
            column = re.sub(r"^gear [2-5]$", "gear 1", column)

            assert f"`{column}`" in readme, f"{name}: {column}"


def test_salt_is_always_assumed(demo):
    """Nobody has measured salt: each of its numbers is marked as assumed in the demo."""
    for salt in demo.scenario.event.salts.values():
        assert {salt.bases[name].kind for name in ("rolling_coefficient", "grip")} == {"assumed"}, salt.name
    assert {"firm", "ordinary", "soft"} < set(demo.scenario.event.salts)


# --- plausibility -------------------------------------------------------------------------------------------


def test_tire_mass_follows_size(demo):
    """Mass grows with width times diameter, within a tenth for every tire of a car."""
    tires = [p for p in demo.scenario.parts.values() if p.kind == "tire" and p.category != "motorcycle"]
    area = np.array([tire.size.section_width_m * tire.size.diameter_m for tire in tires])
    mass = np.array([tire.mass_kg for tire in tires])
    slope = float(area @ mass / (area @ area))

    assert np.abs(mass / (slope * area) - 1).max() < 0.12


def test_rolling_follows_construction(demo):
    """Narrow hard tires roll at 0.006 to 0.009, sticky ones at 0.011 to 0.015, salt not counted."""
    tires = [part for part in demo.scenario.parts.values() if part.kind == "tire"]
    hard = [tire.rolling_coefficient for tire in tires if "hard" in tire.tags]
    sticky = [tire.rolling_coefficient for tire in tires if "sticky" in tire.tags]

    assert len(hard) >= 8
    assert len(sticky) >= 4
    assert 0.006 <= min(hard) <= max(hard) <= 0.009
    assert 0.011 <= min(sticky) <= max(sticky) <= 0.015


def test_lighter_wheels_cost_more(demo):
    """Of wheels of one size that fit the car, the lightest is the dearest."""
    wheels = demo.options.parts[demo.options.position("front wheels")]
    wheels = [wheel for wheel in wheels if not demo.why_not("front wheels", wheel.id) and wheel.id != "W30"]
    by_size = {}
    for wheel in wheels:
        by_size.setdefault((wheel.rim_diameter_in, wheel.rim_width_in), []).append(wheel)

    compared = [group for group in by_size.values() if len(group) > 1]

    assert len(compared) >= 4
    for group in compared:
        assert min(group, key=lambda wheel: wheel.mass_kg) is max(group, key=lambda w: w.price_cents / w.pack)


def test_heat_mass_is_part_of_the_rotor(demo):
    """No rotor takes heat with more than it weighs."""
    for part in demo.scenario.parts.values():
        if part.kind == "rotor":
            assert 0.5 * part.mass_kg < part.heat_mass_kg < part.mass_kg, part.id


# --- odd rows that turn out not to fit ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("slot", "part", "check"),
    [
        ("front tires", "T19", "tire category"),  # retread
        ("front tires", "T20", "tire age"),
        ("front tires", "T32", "tire rating unknown"),  # a bare ZR
        ("front tires", "T34", "tire pressure"),
        ("front tires", "T35", "wheelhouse"),
        ("front tires", "T36", "tire category"),  # temporary spare
        ("front tires", "T40", "tire category"),  # motorcycle
        ("front tires", "T02", "no winter tread"),
        ("front tires", "T22", "road tires only"),
        ("front wheels", "W10", "wheel rating unknown"),
        ("front wheels", "W13", "bolt pattern"),
        ("front wheels", "W24", "bolt pattern"),
        ("front wheels", "W25", "bolt pattern"),
        ("front wheels", "W23", "center bore"),
        ("front wheels", "W26", "wheel offset"),
        ("rear rotors", "RR13", "rotor limit unknown"),
        ("final drive", "F16", "housing"),
        ("gearset", "G10", "housing"),
        ("engine", "E06", "no blown engines"),
        ("engine", "E07", "size of engine"),
        ("wheel discs", "D1", "no wheel discs"),
        ("mirrors and trim", "M3", "body outline kept"),
    ],
)
def test_odd_rows_are_refused_by_name(demo, slot, part, check):
    """Each odd row of the sheets is kept out by the check it was written for."""
    assert check in demo.why_not(slot, part)


def test_too_little_load_is_refused(demo):
    """A load index of 60 does not carry the front corner, and a 500 lb wheel does not either."""
    assert "corner load" in demo.violations(axle_set("T01", "W01", "front"))
    assert "wheel load" in demo.violations({"front wheels": "W30"})


def test_smoothed_class_lets_in_what_as_built_keeps_out(demo):
    """Wheel discs, salt tires and the blown engine are for the other class; the 1.6 is for none."""
    smoothed = legality_of(demo.options, demo.scenario.event.classes["Smoothed 1500"])

    def allowed(slot, part):
        s = demo.options.position(slot)
        return not smoothed.forbidden[s][[p.id for p in demo.options.parts[s]].index(part)]

    assert allowed("wheel discs", "D2")
    assert allowed("front tires", "T22")
    assert allowed("engine", "E06")
    assert not allowed("engine", "E07")
    assert smoothed.pairs[demo.options.position("front wheels"), demo.options.position("wheel discs")].any()


def test_car_as_it_stands_is_legal(demo):
    """The fitted parts break no rule and pass the checks of a run, within the budget."""
    assert demo.violations({}) == set()
    assert demo.failed_checks({}) == set()
    assert demo.dollars({}) == 1270.40
