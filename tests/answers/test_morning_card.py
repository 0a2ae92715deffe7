"""The card for the morning: its days, what the car does on them, what to fit, when to break off, how it stops."""

from __future__ import annotations

import math
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from optimizer import pipeline
from optimizer.answers.day_air import MOST_ROWS, days_of, density_altitude_of, weather_at
from optimizer.answers.marks import shortfalls
from optimizer.answers.morning_card import morning_card
from optimizer.answers.morning_records import MorningCard
from optimizer.errors import UsageError
from optimizer.physics import air
from optimizer.run.conditions import Conditions
from optimizer.run.driving import Gear
from optimizer.run.judge import Judge
from optimizer.run.model import RunModel
from optimizer.run.simulator import Run
from optimizer.run.stopping import stopping_of
from optimizer.scenario.event import Event, Scenario, Weather
from optimizer.scenario.parts import Basis, Rotor
from optimizer.scenario.reading import read_scenario
from optimizer.search.study import Study
from tests.scenes import MPH, STARTER

SPARES = ("F2", "rear tires=T5,rear wheels=W3", "F4", "T1")
MILE = 1609.344


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return read_scenario(STARTER)


@pytest.fixture(scope="module")
def study(scenario: Scenario) -> Study:
    return Study.of(scenario)


@pytest.fixture(scope="module")
def card(study: Study) -> MorningCard:
    """Of the car as it stands, with a good spare, a better one, one that does not fit and one that is on the car."""
    return morning_card(study, study.options.fitted, SPARES)


def on_the_day(scenario: Scenario, weather: Weather, salt: str) -> Scenario:
    """One run in some air on some salt."""
    event = scenario.event
    scoring = replace(event.scoring, runs=1)
    return replace(scenario, event=replace(event, weather=(weather,), salt=salt, scoring=scoring))


# --- air


def test_the_standard_day_has_its_own_height() -> None:
    """In dry air at the standard pressure of a height, the temperature found is the standard one."""
    day = Weather(pressure_pa=float(air.standard_pressure(1000.0)), temperature_k=300.0, humidity=0.0)

    found = weather_at(day, 1000.0)

    assert found.temperature_k == pytest.approx(float(air.standard_temperature(1000.0)), abs=0.2)
    assert (found.pressure_pa, found.humidity) == (day.pressure_pa, day.humidity)


@pytest.mark.parametrize("height_m", [-200.0, 900.0, 1500.0, 2400.0])
def test_a_day_has_the_density_altitude_asked_for(height_m: float) -> None:
    day = Weather(pressure_pa=89_000.0, temperature_k=300.0, humidity=0.3)

    assert density_altitude_of(weather_at(day, height_m)) == pytest.approx(height_m, abs=0.01)
    assert density_altitude_of(weather_at(day, height_m, 88_000.0)) == pytest.approx(height_m, abs=0.01)


@pytest.mark.parametrize(("unit", "step"), [("mph", 0.3048 * 500), ("km/h", 100.0)])
def test_days_are_round_few_and_cover_the_event(scenario: Scenario, unit: str, step: float) -> None:
    """Multiples of 500 ft or 100 m, rising, the fast morning and the stated afternoon between or near their ends."""
    event: Event = replace(scenario.event, speed_unit=unit)  # type: ignore[arg-type]
    levels = [level for level, _ in days_of(event)]
    gap = levels[1] - levels[0]

    assert 2 <= len(levels) <= MOST_ROWS
    assert levels == sorted(levels)
    assert all(level / step == pytest.approx(round(level / step)) for level in levels)
    for named in (event.fast_case.weather, *event.weather):
        own = density_altitude_of(replace(event.weather[0], temperature_k=named.temperature_k))
        assert levels[0] - gap < own < levels[-1] + gap


# --- the table


@pytest.mark.parametrize("place", [0, 7, 16, 35])
def test_a_cell_is_what_predict_says_of_such_a_day(scenario: Scenario, card: MorningCard, place: int) -> None:
    """Speed, boards and revs of the set-up to fit: those of one run in that air, wind and salt."""
    cell = card.cells[place]
    level, base = cell.density_altitude_m, scenario.event.weather[0]
    bearing = scenario.event.course.bearing_deg
    wind = replace(weather_at(base, level), wind_ms=abs(cell.headwind_ms),
                   wind_from_deg=bearing + (180.0 if cell.headwind_ms < 0 else 0.0))  # fmt: skip
    set_up = next(each for each in card.set_ups if each.letter == cell.set_up)
    parts = tuple(f"{slot}={after}" for slot, _, after in set_up.changes)
    run = pipeline.predict(on_the_day(scenario, wind, cell.salt), parts).card.runs[0]

    assert cell.score_ms == pytest.approx(run.score_ms, abs=1e-6)
    assert (cell.first.speed_ms, cell.last.speed_ms) == pytest.approx((run.first_board_ms, run.exit_ms), abs=1e-6)
    assert (cell.first.rpm, cell.last.rpm) == pytest.approx((run.rpm_first, run.rpm_last), abs=1e-3)
    assert (cell.last.gear, cell.limit) == (run.gear, run.limit)
    assert cell.half.at_m == pytest.approx(MILE)


