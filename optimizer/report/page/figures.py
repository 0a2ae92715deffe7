"""The charts of a decision: each with a title that says what to see, a text alternative, and its numbers as a table."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from optimizer.report.page.charts import Drawing, Plot, around, shorter

WIDE, NARROW = 800.0, 350.0
"""Widths a chart is drawn at: for a desk and for a phone."""
LABEL_ROOM = 232.0
"""Room for labels left of rows where there is space beside them."""
ROW, TALL_ROW = 26.0, 42.0
Table = Sequence[Sequence[str]]


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart drawn twice, its title and caption, and what it shows as a table (first row: headings)."""

    key: str
    title: str
    description: str
    wide: Markup
    narrow: Markup
    note: str
    columns: Sequence[str]
    rows: Table


def figure(
    key: str,
    title: str,
    description: str,
    draw: Callable[[float], Drawing],
    table: tuple[Sequence[str], Table],
    note: str = "",
) -> Figure:
    """Draw a chart at both widths."""
    wide, narrow = (
        Markup(draw(width).svg(f"{key}-{name}", title, description))  # noqa: S704  every text in it is escaped
        for width, name in ((WIDE, "w"), (NARROW, "n"))
    )
    return Figure(key, title, description, wide, narrow, note, *table)


class Rows(Plot):
    """A plot of named rows: names stand left of the field, or above their row where the sheet is narrow."""

    def __init__(
        self,
        width: float,
        names: Sequence[str],
        values: Sequence[float],
        *,
        axis: bool = True,
        room: float = LABEL_ROOM,
    ) -> None:
        self.above = width < WIDE
        self.names, self.room = names, room
        height = (TALL_ROW if self.above else ROW) * len(names)
        left = 4.0 if self.above else room
        super().__init__(width, height + (56.0 if axis else 12.0), margins=(left, 6.0, 44.0, 46.0 if axis else 4.0))
        self.scales(around(values, 0.04))

    def middle(self, row: int) -> float:
        """Height of a row's line."""
        return self.top + (TALL_ROW * row + 28 if self.above else ROW * row + ROW / 2)

    def label_rows(self) -> None:
        """Write the names."""
        for row, name in enumerate(self.names):
            if self.above:
                clear = self.left + 4.0  # of a line at the left end
                self.text(clear, self.middle(row) - 12, shorter(name, self.width - clear), "label")
            else:
                self.text(0, self.middle(row) + 4, shorter(name, self.room - 14), "label")

    def upright(self, value: float, look: str) -> None:
        """A line through all rows."""
        self.line([(self.x(value), self.top), (self.x(value), self.bottom)], look)
