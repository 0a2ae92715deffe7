"""Something is on offer: where the best build with it lands, what it displaces, and the most it is worth paying.

An offer is worth a price if the best build with it, and with no other offer, is then faster than the best without any.
For n purchases at a price p, a build costs what it would with them free, and n p. With C(n) as the least that a faster
build costs where no more than n are had for nothing, the most worth paying is the largest (budget - C(n)) / n over all
n: buying fewer than n only makes the true price higher than that.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from types import MappingProxyType

import numpy as np

from optimizer.answers.frontier import STANDING_MS, just_above
from optimizer.choice.fit import Reason
from optimizer.choice.legality import legality_of
from optimizer.choice.options import IntArray, Options, options_of
from optimizer.choice.price import PriceBook
from optimizer.choice.wishes import places_of
from optimizer.errors import UsageError
from optimizer.run.judge import SPEED_STEP_MS
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import Kit, Part
from optimizer.search.memory import Memory
from optimizer.search.ranking import Ranking
from optimizer.search.study import Study

Progress = Callable[[str, float], None]

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
        Whether it makes the best build faster if it is free.
    most_worth_cents : int or None
        The highest price of one purchase (each, pair, set or kit) at which it still makes the best build faster; None
        where it does not even help, and where money is not limited.
    refused : tuple of Reason
        Why a part may stand in none of its slots, whatever else is chosen; empty if it may.
    """

    id: str
    is_kit: bool
    alone: Landing | None
    in_best: bool
    helps: bool
    most_worth_cents: int | None
    refused: tuple[Reason, ...]


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
    stall = _stall_of(study, offered, tuple(ids), salt)
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
        OfferAnswer(each, each in stall.kits, alone[each], each in had, *worth[each], stall.refused(each))
        for each in ids
    )
    return OffersAnswer(stall.options, without, together, answers, groups, asker.closed)


# --- scenarios with some of the offers


@dataclass(frozen=True, slots=True)
class _Stall:
    """All offers, and studies with some of them: all have the same options, so what a run shows serves each of them.

    ``base`` knows nothing of the offers; ``whole`` has all of them; ``kits`` are those on offer; ``placed`` the parts
    on offer that some slot takes; ``runs`` what has been run so far.
    """

    base: Study
    whole: Study
    ids: tuple[str, ...]
    kits: Mapping[str, Kit]
    placed: frozenset[str]
    runs: Memory
    asked: dict[frozenset[str], Study] = field(default_factory=dict)

    @property
    def options(self) -> Options:
        """Of the scenario with all offers."""
        return self.whole.options

    def at_hand(self, chosen: frozenset[str]) -> frozenset[str]:
        """Parts on offer that can be had: those chosen, and those that chosen kits bring."""
        brought = {part for each in chosen if each in self.kits for part, _ in self.kits[each].contents}
        return self.placed & (chosen | brought)

    def study(self, chosen: frozenset[str]) -> Study:
        """With some offers at their prices; what was asked of it before is known to it."""
        if chosen not in self.asked:
            self.asked[chosen] = self._made(chosen, {})
        return self.asked[chosen]

    def free(self, one: str, purchases: int) -> Study:
        """With one offer of which so many purchases are had for nothing, and no more to be had."""
        thing: Part | Kit = self.kits[one] if one in self.kits else self.whole.scenario.parts[one]
        return self._made(frozenset([one]), {one: replace(thing, price_cents=0, stock=purchases)})

    def _made(self, chosen: frozenset[str], instead: Mapping[str, Part | Kit]) -> Study:
        """A study with some offers, some of them changed: parts that only a chosen kit brings are not sold apart."""
        scenario = self.whole.scenario
        parts = dict(scenario.parts)
        for each in self.placed - chosen:
            parts[each] = replace(parts[each], price_cents=None)
        parts |= {key: part for key, part in instead.items() if isinstance(part, Part)}
        kits = tuple(
            found
            for kit in scenario.kits
            if kit.id not in self.kits or kit.id in chosen
            if isinstance(found := instead.get(kit.id, kit), Kit)
        )
        scenario = replace(scenario, parts=MappingProxyType(parts), kits=kits)
        options = options_of(scenario)
        # what the study without offers settled holds: it knows nothing of the new parts, and no price of its own
        # builds has changed; a kit may change those, and then only runs are known
        memory = self.base.memory.moved(options)
        if chosen & set(self.kits):
            memory.settled = []
        _learn(memory, self.runs)
        return Study(scenario, options, legality_of(options), PriceBook(options), self.whole.judge, memory)

    def refused(self, one: str) -> tuple[Reason, ...]:
        """Why a part may stand in none of its slots; empty if it may, and for kits."""
        if one in self.kits:
            return ()
        if one not in self.placed:
            return (Reason("slots", f"{one} is for no slot of the car"),)
        reasons = self.whole.legality.part_reasons
        places = places_of(self.options, one)
        if not all(self.whole.legality.forbidden[s][o] for s, o in places):
            return ()
        return tuple(dict.fromkeys(reason for place in places for reason in reasons.get(place, ())))


