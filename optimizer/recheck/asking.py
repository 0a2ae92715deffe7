"""What was asked, and what the answer is held against: rules, prices, runs, read from the folder anew."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray, Options
from optimizer.errors import UsageError
from optimizer.recheck.choices import Choices
from optimizer.recheck.costing import Costing
from optimizer.run.judge import SPEED_STEP_MS, Judge, order_keys
from optimizer.run.linear import LinearSpace
from optimizer.run.model import RunModel
from optimizer.scenario.event import Scenario


@dataclass(frozen=True, slots=True)
class Asked:
    """A question to a scenario. ``None`` leaves what the event says."""

    top: int
    budget_cents: int | None = None
    race_class: str | None = None
    salt: str | None = None
    with_parts: tuple[str, ...] = ()
    without_parts: tuple[str, ...] = ()


def as_asked(scenario: Scenario, asked: Asked) -> Scenario:
    """The scenario with the question's class and budget.

    Raises
    ------
    UsageError
        If the scenario knows no such class or salt condition.
    """
    event = scenario.event
    if asked.race_class is not None and asked.race_class not in event.classes:
        raise UsageError(f"no class is called {asked.race_class!r}")
    if asked.salt is not None and asked.salt not in event.salts:
        raise UsageError(f"no salt condition is called {asked.salt!r}")
    budget = event.budget_cents if asked.budget_cents is None else asked.budget_cents
    changed = replace(event, race_class=asked.race_class or event.race_class, budget_cents=budget)
    return replace(scenario, event=changed)


class Case:
    """One scenario and question: what may be chosen, what it costs, how fast it is.

    Raises
    ------
    UsageError
        If the question names what the scenario does not have.
    """

    def __init__(self, scenario: Scenario, asked: Asked) -> None:
        self.asked = asked
        self.scenario = as_asked(scenario, asked)
        self.choices = Choices(self.scenario, asked.with_parts, asked.without_parts)
        self.options: Options = self.choices.options
        self.judge = Judge(RunModel(self.options), asked.salt)
        self.drive_slots = self.judge.model.drive_slots
        self.free = tuple(s for s in range(len(self.options.slots)) if s not in self.drive_slots)
        self.space = LinearSpace(self.judge.model, self.judge.conditions, self.choices.open)
        self.costing = Costing(self.options, self.choices.reading.spending, self.drive_slots)
        budget = self.scenario.event.budget_cents
        self.budget = np.inf if budget is None else float(budget)

    def refused(self, build: IntArray) -> tuple[str, ...]:
        """Why a build (S,) may not be, rules before a run and money; empty if nothing is wrong."""
        reading = self.choices.reading
        parts = dict(zip((slot.name for slot in self.options.slots), self.options.chosen(build), strict=True))
        broken = reading.broken(parts)
        if broken:
            return tuple(sorted(broken))
        if not self.choices.suit(build[None])[0]:
            return ("parts left out or forced in",)
        price = reading.price(parts)
        if price is None:
            return ("cannot be bought within the hours",)
        return ("over the budget",) if price[0] > self.budget else ()

    def cents(self, build: IntArray) -> int | None:
        """Price of a build (S,); None where it cannot be had."""
        parts = dict(zip((slot.name for slot in self.options.slots), self.options.chosen(build), strict=True))
        price = self.choices.reading.price(parts)
        return None if price is None else price[0]

    def run(self, builds: IntArray) -> tuple[FloatArray, BoolArray, FloatArray]:
        """Speed (n,), whether the checks that need a run are passed (4, n), smallest margin (n,)."""
        runs = self.judge.runs(builds)
        judged = self.judge.judge(builds, runs)
        return self.judge.joined(runs), judged.passes, judged.care

    def order(self, builds: IntArray, speed_ms: FloatArray, care: FloatArray, cents: IntArray) -> IntArray:
        """Positions of builds from best to worst."""
        return order_keys(self.options, builds, speed_ms, care, cents)


def level_of(kth_ms: float) -> float:
    """Least speed that ranks with a speed: both round to the same step."""
    return float((np.round(kth_ms / SPEED_STEP_MS) - 0.5) * SPEED_STEP_MS)