def test_the_table_has_every_day_once_and_makes_sense(card: MorningCard) -> None:
    """A car of the same set-up is slower at half-way than at the first board, and into the wind."""
    keys = {(each.salt, each.density_altitude_m, each.headwind_ms) for each in card.cells}
    assert len(keys) == len(card.cells) == len(card.salts) * len(card.days) * len(card.winds)
    assert card.salts == ("firm", "ordinary", "soft"), "the shutdown's salt is no course"
    for each in card.cells:
        assert each.half.speed_ms <= each.first.speed_ms + 1e-6
    for tail, calm, head in zip(card.cells[::3], card.cells[1::3], card.cells[2::3], strict=True):
        assert tail.score_ms > calm.score_ms > head.score_ms


def test_the_set_up_to_fit_is_the_fastest_there_is(scenario: Scenario, card: MorningCard) -> None:
    """On one day each set-up is run by itself: none beats the one named, and it beats the car as it is by the gain."""
    cell = next(each for each in card.cells if each.salt == "ordinary" and each.headwind_ms == 0)
    day = on_the_day(scenario, weather_at(replace(scenario.event.weather[0], wind_ms=0.0), cell.density_altitude_m),
                     cell.salt)  # fmt: skip
    speeds = {
        each.letter: pipeline.predict(day, tuple(f"{slot}={to}" for slot, _, to in each.changes)).card.speed_ms
        for each in card.set_ups
    }

    assert sorted(speeds) == ["A", "B", "C", "D"], "two spares make four set-ups"
    assert cell.score_ms == pytest.approx(max(speeds.values()), abs=0.05 * MPH)
    assert cell.gain_ms == pytest.approx(speeds[cell.set_up] - speeds["A"], abs=1e-6)
    assert cell.gain_ms > 0


def test_spares_that_do_not_go_on_stay_in_the_trailer(card: MorningCard) -> None:
    """With their reasons; those that only go on together are no trouble."""
    assert {each.spare: each.reasons[0].split(":")[0] for each in card.unfit} == {
        "F4": "housing",
        "T1": "it is on the car already",
    }


def test_too_many_or_unknown_spares_are_refused(study: Study) -> None:
    with pytest.raises(UsageError, match="at most 4"):
        morning_card(study, study.options.fitted, ["F2", "F3", "T2", "T3", "T4"])
    with pytest.raises(UsageError, match="no part is called 'F99'"):
        morning_card(study, study.options.fitted, ["F99"])


def test_a_day_too_fast_for_the_tires_is_no_day_to_run(study: Study, scenario: Scenario) -> None:
    """With a margin that no tire has, every cell says so; with the event's own, none does."""
    fast = replace(scenario.event.fast_case, tire_speed_margin=1.0)
    strict = Study.of(replace(scenario, event=replace(scenario.event, fast_case=fast)))

    assert all(each.over_tires for each in morning_card(strict, strict.options.fitted).cells)
    assert not any(each.over_tires for each in morning_card(study, study.options.fitted).cells)


@pytest.mark.parametrize(("driven", "undriven", "over"), [("H", "Y", True), ("Y", "H", False)])
def test_each_axle_is_held_to_its_own_tires(study: Study, driven: str, undriven: str, over: bool) -> None:
    """Undriven tires turn as fast as the car: the slip of the driven ones is not theirs, here or at the tach."""
    event, build = study.scenario.event, study.options.fitted
    fast = max(morning_card(study, build).cells, key=lambda cell: cell.score_ms)
    air_then = weather_at(event.weather[0], fast.density_altitude_m)
    day = Conditions(event.salts[fast.salt], air_then, fast.headwind_ms, 0.0)
    run = study.judge.run_of(study.judge.model.inputs(build[None], day))
    ground, turning = (float(each[0]) for each in run.highest_ms)
    between = ground + 0.9 * (turning - ground)
    margin = 210 / 3.6 / between - 1  # the letter H is then good for this much

    rule = replace(event, fast_case=replace(event.fast_case, tire_speed_margin=margin))
    symbols = {study.judge.model.slot_on("tire", axle): each for axle, each in (("rear", driven), ("front", undriven))}
    parts = tuple(
        tuple(replace(part, speed_symbol=symbols[s]) if s in symbols else part for part in row)
        for s, row in enumerate(study.options.parts)
    )
    options = replace(study.options, scenario=replace(study.scenario, event=rule), parts=parts)
    judge = Judge(RunModel(options))
    card = morning_card(replace(study, scenario=options.scenario, options=options, judge=judge), build)

    assert study.judge.model.car.drive == "rear"
    assert any(each.over_tires for each in card.cells) is over
    (tach,) = card.tachs
    assert tach.tire_speed_ms == pytest.approx(between)
    assert (fast.last.rpm > tach.tire_rpm) is over


