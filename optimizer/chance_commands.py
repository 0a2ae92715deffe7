"""The commands that answer with chances. What is heavy is imported inside them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from optimizer.console import Progress, class_and_json, common, quantity_of, salt_option
from optimizer.question_commands import budget_option, folder_argument, read_study, tell

if TYPE_CHECKING:
    from optimizer.answers.doubt import Aim
    from optimizer.executor import Pool
    from optimizer.scenario.event import Meet
    from optimizer.search.study import Study

Command = Callable[..., Any]
_MEET = (
    click.option("--days", type=click.IntRange(1, 30), help="Days with runs, instead of the event's."),
    click.option("--runs-a-day", type=click.IntRange(1, 30), help="Runs of a day."),
    click.option(
        "--pairs", type=click.Choice(["same day", "next day", "any"]), help="Which two runs may be joined."
    ),
    click.option("--license-step", "license_steps", metavar="SPEED", multiple=True,
                 help="Speed the driver must show first, such as '100 mph'; once for each, lowest first."),
    click.option("--breakage", metavar="SHARE", help="Chance that a run breaks the car, such as '2 %'."),
)  # fmt: skip
_DRAWS = (
    click.option("--runs", "draws", type=click.IntRange(16, 100_000),
                 help="Draws of all that is not known exactly; 512 in most cases when left out."),
    click.option("--scatter", metavar="SHARE", help="Scatter of a run's speed from run to run, such as '0.5 %'."),
    click.option("--workers", type=click.IntRange(1, 256),
                 help="Processes for long draws; as many as there are processors when left out, 1: none."),
    click.option("--cluster", metavar="ADDRESS", help="Scheduler of a dask cluster that does the draws."),
)  # fmt: skip


def draw_options(command: Command) -> Command:
    """Options about what is drawn and about workers."""
    return _with(command, _DRAWS)


def meet_options(command: Command) -> Command:
    """Those, and options about the meet: what is asked is not one attempt."""
    return _with(command, (*_MEET, *_DRAWS))


def _with(command: Command, options: Sequence[Command]) -> Command:
    for option in reversed(options):
        command = option(command)
    return command


def _meet(study: Study, typed: dict[str, Any]) -> Meet:
    """The event's meet with what was typed, as far as the command takes it."""
    from optimizer.chance_questions import meet_with  # noqa: PLC0415

    typed_steps = typed.get("license_steps", ())
    steps = [quantity_of(step, "speed", "--license-step", study.scenario) for step in typed_steps]
    return meet_with(
        study.scenario.event.meet,
        days=typed.get("days"),
        runs_a_day=typed.get("runs_a_day"),
        pairs=typed.get("pairs"),
        license_steps_ms=steps or None,
        breakage=_share(typed.get("breakage"), "--breakage", study),
        run_scatter=_share(typed["scatter"], "--scatter", study),
    )


def _share(text: str | None, option: str, study: Study) -> float | None:
    return None if text is None else quantity_of(text, "fraction", option, study.scenario)


def _pool(typed: dict[str, Any]) -> Pool | None:
    """Where long draws are done."""
    from optimizer import executor  # noqa: PLC0415

    if typed["cluster"] is not None:
        return executor.cluster(typed["cluster"])
    return None if typed["workers"] == 1 else executor.processes(typed["workers"])


@click.command()
@folder_argument
@click.option("--builds", default="1", show_default=True, metavar="LIST",
              help="Builds, separated by commas: places in the ranking (1), the car as it stands (now), parts put into "
              "the best build (T10+springs=S1).")
@budget_option
@salt_option
@meet_options
@class_and_json
@common
def odds(
    folder: Path, builds: str, draws: int | None, budget: str | None, salt: str | None, race_class: str | None,
    as_json: bool, **typed: Any,
) -> None:  # fmt: skip
    """Say how likely the class record falls: as scored, with one attempt, over a meet.

    The meet is [meet] in event.toml, or typed.
    """
    from optimizer import chance_questions  # noqa: PLC0415
    from optimizer.report.odds import odds_text  # noqa: PLC0415

    study = read_study(folder, race_class, salt, budget, helped=typed["workers"] != 1)
    meet = _meet(study, typed)
    names = [name for name in builds.split(",") if name.strip()]
    with Progress() as progress:
        found = chance_questions.odds(study, names, meet=meet, draws=draws, pool=_pool(typed), progress=progress)
    tell(study.options, "odds", salt, found, lambda words: odds_text(words, found), as_json=as_json)


@click.command()
@folder_argument
@budget_option
@salt_option
@draw_options
@class_and_json
@common
def measure(
    folder: Path, draws: int | None, budget: str | None, salt: str | None, race_class: str | None, as_json: bool,
    **typed: Any,
) -> None:  # fmt: skip
    """Say what is worth measuring before money is spent, how, and how well."""
    from optimizer import chance_questions  # noqa: PLC0415
    from optimizer.report.before_buying import measure_text  # noqa: PLC0415

    study = read_study(folder, race_class, salt, budget, helped=typed["workers"] != 1)
    meet = _meet(study, typed)
    with Progress() as progress:
        found = chance_questions.measure(study, meet=meet, draws=draws, pool=_pool(typed), progress=progress)
    tell(study.options, "measure", salt, found, lambda words: measure_text(words, study.options, found),
         as_json=as_json)  # fmt: skip


@click.command()
@folder_argument
@click.option("--spares", type=click.IntRange(0, 2), default=1, show_default=True, help="Most spare sets to buy.")
@click.option("--no-final-drive", is_flag=True, help="The final drive is not changed on the salt.")
@budget_option
@salt_option
@draw_options
@class_and_json
@common
def bring(
    folder: Path, spares: int, no_final_drive: bool, draws: int | None, budget: str | None, salt: str | None,
    race_class: str | None, as_json: bool, **typed: Any,
) -> None:  # fmt: skip
    """Say which spare tires or final drives to bring, so that the best fit for the morning is in the trailer."""
    from optimizer import chance_questions  # noqa: PLC0415
    from optimizer.report.before_buying import bring_text  # noqa: PLC0415

    study = read_study(folder, race_class, salt, budget, helped=typed["workers"] != 1)
    meet = _meet(study, typed)
    groups = ("tires",) if no_final_drive else ("tires", "final drive")
    with Progress() as progress:
        found = chance_questions.what_to_bring(
            study, spares, groups=groups, meet=meet, draws=draws, pool=_pool(typed), progress=progress
        )
    tell(study.options, "bring", salt, found, lambda words: bring_text(words, study.options, found), as_json=as_json)


def rank_under_doubt(study: Study, aim: Aim, salt: str | None, top: int, searches: int, *, as_json: bool) -> None:
    """Answer rank --for record or regret."""
    from optimizer import chance_questions, executor  # noqa: PLC0415
    from optimizer.answers.contenders import LISTED  # noqa: PLC0415
    from optimizer.report.odds import doubt_text  # noqa: PLC0415

    with Progress() as progress:
        found = chance_questions.choose(
            study, aim, listed=max(top, LISTED), searches=searches,
            pool=executor.processes(), progress=progress,
        )  # fmt: skip
    tell(study.options, "choose", salt, found, lambda words: doubt_text(words, study.options, found), as_json=as_json)


CHANCES = (odds, measure, bring)
"""In the order of the help."""
