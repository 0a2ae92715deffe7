"""What the reader finds on its way: faults, notices and assumptions, kept until all files are read."""

from __future__ import annotations

from dataclasses import dataclass, field

from optimizer.errors import Fault
from optimizer.scenario.event import Assumption


@dataclass(slots=True)
class Findings:
    """Everything there is to say about a folder; the only thing in the reader that changes as it goes.

    ``unread`` are files that were not read, by the name of the missing sheet that they may be. ``currency`` and
    ``metric`` (readers think in kg and km/h) are set once the event's own words are known; the currency is empty where
    what is typed for it is none.
    """

    faults: list[Fault] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    assumptions: list[Assumption] = field(default_factory=list)
    unread: dict[str, str] = field(default_factory=dict)
    currency: str = "USD"
    metric: bool = False

    def fault(self, file: str, row: int, column: str, typed: str, expected: str) -> None:
        """Note one fault; the same one is not noted twice."""
        fault = Fault(file, row, column, typed, expected)
        if fault not in self.faults:
            self.faults.append(fault)

    def instead_of(self, sheet: str) -> str:
        """End of a sentence about a missing sheet: the file that may be meant to be it; empty for none."""
        unread = self.unread.get(sheet)
        if unread is None:
            return ""
        names = sheet if unread.endswith("]") else f"{sheet}.csv or {sheet}.xlsx"  # a tab of a workbook ends so
        return f"; {unread} is there, but must be called {names}"

    def assume(self, where: str, quantity: str, value: str, why: str, target: str = "") -> None:
        """Note one number that nobody measured."""
        self.assumptions.append(Assumption(where, quantity, value, why, target))
