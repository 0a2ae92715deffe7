"""The price of a build: counts, owned pieces, resale, work paid once, kits, stock, fixed costs, own hours.

The one function that says what a build costs. `PriceBook.price` does it for many builds at once,
`PriceBook.bill` writes the same sum out line by line, and `PriceBook.additive_bounds` gives, slot by slot,
amounts that never add up to more: what a search may use before it knows the whole build.

A slot is *changed* if its option is not the fitted part. Pieces of a part beyond those owned are bought, by
the pack or in kits, whichever is cheapest together. Changed slots pay for fitting by the piece, unless a kit
brings the pieces mounted, and need jobs, each paid once. Fitted pieces that come off and are used nowhere
else are sold.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from optimizer.choice.counting import MaskArray, cost_tables
from optimizer.choice.options import BoolArray, FloatArray, IntArray, Options
from optimizer.choice.purchase import (
    KitGroup,
    Offer,
    PiecePrices,
    Purchase,
    group_kits,
    most_mounted,
    most_pieces,
    offers_of,
    packs_needed,
    piece_prices,
)
from optimizer.choice.receipt import Bill, BillLine, count_pieces, part_lines, resale_lines
from optimizer.errors import NoLegalBuildError, UsageError
from optimizer.scenario.parts import NONE_ID

NO_PRICE = 10**15
"""Cents given to a build that cannot be bought or done; above any real price, and sums of many still fit."""
BUDGET = "budget"
"""What is said to rule out a build that money does not buy."""
HOURS_SLACK = 1e-9
"""Own hours are sums of floats; a limit counts as kept up to this much over it."""
_ROWS = 8192
"""Builds worked on at once, so that the tables stay in the processor's cache."""


@dataclass(frozen=True, slots=True)
class Prices:
    """Prices of n builds.

    Attributes
    ----------
    cents : IntArray, (n,)
        The cheapest that keeps the limit on own hours; `NO_PRICE` where not available.
    hours : FloatArray, (n,)
        Own hours of that purchase; the fewest possible where even those pass the limit; infinite where the
        pieces cannot be bought.
    available : BoolArray, (n,)
        It can be bought, and done within the limit.
    """

    cents: IntArray
    hours: FloatArray
    available: BoolArray


@dataclass(frozen=True, slots=True)
class AdditiveBounds:
    """Amounts by slot and option that never add up to more than a build costs.

    For every build that can be bought, ``fixed_cents`` plus ``cents[s][o]`` over its options plus
    ``job_cents`` over the union of their ``jobs`` is at most its price, and ``hours[s][o]`` plus
    ``job_hours`` at most its hours. Both are equal to them where the parts are in no kit, packs are not split
    between slots, no part is used in two slots, and no fitted part moves to another slot.

    Attributes
    ----------
    cents : tuple of IntArray, S of (m_s,)
        Buying and fitting less resale, without jobs; negative where what comes off brings more.
    apart : tuple of IntArray, S of (m_s,)
        The same where no pack is shared between two slots: more, for what one slot leaves of a pack is lost. Parts in
        kits, and parts that more than two slots take, are as in ``cents``.
    hours : tuple of FloatArray, S of (m_s,)
        Hours of fitting, without jobs.
    jobs : tuple of MaskArray, S of (m_s,)
        Jobs needed: bit j stands for ``job_names[j]``.
    available : tuple of BoolArray, S of (m_s,)
        False: not even this slot alone can be filled with what is owned and on offer.
    job_names : tuple of str, (J,)
    job_cents : IntArray, (J,)
    job_hours : FloatArray, (J,)
    fixed_cents : int
    """

    cents: tuple[IntArray, ...]
    apart: tuple[IntArray, ...]
    hours: tuple[FloatArray, ...]
    jobs: tuple[MaskArray, ...]
    available: tuple[BoolArray, ...]
    job_names: tuple[str, ...]
    job_cents: IntArray
    job_hours: FloatArray
    fixed_cents: int


@dataclass(frozen=True, slots=True)
class _GroupChoice:
    """Ways to buy a kit group's parts: ``ways[code[i]]`` are those of build i, ``picked[i]`` the one used."""

    code: IntArray
    ways: tuple[tuple[Purchase, ...], ...]
    picked: IntArray


