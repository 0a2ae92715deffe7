"""A second process takes part of the work: what is found is the same, also where it is lost or slow to begin."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from optimizer.executor import ALLOWED, one_beside, processes
from optimizer.search.sharing import Helper, Matter, helping, in_pieces, shared
from optimizer.search.study import Study
from tests import workers
from tests.search.catalogs import random_catalog

BEGIN_S = 20.0


class Here(Executor):
    """Runs what it is given in this process, some of it after a while: when it is asked for the result."""

    def __init__(self, *, late: bool = False) -> None:
        self.late, self.begun = late, 0

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        if not self.late:
            self.begun += 1
            future.set_running_or_notify_cancel()
            future.set_result(fn(*args, **kwargs))
        return future


def tens(own: int, piece: np.ndarray) -> np.ndarray:
    return 10 * piece + own


def ended(_own: object, piece: int) -> int:
    """Ends the process that it is called in, if that is not the tests' own."""
    if os.environ.get("SALTMILE_TESTED") != str(os.getpid()):
        os._exit(3)
    return piece


def begun(helper: Helper, matter: Matter) -> None:
    """Wait until a helper has begun."""
    matter.tell()
    deadline = time.monotonic() + BEGIN_S
    while len(matter.parts(2, 1)) != 2:
        assert time.monotonic() < deadline, "the helper does not begin"
        time.sleep(0.05)
    assert helper is matter.helper


@pytest.fixture(scope="module")
def process() -> Iterator[Helper]:
    with helping(processes(1)) as helper:
        assert helper is not None
        yield helper


@pytest.mark.parametrize("count", [0, 1, 119, 120, 601, 1300, 1801])
def test_pieces_hold_every_row_once_in_order(count: int) -> None:
    pieces = in_pieces(count, 60, 600)
    assert (np.concatenate(pieces) == np.arange(count)).all()
    assert max(map(len, pieces)) <= 600
    assert len(pieces) == 1 or (len(pieces) % 2 == 0 and min(map(len, pieces)) >= 60)


def test_pieces_come_back_in_their_order() -> None:
    executor = Here()
    matter = Matter(7, Helper(executor), int, (7,))
    matter.tell()
    assert matter.done(tens, [0, 1, 2, 3]) == [7, 17, 27, 37]
    assert executor.begun == 4, "the matter, and all pieces but the first"


def test_pieces_that_a_helper_has_not_begun_with_are_done_here() -> None:
    executor = Here()
    matter = Matter(7, Helper(executor), int, (7,))
    matter.tell()
    matter.done(tens, [0, 1])
    executor.late = True
    assert matter.done(tens, [0, 1, 2, 3]) == [7, 17, 27, 37]


def test_a_matter_that_a_helper_has_forgotten_is_worked_on_here() -> None:
    """It keeps the last few only."""
    executor = Here()
    helper = Helper(executor)
    matters = [Matter(n, helper, int, (n,)) for n in range(6)]
    for matter in matters:
        matter.tell()
    before = executor.begun
    assert matters[0].done(tens, [0, 1]) == [0, 10]
    assert executor.begun == before
    assert matters[-1].done(tens, [0, 1]) == [5, 15]
    assert executor.begun > before


def test_a_helper_that_is_lost_is_done_without(monkeypatch: pytest.MonkeyPatch) -> None:
    """It ends in the midst of a piece; what it was to do is done here, and so is all that follows."""
    monkeypatch.setenv("SALTMILE_TESTED", str(os.getpid()))
    with helping(processes(1)) as helper:
        assert helper is not None
        matter = Matter(None, helper)
        begun(helper, matter)
        assert matter.done(ended, [1, 2, 3, 4]) == [1, 2, 3, 4]
        assert matter.done(ended, [1, 2]) == [1, 2]
        assert helper.begin(len, "four")() == 4


def test_what_goes_wrong_in_a_piece_is_raised(process: Helper) -> None:
    matter = Matter(None, process)
    begun(process, matter)
    with pytest.raises(ZeroDivisionError):
        matter.done(_broken, [0, 0])


def _broken(_own: None, piece: int) -> float:
    return 1 / piece


def test_while_a_helper_does_something_long_it_takes_no_pieces(process: Helper) -> None:
    matter = Matter(None, process)
    begun(process, matter)
    slept = process.begin(time.sleep, 0.5)
    assert len(matter.parts(100, 1)) == 1
    assert slept() is None
    assert len(matter.parts(100, 1)) == 2


def test_what_comes_after_is_done_by_the_helper_where_it_is_not_asked_for_before(process: Helper) -> None:
    before = process.begin(len, "four")
    after = process.begin_after(before, lambda: 0, os.getpid)
    assert before() == 4
    time.sleep(0.5)
    assert after() not in {0, os.getpid()}


