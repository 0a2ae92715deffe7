"""The rules of a meet against a person with a list of runs, closed forms, and order statistics."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from optimizer.answers.meet import NEVER, chances, falls_in, held_to_steps, joined_ms
from optimizer.answers.meet_worlds import average
from optimizer.scenario.event import Meet, Scoring

ONE = Scoring()
SAME = Scoring(runs=2)
OPPOSITE = Scoring(runs=2, second_run="opposite")


def first_run(speeds, meet, scoring, needed=100.0):
    """The run with which it falls, of one car in one world."""
    found = falls_in(np.array(speeds, dtype=float)[None, :, None], meet, scoring, needed)
    return int(found[0, 0])


def by_hand(speeds, meet, scoring, needed):
    """The same by going through the runs one by one, as a steward would."""
    steps = list(meet.license_steps_ms)
    done = []
    for number, speed in enumerate(speeds):
        driven = min(speed, steps[0]) if steps else speed
        if steps and driven >= steps[0]:
            steps.pop(0)
        day, place = number // meet.runs_a_day, number % meet.runs_a_day
        done.append((day, place, driven))
        if scoring.runs == 1:
            if driven >= needed:
                return number + 1
            continue
        for other_day, other_place, other in done[:-1]:
            if scoring.second_run == "opposite" and place % 2 == other_place % 2:
                continue
            if meet.pairs == "same day" and day != other_day:
                continue
            if meet.pairs == "next day" and day != other_day + 1:
                continue
            mean = (driven + other) / 2 if scoring.mean_of == "speeds" else 2 / (1 / driven + 1 / other)
            if mean >= needed:
                return number + 1
    return NEVER


def test_any_run_counts_where_one_is_scored():
    meet = Meet(days=1, runs_a_day=3)
    assert first_run([99, 100, 120], meet, ONE) == 2
    assert first_run([99, 99.9, 99], meet, ONE) == NEVER


def test_pairs_of_a_day_of_days_that_follow_and_any():
    """99 and 102 on the first day; 98 and 100 on the second; 101 and 101 is the pair that 102 and 98 are not."""
    speeds = [99, 102, 98, 100]
    meet = Meet(days=2, runs_a_day=2)
    assert first_run(speeds, meet, SAME) == 2
    assert first_run([97, 102, 98, 100], meet, SAME) == NEVER
    assert first_run([97, 102, 98, 100], replace(meet, pairs="next day"), SAME) == 3
    assert first_run([97, 102, 97, 97], replace(meet, pairs="any"), SAME) == NEVER
    three = Meet(days=3, runs_a_day=1, pairs="any")
    assert first_run([101, 90, 99], three, SAME) == 3
    assert first_run([101, 90, 99], replace(three, pairs="next day"), SAME) == NEVER


def test_opposite_ways_need_opposite_ways():
    """The first and the third run of a day go the same way."""
    assert first_run([101, 90, 99.5], Meet(days=1, runs_a_day=3), SAME) == 3
    assert first_run([101, 90, 99.5], Meet(days=1, runs_a_day=3), OPPOSITE) == NEVER


def test_license_steps_hold_the_first_runs():
    """A driver who must show 80 and 95 has the third run for the record; a slow run shows nothing."""
    meet = Meet(days=1, runs_a_day=4, license_steps_ms=(80.0, 95.0))
    driven = held_to_steps(np.array([110.0, 110.0, 110.0, 110.0])[None, :, None], meet)
    assert driven[0, :, 0].tolist() == [80.0, 95.0, 110.0, 110.0]
    slow = held_to_steps(np.array([70.0, 110.0, 90.0, 110.0])[None, :, None], meet)
    assert slow[0, :, 0].tolist() == [70.0, 80.0, 90.0, 95.0]


def test_the_mean_of_times_is_below_the_mean_of_speeds():
    times = Scoring(runs=2, mean_of="times")
    assert joined_ms(np.array(90.0), np.array(110.0), times) == pytest.approx(99.0)
    assert joined_ms(np.array(0.0), np.array(110.0), times) == 0.0


@pytest.mark.parametrize("pairs", ["same day", "next day", "any"])
@pytest.mark.parametrize("scoring", [ONE, SAME, OPPOSITE, Scoring(runs=2, mean_of="times")])
def test_against_going_through_the_runs(pairs, scoring):
    """300 random meets of 2 days and 4 runs, with steps."""
    meet = Meet(days=2, runs_a_day=4, pairs=pairs, license_steps_ms=(96.0, 99.0))
    rng = np.random.default_rng(3)
    speeds = rng.normal(99.0, 2.0, (300, 8, 2))
    found = falls_in(held_to_steps(speeds, meet), meet, scoring, 100.0)
    for w, n in itertools.product(range(300), range(2)):
        assert found[w, n] == by_hand(speeds[w, :, n].tolist(), meet, scoring, 100.0)
    assert len(set(found[:, 0].tolist())) > 3


def test_breakage_is_one_chance_after_another():
    """What falls in run k needs k runs without; what never falls has none; counting stops where it is told to."""
    first = np.array([[1, 3, NEVER]])
    assert chances(first, 0.1)[0] == pytest.approx([0.9, 0.9**3, 0.0])
    assert chances(first, 0.1, runs=2)[0] == pytest.approx([0.9, 0.0, 0.0])
    assert chances(first, 0.0)[0].tolist() == [1.0, 1.0, 0.0]


def test_the_best_of_independent_runs():
    """Of N independent runs the best falls short with the N-th power of the chance that one does."""
    meet = Meet(days=1, runs_a_day=5, breakage=0.0)
    rng = np.random.default_rng(8)
    speeds = rng.normal(98.0, 2.0, (40_000, 5, 1))
    found = average(chances(falls_in(speeds, meet, ONE, 100.0), 0.0)[:, 0])
    expected = 1 - norm.cdf(1.0) ** 5
    assert abs(found.value - expected) < 4 * found.error
    assert 0.0005 < found.error < 0.01


def test_the_best_of_independent_runs_that_may_break():
    """The record falls in run k with q^(k-1) p, where (1 - b)^k have held."""
    p, b, n = 0.3, 0.05, 6
    meet = Meet(days=1, runs_a_day=n, breakage=b)
    expected = sum((1 - p) ** (k - 1) * p * (1 - b) ** k for k in range(1, n + 1))
    speeds = np.where(np.random.default_rng(4).random((40_000, n, 1)) < p, 101.0, 99.0)
    found = average(chances(falls_in(speeds, meet, ONE, 100.0), b)[:, 0])
    assert abs(found.value - expected) < 4 * found.error
