"""One car in one class on one salt: what all questions about it share, and what each leaves to the next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.choice.legality import Legality, legality_of
from optimizer.choice.options import IntArray, Options, options_of
from optimizer.choice.price import PriceBook
from optimizer.choice.wishes import with_wishes
from optimizer.run.judge import SPEED_STEP_MS, Judge
from optimizer.run.model import RunModel
from optimizer.scenario.event import Scenario
from optimizer.search.memory import Memory
from optimizer.search.ranking import Ranker, Ranking
from optimizer.search.sharing import Helper
from optimizer.search.state import Progress

HINTS = 100
"""Builds that are tried first in another condition of the salt."""


@dataclass(frozen=True, slots=True)
class Study:
    """What answers are made with.

    Attributes
    ----------
    scenario : Scenario
        With the class that is asked about.
    options : Options
    legality : Legality
        What may be chosen together, wishes aside.
    book : PriceBook
    judge : Judge
        For the salt that is asked about.
    memory : Memory
        What questions so far found out.
    helper : Helper or None
        A second process for some of the work.
    """

    scenario: Scenario
    options: Options
    legality: Legality
    book: PriceBook
    judge: Judge
    memory: Memory
    helper: Helper | None = None

    @classmethod
    def of(
        cls, scenario: Scenario, salt: str | None = None, memory: Memory | None = None, helper: Helper | None = None
    ) -> Study:
        """A study of a scenario in its own class; the event's own salt when left out."""
        options = options_of(scenario)
        known = Memory(options) if memory is None else memory.moved(options)
        judge = Judge(RunModel(options), salt)
        return cls(scenario, options, legality_of(options), PriceBook(options), judge, known, helper)

    def best(
        self,
        k: int = 1,
        *,
        budget_cents: int | None,
        with_parts: Sequence[str] = (),
        without_parts: Sequence[str] = (),
        thorough: bool = True,
        around: bool = False,
        time_limit_s: float | None = None,
        interruptible: bool = False,
        progress: Progress | None = None,
    ) -> Ranking:
        """The best K builds for a budget (None: any money), with parts that must or must not be in.

        ``around``: careful and cheap builds near them are looked for, too.

        Raises
        ------
        UsageError
            If a part is no option of any slot.
        """
        ranker = self._ranker(budget_cents, with_parts, without_parts, progress)
        return ranker.top(
            k, thorough=thorough, around=around, time_limit_s=time_limit_s, interruptible=interruptible
        )  # fmt: skip

    def cheapest(
        self,
        floor_ms: float,
        *,
        budget_cents: int | None = None,
        with_parts: Sequence[str] = (),
        without_parts: Sequence[str] = (),
        fastest_first: bool = True,
        likely: bool = False,
        progress: Progress | None = None,
    ) -> Ranking:
        """The cheapest build that scores at least a floor [m/s]; ``listed`` is 0 where the budget buys none.

        ``fastest_first``: the fastest is asked for before, so that it is there where it does not reach the floor.
        ``likely``: one that is likely the cheapest will do.

        Raises
        ------
        UsageError
            If a part is no option of any slot.
        """

        def cheapest_for(money: int | None) -> Ranking:
            return self._ranker(money, with_parts, without_parts, progress).cheapest(floor_ms, likely=likely)

        if not fastest_first:
            return cheapest_for(budget_cents)
        *less, most = self._budgets(budget_cents)

        def fastest_for(money: int | None) -> Ranking:
            return self.best(
                budget_cents=money, with_parts=with_parts, without_parts=without_parts, progress=progress
            )

        for money in less:
            fastest = fastest_for(money)
            # the first in rank may be slower by a step than others that rank as equally fast
            if reaches(fastest, floor_ms - SPEED_STEP_MS) and (found := cheapest_for(money)).listed:
                return found
            # whether any build does it for more money is sooner known than which is the fastest for that
            found = cheapest_for(most)
            if found.listed:
                return found
        fastest = fastest_for(most)
        if reaches(fastest, floor_ms - SPEED_STEP_MS) and (found := cheapest_for(most)).listed:
            return found
        return replace(fastest, listed=0)

    def reaching(
        self,
        floor_ms: float,
        *,
        budget_cents: int | None,
        with_parts: Sequence[str] = (),
        progress: Progress | None = None,
    ) -> Ranking:
        """Some build that scores at least a floor [m/s], likely a fast one; ``listed`` is 0 where there is none.

        Raises
        ------
        UsageError
            If a part is no option of any slot.
        """
        return self._ranker(budget_cents, with_parts, (), progress).reaching(floor_ms)

    def changed(
        self, builds: IntArray, count: int, *, budget_cents: int | None, with_parts: Sequence[str] = ()
    ) -> Ranking:
        """The best builds, at most so many, that changes by one lead to from some (n, S): nothing is said of others.

        Raises
        ------
        UsageError
            If a part is no option of any slot.
        """
        return self._ranker(budget_cents, with_parts, (), None).changed(builds, count)

    def some_legal(
        self,
        start: IntArray,
        *,
        budget_cents: int | None,
        with_parts: Sequence[str] = (),
        progress: Progress | None = None,
    ) -> Ranking:
        """Some legal build, whatever it scores; ``listed`` is 0 where there is none.

        ``start`` (S,): a build that meets everything before a run.

        Raises
        ------
        UsageError
            If a part is no option of any slot.
        """
        return self._ranker(budget_cents, with_parts, (), progress).some_legal(start)

    def _budgets(self, most: int | None) -> list[int | None]:
        """Budgets to look for a fast build with: the event's first, if that is less. Less money is sooner searched."""
        own = self.scenario.event.budget_cents
        return [own, most] if own is not None and (most is None or own < most) else [most]

    def _ranker(
        self,
        budget_cents: int | None,
        with_parts: Sequence[str],
        without_parts: Sequence[str],
        progress: Progress | None,
    ) -> Ranker:
        legality = with_wishes(self.legality, tuple(with_parts), tuple(without_parts))
        hours = self.scenario.event.hours_limit
        return Ranker(self.judge, legality, self.book, budget_cents, hours, progress, self.memory, self.helper)

    def met(self, ranking: Ranking) -> None:
        """Remember the builds of a ranking of the same scenario and salt, that others may begin with them."""
        count = len(ranking.builds)
        self.memory.learn(ranking.builds, ranking.speed_ms, ranking.care, np.ones(count, dtype=np.bool_))

    def on_salt(self, salt: str) -> Study:
        """The same in another condition of the salt, of which nothing is known yet: what is good here may be there."""
        memory = Memory(self.options)
        memory.hints = np.concatenate([self.memory.fastest(HINTS), self.memory.hints])
        return replace(self, judge=Judge(self.judge.model, salt), memory=memory)

    def fresh(self) -> Study:
        """The same with nothing known."""
        return replace(self, memory=Memory(self.options))


def reaches(ranking: Ranking, floor_ms: float) -> bool:
    """Whether the best build of a ranking scores a floor [m/s]."""
    return bool(ranking.listed and ranking.speed_ms[0] >= floor_ms)
