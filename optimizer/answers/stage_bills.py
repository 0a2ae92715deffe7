"""What a plan in stages costs: one bill a stage, each with what the stages before have left.

A stage is priced as `PriceBook` prices a build, for a car that stands as the stage before left it:

- Pieces that the stage needs beyond those owned are bought in it, by the pack or in kits, whichever is cheapest *for
  this stage*. Nothing is bought ahead: a kit whose other parts come later is taken only where it is cheapest for what
  is fitted now. Pieces of packs and kits that are left over are owned from then on, and what is on offer is fewer.
- A piece that was left over pays for its fitting when it is fitted, even where its kit would have brought it mounted.
- Jobs are paid in every stage in which some change needs them, once a stage.
- Fixed costs are paid once, in the first stage, whether or not anything is bought in it.
- A fitted piece is sold in the stage from which on neither this build nor a later one uses it.
- The limit on own hours holds for all stages together.

So the first stages together never cost less than their last build would at once (`PriceBook.price`) plus the jobs paid
again: all that was bought for them is also a purchase for that build, and no more has been sold. Where all is done in
one stage the two are equal.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from optimizer.choice.options import IntArray, Options, options_of
from optimizer.choice.price import PriceBook
from optimizer.choice.receipt import Bill, BillLine, count_pieces
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import NONE_ID, Part


def bills_of_stages(book: PriceBook, chain: IntArray) -> tuple[Bill, ...]:
    """One bill a stage for builds (T, S) that follow each other, each slot changing at most once over all of them.

    Raises
    ------
    NoLegalBuildError
        If a stage cannot be bought, or takes more own hours than are left.
    ValueError
        If a slot changes more than once.
    """
    _refuse_second_changes(chain)
    garage = _garage(book.options, chain)
    hours_left, bills = book.hours_limit, []
    for t, build in enumerate(chain):
        there = options_of(garage)
        plain = PriceBook(there, hours_limit=hours_left).bill(there.encode(book.options.decode(build)))
        fixed = [BillLine("fixed", name, 1, 0, cost) for name, cost in book.fixed_costs] if t == 0 else []
        lines = (*fixed, *plain.lines, *_sold(book.options, chain, t))
        bills.append(Bill(lines, sum(line.cents for line in lines), sum(line.hours for line in lines)))
        hours_left -= plain.hours
        garage = _after(garage, book.options.decode(build), plain)
    return tuple(bills)


@dataclass(frozen=True, slots=True)
class RepeatedJob:
    """A job that several stages need: how often it is done beyond once, what that costs, in cents and own hours."""

    name: str
    times: int
    cents: int
    hours: float


def repeated_jobs(bills: tuple[Bill, ...]) -> tuple[RepeatedJob, ...]:
    """Jobs that stand in more than one of the bills, in the order in which they come up."""
    done: dict[str, list[BillLine]] = {}
    for line in [line for bill in bills for line in bill.of("work")]:
        done.setdefault(line.what, []).append(line)
    return tuple(
        RepeatedJob(name, len(lines) - 1, sum(each.cents for each in lines[1:]), sum(each.hours for each in lines[1:]))
        for name, lines in done.items()
        if len(lines) > 1
    )


def _refuse_second_changes(chain: IntArray) -> None:
    before = np.zeros(chain.shape[1], dtype=np.int64)
    for build in chain:
        if ((before != 0) & (build != before)).any():
            raise ValueError("a slot changes more than once")
        before = build


def _garage(options: Options, chain: IntArray) -> Scenario:
    """The scenario with only the parts that the chain is about, and without fixed costs and resale.

    Other parts cannot be needed; of kits only the pieces of these parts count.
    """
    scenario = options.scenario
    event, name = scenario.event, scenario.event.race_class
    classes = {**event.classes, name: replace(event.classes[name], fixed_costs=())}
    chosen = [part for build in (options.fitted, *chain) for part in options.chosen(build)]
    return replace(
        scenario,
        event=replace(event, fixed_costs=(), classes=MappingProxyType(classes)),
        parts=MappingProxyType({part.id: replace(part, resale_cents=0) for part in chosen if part.id != NONE_ID}),
    )


def _after(garage: Scenario, build: Mapping[str, str], bill: Bill) -> Scenario:
    """The car with a build (slot name -> id) fitted, what was bought for it owned and no longer on offer."""
    packs = {line.what: line for line in bill.of("pack")}
    kits = {line.what: line.number for line in bill.of("kit")}
    bought = {each: line.pieces for each, line in packs.items()}
    for kit in garage.kits:
        for each, pieces in kit.contents:
            bought[each] = bought.get(each, 0) + kits.get(kit.id, 0) * pieces

    def later(part: Part) -> Part:
        stock = part.stock
        if stock is not None and part.id in packs:
            stock -= packs[part.id].number
        return replace(part, owned=part.owned + bought.get(part.id, 0), stock=stock)

    return replace(
        garage,
        car=replace(garage.car, slots=tuple(replace(slot, fitted=build[slot.name]) for slot in garage.car.slots)),
        parts=MappingProxyType({each: later(part) for each, part in garage.parts.items()}),
        kits=tuple(replace(kit, stock=kit.stock - kits.get(kit.id, 0)) for kit in garage.kits),
    )


def _sold(options: Options, chain: IntArray, t: int) -> Iterator[BillLine]:
    """Write what comes off in stage t and is used neither in its build nor in a later one."""
    used = [count_pieces(options, build).used for build in (options.fitted, *chain)]
    for each, fitted in used[0].items():
        spare_now, spare_before = (
            max(0, fitted - max(later.get(each, 0) for later in used[start:])) for start in (t + 1, t)
        )
        resale = options.scenario.parts[each].resale_cents
        if spare_now > spare_before and resale:
            sold = spare_now - spare_before
            yield BillLine("resale", each, 0, sold, -sold * resale)
