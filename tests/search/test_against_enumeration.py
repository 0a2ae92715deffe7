"""The ranking against full enumeration with the same simulator: every legal build is tried."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.choice.options import options_of
from optimizer.run.judge import SPEED_STEP_MS
from optimizer.scenario.event import Scenario
from optimizer.search import climbing, opening, ranking, ruling_out, state
from optimizer.search.memory import Memory
from optimizer.search.ranking import Ranker, Ranking
from optimizer.search.state import NEAR_MS
from tests.search.catalogs import SIZES, LookingUp, enumerated, machinery, random_catalog, ranker_of, tried

BIG = [
    (1, (2, 2, 3, 3, 3, 3, 2)),
    (3, SIZES),
    (2, SIZES),
    (4, SIZES),
    (5, SIZES),
    (9, (3, 2, 4, 4, 3, 3, 2)),
]
"""Seed and sizes: each catalog has 5,000 legal builds or more, over all layouts and scorings, one run and two."""
LARGE = 227
"""A catalog of 61,000 legal builds: to try them all takes as long as to try those of eight others."""


def ranked(scenario: Scenario, k: int) -> Ranking:
    return ranker_of(scenario).top(k)


def assert_same(seed: int, k: int, sizes: tuple[int, ...] = SIZES) -> int:
    builds, speeds, cents, _ = enumerated(seed, sizes)
    found = ranked(random_catalog(seed, sizes=sizes), k)
    listed = min(k, len(builds))

    assert found.evidence.closed is None
    assert found.listed == listed
    np.testing.assert_array_equal(found.builds[:listed], builds[:listed])
    np.testing.assert_array_equal(found.speed_ms[:listed], speeds[:listed])
    np.testing.assert_array_equal(found.cents[:listed], cents[:listed])
    return len(builds)


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "sizes"), BIG)
def test_top_ten_of_large_catalogs_equal_enumeration(seed, sizes):
    """Builds, speeds and prices of the first ten, in the total order."""
    legal = assert_same(seed, 10, sizes)

    assert legal >= 5000


@pytest.mark.parametrize("seed", [0, 6, 7, 10, 13, 16, 18, 19])
def test_top_ten_of_small_catalogs_equal_enumeration(seed):
    """More scorings, salts and wind, with smaller catalogs."""
    assert_same(seed, 10)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [80, 92, 134])
def test_where_the_fast_day_is_slower_than_the_runs(seed):
    """Tires have to be good for the runs themselves: what the level asks of them holds on such days as well."""
    assert_same(seed, 10)


def test_where_speeds_round_to_the_same_step_the_cheaper_comes_first():
    """The order of the list: speed to 0.001 m/s, price, margin, ids."""
    scenario = random_catalog(6)
    found = ranked(scenario, 40)
    rank = np.round(found.speed_ms / SPEED_STEP_MS)
    order = np.lexsort([found.cents, -rank])[: found.listed]

    np.testing.assert_array_equal(found.cents[: found.listed], found.cents[order])
    np.testing.assert_array_equal(rank[: found.listed], rank[order])


@pytest.mark.slow
@pytest.mark.parametrize("seed", [seed for seed in range(200, 231) if seed != LARGE])
def test_a_complete_search_lists_what_enumeration_does(seed):
    """Thirty catalogs of all layouts and scorings; lists of fifty, ten and one builds.

    Each search knows nothing of the others. Only the first simulates: what the others try was run by trying everything.
    """
    scenario = random_catalog(seed)
    builds, speeds, _, _ = enumerated(seed)
    known = LookingUp(tried(seed, SIZES))
    for k, judge in ((50, None), (10, known), (1, known)):
        found = ranker_of(scenario, judge).top(k, thorough=True)
        listed = min(k, len(builds))

        assert found.evidence.closed
        assert found.listed == listed
        np.testing.assert_array_equal(found.builds[:listed], builds[:listed])
        np.testing.assert_array_equal(found.speed_ms[:listed], speeds[:listed])


def test_where_no_car_comes_to_the_shift_of_a_gear():
    """In this catalog no car of some drive sets has the wheel speed of a shift at any speed that it keeps."""
    builds, speeds, _, _ = enumerated(2075)
    found = ranker_of(random_catalog(2075)).top(1, thorough=True)

    assert found.evidence.closed
    np.testing.assert_array_equal(found.builds[:1], builds[:1])
    np.testing.assert_array_equal(found.speed_ms[:1], speeds[:1])


@pytest.mark.slow
@pytest.mark.parametrize("seed", [204, 215, 225])
def test_a_search_that_looks_for_good_builds_first_lists_the_same(seed, monkeypatch):
    """As large catalogs have it: small ones are ruled out at once, or all of their builds are tried."""
    monkeypatch.setattr(ranking, "ALL_TRIED", 0)
    monkeypatch.setattr(ranking, "SOON_CLOSED", 0)
    builds, speeds, _, _ = enumerated(seed)
    found = ranker_of(random_catalog(seed)).top(50, thorough=True)

    assert found.evidence.closed
    np.testing.assert_array_equal(found.builds[:50], builds[:50])
    np.testing.assert_array_equal(found.speed_ms[:50], speeds[:50])


@pytest.mark.slow
@pytest.mark.parametrize("seed", [204, 215, 225])
@pytest.mark.parametrize("thorough", [False, True])
def test_what_is_foretold_of_changes_decides_nothing(seed, thorough, monkeypatch):
    """Builds that are left out as likely slow, here also good ones, are met later: they do not count as tried."""
    monkeypatch.setattr(ranking, "ALL_TRIED", 0)
    monkeypatch.setattr(ranking, "SOON_CLOSED", 0)
    monkeypatch.setattr(state, "WORTH_FORETELLING", 0)
    monkeypatch.setattr(climbing, "FORETOLD_MS", -3.0)
    left_out = []
    likely = climbing.Foretelling.likely

    def noted(known, builds, *others):
        found = likely(known, builds, *others)
        left_out.extend(build.tobytes() for build in builds[~found])
        return found

    monkeypatch.setattr(climbing.Foretelling, "likely", noted)
    builds, speeds, _, _ = enumerated(seed)
    found = ranker_of(random_catalog(seed)).top(10, thorough=thorough)

    assert {build.tobytes() for build in builds[:10]} & set(left_out)
    assert found.evidence.closed is (True if thorough else None)
    np.testing.assert_array_equal(found.builds[:10], builds[:10])
    np.testing.assert_array_equal(found.speed_ms[:10], speeds[:10])


@pytest.mark.slow
@pytest.mark.parametrize("seed", [204, 215])
@pytest.mark.parametrize("most", [0, 10_000])
def test_drive_sets_without_a_tangent_lose_nothing_split_or_not(seed, most, monkeypatch):
    """No tangent counts here: drive sets are split as long as that makes few parts, and listed where it does not."""
    monkeypatch.setattr(ranking, "ALL_TRIED", 0)
    monkeypatch.setattr(opening, "WORTH_SPLITTING", 0)
    monkeypatch.setattr(opening, "MOST_PARTS", most)
    split = []
    cuts, widest = opening.Opener._cuts, opening.Opener._widest

    def none_holds(opener, batch, goal):
        found, kept, short = cuts(opener, batch, goal)
        return [replace(cut, holds=np.zeros_like(cut.holds)) for cut in found], kept, short

    def noted(opener, batch):
        split.append(len(batch.sets))
        return widest(opener, batch)

    monkeypatch.setattr(opening.Opener, "_cuts", none_holds)
    monkeypatch.setattr(opening.Opener, "_widest", noted)
    builds, speeds, _, _ = enumerated(seed)
    found = ranker_of(random_catalog(seed)).top(10)

    assert split
    np.testing.assert_array_equal(found.builds[:10], builds[:10])
    np.testing.assert_array_equal(found.speed_ms[:10], speeds[:10])


@pytest.mark.parametrize("seed", [200, 204, 207, 215, 225])
@pytest.mark.parametrize("thorough", [False, True])
def test_a_search_that_looks_into_some_drive_sets_first_lists_the_same(seed, thorough, monkeypatch):
    """As catalogs of very many drive sets have it: what could not be as fast as what was found is not looked into."""
    monkeypatch.setattr(ranking, "MANY_SETS", 0)
    monkeypatch.setattr(ranking, "SAMPLED", 6)
    builds, speeds, _, _ = enumerated(seed)
    ranker = ranker_of(random_catalog(seed))
    found = ranker.top(10, thorough=thorough)

    assert found.evidence.closed is (True if thorough else None)
    np.testing.assert_array_equal(found.builds[:10], builds[:10])
    np.testing.assert_array_equal(found.speed_ms[:10], speeds[:10])


@pytest.mark.parametrize("seed", [202, 210, 214, 219, 225])
def test_where_few_builds_are_left_all_are_tried(seed, monkeypatch):
    """The best, the cheapest that scores enough and some that does: as by enumeration, ruled out by trying the rest."""
    monkeypatch.setattr(ranking, "FEW_TRIED", 10**6)
    monkeypatch.setattr(Ranker, "_close", lambda _self: pytest.fail("nothing is left to rule out"))
    builds, speeds, cents, _ = enumerated(seed)
    scenario = random_catalog(seed)
    found = ranker_of(scenario).top(20, thorough=True)
    assert found.evidence.closed
    np.testing.assert_array_equal(found.builds[:20], builds[:20])
    for floor in (speeds[len(speeds) // 2], speeds[0], speeds[0] + 0.01):
        enough = speeds >= floor
        cheap, some = ranker_of(scenario).cheapest(float(floor)), ranker_of(scenario).reaching(float(floor))
        assert cheap.evidence.closed
        assert some.evidence.closed or some.listed
        assert cheap.listed == some.listed == int(enough.any())
        if enough.any():
            assert cheap.cents[0] == cents[enough].min()
            assert some.speed_ms[0] >= floor


@pytest.mark.parametrize("k", [1, 30])
def test_other_lengths_of_the_list(k):
    """One build, and many: the level the search prunes by is another."""
    assert_same(8, k)


def test_nothing_over_the_budget_is_ranked():
    scenario = random_catalog(4)
    found = ranked(scenario, 20)

    assert (found.cents <= scenario.event.budget_cents).all()


class Blind(Ranker):
    """A search that looks for nothing: it begins with the builds it is given, and only rules out."""

    start: np.ndarray

    def _find(self, *, thorough: bool, warm: bool) -> None:
        del warm
        self._try(self.start)
        self.evidence.closed = self._close() if thorough else None


def middling(builds: np.ndarray, k: int) -> np.ndarray:
    """K legal builds from the middle of the field, the fastest left out."""
    place = len(builds) // 2
    return builds[place : place + k]


@pytest.mark.parametrize("seed", [0, 1, 2, 3, 4, 5, 7, 9, 10, 13, 18])
def test_a_thorough_search_finds_what_a_blind_one_has_missed(seed):
    """From ten middling builds: what cannot be ruled out is tried, until nothing faster is left."""
    scenario = random_catalog(seed)
    builds, speeds, _, _ = enumerated(seed)
    _, legality, book, judge = machinery(scenario)
    blind = Blind(judge, legality, book, scenario.event.budget_cents, scenario.event.hours_limit)
    k = min(10, len(builds) // 3)
    blind.start = middling(builds, k)
    blind.climber.by_ones = lambda _pool: None
    found = blind.top(k, thorough=True)

    assert found.evidence.closed
    np.testing.assert_allclose(found.speed_ms[:k], speeds[:k], atol=SPEED_STEP_MS)


@pytest.mark.parametrize("seed", [1, 4, 9, 13])
def test_nothing_is_left_out_where_the_likeliest_go_first(seed, monkeypatch):
    """As above, with the drive sets in two parts: the likeliest go through all rounds before the others begin."""
    monkeypatch.setattr(ruling_out, "HEAD", 5)
    monkeypatch.setattr(ruling_out, "WORTH_A_HEAD", 10)
    test_a_thorough_search_finds_what_a_blind_one_has_missed(seed)


@pytest.mark.parametrize("seed", [0, 3, 8])
def test_what_is_said_of_a_floor_is_so(seed):
    """Some build that scores at least so much is found where there is one, and none where there is none."""
    scenario = random_catalog(seed)
    _, speeds, _, _ = enumerated(seed)
    for floor in (speeds[len(speeds) // 2], speeds[0] - 0.01, speeds[0] + 0.01):
        found = ranker_of(scenario).reaching(float(floor))

        assert found.listed == int(floor <= speeds[0])
        if found.listed:
            assert found.speed_ms[0] >= floor
        else:
            assert found.evidence.closed


@pytest.mark.parametrize("seed", [2, 5, 10])
def test_hints_do_not_change_the_answer(seed):
    """A search that begins with some builds, good or bad, lists what one without does."""
    scenario = random_catalog(seed)
    builds, speeds, _, _ = enumerated(seed)
    for some in (builds[:3], builds[-3:], builds[len(builds) // 2 :][:3]):
        memory = Memory(options_of(scenario))
        memory.hints = some
        found = ranker_of(scenario, memory=memory).top(5, thorough=True)

        assert found.evidence.closed
        np.testing.assert_allclose(found.speed_ms[:5], speeds[:5], atol=SPEED_STEP_MS)


@pytest.mark.parametrize("seed", [1, 3, 5, 9])
def test_looking_around_lists_the_same_and_meets_more_careful_and_cheaper_builds(seed):
    """The best stay as they are; what is met besides is legal, near, and never worse in either regard."""
    scenario = random_catalog(seed)
    alone = ranker_of(scenario).top(3, thorough=True)
    found = ranker_of(scenario).top(3, thorough=True, around=True)

    np.testing.assert_array_equal(found.builds[:3], alone.builds[:3])
    assert found.evidence.closed == alone.evidence.closed
    near, met = (each.speed_ms >= each.speed_ms[0] - NEAR_MS for each in (alone, found))
    assert met.sum() >= near.sum()
    assert found.care[met].max() >= alone.care[near].max()
    assert found.cents[met].min() <= alone.cents[near].min()
    builds, speeds, cents, _ = enumerated(seed)
    legal = {build.tobytes(): (speed, price) for build, speed, price in zip(builds, speeds, cents, strict=True)}
    for build, speed, price in zip(found.builds, found.speed_ms, found.cents, strict=True):
        assert legal[build.tobytes()] == (speed, price)


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "sizes"), BIG)
def test_a_thorough_search_of_large_catalogs_agrees(seed, sizes):
    """The same list, and it says that the rest is ruled out."""
    builds, speeds, _, _ = enumerated(seed, sizes)
    ranker = ranker_of(random_catalog(seed, sizes=sizes))
    found = ranker.top(10, thorough=True)

    assert found.evidence.closed
    np.testing.assert_array_equal(found.builds[:10], builds[:10])
    np.testing.assert_array_equal(found.speed_ms[:10], speeds[:10])
