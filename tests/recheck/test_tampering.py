"""Every way of changing a file of evidence, or what it is about, that we could think of is refused, and named."""

from __future__ import annotations

import copy
import json
import shutil
from pathlib import Path

import pytest

from optimizer.cli import run
from optimizer.pipeline import Question, evidence_of, rank
from optimizer.recheck.checking import recheck
from optimizer.recheck.evidence import hash_of
from optimizer.scenario.reading import read_scenario

STARTER = Path("optimizer/starter")


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    place = tmp_path_factory.mktemp("scenario") / "car"
    shutil.copytree(STARTER, place)
    return place


@pytest.fixture(scope="module")
def told(folder) -> dict:
    """The evidence for the three best builds of the starter."""
    scenario, question = read_scenario(folder), Question(top=3)
    return json.loads(evidence_of(scenario, rank(scenario, question), question, hash_of(folder)))


@pytest.fixture
def changed(told) -> dict:
    """The same, for a test to change."""
    return copy.deepcopy(told)


def faults(folder: Path, told: dict, tmp_path: Path) -> str:
    """What is found wrong, as one text."""
    file = tmp_path / "evidence.json"
    file.write_text(json.dumps(told))
    return "\n".join(recheck(folder, file).faults)


def opened_group(told: dict) -> dict:
    """The first group with a set that is opened."""
    return next(group for group in told["groups"] if "opened" in group)


def bounded_group(told: dict) -> tuple[dict, str]:
    """The first group with a set that a bound rules out, and its name."""
    group = next(group for group in told["groups"] if "highest_ms" in group)
    return group, f"group {' + '.join(group['parts'])}"


def test_what_was_written_holds(folder, told, tmp_path):
    assert faults(folder, told, tmp_path) == ""


def test_a_raised_bound(folder, changed, tmp_path):
    group, name = bounded_group(changed)
    group["highest_ms"] += 0.01

    assert f"{name}: the highest bound is" in faults(folder, changed, tmp_path)


def test_a_lowered_bound(folder, changed, tmp_path):
    group, name = bounded_group(changed)
    group["highest_ms"] -= 0.01

    assert f"{name}: the highest bound is" in faults(folder, changed, tmp_path)


def test_a_bound_taken_away(folder, changed, tmp_path):
    group, name = bounded_group(changed)
    del group["highest_ms"]

    assert f"{name}: the highest bound is" in faults(folder, changed, tmp_path)


def test_a_bound_where_there_is_none(folder, changed, tmp_path):
    """Of a group whose sets could not keep the speed at all."""
    group = next(group for group in changed["groups"] if "highest_ms" not in group)
    group["highest_ms"] = 30.0

    assert f"group {' + '.join(group['parts'])}: the highest bound is none" in faults(folder, changed, tmp_path)


def test_a_dropped_group(folder, changed, tmp_path):
    del changed["groups"][4]

    assert "group E1 + F2 + G2: it is missing" in faults(folder, changed, tmp_path)


def test_a_group_told_twice(folder, changed, tmp_path):
    changed["groups"][4] = changed["groups"][5]
    found = faults(folder, changed, tmp_path)

    assert "group E1 + F2 + G3: stands there twice" in found
    assert "group E1 + F2 + G2: it is missing" in found


def test_a_group_that_there_is_none_of(folder, changed, tmp_path):
    changed["groups"].append({"parts": ["E9", "F1", "G1"], "sets": 5, "highest_ms": 40.0})

    assert "group E9 + F1 + G1: there is none" in faults(folder, changed, tmp_path)


def test_fewer_drive_sets_in_a_group(folder, changed, tmp_path):
    changed["groups"][2]["sets"] -= 1

    assert "group E1 + F1 + G3: it has 5 drive sets, the file has 4" in faults(folder, changed, tmp_path)


def test_a_dropped_set(folder, changed, tmp_path):
    group = opened_group(changed)
    name = next(iter(group["opened"]))
    del group["opened"][name]

    assert f"group {' + '.join(group['parts'])}, set {name}: not opened" in faults(folder, changed, tmp_path)


def test_builds_that_are_no_longer_to_be_tried(folder, changed, tmp_path):
    group = opened_group(changed)
    name, node = next((name, node) for name, node in group["opened"].items() if node.get("then") == "list")
    del node["then"]

    assert f"set {name}: what the file says does not rule out" in faults(folder, changed, tmp_path)


def test_another_speed_of_the_last(folder, changed, tmp_path):
    changed["kth_ms"] += 0.001

    assert "level: the last build listed does" in faults(folder, changed, tmp_path)


