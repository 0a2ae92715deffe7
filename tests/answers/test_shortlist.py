"""A few builds that really differ: what speaks for each against brute force, and no car listed twice."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np
import pytest

from optimizer.answers.near_best import known_builds, near_best
from optimizer.answers.same_car import clones_of, main_slots
from optimizer.answers.shortlist import Entry, Shortlist, shortlist, soft_salt_of
from optimizer.answers.swaps import MATTERS_MS
from optimizer.choice.options import FloatArray, IntArray
from optimizer.errors import UsageError
from optimizer.run.judge import SPEED_STEP_MS, Judge
from optimizer.run.model import RunModel
from optimizer.search.study import Study
from tests.choice.records import extra_slot, make_extra, make_final_drive, make_scenario, make_tire
from tests.scenes import MPH
from tests.search.catalogs import every_allowed, random_catalog

SEEDS = (0, 1, 2, 5)
WIDE_MS = 5.0 * MPH
MANY = 50


def study_of(seed: int) -> Study:
    return Study.of(random_catalog(seed, sizes=(1, 1, 2, 2, 1, 1, 1)))


def budget_of(study: Study) -> int | None:
    return study.scenario.event.budget_cents


@pytest.fixture(scope="module", params=SEEDS)
def asked(request: pytest.FixtureRequest) -> tuple[Study, Shortlist]:
    """A study, and a list of all builds that differ in it."""
    study = study_of(request.param)
    return study, shortlist(study, MANY, budget_cents=budget_of(study), window_ms=WIDE_MS)


def rows_of(study: Study, entries: tuple[Entry, ...]) -> IntArray:
    return np.stack([study.options.encode(each.build) for each in entries])


def with_changes(study: Study, build: Mapping[str, str], instead: Mapping[str, str]) -> IntArray:
    return study.options.encode({**build, **instead})[None]


def numbers_of(study: Study, builds: IntArray, soft: str) -> dict[str, FloatArray]:
    """What each argument goes by, asked of price book, simulator and checks directly; more is better."""
    prices, runs = study.book.price(builds), study.judge.runs(builds)
    return {
        "fastest": study.judge.joined(runs),
        "cheapest": -prices.cents.astype(np.float64),
        "most careful": study.judge.judge(builds, runs).margins.min(axis=0),
        "best on soft salt": Judge(RunModel(study.options), soft).speeds(builds),
        "fewest changes": -np.count_nonzero(builds, axis=1).astype(np.float64),
        "least own hours": -prices.hours,
    }


STEPS = {"fastest": SPEED_STEP_MS, "best on soft salt": SPEED_STEP_MS, "most careful": 1e-3}


def test_what_speaks_for_builds_is_what_brute_force_finds(asked: tuple[Study, Shortlist]) -> None:
    """Nothing among the candidates is faster, cheaper, safer, less changed or less work than the build named so."""
    study, found = asked
    candidates = near_best(study.fresh(), budget_of(study), WIDE_MS).known.builds
    best = numbers_of(study, candidates, found.soft_salt)
    named = {argument.name: (each, argument) for each in found.entries for argument in each.arguments}

    assert set(best) <= set(named)
    assert found.candidates == len(candidates) > 3
    for name, values in best.items():
        entry, argument = named[name]
        build = with_changes(study, entry.build, argument.instead)
        value = float(numbers_of(study, build, found.soft_salt)[name][0])
        assert value == pytest.approx(values.max(), abs=STEPS.get(name, 1e-6))
        assert abs(value) == pytest.approx(argument.value, abs=STEPS.get(name, 1e-6))
        if name != "fastest":
            first = float(numbers_of(study, rows_of(study, found.entries[:1]), found.soft_salt)[name][0])
            assert argument.better == pytest.approx(value - first, abs=2 * STEPS.get(name, 1e-6))


def test_no_build_that_was_met_is_better_in_every_way(asked: tuple[Study, Shortlist]) -> None:
    """Nothing speaks for the cheapest of those too close to call where a faster one, surely slower, costs less."""
    study, found = asked
    near = known_builds(study, budget_of(study))
    near = near.take(near.speed_ms >= near.speed_ms.max() - WIDE_MS)
    changes = (near.builds != study.options.fitted).sum(axis=1)
    for entry in found.entries:
        if "most different" in entry.names or entry.names == ("best on soft salt",):
            continue
        better = (near.speed_ms > entry.speed_ms + SPEED_STEP_MS) & (near.cents < entry.cents)
        better &= (near.care.round(3) >= round(entry.care, 3)) & (near.hours <= entry.hours)
        better &= changes <= entry.changes
        assert not better.any()


def test_candidates_are_legal_affordable_and_the_fastest_is_the_best_of_all(asked: tuple[Study, Shortlist]) -> None:
    """Every entry is in the full enumeration with its numbers; nothing in it is faster than the first."""
    study, found = asked
    budget = budget_of(study)
    builds = every_allowed(study.legality)
    prices = study.book.price(builds)
    kept = prices.available & (prices.cents <= (np.inf if budget is None else budget))
    builds, cents = builds[kept], prices.cents[kept]
    runs = study.judge.runs(builds)
    judged, speed = study.judge.judge(builds, runs), study.judge.joined(runs)
    legal = judged.legal & (speed > 0)
    places = {row.tobytes(): i for i, row in enumerate(builds) if legal[i]}

    assert found.closed
    assert found.entries[0].names[0] == "fastest"
    assert found.entries[0].speed_ms == pytest.approx(speed[legal].max(), abs=SPEED_STEP_MS)
    for entry, row in zip(found.entries, rows_of(study, found.entries), strict=True):
        place = places[row.tobytes()]
        assert (entry.speed_ms, entry.cents) == (speed[place], cents[place])
        assert entry.care == judged.care[place]
        assert entry.band.difference_ms == pytest.approx(found.entries[0].speed_ms - entry.speed_ms, abs=1e-9)


def test_the_best_without_each_main_choice_is_among_the_candidates(asked: tuple[Study, Shortlist]) -> None:
    """As far as it is in the window, whether or not it is too close to call."""
    study, _ = asked
    budget = budget_of(study)
    near = near_best(study, budget, WIDE_MS)
    known = {row.tobytes() for row in near.known.builds}
    best = near.known.builds[0]
    asked_about = [s for s in main_slots(study.options) if best[s] != 0]

    for s in asked_about:
        part = f"{study.options.slots[s].name}={study.options.parts[s][best[s]].id}"
        without = study.best(budget_cents=budget, without_parts=(part,))
        if without.listed and without.speed_ms[0] >= near.known.speed_ms[0] - WIDE_MS:
            assert without.builds[0].tobytes() in known


def test_no_car_is_listed_twice(asked: tuple[Study, Shortlist]) -> None:
    """Any two entries differ in engine, gears or tires, or in a part that alone moves the speed, or all together do."""
    study, found = asked
    rows = rows_of(study, found.entries)
    main = main_slots(study.options)
    assert len(rows) > 1
    pairs = [(one, other) for one, other in combinations(rows, 2) if (one[main] == other[main]).all()]
    tried = [np.stack([one, other, *swapped(one, other), *swapped(other, one)]) for one, other in pairs]
    speeds = study.judge.speeds(np.concatenate([rows, *tried]))[len(rows) :]
    for speed in np.split(speeds, np.cumsum([len(each) for each in tried[:-1]])) if pairs else ():
        forth, away = np.split(speed[2:], 2)
        assert np.abs([*(forth - speed[0]), *(away - speed[1]), speed[1] - speed[0]]).max() >= MATTERS_MS


def swapped(build: IntArray, other: IntArray) -> list[IntArray]:
    """A build with each part in which another differs put in, one at a time."""
    places = np.flatnonzero(build != other)
    return [np.where(np.arange(len(build)) == s, other, build) for s in places]


def test_parts_that_serve_equally_do(asked: tuple[Study, Shortlist]) -> None:
    """Put in alone, each is legal, within the budget and as fast; the build's own comes first."""
    study, found = asked
    budget = budget_of(study)
    for entry in found.entries:
        for slot, ids in entry.choices.items():
            builds = np.concatenate([with_changes(study, entry.build, {slot: each}) for each in ids])
            prices, runs = study.book.price(builds), study.judge.runs(builds)
            assert ids[0] == entry.build[slot]
            assert len(set(ids)) == len(ids) > 1
            assert (study.legality.allowed(builds) & study.judge.judge(builds, runs).legal).all()
            assert (prices.cents <= (np.inf if budget is None else budget)).all()
            assert np.abs(study.judge.joined(runs) - entry.speed_ms).max() < MATTERS_MS


