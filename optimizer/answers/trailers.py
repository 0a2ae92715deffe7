"""What a trailer costs: a base car and spare sets, all pieces of all of them bought together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from optimizer.choice.options import IntArray, Options, options_of
from optimizer.choice.price import PriceBook
from optimizer.choice.receipt import count_pieces
from optimizer.scenario.car import Slot
from optimizer.scenario.parts import NONE_ID
from optimizer.search.study import Study

GROUPS: dict[str, tuple[str, ...]] = {"tires": ("tire", "wheel"), "final drive": ("final drive",)}
"""Kinds of part that are changed together on the salt, by what the change is called."""
Members = tuple[int, ...]
"""Configurations of a trailer by number, the base first."""


def trailer_cents(study: Study, builds: IntArray, trailers: Sequence[Members]) -> IntArray:
    """Money (T,) for all pieces of trailers together, and the base's work and fitting of every piece once.

    A spare set that needs one piece more of a part than the base is counted as a whole set of its slot: never less than
    it costs.
    """
    most = max((len(each) - 1 for each in trailers), default=0)
    swapped = [s for s, slot in enumerate(study.options.slots) if any(slot.kind in kinds for kinds in GROUPS.values())]
    book, places = _book_with_spares(study, swapped, most)
    rows = np.zeros((len(trailers), len(book.options.slots)), dtype=np.int64)
    whole = len(study.options.slots)
    for number, members in enumerate(trailers):
        base = builds[members[0]]
        rows[number, :whole] = base
        have = dict(count_pieces(study.options, base).used)
        for spare, member in enumerate(members[1:]):
            need = count_pieces(study.options, builds[member]).used
            for i, s in enumerate(swapped):
                part = study.options.parts[s][int(builds[member, s])]
                if need.get(part.id, 0) > have.get(part.id, 0):
                    rows[number, whole + spare * len(swapped) + i] = places[i][part.id]
                    have[part.id] = have.get(part.id, 0) + study.options.slots[s].count
    return book.price(rows).cents


def _book_with_spares(study: Study, swapped: Sequence[int], spares: int) -> tuple[PriceBook, list[dict[str, int]]]:
    """Prices of a car with a further, empty slot for each slot that a spare may fill; places of parts in them."""
    scenario = study.scenario
    extra = tuple(
        replace(_plain(scenario.car.slots[s]), name=f"spare {number + 1} {scenario.car.slots[s].name}")
        for number in range(spares)
        for s in swapped
    )
    # the options of the slots themselves must stay as the study has them
    # and a part that only suits some of them suits their spare slots, whatever these are called
    anywhere = {part_id: replace(part, slots=()) for part_id, part in scenario.parts.items()}
    options = options_of(replace(scenario, car=replace(scenario.car, slots=extra), parts=anywhere))
    places = [{part.id: o for o, part in enumerate(options.parts[i])} for i in range(len(swapped) if spares else 0)]
    joined = Options(scenario, (*study.options.slots, *options.slots), (*study.options.parts, *options.parts))
    return PriceBook(joined, hours_limit=study.book.hours_limit), places


def _plain(slot: Slot) -> Slot:
    """A slot that may stay empty and asks for no work."""
    return replace(slot, required=False, fitted=NONE_ID, work=())
