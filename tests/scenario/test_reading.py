"""A good folder becomes records in SI, and every number nobody measured is listed."""

from __future__ import annotations

import re

import pytest
import small

from optimizer.physics.air import standard_pressure
from optimizer.scenario.parts import Basis, BoltPattern
from optimizer.scenario.reading import read_scenario

LB = 0.45359237


@pytest.fixture(scope="module")
def scenario(tmp_path_factory):
    return read_scenario(small.write(tmp_path_factory.mktemp("small")))


# --- what a good folder becomes


def test_parts_are_in_si(scenario):
    tire, wheel, rotor = scenario.parts["T01"], scenario.parts["W02"], scenario.parts["R01"]

    assert tire.mass_kg == pytest.approx(17.5 * LB)
    assert tire.inertia_kgm2 == pytest.approx(11 * LB * 0.3048**2)
    assert (tire.load_index, tire.speed_symbol, tire.made) == (82, "H", (2024, 10))
    assert tire.max_pressure_pa == pytest.approx(51 * 6894.757, rel=1e-6)
    assert (wheel.rim_diameter_in, wheel.rim_width_in) == (14, 6)
    assert wheel.bolt_patterns == (BoltPattern(4, 0.1), BoltPattern(4, 0.1143))
    assert wheel.load_rating_kg == pytest.approx(1200 * LB)
    assert rotor.max_rise_k == pytest.approx(400 / 1.8)
    assert scenario.parts["F02"].ratio == pytest.approx(59 / 16)
    assert scenario.parts["G02"].ratios[:2] == pytest.approx((38 / 13, 1.95))
    assert scenario.parts["X01"].drag_area_m2 == pytest.approx(-0.25 * 0.3048**2)


def test_prices_are_cents_for_a_pack(scenario):
    prices = {id_: (part.price_cents, part.pack) for id_, part in scenario.parts.items()}

    assert prices["T02"] == (11850, 1)
    assert prices["T03"] == (116000, 4)
    assert prices["R02"] == (15000, 2)
    assert prices["T01"] == (None, 1)


def test_parts_stand_in_the_order_of_the_sheets(scenario):
    assert list(scenario.parts) == [
        "T01",
        "T02",
        "T03",
        "W01",
        "W02",
        "R01",
        "R02",
        "F01",
        "F02",
        "G01",
        "G02",
        "E01",
        "E02",
        "E03",
        "X01",
    ]
    assert scenario.parts["T02"].where == "tires.csv row 3"


def test_fitted_pieces_are_owned(scenario):
    """Two axles of two wheels are fitted, whatever the sheet says."""
    assert scenario.parts["W01"].owned == 4
    assert scenario.parts["R01"].owned == 2
    assert scenario.parts["E01"].owned == 1
    assert scenario.parts["T02"].owned == 0


def test_more_may_be_owned_than_is_fitted(tmp_path):
    scenario = read_scenario(small.write(tmp_path, tables=small.with_cell("tires", 2, "owned", "6")))

    assert scenario.parts["T01"].owned == 6


@pytest.mark.parametrize(("typed", "is_told"), [("1", True), ("3", True), ("4", False), ("0", False), ("", False)])
def test_fewer_owned_than_fitted_is_told(tmp_path, typed, is_told):
    """Four are on the car: none typed says nothing of them, one to three cannot be."""
    scenario = read_scenario(small.write(tmp_path, tables=small.with_cell("tires", 2, "owned", typed)))
    told = (
        f"tires.csv row 2, T01: {typed} owned, but 4 are on the car and count as owned; 4 are taken. If there are "
        f"{typed} beside them, write {4 + int(typed or 0)}"
    )

    assert scenario.parts["T01"].owned == 4
    assert scenario.notices == ((told,) if is_told else ())


def test_slots_of_an_axle_take_two_pieces(scenario):
    counts = {slot.name: slot.count for slot in scenario.car.slots}

    assert counts["front tires"] == counts["front rotors"] == 2
    assert counts["engine"] == counts["belly pan"] == 1


