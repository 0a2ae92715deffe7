"""What each input is worth: against the simulator with another step, against arithmetic, and as a crew reads it."""

import json
import math
import re
from dataclasses import replace

import numpy as np
import pytest

from optimizer import cli, pipeline
from optimizer.answers.sensitivity import _only, inputs_of, worth_of_inputs
from optimizer.choice.options import options_of
from optimizer.errors import UsageError
from optimizer.run.judge import Judge
from optimizer.run.model import RunModel, S
from optimizer.scenario.event import Course, Salt, Scoring, Weather
from optimizer.scenario.parts import CurvePoints
from optimizer.scenario.reading import read_scenario
from tests.choice.records import CURVE, make_engine, make_gearset, make_hub, make_rotor, make_scenario, make_tire
from tests.scenes import MPH, STARTER

NOON = Weather(pressure_pa=87_000.0, temperature_k=298.15, humidity=0.25, wind_ms=2.0, wind_from_deg=20.0)
SALT = Salt(name="ordinary", rolling_coefficient=0.028, grip=0.48, slip_at_slide=0.15)
CIRCUMFERENCE_M = 1.76
HEADING = "What each number is worth"
ASKED_FOR = {
    "mass of the car as weighed", "drag area", "front lift area", "rear lift area", "drag area per ride height",
    "drag area per front tire width", "driveline efficiency", "height of the center of gravity", "wheelbase",
    "inertia of a front hub", "inertia of a rear hub", "inertia of the gearbox", "inertia of the propshaft",
    "shift time", "power: torque at all revs (the peak is shown)", "rolling coefficient of the salt",
    "grip of the salt", "slip at which a tire slides", "air temperature", "air pressure", "humidity", "wind speed",
    "rolling coefficient, front tires (undriven)", "rolling coefficient, rear tires (driven)",
    "roll-out, front tires (undriven)", "roll-out, rear tires (driven)", "brake drag of each of the front rotors",
    "tire pressure, front", "tire pressure, rear",
}  # fmt: skip


def car_with(steps=None):
    """A car of which any input is some of its steps off: every record made anew, by no code of the product's."""
    off = dict.fromkeys(
        (
            "mass", "drag area", "cg", "shift", "efficiency", "lift", "pressure", "salt", "grip", "slip", "air",
            "temperature", "wind", "front rolling", "rear rolling", "roll-out", "power", "brake drag", "engine inertia",
        ), 0.0,
    ) | (steps or {})  # fmt: skip
    by = {name: 1 + 0.01 * number for name, number in off.items()}
    tire = {"circumference_m": CIRCUMFERENCE_M}
    curve = CurvePoints(CURVE.rpm, tuple(torque * by["power"] for torque in CURVE.torque_nm))
    weather = replace(
        NOON,
        pressure_pa=NOON.pressure_pa * by["air"],
        temperature_k=NOON.temperature_k + off["temperature"] * 5 / 1.8,
        wind_ms=NOON.wind_ms + off["wind"] * MPH,
    )
    salt = Salt(
        name="ordinary",
        rolling_coefficient=SALT.rolling_coefficient * by["salt"],
        grip=SALT.grip * by["grip"],
        slip_at_slide=SALT.slip_at_slide + 0.01 * off["slip"],
    )
    scenario = make_scenario(
        (
            make_tire("T-f", axle="front", rolling_coefficient=0.011 * by["front rolling"], **tire),
            make_tire(
                "T-r",
                axle="rear",
                rolling_coefficient=0.012 * by["rear rolling"],
                circumference_m=CIRCUMFERENCE_M * by["roll-out"],
            ),
            make_engine("E-stock", curve=curve, inertia_kgm2=0.12 * by["engine inertia"]),
            make_rotor("R-front-stock", axle="front", brake_drag_n=8.0 * by["brake drag"]),
        ),
        drive="rear",
        car={
            "mass_kg": 860.0 * by["mass"],
            "drag_area_m2": 0.62 * by["drag area"],
            "cg_height_m": 0.48 * by["cg"],
            "shift_time_s": 0.4 * by["shift"],
            "driveline_efficiency": 0.9 * by["efficiency"],
            "rear_lift_area_m2": 0.08 + off["lift"] * 0.1 * 0.3048**2,
            "rear": make_hub(tire_pressure_pa=300e3 * by["pressure"]),
        },
        event={"weather": (weather,), "salts": {"ordinary": salt, "firm": salt}},
    )
    return scenario, {"front tires": "T-f", "rear tires": "T-r"}


