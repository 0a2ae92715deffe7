"""What a crew asks about chances, each question as one function of a study: the surface that commands share.

Long draws go to a `Pool` of workers where one is given; the answer is the same with any.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from optimizer.answers.bring import CARS, MORNINGS, Bring, bring
from optimizer.answers.contenders import LISTED, Contenders, contenders
from optimizer.answers.doubt import Aim, UnderDoubt, under_doubt
from optimizer.answers.measure_next import DRAWS as MEASURED_DRAWS
from optimizer.answers.measure_next import MeasureNext, measure_next
from optimizer.answers.near_best import known_builds
from optimizer.answers.odds import DRAWS, Odds, odds_of
from optimizer.answers.trailers import GROUPS
from optimizer.choice.options import IntArray
from optimizer.errors import UsageError
from optimizer.executor import Pool
from optimizer.questions import build_named, refuse_nothing
from optimizer.scenario import bounds
from optimizer.scenario.event import Meet
from optimizer.search.state import Progress
from optimizer.search.study import Study

BASES = 10
"""Fastest builds that may be the base of a trailer, at the budget and at each lower amount of money."""
LESS_MONEY = (0.98, 0.95, 0.9, 0.8)
"""Shares of the budget for which bases are looked for too, so that something is left for spares."""


def meet_with(
    meet: Meet,
    *,
    days: int | None = None,
    runs_a_day: int | None = None,
    pairs: str | None = None,
    license_steps_ms: Sequence[float] | None = None,
    breakage: float | None = None,
    run_scatter: float | None = None,
) -> Meet:
    """A meet with other values; what is left out stays.

    Raises
    ------
    UsageError
        If a value makes no sense.
    """
    given = {
        "days": days, "runs_a_day": runs_a_day, "pairs": pairs, "breakage": breakage, "run_scatter": run_scatter,
        "license_steps_ms": None if license_steps_ms is None else tuple(license_steps_ms),
    }  # fmt: skip
    changed = {name: value for name, value in given.items() if value is not None}
    found = replace(meet, **changed, stated=meet.stated | frozenset(changed))  # type: ignore[arg-type]
    steps = found.license_steps_ms
    if any(step <= 0 for step in steps) or any(after <= before for before, after in pairwise(steps)):
        raise UsageError("license steps must rise from step to step")
    if found.days < 1 or found.runs_a_day < 1:
        raise UsageError("a meet has at least one day and one run a day")
    most = bounds.RUN_SCATTER.high or 0.0
    if not 0 <= found.breakage <= 1 or not 0 <= found.run_scatter <= most:
        msg = f"the chance of breakage is a share from 0 to 100 %, and the scatter one from 0 to {100 * most:g} %"
        raise UsageError(f"{msg}; a percentage has its sign: 0.5 %")
    return found


def odds(
    study: Study,
    names: Sequence[str] = ("1",),
    *,
    meet: Meet | None = None,
    draws: int | None = None,
    pool: Pool | None = None,
    progress: Progress | None = None,
) -> Odds:
    """The chance that the class record falls, for builds by name: ``now``, ``1``, or parts joined by plus signs.

    The first is what the others are compared with.

    Raises
    ------
    UsageError
        If a build is not known, or none is named.
    NoLegalBuildError
        If a place of the ranking is asked for and no build is legal.
    """
    if not names:
        raise UsageError("name at least one build")
    named = [(name.strip(), build_named(study, name, progress)) for name in names]
    return odds_of(study, named, meet=meet, draws=draws or DRAWS, pool=pool, progress=progress)


def choose(
    study: Study,
    aim: Aim,
    *,
    listed: int = LISTED,
    searches: int = 0,
    meet: Meet | None = None,
    pool: Pool | None = None,
    progress: Progress | None = None,
) -> UnderDoubt:
    """The build for an aim among the fastest that a complete search lists, and others near them.

    ``searches`` drawn worlds are searched completely besides, for what lies outside.

    Raises
    ------
    NoLegalBuildError
        If no build is legal.
    """
    found = _contenders(study, listed, progress)
    return under_doubt(study, found, aim, meet=meet, searches=searches, pool=pool, progress=progress)


def measure(
    study: Study,
    *,
    listed: int = LISTED,
    meet: Meet | None = None,
    draws: int | None = None,
    pool: Pool | None = None,
    progress: Progress | None = None,
) -> MeasureNext:
    """What each unknown is worth knowing before money is spent.

    Raises
    ------
    NoLegalBuildError
        If no build is legal.
    """
    found = _contenders(study, listed, progress)
    return measure_next(study, found, meet=meet, draws=draws or MEASURED_DRAWS, pool=pool, progress=progress)


def what_to_bring(
    study: Study,
    spares: int = 1,
    *,
    groups: Sequence[str] = tuple(GROUPS),
    meet: Meet | None = None,
    draws: int | None = None,
    pool: Pool | None = None,
    progress: Progress | None = None,
) -> Bring:
    """The best base with up to so many spare sets: ``groups`` says what may be changed on the salt.

    Bases are the fastest builds of a complete search, and the fastest that it met for less money.

    Raises
    ------
    UsageError
        If a group is not known.
    NoLegalBuildError
        If no build is legal within the budget.
    """
    if unknown := set(groups) - set(GROUPS):
        raise UsageError(f"{', '.join(sorted(unknown))} cannot be changed on the salt; there is {', '.join(GROUPS)}")
    budget = study.scenario.event.budget_cents
    _contenders(study, BASES, progress)
    mornings = MORNINGS if draws is None else max(2, draws // CARS)
    found = bring(
        study, _bases(study, budget), budget, spares=spares, groups=groups, meet=meet, mornings=mornings, pool=pool,
        progress=progress,
    )  # fmt: skip
    if found is None:
        raise refuse_nothing(study, budget)
    return found


def _contenders(study: Study, listed: int, progress: Progress | None) -> Contenders:
    """Builds to choose among; at least one."""
    budget = study.scenario.event.budget_cents
    found = contenders(study, budget, listed=listed, progress=progress)
    if len(found.known.builds) == 0:
        raise refuse_nothing(study, budget)
    return found


def _bases(study: Study, budget: int | None) -> IntArray:
    """Builds (n, S) that may be a base."""
    known = known_builds(study, budget)
    rows = list(range(min(BASES, len(known.builds))))
    for most in () if budget is None else [share * budget for share in LESS_MONEY]:
        cheap = np.flatnonzero(known.cents <= most)[:BASES]
        rows += [row for row in cheap.tolist() if row not in rows]
    return known.builds[rows]
