"""The checks that need a run, each on a build or two by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from optimizer.choice.options import IntArray, Options, options_of
from optimizer.run.judge import CHECKS, Judge, Judged
from optimizer.run.model import RunModel
from optimizer.run.simulator import simulate
from optimizer.scenario.event import Scoring, Weather
from tests.choice.records import extra_slot, make_class, make_extra, make_scenario, make_tire

PUMPED = make_extra("P", pressure_pa=40e3)
DAY = Weather(pressure_pa=87e3, temperature_k=298.15, humidity=0.25, wind_ms=0.0, wind_from_deg=0.0)


def judge_of(**changes: Any) -> Judge:
    return Judge(RunModel(options_of(make_scenario(**changes))))


def build_of(options: Options, **parts: str) -> IntArray:
    return options.encode({name.replace("_", " "): part for name, part in parts.items()})[None]


def passes(judge: Judge, builds: IntArray, check: str) -> bool:
    return bool(judge.judge(builds, judge.runs(builds)).passes[CHECKS.index(check), 0])


def test_an_extra_on_one_axle_changes_the_pressure_there() -> None:
    judge = judge_of(parts=[PUMPED], extra_slots=[extra_slot("front valves", axle="front")])
    plain, pumped = judge.options.fitted[None], build_of(judge.options, front_valves="P")
    before, after = judge.model.drive_rows(plain), judge.model.drive_rows(pumped)

    assert judge.model.pressure_pa(pumped, "front")[0] == judge.model.pressure_pa(plain, "front")[0] + 40e3
    assert judge.model.pressure_pa(pumped, "rear")[0] == judge.model.pressure_pa(plain, "rear")[0]
    assert after.coefficient[0, 0] < before.coefficient[0, 0]
    assert after.coefficient[1, 0] == before.coefficient[1, 0]


def test_load_at_speed_counts_the_pressure_the_tires_run_at() -> None:
    """A load index that is just enough at the planned pressure is too low with less."""
    let_down = make_extra("D", pressure_pa=-80e3)
    for index in range(60, 91):
        judge = judge_of(parts=[let_down, make_tire("T", load_index=index)], extra_slots=[extra_slot("valves")])
        planned = build_of(judge.options, front_tires="T", rear_tires="T")
        if passes(judge, planned, "load at speed"):
            break
    soft = build_of(judge.options, front_tires="T", rear_tires="T", valves="D")

    assert passes(judge, planned, "load at speed")
    assert not passes(judge, soft, "load at speed")


def test_tires_must_be_good_for_the_runs_as_well_as_the_fast_day() -> None:
    """A fast day in a gale against the car: the runs are faster, and what they ask of the tires counts."""
    scoring = Scoring(runs=1, measure="exit")
    fast_case = judge_of(event={"weather": (DAY,)}).event.fast_case
    gale = replace(fast_case, weather=replace(fast_case.weather, wind_ms=15.0))
    judge = judge_of(event={"weather": (DAY,), "scoring": scoring, "fast_case": gale})
    fitted = judge.options.fitted[None]
    run = judge.runs(fitted)[0]
    judged = judge.judge(fitted, (run,))

    slow = simulate(judge.model.inputs(fitted, judge.fast), judge.marks_m, "exit")

    assert slow.passing.surface[1, 0] < run.passing.speed[1, 0], "the day meant to be fast is the slower one"
    assert np.all(judged.fast_surface_ms[:, 0] >= run.passing.speed[1, 0])


def test_no_builds_at_all_are_a_batch_too() -> None:
    """A search may be left with nothing in some places: no rows, in every gear, and no error."""
    model = RunModel(options_of(make_scenario()))
    rows = model.drive_rows(np.zeros((0, len(model.options.slots)), dtype=np.int64))

    assert rows.overall.shape == rows.shift_rpm.shape == (5, 0)
    assert rows.radius_m.shape == (2, 0)


def test_what_is_broken_is_said_with_by_how_much():
    """Every check that is not met, by name; per cents where the share says something, so not of an unrated tire."""
    used = np.array([[1.0, 1.236, 1e9], [1.004, 0.5, 0.2], [2.0, 1.0, 1.0], [0.9, 0.9, np.nan]])
    exits = np.array([50.0, 50.0, 40.0])
    judged = Judged(used, used <= 1, np.zeros((4, 3)), np.zeros((2, 3)), None, exits)
    judge = judge_of(event={"speed_unit": "km/h", "classes": (make_class(record_ms=45.0, record_margin=0.0),)})
    assert judge.broken(judged, 0) == (
        "load at speed: less than 1 % over what is allowed",
        "stopping distance: 100 % over what is allowed in a stop from 180.0 km/h, its speed at the last board",
    )
    assert judge.broken(judged, 1) == ("tire speed: 24 % over what is allowed",)
    tire, rotor = judge.broken(judged, 2)
    assert tire == "tire speed: over what is allowed"
    assert rotor == (
        "rotor rise: over what is allowed in a stop from 162.0 km/h, the record with its margin: it is not that fast, "
        "but must be able to stop from there"
    )
