"""Why a part is not in the best build, and what would bring it in.

The best build that has the part is set against the best one that has not: what the part costs in speed, what else has
to be another for its sake, whether the difference means anything, and at which price or mass the part would take first
place. Where no legal build has the part, what keeps it out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from optimizer.answers.brings_in import TRIED, BringingIn, has_mass, has_price, inertia_goes_with, speed_of
from optimizer.answers.cards import card_of
from optimizer.answers.close_price import close_price, reach_of
from optimizer.answers.closeness import Band, closeness
from optimizer.answers.first_place import FirstPlace, first_mass, first_price
from optimizer.answers.kept_out import KeptOut, kept_out
from optimizer.answers.meanwhile import begin, begin_after
from optimizer.answers.price_limit import NO_PRICE, PriceLimit
from optimizer.choice.options import IntArray
from optimizer.choice.price import BUDGET
from optimizer.choice.receipt import count_pieces
from optimizer.choice.wishes import places_of
from optimizer.run.judge import just_above, order_keys
from optimizer.scenario.parts import NONE_ID
from optimizer.search.ranking import Ranking
from optimizer.search.state import Progress
from optimizer.search.study import Study


@dataclass(frozen=True, slots=True)
class Found:
    """A build: slot name -> part id; speed [m/s] and price."""

    build: Mapping[str, str]
    speed_ms: float
    cents: int


@dataclass(frozen=True, slots=True)
class Difference:
    """A slot, and the part in it without and with the part asked about."""

    slot: str
    without: str
    with_it: str


@dataclass(frozen=True, slots=True)
class PutIn:
    """The best build without a part, with the part put in and nothing else changed.

    Speed [m/s], and why it is not legal or more than the budget buys: empty where it is neither.
    """

    speed_ms: float
    problems: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PriceAnswer:
    """How dear a part may be.

    Attributes
    ----------
    stated_cents : int or None
        Price on the sheet.
    pack : int
        Pieces that this is the price of; limits are for as many.
    matters : bool
        False where any money may be spent, or no build buys any of it by this price: enough are owned or on the car, or
        kits alone supply it.
        Limits then say only whether it holds.
    first : PriceLimit
        Up to which the best build with the part is faster than every build without it, or, where a cap holds them, as
        fast for less; where the part is in the best build, its own price at least.
    close : PriceLimit or None
        At which the best build with it was found to be too close to call, or better, the highest tried; for less
        another is its best, and may be told apart. None where that is not known.
    owned, used : int
        Pieces that are owned, those on the car included; and in the best build with it, 0 where there is none.
    """

    stated_cents: int | None
    pack: int
    matters: bool
    first: PriceLimit
    close: PriceLimit | None
    owned: int
    used: int


@dataclass(frozen=True, slots=True)
class MassAnswer:
    """How heavy a part may be to take first place at its own price [kg]; None: it takes it at no mass that was tried.

    A step of 0.01 kg more and it does not; that is the highest such mass as far as lighter parts do as well as heavy
    ones. A faster car may be too fast for its tires, and a lighter one lack grip: so a few heavier ones are tried too.
    ``with_inertia``: its inertia is then another in proportion.
    """

    stated_kg: float
    first_kg: float | None
    with_inertia: bool


@dataclass(frozen=True, slots=True)
class WhyNot:
    """Why a part is not in the best build.

    Attributes
    ----------
    named : str
        As it was asked for: ``id`` or ``slot=id``.
    slots : tuple of str
        Slots meant.
    in_best : bool
        The part is in the best build.
    without, with_it : Found or None
        Best build that does not have it there, and best one that has; None where none is legal.
    loss_ms : float or None
        Speed of the first less that of the second; not above 0 where the part is in the best build.
    differences : tuple of Difference
        Slots in which the two differ.
    put_in : PutIn or None
        The part in the best build without it, in all slots meant. None where it is in the best build, or there is none.
    band : Band or None
        How well the loss is known.
    price : PriceAnswer or None
        None where rules keep the part out, so that no price helps, or it stands for a slot left empty.
    mass : MassAnswer or None
        None where the part is in the best build or in no legal one, has no mass, or was on the car when it was weighed.
    kept_out : KeptOut or None
        Where no legal build within the budget has it.
    closed : bool
        Whether all searches that this rests on were complete.
    """

    named: str
    slots: tuple[str, ...]
    in_best: bool
    without: Found | None
    with_it: Found | None
    loss_ms: float | None
    differences: tuple[Difference, ...]
    put_in: PutIn | None
    band: Band | None
    price: PriceAnswer | None
    mass: MassAnswer | None
    kept_out: KeptOut | None
    closed: bool


def why_not(study: Study, named: str, *, budget_cents: int | None, progress: Progress | None = None) -> WhyNot:
    """Find out why a part is not in the best build for a budget (None: any money), and what would bring it in.

    Prices and masses are those of the part wherever it stands. Named for one slot only, it has to rank before builds
    that have it elsewhere too, whatever they gain by its lower price or mass. A helper of the study looks for the best
    build without the part, and for some of the limits; the answer is the same.

    Raises
    ------
    UsageError
        If the part is no option of any slot, or of the slot named; it names the nearest ids.
    """
    return _Asked(study, named, budget_cents, progress).answer()


class _Onward:
    """Tells how far searches are, one after the other: each is half of what is left, for nobody knows how many come."""

    AGAIN = 0.2
    """A fall of a search's own share by this much: another has begun."""

    def __init__(self, tell: Progress) -> None:
        self.tell, self.done, self.last, self.shown = tell, 0.0, 0.0, 0.0

    def __call__(self, what: str, share: float) -> None:
        if share < self.last - self.AGAIN:
            self.done, self.last = self.shown, 0.0
        self.last = max(self.last, share)
        self.shown = self.done + 0.5 * (1.0 - self.done) * self.last
        self.tell(what, self.shown)


