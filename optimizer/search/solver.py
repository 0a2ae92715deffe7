"""The only door to HiGHS: a Pyomo model in; out come values in its variables and how far they can be trusted.

Two questions are kept apart: why the solver stopped, and what it holds. Only an answer that leaves no gap, or
a finding that nothing satisfies the model, is called proven; that is the solver's word and no more. Callers
check what it found against the rules and the price themselves.

What has been seen to go wrong with HiGHS, and is guarded against here: its default gaps call an answer within
0.01 % optimal; presolve can take all the time there is on models with many conflicts; with more than one
thread the answer among equals depends on the moment.
"""

from __future__ import annotations

import math
import time
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType
from typing import Any

import highspy
import numpy as np
import pyomo.environ as pyo
from pyomo.repn.plugins.standard_form import LinearStandardFormCompiler

from optimizer.choice.options import FloatArray
from optimizer.errors import SolverError

INTEGRALITY = 1e-6
"""How far from a whole number a value of a whole-number variable may be."""
GAP = 1e-6
"""Gap that counts as none: HiGHS looks for no smaller improvement, whatever its gaps are set to."""
PRESOLVE_PATIENCE_S = 10.0
"""A first attempt that is still in presolve after this long is repeated without presolve."""
OPTIONS: Mapping[str, Any] = MappingProxyType(
    {
        "mip_rel_gap": 0.0,
        "mip_abs_gap": 0.0,
        "threads": 1,
        "parallel": "off",
        "random_seed": 0,
    }
)
"""Set on every run; ``time_limit`` and ``presolve`` come on top, and it is silent from the start."""


class Held(Enum):
    """What it means that the solver stopped in a certain way."""

    BEST = "the best there is, if no gap is left"
    NOTHING_EXISTS = "proof that nothing satisfies the model"
    MAYBE = "perhaps something, of unknown worth"
    NOTHING = "an error"


STATUSES: Mapping[str, tuple[Held, str]] = MappingProxyType(
    {
        "kOptimal": (Held.BEST, "the solver finished"),
        "kInfeasible": (Held.NOTHING_EXISTS, "nothing satisfies all rows at once"),
        "kTimeLimit": (Held.MAYBE, "the time was up"),
        "kIterationLimit": (Held.MAYBE, "the limit on iterations was reached"),
        "kSolutionLimit": (Held.MAYBE, "the limit on solutions or nodes was reached"),
        "kObjectiveBound": (Held.MAYBE, "a bound on the objective was reached"),
        "kObjectiveTarget": (Held.MAYBE, "a target of the objective was reached"),
        "kInterrupt": (Held.MAYBE, "the solver was interrupted"),
        "kHighsInterrupt": (Held.MAYBE, "the solver was interrupted"),
        "kUnknown": (Held.MAYBE, "the solver stopped without saying what it found"),
        "kUnboundedOrInfeasible": (Held.MAYBE, "the solver could not tell no answer from no limit"),
        "kUnbounded": (Held.NOTHING, "the objective has no limit, which no model here allows"),
        "kMemoryLimit": (Held.NOTHING, "the memory was used up"),
        "kModelEmpty": (Held.NOTHING, "the model is empty"),
        "kNotset": (Held.NOTHING, "the solver did not start"),
        "kLoadError": (Held.NOTHING, "the model could not be loaded"),
        "kModelError": (Held.NOTHING, "the model has an error"),
        "kPresolveError": (Held.NOTHING, "presolve failed"),
        "kSolveError": (Held.NOTHING, "the solver failed"),
        "kPostsolveError": (Held.NOTHING, "postsolve failed"),
    }
)
"""Every status of the solver: what it leaves us with, and in words. One that is not listed is an error."""


class QuietHighs(highspy.Highs):
    """The solver, silent. It prints a banner while it is being made, before any option can be set."""

    def enableCallbacks(self) -> None:  # noqa: N802 (the solver's name)
        """Do what is done first of all, but with the output off."""
        self.setOptionValue("output_flag", False)
        super().enableCallbacks()  # type: ignore[no-untyped-call]


@dataclass(frozen=True, slots=True)
class Answer:
    """What a solve brought.

    Attributes
    ----------
    found : bool
        The variables of the model hold values that satisfy it.
    proven : bool
        With ``found``: nothing is better. Without: nothing satisfies the model.
    objective : float
        Of the values; NaN without any.
    bound : float
        No values are better than this, by the solver's word; infinite where it has none.
    status : str
        The solver's own word for why it stopped.
    text : str
        The same in a sentence.
    """

    found: bool
    proven: bool
    objective: float
    bound: float
    status: str
    text: str


@dataclass(frozen=True, slots=True)
class _Attempt:
    status: str
    solution: Any
    """The solver's solution object, None where it holds no feasible point."""
    objective: float
    bound: float
    in_presolve: bool
    """It stopped before the first node was looked at."""


def solve(model: pyo.ConcreteModel, *, time_limit_s: float | None = None) -> Answer:
    """Solve a mixed-integer linear model to the end, or until the time is up.

    Parameters
    ----------
    model : ConcreteModel
        With one active objective. If something is found, its variables hold it afterwards, whole-number ones
        rounded; otherwise they are left alone.
    time_limit_s : float, optional
        Seconds for everything; no limit if not given. The same question then always has the same answer.

    Raises
    ------
    SolverError
        If the solver fails, stops in a way nobody has seen yet, or calls a fraction a whole number.
    """
    program, columns = _compile(model)
    limit = math.inf if time_limit_s is None else time_limit_s
    started = time.monotonic()
    attempt = _attempt(program, min(PRESOLVE_PATIENCE_S, limit / 2), presolve=True)
    if attempt.status in {"kTimeLimit", "kUnboundedOrInfeasible"}:
        left = max(limit - (time.monotonic() - started), limit / 4)
        again = not attempt.in_presolve and attempt.status == "kTimeLimit"
        second = _attempt(program, left, presolve=again, start=attempt.solution)
        attempt = attempt if second.solution is None and attempt.solution is not None else second
    answer = _judged(attempt, program)
    if answer.found:
        _hand_over(attempt, program, columns)
    return answer