def test_another_level(folder, changed, tmp_path):
    changed["level_ms"] += 0.1

    assert "level: it is" in faults(folder, changed, tmp_path)


def test_a_dropped_build(folder, changed, tmp_path):
    del changed["list"][0]

    assert "a build is missing from the list" in faults(folder, changed, tmp_path) or "level: " in faults(
        folder, changed, tmp_path
    )


def test_a_dropped_build_made_good_in_the_question(folder, changed, tmp_path):
    """The best is left out, and only two are asked for: the tree then tells of the one that is missing."""
    del changed["list"][0]
    changed["question"]["top"] = 2

    assert "a build is missing from the list" in faults(folder, changed, tmp_path)


def test_a_build_that_stands_twice(folder, changed, tmp_path):
    changed["list"][1] = changed["list"][0]

    assert "list: build 2 stands in it twice" in faults(folder, changed, tmp_path)


def test_more_builds_than_asked_for(folder, changed, tmp_path):
    changed["question"]["top"] = 2

    assert "list: it holds 3 builds where 2 were asked for" in faults(folder, changed, tmp_path)


def test_an_empty_list(folder, changed, tmp_path):
    changed["list"] = []

    assert "list: it is empty" in faults(folder, changed, tmp_path)


def test_a_swapped_order(folder, changed, tmp_path):
    changed["list"][0], changed["list"][1] = changed["list"][1], changed["list"][0]

    assert "list: the order is wrong at place 1: build 2" in faults(folder, changed, tmp_path)


def test_a_changed_price(folder, changed, tmp_path):
    changed["list"][1]["price_cents"] -= 100

    assert "list: build 2: price is" in faults(folder, changed, tmp_path)


def test_a_changed_speed(folder, changed, tmp_path):
    changed["list"][2]["speed_ms"] += 1e-4

    assert "list: build 3: speed is" in faults(folder, changed, tmp_path)


def test_a_changed_part(folder, changed, tmp_path):
    changed["list"][0]["parts"]["springs"] = "none"

    assert "list: build 1" in faults(folder, changed, tmp_path)


def test_a_part_that_is_not_in_the_sheets(folder, changed, tmp_path):
    changed["list"][0]["parts"]["springs"] = "X99"

    assert "list: build 1: 'X99' is not an option for springs" in faults(folder, changed, tmp_path)


def test_a_slot_left_out(folder, changed, tmp_path):
    del changed["list"][0]["parts"]["springs"]

    assert "list: build 1 says nothing of springs" in faults(folder, changed, tmp_path)


def test_an_illegal_build(folder, changed, tmp_path):
    """Wheels that the tires do not go on."""
    changed["list"][0]["parts"]["front wheels"] = "W2"

    assert "list: build 1 is not legal" in faults(folder, changed, tmp_path)


@pytest.mark.parametrize("file", ["event.toml", "car.toml", "tires.csv"])
def test_a_changed_sheet(folder, told, tmp_path, file):
    other = tmp_path / "other"
    shutil.copytree(folder, other)
    with (other / file).open("a") as sheet:
        sheet.write("\n")

    assert faults(other, told, tmp_path).startswith("inputs: the sheets in")


def test_a_sheet_under_another_name(folder, told, tmp_path):
    other = tmp_path / "other"
    shutil.copytree(folder, other)
    (other / "tires.csv").rename(other / "Tires.csv")

    assert hash_of(other) != told["inputs_sha256"]


def test_a_smaller_budget(folder, changed, tmp_path):
    changed["question"]["budget_cents"] = changed["list"][0]["price_cents"] - 1

    assert "list: build 1 is not legal: over the budget" in faults(folder, changed, tmp_path)


def test_a_larger_budget(folder, changed, tmp_path):
    """With more money faster builds can be had than are listed."""
    changed["question"]["budget_cents"] = 10_000_000
    found = faults(folder, changed, tmp_path)

    assert "not opened" in found or "does not rule out" in found or "missing" in found


def test_another_salt(folder, changed, tmp_path):
    names = read_scenario(folder).event.salts
    used = read_scenario(folder).event.salt
    changed["question"]["salt"] = next(name for name in names if name != used)

    assert "list: build 1: speed is" in faults(folder, changed, tmp_path)


@pytest.mark.parametrize(("name", "value"), [("salt", "sugar"), ("class", "none such")])
def test_a_question_to_something_else(folder, changed, tmp_path, name, value):
    changed["question"][name] = value

    assert faults(folder, changed, tmp_path).startswith("question: no ")


