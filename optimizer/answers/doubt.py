"""Choosing under doubt: the build most likely to take the record, and the one with least to regret.

*Regret* of a build in a world is what it is slower there than the fastest of the builds compared, under the event's
scoring. Its average over the worlds is what choosing it is expected to cost; its worst is the loss that one world in
twenty exceeds.

*Outside.* A complete search says of every build it does not list that it is slower than the fastest by at least d at
the stated values. In a drawn world it is ahead of the chosen build only if their difference D has moved by more.
Whatever the shape of what is drawn, with a mean of at most -d and a standard deviation of s,

    P(D > 0) <= s^2 / (s^2 + d^2)              (F. P. Cantelli; from memory)
    E max(D, 0) <= (sqrt(s^2 + d^2) - d) / 2   (H. Scarf, "A min-max solution of an inventory problem"; from memory)

bound how much likelier it could be to take the record with one attempt, and how much less there would be to regret.
That is an argument from d, which is shown, and from s and how far means move, which are taken from the builds compared:
their largest is sampled, and a build outside might exceed it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np

from optimizer.answers.contenders import Contenders, with_builds
from optimizer.answers.meet_worlds import SETS, Chance, World, average, worlds_of
from optimizer.answers.odds import Drawn, draw_runs, meet_chances
from optimizer.answers.unknowns import Unknown, salt_asked_about, unknowns_of, with_values
from optimizer.choice.legality import legality_of
from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.choice.rows import LinearRow
from optimizer.executor import Pool, Progress, work_through
from optimizer.run.judge import SPEED_STEP_MS, Judge
from optimizer.run.model import RunModel
from optimizer.scenario.event import Meet, Scenario
from optimizer.search.memory import Memory
from optimizer.search.sharing import Beside
from optimizer.search.study import Study

DRAWS = 256
WORST = 0.95
Aim = Literal["speed", "record", "regret"]


@dataclass(frozen=True, slots=True)
class Candidate:
    """One of the builds compared.

    Attributes
    ----------
    place : int
        By speed at the stated values, among the builds compared, from 1.
    listed : bool
        Whether the complete search lists it.
    build : array (S,)
    cents : int
    speed_ms : float
    chance : Chance
        That the record falls over the meet.
    ahead : Chance
        That chance less the fastest build's.
    regret_ms : Chance
        Expected regret [m/s].
    saved_ms : Chance
        The fastest build's expected regret less its own [m/s].
    worst_ms : float
        Regret that one world in twenty exceeds [m/s].
    fastest_in : float
        Share of the worlds in which no other of the builds compared is faster.
    """

    place: int
    listed: bool
    build: IntArray
    cents: int
    speed_ms: float
    chance: Chance
    ahead: Chance
    regret_ms: Chance
    saved_ms: Chance
    worst_ms: float
    fastest_in: float


@dataclass(frozen=True, slots=True)
class SearchedWorld:
    """A complete search in one drawn world, with the checks that need a run made there.

    Attributes
    ----------
    loss_ms : float
        By what its best build beats the best of those compared until then [m/s].
    fastest_loss_ms : float
        By what it beats the one that is fastest at the stated values.
    build : array (S,)
        It is compared too, if it is legal at the stated values.
    closed : bool
    """

    loss_ms: float
    fastest_loss_ms: float
    build: IntArray
    closed: bool


@dataclass(frozen=True, slots=True)
class Outside:
    """What a build that was not compared could gain.

    Attributes
    ----------
    behind_ms : float
        It is slower than the fastest by at least so much at the stated values; infinite where all builds are listed.
    closed : bool
        Whether that is shown by argument.
    spread_ms : float
        Largest standard deviation, over the worlds, of the difference of a build compared to the chosen one.
    moved_ms : float
        Largest change of such a difference from the stated values to the average of the worlds, towards the other.
    chance_bound : float
        By so much at most it is likelier to take the record with one attempt, if it moves no more than that.
    regret_bound_ms : float
        By so much at most its expected regret is less, likewise.
    searched : tuple of SearchedWorld
        Worlds in which everything in the sheets was searched.
    """

    behind_ms: float
    closed: bool
    spread_ms: float
    moved_ms: float
    chance_bound: float
    regret_bound_ms: float
    searched: tuple[SearchedWorld, ...]


@dataclass(frozen=True, slots=True)
class UnderDoubt:
    """The builds compared, best first for an aim.

    Attributes
    ----------
    aim : Aim
    needed_ms : float
        Speed that takes the record.
    meet : Meet
    candidates : tuple of Candidate
    fastest : Candidate
        At the stated values.
    picked : Candidate
        By one half of the sets of worlds.
    gain : Chance
        What picking it gains on the fastest in the other half: chance, or expected regret [m/s].
    changes : bool
        Whether that is more than twice its error.
    draws : int
    outside : Outside
    """

    aim: Aim
    needed_ms: float
    meet: Meet
    candidates: tuple[Candidate, ...]
    fastest: Candidate
    picked: Candidate
    gain: Chance
    changes: bool
    draws: int
    outside: Outside

    @property
    def chosen(self) -> Candidate:
        """The build to take: the fastest, unless another is better by more than the draws leave open."""
        return self.picked if self.changes else self.fastest

    @property
    def costs_cents(self) -> int:
        """What the chosen build costs more than the fastest."""
        return self.chosen.cents - self.fastest.cents

    @property
    def costs_speed_ms(self) -> float:
        """What it is slower at the stated values."""
        return self.fastest.speed_ms - self.chosen.speed_ms


def under_doubt(
    study: Study,
    found: Contenders,
    aim: Aim,
    *,
    meet: Meet | None = None,
    draws: int = DRAWS,
    searches: int = 0,
    pool: Pool | None = None,
    progress: Progress | None = None,
) -> UnderDoubt:
    """Compare builds in what may come. At least one contender.

    ``searches`` complete searches are made in as many drawn worlds.
    """
    meet = study.scenario.event.meet if meet is None else meet
    searched = _searched(study, found, searches, pool, progress)
    found = with_builds(study, found, [each.build for each in searched])
    drawn = draw_runs(study, found.known.builds, meet, draws, pool=pool, progress=progress)
    chances = meet_chances(drawn, meet, study.scenario.event.scoring, study.judge.planned_ms)
    regret = drawn.scored_ms.max(axis=1, keepdims=True) - drawn.scored_ms
    candidates = _candidates(found, chances, regret)
    worth = {"record": chances, "regret": -regret, "speed": np.tile(found.known.speed_ms, (len(regret), 1))}[aim]
    picked, gain = _picked(worth)
    changes = gain.value > 2 * gain.error and aim != "speed"
    if aim == "regret":  # less than a step is no difference
        changes = changes and gain.value >= 0.5 * SPEED_STEP_MS
    chosen = picked if changes else 0
    order = sorted(range(len(candidates)), key=lambda i: (-round(float(worth[:, i].mean()), 9), i))
    return UnderDoubt(
        aim=aim,
        needed_ms=study.judge.planned_ms,
        meet=meet,
        candidates=tuple(candidates[i] for i in order),
        fastest=candidates[0],
        picked=candidates[picked],
        gain=gain,
        changes=changes,
        draws=len(drawn.worlds),
        outside=_outside(found, drawn, chosen, searched),
    )


def _candidates(found: Contenders, chances: FloatArray, regret: FloatArray) -> list[Candidate]:
    """What the worlds (W, n) say of each build."""
    known = found.known
    best = regret < 0.5 * SPEED_STEP_MS  # equal in ranks
    shares = (best / best.sum(axis=1, keepdims=True)).mean(axis=0)
    return [
        Candidate(
            place=i + 1,
            listed=i < found.listed,
            build=known.builds[i],
            cents=int(known.cents[i]),
            speed_ms=float(known.speed_ms[i]),
            chance=average(chances[:, i], chance=True),
            ahead=average(chances[:, i] - chances[:, 0]),
            regret_ms=average(regret[:, i]),
            saved_ms=average(regret[:, 0] - regret[:, i]),
            worst_ms=float(np.quantile(regret[:, i], WORST, method="hazen")),
            fastest_in=float(shares[i]),
        )
        for i in range(len(known.builds))
    ]


def _picked(worth: FloatArray) -> tuple[int, Chance]:
    """The best by one half of the sets of worlds (W, n), and what it gains on the first by the other half.

    The half that picks would flatter what it picked: among many builds that are alike, one is always ahead by luck.
    """
    half = len(worth) // SETS * (SETS // 2)
    picked = int(np.argmax(np.round(worth[:half].mean(axis=0), 9)))
    return picked, average(worth[half:, picked] - worth[half:, 0], SETS - SETS // 2)


def _outside(found: Contenders, drawn: Drawn, chosen: int, searched: Sequence[SearchedWorld]) -> Outside:
    """Bounds for builds that were not compared."""
    behind = found.behind_ms - float(found.known.speed_ms[0] - found.known.speed_ms[chosen])
    ahead = drawn.scored_ms - drawn.scored_ms[:, [chosen]]
    stated = found.known.speed_ms - found.known.speed_ms[chosen]
    spread = float(ahead.std(axis=0, ddof=1).max())
    moved = max(float((ahead.mean(axis=0) - stated).max()), 0.0)
    chance, regret = gain_bounds(behind - moved, spread)
    return Outside(found.behind_ms, found.closed, spread, moved, chance, regret, tuple(searched))


def gain_bounds(behind: float, spread: float) -> tuple[float, float]:
    """Most that P(D > 0) and E max(D, 0) can be where D has a mean of ``-behind`` at most and this deviation."""
    if math.isinf(behind):
        return 0.0, 0.0
    if behind <= 0:  # its mean may be ahead
        return 1.0, (math.hypot(spread, behind) - behind) / 2
    return spread**2 / (spread**2 + behind**2), (math.hypot(spread, behind) - behind) / 2


@dataclass(frozen=True, slots=True)
class _Search:
    """What drawn worlds are searched with, wherever that is done: nothing in it holds a function.

    ``forbidden`` (m_s,) per slot and ``wished`` are what the question asks beside the scenario's own rules; ``builds``
    (n, S) are known to begin with.
    """

    scenario: Scenario
    salt: str
    forbidden: tuple[BoolArray, ...]
    wished: tuple[LinearRow, ...]
    builds: IntArray


def _searched(
    study: Study, found: Contenders, searches: int, pool: Pool | None, progress: Progress | None
) -> tuple[SearchedWorld, ...]:
    """Search everything in some drawn worlds."""
    if searches == 0:
        return ()
    salt = salt_asked_about(study.judge)
    unknowns = unknowns_of(study.options, salt)
    worlds = worlds_of(unknowns, study.scenario.calibration, max(searches, 2), 1, 1, sets=1)[:searches]
    own = {row.name for row in legality_of(study.options).rows}
    wished = tuple(row for row in study.legality.rows if row.name not in own)
    search = _Search(study.scenario, salt, study.legality.forbidden, wished, found.known.builds)
    work, beside = partial(_search, search), None if study.helper is None else Beside(study.helper)
    what = "searching everything in drawn worlds"
    return tuple(work_through(work, worlds, pool, progress, beside=beside, what=what))


def _search(search: _Search, worlds: Sequence[World]) -> list[SearchedWorld]:
    """A complete search in each of some worlds."""
    study = Study.of(search.scenario, search.salt)
    rows = (*study.legality.rows, *search.wished)
    study = replace(study, legality=replace(study.legality, forbidden=search.forbidden, rows=rows))
    return [_search_in(study, search.builds, world) for world in worlds]


def _search_in(study: Study, builds: IntArray, world: World) -> SearchedWorld:
    """A complete search in one world; builds (n, S) are known to begin with, the fastest as stated first."""
    there = in_world(study, {**world.lasting, **world.days[0]})
    runs = there.judge.runs(builds)
    speeds, judged = there.judge.joined(runs), there.judge.judge(builds, runs)
    # what is known to begin with rules out much of the rest
    there.memory.learn(builds, speeds, judged.care, judged.legal & (speeds > 0))
    best = there.best(budget_cents=study.scenario.event.budget_cents)
    ahead = float(best.speed_ms[0] if best.listed else speeds.max())
    build = best.builds[0] if best.listed else builds[int(np.argmax(speeds))]
    closed = bool(best.evidence.closed)
    return SearchedWorld(max(ahead - float(speeds.max()), 0.0), ahead - float(speeds[0]), build, closed)


def in_world(study: Study, values: Mapping[Unknown, float]) -> Study:
    """A study of the same rules and prices where unknowns have other values; nothing is known there yet."""
    options = with_values(study.options, values)
    judge = Judge(RunModel(options), salt_asked_about(study.judge))
    return replace(study, scenario=options.scenario, options=options, judge=judge, memory=Memory(options))
