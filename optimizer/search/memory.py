"""What earlier searches found out about one car, course and salt, for the next one to begin with.

Speeds and checks of a build do not depend on money or on what is asked. What a complete search ruled out stays ruled
out for every question that allows no more than it did. Nothing here is valid for another class, salt or course.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import BoolArray, FloatArray, IntArray, Options
from optimizer.choice.price import PriceBook
from optimizer.scenario.parts import Engine, Part
from optimizer.search.cases import BestCases
from optimizer.search.surrogate import Slopes


@dataclass(frozen=True, slots=True)
class Limits:
    """What a question allows: money and own hours at most, options that are out (m_s,) per slot, names of the rows."""

    cents: float
    hours: float
    forbidden: tuple[BoolArray, ...]
    rows: frozenset[str]

    @classmethod
    def of(cls, legality: Legality, cents: float, hours: float) -> Limits:
        """Limits of a question."""
        return cls(cents, hours, legality.forbidden, frozenset(row.name for row in legality.rows))

    def new_in(self, other: Limits) -> tuple[BoolArray, ...] | None:
        """Options (m_s,) per slot that other limits allow and these do not; None where they allow more besides."""
        if other.cents > self.cents or other.hours > self.hours or not self.rows <= other.rows:
            return None
        return tuple(out & ~still for out, still in zip(self.forbidden, other.forbidden, strict=True))

    def in_place(self, place: tuple[IntArray, ...], sizes: tuple[int, ...]) -> Limits:
        """The same with options at other places (m_s,) per slot; an option that is new there is not allowed."""
        forbidden = []
        for out, at, size in zip(self.forbidden, place, sizes, strict=True):
            moved = np.ones(size, dtype=np.bool_)
            moved[at] = out
            forbidden.append(moved)
        return replace(self, forbidden=tuple(forbidden))


@dataclass(frozen=True, slots=True)
class Known:
    """n legal builds: builds (n, S), the other arrays (n,)."""

    builds: IntArray
    speed_ms: FloatArray
    cents: IntArray
    hours: FloatArray
    care: FloatArray

    def take(self, rows: IntArray | BoolArray) -> Known:
        """Some of them."""
        return Known(self.builds[rows], self.speed_ms[rows], self.cents[rows], self.hours[rows], self.care[rows])


@dataclass(frozen=True, slots=True)
class Settled:
    """Every legal build within some limits that scores at least ``level_ms`` is known."""

    level_ms: float
    limits: Limits


class Memory:
    """What is known about the builds of one scenario.

    Attributes
    ----------
    builds : array (n, S)
        Builds that were run and checked.
    numbers : array (n, 2)
        Their speed [m/s] and smallest margin.
    legal : bool array (n,)
        Whether they pass every check that needs a run.
    settled : list of Settled
    cases : BestCases
        How fast drive sets could be.
    hints : array (h, S)
        Builds that may be good, to begin with; nothing is known of them here.
    slopes : Slopes
        What coordinates cost in the cars met.
    """

    def __init__(self, options: Options) -> None:
        self.options = options
        self.builds: IntArray = np.zeros((0, len(options.slots)), dtype=np.int64)
        self.numbers: FloatArray = np.zeros((0, 2))
        self.legal: BoolArray = np.zeros(0, dtype=np.bool_)
        self.settled: list[Settled] = []
        self._known: set[bytes] = set()
        self.cases = BestCases()
        self.hints: IntArray = self.builds
        self.slopes = Slopes()

    def fastest(self, count: int) -> IntArray:
        """The fastest known builds that pass every check, at most so many: (n, S)."""
        legal = np.flatnonzero(self.legal)
        return self.builds[legal[np.argsort(-self.numbers[legal, 0], kind="stable")[:count]]]

    def learn(self, builds: IntArray, speed_ms: FloatArray, care: FloatArray, legal: BoolArray) -> None:
        """Keep builds (n, S) that were run and checked."""
        fresh = unseen(builds, self._known)
        if fresh.any():
            self.builds = np.concatenate([self.builds, builds[fresh]])
            self.numbers = np.concatenate([self.numbers, np.stack([speed_ms, care], axis=1)[fresh]])
            self.legal = np.concatenate([self.legal, legal[fresh]])

    def within(self, legality: Legality, book: PriceBook, cents: float, having: BoolArray | None = None) -> Known:
        """Known builds that pass every check, that a question allows and that cost no more than so much.

        ``having`` (n,) says which of all known builds to look among; all when left out.
        """
        rows = np.flatnonzero(self.legal if having is None else self.legal & having)
        rows = rows[legality.allowed(self.builds[rows])]
        prices = book.price(self.builds[rows])
        speed, care = self.numbers[rows].T
        known = Known(self.builds[rows], speed, prices.cents, prices.hours, care)
        return known.take(prices.available & (prices.cents <= cents))

    def settle(self, level_ms: float, limits: Limits) -> None:
        """Note that every build within limits that scores at least so much is known; forget what that includes."""
        self.settled = [
            each
            for each in self.settled
            if each.level_ms < level_ms or not _nothing(limits.new_in(each.limits))
        ]
        self.settled.append(Settled(level_ms, limits))

    def left_open(self, level_ms: float, limits: Limits) -> tuple[BoolArray, ...] | None:
        """Options (m_s,) per slot of which every unknown build within limits that scores at least so much has one.

        None where nothing is known of what is unknown; no option at all where every such build is known.
        """
        new = [each.limits.new_in(limits) for each in self.settled if each.level_ms <= level_ms]
        open_ = [options for options in new if options is not None]
        return min(open_, key=lambda options: sum(int(each.sum()) for each in options), default=None)

    def moved(self, options: Options) -> Memory:
        """The same for a scenario that has more parts, or parts of another price or with other properties.

        Parts are compared by id. Builds with a part whose properties changed are forgotten; what was settled says no
        longer anything of those, nor of builds with a part that is cheaper now. A part that is dearer takes nothing
        away: what could not be had then cannot be had now. Nothing is kept where a part changed that all builds may
        hang on: one that the car was weighed with, or an engine that others are tunes of; nor where a part is gone.
        Car, event and kits must be the same.
        """
        ids = [({part.id for part in here}, [part.id for part in there])
               for here, there in zip(self.options.parts, options.parts, strict=True)]  # fmt: skip
        if not all(here.issubset(there) for here, there in ids):
            return Memory(options)
        place = tuple(
            np.array([there.index(part.id) for part in here])
            for here, (_, there) in zip(self.options.parts, ids, strict=True)
        )
        changes = [
            [_change(part, there[at]) for part, at in zip(here, where, strict=True)]
            for here, there, where in zip(self.options.parts, options.parts, place, strict=True)
        ]
        other = tuple(np.array([each.other for each in row], dtype=np.bool_) for row in changes)
        unknown = tuple(np.array([each.other or each.cheaper for each in row], dtype=np.bool_) for row in changes)
        found = Memory(options)
        if self._all_may_differ(other):
            return found
        known = self.builds[: len(self.legal)]  # a search that was interrupted may have left more
        kept = np.flatnonzero(~np.logical_or.reduce([out[known[:, s]] for s, out in enumerate(other)]))
        builds = np.stack([at[known[kept, s]] for s, at in enumerate(place)], axis=1)
        found.learn(builds, self.numbers[kept, 0], self.numbers[kept, 1], self.legal[kept])
        found.slopes = self.slopes
        found.cases = self.cases.moved(place, self.options.sizes, options.sizes, other)
        for each in self.settled:
            forbidden = tuple(out | new for out, new in zip(each.limits.forbidden, unknown, strict=True))
            limits = replace(each.limits, forbidden=forbidden).in_place(place, options.sizes)
            found.settled.append(Settled(each.level_ms, limits))
        return found

    def _all_may_differ(self, other: Sequence[BoolArray]) -> bool:
        """Whether builds without a changed part may be others too: ``other`` (m_s,) per slot says what changed."""
        pairs = zip(self.options.parts, other, strict=True)
        changed = {part.id for parts, out in pairs for part, new in zip(parts, out, strict=True) if new}
        bases = {part.base for parts in self.options.parts for part in parts if isinstance(part, Engine)}
        return bool(changed & (bases | {parts[0].id for parts in self.options.parts}))


@dataclass(frozen=True, slots=True)
class _Change:
    """What happened to a part: whether it costs less, and whether anything but its price is another."""

    cheaper: bool
    other: bool


def _change(before: Part, after: Part) -> _Change:
    """Compare two records of a part."""
    if before is after:
        return _Change(cheaper=False, other=False)
    was, now = (np.inf if part.price_cents is None else part.price_cents for part in (before, after))
    return _Change(now < was, replace(before, price_cents=after.price_cents) != after)


def unseen(builds: IntArray, seen: set[bytes]) -> BoolArray:
    """Which builds (n, S) are not among those seen, and do not come twice: (n,). They are seen then."""
    new = []
    for row in np.ascontiguousarray(builds):
        key = row.tobytes()
        new.append(key not in seen)
        seen.add(key)
    return np.array(new, dtype=np.bool_)


def _nothing(options: Iterable[BoolArray] | None) -> bool:
    """Whether there is an answer, and it holds no option."""
    return options is not None and not any(each.any() for each in options)
