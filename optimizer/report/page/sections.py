"""The sections of the page in the order in which a crew decides."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.decision import Decision
from optimizer.report.page import car_sections, choice_sections
from optimizer.report.page.figures import Figure
from optimizer.report.page.section import Section
from optimizer.report.page.words import PageWords


def sections_of(
    words: PageWords,
    decision: Decision,
    more: Sequence[Section] = (),
) -> list[Section]:
    """All sections but the caution, in the order in which a crew decides; ``more`` stand before the assumptions."""
    return [
        choice_sections.answer_section(words, decision),
        choice_sections.done_section(words, decision),
        choice_sections.shortlist_section(words, decision),
        choice_sections.ranking_section(words, decision),
        choice_sections.money_section(words, decision),
        car_sections.buy_section(words, decision),
        choice_sections.parts_section(words, decision),
        car_sections.run_section(words, decision),
        car_sections.salt_section(words, decision),
        car_sections.odds_section(words, decision),
        car_sections.stop_section(words, decision),
        car_sections.why_not_section(words, decision),
        *more,
        car_sections.assumed_section(words, decision),
        car_sections.steps_section(words, decision),
    ]


def figures_of(sections: Sequence[Section]) -> list[Figure]:
    """Every chart of the page."""
    found: list[Figure] = []
    for each in sections:
        found += [figure for figure in (each.view.get("figure"), *each.view.get("figures", ())) if figure is not None]
    return found