def test_an_engine_with_a_base_has_its_curve_and_its_blanks(scenario):
    stock, chip, more = (scenario.parts[id_] for id_ in ("E01", "E02", "E03"))

    assert stock.curve.rpm == (2000, 3500, 5000, 6000, 7200)
    assert stock.curve.torque_nm[0] == pytest.approx(70 * 1.3558179, rel=1e-7)
    # 80 hp at 6,000 rpm: 80 x 745.7 W over 628.3 rad/s
    assert stock.curve.torque_nm[3] == pytest.approx(94.94, abs=0.01)
    assert more.curve.torque_nm == pytest.approx([1.07 * 1.02 * torque for torque in stock.curve.torque_nm])
    assert more.torque_factor == 1.0
    assert (chip.rev_limit_rpm, more.rev_limit_rpm) == (7200, 7200)
    assert chip.mass_kg == stock.mass_kg
    assert chip.inertia_kgm2 == stock.inertia_kgm2
    assert more.inertia_kgm2 == pytest.approx(2.2 * LB * 0.3048**2)


def test_car_and_event_are_in_si(scenario):
    car, event = scenario.car, scenario.event

    assert car.mass_kg == pytest.approx(1730 * LB)
    assert car.bases["mass_kg"] == Basis("measured", "corner scales, May")
    assert car.front_share == pytest.approx(0.61)
    assert (car.start_speed_ms, car.limiter_adjustable) == (0.0, True)
    assert car.rear.max_tire_diameter_m is None
    assert car.jobs["gearbox out"].cost_cents == 45000
    assert car.jobs["gearbox out"].hours == 9
    assert event.date == (2026, 38)
    assert event.course.elevation_m == pytest.approx(1280.16)
    assert event.budget_cents == 150000
    assert event.stopping.gentle_g == pytest.approx(0.12)
    assert event.fixed_costs == (("entry", 40000),)
    assert scenario.race_class.fixed_costs == (("class fee", 2550),)
    assert scenario.race_class.record_ms == pytest.approx(104.5 * 0.44704)
    assert [rule.name for rule in scenario.race_class.rules] == ["car tires", "1.5 liters"]
    assert scenario.race_class.rules[1].maximum == pytest.approx(0.0015)
    assert scenario.race_class.limits[0].minimum == pytest.approx(1500 * LB)


def test_the_fast_case_is_the_first_run_with_a_tailwind(scenario):
    fast, first = scenario.event.fast_case.weather, scenario.event.weather[0]

    assert fast.pressure_pa == first.pressure_pa
    assert fast.wind_ms == first.wind_ms
    assert fast.wind_from_deg == 220  # the car drives towards 40
    assert fast.temperature_k == pytest.approx(283.15)


def test_two_runs_may_share_one_weather(tmp_path):
    scenario = read_scenario(small.write(tmp_path, event=small.EVENT.replace("runs = 1", "runs = 2")))

    assert len(scenario.event.weather) == 2
    assert scenario.event.weather[0] == scenario.event.weather[1]


def test_kits(scenario):
    gearbox, mounted = scenario.kits

    assert gearbox.contents == (("G02", 1), ("F02", 1))
    assert (mounted.contents, mounted.fitting_included) == ((("T02", 4), ("W02", 4)), True)


# --- assumptions


def assumption(scenario, where: str, quantity: str) -> tuple[str, str]:
    """Value and reason of one listed assumption."""
    found = [
        each for each in scenario.assumptions if each.where.endswith(where) and each.quantity == quantity
    ]
    assert len(found) == 1
    return found[0].value, found[0].why


def test_values_marked_as_assumed_are_listed(scenario):
    assert assumption(scenario, "row 3, T02", "mass") == ("~14.2 lb", "marked as assumed")
    assert assumption(scenario, "row 2, T01", "inertia") == ("11 lb ft2", "like T02")
    assert scenario.parts["T02"].bases["mass_kg"] == Basis("assumed")
    assert scenario.parts["T01"].bases["inertia_kgm2"] == Basis("assumed", "like T02")
    assert scenario.parts["T03"].bases["inertia_kgm2"] == Basis("measured")
    assert scenario.parts["T01"].bases["mass_kg"] == Basis("rated")


def test_salt_is_assumed_unless_somebody_measured_it(scenario, tmp_path):
    firm = scenario.event.salts["firm"]
    event = small.EVENT.replace(
        "grip = 0.55", 'grip = { value = 0.55, basis = "measured", by = "drag sled" }'
    )
    measured = read_scenario(small.write(tmp_path, event=event)).event.salts["firm"]

    assert firm.bases["grip"].kind == "assumed"
    assert assumption(scenario, "firm", "grip") == ("0.55", "no measurement on salt has been published")
    assert measured.bases["grip"] == Basis("measured", "drag sled")


