"""The price of money that makes a bound on what can be bought least: against a linear program."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog

from optimizer.search.surrogate import lagrangian_bound


def relaxed(scores: list[np.ndarray], cents: list[np.ndarray], left: float, allowed: list[np.ndarray]) -> float:
    """Most that shares of allowed options (m_s,), adding up to one in each slot, bring for the money; -inf for none."""
    sizes = [len(each) for each in scores]
    one = np.zeros((len(sizes), sum(sizes)))
    for row, (size, end) in enumerate(zip(sizes, np.cumsum(sizes), strict=True)):
        one[row, end - size : end] = 1.0
    found = linprog(
        -np.concatenate(scores),
        A_ub=None if np.isinf(left) else np.concatenate(cents)[None],
        b_ub=None if np.isinf(left) else [left],
        A_eq=one,
        b_eq=np.ones(len(sizes)),
        bounds=[(0.0, 1.0 if ok else 0.0) for ok in np.concatenate(allowed)],
    )
    return -found.fun if found.status == 0 else -np.inf


@pytest.mark.parametrize("seed", range(6))
def test_the_bound_is_that_of_shares_of_options(seed):
    """By linear duality; equal scores and prices, slots without a choice, and more money than is needed included."""
    rng, count = np.random.default_rng(seed), 25
    sizes = rng.integers(1, 9, 5)
    scores = [np.round(rng.normal(0, 0.1, (count, size)), 2) for size in sizes]
    cents = [np.round(rng.lognormal(9, 1, (count, size)), -3) for size in sizes]
    allowed = [rng.random((count, size)) < 0.7 for size in sizes]
    for ok in allowed:
        ok[np.arange(count), rng.integers(0, ok.shape[1], count)] = True
    allowed[0][3] = False  # one that cannot be had at all
    cheapest = sum(np.where(ok, price, np.inf).min(axis=1) for ok, price in zip(allowed, cents, strict=True))
    left = np.where(np.isfinite(cheapest), cheapest, 1e5) * rng.uniform(0.9, 2.5, count)
    left[0], left[1] = np.inf, cheapest[1]

    bound, multiplier = lagrangian_bound(scores, cents, left, allowed)

    for row in range(count):
        one = [[each[row] for each in tables] for tables in (scores, cents, allowed)]
        assert bound[row] == pytest.approx(relaxed(one[0], one[1], float(left[row]), one[2]), abs=1e-8)
    assert (multiplier >= 0).all()
    assert (multiplier > 0).sum() > 5, "money binds in some"


def test_any_multiplier_gives_a_bound_and_this_one_the_least():
    rng = np.random.default_rng(1)
    scores, cents = [rng.normal(0, 0.1, (1, 30)) for _ in range(4)], [rng.lognormal(9, 1, (1, 30)) for _ in range(4)]
    allowed = [np.ones((1, 30), dtype=bool)] * 4
    left = np.array([2.0 * sum(float(each.min()) for each in cents)])

    bound, chosen = lagrangian_bound(scores, cents, left, allowed)

    def at(multiplier: float) -> float:
        """The bound at a price of money."""
        best = sum(float((s - multiplier * c).max()) for s, c in zip(scores, cents, strict=True))
        return best + multiplier * float(left[0])

    assert at(float(chosen[0])) == pytest.approx(float(bound[0]), abs=1e-12)
    assert all(at(each) >= bound[0] - 1e-12 for each in np.geomspace(1e-8, 1e-3, 200))
