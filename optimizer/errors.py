"""Every refusal of the package, carrying the values that explain it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


def place_of(file: str, row: int) -> str:
    """File and row as shown: sheets have rows, TOML files have lines; 0 stands for neither."""
    return f"{file} {'line' if file.endswith('.toml') else 'row'} {row}" if row else file


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One thing that is wrong in what the crew wrote down.

    Attributes
    ----------
    file : str
        Name of the sheet or TOML file, as the user knows it (``tires.csv``, ``parts.xlsx [wheels]``).
    row : int
        Row as the spreadsheet numbers it (the header is row 1), or line of a TOML file; 0 where no row applies.
    column : str
        Column header as typed, or the dotted key of a TOML value; empty where none applies.
    typed : str
        What was typed, verbatim; empty where nothing was.
    expected : str
        What would have been right, with the nearest known word where there is one.
    """

    file: str
    row: int
    column: str
    typed: str
    expected: str

    def __str__(self) -> str:
        place = place_of(self.file, self.row) + (f", {self.column}" if self.column else "")
        return f"{place}: {self.typed!r} {self.expected}" if self.typed else f"{place}: {self.expected}"


class SaltmileError(Exception):
    """Base of all refusals; ``exit_code`` is what the command line ends with."""

    exit_code = 1


class UsageError(SaltmileError):
    """The question itself is wrong: an unknown part, class or salt condition."""

    exit_code = 2


class ScenarioError(SaltmileError):
    """The scenario folder cannot be used. ``faults`` holds every fault of every file, in file and row order."""

    exit_code = 3

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(sorted(faults))
        count = len(self.faults)
        head = f"{count} fault{'' if count == 1 else 's'} in the scenario; nothing was read"
        super().__init__("\n".join([head, *map(str, self.faults)]))


class NoLegalBuildError(SaltmileError):
    """No build satisfies all rules at once.

    Attributes
    ----------
    reasons : tuple of str
        A smallest set of rules, in their own names, that cannot be met together.
    cheapest_cents : int or None
        Price of the cheapest build that meets every rule before a run but the budget, where the budget is the cause.
    """

    exit_code = 4

    def __init__(self, message: str, reasons: Sequence[str], cheapest_cents: int | None = None) -> None:
        self.reasons = tuple(reasons)
        self.cheapest_cents = cheapest_cents
        super().__init__(message)


class SolverError(SaltmileError):
    """The solver stopped without an answer that can be used. ``status`` is its own word for why."""

    def __init__(self, message: str, status: str) -> None:
        self.status = status
        super().__init__(message)
