"""Sharper prices for drive sets: split by which parts of kits, and which parts twice, their completions have.

Prices add up over slots only as lower bounds: a kit may bring a part for less, and of a pack another slot may use the
rest. Once it is known which of these a completion does, its price adds up exactly.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.choice.options import BoolArray
from optimizer.choice.price import PriceBook
from optimizer.search.drive_sets import DriveSets, joined

MOST_TIMES, MOST = 12, 1000
"""Kits are looked at only where they make no more than so many drive sets of one, on the average, and in all."""


class Purchases:
    """Splits the drive sets of one scenario by what is bought together.

    Parameters
    ----------
    book : PriceBook
    drive_slots : tuple of int
        Slots whose options a drive set fixes.
    """

    def __init__(self, book: PriceBook, drive_slots: tuple[int, ...]) -> None:
        self.book, self.drive_slots = book, drive_slots
        self.bounds = book.additive_bounds()
        in_kits = book.in_kits()
        self.in_kits = [np.array([part.id in in_kits for part in row]) for row in book.options.parts]

    def split(self, sets: DriveSets) -> DriveSets:
        """Each drive set once for every way of buying that changes its price: together they have all completions."""
        if len(sets) == 0 or sets.apart.any():
            return sets
        sets = self._by_kits(sets)
        spent = sets.spent.copy()
        for s in self.drive_slots:
            spent += (self.bounds.apart[s] - self.bounds.cents[s])[sets.builds[:, s]]
        sets = replace(sets, spent=spent, apart=np.ones(len(sets), dtype=bool))
        for place in self.book.shared_packs():
            sets = self._by_sharing(sets, *place)
        return sets

    def _by_kits(self, sets: DriveSets) -> DriveSets:
        """Once for every choice of parts in kits, with the exact price of these; unchanged where that is too many."""
        parts = [sets]
        for f, s in enumerate(sets.free):
            if self.in_kits[s].any():
                kinds = [~self.in_kits[s], *np.eye(len(self.in_kits[s]), dtype=bool)[self.in_kits[s]]]
                parts = [part for each in parts for kind in kinds if len(part := each.only(f, kind))]
                if sum(map(len, parts)) > min(MOST_TIMES * len(sets), MOST):
                    return sets
        found = joined(parts)
        builds = found.builds.copy()
        for s, ok in zip(found.free, found.allowed, strict=True):
            builds[:, s] = ok.argmax(axis=1)
        every = tuple(range(builds.shape[1]))
        more = self.book.kit_surcharge(builds, every) - self.book.kit_surcharge(builds, self.drive_slots)
        return replace(found, spent=found.spent + more).take(np.isfinite(more))

    def _by_sharing(self, sets: DriveSets, first: tuple[int, int], second: tuple[int, int], saved: int) -> DriveSets:
        """With one part in two slots, of one pack, and without."""
        (s, o), (t, q) = first, second
        both = self._may_have(sets, s, o) & self._may_have(sets, t, q)
        free = [place for place in (first, second) if place[0] in sets.free]
        if not both.any() or (saved < 0 and len(free) == 2):  # without a box of its own the price is low, never high
            return sets
        with_it = sets.take(np.flatnonzero(both))
        with_it = replace(with_it, spent=with_it.spent - saved)
        for slot, option in (first, second):
            if slot in sets.free:
                f = sets.free.index(slot)
                with_it = with_it.only(f, np.arange(with_it.allowed[f].shape[1]) == option)
        if not free:
            return sets.take(np.flatnonzero(~both)).and_also(with_it)
        if len(free) == 1:
            f = sets.free.index(free[0][0])
            allowed = sets.allowed[f].copy()
            allowed[both, free[0][1]] = False
            sets = replace(sets, allowed=(*sets.allowed[:f], allowed, *sets.allowed[f + 1 :]))
            sets = sets.take(sets.completable)
        return sets.and_also(with_it)

    def _may_have(self, sets: DriveSets, s: int, o: int) -> BoolArray:
        """Which drive sets have an option, or may be completed with it: (D,)."""
        if s in sets.free:
            return sets.allowed[sets.free.index(s)][:, o]
        return np.asarray(sets.builds[:, s] == o)
