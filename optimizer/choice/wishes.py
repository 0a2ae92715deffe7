"""Parts that a question forces in or leaves out, as further rules of a `Legality`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from difflib import get_close_matches

import numpy as np

from optimizer.choice.fit import Reason
from optimizer.choice.legality import Legality
from optimizer.choice.options import Options
from optimizer.choice.rows import LinearRow
from optimizer.errors import UsageError
from optimizer.scenario.parts import NONE_ID, Part
from optimizer.units import nearest_and_all, same_words

FORCED_IN = "forced in"
"""Name of the row that asks for a part."""


def with_wishes(legality: Legality, with_parts: tuple[str, ...], without_parts: tuple[str, ...]) -> Legality:
    """A legality in which each of ``with_parts`` must stand in some slot, and none of ``without_parts`` in any.

    A part may be named as ``slot=id`` to speak of one slot only.

    Raises
    ------
    UsageError
        If a part is no option of any slot, or of the slot named; if one is to be both in and out.
    """
    both = [named for named in with_parts if named in without_parts]
    if both:
        raise UsageError(f"{both[0]} cannot be asked for both with and without")
    options = legality.options
    forbidden = [out.copy() for out in legality.forbidden]
    reasons = dict(legality.part_reasons)
    for named in without_parts:
        for s, o in places_of(options, named):
            forbidden[s][o] = True
            reasons[s, o] = (*reasons.get((s, o), ()), Reason("left out", f"{named} is left out as asked", wished=True))
    rows = list(legality.rows)
    for named in with_parts:
        coefficients = tuple(np.zeros(size) for size in options.sizes)
        for s, o in places_of(options, named):
            coefficients[s][o] = -1.0
        wish = Reason(FORCED_IN, f"{named} must be in", wished=True)
        rows.append(LinearRow(f"with {named}", wish, coefficients, -1.0))
    return replace(legality, forbidden=tuple(forbidden), part_reasons=reasons, rows=tuple(rows))


def refuse_crowded(options: Options, with_parts: tuple[str, ...]) -> None:
    """Refuse two different parts that are asked for and can only go into the same slot.

    Raises
    ------
    UsageError
        If there are such; or if a part is no option of any slot, or of the slot named.
    """
    only: dict[int, tuple[str, int]] = {}
    for named in with_parts:
        (s, o), *others = places_of(options, named)
        if others:
            continue
        first, there = only.setdefault(s, (named, o))
        if there != o:
            raise _crowded(first, named, options.slots[s].name)


def _crowded(first: str, second: str, slot: str) -> UsageError:
    return UsageError(f"{first} and {second} both go into {slot}, which takes one of them")


def places_of(options: Options, named: str) -> tuple[tuple[int, int], ...]:
    """Slots and positions of a part named as ``id`` or ``slot=id``.

    Raises
    ------
    UsageError
        If there are none; it names the nearest ids.
    """
    slot, _, part = named.rpartition("=")
    places = tuple(
        (s, o)
        for s, choices in enumerate(options.parts)
        for o, choice in enumerate(choices)
        if choice.id == part and slot in ("", options.slots[s].name)
    )
    if not places:
        _refuse_kit(options, part)
        slots = [each.name for each in options.slots]
        if slot and slot not in slots:
            raise UsageError(f"no slot is called {slot!r}{nearest_and_all(slot, slots, 'the slots are')}")
        there = {c.id: c for s, choices in enumerate(options.parts) for c in choices if slot in ("", slots[s])}
        _refuse_name(list(there.values()), part, slot)
        known = there.keys() - {NONE_ID}
        same = [each for each in sorted(known) if each.lower() == part.lower()]
        near = list(dict.fromkeys([*same, *get_close_matches(part, sorted(known), n=3, cutoff=0.5)]))[:3]
        hint = f"; nearest: {', '.join(near)}" if near else "; ids are in the first column of the sheets"
        elsewhere = [slot.name for s, slot in enumerate(options.slots) if any(c.id == part for c in options.parts[s])]
        hint = f"; it goes into {', '.join(elsewhere)}" if elsewhere else hint
        where = f" in {slot}" if slot else ""
        raise UsageError(f"no part is called {part!r}{where}{hint}")
    return places


def _refuse_name(parts: Sequence[Part], named: str, slot: str) -> None:
    """Say of a part's name which id it has; parts may share a name, so that none is asked for by it."""
    ids = [part.id for part in parts if part.id != NONE_ID and same_words(part.name, named)]
    if ids:
        ask = (f"{slot}={ids[0]}" if slot else ids[0]) if len(ids) == 1 else "one of them by its id"
        raise UsageError(f"{named!r} is the name of {', '.join(ids)}: ask for {ask}")


def _refuse_kit(options: Options, named: str) -> None:
    """Say of a kit what its parts are: these are what stands in slots, however they are bought."""
    for kit in options.scenario.kits:
        if kit.id.lower() == named.lower() or same_words(kit.name, named):
            pieces = ", ".join(f"{part} x{number}" for part, number in kit.contents)
            inside = " or ".join(part for part, _ in kit.contents)
            raise UsageError(
                f"{kit.id} is a kit ({pieces}), not a part: ask for {inside}. They are bought as that kit, unasked, "
                "wherever it costs less"
            )


def parts_in(text: str) -> tuple[str, ...]:
    """Parts that are named together: ``T3, F2`` or ``T3 + F2``."""
    return tuple(each.strip() for each in text.replace("+", ",").split(","))


def build_with(options: Options, parts: tuple[str, ...]) -> dict[str, str]:
    """Slot -> id of parts put in, each named as ``id`` (into every slot that it suits) or ``slot=id``.

    A part named for a slot goes before one that is named for none.

    Raises
    ------
    UsageError
        If a part is no option of any slot, or of the slot named, or if two are named for the same slot.
    """
    build: dict[str, str] = {}
    for in_slot in (False, True):
        named_for: dict[str, str] = {}
        for named in dict.fromkeys(each for each in parts if ("=" in each) == in_slot):
            for s, o in places_of(options, named):
                slot = options.slots[s].name
                if slot in named_for:
                    raise _crowded(named_for[slot], named, slot)
                named_for[slot], build[slot] = named, options.parts[s][o].id
    return build
