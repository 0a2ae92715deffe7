"""Work in batches: the same numbers whatever the workers, and nothing lost when one is killed."""

import multiprocessing
import os
import pickle
import subprocess
import sys
import threading
import time
from concurrent.futures import BrokenExecutor, ThreadPoolExecutor
from functools import partial
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest

from optimizer.answers.meet_runs import legs_of_meet, run_speeds
from optimizer.answers.meet_worlds import worlds_of
from optimizer.answers.unknowns import unknowns_of
from optimizer.choice.options import options_of
from optimizer.errors import UsageError
from optimizer.executor import LostBatchError, Pool, _batches, cluster, processes, work_through
from optimizer.scenario.event import Meet
from optimizer.scenario.reading import read_scenario
from optimizer.search.sharing import Beside, helping
from tests import workers
from tests.scenes import STARTER

ITEMS = list(range(40))
SQUARES = [item**2 for item in ITEMS]
ALWAYS = -1.0
"""Work that is always worth the workers."""


def small_batches(monkeypatch):
    """Batches of a few items, so that there are many."""
    monkeypatch.setattr("optimizer.executor.LEAST_BATCH_S", 0.02)


@pytest.fixture(scope="module")
def runs():
    """What it takes to run the starter's car in some worlds, the first of which hold nothing of the others."""
    options = options_of(read_scenario(STARTER))
    salt, meet = options.scenario.event.salt, Meet(days=1, runs_a_day=2)
    worlds = worlds_of(unknowns_of(options, salt), None, 32, 1, 2)
    rows = np.stack([options.fitted, options.encode({"front tires": "T3"})])
    return partial(run_speeds, options, salt, rows, worlds, legs_of_meet(options.scenario.event, meet))


def test_in_this_process():
    shares = []
    assert work_through(workers.squares, ITEMS, progress=lambda _what, share: shares.append(share)) == SQUARES
    assert shares == sorted(shares)
    assert work_through(workers.squares, ITEMS[:1]) == [0]


def test_no_pool_is_opened_for_little_work():
    def refuse():
        raise AssertionError("opened")

    assert work_through(workers.squares, ITEMS, Pool(refuse, 2, worth_s=60.0)) == SQUARES


@pytest.mark.parametrize("lost", [False, True])
def test_a_helper_takes_batches_of_little_work(monkeypatch, lost):
    """Those that it has begun with when it is lost are done here."""
    small_batches(monkeypatch)
    given, shares = [], []
    with helping(processes(1)) as helper:
        helper.begin(workers.squares, ITEMS)()
        take = helper.take
        monkeypatch.setattr(helper, "take", lambda *piece: (given.append(piece), take(*piece))[1])
        work = partial(workers.squares_only_in, os.getpid()) if lost else workers.squares
        found = work_through(
            work, ITEMS, beside=Beside(helper), progress=lambda _what, share: shares.append(share)
        )
        assert helper.lost == lost
    assert given
    assert found == SQUARES
    assert len(shares) > 3
    assert shares == sorted(shares)


def test_batches_are_worth_handing_over_and_hold_every_item_once():
    batches = _batches(ITEMS, 0.001, 2)
    assert [len(each) for each in batches] == [40]
    batches = _batches(ITEMS, 0.1, 2)
    assert [len(each) for each in batches] == [5] * 8
    assert [item for batch in batches for item in batch] == ITEMS
    assert [len(each) for each in _batches(ITEMS, 1.0, 40)] == [1] * 40


def test_on_any_standard_executor(monkeypatch):
    small_batches(monkeypatch)
    assert work_through(workers.squares, ITEMS, Pool(lambda: ThreadPoolExecutor(3), 3, worth_s=ALWAYS)) == SQUARES


def test_a_killed_worker_loses_nothing(monkeypatch, tmp_path):
    """A process is killed in mid-run, which breaks the pool: a new one does what had not come back."""
    small_batches(monkeypatch)
    marker = tmp_path / "killed"
    work = partial(workers.squares_killing_once, str(marker))
    assert work_through(work, ITEMS, processes(2, worth_s=ALWAYS)) == SQUARES
    assert marker.exists()


def test_what_kills_every_worker_is_given_up(monkeypatch):
    small_batches(monkeypatch)
    with pytest.raises(LostBatchError, match="3 times"):
        work_through(workers.squares_killing_always, ITEMS, processes(1, worth_s=ALWAYS))


def test_workers_end_with_what_is_wanted_no_more(tmp_path):
    """What one of them is in the midst of is not waited for, and none is left behind."""
    executor = processes(1).open()
    begun = tmp_path / "begun"
    long = executor.submit(workers.a_day, str(begun))
    while not begun.exists():
        time.sleep(0.01)
    executor.shutdown(wait=False, cancel_futures=True)

    assert isinstance(long.exception(), BrokenExecutor)
    assert multiprocessing.active_children() == []


def test_a_piece_that_was_cancelled_does_not_keep_others_from_hearing_of_a_lost_worker(tmp_path, monkeypatch):
    """Nor does it make Python print a traceback."""
    faults = []
    monkeypatch.setattr(threading, "excepthook", faults.append)
    executor = processes(1).open()
    first, *rest = [executor.submit(workers.a_day, str(tmp_path / f"begun{n}")) for n in range(6)]
    while not (tmp_path / "begun0").exists():
        time.sleep(0.01)
    cancelled = [future for future in rest[:-1] if future.cancel()]
    (worker,) = multiprocessing.active_children()
    worker.kill()

    assert cancelled
    for waiting in (first, rest[-1]):
        assert isinstance(waiting.exception(timeout=20), BrokenExecutor)
    executor.shutdown(cancel_futures=True)
    assert faults == []


