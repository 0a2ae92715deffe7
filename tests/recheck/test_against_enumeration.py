"""Evidence on small random catalogs of which every build is known: it closes on the true list, and on no other."""

from __future__ import annotations

import json

import numpy as np
import pytest

from optimizer.recheck import certifying
from optimizer.recheck.asking import Asked, Case
from optimizer.recheck.certifying import certify
from optimizer.recheck.checking import Checker
from optimizer.recheck.evidence import as_json, parse
from tests.search.catalogs import SIZES, enumerate_all, enumerated, random_catalog

TOP = 5


def case_and_builds(seed: int, sizes=SIZES) -> tuple[Case, np.ndarray]:
    return Case(random_catalog(seed, sizes=sizes), Asked(TOP)), enumerated(seed, sizes)[0]


def assert_closes(case: Case, builds: np.ndarray) -> None:
    evidence = certify(case, builds[:TOP], "hash")
    assert evidence.complete, evidence.why_not
    again = parse(as_json(evidence))
    assert again == evidence
    assert Checker(case, again).verdict().faults == ()


@pytest.mark.parametrize("seed", range(12))
def test_the_true_list_closes_and_checks(seed):
    """Over all layouts and scorings; what is written is what is read."""
    case, builds = case_and_builds(seed)

    assert_closes(case, builds)


@pytest.mark.parametrize("seed", range(12))
def test_a_list_that_leaves_the_best_out_does_not_close(seed):
    """The best of all, or the third, is left out and the next one put at the end."""
    case, builds = case_and_builds(seed)
    for left_out in (0, 2):
        wrong = np.delete(builds, left_out, axis=0)[:TOP]
        evidence = certify(case, wrong, "hash")

        assert not evidence.complete
        assert "not listed" in evidence.why_not


@pytest.mark.parametrize("seed", [0, 1, 4])
def test_evidence_of_another_list_is_refused(seed):
    """The tree of the true list does not do for one that leaves the best out, whatever else is made to agree."""
    case, builds = case_and_builds(seed)
    told = json.loads(as_json(certify(case, builds[:TOP], "hash")))
    wrong = json.loads(as_json(certify(case, builds[1 : TOP + 1], "hash")))
    for name in ("typical", "groups", "complete", "why_not"):
        wrong[name] = told[name]

    assert Checker(case, parse(json.dumps(wrong))).verdict().faults


