"""The door to the solver: what it says of every way to stop, with a solver that stops as it is told to."""

import itertools
import math
import subprocess
import sys
from types import SimpleNamespace

import highspy
import pyomo.environ as pyo
import pytest

from optimizer.errors import SolverError
from optimizer.search import solver
from optimizer.search.selection_model import build_model
from tests.search.test_selection_model import choice_of, two_slots

WEIGHTS, VALUES, ROOM = (3, 5, 7, 4, 6), (4.0, 7.5, 9.0, 5.5, 8.5), 13


def knapsack():
    """Five things into a room of 13."""
    model = pyo.ConcreteModel()
    model.x = pyo.Var(range(5), domain=pyo.Binary)
    model.room = pyo.Constraint(expr=sum(w * model.x[i] for i, w in enumerate(WEIGHTS)) <= ROOM)
    model.worth = pyo.Objective(
        expr=sum(v * model.x[i] for i, v in enumerate(VALUES)) + 1, sense=pyo.maximize
    )
    return model


def best_by_trying():
    return 1 + max(
        sum(v for v, taken in zip(VALUES, each, strict=True) if taken)
        for each in itertools.product((0, 1), repeat=5)
        if sum(w for w, taken in zip(WEIGHTS, each, strict=True) if taken) <= ROOM
    )


class Script:
    """Stands in for the solver: each run ends as the next entry says, and what it was asked is kept."""

    def __init__(self, *runs):
        self.runs = list(runs)
        self.settings = []
        self.starts = []

    def __call__(self):
        status, changes = self.runs.pop(0)
        told = {"objective": 13.0, "bound": 13.0, "nodes": 1, "values": None, "outcome": "kOk"} | changes
        settings = {}
        self.settings.append(settings)
        self.starts.append(None)
        feasible = highspy.SolutionStatus.kSolutionStatusFeasible
        none = highspy.SolutionStatus.kSolutionStatusNone
        return SimpleNamespace(
            setOptionValue=lambda name, value: settings.update({name: value}) or highspy.HighsStatus.kOk,
            passModel=lambda _: highspy.HighsStatus.kOk,
            setSolution=lambda solution: self.starts.__setitem__(-1, solution),
            run=lambda: getattr(highspy.HighsStatus, told["outcome"]),
            getModelStatus=lambda: SimpleNamespace(name=status),
            getSolution=lambda: SimpleNamespace(col_value=told["values"]),
            getInfo=lambda: SimpleNamespace(
                primal_solution_status=none if told["values"] is None else feasible,
                objective_function_value=told["objective"],
                mip_dual_bound=told["bound"],
                mip_node_count=told["nodes"],
            ),
        )


def scripted(monkeypatch, *runs):
    script = Script(*runs)
    monkeypatch.setattr(solver, "QuietHighs", script)
    return script


HELD = {"values": [1.0, 0.0, 0.0, 0.0, 0.0]}


def test_finished_is_proven_and_right():
    """The real solver, against all 32 ways."""
    model = knapsack()
    answer = solver.solve(model)

    assert (answer.found, answer.proven, answer.status) == (True, True, "kOptimal")
    assert answer.objective == answer.bound == best_by_trying() == pyo.value(model.worth)
    assert {x.value for x in model.x.values()} <= {0.0, 1.0}


def test_nothing_fits_is_proven_too():
    """Two things that have to be taken, but not both."""
    model = knapsack()
    model.both = pyo.Constraint(expr=model.x[2] + model.x[4] >= 2)
    model.not_both = pyo.Constraint(expr=model.x[2] + model.x[4] <= 1)
    answer = solver.solve(model)

    assert (answer.found, answer.proven) == (False, True)
    assert answer.text == "nothing satisfies all rows at once"


def test_linear_program_has_no_gap_either():
    """Without whole numbers the solver reports no bound of its own."""
    model = pyo.ConcreteModel()
    model.x = pyo.Var(bounds=(0, 4))
    model.row = pyo.Constraint(expr=(1, 2 * model.x, 5))
    model.goal = pyo.Objective(expr=model.x, sense=pyo.maximize)
    answer = solver.solve(model)

    assert (answer.proven, answer.objective, answer.bound) == (True, 2.5, 2.5)


