"""Every part in the sheets put into a build, one at a time: what it would do there, or what keeps it out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.answers.swaps import with_single_swaps
from optimizer.choice.legality import Legality
from optimizer.choice.options import IntArray
from optimizer.choice.price import PriceBook
from optimizer.errors import NoLegalBuildError
from optimizer.run.judge import Judge
from optimizer.scenario.parts import NONE_ID


@dataclass(frozen=True, slots=True)
class TriedPart:
    """A part in a slot of a build, all else kept.

    Attributes
    ----------
    slot, part : str
    inside : bool
        Whether it is the build's own.
    gain_ms, cents : float and int, or None
        Change of speed [m/s] and of price; None where the build with it may not run, or cannot be bought.
    never : tuple of str
        Why the part may not stand in the slot whatever else is chosen.
    here : tuple of str
        Why it may not stand there with the other parts of the build; empty where `never` says enough.
    """

    slot: str
    part: str
    inside: bool
    gain_ms: float | None
    cents: int | None
    never: tuple[str, ...]
    here: tuple[str, ...]

    @property
    def legal(self) -> bool:
        """Whether the build with it may run and can be bought."""
        return self.gain_ms is not None


def every_part(judge: Judge, legality: Legality, book: PriceBook, build: IntArray) -> tuple[TriedPart, ...]:
    """Try every option of every slot in a build (S,): slot by slot, what helps most first, what is kept out last.

    An empty slot is an option like any other.
    """
    options = judge.options
    builds, ends = with_single_swaps(options, build)
    runs, prices = judge.runs(builds), book.price(builds)
    judged, speed = judge.judge(builds, runs), judge.joined(runs)
    allowed = legality.allowed(builds)
    own = int(np.flatnonzero((builds == build).all(axis=1))[0])
    found: list[TriedPart] = []
    for s, (slot, end) in enumerate(zip(options.slots, ends, strict=True)):
        tried = []
        for row in range(end - options.sizes[s], end):
            o = int(builds[row, s])
            never = tuple(f"{each.check}: {each.text}" for each in legality.part_reasons.get((s, o), ()))
            here = [] if allowed[row] or never else [f"{r.check}: {r.text}" for r in legality.violations(builds[row])]
            here += [] if never or here else judge.broken(judged, row)
            here += [] if prices.available[row] else [_no_purchase(book, builds[row])]
            legal = not never and not here
            tried.append(
                TriedPart(
                    slot.name, options.parts[s][o].id, o == int(build[s]),
                    float(speed[row] - speed[own]) if legal else None,
                    int(prices.cents[row] - prices.cents[own]) if legal else None,
                    never, tuple(here),
                )
            )  # fmt: skip
        found += sorted(tried, key=_order)
    return tuple(found)


def _no_purchase(book: PriceBook, build: IntArray) -> str:
    """Why a build (S,) cannot be bought."""
    try:
        book.bill(build)
    except NoLegalBuildError as refusal:
        return f"purchase: {refusal}"
    msg = "a build without a price has a bill"
    raise AssertionError(msg)


def _order(tried: TriedPart) -> tuple[int, float, str]:
    """What helps most first; then what the build keeps out, then what is never in."""
    if tried.gain_ms is not None:
        return 0, -round(tried.gain_ms, 4), tried.part
    return (2 if tried.never else 1), float(tried.part == NONE_ID), tried.part
