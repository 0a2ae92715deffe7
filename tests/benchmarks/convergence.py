"""Error of the simulator against the number of its points: ``python -m tests.benchmarks.convergence`` prints JSON.

The judge is the simulator itself with many more points, which agrees with a solver of differential equations far below
the errors shown (``tests/run/test_against_solve_ivp.py``). Cars a hair from being stuck in a gear or not are left out:
there any error of any size decides between two very different runs.
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

from optimizer.run import ahead, driving, simulator
from optimizer.run.inputs import RunInputs
from tests.search.catalogs import machinery, random_catalog

CARS = 300
PLACES: dict[str, tuple[ModuleType, ...]] = {
    "PULL_PANELS": (simulator,), "LIMITER_PANELS": (simulator,), "LAST_PANELS": (ahead, simulator),
    "LOG_REACH": (ahead, simulator), "SCAN_POINTS": (ahead,), "ROOT_PASSES": (ahead,), "DIP_PASSES": (ahead,),
    "SLIP_PASSES": (driving,), "SECANT_PASSES": (driving,),
}  # fmt: skip
FINE = {
    "PULL_PANELS": 30, "LIMITER_PANELS": 30, "LAST_PANELS": (40, 80), "LOG_REACH": 14.0, "SCAN_POINTS": 101,
    "ROOT_PASSES": 12, "DIP_PASSES": 6, "SLIP_PASSES": 14, "SECANT_PASSES": 12,
}  # fmt: skip
TRIED: tuple[dict[str, Any], ...] = (
    {},
    {"LAST_PANELS": (3, 6)}, {"LAST_PANELS": (6, 12)}, {"LAST_PANELS": (24, 48)},
    {"LIMITER_PANELS": 4}, {"LIMITER_PANELS": 16},
    {"PULL_PANELS": 1}, {"PULL_PANELS": 6},
    {"SLIP_PASSES": 2}, {"SLIP_PASSES": 5},
    {"LOG_REACH": 7.0}, {"LOG_REACH": 12.0},
)  # fmt: skip


@contextmanager
def points(**values: Any) -> Iterator[None]:
    """The simulator with other numbers of points, for as long as the block lasts."""
    before = {name: getattr(PLACES[name][0], name) for name in values}
    try:
        for name, value in values.items():
            for module in PLACES[name]:
                setattr(module, name, value)
        yield
    finally:
        for name, value in before.items():
            for module in PLACES[name]:
                setattr(module, name, value)


def cars() -> list[tuple[RunInputs, tuple[float, float], Any]]:
    """Random builds of nine catalogs: all layouts and scorings, with grip to spare and without."""
    rng, found = np.random.default_rng(1), []
    for seed in range(9):
        options, _, _, judge = machinery(random_catalog(seed))
        builds = np.stack([rng.integers(0, size, CARS) for size in options.sizes], axis=1)
        inputs = judge.model.inputs(builds, judge.conditions[0])
        if seed % 3 == 0:
            inputs = replace(inputs, front_mu=inputs.front_mu * 0.5, rear_mu=inputs.rear_mu * 0.5)
        found.append((inputs, judge.marks_m, judge.event.scoring.measure))
    return found


def main() -> None:
    """Print one line of errors for each choice of points."""
    batches = cars()

    def scores() -> np.ndarray:
        return np.concatenate([simulator.simulate(*batch).score_ms for batch in batches])

    with points(**FINE):
        truth = scores()
    rows = []
    for choice in TRIED:
        with points(**choice):
            start = time.perf_counter()
            found = scores()
            seconds = time.perf_counter() - start
        error = np.abs(found - truth)
        stuck = error > 0.5
        error = error[~stuck] / 0.44704
        rows.append(
            {
                "points": choice or "as shipped",
                "largest_mph": float(f"{error.max():.2g}"),
                "p99_mph": float(f"{np.quantile(error, 0.99):.2g}"),
                "median_mph": float(f"{np.median(error):.2g}"),
                "left_out": int(stuck.sum()),
                "cars_a_second": round(len(found) / seconds),
            }
        )
    print(json.dumps({"cars": len(truth), "rows": rows}, indent=1))


if __name__ == "__main__":
    main()
