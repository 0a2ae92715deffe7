"""Power in thin or warm air: what the formulas are meant for, and what others give there, by hand arithmetic."""

import json
import math
from dataclasses import replace

import pytest

from optimizer import cli, pipeline
from optimizer.answers.power_in_air import (
    FORMULAS,
    density_factor,
    doubts_of_air,
    formula_of,
    power_range,
    power_spread,
)
from optimizer.choice.options import options_of
from optimizer.run.conditions import air_power_factor
from optimizer.run.judge import Judge
from optimizer.run.model import RunModel
from optimizer.scenario.event import Course, Salt, Scoring, Weather
from optimizer.scenario.parts import CurvePoints
from optimizer.scenario.reading import read_scenario
from tests.choice.records import make_engine, make_gearset, make_rotor, make_scenario, make_tire
from tests.scenes import DEMO, MPH, STARTER

KPA = 1000.0
CELSIUS = 273.15


def dry(pressure_kpa, celsius=25.0):
    """Air without any vapor: station pressure is dry pressure."""
    return Weather(pressure_pa=pressure_kpa * KPA, temperature_k=celsius + CELSIUS, humidity=0.0)


def quantities(engine, *weathers):
    return [each.what.split(",")[0] for each in doubts_of_air(engine, weathers)]


# --- what is said


@pytest.mark.parametrize(
    ("correction", "inside", "outside"),
    [
        ("SAE J1349", (90.1, 20.0), (89.9, 20.0)),
        ("SAE J1349", (104.9, 20.0), (105.1, 20.0)),
        ("SAE J1349", (95.0, 15.1), (95.0, 14.9)),
        ("SAE J1349", (95.0, 34.9), (95.0, 35.1)),
        ("ISO 1585", (99.0, 14.9), (99.0, 14.8)),
        ("ISO 1585", (99.0, 34.8), (99.0, 34.9)),
    ],
)
def test_air_just_outside_is_named(correction, inside, outside):
    """Ends of the formulas as they are printed: 90 to 105 kPa and 15 to 35 C, or 288 to 308 K."""
    engine = make_engine("E", correction=correction)

    assert doubts_of_air(engine, [dry(*inside)]) == ()
    (doubt,) = doubts_of_air(engine, [dry(*outside)])
    assert correction in doubt.what
    assert correction in doubt.source


def test_factor_of_iso_is_held_against_its_range():
    """Factor 1.07 at 25 C is at 99 / 1.07^(1/1.2) = 93.57 kPa; pressure itself is meant for down to 80."""
    engine = make_engine("E", correction="ISO 1585")
    edge = 99.0 / 1.07 ** (1 / 1.2)

    assert doubts_of_air(engine, [dry(edge + 0.1)]) == ()
    (factor,) = doubts_of_air(engine, [dry(edge - 0.1)])
    assert (factor.dimension, factor.high) == ("fraction", 1.07)
    assert factor.value == pytest.approx((99.0 / (edge - 0.1)) ** 1.2, rel=1e-3)


def test_vapor_is_not_counted():
    """91 kPa with 2.8 kPa of vapor (90 % at 25 C, 3.17 kPa at saturation) is 88.1 kPa of dry air."""
    (doubt,) = doubts_of_air(make_engine("E"), [replace(dry(91.0), humidity=0.9)])
    assert doubt.value == pytest.approx(91e3 - 0.9 * 3169, abs=10)


def test_the_run_furthest_out_is_told_once():
    (doubt,) = doubts_of_air(make_engine("E"), [dry(95.0), dry(86.0), dry(88.0)])
    assert doubt.value == 86e3


def test_the_day_of_the_dyno_counts_where_nothing_was_corrected():
    engine = make_engine(
        "E-raw", correction="none", dyno_pressure_pa=85e3, dyno_temperature_k=298.15, dyno_humidity=0.0
    )
    (doubt,) = doubts_of_air(engine, [dry(95.0)])

    assert "dyno sheet of engine E-raw" in doubt.what
    assert doubt.value == 85e3
    assert doubts_of_air(replace(engine, correction="SAE J1349"), [dry(95.0)]) == ()


