"""What all commands share: reading a folder, amounts of money, writing, progress, options of the command line."""

from __future__ import annotations

import os
import shutil
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import click

from optimizer.errors import UsageError

if TYPE_CHECKING:
    from optimizer.scenario.event import Scenario
    from optimizer.search.sharing import Helper
    from optimizer.search.studies import Studies

Command = Callable[..., Any]
QUIET_SECONDS = 1.0
"""Progress is shown on work that takes longer."""
NEEDED_BY_HELPERS = ("optimizer.questions",)
"""Modules that a helper loads while this process gets ready."""
INTERRUPTED = 130
"""Exit code of what was stopped from the keyboard without an answer, as shells have it."""
STUDIES = "studies"
"""Key of the studies of a sitting in what commands share."""
LEAST_SHARE = 0.05
"""Share of the work from which on the rest is guessed."""


def _keep_traceback(context: click.Context, _option: click.Parameter, wanted: bool) -> None:
    if wanted:
        context.obj["traceback"] = True


def common(command: Command) -> Command:
    """Options of every command."""
    return click.option(
        "--traceback",
        is_flag=True,
        expose_value=False,
        callback=_keep_traceback,
        help="Show where in the program a refusal comes from.",
    )(command)


def _note_json(context: click.Context, _option: click.Parameter, wanted: bool) -> bool:
    context.obj["json"] = wanted
    return wanted


def class_and_json(command: Command) -> Command:
    """Options of every question to a scenario."""
    command = click.option(
        "--json", "as_json", is_flag=True, callback=_note_json, help="One JSON document instead of text."
    )(command)
    return click.option("--class", "race_class", metavar="NAME", help="Class to run in, instead of the event's.")(
        command
    )


salt_option = click.option("--salt", metavar="NAME", help="Condition of the salt, instead of the event's.")


def listed(commands: Mapping[str, click.Command]) -> list[tuple[str, str]]:
    """Names of commands, each with the whole first paragraph of its help."""
    return [(name, " ".join((each.help or "").split("\n\n")[0].split())) for name, each in commands.items()]


def read(folder: Path) -> Scenario:
    """The scenario of a folder."""
    from optimizer.measured.reading import read_folder  # noqa: PLC0415

    return read_folder(folder)


def studies(*, helped: bool = True) -> Studies:
    """Where the studies of this command come from: the sitting that it is asked in, or, for it alone, with a helper."""
    context = click.get_current_context()
    kept: Studies | None = context.obj.get(STUDIES)
    if kept is not None:
        return kept
    # before what is heavy is loaded here: it loads the same meanwhile
    beside = context.with_resource(second_process()) if helped else None
    from optimizer.search.studies import Studies  # noqa: PLC0415

    return Studies(beside)


@contextmanager
def second_process() -> Iterator[Helper | None]:
    """A second process for searches; None where there is no processor for it.

    It starts at once, so that it is ready when there is work.
    """
    from optimizer.executor import one_beside  # noqa: PLC0415
    from optimizer.search.sharing import helping  # noqa: PLC0415

    with helping(one_beside()) as found:
        if found is not None:
            found.start(NEEDED_BY_HELPERS)
        yield found


def cents_of(text: str, scenario: Scenario, option: str = "--budget") -> int:
    """An amount of money as typed on the command line."""
    from optimizer.scenario.cells import money  # noqa: PLC0415

    try:
        return money(text, scenario.event.currency)
    except ValueError as fault:
        raise UsageError(f"{option} {text!r} {fault}") from fault


def amounts_of(typed: Iterable[tuple[str, str]], scenario: Scenario) -> list[int]:
    """Amounts of money as typed on the command line, each with its option; all that are wrong are told at once."""
    found, wrong = [], []
    for option, text in typed:
        try:
            found.append(cents_of(text, scenario, option))
        except UsageError as fault:
            wrong.append(str(fault))
    if wrong:
        raise UsageError("\n".join(wrong))
    return found


def quantity_of(text: str, dimension: str, option: str, scenario: Scenario) -> float:
    """A quantity as typed on the command line; a speed without a unit is in the event's."""
    from optimizer.units import parse_number, parse_quantity  # noqa: PLC0415

    try:
        if dimension == "speed" and text.strip().replace(".", "", 1).isdecimal():
            return parse_quantity(f"{parse_number(text)} {scenario.event.speed_unit}", dimension)
        return parse_quantity(text, dimension)
    except ValueError as fault:
        such = ": a speed such as 118, or 190 km/h" if dimension == "speed" else ""
        raise UsageError(f"{option} {text!r} {fault}{such}") from fault


def wants_color() -> bool:
    """Color only for people: on a terminal, and not where NO_COLOR is set."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR")


def write(text: str) -> None:
    """Write to stdout; a reader that has gone away (a pager that was left) is no fault."""
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        # what is left in the buffer must not raise again when Python closes stdout
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


class Progress:
    """One line on stderr about long work, only where stderr is a terminal; wiped at the end."""

    def __init__(self) -> None:
        self._started = time.monotonic()
        self._terminal = sys.stderr.isatty()
        self._shown = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._shown:
            sys.stderr.write("\r\033[K")
            sys.stderr.flush()

    def __call__(self, what: str, share: float) -> None:
        """Show what is being done, the share of the work that is done, and about how long the rest may take."""
        passed = time.monotonic() - self._started
        if self._terminal and passed > QUIET_SECONDS:
            self._shown = True
            line = f"{what} ({share:.0%}{time_left(passed, share)})"[: _columns() - 1]
            sys.stderr.write(f"\r\033[K{line}")
            sys.stderr.flush()


def time_left(passed_s: float, share: float) -> str:
    """About how long the rest takes if it goes on as so far; nothing while too little is done to say."""
    if not LEAST_SHARE <= share < 1:
        return ""
    left = passed_s * (1 - share) / share
    if left < 1:
        return ""
    return f", some {left:.0f} s left" if left < 90 else f", some {left / 60:.0f} min left"


def _columns() -> int:
    """Columns of the terminal."""
    return shutil.get_terminal_size().columns


def text_columns() -> int:
    """Columns that answers are for: those of the terminal, where it is one that they are written to."""
    return _columns() if sys.stdout.isatty() else 0