NAMES = {
    "mass": "mass of the car as weighed",
    "drag area": "drag area",
    "cg": "height of the center of gravity",
    "shift": "shift time",
    "efficiency": "driveline efficiency",
    "lift": "rear lift area",
    "pressure": "tire pressure, rear",
    "salt": "rolling coefficient of the salt",
    "grip": "grip of the salt",
    "slip": "slip at which a tire slides",
    "air": "air pressure",
    "temperature": "air temperature",
    "wind": "wind speed",
    "front rolling": "rolling coefficient, front tires (undriven)",
    "rear rolling": "rolling coefficient, rear tires (driven)",
    "roll-out": "roll-out, rear tires (driven)",
    "power": "power: torque at all revs (the peak is shown)",
    "brake drag": "brake drag of each of the front rotors",
    "engine inertia": "inertia of the engine",
}


def speed_of(scenario, build):
    options = options_of(scenario)
    return float(Judge(RunModel(options)).speeds(options.encode(build)[None])[0])


@pytest.fixture(scope="module")
def worths():
    """By name."""
    return {worth.name: worth for worth in worth_of_inputs(*car_with())}


@pytest.mark.parametrize("which", NAMES)
def test_agrees_with_the_simulator_at_another_step(worths, which):
    """A quarter of the step, on records made anew: what is left is curvature."""
    worth = worths[NAMES[which]]
    up, here, down = (speed_of(*car_with({which: 0.25 * side})) for side in (1, 0, -1))

    bend = worth.up_ms + worth.down_ms

    assert abs(worth.slope_ms) > 0
    assert worth.slope_ms == pytest.approx((up - down) / 0.5, rel=0.02, abs=1e-5 + 0.2 * abs(bend))
    assert bend == pytest.approx(16 * (up + down - 2 * here), rel=0.3, abs=1e-3)


def test_signs_a_crew_expects(worths):
    for name in ("power", "efficiency", "air"):
        assert worths[NAMES[name]].slope_ms > 0
    for name in ("mass", "drag area", "shift", "salt", "slip", "wind", "front rolling", "rear rolling", "brake drag"):
        assert worths[NAMES[name]].slope_ms < 0


# --- arithmetic that a person can do


def settled_car(salt_rolling, torque_of_rpm):
    """A car with 30 km to settle: no lift, no wind, tires that roll freely, salt that never slips."""
    rpm = tuple(float(each) for each in range(1000, 9001, 100))
    engine = make_engine(
        "E-stock",
        curve=CurvePoints(rpm, tuple(torque_of_rpm(each) for each in rpm)),
        rev_limit_rpm=9000.0,
        air_breathing=False,
    )
    return make_scenario(
        (
            engine,
            make_gearset("G-stock", ratios=(1.1,)),
            make_tire("T-stock", rolling_coefficient=0.0),
            make_rotor("R-front-stock", axle="front", brake_drag_n=0.0),
            make_rotor("R-rear-stock", axle="rear", brake_drag_n=0.0),
        ),
        car={"front_lift_area_m2": 0.0, "rear_lift_area_m2": 0.0, "start_speed_ms": 22.0, "drag_area_m2": 0.8},
        event={
            "course": Course(run_up_m=30e3, timed_m=1609.344, shutdown_m=3e3, elevation_m=0.0),
            "scoring": Scoring(measure="exit"),
            "weather": (Weather(pressure_pa=87_000.0, temperature_k=298.15, humidity=0.0),),
            "salts": {
                name: Salt(name=name, rolling_coefficient=salt_rolling, grip=2.0, slip_at_slide=1e-3)
                for name in ("ordinary", "firm")
            },
        },
    )


def shares(scenario):
    """Speed it settles at, and rolling's share of all resistance, worked out by hand: air at 87 kPa and 25 C is dry."""
    speed = speed_of(scenario, {})
    density = 87_000.0 / (287.05 * 298.15)
    drag = 0.5 * density * 0.8 * speed**2
    rolling = scenario.event.salts["ordinary"].rolling_coefficient * 860.0 * 9.80665
    return speed, rolling / (rolling + drag)


