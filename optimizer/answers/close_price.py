"""A price at which the best build with a part is too close to call with the best one without."""

from __future__ import annotations

from optimizer.answers.brings_in import BringingIn, speed_of
from optimizer.answers.closeness import Band, closeness
from optimizer.answers.price_limit import NO_PRICE, PriceLimit
from optimizer.run.judge import just_above
from optimizer.search.ranking import Ranking

MOST_TRIED = 8
"""Builds with the part that are held against the best one without, each faster than the one before."""


def reach_of(band: Band) -> float:
    """How far below the best [m/s] a build is too close to call, by how well the difference of two is known."""
    return max(band.difference_ms - band.low_ms, 0.0)


def close_price(asking: BringingIn, rival: Ranking, floor_ms: float, known: PriceLimit) -> PriceLimit | None:
    """A price at which the best build with a part is too close to call, or better; None where that is not known.

    For every price the best build with the part is another, and how well its difference is known hangs on what it
    differs in. So the highest price is looked for at which some build is as fast as ``floor_ms``; that build is held
    against the rival. Where it is not too close, one that is faster, and by its own measure close enough, is looked for
    at a lower price. What is found is the highest price of those tried: at a lower one another build may be the best,
    and be told apart again.

    Parameters
    ----------
    asking : BringingIn
    rival : Ranking
        The best build that does not have the part where asked for, at its stated price.
    floor_ms : float
        The least speed to begin with.
    known : PriceLimit
        A price at which the best build with the part is so fast, and too close to call or better.
    """
    highest, limit, build = known, NO_PRICE, None
    if not known.none:
        limit, build = asking.dearest_reaching(floor_ms, highest)
        if build is None:
            return highest
    for _ in range(MOST_TRIED):
        if build is None:
            limit, build = asking.likely_reaching(floor_ms)
        if build is None or highest.or_higher(limit) == highest:
            return highest
        if limit.any_price:  # a kit brings it: at any price others may be faster with it
            build = asking.best_at_price(limit).builds[0]
        against = asking.rival_at_price(limit) if asking.elsewhere else rival
        (band,) = closeness(asking.at_price(limit), against.builds[0], build[None])
        if band.difference_ms <= 0 or band.too_close:
            highest = limit
            limit, build = asking.dearest_reaching(floor_ms, highest)
            if build is None:
                return highest
        else:
            level_ms, build = speed_of(against), None
            floor_ms = max(level_ms - reach_of(band), just_above(level_ms - band.difference_ms))
    return None if highest.none else highest