@dataclass(frozen=True, slots=True)
class _Settled:
    prices: Prices
    jobs: MaskArray
    groups: tuple[_GroupChoice, ...]


class PriceBook:
    """Prices of all builds of a scenario.

    Parameters
    ----------
    options : Options
        What may stand in each slot.
    race_class : str, optional
        Class whose fixed costs come on top of the event's; the class now chosen if not given.
    hours_limit : float, optional
        Own hours that may be spent; the event's if not given, ``math.inf`` for no limit.

    Raises
    ------
    UsageError
        If the class is unknown, or the car knows more than 64 jobs.
    """

    def __init__(
        self, options: Options, *, race_class: str | None = None, hours_limit: float | None = None
    ) -> None:
        event = options.scenario.event
        name = event.race_class if race_class is None else race_class
        if name not in event.classes:
            raise UsageError(f"no class is called {name!r}; the classes are {', '.join(event.classes)}")
        limit = event.hours_limit if hours_limit is None else hours_limit
        self.options = options
        self.hours_limit: float = math.inf if limit is None else limit
        self.fixed_costs = (*event.fixed_costs, *event.classes[name].fixed_costs)
        self._parts = {part.id: part for row in options.parts for part in row if part.id != NONE_ID}
        self._offers = offers_of(tuple(self._parts.values()), options.scenario.kits)
        self._groups = group_kits(self._offers, self._parts)
        self._sheet = cost_tables(options, self._parts, self._groups)

    def offers(self) -> tuple[Offer, ...]:
        """Everything that can be bought for this car: packs, then kits."""
        return self._offers

    def price(self, builds: IntArray) -> Prices:
        """Price each build at its cheapest purchase within the limit on own hours.

        Parameters
        ----------
        builds : IntArray, (n, S)
            Positions of the options, slot by slot.

        Raises
        ------
        ValueError
            If the shape is another, or a position stands for no option.
        """
        sizes = np.array(self.options.sizes)
        if builds.ndim != 2 or builds.shape[1] != len(sizes) or (builds < 0).any() or (builds >= sizes).any():
            raise ValueError(f"builds must be positions of shape (n, {len(sizes)}) below {sizes.tolist()}")
        chunks = [self._settle(builds[at : at + _ROWS]).prices for at in range(0, max(1, len(builds)), _ROWS)]
        return Prices(
            cents=np.concatenate([chunk.cents for chunk in chunks]),
            hours=np.concatenate([chunk.hours for chunk in chunks]),
            available=np.concatenate([chunk.available for chunk in chunks]),
        )

    def bill(self, build: IntArray) -> Bill:
        """Write out the price of one build of shape ``(S,)``.

        Raises
        ------
        NoLegalBuildError
            If the build has no price; its reason is ``stock`` or ``own hours``.
        """
        build = np.asarray(build)
        settled = self._settle(build[None, :])
        if not settled.prices.available[0]:
            hours = float(settled.prices.hours[0])
            if np.isinf(hours):
                raise NoLegalBuildError(
                    "the parts of this build cannot be bought as often as needed", ["stock"]
                )
            raise NoLegalBuildError(
                f"this build takes at least {hours:g} own hours; the limit is {self.hours_limit:g}",
                ["own hours"],
            )
        lines = tuple(self._lines(build, settled))
        return Bill(lines, sum(line.cents for line in lines), sum(line.hours for line in lines))

    @cached_property
    def _piece_prices(self) -> PiecePrices:
        """Prices per piece that no purchase undercuts."""
        return piece_prices(tuple(self._parts.values()), self._offers)

    def additive_bounds(self) -> AdditiveBounds:
        """Lower bounds that add up over slots, as in `AdditiveBounds`.

        Notes
        -----
        *Need.* A slot alone needs max(0, count - owned) pieces. These add up to at most max(0, sum of counts
        - owned): if any slot's count passes ``owned``, the sum over those slots of (count - owned) is at most
        their total count minus ``owned`` once; the same for hours with what kits can bring mounted in place
        of ``owned``. *Money.* Pieces are valued by `purchase.PiecePrices`, which no purchase undercuts. Where
        only this slot takes the part and no kit holds it, the exact price by the pack stands instead: nothing
        can be shared. *Resale.* Every fitted piece of a changed slot is credited; pieces that go to another
        slot, and so are not sold, only make the build dearer.
        """
        prices = self._piece_prices
        supply, mounted = most_pieces(self._offers), most_mounted(self._offers)
        cents, apart, hours, available = [], [], [], []
        in_two = self._in_two_slots()
        for slot, row in zip(self.options.slots, self.options.parts, strict=True):
            money = np.zeros(len(row), dtype=np.int64)
            time = np.zeros(len(row))
            within = np.ones(len(row), dtype=np.bool_)
            money[1:] -= slot.count * row[0].resale_cents
            alone = money.copy()
            for o, part in enumerate(row):
                if part.id == NONE_ID:
                    continue
                need, use = max(0, slot.count - part.owned), slot.count if o else 0
                by_pack = (packs_needed(part, need) or 0) * (part.price_cents or 0) + use * part.fitting_cents
                by_piece = by_pack
                if part.id in self._sheet.columns:
                    by_piece = math.floor(prices.buying[part.id] * need + prices.fitting[part.id] * use)
                money[o] += by_piece
                alone[o] += by_pack if part.id in in_two else by_piece
                time[o] = part.fitting_hours * max(0, use - mounted.get(part.id, 0))
                within[o] = need <= supply.get(part.id, 0)
            cents.append(money)
            apart.append(alone)
            hours.append(time)
            available.append(within)
        return AdditiveBounds(
            cents=tuple(cents),
            apart=tuple(apart),
            hours=tuple(hours),
            jobs=tuple(table.jobs for table in self._sheet.slots),
            available=tuple(available),
            job_names=self._sheet.job_names,
            job_cents=self._sheet.job_cents,
            job_hours=self._sheet.job_hours,
            fixed_cents=sum(cost for _, cost in self.fixed_costs),
        )

    def in_kits(self) -> frozenset[str]:
        """Ids of parts that some kit holds."""
        return frozenset(part.id for group in self._groups for part in group.parts)

    def _in_two_slots(self) -> Mapping[str, list[tuple[int, int]]]:
        """Parts that two slots take and no kit holds: id -> (slot, option) of both."""
        places: dict[str, list[tuple[int, int]]] = {}
        for s, row in enumerate(self.options.parts):
            for o, part in enumerate(row):
                places.setdefault(part.id, []).append((s, o))
        in_kits = self.in_kits() | {NONE_ID}
        return {each: found for each, found in places.items() if len(found) == 2 and each not in in_kits}

    def shared_packs(self) -> list[tuple[tuple[int, int], tuple[int, int], int]]:
        """Parts of which two slots together need fewer packs than each by itself, or more: what is owned counts once.

        Returns
        -------
        list of ((slot, option), (slot, option), int)
            What that saves against `AdditiveBounds.apart` [cents]; below 0 where it costs more.
        """
        found = []
        for each, ((s, o), (t, q)) in self._in_two_slots().items():
            part = self._parts[each]
            counts = [self.options.slots[slot].count for slot in (s, t)]
            one_by_one = sum(packs_needed(part, max(0, count - part.owned)) or 0 for count in counts)
            together = packs_needed(part, max(0, sum(counts) - part.owned))
            if together is not None and together != one_by_one:
                found.append(((s, o), (t, q), (one_by_one - together) * (part.price_cents or 0)))
        return found

    def kit_surcharge(self, builds: IntArray, slots: Sequence[int]) -> FloatArray:
        """What the parts in some slots cost beyond their `additive_bounds`, since kits tie them together: (n,).

        Counted in full for groups of kits whose parts suit these slots only, so that nothing in another slot can
        share the purchase; 0 for other groups. Infinite where the parts cannot be bought.

        Parameters
        ----------
        builds : IntArray, (n, S)
            Positions of the options; those of other slots do not matter.
        slots : sequence of int
            The slots that are meant.
        """
        prices = self._piece_prices
        elsewhere = {p.id for s, row in enumerate(self.options.parts) if s not in slots for p in row}
        total = np.zeros(len(builds))
        for group in self._groups:
            if any(part.id in elsewhere for part in group.parts):
                continue
            used = np.zeros((len(builds), len(group.parts)), dtype=np.int64)
            fitted = np.zeros_like(used)
            counted = np.zeros(len(builds))
            for s in slots:
                slot, row = self.options.slots[s], self.options.parts[s]
                for p, part in enumerate(group.parts):
                    for o in [o for o, each in enumerate(row) if each.id == part.id]:
                        here = builds[:, s] == o
                        use = slot.count if o else 0
                        used[here, p] += slot.count
                        fitted[here, p] += use
                        need = max(0, slot.count - part.owned)
                        counted[here] += math.floor(prices.buying[part.id] * need + prices.fitting[part.id] * use)
            need_of = np.maximum(0, used - np.array([part.owned for part in group.parts]))
            mounted = np.array(group.mounted)
            by_hand = (fitted * ~mounted) @ np.array([part.fitting_cents for part in group.parts])
            by_kit = fitted * mounted
            first, code = _distinct_rows(np.concatenate([need_of, by_kit], axis=1))
            ways = [group.ways(tuple(need_of[i].tolist()), tuple(by_kit[i].tolist())) for i in first]
            cheapest = np.array([each[0].cents if each else np.inf for each in ways])
            total += np.maximum(cheapest[code] + by_hand - counted, 0.0)
        return total

    def _settle(self, builds: IntArray) -> _Settled:
        """Price builds of shape ``(n, S)``, keeping the jobs and the purchases behind the prices."""
        rows = np.arange(len(builds))
        cents = np.full(len(builds), sum(cost for _, cost in self.fixed_costs), dtype=np.int64)
        hours = np.zeros(len(builds))
        available = np.ones(len(builds), dtype=np.bool_)
        jobs = np.zeros(len(builds), dtype=np.uint64)
        used = np.zeros((len(builds), len(self._sheet.columns) + 1), dtype=np.int64)
        fit = np.zeros((len(builds), len(self._sheet.fit_columns) + 1), dtype=np.int64)
        for s, table in enumerate(self._sheet.slots):
            at = builds[:, s]
            cents += table.cents[at]
            hours += table.hours[at]
            available &= table.available[at]
            jobs |= table.jobs[at]
            used[rows, table.used_column[at]] += table.count
            fit[rows, table.fit_column[at]] += table.count
        by_number = self._sheet.starts + used[:, :-1]
        cents += self._sheet.number_cents[by_number].sum(axis=1)
        available &= self._sheet.number_available[by_number].all(axis=1)
        for j in range(len(self._sheet.job_names)):
            done = (jobs >> np.uint64(j)) & np.uint64(1) == 1
            cents[done] += self._sheet.job_cents[j]
            hours[done] += self._sheet.job_hours[j]
        need = np.maximum(0, used[:, :-1] - self._sheet.owned)
        groups = tuple(self._choose(group, need, fit) for group in self._groups)
        for choice in groups:
            available &= np.array([bool(ways) for ways in choice.ways], dtype=np.bool_)[choice.code]
        self._keep_hours(hours, available, groups)
        for choice in groups:
            cents += _picked(choice, [[way.cents for way in ways] for ways in choice.ways]).astype(np.int64)
            hours += _picked(choice, [[way.hours for way in ways] for ways in choice.ways])
        hours[~available] = np.inf
        available &= hours <= self.hours_limit + HOURS_SLACK
        cents[~available] = NO_PRICE
        return _Settled(Prices(cents, hours, available), jobs, groups)

    def _choose(self, group: KitGroup, need: IntArray, fit: IntArray) -> _GroupChoice:
        """Find the ways to buy one group's parts, once for each different need, and pick the cheapest."""
        columns = [self._sheet.columns[part.id] for part in group.parts]
        fit_columns = [self._sheet.fit_columns.get(part.id, -1) for part in group.parts]
        wanted = need[:, columns]
        unfitted = np.stack(
            [fit[:, column] if column >= 0 else np.zeros(len(fit), dtype=np.int64) for column in fit_columns],
            axis=1,
        )
        first, code = _distinct_rows(np.concatenate([wanted, unfitted], axis=1))
        ways = tuple(group.ways(tuple(wanted[i].tolist()), tuple(unfitted[i].tolist())) for i in first)
        return _GroupChoice(code, ways, np.zeros(len(need), dtype=np.int64))

    def _keep_hours(self, hours: FloatArray, available: BoolArray, groups: Sequence[_GroupChoice]) -> None:
        """Where the cheapest purchases take too many hours, pick the cheapest set of them that does not.

        ``hours`` are without the groups' own. Where no set keeps the limit, the one with the fewest hours is
        picked.
        """
        cheapest = hours.copy()
        for choice in groups:
            cheapest += _picked(choice, [[way.hours for way in ways] for ways in choice.ways])
        known: dict[tuple[int, ...], list[tuple[int, float, tuple[int, ...]]]] = {}
        for i in np.flatnonzero(available & (cheapest > self.hours_limit + HOURS_SLACK)):
            key = tuple(int(choice.code[i]) for choice in groups)
            if key not in known:
                known[key] = _together([choice.ways[code] for choice, code in zip(groups, key, strict=True)])
            sets = known[key]
            spare = self.hours_limit + HOURS_SLACK - hours[i]
            # Hours fall along the list: the first that fits is the cheapest that fits.
            at = min(bisect_left(sets, -spare, key=lambda each: -each[1]), len(sets) - 1)
            for choice, picked in zip(groups, sets[at][2], strict=True):
                choice.picked[i] = picked

    def _lines(self, build: IntArray, settled: _Settled) -> Iterator[BillLine]:
        """Write every line of the bill of one build, in the order a receipt has them."""
        parts = tuple(self._parts.values())
        pieces = count_pieces(self.options, build)
        kits: dict[Offer, int] = {}
        for group, choice in zip(self._groups, settled.groups, strict=True):
            taken = choice.ways[choice.code[0]][choice.picked[0]].kits
            kits |= {kit: number for kit, number in zip(group.kits, taken, strict=True) if number}
        yield from (BillLine("fixed", name, 1, 0, cost) for name, cost in self.fixed_costs)
        yield from part_lines(parts, pieces, kits)
        sheet = self._sheet
        for j, name in enumerate(sheet.job_names):
            if int(settled.jobs[0]) >> j & 1:
                yield BillLine("work", name, 1, 0, int(sheet.job_cents[j]), float(sheet.job_hours[j]))
        yield from resale_lines(parts, pieces)