def test_three_brake_pads_are_one_line_with_three_choices() -> None:
    """Pads of equal data at three prices are one car; another final drive is another."""
    pads = [make_extra(f"K{i}", slots=("pads",), mass_kg=2.0, price_cents=1000 * (3 - i)) for i in range(3)]
    slot = extra_slot("pads", required=True, fitted="K0")
    final = make_final_drive("F-long", ratio=3.9, price_cents=20_000)
    study = Study.of(make_scenario([*pads, final], extra_slots=[slot]))
    found = shortlist(study, 3, budget_cents=None)

    assert [each.build["final drive"] for each in found.entries] in (["F-long", "F-stock"], ["F-stock", "F-long"])
    for entry in found.entries:
        assert set(entry.choices) == {"pads"}
        assert sorted(entry.choices["pads"]) == ["K0", "K1", "K2"]
    assert "final drive" in found.entries[1].differs
    assert "pads" not in found.entries[1].differs


def test_tires_of_equal_data_are_two_cars() -> None:
    """What is not known of two tires differs, however alike their data."""
    study = Study.of(make_scenario([make_tire("T-twin")]))
    rows = np.stack([study.options.encode(each) for each in ({}, {"rear tires": "T-twin"})])
    assert clones_of(study, rows[0], rows).tolist() == [True, False]


