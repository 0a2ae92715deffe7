"""All builds of boxes that keep the cuts of a way, money and pairs: built up slot by slot, for many ways together.

A partial build is dropped when nothing can save it: money that even the cheapest rest passes, a cut that even the best
rest does not keep, or both together at what a cent is worth.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray

ENOUGH = 1e15
"""More than any test needs, where there is no limit."""
ROUNDING = 1e-12
"""Of sums and products of large numbers, as a share: far more than there is."""
Pairs = Mapping[tuple[int, int], BoolArray]


@dataclass(frozen=True, slots=True)
class Line:
    """A cut over n ways as scores: ``spare + sum of scores >= 0``; and what a cent is worth on it.

    Attributes
    ----------
    spare : array (n,)
        What the drive set itself has to spare; inf where the cut does not hold.
    scores : per free slot, array (n, m_s)
    multiplier : array (n,)
    """

    spare: FloatArray
    scores: tuple[FloatArray, ...]
    multiplier: FloatArray

    def take(self, rows: IntArray) -> Line:
        """The same over some of the ways."""
        return Line(self.spare[rows], tuple(each[rows] for each in self.scores), self.multiplier[rows])


@dataclass(frozen=True, slots=True)
class Asking:
    """n ways of boxes whose builds are wanted: open options and their cents by free slot, money left, cuts."""

    free: tuple[int, ...]
    allowed: tuple[BoolArray, ...]
    cents: tuple[FloatArray, ...]
    left: FloatArray
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class _Tests:
    """Linear tests of partial builds: ``value + best of the rest >= 0``, per slot values (n, m_s), starts (n,)."""

    start: FloatArray
    values: tuple[FloatArray, ...]
    rest: FloatArray


def completed(asking: Asking, pairs: Pairs, most: int) -> tuple[IntArray, IntArray, BoolArray]:
    """Builds that keep everything: their way (k,), their options by free slot (k, F); and ways (n,) with too many.

    Parameters
    ----------
    asking : Asking
    pairs : mapping
        Pairs of slots with a table (m_s, m_t) of what may not be together.
    most : int
        Partial builds of one way beyond which it is given up.
    """
    count, slots = len(asking.left), len(asking.free)
    order = _order(asking)
    tests = _tests(asking, order)
    way, chosen = np.arange(count), np.zeros((count, slots), dtype=np.int64)
    values = [test.start.copy() for test in tests]
    too_many = np.zeros(count, dtype=np.bool_)
    for step, f in enumerate(order):
        parent, option = _expanded(asking.allowed[f], way)
        way, chosen = way[parent], chosen[parent]
        chosen[:, f] = option
        values = [value[parent] + test.values[f][way, option] for value, test in zip(values, tests, strict=True)]
        keep = np.ones(len(way), dtype=np.bool_)
        for value, test in zip(values, tests, strict=True):
            keep &= ~(value + test.rest[step][way] < 0)  # what is not a number rules out nothing
        for g in order[:step]:
            _pair(asking.free, pairs, f, g, chosen, keep)
        crowded = np.bincount(way[keep], minlength=count) > most
        if crowded.any():
            too_many |= crowded
            keep &= ~crowded[way]
        way, chosen = way[keep], chosen[keep]
        values = [value[keep] for value in values]
    return way, chosen, too_many


def _pair(
    free: tuple[int, ...], pairs: Pairs, f: int, g: int, chosen: IntArray, keep: BoolArray
) -> None:
    """Drop partial builds with a pair of options that may not be together."""
    first, second = (f, g) if free[f] < free[g] else (g, f)
    table = pairs.get((free[first], free[second]))
    if table is not None:
        keep &= ~table[chosen[:, first], chosen[:, second]]


def _expanded(allowed: BoolArray, way: IntArray) -> tuple[IntArray, IntArray]:
    """Each partial build once for every option of its way: the partial it comes from, and the option."""
    row, option = np.nonzero(allowed)
    sizes = np.bincount(row, minlength=len(allowed))
    starts = np.cumsum(sizes) - sizes
    parent = np.repeat(np.arange(len(way)), sizes[way])
    ahead = np.cumsum(sizes[way]) - sizes[way]
    place = np.arange(len(parent)) - ahead[parent] + starts[way[parent]]
    return parent, option[place]


def _order(asking: Asking) -> list[int]:
    """Free slots, those first whose options differ most on the first cut."""
    if not asking.lines or len(asking.left) == 0:
        return list(range(len(asking.free)))
    line = asking.lines[0]
    spread = [
        float(np.where(ok, score, -np.inf).max(axis=1).sum() - np.where(ok, score, np.inf).min(axis=1).sum())
        for ok, score in zip(asking.allowed, line.scores, strict=True)
    ]
    return [int(f) for f in np.argsort(spread)[::-1]]


def _tests(asking: Asking, order: list[int]) -> list[_Tests]:
    """Money, each cut, and each cut with money at what a cent is worth."""
    found = []
    if np.isfinite(asking.left).any():
        left = asking.left
        found.append(_test(asking, order, left, tuple(-each for each in asking.cents)))
    for line in asking.lines:
        found.append(_test(asking, order, line.spare, line.scores))
        if (line.multiplier > 0).any():
            worth = worth_of(line.multiplier, asking.left)
            net = tuple(s - line.multiplier[:, None] * c for s, c in zip(line.scores, asking.cents, strict=True))
            found.append(_test(asking, order, line.spare + worth, net))
    return found


def _test(asking: Asking, order: list[int], start: FloatArray, values: tuple[FloatArray, ...]) -> _Tests:
    best = np.stack([np.where(asking.allowed[f], values[f], -np.inf).max(axis=1) for f in order])
    rest = np.concatenate([np.cumsum(best[::-1], axis=0)[::-1][1:], np.zeros((1, len(start)))])
    return _Tests(np.where(np.isposinf(start), ENOUGH, start), values, rest)


def worth_of(multiplier: FloatArray, left: FloatArray) -> FloatArray:
    """What the money left (n,) is worth at what a cent is, with something for the rounding of large numbers: (n,)."""
    worth: FloatArray = multiplier * np.where(multiplier > 0, left, 0.0)
    return worth + ROUNDING * np.abs(worth)
