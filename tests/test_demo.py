"""The demo scenario and the starter: they read without faults, and every promised trade-off is there."""

import csv
import pathlib
import re
import zipfile

import numpy as np
import pytest

import optimizer
from optimizer.choice.legality import legality_of
from optimizer.choice.options import options_of
from optimizer.choice.price import PriceBook
from optimizer.run.judge import CHECKS, Judge
from optimizer.run.model import RunModel
from optimizer.scenario.reading import read_scenario

DEMO = pathlib.Path(__file__).parent.parent / "catalogs_demo" / "thrennel_flat"
STARTER = pathlib.Path(optimizer.__file__).parent / "starter"
SHEETS = ("tires", "wheels", "rotors", "final_drives", "gearsets", "extras", "kits", "curves")

VAN_GEARBOX = {"gearset": "G07", "final drive": "F08"}


class Scene:
    """The demo with what the tests ask of it: reasons, prices and runs of builds given as changes."""

    def __init__(self, folder):
        self.scenario = read_scenario(folder)
        self.options = options_of(self.scenario)
        self.legality = legality_of(self.options)
        self.book = PriceBook(self.options)
        self.judge = Judge(RunModel(self.options))

    def part(self, part_id):
        return self.scenario.parts[part_id]

    def kit(self, kit_id):
        return next(kit for kit in self.scenario.kits if kit.id == kit_id)

    def build(self, changes):
        return self.options.encode(changes)

    def why_not(self, slot, part_id):
        """Names of the checks that keep a part out of a slot whatever else is chosen."""
        s = self.options.position(slot)
        ids = [part.id for part in self.options.parts[s]]
        return {reason.check for reason in self.legality.part_reasons.get((s, ids.index(part_id)), ())}

    def violations(self, changes):
        return {reason.check for reason in self.legality.violations(self.build(changes))}

    def dollars(self, changes):
        prices = self.book.price(self.build(changes)[None])
        assert prices.available[0]
        return int(prices.cents[0]) / 100

    def hours(self, changes):
        return float(self.book.price(self.build(changes)[None]).hours[0])

    def mph(self, changes):
        return float(self.judge.speeds(self.build(changes)[None])[0]) * 3600 / 1609.344

    def failed_checks(self, changes):
        """Names of the checks of a run that a build fails."""
        row = self.build(changes)[None]
        passes = self.judge.judge(row, self.judge.runs(row)).passes[:, 0]
        return {name for name, passed in zip(CHECKS, passes, strict=True) if not passed}


@pytest.fixture(scope="module")
def demo():
    return Scene(DEMO)


@pytest.fixture(scope="module")
def starter():
    return Scene(STARTER)


def axle_set(tire, wheel, *axles):
    """Changes that put a tire and a wheel on one axle or both."""
    return {f"{axle} {kind}": part for axle in axles for kind, part in (("tires", tire), ("wheels", wheel))}


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


# --- trade-offs ---------------------------------------------------------------------------------------------


def test_fastest_tire_has_too_low_a_speed_symbol(demo):
    """The hard T tire beats every road tire, and its symbol is too low for the fast day; the H one passes."""
    quick = {"engine": "E02", "safety set": "SA1", **VAN_GEARBOX}
    t_rated = quick | axle_set("T09", "W07", "front", "rear")
    h_rated = quick | axle_set("T10", "W07", "front", "rear")

    assert demo.violations(t_rated) == demo.violations(h_rated) == set()
    assert demo.mph(t_rated) > demo.mph(h_rated) > demo.mph(quick)
    assert "tire speed" in demo.failed_checks(t_rated)
    assert demo.failed_checks(h_rated) == set()


