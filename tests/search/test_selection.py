"""The best selections from groups of options: published instances, and every selection of small ones tried."""

import itertools
import json
import math
from pathlib import Path

import numpy as np
import pytest
import scipy.optimize

from optimizer.search import selection
from optimizer.search.selection import SelectionProblem, best_selections
from optimizer.search.selection_bounds import DEAD, Known, Table, good_selections, lp_multipliers, tighten

PUBLISHED = Path(__file__).parent.parent / "published" / "selection_benchmark"
OPTIMA = {"I01": 173.0, "I02": 364.0, "I03": 1602.0, "I04": 3597.0, "I05": 3905.7, "I06": 4799.3}
"""As the authors of the instances were quoted; see the README beside the files."""


def published(name):
    """A published instance, with a selection that reaches its optimum."""
    data = json.loads((PUBLISHED / f"{name}.json").read_text(encoding="utf-8"))
    groups = data["groups"]
    problem = SelectionProblem(
        scores=[np.array([option["value"] for option in group]) for group in groups],
        uses=[np.array([option["uses"] for option in group]).T for group in groups],
        limits=np.array(data["limits"]),
    )
    return problem, data["optimal_items"]


def value_of(problem, choice):
    return math.fsum(scores[o] for scores, o in zip(problem.scores, choice, strict=True))


def is_fit(problem, choice):
    """Whether a selection keeps to limits and pairs, worked out one option at a time."""
    used = sum((uses[:, o] for uses, o in zip(problem.uses, choice, strict=True)), np.zeros(len(problem.limits)))
    return bool((used <= problem.limits + 1e-7).all()) and not any(
        table[choice[g], choice[h]] for (g, h), table in problem.forbidden.items()
    )


def all_selections(problem):
    """Every selection that is fit, (-value, choice), in the order in which they are to be listed."""
    everything = itertools.product(*(range(len(scores)) for scores in problem.scores))
    return sorted((-round(value_of(problem, each), 6), each) for each in everything if is_fit(problem, each))


def listed(result):
    return [
        (-round(value, 6), tuple(map(int, choice))) for value, choice in zip(result.values, result.choices, strict=True)
    ]


def random_problem(seed):
    """Small instances of every kind: 0 to 4 resources, pairs, scores and uses of any sign, ties, groups of one."""
    rng = np.random.default_rng(seed)
    groups, resources = int(rng.integers(3, 8)) if seed % 13 else 1, int(rng.integers(0, 5))
    sizes = rng.integers(1, 6 if groups < 7 else 4, groups)
    whole, lowest = seed % 3 != 0, -5 if seed % 2 else 0
    scores = [rng.uniform(-6, 6, size) for size in sizes]
    uses = [rng.uniform(lowest, 10, (resources, size)) for size in sizes]
    if whole:
        scores, uses = [np.round(each / 2) for each in scores], [np.round(each) for each in uses]
    if seed % 5 == 0:
        scores = [each / 10 for each in scores]
    if seed % 7 == 0:
        uses = [np.where(rng.random(each.shape) < 0.6, 0.0, each) for each in uses]
    least, most = sum(each.min(axis=1) for each in uses), sum(each.max(axis=1) for each in uses)
    limits = np.round(least + rng.uniform(0.25, 1.0, resources) * (most - least), 3)
    if seed % 11 == 0 and resources:
        limits[0] = np.inf
    forbidden = {
        (g, h): rng.random((sizes[g], sizes[h])) < 0.25
        for g, h in itertools.combinations(range(groups), 2)
        if rng.random() < (0.3 if seed % 4 else 0.0)
    }
    return SelectionProblem(scores, uses, limits, forbidden)


@pytest.mark.parametrize("name", ["I01", "I02", "I03", pytest.param("I04", marks=pytest.mark.slow), "I05", "I06"])
def test_published_optimum_is_found_and_nothing_better_is_left(name):
    """The value is the published one, and the search says that it is the best."""
    problem, optimal = published(name)
    result = best_selections(problem, 1)
    assert result.complete
    assert result.values == pytest.approx([OPTIMA[name]], abs=1e-9)
    assert value_of(problem, result.choices[0]) == pytest.approx(OPTIMA[name], abs=1e-9)
    assert is_fit(problem, result.choices[0])
    assert result.bound == pytest.approx(OPTIMA[name], abs=1e-9)
    assert tuple(result.choices[0]) <= tuple(optimal)  # of equals, the first by the numbers of the options


@pytest.mark.parametrize("k", [1, 10, 50])
def test_smallest_published_instance_as_all_selections_tried(k):
    """All 3125 selections are tried; values and choices agree, ties included."""
    problem, _ = published("I01")
    assert listed(best_selections(problem, k)) == all_selections(problem)[:k]


