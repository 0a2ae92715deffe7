"""Text for a terminal: it fits 80 columns, says more at 120, colors only for people, says how long things may take."""

from __future__ import annotations

import io
import os
import re
import sys
from dataclasses import replace

import pytest

from optimizer import cli, console, pipeline
from optimizer.console import Progress, text_columns, time_left, wants_color
from optimizer.report.tables import Table
from optimizer.report.terminal import ranking_text
from optimizer.report.width import is_wide, line_width, text_of
from optimizer.report.wording import Words
from optimizer.scenario.reading import read_scenario
from tests.scenes import STARTER, study_of_starter


class Terminal(io.StringIO):
    """A stream that people look at."""

    def isatty(self) -> bool:
        return True


@pytest.fixture(scope="module")
def ranked():
    return pipeline.rank(read_scenario(STARTER), pipeline.Question(top=4))


@pytest.mark.parametrize(("columns", "wanted"), [(0, 79), (40, 79), (80, 79), (100, 99), (120, 119), (300, 119)])
def test_lines_are_as_wide_as_the_terminal_within_reason(columns: int, wanted: int) -> None:
    with text_of(columns):
        assert line_width() == wanted
        assert is_wide() is (columns >= 120)
    assert (line_width(), is_wide()) == (79, False)


def test_a_wide_terminal_is_told_more(ranked) -> None:
    """The same sentences in fewer lines, and columns for grip, stop and heat."""
    narrow = ranking_text(ranked)
    with text_of(120):
        wide = ranking_text(ranked)

    assert max(map(len, narrow.splitlines())) <= 79
    assert 79 < max(map(len, wide.splitlines())) <= 119
    assert len(wide.splitlines()) < len(narrow.splitlines())
    for column in ("grip", "stop [mi]", "rotors", "own h"):
        assert column in wide.split("1. ")[0]
        assert column not in narrow.split("1. ")[0]


def test_every_slot_is_told_of_among_the_swaps(ranked) -> None:
    """With its best other choice, as one that does not matter, or as one without another legal choice."""
    few = replace(ranked, swaps=ranked.swaps[1:])
    gone = ranked.swaps[0].slot
    assert gone not in ranked.indifferent
    sentence = "With all else kept, no other choice is legal in these slots:"
    for result, fixed in ((ranked, False), (few, True)):
        text = " ".join(ranking_text(result).split("Best single swap")[1].split("Too close")[0].split())
        told, _, rest = text.partition(sentence)
        assert all(slot.name in told or slot.name in rest for slot in ranked.scenario.car.slots)
        assert (gone in rest) is fixed


@pytest.mark.parametrize(
    ("met", "told"),
    [
        (200, "7 legal builds within 1.0 mph of it that are too close to call were met"),
        (800, "800 legal builds within 1.0 mph of it were met, itself included; of the 200 fastest of these 7 are"),
        (800, "too close to call. Of all that were met: - Most careful"),
        (5000, "Of the 1,000 fastest: - Most careful"),
    ],
)
def test_what_was_compared_is_told(ranked, met: int, told: str) -> None:
    text = " ".join(ranking_text(replace(ranked, near_met=met, near_compared=200, near_count=7)).split())
    assert told in text


def test_the_table_tells_the_builds(ranked) -> None:
    """Speed, price, what limits it and revs of each, in order."""
    lines = ranking_text(ranked).splitlines()
    start = next(n for n, line in enumerate(lines) if "against 1" in line)
    for place, (line, card) in enumerate(zip(lines[start + 1 :], ranked.builds, strict=False), 1):
        words = line.split()
        assert words[0] == str(place)
        assert words[1] == f"{card.speed_ms * 3600 / 1609.344:.1f}"
        assert words[3] == f"{-(-card.cents // 100):,}"
        assert card.runs[0].limit in line
        assert words[-1] == f"{round(max(run.rpm_last for run in card.runs), -1):,.0f}"


def test_a_car_that_is_not_legal_is_called_so(ranked) -> None:
    """In the first sentence, where the car as it stands is not; that of the starter is."""
    assert "(the car as it stands: 94.3 mph)." in " ".join(ranking_text(ranked).split())
    broken = replace(ranked.as_it_stands, problems=("rotor rise: 8 % over what is allowed",))
    told = " ".join(ranking_text(replace(ranked, as_it_stands=broken)).split())
    assert "(the car as it stands: 94.3 mph, and not legal)." in told