def test_brakes_rule_out_the_smallest_wheels(demo):
    """No front rotor inside a 12 takes the heat; inside a 13 one does, and the fitted one is too big."""
    rotors = [part.id for part in demo.options.parts[demo.options.position("front rotors")]]

    def inside(wheel):
        pairs = {rotor: demo.violations({"front wheels": wheel, "front rotors": rotor}) for rotor in rotors}
        return {rotor for rotor, reasons in pairs.items() if "brake clearance" not in reasons}

    takes_heat = {each for each in rotors if "rotor rise" not in demo.failed_checks({"front rotors": each})}

    assert inside("W01") == {"RF04"}
    assert inside("W03") == {"RF03", "RF04", "RF05", "RF13"}
    assert "RF01" in takes_heat
    assert inside("W01") & takes_heat == set()
    assert inside("W03") & takes_heat == {"RF05"}


def test_gearbox_is_opened_once_for_two_changes(demo):
    """Gearset, final drive and flywheel together cost one job, not three."""
    apart = sum(
        demo.dollars(change) - demo.dollars({})
        for change in ({"gearset": "G02"}, {"final drive": "F10"}, {"flywheel": "Y2"})
    )
    together = demo.dollars({"gearset": "G02", "final drive": "F10", "flywheel": "Y2"}) - demo.dollars({})

    # Resale of what comes off is in both sums alike.
    assert apart - together == pytest.approx(2 * demo.scenario.car.jobs["gearbox out"].cost_cents / 100)
    assert demo.hours({"gearset": "G02", "final drive": "F10"}) == demo.hours({"gearset": "G02"})


def test_used_gearbox_is_gearset_and_final_drive_in_one(demo):
    """Its two parts are not sold on their own: either costs the whole box, both cost no more."""
    assert demo.part("G07").price_cents is None
    assert demo.part("F08").price_cents is None
    assert demo.kit("K01").contents == (("G07", 1), ("F08", 1))

    other_final = demo.dollars({"gearset": "G07"})
    both = demo.dollars(VAN_GEARBOX)

    assert both <= other_final
    # It is the cheapest way to put fifth gear to use: no new set with a final drive to match costs less.
    for gearset in ("G02", "G03", "G04", "G05"):
        assert demo.dollars({"gearset": gearset, "final drive": "F10"}) > both


def test_used_gearbox_is_what_the_car_needs(demo):
    """As it stands fourth is on the limiter and fifth too long; the van's box gains miles per hour."""
    assert demo.mph(VAN_GEARBOX) > demo.mph({}) + 1.5


def test_four_wheels_in_a_lot_are_cheaper(demo):
    """Two lots of four cost less than the same wheels one by one."""
    for kit_id, wheel in (("K02", "W14"), ("K08", "W11")):
        kit = demo.kit(kit_id)

        assert kit.contents == ((wheel, 4),)
        assert kit.price_cents < 4 * demo.part(wheel).price_cents


def test_mounted_tires_bring_their_fitting(demo):
    """The mounted 14s cost what the kit says and no fitting; the parts one by one cost more."""
    kit, tire, wheel = demo.kit("K03"), demo.part("T10"), demo.part("W11")
    loose = 4 * (tire.price_cents + tire.fitting_cents + wheel.price_cents + wheel.fitting_cents)

    assert kit.fitting_included
    assert kit.price_cents < loose
    # Four fitted wheels and four fitted tires come off and are sold.
    sold = 4 * (demo.part("T12").resale_cents + demo.part("W07").resale_cents) / 100
    changed = demo.dollars(axle_set("T10", "W11", "front", "rear"))
    assert changed == pytest.approx(demo.dollars({}) + kit.price_cents / 100 - sold)


def test_spare_set_of_15s_costs_nothing(demo):
    """The 15s in the shed are owned: they cost only the fitting of their tires, less what comes off."""
    owned = axle_set("T28", "W16", "front", "rear")
    fitting = 4 * (demo.part("T28").fitting_cents + demo.part("W16").fitting_cents) / 100
    sold = 4 * (demo.part("T12").resale_cents + demo.part("W07").resale_cents) / 100

    assert demo.violations(owned) == set()
    assert demo.dollars(owned) == pytest.approx(demo.dollars({}) + fitting - sold)


