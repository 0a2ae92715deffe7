"""The bill of one build, line by line, as a shop would write it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from optimizer.choice.options import IntArray, Options
from optimizer.choice.purchase import Offer, packs_needed
from optimizer.scenario.parts import NONE_ID, Part

LineKind = Literal["fixed", "kit", "pack", "owned", "fitting", "work", "resale"]


@dataclass(frozen=True, slots=True)
class BillLine:
    """One line of a bill.

    ``what`` is a part id, a kit id, the name of a job or of a fixed cost. ``number`` counts packs, kits or
    jobs, ``pieces`` the pieces concerned. ``cents`` is negative for what is sold.
    """

    kind: LineKind
    what: str
    number: int
    pieces: int
    cents: int
    hours: float = 0.0


@dataclass(frozen=True, slots=True)
class Bill:
    """What a build costs: ``total_cents`` and ``hours`` are the sums over ``lines``.

    Kinds of line, in their order: ``fixed`` costs of the trip, ``kit`` and ``pack`` purchases, ``owned``
    pieces put to new use (free), ``fitting`` by the piece, ``work`` (jobs), ``resale`` of what comes off.
    """

    lines: tuple[BillLine, ...]
    total_cents: int
    hours: float

    def of(self, kind: LineKind) -> tuple[BillLine, ...]:
        """Return the lines of one kind."""
        return tuple(line for line in self.lines if line.kind == kind)


@dataclass(frozen=True, slots=True)
class Pieces:
    """Pieces of each part, by id: on the car as it stands, in the build, and in the build's changed slots."""

    fitted: Mapping[str, int]
    used: Mapping[str, int]
    changed: Mapping[str, int]


def count_pieces(options: Options, build: IntArray) -> Pieces:
    """Count the pieces of one build of shape ``(S,)``; every part that is an option has an entry."""
    ids = [part.id for row in options.parts for part in row if part.id != NONE_ID]
    fitted, used, changed = (dict.fromkeys(ids, 0) for _ in range(3))
    for slot, row, o in zip(options.slots, options.parts, build.tolist(), strict=True):
        if row[0].id != NONE_ID:
            fitted[row[0].id] += slot.count
        if row[o].id != NONE_ID:
            used[row[o].id] += slot.count
            changed[row[o].id] += slot.count if o else 0
    return Pieces(fitted, used, changed)


def part_lines(parts: Sequence[Part], pieces: Pieces, kits: Mapping[Offer, int]) -> Iterator[BillLine]:
    """Write the lines that concern parts: purchases, own pieces, fitting.

    Parameters
    ----------
    parts : sequence of Part
    pieces : Pieces
        Of the build.
    kits : mapping of Offer to int
        How many of each kit are bought; what they do not supply is bought by the pack.
    """
    for kit, number in kits.items():
        supplied = number * sum(q for _, q in kit.contents)
        yield BillLine("kit", kit.id, number, supplied, number * kit.price_cents)
    for part in parts:
        supplied = sum(number * kit.pieces(part.id) for kit, number in kits.items())
        if packs := packs_needed(part, pieces.used[part.id] - part.owned - supplied):
            yield BillLine("pack", part.id, packs, packs * part.pack, packs * (part.price_cents or 0))
    for part in parts:
        staying = pieces.used[part.id] - pieces.changed[part.id]
        if (free := min(part.owned, pieces.used[part.id]) - staying) > 0:
            yield BillLine("owned", part.id, 0, free, 0)
    for part in parts:
        mounted = sum(number * kit.pieces(part.id) for kit, number in kits.items() if kit.fitting_included)
        left = max(0, pieces.changed[part.id] - mounted)
        if left and (part.fitting_cents or part.fitting_hours):
            yield BillLine("fitting", part.id, 0, left, left * part.fitting_cents, left * part.fitting_hours)


def resale_lines(parts: Sequence[Part], pieces: Pieces) -> Iterator[BillLine]:
    """Write what the fitted pieces bring that are used nowhere in the build."""
    for part in parts:
        sold = max(0, pieces.fitted[part.id] - pieces.used[part.id])
        if sold and part.resale_cents:
            yield BillLine("resale", part.id, 0, sold, -sold * part.resale_cents)