def test_what_breathes_no_outside_air_is_not_named():
    engine = make_engine("E-stock", air_breathing=False, forced_induction=True)
    scenario = make_scenario([engine])
    options = options_of(scenario)

    assert doubts_of_air(engine, [dry(60.0)]) == ()
    assert power_spread(Judge(RunModel(options)), options.fitted) is None


def test_a_blown_engine_is_named_in_any_air():
    """The formula takes 1.18 (99 / 95) - 0.18 off: 95.25 % of the sheet is left."""
    (doubt,) = doubts_of_air(make_engine("E", forced_induction=True), [dry(95.0)])

    assert "blown" in doubt.what
    assert doubt.value == pytest.approx(1 / (1.18 * 99 / 95 * math.sqrt(298 / 298) - 0.18), rel=1e-4)
    assert (doubt.low, doubt.high) == (None, None)


# --- power by other formulas


def by_hand(kpa, celsius):
    """Power in dry air over power at 99 kPa and 25 C: J1349, ISO 1585, density."""
    kelvin = celsius + 273
    j1349 = 1.18 * 99 / kpa * math.sqrt(kelvin / 298) - 0.18
    iso1585 = (99 / kpa) ** 1.2 * (kelvin / 298) ** 0.6
    density = 99 / kpa * kelvin / 298
    return 1 / j1349, 1 / iso1585, 1 / density


def test_spread_by_hand():
    """At 85 kPa and 30 C: J1349 leaves 0.829 of the power, ISO 1585 0.825, density 0.844."""
    j1349, iso1585, density = by_hand(85, 30)
    low, high = power_range(make_engine("E"), [dry(85, 30)])
    of_iso = power_range(make_engine("E", correction="ISO 1585"), [dry(85, 30)])

    assert (low, high) == (pytest.approx(iso1585 / j1349, rel=3e-4), pytest.approx(density / j1349, rel=1e-3))
    assert low < 1 < high
    assert of_iso == (1.0, pytest.approx(density / iso1585, rel=1e-3))


def test_friction_that_does_not_go_with_the_air_takes_most_in_thin_air():
    """At 78 kPa and 30 C: x = 0.7814, (x - 0.15) / 0.85 = 0.7428 of the power, against 0.7518 by J1349."""
    low, _ = power_range(make_engine("E"), [dry(78, 30)])

    assert low == pytest.approx(0.7428 / 0.7518, rel=2e-4)


def test_spread_is_over_all_runs():
    engine = make_engine("E")
    each = [power_range(engine, [dry(kpa)]) for kpa in (92, 84)]
    low, high = power_range(engine, [dry(92), dry(84)])

    assert low == min(one[0] for one in each)
    assert high == max(one[1] for one in each)
    assert each[0] != each[1]


def test_uncorrected_sheet_on_its_own_day_has_no_spread():
    """From the dyno's air to the same air every formula gives the same; to other air they do not."""
    engine = make_engine("E", correction="none", dyno_pressure_pa=85e3, dyno_temperature_k=298.15, dyno_humidity=0.0)

    assert power_range(engine, [dry(85)]) == (pytest.approx(1.0), pytest.approx(1.0))
    there = by_hand(85, 25)
    here = by_hand(95, 25)
    j1349, iso1585, density = (a / b for a, b in zip(here, there, strict=True))
    assert power_range(engine, [dry(95)]) == (
        pytest.approx(density / j1349, rel=1e-3),
        pytest.approx(iso1585 / j1349, rel=1e-3),
    )


