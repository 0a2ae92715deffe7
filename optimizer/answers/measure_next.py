"""What to measure before money is spent: what each unknown is worth knowing to whoever chooses among some builds.

The purchase is the build with the best average over the worlds. Whoever knows one unknown better buys the build with
the best average given that. What this gains is the *value of knowing it*: all of it (expected value of partial perfect
information), or what a test tells (expected value of sample information), which is what is true plus an error of the
test.

The averages given what is known are regressions on it, cubic, one for each build (M. Strong, J. E. Oakley,
A. Brennan, "Estimating multiparameter partial expected value of perfect information from a probabilistic sensitivity
analysis sample: a nonparametric regression approach", Medical Decision Making 34 (2014); from memory). One half of the
sets of worlds fits, the other is bought for, and the other way round. So what is reported is what that rule really
gains in worlds it has not seen: it lies below the true value rather than above, and a value that is not there
averages to nothing or less.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.answers.bench_tests import BenchTest, bench_test_of
from optimizer.answers.contenders import Contenders
from optimizer.answers.draws import scores_of
from optimizer.answers.meet_runs import legs_as_scored, run_speeds
from optimizer.answers.meet_worlds import SEED, SETS, Chance, World, average, parts_of, worlds_of
from optimizer.answers.odds import joined_runs
from optimizer.answers.swaps import MATTERS_MS
from optimizer.answers.unknowns import Unknown, only_needed, salt_asked_about, unknowns_of
from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.executor import Pool, Progress
from optimizer.run.model import RunModel
from optimizer.scenario.event import Meet
from optimizer.search.study import Study

DRAWS = 512
DEGREE = 3
MATTERS_CHANCE = 0.005
"""A better chance by less is no reason to buy another build."""
MOST_OF_IT = 0.8
SURE = 3.0
NODES, WIDEST = 24, 8.0
"""Places at which a first run is taken to be, and how far out at most in standard deviations."""
PRECISIONS = (2.0, 1.0, 0.5, 0.25, 0.1)
"""Errors of a test that are tried, as multiples of what is not known."""


@dataclass(frozen=True, slots=True)
class Knowing:
    """What better knowledge gains.

    Attributes
    ----------
    gain_ms : Chance
        Expected speed [m/s] of what is then bought, less that of the purchase without.
    changes : float
        Share of the worlds in which another build is bought for its speed.
    cents : int
        What those cost more on the average; 0 where none is bought.
    chance : Chance
        The same for the chance of taking the record with one attempt, choosing for that.
    """

    gain_ms: Chance
    changes: float
    cents: int
    chance: Chance


@dataclass(frozen=True, slots=True)
class WorthKnowing:
    """One unknown.

    Attributes
    ----------
    unknown : Unknown
    deviation : float
        Standard uncertainty of what lasts of it, in the unit of the value.
    share : float
        Share of the variance of the purchase's speed that it explains by itself.
    all_of_it : Knowing
        What it is worth to know it exactly.
    test : BenchTest or None
        How it is measured.
    test_deviation : float or None
        What that leaves open, in the unit of the value.
    by_test : Knowing or None
        What the test is worth.
    good_enough : float or None
        The largest error of a test, among those tried, with which most of the value is got; None where there is too
        little to get.
    """

    unknown: Unknown
    deviation: float
    share: float
    all_of_it: Knowing
    test: BenchTest | None
    test_deviation: float | None
    by_test: Knowing | None
    good_enough: float | None

    @property
    def matters(self) -> bool:
        """Whether knowing it gains more than three times the error of that: a hundred unknowns are asked about."""
        gain, chance = self.all_of_it.gain_ms, self.all_of_it.chance
        return gain.value > SURE * gain.error or chance.value > SURE * chance.error


@dataclass(frozen=True, slots=True)
class MeasureNext:
    """What to measure, the most worth first.

    Attributes
    ----------
    purchase : array (S,)
        Best on the average.
    purchase_cents : int
    chance : Chance
        That it takes the record with one attempt.
    everything_ms, everything_chance : Chance
        What it would be worth to know everything: nothing that can be measured is worth more.
    unknowns : tuple of WorthKnowing
        Without the weather, which shows on the morning.
    builds : int
        How many were chosen from.
    draws : int
    """

    purchase: IntArray
    purchase_cents: int
    chance: Chance
    everything_ms: Chance
    everything_chance: Chance
    unknowns: tuple[WorthKnowing, ...]
    builds: int
    draws: int


def measure_next(
    study: Study,
    found: Contenders,
    *,
    meet: Meet | None = None,
    draws: int = DRAWS,
    pool: Pool | None = None,
    progress: Progress | None = None,
) -> MeasureNext:
    """What each unknown is worth to the choice among contenders."""
    event, salt = study.scenario.event, salt_asked_about(study.judge)
    meet = event.meet if meet is None else meet
    options, rows = only_needed(study.options, found.known.builds)
    unknowns = unknowns_of(options, salt)
    worlds = worlds_of(unknowns, study.scenario.calibration, draws, 1, event.scoring.runs)
    legs = legs_as_scored(event)
    runs = run_speeds(options, salt, rows, worlds, legs, pool=pool, helper=study.helper, progress=progress)
    speeds = joined_runs(runs, event.scoring)
    caps = RunModel(options).drive_rows(rows).cap_ms
    chance = chance_with(speeds, study.judge.planned_ms, meet.run_scatter, event.scoring.runs, caps)
    decision = Decision.of(speeds, chance, found.known.cents)
    asked = [each for each in unknowns if each.place != "weather" and parts_of(each).lasting > 0]
    worths = [_worth(decision, each, _scores(each, worlds)) for each in asked]
    worths.sort(key=lambda each: (-each.all_of_it.gain_ms.value, -each.share, each.unknown.key))
    fastest = speeds.max(axis=1) - speeds[:, decision.for_speed]
    likeliest = decision.chance.max(axis=1) - decision.chance[:, decision.for_chance]
    return MeasureNext(
        purchase=found.known.builds[decision.for_speed],
        purchase_cents=int(found.known.cents[decision.for_speed]),
        chance=average(decision.chance[:, decision.for_speed], chance=True),
        everything_ms=average(fastest),
        everything_chance=average(likeliest),
        unknowns=tuple(worths),
        builds=len(rows),
        draws=len(worlds),
    )


def chance_with(
    speeds_ms: FloatArray, needed_ms: float, scatter: float, runs: int, caps_ms: FloatArray | float = math.inf
) -> FloatArray:
    """Chance that the mean of an attempt's runs passes a speed, by what they do but for their scatter.

    Parameters
    ----------
    speeds_ms : array (W, n)
    needed_ms : float
    scatter : float
        Standard deviation of one run, normal, as a share of the speed needed.
    runs : int
        One, or two whose mean counts.
    caps_ms : array (n,)
        Speed that no run passes, however good: to which the driver holds the car.
    """
    from scipy.special import ndtr  # noqa: PLC0415 - it takes long to load, and most answers do without

    caps = np.broadcast_to(caps_ms, speeds_ms.shape[1:])
    if scatter <= 0:
        return ((speeds_ms >= needed_ms) & (caps >= needed_ms)).astype(np.float64)
    one_ms = scatter * needed_ms
    chance = np.asarray(ndtr((speeds_ms - needed_ms) / (one_ms / math.sqrt(runs))))
    chance[:, caps < needed_ms] = 0.0
    held = np.flatnonzero(np.isfinite(caps) & (caps >= needed_ms))
    if runs == 2 and len(held):
        speed, cap = speeds_ms[:, held], caps[held]
        # the first run is held to the cap, or lies between what the cap in the second makes up for and the cap
        low, high = ((each - speed) / one_ms for each in (2.0 * needed_ms - cap, cap))
        chance[:, held] = ndtr(-high) * ndtr(-low)
        low, high = (np.clip(each, -WIDEST, WIDEST) for each in (low, high))
        for node, weight in zip(*np.polynomial.legendre.leggauss(NODES), strict=True):
            first = 0.5 * (low + high) + 0.5 * (high - low) * node
            second = ndtr(first - 2.0 * (needed_ms - speed) / one_ms)
            density = np.exp(-0.5 * first**2) / math.sqrt(2.0 * math.pi)
            chance[:, held] += 0.5 * (high - low) * weight * density * second
    return chance


def _scores(unknown: Unknown, worlds: Sequence[World]) -> FloatArray:
    """What lasts of an unknown in each world, in standard uncertainties from what is stated: (W,)."""
    values = np.array([world.lasting[unknown] for world in worlds])
    return (values - unknown.value) / parts_of(unknown).lasting


@dataclass(frozen=True, slots=True)
class Decision:
    """A choice among n builds in W worlds, which stand set after set.

    Attributes
    ----------
    speed_ms, chance : array (W, n)
    cents : array (n,)
    for_speed, for_chance : int
        What is bought where no more is known.
    """

    speed_ms: FloatArray
    chance: FloatArray
    cents: IntArray
    for_speed: int
    for_chance: int

    @classmethod
    def of(cls, speed_ms: FloatArray, chance: FloatArray, cents: IntArray) -> Decision:
        """A decision by the averages; equals by the order in which the builds stand."""
        best = [int(np.argmax(np.round(each.mean(axis=0), 9))) for each in (speed_ms, chance)]
        return cls(speed_ms, chance, cents, *best)

    def knowing(self, told: FloatArray) -> Knowing:
        """What it gains to be told a number (W,)."""
        fast = bought(self.speed_ms, self.for_speed, told, MATTERS_MS)
        likely = bought(self.chance, self.for_chance, told, MATTERS_CHANCE)
        worlds = np.arange(len(told))
        others = fast[fast != self.for_speed]
        dearer = float((self.cents[others] - self.cents[self.for_speed]).mean()) if len(others) else 0.0
        return Knowing(
            gain_ms=average(self.speed_ms[worlds, fast] - self.speed_ms[:, self.for_speed]),
            changes=len(others) / len(told),
            cents=round(dearer),
            chance=average(self.chance[worlds, likely] - self.chance[:, self.for_chance]),
        )


def bought(worth: FloatArray, without: int, told: FloatArray, matters: float) -> IntArray:
    """The build (W,) that is bought in each world by who is told a number (W,), fitted on the other half of the sets.

    The purchase ``without`` is kept unless another promises to be better by what matters.
    """
    picked = np.empty(len(told), dtype=np.int64)
    for half in halves(len(told)):
        expected = fitted(told[~half], worth[~half] - worth[~half][:, [without]], told[half])
        best = expected.argmax(axis=1)
        picked[half] = np.where(expected[np.arange(len(best)), best] > matters, best, without)
    return picked


def halves(worlds: int) -> tuple[BoolArray, BoolArray]:
    """Worlds in two halves, by sets."""
    later = np.arange(worlds) >= worlds // SETS * (SETS // 2)
    return later, ~later


def fitted(told: FloatArray, values: FloatArray, asked: FloatArray) -> FloatArray:
    """Values (W, n) given a number told (W,), by least squares on its powers, at other numbers (V,): (V, n)."""
    if np.ptp(told) == 0:
        return np.repeat(values.mean(axis=0)[None], len(asked), axis=0)
    scale = float(np.abs(told).max())
    powers = np.vander(told / scale, DEGREE + 1)
    # beyond what was met a cubic leads anywhere
    there = np.vander(np.clip(asked, told.min(), told.max()) / scale, DEGREE + 1)
    found, *_ = np.linalg.lstsq(powers, values)  # of few draws a number may take fewer values than there are powers
    return np.asarray(there @ found)


def _worth(decision: Decision, unknown: Unknown, scores: FloatArray) -> WorthKnowing:
    """What one unknown is worth; tests are tried only where there is something to get."""
    deviation = parts_of(unknown).lasting
    test = bench_test_of(unknown)
    left = None if test is None else test.deviation(unknown.value)
    whole = decision.knowing(scores)
    found = WorthKnowing(
        unknown, deviation, explained(scores, decision.speed_ms[:, decision.for_speed]), whole, test, left, None, None
    )
    if not found.matters:
        return found
    error = _test_scores(unknown, len(scores))
    enough = [
        ratio for ratio in PRECISIONS
        if decision.knowing(scores + ratio * error).gain_ms.value >= MOST_OF_IT * whole.gain_ms.value
    ]  # fmt: skip
    return WorthKnowing(
        unknown, deviation, found.share, whole, test, left,
        None if left is None else decision.knowing(scores + left / deviation * error),
        max(enough) * deviation if enough and whole.gain_ms.value > SURE * whole.gain_ms.error else None,
    )  # fmt: skip


def _test_scores(unknown: Unknown, worlds: int) -> FloatArray:
    """Standard normal errors (W,) of a test, set by set."""
    each = worlds // SETS
    return np.concatenate([scores_of(f"{unknown.key}@test", each, SEED * 1000 + number) for number in range(SETS)])


def explained(told: FloatArray, values: FloatArray) -> float:
    """Share of the variance of values (W,) that a number told (W,) explains, in worlds that were not fitted on."""
    left = np.empty(len(values))
    for half in halves(len(values)):
        left[half] = values[half] - fitted(told[~half], values[~half, None], told[half])[:, 0]
    total = float(np.var(values))
    return max(0.0, 1.0 - float(np.mean(left**2)) / total) if total > 0 else 0.0
