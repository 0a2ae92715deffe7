"""The chance that the class record falls: as the event scores it, with one attempt, and over a meet.

All builds run in the same worlds (`meet_worlds`), so what they have in common cancels from their differences. Whether
a build is legal is a matter of the stated values: a world in which a tire would be faster than its rating, or a car
lighter than allowed, counts like any other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from optimizer.answers.closeness import middle_of
from optimizer.answers.meet import chances, falls_in, held_to_steps
from optimizer.answers.meet_runs import legs_as_scored, legs_of_meet, run_speeds
from optimizer.answers.meet_worlds import Chance, World, average, averages, worlds_of
from optimizer.answers.unknowns import only_needed, salt_asked_about, unknowns_of
from optimizer.choice.options import FloatArray, IntArray
from optimizer.executor import Pool, Progress
from optimizer.run.model import RunModel
from optimizer.scenario.event import Meet, Scoring
from optimizer.search.study import Study

DRAWS = 512


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations of the speed of one run [m/s]: by what lasts, from day to day, from run to run."""

    lasting_ms: float
    daily_ms: float
    run_ms: float


@dataclass(frozen=True, slots=True)
class BuildOdds:
    """The odds of one build.

    Attributes
    ----------
    name : str
        What it was called.
    build : array (S,)
    cents : int
    legal : bool
        At the stated values, whatever it costs.
    speed_ms : float
        At the stated values.
    expected_ms : float
        Average over the worlds, under the event's scoring.
    low_ms, high_ms : float
        Ends of what holds the middle nine tenths of the worlds.
    as_scored : Chance
        That the runs of the event's scoring take the record, in the day's air and with no scatter from run to run.
    attempt : Chance
        The same with gusts and scatter: the first attempt, nothing held back and nothing broken.
    meet : Chance
        That the record falls in the course of the meet.
    by_run : tuple of float
        That it has fallen by the end of each run of the meet.
    ahead : Chance
        The chance of the meet less that of the first build, in the same worlds.
    spread : Spread
    """

    name: str
    build: IntArray
    cents: int
    legal: bool
    speed_ms: float
    expected_ms: float
    low_ms: float
    high_ms: float
    as_scored: Chance
    attempt: Chance
    meet: Chance
    by_run: tuple[float, ...]
    ahead: Chance
    spread: Spread


@dataclass(frozen=True, slots=True)
class Odds:
    """Odds of some builds in the same worlds.

    ``needed_ms`` takes the record: its margin is in it. ``draws`` worlds of ``unknowns`` that are not known exactly.
    """

    race_class: str
    salt: str
    needed_ms: float
    meet: Meet
    builds: tuple[BuildOdds, ...]
    draws: int
    unknowns: int
    calibrated: bool


@dataclass(frozen=True, slots=True)
class Drawn:
    """Builds (n, S) in worlds: speeds [m/s] of the runs as scored and of the meet's, scatter in the latter.

    Attributes
    ----------
    worlds : list of World
    scored_ms : array (W, n)
        Speed that counts under the event's scoring, in the day's wind.
    runs_ms : array (W, R, n)
        Speed of each run of the meet, with its gusts and scatter; before license steps.
    unknowns : int
    """

    worlds: list[World]
    scored_ms: FloatArray
    runs_ms: FloatArray
    unknowns: int


def odds_of(
    study: Study,
    named: Sequence[tuple[str, IntArray]],
    *,
    meet: Meet | None = None,
    draws: int = DRAWS,
    pool: Pool | None = None,
    progress: Progress | None = None,
) -> Odds:
    """Odds of builds by name, the first being what the others are compared with; the event's meet when left out."""
    meet = study.scenario.event.meet if meet is None else meet
    builds = np.stack([build for _, build in named])
    drawn = draw_runs(study, builds, meet, draws, pool=pool, progress=progress)
    return Odds(
        race_class=study.scenario.event.race_class,
        salt=salt_asked_about(study.judge),
        needed_ms=study.judge.planned_ms,
        meet=meet,
        builds=_odds_in(study, named, drawn, meet),
        draws=len(drawn.worlds),
        unknowns=drawn.unknowns,
        calibrated=study.scenario.calibration is not None,
    )


