"""Words for a page: those of all answers, with what the crew typed kept apart from the sentence around it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from markupsafe import Markup, escape

from optimizer.report.wording import Words, both
from optimizer.scenario.parts import NONE_ID
from optimizer.units import to_unit

OPEN, CLOSE = "\u2068", "\u2069"
"""First strong isolate and its end: what is typed from right to left must not turn the sentence around it."""
ISOLATES = re.compile("[\u2066-\u2069]")
COMMAND = re.compile("`(saltmile [^`<>]*)`")


def typed(text: str) -> str:
    """A text that the crew typed, to stand in a sentence whatever marks of direction are in it."""
    return f"{OPEN}{ISOLATES.sub('', text)}{CLOSE}"


def say(text: Any) -> Markup:
    """A text as HTML: escaped, and what the crew typed in elements of its own direction."""
    safe = COMMAND.sub(r"<code>\1</code>", str(escape(str(text))))
    return Markup(safe.replace(OPEN, "<bdi>").replace(CLOSE, "</bdi>"))  # noqa: S704  escaped above


class PageWords(Words):
    """Wording of one page."""

    def part(self, part_id: str) -> str:
        """Name and id of a part, as typed by the crew."""
        return "nothing" if part_id == NONE_ID else typed(super().part(part_id))

    def named(self, part_id: str) -> str:
        """Name of a part alone, as typed; the id where it has none."""
        if part_id == NONE_ID:
            return "nothing"
        return typed(super().part(part_id).removesuffix(f" ({part_id})"))

    def slots(self, names: Iterable[str]) -> str:
        """Names of slots, as typed by the crew."""
        return both([typed(name) for name in names])

    def grouped(self, changes: Iterable[tuple[str, str, str]]) -> list[tuple[str, str, str]]:
        """Changes as (slots, part then, part now), slots that get the same part for the same reason together."""
        by_part: dict[tuple[str, str], list[str]] = {}
        for slot, old, new in changes:
            by_part.setdefault((new if new != NONE_ID else f"{NONE_ID} {slot}", old), []).append(slot)
        return [
            (self.slots(slots), self.part(NONE_ID if new.startswith(f"{NONE_ID} ") else new), self.part(old))
            for (new, old), slots in by_part.items()
        ]

    def figure(self, speed_ms: float) -> float:
        """A speed in the event's unit."""
        return to_unit(speed_ms, self.unit, "speed")

    @property
    def far(self) -> str:
        """Unit of distances."""
        return "km" if self.metric else "mi"

    def length(self, length_m: float) -> float:
        """A distance in it."""
        return to_unit(length_m, self.far, "distance")

    @property
    def push(self) -> str:
        """Unit of forces."""
        return "N" if self.metric else "lbf"
