"""Every ``--json`` document follows docs/answers.schema.json, which is not stale and refuses what is not so."""

from __future__ import annotations

import copy
import json
import shutil
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from optimizer import cli
from tests import json_schema
from tests.json_schema import faults_of
from tests.scenes import STARTER
from tests.test_chance_commands import COMMANDS as CHANCES
from tests.test_question_commands import COMMANDS

SCHEMA = json.loads(json_schema.FILE.read_text(encoding="utf-8"))
CHECKER = jsonschema.Draft202012Validator(SCHEMA)
ASKED = [
    ("check",),
    ("rank", "--top", "3"),
    ("predict", "F4", "--sensitivity"),
    ("card", "--build", "now", "--spare", "F2"),
    ("purchase", "--budget", "2000"),
]
"""Beside the questions, whose documents are checked with their texts."""
MEASURED = [("runs",), ("calibrate",)]
"""These need a folder with runs."""


def asked(capsys: pytest.CaptureFixture[str], *arguments: str) -> Any:
    capsys.readouterr()
    cli.run([*arguments, "--json"])
    return json.loads(capsys.readouterr().out)


def test_the_schema_is_one_and_not_stale() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert json_schema.FILE.read_text(encoding="utf-8") == json_schema.text(), "python -m tests.json_schema"


@pytest.mark.parametrize("arguments", ASKED, ids=" ".join)
def test_every_document_follows_the_schema(arguments: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    command, *more = arguments
    document = asked(capsys, command, str(STARTER), *more)

    assert faults_of(document) == []
    assert CHECKER.is_valid(document)


def with_runs(tmp_path: Path) -> Path:
    """The starter with three timed runs of its car."""
    folder = Path(shutil.copytree(STARTER, tmp_path / "timed"))
    speeds = (101.0, 99.5, 102.2)
    rows = [f"2028-08-1{n},run {n},{speed}" for n, speed in enumerate(speeds, 1)]
    (folder / "runs.csv").write_text("\n".join(["date,name,speed [mph]", *rows]) + "\n", "utf-8")
    return folder


def test_documents_about_runs_follow_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What was measured, the log of runs, and the last run at the head of other answers."""
    folder = with_runs(tmp_path)
    for command, *more in (("predict",), *MEASURED):
        document = asked(capsys, command, str(folder), *more)
        assert faults_of(document) == []
        assert CHECKER.is_valid(document)
        assert document.get("said_against_done") is not None or command == "calibrate"


def test_the_verdict_on_evidence_follows_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Whether it holds or not."""
    file = tmp_path / "why.json"
    asked(capsys, "rank", str(STARTER), "--top", "2", "--evidence", str(file))
    good = asked(capsys, "recheck", str(STARTER), str(file))
    file.write_text(file.read_text("utf-8").replace('"top":2', '"top":3'), "utf-8")
    bad = asked(capsys, "recheck", str(STARTER), str(file))
    assert (good["holds"], bad["holds"]) == (True, False)
    for document in (good, bad):
        assert faults_of(document) == []
        assert CHECKER.is_valid(document)


def test_every_command_with_documents_is_asked() -> None:
    """A command that learns to write a document needs its line in the schema, and here."""
    able = {name for name, each in cli.cli.commands.items() if any("--json" in one.opts for one in each.params)}

    assert able == {"recheck", *(name for name, *_ in (*ASKED, *MEASURED, *COMMANDS, *CHANCES))}


def test_metric_documents_and_a_refusal_follow_it_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = shutil.copytree(STARTER, tmp_path / "mine")
    event = folder / "event.toml"
    event.write_text(event.read_text("utf-8").replace('speed_unit = "mph"', 'speed_unit = "km/h"'), "utf-8")

    for arguments in (("predict", str(folder)), ("card", str(folder), "--build", "now")):
        document = asked(capsys, *arguments)
        assert faults_of(document) == []
        assert "_kmh" in json.dumps(document)
        assert "_mph" not in json.dumps(document)
    assert CHECKER.is_valid(asked(capsys, "rank", str(folder), "--budget", "1"))


def test_the_schema_refuses_what_is_not_so(capsys: pytest.CaptureFixture[str]) -> None:
    """A key too many, one missing, a wrong type, both units at once: each is found."""
    good = asked(capsys, "predict", str(STARTER))
    assert CHECKER.is_valid(good)
    changes: list[Any] = [
        lambda each: each.update(extra=1),
        lambda each: each.pop("caution"),
        lambda each: each["build"].update(speed_m_s="fast"),
        lambda each: each["build"].update(speed_kmh=1.0),
        lambda each: each["build"]["runs"][0].update(limit="wind"),
        lambda each: each.update(answer="guess"),
    ]
    for change in changes:
        bad = copy.deepcopy(good)
        change(bad)
        assert not CHECKER.is_valid(bad)
