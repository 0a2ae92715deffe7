"""Buying pieces: what is on offer, the cheapest way to get what is needed, prices that never overstate it.

Money is integer cents. A *pack* is one part as its sheet sells it (each, pair, set); a *kit* is one purchase
that supplies pieces of several parts, and may bring them mounted.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from optimizer.scenario.parts import Kit, Part

_ROUNDING = 1e-6
"""Slack in cents for float sums that bound whole cents; far above their rounding error."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """Something that can be bought, in whole numbers.

    Attributes
    ----------
    id : str
        Part id of a pack, kit id of a kit.
    contents : tuple of (str, int)
        Part ids and the pieces one purchase supplies; only parts that may stand in some slot.
    price_cents : int
        Price of one purchase.
    stock : int or None
        How many are on offer; None: any number.
    fitting_included : bool
        Its pieces come mounted: their fitting money and hours are not paid.
    is_kit : bool
        False for a pack of a single part.
    """

    id: str
    contents: tuple[tuple[str, int], ...]
    price_cents: int
    stock: int | None
    fitting_included: bool
    is_kit: bool

    def pieces(self, part_id: str) -> int:
        """Pieces of a part that one purchase supplies."""
        return dict(self.contents).get(part_id, 0)


def offers_of(parts: Sequence[Part], kits: Sequence[Kit]) -> tuple[Offer, ...]:
    """List what is on offer of the parts: packs in the order of the parts, then kits in sheet order.

    What is out of stock is left out, and so are a kit's pieces that suit no slot of the car.
    """
    packs = [
        Offer(
            id=part.id,
            contents=((part.id, part.pack),),
            price_cents=part.price_cents,
            stock=part.stock,
            fitting_included=False,
            is_kit=False,
        )
        for part in parts
        if part.price_cents is not None and part.stock != 0
    ]
    known = {part.id for part in parts}
    whole = []
    for kit in kits:
        pieces: dict[str, int] = {}
        for part_id, number in kit.contents:
            if part_id in known and number > 0:
                pieces[part_id] = pieces.get(part_id, 0) + number
        if pieces and kit.stock > 0:
            whole.append(
                Offer(
                    id=kit.id,
                    contents=tuple(pieces.items()),
                    price_cents=kit.price_cents,
                    stock=kit.stock,
                    fitting_included=kit.fitting_included,
                    is_kit=True,
                )
            )
    return (*packs, *whole)


def packs_needed(part: Part, need: int) -> int | None:
    """Packs of a part to buy for ``need`` pieces, or None where that many cannot be bought by the pack."""
    if need <= 0:
        return 0
    packs = -(-need // part.pack)
    if part.price_cents is None or (part.stock is not None and packs > part.stock):
        return None
    return packs


@dataclass(frozen=True, slots=True)
class PiecePrices:
    """Exact prices per piece, in cents, that no purchase undercuts: ``buying`` and ``fitting`` by part id.

    For every purchase that covers ``need``, with ``use`` pieces to be fitted, money paid for packs, kits and
    fitting is at least the sum over parts of ``buying * need + fitting * use``.

    Notes
    -----
    They satisfy, for every offer k with price c_k and q_kp pieces of part p (m_k = 1 if it comes mounted,
    else 0) and every part's fitting money f_p per piece,

        sum_p q_kp (buying_p + m_k fitting_p) <= c_k      and      0 <= fitting_p <= f_p.

    A purchase of x_k of each supplies s_p >= need_p pieces, t_p of them mounted, and leaves at least
    f_p (use_p - t_p) >= fitting_p (use_p - t_p) of fitting to be paid. Summing x_k times the first line,
    sum_k c_k x_k >= sum_p (buying_p s_p + fitting_p t_p) >= sum_p (buying_p need_p + fitting_p t_p); adding
    the fitting gives the claim. (Weak duality of the covering problem.)
    """

    buying: Mapping[str, Fraction]
    fitting: Mapping[str, Fraction]


def piece_prices(parts: Sequence[Part], offers: Sequence[Offer]) -> PiecePrices:
    """Prices per piece as in `PiecePrices`, from the price of single pieces, scaled down to what kits charge.

    A part that is only sold in kits starts from what the kit costs beyond the rest of its contents. Then
    every part is scaled by the smallest ratio of price to worth over the offers it is in, which satisfies
    them all: an offer's worth is multiplied by at most its own ratio.
    """
    fitting = {part.id: Fraction(part.fitting_cents) for part in parts}
    buying: dict[str, Fraction] = {}
    for offer in offers:
        if not offer.is_kit:
            part_id, pieces = offer.contents[0]
            buying[part_id] = Fraction(offer.price_cents, pieces)
    kits = [offer for offer in offers if offer.is_kit]
    only_in_kits: dict[str, Fraction] = {}
    for kit in kits:
        unsold = [(part_id, q) for part_id, q in kit.contents if part_id not in buying]
        if unsold:
            worth = _worth(kit, buying, fitting)
            each = max(Fraction(0), kit.price_cents - worth) / sum(q for _, q in unsold)
            for part_id, _ in unsold:
                only_in_kits[part_id] = min(each, only_in_kits.get(part_id, each))
    buying |= only_in_kits
    buying_scale = dict.fromkeys(fitting, Fraction(1))
    fitting_scale = dict.fromkeys(fitting, Fraction(1))
    for kit in kits:
        worth = _worth(kit, buying, fitting)
        ratio = min(Fraction(1), kit.price_cents / worth) if worth else Fraction(1)
        for part_id, _ in kit.contents:
            buying_scale[part_id] = min(buying_scale[part_id], ratio)
            if kit.fitting_included:
                fitting_scale[part_id] = min(fitting_scale[part_id], ratio)
    return PiecePrices(
        buying={part_id: buying.get(part_id, Fraction(0)) * scale for part_id, scale in buying_scale.items()},
        fitting={part_id: fitting[part_id] * scale for part_id, scale in fitting_scale.items()},
    )


def _worth(kit: Offer, buying: Mapping[str, Fraction], fitting: Mapping[str, Fraction]) -> Fraction:
    mounted = int(kit.fitting_included)
    return sum(
        (q * (buying.get(part_id, Fraction(0)) + mounted * fitting[part_id]) for part_id, q in kit.contents),
        Fraction(0),
    )


@dataclass(frozen=True, slots=True)
class Purchase:
    """One way to buy what is needed: money for packs, kits and fitting, hours of fitting, kits taken."""

    cents: int
    hours: float
    kits: tuple[int, ...]


class KitGroup:
    """Parts that are tied together by the kits they are in, and the best ways to buy their pieces.

    Attributes
    ----------
    kits : tuple of Offer
        Kits that share parts, directly or through another kit; K of them.
    parts : tuple of Part
        Every part in any of them; P of them.
    mounted : tuple of bool
        ``mounted[p]``: a kit saves something on fitting part p, so its fitting is counted here.
    """

    def __init__(self, kits: Sequence[Offer], parts: Sequence[Part]) -> None:
        # The kit with most pieces first: what is left to the deeper levels is then small.
        self.kits = tuple(sorted(kits, key=lambda kit: (-sum(q for _, q in kit.contents), kit.id)))
        self.parts = tuple(parts)
        place = {part.id: p for p, part in enumerate(self.parts)}
        self.mounted = tuple(
            bool(part.fitting_cents or part.fitting_hours)
            and any(kit.fitting_included and kit.pieces(part.id) for kit in self.kits)
            for part in self.parts
        )
        self._contents = [tuple((place[part_id], q) for part_id, q in kit.contents) for kit in self.kits]
        packs = [offer for offer in offers_of(self.parts, ()) if not offer.is_kit]
        levels = [self.kits[depth:] for depth in range(len(self.kits) + 1)]
        priced = [piece_prices(self.parts, [*packs, *level]) for level in levels]
        self._buying = [[float(prices.buying[part.id]) for part in self.parts] for prices in priced]
        self._fitting = [[float(prices.fitting[part.id]) for part in self.parts] for prices in priced]
        supplies = [most_pieces([*packs, *level]) for level in levels]
        mounted = [most_mounted(level) for level in levels]
        self._supply = [[supply.get(part.id, 0) for part in self.parts] for supply in supplies]
        self._supply_mounted = [[supply.get(part.id, 0) for part in self.parts] for supply in mounted]
        self._known: dict[tuple[tuple[int, ...], tuple[int, ...]], tuple[Purchase, ...]] = {}

    def ways(self, need: tuple[int, ...], use: tuple[int, ...]) -> tuple[Purchase, ...]:
        """List the purchases that none beats in both money and hours, the cheapest first; empty if none do.

        Parameters
        ----------
        need : tuple of int, P
            Pieces that must be bought of each part.
        use : tuple of int, P
            Pieces that must be fitted; 0 for parts that are not `mounted`, whose fitting is counted
            elsewhere.
        """
        key = (need, use)
        if key not in self._known:
            front: list[Purchase] = []
            self._try_kits(need, use, 0, (), front)
            self._known[key] = tuple(front)
        return self._known[key]

    def _try_kits(
        self,
        need: tuple[int, ...],
        use: tuple[int, ...],
        paid: int,
        taken: tuple[int, ...],
        front: list[Purchase],
    ) -> None:
        """Extend ``front`` by the purchases that start with the kits ``taken`` and are not beaten by it."""
        depth = len(taken)
        if any(n > most for n, most in zip(need, self._supply[depth], strict=True)):
            return
        least = self._at_least(depth, need, use, paid)
        if any(other.cents <= least.cents and other.hours <= least.hours for other in front):
            return
        if depth == len(self.kits):
            self._finish(need, use, paid, taken, front)
            return
        kit = self.kits[depth]
        # More of a kit than covers every piece it could still supply or bring mounted only costs money.
        lacking = (max(need[p], use[p] if kit.fitting_included else 0) / q for p, q in self._contents[depth])
        most = min(math.ceil(max(lacking)), kit.stock if kit.stock is not None else math.inf)
        for number in range(int(most) + 1):
            left, unfitted = list(need), list(use)
            for p, q in self._contents[depth]:
                left[p] = max(0, left[p] - number * q)
                if kit.fitting_included:
                    unfitted[p] = max(0, unfitted[p] - number * q)
            money = paid + number * kit.price_cents
            self._try_kits(tuple(left), tuple(unfitted), money, (*taken, number), front)

    def _at_least(self, depth: int, need: tuple[int, ...], use: tuple[int, ...], paid: int) -> Purchase:
        """No purchase that goes on from here costs less money, or less hours."""
        money = sum(
            buying * n + fitting * u
            for buying, fitting, n, u in zip(
                self._buying[depth], self._fitting[depth], need, use, strict=True
            )
        )
        hours = sum(
            part.fitting_hours * max(0, u - mounted)
            for part, u, mounted in zip(self.parts, use, self._supply_mounted[depth], strict=True)
        )
        return Purchase(paid + math.ceil(money - _ROUNDING), hours, ())

    def _finish(
        self,
        need: tuple[int, ...],
        use: tuple[int, ...],
        paid: int,
        taken: tuple[int, ...],
        front: list[Purchase],
    ) -> None:
        """Buy the rest by the pack, pay what fitting is left, and keep the result if it is not beaten."""
        for part, n, u in zip(self.parts, need, use, strict=True):
            packs = packs_needed(part, n)
            if packs is None:
                return
            paid += packs * (part.price_cents or 0) + u * part.fitting_cents
        hours = sum(part.fitting_hours * u for part, u in zip(self.parts, use, strict=True))
        if any(other.cents <= paid and other.hours <= hours for other in front):
            return
        front[:] = [other for other in front if other.cents < paid or other.hours < hours]
        front.append(Purchase(paid, hours, taken))
        front.sort(key=lambda way: way.cents)


def most_pieces(offers: Sequence[Offer]) -> dict[str, float]:
    """Most pieces of each part, by id, that all offers together supply; infinite where a stock is not limited."""
    most: dict[str, float] = {}
    for offer in offers:
        for part_id, pieces in offer.contents:
            supplied = math.inf if offer.stock is None else offer.stock * pieces
            most[part_id] = most.get(part_id, 0) + supplied
    return most


def most_mounted(offers: Sequence[Offer]) -> dict[str, float]:
    """Most pieces of each part, by id, that can come mounted."""
    return most_pieces([offer for offer in offers if offer.fitting_included])


def group_kits(offers: Sequence[Offer], parts: Mapping[str, Part]) -> tuple[KitGroup, ...]:
    """Kits gathered into groups that share no part, so that each group can be bought for by itself."""
    gathered: list[tuple[set[str], list[Offer]]] = []
    for kit in offers:
        if not kit.is_kit:
            continue
        ids, kits = {part_id for part_id, _ in kit.contents}, [kit]
        for other in [each for each in gathered if each[0] & ids]:
            gathered.remove(other)
            ids |= other[0]
            kits = other[1] + kits
        gathered.append((ids, kits))
    return tuple(
        KitGroup(kits, [part for part in parts.values() if part.id in ids]) for ids, kits in gathered
    )
