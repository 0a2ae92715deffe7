"""What is foretold of changes by two, against their runs."""

from __future__ import annotations

import numpy as np

from optimizer.search.climbing import FORETOLD_MS, likely_fast, one_change
from tests.search.catalogs import machinery, random_catalog


def test_changes_that_are_likely_slow_are_slow() -> None:
    """From a good build of each catalog: of those left out hardly one is as fast as the floor, and most are left out.

    Brackets and other caps make the few exceptions. Two changes of what drives the car are never left out.
    """
    wrong = out = slow = 0
    for seed in range(12):
        _, legality, _, judge = machinery(random_catalog(seed))
        rng = np.random.default_rng(seed)
        usable = [np.flatnonzero(~out) for out in legality.forbidden]
        some = np.stack([rng.choice(each, 3000) for each in usable], axis=1)
        some = some[legality.allowed(some)]
        start = some[np.argmax(judge.speeds(some))]
        builds = np.concatenate([one_change(each, usable) for each in one_change(start, usable)])
        builds = builds[legality.allowed(builds)]
        speed = judge.speeds(builds)
        floor = float(speed.max()) - 0.3
        likely = likely_fast(judge, builds, start, usable, floor)

        both = (builds != start)[:, list(judge.model.drive_slots)].sum(axis=1) > 1
        assert likely[both].all()
        wrong += int((speed[~likely] >= floor).sum())
        out += int((~likely).sum())
        slow += int((~both & (speed < floor - FORETOLD_MS)).sum())
    assert out > 0.9 * slow > 1000
    assert wrong < 0.001 * out
