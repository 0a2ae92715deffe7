"""Money against speed: the fastest build for every budget, and the cheapest past a speed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from optimizer.choice.options import IntArray
from optimizer.run.judge import least_for
from optimizer.search.state import Progress
from optimizer.search.study import Study

STANDING_MS = 1e-3
"""A car that scores more than this runs."""
QUESTIONS = 12
"""Budgets that are asked about, unless every step is wanted."""


@dataclass(frozen=True, slots=True)
class Step:
    """A build that nothing beats for budgets from ``cents`` to ``until_cents``.

    Attributes
    ----------
    build : array (S,)
    cents : int
        Least budget at which the build can be had.
    until_cents : int
        Highest budget known to buy nothing faster. Between it and the next step's price there may be further steps, no
        faster than the next one.
    speed_ms : float
    closed : bool
        Whether everything faster for as much money is ruled out by argument.
    """

    build: IntArray
    cents: int
    until_cents: int
    speed_ms: float
    closed: bool


def money_against_speed(
    study: Study, low_cents: int, high_cents: int, questions: int | None = QUESTIONS, progress: Progress | None = None
) -> tuple[Step, ...]:
    """The fastest build for budgets between two amounts of money, the cheapest step first.

    Parameters
    ----------
    study : Study
    low_cents, high_cents : int
    questions : int or None
        How many budgets are asked about: the event's own, then where the widest gaps in speed are left; None: until no
        step is left out.
    progress : callable, optional

    Returns
    -------
    tuple of Step
        Empty where no build is legal for the most money. Without a legal build for the least, it begins with the
        cheapest there is.
    """
    tell = progress or (lambda _what, _share: None)
    most = np.inf if questions is None else questions

    def asked(money: int, number: int) -> Step | None:
        tell(f"best build for {money / 100:,.0f}", min(number / most, 0.99))
        best = study.best(budget_cents=money)
        if best.listed == 0:
            return None
        return Step(best.builds[0], int(best.cents[0]), money, float(best.speed_ms[0]), bool(best.evidence.closed))

    steps = [step for step in (asked(high_cents, 0),) if step is not None]
    if not steps:
        return ()
    if steps[0].cents > low_cents:
        least = asked(low_cents, 1)
        if least is None:
            tell("cheapest car that runs", 1 / most)
            least = asked(int(study.cheapest(STANDING_MS, budget_cents=high_cents).cents[0]), 1)
        if least is not None and least.cents < steps[0].cents:
            steps.insert(0, least)
    number, own = 2, study.scenario.event.budget_cents
    # the event's own budget first: what it buys is what everybody looks for
    gap = (1, own) if own is not None and len(steps) == 2 and steps[0].until_cents < own < steps[1].cents else None
    while number < most and (gap := gap or _widest(steps)) is not None:
        # the middle shows soonest what a range of money is about; a cent less than a step costs, whether it is the next
        place, money = gap if questions is not None else (gap[0], steps[gap[0]].cents - 1)
        found, gap = asked(money, number), None
        number += 1
        if found is None or found.cents <= steps[place - 1].until_cents:
            steps[place - 1] = replace(steps[place - 1], until_cents=money)
        else:
            steps.insert(place, found)
    return tuple(steps)


def _widest(steps: list[Step]) -> tuple[int, int] | None:
    """Where the widest gap in speed is left: before which step, and the budget in its middle. None: there is none."""
    gaps = [
        (upper.speed_ms - lower.speed_ms, -place, place)
        for place, (lower, upper) in enumerate(pairwise(steps), start=1)
        if upper.cents - 1 > lower.until_cents
    ]
    if not gaps:
        return None
    place = max(gaps)[-1]
    return place, (steps[place - 1].until_cents + steps[place].cents) // 2


@dataclass(frozen=True, slots=True)
class Target:
    """The cheapest build that reaches a speed; without one, the fastest there is.

    Attributes
    ----------
    target_ms : float
    build : array (S,)
        The cheapest build that reaches it, or the fastest of all.
    cents : int
    speed_ms : float
    reached : bool
    closed : bool
        Whether everything cheaper (or faster) is ruled out by argument.
    """

    target_ms: float
    build: IntArray
    cents: int
    speed_ms: float
    reached: bool
    closed: bool


def cheapest_past(
    study: Study, target_ms: float, budget_cents: int | None = None, progress: Progress | None = None
) -> Target | None:
    """The cheapest build that reaches a speed for at most a budget (None: any money); None where no build is legal.

    It is reached by what is no more than half a step in which speeds rank below it.
    """
    found = study.cheapest(least_for(target_ms), budget_cents=budget_cents, progress=progress)
    reached = found.listed > 0
    if not reached and len(found.builds) == 0:
        return None
    return Target(
        target_ms, found.builds[0], int(found.cents[0]), float(found.speed_ms[0]), reached, bool(found.evidence.closed)
    )
