"""What the data cannot tell apart, and which test would: cheapest first.

One measured speed fixes one sum of many numbers. A number is *tied* where it would be known if all others were, and is
not known since they are not. Along the ridge two of them trade: all else as estimated, one may be high if the other is
low.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from optimizer.calibration.fitting import Fit
from optimizer.calibration.noise import noise_before
from optimizer.calibration.observations import OfRun, OfTrace
from optimizer.calibration.occasions import Parameter
from optimizer.calibration.posing import problem_of
from optimizer.calibration.problem import Problem
from optimizer.choice.options import FloatArray, IntArray, Options
from optimizer.measured.records import ChalkMark, CoastDown, Day, DynoSheet, Measurements, TimedRun
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import Engine, Tire

KNOWN = 0.5
"""A number is known by measurement where no more than this is left of its standard uncertainty."""
HELD = 0.6
"""A number is tied where, were all others known, no more than this share of its uncertainty would be left."""
MAIN = ("drag_area_m2", "rolling_coefficient", "curve", "circumference_m", "slip_at_slide")
"""What a crew wants to know of a car: a ridge is told where one of these is on it."""
TOGETHER = 0.12
"""Correlation beyond which two numbers are tied to each other."""
MOST_NAMED = 6
NINETY = 1.645
"""Standard deviations on either side that hold nine tenths."""
LOGGED_TACH = 0.003
"""Revs as a logger has them."""
ENOUGH = 0.7
"""A test separates two numbers where it leaves no more than this of what is open of both."""
WORDS = MappingProxyType(
    {
        "chalk": "tape and chalk: the roll-out of the driven tires over three turns",
        "tach": "GPS speed against the tachometer on the measured mile, read from a logger",
        "coast-down": "a coast-down at the end of a run, logged, both ways",
        "dyno": "a dyno sheet of the engine as it is in the car",
    }
)
"""Tests in the order of what they cost, which is common practice, without a source."""


@dataclass(frozen=True, slots=True)
class Trial:
    """A test that was not made, and what it would leave of the prior uncertainty of each parameter, as a share."""

    name: str
    words: str
    narrowed: FloatArray


@dataclass(frozen=True, slots=True)
class Ridge:
    """Numbers that the data tie together.

    Attributes
    ----------
    members : tuple of int
        Positions of tied parameters, those that move the data most first.
    partners : tuple of int
        What else takes part: numbers of a day.
    first, second : int
        The two that trade.
    first_ends, second_ends : tuple of float
        What they may be, nine times in ten, all else as estimated: the second's first end belongs to the first's.
    at_ms : float
        About the speed at which their sum is known [m/s].
    test : Trial or None
        The cheapest that separates the two; the one that does most where none does, None where none does anything.
    """

    members: tuple[int, ...]
    partners: tuple[int, ...]
    first: int
    second: int
    first_ends: tuple[float, float]
    second_ends: tuple[float, float]
    at_ms: float
    test: Trial | None


def ridges_of(fit: Fit, tests: Sequence[Trial]) -> tuple[Ridge, ...]:
    """The ridges of a fit, that of the numbers that move the data most first."""
    known = np.asarray(np.linalg.inv(fit.covariance))
    left, alone = fit.narrowed, 1.0 / np.sqrt(np.diag(known))
    correlation = fit.covariance / np.outer(left, left)
    parameters = fit.problem.parameters
    lasting = np.array([each.unknown is not None for each in parameters])
    of_day = np.array([each.key.startswith(("day:", "car:coast")) for each in parameters])
    tied = np.flatnonzero(lasting & (left > KNOWN) & (alone < HELD * left))
    found, seen = [], set[int]()
    for p in sorted(tied.tolist(), key=lambda p: alone[p]):
        if p in seen:
            continue
        group = _joined(p, tied, correlation)
        seen |= set(group)
        if len(group) < 2 or not any(_field(parameters[p]) in MAIN for p in group):
            continue
        members = sorted(group, key=lambda p: alone[p])
        partners = np.flatnonzero(of_day & (np.abs(correlation[p]) > TOGETHER) & (alone < HELD * left))
        ridge = _ridge(fit, known, tuple(members), tuple(partners.tolist()), tests)
        if ridge is not None:
            found.append(ridge)
    return tuple(found)


def _joined(start: int, tied: IntArray, correlation: FloatArray) -> list[int]:
    """All tied parameters that hang together with one."""
    group, open_ = {start}, [start]
    while open_:
        here = open_.pop()
        for p in tied.tolist():
            if p not in group and abs(correlation[here, p]) > TOGETHER:
                group.add(p)
                open_.append(p)
    return sorted(group)


def _ridge(
    fit: Fit, known: FloatArray, members: tuple[int, ...], partners: tuple[int, ...], tests: Sequence[Trial]
) -> Ridge | None:
    """A ridge with the two of its members that trade: the first of `MAIN`, and the next that is of another kind.

    None where those two do not trade: along what is least known of them one hardly moves.
    """
    parameters = fit.problem.parameters
    main = [p for field in MAIN for p in members if _field(parameters[p]) == field]
    first = main[0]
    reaches = {
        p: _reach(known, [first, p]) for p in members if _quantity(parameters[p]) != _quantity(parameters[first])
    } or {p: _reach(known, [first, p]) for p in members if p != first}
    # those trade best that both go far; but a crew asks first about drag against rolling
    asked = [p for p in main[1:] if p in reaches][:1]
    second = asked[0] if asked else max(reaches, key=lambda p: float(np.abs(reaches[p]).min()))
    pair = [first, second]
    if (np.abs(reaches[second]) < TOGETHER * NINETY * fit.narrowed[pair]).any():
        return None
    ends = [
        (parameters[p].at(float(fit.world[p] - along)), parameters[p].at(float(fit.world[p] + along)))
        for p, along in zip(pair, reaches[second], strict=True)
    ]
    if ends[0][0] > ends[0][1]:
        ends = [(high, low) for low, high in ends]
    return Ridge(members, partners, first, second, ends[0], ends[1], _speed_of(fit), _best(fit, pair, tests))


def _reach(known: FloatArray, pair: list[int]) -> FloatArray:
    """How far two parameters (2,) go along the direction that is least known of them, all others as estimated."""
    size, axes = np.linalg.eigh(np.linalg.inv(known[np.ix_(pair, pair)]))
    return np.asarray(NINETY * np.sqrt(size[1]) * axes[:, 1])


def _speed_of(fit: Fit) -> float:
    """Mean of the speeds that count, or of traces where no run was timed."""
    every = [each for each in fit.problem.observations if isinstance(each, OfRun) and each.gear is None]
    last = max((each.marks_m[1] for each in every), default=0.0)
    runs = [each.observed for each in every if each.marks_m[1] == last]
    traces = [
        float(each.observed.mean())
        for each in fit.problem.observations
        if isinstance(each, OfTrace) and each.channel == "speed"
    ]
    return float(np.mean(runs or traces or [0.0]))


def _field(parameter: Parameter) -> str:
    """Field of the record that a parameter belongs to; empty where it is one of a day."""
    return "" if parameter.unknown is None else parameter.unknown.field


def _quantity(parameter: Parameter) -> str:
    """What kind of thing a parameter is: tires and salt roll alike, and all that scales power does."""
    field = _field(parameter)
    return {"long_pull_factor": "curve", "driveline_efficiency": "curve", "torque_factor": "curve"}.get(field, field)


def _best(fit: Fit, pair: list[int], tests: Sequence[Trial]) -> Trial | None:
    """The cheapest test that separates a pair, or the one that does most."""
    left = fit.narrowed[pair]
    for test in tests:
        if (test.narrowed[pair] <= ENOUGH * left).all():
            return test
    useful = [test for test in tests if (test.narrowed[pair] <= 0.9 * left).any()]
    return min(useful, key=lambda test: float((test.narrowed[pair] / left).prod()), default=None)


# --- tests that were not made


def tests_of(scenario: Scenario, fit: Fit) -> tuple[Trial, ...]:
    """What each test would leave open, cheapest first: made once, on a day to come, with the car as last measured."""
    problem = fit.problem
    day = _next_day(problem)
    made, names = _synthetic(scenario, problem, day)
    trial = problem_of(scenario, made)
    world = np.array([_score_of(fit, each) for each in trial.parameters])
    _, slopes = trial.linearized(world)
    shared = [(q, problem.place[each.key]) for q, each in enumerate(trial.parameters) if each.key in problem.place]
    at, to = (np.array([pair[i] for pair in shared], dtype=np.int64) for i in (0, 1))
    own = np.setdiff1d(np.arange(len(trial.parameters)), at)
    before = np.linalg.inv(fit.covariance)
    gains: dict[str, FloatArray] = {}
    for name, some in names.items():
        rows = np.concatenate([np.arange(len(trial.observed))[trial.slices[i]] for i in some])
        cov = np.zeros((len(trial.observed),) * 2)
        for i in some:
            cov[trial.slices[i], trial.slices[i]] = noise_before(trial.observations[i]).covariance
        if name == "tach":
            cov[rows, rows] = LOGGED_TACH**2
        open_ = cov[np.ix_(rows, rows)] + slopes[np.ix_(rows, own)] @ slopes[np.ix_(rows, own)].T
        told = slopes[np.ix_(rows, at)]
        gains[name] = told.T @ np.linalg.solve(open_, told)
    found = []
    for name, words in WORDS.items():
        if name in gains:
            after = before.copy()
            after[np.ix_(to, to)] += gains[name]
            found.append(Trial(name, words, np.sqrt(np.diag(np.linalg.inv(after)))))
    return tuple(found)


def _score_of(fit: Fit, parameter: Parameter) -> float:
    place = fit.problem.place.get(parameter.key)
    return 0.0 if place is None or parameter.key.startswith(("day:", "run:", "start:")) else float(fit.world[place])


def _next_day(problem: Problem) -> Day:
    """A day with the air and the wind written down, and the car as it was last measured."""
    last = problem.occasions[-1].day if problem.occasions else Day(file="")
    weather = problem.options.scenario.event.weather[0]
    return replace(
        last, file="a test", row=1, name="a test", date="a day to come", pressure_pa=weather.pressure_pa,
        temperature_k=weather.temperature_k, humidity=weather.humidity, wind_ms=1.5, wind_from_deg=0.0,
        bearing_deg=0.0, other_way=False, mass_kg=None, salt=last.salt or problem.options.scenario.event.salt,
    )  # fmt: skip


def _synthetic(scenario: Scenario, problem: Problem, day: Day) -> tuple[Measurements, Mapping[str, list[int]]]:
    """Measurements of all tests, and which observations are those of each."""
    options = problem.options
    tire, engine = _driven_tire(options, problem), _engine(options, problem)
    fast = scenario.race_class.record_ms
    time = np.arange(0.0, 60.0, 1.0)
    falls = np.linspace(fast, 0.4 * fast, len(time))
    back = replace(day, file="a test back", bearing_deg=180.0)
    made = Measurements(
        coast_downs=(CoastDown(day, time, falls), CoastDown(back, time, falls)),
        runs=(TimedRun(replace(day, file="a test run"), fast, (), 5000.0, 1),),
        chalk=(ChalkMark(day, tire.id, 1.8, 3),),
        dyno=() if engine.curve is None else (
            DynoSheet(day, engine.id, np.array(engine.curve.rpm), np.array(engine.curve.torque_nm)),
        ),
    )  # fmt: skip
    trial = problem_of(scenario, made)
    names: dict[str, list[int]] = {}
    for i, each in enumerate(trial.observations):
        if isinstance(each, OfTrace):
            names.setdefault("coast-down", []).append(i)
        elif isinstance(each, OfRun):
            if each.gear is not None:
                names.setdefault("tach", []).append(i)
        else:
            names.setdefault("dyno" if each.what == "torque" else "chalk", []).append(i)
    return made, names


def _chosen(options: Options, problem: Problem) -> tuple[object, ...]:
    row = problem.occasions[-1].row if problem.occasions else options.fitted
    return options.chosen(row)


def _driven_tire(options: Options, problem: Problem) -> Tire:
    """The tire that drives the car as last measured."""
    driven = options.scenario.car.drive
    parts = zip(options.slots, _chosen(options, problem), strict=True)
    return next(part for slot, part in parts if isinstance(part, Tire) and driven in ("all", slot.axle))


def _engine(options: Options, problem: Problem) -> Engine:
    return next(part for part in _chosen(options, problem) if isinstance(part, Engine))

