"""What a crew takes along on paper: the card for the morning and the note for buying, each one function of a study."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.answers.morning_card import morning_card
from optimizer.answers.morning_records import MorningCard
from optimizer.answers.purchase_note import PurchaseNote, purchase_note
from optimizer.errors import UsageError
from optimizer.questions import build_named
from optimizer.search.state import Progress
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


def purchase(
    study: Study, rank: int = 1, *, first_place: bool = False, progress: Progress | None = None
) -> PurchaseNote:
    """What to buy for the build in a place of the ranking, and not above which price: see `purchase_note`.

    Raises
    ------
    UsageError
        If there are fewer legal builds, or the price for first place is asked of a build further down.
    NoLegalBuildError
        If there is none.
    """
    if first_place and rank != 1:
        raise UsageError(f"only parts of the build in first place can drop out of it, not those of number {rank}")
    budget = study.scenario.event.budget_cents
    ranking = study.best(rank, budget_cents=budget, progress=progress)
    if ranking.listed < rank:
        build_named(study, str(rank), progress)  # says what is wrong
    build, closed = ranking.builds[rank - 1], bool(ranking.evidence.closed)
    return purchase_note(study, build, rank, closed=closed, first_place=first_place, progress=progress)
