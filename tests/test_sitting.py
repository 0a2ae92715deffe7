"""Questions about one folder one after the other: the same answers as one by one, and nothing ends the sitting."""

from __future__ import annotations

import io
import json
import os
import re
import select
import shutil
import subprocess
import sys

import pytest

from optimizer import cli
from tests.scenes import STARTER

QUESTIONS = ("rank --top 3", "why", "why-not T2", "budget", "rank --budget 2500 --top 2", "predict T2")
COUNTS = r"Your sheets make .*?\n(?=Complete search)"
"""What of a ranking says how much was run for it: less for one that is not the first."""
PROMPT = "> "
PATIENCE_S = 40


class Lines(io.StringIO):
    """Lines that are read one by one; what is callable among them is called when it would be read."""

    def __init__(self, lines):
        super().__init__()
        self.left = list(lines)

    def readline(self, *_size):
        while self.left and callable(self.left[0]):
            self.left.pop(0)()
        return f"{self.left.pop(0)}\n" if self.left else ""


@pytest.fixture
def sit(monkeypatch, capsys):
    """Holds a sitting with lines: exit code, both streams."""

    def held(folder, *lines):
        monkeypatch.setattr(sys, "stdin", Lines(lines))
        capsys.readouterr()
        code = cli.run(["ask", str(folder)])
        return code, *capsys.readouterr()

    return held


def answers_of(out: str) -> dict[str, str]:
    """What was told after each question."""
    parts = f"\n{out}".split(f"\n{PROMPT}")[1:]
    return {question: decided(answer) for question, answer in (f"{part}\n".split("\n", 1) for part in parts)}


def decided(text: str) -> str:
    """An answer without what was run for it."""
    return re.sub(COUNTS, "", text, flags=re.DOTALL).strip("\n")


def test_answers_are_those_of_the_same_commands(sit, capsys):
    code, out, _ = sit(STARTER, *QUESTIONS)
    told = answers_of(out)

    assert code == 0
    assert list(told) == list(QUESTIONS)
    for question in QUESTIONS:
        name, *rest = question.split()
        assert cli.run([name, str(STARTER), *rest]) == 0
        assert told[question] == decided(capsys.readouterr().out)
    assert "more had been run for questions before this one" in " ".join(out.split())


def test_sheets_are_read_again_for_each_question(sit, tmp_path, capsys):
    """A price and a budget are changed in between, then a sheet is spoilt and put right."""
    folder = shutil.copytree(STARTER, tmp_path / "mine")
    event, tires = folder / "event.toml", folder / "tires.csv"
    before, sheet = event.read_text(), tires.read_text()
    less = before.replace("budget = ", "budget = 1500 # ")
    assert less != before

    code, out, err = sit(
        folder, "rank --top 1", lambda: event.write_text(less), "rank --top 2",
        lambda: tires.write_text(sheet + "\nT9,not a size\n"), "rank --top 3", lambda: tires.write_text(sheet),
        "rank --top 4",
    )  # fmt: skip
    told = answers_of(out)

    assert code == 3  # what was not answered shows in the end
    assert "tires.csv" in err
    assert told["rank --top 3"] == ""
    for question in ("rank --top 2", "rank --top 4"):
        cli.run(["rank", str(folder), *question.split()[1:]])
        assert told[question] == decided(capsys.readouterr().out)
    assert "$1,500" in told["rank --top 2"]


def test_what_cannot_be_asked_is_said_and_the_next_is_answered(sit):
    code, out, err = sit(
        STARTER, "why-nt T2", "why-not T99", "why-not 'T2", "new elsewhere", "ask", "", "# a remark", "why-not",
        "predict",
    )  # fmt: skip

    assert code == 2
    assert "'why-nt' cannot be asked here; did you mean why-not?" in err
    assert "no part is called 'T99'" in err
    assert "why-not 'T2: no closing quotation" in err
    assert "'new' cannot be asked here" in err
    assert "'ask' cannot be asked here" in err
    assert "Missing argument 'PART'" in err
    assert "mph" in answers_of(out)["predict"]


