"""One change at a time from a build: what each slot is worth, and which slots do not matter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import BoolArray, FloatArray, IntArray, Options
from optimizer.choice.price import PriceBook
from optimizer.run.judge import Judge, speed_steps
from optimizer.search.climbing import one_change
from optimizer.units import from_unit

MATTERS_MS = from_unit(0.05, "mph", "speed")
"""A slot whose choices move the speed by less than 0.05 mph does not matter for speed."""


@dataclass(frozen=True, slots=True)
class Swap:
    """The best other choice in one slot, all else kept: change of speed [m/s] and of price [cents]."""

    slot: str
    here: str
    other: str
    gain_ms: float
    cents: int


@dataclass(frozen=True, slots=True)
class SingleSwaps:
    """A build with each option of each slot in turn, slot by slot, its own among them: n trials.

    Attributes
    ----------
    options : Options
    build : array (S,)
    slot, option : int arrays (n,)
        What stands where in each trial.
    legal : bool array (n,)
        Whether it is another build that may be run and can be bought, budget aside.
    gain_ms, cents : arrays (n,)
        Speed [m/s] and price over those of the build.
    """

    options: Options
    build: IntArray
    slot: IntArray
    option: IntArray
    legal: BoolArray
    gain_ms: FloatArray
    cents: IntArray

    def swap(self, row: int) -> Swap:
        """One of the trials."""
        s = int(self.slot[row])
        parts = self.options.parts[s]
        here, other = parts[int(self.build[s])].id, parts[int(self.option[row])].id
        return Swap(self.options.slots[s].name, here, other, float(self.gain_ms[row]), int(self.cents[row]))


def with_single_swaps(options: Options, build: IntArray) -> tuple[IntArray, list[int]]:
    """A build (S,) with each option of each slot, slot by slot, its own among them, and where each slot ends."""
    return one_change(build, [np.arange(size) for size in options.sizes]), np.cumsum(options.sizes).tolist()


def single_swaps(judge: Judge, legality: Legality, book: PriceBook, build: IntArray) -> SingleSwaps:
    """Try every single swap of a build (S,)."""
    options = judge.options
    builds, ends = with_single_swaps(options, build)
    slot = np.repeat(np.arange(len(ends)), options.sizes)
    option = builds[np.arange(len(builds)), slot]
    own = int(np.flatnonzero(option == build[slot])[0])
    prices, runs = book.price(builds), judge.runs(builds)
    legal = legality.allowed(builds) & prices.available & judge.judge(builds, runs).legal & (option != build[slot])
    speed = judge.joined(runs)
    return SingleSwaps(options, build, slot, option, legal, speed - speed[own], prices.cents - prices.cents[own])


def best_swaps(tried: SingleSwaps) -> tuple[tuple[Swap, ...], tuple[str, ...]]:
    """Best single swap in every slot, budget aside, and the slots that do not matter.

    Of two that are as fast, as where a cap holds both, the cheaper is the better one. A slot with no other legal choice
    appears in neither.
    """
    swaps, indifferent = [], []
    for s, slot in enumerate(tried.options.slots):
        rows = np.flatnonzero(tried.legal & (tried.slot == s))
        if len(rows) == 0:
            continue
        gains = tried.gain_ms[rows]
        if np.abs(gains).max() < MATTERS_MS:
            indifferent.append(slot.name)
        best = np.lexsort([tried.cents[rows], -speed_steps(gains)])[0]
        swaps.append(tried.swap(int(rows[best])))
    return tuple(sorted(swaps, key=lambda swap: (-speed_steps(swap.gain_ms), swap.cents))), tuple(indifferent)


def savings(tried: SingleSwaps) -> tuple[Swap, ...]:
    """For each slot, the legal cheaper choice that costs least speed for the money it saves, best ratio first.

    Choices that cost no speed at all come first, by what they save.
    """
    found: dict[int, tuple[float, int]] = {}
    for row in np.flatnonzero(tried.legal & (tried.cents < 0)).tolist():
        s, saved, lost = int(tried.slot[row]), -float(tried.cents[row]), -float(speed_steps(tried.gain_ms[row]))
        key = lost / saved if lost > 0 else -saved
        if s not in found or key < found[s][0]:
            found[s] = key, row
    return tuple(tried.swap(row) for _, row in sorted(found.values(), key=lambda each: each[0]))
