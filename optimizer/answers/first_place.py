"""At which price, and at which mass, a part ranks before every build without it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from optimizer.answers.brings_in import BringingIn, speed_of
from optimizer.answers.price_limit import NO_PRICE, PriceLimit
from optimizer.choice.options import IntArray
from optimizer.run.judge import as_fast, just_above, speed_steps
from optimizer.run.panels import LIMITS
from optimizer.search.ranking import Ranking
from optimizer.search.state import Progress
from optimizer.search.study import Study


@dataclass(frozen=True, slots=True)
class FirstPlace:
    """What a part is to do: rank before a rival, at first the best build that has it nowhere.

    Attributes
    ----------
    named : str
    budget_cents : int or None
    level_ms : float
        Speed of the rival; 0 where there is none.
    cents : int or None
        Its price: as fast for less is first place, too. None where there is no rival.
    held : bool
        Whether a limiter or a cap holds it, so that many others are just as fast.
    """

    named: str
    budget_cents: int | None
    level_ms: float
    cents: int | None
    held: bool

    @classmethod
    def before(cls, study: Study, named: str, budget_cents: int | None, rival: Ranking) -> FirstPlace:
        """First place of a part before the best build of a ranking."""
        if not rival.listed:
            return cls(named, budget_cents, 0.0, None, held=False)
        return cls(named, budget_cents, speed_of(rival), int(rival.cents[0]), _is_held(study, rival))

    def ways(self, study: Study, progress: Progress | None) -> Ways:
        """Who to ask, and the least speed wanted: faster for the budget, as fast for less."""
        found = [(BringingIn(study, self.named, self.budget_cents, progress), just_above(self.level_ms))]
        if self.cents is not None:
            less = self.cents - 1 if self.budget_cents is None else min(self.budget_cents, self.cents - 1)
            found.append((BringingIn(study, self.named, less, progress), as_fast(self.level_ms)))
        return found

    def against(self, study: Study, rival: Ranking) -> FirstPlace:
        """The same against another build too, where that is harder to beat."""
        other = FirstPlace.before(study, self.named, self.budget_cents, rival)
        more = speed_steps(other.level_ms) - speed_steps(self.level_ms)
        cheaper = other.cents is not None and (self.cents is None or other.cents < self.cents)
        return other if more > 0 or (more == 0 and cheaper) else self


Ways = list[tuple[BringingIn, float]]
"""Who to ask, and the least speed wanted."""
Found = TypeVar("Found", PriceLimit, float)
MOST_RIVALS = 6
"""Builds with the part elsewhere only that are asked to be beaten, one after the other: they gain with it."""


def first_price(
    study: Study, progress: Progress | None, wanted: FirstPlace, known: PriceLimit
) -> tuple[PriceLimit, bool]:
    """Highest price at which a part comes before a rival, and whether all searches were complete.

    ``known`` is a price at which it is faster.
    """

    def highest(ways: Ways, _wanted: FirstPlace) -> PriceLimit | None:
        nonlocal known
        main, faster_ms = ways[0]
        # what is faster at the highest price at which any is as fast settles both ways
        limit, build = main.dearest_reaching(ways[-1][1], known)
        if build is not None and study.judge.speeds(build[None])[0] < faster_ms:
            limit = NO_PRICE
            for asking, floor_ms in ways:
                limit = limit.or_higher(asking.price_reaching(floor_ms, known))
                known = NO_PRICE  # nothing is known of builds that are as fast for less
        known = NO_PRICE  # nor of what beats a rival
        return None if limit.none else limit

    found, complete, _ = _before_rivals(study, progress, wanted, highest, BringingIn.rival_at_price)
    return found or NO_PRICE, complete


def first_mass(
    study: Study, progress: Progress | None, wanted: FirstPlace, builds: IntArray
) -> tuple[float | None, bool]:
    """A mass at which a part comes before a rival, and a step above it does not; whether all searches were complete.

    That one is as fast for less counts, too. Where the rival is not held it is so at masses a few steps above only:
    these are looked for among changes of what is known.

    Builds (n, S) that have the part may do so at some mass, or changes of them. That it beats a rival at no mass says
    little where that one is slower with the lightest.
    """

    def highest(ways: Ways, wanted: FirstPlace) -> float | None:
        (main, faster_ms), *for_less = ways
        found = main.mass_reaching(faster_ms, builds)
        for less, as_fast_ms in for_less:
            if wanted.held:
                other = less.mass_reaching(as_fast_ms, builds)
                found = other if found is None else max(found, other or 0.0)
            elif found is not None:  # two that nothing holds are as fast at a few hundredths of a pound only
                found = less.mass_as_fast(found, as_fast_ms, builds)
        return found

    mass_kg, complete, last = _before_rivals(study, progress, wanted, highest, BringingIn.rival_at_mass)
    if mass_kg is None and last != wanted:
        main, _ = last.ways(study, progress)[0]
        lightest = wanted.against(study, main.rival_at_mass(main.lightest_kg))
        complete &= bool(speed_steps(lightest.level_ms) >= speed_steps(last.level_ms))
    return mass_kg, complete


def _before_rivals(
    study: Study,
    progress: Progress | None,
    wanted: FirstPlace,
    highest: Callable[[Ways, FirstPlace], Found | None],
    rival_at: Callable[[BringingIn, Found], Ranking],
) -> tuple[Found | None, bool, FirstPlace]:
    """The highest price or mass that also holds against cars with the part elsewhere only, which gain by it as well.

    And whether all searches were complete, and what it was held against last.
    """
    found, complete = None, True
    for _ in range(MOST_RIVALS):
        ways, before = wanted.ways(study, progress), wanted
        found, (main, _) = highest(ways, wanted), ways[0]
        if found is not None and main.elsewhere:
            wanted = wanted.against(study, rival_at(main, found))
        complete &= all(asking.closed for asking, _ in ways)
        if wanted == before:
            return found, complete, wanted
    return None, False, wanted  # what was found last was not held against the last rival


def _is_held(study: Study, rival: Ranking) -> bool:
    """Whether a cap or a limiter holds the best build of a ranking at the last board, in some run."""
    held = [LIMITS.index("revs"), LIMITS.index("speed cap")]
    runs = study.judge.runs(rival.builds[:1])
    return study.judge.caps(as_fast(speed_of(rival))) or any(np.isin(run.passing.limit[1], held).any() for run in runs)
