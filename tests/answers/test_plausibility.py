"""Second looks at inputs and results: silent just inside a range, said just outside, as a crew reads it."""

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer import cli, pipeline
from optimizer.answers.plausibility import (
    USUAL,
    Usual,
    doubts_of_inputs,
    mean_effective_pressure,
    peaks,
)
from optimizer.answers.power_in_air import MEANT_FOR
from optimizer.answers.result_doubts import USUAL_RESULTS, doubts_of_record, doubts_of_results, doubts_of_swaps
from optimizer.answers.swaps import Swap
from optimizer.report.wording import Words, second_looks
from optimizer.scenario.event import Salt, TypedLimit
from optimizer.scenario.parts import CurvePoints, TireSize
from optimizer.scenario.reading import read_scenario
from optimizer.units import POUND, shown
from tests.choice.records import (
    make_engine,
    make_extra,
    make_final_drive,
    make_gearset,
    make_rotor,
    make_scenario,
    make_tire,
    make_wheel,
)
from tests.scenes import DEMO, MPH, STARTER

PAGE = (Path(__file__).parents[2] / "docs" / "second-looks.md").read_text("utf-8")
HEADING = "Worth a second look"
LITER = 1e-3
FOOT = 0.3048


def of_car(**changes):
    return doubts_of_inputs(make_scenario(car=changes))


def of_salt(**changes):
    values = {"name": "odd", "rolling_coefficient": 0.03, "grip": 0.5, "slip_at_slide": 0.15} | changes
    salts = {name: replace(Salt(**values), name=name) for name in ("odd", "ordinary", "firm")}
    return doubts_of_inputs(make_scenario(event={"salts": salts}), parts=(), salts=("odd",))


def of_tire(coefficient):
    return doubts_of_inputs(make_scenario([make_tire("T-odd", rolling_coefficient=coefficient)]))


def engine_with(torque_nm, rpm, *, blown=False, **changes):
    """One liter with the same torque at two engine speeds that are close together, up to rpm."""
    values = {
        "curve": CurvePoints((rpm - 1000.0, rpm), (torque_nm, torque_nm)),
        "displacement_m3": LITER,
        "rev_limit_rpm": rpm,
        "forced_induction": blown,
    }
    return make_engine("E-odd", **(values | changes))


def of_engine(*values, **changes):
    return doubts_of_inputs(make_scenario([engine_with(*values, **changes)]), parts=("E-odd",))


def of_torque(pressure_pa, *, blown=False):
    """A liter at 4 pi T / V of mean effective pressure, turned so that its power is 30 kW."""
    torque = pressure_pa * LITER / (4 * math.pi)
    return of_engine(torque, 30e3 / torque * 30 / math.pi, blown=blown)


def of_power(power_w, *, blown=False):
    """A liter at 1 MPa, 79.6 N m, turned as fast as its power asks."""
    return of_engine(79.577, power_w / 79.577 * 30 / math.pi, blown=blown)


def of_mass(make, part_id, **changes):
    return lambda mass_kg: doubts_of_inputs(make_scenario([make(part_id, mass_kg=mass_kg, **changes)]))


def of_sheet(make, *ids, **changes):
    """All of a kind have the same mass: of every sheet three are needed to speak of the middle one."""
    return lambda mass_kg: doubts_of_inputs(make_scenario([make(each, mass_kg=mass_kg, **changes) for each in ids]))


def of_prices(cents, *, pack=1, others=4, make=make_tire):
    """One price among others of 10**9 cents each, so that shares are not rounded; there is money for all of them."""
    alike = [make(f"T-{n}", price_cents=4 * 10**9, pack=4) for n in range(others)]
    parts = [*alike, make("T-odd", price_cents=cents, pack=pack)]
    return doubts_of_inputs(make_scenario(parts, event={"budget_cents": 10**12}))


def of_dear_sheet(share, *, number=5, budget_cents=10**9, asked=()):
    """All tires cost the same share of the budget; none of them is asked about."""
    cents = round(share * 10**9)
    parts = [make_tire(f"T-{n}", price_cents=cents) for n in range(number)]
    return doubts_of_inputs(make_scenario(parts, event={"budget_cents": budget_cents}), parts=asked)


def of_mass_beside(mass_kg, make, *ids):
    """The last of some parts has this mass, all others 10 kg."""
    *alike, odd = ids
    return doubts_of_inputs(make_scenario([*(make(each, mass_kg=10.0) for each in alike), make(odd, mass_kg=mass_kg)]))


