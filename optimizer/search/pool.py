"""Legal builds met so far, and the counts that say how complete a search was."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.run.judge import CHECKS, Judge, as_fast, order_keys, speed_steps
from optimizer.search.bounding import CUT_SLACK_MS
from optimizer.search.memory import unseen


@dataclass(slots=True)
class Evidence:
    """How complete the search was: counts, and the two numbers that end it.

    Attributes
    ----------
    combinations : product of the options of all slots.
    drive_sets : legal combinations of engine, gears and tires within the budget.
    opened : how many of them had to be looked into; the others are bounded below the K-th best.
    completions : builds listed as possibly better; priced, simulated and checked one by one.
    refused : of these, how many each check that needs a run refused.
    simulations : runs simulated in all.
    kth_ms : speed of the last build listed; nothing left out is faster by more than ``slack_ms``.
    highest_left_ms : highest bound among drive sets that were not opened.
    recalled : builds that earlier questions about the same car had run and checked.
    stopped : whether time was up before the search was through, or somebody ended it (``interrupted``);
        ``highest_left_ms`` is infinite where that was before all best cases were run.
    closed : whether everything not listed is ruled out by argument; None where that was not asked, False where too much
        was left to say.
    """

    combinations: int = 0
    drive_sets: int = 0
    opened: int = 0
    completions: int = 0
    simulations: int = 0
    refused: dict[str, int] = field(default_factory=lambda: dict.fromkeys(CHECKS, 0))
    kth_ms: float = 0.0
    highest_left_ms: float = 0.0
    slack_ms: float = CUT_SLACK_MS
    recalled: int = 0
    stopped: bool = False
    interrupted: bool = False
    closed: bool | None = None


class Pool:
    """Legal builds met so far, each once, with their speed, price, hours and margin.

    ``ties`` says whether all that reaches the level is looked for, if it does not cost more than the last of the best;
    otherwise, at a cap, only what is faster: among the equally fast the price decides.
    """

    def __init__(self, judge: Judge, k: int, *, ties: bool = False) -> None:
        self.judge, self.k, self.ties = judge, k, ties
        count = len(judge.options.slots)
        self.builds: IntArray = np.zeros((0, count), dtype=np.int64)
        self.numbers: FloatArray = np.zeros((0, 4))
        self.seen: set[bytes] = set()

    def fresh(self, builds: IntArray) -> BoolArray:
        """Which of the builds (n, S) were not met before: (n,). They are met now."""
        return unseen(builds, self.seen)

    def add(self, builds: IntArray, speed: FloatArray, cents: IntArray, hours: FloatArray, care: FloatArray) -> None:
        """Add legal builds."""
        self.builds = np.concatenate([self.builds, builds])
        self.numbers = np.concatenate([self.numbers, np.stack([speed, cents.astype(float), hours, care], axis=1)])

    def mend(self) -> None:
        """Be whole again after an interrupt between the two halves of `add`."""
        count = min(len(self.builds), len(self.numbers))
        self.builds, self.numbers = self.builds[:count], self.numbers[:count]

    def holds(self, builds: IntArray) -> int:
        """How many of the builds (n, S) are in it."""
        known = {row.tobytes() for row in self.builds}
        return sum(row.tobytes() in known for row in np.ascontiguousarray(builds))

    @property
    def ceiling(self) -> float:
        """What a better build costs at most [cents], for all that is known here."""
        return self.kth_price() if self.ties and len(self.builds) >= self.k else np.inf

    @property
    def level(self) -> float:
        """Least speed that ranks with the K-th best; minus infinity while there are fewer."""
        if len(self.builds) < self.k:
            return -np.inf
        kth = float(np.partition(self.numbers[:, 0], -self.k)[-self.k])
        return as_fast(kth)

    @property
    def enough(self) -> bool:
        """Whether nothing more need be looked for."""
        return False

    @property
    def cheaper(self) -> bool:
        """Whether cheaper builds are looked for than are known."""
        return self.ties

    def kth_price(self) -> float:
        """Price of the K-th best, by speed and then price."""
        order = self._ordered(np.arange(len(self.builds)))
        return float(self.numbers[order[self.k - 1], 1])

    def best(self, count: int) -> IntArray:
        """The best builds, at most so many: (n, S)."""
        return self.builds[self._ordered(np.arange(len(self.builds)))[:count]]

    def best_not_in(self, done: set[bytes], width: int, *, uncapped: bool) -> IntArray | None:
        """The best build that is not ``done``, among the best few: of all, or of those no speed bracket holds."""
        rows = np.arange(len(self.builds))
        if uncapped:
            rows = rows[~np.isfinite(self.judge.model.drive_rows(self.builds).cap_ms)]
        best = self._ordered(rows)[:width]
        return next((self.builds[row] for row in best if self.builds[row].tobytes() not in done), None)

    def ranked(self) -> IntArray:
        """All rows from best to worst, in the total order."""
        speed, cents, _, care = self.numbers.T
        return order_keys(self.judge.options, self.builds, speed, care, cents.astype(np.int64))

    def _ordered(self, rows: IntArray) -> IntArray:
        """Rows from the best: the fastest, the cheaper first of equals."""
        return rows[np.lexsort([self.numbers[rows, 1], -speed_steps(self.numbers[rows, 0])])]


class FloorPool(Pool):
    """Legal builds that score at least a floor."""

    def __init__(self, judge: Judge, floor_ms: float) -> None:
        super().__init__(judge, 1, ties=True)
        self.floor_ms = floor_ms

    def add(self, builds: IntArray, speed: FloatArray, cents: IntArray, hours: FloatArray, care: FloatArray) -> None:
        """Add those legal builds that score enough."""
        enough = speed >= self.floor_ms
        super().add(builds[enough], speed[enough], cents[enough], hours[enough], care[enough])

    @property
    def level(self) -> float:
        """The floor, whatever is known."""
        return self.floor_ms

    @property
    def ceiling(self) -> float:
        """Any price will do."""
        return np.inf


class CheapPool(FloorPool):
    """Legal builds that score at least a floor: the best of them is the cheapest."""

    @property
    def ceiling(self) -> float:
        """What a better build costs at most [cents]."""
        return float(self.numbers[:, 1].min(initial=np.inf)) - 1.0

    def ranked(self) -> IntArray:
        """All rows from the cheapest, equally dear ones in the total order."""
        order = super().ranked()
        return order[np.argsort(self.numbers[order, 1], kind="stable")]

    def _ordered(self, rows: IntArray) -> IntArray:
        """Rows from the cheapest, the faster first of equals."""
        return rows[np.lexsort([-self.numbers[rows, 0], self.numbers[rows, 1]])]


class AnyPool(FloorPool):
    """Legal builds that score at least a floor: one will do, the fastest met."""

    @property
    def cheaper(self) -> bool:
        """One is enough."""
        return False

    @property
    def enough(self) -> bool:
        """Whether there is one."""
        return len(self.builds) > 0
