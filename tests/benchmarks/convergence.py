"""Error of the simulator against the number of its points: ``python -m tests.benchmarks.convergence`` prints JSON.

The judge is the simulator itself with many more points, which agrees with a solver of differential equations far below
the errors shown (``tests/run/test_against_solve_ivp.py``). Cars a hair from being stuck in a gear or not are left out:
there any error of any size decides between two very different runs. Speed is that of large batches, as processor time.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from types import ModuleType
from typing import Any

import numpy as np

from optimizer.run import ahead, driving, gears, panels, simulator
from optimizer.run.inputs import RunInputs
from tests.search.catalogs import machinery, random_catalog

CARS = 300
MPH = 0.44704
PLACES: dict[str, ModuleType] = {
    "CLUTCH_PANELS": gears, "PULL_PANELS": gears, "LAST_PANELS": simulator, "LIMITER_PANELS": simulator,
    "SCAN_POINTS": ahead, "ROOT_PASSES": ahead, "DIP_PASSES": ahead, "LOG_REACH": ahead, "ROOM": ahead,
    "SLIP_ROUNDS": driving, "ALONE_ROUNDS": driving, "SURFACE_ROUNDS": driving, "HOLD_PASSES": driving,
    "BOARD_PASSES": panels,
}  # fmt: skip
FINE = {
    "CLUTCH_PANELS": (10, 10, 10), "PULL_PANELS": (20, 20, 20), "LAST_PANELS": (30, 30, 60), "LIMITER_PANELS": 30,
    "SCAN_POINTS": (101, 101), "ROOT_PASSES": 12, "DIP_PASSES": 6, "LOG_REACH": 14.0, "ROOM": 3.0,
    "SLIP_ROUNDS": 4, "ALONE_ROUNDS": 5, "SURFACE_ROUNDS": 6, "HOLD_PASSES": 12, "BOARD_PASSES": 8,
}  # fmt: skip
TRIED: tuple[dict[str, Any], ...] = (
    {},
    {"LAST_PANELS": (1, 1, 3)}, {"LAST_PANELS": (2, 2, 4)}, {"LAST_PANELS": (6, 6, 12)},
    {"LIMITER_PANELS": 3}, {"LIMITER_PANELS": 12},
    {"PULL_PANELS": (1, 1, 1)}, {"PULL_PANELS": (4, 4, 4)}, {"CLUTCH_PANELS": (3, 3, 3)},
    {"SCAN_POINTS": (5, 5)}, {"SCAN_POINTS": (17, 17)},
    {"SLIP_ROUNDS": 2}, {"ALONE_ROUNDS": 1}, {"SURFACE_ROUNDS": 2},
    {"LOG_REACH": 7.0}, {"LOG_REACH": 12.0}, {"ROOM": 3.0},
)  # fmt: skip

Batch = tuple[RunInputs, tuple[float, float], Any]


@contextmanager
def points(**values: Any) -> Iterator[None]:
    """The simulator with other numbers of points, for as long as the block lasts."""
    before = {name: getattr(PLACES[name], name) for name in values}
    try:
        for name, value in values.items():
            setattr(PLACES[name], name, value)
        # the simulator holds this one under its own name too
        simulator.LOG_REACH = ahead.LOG_REACH
        yield
    finally:
        for name, value in before.items():
            setattr(PLACES[name], name, value)
        simulator.LOG_REACH = ahead.LOG_REACH


def cars(count: int = CARS) -> list[Batch]:
    """Random builds of nine catalogs: all layouts and scorings, with grip to spare and without."""
    rng, found = np.random.default_rng(1), []
    for seed in range(9):
        options, _, _, judge = machinery(random_catalog(seed))
        builds = np.stack([rng.integers(0, size, count) for size in options.sizes], axis=1)
        inputs = judge.model.inputs(builds, judge.conditions[0])
        if seed % 3 == 0:
            inputs = replace(inputs, front_mu=inputs.front_mu * 0.5, rear_mu=inputs.rear_mu * 0.5)
        found.append((inputs, judge.marks_m, judge.event.scoring.measure))
    return found


def main() -> None:
    """Print one line of errors and speed for each choice of points."""
    batches, many = cars(), cars(simulator.CHUNK)

    def scores(of: list[Batch]) -> np.ndarray:
        return np.concatenate([simulator.simulate(*batch).score_ms for batch in of])

    with points(**FINE):
        truth = scores(batches)
    rows = []
    for choice in TRIED:
        with points(**choice):
            error = np.abs(scores(batches) - truth)
            start = time.process_time()
            count = len(scores(many))
            seconds = time.process_time() - start
        stuck = error > 0.5
        error = error[~stuck] / MPH
        rows.append(
            {
                "points": choice or "as shipped",
                "largest_mph": float(f"{error.max():.2g}"),
                "p99_mph": float(f"{np.quantile(error, 0.99):.2g}"),
                "median_mph": float(f"{np.median(error):.2g}"),
                "left_out": int(stuck.sum()),
                "cars_a_second": round(count / seconds),
            }
        )
    print(json.dumps({"cars": len(truth), "rows": rows}, indent=1))


if __name__ == "__main__":
    main()
