"""From records of what was measured to a problem: which cars, which days, which numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import cast

import numpy as np

from optimizer.answers.unknowns import Unknown, only_needed, unknowns_of
from optimizer.calibration import observations as made
from optimizer.calibration.observations import Observation, Stretch
from optimizer.calibration.occasions import Parameter, build_of, occasion_of
from optimizer.calibration.problem import COAST_DRAG, Problem, part_of
from optimizer.choice.options import FloatArray, IntArray, Options, options_of
from optimizer.measured.records import Day, Measurements
from optimizer.run.model import rolling_radius_m
from optimizer.run.simulator import simulate
from optimizer.scenario.estimates import Calibration
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import Engine, Tire


def problem_of(scenario: Scenario, measurements: Measurements) -> Problem:
    """The problem that measurements of a scenario's car pose.

    Raises
    ------
    UsageError
        If a part that was in the car is no option of any slot.
    """
    whole = options_of(scenario)
    days = _days(measurements)
    builds = np.stack([_with_measured_part(whole, day, part) for day, part in days] or [whole.fitted])
    options, rows = only_needed(whole, builds)
    event = scenario.event
    occasions = tuple(
        # a part on its own knows no weather
        replace(each, own={}) if part else each
        for o, (day, part) in enumerate(days)
        for each in [occasion_of(event, rows[o], day, o)]
    )
    base = Problem(options, occasions, (), (), ())
    stretches, observations, left_out = _observations(base, measurements)
    keys = dict.fromkeys(occasion.salt for occasion in occasions)
    unknowns = {each.key: each for salt in keys or [event.salt] for each in unknowns_of(options, salt)}
    parameters = [
        Parameter(each.key, _name(each, len(keys) > 1), each.dimension, each.value, each.deviation, each)
        for each in unknowns.values()
        if each.place != "weather"
    ]
    if any(stretch.gear is None for stretch in stretches):
        parameters.append(COAST_DRAG)
    on_days = {own.key: own for occasion in occasions for own in occasion.own.values()}
    parameters += [*on_days.values(), *(stretch.start for stretch in stretches)]
    correlation = None if scenario.calibration is None else _correlation(scenario.calibration, parameters)
    return Problem(
        options, occasions, tuple(parameters), tuple(observations), tuple(stretches), tuple(left_out), correlation
    )


def _name(unknown: Unknown, several_salts: bool) -> str:
    """What an unknown is called: on days of several conditions of the salt each has its own numbers."""
    condition = f" ({unknown.id})" if several_salts and unknown.place == "salt" else ""
    return f"{unknown.name}{condition}"


def _correlation(calibration: Calibration, parameters: Sequence[Parameter]) -> FloatArray:
    """What a calibration says of how parameters hang together: (P, P)."""
    out = np.eye(len(parameters))
    place = {each.key: p for p, each in enumerate(parameters)}
    known = [(i, place[each.key]) for i, each in enumerate(calibration.estimates) if each.key in place]
    if known:
        of, at = (np.array([pair[k] for pair in known], dtype=np.int64) for k in (0, 1))
        out[np.ix_(at, at)] = np.array(calibration.correlation)[np.ix_(of, of)]
    return out


def _days(measurements: Measurements) -> list[tuple[Day, str]]:
    """Day of every measurement in order, and the part that it measured alone."""
    of_cars = (
        [(each.day, "") for each in measurements.coast_downs]
        + [(each.day, "") for each in measurements.logs]
        + [(each.day, "") for each in measurements.runs]
    )
    of_dyno = ((each.day, each.engine) for each in measurements.dyno)
    of_chalk = ((each.day, each.tire) for each in measurements.chalk)
    return [*of_cars, *of_dyno, *of_chalk]


def _with_measured_part(options: Options, day: Day, part: str) -> IntArray:
    """The build of a day, with a part that was measured on its own in the first slot that takes it."""
    if not part:
        return build_of(options, day)
    return build_of(options, replace(day, parts=(part,)))


def _observations(base: Problem, measurements: Measurements) -> tuple[list[Stretch], list[Observation], list[str]]:
    """Stretches and observations of all measurements, and what could not be used."""
    stretches: list[Stretch] = []
    observations: list[Observation] = []
    left_out: list[str] = []
    event, number = base.options.scenario.event, 0
    course = event.course
    marks = (course.run_up_m, course.run_up_m + course.timed_m)
    nothing = np.zeros(0)
    for coast in measurements.coast_downs:
        rolled = made.of_coast_down(number, coast, len(stretches))
        if rolled is None:
            left_out.append(f"{coast.day.file}: no stretch in which the car rolls freely")
        else:
            stretches.append(rolled[0])
            observations.append(rolled[1])
        number += 1
    for log in measurements.logs:
        inputs = base.inputs(nothing, number)
        last = int(simulate(inputs, marks, event.scoring.measure).passing.gear[1, 0])
        some, traces = made.of_log(number, log, len(stretches), inputs, last)
        if not some:
            left_out.append(f"{log.day.file}: no stretch of five seconds in one gear at full throttle")
        stretches += some
        observations += traces
        number += 1
    for run in measurements.runs:
        observations += made.of_run(number, run, marks, event.scoring.measure)
        number += 1
    for sheet in measurements.dyno:
        curve = cast(Engine, part_of(base.options, sheet.engine)).curve
        share = None if curve is None else made.of_dyno(
            number, sheet, np.array(curve.rpm), np.array(curve.torque_nm)
        )  # fmt: skip
        if share is None:
            left_out.append(f"{sheet.day.file}: no revs in common with the sheet of {sheet.engine}")
        else:
            observations.append(share)
        number += 1
    for mark in measurements.chalk:
        tire = cast(Tire, part_of(base.options, mark.tire))
        observations.append(made.of_chalk(number, mark, 2 * float(np.pi) * rolling_radius_m(tire)))
        number += 1
    return stretches, observations, left_out