def _stall_of(study: Study, offered: Scenario, ids: tuple[str, ...], salt: str | None) -> _Stall:
    kits = {kit.id: kit for kit in offered.kits if kit.id in ids}
    own = {*study.scenario.parts, *(kit.id for kit in study.scenario.kits)}
    for each in ids:
        if each not in kits and each not in offered.parts:
            raise UsageError(f"{each!r} is not on offer")
        if each in own:
            raise UsageError(f"{each!r} is in the scenario already: it is not an offer")
        if any(each == part for kit in study.scenario.kits for part, _ in kit.contents):
            raise UsageError(f"{each!r} is in a kit of the scenario: it is not an offer")
        if each not in kits and offered.parts[each].owned:
            raise UsageError(f"{each!r} is owned already: it need not be bought")
    whole = Study.of(offered, salt)
    if whole.judge.conditions != study.judge.conditions:
        raise UsageError("the offers are asked about on another salt than the builds without them")
    placed = {part.id for parts in whole.options.parts for part in parts} & set(ids)
    return _Stall(study, whole, ids, kits, frozenset(placed), Memory(whole.options))


def _learn(memory: Memory, other: Memory) -> None:
    """Take over what runs showed: it depends on no price."""
    memory.learn(other.builds, other.numbers[:, 0], other.numbers[:, 1], other.legal)


# --- questions


@dataclass(slots=True)
class _Asker:
    """Asks for best builds with some offers, and keeps whether all searches were closed.

    ``without`` is the best build without offers, ``floor_ms`` the least speed that ranks above it.
    """

    stall: _Stall
    budget_cents: int | None
    without: Landing | None = None
    floor_ms: float = STANDING_MS
    closed: bool = True
    forced: dict[frozenset[str], Landing | None] = field(default_factory=dict)

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
            landing = self._landing(
                self._noted(study, study.best(budget_cents=self.budget_cents, with_parts=parts, without_parts=out))
            )
        if forced:
            self.forced[chosen] = landing
        return landing

    def cheapest_faster(self, one: str, purchases: int, budget_cents: int | None) -> tuple[int, int] | None:
        """Price of the cheapest build above the best without offers with some purchases free, and how many it makes."""
        study = self.stall.free(one, purchases)
        out = sorted(self.stall.placed - self.stall.at_hand(frozenset([one])))
        forced = [] if one in self.stall.kits else [one]
        found = study.cheapest(
            self.floor_ms, budget_cents=budget_cents, with_parts=forced, without_parts=out, fastest_first=False
        )
        self._noted(study, found)
        if not found.listed:
            return None
        bill = study.book.bill(found.builds[0])
        return int(found.cents[0]), sum(line.number for line in (*bill.of("kit"), *bill.of("pack")) if line.what == one)

    def _noted(self, study: Study, found: Ranking) -> Ranking:
        self.closed &= bool(found.evidence.closed)
        _learn(self.stall.runs, study.memory)
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
    budget = asker.budget_cents
    found = asker.cheapest_faster(one, numbers[-1], budget)
    if found is None or budget is None:
        return found is not None, None
    cents, had = found
    most = (budget - cents) // had
    for number in reversed([each for each in numbers if each < had]):
        # only a build that may be paid for at a cent more is of interest
        found = asker.cheapest_faster(one, number, budget - number * (most + 1))
        if found is not None:
            most = (budget - found[0]) // number
    return True, most


def _purchases(stall: _Stall, one: str) -> list[int]:
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
    return -np.inf if landing is None else float(np.round(landing.speed_ms / SPEED_STEP_MS))