def test_the_program_and_the_folder_may_be_typed_too(sit):
    _, out, err = sit(STARTER, f"saltmile predict {STARTER}", f"predict {STARTER} T2", "quit", "predict")

    assert list(answers_of(out)) == ["predict", "predict T2"]
    assert err == ""


def test_a_folder_called_like_a_part_is_no_part_of_the_question(sit, tmp_path, monkeypatch):
    """`predict T2` asks about the part; the whole command names both."""
    shutil.copytree(STARTER, tmp_path / "T2")
    monkeypatch.chdir(tmp_path)
    _, out, err = sit("T2", "predict T2", "saltmile predict T2 T2", f"predict {tmp_path / 'T2'} T2", "predict")
    told = out.split(PROMPT)[1:]

    assert err == ""
    assert told[0] == told[1] == told[2] != told[3]


def test_the_bare_name_of_the_folder_is_told_to_be_left_out_and_the_question_is_answered(sit, tmp_path, monkeypatch):
    """From beside the folder and from elsewhere; before a part, and where nothing else is asked."""
    folder = shutil.copytree(STARTER, tmp_path / "mine")
    monkeypatch.chdir(tmp_path)
    code, out, err = sit(folder, "predict mine T2", "predict mine")
    monkeypatch.chdir("/")
    _, elsewhere, _ = sit(folder, "predict mine T2", "predict mine")

    assert code == 0
    assert err.splitlines() == ["The folder is left out here: predict T2", "The folder is left out here: predict"]
    assert list(answers_of(out)) == ["predict T2", "predict"]
    assert answers_of(elsewhere) == answers_of(out)


def test_a_question_may_ask_for_its_traceback(sit):
    """It is shown, and the next is answered."""
    code, out, err = sit(STARTER, "why-not T99 --traceback", "predict")

    assert code == 2
    assert "Traceback" in err
    assert "no part is called 'T99'" in err
    assert "mph" in answers_of(out)["predict"]


def test_odd_lines_ask_nothing(sit, monkeypatch):
    """A mark at the beginning of a file is none of the question; no standard input at all is the end."""
    code, out, err = sit(STARTER, "\ufeffpredict", "''", "\t", "  # a remark")
    assert (code, err) == (0, "")
    assert list(answers_of(out)) == ["predict"]
    monkeypatch.setattr(sys, "stdin", None)
    assert cli.run(["ask", str(STARTER)]) == 0


def test_what_no_build_passes_is_named_whatever_was_asked_before(sit, tmp_path, capsys):
    """With a short shutdown nothing can stop: asked again, nothing need be run, and the same checks are named."""
    folder = shutil.copytree(STARTER, tmp_path / "mine")
    event = folder / "event.toml"
    short = event.read_text().replace('shutdown = "1.5 mi"', 'shutdown = "0.4 mi"')
    assert short != event.read_text()
    event.write_text(short)
    assert cli.run(["rank", str(folder)]) == 4
    alone = capsys.readouterr().err
    _, _, err = sit(folder, "rank", "rank")

    checks = ("stopping distance", "rotor rise", "tire speed")
    assert all(name in alone for name in checks)
    assert all(err.count(name) == 2 * alone.count(name) for name in checks)


def test_a_star_means_files_as_on_a_command_line(sit, tmp_path, monkeypatch):
    """All that fit, in order; where none does, the word as it stands, which is refused by its name."""
    shutil.copytree(STARTER, tmp_path / "mine")
    for name in ("b.csv", "a.csv"):
        (tmp_path / name).write_text("nothing\n")
    monkeypatch.chdir(tmp_path)
    _, out, err = sit("mine", "try *.csv", "try *.xlsx")

    assert out.startswith(f"{PROMPT}try a.csv b.csv\n")
    assert "*.xlsx" in err


def test_documents_stand_alone(sit):
    _, out, _ = sit(STARTER, "predict --json", "why --json")

    first, end = json.JSONDecoder().raw_decode(out)
    second, _ = json.JSONDecoder().raw_decode(out[end:].lstrip())
    assert (first["answer"], second["answer"]) == ("predict", "why")


