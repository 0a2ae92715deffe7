"""One instance as a function of builds, and a linear one with its best builds asked for one by one.

The linear scores are what single changes of the best build bring in the simulator. Each build that a solver finds is
simulated and forbidden, and the solver asked again: the usual way around a simulator that is no linear function.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np
from scipy.sparse import csc_matrix

from optimizer.choice.options import FloatArray, IntArray
from tests.benchmarks.big_catalogs import big_catalog
from tests.search.catalogs import machinery

FAILED_MS = 20.0
"""What a build that fails a check at speed is marked down by: bad, but not all alike."""


class Problem:
    """One scenario as a function of builds, counting how often it is asked, and the best legal build so far."""

    def __init__(self, size: str, family: Any, seed: int) -> None:
        scenario = big_catalog(size, family)
        self.options, self.legality, self.book, self.judge = machinery(scenario)
        self.budget = scenario.event.budget_cents or 0
        self.bounds = self.book.additive_bounds()
        self.sizes = np.array(self.options.sizes)
        self.usable = [~out & ok for out, ok in zip(self.legality.forbidden, self.bounds.available, strict=True)]
        self.rng = np.random.default_rng(seed)
        self.evaluations, self.best_ms, self.best = 0, 0.0, np.zeros(len(self.sizes), dtype=np.int64)

    def feasible(self, builds: IntArray) -> np.ndarray:
        """Whether builds (n, S) keep every rule before a run, and the budget."""
        fine = self.legality.allowed(builds)
        rows = np.flatnonzero(fine)
        prices = self.book.price(builds[rows])
        fine[rows] = prices.available & (prices.cents <= self.budget)
        return fine

    def values(self, builds: IntArray) -> FloatArray:
        """Speeds of builds (n, S) that keep every rule before a run; marked down where they fail a check at speed."""
        if len(builds) == 0:
            return np.zeros(0)
        speed, legal = self.run(builds)
        top = int(np.where(legal, speed, -1.0).argmax())
        if legal[top] and speed[top] > self.best_ms:
            self.best_ms, self.best = float(speed[top]), builds[top].copy()
        return np.where(legal, speed, speed - FAILED_MS)

    def run(self, builds: IntArray) -> tuple[FloatArray, np.ndarray]:
        """Speeds of builds (n, S), and whether they pass the checks at speed, whatever the rules say of them."""
        self.evaluations += len(builds)
        runs = self.judge.runs(builds)
        speed = self.judge.joined(runs)
        return speed, self.judge.judge(builds, runs).legal & (speed > 0)

    # --- repair -------------------------------------------------------------------------------------------------

    def compatible(self, builds: IntArray, s: int) -> np.ndarray:
        """Options of a slot that go with everything else in each build: (n, m_s)."""
        fine = np.repeat(self.usable[s][None], len(builds), axis=0)
        for (a, b), out in self.legality.pairs.items():
            if a == s:
                fine &= ~out[:, builds[:, b]].T
            elif b == s:
                fine &= ~out[builds[:, a]]
        return fine

    def repaired(self, builds: IntArray) -> IntArray:
        """Builds made legal and affordable: clashing parts are exchanged, then dear ones for cheaper, at random."""
        builds = np.array(builds, dtype=np.int64)
        for s, fine in enumerate(self.usable):
            wrong = ~fine[builds[:, s]]
            builds[wrong, s] = self.rng.choice(np.flatnonzero(fine), int(wrong.sum()))
        for _ in range(6):
            self._settle_pairs(builds)
        for _ in range(40):
            wrong = np.flatnonzero(~self.feasible(builds))
            if len(wrong) == 0:
                return builds
            builds[wrong] = self._cheaper(builds[wrong])
        builds[~self.feasible(builds)] = 0
        return builds

    def _settle_pairs(self, builds: IntArray) -> None:
        """Exchange one side of every clash for something that goes with the rest, if there is anything."""
        for (a, b), out in self.legality.pairs.items():
            s = a if self.rng.random() < 0.5 else b
            rows = np.flatnonzero(out[builds[:, a], builds[:, b]])
            self._draw(builds, rows, s, self.compatible(builds[rows], s))

    def _draw(self, builds: IntArray, rows: IntArray, s: int, fine: np.ndarray) -> None:
        """Put a random one of the fine options into a slot of some builds."""
        some = fine.any(axis=1)
        draw = np.where(fine, self.rng.random(fine.shape), -1.0).argmax(axis=1)
        builds[rows[some], s] = draw[some]

    def _cheaper(self, builds: IntArray) -> IntArray:
        """One random slot of each build exchanged for a compatible option that is cheaper, or the part now fitted."""
        builds = builds.copy()
        slot = self.rng.integers(0, len(self.sizes), len(builds))
        for s in np.unique(slot):
            rows = np.flatnonzero(slot == s)
            cents = self.bounds.cents[s]
            fine = self.compatible(builds[rows], int(s)) & (cents[None] <= cents[builds[rows, s]][:, None])
            self._draw(builds, rows, int(s), fine)
        self._settle_pairs(builds)
        return builds


@dataclass(frozen=True, slots=True)
class Linear:
    """A linear instance: what single changes of a build are worth, under the pairs, rows and additive prices.

    Columns are the usable options of all slots and then the jobs; rows are ``lower <= matrix x <= upper``.
    """

    score: FloatArray
    matrix: csc_matrix
    lower: FloatArray
    upper: FloatArray
    places: tuple[tuple[int, int], ...]


def linear_instance(problem: Problem, best: IntArray) -> Linear:
    """Scores from the simulator: the speed of a build with one slot changed, less that of the build.

    Changes that fail a check at speed are marked down, or the solver would ask for little else.
    """
    places = tuple((s, int(o)) for s, fine in enumerate(problem.usable) for o in np.flatnonzero(fine))
    swaps = np.repeat(best[None], len(places), axis=0)
    swaps[np.arange(len(places)), [s for s, _ in places]] = [o for _, o in places]
    speed, legal = problem.run(np.concatenate([best[None], swaps]))
    score = speed[1:] - speed[0] - FAILED_MS * ~legal[1:]
    column = {place: c for c, place in enumerate(places)}
    jobs = len(problem.bounds.job_cents)
    rows = [*_choice_rows(problem, column), *_job_rows(problem, places), *_money_and_limits(problem, places)]
    data = [(r, c, v) for r, (terms, _, _) in enumerate(rows) for c, v in terms]
    at, columns, value = (np.array(each) for each in zip(*data, strict=True))
    matrix = csc_matrix((value, (at, columns)), shape=(len(rows), len(places) + jobs))
    lower, upper = (np.array([row[i] for row in rows]) for i in (1, 2))
    return Linear(np.concatenate([score, np.zeros(jobs)]), matrix, lower, upper, places)


Row = tuple[list[tuple[int, float]], float, float]


def _choice_rows(problem: Problem, column: dict[tuple[int, int], int]) -> Iterator[Row]:
    """One option a slot; an option and all that it forbids in another slot at most once."""
    for s, fine in enumerate(problem.usable):
        yield [(column[s, int(o)], 1.0) for o in np.flatnonzero(fine)], 1.0, 1.0
    for (s, t), out in problem.legality.pairs.items():
        for o in np.flatnonzero(problem.usable[s]):
            forbidden = np.flatnonzero(out[o] & problem.usable[t])
            if len(forbidden):
                yield [(column[s, int(o)], 1.0), *((column[t, int(q)], 1.0) for q in forbidden)], -math.inf, 1.0


def _job_rows(problem: Problem, places: tuple[tuple[int, int], ...]) -> Iterator[Row]:
    """An option needs its jobs."""
    for c, (s, o) in enumerate(places):
        for j in range(len(problem.bounds.job_cents)):
            if int(problem.bounds.jobs[s][o]) >> j & 1:
                yield [(c, 1.0), (len(places) + j, -1.0)], -math.inf, 0.0


def _money_and_limits(problem: Problem, places: tuple[tuple[int, int], ...]) -> Iterator[Row]:
    """The budget on additive prices and jobs, and the rows of the rules."""
    bounds = problem.bounds
    terms = [(c, float(bounds.cents[s][o])) for c, (s, o) in enumerate(places)]
    terms += [(len(places) + j, float(cost)) for j, cost in enumerate(bounds.job_cents)]
    yield [each for each in terms if each[1]], -math.inf, float(problem.budget - bounds.fixed_cents)
    for row in problem.legality.rows:
        numbers = [(c, float(row.coefficients[s][o])) for c, (s, o) in enumerate(places)]
        yield [each for each in numbers if each[1]], -math.inf, float(row.upper)


Next = Callable[[], tuple[IntArray, float] | None]
"""The best linear build that was not given yet, and its score; None if there is no other."""


def no_goods(
    problem: Problem, best: IntArray, most: int, solver: Callable[[Linear, Problem], Next]
) -> dict[str, Any]:
    """Ask for the linear optimum, simulate it, forbid it, and again: ``most`` times."""
    instance = linear_instance(problem, best)
    following, first, last, rounds = solver(instance, problem), math.nan, math.nan, 0
    for rounds in range(1, most + 1):
        found = following()
        if found is None:
            break
        build, last = found
        first = last if rounds == 1 else first
        if problem.feasible(build[None])[0]:
            problem.values(build[None])
    return {
        "rounds": rounds, "first_score_ms": first, "last_score_ms": last, "columns": len(instance.score),
        "rows": len(instance.upper), "forbidden_pairs": sum(int(out.sum()) for out in problem.legality.pairs.values()),
    }  # fmt: skip


def _build_of(values: FloatArray, instance: Linear, problem: Problem) -> IntArray:
    build = np.zeros(len(problem.sizes), dtype=np.int64)
    for c in np.flatnonzero(values[: len(instance.places)] > 0.5):
        s, o = instance.places[c]
        build[s] = o
    return build


def by_highs(instance: Linear, problem: Problem) -> Next:
    """HiGHS, one model that rows are added to."""
    model = highspy.Highs()
    for name, value in {"output_flag": False, "threads": 1, "mip_rel_gap": 0.0, "mip_abs_gap": 1e-7}.items():
        model.setOptionValue(name, value)
    program = highspy.HighsLp()
    program.num_row_, program.num_col_ = instance.matrix.shape
    program.sense_, program.col_cost_ = highspy.ObjSense.kMaximize, instance.score
    program.col_lower_, program.col_upper_ = np.zeros(len(instance.score)), np.ones(len(instance.score))
    program.row_lower_, program.row_upper_ = instance.lower, instance.upper
    program.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    program.a_matrix_.start_, program.a_matrix_.index_ = instance.matrix.indptr, instance.matrix.indices
    program.a_matrix_.value_ = instance.matrix.data
    program.integrality_ = [highspy.HighsVarType.kInteger] * len(instance.score)
    model.passModel(program)

    def following() -> tuple[IntArray, float] | None:
        model.run()
        if model.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            return None
        values = np.round(np.array(model.getSolution().col_value))
        chosen = np.flatnonzero(values[: len(instance.places)] > 0.5).astype(np.int32)
        model.addRow(-highspy.kHighsInf, len(chosen) - 1.0, len(chosen), chosen, np.ones(len(chosen)))
        return _build_of(values, instance, problem), float(instance.score @ values)

    return following


def by_cp_sat(instance: Linear, problem: Problem) -> Next:
    """CP-SAT on one worker, numbers scaled to whole ones: scores to 1e-6 m/s, rows to 1e-6 of their largest."""
    from ortools.sat.python import cp_model  # noqa: PLC0415 - optional

    model = cp_model.CpModel()
    x = [model.new_bool_var(f"x{c}") for c in range(len(instance.score))]
    rows = instance.matrix.tocsr()
    for r in range(rows.shape[0]):
        at = slice(rows.indptr[r], rows.indptr[r + 1])
        value, columns = rows.data[at], rows.indices[at]
        whole = np.array_equal(value, np.round(value))
        factor = 1.0 if whole else 1e6 / max(np.abs(value).max(), 1e-12)
        terms = sum(round(float(v) * factor) * x[c] for v, c in zip(value, columns, strict=True))
        if instance.lower[r] == instance.upper[r]:
            model.add_exactly_one([x[c] for c in columns])
        else:
            model.add(terms <= math.floor(float(instance.upper[r]) * factor))
    scores = [round(float(v) * 1e6) for v in instance.score]
    model.maximize(sum(v * each for v, each in zip(scores, x, strict=True) if v))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1

    def following() -> tuple[IntArray, float] | None:
        if solver.solve(model) != cp_model.OPTIMAL:
            return None
        values = np.array([float(solver.value(each)) for each in x])
        chosen = np.flatnonzero(values[: len(instance.places)] > 0.5)
        model.add_bool_or([x[c].negated() for c in chosen])
        return _build_of(values, instance, problem), float(instance.score @ values)

    return following