@pytest.mark.slow
def test_second_published_instance_as_all_selections_tried():
    """All 5 ** 10 selections, as arrays: half of the groups against the other half."""
    problem, _ = published("I02")
    halves = []
    for part in (slice(0, 5), slice(5, 10)):
        choices = np.array(list(itertools.product(range(5), repeat=5)))
        scores = sum(each[choices[:, place]] for place, each in enumerate(problem.scores[part]))
        uses = sum(each[:, choices[:, place]] for place, each in enumerate(problem.uses[part]))
        halves.append((choices, scores, uses))
    (first, scores, uses), (second, more_scores, more_uses) = halves
    found = []
    for choice, score, use in zip(first, scores, uses.T, strict=True):
        fit = (more_uses + use[:, None] <= problem.limits[:, None]).all(axis=0) & (score + more_scores >= 340)
        found += [
            (-float(score + more_scores[at]), (*map(int, choice), *map(int, second[at]))) for at in np.flatnonzero(fit)
        ]
    assert len(found) > 50
    for k in (1, 10, 50):
        assert listed(best_selections(problem, k)) == sorted(found)[:k]


@pytest.mark.slow
def test_third_published_instance_as_a_mixed_integer_solver_finds_it():
    """With the ten listed ruled out, the best that a general solver finds is the eleventh, no better than the tenth."""
    problem, _ = published("I03")
    result = best_selections(problem, 11)
    assert result.complete
    assert len({tuple(choice) for choice in result.choices}) == 11
    assert all(is_fit(problem, choice) for choice in result.choices)
    scores, uses = np.concatenate(problem.scores), np.concatenate(problem.uses, axis=1)
    group = np.repeat(np.arange(15), 10)
    listed_before = np.zeros((10, 150))
    listed_before[np.arange(10)[:, None], result.choices[:10] + 10 * np.arange(15)] = 1
    answer = scipy.optimize.milp(
        -scores,
        integrality=np.ones(150),
        bounds=scipy.optimize.Bounds(0, 1),
        constraints=[
            scipy.optimize.LinearConstraint((group == np.arange(15)[:, None]).astype(float), 1, 1),
            scipy.optimize.LinearConstraint(uses, -np.inf, problem.limits),
            scipy.optimize.LinearConstraint(listed_before, -np.inf, 14),
        ],
        options={"mip_rel_gap": 0.0},
    )
    assert answer.status == 0
    assert -answer.fun == pytest.approx(result.values[10], abs=1e-6)


@pytest.mark.parametrize("seed", range(100))
def test_small_instances_as_all_selections_tried(seed):
    """Values, choices and their order, for one, three, ten and fifty; fewer only where there are no more."""
    problem = random_problem(seed)
    expected = all_selections(problem)
    for k in (1, 3, 10, 50):
        result = best_selections(problem, k)
        assert listed(result) == expected[:k]
        assert result.complete
        unlisted = max((-value for value, _ in expected[k:]), default=-math.inf)
        assert result.bound >= unlisted - 1e-6
        if len(expected) < k:
            assert result.bound == -math.inf


def test_small_instances_hold_what_they_are_meant_to():
    """Else the comparison above would be of one kind only."""
    counts = [len(all_selections(random_problem(seed))) for seed in range(100)]
    assert counts.count(0) >= 5
    assert sum(count > 50 for count in counts) >= 15
    assert sum(0 < count < 50 for count in counts) >= 20


@pytest.mark.parametrize("seed", range(6))
def test_blocks_of_one_change_nothing(seed, monkeypatch):
    """How many partial selections are looked at together must not matter."""
    problem = random_problem(100 + seed)
    whole = best_selections(problem, 10)
    monkeypatch.setattr(selection, "CELLS", 1)
    assert listed(best_selections(problem, 10)) == listed(whole) == all_selections(problem)[:10]


def test_ties_stand_in_the_order_of_their_options():
    """Nine selections of equal value: the first four by their numbers, whatever group is branched on first."""
    problem = SelectionProblem([np.array([1.0, 1.0, 1.0])] * 2 + [np.array([0.0, 2.0])], [np.zeros((0, 3))] * 2 + [
        np.zeros((0, 2))], np.zeros(0))  # fmt: skip
    result = best_selections(problem, 4)
    assert result.choices.tolist() == [[0, 0, 1], [0, 1, 1], [0, 2, 1], [1, 0, 1]]
    assert result.values.tolist() == [4.0] * 4
    assert result.bound == 4.0