def test_an_amount_to_the_cent_has_cents_where_it_is_no_whole_one(ranked) -> None:
    words = Words(ranked.scenario)
    amounts = (7850, 31_400, 100_105, 50, 0)
    assert [words.exact(each) for each in amounts] == ["$78.50", "$314", "$1,001.05", "$0.50", "$0"]


def test_a_speed_cap_says_what_lifts_it(ranked) -> None:
    """The equipment of the bracket; a cap that comes with a part is only called a cap."""
    words = Words(ranked.scenario)
    card = replace(ranked.as_it_stands, cap_ms=ranked.scenario.race_class.brackets[0].cap_ms)
    run = replace(card.runs[0], limit="speed cap")
    assert "104.0 mph (without safety set, for roll bar and harness)" in words.limit(card, run)
    assert "cap of 98.4 mph: the car" in words.limit(replace(card, cap_ms=44.0), run)


def test_steps_of_money_and_salts_are_told_in_lines(capsys: pytest.CaptureFixture[str]) -> None:
    """Prices rise from line to line, and a wide terminal is told which slots change; every build has its salts."""
    for arguments, columns, said in (
        (("budget", str(STARTER), "--from", "2000"), 0, []),
        (("budget", str(STARTER), "--from", "2000"), 120, ["changes", "rear tires"]),
        (("salts", str(STARTER), "--top", "1"), 0, ["firm", "ordinary", "soft"]),
    ):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(cli, "text_columns", lambda columns=columns: columns)
            patch.setattr("optimizer.questions.possible_study_of", study_of_starter)
            assert cli.run(list(arguments)) == 0
        table = [line for line in capsys.readouterr().out.splitlines() if line.startswith("  ") and "-" not in line[:6]]
        prices = [float(word[1:].replace(",", "")) for line in table for word in line.split()[:2] if word[0] == "$"]
        assert len(prices) > 1
        assert prices == sorted(prices) or arguments[0] == "salts"
        for word in said:
            assert any(word in line for line in table)


def test_words_stand_left_and_numbers_right() -> None:
    table = Table(("part", "mph"), (("cam", "9.5"), ("long name", "110.0")))

    assert table.lines("") == ["part         mph", "cam          9.5", "long name  110.0"]


@pytest.mark.parametrize(
    ("passed", "share", "said"),
    [
        (1.0, 0.5, ", some 1 s left"),
        (9.0, 0.1, ", some 81 s left"),
        (9.0, 0.95, ""),
        (60.0, 0.1, ", some 9 min left"),
        (1.0, 0.01, ""),
        (1.0, 1.0, ""),
    ],
)
def test_what_is_left_goes_on_as_so_far(passed: float, share: float, said: str) -> None:
    """A tenth done in nine seconds leaves nine times nine; too little done or left is not told."""
    assert time_left(passed, share) == said


def test_progress_says_what_is_done_and_is_wiped(monkeypatch: pytest.MonkeyPatch) -> None:
    stream, now = Terminal(), iter([0.0, 0.5, 4.0])
    monkeypatch.setattr(sys, "stderr", stream)
    monkeypatch.setattr("time.monotonic", lambda: next(now))
    with Progress() as progress:
        progress("too early to be told", 0.1)
        progress("ruling out the rest", 0.25)

    assert stream.getvalue() == "\r\033[Kruling out the rest (25%, some 12 s left)\r\033[K"


def test_progress_is_no_part_of_a_file(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = io.StringIO()
    monkeypatch.setattr(sys, "stderr", stream)
    monkeypatch.setattr(console, "QUIET_SECONDS", -1.0)
    with Progress() as progress:
        progress("ruling out the rest", 0.25)

    assert stream.getvalue() == ""


def test_color_and_width_are_for_terminals(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """On a terminal headings are bold and lines as long as it is wide; NO_COLOR and files have plain ones of 79."""
    monkeypatch.setenv("COLUMNS", "120")
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert (wants_color(), text_columns()) == (False, 0)
    assert cli.run(["predict", str(STARTER)]) == 0
    plain = capsys.readouterr().out
    told = {}
    for name, value in (("bold", ""), ("plain", "1")):
        monkeypatch.setenv("NO_COLOR", value)
        monkeypatch.setattr(sys, "stdout", stream := Terminal())
        assert cli.run(["predict", str(STARTER)]) == 0
        told[name] = stream.getvalue()

    assert "\033[1m" in told["bold"]
    assert "\033" not in told["plain"] + plain
    assert max(map(len, plain.splitlines())) <= 79 < max(map(len, told["plain"].splitlines())) <= 119
    assert re.sub(r"\033\[\dm", "", told["bold"]) == told["plain"]
    assert os.environ["COLUMNS"] == "120"
