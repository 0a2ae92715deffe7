"""Makes evidence for a list that is known: a tree of bounds and cuts that closes on its own, however it was searched.

Here decisions are taken: which sets need a round, where cuts are laid, what a cent is worth, which slot to split by.
`checking` reads them from the file and computes every number anew by the same functions.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.recheck.asking import Case
from optimizer.recheck.choices import Boxes, joined
from optimizer.recheck.evidence import MOST_TYPICAL, MOST_WORTH, Evidence, Group, Listed, Node, Split
from optimizer.recheck.groups import Groups
from optimizer.recheck.listing import Level, List, better, everything, level_for
from optimizer.recheck.rounds import CHUNK, Left, Parts, Prospects, Rounds
from optimizer.run.linear import COORDINATES
from optimizer.search.demands import best_case
from optimizer.search.necessary import Demand
from optimizer.search.surrogate import lagrangian_bound

CELLS = (4, 2)
"""Cells in the first round of a drive set, and later."""
FEW, MOST_PARTIAL = 2000, 300
"""Builds of a box that are worth a look for such as keep all its cuts, in the first round already; and such builds, or
parts of builds on the way to them, that are few enough to be gone through one by one."""
MOST_BOXES = 60_000
"""Boxes after which it gives up."""
RANGE_MS = 0.1
"""Ranges of the highest speed in a run that are narrower are not split."""
SAMPLE, SAMPLE_DEPTH_MS = 24, 0.3
"""Drive sets whose slopes are taken as typical, and how far below the level."""
DIGITS, SHARE_DIGITS = 2, 2
"""Significant digits of slopes and multipliers, and decimals of shares that are written down."""


@dataclass(slots=True)
class _Draft:
    """A node that is being made."""

    cells: int = 0
    cuts: list[tuple[float, float]] = field(default_factory=list)
    then: _Draft | _Parting | str | None = None

    def done(self) -> Node:
        """The node, whole."""
        then = self.then.done() if isinstance(self.then, _Draft | _Parting) else self.then
        return Node(self.cells, tuple(self.cuts), then)


@dataclass(slots=True)
class _Parting:
    """A split that is being made: ``by`` says how."""

    by: _By
    parts: dict[str, _Draft] = field(default_factory=dict)

    def done(self) -> Split:
        """The split, whole."""
        parts = {name: each.done() for name, each in self.parts.items()}
        return Split(self.by.slot, self.by.first, self.by.runs, parts)


class _By(NamedTuple):
    """How a box is split: by a slot, the mildest first so many options; or by the highest speeds in some runs."""

    slot: str
    first: int
    runs: tuple[int, ...]


class _Found:
    """Decisions looked for, for the boxes of a round."""

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
        self.shares.append(np.zeros(self.count))
        self.shares[-1][rows] = np.floor(np.clip(along, 0.0, 1.0) * 10**SHARE_DIGITS) / 10**SHARE_DIGITS
        return self.shares[-1][rows]

    def multiplier(self, place: int, prospects: Prospects, rows: IntArray) -> FloatArray:
        """What makes the bound least."""
        assert place == len(self.multipliers)  # noqa: S101 - cuts come in order
        scores, cents, allowed = list(prospects.scores), list(prospects.cents), list(prospects.allowed)
        _, found = lagrangian_bound(scores, cents, prospects.left, allowed)
        self.multipliers.append(np.zeros(self.count))
        self.multipliers[-1][rows] = _rounded(np.minimum(found, MOST_WORTH))
        return self.multipliers[-1][rows]

    def cuts(self, row: int) -> list[tuple[float, float]]:
        """What was decided for a box."""
        return [(float(s[row]), float(m[row])) for s, m in zip(self.shares, self.multipliers, strict=True)]


def _rounded(values: FloatArray) -> FloatArray:
    """Numbers with few digits."""
    return np.array([float(f"{value:.{DIGITS - 1}e}") for value in values])


class Certifier:
    """Makes evidence for one case and list."""

    def __init__(self, case: Case, listed: List, inputs_sha256: str, tell: Callable[[str, float], None]) -> None:
        self.case, self.listed, self.hash, self.tell = case, listed, inputs_sha256, tell
        self.level: Level = level_for(case, listed)
        self.rounds = Rounds(case, self.level.level_ms)
        self.groups = Groups(case)
        self.why_not = ""
        self.boxes_seen = 0
        self.typical = np.ones(len(COORDINATES))
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
            typical=tuple(float(each) for each in self.typical),
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
        drafts, boxes = [_Draft() for _ in places], sieved.boxes(places)
        self.typical = self._slopes(boxes)
        self._close(boxes, drafts)
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

    def _slopes(self, boxes: Boxes) -> FloatArray:
        """What each coordinate is typically worth [m/s per unit], which says what is milder: (L,)."""
        if len(boxes) == 0:
            return self.typical
        some = boxes.take(np.unique(np.linspace(0, len(boxes) - 1, SAMPLE).astype(np.int64)))
        opened, scores = self.rounds.open(some), self.rounds.scores
        envelopes = self.rounds.envelopes(opened, CELLS[0])
        ways = scores.ways(envelopes, [best_case(each) for each in envelopes], self.level.level_ms - SAMPLE_DEPTH_MS)
        span, demand = opened.span.take(ways.rows), ways.demands[0]
        _, slope, holds = demand.cut(demand.on_line(span.least, span.most))
        if not holds.any():
            return self.typical
        return _rounded(np.clip(-np.median(slope[holds], axis=0), 0.0, MOST_TYPICAL))

    def _close(self, boxes: Boxes, drafts: list[_Draft]) -> None:
        """Rounds, with splits between them, until nothing is left but builds to be gone through."""
        to_try: list[IntArray] = []
        number = 0
        while len(boxes) and not self.why_not:
            self.tell("evidence: closing what is left", 0.8)
            self.boxes_seen += len(boxes)
            if self.boxes_seen > MOST_BOXES:
                self.why_not = f"more than {MOST_BOXES} boxes of builds would have to be looked at"
                return
            rest: list[Boxes] = []
            waiting: list[_Draft] = []
            for start in range(0, len(boxes), CHUNK):
                rows = np.arange(start, min(start + CHUNK, len(boxes)))
                left = self._round(boxes.take(rows), [drafts[row] for row in rows], number)
                own = [drafts[start + row] for row in left.rows]
                big = self._sort(left, own, to_try, number)
                rest.append(left.boxes.take(big))
                waiting += [own[place] for place in big]
            boxes, drafts = self._parted(joined(rest), waiting, number)
            number += 1
        if to_try and not self.why_not:
            self._try(np.concatenate(to_try))

    def _round(self, boxes: Boxes, drafts: list[_Draft], number: int) -> Left:
        cells = CELLS[min(number, len(CELLS) - 1)]
        found = _Found(len(boxes))
        left = self.rounds.go(boxes, cells, found)
        for row, draft in enumerate(drafts):
            draft.cells, draft.cuts = cells, found.cuts(row)
        return left

    def _sort(self, left: Left, drafts: list[_Draft], to_try: list[IntArray], number: int) -> IntArray:
        """Places of boxes that need more; of the others the builds are noted that are to be tried."""
        big = np.ones(len(left.boxes), dtype=np.bool_)
        some = np.flatnonzero(left.boxes.completions <= (FEW if number == 0 else np.inf))
        builds, box, too_many = left.builds(some, self.case, MOST_PARTIAL)
        to_try.append(builds[~too_many[box]])
        big[some] = too_many[some]
        for place in np.flatnonzero(~big):
            drafts[place].then = "list"
        return np.flatnonzero(big)

    def _parted(self, boxes: Boxes, drafts: list[_Draft], number: int) -> tuple[Boxes, list[_Draft]]:
        """What the next round is about, and its drafts: boxes in parts, or as they are."""
        pieces, made = [boxes.take(np.zeros(0, dtype=np.int64))], []
        ways = self._ways(boxes, number)
        for kind in sorted({(by.slot, by.runs) for by in ways}):
            alike = np.array([row for row, by in enumerate(ways) if (by.slot, by.runs) == kind])
            some, firsts = boxes.take(alike), np.array([ways[row].first for row in alike])
            if kind == ("", ()):
                parts = Parts(some, np.arange(len(alike)), [""] * len(alike))
            elif kind[0]:
                parts = self.rounds.by_slot(some, self._free(boxes, kind[0]), firsts, self.typical)
            else:
                parts = self.rounds.by_speed(some, kind[1])
            pieces.append(parts.boxes)
            for row in alike if any(kind) else ():
                drafts[row].then = _Parting(ways[row])
            for row, name in zip(parts.rows, parts.names, strict=True):
                parent, child = drafts[alike[row]], _Draft()
                if isinstance(parent.then, _Parting):
                    parent.then.parts[name] = child
                else:
                    parent.then = child
                made.append(child)
        return joined(pieces), made

    def _free(self, boxes: Boxes, slot: str) -> int:
        return boxes.free.index(self.case.options.position(slot))

    def _ways(self, boxes: Boxes, number: int) -> list[_By]:
        """How each box is split: by what makes its bound loose, how little is known of speeds or what may be chosen.

        After the first round by speeds only. By a slot milder and harsher options part where half the harm lies.
        """
        ranged = self.rounds.scores.ranged(len(self.case.judge.conditions))
        width = np.where(np.isfinite(boxes.below_ms), boxes.below_ms - boxes.each_ms, 0.0)[:, :ranged]
        spread, first = np.zeros((len(boxes.free), len(boxes))), np.zeros((len(boxes.free), len(boxes)), dtype=np.int64)
        if number:
            harms = self.rounds.harms(boxes, self.typical, range(len(boxes.free)))
            for f, (harm, ok) in enumerate(zip(harms, boxes.allowed, strict=True)):
                spread[f], first[f] = _in_two(harm, ok)
        widest, most = spread.argmax(axis=0), spread.max(axis=0, initial=0.0)
        wide = width > np.maximum(most, RANGE_MS)[:, None]
        found = []
        for row, f in enumerate(widest):
            runs = tuple(int(run) for run in np.flatnonzero(wide[row]))
            slot = "" if runs or not number else self.case.options.slots[boxes.free[f]].name
            found.append(_By(slot, int(first[f, row]) if slot else 0, runs))
        return found

    def _try(self, builds: IntArray) -> None:
        """Go through builds one by one; a better one than those listed means that the list is wrong."""
        found = better(self.case, builds, self.level.level_ms, self.listed)
        if len(found):
            parts = ", ".join(self.case.options.decode(found[0]).values())
            self.why_not = f"a build that is not listed ranks among those that are: {parts}"


def _in_two(harm: FloatArray, allowed: BoolArray) -> tuple[FloatArray, IntArray]:
    """The range of harm (E,) of a slot's open options, below 0 where there is but one; and how many are mild."""
    number = allowed.sum(axis=1)
    low, high = np.where(allowed, harm, np.inf).min(axis=1), np.where(allowed, harm, -np.inf).max(axis=1)
    milder = (allowed & (harm <= 0.5 * (low + high)[:, None])).sum(axis=1)
    return np.where(number > 1, high - low, -1.0), np.where(milder < number, milder, number // 2)


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
