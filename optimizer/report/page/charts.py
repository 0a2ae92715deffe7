"""Charts as SVG: scales, axes, lines and labels. What differs is told by place, dash, shape and label, not by color.

Classes stand for looks (``charts.css``); sizes are in CSS pixels, since a chart is drawn once for a desk and once for a
phone instead of being scaled. Every text goes through `escape`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Literal

Anchor = Literal["start", "middle", "end"]
Point = tuple[float, float]

LETTER = 6.4
"""About the width of a letter in the type of the charts."""
TICK = 4.0
UNREADABLE = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def number(value: float) -> str:
    """A coordinate in as few signs as it needs."""
    text = f"{value:.1f}"
    return text.removesuffix(".0").replace("-0", "0", 1) if text in {"-0.0", "0.0"} else text.removesuffix(".0")


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round values between two ends, about so many; steps of 1, 2 or 5."""
    span = max(high - low, 1e-12)
    raw = span / max(about, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(each * power for each in (1, 2, 5, 10) if each * power >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(place * step, 10) for place in range(first, last + 1)]


def readable(text: str) -> str:
    """A text without the signs that a file of SVG may not hold: a sheet may have any in a name."""
    return UNREADABLE.sub("", text)


def shorter(text: str, room: float) -> str:
    """A text cut to a width, with a sign that it was."""
    most = max(4, int(room / LETTER))
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def apart(places: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Places of labels moved so that each keeps a gap to the next, inside two ends where there is room."""
    order = sorted(range(len(places)), key=lambda i: places[i])
    moved = [places[i] for i in order]
    for i in range(1, len(moved)):
        moved[i] = max(moved[i], moved[i - 1] + gap)
    beyond = max(0.0, moved[-1] - high) if moved else 0.0
    for i in range(len(moved) - 1, -1, -1):
        most = moved[i + 1] - gap if i + 1 < len(moved) else moved[i] - beyond
        moved[i] = max(low, min(moved[i], most))
    out = [0.0] * len(places)
    for at, i in zip(moved, order, strict=True):
        out[i] = at
    return out


@dataclass(frozen=True, slots=True)
class Scale:
    """Values to places, evenly."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Place of a value."""
        span = self.high - self.low or 1.0
        return self.start + (value - self.low) / span * (self.end - self.start)


def around(values: Iterable[float], room: float = 0.06) -> tuple[float, float]:
    """Ends of a scale that leave some room around values."""
    found = list(values)
    low, high = min(found), max(found)
    span = max(high - low, 1e-9)
    return low - room * span, high + room * span


@dataclass(slots=True)
class Drawing:
    """Shapes on a sheet of some size, one after the other."""

    width: float
    height: float
    shapes: list[str] = field(default_factory=list)

    def line(self, points: Iterable[Point], look: str) -> None:
        """A line through points."""
        path = "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points)
        self.shapes.append(f'<path class="{look}" d="{path}"/>')

    def box(self, x: float, y: float, width: float, height: float, look: str) -> None:
        """A filled rectangle."""
        size = f'width="{number(max(width, 0))}" height="{number(max(height, 0))}"'
        self.shapes.append(f'<rect class="{look}" x="{number(x)}" y="{number(y)}" {size}/>')

    def dot(self, x: float, y: float, look: str, shape: str = "circle", size: float = 4.0) -> None:
        """A mark: circle, square, diamond or triangle."""
        if shape == "circle":
            self.shapes.append(f'<circle class="{look}" cx="{number(x)}" cy="{number(y)}" r="{number(size)}"/>')
            return
        corners = {
            "square": [(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)],
            "diamond": [(0, -1.3), (1.3, 0), (0, 1.3), (-1.3, 0)],
            "triangle": [(0, -1.2), (1.15, 0.95), (-1.15, 0.95)],
        }[shape]
        path = "L".join(f"{number(x + a * size)} {number(y + b * size)}" for a, b in corners)
        self.shapes.append(f'<path class="{look}" d="M{path}Z"/>')

    def text(self, x: float, y: float, text: str, look: str = "label", anchor: Anchor = "start") -> None:
        """A line of text by its foot."""
        place = "" if anchor == "start" else f' text-anchor="{anchor}"'
        self.shapes.append(
            f'<text class="{look}" x="{number(x)}" y="{number(y)}"{place}>{escape(readable(text), quote=False)}</text>'
        )

    def svg(self, key: str, title: str, description: str) -> str:
        """The drawing with its text alternative; ``key`` makes its ids unique on a page."""
        size = f'viewBox="0 0 {number(self.width)} {number(self.height)}"'
        size += f' width="{number(self.width)}" height="{number(self.height)}"'
        return (
            f'<svg class="chart" {size} role="img" aria-labelledby="{key}-t {key}-d">'
            f'<title id="{key}-t">{escape(readable(title), quote=False)}</title>'
            f'<desc id="{key}-d">{escape(readable(description), quote=False)}</desc>{"".join(self.shapes)}</svg>'
        )


@dataclass(slots=True)
class Plot(Drawing):
    """A drawing with two axes; margins are left, top, right, bottom."""

    margins: tuple[float, float, float, float] = (44.0, 22.0, 16.0, 40.0)
    x: Scale = field(default_factory=lambda: Scale(0, 1, 0, 1))
    y: Scale = field(default_factory=lambda: Scale(0, 1, 1, 0))

    @property
    def left(self) -> float:
        """Where the field begins."""
        return self.margins[0]

    @property
    def right(self) -> float:
        """Where the field ends."""
        return self.width - self.margins[2]

    @property
    def top(self) -> float:
        """Upper edge of the field."""
        return self.margins[1]

    @property
    def bottom(self) -> float:
        """Lower edge of the field."""
        return self.height - self.margins[3]

    def scales(self, x: tuple[float, float], y: tuple[float, float] = (0.0, 1.0)) -> None:
        """Give both axes their ends."""
        self.x = Scale(*x, self.left, self.right)
        self.y = Scale(*y, self.bottom, self.top)

    def x_axis(
        self, label: str, pattern: str = "{:,.0f}", *, grid: bool = False, about: int | None = None, times: float = 1.0
    ) -> None:
        """Ticks and the name of what runs to the right; ``times`` is what values are shown multiplied by."""
        count = about or max(3, int((self.right - self.left) / 90))
        for value in ticks(self.x.low, self.x.high, count):
            at = self.x(value)
            self.line([(at, self.top if grid else self.bottom), (at, self.bottom + TICK)], "grid" if grid else "axis")
            self.text(at, self.bottom + 17, pattern.format(value * times) if value else "0", "tick", "middle")
        self.line([(self.left, self.bottom), (self.right, self.bottom)], "axis")
        self.text(self.right, self.bottom + 33, label, "unit", "end")

    def y_axis(self, label: str, pattern: str = "{:,.0f}", about: int | None = None) -> None:
        """Lines across and the name of what runs upward, above the axis where it can be read without turning."""
        count = about or max(3, int((self.bottom - self.top) / 38))
        for value in ticks(self.y.low, self.y.high, count):
            at = self.y(value)
            self.line([(self.left, at), (self.right, at)], "grid")
            self.text(self.left - 7, at + 4, pattern.format(value), "tick", "end")
        self.text(0, self.top - 10, label, "unit")

    def curve(self, xs: Iterable[float], ys: Iterable[float], look: str) -> None:
        """A line through values."""
        self.line([(self.x(float(x)), self.y(float(y))) for x, y in zip(xs, ys, strict=True)], look)