def _distinct_rows(rows: IntArray) -> tuple[IntArray, IntArray]:
    """Position of one row of each kind, and the kind of each row, for small numbers of shape ``(n, k)``.

    Columns are joined one by one as digits of one integer, made dense again before it could overflow.
    """
    code = np.zeros(len(rows), dtype=np.int64)
    range_of_code = 1
    for column in rows.T:
        radix = int(column.max(initial=0)) + 1
        if range_of_code * radix > 2**62:
            _, code = np.unique(code, return_inverse=True)
            range_of_code = int(code.max(initial=0)) + 1
        code = code * radix + column
        range_of_code *= radix
    _, first, kind = np.unique(code, return_index=True, return_inverse=True)
    return first, kind


def _picked(choice: _GroupChoice, values: Sequence[Sequence[float]]) -> FloatArray:
    """Value of the way picked for each build; 0 where there is none. ``values`` has one number a way."""
    longest = max((len(each) for each in values), default=0)
    padded = np.zeros((len(values), longest + 1))
    for row, each in zip(padded, values, strict=True):
        row[: len(each)] = each
    return padded[choice.code, choice.picked]


def _together(groups: Sequence[tuple[Purchase, ...]]) -> list[tuple[int, float, tuple[int, ...]]]:
    """List sets of one purchase a group that none beats in both: cents, hours, positions; cheapest first."""
    sets: list[tuple[int, float, tuple[int, ...]]] = [(0, 0.0, ())]
    for ways in groups:
        longer = sorted(
            (cents + way.cents, hours + way.hours, (*picked, position))
            for cents, hours, picked in sets
            for position, way in enumerate(ways)
        )
        sets = []
        for each in longer:
            if not sets or each[1] < sets[-1][1]:
                sets.append(each)
    return sets