def of_limit(dimension):
    return lambda value: doubts_of_inputs(
        replace(make_scenario(), limits=(TypedLimit("event.toml line 7, limits[1].minimum", "1", value, dimension),))
    )


TIRE_M2 = 0.603 * 0.185
"""185/60R15: 15 in and twice 0.6 of 185 mm."""
WHEEL_M2 = math.pi * 0.381 * 0.1524 + math.pi * 0.381**2 / 4
"""15x6: a barrel of 381 by 152.4 mm and a disc of 381 mm."""
ROTORS = "R-front-stock", "R-rear-stock", "R-odd"

INPUTS = {
    "drag area": (lambda value: of_car(drag_area_m2=value), 0.45, 0.95),
    "driveline efficiency": (lambda value: of_car(driveline_efficiency=value), 0.82, 0.97),
    "center of gravity": (lambda value: of_car(cg_height_m=2.0 * value, wheelbase_m=2.0), 0.15, 0.30),
    "shift time": (lambda value: of_car(shift_time_s=value), 0.1, 1.5),
    "salt rolling": (lambda value: of_salt(rolling_coefficient=value), 0.015, 0.07),
    "salt grip": (lambda value: of_salt(grip=value), 0.2, 0.8),
    "slip at slide": (lambda value: of_salt(slip_at_slide=value), 0.05, 0.30),
    "tire rolling": (of_tire, 0.005, 0.02),
    "mean pressure": (of_torque, 0.5e6, 1.25e6),
    "mean pressure, blown": (lambda value: of_torque(value, blown=True), 0.5e6, 2.2e6),
    "power per volume": (lambda value: of_power(value * LITER), 15e6, 80e6),
    "power per volume, blown": (lambda value: of_power(value * LITER, blown=True), 15e6, 150e6),
    "car mass": (lambda value: of_car(mass_kg=4.0 * value, wheelbase_m=2.0), 85.0, 320.0),
    "tire mass": (lambda value: of_mass(make_tire, "T-odd")(TIRE_M2 * value), 40.0, 130.0),
    "wheel mass": (lambda value: of_mass(make_wheel, "W-odd")(WHEEL_M2 * value), 7.0, 50.0),
    "wheel mass, sheet": (
        lambda value: of_sheet(make_wheel, "W-stock", "W-2", "W-3")(WHEEL_M2 * value), 11.0, 38.0
    ),
    "rotor mass": (lambda value: of_mass(make_rotor, "R-odd")(0.24**2 * value), 15.0, 160.0),
    "rotor mass, sheet": (lambda value: of_sheet(make_rotor, *ROTORS)(0.24**2 * value), 33.0, 140.0),
    "mass, beside others": (
        lambda value: of_mass_beside(10 * value, make_final_drive, "F-stock", "F-2", "F-odd"), 0.5, 2.0
    ),
    "weight limit": (of_limit("mass"), 200.0, 5000.0),
    "displacement limit": (of_limit("volume"), 20e-6, 0.01),
    "price": (lambda value: of_prices(round(value * 10**9)), 0.025, 50.0),
    "price, sheet": (of_dear_sheet, None, 1.0),
    "engine mass": (lambda value: of_mass(make_engine, "E-odd", displacement_m3=1.5e-3)(2.5 * value), 20.0, 85.0),
}  # fmt: skip


def test_every_range_has_a_case():
    assert INPUTS.keys() == USUAL.keys()


@pytest.mark.parametrize("which", INPUTS)
def test_an_input_just_outside_is_named_and_one_just_inside_is_not(which):
    """A tenth of a percent to either side of either end."""
    doubts_at, low, high = INPUTS[which]

    for end, outward in ((low, -1), (high, 1)):
        if end is None:
            continue
        assert doubts_at(end * (1 - 0.001 * outward)) == ()
        (doubt,) = doubts_at(end * (1 + 0.001 * outward))
        passed = doubt.low if outward < 0 else doubt.high
        assert doubt.value / passed == pytest.approx(1 + 0.001 * outward, abs=1e-5)
        assert doubt.low is None if low is None else doubt.low / doubt.high == pytest.approx(low / high)
        assert doubt.source == USUAL[which].source
        assert doubt.hint


def test_an_end_as_typed_is_still_usual():
    """0.95 m2 typed in square feet is not quite 0.95 inside."""
    assert of_car(drag_area_m2=0.95 / FOOT**2 * FOOT**2 * (1 + 2e-16)) == ()


