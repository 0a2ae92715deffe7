"""Goes through the boxes of a file of evidence as the file has it, and gathers the builds that are to be tried."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from optimizer.choice.options import FloatArray, IntArray
from optimizer.recheck.asking import Case
from optimizer.recheck.choices import Boxes, joined
from optimizer.recheck.evidence import Node, Split
from optimizer.recheck.rounds import CHUNK, Left, Prospects, Rounds
from optimizer.search.necessary import Demand

MOST_PARTIAL = 20_000
"""Builds of a box, or parts of builds on the way to them, that may be left to be gone through one by one. Far more than
where evidence is made: how many parts there are on the way hangs on which boxes are looked at together, so that one
which has too many among others is looked at alone."""


class _Written:
    """Decisions as the file has them, for boxes whose nodes are given."""

    def __init__(self, nodes: list[Node]) -> None:
        most = max((len(node.cuts) for node in nodes), default=0)
        table = np.zeros((len(nodes), most, 2))
        for row, node in enumerate(nodes):
            if node.cuts:
                table[row, : len(node.cuts)] = node.cuts
        self.table = table

    def share(self, place: int, _demand: Demand, _fast: FloatArray, _slow: FloatArray, rows: IntArray) -> FloatArray:
        """Where the cut is laid; at the fast end where the file says nothing."""
        return self._column(place, 0)[rows]

    def multiplier(self, place: int, _prospects: Prospects, rows: IntArray) -> FloatArray:
        """What a cent is worth; nothing where the file does not say."""
        return self._column(place, 1)[rows]

    def _column(self, place: int, which: int) -> FloatArray:
        if place >= self.table.shape[1]:
            return np.zeros(len(self.table))
        return self.table[:, place, which]


@dataclass(frozen=True, slots=True)
class Waiting:
    """Boxes that wait for their rounds, with the names to call them by and what the file says of them."""

    boxes: Boxes
    names: list[str]
    nodes: list[Node]


class Walker:
    """Goes through boxes of one case.

    Parameters
    ----------
    case : Case
    rounds : Rounds
        For the level asked for.
    typical : array (L,)
        The file's slopes.
    fault : callable
        Told what is wrong.

    Attributes
    ----------
    to_try : list of arrays (n, S)
        Builds that nothing has ruled out.
    names : list of str
        What the box of each of those arrays is called.
    """

    def __init__(self, case: Case, rounds: Rounds, typical: FloatArray, fault: Callable[[str], None]) -> None:
        self.case, self.rounds, self.typical, self.fault = case, rounds, typical, fault
        self.to_try: list[IntArray] = []
        self.names: list[str] = []

    def walk(self, waiting: Waiting) -> None:
        """Go through boxes as the file has it, all of one depth together."""
        while len(waiting.boxes):
            rest: list[Waiting] = []
            cells = np.array([node.cells for node in waiting.nodes])
            for width in np.unique(cells):
                alike = np.flatnonzero(cells == width)
                for start in range(0, len(alike), CHUNK):
                    rows = alike[start : start + CHUNK]
                    nodes = [waiting.nodes[row] for row in rows]
                    left = self.rounds.go(waiting.boxes.take(rows), int(width), _Written(nodes))
                    names_left = [waiting.names[rows[row]] for row in left.rows]
                    some = Waiting(left.boxes, names_left, [nodes[row] for row in left.rows])
                    rest += self._follow(left, some)
            waiting = Waiting(
                joined([waiting.boxes.take(np.zeros(0, dtype=np.int64)), *(each.boxes for each in rest)]),
                [name for each in rest for name in each.names],
                [node for each in rest for node in each.nodes],
            )

    def _follow(self, left: Left, some: Waiting) -> list[Waiting]:
        """What follows for the boxes that a round leaves."""
        further, listing = [], []
        splits: dict[tuple[str, tuple[int, ...]], list[int]] = {}
        for place, (name, node) in enumerate(zip(some.names, some.nodes, strict=True)):
            if node.then is None:
                count = left.boxes.completions[place]
                self.fault(f"{name}: what the file says does not rule out the last {count:.0f} builds")
            elif isinstance(node.then, Node):
                further.append(place)
            elif isinstance(node.then, Split):
                splits.setdefault((node.then.slot, node.then.runs), []).append(place)
            else:
                listing.append(place)
        if listing:
            builds, box, too_many = left.builds(np.array(listing), self.case, MOST_PARTIAL)
            for own in np.unique(box):
                self.to_try.append(builds[box == own])
                self.names.append(some.names[own])
            for crowded in np.flatnonzero(too_many):
                alone, _, still = left.builds(np.array([crowded]), self.case, MOST_PARTIAL)
                if still.any():
                    self.fault(f"{some.names[crowded]}: too many builds are left to try them one by one")
                self.to_try.append(alone)
                self.names.append(some.names[crowded])
        found = [self._split(some, *how, np.array(places)) for how, places in splits.items()]
        nodes = [some.nodes[place].then for place in further]
        found.append(
            Waiting(
                some.boxes.take(np.array(further, dtype=np.int64)),
                [some.names[place] for place in further],
                [node for node in nodes if isinstance(node, Node)],
            )
        )
        return found

    def _split(self, some: Waiting, slot: str, runs: tuple[int, ...], places: IntArray) -> Waiting:
        """The parts of boxes that are split alike; each that is left must stand in the file."""
        boxes = some.boxes.take(places)
        nodes = [some.nodes[place].then for place in places]
        splits = [node for node in nodes if isinstance(node, Split)]
        free = [self.case.options.slots[s].name for s in boxes.free]
        if slot and slot not in free:
            return self._unsplit(some, places, f"split by {slot!r}, which is no slot that is open")
        if not slot and not np.isfinite(boxes.below_ms[:, list(runs)]).all():
            return self._unsplit(some, places, f"split by speeds in runs {list(runs)}, of which no highest is known")
        if slot:
            firsts = np.array([split.first for split in splits])
            parts = self.rounds.by_slot(boxes, free.index(slot), firsts, self.typical)
        else:
            parts = self.rounds.by_speed(boxes, runs)
        names, below, kept = [], [], []
        for place, (row, part) in enumerate(zip(parts.rows, parts.names, strict=True)):
            name = f"{some.names[places[row]]}, {slot or 'speed'} {part}"
            if part not in splits[row].parts:
                self.fault(f"{name}: this part of the split is missing")
                continue
            names.append(name)
            below.append(splits[row].parts[part])
            kept.append(place)
        return Waiting(parts.boxes.take(np.array(kept, dtype=np.int64)), names, below)

    def _unsplit(self, some: Waiting, places: IntArray, told: str) -> Waiting:
        """Boxes cannot be split as the file says."""
        for place in places:
            self.fault(f"{some.names[place]}: {told}")
        return Waiting(some.boxes.take(places[:0]), [], [])
