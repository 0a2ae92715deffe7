"""Whether the region that the fit states holds the truth, for one car and day drawn from what is known beforehand."""

from dataclasses import replace

import numpy as np
from scipy.special import chdtri

from optimizer.calibration.fitting import fit
from optimizer.calibration.posing import problem_of
from tests.calibration.made import CALM, coast_downs, joined, logged_pull, random_world, timed_runs
from tests.choice.records import make_scenario

DRAG, ROLLING, POWER = "car::drag_area_m2", "salt:ordinary:rolling_coefficient", "part:E-stock:curve"
TIME = np.arange(0.0, 60.0, 0.2)
ROLL_OUT = "part:T-stock:circumference_m"
KINDS = {
    "coast-downs": (DRAG, ROLLING),
    "timed runs": (DRAG, ROLLING, POWER),
    "run log": (POWER, ROLL_OUT),
    "all": (DRAG, ROLLING, POWER, ROLL_OUT),
}
STATED = 0.90


def distance(seed, kind="coast-downs", noise=(0.05, 0.05, 4.0)):
    """Squared distance of the truth from the estimate in the fit's own covariance, of the numbers of a kind."""
    rng = np.random.default_rng([seed, 17])
    scenario, truth = make_scenario(), {}

    def world(parameters):
        draws = random_world(rng)(parameters)
        return np.array([truth.setdefault(each.key, draw) for each, draw in zip(parameters, draws, strict=True)])

    made = []
    if kind in ("coast-downs", "all"):
        days = (CALM, replace(CALM, file="back.csv", other_way=True))
        made.append(coast_downs(scenario, days, TIME, world, rng, noise=noise)[0])
    if kind in ("run log", "all"):
        log = replace(CALM, file="log.csv")
        made.append(logged_pull(scenario, log, world, rng, 3, 33.0, 50.0, noise=noise)[0])
    if kind in ("timed runs", "all"):
        days = [replace(CALM, file="runs.csv", row=n, other_way=n == 3) for n in (2, 3)]
        made.append(timed_runs(scenario, days, world, rng)[0])
    found = fit(problem_of(scenario, joined(made)))
    at = [found.problem.place[key] for key in KINDS[kind]]
    off = found.world[at] - np.array([truth[key] for key in KINDS[kind]])
    return float(off @ np.linalg.solve(found.covariance[np.ix_(at, at)], off))


def covered(seed, kind="coast-downs", noise=(0.05, 0.05, 4.0)):
    """Whether the 90 % region holds the truth."""
    return distance(seed, kind, noise) < chdtri(len(KINDS[kind]), 1 - STATED)
