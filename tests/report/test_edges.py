"""What is said of cars at the edge: that do not get to the clocks, or whose limiter has to hold their tires."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from optimizer.cli import run

DEMO = Path("catalogs_demo/thrennel_flat")


def changed(tmp_path: Path, file: str, old: str, new: str) -> Path:
    """The demo with other words in one file."""
    folder = tmp_path / "car"
    shutil.copytree(DEMO, folder)
    text = (folder / file).read_text(encoding="utf-8")
    assert old in text
    (folder / file).write_text(text.replace(old, new), encoding="utf-8")
    return folder


def test_a_car_that_does_not_get_to_the_clocks(tmp_path, capsys):
    """It is pushed faster than it holds on soft salt: no number is told of a board that it does not pass."""
    folder = changed(tmp_path, "car.toml", 'start = "clutch"', 'start = "pushed to 100 mph"')

    assert run(["predict", str(folder), "--salt", "soft"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "It does not get to the end of the clocks in every run that counts" in told
    assert "Run 2: it does not get to the end of the clocks, against a headwind of 2.6 mph." in told
    assert " nan" not in told
    assert "Stopping from 115.5 mph" in told


def test_a_limiter_that_holds_the_tires_is_told_with_its_gear(tmp_path, capsys):
    """Lower gears rev higher in the runs told: set in all of them, the car is slower."""
    folder = changed(tmp_path, "event.toml", 'rating_rule = "refuse"', 'rating_rule = "limiter"')

    assert run(["predict", str(folder), "T13"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "Set the limiter to 5,050 rpm in 5th gear for the tires' rating." in told
    assert "The speeds are for 6,800 rpm in all lower gears" in told


def test_air_of_the_event_beyond_the_rows_of_the_card_is_told(tmp_path, capsys):
    folder = changed(tmp_path, "event.toml", '"55 F"', '"5 F"')

    assert run(["card", str(folder), "--build", "now"]) == 0
    assert "names lies beyond the rows: density altitude" in " ".join(capsys.readouterr().out.split())
    assert run(["card", str(DEMO), "--build", "now"]) == 0
    assert "beyond the rows" not in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("command", ["measure", "bring"])
@pytest.mark.parametrize("option", ["--days", "--breakage", "--license-step"])
def test_options_that_would_change_nothing_are_not_taken(command, option, capsys):
    assert run([command, str(DEMO), option, "5"]) == 2
    assert f"No such option '{option}'" in capsys.readouterr().err


def test_more_scatter_than_a_sheet_takes_is_refused(capsys):
    assert run(["odds", str(DEMO), "--scatter", "0.5", "--builds", "now"]) == 2
    assert "from 0 to 5 %; a percentage has its sign: 0.5 %" in " ".join(capsys.readouterr().err.split())


def test_a_first_board_at_the_start_measures_nothing(tmp_path, capsys):
    folder = changed(tmp_path, "event.toml", 'run_up = "2 mi"', 'run_up = "0 mi"')
    text = (folder / "event.toml").read_text(encoding="utf-8")
    (folder / "event.toml").write_text(text.replace('measure = "mean"', 'measure = "trap"'), encoding="utf-8")

    assert run(["check", str(folder)]) == 3
    assert "must be more than 0 where the speed at the first board counts" in " ".join(capsys.readouterr().err.split())