class _Asked:
    """One question on its way to the answer."""

    def __init__(self, study: Study, named: str, budget_cents: int | None, progress: Progress | None) -> None:
        self.study, self.named, self.budget_cents = study, named, budget_cents
        self.progress = None if progress is None else _Onward(progress)
        self.places = places_of(study.options, named)
        s, o = self.places[0]
        self.part = study.options.parts[s][o]
        self.rankings: list[Ranking] = []

    def answer(self) -> WhyNot:
        study, options = self.study, self.study.options
        found_beside = begin(study, self.progress, _best_without, self.named, self.budget_cents)
        with_it, out = self._best(with_parts=(self.named,)), None
        if not with_it.listed:
            out = kept_out(study, self.named, self.budget_cents, with_it, self.progress)
        without = found_beside()
        self.rankings.append(without)
        study.met(without)
        in_best = self._comes_first(with_it, without)
        loss: float | None = None
        differences: tuple[Difference, ...] = ()
        if with_it.listed and without.listed:
            loss = float(without.speed_ms[0] - with_it.speed_ms[0])
            differences = _differences(study, without.builds[0], with_it.builds[0])
        price, mass, band, complete = self._what_would(without, with_it, in_best, out)
        return WhyNot(
            named=self.named,
            slots=tuple(options.slots[s].name for s, _ in self.places),
            in_best=in_best,
            without=_found(study, without),
            with_it=_found(study, with_it),
            loss_ms=loss,
            differences=differences,
            put_in=None if in_best or not without.listed else self._put_in(without.builds[0]),
            band=band,
            price=price,
            mass=mass,
            kept_out=out,
            closed=complete and all(bool(each.evidence.closed) for each in self.rankings),
        )

    def _put_in(self, build: IntArray) -> PutIn:
        """A build (S,) with the part put in."""
        study, changed = self.study, build.copy()
        for s, o in self.places:
            changed[s] = o
        card = card_of(study.judge, study.legality, study.book, changed, self.budget_cents)
        return PutIn(card.speed_ms, card.problems)

    def _best(self, *, with_parts: tuple[str, ...] = (), without_parts: tuple[str, ...] = ()) -> Ranking:
        found = self.study.best(
            budget_cents=self.budget_cents, with_parts=with_parts, without_parts=without_parts, progress=self.progress
        )
        self.rankings.append(found)
        return found

    def _comes_first(self, with_it: Ranking, without: Ranking) -> bool:
        """Whether the best build with the part is the best of all, in the total order."""
        if not (with_it.listed and without.listed):
            return with_it.listed > 0
        both = [np.stack([getattr(each, name)[0] for each in (with_it, without)]) for name in _KEYS]
        return bool(order_keys(self.study.options, *both)[0] == 0)

    def _what_would(
        self, without: Ranking, with_it: Ranking, in_best: bool, out: KeptOut | None
    ) -> tuple[PriceAnswer | None, MassAnswer | None, Band | None, bool]:
        """Price and mass that would bring the part in, how well the loss is known, and whether all was complete."""
        priced = has_price(self.study.options, self.named) and self.budget_cents is not None
        if out is not None and (out.reasons != (BUDGET,) or not priced):
            return None, None, None, True
        heavy = has_mass(self.study.options, self.named) and not in_best and out is None
        asking = BringingIn(self.study, self.named, self.budget_cents, self.progress) if priced or heavy else None
        # What builds that have it elsewhere gain is asked about at the price or mass that is found.
        elsewhere = asking is not None and bool(asking.elsewhere)
        rival = self._best(without_parts=(self.part.id,)) if elsewhere else without
        question = FirstPlace.before(self.study, self.named, self.budget_cents, rival)
        builds = with_it.builds[:TRIED] if heavy else None
        if asking is not None and priced:
            return self._at_a_price(without, with_it, in_best, asking, question, builds)
        if self.part.id == NONE_ID:
            return None, None, self._band(without, with_it), True
        price, band = self._at_any_price(without, with_it, in_best)
        if builds is None:
            return price, None, band, True
        mass_kg, complete = first_mass(self.study, self.progress, question, builds)
        return price, MassAnswer(self.part.mass_kg, mass_kg, inertia_goes_with(self.part)), band, complete

    def _at_any_price(
        self, without: Ranking, with_it: Ranking, in_best: bool
    ) -> tuple[PriceAnswer, Band | None]:
        """Where the price does not matter: whether it holds."""
        speed, level, band = speed_of(with_it), speed_of(without), self._band(without, with_it)
        first = PriceLimit(None, any_price=in_best)
        close = None if band is None else PriceLimit(None, any_price=speed >= level - reach_of(band))
        return self._priced(with_it, first, close, matters=False), band

    def _priced(
        self, with_it: Ranking, first: PriceLimit, close: PriceLimit | None, *, matters: bool
    ) -> PriceAnswer:
        """What is said of the price, beside what is stated and owned."""
        used = count_pieces(self.study.options, with_it.builds[0]).used[self.part.id] if with_it.listed else 0
        return PriceAnswer(
            self.part.price_cents, self.part.pack, matters=matters, first=first, close=close, owned=self.part.owned,
            used=used,
        )  # fmt: skip

    def _at_a_price(
        self,
        without: Ranking,
        with_it: Ranking,
        in_best: bool,
        asking: BringingIn,
        question: FirstPlace,
        builds: IntArray | None,
    ) -> tuple[PriceAnswer, MassAnswer | None, Band | None, bool]:
        """Where the price matters: prices, and the mass if that does. Half of it is for the helper, if there is one.

        ``builds`` (n, S) are such as the mass is looked for with; None where it does not matter.
        """
        speed, level = speed_of(with_it), speed_of(without)
        # The best build with the part, at the price of the sheet: where that is fast enough, a dearer part may be too.
        known = asking.dearest(with_it.builds[0]) if with_it.listed and not asking.elsewhere else NO_PRICE
        start = known if speed >= just_above(level) else NO_PRICE
        first_of = begin(self.study, self.progress, first_price, question, start)
        mass_of = None
        if builds is not None:
            mass_of = begin_after(first_of, self.study, self.progress, first_mass, question, builds)
        band, close = self._band(without, with_it), None
        if band is not None:
            near = known if band.too_close or band.difference_ms <= 0 else NO_PRICE
            close = close_price(asking, without, question.level_ms - reach_of(band), near)
        mass, weighed = None, True
        if mass_of is not None:
            mass_kg, weighed = mass_of()
            mass = MassAnswer(self.part.mass_kg, mass_kg, inertia_goes_with(self.part))
        first, complete = first_of()
        if in_best:  # among equals in speed and price by its margin, or its ids
            first = first.or_higher(PriceLimit(self.part.price_cents))
        if close is not None:
            close = close.or_higher(first)
        price = self._priced(with_it, first, close, matters=True)
        return price, mass, band, asking.closed and weighed and complete

    def _band(self, without: Ranking, with_it: Ranking) -> Band | None:
        """How well the loss is known."""
        if not (without.listed and with_it.listed):
            return None
        return closeness(self.study, without.builds[0], with_it.builds[:1])[0]


_KEYS = ("builds", "speed_ms", "care", "cents")
"""What `order_keys` ranks by."""


def _best_without(study: Study, progress: Progress | None, named: str, budget_cents: int | None) -> Ranking:
    """The best build that does not have a part."""
    return study.best(budget_cents=budget_cents, without_parts=(named,), progress=progress)


def _found(study: Study, ranking: Ranking) -> Found | None:
    if not ranking.listed:
        return None
    return Found(study.options.decode(ranking.builds[0]), float(ranking.speed_ms[0]), int(ranking.cents[0]))


def _differences(study: Study, without: IntArray, with_it: IntArray) -> tuple[Difference, ...]:
    parts = study.options.parts
    return tuple(
        Difference(slot.name, parts[s][int(without[s])].id, parts[s][int(with_it[s])].id)
        for s, slot in enumerate(study.options.slots)
        if without[s] != with_it[s]
    )
