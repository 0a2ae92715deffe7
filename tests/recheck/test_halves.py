"""Work by a copy of the process is the same as work here, and is not lost with the copy."""

from __future__ import annotations

import json
import os
import threading

import pytest

from optimizer.errors import UsageError
from optimizer.executor import ALLOWED
from optimizer.recheck.asking import Asked, Case
from optimizer.recheck.certifying import certify
from optimizer.recheck.checking import Checker
from optimizer.recheck.evidence import as_json, parse
from optimizer.recheck.halves import ONE_THREAD, both, may_copy
from tests.search.catalogs import enumerated, random_catalog

HERE = os.getpid()


def test_the_second_half_is_worked_on_elsewhere():
    own, other = both(lambda half: (half, os.getpid()), "first", "second")

    assert own == ("first", HERE)
    assert other[0] == "second"
    assert other[1] != HERE


def test_a_copy_that_is_lost_costs_nothing_but_time():
    def work(half: int) -> int:
        if os.getpid() != HERE:
            os._exit(9)
        return half * 10

    assert both(work, 1, 2) == (10, 20)


@pytest.mark.parametrize("fails", [1, 2])
def test_what_fails_fails_here(fails, capfd):
    def work(half: int) -> int:
        if half == fails:
            raise UsageError("no such thing")
        return half

    with pytest.raises(UsageError, match="no such thing"):
        both(work, 1, 2)
    assert capfd.readouterr() == ("", "")


def test_no_copy_where_it_is_not_safe_or_not_allowed(monkeypatch):
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setattr("optimizer.recheck.halves.allowed_processors", lambda: 2)
    monkeypatch.setattr(threading, "active_count", lambda: 1)
    monkeypatch.setenv(ONE_THREAD, "1")
    assert may_copy()
    with monkeypatch.context() as other:
        other.setattr(threading, "active_count", lambda: 2)
        assert not may_copy()
    with monkeypatch.context() as other:
        other.delenv(ONE_THREAD)
        assert not may_copy()
    with monkeypatch.context() as other:
        other.setattr("sys.platform", "darwin")
        assert not may_copy()
    monkeypatch.undo()
    monkeypatch.setenv(ALLOWED, "1")
    assert not may_copy()


@pytest.mark.parametrize("seed", range(6))
def test_the_verdict_is_the_same(seed):
    """Of what holds, and of what does not in groups of both halves."""
    case, builds = Case(random_catalog(seed), Asked(5)), enumerated(seed)[0][:5]
    evidence = certify(case, builds, "hash")
    whole, halved = Checker(case, evidence).verdict(), Checker(case, evidence).verdict(copied=True)
    assert whole.faults == ()
    assert halved == whole

    told = json.loads(as_json(evidence))
    for group in told["groups"]:
        group["sets"] += 1
    wrong = parse(json.dumps(told))
    whole, halved = Checker(case, wrong).verdict(), Checker(case, wrong).verdict(copied=True)
    assert len(whole.faults) == len(told["groups"]) > 1
    assert sorted(halved.faults) == sorted(whole.faults)