def test_help_lists_what_takes_a_folder(sit):
    _, out, _ = sit(STARTER, "help", "help why-not")
    told = answers_of(out)

    listed = {line.split()[0] for line in told["help"].splitlines() if line.startswith("  ") and line[2] != " "}
    assert listed == {*cli.cli.commands, "help", "quit"} - {"new", "ask"}
    assert "PART is an id, or slot=id" in told["help why-not"]


def test_faulty_sheets_are_refused_before_anything_is_asked(sit, tmp_path):
    folder = shutil.copytree(STARTER, tmp_path / "mine")
    (folder / "car.toml").write_text("nonsense = [")

    code, out, err = sit(folder, "predict")

    assert (code, out) == (3, "")
    assert "car.toml" in err


def test_an_interrupted_line_does_not_end_it_and_the_end_of_input_does(sit, monkeypatch):
    """As on a terminal: Ctrl-C in the midst of a line, a question that is refused, one that is answered, Ctrl-D."""
    typed = iter([KeyboardInterrupt, "predict T99", "predict", EOFError])

    def typing(prompt):
        assert prompt == PROMPT
        line = next(typed)
        if not isinstance(line, str):
            raise line
        return line

    monkeypatch.setattr("builtins.input", typing)
    monkeypatch.setattr(Lines, "isatty", lambda _self: True)
    code, out, err = sit(STARTER)

    assert code == 0
    assert "Ask without the folder" in out
    assert "no part is called 'T99'" in err
    assert "mph" in out
    assert list(typed) == []


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no terminals of its own on this system")
def test_on_a_terminal_an_interrupted_question_does_not_end_it():
    """Ctrl-C in the midst of a question, whose helper is lost by it; the next is answered."""
    import pty  # noqa: PLC0415

    own, its = pty.openpty()
    with subprocess.Popen(  # noqa: S603
        [sys.executable, "-c", IN_A_SITTING, str(STARTER)], stdin=its, stdout=its, stderr=its, start_new_session=True,
    ) as process:  # fmt: skip
        os.close(its)
        terminal = Terminal(own, process)
        greeting = terminal.until(PROMPT)
        os.write(own, b"rank --top 2\n")
        terminal.until("ruling out")
        os.write(own, b"\x03")
        stopped = terminal.until(f"\n{PROMPT}")
        os.write(own, b"rank --top 1\n")
        answered = terminal.until(f"\n{PROMPT}")
        os.write(own, b"quit\n")
        code = process.wait(timeout=50)
    os.close(own)

    assert "Ask without the folder" in greeting
    assert "was ended before the search was complete" in " ".join(stopped.split())
    assert "Complete search" in answered
    assert code == 0


IN_A_SITTING = """
import fcntl, sys, termios, time
from optimizer import cli
from optimizer.search.ranking import Ranker

fcntl.ioctl(0, termios.TIOCSCTTY, 0)  # so that Ctrl-C typed there is a signal here
close = Ranker._close

def slow_at_first(ranker, *args, **more):
    Ranker._close = close
    print("ruling out", flush=True)
    time.sleep(60)

Ranker._close = slow_at_first
sys.exit(cli.run(["ask", sys.argv[1]]))
"""


class Terminal:
    """The other end of a terminal."""

    def __init__(self, descriptor: int, process: subprocess.Popen[bytes]) -> None:
        self.descriptor, self.process, self.read = descriptor, process, ""

    def until(self, wanted: str) -> str:
        """What is written up to and with some words, which must come within a while."""
        while wanted not in self.read.replace("\r\n", "\n"):
            ready, _, _ = select.select([self.descriptor], [], [], PATIENCE_S)
            if not ready:
                self.process.kill()
                pytest.fail(f"{wanted!r} did not come, but {self.read!r}")
            self.read += os.read(self.descriptor, 4096).decode(errors="replace")
        self.read = self.read.replace("\r\n", "\n")
        at = self.read.index(wanted) + len(wanted)
        told, self.read = self.read[:at], self.read[at:]
        return told