def test_a_million_ties_are_not_all_looked_at():
    """4 ** 10 selections of equal value: those that would stand behind the last of five are dropped unseen."""
    problem = SelectionProblem([np.full(4, 0.3)] * 10, [np.ones((1, 4))] * 10, np.array([10.0]))
    result = best_selections(problem, 5)
    assert result.choices[:, :8].max() == 0
    assert result.choices[:, 8:].tolist() == [[0, 0], [0, 1], [0, 2], [0, 3], [1, 0]]
    assert result.complete
    assert result.nodes < 5000


def test_sums_of_decimals_tie_as_they_do_on_paper():
    """0.1 + 0.7 and 0.3 + 0.5 differ in the last bit of a float sum; on paper both are 0.8."""
    scores = [np.array([0.1, 0.3]), np.array([0.7, 0.5])]
    assert 0.1 + 0.7 < 0.3 + 0.5
    forbidden = {(0, 1): np.array([[False, True], [True, False]])}
    result = best_selections(SelectionProblem(scores, [np.zeros((0, 2))] * 2, np.zeros(0), forbidden), 1)
    assert result.choices.tolist() == [[0, 0]]
    assert result.values.tolist() == [0.8]


def test_a_use_of_exactly_the_limit_is_within_it():
    """Ten times 0.1 is 1, though the sum of floats may not be; a thousandth more is over."""
    problem = [
        SelectionProblem([np.array([1.0, 0.0])] * 10, [np.array([[0.1, 0.0]])] * 10, np.array([limit]))
        for limit in (1.0, 0.999)
    ]
    assert best_selections(problem[0], 1).values.tolist() == [10.0]
    assert best_selections(problem[1], 1).values.tolist() == [9.0]


def test_what_cannot_be_has_no_selections():
    """A limit below the least use, all pairs forbidden, a group without options: nothing, and that is all there is."""
    two = [np.array([1.0, 2.0])] * 2
    none = [
        SelectionProblem(two, [np.ones((1, 2))] * 2, np.array([1.9])),
        SelectionProblem(two, [np.zeros((0, 2))] * 2, np.zeros(0), {(0, 1): np.ones((2, 2), dtype=bool)}),
        SelectionProblem([two[0], np.zeros(0)], [np.zeros((0, 2)), np.zeros((0, 0))], np.zeros(0)),
    ]
    for problem in none:
        result = best_selections(problem, 3)
        assert (len(result.choices), len(result.values), result.complete) == (0, 0, True)
        assert result.bound == -math.inf
        assert result.choices.shape == (0, 2)


def test_limits_that_only_together_cannot_be_met():
    """Each resource alone could be kept to, both together not: one gains what the other loses, to the last unit."""
    uses = [np.array([[0.0, 1.0, 2.0], [2.0, 1.0, 0.0]])] * 12
    problem = SelectionProblem([np.array([1.0, 3.0, 2.0])] * 12, uses, np.array([11.9, 11.9]))
    result = best_selections(problem, 1)
    assert (len(result.values), result.complete, result.nodes) == (0, True, 1)


@pytest.mark.parametrize("limit_s", [0.0, 0.3])
def test_out_of_time_it_says_so_with_a_bound_that_holds(limit_s):
    """The hardest of the instances in far too little time: the known optimum lies between value and bound."""
    problem, _ = published("I04")
    result = best_selections(problem, 1, time_limit_s=limit_s)
    assert not result.complete
    assert len(result.values) == 1
    assert is_fit(problem, result.choices[0])
    assert result.values[0] <= OPTIMA["I04"] <= result.bound
    assert result.bound <= 3632  # the continuous relaxation comes to 3631.4


def test_the_same_problem_takes_the_same_way():
    """Twice the same answer after the same number of partial selections."""
    problem, _ = published("I06")
    first, second = (best_selections(problem, 10) for _ in range(2))
    assert first.nodes == second.nodes
    assert listed(first) == listed(second)