# --- numbers beside it


def test_the_tach_at_the_end_of_the_rating(study: Study, card: MorningCard) -> None:
    """A tire of letter H is good for 210 km/h; less 3 %, by roll-out and ratios, the tach shows what it must."""
    tach = card.tachs[0]
    speed = 210 / 3.6 / 1.03
    inputs = study.judge.model.inputs(study.options.fitted[None], study.judge.conditions[0])
    radius = float(inputs.radius_m[0]) * (1 + float(inputs.growth[0]) * (speed / (100 * MPH)) ** 2)

    assert tach.tire_speed_ms == pytest.approx(speed)
    assert tach.tire_rpm == pytest.approx(speed / radius * 1.0 * 39 / 9 * 30 / math.pi, rel=1e-6)
    assert (tach.gear, tach.rev_limit_rpm, tach.limiter_rpm) == (4, 6500.0, None)


def test_where_stopping_ends_is_where_the_rule_is_just_kept(scenario: Scenario) -> None:
    """At that speed the worst case uses all of the heat or of the shutdown; faster days are marked, and no others."""
    parts = dict(scenario.parts)
    for each in scenario.parts.values():
        if isinstance(each, Rotor) and each.max_rise_k:
            parts[each.id] = replace(each, max_rise_k=0.6 * each.max_rise_k)
    cool = Study.of(replace(scenario, parts=MappingProxyType(parts)))
    card = morning_card(cool, cool.options.fitted)
    for tach, set_up in zip(card.tachs, card.set_ups, strict=True):
        stop = stopping_of(cool.judge.model, set_up.build[None], np.array([tach.stop_ms]))
        use = float(stop.rise_share[0]), float(stop.distance_m.max()) / (1.5 * MILE)
        assert max(use) == pytest.approx(1.0)
        assert tach.stop_limit == ("rotors" if use[0] > use[1] else "shutdown") == "rotors"
    caps = {each.set_up: each.stop_ms for each in card.tachs}
    assert {each.over_brakes for each in card.cells} == {True, False}
    for cell in card.cells:
        assert cell.over_brakes is (cell.last.speed_ms > caps[cell.set_up])


def test_stops_are_those_of_a_gentle_rate(card: MorningCard) -> None:
    """All brakes hold 0.12 g on this salt, so v^2 / 2a; what is left over is the shutdown less the longest."""
    for row in card.stops:
        lengths = dict(row.distances_m)
        assert lengths["all brakes"] == pytest.approx(row.from_ms**2 / (2 * 0.12 * 9.80665))
        assert row.spare_m == pytest.approx(1.5 * MILE - max(lengths.values()))
        assert row.from_ms / MPH == pytest.approx(round(row.from_ms / MPH / 5) * 5)
    exits = [each.last.speed_ms for each in card.cells]
    assert card.stops[0].from_ms <= min(exits)
    assert card.stops[-1].from_ms >= max(exits)


def test_what_is_measured_leaves_less_to_fall_behind(scenario: Scenario) -> None:
    """The same car whose salt was measured: a run is broken off sooner."""
    weather = scenario.event.weather[0]
    salt = scenario.event.salts["soft"]
    measured = replace(salt, bases=MappingProxyType(dict.fromkeys(salt.bases, Basis("measured"))))
    known = replace(scenario, event=replace(scenario.event, salts={**scenario.event.salts, "soft": measured}))
    guessed, surer = (
        shortfalls(each, each.options.fitted, "soft", weather, (MILE, 2 * MILE), draws=32)
        for each in (Study.of(scenario), Study.of(known))
    )

    for wide, narrow in zip(guessed, surer, strict=True):
        assert wide.expected_ms == pytest.approx(narrow.expected_ms)
        assert 0 < narrow.short_ms < wide.short_ms
    assert guessed[0].at_m < guessed[1].at_m


def test_the_barometer_and_the_side_wind_move_the_speed_a_little(card: MorningCard) -> None:
    """A percent of pressure at the same density is a percent or so of power: far less than a mile an hour."""
    assert 0 < card.barometer_ms < 0.5 * MPH
    assert 0 < card.side_wind_ms < 1.5 * MPH