def test_mean_effective_pressure_of_a_worked_example():
    """120 N m of 1.5 liters: 4 pi 120 / 0.0015 = 1.0053 MPa, 10.05 bar; 90 lb-ft of 1275 cc: 1.2027 MPa."""
    assert mean_effective_pressure(120.0, 1.5e-3) == pytest.approx(1.00531e6, rel=1e-5)
    assert mean_effective_pressure(90 * 1.3558179, 1.275e-3) == pytest.approx(1.20267e6, rel=1e-4)


def test_torque_is_told_with_what_the_range_means_for_the_displacement():
    """1.25 MPa of 2 liters is 1.25e6 * 0.002 / (4 pi) = 198.9 N m."""
    (doubt,) = of_engine(210.0, 3000.0, displacement_m3=2e-3)

    assert doubt.dimension == "torque"
    assert (doubt.value, doubt.high) == (pytest.approx(210.0), pytest.approx(198.94, abs=0.01))
    assert "E-odd" in doubt.what
    assert "2,000 cc" in doubt.what


def test_peaks_of_a_sheet():
    """Torque falls evenly from 100 N m at 4000 rpm to 40 at 8000: power is highest where n = 160 / 0.03 = 5333 rpm."""
    engine = make_engine("E", curve=CurvePoints((4000.0, 8000.0), (100.0, 40.0)), rev_limit_rpm=8000.0)
    torque, power, rpm = peaks(engine, 0.9)
    limited = peaks(replace(engine, rev_limit_rpm=5000.0), 0.9)
    at_wheels = peaks(replace(engine, measured_at="wheels"), 0.9)

    assert torque == 100.0
    assert rpm == pytest.approx(5333.3, abs=10.0)
    assert power == pytest.approx(80.0 * 5333.3 * math.pi / 30, rel=1e-4)
    assert limited[2] == 5000.0
    assert at_wheels == (pytest.approx(100.0 / 0.9), pytest.approx(power / 0.9), rpm)


def test_only_what_is_asked_about_is_looked_at():
    """One odd tire and one odd condition of the salt."""
    soft = Salt(name="soft", rolling_coefficient=0.2, grip=0.4, slip_at_slide=0.2)
    fine = Salt(name="ordinary", rolling_coefficient=0.03, grip=0.5, slip_at_slide=0.15)
    scenario = make_scenario(
        [make_tire("T-odd", rolling_coefficient=0.04)],
        event={"salts": {"ordinary": fine, "firm": replace(fine, name="firm"), "soft": soft}},
    )

    assert [each.what for each in doubts_of_inputs(scenario)] == [
        "rolling coefficient of soft salt",
        "rolling coefficient of tire T-odd",
    ]
    assert doubts_of_inputs(scenario, ("T-stock", "none"), ("ordinary",)) == ()


@pytest.mark.parametrize("folder", [DEMO, STARTER])
def test_ordinary_sheets_raise_no_doubt(folder):
    assert doubts_of_inputs(read_scenario(folder)) == ()


@pytest.mark.parametrize("factor", [1 / POUND, POUND], ids=["pounds under kg", "kg under pounds"])
@pytest.mark.parametrize("kind", ["tire", "wheel", "rotor", "engine"])
@pytest.mark.parametrize("folder", [DEMO, STARTER])
def test_a_column_of_masses_in_the_wrong_unit_is_told_once(folder, kind, factor):
    scenario = read_scenario(folder)
    parts = {
        key: replace(part, mass_kg=part.mass_kg * factor) if part.kind == kind else part
        for key, part in scenario.parts.items()
    }

    (doubt,) = doubts_of_inputs(replace(scenario, parts=parts))
    number = sum(part.kind == kind for part in parts.values())
    assert doubt.what.startswith(f"mass of {kind} ")
    assert f"the middle one of {number} " in doubt.what
    assert "column" in doubt.hint


@pytest.mark.parametrize("factor", [1 / POUND, POUND], ids=["pounds as kg", "kg as pounds"])
@pytest.mark.parametrize("folder", [DEMO, STARTER])
def test_a_car_weighed_in_the_wrong_unit_is_told(folder, factor):
    scenario = read_scenario(folder)
    car = replace(scenario.car, mass_kg=scenario.car.mass_kg * factor)

    (doubt,) = doubts_of_inputs(replace(scenario, car=car))
    assert doubt.what.startswith("mass of the car")


