"""Builds a second against an ordinary solver: ``python -m tests.benchmarks.throughput`` prints JSON.

Random builds of nine catalogs are run by the simulator, and some of them by the judge of the tests
(``tests/run/independent_run.py``: scipy's ``solve_ivp``, DOP853, with events for shifts, boards and caps; every gear is
tried as the last, as the simulator does). The judge's tolerance, relative and absolute alike, is the loosest power of
ten at which every one of its scores is within 0.005 mph of its own scores at 1e-10. Both are timed in this process, on
one core, as processor time: other programs on the machine count for little.
"""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from optimizer.run.driving import BLOCK, Gear
from optimizer.run.inputs import FloatArray, RunInputs
from optimizer.run.simulator import CHUNK, simulate
from tests.benchmarks.convergence import MPH, Batch, cars
from tests.run import independent_run as judge

BUILDS, JUDGED = 8192, 36
"""Builds of each catalog, and how many of them the judge runs too."""
TOLERANCES = (1e-2, 1e-3, 1e-4, 1e-5, 1e-6, 1e-7, 1e-8)
AGREEMENT_MPH = 0.005
REPEATS = 7


@contextmanager
def counted() -> Iterator[Counter[str]]:
    """How often forces are evaluated while the block lasts: for how many states of a car."""
    count: Counter[str] = Counter()
    kept = {name: getattr(Gear, name) for name in ("push", "resistance", "engine_force")}

    def counting(name: str) -> Callable[..., Any]:
        def call(self: Gear, at: FloatArray, *args: Any) -> Any:
            count[name] += at.size
            return kept[name](self, at, *args)

        return call

    try:
        for name in kept:
            setattr(Gear, name, counting(name))
        yield count
    finally:
        for name, method in kept.items():
            setattr(Gear, name, method)


def least_time(inputs: RunInputs) -> float:
    """Seconds for one pass over all forces at one state of a car, run again and again on the same arrays."""
    some = inputs.take(np.resize(np.arange(len(inputs)), CHUNK))
    gear = Gear(some, 2)
    surface = np.linspace(20.0, 40.0, BLOCK // CHUNK)[:, None] * np.ones(CHUNK)
    share, force = np.full(surface.shape, 0.97), gear.engine_force(surface)

    def one_pass() -> None:
        drag, rolling, pressure = gear.resistance(share * surface)
        base, _ = gear.grip(rolling, pressure)
        gear._pass(surface, share, force, drag + rolling, base)

    return seconds(one_pass, 50) / surface.size


def seconds(work: Callable[[], None], times: int = 1) -> float:
    """Processor time of some work: the median of a few trials."""
    trials = []
    for _ in range(REPEATS):
        start = time.process_time()
        for _ in range(times):
            work()
        trials.append((time.process_time() - start) / times)
    return float(np.median(trials))


def judged(batches: list[Batch], tolerance: float) -> tuple[FloatArray, float]:
    """Scores [m/s] of the first builds of each catalog by the solver, and seconds for each build."""
    judge.RTOL = judge.ATOL = tolerance
    start = time.process_time()
    scores = [
        judge.independent_run(inputs.take(slice(row, row + 1)), marks, measure).score_ms
        for inputs, marks, measure in batches
        for row in range(JUDGED)
    ]
    return np.array(scores), (time.process_time() - start) / len(scores)


def main() -> None:
    """Print how many builds a second, and how many times the solver that is."""
    batches = cars(BUILDS)
    builds = sum(len(inputs) for inputs, _, _ in batches)

    def run() -> None:
        for batch in batches:
            simulate(*batch)

    run()
    each = seconds(run) / builds
    with counted() as count:
        run()
    truth, _ = judged(batches, 1e-10)
    own = np.concatenate([simulate(*batch).score_ms[:JUDGED] for batch in batches])
    trials = []
    for tolerance in TOLERANCES:
        found, solver = judged(batches, tolerance)
        trials.append(
            {
                "tolerance": tolerance,
                "largest_mph": float(f"{np.abs(found - truth).max() / MPH:.2g}"),
                "ms_a_build": round(1e3 * solver, 2),
                "times_simulator": round(solver / each),
            }
        )
        if trials[-1]["largest_mph"] <= AGREEMENT_MPH:
            break
    passes = count["resistance"] / builds
    one_pass = least_time(batches[0][0])
    print(
        json.dumps(
            {
                "builds": builds,
                "cars_a_second": round(1.0 / each),
                "microseconds_a_car": round(1e6 * each, 2),
                "points_a_car": round(count["push"] / builds, 1),
                "passes_over_forces_a_car": round(passes, 1),
                "torque_lookups_a_car": round(count["engine_force"] / builds, 1),
                "nanoseconds_a_pass_in_the_cache": round(1e9 * one_pass, 1),
                "share_of_time_in_passes_at_that_rate": round(passes * one_pass / each, 2),
                "largest_difference_from_solver_mph": float(f"{np.abs(own - truth).max() / MPH:.2g}"),
                "solver_builds": len(truth),
                "solver_trials": trials,
                "times_solver": trials[-1]["times_simulator"],
            },
            indent=1,
        )
    )


if __name__ == "__main__":
    main()
