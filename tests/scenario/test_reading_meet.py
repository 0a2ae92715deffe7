"""[meet] in event.toml: read, left out, or refused with what was expected."""

import shutil

import pytest

from optimizer.errors import ScenarioError
from optimizer.scenario.event import Meet
from optimizer.scenario.reading import read_scenario
from tests.scenes import MPH, STARTER

FULL = """
[meet]
days = 3
runs_a_day = 4
pairs = "next day"
license_steps = ["80 mph", "100 mph"]
breakage = "3 %"
run_scatter = "0.7 %"
"""


@pytest.fixture
def with_meet(tmp_path):
    def write(text):
        folder = tmp_path / "car"
        shutil.copytree(STARTER, folder)
        event = folder / "event.toml"
        event.write_text(event.read_text(encoding="utf-8") + text, encoding="utf-8")
        return folder

    return write


def test_a_meet_as_typed(with_meet):
    found = read_scenario(with_meet(FULL)).event.meet
    assert (found.days, found.runs_a_day, found.pairs) == (3, 4, "next day")
    assert found.license_steps_ms == pytest.approx((80 * MPH, 100 * MPH))
    assert (found.breakage, found.run_scatter) == pytest.approx((0.03, 0.007))
    assert found.stated == {"days", "runs_a_day", "pairs", "license_steps_ms", "breakage", "run_scatter"}


def test_a_meet_left_out_is_the_ordinary_one():
    found = read_scenario(STARTER).event.meet
    assert found == Meet()
    assert found.stated == frozenset()


@pytest.mark.parametrize(
    ("line", "key", "expected"),
    [
        ("days = 0", "meet.days", "1 or more"),
        ("days = 31", "meet.days", "at most 30"),
        ("runs_a_day = 2.5", "meet.runs_a_day", "whole number"),
        ('pairs = "some"', "meet.pairs", "same day, next day, any"),
        ('license_steps = ["100 mph", "90 mph"]', "meet.license_steps", "must rise"),
        ('license_steps = ["100"]', "meet.license_steps", "needs its unit"),
        ('license_steps = ["0 mph"]', "meet.license_steps", "greater than 0"),
        ('breakage = "150 %"', "meet.breakage", "at most"),
        ('run_scatter = "9 %"', "meet.run_scatter", "at most"),
        ("dais = 2", "meet.dais", "did you mean days"),
    ],
)
def test_a_wrong_value_is_a_fault_where_it_stands(with_meet, line, key, expected):
    folder = with_meet(f"\n[meet]\n{line}\n")
    number = (folder / "event.toml").read_text(encoding="utf-8").splitlines().index(line) + 1
    with pytest.raises(ScenarioError) as refusal:
        read_scenario(folder)
    fault = next(each for each in refusal.value.faults if each.column == key)
    assert (fault.file, fault.row) == ("event.toml", number)
    assert expected in fault.expected


def test_all_faults_at_once(with_meet):
    with pytest.raises(ScenarioError) as refusal:
        read_scenario(with_meet('\n[meet]\ndays = 0\npairs = "none"\nbreakage = "much"\n'))
    assert [each.column for each in refusal.value.faults] == ["meet.days", "meet.pairs", "meet.breakage"]
