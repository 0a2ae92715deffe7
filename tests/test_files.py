"""Files appear whole or not at all, and a place that cannot be written to is said before the work."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from optimizer import cli
from optimizer.errors import UsageError
from optimizer.files import refuse_unwritable, write_whole
from tests.scenes import STARTER


def test_a_file_is_written_whole(tmp_path: Path) -> None:
    """With the text as it is, line ends too; what was there before is gone; nobody but the owner may write to it."""
    file = tmp_path / "card.html"
    file.write_text("before")

    write_whole(file, "a\r\nü\n")

    assert file.read_bytes() == "a\r\nü\n".encode()
    assert [each.name for each in tmp_path.iterdir()] == ["card.html"]
    assert file.stat().st_mode & 0o777 == 0o644


@pytest.mark.parametrize("broken", ["os.fsync", "pathlib.Path.replace"])
def test_where_writing_fails_what_was_there_stays(
    broken: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk half way: the old file is whole, and nothing else is left behind."""
    file = tmp_path / "why.json"
    file.write_text("before")

    def full(*_: object) -> None:
        raise OSError(28, "no space left on device")

    monkeypatch.setattr(broken, full)
    with pytest.raises(UsageError, match=r"cannot write .*no space left"):
        write_whole(file, "after")

    assert [each.name for each in tmp_path.iterdir()] == ["why.json"]
    assert file.read_text() == "before"


def test_an_interrupt_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(_descriptor: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("os.fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path / "a.csv", "a")

    assert list(tmp_path.iterdir()) == []


def test_places_that_are_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "there").mkdir()
    (tmp_path / "file").write_text("")

    for place, said in (
        (tmp_path / "none" / "a.csv", "is no folder"),
        (tmp_path / "file" / "a.csv", "is no folder"),
        (tmp_path / "there", "it is a folder"),
    ):
        with pytest.raises(UsageError, match=said):
            refuse_unwritable(place)
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(UsageError, match="nothing may be written"):
        refuse_unwritable(tmp_path / "a.csv")


@pytest.mark.parametrize(
    "arguments",
    [
        ("rank", "--csv"), ("rank", "--evidence"), ("card", "-o"), ("purchase", "--csv"),
    ],
    ids=" ".join,
)  # fmt: skip
def test_commands_refuse_before_they_search(
    arguments: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit code 2, nothing on the standard output, and nothing is even read."""
    command, option = arguments
    monkeypatch.setattr("optimizer.scenario.reading.read_scenario", lambda _folder: pytest.fail("read"))

    code = cli.run([command, str(STARTER), option, str(tmp_path / "none" / "file")])

    out, err = capsys.readouterr()
    assert (code, out) == (2, "")
    assert "cannot write" in err


def test_a_new_folder_where_none_can_be_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Below a file there is no folder: a clear refusal, not a fault of ours."""
    (tmp_path / "file").write_text("")

    assert cli.run(["new", str(tmp_path / "file" / "mine")]) == 2
    assert "cannot write" in capsys.readouterr().err
