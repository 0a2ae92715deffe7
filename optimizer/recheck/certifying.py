"""Makes evidence for a list that is known: a tree of bounds and cuts that closes on its own, however it was searched.

Here decisions are taken: which sets need a round, where cuts are laid, what a cent is worth, which slot to split by.
`checking` reads them from the file and computes every number anew by the same functions.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from optimizer.choice.options import FloatArray, IntArray
from optimizer.recheck.asking import Case
from optimizer.recheck.choices import Boxes, joined
from optimizer.recheck.evidence import Evidence, Group, Listed, Node, Split
from optimizer.recheck.groups import Groups
from optimizer.recheck.listing import Level, List, better, everything, level_for
from optimizer.recheck.rounds import CHUNK, Left, Prospects, Rounds
from optimizer.search.necessary import Demand

SCHEDULE = ((4, 1), (4, 3), (2, 3))
"""Cells and ways of the first rounds of a drive set; then it is split."""
SPLIT_ROUND = (2, 3)
MOST_PARTIAL = 300
"""Builds of a box, or parts of builds on the way to them, that are few enough to be gone through one by one."""
MOST_BOXES = 20_000
"""Boxes after which it gives up."""
HALVINGS = 40
DIGITS = 2
"""Significant digits of multipliers and decimals of shares that are written down."""


@dataclass(slots=True)
class _Draft:
    """A node that is being made, and the box it is about."""

    cells: int = 0
    ways: int = 0
    cuts: list[tuple[float, float]] = field(default_factory=list)
    then: dict[str, _Draft] | _Draft | str | None = None
    slot: str = ""

    def done(self) -> Node:
        """The node, whole; a draft without a round of its own that is split stands for the split."""
        then: Node | Split | str | None
        if isinstance(self.then, _Draft):
            below = self.then
            split = isinstance(below.then, dict) and not below.cells
            then = below.split() if split else below.done()
        else:
            assert not isinstance(self.then, dict)  # noqa: S101 - only drafts without a round are split
            then = self.then
        return Node(self.cells, self.ways, tuple(self.cuts), then)

    def split(self) -> Split:
        """The split that the draft stands for."""
        assert isinstance(self.then, dict)  # noqa: S101 - asked of such drafts only
        return Split(self.slot, {name: each.done() for name, each in self.then.items()})


class _Found:
    """Decisions looked for: one share and one multiplier for all ways of a box, by the middle of what suits each."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.shares: list[FloatArray] = []
        self.multipliers: list[FloatArray] = []

    def share(self, place: int, demand: Demand, fast: FloatArray, slow: FloatArray, rows: IntArray) -> FloatArray:
        """Where on the line the demand is just met."""
        assert place == len(self.shares)  # noqa: S101 - cuts come in order
        point, line = demand.on_line(fast, slow), slow - fast
        length = np.einsum("nl,nl->n", line, line)
        along = np.einsum("nl,nl->n", point - fast, line) / np.where(length > 0, length, 1.0)
        found = np.floor(np.clip(_middle(along, rows, self.count), 0.0, 1.0) * 10**DIGITS) / 10**DIGITS
        self.shares.append(found)
        return found[rows]

    def multiplier(self, place: int, prospects: Prospects, rows: IntArray) -> FloatArray:
        """What makes the bound least: it is convex in the multiplier."""
        assert place == len(self.multipliers)  # noqa: S101 - cuts come in order
        found = _rounded(_middle(_least(prospects), rows, self.count))
        self.multipliers.append(found)
        return found[rows]

    def cuts(self, row: int) -> list[tuple[float, float]]:
        """What was decided for a box."""
        return [(float(s[row]), float(m[row])) for s, m in zip(self.shares, self.multipliers, strict=True)]


