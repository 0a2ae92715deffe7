"""What is foretold of changes of a build, against their runs."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.search.climbing import FORETOLD_MS, Foretelling, one_change
from tests.search.catalogs import machinery, random_catalog


@pytest.mark.parametrize("most", [1, 0])
def test_changes_that_are_likely_slow_are_slow(most: int) -> None:
    """Two changes of a good build, and one of another: of those left out hardly one is as fast as the floor.

    Most that could be are left out. Brackets and other caps make the few exceptions. More changes of what drives a car
    than those allowed are never left out.
    """
    wrong = out = slow = 0
    for seed in range(12):
        _, legality, _, judge = machinery(random_catalog(seed))
        rng = np.random.default_rng(seed)
        usable = [np.flatnonzero(~out) for out in legality.forbidden]
        some = np.stack([rng.choice(each, 3000) for each in usable], axis=1)
        some = some[legality.allowed(some)]
        first, other = some[np.argsort(-judge.speeds(some), kind="stable")[:2]]
        known = Foretelling(judge, first, usable)
        assert known.speed_ms == judge.speeds(first[None])[0]
        start = first if most else other
        builds = one_change(start, usable)
        if most:
            builds = np.concatenate([one_change(each, usable) for each in builds])
        builds = builds[legality.allowed(builds)]
        speed = judge.speeds(builds)
        floor = float(speed.max()) - 0.3
        likely = known.likely(builds, start, float(judge.speeds(start[None])[0]), floor, most)

        driven = (builds != start)[:, list(judge.model.drive_slots)].sum(axis=1) > most
        assert likely[driven].all()
        wrong += int((speed[~likely] >= floor).sum())
        out += int((~likely).sum())
        slow += int((~driven & (speed < floor - FORETOLD_MS)).sum())
    assert out > 0.9 * slow > 10
    assert wrong <= 0.001 * out
