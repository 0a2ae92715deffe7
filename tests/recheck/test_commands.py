"""`rank --evidence` and `recheck` as they are typed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from optimizer.cli import run
from optimizer.recheck.checking import recheck
from tests.test_cli import separate

STARTER, DEMO = "optimizer/starter", "catalogs_demo/thrennel_flat"


@pytest.mark.parametrize(
    "question",
    [(), ("--budget", "2000"), ("--salt", "soft"), ("--with", "X2", "--without", "E3"), ("--top", "1")],
)
def test_evidence_carries_the_question(question, tmp_path, capsys):
    """Whatever was asked, the file alone says what to check."""
    file = tmp_path / "why.json"
    assert run(["rank", STARTER, "--top", "3", *question, "--evidence", str(file)]) == 0
    capsys.readouterr()

    assert run(["recheck", STARTER, str(file)]) == 0
    said = capsys.readouterr().out
    assert "confirmed" in said
    assert "was left out" in said or "No other build is legal" in said
    for option, told in (("--budget", "for 2,000.00"), ("--salt", "salt soft"), ("--without", "with X2, without E3")):
        assert (told in said) == (option in question)
    assert json.loads(file.read_text())["complete"]


def test_faults_are_told_with_exit_code_1(tmp_path, capsys):
    file = tmp_path / "why.json"
    run(["rank", STARTER, "--top", "3", "--evidence", str(file)])
    told = json.loads(file.read_text())
    told["list"][0]["price_cents"] += 1
    file.write_text(json.dumps(told))
    capsys.readouterr()

    assert run(["recheck", STARTER, str(file)]) == 1
    said = capsys.readouterr().out
    assert said.startswith("The evidence does not hold: 1 fault.")
    assert "list: build 1: price is" in said


def test_the_same_question_gives_the_same_file(tmp_path):
    files = [tmp_path / name for name in ("one.json", "two.json")]
    for file in files:
        run(["rank", STARTER, "--top", "3", "--evidence", str(file)])

    assert files[0].read_bytes() == files[1].read_bytes()


def test_a_file_that_cannot_be_written_is_a_usage_fault(tmp_path, capsys):
    assert run(["rank", STARTER, "--top", "1", "--evidence", str(tmp_path / "none" / "why.json")]) == 2
    assert "cannot write" in capsys.readouterr().err


@pytest.fixture(scope="module")
def evidence(tmp_path_factory) -> Path:
    """The demo's evidence, written by the command."""
    file = tmp_path_factory.mktemp("demo") / "why.json"
    done = separate("rank", DEMO, "--evidence", str(file))
    assert done.returncode == 0, done.stderr
    return file


@pytest.mark.slow
def test_the_demo_is_shown_complete_in_a_small_file(evidence):
    """31,050 drive sets; under 200 kB."""
    verdict = recheck(Path(DEMO), evidence)

    assert verdict.faults == ()
    assert verdict.complete
    assert verdict.sets > 30_000
    assert evidence.stat().st_size < 200_000


@pytest.mark.slow
def test_a_set_dropped_from_the_demo_is_named(evidence, tmp_path):
    told = json.loads(evidence.read_text())
    group = next(group for group in told["groups"] if "opened" in group)
    name = next(iter(group["opened"]))
    del group["opened"][name]
    file = tmp_path / "changed.json"
    file.write_text(json.dumps(told))
    faults = recheck(Path(DEMO), file).faults

    assert len(faults) == 1
    assert f"set {name}: not opened" in faults[0]