def test_one_odd_mass_is_of_that_part_alone():
    """A tire of 17 kg among four of 7.6: the middle one is an ordinary tire."""
    scenario = make_scenario([make_tire("T-odd", mass_kg=17.0), *(make_tire(f"T-{n}") for n in range(3))])

    assert [each.what for each in doubts_of_inputs(scenario)] == ["mass of tire T-odd (185/60R15)"]


def test_a_final_drive_or_gearset_far_from_all_others_is_told():
    """30 kg beside 9.5 and 10: a decimal point, or the whole axle. Of two, nobody can say which is odd."""
    (drive,) = of_mass_beside(30.0, make_final_drive, "F-stock", "F-2", "F-odd")
    (gears,) = of_mass_beside(22.0, make_gearset, "G-stock", "G-2", "G-odd")

    assert drive.what == "mass of final drive F-odd, beside the middle one of 3"
    assert (drive.value, drive.low, drive.high, drive.dimension) == (30.0, 5.0, 20.0, "mass")
    assert gears.what == "mass of gearset G-odd, beside the middle one of 3"
    assert of_mass_beside(30.0, make_final_drive, "F-stock", "F-odd") == ()


def test_two_parts_are_no_sheet():
    """Wheels of 12 kg are heavy for a whole sheet, 40 kg/m2, yet a wheel may be: two say nothing of a column."""
    heavy = [make_wheel(each, mass_kg=12.0) for each in ("W-stock", "W-2")]

    assert doubts_of_inputs(make_scenario(heavy)) == ()
    assert len(doubts_of_inputs(make_scenario([*heavy, make_wheel("W-3", mass_kg=12.0)]))) == 1