def _compile(model: pyo.ConcreteModel) -> tuple[highspy.HighsLp, list[Any]]:
    """Write the model as a matrix; return it with the Pyomo variable of each column."""
    form = LinearStandardFormCompiler().write(model, mixed_form=True, set_sense=None)
    count, rows = len(form.columns), len(form.rows)
    bounds = [variable.bounds for variable in form.columns]
    sides = np.array([row.bound_type for row in form.rows], dtype=np.int64)
    matrix = form.A.tocsc()
    program = highspy.HighsLp()
    program.num_col_, program.num_row_ = count, rows
    program.sense_ = (
        highspy.ObjSense.kMaximize if form.objectives[0].sense == pyo.maximize else highspy.ObjSense.kMinimize
    )
    program.offset_ = float(form.c_offset[0])
    program.col_cost_ = form.c.toarray().reshape(-1)
    program.col_lower_ = np.array([-math.inf if low is None else low for low, _ in bounds])
    program.col_upper_ = np.array([math.inf if high is None else high for _, high in bounds])
    program.row_lower_ = np.where(sides <= 0, form.rhs, -math.inf)
    program.row_upper_ = np.where(sides >= 0, form.rhs, math.inf)
    program.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    program.a_matrix_.start_ = matrix.indptr
    program.a_matrix_.index_ = matrix.indices
    program.a_matrix_.value_ = matrix.data
    program.integrality_ = [
        highspy.HighsVarType.kContinuous if variable.is_continuous() else highspy.HighsVarType.kInteger
        for variable in form.columns
    ]
    return program, form.columns


def _attempt(program: highspy.HighsLp, limit_s: float, *, presolve: bool, start: Any = None) -> _Attempt:
    """Run the solver once, from a known solution if there is one."""
    highs = QuietHighs()  # type: ignore[no-untyped-call]
    settings = {**OPTIONS, "presolve": "on" if presolve else "off", "time_limit": limit_s}
    for name, value in settings.items():
        if highs.setOptionValue(name, value) != highspy.HighsStatus.kOk:
            raise SolverError(f"the solver does not take {name} = {value!r}", "option")
    if highs.passModel(program) == highspy.HighsStatus.kError:
        raise SolverError("the solver does not take the model", "kModelError")
    if start is not None:
        highs.setSolution(start)
    outcome = highs.run()
    status = highs.getModelStatus().name
    if outcome == highspy.HighsStatus.kError:
        raise SolverError(f"the solver failed: {STATUSES.get(status, (None, status))[1]}", status)
    info = highs.getInfo()
    held = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
    return _Attempt(
        status=status,
        solution=highs.getSolution() if held else None,
        objective=info.objective_function_value if held else math.nan,
        bound=info.mip_dual_bound,
        in_presolve=info.mip_node_count <= 0,
    )


def _judged(attempt: _Attempt, program: highspy.HighsLp) -> Answer:
    """Say what an attempt is worth: nothing is proven but an answer without a gap, or that there is none."""
    if attempt.status not in STATUSES:
        raise SolverError(f"the solver stopped in a way not known here: {attempt.status}", attempt.status)
    held, text = STATUSES[attempt.status]
    found = attempt.solution is not None and held in {Held.BEST, Held.MAYBE}
    if held is Held.NOTHING or (held is Held.BEST and not found):
        raise SolverError(f"{text}, and there is no answer", attempt.status)
    if held is Held.NOTHING_EXISTS:
        return Answer(False, True, math.nan, math.nan, attempt.status, text)
    bound = attempt.bound
    if highspy.HighsVarType.kInteger not in program.integrality_ and held is Held.BEST:
        bound = attempt.objective  # A linear program has no tree, so the solver reports no bound.
    if not found:
        return Answer(False, False, math.nan, bound, attempt.status, f"{text} before anything was found")
    gap = abs(bound - attempt.objective)
    closed = gap <= GAP + 1e-9 * abs(attempt.objective)
    if held is Held.BEST and not closed:
        text = f"{text}, but with a gap of {gap:g}"
    elif held is Held.MAYBE:
        text = f"{text}; what was found may not be the best"
    return Answer(True, held is Held.BEST and closed, attempt.objective, bound, attempt.status, text)


def _hand_over(attempt: _Attempt, program: highspy.HighsLp, columns: list[Any]) -> None:
    """Put the values into the variables, whole where they have to be."""
    values: FloatArray = np.array(attempt.solution.col_value, dtype=float)
    whole = np.array([kind == highspy.HighsVarType.kInteger for kind in program.integrality_])
    off = np.where(whole, np.abs(values - np.round(values)), 0.0)
    if off.max(initial=0.0) > INTEGRALITY:
        name = columns[int(off.argmax())].name
        raise SolverError(f"the solver gives {name} the value {values[off.argmax()]:g}", "fraction")
    values = np.where(whole, np.round(values) + 0.0, values)
    for variable, value in zip(columns, values.tolist(), strict=True):
        variable.set_value(value, skip_validation=True)
