"""At which price, and at which mass, a part ranks before every build without it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from optimizer.answers.brings_in import NO_PRICE, BringingIn, PriceLimit
from optimizer.choice.options import IntArray
from optimizer.run.judge import as_fast, just_above
from optimizer.search.ranking import Ranking
from optimizer.search.state import Progress
from optimizer.search.study import Study


@dataclass(frozen=True, slots=True)
class FirstPlace:
    """What a part is to do: be faster than a level, by the best build that has it nowhere.

    ``tied_cents``: where a cap holds that build, its price; as fast for less is then first place, too. None elsewhere:
    there two are hardly ever equal to the 0.001 m/s.
    """

    named: str
    budget_cents: int | None
    level_ms: float
    tied_cents: int | None

    def ways(self, study: Study, progress: Progress | None) -> list[tuple[BringingIn, Callable[[float], float]]]:
        """Who to ask, and the least speed wanted, for a level."""
        found: list[tuple[BringingIn, Callable[[float], float]]] = [
            (BringingIn(study, self.named, self.budget_cents, progress), just_above)
        ]
        if self.tied_cents is not None:
            less = self.tied_cents - 1 if self.budget_cents is None else min(self.budget_cents, self.tied_cents - 1)
            found.append((BringingIn(study, self.named, less, progress), as_fast))
        return found


def first_price(
    study: Study, progress: Progress | None, wanted: FirstPlace, known: PriceLimit
) -> tuple[PriceLimit, bool]:
    """Highest price at which a part comes before a level, and whether all searches were complete.

    ``known`` is a price at which it is faster.
    """
    limit, complete = NO_PRICE, True
    for asking, floor_of in wanted.ways(study, progress):
        limit = limit.or_higher(asking.highest_price(wanted.level_ms, floor_of, known))
        known = NO_PRICE  # nothing is known of builds that are as fast for less
        complete &= asking.closed
    return limit, complete


def first_mass(
    study: Study, progress: Progress | None, wanted: FirstPlace, builds: IntArray
) -> tuple[float | None, bool]:
    """Highest mass at which a part comes before a level, and whether all searches were complete.

    Builds (n, S) that have the part may do so at some mass, or changes of them.
    """
    ways = wanted.ways(study, progress)
    found = [asking.highest_mass(wanted.level_ms, floor_of, builds) for asking, floor_of in ways]
    return max((each for each in found if each is not None), default=None), all(asking.closed for asking, _ in ways)


def tied_cents(study: Study, without: Ranking) -> int | None:
    """Price of the best build without a part, if a cap holds it, so that a cheaper one may be as fast; None else."""
    return int(without.cents[0]) if without.listed and study.judge.caps(as_fast(speed_of(without))) else None


def speed_of(ranking: Ranking) -> float:
    """Speed [m/s] of the best build; 0 where there is none."""
    return float(ranking.speed_ms[0]) if ranking.listed else 0.0
