"""At which price, and at which mass, a part ranks before every build without it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, TypeVar

from optimizer.answers.brings_in import BringingIn, speed_of
from optimizer.answers.price_limit import NO_PRICE, PriceLimit
from optimizer.choice.options import IntArray, Options
from optimizer.choice.wishes import places_of
from optimizer.run.judge import as_fast, just_above, speed_steps
from optimizer.scenario.parts import NONE_ID, Part, Tire
from optimizer.search.ranking import Ranking
from optimizer.search.state import Progress
from optimizer.search.study import Study


@dataclass(frozen=True, slots=True)
class FirstPlace:
    """What a part is to do: be faster than a level, at first that of the best build that has it nowhere.

    ``tied_cents``: where a cap holds that build, or there is another part that does the same, its price; as fast for
    less is then first place, too. None elsewhere: there two are hardly ever equal to the 0.001 m/s.
    """

    named: str
    budget_cents: int | None
    level_ms: float
    tied_cents: int | None

    def ways(self, study: Study, progress: Progress | None) -> Ways:
        """Who to ask, and the least speed wanted."""
        found = [(BringingIn(study, self.named, self.budget_cents, progress), just_above(self.level_ms))]
        if self.tied_cents is not None:
            less = self.tied_cents - 1 if self.budget_cents is None else min(self.budget_cents, self.tied_cents - 1)
            found.append((BringingIn(study, self.named, less, progress), as_fast(self.level_ms)))
        return found

    def against(self, study: Study, rival: Ranking) -> FirstPlace:
        """The same against another build too, where that is harder to beat."""
        speed, tied = speed_of(rival), tied_cents(study, rival, self.named)
        more = speed_steps(speed) - speed_steps(self.level_ms)
        if more > 0 or (more == 0 and tied is not None and (self.tied_cents is None or tied < self.tied_cents)):
            return replace(self, level_ms=speed, tied_cents=tied)
        return self


Ways = list[tuple[BringingIn, float]]
"""Who to ask, and the least speed wanted."""
Found = TypeVar("Found", PriceLimit, float)
MOST_RIVALS = 6
"""Builds with the part elsewhere only that are asked to be beaten, one after the other: they gain with it."""


def first_price(
    study: Study, progress: Progress | None, wanted: FirstPlace, known: PriceLimit
) -> tuple[PriceLimit, bool]:
    """Highest price at which a part comes before a level, and whether all searches were complete.

    ``known`` is a price at which it is faster.
    """

    def highest(ways: Ways) -> PriceLimit | None:
        nonlocal known
        limit = NO_PRICE
        for asking, floor_ms in ways:
            limit = limit.or_higher(asking.price_reaching(floor_ms, known))
            known = NO_PRICE  # nothing is known of builds that are as fast for less, nor of what beats a rival
        return None if limit.none else limit

    found, complete, _ = _before_rivals(study, progress, wanted, highest, BringingIn.rival_at_price)
    return found or NO_PRICE, complete


def first_mass(
    study: Study, progress: Progress | None, wanted: FirstPlace, builds: IntArray
) -> tuple[float | None, bool]:
    """A mass at which a part comes before a level, and a step above it does not; whether all searches were complete.

    Builds (n, S) that have the part may do so at some mass, or changes of them. That it beats a rival at no mass says
    little where that one is slower with the lightest.
    """

    def highest(ways: Ways) -> float | None:
        found = [asking.mass_reaching(floor_ms, builds) for asking, floor_ms in ways]
        return max((each for each in found if each is not None), default=None)

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
    highest: Callable[[Ways], Found | None],
    rival_at: Callable[[BringingIn, Found], Ranking],
) -> tuple[Found | None, bool, FirstPlace]:
    """The highest price or mass that also holds against cars with the part elsewhere only, which gain by it as well.

    And whether all searches were complete, and what it was held against last.
    """
    found, complete = None, True
    for _ in range(MOST_RIVALS):
        ways, before = wanted.ways(study, progress), wanted
        found, (main, _) = highest(ways), ways[0]
        if found is not None and main.elsewhere:
            wanted = wanted.against(study, rival_at(main, found))
        complete &= all(asking.closed for asking, _ in ways)
        if wanted == before:
            return found, complete, wanted
    return found, False, wanted


def tied_cents(study: Study, without: Ranking, named: str) -> int | None:
    """Price of the best build without a part, if a cheaper one with it may be as fast; None where that is unlikely.

    That is so where a cap holds it, and where another part does the same as the one named.
    """
    if not without.listed:
        return None
    held = study.judge.caps(as_fast(speed_of(without)))
    return int(without.cents[0]) if held or _has_twin(study.options, named) else None


_SOLD: Mapping[str, Any] = MappingProxyType({
    "id": "", "name": "", "price_cents": None, "pack": 1, "stock": None, "owned": 0, "resale_cents": 0,
    "fitting_cents": 0, "fitting_hours": 0.0, "work": (), "category": "", "tags": frozenset(), "fits": frozenset(),
    "needs": (), "not_with": (), "axle": None, "slots": (), "notes": "", "where": "", "bases": MappingProxyType({}),
})  # fmt: skip
"""What a part is sold and allowed by, all alike: two that differ in nothing else drive the same."""


def _has_twin(options: Options, named: str) -> bool:
    """Whether another part drives the same as one, in a slot where it may be."""
    return any(
        p != o and _bare(other) == _bare(options.parts[s][o])
        for s, o in places_of(options, named)
        for p, other in enumerate(options.parts[s])
        if other.id != NONE_ID
    )


def _bare(part: Part) -> Part:
    """A part without what it is sold and allowed by."""
    bare = replace(part, **_SOLD)
    return replace(bare, made=None) if isinstance(bare, Tire) else bare