@pytest.mark.parametrize("salt_rolling", [0.0, 0.03])
def test_power_limited_car_settles_by_arithmetic(salt_rolling):
    """P = v (a v2 + R): dv/v is dP/P / (3 - 2 r), with r rolling's share; a third where nothing rolls hard."""
    scenario = settled_car(salt_rolling, lambda rpm: 45e3 * 30 / math.pi / rpm)
    worth = {each.name: each for each in worth_of_inputs(scenario, {})}
    speed, r = shares(scenario)

    if salt_rolling == 0.0:
        assert r == 0.0
        assert worth[NAMES["power"]].slope_ms / speed == pytest.approx(0.01 / 3, rel=0.01)
    assert worth[NAMES["power"]].slope_ms / speed == pytest.approx(0.01 / (3 - 2 * r), rel=0.01)
    assert worth["drag area"].slope_ms / speed == pytest.approx(-0.01 * (1 - r) / (3 - 2 * r), rel=0.01)
    assert worth["mass of the car as weighed"].slope_ms / speed == pytest.approx(-0.01 * r / (3 - 2 * r), abs=1e-6)


def test_car_with_one_torque_settles_by_arithmetic():
    """F = a v2 + R: dv/v is dF/F / (2 (1 - r)); drag area takes half of its own share."""
    scenario = settled_car(0.03, lambda _: 60.0)
    worth = {each.name: each for each in worth_of_inputs(scenario, {})}
    speed, r = shares(scenario)

    assert 0.2 < r < 0.6
    assert worth[NAMES["power"]].slope_ms / speed == pytest.approx(0.01 / (2 * (1 - r)), rel=0.01)
    assert worth["drag area"].slope_ms / speed == pytest.approx(-0.01 / 2, rel=0.01)
    assert worth[NAMES["salt"]].slope_ms / speed == pytest.approx(-0.01 * r / (2 * (1 - r)), rel=0.01)


# --- what is listed


def test_everything_asked_for_once_largest_first():
    listed = worth_of_inputs(*car_with())
    names = [worth.name for worth in listed]
    sizes = [round(worth.size_ms, 6) for worth in listed]

    assert len(set(names)) == len(names)
    assert set(names) >= ASKED_FOR
    assert sizes == sorted(sizes, reverse=True)
    assert sizes[0] > 0.1


def test_parts_put_in_change_nothing_but_the_build():
    """With parts put in: as the whole options give it, not only those of the build."""
    scenario = read_scenario(STARTER)
    options = options_of(scenario)
    build = options.decode(options.encode({"engine": "E2", "rear tires": "T2"}))
    car = replace(scenario.car, drag_area_m2=scenario.car.drag_area_m2 * 1.01)
    more = speed_of(replace(scenario, car=car), build) - speed_of(scenario, build)
    worth = {each.name: each for each in pipeline.sensitivity(scenario, ("E2", "rear tires=T2"))}

    assert worth["drag area"].up_ms == pytest.approx(more, abs=1e-9)
    with pytest.raises(UsageError):
        worth_of_inputs(scenario, {"engine": "none such"})


def test_mass_moves_the_axles_and_leaves_the_parts_alone():
    scenario, build = car_with()
    options = options_of(scenario)
    row = options.encode(build)
    mass = next(each for each in inputs_of(options, row) if each.name == "mass of the car as weighed")
    before, after = RunModel(options), RunModel(mass.change(options, mass.value * 1.01))

    for column in ("mass_kg", "front_load_kg", "rear_load_kg"):
        assert after.base[S[column]] == pytest.approx(1.01 * before.base[S[column]], rel=1e-12)
    for old, new in zip(before.sums, after.sums, strict=True):
        np.testing.assert_array_equal(old, new)
    assert options.scenario.car.mass_kg == 860.0