def test_small_differences_that_add_up_are_a_difference() -> None:
    """Three extras of 0.04 mph each: one is the same car, all three are not."""
    names = [f"place {i}" for i in range(3)]
    car = make_scenario(
        [
            make_final_drive("F-stock", ratio=3.7),
            *[make_extra(f"X{i}", slots=(name,), mass_kg=0.0, drag_area_m2=-0.0004) for i, name in enumerate(names)],
        ],
        extra_slots=[extra_slot(name) for name in names],
    )
    study = Study.of(car)
    every = {name: f"X{i}" for i, name in enumerate(names)}
    rows = np.stack([study.options.encode(each) for each in ({}, {names[0]: "X0"}, every)])
    speed = study.judge.speeds(rows)

    assert MATTERS_MS / 3 < speed[1] - speed[0] < MATTERS_MS < speed[2] - speed[0]
    assert clones_of(study, rows[0], rows).tolist() == [True, True, False]
    assert clones_of(study, rows[2], rows).tolist() == [False, True, True]


@pytest.mark.parametrize("seed", SEEDS[:2])
def test_same_question_same_answer(seed: int) -> None:
    first, second = (shortlist(study_of(seed), 3, budget_cents=150_000) for _ in range(2))
    assert first == second


def test_a_short_list_is_the_beginning_of_a_long_one(asked: tuple[Study, Shortlist]) -> None:
    """More builds asked for come on top; more than there are is no error."""
    study, found = asked
    few = shortlist(study, 2, budget_cents=budget_of(study), window_ms=WIDE_MS)
    assert len(found.entries) < MANY
    assert [each.build for each in few.entries] == [each.build for each in found.entries[:2]]


def test_a_quick_list_has_the_same_first(asked: tuple[Study, Shortlist]) -> None:
    """Without the searches for other choices there are no more candidates than with them; the fastest is the same."""
    study, found = asked
    quick = shortlist(study.fresh(), MANY, budget_cents=budget_of(study), window_ms=WIDE_MS, ask_without=False)
    assert quick.closed
    assert 1 < quick.candidates <= found.candidates
    assert quick.entries[0].build == found.entries[0].build


def test_without_money_there_is_no_list() -> None:
    study = study_of(0)
    found = shortlist(study, 3, budget_cents=0)
    assert (found.entries, found.candidates) == ((), 0)
    assert len(known_builds(study, 0).builds) == 0


def test_soft_salt_is_the_one_that_rolls_worst_unless_named() -> None:
    study = study_of(0)
    event = study.scenario.event
    assert soft_salt_of(event) == "soft"
    assert soft_salt_of(event, "firm") == "firm"
    with pytest.raises(UsageError, match="ordinary"):
        soft_salt_of(event, "ordinry")
    with pytest.raises(ValueError, match="at least one"):
        shortlist(study, 0, budget_cents=None)