def test_time_up_without_anything_found(monkeypatch):
    """In both attempts."""
    scripted(monkeypatch, ("kTimeLimit", {}), ("kTimeLimit", {"bound": 20.0}))
    answer = solver.solve(knapsack(), time_limit_s=1.0)

    assert (answer.found, answer.proven, answer.bound) == (False, False, 20.0)
    assert math.isnan(answer.objective)
    assert answer.text == "the time was up before anything was found"


def test_time_up_with_something_found_is_not_proven(monkeypatch):
    """The second attempt starts from what the first has found, and presolve was not to blame."""
    first, second = {**HELD, "bound": 20.0}, {**HELD, "bound": 18.0}
    script = scripted(monkeypatch, ("kTimeLimit", first), ("kTimeLimit", second))
    model = knapsack()
    answer = solver.solve(model, time_limit_s=1.0)

    assert (answer.found, answer.proven, answer.bound) == (True, False, 18.0)
    assert answer.text == "the time was up; what was found may not be the best"
    assert script.starts[0] is None
    assert script.starts[1].col_value == HELD["values"]
    assert [each["presolve"] for each in script.settings] == ["on", "on"]
    assert model.x[0].value == 1


def test_what_the_first_attempt_found_is_not_lost(monkeypatch):
    """Though the second finds nothing."""
    scripted(monkeypatch, ("kTimeLimit", HELD), ("kTimeLimit", {}))

    assert solver.solve(knapsack(), time_limit_s=1.0).found


def test_equal_bounds_do_not_make_a_stop_a_proof(monkeypatch):
    """Only a solver that says it has finished has."""
    scripted(monkeypatch, ("kTimeLimit", HELD), ("kTimeLimit", HELD))

    assert not solver.solve(knapsack(), time_limit_s=1.0).proven


def test_optimal_with_a_gap_is_not_proven(monkeypatch):
    """As with the solver's own default gaps: 13 found, 13.01 not excluded."""
    scripted(monkeypatch, ("kOptimal", {**HELD, "bound": 13.01}))
    answer = solver.solve(knapsack())

    assert (answer.found, answer.proven) == (True, False)
    assert answer.text == "the solver finished, but with a gap of 0.01"


@pytest.mark.parametrize("bound", [math.inf, math.nan])
def test_optimal_without_a_bound_is_not_proven(monkeypatch, bound):
    scripted(monkeypatch, ("kOptimal", {**HELD, "bound": bound}))

    assert not solver.solve(knapsack()).proven


def test_presolve_that_takes_all_the_time_is_left_out_the_second_time(monkeypatch):
    """What is then found without a gap is as good as any."""
    script = scripted(monkeypatch, ("kTimeLimit", {"nodes": -1}), ("kOptimal", HELD))
    answer = solver.solve(knapsack())

    assert [each["presolve"] for each in script.settings] == ["on", "off"]
    assert [each["time_limit"] for each in script.settings] == [solver.PRESOLVE_PATIENCE_S, math.inf]
    assert (answer.found, answer.proven) == (True, True)


def test_presolve_that_takes_all_the_time_and_time_up_again_proves_nothing(monkeypatch):
    """Neither that there is an answer nor that there is none."""
    scripted(monkeypatch, ("kTimeLimit", {"nodes": -1}), ("kTimeLimit", {"nodes": 0}))
    answer = solver.solve(knapsack(), time_limit_s=1.0)

    assert (answer.found, answer.proven) == (False, False)


def test_no_answer_or_no_limit_is_asked_again_without_presolve(monkeypatch):
    """And only then believed."""
    script = scripted(monkeypatch, ("kUnboundedOrInfeasible", {}), ("kInfeasible", {}))
    answer = solver.solve(knapsack())

    assert [each["presolve"] for each in script.settings] == ["on", "off"]
    assert (answer.found, answer.proven) == (False, True)
    scripted(monkeypatch, ("kUnboundedOrInfeasible", {}), ("kUnboundedOrInfeasible", {}))

    assert not solver.solve(knapsack()).proven