@pytest.fixture(scope="module")
def demo() -> tuple[Study, MorningCard]:
    """The invented car as it stands, with a longer gearset and tires that are better in the trailer."""
    study = Study.of(read_scenario("catalogs_demo/thrennel_flat"))
    return study, morning_card(study, study.options.fitted, ["T28,W16", "G01"])


def ran(study: Study, build: np.ndarray, card: MorningCard, share: float = 1.0, side_ms: float = 0.0) -> list[Run]:
    """One build on every day of the table, the barometer off by a share at the same density, with a side wind."""
    air_of, found = dict(days_of(study.judge.event)), []
    for cell in card.cells:
        day = air_of[cell.density_altitude_m]
        weather = day if share == 1.0 else weather_at(day, cell.density_altitude_m, share * day.pressure_pa)
        salt = study.judge.event.salts[cell.salt]
        conditions = Conditions(salt, weather, cell.headwind_ms, side_ms)
        found.append(study.judge.run_of(study.judge.model.inputs(build[None], conditions)))
    return found


def test_the_tach_is_told_in_every_gear_that_a_set_up_ends_in(demo: tuple[Study, MorningCard]) -> None:
    """Also of one that no day asks for, which has no cell of its own."""
    study, card = demo
    for set_up in card.set_ups:
        gears = {int(run.passing.gear[1, 0]) + 1 for run in ran(study, set_up.build, card) if run.score_ms[0] > 0}
        assert [tach.gear for tach in card.tachs if tach.set_up == set_up.letter] == sorted(gears)
    assert any(set_up.letter not in {cell.set_up for cell in card.cells} for set_up in card.set_ups)
    assert len(card.tachs) > len(card.set_ups)


def test_no_set_up_is_named_for_a_loss(demo: tuple[Study, MorningCard]) -> None:
    """Where the car itself has to lift for its brakes, it still is as fast as it may be."""
    study, card = demo
    own = card.tachs[0].stop_ms
    for cell, run in zip(card.cells, ran(study, card.set_ups[0].build, card), strict=True):
        assert cell.gain_ms >= 0
        assert cell.set_up == "A" or cell.score_ms > min(float(run.score_ms[0]), own)


def test_the_barometer_and_the_side_wind_move_no_cell_by_more(demo: tuple[Study, MorningCard]) -> None:
    study, card = demo
    lost = {"barometer": [0.0], "side": [0.0]}
    for set_up in card.set_ups:
        plain = [float(run.score_ms[0]) for run in ran(study, set_up.build, card)]
        for name, share, side_ms in (("barometer", 0.99, 0.0), ("barometer", 1.01, 0.0),
                                     ("side", 1.0, card.winds[-1].headwind_ms)):  # fmt: skip
            other = [float(run.score_ms[0]) for run in ran(study, set_up.build, card, share, side_ms)]
            lost[name] += [a - b if name == "side" else abs(a - b) for a, b in zip(plain, other, strict=True)]
    assert card.barometer_ms == pytest.approx(max(lost["barometer"]))
    assert card.side_wind_ms == pytest.approx(max(lost["side"]))


@pytest.mark.parametrize("gone", ["front", "rear"])
def test_without_a_limit_of_some_rotors_no_heat_is_told(scenario: Scenario, gone: str) -> None:
    """Not even that of the other axle: it would pass for all of it."""
    fitted = {slot.fitted for slot in scenario.car.slots if slot.kind == "rotor" and slot.axle == gone}
    parts = {
        name: replace(part, max_rise_k=None) if name in fitted and isinstance(part, Rotor) else part
        for name, part in scenario.parts.items()
    }
    study = Study.of(replace(scenario, parts=MappingProxyType(parts)))
    card = morning_card(study, study.options.fitted)

    assert all(tach.unrated for tach in card.tachs)
    assert all(math.isnan(row.rise_share) for row in card.stops)
    assert math.isnan(card.card.stop.rise_share)
    assert [math.isnan(each.share) for each in card.card.stop.rotors] == [gone == "front", gone == "rear"]
    assert all(each.rise_k > 0 for each in card.card.stop.rotors)


def test_engine_speeds_at_which_to_lift_are_those_of_the_grippiest_salt(study: Study, card: MorningCard) -> None:
    """Under power at the ground speed from which it stops: with least slip revs are lowest."""
    tach = card.tachs[0]
    model, weather = study.judge.model, study.judge.event.weather[0]
    rpm = []
    for salt in study.judge.event.salts.values():
        inputs = model.inputs(study.options.fitted[None], Conditions(salt, weather, 0.0, 0.0))
        gear = Gear(inputs, tach.gear - 1)
        rpm.append(float(gear.rpm_at(gear.surface_at(np.array([tach.stop_ms])))[0]))

    assert tach.stop_rpm == pytest.approx(min(rpm), rel=1e-3)
    assert max(rpm) > min(rpm)