def test_class_record_lies_above_the_safety_bracket(demo):
    """Without the safety set the car is held below the record plus its margin, however fast it could be."""
    race = demo.scenario.race_class
    bracket = next(each for each in race.brackets if each.requires == "safety set 1")
    planned = race.record_ms * (1 + race.record_margin)

    assert bracket.above_ms - bracket.hold_off_ms < planned < bracket.above_ms * 1.02
    assert {"SA1", "SA2"} == {
        part.id for part in demo.scenario.parts.values() if "safety set 1" in part.tags
    }
    fast = {"engine": "E04", "springs": "S2", "nose and underside": "N4", **VAN_GEARBOX}
    held_to = (bracket.above_ms - bracket.hold_off_ms) * 3600 / 1609.344
    assert held_to - 0.1 < demo.mph(fast) <= held_to
    assert demo.mph(fast | {"safety set": "SA1"}) > demo.mph(fast) + 1


def test_tune_beats_light_wheels(demo):
    """Forged wheels cost six times the tune and gain a fraction of what it gains."""
    wheels = {"front wheels": "W12", "rear wheels": "W12"}
    tune = {"engine": "E02"}
    base = VAN_GEARBOX

    wheels_gain, tune_gain = (demo.mph(base | change) - demo.mph(base) for change in (wheels, tune))
    wheels_cost, tune_cost = (demo.dollars(base | change) - demo.dollars(base) for change in (wheels, tune))

    assert wheels_cost > 5 * tune_cost
    assert 0 < wheels_gain < 0.25 * tune_gain


def test_budget_binds(demo):
    """The sensible build is affordable; the one with cam and everything is faster and legal, and is not."""
    sensible = {"engine": "E02", "safety set": "SA1", **VAN_GEARBOX}
    wanted = {
        "engine": "E04",
        "safety set": "SA1",
        "springs": "S2",
        "nose and underside": "N4",
        "mirrors and trim": "M2",
        **VAN_GEARBOX,
    }
    budget = demo.scenario.event.budget_cents / 100

    assert 2500 <= budget <= 4000
    assert demo.dollars({}) < demo.dollars(sensible) < budget < demo.dollars(wanted)
    assert demo.violations(sensible) == demo.violations(wanted) == set()
    assert demo.mph(wanted) > demo.mph(sensible) + 1


def test_required_tag_is_carried_by_the_car(demo):
    """The rule asks for a tow eye, and the car brings it: no part has to."""
    rule = next(rule for rule in demo.scenario.race_class.rules if rule.name == "tow eye")

    assert rule.carry == "tow eye"
    assert rule.carry in demo.scenario.event.carries


# --- the starter --------------------------------------------------------------------------------------------


def test_starter_reads_and_runs(starter):
    """It has every kind of part in a few rows each, drives the rear wheels, and is legal as it stands."""
    kinds = {part.kind for part in starter.scenario.parts.values()}

    assert starter.scenario.car.drive == "rear"
    assert kinds == {"tire", "wheel", "rotor", "final drive", "gearset", "engine", "extra"}
    assert len(starter.scenario.parts) <= 40
    assert starter.violations({}) == set()
    assert starter.failed_checks({}) == set()
    assert 80 < starter.mph({}) < 130


def test_starter_has_something_to_gain(starter):
    """A longer final drive and a tune make it faster within its budget."""
    better = {"engine": "E2", "final drive": "F2"}

    assert starter.violations(better) == set()
    assert starter.mph(better) > starter.mph({}) + 1
    assert starter.dollars(better) <= starter.scenario.event.budget_cents / 100


def test_starter_says_that_it_is_invented():
    """Every file of the starter carries the word, and its settings are explained line by line."""
    files = sorted(STARTER.iterdir())

    assert {path.suffix for path in files} == {".toml", ".csv"}
    for path in files:
        assert "INVENTED" in path.read_text("utf-8"), path.name
    for name in ("car.toml", "event.toml"):
        text = (STARTER / name).read_text("utf-8")
        assert text.count("#") > 30, name