def test_a_blank_tire_inertia_is_a_named_assumption(scenario):
    tire = scenario.parts["T02"]
    radius = tire.size.diameter_m / 2

    assert tire.inertia_kgm2 == pytest.approx(tire.mass_kg * (0.9 * radius) ** 2)
    assert tire.bases["inertia_kgm2"].kind == "assumed"
    value, why = assumption(scenario, "T02", "inertia")
    assert value == "10.1 lb ft2"
    assert "0.9 of the radius" in why


def test_a_blank_brake_clearance_comes_from_the_rim(scenario):
    assert scenario.parts["W02"].brake_clearance_m == pytest.approx(14 * 0.0254 - 0.045)
    assert assumption(scenario, "W02", "brake clearance")[0] == "12.2 in"


def test_a_blank_pressure_is_the_standard_atmosphere(tmp_path):
    event = small.EVENT.replace('pressure = "25.9 inHg"\n', "")
    scenario = read_scenario(small.write(tmp_path, event=event))

    assert scenario.event.weather[0].pressure_pa == pytest.approx(float(standard_pressure(4200 * 0.3048)))
    assert scenario.event.bases["weather[1].pressure_pa"].kind == "assumed"
    assert "standard atmosphere" in assumption(scenario, "run 1", "station pressure")[1]


FILLED_KEYS = [
    ("cg_height", "height of the center of gravity", "20.2 in"),
    ("front_lift_area", "front lift area", "0 ft2"),
    ("rear_lift_area", "rear lift area", "0 ft2"),
    ("drag_area_per_height", "drag area per ride height", "0.975 ft2/ft"),
    ("drag_area_per_tire_width", "drag area per front tire width", "0.492 ft2/ft"),
    ("shift_time", "shift time", "0.4 s"),
    ("driveline_efficiency", "driveline efficiency", "94 %"),
    ("grip_use_limit", "share of grip the driver uses", "80 %"),
    ("brake_front_share", "front share of the brake force", "65 %"),
    ("propshaft_inertia", "inertia of the propshaft", "0 lb ft2"),
    ("gearbox_inertia", "inertia of the gearbox", "0.119 lb ft2"),
]


@pytest.mark.parametrize(("key", "quantity", "value"), FILLED_KEYS)
def test_a_blank_of_the_car_is_a_named_assumption(tmp_path, key, quantity, value):
    car = re.sub(rf"^{key} = .*\n", "", small.CAR, flags=re.MULTILINE)
    scenario = read_scenario(small.write(tmp_path, car=car))

    assert car != small.CAR
    assert assumption(scenario, f"car.toml line {small.line_of(car, '[car]')}, Sparrow", quantity)[0] == value
    assert "assumed" in {basis.kind for basis in scenario.car.bases.values()}


def test_ratings_are_never_filled(tmp_path):
    tables = small.with_cell("tires", 3, "size", "165/65R14")
    tables["tires"][2][small.column_of(tables["tires"], "max pressure")] = ""
    tables["tires"][2][small.column_of(tables["tires"], "made")] = ""
    tables["wheels"][2][small.column_of(tables["wheels"], "load rating")] = ""
    tables["wheels"][2][small.column_of(tables["wheels"], "max pressure")] = ""
    tables["rotors"][2][small.column_of(tables["rotors"], "max rise")] = ""
    scenario = read_scenario(small.write(tmp_path, tables=tables))
    tire, wheel, rotor = (scenario.parts[id_] for id_ in ("T02", "W02", "R02"))

    unknown = (tire.load_index, tire.speed_symbol, tire.max_pressure_pa, tire.made, tire.rim_width_min_in)
    assert unknown == (None,) * 5
    assert (wheel.load_rating_kg, wheel.max_pressure_pa, rotor.max_rise_k) == (None, None, None)


def test_metric_readers_see_metric_assumptions(tmp_path):
    event = small.EVENT.replace('speed_unit = "mph"', 'speed_unit = "km/h"')
    scenario = read_scenario(small.write(tmp_path, event=event))

    assert assumption(scenario, "W02", "brake clearance")[0] == "311 mm"


def test_reading_twice_gives_the_same(tmp_path, scenario):
    again = read_scenario(small.write(tmp_path))

    assert small.content(again) == small.content(scenario)
