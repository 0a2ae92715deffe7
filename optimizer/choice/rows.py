"""A named linear row: what a whole build must satisfy, as a sum of one number per chosen option."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from optimizer.choice.fit import Reason
from optimizer.choice.options import BoolArray, FloatArray, IntArray, Options

ROW_TOLERANCE = 1e-9
"""A row may be passed by this fraction of its largest number: rounding of the sum, nothing else."""


@dataclass(frozen=True, slots=True, eq=False)
class LinearRow:
    """``sum over slots s of coefficients[s][build[s]] <= upper``.

    Attributes
    ----------
    name : str
        Unique within a `Legality`; starts with the check's or rule's name.
    reason : Reason
        The check or rule and what it asks for, whatever the build.
    coefficients : tuple of arrays
        ``coefficients[s]`` has shape ``(m_s,)``.
    upper : float
        Right-hand side.
    explain : callable or None
        What a build ``(S,)`` that breaks the row has, in words and numbers; None: the reason's text says it
        all.
    liftable : tuple of (int, int)
        (slot, option) for which an override of the check may lift the row.
    """

    name: str
    reason: Reason
    coefficients: tuple[FloatArray, ...]
    upper: float
    explain: Callable[[IntArray], str] | None = None
    liftable: tuple[tuple[int, int], ...] = ()

    @property
    def slack(self) -> float:
        """What the sum may exceed ``upper`` by: `ROW_TOLERANCE` times the largest number of the row."""
        return ROW_TOLERANCE * max(
            abs(self.upper), *(float(np.abs(each).max()) for each in self.coefficients)
        )

    @property
    def carriers(self) -> tuple[BoolArray, ...] | None:
        """Options (m_s,) per slot of which the row asks for at least one; None where it asks for anything else."""
        plain = self.upper == -1.0 and all(np.isin(each, (-1.0, 0.0)).all() for each in self.coefficients)
        return tuple(each < 0 for each in self.coefficients) if plain else None

    def total(self, builds: IntArray) -> FloatArray:
        """Left-hand side of builds ``(n, S)``; shape ``(n,)``."""
        total = np.zeros(len(builds))
        for s, each in enumerate(self.coefficients):
            if each.any():
                total += each[builds[:, s]]
        return total

    def holds(self, builds: IntArray) -> BoolArray:
        """Which of the builds ``(n, S)`` satisfy the row; shape ``(n,)``."""
        return self.total(builds) <= self.upper + self.slack

    def reason_for(self, build: IntArray) -> Reason:
        """Give the reason with the numbers of one build ``(S,)``."""
        return self.reason if self.explain is None else Reason(self.reason.check, self.explain(build))

    def most(self) -> float:
        """Largest left-hand side over all builds."""
        return float(sum(each.max() for each in self.coefficients))

    def lifted(self, places: Iterable[tuple[int, int]]) -> LinearRow:
        """Copy the row, never broken by a build that has any of these (slot, option)."""
        coefficients = [each.copy() for each in self.coefficients]
        highest = [float(each.max()) for each in self.coefficients]
        for s, o in places:
            others = sum(highest[:s]) + sum(highest[s + 1 :])
            coefficients[s][o] = min(coefficients[s][o], self.upper - others)
        return replace(self, coefficients=tuple(coefficients))


def zeros(options: Options) -> list[FloatArray]:
    """Start a row without any coefficient."""
    return [np.zeros(m) for m in options.sizes]
