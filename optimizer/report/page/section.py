"""What a section of the page is made of, and what sections share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from optimizer.answers.cards import BuildCard
from optimizer.decision import NOW
from optimizer.report.page.words import PageWords


@dataclass(frozen=True, slots=True)
class Section:
    """One section: an id for links, its title, a lead, and what the template draws.

    Any section may have in its view a ``figure`` or ``figures``, ``texts`` (paragraphs), ``items`` (a list), ``tables``
    and, at its end, ``html`` (Markup); some have more, which the template knows by their ids.
    """

    key: str
    title: str
    lead: str
    view: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Table:
    """A table: a caption, headings (``#`` before those of numbers), rows of texts; ``wordy`` ones stack on a phone."""

    caption: str
    heads: Sequence[str]
    rows: Sequence[Sequence[str]]
    wordy: bool = False


def price_of(words: PageWords, card: BuildCard) -> str:
    """Text of a build's price."""
    return "a price that is not known" if card.cents is None else words.price(card.cents)


def candidate_name(key: str) -> str:
    """What a build that is compared is called in sentences."""
    return "the car as it stands" if key == NOW else f"number {key}" if key.isdigit() else f"build {key}"


def capital(text: str) -> str:
    """A text as the beginning of a sentence."""
    return text[:1].upper() + text[1:]
