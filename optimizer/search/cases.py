"""Best cases of drive sets that were run before: none is run twice, whatever is asked next.

How fast a drive set could be depends on its own parts and on the options that may complete it, not on money or on what
is asked. A best case holds for everything that has no other options than those it was run for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.search.drive_sets import DriveSets

KEPT = 24
"""Lists of best cases that are kept, each of one look at some thousand drive sets."""


@dataclass(frozen=True, slots=True)
class _Cases:
    """Best cases of n drive sets, each with some options: builds (n, S), options as packed bits, speeds (n,)."""

    builds: IntArray
    free: tuple[int, ...]
    options: npt.NDArray[np.uint8]
    speed_ms: FloatArray
    rows: dict[bytes, int]


class BestCases:
    """Best cases of the drive sets of one scenario and salt."""

    def __init__(self) -> None:
        self._lists: list[_Cases] = []

    def of(self, sets: DriveSets) -> FloatArray:
        """Speeds (D,) that no completion of drive sets passes, as far as they are known; infinite where not."""
        bound = np.full(len(sets), np.inf)
        keys, asked = [row.tobytes() for row in sets.builds], _packed(sets.allowed, len(sets))
        for cases in self._lists:
            if cases.free != sets.free:  # a part on offer has made another slot one that drives the car
                continue
            at = np.array([cases.rows.get(key, -1) for key in keys], dtype=np.int64)
            found = np.flatnonzero(at >= 0)
            found = found[~(asked[found] & ~cases.options[at[found]]).any(axis=1)]
            bound[found] = np.minimum(bound[found], cases.speed_ms[at[found]])
        return bound

    def learn(self, sets: DriveSets, speed_ms: FloatArray) -> None:
        """Keep speeds (D,) that no completion of drive sets passes."""
        options = _packed(sets.allowed, len(sets))
        left = np.arange(len(sets))
        while len(left):
            rows: dict[bytes, int] = {}
            again = [i for i, at in enumerate(left) if rows.setdefault(sets.builds[at].tobytes(), i) != i]
            self._keep(_Cases(sets.builds[left], sets.free, options[left], speed_ms[left], rows))
            left = left[np.array(again, dtype=np.int64)]

    def _keep(self, cases: _Cases) -> None:
        """Of many lists the first are the widest, and the last the most like what will be asked next."""
        self._lists.append(cases)
        del self._lists[KEPT // 2 : len(self._lists) - KEPT // 2]

    def moved(
        self, place: Sequence[IntArray], before: Sequence[int], after: Sequence[int], changed: Sequence[BoolArray]
    ) -> BestCases:
        """The same where options are at other places (m_s,) per slot; nothing is known of options that changed.

        Parameters
        ----------
        place : per slot, int array (m_s,)
            Where each option is now.
        before, after : sequence of int (S,)
            Numbers of options.
        changed : per slot, bool array (m_s,)
            Options, at their old places, that are not what they were.
        """
        found = BestCases()
        same = all(np.array_equal(at, np.arange(size)) for at, size in zip(place, after, strict=True))
        if same and not any(out.any() for out in changed):
            found._lists = list(self._lists)
            return found
        for cases in self._lists:
            kept = ~np.logical_or.reduce([out[cases.builds[:, s]] for s, out in enumerate(changed)])
            builds = np.stack([at[cases.builds[kept, s]] for s, at in enumerate(place)], axis=1)
            starts = np.cumsum([0, *(before[s] for s in cases.free)])
            bits = np.unpackbits(cases.options[kept], axis=1, count=int(starts[-1])).astype(np.bool_)
            allowed = []
            for s, start in zip(cases.free, starts, strict=False):
                mine = np.zeros((len(builds), after[s]), dtype=np.bool_)
                mine[:, place[s]] = bits[:, start : start + before[s]] & ~changed[s]
                allowed.append(mine)
            rows = {row.tobytes(): i for i, row in enumerate(builds)}
            options = _packed(allowed, len(builds))
            found._lists.append(_Cases(builds, cases.free, options, cases.speed_ms[kept], rows))
        return found


def _packed(allowed: Sequence[BoolArray], count: int) -> npt.NDArray[np.uint8]:
    """Options (D, m_s) of all slots as bits: (D, bytes)."""
    return np.packbits(np.concatenate([np.zeros((count, 0), dtype=np.bool_), *allowed], axis=1), axis=1)