def draw_runs(
    study: Study,
    builds: IntArray,
    meet: Meet,
    draws: int,
    *,
    pool: Pool | None = None,
    progress: Progress | None = None,
) -> Drawn:
    """Run builds (n, S) in the worlds of a meet."""
    salt, event = salt_asked_about(study.judge), study.scenario.event
    options, rows = only_needed(study.options, builds)
    unknowns = unknowns_of(options, salt)
    once, legs = legs_as_scored(event), legs_of_meet(event, meet)
    worlds = worlds_of(unknowns, study.scenario.calibration, draws, meet.days, len(legs))
    speeds = run_speeds(options, salt, rows, worlds, (*once, *legs), pool=pool, helper=study.helper, progress=progress)
    scatter = 1 + meet.run_scatter * np.array([world.scatter for world in worlds])
    # a good run is faster only as far as the speed to which the driver holds the car
    caps = RunModel(options).drive_rows(rows).cap_ms
    runs = np.minimum(speeds[:, len(once) :] * scatter[:, :, None], caps)
    return Drawn(worlds, joined_runs(speeds[:, : len(once)], event.scoring), runs, len(unknowns))


def joined_runs(speeds_ms: FloatArray, scoring: Scoring) -> FloatArray:
    """Speed that counts (W, n) of the runs (W, scoring.runs, n) of one attempt."""
    if scoring.mean_of == "speeds" or scoring.runs == 1:
        return np.asarray(speeds_ms.mean(axis=1))
    positive = speeds_ms.min(axis=1) > 0
    return np.where(positive, 1 / (1 / np.maximum(speeds_ms, 1e-9)).mean(axis=1), 0.0)


def meet_chances(drawn: Drawn, meet: Meet, scoring: Scoring, needed_ms: float) -> FloatArray:
    """Chance (W, n) that the record falls over a meet in each world, what breaks aside from the draws."""
    return chances(falls_in(held_to_steps(drawn.runs_ms, meet), meet, scoring, needed_ms), meet.breakage)


def _odds_in(
    study: Study, named: Sequence[tuple[str, IntArray]], drawn: Drawn, meet: Meet
) -> tuple[BuildOdds, ...]:
    """Odds of builds from their runs."""
    scoring, needed = study.scenario.event.scoring, study.judge.planned_ms
    builds = np.stack([build for _, build in named])
    first = falls_in(held_to_steps(drawn.runs_ms, meet), meet, scoring, needed)
    by_run = [chances(first, meet.breakage, run + 1).mean(axis=0) for run in range(drawn.runs_ms.shape[1])]
    over_meet = chances(first, meet.breakage)
    scored = averages((drawn.scored_ms >= needed).astype(float), chance=True)
    attempt = joined_runs(drawn.runs_ms[:, : scoring.runs], scoring)
    once = averages((attempt >= needed).astype(float), chance=True)
    all_ = averages(over_meet, chance=True)
    low, high = middle_of(drawn.scored_ms)
    runs = study.judge.runs(builds)
    speed, legal = study.judge.joined(runs), study.judge.judge(builds, runs).legal & study.legality.allowed(builds)
    cents = study.book.price(builds).cents
    return tuple(
        BuildOdds(
            name, build, int(cents[i]), bool(legal[i]), float(speed[i]), float(drawn.scored_ms[:, i].mean()),
            float(low[i]), float(high[i]), scored[i], once[i], all_[i], tuple(float(each[i]) for each in by_run),
            average(over_meet[:, i] - over_meet[:, 0]), spread_of_runs(drawn.runs_ms[:, :, i], meet),
        )
        for i, (name, build) in enumerate(named)
    )  # fmt: skip


def spread_of_runs(runs_ms: FloatArray, meet: Meet) -> Spread:
    """What lasts, what a day brings and what a run brings, of runs (W, R) of a meet.

    Runs of two days have in common what lasts; two runs of a day what the day brings besides: so covariances tell them
    apart. Where there is but one day, what it brings counts as lasting; where it has but one run, that too.
    """
    covariance = np.atleast_2d(np.cov(runs_ms.T))
    day = np.arange(len(covariance)) // meet.runs_a_day
    pairs = list(combinations(range(len(covariance)), 2))
    within = [covariance[i, j] for i, j in pairs if day[i] == day[j]]
    across = [covariance[i, j] for i, j in pairs if day[i] != day[j]]
    total = float(np.diag(covariance).mean())
    of_day = float(np.mean(within)) if within else float(np.mean(across)) if across else total
    lasting = float(np.mean(across)) if across else of_day
    parts = (lasting, of_day - lasting, total - of_day)
    return Spread(*(float(np.sqrt(max(part, 0.0))) for part in parts))