def test_what_comes_after_is_done_here_where_it_is_asked_for_before(process: Helper) -> None:
    """The helper does not do it besides, and is free when it has done what came before."""
    matter = Matter(None, process)
    begun(process, matter)
    before = process.begin(time.sleep, 2.0)
    after = process.begin_after(before, lambda: "here", time.sleep, 60.0)
    assert after() == "here"
    assert before() is None
    assert process.begin(len, "four")() == 4, "it would be asleep"
    assert len(matter.parts(100, 1)) == 2


def test_while_something_comes_after_a_helper_takes_no_pieces(process: Helper) -> None:
    matter = Matter(None, process)
    begun(process, matter)
    before = process.begin(len, "four")
    after = process.begin_after(before, lambda: None, time.sleep, 2.0)
    assert before() == 4
    time.sleep(0.1)
    assert len(matter.parts(100, 1)) == 1
    assert after() is None
    assert len(matter.parts(100, 1)) == 2


def test_what_comes_after_is_done_here_where_a_helper_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before it begins, in the midst of it, and where it has been lost long since."""
    monkeypatch.setenv("SALTMILE_TESTED", str(os.getpid()))
    for first, second in ((ended, tens), (tens, ended)):
        with helping(processes(1)) as helper:
            assert helper is not None
            before = helper.begin(first, 1, 1)
            after = helper.begin_after(before, lambda: "here", second, 1, 1)
            assert before() in {1, 11}
            time.sleep(0.5)
            assert after() == "here"
            before = helper.begin(len, "four")
            assert (before(), helper.begin_after(before, lambda: "here", len, "four")()) == (4, "here")


def test_what_goes_wrong_after_is_raised(process: Helper) -> None:
    before = process.begin(len, "four")
    after = process.begin_after(before, lambda: 0, _broken, None, 0)
    assert before() == 4
    time.sleep(0.5)
    with pytest.raises(ZeroDivisionError):
        after()


def test_what_goes_wrong_before_keeps_nothing_back(process: Helper) -> None:
    before = process.begin(_broken, None, 0)
    after = process.begin_after(before, lambda: "here", len, "four")
    with pytest.raises(ZeroDivisionError):
        before()
    time.sleep(0.2)
    assert after() == "here"


def test_it_works_without_a_helper() -> None:
    assert shared(None, abs, [-1, 2]) == [1, 2]


@pytest.mark.parametrize("text", ["0", "two", "-1", "1.5"])
def test_what_the_environment_allows_must_be_a_number(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    monkeypatch.setenv(ALLOWED, text)
    with pytest.raises(Exception, match=f"{ALLOWED} is '{text}' in the environment; expected how many processors"):
        one_beside()


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "top"), [(3, 1), (11, 12), (29, 1), (40, 30)])
def test_a_ranking_is_the_same_with_a_second_process(
    monkeypatch: pytest.MonkeyPatch, process: Helper, seed: int, top: int
) -> None:
    """Every build met, and every count of the evidence; with so little asked of pieces that nearly all is shared."""
    for place in ("state.LEAST_RUN", "state.LEAST_BOUNDED", "state.LEAST_TIGHTENED", "ruling_out.LEAST_SLOWED",
                  "listing.LEAST_LISTED", "ranking.LEAST_KEEPING"):  # fmt: skip
        monkeypatch.setattr(f"optimizer.search.{place}", 1)
    study = Study.of(random_catalog(seed))
    begun(process, Matter(None, process))
    given, take = [0], process.take
    monkeypatch.setattr(process, "take", lambda *asked: (given.append(1), take(*asked))[1])
    budget = study.scenario.event.budget_cents
    alone = study.fresh().best(top, budget_cents=budget, around=True)
    beside = replace(study.fresh(), helper=process).best(top, budget_cents=budget, around=True)
    assert sum(given) > 5, "the second process has done something"
    assert beside.evidence == alone.evidence
    for name in ("builds", "speed_ms", "cents", "hours", "care"):
        assert (getattr(beside, name) == getattr(alone, name)).all()


@pytest.mark.slow
@pytest.mark.parametrize("seed", [3, 40])
def test_a_run_does_not_depend_on_what_is_run_beside_it(seed: int) -> None:
    """To the last bit, so that work may be cut into any pieces."""
    study, rng = Study.of(random_catalog(seed)), np.random.default_rng(seed)
    builds = np.stack([rng.integers(0, size, 300) for size in study.options.sizes], axis=1)
    whole = study.judge.speeds(builds)
    for pieces in (2, 7, 50):
        assert (np.concatenate([study.judge.speeds(each) for each in np.array_split(builds, pieces)]) == whole).all()


def test_a_helper_that_is_started_has_loaded_what_it_needs() -> None:
    """Without the start they are not there; one of them nobody else would load."""
    needed = ("optimizer.questions", "colorsys")
    for start in (False, True):
        with helping(processes(1)) as helper:
            assert helper is not None
            if start:
                helper.start(needed)
            assert [helper.begin(workers.is_loaded, each)() for each in needed] == [start, start]
