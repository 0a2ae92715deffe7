"""Ctrl-C: a ranking ends with the best found so far and what it is worth; once more, and there is no answer."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys

import pytest

from optimizer import cli
from optimizer.cli import INTERRUPTED
from optimizer.executor import ALLOWED
from optimizer.search.ranking import Ranker
from tests.scenes import STARTER
from tests.search.catalogs import enumerated, machinery, random_catalog

SENDING = """
import os, signal, sys, time
from optimizer import cli
from optimizer.search.ranking import Ranker

def interrupted(*_args, **_more):
    time.sleep({after})
    os.killpg(0, signal.SIGINT)
    time.sleep(60)
    sys.exit("the signal did nothing")

signal.signal(signal.SIGINT, signal.default_int_handler)  # what starts the tests may have it ignored
Ranker._close = interrupted
sys.exit(cli.run({arguments!r}))
"""


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture
def interrupted_at(monkeypatch, capsys):
    """Answers a command in which some places are interrupted: exit code, both streams."""

    def ask(*arguments: str, places: tuple[str, ...]) -> tuple[int, str, str]:
        def interrupted(*_args: object, **_more: object) -> None:
            raise KeyboardInterrupt

        for place in places:
            monkeypatch.setattr(place, interrupted)
        capsys.readouterr()
        code = cli.run(list(arguments))
        out, err = capsys.readouterr()
        return code, out, err

    return ask


CLOSING, BOUNDING, TRYING = (f"optimizer.search.ranking.Ranker.{name}" for name in ("_close", "_bound_all", "_try"))


@pytest.mark.parametrize(("processes", "after_s"), [(1, 0.0), (2, 0.0), (2, 3.0)])
def test_a_real_signal_ends_a_ranking_with_what_it_has(processes: int, after_s: float) -> None:
    """A process of its own is sent SIGINT while it rules out the rest: exit code 0, and how far it could be off.

    As on a terminal its second process is sent it too, while that still begins or later: it says nothing.
    """
    code = SENDING.format(arguments=["rank", str(STARTER)], after=after_s)
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=50,
        start_new_session=True, env={**os.environ, ALLOWED: str(processes)},
    )  # fmt: skip

    assert done.returncode == 0, done.stderr
    told = flat(done.stdout)
    assert re.search(r"The fastest legal build does \d+\.\d mph", told)
    assert re.search(r"Best found, within \d+\.\d\d mph: it was ended before the search was complete", told)
    assert "Complete search" not in told
    assert done.stderr == ""


def test_before_all_best_cases_were_run_it_says_that_it_does_not_know(interrupted_at) -> None:
    code, out, _ = interrupted_at("rank", str(STARTER), "--json", places=(BOUNDING,))
    search = json.loads(out)["search"]

    assert code == 0
    assert (search["ended_by_hand"], search["stopped_by_time_limit"], search["complete"]) == (True, False, False)
    assert search["highest_left_out_m_s"] is None
    assert "How much faster another build could be is not known" in flat(
        interrupted_at("rank", str(STARTER), places=())[1]
    )


def test_a_second_interrupt_ends_it_without_an_answer(interrupted_at) -> None:
    """While the answer is put together: exit code 130, and nothing that looks like one."""
    code, out, err = interrupted_at("rank", str(STARTER), places=(CLOSING, "optimizer.pipeline.cards_of"))

    assert (code, out) == (INTERRUPTED, "")
    assert code == 130
    assert "stopped" in err


def test_before_any_legal_build_there_is_no_answer(interrupted_at) -> None:
    assert interrupted_at("rank", str(STARTER), places=(TRYING,))[:2] == (INTERRUPTED, "")


def test_other_questions_are_stopped(interrupted_at) -> None:
    assert interrupted_at("why", str(STARTER), places=(CLOSING,))[:2] == (INTERRUPTED, "")


def test_no_evidence_is_written_for_what_was_ended(interrupted_at, tmp_path) -> None:
    file = tmp_path / "why.json"
    code, _, err = interrupted_at("rank", str(STARTER), "--evidence", str(file), places=(CLOSING,))

    assert code == 0
    assert "is not written: the search was ended" in err
    assert not file.exists()


class Interrupting:
    """A progress that interrupts at the n-th call."""

    def __init__(self, number: int) -> None:
        self.left = number

    def __call__(self, _what: str, _share: float) -> None:
        self.left -= 1
        if self.left == 0:
            raise KeyboardInterrupt


def test_nothing_is_faster_than_an_ended_search_allows_for() -> None:
    """Ended at any of its steps: all that is listed is legal, and all else within what is said of it."""
    scenario = random_catalog(211)
    builds, speeds, _, _ = enumerated(211)
    _, legality, book, judge = machinery(scenario)
    legal = {build.tobytes() for build in builds}
    ended = 0
    for number in (1, 2, 3, 4, 6):
        event = scenario.event
        progress = Interrupting(number)
        ranker = Ranker(judge, legality, book, event.budget_cents, event.hours_limit, progress)
        found = ranker.top(25, thorough=True, interruptible=True)
        ended += found.evidence.interrupted
        if not found.evidence.interrupted:
            break
        listed = {build.tobytes() for build in found.builds[: found.listed]}
        rest = [speed for build, speed in zip(builds, speeds, strict=True) if build.tobytes() not in listed]
        assert listed <= legal
        assert found.evidence.stopped
        assert not found.evidence.closed
        if found.listed == 25:
            assert max(rest) <= max(found.evidence.highest_left_ms, found.evidence.kth_ms) + 0.01
    assert ended > 2


def test_whoever_does_not_ask_for_it_gets_the_interrupt() -> None:
    scenario = random_catalog(5)
    _, legality, book, judge = machinery(scenario)
    ranker = Ranker(judge, legality, book, scenario.event.budget_cents, scenario.event.hours_limit, Interrupting(2))

    with pytest.raises(KeyboardInterrupt):
        ranker.top(3, thorough=True)