def test_blown_engine_from_the_formula_to_no_loss():
    j1349, _, _ = by_hand(85, 25)
    low, high = power_range(make_engine("E", forced_induction=True), [dry(85)])
    thick = power_range(make_engine("E", forced_induction=True), [dry(104)])

    assert (low, high) == (1.0, pytest.approx(1 / j1349, rel=1e-4))
    assert thick == (pytest.approx(1 / by_hand(104, 25)[0], rel=1e-4), 1.0)


def test_the_formula_used_is_the_one_of_the_runs():
    """The share held against is what the simulator takes."""
    weather = Weather(pressure_pa=86e3, temperature_k=301.0, humidity=0.4)
    raw = {"correction": "none", "dyno_pressure_pa": 97e3, "dyno_temperature_k": 290.0, "dyno_humidity": 0.6}
    for engine in (make_engine("E"), make_engine("E", correction="ISO 1585"), make_engine("E", **raw)):
        blown = replace(engine, forced_induction=True)
        low, high = power_range(blown, [weather])
        assert max(1 / low, high) == pytest.approx(1 / air_power_factor(engine, weather), rel=1e-12)
        assert formula_of(engine) in FORMULAS


def test_density_factor_by_hand():
    """80 kPa at 35.3 C, 308.45 K: 99/80 * 308.45/298 = 1.2809."""
    assert density_factor(80e3, 308.45) == pytest.approx(1.28089, abs=1e-4)


# --- what it is worth


def free_car(weather, **engine):
    """A car that nothing but air and power holds: no rolling, 30 km to settle, the same power at all revs."""
    rpm = tuple(float(each) for each in range(1000, 9001, 100))
    power = make_engine(
        "E-stock",
        curve=CurvePoints(rpm, tuple(45e3 * 30 / math.pi / each for each in rpm)),
        rev_limit_rpm=9000.0,
        **engine,
    )
    return make_scenario(
        (
            power,
            make_gearset("G-stock", ratios=(1.1,)),
            make_tire("T-stock", rolling_coefficient=0.0),
            make_rotor("R-front-stock", axle="front", brake_drag_n=0.0),
            make_rotor("R-rear-stock", axle="rear", brake_drag_n=0.0),
        ),
        car={"front_lift_area_m2": 0.0, "rear_lift_area_m2": 0.0, "start_speed_ms": 22.0, "drag_area_m2": 0.8},
        event={
            "course": Course(run_up_m=30e3, timed_m=1609.344, shutdown_m=3e3, elevation_m=0.0),
            "scoring": Scoring(measure="exit"),
            "weather": (weather,),
            "salts": {
                name: Salt(name=name, rolling_coefficient=0.0, grip=2.0, slip_at_slide=1e-3)
                for name in ("ordinary", "firm")
            },
        },
    )


@pytest.mark.parametrize("blown", [False, True])
def test_speed_moves_by_the_cube_root_of_power(blown):
    """P = a v3: a car held by air alone moves by a third of what power does."""
    options = options_of(free_car(dry(85, 30), forced_induction=blown))
    judge = Judge(RunModel(options))
    speed = float(judge.speeds(options.fitted[None])[0])
    spread = power_spread(judge, options.fitted)

    assert spread.low_ms == pytest.approx(speed * (spread.low ** (1 / 3) - 1), rel=0.02, abs=1e-6)
    assert spread.high_ms == pytest.approx(speed * (spread.high ** (1 / 3) - 1), rel=0.02)
    assert spread.high_ms > 0.1
    assert (spread.low_ms == 0) is blown
    assert (spread.pressure_outside, spread.temperature_outside, spread.factor_outside) == (True, False, False)
    assert spread.blown is blown


def test_no_spread_inside_the_range():
    options = options_of(make_scenario(event={"weather": (dry(92, 25),)}))
    assert power_spread(Judge(RunModel(options)), options.fitted) is None


