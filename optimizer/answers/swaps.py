"""One change at a time from a build: what each slot is worth, and which slots do not matter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import IntArray
from optimizer.choice.price import PriceBook
from optimizer.run.judge import Judge
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


def one_change_at_a_time(
    judge: Judge, legality: Legality, book: PriceBook, build: IntArray
) -> tuple[tuple[Swap, ...], tuple[str, ...]]:
    """Best single swap in every slot from a build (S,), budget aside, and the slots that do not matter.

    A slot with no other legal choice appears in neither.
    """
    options = judge.options
    trials = [(s, o) for s, size in enumerate(options.sizes) for o in range(size) if o != build[s]]
    builds = np.repeat(build[None], len(trials) + 1, axis=0)
    for row, (s, o) in enumerate(trials):
        builds[row, s] = o
    prices = book.price(builds)
    runs = judge.runs(builds)
    legal = legality.allowed(builds) & prices.available & judge.judge(builds, runs).legal
    speed = judge.joined(runs)
    swaps, indifferent = [], []
    for s, slot in enumerate(options.slots):
        rows = [row for row, (each, _) in enumerate(trials) if each == s and legal[row]]
        if not rows:
            continue
        gains = speed[rows] - speed[-1]
        if np.abs(gains).max() < MATTERS_MS:
            indifferent.append(slot.name)
        best = rows[int(np.argmax(gains))]
        here, other = options.parts[s][int(build[s])].id, options.parts[s][trials[best][1]].id
        swaps.append(
            Swap(slot.name, here, other, float(speed[best] - speed[-1]), int(prices.cents[best] - prices.cents[-1]))
        )
    return tuple(sorted(swaps, key=lambda swap: -swap.gain_ms)), tuple(indifferent)


def savings_from(judge: Judge, legality: Legality, book: PriceBook, build: IntArray) -> tuple[Swap, ...]:
    """For each slot, the legal cheaper choice that costs least speed for the money it saves, best ratio first.

    Choices that cost no speed at all come first, by what they save.
    """
    options = judge.options
    trials = [(s, o) for s, size in enumerate(options.sizes) for o in range(size) if o != build[s]]
    builds = np.repeat(build[None], len(trials) + 1, axis=0)
    for row, (s, o) in enumerate(trials):
        builds[row, s] = o
    prices = book.price(builds)
    runs = judge.runs(builds)
    legal = legality.allowed(builds) & prices.available & judge.judge(builds, runs).legal
    gain, cents = judge.joined(runs), prices.cents
    found: dict[int, tuple[float, Swap]] = {}
    for row, (s, o) in enumerate(trials):
        saved, lost = float(cents[-1] - cents[row]), float(gain[-1] - gain[row])
        if not legal[row] or saved <= 0:
            continue
        key = lost / saved if lost > 0 else -saved
        if s not in found or key < found[s][0]:
            here, other = options.parts[s][int(build[s])].id, options.parts[s][o].id
            found[s] = key, Swap(options.slots[s].name, here, other, -lost, -int(saved))
    return tuple(swap for _, swap in sorted(found.values(), key=lambda each: each[0]))
