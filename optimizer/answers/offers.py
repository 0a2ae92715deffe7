"""Something is on offer: where the best build with it lands, what it displaces, and the most it is worth paying.

An offer is worth a price if the best build with it, and with no other offer, then ranks before the best without any:
it is faster, or as fast for less, as with the same tire from another shop. For n purchases at a price p, a build costs
what it would with them free, and n p. With C(n) as the least that a faster build costs where no more than n are had for
nothing, the most worth paying is the largest (budget - C(n)) / n over all n: buying fewer than n only makes the true
price higher than that. For builds as fast, a cent less than the best without stands for the budget.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from optimizer.answers.frontier import STANDING_MS
from optimizer.answers.kept_out import why_none
from optimizer.answers.offers_at_hand import Stall, learn, stall_of
from optimizer.choice.fit import Reason
from optimizer.choice.options import IntArray, Options
from optimizer.run.judge import as_fast, just_above, speed_steps
from optimizer.scenario.event import Scenario
from optimizer.search.ranking import Ranking
from optimizer.search.state import Progress
from optimizer.search.study import Study

ALL_SUBSETS = 4
"""Offers that do not pay alone, up to which all of their subsets are tried; of more, only pairs."""


@dataclass(frozen=True, slots=True)
class Displaced:
    """A slot in which a build differs from the best without offers: what stood in it, and what stands there now."""

    slot: str
    before: str
    now: str


@dataclass(frozen=True, slots=True)
class Landing:
    """Where a best build lands.

    Attributes
    ----------
    build : array (S,)
        Positions in the options of the scenario with the offers.
    speed_ms : float
    cents : int
    gain_ms : float or None
        Speed over that of the best build without offers; None where without them no build is legal.
    faster : bool
        Whether it ranks above the best build without offers by its speed.
    displaced : tuple of Displaced
        Where it differs from that build.
    """

    build: IntArray
    speed_ms: float
    cents: int
    gain_ms: float | None
    faster: bool
    displaced: tuple[Displaced, ...]


@dataclass(frozen=True, slots=True)
class OfferAnswer:
    """What one offer is good for.

    Attributes
    ----------
    id : str
    is_kit : bool
    alone : Landing or None
        The best build with it, at its price and without the other offers; None where there is none. A part must be in
        it; a kit is at hand.
    in_best : bool
        Whether the best build with all offers at hand has it, or buys it.
    helps : bool
        Whether it makes the best build faster, or as fast for less, if it is free.
    most_worth_cents : int or None
        The highest price of one purchase (each, pair, set or kit) at which it still does; None where it does not even
        help, and where money is not limited.
    used : bool
        Whether ``alone`` has it, or buys it: a kit that is at hand need not be bought.
    refused : tuple of Reason
        Why a part may stand in none of its slots, whatever else is chosen; empty if it may.
    why_none : str
        Why no legal build has a part that may stand somewhere; empty where one has.
    reasons : tuple of str
        The same by the names of rules and checks.
    """

    id: str
    is_kit: bool
    alone: Landing | None
    in_best: bool
    helps: bool
    most_worth_cents: int | None
    used: bool
    refused: tuple[Reason, ...]
    why_none: str = ""
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OffersAnswer:
    """What is on offer against the best build without it.

    Attributes
    ----------
    options : Options
        Of the scenario with all offers: what positions in builds mean.
    without, together : Landing or None
        The best build without any offer, and with all of them at hand; None where there is none. A kit may leave the
        build and its speed as they are, and make it cheaper.
    offers : tuple of OfferAnswer
    only_together : tuple of tuple of str
        Offers of which none makes the best build faster alone, but all of them do, and more than any fewer of them.
    closed : bool
        Whether everything else is ruled out by argument, in every search.
    """

    options: Options
    without: Landing | None
    together: Landing | None
    offers: tuple[OfferAnswer, ...]
    only_together: tuple[tuple[str, ...], ...]
    closed: bool


def offers_answer(
    study: Study,
    offered: Scenario,
    ids: Sequence[str],
    *,
    budget_cents: int | None,
    salt: str | None = None,
    progress: Progress | None = None,
) -> OffersAnswer:
    """Answer what offers are good for.

    Parameters
    ----------
    study : Study
        Without the offers; what it knows is used, and what is found out about its own builds is kept in it.
    offered : Scenario
        The same with the offers in it.
    ids : sequence of str
        Which of its parts and kits they are.
    budget_cents : int or None
    salt : str, optional
        Salt condition of the study; the event's own when left out.
    progress : callable, optional

    Raises
    ------
    UsageError
        If an id is not of the offered scenario or is one of the study's, an offer is owned, or the salt is another.
    """
    stall = stall_of(study, offered, tuple(ids), salt)
    tell = progress or (lambda _what, _share: None)
    steps = 2 * len(ids) + 3
    tell("best build without the offers", 0.0)
    asker = _Asker(stall, budget_cents)
    without = asker.begin()
    alone: dict[str, Landing | None] = {}
    worth: dict[str, tuple[bool, int | None]] = {}
    for number, each in enumerate(ids):
        tell(f"best build with {each}", (2 * number + 1) / steps)
        alone[each] = asker.best(frozenset([each]), forced=True)
        tell(f"what {each} is worth", (2 * number + 2) / steps)
        worth[each] = _most_worth(asker, each)
    tell("best build with all offers at hand", (steps - 2) / steps)
    together = _all_at_hand(asker, without, alone)
    tell("which offers pay only together", (steps - 1) / steps)
    groups = _only_together(asker, alone)
    had = asker.had_in(together)
    answers = tuple(
        OfferAnswer(
            each, each in stall.kits, alone[each], each in had, *worth[each], each in asker.had_in(alone[each]),
            stall.refused(each),
            *asker.why_none.get(frozenset([each]), ("", ())),
        )
        for each in ids
    )
    return OffersAnswer(stall.options, without, together, answers, groups, asker.closed)


# --- questions


@dataclass(frozen=True, slots=True)
class Cheapest:
    """A build with some purchases of an offer free: its price, how many of them it makes, its speed [m/s]."""

    cents: int
    bought: int
    speed_ms: float


@dataclass(frozen=True, slots=True)
class _Worth:
    """The most that one purchase is worth, None without a budget, and the speed [m/s] of the build that it is for."""

    most_cents: int | None
    speed_ms: float


@dataclass(slots=True)
class _Asker:
    """Asks for best builds with some offers, and keeps whether all searches were closed.

    ``without`` is the best build without offers, ``floor_ms`` the least speed that ranks above it; ``why_none`` says in
    words and by names why no build has some offers.
    """

    stall: Stall
    budget_cents: int | None
    without: Landing | None = None
    floor_ms: float = STANDING_MS
    closed: bool = True
    forced: dict[frozenset[str], Landing | None] = field(default_factory=dict)
    why_none: dict[frozenset[str], tuple[str, tuple[str, ...]]] = field(default_factory=dict)

    def begin(self) -> Landing | None:
        """The best build without offers."""
        found = self.stall.base.best(budget_cents=self.budget_cents)
        self.closed &= bool(found.evidence.closed)
        if found.listed:
            build = self.stall.options.encode(self.stall.base.options.decode(found.builds[0]))
            self.floor_ms = just_above(float(found.speed_ms[0]))
            self.without = Landing(build, float(found.speed_ms[0]), int(found.cents[0]), 0.0, False, ())
        return self.without

    def best(self, chosen: frozenset[str], *, forced: bool) -> Landing | None:
        """The best build with some offers at hand and no others; each of the parts must be in it where ``forced``."""
        if forced and chosen in self.forced:
            return self.forced[chosen]
        parts = sorted(chosen - set(self.stall.kits)) if forced else []
        landing = None
        if not any(self.stall.refused(each) for each in parts):
            study = self.stall.study(chosen)
            out = sorted(self.stall.placed - self.stall.at_hand(chosen))
            found = study.best(budget_cents=self.budget_cents, with_parts=parts, without_parts=out)
            landing = self._landing(self._noted(study, found))
            if parts and landing is None:
                said = why_none(study, self.budget_cents, found.evidence, tuple(parts))
                self.why_none[chosen] = said.text, said.reasons
        if forced:
            self.forced[chosen] = landing
        return landing

    def cheapest(self, one: str, purchases: int, floor_ms: float, budget_cents: int | None) -> Cheapest | None:
        """The cheapest build as fast as a floor with some purchases of an offer free."""
        study = self.stall.free(one, purchases)
        out = sorted(self.stall.placed - self.stall.at_hand(frozenset([one])))
        forced = [] if one in self.stall.kits else [one]
        found = study.cheapest(
            floor_ms, budget_cents=budget_cents, with_parts=forced, without_parts=out, fastest_first=False
        )
        self._noted(study, found)
        if not found.listed:
            return None
        bill = study.book.bill(found.builds[0])
        bought = sum(line.number for line in (*bill.of("kit"), *bill.of("pack")) if line.what == one)
        return Cheapest(int(found.cents[0]), bought, float(found.speed_ms[0]))

    def _noted(self, study: Study, found: Ranking) -> Ranking:
        self.closed &= bool(found.evidence.closed)
        learn(self.stall.runs, study.memory)
        return found

    def _landing(self, found: Ranking) -> Landing | None:
        if not found.listed:
            return None
        build, speed_ms = found.builds[0], float(found.speed_ms[0])
        gain_ms = None if self.without is None else speed_ms - self.without.speed_ms
        displaced: tuple[Displaced, ...] = ()
        if self.without is not None:
            before, now = self.stall.options.decode(self.without.build), self.stall.options.decode(build)
            displaced = tuple(Displaced(slot, before[slot], now[slot]) for slot in now if before[slot] != now[slot])
        return Landing(build, speed_ms, int(found.cents[0]), gain_ms, speed_ms >= self.floor_ms, displaced)

    def had_in(self, landing: Landing | None) -> set[str]:
        """Offers that a build has or, kits, buys, with all of them at hand."""
        if landing is None:
            return set()
        parts = {part.id for part in self.stall.options.chosen(landing.build)}
        kits = {line.what for line in self.stall.whole.book.bill(landing.build).of("kit")}
        return (parts | kits) & set(self.stall.ids)


def _most_worth(asker: _Asker, one: str) -> tuple[bool, int | None]:
    """Whether an offer helps if it is free, and the most that one purchase of it is worth."""
    numbers = _purchases(asker.stall, one)
    if not numbers or asker.stall.refused(one):
        return False, None
    budget, without = asker.budget_cents, asker.without
    least_ms = asker.floor_ms if without is None else as_fast(without.speed_ms)
    found = _most_for(asker, one, numbers, least_ms, budget)
    if found is None:
        return False, None
    if without is None or found.speed_ms >= asker.floor_ms:  # nothing that is only as fast may cost more
        return True, found.most_cents
    ways = [(asker.floor_ms, budget), (least_ms, without.cents - 1)]
    each = [worth for floor, money in ways if (worth := _most_for(asker, one, numbers, floor, money)) is not None]
    if budget is None:
        return bool(each), None
    return bool(each), max((worth.most_cents for worth in each if worth.most_cents is not None), default=None)


def _most_for(
    asker: _Asker, one: str, numbers: Sequence[int], floor_ms: float, budget: int | None
) -> _Worth | None:
    """The most that one purchase is worth for a build as fast as a floor, and the speed of that build."""
    found = asker.cheapest(one, numbers[-1], floor_ms, budget)
    if found is None or budget is None:
        return None if found is None else _Worth(None, found.speed_ms)
    worth = _Worth((budget - found.cents) // max(found.bought, 1), found.speed_ms)
    for number in reversed([each for each in numbers if each < found.bought]):
        # only a build that may be paid for at a cent more is of interest
        fewer = asker.cheapest(one, number, floor_ms, budget - number * ((worth.most_cents or 0) + 1))
        if fewer is not None:
            worth = _Worth((budget - fewer.cents) // number, fewer.speed_ms)
    return worth


def _purchases(stall: Stall, one: str) -> list[int]:
    """How many purchases of an offer make a difference, rising: what some of its places need, as far as there are."""
    counts: dict[str, list[int]] = {}
    for s, parts in enumerate(stall.options.parts):
        for part in parts:
            counts.setdefault(part.id, []).append(stall.options.slots[s].count)
    if one in stall.kits:
        kit = stall.kits[one]
        most = sum(-(-sum(counts.get(part, ())) // pieces) for part, pieces in kit.contents)
        return list(range(1, min(most, kit.stock) + 1))
    part = stall.whole.scenario.parts[one]
    sums = {0}
    for count in counts.get(one, ()):
        sums |= {each + count for each in sums}
    needed = sorted({-(-each // part.pack) for each in sums if each})
    if part.stock is None or not needed:
        return needed
    return [each for each in needed if each <= part.stock]


def _all_at_hand(asker: _Asker, without: Landing | None, alone: Mapping[str, Landing | None]) -> Landing | None:
    """The best build with all offers at hand; a kit, or one part that is faster or slower, was asked about already."""
    if len(alone) == 1:
        ((each, only),) = alone.items()
        if each in asker.stall.kits or (only is not None and only.faster):
            return only
        if _steps(only) < _steps(without):
            return without
    return asker.best(frozenset(alone), forced=False)


def _only_together(asker: _Asker, alone: Mapping[str, Landing | None]) -> tuple[tuple[str, ...], ...]:
    """Groups of offers that make the best build faster, none of them alone, and more than any fewer of them do."""
    idle = [
        each
        for each, landing in alone.items()
        if (landing is None or not landing.faster) and not asker.stall.refused(each)
    ]
    if len(idle) < 2:
        return ()
    all_idle = asker.best(frozenset(idle), forced=False)
    if all_idle is None or not all_idle.faster:
        return ()
    found, steps = [], {frozenset[str](): _steps(asker.without)}
    for size in range(1, (len(idle) if len(idle) <= ALL_SUBSETS else 2) + 1):
        for group in combinations(idle, size):
            fewer = max(steps[frozenset(each)] for each in combinations(group, size - 1))
            own = _steps(asker.best(frozenset(group), forced=True))
            steps[frozenset(group)] = max(own, fewer)
            if size > 1 and own > fewer:
                found.append(group)
    return tuple(found)


def _steps(landing: Landing | None) -> float:
    """A speed in the steps in which speeds rank; below all of them where there is no build."""
    return -np.inf if landing is None else float(speed_steps(landing.speed_ms))
