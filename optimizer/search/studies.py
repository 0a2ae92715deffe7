"""Studies of one folder that is read again and again: what one question found out is there for the next."""

from __future__ import annotations

from dataclasses import replace

from optimizer.scenario.event import Scenario
from optimizer.search.sharing import Helper
from optimizer.search.study import Study


class Studies:
    """Where studies come from.

    Parameters
    ----------
    helper : Helper, optional
        A second process for some of their work; what is found is the same.
    """

    def __init__(self, helper: Helper | None = None) -> None:
        self.helper = helper
        self._last: dict[tuple[str, str], Study] = {}

    def of(self, scenario: Scenario, salt: str | None = None) -> Study:
        """A study of a scenario in its own class; the event's own salt when left out.

        It begins with what the last one of the same class and salt knows, also where money or parts have changed since.
        """
        key = (scenario.event.race_class, salt or scenario.event.salt)
        before = self._last.get(key)
        memory = before.memory if before is not None and _same_but_parts(before.scenario, scenario) else None
        self._last[key] = found = Study.of(scenario, salt, memory, self.helper)
        return found


def _same_but_parts(before: Scenario, now: Scenario) -> bool:
    """Whether two scenarios differ in nothing but money and parts, which `Memory.moved` looks at itself."""
    event = replace(before.event, budget_cents=now.event.budget_cents, salt=now.event.salt)
    return (before.car, event, before.kits, before.calibration) == (now.car, now.event, now.kits, now.calibration)
