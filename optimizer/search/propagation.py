"""What rules, money and a wanted speed leave of the options of drive sets: what no completion can have is struck out.

Nothing here asks how fast a car is; each step only looks at the mildest choice in all other slots. Steps go round
until none strikes out anything more (A. K. Mackworth, "Consistency in networks of relations", Artificial Intelligence 8
(1977), from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.choice.price import AdditiveBounds
from optimizer.run.judge import SPEED_STEP_MS, Judge
from optimizer.run.linear import LinearSpace
from optimizer.scenario.event import Bracket
from optimizer.search.drive_sets import DriveSets, joined, within_budget

ROUNDS = 8
"""Times that everything is gone through at most: what is then not struck out yet only makes more work."""
BLOCK = 1 << 18
"""Options of drive sets looked at together: what fits the cache."""
BOARD_STEP_MS = 0.05
"""Steps in which speeds at the last board are told apart."""
CAP_ROUNDING_MS = 1e-6
"""What rounding may add to the score of a car that a cap holds."""


@dataclass(frozen=True, slots=True)
class Goal:
    """What is looked for: builds at least as fast as ``level``, for at most ``money`` cents.

    ``ties`` says whether builds that can only equal the level count; ``cheapest`` lists cheap completions first;
    ``probe`` lists the best of each drive set though they may miss the level: to find some good builds, not all.
    ``dip`` is how much slower than the level such a build may pass a board, where that falls into the pause of a shift.
    """

    level: float
    money: float
    ties: bool = False
    cheapest: bool = False
    probe: bool = False
    dip: float = 0.0

    @property
    def at_board(self) -> float:
        """Least speed at the last board of a build at the level."""
        return self.level - self.dip

    def passes(self, cap_ms: float) -> bool:
        """Whether it is more than builds held to a cap score, or can score where ties do not count."""
        return self.level > cap_ms + (CAP_ROUNDING_MS if self.ties else -SPEED_STEP_MS)

    def past(self, highest_ms: FloatArray) -> FloatArray:
        """Least speeds at the last board of builds that have been as fast before: what a pause costs grows slowly."""
        share = self.dip / self.level if self.level > 0 and np.isfinite(self.level) else 1.0
        return np.maximum(highest_ms * (1.0 - share), 0.0)


@dataclass(frozen=True, slots=True)
class SetRow:
    """A linear row over the free slots of D drive sets, of R kinds.

    Attributes
    ----------
    coefficients : per free slot, array (R, m_s)
    low, high : arrays (F, R)
        Least and greatest coefficient of each slot, allowed or not.
    kind : int array (D,)
        Which of the kinds each drive set has.
    left : array (D,)
        What is left of the right-hand side.
    """

    coefficients: tuple[FloatArray, ...]
    low: FloatArray
    high: FloatArray
    kind: IntArray
    left: FloatArray

    def take(self, rows: BoolArray | IntArray) -> SetRow:
        """The row of some drive sets."""
        return replace(self, kind=self.kind[rows], left=self.left[rows])

    @property
    def could_break(self) -> BoolArray:
        """Whether the harshest options of all slots would break it, allowed or not: (D,)."""
        return np.asarray(self.high.sum(axis=0)[self.kind] > self.left)

    def of(self, place: int) -> tuple[FloatArray, ...]:
        """Coefficients (m_s,) of one drive set, per free slot."""
        return tuple(c[self.kind[place]] for c in self.coefficients)


class Propagation:
    """Strikes options out of the drive sets of one scenario.

    Parameters
    ----------
    judge, legality
        What runs, and what is allowed.
    space : LinearSpace
        Where the radius of drive sets is known.
    bounds : AdditiveBounds
        Lower bounds on prices by slot.
    """

    def __init__(self, judge: Judge, legality: Legality, space: LinearSpace, bounds: AdditiveBounds) -> None:
        self.judge, self.legality, self.space, self.bounds = judge, legality, space, bounds
        carries = judge.event.carries
        race = judge.options.scenario.race_class
        self.brackets: tuple[Bracket, ...] = tuple(each for each in race.brackets if each.requires not in carries)
        self._limits = [row.upper + row.slack for row in legality.rows]
        self._ends = [_ends(tuple(each[None] for each in row.coefficients)) for row in legality.rows]

    def equipment(self, goal: Goal) -> list[tuple[BoolArray, ...]]:
        """For each speed bracket that the goal lies above: which options carry what it asks for."""
        needed = [each for each in self.brackets if goal.passes(each.cap_ms)]
        return [self.judge.options.carrying(each.requires) for each in needed]

    def narrowed(self, sets: DriveSets, goal: Goal, rows: list[SetRow] | None = None) -> DriveSets:
        """Drop options and sets that no build which meets the goal can have, by their `rows` or others of each set."""
        possible = sets.completable
        sets = sets.take(possible)
        if len(sets) == 0:
            return sets
        mark, left = sets.mark, replace(sets, mark=np.arange(len(sets)))  # taken: it may be written to
        rows = self.rows(left, goal) if rows is None else [row.take(possible) for row in rows]
        rows = [row for row in rows if row.could_break.any()]
        done = [left.take(np.zeros(0, dtype=np.int64))]
        counts = _counts(left)
        for _ in range(ROUNDS):
            left, rows = self._struck(left, rows, goal)
            # a set from which nothing was struck out is done: none hangs on another
            now = _counts(left)
            changed = now < counts[left.mark]
            counts[left.mark] = now
            done.append(left.take(~changed))
            left, rows = left.take(changed), [row.take(changed) for row in rows]
            if len(left) == 0:
                break
        every = joined([*done, left])
        every = every.take(np.argsort(every.mark))
        every = replace(every, mark=mark[every.mark])
        return every.take(every.completable)

    def _struck(self, sets: DriveSets, rows: list[SetRow], goal: Goal) -> tuple[DriveSets, list[SetRow]]:
        """Everything once: what is left of drive sets, which are written to, and their rows."""
        self._strike_pairs(sets)
        for row in rows:
            _strike_row(sets, row)
        keep = sets.completable
        if not keep.all():
            sets, rows = sets.take(keep), [row.take(keep) for row in rows]
        if np.isfinite(goal.money) and len(sets):
            kept = within_budget(sets.marked(np.arange(len(sets))), self.bounds, int(goal.money))
            rows = [row.take(kept.mark) for row in rows]
            sets = replace(kept, mark=sets.mark[kept.mark])
        return sets, rows

    def rows(self, sets: DriveSets, goal: Goal, spare: float = 1.0) -> list[SetRow]:
        """Linear rows that completions must keep: the rules', the rotors', and the equipment that the goal asks for.

        Parameters
        ----------
        sets : DriveSets
        goal : Goal
        spare : float
            Factor on the energy that rotors must take.
        """
        drive, free, found = self.judge.model.drive_slots, list(sets.free), []
        one_kind = np.zeros(len(sets), dtype=np.int64)
        for row, limit, (low, high) in zip(self.legality.rows, self._limits, self._ends, strict=True):
            own = [s for s in drive if low[s, 0] or high[s, 0]]
            used = sum((row.coefficients[s][sets.builds[:, s]] for s in own), np.zeros(len(sets)))
            coefficients = tuple(row.coefficients[s][None] for s in free)
            found.append(SetRow(coefficients, low[free], high[free], one_kind, limit - used))
        found += self._rotor_rows(sets, goal, spare)
        for has_it in self.equipment(goal):
            carry = [each.astype(float) for each in has_it]
            has = sum((carry[s][sets.builds[:, s]] for s in drive), np.zeros(len(sets)))
            coefficients = tuple(-carry[s][None] for s in free)
            found.append(SetRow(coefficients, *_ends(coefficients), one_kind, has - 1.0))
        return found

    def for_rotors(self, sets: DriveSets, goal: Goal) -> DriveSets:
        """Drop options whose rotors could not take what builds that meet the goal bring to the last board."""
        rows = self._rotor_rows(sets, goal, 1.0)
        if rows:
            sets = replace(sets, allowed=tuple(ok.copy() for ok in sets.allowed))
        for row in rows:
            _strike_row(sets, row)
        return sets

    def _rotor_rows(self, sets: DriveSets, goal: Goal, spare: float) -> list[SetRow]:
        """What rotors must take at the last board, less those rows that every build keeps."""
        radius = self.space.largest_radius_m(sets.builds, sets.allowed)
        speed = np.maximum(np.floor(sets.board_ms / BOARD_STEP_MS) * BOARD_STEP_MS, goal.at_board)
        kinds, kind = np.unique(np.concatenate([radius, speed[None]]), axis=1, return_inverse=True)
        kind, drive = kind.reshape(-1), self.judge.model.drive_slots
        found = []
        for coefficients, upper in self.judge.rotor_rows(kinds[2], kinds[:2], spare):
            used = sum((coefficients[s][kind, sets.builds[:, s]] for s in drive), np.zeros(len(sets)))
            free = tuple(coefficients[s] for s in sets.free)
            row = SetRow(free, *_ends(free), kind, upper[kind] - used)
            if row.could_break.any():
                found.append(row)
        return found

    def _strike_pairs(self, sets: DriveSets) -> None:
        """Strike out options that may not be with any option left of another slot."""
        where = {s: f for f, s in enumerate(sets.free)}
        for (s, t), forbidden in self.legality.pairs.items():
            if s in where and t in where:
                ours, theirs = sets.allowed[where[s]], sets.allowed[where[t]]
                fits = (~forbidden).astype(np.float32)
                ours &= theirs.astype(np.float32) @ fits.T > 0.5
                theirs &= ours.astype(np.float32) @ fits > 0.5


def _ends(coefficients: tuple[FloatArray, ...]) -> tuple[FloatArray, FloatArray]:
    """Least and greatest coefficient of each slot, of coefficients (R, m_s): arrays (slots, R)."""
    return np.stack([each.min(axis=1) for each in coefficients]), np.stack([each.max(axis=1) for each in coefficients])


def _strike_row(sets: DriveSets, row: SetRow) -> None:
    """Strike out options that break a row even with the mildest options of all other slots."""
    some = np.flatnonzero(row.could_break)
    moves = (row.high > row.low).any(axis=1)
    alike, moving = row.low[~moves].sum(axis=0), np.flatnonzero(moves).tolist()
    if not moving:  # broken whatever is chosen
        sets.allowed[0][some] = False
        return
    step = max(1, BLOCK // max(sets.allowed[f].shape[1] for f in moving))
    for at in range(0, len(some), step):
        block = some[at : at + step]
        kind = row.kind[block]
        room = row.left[block] - alike[kind]
        each = []
        for f in moving:
            ok = sets.allowed[f][block]
            least = least_of(row.coefficients[f], kind, ok)
            each.append((f, ok, least))
            room = room - least
        with np.errstate(invalid="ignore"):  # a slot without options left: the set is dropped
            for f, ok, least in each:
                most = room + least
                breaks = np.flatnonzero(row.high[f, kind] > most)
                if len(breaks):
                    own = row.coefficients[f]
                    own = own[kind[breaks]] if len(own) > 1 else own
                    sets.allowed[f][block[breaks]] = ok[breaks] & (own <= most[breaks, None])


def least_of(coefficients: FloatArray, kind: IntArray, allowed: BoolArray) -> FloatArray:
    """Least coefficient (n,), of R kinds (R, m), among allowed options (n, m); any where none is allowed."""
    order = np.argsort(coefficients[0], kind="stable")
    ordered = coefficients[:, order]
    if len(ordered) > 1 and (ordered[:, 1:] < ordered[:, :-1]).any():
        return np.where(allowed, coefficients[kind], np.inf).min(axis=1)
    first = allowed[:, order].argmax(axis=1)  # far sooner than a minimum over numbers
    return np.asarray(ordered[kind, first])


def _counts(sets: DriveSets) -> IntArray:
    """Options left over all slots: (D,)."""
    return sum((ok.sum(axis=1) for ok in sets.allowed), start=np.zeros(len(sets), dtype=np.int64))
