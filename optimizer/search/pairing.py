"""The best choice of options when some of them do not go together: exact where slots are linked as a tree.

A wheel needs a tire that fits it and a rotor that it clears: the best of each slot taken alone is often no car. Along a
tree of such pairs the best that go together are found by passing on, from slot to slot, the best that each kind of
option leaves (U. Bertele, F. Brioschi, "Nonserial Dynamic Programming", 1972, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.run.linear import kinds_of

NOTHING = -1e300
"""Worth of what may not be chosen: such numbers can be added and subtracted."""


@dataclass(frozen=True, slots=True)
class Link:
    """A slot that is chosen before another, and what it leaves of that.

    Attributes
    ----------
    parent, child : int
    fits : bool array (m_parent, m_child)
        Which options go together.
    kinds : bool array (k, m_child)
        Options of the child that go with each kind of option of the parent.
    kind : int array (m_parent,)
        Kind of each option of the parent.
    """

    parent: int
    child: int
    fits: BoolArray
    kinds: BoolArray
    kind: IntArray

    def passed(self, worth: FloatArray) -> FloatArray:
        """The most (n, k) among the child's options, worth so much (n, m_child), that go with each kind."""
        return np.stack([np.where(fits, worth, NOTHING).max(axis=1) for fits in self.kinds], axis=1)


def passed_up(links: Sequence[Link], worth: Sequence[FloatArray]) -> tuple[list[FloatArray], list[FloatArray]]:
    """What options (n, m_s) are worth with the best of all slots below them, and what each link passed: (n, k)."""
    own, passed = list(worth), []
    for link in reversed(links):
        passed.append(link.passed(own[link.child]))
        own[link.parent] = own[link.parent] + passed[-1][:, link.kind]
    return own, passed[::-1]


class Pairing:
    """Which options of some slots go together, as far as a forest of pairs of slots says it.

    Parameters
    ----------
    count : int
        Number of slots.
    forbidden : mapping
        Pairs of slots (f, g) -> bool array (m_f, m_g), True where two options do not go together. Of pairs that close a
        circle those that forbid least are left out: what is found is then no less than the best that go together.
    """

    def __init__(self, count: int, forbidden: Mapping[tuple[int, int], BoolArray]) -> None:
        self._links: dict[int, list[tuple[Link, Link]]] = {f: [] for f in range(count)}
        tree = list(range(count))  # slots that hang together have the same
        for (f, g), out in sorted(forbidden.items(), key=lambda each: -float(each[1].mean())):
            if out.any() and tree[f] != tree[g]:
                tree = [tree[f] if each == tree[g] else each for each in tree]
                down, up = Link(f, g, ~out, *kinds_of(~out)), Link(g, f, ~out.T, *kinds_of(~out.T))
                self._links[f].append((down, up))
                self._links[g].append((up, down))
        self._tree = tree
        self._both = self._from_roots(range(count))[1]

    def rooted(self, wanted: Sequence[int]) -> tuple[list[int], list[Link]]:
        """All slots, in about the order wanted, and links from each to such as come later; at most one to each.

        A slot comes after one of those that it is linked to, but for the first of each tree.
        """
        order, both = self._from_roots(wanted)
        return order, [down for down, _ in both]

    def _from_roots(self, wanted: Sequence[int]) -> tuple[list[int], list[tuple[Link, Link]]]:
        """As `rooted`, with each link also the other way round."""
        order: list[int] = []
        both: list[tuple[Link, Link]] = []
        while len(order) < len(wanted):
            trees = {self._tree[f] for f in order}
            ahead = {pair[0].child: pair for f in order for pair in self._links[f]}
            at = next(f for f in wanted if f not in order and (f in ahead or self._tree[f] not in trees))
            if at in ahead:
                both.append(ahead[at])
            order.append(at)
        return order, both

    def best(self, worth: Sequence[FloatArray]) -> tuple[FloatArray, list[FloatArray], list[IntArray]]:
        """The best choice in each of B boxes, by what each option is worth: (B, m_s) per slot.

        Options worth `NOTHING` or less are not allowed.

        Returns
        -------
        most : array (B,)
            What the best choice is worth; hardly more than `NOTHING` where no options go together.
        short : per slot, array (B, m_s)
            By how much the best choice with that option is less.
        place : per slot, int array (B,)
            The options of the best choice.
        """
        own, passed = passed_up([down for down, _ in self._both], worth)
        every, place = list(own), [each.argmax(axis=1) for each in own]
        for (down, up), message in zip(self._both, passed, strict=True):
            rest = every[down.parent] - message[:, down.kind]
            every[down.child] = own[down.child] + up.passed(rest)[:, up.kind]
            fits = down.fits[place[down.parent]]
            place[down.child] = np.where(fits, own[down.child], -np.inf).argmax(axis=1)
        roots = set(range(len(worth))) - {down.child for down, _ in self._both}
        most = np.sum([own[root].max(axis=1) for root in sorted(roots)], axis=0)
        return most, [each.max(axis=1)[:, None] - each for each in every], place
