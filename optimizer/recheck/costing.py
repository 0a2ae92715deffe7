"""Lower bounds on prices of boxes of builds: amounts by slot that never add up to more than any build costs.

Pieces get prices at which no kit is dearer than what it brings: a feasible point of the dual of what buying is, so the
worth of the pieces needed is never above what they cost (duality of linear programs; from memory). Which prices bound
well depends on the drive set: a part it has keeps its price, and what is left of a kit's goes to the kit's other parts.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from optimizer.choice.options import FloatArray, IntArray, Options
from optimizer.recheck.spending import Spending
from optimizer.scenario.parts import NONE_ID, Kit, Part


@dataclass(frozen=True, slots=True)
class Costs:
    """For E drive sets: what the set costs at least (E,), and what each option of each free slot adds (E, m_s)."""

    spent: FloatArray
    cents: tuple[FloatArray, ...]

    def take(self, rows: IntArray) -> Costs:
        """Some of the drive sets."""
        return Costs(self.spent[rows], tuple(each[rows] for each in self.cents))


@dataclass(frozen=True, slots=True)
class _Prices:
    """Cents of one piece of each part in kits, and of fitting it, that no kit undercuts."""

    piece: dict[str, float]
    fitting: dict[str, float]


class Costing:
    """Lower bounds on prices for the drive sets of one scenario."""

    def __init__(self, options: Options, spending: Spending, drive_slots: tuple[int, ...]) -> None:
        self.options, self.spending, self.drive_slots = options, spending, drive_slots
        self.free = tuple(s for s in range(len(options.slots)) if s not in drive_slots)
        self.kits: tuple[Kit, ...] = options.scenario.kits
        self.in_kits = {part_id for kit in self.kits for part_id, _ in kit.contents}
        self.in_free = {part.id for s in self.free for part in options.parts[s]}
        self.ids = tuple({part.id: o for o, part in enumerate(parts)} for parts in options.parts)
        self._shares: dict[tuple[int, str, tuple[int, ...], float], float] = {}
        self.jobs = sorted(options.scenario.car.jobs)
        self.job_cents = np.array([options.scenario.car.jobs[job].cost_cents for job in self.jobs], dtype=np.float64)
        self.needs = tuple(self._needs(s) for s in range(len(options.slots)))
        self._tables: dict[frozenset[str], tuple[list[FloatArray], list[FloatArray]]] = {}

    def of(self, builds: IntArray) -> Costs:
        """Bounds for drive sets given as builds (E, S)."""
        cents = [np.empty((len(builds), len(self.options.parts[s]))) for s in self.free]
        for key, rows in self._patterns(builds).items():
            for each, table in zip(cents, self._table(key)[1], strict=True):
                each[rows] = table
            self._same_part(builds, rows, self._prices(key), cents)
        self._share_jobs(builds, cents)
        return Costs(self.spent(builds), tuple(cents))

    def spent(self, builds: IntArray) -> FloatArray:
        """What drive sets (E, S) cost at least, with their jobs and the fixed costs: (E,)."""
        spent = np.full(len(builds), float(self.spending.fixed_cents))
        for key, rows in self._patterns(builds).items():
            for s, table in zip(self.drive_slots, self._table(key)[0], strict=True):
                spent[rows] += table[builds[rows, s]]
        found: FloatArray = spent + self._paid(builds) @ self.job_cents
        return found

    def kinds(self, builds: IntArray) -> IntArray:
        """Numbers (E, n) that are the same for drive sets whose free options have the same amounts."""
        pattern = np.zeros(len(builds), dtype=np.int64)
        for place, rows in enumerate(self._patterns(builds).values()):
            pattern[rows] = place
        shared = [d for d in self.drive_slots if not self._mixed(d) and self._met_elsewhere(d)]
        return np.column_stack([pattern, self._paid(builds).astype(np.int64), builds[:, shared]])

    def _met_elsewhere(self, d: int) -> bool:
        """Whether some part of a drive slot may stand in a free slot too."""
        return any(self._suits(s, part) for part in self.options.parts[d] if part.id != NONE_ID for s in self.free)

    # --- prices of pieces ---------------------------------------------------------------------------------------

    def _patterns(self, builds: IntArray) -> dict[frozenset[str], IntArray]:
        """Drive sets by the parts in kits that they have."""
        held, number = [], np.zeros(len(builds), dtype=np.int64)
        for s in self.drive_slots:
            ids = [part.id if part.id in self.in_kits else "" for part in self.options.parts[s]]
            names, which = np.unique(ids, return_inverse=True)
            held.append(names[which])
            # numbers are renewed slot by slot, so that they stay small
            _, number = np.unique(number * len(names) + which[builds[:, s]], return_inverse=True)
        _, firsts = np.unique(number, return_index=True)
        found: dict[frozenset[str], list[IntArray]] = {}
        for place, first in enumerate(firsts):
            ids_held = [str(names[builds[first, s]]) for s, names in zip(self.drive_slots, held, strict=True)]
            key = frozenset(each for each in ids_held if each)
            found.setdefault(key, []).append(np.flatnonzero(number == place))
        return {key: np.concatenate(each) for key, each in found.items()}

    def _prices(self, held: frozenset[str]) -> _Prices:
        """Prices for drive sets that hold these of the parts in kits."""
        parts = self.options.scenario.parts
        piece = {i: self._most(i) if i in held or i in self.in_free else 0.0 for i in self.in_kits}
        fitting = {i: float(parts[i].fitting_cents) for i in self.in_kits}
        for kit in self.kits:
            # first what is not held gives way, and the rest only where that is not enough
            for givers in ({i for i, _ in kit.contents if i not in held}, {i for i, _ in kit.contents}):
                worth = {i: n * (piece[i] + fitting[i] * kit.fitting_included) for i, n in kit.contents}
                over = sum(worth.values()) - kit.price_cents
                mine = {i: amount for i, amount in worth.items() if i in givers}
                total = sum(mine.values())
                if over > 0 and total > 0:
                    share = max(0.0, 1.0 - over / total)
                    for i in mine:
                        piece[i] *= share
                        fitting[i] *= share if kit.fitting_included else 1.0
        return _Prices(piece, fitting)

    def _most(self, part_id: str) -> float:
        """The most a piece can be worth: a pack's share; for what is only in kits, a whole kit."""
        part = self.options.scenario.parts[part_id]
        if part.price_cents is not None:
            return part.price_cents / part.pack
        return float(max(kit.price_cents for kit in self.kits if any(i == part_id for i, _ in kit.contents)))

    def _buying(self, part: Part, pieces: int, prices: _Prices) -> float:
        """What so many pieces cost at least."""
        short = max(0, pieces - part.owned)
        if part.id in self.in_kits:
            return short * prices.piece[part.id]
        if short == 0 or part.price_cents is None:
            return 0.0
        return float(-(-short // part.pack) * part.price_cents)

    # --- by slot ------------------------------------------------------------------------------------------------

    def _table(self, key: frozenset[str]) -> tuple[list[FloatArray], list[FloatArray]]:
        """Amounts of the options of drive slots and of free slots, at the prices of a pattern."""
        if key not in self._tables:
            prices = self._prices(key)
            self._tables[key] = (
                [self._of_slot(s, self.drive_slots, prices) for s in self.drive_slots],
                [self._of_slot(s, self.free, prices) for s in self.free],
            )
        return self._tables[key]

    def _of_slot(self, s: int, among: tuple[int, ...], prices: _Prices) -> FloatArray:
        """Amount of each option: its share of what the pieces cost, fitting, less the fitted part's resale."""
        slot = self.options.slots[s]
        gain = slot.count * self.options.parts[s][0].resale_cents
        found = np.zeros(len(self.options.parts[s]))
        for o, part in enumerate(self.options.parts[s]):
            changed = part.id != slot.fitted
            if part.id != NONE_ID:
                found[o] = self._share(s, part, among, prices)
                if changed:
                    each = prices.fitting[part.id] if part.id in self.in_kits else float(part.fitting_cents)
                    found[o] += slot.count * each
            found[o] -= gain if changed else 0
        return found

    def _suits(self, t: int, part: Part) -> bool:
        return part.id in self.ids[t]

    def _same_part(self, builds: IntArray, rows: IntArray, prices: _Prices, cents: list[FloatArray]) -> None:
        """Count what further pieces cost in a free slot, where the drive set has the same part."""
        for d in self.drive_slots:
            if self._mixed(d):
                continue
            own = self.options.slots[d].count
            for o in np.unique(builds[rows, d]):
                part = self.options.parts[d][int(o)]
                here = rows[builds[rows, d] == o]
                free = [(f, s) for f, s in enumerate(self.free) if part.id != NONE_ID and self._suits(s, part)]
                totals = _sums([self.options.slots[s].count for _, s in free])
                alone = self._buying(part, own, prices)
                for f, s in free:
                    count = self.options.slots[s].count
                    place = self.ids[s][part.id]
                    more = min((self._buying(part, own + n, prices) - alone) * count / n for n in totals if n >= count)
                    cents[f][here, place] += more - self._share(s, part, self.free, prices)

    def _share(self, s: int, part: Part, among: tuple[int, ...], prices: _Prices) -> float:
        """A slot's share of what the pieces of a part cost at least, whichever of the other slots have it too."""
        slots = self.options.slots
        if self._mixed(s):
            among = tuple(range(len(slots)))
        key = (s, part.id, among, prices.piece.get(part.id, 0.0))
        if key in self._shares:
            return self._shares[key]
        others = [slots[t].count for t in among if t != s and self._suits(t, part)]
        totals = {slots[s].count + n for n in _sums(others)}
        self._shares[key] = slots[s].count * min(self._buying(part, n, prices) / n for n in totals)
        return self._shares[key]

    def _mixed(self, s: int) -> bool:
        """Whether several drive slots take this kind of part: then its pieces are shared among all slots alike."""
        kind = self.options.slots[s].kind
        return sum(self.options.slots[d].kind == kind for d in self.drive_slots) > 1

    # --- jobs ---------------------------------------------------------------------------------------------------

    def _needs(self, s: int) -> FloatArray:
        """Which jobs each option of a slot needs, as 0 and 1: (m_s, jobs)."""
        name = self.options.slots[s].name
        found = np.zeros((len(self.options.parts[s]), len(self.jobs)))
        for o, part in enumerate(self.options.parts[s]):
            for job in self.spending.jobs_of(name, part):
                found[o, self.jobs.index(job)] = 1.0
        return found

    def _paid(self, builds: IntArray) -> FloatArray:
        """Jobs that drive sets need, as 0 and 1: (E, jobs)."""
        found: FloatArray = np.maximum.reduce([self.needs[s][builds[:, s]] for s in self.drive_slots])
        return found

    def _share_jobs(self, builds: IntArray, cents: list[FloatArray]) -> None:
        """Share the jobs that the set does not pay among the free slots that may need them."""
        unpaid = 1.0 - self._paid(builds)
        sharing = np.maximum(sum((self.needs[s].max(axis=0) for s in self.free), np.zeros(len(self.jobs))), 1.0)
        for f, s in enumerate(self.free):
            if self.needs[s].any():
                cents[f] += unpaid * (self.job_cents / sharing) @ self.needs[s].T


def _sums(counts: list[int]) -> set[int]:
    """Every sum of some of the counts, none of them included."""
    return {sum(some) for number in range(len(counts) + 1) for some in itertools.combinations(counts, number)}
