"""Questions about one folder one after the other, each with what the ones before found out."""

from __future__ import annotations

import shlex
import sys
import traceback
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, suppress
from glob import glob
from pathlib import Path
from typing import TYPE_CHECKING

import click

from optimizer.console import INTERRUPTED, listed, read, second_process, write
from optimizer.errors import SaltmileError

if TYPE_CHECKING:
    from optimizer.search.studies import Studies

PROMPT = "> "
LEAVING = ("quit", "exit")
HELP = ("help", "?")
PROGRAM = "saltmile"
Answer = Callable[[Sequence[str], "Studies"], int]
"""Answers a command line, with studies that are kept; the exit code."""


class Sitting:
    """Questions about one folder.

    Parameters
    ----------
    folder : Path
    commands : mapping of str to click.Command
        All commands; what can be asked is every one whose first argument is a folder.
    answer : callable
        Runs one command.
    """

    def __init__(self, folder: Path, commands: Mapping[str, click.Command], answer: Answer) -> None:
        self.folder, self._answer = folder, answer
        self.commands = {name: each for name, each in commands.items() if _asks_of_folder(each)}

    def hold(self) -> int:
        """Ask until the questions end; the exit code of the last that had no answer, where they are not typed."""
        from optimizer.search.studies import Studies  # noqa: PLC0415

        if sys.stdin is None:  # closed by who started this
            return 0
        kept, code = Studies(), 0
        with ExitStack() as beside:
            while (line := self._next_line()) is not None:
                words = self._words(line)
                if not words:
                    continue
                if words[0] in LEAVING:
                    break
                if kept.helper is None or kept.helper.lost:
                    beside.close()
                    kept.helper = beside.enter_context(second_process())
                code = self._ask(words, kept) or code
                if code == INTERRUPTED and not is_typed():
                    break
        return 0 if is_typed() else code

    def _next_line(self) -> str | None:
        """The next line that is typed; None at the end."""
        if not is_typed():
            return sys.stdin.readline() or None
        with suppress(ImportError):  # lines can be edited and called back where this system can
            import readline  # noqa: F401, PLC0415
        while True:
            try:
                return input(PROMPT)
            except EOFError:
                write("\n")
                return None
            except KeyboardInterrupt:  # of a line, not of the sitting
                write("\n")

    def _words(self, line: str) -> list[str]:
        """Words of a question; none where nothing is asked. It may be a whole command, with program and folder."""
        if line.lstrip().startswith("#"):
            return []
        try:
            words = [each for word in shlex.split(line.removeprefix("\ufeff")) for each in _files(word)]
        except ValueError as fault:
            click.echo(f"{line.strip()}: {str(fault).lower()}", err=True)
            return []
        whole = words[:1] == [PROGRAM]
        words = words[whole:]
        if len(words) > 1 and self._is_folder(words[1], whole=whole):
            del words[1]
        elif len(words) > 1 and words[0] in self.commands and self._is_only_the_folder(words[1]):
            del words[1]
            click.echo(f"The folder is left out here: {shlex.join(words)}", err=True)
        return words if any(words) else []

    def _is_folder(self, word: str, *, whole: bool) -> bool:
        """Whether a word means the folder; a bare name, which a part may have too, only in ``whole`` commands."""
        path = Path(word)
        return (whole or len(path.parts) > 1) and path.resolve() == self.folder.resolve()

    def _is_only_the_folder(self, word: str) -> bool:
        """Whether a bare name is that of the folder, and of no part or kit in it."""
        folder = self.folder.resolve()
        if not word or (word != folder.name and Path(word).resolve() != folder):
            return False
        try:
            scenario = read(folder)
        except SaltmileError:
            return True  # the question itself will say what is wrong with it
        return word not in {*scenario.parts, *(kit.id for kit in scenario.kits)}

    def _ask(self, words: Sequence[str], kept: Studies) -> int:
        """Answer one question; its exit code."""
        name, *rest = words
        if not is_typed() and "--json" not in words:
            write(f"{PROMPT}{' '.join(words)}\n")  # else no one could say which answer is whose
        if name in HELP:
            return self._answer([rest[0], "--help"], kept) if rest and rest[0] in self.commands else self._help()
        if name not in self.commands:
            from optimizer.units import nearest  # noqa: PLC0415

            near = nearest(name, self.commands)
            click.echo(f"{name!r} cannot be asked here{near}\nhelp lists what can be asked", err=True)
            return click.UsageError.exit_code
        try:
            code = self._answer([name, str(self.folder), *rest], kept)
        except Exception as fault:  # noqa: BLE001 - where the question says --traceback: it is shown whole
            traceback.print_exc()
            code = fault.exit_code if isinstance(fault, SaltmileError) else 1
        write("\n")
        return code

    def _help(self) -> int:
        """List what can be asked."""
        formatter = click.HelpFormatter()
        with formatter.section("Without the folder, each with its options"):
            formatter.write_dl([*listed(self.commands), ("help COMMAND", "All about one."), ("quit", "End.")])
        write(formatter.getvalue())
        return 0


def is_typed() -> bool:
    """Whether questions come from a terminal."""
    return sys.stdin is not None and sys.stdin.isatty()


def _files(word: str) -> list[str]:
    """The files that a word with a star means, as on a command line; else the word."""
    return (sorted(glob(word)) if "*" in word else []) or [word]  # noqa: PTH207 - it may be an absolute path


def _asks_of_folder(command: click.Command) -> bool:
    """Whether the first argument is a folder that is read."""
    arguments = [each.name for each in command.params if isinstance(each, click.Argument)]
    return arguments[:1] == ["folder"] and command.name not in {"new", "ask"}