@pytest.mark.parametrize("status", sorted(set(solver.STATUSES) - {"kOptimal", "kInfeasible"}))
def test_no_other_status_proves_anything(monkeypatch, status):
    """With a solution and no gap: an error that carries the status, or an answer that is not proven."""
    scripted(monkeypatch, (status, HELD), (status, HELD))
    if solver.STATUSES[status][0] is solver.Held.NOTHING:
        with pytest.raises(SolverError) as caught:
            solver.solve(knapsack())

        assert caught.value.status == status
    else:
        answer = solver.solve(knapsack())

        assert (answer.found, answer.proven) == (True, False)


def test_every_status_of_the_solver_is_in_the_table():
    assert set(highspy.HighsModelStatus.__members__) <= set(solver.STATUSES)


def test_a_status_nobody_has_seen_is_an_error(monkeypatch):
    scripted(monkeypatch, ("kNewInSomeVersion", HELD))

    with pytest.raises(SolverError, match="not known here: kNewInSomeVersion") as caught:
        solver.solve(knapsack())
    assert caught.value.status == "kNewInSomeVersion"


def test_a_failed_run_is_an_error_whatever_its_status(monkeypatch):
    scripted(monkeypatch, ("kOptimal", {**HELD, "outcome": "kError"}))

    with pytest.raises(SolverError, match="the solver failed"):
        solver.solve(knapsack())


def test_finished_without_a_solution_is_an_error(monkeypatch):
    scripted(monkeypatch, ("kOptimal", {}))

    with pytest.raises(SolverError, match="there is no answer"):
        solver.solve(knapsack())


def test_a_fraction_is_an_error(monkeypatch):
    """A millionth is rounded away, a thousandth is not."""
    scripted(monkeypatch, ("kOptimal", {"values": [1.0, 5e-7, 0.0, 0.0, 0.0]}))
    model = knapsack()
    solver.solve(model)

    assert model.x[1].value == 0.0
    scripted(monkeypatch, ("kOptimal", {"values": [1.0, 0.001, 0.0, 0.0, 0.0]}))
    with pytest.raises(SolverError, match=r"gives x\[1\] the value 0.001"):
        solver.solve(model)


def test_same_question_same_answer_needs_these_settings(monkeypatch):
    """No gap left, one thread, one seed."""
    script = scripted(monkeypatch, ("kOptimal", HELD))
    solver.solve(knapsack())

    assert script.settings[0] == {
        "mip_rel_gap": 0.0,
        "mip_abs_gap": 0.0,
        "threads": 1,
        "parallel": "off",
        "random_seed": 0,
        "presolve": "on",
        "time_limit": solver.PRESOLVE_PATIENCE_S,
    }


def test_an_option_the_solver_does_not_take_is_an_error(monkeypatch):
    monkeypatch.setattr(solver, "OPTIONS", {"mip_rel_gap": -1.0})

    with pytest.raises(SolverError, match="does not take mip_rel_gap"):
        solver.solve(knapsack())


def test_nothing_is_printed():
    """Not even the banner, which comes once a process: standard output belongs to the answer."""
    program = "from tests.search.test_solver import knapsack, solver; solver.solve(knapsack())"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)  # noqa: S603

    assert done.stdout == done.stderr == ""


def test_a_selection_that_was_not_finished_is_not_proven(monkeypatch):
    """No build found before the time was up is not: no build."""
    scripted(monkeypatch, ("kTimeLimit", {"nodes": -1}), ("kTimeLimit", {"bound": 1.5}))
    model = build_model(*choice_of(two_slots()), budget_cents=None, hours_limit=None)
    found = model.solve(time_limit_s=1.0)

    assert (found.build, found.proven) == (None, False)
    assert found.bound == 30 + 150
    assert found.text == "the time was up before anything was found"
