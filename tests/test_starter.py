"""The scenario that a new user starts from: it reads, runs, and says in every file that it is invented."""

import pytest

from tests.scenes import STARTER, Scene


@pytest.fixture(scope="module")
def starter():
    return Scene(STARTER)


def test_starter_reads_and_runs(starter):
    """It has every kind of part in a few rows each, drives the rear wheels, and is legal as it stands."""
    kinds = {part.kind for part in starter.scenario.parts.values()}

    assert starter.scenario.car.drive == "rear"
    assert kinds == {"tire", "wheel", "rotor", "final drive", "gearset", "engine", "extra"}
    assert len(starter.scenario.parts) <= 40
    assert starter.violations({}) == set()
    assert starter.failed_checks({}) == set()
    assert 80 < starter.mph({}) < 130


def test_starter_has_something_to_gain(starter):
    """A longer final drive and a tune make it faster within its budget."""
    better = {"engine": "E2", "final drive": "F2"}

    assert starter.violations(better) == set()
    assert starter.mph(better) > starter.mph({}) + 1
    assert starter.dollars(better) <= starter.scenario.event.budget_cents / 100


def test_starter_says_that_it_is_invented():
    """Every file of the starter carries the word, and its settings are explained line by line."""
    files = sorted(STARTER.iterdir())

    assert {path.suffix for path in files} == {".toml", ".csv"}
    for path in files:
        assert "INVENTED" in path.read_text("utf-8"), path.name
    for name in ("car.toml", "event.toml"):
        text = (STARTER / name).read_text("utf-8")
        assert text.count("#") > 30, name