def test_prices_are_of_one_piece():
    """A twentieth of the others for each is odd for four: an eightieth for one."""
    assert of_prices(10**9 // 20, pack=1) == ()
    (doubt,) = of_prices(10**9 // 20, pack=4)
    assert doubt.value == pytest.approx(0.0125)
    assert doubt.what == "price of tire T-odd, over that of the middle one of 5"


def test_a_sheet_of_which_hardly_anything_can_be_bought_is_named_whatever_is_asked_about():
    """Few prices say nothing, and where there is any money, or none at all, nothing is too dear."""
    (doubt,) = of_dear_sheet(100.0)

    assert doubt.what == "price of one piece of the middle one of 5 priced tires, over the whole budget"
    assert doubt.value == 100.0
    assert "cents" in doubt.hint
    assert of_dear_sheet(100.0, number=4) == of_dear_sheet(100.0, budget_cents=None) == ()
    assert of_dear_sheet(100.0, budget_cents=0) == ()


def test_prices_of_which_nothing_can_be_said():
    """A gift, a part that is not sold, too few others, and kinds whose parts do different things."""
    assert len(of_prices(10**6)) == 1
    assert of_prices(0) == of_prices(None) == of_prices(10**6, others=3) == of_prices(10**6, make=make_extra) == ()


@pytest.mark.parametrize("cheap_cents", [1000, 2000])
def test_a_wheel_from_the_yard_is_not_too_cheap(cheap_cents):
    """$10 and $20 beside forged wheels at $390 each: common practice, no source."""
    forged = [make_wheel(f"W-{n}", price_cents=39_000) for n in range(6)]

    assert doubts_of_inputs(make_scenario([*forged, make_wheel("W-yard", price_cents=cheap_cents)])) == ()


ORDINARY = {
    "smallest slick, 4.6 kg": make_tire("T-odd", mass_kg=4.6, size=TireSize(0.178, 0.536, 13.0)),
    "tire of a light truck, 23 kg": make_tire("T-odd", mass_kg=23.0, size=TireSize(0.265, 0.70, 17.0)),
    "temporary spare, 5.8 kg": make_tire("T-odd", mass_kg=5.8, size=TireSize(0.125, 0.70, 15.0)),
    "forged 18x8, 8 kg": make_wheel("W-odd", mass_kg=8.0, rim_diameter_in=18.0, rim_width_in=8.0),
    "magnesium 13x6, 3 kg": make_wheel("W-odd", mass_kg=3.0, rim_diameter_in=13.0, rim_width_in=6.0),
    "narrow spun 15x3.5, 3.6 kg": make_wheel("W-odd", mass_kg=3.6, rim_diameter_in=15.0, rim_width_in=3.5),
    "steel truck wheel 16x7, 15 kg": make_wheel("W-odd", mass_kg=15.0, rim_diameter_in=16.0, rim_width_in=7.0),
    "steel 15x10, 13 kg": make_wheel("W-odd", mass_kg=13.0, rim_diameter_in=15.0, rim_width_in=10.0),
    "vented iron of 355 mm, 13 kg": make_rotor("R-odd", mass_kg=13.0, diameter_m=0.355),
    "carbon of 278 mm, 1.3 kg": make_rotor("R-odd", mass_kg=1.3, diameter_m=0.278),
    "drum of 230 mm with its hub, 7 kg": make_rotor("R-odd", mass_kg=7.0, diameter_m=0.230),
    "engine of a motorcycle, 600 cc, 50 kg": make_engine("E-odd", mass_kg=50.0, displacement_m3=0.6e-3),
    "air-cooled twin, 602 cc, 65 kg": make_engine("E-odd", mass_kg=65.0, displacement_m3=0.602e-3),
    "iron four with its gearbox, 998 cc, 150 kg": make_engine("E-odd", mass_kg=150.0, displacement_m3=0.998e-3),
    "light V8, 5.7 L, 200 kg": make_engine("E-odd", mass_kg=200.0, displacement_m3=5.7e-3),
}
"""Parts at the ends of what is on cars; masses by common practice, no source."""


@pytest.mark.parametrize("part", ORDINARY.values(), ids=ORDINARY)
def test_an_ordinary_part_is_not_too_light_or_heavy(part):
    assert not [each for each in doubts_of_inputs(make_scenario([part])) if "mass of" in each.what]


@pytest.mark.parametrize(
    ("mass_kg", "wheelbase_m"), [(869.0, 2.36), (1826.0, 2.46), (480.0, 2.3), (480.0, 1.9), (830.0, 1.87)]
)
def test_an_ordinary_car_is_not_too_light_or_heavy(mass_kg, wheelbase_m):
    """The lightest and heaviest of R. H. Lock, 1993 New Car Data, with 100 kg; then small ones by common practice."""
    assert of_car(mass_kg=mass_kg, wheelbase_m=wheelbase_m, cg_height_m=0.22 * wheelbase_m) == ()


LIMITS = [
    ("volume", "2.000 cc", 2e-6, "if 2,000 cc is meant, write it so"),
    ("volume", "2 cc", 2e-6, "if 2 L is meant, write it so"),
    ("volume", "1,600 L", 1.6, "if 1,600 cc is meant, write it so"),
    ("mass", "1.000 kg", 1.0, "if 1,000 kg is meant, write it so"),
    ("mass", "1.650 lb", 1.65 * POUND, "if 1,650 lb is meant, write it so"),
    ("mass", "8 kg", 8.0, "look at the unit"),
]


@pytest.mark.parametrize(("dimension", "typed", "value", "hint"), LIMITS)
def test_a_limit_that_no_car_comes_near_is_named_with_what_was_likely_meant(dimension, typed, value, hint):
    """A dot between thousands makes a least weight of 1,000 kg one of 1 kg, and a car too light is legal."""
    where = "event.toml line 7, classes[1].limits[1].minimum"
    (doubt,) = doubts_of_inputs(replace(make_scenario(), limits=(TypedLimit(where, typed, value, dimension),)))

    assert doubt.what.endswith(f", {where} {typed!r}")
    assert doubt.hint == hint


def test_limits_of_other_classes_are_looked_at_where_everything_is_and_none_where_it_is_0():
    scenario = make_scenario()
    other = TypedLimit("event.toml line 7, limits[1].minimum", "1 kg", 1.0, "mass", "another class")

    assert len(doubts_of_inputs(replace(scenario, limits=(other,)))) == 1
    assert doubts_of_inputs(replace(scenario, limits=(other,)), parts=()) == ()
    own = replace(other, race_class=scenario.event.race_class)
    assert len(doubts_of_inputs(replace(scenario, limits=(own,)), parts=())) == 1
    assert doubts_of_inputs(replace(scenario, limits=(replace(other, typed="0 kg", value=0.0),))) == ()


# --- results


@pytest.fixture(scope="module")
def plain():
    """The car of the tests and its card: 76 kW and 860 kg, 119 hp per metric ton; its front wheels lock first."""
    scenario = make_scenario()
    card = pipeline.predict(scenario).card
    return scenario, replace(card, stop=replace(card.stop, front_locks_g=0.3, rear_locks_g=0.4))


def with_run(card, **changes):
    return replace(card, runs=tuple(replace(run, **changes) for run in card.runs))


def test_slip_of_the_card_is_surface_over_ground(plain):
    """Engine speed tells the speed of the tire's surface: 4.10 and the gear's ratio, 0.6 m around 97 %."""
    scenario, card = plain
    (run,) = card.runs
    ratio = scenario.parts["G-stock"].ratios[run.gear - 1] * 4.10
    assert 0.005 < run.slip < 0.1
    # no tire rolls further than its new circumference, or less than 95 % of it, in one turn
    around = math.pi * scenario.parts["T-stock"].size.diameter_m
    turned = run.rpm_last / 60 / ratio * around / run.exit_ms
    assert 0.95 * turned < 1 + run.slip < turned


@pytest.mark.parametrize(("mass_kg", "most"), [(860.0, 0.10), (500.0, 0.20)])
def test_slip_by_power_per_mass(plain, mass_kg, most):
    """76.2 kW is 102 hp: on 860 kg 119 hp per ton, on 500 kg 204."""
    scenario, card = plain
    card = replace(card, mass_kg=mass_kg)

    assert doubts_of_results(scenario, with_run(card, slip=most * 0.999, limit="grip")) == ()
    (doubt,) = doubts_of_results(scenario, with_run(card, slip=most * 1.001, limit="grip"))
    assert (doubt.dimension, doubt.value, doubt.high) == ("fraction", pytest.approx(most * 1.001), most)


def test_mean_above_exit_only_while_gaining(plain):
    """Half a mile per hour of settling higher, and a mean above the last board."""
    scenario, card = plain
    slow = with_run(card, exit_ms=45.0, score_ms=45.1, settles_ms=45.0 + 0.51 * MPH, limit="grip")
    settled = with_run(slow, settles_ms=45.0 + 0.49 * MPH)
    below = with_run(slow, score_ms=45.0)
    trap = replace(scenario, event=replace(scenario.event, scoring=replace(scenario.event.scoring, measure="trap")))

    (doubt,) = doubts_of_results(scenario, slow)
    assert (doubt.value, doubt.high) == (45.1, 45.0)
    assert "mean speed" in doubt.what
    assert doubts_of_results(scenario, settled) == doubts_of_results(scenario, below) == ()
    assert doubts_of_results(trap, slow) == ()


def test_revs_below_peak_power(plain):
    """104 N m at 7000 rpm is the most, 76.2 kW: 90 % of that is 6300."""
    scenario, card = plain
    low = {"rpm_last": 6295.0, "limit": "power"}

    (doubt,) = doubts_of_results(scenario, with_run(card, **low))
    assert (doubt.dimension, doubt.low) == ("engine speed", pytest.approx(6300.0, abs=4.5))
    assert doubts_of_results(scenario, with_run(card, **(low | {"rpm_last": 6305.0}))) == ()
    assert doubts_of_results(scenario, with_run(card, **(low | {"limit": "speed cap"}))) == ()
    assert doubts_of_results(scenario, with_run(card, **(low | {"limit": "distance"}))) == (doubt,)


def test_runs_of_an_ordinary_car_raise_no_doubt(plain):
    scenario, card = plain
    assert doubts_of_results(scenario, with_run(card, rpm_last=7000.0)) == ()


def test_rear_wheels_that_lock_first(plain):
    """A car that brakes with its rear wheels first turns round; equal is still well."""
    scenario, card = plain
    card = with_run(card, rpm_last=7000.0)

    (doubt,) = doubts_of_results(scenario, replace(card, stop=replace(card.stop, rear_locks_g=0.29)))
    assert (doubt.dimension, doubt.value, doubt.low) == ("braking", 0.29, 0.3)
    assert doubts_of_results(scenario, replace(card, stop=replace(card.stop, rear_locks_g=0.3))) == ()
    (never,) = doubts_of_results(scenario, replace(card, stop=replace(card.stop, front_locks_g=math.inf)))
    assert never.low is None


@pytest.mark.parametrize(("slot", "most"), [("front wheels", 3.0), ("rear rotors", 1.5)])
def test_swaps_worth_too_much(slot, most):
    def doubts(gain_mph, place=slot):
        return doubts_of_swaps(make_scenario(), [Swap(place, "A", "B", gain_mph * MPH, 0)])

    assert doubts(most * 0.999) == doubts(-most * 0.999) == doubts(most * 1.001, "engine") == ()
    for gain in (most * 1.001, -most * 1.001):
        (doubt,) = doubts(gain)
        assert doubt.value == pytest.approx(most * 1.001 * MPH)
        assert "B in place of A" in doubt.what


def with_record(scenario, speed_ms):
    name = scenario.event.race_class
    classes = {name: replace(scenario.race_class, record_ms=speed_ms)}
    return replace(scenario, event=replace(scenario.event, classes=classes))


@pytest.mark.parametrize(("share", "outward"), [(0.75, -1), (1.5, 1)])
def test_a_record_just_outside_what_the_car_does_is_named(plain, share, outward):
    scenario, card = plain
    card = with_run(replace(card, speed_ms=40.0), limit="power")

    assert doubts_of_record(with_record(scenario, 40 * share * (1 - 0.001 * outward)), card) == ()
    (doubt,) = doubts_of_record(with_record(scenario, 40 * share * (1 + 0.001 * outward)), card)
    assert (doubt.low, doubt.high) == (pytest.approx(30.0), pytest.approx(60.0))
    assert doubt.value == pytest.approx(40 * share, rel=0.002)
    assert "does 89.5 mph" in doubt.what


@pytest.mark.parametrize("limit", ["speed cap", "grip"])
def test_a_record_may_be_far_above_a_car_that_is_held(plain, limit):
    """A cage lifts a cap, other salt gives grip; a record far below it is still odd."""
    scenario, card = plain
    card = with_run(replace(card, speed_ms=40.0), limit=limit)

    assert doubts_of_record(with_record(scenario, 100.0), card) == ()
    (doubt,) = doubts_of_record(with_record(scenario, 29.0), card)
    assert (doubt.low, doubt.high) == (pytest.approx(30.0), None)


def test_nothing_is_said_of_a_record_where_the_car_does_not_come_in(plain):
    scenario, card = plain

    assert doubts_of_record(scenario, replace(card, speed_ms=0.0)) == ()
    assert doubts_of_record(scenario, replace(card, speed_ms=math.nan)) == ()


# --- as a crew reads it


@pytest.fixture
def ask(capsys):
    def run(*arguments):
        capsys.readouterr()
        assert cli.run([str(each) for each in arguments]) == 0
        return capsys.readouterr().out

    return run


def starter_with(folder, file, typed, instead):
    """A copy of the starter with one value typed in another way."""
    folder.mkdir(exist_ok=True)
    for each in STARTER.iterdir():
        if each.is_file():
            (folder / each.name).write_bytes(each.read_bytes())
    text = (folder / file).read_text("utf-8")
    assert typed in text
    (folder / file).write_text(text.replace(typed, instead), "utf-8")
    return folder


@pytest.fixture
def folder(tmp_path):
    """The starter with a drag area of 14 ft2, and a tire that rolls at 0.03."""
    starter_with(tmp_path, "car.toml", '"7.4 ft2"', '"14 ft2"')
    tires = tmp_path / "tires.csv"
    tires.write_text(tires.read_text("utf-8").replace("0.0109", "0.03"), "utf-8")
    return tmp_path


def flat(text):
    return " ".join(text.split())


@pytest.mark.parametrize("command", ["check", "predict", "rank"])
def test_text_and_document_show_the_doubt(ask, folder, command):
    text = ask(command, folder)
    (drag,) = (each for each in json.loads(ask(command, folder, "--json"))["second_looks"] if "drag" in each["what"])

    place = text.index(HEADING)
    assert "drag area of the car: 14 ft2; usual 4.84 to 10.2 ft2, by common practice, no source." in flat(text[place:])
    assert place < text.index("\nCaution")
    assert max(map(len, text.splitlines())) <= 80
    assert (drag["value"], drag["unit"]) == (pytest.approx(14.0), "ft2")
    assert drag["low"] == pytest.approx(0.45 / FOOT**2, abs=1e-5)
    assert drag["high"] == pytest.approx(0.95 / FOOT**2, abs=1e-5)
    assert set(drag) == {"what", "value", "unit", "low", "high", "source", "hint"}


WRONG_RECORD = "record of class Open car 1300, for a car that does 94.3 mph as it stands: 163 mph; usual 70.7 to 141"


@pytest.mark.parametrize("command", [("check",), ("predict",), ("predict", "T2")])
def test_a_record_in_the_wrong_unit_is_told(ask, tmp_path, command):
    """101.4 mph is 163.2 km/h; the car as it stands does 94.3 mph, whatever is put in."""
    first, *others = command
    wrong = starter_with(tmp_path, "event.toml", '"101.4 mph"', '"163.2 mph"')

    assert WRONG_RECORD in flat(ask(first, wrong, *others))


def test_rank_tells_a_record_that_is_far_too_low(ask, tmp_path):
    """101.4 mph typed as 101.4 km/h."""
    wrong = starter_with(tmp_path, "event.toml", '"101.4 mph"', '"101.4 km/h"')

    assert "as it stands: 63 mph; usual 70.7 to 141 mph" in flat(ask("rank", wrong))


def test_no_legal_build_names_what_may_be_why(capsys, tmp_path):
    """Nothing stops from 163 mph; an unusual record may be a slip, and nothing else is said of an ordinary sheet."""
    wrong = starter_with(tmp_path / "wrong", "event.toml", '"101.4 mph"', '"163.2 mph"')
    assert cli.run(["rank", str(wrong)]) == 4
    said = flat(capsys.readouterr().err)
    assert said.index("No legal build") < said.index(HEADING) < said.index(WRONG_RECORD)

    assert cli.run(["rank", str(STARTER), "--budget", "100"]) == 4
    assert HEADING not in capsys.readouterr().err


def test_parts_that_are_not_asked_about_are_left_to_check(ask, folder):
    """T4 is not on the car; it is where it is put in."""
    assert "tire T4: 0.03; usual 0.005 to 0.02" in flat(ask("check", folder))
    assert "tire T4" not in ask("predict", folder)
    assert "tire T4" in flat(ask("predict", folder, "T4"))


@pytest.mark.parametrize("command", ["check", "predict", "rank"])
def test_nothing_is_shown_where_there_is_nothing(ask, command):
    """The starter is an ordinary car in ordinary air."""
    assert HEADING not in ask(command, STARTER)
    assert json.loads(ask(command, STARTER, "--json"))["second_looks"] == []


def test_slip_stands_in_the_document(ask):
    (run, *_) = json.loads(ask("predict", STARTER, "--json"))["build"]["runs"]
    card = pipeline.predict(read_scenario(STARTER)).card

    assert run["slip"] == pytest.approx(card.runs[0].slip, abs=1e-4)
    assert run["slip"] > 0.005


def test_a_value_is_told_apart_from_the_end_it_passes():
    usual = Usual("drag area", None, 0.95, "area", "nobody", "look")
    scenario = make_scenario(event={"speed_unit": "km/h"})

    assert "0.95001 m2; usual up to 0.95 m2, by nobody. Look." in flat(
        "\n".join(second_looks(Words(scenario), usual.doubt("drag area", 0.95001)))
    )
    assert second_looks(Words(scenario), (), ()) == []


# --- the page


def in_page(usual, value, *, metric):
    if "per liter" in usual.name:
        dimension, value = "power", value * LITER
        return shown(value, dimension, metric=metric)
    return shown(value, usual.dimension, metric=metric)


@pytest.mark.parametrize("usual", [*USUAL.values(), *USUAL_RESULTS.values(), *MEANT_FOR.values()], ids=lambda u: u.name)
def test_the_page_tells_every_range_and_source(usual):
    (row,) = re.findall(rf"^\| {re.escape(usual.name)} \|.*$", PAGE, re.MULTILINE)
    _, _, metric, miles, source, _ = (cell.strip() for cell in row.split("|"))

    assert source == usual.source
    for cell, is_metric in ((metric, True), (miles, False)):
        low, high = (None if end is None else in_page(usual, end, metric=is_metric) for end in (usual.low, usual.high))
        if low is None:
            assert cell == f"up to {high}"
        elif high is None:
            assert cell == f"at least {low}"
        else:
            number, _, unit = low.partition(" ")
            assert cell == f"{number} to {high}"
            assert high.endswith(unit)


def test_the_page_has_no_range_that_the_code_has_not():
    names = {usual.name for table in (USUAL, USUAL_RESULTS, MEANT_FOR) for usual in table.values()}
    rows = re.findall(r"^\| ([^|]+) \|", PAGE, re.MULTILINE)

    assert {row.strip() for row in rows} - {"quantity", "---"} == names


def test_sources_that_stand_in_no_table_are_on_the_page(plain):
    scenario, card = plain
    slow = with_run(card, exit_ms=45.0, score_ms=45.1, settles_ms=46.0, limit="grip")
    (mean,) = doubts_of_results(scenario, slow)

    assert mean.source in flat(PAGE)
    assert "0.5 mph higher" in flat(PAGE)
