"""The note for buying a build: what to buy, not above which price, what instead if it is gone, what to ask.

Two prices are told. Up to the first this very build can be had for the budget, all else at the prices of the sheets: a
build that is first by its speed stays first just as long. That is arithmetic. Up to the second some build with the part
still comes first: that takes searches, as for `why-not`, and is told where it is asked for.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.answers.brings_in import BringingIn, speed_of
from optimizer.answers.first_place import FirstPlace, first_price
from optimizer.answers.price_limit import NO_PRICE, PriceLimit, highest_affordable
from optimizer.answers.seller import Ask, asks_of
from optimizer.choice.options import IntArray, options_of
from optimizer.choice.price import PriceBook
from optimizer.choice.receipt import Bill, BillLine
from optimizer.run.judge import just_above, speed_steps
from optimizer.scenario.parts import Kit, Part
from optimizer.search.state import Progress
from optimizer.search.study import Study


@dataclass(frozen=True, slots=True)
class Backup:
    """What to fit if a part is gone: the best other part for all its slots, all else kept.

    Of equally fast ones it is the cheapest. Change of speed [m/s] and of price [cents] with it; ``affordable``: within
    the budget; ``cap_ms``: speed [m/s] that the car may not pass then, where it may with the part.
    """

    part: str
    gain_ms: float
    cents: int
    affordable: bool
    cap_ms: float | None


@dataclass(frozen=True, slots=True)
class ToBuy:
    """One thing to buy.

    Attributes
    ----------
    id, name, kind : str
        Of the part, or of the kit (kind "kit").
    slots : tuple of str
        Where it goes; of a kit, where its parts go.
    number, pack, pieces : int
        Purchases, pieces in each of them, and pieces in all.
    price_cents, cents : int
        Of one purchase as stated, and of all.
    up_to : PriceLimit
        Highest price of one purchase at which this build can be had for the budget, all else as stated.
    first : PriceLimit or None
        Highest price of one purchase at which some build with the part comes first; None where that was not asked for.
    backup : Backup or None
        None where no other part does, and for kits.
    apart_cents : int or None
        Of a kit: what the build costs more where its parts are bought apart; None where they cannot be.
    asks : tuple of Ask
    notes : str
        Of the sheet, such as who sells it.
    """

    id: str
    name: str
    kind: str
    slots: tuple[str, ...]
    number: int
    pack: int
    pieces: int
    price_cents: int
    cents: int
    up_to: PriceLimit
    first: PriceLimit | None
    backup: Backup | None
    apart_cents: int | None
    asks: tuple[Ask, ...]
    notes: str


@dataclass(frozen=True, slots=True)
class PurchaseNote:
    """The note.

    Attributes
    ----------
    build : array (S,)
    place : int
        Of the build in the ranking.
    speed_ms : float
    budget_cents : int or None
    items : tuple of ToBuy
        The dearest first.
    bill : Bill
        Of the whole: owned pieces, fitting, work, fixed costs and what is sold are its other lines.
    closed : bool
        Whether the searches were complete.
    """

    build: IntArray
    place: int
    speed_ms: float
    budget_cents: int | None
    items: tuple[ToBuy, ...]
    bill: Bill
    closed: bool


def purchase_note(
    study: Study,
    build: IntArray,
    place: int,
    *,
    closed: bool,
    first_place: bool = False,
    progress: Progress | None = None,
) -> PurchaseNote:
    """What to buy for a build (S,) that takes a place in the ranking.

    ``closed``: whether that ranking was complete. ``first_place``: search also for the price at which each part drops
    out of first place; only for the build in first place.

    Raises
    ------
    NoLegalBuildError
        If the build cannot be bought.
    """
    tell = progress or (lambda _what, _share: None)
    bill = study.book.bill(build)
    lines = (*bill.of("kit"), *bill.of("pack"))
    backups = _backups(study, build, [line.what for line in bill.of("pack")])
    items = []
    for number, line in enumerate(lines):
        first: PriceLimit | None = None
        if first_place and place == 1 and line.kind == "pack":
            tell(f"what {line.what} may cost in first place", number / len(lines))
            first, complete = _first_place(study, build, line.what)
            closed = closed and complete
        items.append(_item(study, build, line, first, backups))
    return PurchaseNote(
        build=build,
        place=place,
        speed_ms=float(study.judge.speeds(build[None])[0]),
        budget_cents=study.scenario.event.budget_cents,
        items=tuple(sorted(items, key=lambda each: (-each.cents, each.id))),
        bill=bill,
        closed=closed,
    )


def _item(
    study: Study, build: IntArray, line: BillLine, first: PriceLimit | None, backups: dict[str, Backup]
) -> ToBuy:
    """One thing to buy, with its prices."""
    thing = _thing(study, line)
    is_kit = isinstance(thing, Kit)
    parts = {part for part, _ in thing.contents} if isinstance(thing, Kit) else {thing.id}
    options = study.options
    slots = (
        slot.name for s, slot in enumerate(options.slots) if build[s] and options.parts[s][int(build[s])].id in parts
    )
    return ToBuy(
        id=thing.id,
        name=thing.name,
        kind="kit" if isinstance(thing, Kit) else thing.kind,
        slots=tuple(slots),
        number=line.number,
        pack=sum(pieces for _, pieces in thing.contents) if isinstance(thing, Kit) else thing.pack,
        pieces=line.pieces,
        price_cents=thing.price_cents or 0,
        cents=line.cents,
        up_to=_up_to(study, build, thing),
        first=first,
        backup=backups.get(thing.id),
        apart_cents=_apart(study, build, thing) if is_kit else None,
        asks=asks_of(
            thing, study.scenario.parts, frozenset(bracket.requires for bracket in study.scenario.race_class.brackets)
        ),
        notes=thing.notes,
    )


def _thing(study: Study, line: BillLine) -> Part | Kit:
    """The part or kit of a line."""
    if line.kind == "kit":
        return next(kit for kit in study.scenario.kits if kit.id == line.what)
    return study.scenario.parts[line.what]


def _up_to(study: Study, build: IntArray, thing: Part | Kit) -> PriceLimit:
    """Highest price of a part or kit at which a build (S,) can be had for the budget."""
    budget = study.scenario.event.budget_cents
    if isinstance(thing, Kit):
        limit = math.inf if budget is None else budget
        return highest_affordable(lambda price: _cost_with_kit(study, build, thing, price), limit)
    return BringingIn(study, thing.id, budget).dearest(build)


def _cost_with_kit(study: Study, build: IntArray, kit: Kit, price: int | None) -> float:
    """What a build (S,) costs [cents] with a kit at a price, or without it; infinite where it cannot be had."""
    scenario = study.scenario
    others = tuple(each for each in scenario.kits if each.id != kit.id)
    kits = others if price is None else (*others, replace(kit, price_cents=price))
    prices = PriceBook(options_of(replace(scenario, kits=kits))).price(build[None])
    return float(prices.cents[0]) if prices.available[0] else math.inf


def _apart(study: Study, build: IntArray, thing: Part | Kit) -> int | None:
    """What a build costs more without a kit; None where its parts are not for sale apart."""
    if not isinstance(thing, Kit):
        return None
    without = _cost_with_kit(study, build, thing, None)
    return None if math.isinf(without) else int(without - study.book.price(build[None]).cents[0])


def _first_place(study: Study, build: IntArray, part: str) -> tuple[PriceLimit, bool]:
    """Highest price at which the best build with a part comes before all without it, and if the search was complete."""
    budget = study.scenario.event.budget_cents
    if budget is None:
        return PriceLimit(None, any_price=True), True
    without = study.best(budget_cents=budget, without_parts=(part,))
    level, fast = speed_of(without), float(study.judge.speeds(build[None])[0])
    known = BringingIn(study, part, budget).dearest(build) if fast >= just_above(level) else NO_PRICE
    wanted = FirstPlace.before(study, part, budget, without)
    limit, complete = first_price(study, None, wanted, known)
    # of builds that are equal in speed and price this one is the best: at its own price it holds at least
    limit = limit.or_higher(PriceLimit(study.scenario.parts[part].price_cents))
    return limit, complete and bool(without.evidence.closed)


def _backups(study: Study, build: IntArray, parts: Sequence[str]) -> dict[str, Backup]:
    """The best other part for all slots that each part fills, all else kept: within the budget if there is one."""
    tried = [(part, other, row) for part in dict.fromkeys(parts) for other, row in _instead(study, build, part)]
    if not tried:
        return {}
    rows = np.stack([build, *(row for _, _, row in tried)])
    runs = study.judge.runs(rows)
    prices = study.book.price(rows)
    legal = study.legality.allowed(rows) & prices.available & study.judge.judge(rows, runs).legal
    speed = study.judge.joined(runs)
    budget = study.scenario.event.budget_cents
    affordable = prices.cents <= (math.inf if budget is None else budget)
    caps = study.judge.model.drive_rows(rows).cap_ms
    found: dict[str, Backup] = {}
    for place in np.lexsort([prices.cents, -speed_steps(speed), ~affordable]):  # where a cap holds both, the cheaper
        part, other, _ = tried[place - 1]
        if place and legal[place] and part not in found:
            gain, cents = speed[place] - speed[0], prices.cents[place] - prices.cents[0]
            cap = float(caps[place]) if caps[place] < caps[0] else None
            found[part] = Backup(other, float(gain), int(cents), bool(affordable[place]), cap)
    return found


def _instead(study: Study, build: IntArray, part: str) -> Iterator[tuple[str, IntArray]]:
    """Builds with each other part, or nothing where that may be, in all slots that a part fills."""
    options = study.options
    slots = [s for s in range(len(options.slots)) if options.parts[s][int(build[s])].id == part]
    ids = [[each.id for each in options.parts[s]] for s in slots]
    for other in ids[0]:
        if other == part or any(other not in each for each in ids):
            continue
        row = build.copy()
        row[slots] = [each.index(other) for each in ids]
        yield other, row
