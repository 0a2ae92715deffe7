"""The constraints of the mixed-integer model: one part a slot, within the rules, the money and the hours.

Variables: ``x[slot, part]`` is 1 where the part stands in the slot; ``y[offer]`` counts purchases of a pack
or kit; ``w[job]`` is 1 where a job is done; ``fit[part]`` counts pieces whose fitting is paid, for parts that
a kit may bring mounted; ``sold[part]`` counts fitted pieces that are sold, ``fewer[part]`` is 1 where fewer
pieces are used than are fitted. Forbidden parts have no variable.

Everything else is a function for each family of constraints, its inequality in its docstring. There,
``pieces of p`` stands for ``sum over slots s of count[s] x[s, p]`` and ``changed pieces of p`` for the same
without the slots in which p is the fitted part.

Money is in whole units of the currency and not in cents: rows of numbers near 1 are what the solver is most
exact at. Prices being whole cents, half a cent over a limit tells what keeps it from what does not.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyomo.environ as pyo
from pyomo.core.expr import LinearExpression

from optimizer.choice.legality import Legality
from optimizer.choice.options import BoolArray, FloatArray, Options
from optimizer.choice.price import HOURS_SLACK, PriceBook
from optimizer.choice.purchase import Offer
from optimizer.scenario.parts import NONE_ID, Part

CENTS = 100
"""Cents in one unit of the currency."""
HALF_CENT = 0.5 / CENTS
STOCK = "stock"
"""Name of the rule that what is used must be owned or bought."""

Term = tuple[float, Any]
"""A coefficient and a Pyomo variable."""


@dataclass(frozen=True, slots=True)
class Place:
    """Option ``o`` of slot ``s`` while it may be chosen, and its variable."""

    s: int
    o: int
    count: int
    x: Any


class Facts:
    """What the constraint families read.

    Attributes
    ----------
    options, legality, book
        The arguments of `selection_model.build_model`; the legality is without what was dropped.
    model : ConcreteModel
    places : list of list of Place
        Those of each slot.
    homes : mapping of str to list of Place
        Those of each part; parts that may be chosen nowhere have no entry.
    parts : mapping of str to Part
        The parts that may be chosen somewhere, by id, without the empty choice.
    fitted : mapping of str to int
        Pieces of each part on the car as it stands.
    offers : list of Offer
        What is worth buying at all.
    buyable : bool
        False where `STOCK` is dropped: then nothing is bought or paid for.
    """

    def __init__(
        self,
        options: Options,
        legality: Legality,
        book: PriceBook,
        model: pyo.ConcreteModel,
        *,
        buyable: bool,
    ) -> None:
        self.options, self.legality, self.book, self.model = options, legality, book, model
        self.buyable = buyable
        open_ = [np.flatnonzero(~out).tolist() for out in legality.forbidden]
        names = [
            (slot.name, row[o].id)
            for slot, row, free in zip(options.slots, options.parts, open_, strict=True)
            for o in free
        ]
        model.x = pyo.Var(names, domain=pyo.Binary)
        model.zero = pyo.Var(bounds=(0, 0))
        self.places = [
            [Place(s, o, slot.count, model.x[slot.name, options.parts[s][o].id]) for o in open_[s]]
            for s, slot in enumerate(options.slots)
        ]
        self.homes: dict[str, list[Place]] = defaultdict(list)
        self.fitted: dict[str, int] = defaultdict(int)
        self.parts: dict[str, Part] = {}
        for s, slot in enumerate(options.slots):
            if options.parts[s] and options.parts[s][0].id != NONE_ID:
                self.fitted[options.parts[s][0].id] += slot.count
            for place in self.places[s]:
                part = options.parts[s][place.o]
                if part.id != NONE_ID:
                    self.parts[part.id] = part
                    self.homes[part.id].append(place)
        self.offers = [offer for offer in book.offers() if buyable and self.most_bought(offer)]
        self._add_money_variables()

    def _add_money_variables(self) -> None:
        model = self.model
        known = self.options.scenario.car.jobs if self.buyable else ()
        jobs = [name for name in known if any(self.needing(name))]
        most = {offer.id: self.most_bought(offer) for offer in self.offers}
        mounted = {p: self.most_used(p, changed=True) for p in self.parts if self.comes_mounted(p)}
        resold = [p for p in self._all_fitted() if self.buyable and self.part(p).resale_cents]
        more = [p for p in resold if self.most_used(p) > self.fitted[p]]
        model.y = pyo.Var(list(most), domain=pyo.NonNegativeIntegers, bounds=lambda _, k: (0, most[k]))
        model.w = pyo.Var(jobs, domain=pyo.Binary)
        model.fit = pyo.Var(list(mounted), bounds=lambda _, p: (0, mounted[p]))
        model.sold = pyo.Var(resold, bounds=lambda _, p: (0, self.fitted[p]))
        model.fewer = pyo.Var(more, domain=pyo.Binary)

    def _all_fitted(self) -> Iterator[str]:
        return (p for p, pieces in self.fitted.items() if pieces)

    def part(self, part_id: str) -> Part:
        """Any part of the scenario by id, chosen or not."""
        return self.options.scenario.parts[part_id]

    def most_used(self, part_id: str, *, changed: bool = False) -> int:
        """Most pieces of a part that a build can have, in all or in changed slots only."""
        return sum(place.count for place in self.homes.get(part_id, ()) if place.o or not changed)

    def most_bought(self, offer: Offer) -> int:
        """Purchases of an offer beyond which a further one only costs money."""
        most = 0
        for part_id, pieces in offer.contents:
            if part_id in self.parts:
                need = self.most_used(part_id) - self.parts[part_id].owned
                if offer.fitting_included:
                    need = max(need, self.most_used(part_id, changed=True))
                most = max(most, math.ceil(need / pieces))
        return most if offer.stock is None else min(most, offer.stock)

    def comes_mounted(self, part_id: str) -> bool:
        """Whether a kit may save something on fitting this part."""
        part = self.parts[part_id]
        paid = part.fitting_cents or part.fitting_hours
        return bool(paid) and any(each.fitting_included and each.pieces(part_id) for each in self.offers)

    def needing(self, job: str) -> Iterator[list[Place]]:
        """Slot by slot, the changed options that need a job; slots without one are left out."""
        for slot, row, places in zip(self.options.slots, self.options.parts, self.places, strict=True):
            found = [each for each in places if each.o and (job in slot.work or job in row[each.o].work)]
            if found:
                yield found

    def used(self, part_id: str, *, changed: bool = False) -> list[Term]:
        """``pieces of p``, or ``changed pieces of p``."""
        return [(place.count, place.x) for place in self.homes.get(part_id, ()) if place.o or not changed]

    def bought(self, part_id: str, *, mounted: bool = False) -> list[Term]:
        """``sum over offers k of pieces[k, p] y[k]``; ``mounted`` counts only those that come mounted."""
        return [
            (each.pieces(part_id), self.model.y[each.id])
            for each in self.offers
            if each.pieces(part_id) and (each.fitting_included or not mounted)
        ]

    def total(self, terms: Iterable[Term]) -> LinearExpression:
        """Add terms up. No terms: a variable that is always 0, so that a row may still be impossible."""
        kept = [(float(a), v) for a, v in terms if a] or [(1.0, self.model.zero)]
        return LinearExpression(
            constant=0, linear_coefs=[a for a, _ in kept], linear_vars=[v for _, v in kept]
        )

    def fitting(self, amount: Callable[[Part], float]) -> Iterator[Term]:
        """Pay an amount per piece fitted: changed pieces, or ``fit`` for parts that may come mounted."""
        for part_id, part in self.parts.items():
            if part_id in self.model.fit:
                yield amount(part), self.model.fit[part_id]
            else:
                yield from ((amount(part) * n, x) for n, x in self.used(part_id, changed=True))


def minus(terms: Iterable[Term]) -> Iterator[Term]:
    """Turn the sign of every term."""
    return ((-a, v) for a, v in terms)


# --- what is added up ---------------------------------------------------------------------------------------


def price_terms(facts: Facts) -> list[Term]:
    """Price of the build without fixed costs, in units of the currency.

    ``sum_k price[k] y[k] + sum_p fitting[p] (fit[p] or changed pieces of p) + sum_j cost[j] w[j]
    - sum_p resale[p] sold[p]``
    """
    model, jobs = facts.model, facts.options.scenario.car.jobs
    terms = [(offer.price_cents / CENTS, model.y[offer.id]) for offer in facts.offers]
    terms += facts.fitting(lambda part: part.fitting_cents / CENTS)
    terms += [(jobs[name].cost_cents / CENTS, model.w[name]) for name in model.w]
    terms += [(-facts.part(part_id).resale_cents / CENTS, model.sold[part_id]) for part_id in model.sold]
    return terms


def hours_terms(facts: Facts) -> list[Term]:
    """Own hours: ``sum_p hours[p] (fit[p] or changed pieces of p) + sum_j hours[j] w[j]``."""
    jobs = facts.options.scenario.car.jobs
    terms = list(facts.fitting(lambda part: part.fitting_hours))
    return terms + [(jobs[name].hours, facts.model.w[name]) for name in facts.model.w]


# --- constraint families ------------------------------------------------------------------------------------


def one_part_per_slot(facts: Facts) -> Iterator[tuple[Any, Any]]:
    """``sum over parts p of x[s, p] = 1`` for every slot s; impossible where no part is left."""
    for slot, places in zip(facts.options.slots, facts.places, strict=True):
        yield slot.name, facts.total((1, place.x) for place in places) == 1


def forbidden_pairs(facts: Facts) -> Iterator[tuple[Any, Any]]:
    """``sum over p in P of x[s, p] + sum over q in Q of x[t, q] <= 1``, no part of P going with any of Q.

    One row for all parts P of a slot that go with the same parts of the other, and all Q they do not go with,
    from the side that takes fewer rows. One part a slot makes each sum at most 1: the row says no more than
    its pairs do one by one, and is a tighter bound for the solver.
    """
    for (s, t), table in facts.legality.pairs.items():
        blocks = min(_blocks(facts, table, s, t), _blocks(facts, table.T, t, s), key=len)
        names = facts.options.slots[s].name, facts.options.slots[t].name
        for number, block in enumerate(blocks):
            yield (*names, number + 1), facts.total((1, place.x) for place in block) <= 1


def _blocks(facts: Facts, table: BoolArray, s: int, t: int) -> list[list[Place]]:
    """Places of slot s that are kept from the same places of slot t, together with these."""
    alike: dict[bytes, list[Place]] = defaultdict(list)
    kept_from: dict[bytes, list[Place]] = {}
    for place in facts.places[s]:
        others = [other for other in facts.places[t] if table[place.o, other.o]]
        key = np.array([other.o for other in others]).tobytes()
        if others:
            alike[key].append(place)
            kept_from[key] = others
    return [alike[key] + kept_from[key] for key in alike]


def named_rows(facts: Facts) -> Iterator[tuple[Any, Any]]:
    """``sum over s, p of coefficient[s, p] x[s, p] <= upper + slack`` for every row of the legality.

    Divided by a power of ten that brings the row's largest number to 1 and below 10.
    """
    for row in facts.legality.rows:
        yield row.name, scaled_row(facts, row.coefficients, row.upper + row.slack)


def scaled_row(facts: Facts, coefficients: Iterable[FloatArray], upper: float) -> Any:
    """Write a row over the options, brought to numbers of about 1."""
    terms = [
        (float(each[place.o]), place.x)
        for each, places in zip(coefficients, facts.places, strict=True)
        for place in places
    ]
    scale = row_scale([a for a, _ in terms], upper)
    return facts.total((a / scale, x) for a, x in terms) <= upper / scale


def row_scale(numbers: Iterable[float], upper: float) -> float:
    """Power of ten that brings the largest of the numbers to 1 or above, below 10; 1 for a row of zeros."""
    largest = max((abs(each) for each in (*numbers, upper)), default=0.0)
    return 10.0 ** math.floor(math.log10(largest)) if largest else 1.0


def pieces_bought(facts: Facts) -> Iterator[tuple[Any, Any]]:
    """Pieces that are used are owned or bought.

    ``pieces of p - sum over offers k of pieces[k, p] y[k] <= owned[p]`` for every part p
    """
    for part_id, part in facts.parts.items():
        if facts.buyable and facts.most_used(part_id) > part.owned:
            yield part_id, facts.total([*facts.used(part_id), *minus(facts.bought(part_id))]) <= part.owned


def fitting_paid(facts: Facts) -> Iterator[tuple[Any, Any]]:
    """Fitting is paid for every changed piece that does not come mounted.

    ``changed pieces of p - sum over kits k that come mounted of pieces[k, p] y[k] - fit[p] <= 0``

    For parts that some kit brings mounted; of the others every changed piece is paid, without a row.
    """
    for part_id in facts.model.fit:
        taken = [*facts.bought(part_id, mounted=True), (1, facts.model.fit[part_id])]
        yield part_id, facts.total([*facts.used(part_id, changed=True), *minus(taken)]) <= 0


def work_done(facts: Facts) -> Iterator[tuple[Any, Any]]:
    """``sum over changed parts p that need job j of x[s, p] <= w[j]`` for every job j and slot s."""
    for job in facts.model.w:
        for places in facts.needing(job):
            slot = facts.options.slots[places[0].s].name
            yield (job, slot), facts.total([*((1, each.x) for each in places), (-1, facts.model.w[job])]) <= 0


def resale(facts: Facts) -> Iterator[tuple[Any, Any]]:
    """No more is sold than the fitted pieces that are not used: ``max(0, fitted[p] - pieces of p)``.

    ``sold[p] <= fitted[p] - pieces of p + (most[p] - fitted[p]) (1 - fewer[p])``
    ``sold[p] <= fitted[p] fewer[p]``

    ``most[p]`` is the most pieces a build can have. Where that is no more than are fitted, the difference is
    never negative, and ``sold[p] <= fitted[p] - pieces of p`` is all.
    """
    model = facts.model
    for part_id in model.sold:
        fitted, most = facts.fitted[part_id], facts.most_used(part_id)
        left_over = [(1, model.sold[part_id]), *facts.used(part_id)]
        if part_id in model.fewer:
            fewer = model.fewer[part_id]
            yield (part_id, "not used"), facts.total([*left_over, (most - fitted, fewer)]) <= most
            yield (part_id, "if any"), facts.total([(1, model.sold[part_id]), (-fitted, fewer)]) <= 0
        else:
            yield (part_id, "not used"), facts.total(left_over) <= fitted


FAMILIES: tuple[Callable[[Facts], Iterator[tuple[Any, Any]]], ...] = (
    one_part_per_slot,
    forbidden_pairs,
    named_rows,
    pieces_bought,
    fitting_paid,
    work_done,
    resale,
)
"""Every constraint family that needs no number from outside; `budget` and `own_hours` come on top."""


def budget(facts: Facts, budget_cents: int) -> Any:
    """``price of the build <= budget + half a cent``, with the fixed costs taken off the budget."""
    left = budget_cents - fixed_cents(facts.book)
    return facts.total(price_terms(facts)) <= left / CENTS + HALF_CENT


def own_hours(facts: Facts, hours_limit: float) -> Any:
    """``own hours <= limit``, up to `HOURS_SLACK`."""
    return facts.total(hours_terms(facts)) <= hours_limit + HOURS_SLACK


def fixed_cents(book: PriceBook) -> int:
    """Add up what is paid whatever is chosen."""
    return sum(cost for _, cost in book.fixed_costs)