def test_one_part_on_both_axles_is_stepped_on_each():
    scenario = make_scenario()
    options, row = _only(options_of(scenario), options_of(scenario).fitted)
    both = make_scenario((make_tire("T-stock", rolling_coefficient=0.011 * 1.01),))
    worth = {each.name: each for each in worth_of_inputs(scenario, {})}
    front, rear = (
        worth[f"rolling coefficient, {which} tires ({how})"].up_ms
        for which, how in (("front", "driven"), ("rear", "undriven"))
    )

    assert options.parts[3][0] is options.parts[4][0]
    assert row.tolist() == [0] * len(options.slots)
    assert min(abs(front), abs(rear)) > 0.005
    assert front + rear == pytest.approx(speed_of(both, {}) - speed_of(scenario, {}), rel=0.01)


def test_a_value_beyond_sense_is_not_tried():
    dry = make_scenario(
        car={"driveline_efficiency": 0.995, "propshaft_inertia_kgm2": 0.0},
        event={"weather": (replace(NOON, humidity=0.0),)},
    )
    worth = {each.name: each for each in worth_of_inputs(dry, {})}

    assert worth["humidity"].down_ms is None
    assert worth["humidity"].up_ms < 0
    assert worth["driveline efficiency"].up_ms is None
    assert worth["driveline efficiency"].size_ms == -worth["driveline efficiency"].down_ms > 0
    assert worth["driveline efficiency"].slope_ms == -worth["driveline efficiency"].down_ms
    assert "inertia of the propshaft" not in worth


def test_runs_on_different_air_are_told_apart():
    runs = Scoring(runs=2, second_run="opposite")
    alike = worth_of_inputs(make_scenario(event={"scoring": runs, "weather": (NOON, NOON)}), {})
    other = replace(NOON, temperature_k=303.15)
    apart = worth_of_inputs(make_scenario(event={"scoring": runs, "weather": (NOON, other)}), {})
    one, two = ({each.name: each for each in listed} for listed in (alike, apart))

    assert "air pressure, run 1" not in one
    assert "air pressure" not in two
    both = two["air pressure, run 1"].slope_ms + two["air pressure, run 2"].slope_ms
    assert both == pytest.approx(one["air pressure"].slope_ms, rel=0.03)


# --- as a crew reads it


@pytest.fixture
def ask(capsys):
    def run(*arguments):
        capsys.readouterr()
        assert cli.run([str(each) for each in arguments]) == 0
        return capsys.readouterr().out

    return run


def test_text(ask):
    text = ask("predict", STARTER, "E2", "--sensitivity")
    plain = ask("predict", STARTER, "E2")
    block = text[text.index(HEADING) :]
    rows = re.findall(r"^ +([+-]\d+\.\d\d|-) \| +([+-]\d+\.\d\d|-)  (.*)$", block, re.MULTILINE)
    sizes = [max(abs(float(each)) for each in row[:2] if each != "-") for row in rows]

    assert HEADING not in plain
    assert text.replace(block[: block.index("\nCaution") + 1], "") == plain
    assert len(rows) > 10
    assert sizes == sorted(sizes, reverse=True)
    assert min(sizes) >= 0.01
    assert max(map(len, text.splitlines())) <= 80
    assert "-0.00" not in text
    assert "step 1 %" in " ".join(block.split())
    assert "assumed (" in block


def test_document(ask):
    document = json.loads(ask("predict", STARTER, "--sensitivity", "--json"))
    again = json.loads(ask("predict", STARTER, "--sensitivity", "--json"))
    rows = document["sensitivity"]
    by_name = {row["quantity"]: row for row in rows}
    sizes = [max(abs(row[f"change_{way}_m_s"] or 0.0) for way in ("up", "down")) for row in rows]
    drag = by_name["drag area"]

    assert document == again
    assert "sensitivity" not in json.loads(ask("predict", STARTER, "--json"))
    assert len(by_name) == len(rows)
    assert sizes == sorted(sizes, reverse=True)
    assert (drag["unit"], drag["step"], drag["step_unit"]) == ("ft2", 1.0, "%")
    assert drag["value"] == pytest.approx(read_scenario(STARTER).car.drag_area_m2 / 0.3048**2, abs=1e-5)
    assert drag["change_up_mph"] == pytest.approx(drag["change_up_m_s"] / MPH, abs=1e-4)
    assert {row["basis"] for row in rows} <= {"measured", "rated", "assumed"}
    assert (by_name["air temperature"]["step"], by_name["air temperature"]["step_unit"]) == (5.0, "degF")
    assert by_name["slip at which a tire slides"]["step_unit"] == "percentage point"
