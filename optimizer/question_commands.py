"""The commands that answer what a crew asks beside the ranking. What is heavy is imported inside them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from optimizer.console import (
    Progress,
    amounts_of,
    cents_of,
    class_and_json,
    common,
    quantity_of,
    read,
    salt_option,
    studies,
    wants_color,
    write,
)
from optimizer.errors import UsageError

if TYPE_CHECKING:
    from optimizer.choice.options import Options
    from optimizer.report.wording import Words
    from optimizer.scenario.event import Scenario
    from optimizer.search.study import Study

folder_argument = click.argument("folder", type=click.Path(path_type=Path))
budget_option = click.option("--budget", metavar="N", help="Most to spend, instead of the event's budget.")
SHORT = 12
"""Letters up to which a typed build is called by what was typed."""


def _study(
    scenario: Scenario, race_class: str | None, salt: str | None, cents: int | None, *, helped: bool = True
) -> Study:
    """What answers are made with; None leaves the event's budget."""
    kept = studies(helped=helped)
    from optimizer.pipeline import Question  # noqa: PLC0415
    from optimizer.questions import possible_study_of  # noqa: PLC0415

    return possible_study_of(scenario, Question(budget_cents=cents, race_class=race_class, salt=salt), kept)


def read_study(
    folder: Path, race_class: str | None, salt: str | None, budget: str | None, *, helped: bool = True
) -> Study:
    """The same from a folder, with a budget as typed."""
    scenario = read(folder)
    cents = None if budget is None else cents_of(budget, scenario)
    return _study(scenario, race_class, salt, cents, helped=helped)


def tell(
    options: Options, command: str, salt: str | None, found: Any, text: Callable[[Words], str], *, as_json: bool
) -> None:
    """Write an answer as text or as a document."""
    from optimizer.report.documents import as_json as dumped  # noqa: PLC0415
    from optimizer.report.question_documents import question_document  # noqa: PLC0415
    from optimizer.report.wording import Words  # noqa: PLC0415

    if as_json:
        write(dumped(question_document(options, command, salt, found)))
    else:
        write(text(Words(options.scenario, wants_color())))


@click.command()
@folder_argument
@click.option("--rank", type=click.IntRange(1, 100), default=1, show_default=True, help="Which build of the ranking.")
@budget_option
@salt_option
@class_and_json
@common
def why(
    folder: Path, rank: int, budget: str | None, salt: str | None, race_class: str | None, as_json: bool
) -> None:
    """Say what each part of the best build is worth, what holds the car, and where the power goes."""
    from optimizer import questions  # noqa: PLC0415
    from optimizer.report.questions import why_text  # noqa: PLC0415

    study = read_study(folder, race_class, salt, budget)
    with Progress() as progress:
        found = questions.why(study, rank, progress)
    tell(study.options, "why", salt, found, lambda words: why_text(words, found), as_json=as_json)


@click.command(name="why-not")
@folder_argument
@click.argument("part")
@budget_option
@salt_option
@class_and_json
@common
def why_not(
    folder: Path, part: str, budget: str | None, salt: str | None, race_class: str | None, as_json: bool
) -> None:
    """Say why PART is not in the best build, and what would bring it in.

    PART is an id, or slot=id for one slot.
    """
    study = read_study(folder, race_class, salt, budget)
    from optimizer.answers import why_not as answer  # noqa: PLC0415
    from optimizer.report.offers import why_not_text  # noqa: PLC0415

    limit = study.scenario.event.budget_cents
    with Progress() as progress:
        found = answer.why_not(study, part, budget_cents=limit, progress=progress)
    tell(study.options, "why-not", salt, found, lambda words: why_not_text(words, found), as_json=as_json)


@click.command(name="try")
@folder_argument
@click.argument("sheets", nargs=-1, metavar="[SHEET]...", type=click.Path(path_type=Path))
@click.option("--part", "lines", metavar="LINE", multiple=True, help="One typed part: KIND [ID] COLUMN=VALUE ...")
@budget_option
@salt_option
@class_and_json
@common
def try_offers(
    folder: Path,
    sheets: tuple[Path, ...],
    lines: tuple[str, ...],
    budget: str | None,
    salt: str | None,
    race_class: str | None,
    as_json: bool,
) -> None:
    """Say what parts or kits on offer are good for, and what they are worth paying; your files stay as they are.

    SHEET is a CSV or XLSX file named after what is in it (tires.csv). A typed part reads like
    --part 'tire X9 size="165/60R14 75H" mass="12 lb" price=$79 ...', with what its sheet asks for.
    """
    from optimizer import questions  # noqa: PLC0415
    from optimizer.report.offers import offers_text  # noqa: PLC0415

    if not sheets and not lines:
        raise UsageError("nothing is on offer; name a sheet, or type a part with --part")
    study = read_study(folder, race_class, salt, budget)
    with Progress() as progress:
        found = questions.offers(study, sheets, lines, salt, progress)
    tell(found.options, "try", salt, found, lambda words: offers_text(words, found), as_json=as_json)


