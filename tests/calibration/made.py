"""Measurements of a car whose true numbers are known: runs and coast-downs by an ordinary solver, with noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

from optimizer.calibration.posing import problem_of
from optimizer.calibration.problem import Problem
from optimizer.measured.records import CoastDown, Day, Measurements, RunLog, TimedRun
from tests.run.independent_run import OneCar, independent_run


def coasting(inputs, start_ms, time_s, drag_n=0.0):
    """Speeds at times of one car that rolls out of gear, wind and lift and all, by scipy's solver."""
    car = OneCar(inputs)
    mass = car.translating_kg + car.wheel_side_kg + car.shaft_kgm2 * (car.final_ratio / car.radius_m) ** 2

    def slope(_t, y):
        drag, rolling, _ = car.against(float(y[0]))
        return [-(drag + rolling + drag_n) / mass]

    return solve_ivp(slope, (0, time_s[-1]), [start_ms], t_eval=time_s, rtol=1e-9, atol=1e-9).y[0]


def pulling(inputs, gear, start_ms, time_s):
    """Speeds and wheel speeds at times of one car at full throttle in a gear, by scipy's solver."""
    car = OneCar(inputs)

    def slope(_t, y):
        return [car.full_throttle(float(y[0]), gear, clutch=False)[0]]

    speed = solve_ivp(slope, (0, time_s[-1]), [start_ms], t_eval=time_s, rtol=1e-8, atol=1e-8).y[0]
    return speed, np.array([car.wheel_speed(float(u), gear) for u in speed])


def lasting_noise(rng, time_s, single, lasting, lasting_s):
    """Noise that is new in every sample, and noise that goes on for a while."""
    off = np.empty(len(time_s))
    off[0] = rng.normal(0, lasting)
    for i in range(1, len(off)):
        keep = np.exp(-(time_s[i] - time_s[i - 1]) / lasting_s)
        off[i] = keep * off[i - 1] + rng.normal(0, lasting * np.sqrt(1 - keep**2))
    return off + rng.normal(0, single, len(off))


def joined(several):
    """Measurements of several makings as one."""
    kinds = ("coast_downs", "logs", "runs", "dyno", "chalk", "notices")
    return Measurements(**{kind: tuple(one for each in several for one in getattr(each, kind)) for kind in kinds})


@dataclass
class TrueCar:
    """A scenario's car in a world of known scores: what it would have shown."""

    problem: Problem
    world: np.ndarray

    @classmethod
    def of(cls, scenario, measurements, world_of):
        """``world_of(parameters)`` gives the scores."""
        problem = problem_of(scenario, measurements)
        return cls(problem, world_of(problem.parameters))

    def inputs(self, occasion):
        return self.problem.inputs(self.world, occasion)

    def score(self, key):
        return float(self.world[self.problem.place[key]])


MILE_M = 1609.344
CALM = Day(
    file="coast.csv", name="coast-down", date="2031-05-01", salt="ordinary", wind_ms=0.0, wind_from_deg=0.0,
    pressure_pa=87_000.0, temperature_k=298.15, humidity=0.25,
)  # fmt: skip
"""A day of which everything was written down."""


def random_world(rng):
    """Scores of all parameters from their priors; the speeds at the start of traces are whatever they are."""

    def world(parameters):
        return np.array([0.0 if each.key.startswith("start:") else rng.normal() for each in parameters])

    return world


def coast_downs(scenario, days, time_s, world_of, rng, *, from_ms=45.0, noise=(0.05, 0.05, 4.0)):
    """Coast-downs of a car in a world, with noise on them, and the true car."""
    blank = Measurements(coast_downs=tuple(CoastDown(day, time_s, from_ms - 0.3 * time_s) for day in days))
    car = TrueCar.of(scenario, blank, world_of)
    made = []
    for o, day in enumerate(days):
        speed = coasting(car.inputs(o), from_ms, time_s, 8.0 * car.score("car:coast drag"))
        if noise:
            speed = speed + lasting_noise(rng, time_s, *noise)
        made.append(CoastDown(day, time_s, speed))
    return Measurements(coast_downs=tuple(made)), car


def timed_runs(scenario, days, world_of, rng, *, scatter=0.004):
    """Timed runs of a car in a world, by the independent run, and the true car."""
    blank = Measurements(runs=tuple(TimedRun(day, 45.0) for day in days))
    car = TrueCar.of(scenario, blank, world_of)
    course = scenario.event.course
    marks = (course.run_up_m, course.run_up_m + course.timed_m)
    made = []
    for o, day in enumerate(days):
        run = independent_run(car.inputs(o), marks, scenario.event.scoring.measure)
        made.append(TimedRun(day, run.score_ms * (1.0 + scatter * rng.normal())))
    return Measurements(runs=tuple(made)), car


def logged_pull(scenario, day, world_of, rng, gear, start_ms, seconds, *, noise=(0.05, 0.03, 4.0)):
    """A log of a pull in one gear with revs, and the true car."""
    time = np.arange(0.0, seconds, 0.25)
    blank = Measurements(logs=(RunLog(day, time, start_ms + 0.1 * time, rpm=np.full(len(time), 5000.0)),))
    car = TrueCar.of(scenario, blank, world_of)
    inputs = car.inputs(0)
    speed, surface = pulling(inputs, gear, start_ms, time)
    one = OneCar(inputs)
    rpm = np.array([one.rpm(float(c), gear) for c in surface])
    log = RunLog(
        day, time, speed + lasting_noise(rng, time, *noise), rpm=rpm * (1 + rng.normal(0, 0.001, len(time)))
    )
    return Measurements(logs=(log,)), car
