"""Other ways to search, on the same instance: ``python -m tests.benchmarks.peers --size 8x40`` prints JSON.

Same simulator in batches, same legality, same price. Regret is against the ranking's own best build, or the best that
anybody found where the ranking did not finish in time. Needs the extra ``bench``. Every method has its own process.
"""

from __future__ import annotations

import argparse
import json
import math
import signal
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import numpy as np
from scipy.optimize import differential_evolution

from optimizer.choice.options import FloatArray, IntArray
from optimizer.units import to_unit
from tests.benchmarks.big_catalogs import FAMILIES, SIZES, big_catalog
from tests.benchmarks.no_goods import Problem, by_cp_sat, by_highs, no_goods
from tests.benchmarks.scale import StoppedError, guarded, ranked, versions
from tests.search.catalogs import machinery

CHUNK = 100_000


# --- the peers ------------------------------------------------------------------------------------------------------


def enumeration(problem: Problem, _: argparse.Namespace) -> dict[str, Any]:
    """Every combination of what is usable, in blocks: for small instances only."""
    choices = [np.flatnonzero(fine) for fine in problem.usable]
    shape = tuple(map(len, choices))
    total, legal = math.prod(shape), 0
    for first in range(0, total, CHUNK):
        places = np.unravel_index(np.arange(first, min(first + CHUNK, total)), shape)
        builds = np.column_stack([choice[place] for choice, place in zip(choices, places, strict=True)])
        builds = builds[problem.feasible(builds)]
        legal += len(builds)
        problem.values(builds)
    return {"combinations": total, "legal_before_a_run": legal}


def genetic(problem: Problem, asked: argparse.Namespace) -> dict[str, Any]:
    """A genetic algorithm of pymoo: uniform crossover, options drawn anew at random, and the repair."""
    from pymoo.algorithms.soo.nonconvex.ga import GA  # noqa: PLC0415 - optional
    from pymoo.core.mutation import Mutation  # noqa: PLC0415
    from pymoo.core.problem import Problem as Base  # noqa: PLC0415
    from pymoo.core.repair import Repair  # noqa: PLC0415
    from pymoo.operators.crossover.ux import UniformCrossover  # noqa: PLC0415
    from pymoo.operators.sampling.rnd import IntegerRandomSampling  # noqa: PLC0415
    from pymoo.optimize import minimize  # noqa: PLC0415

    class Builds(Base):
        def __init__(self) -> None:
            super().__init__(n_var=len(problem.sizes), n_obj=1, xl=0, xu=problem.sizes - 1, vtype=int)

        def _evaluate(self, x: Any, out: Any, *_: Any, **__: Any) -> None:
            out["F"] = -problem.values(x.astype(np.int64))

    class Redraw(Mutation):
        def _do(self, _: Any, x: Any, **__: Any) -> Any:
            changed = problem.rng.random(x.shape) < 1.5 / x.shape[1]
            return np.where(changed, problem.rng.integers(0, problem.sizes, x.shape), x)

    class MadeLegal(Repair):
        def _do(self, _: Any, x: Any, **__: Any) -> Any:
            return problem.repaired(x)

    method = GA(
        pop_size=200, sampling=IntegerRandomSampling(), crossover=UniformCrossover(), mutation=Redraw(),
        repair=MadeLegal(), eliminate_duplicates=True,
    )  # fmt: skip
    minimize(Builds(), method, ("n_eval", asked.evaluations), seed=asked.seed, verbose=False)
    return {"population": 200}


