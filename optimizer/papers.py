"""What a crew takes along on paper: the card for the morning and the note for buying, each one function of a study."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.answers.morning_card import MorningCard, morning_card
from optimizer.questions import build_named
from optimizer.search.ranking import Progress
from optimizer.search.study import Study


def card(study: Study, named: str = "1", spares: Sequence[str] = (), progress: Progress | None = None) -> MorningCard:
    """The card for the morning of a build: a place in the ranking, ``now``, or parts put into the best build.

    Parameters
    ----------
    study : Study
        Its salt only says which ranking a place is of: the card is for all conditions of the course.
    named : str
        As for `questions.side_by_side`.
    spares : sequence of str
        Parts that are carried; each an id, ``slot=id``, or several that go on together, joined by commas.
    progress : callable, optional

    Raises
    ------
    UsageError
        If a build or a part is not known, or there are too many spares.
    NoLegalBuildError
        If a place is asked for and no build is legal.
    """
    build = build_named(study, named, progress)
    if progress is not None:
        progress("simulating every day of the card", 0.9)
    return morning_card(study, build, spares)
