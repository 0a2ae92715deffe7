"""The package as Python users see it: light to import, every question a function, any result a frame."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import pandas as pd
import pytest

import optimizer
from optimizer import frames
from optimizer.errors import NoLegalBuildError, UsageError
from optimizer.frames import frame_of
from tests.scenes import MPH, STARTER

HEAVY = ("numpy", "scipy", "pandas", "pyomo", "highspy", "click")


@pytest.fixture(scope="module")
def study() -> Any:
    return optimizer.study(STARTER)


@pytest.fixture(scope="module")
def ranked() -> Any:
    return optimizer.rank(STARTER, top=3)


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = f"import sys, optimizer; dir(optimizer); sys.exit(repr([x for x in {HEAVY} if x in sys.modules] or ''))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)  # noqa: S603

    assert done.stderr.strip() in ("", "''"), done.stderr


def test_all_that_is_named_is_there_and_says_what_it_does() -> None:
    for name in optimizer.__all__:
        found = getattr(optimizer, name)
        assert found.__doc__, name
    assert set(optimizer.__all__) <= set(dir(optimizer))
    assert "nothing_such" not in dir(optimizer)
    with pytest.raises(AttributeError, match="nothing_such"):
        optimizer.nothing_such  # noqa: B018


def test_a_question_is_the_same_of_a_folder_and_of_what_was_read(ranked) -> None:
    scenario = optimizer.read(STARTER)
    again = optimizer.rank(scenario, top=3)

    assert [each.build for each in again.builds] == [each.build for each in ranked.builds]
    assert optimizer.rank(str(STARTER), top=1, budget=2100).builds[0].cents <= 210_000


def test_wishes_hold_for_every_question() -> None:
    """Without the cam nobody is told to buy it."""
    note = optimizer.purchase(STARTER, without_parts=["E3"], budget=2000)

    assert "E3" not in set(frame_of(note)["id"])
    assert note.bill.total_cents <= 200_000


def test_a_study_says_already_what_is_asked(study) -> None:
    with pytest.raises(TypeError, match="budget belong into `study`"):
        optimizer.why(study, budget=100)


def test_refusals_are_those_of_the_command_line() -> None:
    with pytest.raises(UsageError, match="no salt condition is called 'brine'"):
        optimizer.rank(STARTER, salt="brine")
    with pytest.raises(NoLegalBuildError) as refusal:
        optimizer.study(STARTER, budget=1)
    assert refusal.value.cheapest_cents == 72_000


def test_the_ranking_as_a_frame(ranked) -> None:
    frame = frame_of(ranked)

    assert list(frame["place"]) == [1, 2, 3]
    assert list(frame["speed_ms"]) == [each.speed_ms for each in ranked.builds]
    assert list(frame["cents"]) == [each.cents for each in ranked.builds]
    assert frame["build.engine"][0] == ranked.builds[0].build["engine"]
    assert frame["limit"][0] == ranked.builds[0].runs[0].limit
    assert frame["cents"].dtype.kind == "i"


def test_units_of_speed(ranked) -> None:
    """Columns change name and number; an unknown unit is refused."""
    si, own = frame_of(ranked), frame_of(ranked, unit="km/h")

    assert "speed_ms" not in own
    assert list(own["speed_kmh"]) == pytest.approx(list(3.6 * si["speed_ms"]))
    assert list(own["cap_kmh"]) == pytest.approx(list(3.6 * si["cap_ms"]))
    with pytest.raises(ValueError, match="not one of mph, km/h"):
        frame_of(ranked, unit="knots per hour")


def test_every_answer_makes_a_frame(study) -> None:
    """A row for each of what it lists; builds are named by the study."""
    now = optimizer.predict(STARTER, "E2")
    for result, count in (
        (why := optimizer.why(study), len(why.shares.shares)),
        (worths := optimizer.sensitivity(STARTER), len(worths)),
        (card := optimizer.card(study, "now"), len(card.cells)),
        (now, len(now.card.runs)),
        (optimizer.cheapest(study), 1),
    ):
        frame = frame_of(result, study)
        assert isinstance(frame, pd.DataFrame)
        assert len(frame) == count > 0
        assert not any(isinstance(each, pd.Series) for each in frame.iloc[0])
    assert frame_of(optimizer.cheapest(study), study)["build.engine"][0] == "E3"
    assert frame_of(card, unit="mph")["last.speed_mph"][0] == pytest.approx(card.cells[0].last.speed_ms / MPH)
    assert not [each for each in frame_of(optimizer.cheapest(study)).columns if each.startswith("build")]


def test_every_result_that_is_listed_is_one_of_the_package() -> None:
    for kind in frames.LISTS:
        assert kind.__module__.startswith("optimizer.")