def evolution(problem: Problem, asked: argparse.Namespace) -> dict[str, Any]:
    """Differential evolution of scipy on option numbers, with a penalty on clashes and on money."""

    def cost(x: FloatArray) -> FloatArray:
        builds = np.round(x.T).astype(np.int64)
        clashes = np.zeros(len(builds))
        for s, fine in enumerate(problem.usable):
            clashes += ~fine[builds[:, s]]
        for (a, b), out in problem.legality.pairs.items():
            clashes += out[builds[:, a], builds[:, b]]
        for row in problem.legality.rows:
            clashes += ~row.holds(builds)
        cents = problem.bounds.fixed_cents + sum(each[builds[:, s]] for s, each in enumerate(problem.bounds.cents))
        over = np.maximum(cents - problem.budget, 0) / max(problem.budget, 1)
        fine = problem.feasible(builds)
        found = np.full(len(builds), 0.0)
        found[fine] = problem.values(builds[fine])
        return np.where(fine, -found, 10.0 * clashes + 50.0 * over + 10.0)

    population = 15 * len(problem.sizes)
    found = differential_evolution(
        cost, [(0, float(size - 1)) for size in problem.sizes], integrality=np.ones(len(problem.sizes)), popsize=15,
        maxiter=max(1, asked.evaluations // population - 1), vectorized=True, updating="deferred", polish=False,
        rng=asked.seed, tol=0.0,
    )  # fmt: skip
    return {"asked": int(found.nit + 1) * population, "population": population}


def _best(asked: argparse.Namespace) -> IntArray:
    """The build that linear scores are taken at."""
    return np.array([int(each) for each in asked.best.split(",")], dtype=np.int64)


PEERS: dict[str, Callable[[Problem, argparse.Namespace], dict[str, Any]]] = {
    "genetic": genetic,
    "evolution": evolution,
    "highs": lambda problem, asked: no_goods(problem, _best(asked), asked.no_goods, by_highs),
    "cp_sat": lambda problem, asked: no_goods(problem, _best(asked), asked.no_goods, by_cp_sat),
    "enumeration": enumeration,
}


def one(asked: argparse.Namespace) -> None:
    """Run one method in this process and print what it found, also where it is stopped."""

    def stop(*_: Any) -> None:
        raise StoppedError

    problem = Problem(asked.size, asked.family, asked.seed)
    start, more, finished = time.perf_counter(), dict[str, Any](), False
    signal.signal(signal.SIGTERM, stop)
    with suppress(StoppedError):
        more, finished = PEERS[asked.one](problem, asked), True
    found = {
        "finished": finished, "seconds": round(time.perf_counter() - start, 2), "best_ms": problem.best_ms,
        "build": problem.best.tolist(), "evaluations": problem.evaluations, **more,
    }  # fmt: skip
    print(json.dumps(found))


def product(size: str, family: str, guard_s: float) -> dict[str, Any]:
    """The ranking itself, in the same form."""
    found = ranked(size, family, 1, guard_s)
    keys = ("finished", "seconds", "guard_s", "peak_mb", "whole_process_s", "error")
    row = {"method": "saltmile", **{key: found[key] for key in keys if key in found}, "best_ms": 0.0}
    if found["finished"]:
        options = machinery(big_catalog(size, family))[0]
        row |= {"best_ms": found["top_ms"], "evaluations": found["evidence"]["simulations"],
                "build": options.encode(found["best"]).tolist()}  # fmt: skip
    return row


def compare(size: str, asked: argparse.Namespace, methods: list[str]) -> dict[str, Any]:
    """The ranking and its peers on one instance, with regrets."""
    rows = [product(size, asked.family, asked.guard)]
    for method in methods:
        leader = max(rows, key=lambda row: row["best_ms"])
        best = leader.get("build") if leader["best_ms"] > 0 else None
        command = [
            "tests.benchmarks.peers", "--one", method, "--size", size, "--family", asked.family, "--seed",
            str(asked.seed), "--evaluations", str(asked.evaluations), "--no-goods", str(asked.no_goods),
        ]  # fmt: skip
        if best is None and method in ("highs", "cp_sat"):
            rows.append({"method": method, "finished": False, "best_ms": 0.0, "error": "no build to start from"})
            continue
        found = guarded([*command, "--best", ",".join(map(str, best or []))], asked.guard)
        rows.append({"method": method, "best_ms": 0.0, **found})
        print(json.dumps({key: rows[-1].get(key) for key in ("method", "finished", "best_ms", "seconds")}),
              file=sys.stderr, flush=True)  # fmt: skip
    proven = rows[0]["finished"]
    best_ms = rows[0]["best_ms"] if proven else max(row["best_ms"] for row in rows)
    for row in rows:
        row["regret_mph"] = round(to_unit(best_ms - row["best_ms"], "mph", "speed"), 4) if row["best_ms"] else None
    against = "the ranking's best" if proven else "the best found"
    return {"size": size, "family": asked.family, "against": against, "rows": rows}


def main() -> None:
    """Compare on the size asked for, and enumerate the small one."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", default="8x40", choices=list(SIZES))
    parser.add_argument("--family", default="front", choices=FAMILIES)
    parser.add_argument("--evaluations", type=int, default=50_000)
    parser.add_argument("--no-goods", type=int, default=200)
    parser.add_argument("--guard", type=float, default=1200.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--one", choices=list(PEERS), help=argparse.SUPPRESS)
    parser.add_argument("--best", default="", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        one(asked)
        return
    methods = [each for each in PEERS if each != "enumeration"]
    instances = [compare("tiny", asked, list(PEERS))]
    if asked.size != "tiny":
        instances.append(compare(asked.size, asked, methods))
    print(json.dumps({"versions": versions(), "settings": {"evaluations": asked.evaluations, "no_goods": asked.no_goods,
                      "seed": asked.seed, "guard_s": asked.guard}, "instances": instances}, indent=1))  # fmt: skip


if __name__ == "__main__":
    main()
