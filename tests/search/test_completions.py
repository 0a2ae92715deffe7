"""Lists of completions, against all choices tried."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pytest

from optimizer.search.completions import Task, complete
from optimizer.search.pairing import Pairing


@dataclass
class Case:
    task: Task
    choices: list[tuple[int, ...]]
    """Those that keep everything."""

    def scores(self) -> dict[tuple[int, ...], float]:
        return {each: _sum(self.task.scores, each)[0] + self.task.score_base[0] for each in self.choices}


def _sum(tables: list[np.ndarray], choice: tuple[int, ...]) -> np.ndarray:
    return sum((table[..., option] for table, option in zip(tables, choice, strict=True)), start=np.zeros(()))


def _case(seed: int) -> Case:
    """A task of four or five slots with two lines, two rows, shared jobs, money, hours and forbidden pairs."""
    rng = np.random.default_rng(seed)
    sizes = rng.integers(2, 6, rng.integers(4, 6))
    slots = range(len(sizes))
    forbidden = {
        pair: rng.random(sizes[list(pair)]) < rng.choice([0.15, 0.5])
        for pair in itertools.combinations(slots, 2)
        if rng.random() < 0.5
    }
    order, links = Pairing(len(sizes), forbidden).rooted(slots)
    at = {f: place for place, f in enumerate(order)}
    pairs = {}
    for (f, g), out in forbidden.items():
        pairs[min(at[f], at[g]), max(at[f], at[g])] = out if at[f] < at[g] else out.T
    sizes = sizes[order]
    links = [type(each)(at[each.parent], at[each.child], each.fits, each.kinds, each.kind) for each in links]
    scores = [rng.normal(size=(2, m)) for m in sizes]
    cents = [100.0 * rng.integers(0, 8, m) for m in sizes]
    jobs = [rng.integers(0, 4, m) for m in sizes]
    task = Task(
        allowed=[(rng.random(m) < 0.85) | (np.arange(m) == 0) for m in sizes], scores=scores,
        score_base=rng.normal(size=2),
        threshold=np.array([rng.choice([-np.inf, -1.0, 0.5]), rng.choice([-np.inf, 0.0])]),
        cents=cents, cents_left=float(rng.choice([np.inf, 1800.0])), jobs=jobs, jobs_done=int(rng.integers(0, 4)),
        job_cents=np.array([150.0, 250.0]), job_hours=np.array([2.0, 3.0]), hours=[rng.random(m) for m in sizes],
        hours_left=float(rng.choice([4.0, 9.0])), multipliers=np.abs(rng.normal(size=2)) * 1e-3,
        rows=[[rng.normal(size=m) for m in sizes] for _ in range(2)], row_left=rng.normal(size=2) + 1.0,
        pairs=pairs, links=links,
    )  # fmt: skip
    return Case(task, [each for each in itertools.product(*map(range, sizes)) if _keeps(task, each)])


def _keeps(task: Task, choice: tuple[int, ...]) -> bool:
    """Everything that is asked of a choice, one by one."""
    if not all(ok[option] for ok, option in zip(task.allowed, choice, strict=True)):
        return False
    if any(out[choice[f], choice[g]] for (f, g), out in task.pairs.items()):
        return False
    jobs = task.jobs_done
    for own, option in zip(task.jobs, choice, strict=True):
        jobs |= int(own[option])
    new = [j for j in range(2) if (jobs & ~task.jobs_done) >> j & 1]
    return bool(
        (task.score_base + _sum(task.scores, choice) >= task.threshold).all()
        and _sum(task.cents, choice) + sum(task.job_cents[new]) <= task.cents_left
        and _sum(task.hours, choice) + sum(task.job_hours[new]) <= task.hours_left
        and all(_sum(row, choice) <= left for row, left in zip(task.rows, task.row_left, strict=True))
    )


SEEDS = range(80)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_completion_is_listed(seed: int) -> None:
    case = _case(seed)
    found = complete(case.task, 10_000)
    assert not found.cut_off
    assert sorted(map(tuple, found.choices.tolist())) == case.choices


@pytest.mark.parametrize("seed", SEEDS)
def test_of_too_many_the_best_are_listed(seed: int) -> None:
    case = _case(seed)
    scores = case.scores()
    found = complete(case.task, 3)
    listed = {tuple(each): score for each, score in zip(found.choices.tolist(), found.scores, strict=True)}
    assert set(listed) <= set(scores)
    assert all(score == pytest.approx(scores[each]) for each, score in listed.items())
    if not found.cut_off:
        assert set(listed) == set(scores)
    else:
        assert sorted(listed.values())[-3:] == pytest.approx(sorted(scores.values())[-3:])


def test_there_are_cases_of_every_kind() -> None:
    cases = [_case(seed) for seed in SEEDS]
    assert sum(not each.choices for each in cases) > 3
    assert sum(len(each.choices) > 10 for each in cases) > 10
    assert any(len(each.task.links) < len(each.task.pairs) for each in cases)
    assert any({a.child for a in each.task.links} & {a.parent for a in each.task.links} for each in cases)
