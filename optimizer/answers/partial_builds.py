"""The builds on the way from the car as it stands to one final build, and the chains of them that money may allow.

What is said of money here are lower bounds: the price of a build at once, plus the jobs that are done again. Whether a
chain really holds is for `stage_bills` to say.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.choice.price import HOURS_SLACK, PriceBook
from optimizer.errors import UsageError
from optimizer.run.judge import Judge, speed_steps

MOST_CHANGES = 18
"""Changed slots of a final build, up to which every part of it is gone through: 260,000 builds."""
_BLOCK = 4096
"""Builds simulated at once."""


class Speeds:
    """Speeds of builds in steps of `SPEED_STEP_MS`, each build run once; 0 where a check that needs a run fails."""

    def __init__(self, judge: Judge) -> None:
        self._judge = judge
        self._known: dict[bytes, float] = {}

    def of(self, builds: IntArray) -> FloatArray:
        """Speeds (n,) [m/s] of builds (n, S) that are legal before a run."""
        keys = [row.tobytes() for row in np.ascontiguousarray(builds)]
        new = np.array([key not in self._known for key in keys], dtype=np.bool_)
        fresh = builds[new]
        for at in range(0, len(fresh), _BLOCK):
            block = fresh[at : at + _BLOCK]
            runs = self._judge.runs(block)
            speed = np.where(self._judge.judge(block, runs).legal, self._judge.joined(runs), 0.0)
            self._known.update((row.tobytes(), float(each)) for row, each in zip(block, speed, strict=True))
        return np.array([self._known[key] for key in keys])


@dataclass(frozen=True, slots=True, eq=False)
class Partials:
    """Builds in which some slots have the part of one final build, the others the fitted one; n of them, T stages.

    Attributes
    ----------
    builds : array (n, S)
        Legal before a run; the final one comes last.
    cents : array (n,)
        Price at once.
    steps : array (n,)
        Speed in steps of `SPEED_STEP_MS`; 0 where not known, or where a check fails.
    reached : bool array (T, n)
        Whether the build can stand at the end of a stage, as far as prices at once tell.
    """

    builds: IntArray
    cents: IntArray
    steps: IntArray
    reached: BoolArray
    _code: IntArray
    _works: _Works

    def before(self, chain: tuple[int, ...], money: Sequence[int], hours_limit: float) -> Iterator[tuple[int, int]]:
        """Builds that may stand one stage before a chain, and what the whole then costs at least [cents].

        Parameters
        ----------
        chain : tuple of int
            Positions of the builds of the last stages, the last stage first.
        money : sequence of int, T
            What may have been spent after each stage.
        hours_limit : float
            Own hours of all stages together.
        """
        stage = len(money) - len(chain) - 1
        rows = np.flatnonzero(self.reached[stage] & (self._code & ~self._code[chain[-1]] == 0))
        works = self._works
        done = works.needed(self.builds[rows]).astype(np.int64)
        held = np.ones(len(rows), dtype=np.bool_)
        for t, now in enumerate(reversed(chain), stage + 1):
            earlier = self.builds[rows] if t == stage + 1 else self.builds[chain[len(money) - t]][None]
            done = done + works.needed(np.where(earlier == 0, self.builds[now], 0))
            again = np.maximum(done - 1, 0)
            least = self.cents[now] + again @ works.cents
            held &= least <= money[t]
        held &= works.fitting_hours(self.builds[chain[0]]) + done @ works.hours <= hours_limit + HOURS_SLACK
        yield from zip(rows[held].tolist(), least[held].tolist(), strict=True)


@dataclass(frozen=True, slots=True, eq=False)
class _Works:
    """Jobs and hours: which option needs which of the J jobs, their cents and hours; hours of fitting by option."""

    by_option: tuple[BoolArray, ...]
    cents: IntArray
    hours: FloatArray
    fitting: tuple[FloatArray, ...]

    def needed(self, changed: IntArray) -> BoolArray:
        """Jobs (n, J) needed where slots are changed to options (n, S), 0 for no change."""
        found = np.zeros((len(changed), len(self.cents)), dtype=np.bool_)
        for s, table in enumerate(self.by_option):
            found |= table[changed[:, s]]
        return found

    def fitting_hours(self, build: IntArray) -> float:
        """Hours that fitting the parts of a build (S,) takes at least."""
        return float(sum(hours[o] for hours, o in zip(self.fitting, build, strict=True)))


class Ways:
    """Everything that may stand at the end of some stage, for one final build after the other.

    Parameters
    ----------
    legality, book, judge
        Of one study.
    money : sequence of int, T
        What may have been spent after each stage [cents].
    """

    def __init__(self, legality: Legality, book: PriceBook, judge: Judge, money: Sequence[int]) -> None:
        self._legality, self._book, self._money = legality, book, money
        self._speeds = Speeds(judge)
        bounds = book.additive_bounds()
        bits = np.arange(len(bounds.job_names), dtype=np.uint64)
        self._works = _Works(
            tuple((jobs[:, None] >> bits) & np.uint64(1) == 1 for jobs in bounds.jobs),
            bounds.job_cents,
            bounds.job_hours,
            bounds.hours,
        )

    def to(self, final: IntArray) -> Partials:
        """Partial builds of a final build (S,) that is legal, its run included.

        Raises
        ------
        UsageError
            If it changes more slots than can be gone through.
        """
        builds = _partial_builds(self._legality, final)
        cents = self._book.price(builds).cents
        may_stand = cents <= max(self._money[:-1])
        # Most final builds that have no plan have none for the first stage: no need to run the rest then.
        if not self._speeds.of(builds[cents <= self._money[0]]).any():
            may_stand[:] = False
        may_stand[-1] = True
        builds, cents = builds[may_stand], cents[may_stand]
        steps = speed_steps(self._speeds.of(builds)).astype(np.int64)
        changed = np.flatnonzero(final)
        code = (builds[:, changed] > 0) @ (1 << np.arange(len(changed), dtype=np.int64))
        reached = np.zeros((len(self._money), len(builds)), dtype=np.bool_)
        for t, money in enumerate(self._money):
            possible = (steps > 0) & (cents <= money)
            reached[t] = possible & (_includes_one(code, reached[t - 1], len(changed)) if t else True)
        return Partials(builds, cents, steps, reached, code, self._works)


def _partial_builds(legality: Legality, final: IntArray) -> IntArray:
    """Builds (n, S) with the fitted or the final part in each slot that are legal before a run; the final one last."""
    if np.count_nonzero(final) > MOST_CHANGES:
        raise UsageError(
            f"the fastest build changes {np.count_nonzero(final)} slots; the order of buying is worked out for up to "
            f"{MOST_CHANGES}"
        )
    builds = np.zeros((1, len(final)), dtype=np.int64)
    for s in range(len(final)):
        changed = builds.copy()
        changed[:, s] = final[s]
        builds = np.concatenate([builds, changed]) if final[s] else builds
        builds = builds[~legality.forbidden[s][builds[:, s]]]
        for r in range(s):
            if (r, s) in legality.pairs:
                builds = builds[~legality.pairs[r, s][builds[:, r], builds[:, s]]]
    return builds[legality.allowed(builds)]


def _includes_one(code: IntArray, of: BoolArray, bits: int) -> BoolArray:
    """Whether each set (n,), written as bits, includes one of those marked."""
    table = np.zeros(1 << bits, dtype=np.bool_)
    table[code[of]] = True
    for bit in range(bits):
        halves = table.reshape(-1, 2, 1 << bit)
        halves[:, 1] |= halves[:, 0]
    return table[code]
