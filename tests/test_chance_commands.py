"""Questions about chances, on the command line: every answer as text and as a document, and clear errors."""

from __future__ import annotations

import json
import math
import shutil

import pytest

from optimizer import cli
from optimizer.answers.meet_worlds import Chance
from optimizer.chance_questions import meet_with
from optimizer.errors import UsageError
from optimizer.report.odds import chance_words, give_or_take, meet_words, points_words
from optimizer.report.wording import CAUTION, Words
from optimizer.scenario.event import Meet
from optimizer.scenario.reading import read_scenario
from tests.json_schema import faults_of
from tests.scenes import STARTER, study_of_starter
from tests.test_cli import FORBIDDEN

COMMANDS = [
    ("odds", "--builds", "1,now,X1+T3", "--runs", "32", "--license-step", "80 mph", "--license-step", "95"),
    ("measure", "--runs", "32"),
    ("bring", "--spares", "1", "--runs", "16"),
    ("rank", "--for", "regret", "--budget", "1100"),
]


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str]):
    def run(command: str, *more: str) -> tuple[int, str, str]:
        code = cli.run([command, str(STARTER), *more])
        out, err = capsys.readouterr()
        return code, out, err

    return run


@pytest.mark.parametrize("arguments", COMMANDS, ids=lambda arguments: " ".join(arguments[:2]))
def test_every_answer_as_text_and_as_a_document(ask, arguments, monkeypatch) -> None:
    """Text with the caution, no forbidden words and lines of a terminal's width; one document with the same head."""
    monkeypatch.setattr("optimizer.questions.possible_study_of", study_of_starter)
    code, text, err = ask(*arguments)
    assert (code, err) == (0, "")
    assert CAUTION[0].split(". ")[0] in " ".join(text.split())
    assert not FORBIDDEN.search(text)
    assert max(map(len, text.splitlines())) <= 80
    code, out, _ = ask(*arguments, "--json")
    assert code == 0
    document = json.loads(out)
    assert document["answer"] == ("choose" if arguments[0] == "rank" else arguments[0])
    assert document["found"]
    assert faults_of(document) == []


def test_the_document_of_odds(ask) -> None:
    """The same question has the same bytes; chances are shares with an error; builds are parts by slot."""
    question = ("odds", "--builds", "now", "--runs", "32", "--days", "3", "--pairs", "any", "--json")
    out = ask(*question)[1]
    assert ask(*question)[1] == out
    found = json.loads(out)["found"]
    assert (found["meet"]["days"], found["meet"]["pairs"]) == (3, "any")
    only = found["builds"][0]
    assert only["build"]["gearset"]
    assert 0 <= only["meet"]["value"] <= 1
    assert only["meet"]["error"] > 0
    assert len(only["by_run"]) == 9


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("odds", "--builds", "nonsense"), "no part is called 'nonsense'"),
        (("odds", "--builds", ","), "name at least one build"),
        (("odds", "--license-step", "fast"), "--license-step 'fast'"),
        (("odds", "--license-step", "95", "--license-step", "90"), "must rise"),
        (("odds", "--breakage", "often"), "--breakage 'often'"),
        (("odds", "--breakage", "120 %"), "from 0 to 1"),
        (("rank", "--for", "record", "--quick"), "needs a complete search"),
        (("odds", "--pairs", "both"), "'both' is not one of"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_wrong_questions(ask, arguments, expected: str) -> None:
    code, out, err = ask(*arguments)
    assert (code, out) == (2, ""), (out, err)
    assert expected in err


@pytest.mark.parametrize(
    ("value", "error", "said"),
    [
        (0.68, 0.015, "about 7 in 10 (68 in 100, give or take 3)"),
        (0.68, 0.004, "about 68 in 100, give or take 1"),
        (0.06, 0.015, "about 6 in 100, give or take 3"),
        (0.0, 0.003, "next to none (less than 1 in 100)"),
        (1.0, 0.003, "next to sure (more than 99 in 100)"),
    ],
)
def test_chances_in_words(value: float, error: float, said: str) -> None:
    assert chance_words(Chance(value, error)) == said


def test_errors_are_rounded_up() -> None:
    """Twice the standard error, never less than it is."""
    assert [give_or_take(Chance(0.5, error)) for error in (0.0, 0.005, 0.0051, 0.02)] == [1, 1, 2, 4]
    assert points_words(Chance(-0.034, 0.007)) == "-3.4 in 100, give or take 1.4"
    assert points_words(Chance(0.0, 0.0)) == "no difference in these draws"


def test_a_meet_in_words_names_what_is_assumed() -> None:
    """All of it where nothing is typed; nothing where all is."""
    words = Words(read_scenario(STARTER))
    text = meet_words(words, Meet(), two_runs=True)
    assert "2 days of 3 runs" in text
    assert "Assumed, not in event.toml: days, runs a day" in text
    typed = meet_with(Meet(), days=1, runs_a_day=4, pairs="any", breakage=0.0, run_scatter=0.01,
                      license_steps_ms=[44.704])  # fmt: skip
    text = meet_words(words, typed, two_runs=True)
    assert "1 day of 4 runs" in text
    assert "first show 100.0 mph" in text
    assert "Assumed" not in text


def test_a_meet_with_other_values() -> None:
    meet = Meet(days=4, stated=frozenset({"days"}))
    assert meet_with(meet) == meet
    assert meet_with(meet, runs_a_day=2).stated == {"days", "runs_a_day"}
    for wrong in ({"days": 0}, {"breakage": -0.1}, {"run_scatter": 0.7}, {"license_steps_ms": [40.0, 40.0]}):
        with pytest.raises(UsageError):
            meet_with(meet, **wrong)
    assert not math.isnan(meet_with(meet, breakage=0.5).breakage)


@pytest.mark.parametrize(
    ("meet", "holds"),
    [
        (Meet(days=1, runs_a_day=1), False),
        (Meet(days=1, runs_a_day=2), True),
        (Meet(days=1, runs_a_day=2, pairs="next day"), False),
        (Meet(days=3, runs_a_day=1, pairs="any"), True),
    ],
)
def test_a_meet_without_two_runs_that_may_be_joined_says_so(meet, holds) -> None:
    """It would otherwise name the two runs that count beside a chance of nothing, and not say why."""
    words = Words(read_scenario(STARTER))
    assert ("there are no such two: no record can fall" in meet_words(words, meet, two_runs=True)) is not holds
    assert "no such two" not in meet_words(words, meet, two_runs=False)


def test_nobody_speaks_of_a_budget_where_there_is_none(ask, tmp_path, capsys) -> None:
    """What to bring, with all the money there is and with no limit typed."""
    here = shutil.copytree(STARTER, tmp_path / "rich")
    event = (here / "event.toml").read_text("utf-8")
    kept = [line for line in event.splitlines() if not line.startswith("budget")]
    (here / "event.toml").write_text("\n".join(kept), "utf-8")
    question = ("--spares", "1", "--runs", "16")
    assert "the budget" in ask("bring", *question)[1]
    assert cli.run(["bring", str(here), *question]) == 0
    assert "the budget" not in " ".join(capsys.readouterr().out.split())