def test_two_runs_are_joined():
    """Each run of another wind is simulated at either end, and joined as the rule says."""
    windy = replace(dry(86), wind_ms=5.0)
    runs = Scoring(runs=2, second_run="opposite")
    options = options_of(make_scenario(event={"weather": (windy, dry(88)), "scoring": runs}))
    judge = Judge(RunModel(options))
    spread = power_spread(judge, options.fitted)

    def joined(factor):
        cars = [judge.model.inputs(options.fitted[None], each) for each in judge.conditions]
        cars = [replace(car, torque_scale=factor * car.torque_scale) for car in cars]
        return sum(float(judge.run_of(car).score_ms[0]) for car in cars) / 2

    assert len(judge.conditions) == 2
    assert spread.high_ms == pytest.approx(joined(spread.high) - joined(1.0), abs=1e-9)
    assert spread.low_ms == pytest.approx(joined(spread.low) - joined(1.0), abs=1e-9)


# --- as a crew reads it


@pytest.fixture
def ask(capsys):
    def run(*arguments):
        capsys.readouterr()
        assert cli.run([str(each) for each in arguments]) == 0
        return " ".join(capsys.readouterr().out.split())

    return run


def test_demo_air_is_too_thin_for_the_formula(ask):
    """The lake of the demo lies at 3,380 ft: the warning, its miles per hour, and the same in the document."""
    text = ask("predict", DEMO)
    document = json.loads(ask("predict", DEMO, "--json"))
    (spread,) = document["power_in_this_air"]
    (pressure,) = (each for each in document["second_looks"] if "dry air" in each["what"])

    assert "pressure of the dry air at the event, for the SAE J1349 correction: 26.2 inHg; usual 26.6 to 31" in text
    assert (spread["engine"], spread["formula"], spread["pressure_outside"]) == ("E01", "SAE J1349", True)
    assert f"{spread['lowest_power_share']:.1%} to {spread['highest_power_share']:.1%} of what SAE J1349" in text
    low, high = (spread[f"change_at_{end}_mph"] for end in ("lowest", "highest"))
    assert f"moves by {low:+.2f} mph to {high:+.2f} mph" in text
    assert low < 0 < high
    assert spread["change_at_highest_m_s"] == pytest.approx(high * MPH, abs=1e-4)
    assert pressure["unit"] == "inHg"
    assert pressure["low"] == pytest.approx(90e3 / 3386.389, abs=1e-3)


def test_check_names_the_air_once_for_all_engines(ask):
    """Six engines of the demo are led by one formula; the blown one is named on its own."""
    looks = json.loads(ask("check", DEMO, "--json"))["second_looks"]
    about = [each["what"] for each in looks]

    assert sum("dry air at the event" in what for what in about) == 1
    assert sum("blown" in what for what in about) == 1


def test_blown_engine_of_the_demo():
    """Put in by name: from what the formula gives to no loss at all."""
    (spread,) = pipeline.predict(read_scenario(DEMO), ("E06",)).power_in_this_air

    assert spread.engine == "E06"
    assert spread.blown
    assert (spread.low, spread.low_ms) == (1.0, 0.0)
    assert spread.high > 1.1


def test_rank_tells_the_spread_of_every_engine_it_lists():
    """The starter on a lake twice as high: each engine once, on the best build that has it."""
    scenario = read_scenario(STARTER)
    thin = tuple(replace(each, pressure_pa=84e3) for each in scenario.event.weather)
    scenario = replace(scenario, event=replace(scenario.event, weather=thin))
    result = pipeline.rank(scenario, pipeline.Question(top=40, without_parts=("E3",)))
    listed = [card.build["engine"] for card in result.builds]
    best = {engine: result.builds[listed.index(engine)] for engine in listed}
    again = pipeline.predict(scenario, tuple(f"{slot}={part}" for slot, part in result.builds[0].build.items()))

    assert len(best) > 1
    assert [each.engine for each in result.power_in_this_air] == list(best)
    assert all(each.low_ms < 0 < each.high_ms for each in result.power_in_this_air)
    assert again.power_in_this_air == result.power_in_this_air[:1]
    assert sum("dry air" in each.what for each in result.second_looks) == 1