ENDED = """
import sys, time
from pathlib import Path
from optimizer.executor import processes
from tests import workers

executor = processes(1).open()
executor.submit(workers.a_day_with_a_lock, sys.argv[1])
while not Path(sys.argv[1]).exists():
    time.sleep(0.01)
executor.shutdown(wait=False, cancel_futures=True)
"""


def test_a_worker_that_is_ended_with_a_lock_in_hand_says_nothing(tmp_path):
    """Python itself warns of what it takes for a leak, at the end of a program of which one was such a worker."""
    root = Path(__file__).parent.parent
    code = [sys.executable, "-c", ENDED, str(tmp_path / "begun")]
    done = subprocess.run(code, capture_output=True, text=True, check=False, timeout=60, cwd=root)  # noqa: S603
    assert (done.returncode, done.stderr) == (0, "")


ALONE = """
import os, time
from optimizer.executor import processes

executor = processes(1).open()
print(executor.submit(os.getpid).result(), flush=True)
executor.submit({busy})
time.sleep(3600)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks for processes as Linux shows them")
@pytest.mark.parametrize("busy", ["time.sleep, 3600", "os.getpid"])
def test_workers_do_not_outlive_a_program_that_is_killed(busy):
    """Idle or in the midst of work."""
    code = ALONE.format(busy=busy)
    root = Path(__file__).parent.parent
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, cwd=root) as program:  # noqa: S603
        worker = int(program.stdout.readline())
        there = _lives(worker)
        program.kill()
    assert there
    deadline = time.monotonic() + 20
    while _lives(worker):
        assert time.monotonic() < deadline, "the worker is still there"
        time.sleep(0.05)


def _lives(process):
    """Whether a process is there, and not only its end is still to be taken note of."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


class Forgetful(ThreadPoolExecutor):
    """Loses every batch with item 20 some times, as a cluster would that gives up on its workers."""

    losses = 0

    def submit(self, fn, /, *args, **kwargs):
        if 20 in args[1] and Forgetful.losses > 0:
            Forgetful.losses -= 1
            return super().submit(self._lose)
        return super().submit(fn, *args, **kwargs)

    @staticmethod
    def _lose():
        raise WorkerLostError


class WorkerLostError(Exception):
    """What a cluster says of a batch that it gave up on."""


@pytest.mark.parametrize(("losses", "given_up"), [(2, False), (3, True)])
def test_a_batch_that_a_cluster_gave_up_is_given_out_again(monkeypatch, losses, given_up):
    """Twice lost is done again; three times is enough."""
    small_batches(monkeypatch)
    monkeypatch.setattr(Forgetful, "losses", losses)
    pool = Pool(lambda: Forgetful(2), 2, lost=(WorkerLostError,), worth_s=ALWAYS)
    if given_up:
        with pytest.raises(LostBatchError, match="3 times"):
            work_through(workers.squares, ITEMS, pool)
    else:
        assert work_through(workers.squares, ITEMS, pool) == SQUARES


def test_a_fault_in_the_work_is_not_tried_again(monkeypatch):
    small_batches(monkeypatch)
    with pytest.raises(ValueError, match="20 has no square"):
        work_through(workers.squares_with_a_fault, ITEMS, Pool(lambda: ThreadPoolExecutor(2), 2, worth_s=ALWAYS))


def test_the_same_speeds_whatever_the_workers(runs):
    """Bit for bit: no run depends on what it is simulated with, or where."""
    here = runs()
    assert (runs(pool=processes(2, worth_s=ALWAYS)) == here).all()
    assert len(np.unique(here)) > 0.9 * here.size


def test_mappings_that_must_not_change_can_be_sent():
    sent = pickle.loads(pickle.dumps(MappingProxyType({"a": MappingProxyType({1: 2.0})})))  # noqa: S301
    assert sent == {"a": {1: 2.0}}
    assert isinstance(sent, MappingProxyType)


# --- a cluster of dask


@pytest.fixture(scope="module")
def scheduler():
    """Address of a cluster of two processes on this machine."""
    distributed = pytest.importorskip("distributed")
    dask = pytest.importorskip("dask")
    # not half a minute of waiting for what a dead worker had
    dask.config.set({"distributed.comm.timeouts.connect": "2s"})
    settings = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": None}
    with distributed.LocalCluster(**settings) as local:
        yield local.scheduler_address


def test_on_a_cluster_with_a_killed_worker(monkeypatch, scheduler, runs, tmp_path):
    """The same squares and the same speeds, one worker killed in mid-run."""
    small_batches(monkeypatch)
    pool = cluster(scheduler)
    assert pool.workers == 2
    work = partial(workers.squares_killing_once, str(tmp_path / "killed"))
    assert work_through(work, ITEMS, pool) == SQUARES
    assert (tmp_path / "killed").exists()
    assert (runs(pool=pool) == runs()).all()


def test_no_cluster_there(monkeypatch):
    monkeypatch.setattr("optimizer.executor.CONNECT_S", 0.5)
    pytest.importorskip("distributed")
    with pytest.raises(UsageError, match="no scheduler"):
        cluster("tcp://127.0.0.1:9")
