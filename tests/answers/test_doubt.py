"""Choosing under doubt: cases a person can reason out, brute force, and bounds that nothing breaks."""

import math

import numpy as np
import pytest

from optimizer.answers.contenders import contenders
from optimizer.answers.doubt import _picked, gain_bounds, in_world, under_doubt
from optimizer.answers.meet import chances, falls_in
from optimizer.answers.meet_worlds import SETS
from optimizer.answers.odds import draw_runs
from optimizer.answers.unknowns import speeds_with, unknowns_of
from optimizer.scenario.event import Meet
from optimizer.scenario.parts import Basis
from optimizer.search.study import Study
from tests.choice.records import extra_slot, make_class, make_extra, make_final_drive, make_scenario
from tests.search.catalogs import enumerate_all, random_catalog

QUIET = Meet(days=1, runs_a_day=2, breakage=0.0, run_scatter=0.003)
LONG = make_final_drive("F-stock", ratio=3.7)


def sure_or_guessed(needed_ms):
    """A nose that was measured, and one that is said to be better by a little but that nobody has tried."""
    noses = (
        make_extra("sure", price_cents=40_000, drag_area_m2=-0.08, bases={"drag_area_m2": Basis("measured")}),
        make_extra("guessed", price_cents=30_000, drag_area_m2=-0.085, bases={"drag_area_m2": Basis("assumed")}),
    )
    event = {"classes": (make_class(record_ms=needed_ms),)}
    return Study.of(make_scenario((LONG, *noses), extra_slots=[extra_slot("nose")], event=event))


def test_the_choice_changes_where_the_fastest_is_a_guess(monkeypatch):
    """With nothing unknown but the two noses and a record that the sure one takes with some room, the sure is chosen.

    The guess is faster as stated and fails where it is off by much.
    """
    every = unknowns_of
    monkeypatch.setattr(
        "optimizer.answers.odds.unknowns_of",
        lambda *of: tuple(each for each in every(*of) if each.id in {"sure", "guessed"}),
    )
    study = sure_or_guessed(40.0)
    sure = study.options.encode({"nose": "sure"})
    study = sure_or_guessed(float(study.judge.speeds(sure[None])[0]) - 0.35)
    meet = Meet(days=1, runs_a_day=1, breakage=0.0, run_scatter=0.0)
    found = under_doubt(study, contenders(study, None), "record", meet=meet)

    assert found.fastest.build.tolist() == study.options.encode({"nose": "guessed"}).tolist()
    assert found.changes
    assert found.chosen.build.tolist() == sure.tolist()
    assert found.chosen.chance.value > found.fastest.chance.value + 0.05
    assert found.costs_speed_ms > 0
    assert found.candidates[0].build.tolist() == sure.tolist()
    assert math.isinf(found.outside.behind_ms)
    assert (found.outside.chance_bound, found.outside.regret_bound_ms) == (0.0, 0.0)


def test_the_choice_stays_where_the_record_is_out_of_sight():
    """Nothing takes it: no build is likelier, and the fastest stands."""
    study = sure_or_guessed(51.5)
    found = under_doubt(study, contenders(study, None), "record", meet=QUIET, draws=64)
    assert not found.changes
    assert found.chosen is found.fastest
    assert found.fastest.place == 1


@pytest.mark.parametrize("seed", [1, 4])
def test_against_trying_everything(seed):
    """Chance and regret of every legal build of a small catalog, by plain loops over the drawn runs."""
    scenario = random_catalog(seed, sizes=(1, 1, 1, 2, 1, 1, 1))
    study = Study.of(scenario)
    builds = enumerate_all(scenario)[0]
    top = len(builds) + 5
    found = contenders(study, scenario.event.budget_cents, listed=top)
    assert math.isinf(found.behind_ms)
    assert {row.tobytes() for row in found.known.builds} == {row.tobytes() for row in builds}

    answer = under_doubt(study, found, "regret", meet=QUIET, draws=32)

    drawn = draw_runs(study, found.known.builds, QUIET, 32)
    needed = study.judge.planned_ms
    for each in answer.candidates:
        n = each.place - 1
        regrets = [drawn.scored_ms[w].max() - drawn.scored_ms[w, n] for w in range(32)]
        assert each.regret_ms.value == pytest.approx(np.mean(regrets))
        first = falls_in(drawn.runs_ms[:, :, [n]], QUIET, scenario.event.scoring, needed)
        assert each.chance.value == pytest.approx(chances(first, 0.0).mean())
    regrets = [each.regret_ms.value for each in answer.candidates]
    assert regrets == sorted(regrets)
    assert sum(each.fastest_in for each in answer.candidates) == pytest.approx(1.0)


