"""A search that is stopped: what it lists is legal, and what it says of the rest holds."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.search.ranking import Ranker
from tests.search.catalogs import enumerated, machinery, random_catalog


@pytest.mark.parametrize("thorough", [True, False])
@pytest.mark.parametrize("seed", [1, 5, 211])
def test_nothing_is_faster_than_a_stopped_search_allows_for(seed: int, thorough: bool) -> None:
    """Stopped at once: every legal build not listed is within what is said of the last one listed."""
    scenario = random_catalog(seed)
    builds, speeds, _, _ = enumerated(seed)
    _, legality, book, judge = machinery(scenario)
    ranker = Ranker(judge, legality, book, scenario.event.budget_cents, scenario.event.hours_limit)
    found = ranker.top(25, thorough=thorough, time_limit_s=1e-9)
    listed = {build.tobytes() for build in found.builds[: found.listed]}

    assert found.evidence.stopped
    assert not found.evidence.closed
    rest = [speed for build, speed in zip(builds, speeds, strict=True) if build.tobytes() not in listed]
    assert max(rest) > found.evidence.kth_ms, "it has missed something"
    assert max(rest) <= found.evidence.highest_left_ms + 0.01
    legal = {build.tobytes() for build in builds}
    assert listed <= legal


def test_a_limit_that_is_not_reached_changes_nothing() -> None:
    """The same builds as without, and a complete search."""
    scenario = random_catalog(7)
    _, legality, book, judge = machinery(scenario)

    def ranked(limit: float | None) -> tuple[np.ndarray, bool | None, bool]:
        ranker = Ranker(judge, legality, book, scenario.event.budget_cents, scenario.event.hours_limit)
        found = ranker.top(5, thorough=True, time_limit_s=limit)
        return found.builds[:5], found.evidence.closed, found.evidence.stopped

    free, limited = ranked(None), ranked(3600.0)

    np.testing.assert_array_equal(free[0], limited[0])
    assert free[1:] == limited[1:] == (True, False)
