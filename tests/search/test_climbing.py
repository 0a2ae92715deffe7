"""What is foretold of changes of a build, against their runs."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.search import climbing
from optimizer.search.climbing import FORETOLD_MS, Foretelling, mended, one_change
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


@pytest.mark.parametrize("seed", range(6))
def test_builds_are_mended_by_what_may_stand_there_and_by_what_is_asked_for(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All that is mended may stand, has what is asked for, and is a known build with nothing else changed than that.

    Every replacement of one option that is left out is among it; a build that the question allows stays as it is. There
    is an end to how many are made.
    """
    options, legality, _, _ = machinery(random_catalog(seed))
    rng = np.random.default_rng(seed)
    known = np.stack([rng.choice(size, 40) for size in options.sizes], axis=1)
    usable = [np.flatnonzero(~out) for out in legality.forbidden]
    s = int(np.argmax([len(each) for each in usable]))
    banned, asked = int(usable[s][0]), (s + 1) % len(usable)
    usable[s] = usable[s][1:]
    carry = tuple(np.arange(size) == (size - 1 if at == asked else -1) for at, size in enumerate(options.sizes))
    some = mended(known, usable, [])
    told = {tuple(build) for build in some.tolist()}
    for build in known:
        out = [at for at, o in enumerate(build) if o not in usable[at]]
        if not out:
            assert tuple(build.tolist()) in told
        elif out == [s] and build[s] == banned:
            assert all((*build[:s].tolist(), int(o), *build[s + 1 :].tolist()) in told for o in usable[s])
    assert all(np.isin(some[:, at], each).all() for at, each in enumerate(usable))
    assert all((known != build).sum(axis=1).min() <= 2 for build in some)
    monkeypatch.setattr(climbing, "MENDED_MOST", 7)
    assert len(mended(known, usable, [])) <= 7
    monkeypatch.undo()
    usable[asked] = np.union1d(usable[asked], [options.sizes[asked] - 1])
    having = mended(known, usable, [carry])
    assert len(having)
    assert (having[:, asked] == options.sizes[asked] - 1).all()