@pytest.mark.parametrize("seed", [s for s in range(40) if all_selections(random_problem(s))])
def test_bounds_hold_for_every_selection_whatever_the_multipliers(seed):
    """From random multipliers: no option of a selection of the level is struck out, none reaches above its bound."""
    problem = random_problem(seed)
    best = all_selections(problem)
    table = selection._table(problem, 1.0, whole=False)
    level = -best[len(best) // 2][0] - 1e-6
    alive = np.ones((len(table.group), 3), dtype=bool)
    multipliers = np.random.default_rng(seed).exponential(2.0, (len(table.limits), 3))
    bounded = tighten(table, alive, multipliers, level, 8, 0.5)
    assert len(bounded.bound) == 3
    for loss, choice in best[: len(best) // 2 + 1]:
        rows = table.starts + np.array(choice)
        assert bounded.alive[rows].all()
        assert (bounded.bound >= -loss - 1e-6).all()
        assert (bounded.reach[rows] >= -loss - 1e-6).all()


def test_steps_bring_the_bound_down_to_the_relaxation():
    """From no multipliers at all to near the optimum of the continuous relaxation, 1626.59; from its own, at once."""
    problem, _ = published("I03")
    table = selection._table(problem, 1.0, whole=False)
    alive, none = np.ones((150, 1), dtype=bool), np.zeros((10, 1))
    start = tighten(table, alive, none, 1602.0, 1, -24.0)
    after = tighten(table, alive, none, 1602.0, 500, -24.0)
    assert start.bound[0] > 1700
    assert 1626.59 < after.bound[0] < 1628
    relaxed = lp_multipliers(table)[:, None]
    assert tighten(table, alive, relaxed, 1602.0, 1, 0.5).bound[0] == pytest.approx(1626.5914, abs=1e-3)
    assert (after.reach[~after.alive] < 1602.0).all()


def test_columns_without_hope_are_left_out_and_few_options_change_nothing():
    """A column whose options all lack the level goes; where few options are left, bounds are what they were."""
    table = selection._table(
        SelectionProblem([np.array([5.0, 1.0, 1.0, 1.0])] * 2, [np.array([[3.0, 1.0, 1.0, 1.0]])] * 2, np.array([4.0])),
        1.0, whole=True,
    )  # fmt: skip
    alive = np.zeros((8, 2), dtype=bool)
    alive[[0, 4, 5], 0] = alive[[1, 5], 1] = True
    bounded = tighten(table, alive, np.zeros((1, 2)), 6.0, 20, 0.5)
    assert np.flatnonzero(bounded.alive[:, 0]).tolist() == [0, 5]
    assert bounded.bound == pytest.approx([6.0], abs=1e-3)
    assert (bounded.reach[[1, 2, 3, 6, 7]] <= DEAD / 2).all()


@pytest.mark.parametrize("seed", range(0, 40, 3))
def test_selections_found_by_swaps_are_fit(seed):
    """Whatever is found before the search keeps to limits and pairs, and starts are found for most instances."""
    problem = random_problem(seed)
    table: Table = selection._table(problem, 1.0, whole=False)
    choices = good_selections(table, table.scores - table.tops(table.scores[:, None])[table.group, 0], 20)
    assert all(is_fit(problem, choice) for choice in choices)
    if not problem.forbidden and len(problem.scores) > 1 and all_selections(problem):
        assert len(choices)


def test_known_selections_are_kept_once_and_best_first():
    """Three places: a selection told twice takes one, of equals the first by its numbers stays, the rest is noted."""
    known = Known(3, 2)
    known.add(np.array([[1, 0], [0, 1]]), np.array([5.0, 5.0]))
    assert not known.left_out
    known.add(np.array([[0, 1], [2, 2], [0, 0]]), np.array([5.0, 7.0, 5.0]))
    known.sort()
    assert known.choices.tolist() == [[2, 2], [0, 0], [0, 1]]
    assert known.values.tolist() == [7.0, 5.0, 5.0]
    assert known.full
    assert known.left_out


BAD = {
    "no group": ([], [], [], {}, "at least one group"),
    "uses missing": ([[1.0]], [], [], {}, "have uses"),
    "uses of another size": ([[1.0]], [[[1.0, 2.0]]], [1.0], {}, "uses of group 0"),
    "score not a number": ([[math.nan]], [[[1.0]]], [1.0], {}, "not a finite number"),
    "score too large": ([[1e101]], [[[1.0]]], [1.0], {}, "score or use beyond"),
    "use too large": ([[1.0]], [[[1e155]]], [1.0], {}, "score or use beyond"),
    "use without end": ([[1.0]], [[[math.inf]]], [1.0], {}, "not a finite number"),
    "limit not a number": ([[1.0]], [[[1.0]]], [math.nan], {}, "a limit is"),
    "pair the wrong way": ([[1.0]] * 2, [[[1.0]]] * 2, [1.0], {(1, 0): [[True]]}, "forbidden pairs"),
    "pair of another size": ([[1.0]] * 2, [[[1.0]]] * 2, [1.0], {(0, 1): [[True, True]]}, "forbidden pairs"),
}


@pytest.mark.parametrize("case", BAD)
def test_what_does_not_fit_together_is_refused(case):
    scores, uses, limits, forbidden, message = BAD[case]
    with pytest.raises(ValueError, match=message):
        SelectionProblem(
            [np.array(each) for each in scores], [np.array(each) for each in uses], np.array(limits),
            {pair: np.array(table) for pair, table in forbidden.items()},
        )  # fmt: skip


def test_at_least_one_selection_is_asked_for():
    problem, _ = published("I01")
    with pytest.raises(ValueError, match="at least one selection"):
        best_selections(problem, 0)
