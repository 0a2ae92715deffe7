"""The commands that write what a crew takes along: the card for the morning, the note for buying."""

from __future__ import annotations

from pathlib import Path

import click

from optimizer.console import (
    Progress,
    cents_of,
    class_and_json,
    common,
    read,
    salt_option,
    studies,
    wants_color,
    write,
)
from optimizer.errors import UsageError
from optimizer.files import refuse_unwritable, write_whole

_folder = click.argument("folder", type=click.Path(path_type=Path))


@click.command()
@_folder
@click.option("--build", "named", default="1", show_default=True, metavar="BUILD",
              help="A place in the ranking, now, or parts put into the best build (T10,springs=S1).")
@click.option("--spare", "spares", multiple=True, metavar="PART",
              help="A part that is carried: id, slot=id, or parts that go on together, with commas.")
@click.option("--output", "-o", type=click.Path(path_type=Path), metavar="FILE",
              help="Write a page of two sides to print into FILE, instead of text.")
@salt_option
@class_and_json
@common
def card(
    folder: Path,
    named: str,
    spares: tuple[str, ...],
    output: Path | None,
    salt: str | None,
    race_class: str | None,
    as_json: bool,
) -> None:
    """Say what to expect in the air, on the salt and in the wind of the day, and when to break off.

    Two sides for the morning, readable without a computer. With --spare also what to fit on which day. --salt says
    which ranking a place is of; the card is for every condition.
    """
    from optimizer import papers  # noqa: PLC0415
    from optimizer.pipeline import Question  # noqa: PLC0415
    from optimizer.questions import possible_study_of  # noqa: PLC0415
    from optimizer.report.card_page import card_page  # noqa: PLC0415
    from optimizer.report.documents import as_json as dumped  # noqa: PLC0415
    from optimizer.report.morning_card import card_text  # noqa: PLC0415
    from optimizer.report.question_documents import question_document  # noqa: PLC0415
    from optimizer.report.wording import Words  # noqa: PLC0415

    if output is not None:
        if as_json:
            raise UsageError("-o writes a page and --json a document: ask for one of them")
        refuse_unwritable(output)
    study = possible_study_of(read(folder), Question(race_class=race_class, salt=salt), studies())
    with Progress() as progress:
        found = papers.card(study, named, spares, progress)
    if output is not None:
        write_whole(output, card_page(Words(study.scenario), found))
        write(f"Wrote the card into {output}: print it on both sides of one sheet.\n")
    elif as_json:
        write(dumped(question_document(study.options, "card", salt, found)))
    else:
        write(card_text(Words(study.scenario, wants_color()), found))


@click.command()
@_folder
@click.option("--rank", type=click.IntRange(1, 100), default=1, show_default=True, help="Which build of the ranking.")
@click.option("--first-place", is_flag=True,
              help="Search for the price at which each part drops out of first place too: may take minutes.")
@click.option("--csv", type=click.Path(path_type=Path), metavar="FILE", help="Write the note into FILE as a sheet too.")
@click.option("--budget", metavar="N", help="Most to spend, instead of the event's budget.")
@salt_option
@class_and_json
@common
def purchase(
    folder: Path,
    rank: int,
    first_place: bool,
    csv: Path | None,
    budget: str | None,
    salt: str | None,
    race_class: str | None,
    as_json: bool,
) -> None:
    """Say what to buy for a build, not above which price, what instead, and what to ask the seller."""
    from optimizer import papers  # noqa: PLC0415
    from optimizer.pipeline import Question  # noqa: PLC0415
    from optimizer.questions import possible_study_of  # noqa: PLC0415
    from optimizer.report.documents import as_json as dumped  # noqa: PLC0415
    from optimizer.report.purchase_note import purchase_csv, purchase_text  # noqa: PLC0415
    from optimizer.report.question_documents import question_document  # noqa: PLC0415
    from optimizer.report.wording import Words  # noqa: PLC0415

    if csv is not None:
        refuse_unwritable(csv)
    scenario = read(folder)
    cents = None if budget is None else cents_of(budget, scenario)
    study = possible_study_of(scenario, Question(budget_cents=cents, race_class=race_class, salt=salt), studies())
    with Progress() as progress:
        found = papers.purchase(study, rank, first_place=first_place, progress=progress)
    words = Words(study.scenario, wants_color())
    if csv is not None:
        write_whole(csv, purchase_csv(words, found))
    if as_json:
        write(dumped(question_document(study.options, "purchase", salt, found)))
    else:
        write(purchase_text(words, found))


PAPERS = (card, purchase)
"""In the order of the help."""