def test_what_is_not_listed_is_slower_by_as_much_as_is_said():
    scenario = random_catalog(2, sizes=(1, 1, 2, 2, 1, 1, 1))
    builds, speed, _, _ = enumerate_all(scenario)
    assert len(builds) > 12
    found = contenders(Study.of(scenario), scenario.event.budget_cents, listed=6, others=3)
    assert found.closed
    assert found.listed == 6
    listed = {row.tobytes() for row in found.known.builds[:6]}
    outside = [value for row, value in zip(builds, speed, strict=True) if row.tobytes() not in listed]
    assert max(outside) <= speed[0] - found.behind_ms
    assert len({row.tobytes() for row in found.known.builds}) == len(found.known.builds) <= 9


def test_luck_among_equals_is_not_taken_for_a_gain():
    """Fifty builds that are equally good but for noise: the best by one half gains nothing in the other."""
    rng = np.random.default_rng(1)
    gains = []
    for _ in range(50):
        _, gain = _picked(rng.normal(size=(16 * SETS, 50)))
        gains.append(gain.value)
    assert abs(np.mean(gains)) < 4 * np.std(gains) / np.sqrt(50)


def test_bounds_of_a_gain_hold_and_are_met():
    """For a difference with some mean and deviation, whatever its shape; two points meet each of them."""
    rng = np.random.default_rng(5)
    for _ in range(200):
        shape = rng.choice(["normal", "two points", "skewed"])
        draws = {
            "normal": rng.normal(size=4000),
            "two points": np.where(rng.random(4000) < rng.uniform(0.02, 0.5), 1.0, 0.0),
            "skewed": rng.exponential(size=4000),
        }[shape]
        draws = draws - draws.mean() - rng.uniform(0.0, 2.0)
        chance, gain = gain_bounds(-draws.mean(), draws.std())
        assert (draws > 0).mean() <= chance + 1e-9
        assert np.maximum(draws, 0).mean() <= gain + 1e-9
    behind, spread = 1.0, 0.5
    chance, gain = gain_bounds(behind, spread)
    assert chance == pytest.approx(0.2)
    # ahead by a hair with this chance, else so far behind that mean and deviation are right
    low = -behind - spread**2 / behind
    assert chance * 0 + (1 - chance) * low == pytest.approx(-behind)
    # half of the weight in Scarf's worst case lies on either side of root of s^2 + d^2
    root = math.hypot(behind, spread)
    above = (1 - behind / root) / 2
    assert above * root - (1 - above) * root == pytest.approx(-behind)
    assert above * root == pytest.approx(gain)


def test_bounds_where_the_mean_may_be_ahead_or_nothing_is_outside():
    assert gain_bounds(-0.5, 0.0) == (1.0, 0.5)
    assert gain_bounds(math.inf, 3.0) == (0.0, 0.0)


def test_a_searched_world_beats_all_that_were_compared():
    """In a drawn world the complete search is the best of trying everything there; what it finds is compared too."""
    scenario = random_catalog(2, sizes=(1, 1, 2, 2, 1, 1, 1))
    study = Study.of(scenario)
    found = contenders(study, scenario.event.budget_cents, listed=3, others=0)
    answer = under_doubt(study, found, "regret", meet=QUIET, draws=16, searches=2)
    assert len(answer.outside.searched) == 2
    compared = {each.build.tobytes() for each in answer.candidates}
    legal = {row.tobytes() for row in enumerate_all(scenario)[0]}
    for each in answer.outside.searched:
        assert each.closed
        assert 0 <= each.loss_ms <= each.fastest_loss_ms + 1e-12
        assert each.build.tobytes() not in legal or each.build.tobytes() in compared


def test_a_study_in_a_world_has_its_numbers():
    study = Study.of(make_scenario((LONG,)))
    area = next(each for each in unknowns_of(study.options, "ordinary") if each.key == "car::drag_area_m2")
    there = in_world(study, {area: 0.5})
    fitted = study.options.fitted[None]
    assert there.judge.speeds(fitted)[0] == speeds_with(study.options, "ordinary", fitted, [{area: 0.5}])[0, 0]
    assert len(there.memory.builds) == 0
