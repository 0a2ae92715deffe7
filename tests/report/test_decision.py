"""The whole decision against trying everything, and against each question asked by itself."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer import pipeline
from optimizer.decision import Decision, decision_of
from optimizer.executor import processes
from optimizer.pipeline import Question, study_of
from optimizer.report.page.whole import page_of
from optimizer.run.judge import SPEED_STEP_MS, Judge
from optimizer.scenario.reading import read_scenario
from optimizer.search.sharing import helping
from optimizer.search.studies import Studies
from tests.search.catalogs import every_passing


@pytest.fixture(scope="module")
def everything(decision: Decision):
    """All legal builds within the budget, with speeds and prices."""
    study = study_of(decision.scenario)
    builds, speed, _ = every_passing(study.judge, study.legality)
    prices = study.book.price(builds)
    rows = np.flatnonzero(prices.available & (prices.cents <= decision.scenario.event.budget_cents))
    return study, builds[rows], speed[rows], prices.cents[rows]


def test_a_second_process_changes_nothing(decision, hostile):
    """What it works out while this one searches is what this one would have: the page is the same to the letter."""
    with helping(processes(1)) as helper:
        beside = decision_of(read_scenario(hostile), Question(top=5), None, Studies(helper))
    assert page_of(beside) == page_of(decision)


def test_the_ranking_is_that_of_rank(decision):
    alone = pipeline.rank(decision.scenario, Question(top=5))
    assert [card.build for card in decision.result.builds] == [card.build for card in alone.builds]
    assert decision.result.evidence.closed


def test_the_cheapest_way_past_the_record(decision, everything):
    """No build that is fast enough costs less."""
    _, _, speed, cents = everything
    assert decision.target is not None
    assert decision.target.reached
    assert decision.target.cents == cents[speed >= decision.best.planned_ms].min()


def test_no_budget_buys_more_than_its_step(decision, everything):
    """At each step's price nothing is faster, and nothing cheaper is as fast."""
    _, _, speed, cents = everything
    assert decision.money is not None
    assert len(decision.money.steps) > 2
    for step in decision.money.steps:
        assert step.speed_ms == pytest.approx(speed[cents <= step.cents].max(), abs=SPEED_STEP_MS)
        assert not np.any((cents < step.cents) & (speed > step.speed_ms + SPEED_STEP_MS))


def test_the_best_of_every_salt_is_among_the_builds_set_side_by_side(decision, everything):
    """By trying everything on that salt; places follow the speeds."""
    study, builds, _, _ = everything
    for salt in decision.scenario.event.salts:
        judge = Judge(study.judge.model, salt)
        fastest = judge.speeds(builds).max()
        first = next(row.by_salt[salt] for row in decision.salts if row.by_salt[salt].place == 1)
        assert first.speed_ms == pytest.approx(fastest, abs=SPEED_STEP_MS)


def test_every_two_candidates_have_a_band(decision):
    """Its stated difference is that of their speeds, and the sign of it follows the chance where it is sure."""
    keys = [each.key for each in decision.candidates]
    speed = {each.key: each.card.speed_ms for each in decision.candidates}
    assert len(set(keys)) == len(keys)
    assert keys[:5] == ["1", "2", "3", "4", "5"]
    assert keys[-1] == "now"
    assert len(decision.bands) == len(keys) * (len(keys) - 1) // 2
    for (first, second), band in decision.bands.items():
        assert band.difference_ms == pytest.approx(speed[first] - speed[second], abs=1e-9)


def test_the_range_holds_the_speed_and_shares_add_up(decision):
    assert decision.low_ms < decision.best.speed_ms < decision.high_ms
    shares = decision.worth.shares
    gain = decision.best.speed_ms - decision.result.as_it_stands.speed_ms
    assert sum(each.share_ms for each in shares.shares) == pytest.approx(gain)
    assert decision.traces[0].boards[1].speed_ms == decision.best.runs[0].exit_ms
    assert decision.steps[-1].speed_ms == pytest.approx(decision.best.runs[0].exit_ms)
