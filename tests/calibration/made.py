"""Measurements of a car whose true numbers are known: runs and coast-downs by an ordinary solver, with noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

from optimizer.calibration.posing import problem_of
from optimizer.calibration.problem import Problem
from tests.run.independent_run import OneCar


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
