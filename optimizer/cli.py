"""Arguments in, text or one JSON document out. What is heavy is imported inside the commands that need it.

Exit codes: 0 done, 1 our fault, 2 usage, 3 faulty sheets, 4 no legal build.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from optimizer.calibration_commands import COMMANDS
from optimizer.chance_commands import CHANCES, rank_under_doubt
from optimizer.console import (
    INTERRUPTED,
    STUDIES,
    Progress,
    cents_of,
    class_and_json,
    common,
    listed,
    read,
    salt_option,
    studies,
    text_columns,
    wants_color,
    write,
)
from optimizer.errors import NoLegalBuildError, SaltmileError, UsageError
from optimizer.files import refuse_unwritable, write_whole
from optimizer.page_command import report
from optimizer.paper_commands import PAPERS
from optimizer.question_commands import QUESTIONS
from optimizer.report.width import text_of
from optimizer.sitting import Sitting, is_typed

if TYPE_CHECKING:
    from optimizer.answers.doubt import Aim
    from optimizer.search.studies import Studies


class Commands(click.Group):
    """Commands, each listed with the whole first paragraph of its help."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list."""
        with formatter.section("Commands"):
            formatter.write_dl(listed({name: self.commands[name] for name in self.list_commands(ctx)}))


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="saltmile", prog_name="saltmile")
def cli() -> None:
    """Find the parts that make a car fastest over a measured mile on salt.

    A scenario is a FOLDER with car.toml, event.toml and sheets of parts. Predictions are not permission to run:
    inspectors, the rule book and the makers' ratings decide.
    """


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path))
@common
def new(folder: Path) -> None:
    """Write a commented scenario to start from into FOLDER.

    FOLDER must be new or empty: nothing is ever overwritten.
    """
    from importlib.resources import files  # noqa: PLC0415

    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file; name a folder that is new or empty")
    if folder.is_dir() and any(folder.iterdir()):
        raise UsageError(f"{folder} is not empty and nothing is overwritten; name a folder that is new or empty")
    starter = sorted((each for each in files("optimizer").joinpath("starter").iterdir()), key=lambda each: each.name)
    names = [each.name for each in starter if each.is_file()]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for each in starter:
            if each.is_file():
                with (folder / each.name).open("xb") as copy:
                    copy.write(each.read_bytes())
    except OSError as fault:
        raise UsageError(f"cannot write {folder}: {fault.strerror}") from fault
    write(
        f"Wrote {len(names)} files into {folder}: {', '.join(names)}.\n"
        "Every name and number in them is invented: put yours in their place. Then:\n\n"
        f"  saltmile check {folder}\n  saltmile rank {folder}\n"
    )


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--all", "everything", is_flag=True, help="Every part that is ruled out, every assumed number.")
@class_and_json
@common
def check(folder: Path, everything: bool, race_class: str | None, as_json: bool) -> None:
    """Say what is in the sheets of FOLDER, what is ruled out and why, what is assumed."""
    from optimizer.pipeline import Question, study_of  # noqa: PLC0415
    from optimizer.report import documents  # noqa: PLC0415
    from optimizer.report.checking import check_result, check_text  # noqa: PLC0415

    result = check_result(study_of(read(folder), Question(race_class=race_class)))
    if as_json:
        write(documents.as_json(documents.check_document(result)))
    else:
        write(check_text(result, everything=everything, color=wants_color()))


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--budget", metavar="N", help="Most to spend, in the event's currency, instead of the event's budget.")
@click.option("--top", type=click.IntRange(1, 1000), default=10, show_default=True, help="How many builds.")
@click.option("--with", "with_parts", metavar="PART", multiple=True, help="A part that must be in: id, or slot=id.")
@click.option("--without", "without_parts", metavar="PART", multiple=True, help="A part that must not be in.")
@click.option("--all", "all_builds", is_flag=True, help="Tell every build in full, not only the first three.")
@click.option("--quick", is_flag=True,
              help="Rule out by samples too: not complete. A little sooner; later where money is plenty.")
@click.option("--time-limit", type=click.FloatRange(0, min_open=True), metavar="SECONDS", help="Stop searching then.")
@click.option("--evidence", type=click.Path(path_type=Path), metavar="FILE",
              help="Write into FILE why nothing faster was left out; see recheck.")