@pytest.mark.parametrize("worth", [1e3, 1.0])
@pytest.mark.parametrize("seed", range(8))
def test_no_worth_of_a_cent_closes_what_is_open(seed, worth):
    """However much a cent is said to be worth: the best that is left out stays in its box."""
    case, builds = case_and_builds(seed)
    told = json.loads(as_json(certify(case, builds[:TOP], "hash")))
    wrong = json.loads(as_json(certify(case, builds[1 : TOP + 1], "hash")))
    for name in ("typical", "groups", "complete", "why_not"):
        wrong[name] = told[name]
    for group in wrong["groups"]:
        for node in group.get("opened", {}).values():
            node["cuts"][1::2] = [worth] * (len(node["cuts"]) // 2)

    assert Checker(case, parse(json.dumps(wrong))).verdict().faults


def test_a_short_list_must_hold_all_there_are():
    """Where fewer builds are legal than were asked for, every other one is tried."""
    scenario = random_catalog(0, sizes=(1, 1, 1, 2, 2, 1, 1))
    builds = enumerate_all(scenario)[0]
    case = Case(scenario, Asked(len(builds) + 3))
    whole, short = certify(case, builds, "hash"), certify(case, builds[:-1], "hash")

    assert whole.complete
    assert Checker(case, whole).verdict().faults == ()
    assert not short.complete


def test_a_multiplier_that_closes_nothing_is_refused():
    """At half a meter per second for a cent no cut says anything: sets that money alone had closed stay open."""
    seen = 0
    for seed in range(12):
        case, builds = case_and_builds(seed)
        told = json.loads(as_json(certify(case, builds[:TOP], "hash")))
        closed = [
            (f"group {' + '.join(group['parts'])}, set {name}", node)
            for group in told["groups"]
            for name, node in group.get("opened", {}).items()
            if "then" not in node
        ]
        for _, node in closed:
            node["cuts"][1::2] = [0.5] * (len(node["cuts"]) // 2)
        found = "\n".join(Checker(case, parse(json.dumps(told))).verdict().faults)
        seen += sum(f"{name}: what the file says does not rule out" in found for name, _ in closed)
        if seen > 5:
            return
    pytest.fail("too few sets are closed by money alone")


@pytest.fixture
def _in_many_parts(monkeypatch):
    """Boxes are split until next to nothing is left of each."""
    monkeypatch.setattr(certifying, "MOST_PARTIAL", 1)


def splits_in(told: dict) -> list[tuple[str, dict]]:
    """Every split of a file, and what the box before it is called."""
    found = []

    def look(name: str, node: dict) -> None:
        then = node.get("then")
        if isinstance(then, dict) and "parts" in then:
            found.append((name, then))
            for part, each in then["parts"].items():
                look(f"{name}, {then.get('slot') or 'speed'} {part}", each)
        elif isinstance(then, dict):
            look(name, then)

    for group in told["groups"]:
        for name, node in group.get("opened", {}).items():
            look(f"group {' + '.join(group['parts'])}, set {name}", node)
    return found


@pytest.mark.usefixtures("_in_many_parts")
@pytest.mark.parametrize("seed", range(12))
def test_the_true_list_closes_in_many_parts(seed):
    """Splits by slots, and by speeds where means count or two runs do."""
    case, builds = case_and_builds(seed)
    evidence = certify(case, builds[:TOP], "hash")
    told = json.loads(as_json(evidence))
    splits = [split for _, split in splits_in(told)]

    assert_closes(case, builds)
    assert sum("slot" in each for each in splits) > 0
    by_speed = case.scenario.event.scoring.measure == "mean" or len(case.judge.conditions) == 2
    assert any("runs" in each for each in splits) == by_speed


@pytest.mark.usefixtures("_in_many_parts")
@pytest.mark.parametrize("seed", range(4))
def test_a_part_of_a_split_taken_away_is_named(seed):
    case, builds = case_and_builds(seed)
    whole = as_json(certify(case, builds[:TOP], "hash"))
    rng = np.random.default_rng(seed)
    for place in rng.permutation(len(splits_in(json.loads(whole))))[:6]:
        told = json.loads(whole)
        name, split = splits_in(told)[place]
        part = next(iter(split["parts"]))
        del split["parts"][part]
        found = Checker(case, parse(json.dumps(told))).verdict().faults

        assert f"{name}, {split.get('slot') or 'speed'} {part}: this part of the split is missing" in found


@pytest.mark.usefixtures("_in_many_parts")
def test_a_split_that_cannot_be_made_is_named():
    """By a slot that is part of the drive set, by one there is none of, by speeds of which no highest is known."""
    case, builds = case_and_builds(0)
    whole = as_json(certify(case, builds[:TOP], "hash"))
    for slot in ("engine", "nowhere"):
        told = json.loads(whole)
        name, split = next((name, split) for name, split in splits_in(told) if "slot" in split)
        split["slot"] = slot
        found = Checker(case, parse(json.dumps(told))).verdict().faults
        assert f"{name}: split by {slot!r}, which is no slot that is open" in found
    case, builds = next(each for each in map(case_and_builds, range(12)) if len(each[0].judge.conditions) == 1)
    told = json.loads(as_json(certify(case, builds[:TOP], "hash")))
    name, split = next((name, split) for name, split in splits_in(told) if "slot" in split)
    del split["slot"]
    split["runs"] = [1]
    found = "\n".join(Checker(case, parse(json.dumps(told))).verdict().faults)
    assert f"{name}: split by speeds in runs [1], of which no highest is known" in found


@pytest.mark.usefixtures("_in_many_parts")
@pytest.mark.parametrize("seed", range(8))
def test_no_split_whatever_closes_on_a_wrong_list(seed):
    """The tree of the true list with other places to split at: never accepted for a list that leaves the best out."""
    case, builds = case_and_builds(seed)
    told = json.loads(as_json(certify(case, builds[:TOP], "hash")))
    wrong = json.loads(as_json(certify(case, builds[1 : TOP + 1], "hash")))
    rng = np.random.default_rng(seed)
    for name in ("typical", "groups", "complete", "why_not"):
        wrong[name] = told[name]
    for _ in range(4):
        for _, split in splits_in(wrong):
            if "slot" in split:
                split["first"] = int(rng.integers(0, 6))
        wrong["typical"] = [float(f"{each:.1e}") for each in rng.random(len(told["typical"]))]

        assert Checker(case, parse(json.dumps(wrong))).verdict().faults
