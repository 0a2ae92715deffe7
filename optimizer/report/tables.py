"""Tables of short cells as text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from optimizer.report.width import line_width

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
        """The table as lines: a header, then the rows, words to the left and numbers to the right.

        Columns stand closer together where they would pass the width of a terminal.
        """
        every = [self.headers, *self.rows]
        widths = [max(len(row[c]) for row in every) for c in range(len(self.headers))]
        fits = len(indent) + sum(widths) + GAP * (len(widths) - 1) <= line_width()
        return [indent + self._line(row, widths, GAP if fits else 1) for row in every]

    def _line(self, row: Sequence[str], widths: Sequence[int], gap: int) -> str:
        cells = (
            f"{cell:<{width}}" if c in self.left else f"{cell:>{width}}"
            for c, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        return (" " * gap).join(cells).rstrip()