@click.option("--for", "aim", type=click.Choice(["speed", "record", "regret"]), default="speed", show_default=True,
              help="Fastest as stated; most likely to take the record; least to regret.")
@click.option("--worlds", type=click.IntRange(0, 50), default=0,
              help="With --for record or regret: draws in which everything is searched besides; slow.")
@click.option("--csv", type=click.Path(path_type=Path), metavar="FILE", help="Write the ranking into FILE too.")
@salt_option
@class_and_json
@common
def rank(
    folder: Path,
    budget: str | None,
    top: int,
    with_parts: tuple[str, ...],
    without_parts: tuple[str, ...],
    all_builds: bool,
    quick: bool,
    time_limit: float | None,
    evidence: Path | None,
    aim: Aim,
    worlds: int,
    csv: Path | None,
    salt: str | None,
    race_class: str | None,
    as_json: bool,
) -> None:
    """Rank the fastest legal builds of FOLDER within the budget, with reasons.

    Ctrl-C ends the search with the best found so far and says how much faster anything else could be; once more, and
    there is no answer.
    """
    from optimizer import pipeline  # noqa: PLC0415
    from optimizer.questions import possible_study_of  # noqa: PLC0415
    from optimizer.report import documents  # noqa: PLC0415
    from optimizer.report.terminal import ranking_text  # noqa: PLC0415
    from optimizer.report.wording import Words, second_looks  # noqa: PLC0415

    for file in filter(None, (evidence, csv)):
        refuse_unwritable(file)
    scenario = read(folder)
    question = pipeline.Question(
        top=top,
        budget_cents=None if budget is None else cents_of(budget, scenario),
        race_class=race_class,
        salt=salt,
        with_parts=with_parts,
        without_parts=without_parts,
        thorough=not quick,
        time_limit_s=time_limit,
    )
    if aim != "speed":
        if quick or time_limit is not None or evidence is not None or csv is not None:
            raise UsageError(
                f"--for {aim} needs a complete search and no file: leave out --quick, --time-limit, --evidence, --csv"
            )
        rank_under_doubt(
            possible_study_of(scenario, question, studies()), aim, salt, top, worlds, as_json=as_json
        )
        return
    with Progress() as progress:
        try:
            result = pipeline.rank(scenario, question, progress, interruptible=True, studies=studies())
        except NoLegalBuildError as refusal:
            # a slip of a unit may well be why: a car of too many kg, a record in km/h
            doubts = pipeline.unusual_as_typed(pipeline.study_of(scenario, question))
            refusal.add_note("\n".join(second_looks(Words(scenario), doubts)))
            raise
        if evidence is not None and result.evidence.interrupted:
            click.echo(f"{evidence} is not written: the search was ended before it was complete", err=True)
        elif evidence is not None:
            from optimizer.recheck import evidence as made  # noqa: PLC0415

            progress("evidence", 0.8)
            write_whole(evidence, pipeline.evidence_of(scenario, result, question, made.hash_of(folder)))
    if csv is not None:
        from optimizer.report.sheets import ranking_csv  # noqa: PLC0415

        write_whole(csv, ranking_csv(result))
    if as_json:
        write(documents.as_json(documents.rank_document(result)))
    else:
        write(ranking_text(result, all_builds=all_builds, color=wants_color()))


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON document instead of text.")
@common
def recheck(folder: Path, file: Path, as_json: bool) -> int:
    """Check the evidence in FILE (see rank --evidence) against FOLDER, without the search.

    Exit code 0: all of it holds. 1: something does not, and is named.
    """
    # its matrices are small: threads would wait for each other longer than they compute
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from optimizer.recheck.checking import recheck as checked  # noqa: PLC0415
    from optimizer.recheck.telling import verdict_json, verdict_text  # noqa: PLC0415

    verdict = checked(folder, file)
    write(verdict_json(verdict) if as_json else verdict_text(verdict))
    return 1 if verdict.faults else 0


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.argument("parts", nargs=-1, metavar="[PART]...")
@click.option("--sensitivity", is_flag=True, help="What each assumed or measured number is worth, largest first.")
@salt_option
@class_and_json
@common
def predict(
    folder: Path, parts: tuple[str, ...], sensitivity: bool, salt: str | None, race_class: str | None, as_json: bool
) -> None:
    """Say what the car of FOLDER does as it stands, or with each PART put in.

    A PART is an id, which goes wherever it suits, or slot=id for one slot; several may stand in one, as T3,F2.
    """
    from optimizer import pipeline  # noqa: PLC0415
    from optimizer.choice.wishes import parts_in  # noqa: PLC0415
    from optimizer.report import documents  # noqa: PLC0415
    from optimizer.report.prediction import prediction_text  # noqa: PLC0415

    question = pipeline.Question(race_class=race_class, salt=salt)
    scenario = pipeline.as_asked(read(folder), question)
    parts = tuple(part for each in parts for part in parts_in(each))
    prediction = pipeline.predict(scenario, parts, question)
    worths = pipeline.sensitivity(scenario, parts, question) if sensitivity else None
    shown_salt = salt or scenario.event.salt
    if as_json:
        document = documents.predict_document(scenario, prediction, shown_salt, scenario.notices, worths)
        write(documents.as_json(document))
    else:
        write(prediction_text(scenario, prediction, shown_salt, scenario.notices, worths, color=wants_color()))


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path))
@common
def ask(folder: Path) -> int:
    """Ask one question after the other of FOLDER; each begins with what the ones before found out.

    A question is a command without its FOLDER, one a line: why-not T07. help lists them, quit ends. The sheets are read
    again for each: a price may be put right in between.
    """
    scenario = read(folder)  # faulty sheets are refused before anything is asked
    if is_typed():
        event = scenario.event
        write(
            f"{scenario.car.name}, {event.name}, class {event.race_class}: {len(scenario.parts)} parts.\n"
            "Ask without the folder, such as: rank --top 3. help lists what can be asked, quit ends.\n"
        )
    return Sitting(folder, cli.commands, run).hold()