def test_a_part_that_was_to_be_in(folder, changed, tmp_path):
    """A wish is added that the builds do not meet."""
    changed["question"]["without"] = [changed["list"][0]["parts"]["engine"]]

    assert "list: build 1 is not legal: parts left out or forced in" in faults(folder, changed, tmp_path)


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (lambda told: told["groups"][0].update(highest_ms=float("nan")), "NaN is no number"),
        (lambda told: told.update(kth_ms=float("inf")), "Infinity is no number"),
        (lambda told: told.update(kth_ms="fast"), "/kth_ms: expected a number"),
        (lambda told: told.update(complete=1), "/complete: expected true or false"),
        (lambda told: told.update(version=1), "this is not 'saltmile search evidence', version 2"),
        (lambda told: told.pop("groups"), "'groups' is missing"),
        (lambda told: told["question"].update(top=0), "/question/top: expected a whole number"),
        (lambda told: opened_group(told).update(sets=-1), "/sets: expected a whole number"),
        (lambda told: set_cuts(told, [0.1, -1e-6]), "expected a number from 0 to"),
        (lambda told: set_cuts(told, [1.2, 1e-6]), "expected a number from 0 to 1"),
        (lambda told: set_cuts(told, [0.1, 1e10]), "expected a number from 0 to 1000"),
        (lambda told: set_cuts(told, [0.1, 1e308]), "expected a number from 0 to 1000"),
        (lambda told: set_cuts(told, [0.1, 10**400]), "expected a number from 0 to 1000"),
        (lambda told: told.update(why_not="\x1b[2J"), "/why_not: expected text that can be shown"),
        (lambda told: told.update(why_not="\ud800"), "/why_not: expected text that can be shown"),
        (lambda told: set_cuts(told, [0.1]), "expected a share and a multiplier"),
        (lambda told: opened_node(told).update(cells=0), "/cells: expected a whole number of 1"),
        (lambda told: opened_node(told).pop("cells"), "'cells' is missing"),
        (lambda told: told["typical"].__setitem__(0, -1.0), "/typical[0]: expected a number from 0"),
        (lambda told: set_then(told, {"parts": {}}), "'runs' is missing"),
        (lambda told: set_then(told, {"runs": [2], "parts": {}}), "/runs[0]: expected a whole number"),
        (lambda told: set_then(told, {"runs": [0] * 40, "parts": {}}), "/runs: expected the number of one run"),
        (lambda told: set_then(told, {"runs": [], "parts": {}}), "/runs: expected the number of one run"),
        (lambda told: set_then(told, {"slot": "nose", "parts": {}}), "'first' is missing"),
        (lambda told: set_then(told, "believe me"), "expected a round, a split or 'list'"),
    ],
)
def test_what_cannot_be_read(folder, changed, tmp_path, change, named, capsys):
    """Malformed files are refused with the place: exit code 2, as for other questions that are wrong."""
    change(changed)
    file = tmp_path / "evidence.json"
    file.write_text(json.dumps(changed))

    assert run(["recheck", str(folder), str(file)]) == 2
    assert named in capsys.readouterr().err


def opened_node(told: dict) -> dict:
    return next(iter(opened_group(told)["opened"].values()))


def set_cuts(told: dict, cuts: list) -> None:
    opened_node(told)["cuts"] = cuts


def set_then(told: dict, then: object) -> None:
    opened_node(told)["then"] = then


@pytest.mark.parametrize("share", [0.0, 0.3, 0.98])
def test_a_truncated_file(folder, told, tmp_path, share, capsys):
    file = tmp_path / "evidence.json"
    text = json.dumps(told)
    file.write_text(text[: int(share * len(text))])

    assert run(["recheck", str(folder), str(file)]) == 2
    assert "is not whole or not JSON" in capsys.readouterr().err


def test_a_file_that_is_not_there(folder, tmp_path, capsys):
    assert run(["recheck", str(folder), str(tmp_path / "none.json")]) == 2
    assert "cannot read" in capsys.readouterr().err


def test_what_does_not_claim_to_be_complete_is_not_called_complete(folder, changed, tmp_path, capsys):
    """The list is confirmed all the same."""
    changed.update(complete=False, why_not="it took too long", groups=[])
    file = tmp_path / "evidence.json"
    file.write_text(json.dumps(changed))

    assert run(["recheck", str(folder), str(file)]) == 0
    said = capsys.readouterr().out
    assert "3 builds confirmed" in said
    assert "is not shown: it took too long" in said
