"""`card` and `purchase` as they are typed."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from optimizer import cli
from optimizer.report.wording import CAUTION
from tests.scenes import STARTER
from tests.test_cli import FORBIDDEN, flat


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    def run(command: str, *more: str) -> tuple[int, str, str]:
        capsys.readouterr()
        code = cli.run([command, str(STARTER), *more])
        out, err = capsys.readouterr()
        return code, out, err

    return run


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("card", "--build", "F2", "--salt", "soft"), ["engine: cam (E3)", "final drive: long (F2)"]),
        (("card", "--build", "now"), ["The car as it stands."]),
        (("purchase", "--rank", "2"), ["It is not the build in first place."]),
    ],
    ids=["parts put in", "now", "purchase"],
)
def test_answers_as_text(ask, arguments: tuple[str, ...], said: list[str]) -> None:
    """Of the build that is named, in lines of a terminal's width, with the caution."""
    code, text, err = ask(*arguments)

    assert (code, err) == (0, "")
    assert max(map(len, text.splitlines())) <= 79
    assert not FORBIDDEN.search(text)
    for sentence in (*said, *CAUTION):
        assert sentence in flat(text)


def test_a_page_is_written_and_named(ask, tmp_path: Path) -> None:
    file = tmp_path / "card.html"
    code, out, _ = ask("card", "--build", "now", "-o", str(file))

    assert code == 0
    assert str(file) in out
    assert file.read_text("utf-8").startswith("<!doctype html>")


def test_purchase_names_prices_and_what_instead(ask) -> None:
    text = flat(ask("purchase")[1])

    assert "cam (E3), for engine - Buy 1 at $760. - Not above $902." in text
    # the limiter of the engine holds it with carburetors (E2) just as much: as fast, and $180 dearer
    assert "If it is gone: as fitted (E1), -6.18 mph, $760 less" in text
    assert "common practice, no source" in text
    assert "2,258.00" in text


def test_purchase_as_a_document(ask) -> None:
    found = json.loads(ask("purchase", "--json")[1])["found"]

    assert sum(line["cents"] for line in found["bill"]["lines"]) == found["bill"]["total_cents"] == 225_800
    assert {each["id"]: each["up_to"]["cents"] for each in found["items"]}["E3"] == 90_200


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("card", "--build", "nonsense"), "no part is called 'nonsense'"),
        (("card", "--build", "101"), "1 to 100, not 101"),
        (("card", "--build", "now", "--spare", "F99"), "no part is called 'F99'"),
        (("card", "--build", "now", "--spare", "nose=F2"), "no slot is called 'nose'"),
        (("card", "--build", "now", *(f"--spare={part}" for part in ("F2", "F3", "T2", "T3", "T4"))), "at most 4"),
        (("card", "--salt", "brine"), "no salt condition is called 'brine'"),
        (("card", "--json", "-o", "x.html"), "ask for one of them"),
        (("purchase", "--rank", "2", "--first-place"), "only parts of the build in first place"),
        (("purchase", "--budget", "much"), "--budget 'much'"),
        (("purchase", "--rank", "0"), "0"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_wrong_questions(ask, arguments: tuple[str, ...], expected: str) -> None:
    """Exit code 2, what is wrong and what is known, nothing on the standard output."""
    code, out, err = ask(*arguments)

    assert code == 2, (out, err)
    assert expected in err
    assert out == ""


def test_no_legal_build(ask) -> None:
    """Exit code 4 where nothing can be bought for the money."""
    code, out, err = ask("purchase", "--budget", "1")

    assert (code, out) == (4, "")
    assert "720" in err


def test_fewer_builds_than_asked_for(ask) -> None:
    code, _, err = ask("purchase", "--budget", "720", "--rank", "90")

    assert code == 2
    assert "builds are legal" in err
