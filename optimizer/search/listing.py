"""Lists the completions of one drive set that keep some lines, the rules and the money."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.choice.price import AdditiveBounds
from optimizer.search.bounding import Batch
from optimizer.search.completions import Task, complete
from optimizer.search.drive_sets import DriveSets, cents_left, hours_left
from optimizer.search.pairing import Link, Pairing
from optimizer.search.propagation import Goal, Propagation, SetRow
from optimizer.search.sharing import Matter
from optimizer.search.whole_lists import Cut, Means, whole_lists


@dataclass(frozen=True, slots=True)
class Line:
    """``const + slope . z >= threshold`` in the coordinates z of one drive set; slope (L,).

    ``multiplier`` is what a cent is worth on it: it decides nothing, but shows sooner that money does not reach.
    """

    const: float
    slope: FloatArray
    threshold: float
    multiplier: float


Asked = tuple[Batch, Sequence[tuple[Sequence[Line], int]], Goal, Sequence[SetRow]]
"""Drive sets to complete, the lines of each and how many completions, and what all have in common."""
LEAST_LISTED = 10
"""Drive sets to list completions of that are worth another process."""


class Lister:
    """Lists completions for one scenario.

    Parameters
    ----------
    legality : Legality
    bounds : AdditiveBounds
        Lower bounds on prices by slot.
    hours_limit : float
        Most own hours a build may take.
    propagation : Propagation
        Knows the rows that completions must keep.
    matter : Matter
        The search that this belongs to; it has it as ``opener.lister``.

    Attributes
    ----------
    pairing : Pairing
        Which options of the free slots go together.
    """

    def __init__(
        self,
        legality: Legality,
        bounds: AdditiveBounds,
        hours_limit: float,
        propagation: Propagation,
        matter: Matter,
    ) -> None:
        self.bounds, self.hours_limit, self.propagation = bounds, hours_limit, propagation
        self.matter = matter
        where = {s: f for f, s in enumerate(propagation.space.free_slots)}
        pairs = legality.pairs.items()
        self.forbidden = {(where[s], where[t]): out for (s, t), out in pairs if s in where and t in where}
        self.pairing = Pairing(len(where), self.forbidden)

    def rows(self, batch: Batch, goal: Goal, spare: float = 1.0) -> list[SetRow]:
        """Linear rows that completions of a batch must keep; rotors must take ``spare`` times what the goal asks."""
        return self.propagation.rows(batch.sets, goal, spare)

    def whole(self, batch: Batch, cuts: Sequence[Cut], goal: Goal, most: int) -> list[IntArray | None]:
        """`whole_lists` of a batch."""
        means = Means(self.bounds, goal.money, self.hours_limit)
        return whole_lists(batch, cuts, self.rows(batch, goal), means, self.pairing, self.forbidden, most)

    def lists(
        self,
        batch: Batch,
        places: IntArray,
        asked: Sequence[tuple[Sequence[Line], int]],
        goal: Goal,
        rows: Sequence[SetRow],
    ) -> list[tuple[IntArray, bool]]:
        """`complete` for several drive sets of a batch; lines and how many completions are asked of each."""
        pieces = [
            (batch.take(places[part]), [asked[n] for n in part], goal, [row.take(places[part]) for row in rows])
            for part in self.matter.parts(len(places), LEAST_LISTED)
        ]
        return [found for each in self.matter.done(_lists, pieces) for found in each]

    def complete(
        self,
        batch: Batch,
        place: int,
        lines: Sequence[Line],
        goal: Goal,
        most: int,
        rows: Sequence[SetRow],
    ) -> tuple[IntArray, bool]:
        """Completions of one drive set of a batch, and whether some were left out because there are too many.

        Parameters
        ----------
        batch : Batch
        place : int
            Of the drive set in the batch.
        lines : sequence of Line
            All are kept. The first says which completions come first.
        goal : Goal
            The money there is.
        most : int
            Of how many completions the best are kept.
        rows : sequence of SetRow
            What `rows` says of the whole batch.
        """
        here = np.array([place])
        one, additions = batch.sets.take(here), [add.take(here) for add in batch.additions]
        slopes = np.stack([line.slope for line in lines])
        scores = [add.take(np.zeros(len(lines), dtype=np.int64)).along(slopes) for add in additions]
        allowed = [ok[0] for ok in one.allowed]
        spread = [np.ptp(score[0][ok]) for score, ok in zip(scores, allowed, strict=True)]
        order, links = self.pairing.rooted(sorted(range(len(one.free)), key=lambda f: -spread[f]))
        kept = [(row.of(place), row.left[place]) for row in rows]
        based = [(line.const + float(batch.frame.base[place] @ line.slope), line) for line in lines]
        task = self._task(one, order, links, allowed, scores, goal, kept, based)
        found = complete(task, most, cheapest=goal.cheapest)
        builds = np.repeat(one.builds, len(found.choices), axis=0)
        builds[:, [one.free[f] for f in order]] = found.choices
        return builds, found.cut_off

    def _task(
        self,
        one: DriveSets,
        order: list[int],
        links: list[Link],
        allowed: Sequence[BoolArray],
        scores: list[FloatArray],
        goal: Goal,
        rows: list[tuple[tuple[FloatArray, ...], float]],
        lines: list[tuple[float, Line]],
    ) -> Task:
        """What is to be completed, free slots in a given order."""
        free = [one.free[f] for f in order]
        where = {f: place for place, f in enumerate(order)}
        pairs = {}
        for (f, g), forbidden in self.forbidden.items():
            a, b = where[f], where[g]
            pairs[min(a, b), max(a, b)] = forbidden if a < b else forbidden.T
        cents = self.bounds.apart if one.apart[0] else self.bounds.cents
        return Task(
            allowed=[allowed[f] for f in order],
            scores=[scores[f] for f in order],
            score_base=np.array([base for base, _ in lines]),
            threshold=np.array([line.threshold for _, line in lines]),
            cents=[cents[s].astype(float) for s in free],
            cents_left=float(cents_left(one, goal.money)[0]),
            jobs=[self.bounds.jobs[s].astype(np.int64) for s in free],
            jobs_done=int(one.jobs[0]),
            job_cents=self.bounds.job_cents.astype(float),
            job_hours=self.bounds.job_hours,
            hours=[self.bounds.hours[s] for s in free],
            hours_left=float(hours_left(one, self.bounds, self.hours_limit)[0]),
            multipliers=np.array([line.multiplier for _, line in lines]),
            rows=[[coefficients[f] for f in order] for coefficients, _ in rows],
            row_left=np.array([left for _, left in rows]),
            pairs=pairs,
            links=[replace(link, parent=where[link.parent], child=where[link.child]) for link in links],
        )


def _lists(search: Any, piece: Asked) -> list[tuple[IntArray, bool]]:
    """Completions of each drive set of a batch; by the lister of a search."""
    batch, asked, goal, rows = piece
    lister: Lister = search.opener.lister
    return [lister.complete(batch, place, lines, goal, most, rows) for place, (lines, most) in enumerate(asked)]