def _middle(values: FloatArray, rows: IntArray, count: int) -> FloatArray:
    """Median of the values of each row: (count,), 0 where there is none."""
    found = np.zeros(count)
    order = np.lexsort([values, rows])
    sizes = np.bincount(rows, minlength=count)
    starts = np.cumsum(sizes) - sizes
    some = sizes > 0
    found[some] = values[order][(starts + sizes // 2)[some]]
    return found


def _rounded(values: FloatArray) -> FloatArray:
    """Numbers with few digits."""
    return np.array([float(f"{value:.{DIGITS - 1}e}") for value in values])


def _least(prospects: Prospects) -> FloatArray:
    """Multipliers (n,) at which the most that can be added is least: by halving the range its slope points into."""
    limited = np.isfinite(prospects.left)
    low, high = np.zeros(len(limited)), np.where(limited, 1.0, 0.0)
    best, chosen = prospects.most(low)[0], low
    for number in range(HALVINGS):
        middle = np.where(low > 0, np.sqrt(low * high), high * 1e-3) if number % 2 else 0.5 * (low + high)
        total, net = prospects.most(middle)
        at = [each.argmax(axis=1)[:, None] for each in net]
        spent = sum(np.take_along_axis(c, a, 1)[:, 0] for c, a in zip(prospects.cents, at, strict=True))
        better_one = total < best
        best, chosen = np.where(better_one, total, best), np.where(better_one, middle, chosen)
        over = spent > prospects.left
        low, high = np.where(over, middle, low), np.where(over, high, middle)
    return chosen


class Certifier:
    """Makes evidence for one case and list."""

    def __init__(self, case: Case, listed: List, inputs_sha256: str, tell: Callable[[str, float], None]) -> None:
        self.case, self.listed, self.hash, self.tell = case, listed, inputs_sha256, tell
        self.level: Level = level_for(case, listed)
        self.rounds = Rounds(case, self.level.level_ms)
        self.groups = Groups(case)
        self.why_not = ""
        self.boxes_seen = 0
        self.started = time.monotonic()

    def evidence(self) -> Evidence:
        """The evidence; ``complete`` only if everything that is not listed is ruled out."""
        groups = self._by_group() if self.level.level_ms > 0 else self._by_listing()
        case, listed = self.case, self.listed
        names = [slot.name for slot in case.options.slots]
        return Evidence(
            inputs_sha256=self.hash,
            asked=case.asked,
            listed=tuple(
                Listed(case.options.decode(build), float(speed), int(cents))
                for build, speed, cents in zip(listed.builds, listed.speed_ms, listed.cents, strict=True)
            ),
            kth_ms=self.level.kth_ms,
            level_ms=self.level.level_ms,
            complete=not self.why_not,
            why_not=self.why_not,
            group_slots=tuple(names[s] for s in self.groups.group_slots),
            set_slots=tuple(names[s] for s in self.groups.set_slots),
            groups=() if self.why_not else groups,
        )

    def _by_listing(self) -> tuple[Group, ...]:
        """Where the list is not full: everything that can be had must be in it, one by one."""
        sieved = self.groups.sieved(self.rounds)
        builds = everything(sieved.boxes(np.arange(len(sieved))))
        if builds is None:
            self.why_not = "the list is shorter than was asked for, and there are too many builds to try them all"
        else:
            self._try(builds)
        return ()

    def _by_group(self) -> tuple[Group, ...]:
        self.tell("evidence: bounds of all combinations", 0.75)
        sieved = self.groups.sieved(self.rounds)
        bound, low = sieved.highest(self.rounds)
        places = np.flatnonzero(~low)
        drafts = [_Draft() for _ in places]
        self._close(sieved.boxes(places), drafts)
        if self.why_not:
            return ()
        group = self.groups.group[sieved.rows]
        opened: list[dict[str, Node]] = [{} for _ in self.groups.firsts]
        for place, draft in zip(places, drafts, strict=True):
            opened[group[place]][self.groups.name_of_set(int(sieved.rows[place]))] = draft.done()
        highest = np.full(len(self.groups.firsts), -np.inf)
        np.maximum.at(highest, group[low], bound[low])
        return tuple(
            Group(self.groups.name_of(g), int(size), round(float(top), 3) if np.isfinite(top) else None, opened[g])
            for g, (size, top) in enumerate(zip(self.groups.sizes(), highest, strict=True))
        )

    # --- closing boxes ------------------------------------------------------------------------------------------

    def _close(self, boxes: Boxes, drafts: list[_Draft]) -> None:
        """Rounds, then splits and further rounds, until nothing is left but builds to be gone through."""
        to_try: list[IntArray] = []
        number = 0
        while len(boxes) and not self.why_not:
            cells, ways = SCHEDULE[number] if number < len(SCHEDULE) else SPLIT_ROUND
            self.tell("evidence: closing what is left", 0.8)
            if number >= len(SCHEDULE):
                boxes, drafts = self._split(boxes, drafts)
            self.boxes_seen += len(boxes)
            if self.boxes_seen > MOST_BOXES:
                self.why_not = f"more than {MOST_BOXES} boxes of builds would have to be looked at"
                return
            rest: list[Boxes] = []
            waiting: list[_Draft] = []
            for start in range(0, len(boxes), CHUNK):
                rows = np.arange(start, min(start + CHUNK, len(boxes)))
                left = self._round(boxes.take(rows), [drafts[row] for row in rows], cells, ways)
                big = self._sort(left, [drafts[start + row] for row in left.rows], to_try)
                rest.append(left.boxes.take(np.array(big, dtype=np.int64)))
                for place in big:
                    parent, child = drafts[start + left.rows[place]], _Draft()
                    parent.then = child
                    child.slot = self._widest(left, place)
                    waiting.append(child)
            boxes, drafts, number = joined(rest), waiting, number + 1
        if to_try and not self.why_not:
            self._try(np.concatenate(to_try))

    def _round(self, boxes: Boxes, drafts: list[_Draft], cells: int, ways: int) -> Left:
        found = _Found(len(boxes))
        left = self.rounds.go(boxes, cells, ways, found)
        for row, draft in enumerate(drafts):
            draft.cells, draft.ways, draft.cuts = cells, ways, found.cuts(row)
        return left

    def _sort(self, left: Left, drafts: list[_Draft], to_try: list[IntArray]) -> list[int]:
        """Places of boxes that need more; of the others the builds are noted that are to be tried."""
        every = np.arange(len(left.boxes))
        builds, box, too_many = left.builds(every, self.case, MOST_PARTIAL)
        to_try.append(builds[~too_many[box]])
        for place in np.flatnonzero(~too_many):
            drafts[place].then = "list"
        return [int(place) for place in np.flatnonzero(too_many)]

    def _widest(self, left: Left, place: int) -> str:
        """The free slot whose open options differ most on a cut."""
        way = int(np.flatnonzero(left.box == place)[0])
        spread = []
        for scores, ok in zip(left.lines[0].scores, left.boxes.allowed, strict=True):
            score = scores[way][ok[place]]
            spread.append(float(np.ptp(score)) if len(score) > 1 else -1.0)
        return self.case.options.slots[left.boxes.free[int(np.argmax(spread))]].name

    def _split(self, boxes: Boxes, drafts: list[_Draft]) -> tuple[Boxes, list[_Draft]]:
        """Each box once for every open option of the slot it is to be split by."""
        pieces, made = [], []
        for slot in sorted({draft.slot for draft in drafts}):
            alike = np.array([row for row, draft in enumerate(drafts) if draft.slot == slot])
            s = self.case.options.position(slot)
            parts, rows, options = self.rounds.split(boxes.take(alike), boxes.free.index(s))
            pieces.append(parts)
            children: list[dict[str, _Draft]] = [{} for _ in alike]
            for row, option in zip(rows, options, strict=True):
                child = _Draft()
                children[row][self.case.options.parts[s][option].id] = child
                made.append(child)
            for row, own in zip(alike, children, strict=True):
                drafts[row].then = own
        return joined(pieces), made

    def _try(self, builds: IntArray) -> None:
        """Go through builds one by one; a better one than those listed means that the list is wrong."""
        found = better(self.case, builds, self.level.level_ms, self.listed)
        if len(found):
            parts = ", ".join(self.case.options.decode(found[0]).values())
            self.why_not = f"a build that is not listed ranks among those that are: {parts}"


def certify(
    case: Case, builds: IntArray, inputs_sha256: str, tell: Callable[[str, float], None] | None = None
) -> Evidence:
    """Evidence for a list of builds (n, S), best first.

    Parameters
    ----------
    case : Case
    builds : array (n, S)
    inputs_sha256 : str
        Of the folder's files.
    tell : callable, optional
        Told what is going on, and the share done.
    """
    speed, _, care = case.run(builds)
    cents = np.array([case.cents(build) or 0 for build in builds], dtype=np.int64)
    listed = List(builds, speed, care, cents)
    return Certifier(case, listed, inputs_sha256, tell or (lambda _what, _share: None)).evidence()
