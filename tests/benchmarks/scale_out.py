"""Draws on more workers: ``python -m tests.benchmarks.scale_out`` prints JSON.

The demo's fastest builds run in the worlds of a meet: in this process, in spawned processes, and on a cluster of dask
on this machine where dask.distributed is installed. Times are wall-clock, the least of some repeats, with the start of
the workers and their imports apart; speeds are the same, bit for bit, or the benchmark stops. The figures mean
something on a machine with nothing else to do.
"""

from __future__ import annotations

import contextlib
import importlib.util
import json
import os
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from optimizer.answers.meet_runs import legs_of_meet, run_speeds
from optimizer.answers.meet_worlds import worlds_of
from optimizer.answers.unknowns import only_needed, unknowns_of
from optimizer.choice.options import FloatArray
from optimizer.executor import Pool, cluster, processes
from optimizer.scenario.event import Meet
from optimizer.scenario.reading import read_scenario
from optimizer.search.study import Study
from tests.scenes import DEMO

WORLDS, BUILDS, REPEATS = 512, 40, 3


class Kept(Executor):
    """An executor that is used again and again, so that what it takes to start is measured once."""

    def __init__(self, pool: Pool) -> None:
        self.executor = pool.open()

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Any:
        return self.executor.submit(fn, *args, **kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Stay open."""


def work() -> Callable[..., FloatArray]:
    """What is timed: a function of a pool."""
    study = Study.of(read_scenario(DEMO))
    found = study.best(BUILDS, budget_cents=study.scenario.event.budget_cents)
    options, rows = only_needed(study.options, found.builds[:BUILDS])
    meet, event = Meet(), study.scenario.event
    legs = legs_of_meet(event, meet)
    worlds = worlds_of(unknowns_of(options, event.salt), None, WORLDS, meet.days, len(legs))
    return partial(run_speeds, options, event.salt, rows, worlds, legs)


def timed(runs: Callable[..., FloatArray], pool: Pool | None, expected: FloatArray | None) -> tuple[float, FloatArray]:
    """Least time of some repeats, and the speeds."""
    times = []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        speeds = runs(pool=pool)
        times.append(time.perf_counter() - begun)
        if expected is not None and not np.array_equal(speeds, expected):
            sys.exit("speeds differ with the workers")
    return min(times), speeds


@contextlib.contextmanager
def local_cluster(workers: int) -> Iterator[Pool]:
    """A cluster of dask on this machine."""
    from distributed import LocalCluster  # noqa: PLC0415

    with LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None) as local:
        yield cluster(local.scheduler_address)


def measured(runs: Callable[..., FloatArray], pool: Pool, expected: FloatArray, alone_s: float) -> dict[str, Any]:
    """Figures of one pool."""
    kept = Kept(pool)
    again = replace(pool, open=lambda: kept, worth_s=-1.0)
    begun = time.perf_counter()
    runs(pool=again)
    first_s = time.perf_counter() - begun
    least_s, _ = timed(runs, again, expected)
    kept.executor.shutdown()
    return {
        "workers": pool.workers,
        "first_s": round(first_s, 2),
        "least_s": round(least_s, 2),
        "speedup": round(alone_s / least_s, 2),
    }


def main() -> None:
    """Print what was measured."""
    processors = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    runs = work()
    alone_s, expected = timed(runs, None, None)
    counts = sorted({1, 2, processors})
    found: dict[str, Any] = {
        "processors": processors,
        "load": round(os.getloadavg()[0], 2) if hasattr(os, "getloadavg") else None,
        "runs": int(expected.size),
        "in_process_s": round(alone_s, 2),
        "runs_per_s": round(expected.size / alone_s),
        "processes": [measured(runs, processes(count), expected, alone_s) for count in counts],
        "cluster": "not installed",
    }
    if importlib.util.find_spec("distributed"):
        found["cluster"] = []
        for count in counts:
            with local_cluster(count) as pool:
                found["cluster"].append(measured(runs, pool, expected, alone_s))
    print(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