for question in (*QUESTIONS, *CHANCES, *COMMANDS, *PAPERS):
    cli.add_command(question)
cli.add_command(report)


def run(arguments: Sequence[str], kept: Studies | None = None) -> int:
    """Run one command, with studies of a sitting that are kept; the exit code. Refusals become text on stderr."""
    state: dict[str, Any] = {STUDIES: kept}
    try:
        with text_of(text_columns()):
            code = cli.main(args=list(arguments), prog_name="saltmile", standalone_mode=False, obj=state)
    except click.ClickException as fault:
        fault.show()
        return fault.exit_code
    except click.Abort:
        click.echo("stopped", err=True)
        return INTERRUPTED
    except SaltmileError as refusal:
        if isinstance(refusal, NoLegalBuildError) and state.get("json"):
            from optimizer.report import documents  # noqa: PLC0415

            write(documents.as_json(documents.refusal_document(refusal)))
        if state.get("traceback"):
            raise
        click.echo(_refusal_text(refusal), err=True)
        return refusal.exit_code
    except Exception as fault:
        if state.get("traceback"):
            raise
        click.echo(
            f"saltmile failed, which is our fault and not that of your sheets: {type(fault).__name__}: {fault}\n"
            "Run the same command with --traceback to see where.",
            err=True,
        )
        return 1
    return code if isinstance(code, int) else 0


def _refusal_text(refusal: SaltmileError) -> str:
    """What stderr says; no legal build also names rules, what the cheapest costs, notes on it, and the caution."""
    text = str(refusal)
    if not isinstance(refusal, NoLegalBuildError):
        return text
    lines = [text if text.startswith("No ") else f"No legal build. {text}"]
    from optimizer.choice.price import BUDGET  # noqa: PLC0415

    said = {BUDGET} if "No legal build costs" in text else set[str]()
    if missing := [reason for reason in refusal.reasons if reason not in text and reason not in said]:
        lines.append(f"Because of: {', '.join(missing)}.")
    if refusal.cheapest_cents is not None and f"{refusal.cheapest_cents // 100:,}" not in text:
        price = f"{refusal.cheapest_cents / 100:,.2f}"
        lines.append(f"The cheapest build that meets every rule before a run costs {price}.")
    from optimizer.report.wording import CAUTION, wrapped  # noqa: PLC0415

    # a refusal names parts and speeds, which may be acted on like those of any answer
    lines += [*filter(None, getattr(refusal, "__notes__", ())), "", *map(wrapped, CAUTION)]
    return "\n".join(lines)


def main() -> None:
    """Entry point of the console script."""
    # matrices are many and small: threads for these only wait for each other; this is read when numpy is imported
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # a part's name that the terminal cannot show must not stop the answer
            stream.reconfigure(errors="replace")
    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