@click.command()
@folder_argument
@click.option("--from", "low", metavar="N", default="0", help="Lowest budget.  [default: 0]")
@click.option("--to", "high", metavar="N", help="Highest budget, instead of the event's.")
@click.option("--every", is_flag=True, help="Every step, however small: may take minutes.")
@click.option("--target", metavar="SPEED", help="Cheapest build past a speed; record: past the record.")
@salt_option
@class_and_json
@common
def budget(
    folder: Path,
    low: str,
    high: str | None,
    every: bool,
    target: str | None,
    salt: str | None,
    race_class: str | None,
    as_json: bool,
) -> None:
    """Say what is fastest for every budget, or what the cheapest build past a speed is.

    With --target, --to is the most to spend. --class any: the class whose record is cheapest to take.
    """
    from optimizer import questions  # noqa: PLC0415
    from optimizer.pipeline import ANY_CLASS  # noqa: PLC0415
    from optimizer.report.questions import budget_text, records_text, target_text  # noqa: PLC0415

    scenario = read(folder)
    lowest, *highest = amounts_of((("--from", low), *([] if high is None else [("--to", high)])), scenario)
    most = highest[0] if highest else None
    if race_class == ANY_CLASS:
        study = _study(scenario, None, salt, None)
        with Progress() as progress:
            records = questions.cheapest_record(study.scenario, salt, most, progress)
        tell(study.options, "budget", salt, records, lambda words: records_text(words, study.options, records),
              as_json=as_json)  # fmt: skip
        return
    study = _study(scenario, race_class, salt, most)
    with Progress() as progress:
        if target is not None:
            speed = None if target == "record" else quantity_of(target, "speed", "--target", study.scenario)
            cheapest = questions.cheapest(study, speed, most, progress)
            tell(
                study.options, "budget", salt, cheapest,
                lambda words: target_text(words, study.options, cheapest, most), as_json=as_json,
            )  # fmt: skip
            return
        found = questions.budget(study, lowest, most, every=every, progress=progress)
    tell(study.options, "budget", salt, found, lambda words: budget_text(words, study.options, found, every=every),
          as_json=as_json)  # fmt: skip


@click.command(name="buy-order")
@folder_argument
@click.option("--spend", metavar="N", multiple=True, required=True, help="Money of a stage; once for each.")
@salt_option
@class_and_json
@common
def buy_order(folder: Path, spend: tuple[str, ...], salt: str | None, race_class: str | None, as_json: bool) -> None:
    """Say what to buy first when the money comes in stages, so that nothing bought is thrown away."""
    from optimizer import questions  # noqa: PLC0415
    from optimizer.answers.buying_order import STAGES  # noqa: PLC0415
    from optimizer.report.stages import order_text  # noqa: PLC0415

    if len(spend) not in STAGES:
        raise UsageError(f"money comes in {STAGES[0]} to {STAGES[-1]} stages, each with a --spend of its own")
    scenario = read(folder)
    amounts = amounts_of((("--spend", each) for each in spend), scenario)
    study = _study(scenario, race_class, salt, sum(amounts))
    with Progress() as progress:
        found = questions.order(study, amounts, progress)
    tell(study.options, "buy-order", salt, found, lambda words: order_text(words, found), as_json=as_json)


@click.command()
@folder_argument
@click.argument("first")
@click.argument("second")
@budget_option
@salt_option
@class_and_json
@common
def compare(
    folder: Path,
    first: str,
    second: str,
    budget: str | None,
    salt: str | None,
    race_class: str | None,
    as_json: bool,
) -> None:
    """Compare two builds: what each difference is worth, how surely, and what would turn the order.

    FIRST and SECOND are each a place in the ranking (1), the car as it stands (now), or parts put into the best build
    (T10,springs=S1).
    """
    from optimizer import questions  # noqa: PLC0415
    from optimizer.report.questions import compare_text  # noqa: PLC0415

    study = read_study(folder, race_class, salt, budget)
    with Progress() as progress:
        found = questions.side_by_side(study, first, second, progress)
    names = [_build_name(each) for each in (first, second)]
    tell(study.options, "compare", salt, found, lambda words: compare_text(words, found, *names), as_json=as_json)


def _build_name(named: str) -> str:
    """What a build is called in sentences."""
    if named == "now":
        return "the car as it stands"
    if named.isdigit():
        return f"number {named}"
    return f"number 1 with {named}" if len(named) <= SHORT else "number 1 changed"


@click.command()
@folder_argument
@click.option("--count", type=click.IntRange(1, 20), default=5, show_default=True, help="How many builds.")
@click.option("--soft", metavar="NAME", help="Condition that counts as soft salt, instead of the softest.")
@click.option("--wide", is_flag=True, help="Ask for the best without each main choice too: more that differs, slower.")
@budget_option
@salt_option
@class_and_json
@common
def shortlist(
    folder: Path,
    count: int,
    soft: str | None,
    wide: bool,
    budget: str | None,
    salt: str | None,
    race_class: str | None,
    as_json: bool,
) -> None:
    """Name builds near the best that really differ, each with what speaks for it."""
    from optimizer import questions  # noqa: PLC0415
    from optimizer.report.questions import shortlist_text  # noqa: PLC0415

    study = read_study(folder, race_class, salt, budget)
    with Progress() as progress:
        found = questions.short(study, count, soft_salt=soft, wide=wide, progress=progress)
    tell(study.options, "shortlist", salt, found, lambda words: shortlist_text(words, found), as_json=as_json)


@click.command()
@folder_argument
@click.option("--top", type=click.IntRange(1, 50), default=3, show_default=True, help="Best builds of each condition.")
@budget_option
@class_and_json
@common
def salts(folder: Path, top: int, budget: str | None, race_class: str | None, as_json: bool) -> None:
    """Say which builds are best in every condition of the salt, and which change places."""
    from optimizer import questions  # noqa: PLC0415
    from optimizer.report.questions import salts_text  # noqa: PLC0415

    study = read_study(folder, race_class, None, budget)
    with Progress() as progress:
        found = questions.on_every_salt(study, top, progress)
    tell(study.options, "salts", None, found, lambda words: salts_text(words, study.options, found), as_json=as_json)


QUESTIONS = (why, why_not, try_offers, budget, buy_order, shortlist, compare, salts)
"""In the order of the help."""
