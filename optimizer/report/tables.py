"""Tables of short cells as text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

GAP = 2
"""Blanks between columns."""


def shortened(text: str, letters: int) -> str:
    """A text for a narrow cell: its end is left out where it is longer."""
    return text if len(text) <= letters else f"{text[: letters - 3]}..."


@dataclass(frozen=True, slots=True)
class Table:
    """Headers and rows of cells; ``left`` are the columns that are words, the others are numbers."""

    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left: frozenset[int] = frozenset({0})

    def lines(self, indent: str = "  ") -> list[str]:
        """The table as lines: a header, then the rows, words to the left and numbers to the right."""
        every = [self.headers, *self.rows]
        widths = [max(len(row[c]) for row in every) for c in range(len(self.headers))]
        return [indent + self._line(row, widths) for row in every]

    def _line(self, row: Sequence[str], widths: Sequence[int]) -> str:
        cells = (
            f"{cell:<{width}}" if c in self.left else f"{cell:>{width}}"
            for c, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        return (" " * GAP).join(cells).rstrip()
