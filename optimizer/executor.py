"""Long work in batches, on any executor of the standard interface: this process, other processes, other machines.

Every item is worked on by itself, so the results are the same whatever the batches and workers. A batch that is lost
with its worker is given to another. Processes are spawned, not forked: threads of this process do not survive a fork,
and numerical libraries and the solver have some that Python does not know of. Spawned ones import the program anew,
some two seconds each, so they are only asked where the work is worth it.
"""

from __future__ import annotations

import copyreg
import multiprocessing
import os
import pickle
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    InvalidStateError,
    ProcessPoolExecutor,
    wait,
)
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache, partial
from multiprocessing.connection import wait as wait_for
from types import FrameType, MappingProxyType
from typing import Any, Protocol, TypeVar

from optimizer.errors import UsageError

Item = TypeVar("Item")
Item_contra = TypeVar("Item_contra", contravariant=True)
Result = TypeVar("Result")
Result_co = TypeVar("Result_co", covariant=True)
Progress = Callable[[str, float], None]

LEAST_BATCH_S = 0.2
"""Work of a batch, at least: below that, handing it over costs more than it saves."""
BATCHES_PER_WORKER = 4
"""Batches each worker gets where there is work enough, so that none waits long for the last."""
WORTH_S = 20.0
"""Work below which no process is started: they need some seconds before they do anything."""
ALLOWED = "SALTMILE_PROCESSES"
"""Variable of the environment: processes that one command may use at once, itself included."""
CONNECT_S = 10.0
"""Time in which the scheduler of a cluster must answer."""
TRIES = 3
"""Times a batch is lost before it is held to be what ends its workers."""
_LOST = f"a batch of work was lost with its worker {TRIES} times"


class LostBatchError(RuntimeError):
    """A batch was lost with its worker every time it was tried."""


class Work(Protocol[Item_contra, Result_co]):
    """What is done to a batch: one result for each item, in their order. It must be a function of a module."""

    def __call__(self, batch: Sequence[Item_contra]) -> Sequence[Result_co]:
        """Work on a batch."""
        ...


@dataclass(frozen=True, slots=True)
class Pool:
    """Where batches are worked on.

    Attributes
    ----------
    open : callable
        Opens an executor; called again where the one before has broken.
    workers : int
        How many batches it works on at once.
    lost : tuple of exception types
        What a batch fails with that was lost with its worker, beside `BrokenExecutor`.
    worth_s : float
        Work in seconds below which it is not asked.
    """

    open: Callable[[], Executor]
    workers: int
    lost: tuple[type[BaseException], ...] = ()
    worth_s: float = 0.0


def processes(workers: int | None = None, *, worth_s: float = WORTH_S) -> Pool:
    """Processes of this machine: as many as it has processors when left out."""
    count = workers or allowed_processors()
    return Pool(partial(_Processes, count), count, worth_s=worth_s)


class _Cancellable(Future[Any]):
    """A future that may be cancelled while its worker is lost.

    The pool of Python 3.11 tells a cancelled one of the loss as well, and stops at that with a traceback: those after
    it hear of nothing.
    """

    def set_exception(self, exception: BaseException | None) -> None:
        try:
            super().set_exception(exception)
        except InvalidStateError:
            if not self.cancelled():
                raise


class _Processes(ProcessPoolExecutor):
    """Processes that Ctrl-C ends without a word, also while they begin, and that end when they are wanted no more.

    Nor do they outlive this process, however it ends.
    """

    def __init__(self, workers: int) -> None:
        super().__init__(workers, mp_context=multiprocessing.get_context("spawn"), initializer=_as_worker)

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        with _held_back():  # what is started here begins with signals held back, too
            future = super().submit(fn, *args, **kwargs)
        future.__class__ = _Cancellable
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End workers at once where what they do is no longer wanted.

        They are waited for: a worker that ends at the same time as this program may make Python print a traceback.
        """
        if cancel_futures:
            for worker in list((self._processes or {}).values()):
                worker.terminate()
        super().shutdown(wait=wait or cancel_futures, cancel_futures=cancel_futures)


@contextmanager
def _held_back() -> Iterator[None]:
    """Hold Ctrl-C back for a moment, where this system can."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def one_beside() -> Pool | None:
    """One process beside this one; None where this machine has no processor for it."""
    return processes(1) if allowed_processors() > 1 else None


def cluster(address: str) -> Pool:
    """Workers of a dask cluster, by the address of its scheduler (extra ``cluster``).

    Raises
    ------
    UsageError
        If dask.distributed is not installed, or nothing answers there.
    """
    try:
        from distributed import Client  # noqa: PLC0415
        from distributed.scheduler import KilledWorker  # noqa: PLC0415
    except ImportError as fault:
        raise UsageError("a cluster needs dask.distributed; install saltmile with its extra: cluster") from fault
    connect: Callable[[], Any] = partial(Client, address, timeout=CONNECT_S, set_as_default=False)
    try:
        with connect() as client:
            workers = max(1, len(client.scheduler_info(n_workers=-1)["workers"]))
    except (OSError, TimeoutError, ValueError) as fault:
        raise UsageError(f"no scheduler of a cluster answers at {address}: {fault}") from fault

    def opened() -> Executor:
        return _ClusterExecutor(connect())

    return Pool(opened, workers, (KilledWorker,))


class _ClusterExecutor(Executor):
    """The standard interface of a dask client, which is closed with it."""

    def __init__(self, client: Any) -> None:
        self._client = client
        # batches may be alike without being the same piece of work
        self._executor = client.get_executor(pure=False)

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        found: Future[Any] = self._executor.submit(fn, *args, **kwargs)
        return found

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        self._executor.shutdown(wait=wait and not cancel_futures)
        self._client.close()


class AtOnce(Protocol):
    """Does work on two batches at once, one of them elsewhere where somebody is free for it."""

    def __call__(
        self, work: Callable[[Sequence[Item]], Sequence[Result]], batches: Sequence[Sequence[Item]], /
    ) -> Sequence[Sequence[Result]]:
        """Results of each batch."""
        ...


def work_through(
    work: Work[Item, Result],
    items: Sequence[Item],
    pool: Pool | None = None,
    progress: Progress | None = None,
    *,
    beside: AtOnce | None = None,
    what: str = "simulating",
) -> list[Result]:
    """Results of all items, in their order.

    Parameters
    ----------
    work : callable
        Batch -> results. For other processes it must be picklable: a function of a module, or a partial of one.
    items : sequence
    pool : Pool, optional
        This process when left out.
    beside : callable, optional
        Does some of what is not worth the pool.
    progress : callable, optional
        Told ``what`` and the share that is done.

    Raises
    ------
    LostBatchError
        If a batch is lost every time.
    """
    tell = progress or (lambda _what, _share: None)
    begun = time.perf_counter()
    first = max(1, len(items) // 64)
    done = list(work(items[:first]))
    each_s = (time.perf_counter() - begun) / first
    rest = items[first:]
    if pool is None or each_s * len(rest) <= pool.worth_s:
        step = max(1, round(LEAST_BATCH_S / max(each_s, 1e-9)))
        batches = [rest[at : at + step] for at in range(0, len(rest), step)]
        together = 1 if beside is None else 2
        for at in range(0, len(batches), together):
            tell(what, len(done) / len(items))
            now = batches[at : at + together]
            for found in map(work, now) if beside is None else beside(work, now):
                done += found
        return done
    rounds = _Round(work, _batches(rest, each_s, pool.workers), pool)
    return done + [result for batch in rounds.results(lambda share: tell(what, share)) for result in batch]


def _batches(items: Sequence[Item], each_s: float, workers: int) -> list[Sequence[Item]]:
    """Items in batches: some for each worker, none shorter than is worth handing over."""
    least = round(LEAST_BATCH_S / max(each_s, 1e-9)) + 1
    step = max(least, -(-len(items) // (workers * BATCHES_PER_WORKER)))
    return [items[at : at + step] for at in range(0, len(items), step)]


class _Round:
    """Batches given out to a pool until all have come back."""

    def __init__(self, work: Work[Item, Result], batches: Sequence[Sequence[Item]], pool: Pool) -> None:
        # sent as bytes: what cannot be sent shows here, and a worker unpacks it once for many batches
        self.work, self.batches, self.pool = pickle.dumps(work), batches, pool
        self.tries = [0] * len(batches)
        self.found: dict[int, Sequence[Any]] = {}

    def results(self, tell: Callable[[float], None]) -> list[Sequence[Any]]:
        """Results of all batches, in their order."""
        barren = 0
        while len(self.found) < len(self.batches):
            before = len(self.found)
            executor = self.pool.open()
            try:
                self._until_broken(executor, tell)
            except BrokenExecutor as fault:
                # which batch broke it is not known: it is the one that is left when no other comes back
                barren = 0 if len(self.found) > before else barren + 1
                if barren == TRIES:
                    raise LostBatchError(_LOST) from fault
            finally:
                executor.shutdown(wait=False, cancel_futures=True)
        return [self.found[number] for number in range(len(self.batches))]

    def _until_broken(self, executor: Executor, tell: Callable[[float], None]) -> None:
        """Give out what has not come back, until all has; the executor may break at any time."""
        missing = [number for number in range(len(self.batches)) if number not in self.found]
        waiting = {self._given(executor, number): number for number in missing}
        while waiting:
            ready, _ = wait(waiting, return_when=FIRST_COMPLETED)
            # first what has come back: it need not be done again
            for future in sorted(ready, key=lambda each: isinstance(each.exception(), BrokenExecutor)):
                number = waiting.pop(future)
                try:
                    self.found[number] = future.result()
                except self.pool.lost as fault:
                    self.tries[number] += 1
                    if self.tries[number] == TRIES:
                        raise LostBatchError(_LOST) from fault
                    waiting[self._given(executor, number)] = number
            tell(len(self.found) / len(self.batches))

    def _given(self, executor: Executor, number: int) -> Future[Any]:
        return executor.submit(_done, self.work, self.batches[number])


def _done(work: bytes, batch: Sequence[Any]) -> Sequence[Any]:
    """Results of a batch; called in the worker."""
    found: Sequence[Any] = _unpacked(work)(batch)
    return found


@lru_cache(maxsize=2)
def _unpacked(work: bytes) -> Work[Any, Any]:
    found: Work[Any, Any] = pickle.loads(work)  # noqa: S301 - made by this program a moment ago
    return found


def allowed_processors() -> int:
    """Processors that this process may use; no more than are allowed it by the environment.

    Raises
    ------
    UsageError
        If the environment says what is no number of processors.
    """
    allowed = os.environ.get(ALLOWED, "").strip()
    if allowed and not (allowed.isdecimal() and int(allowed) > 0):
        raise UsageError(f"{ALLOWED} is {allowed!r} in the environment; expected how many processors may be used")
    found = _own_processors()
    return min(found, int(allowed)) if allowed else found


def _own_processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _as_worker() -> None:
    """Called in a worker before it imports anything: numerical libraries are kept to one thread, Ctrl-C ends it."""
    threading.Thread(target=_leave_with_parent, daemon=True).start()  # before it lets Ctrl-C in: that is not for it
    signal.signal(signal.SIGINT, _leave)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGINT])
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    if "fork" in multiprocessing.get_all_start_methods():
        # nothing is started from here; a lock that a library makes, if only to try, leaves then no name behind that
        # Python warns of when this worker is ended in that moment
        multiprocessing.set_start_method("fork", force=True)


def _leave_with_parent() -> None:
    """End this process when the one that it works for is gone: that may be killed, and say nothing."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait_for([parent.sentinel])
        os._exit(1)


def _leave(_signal: int, _frame: FrameType | None) -> None:
    """End this process without a word: who has pressed Ctrl-C hears of it from the one that it works for."""
    os._exit(1)


def _fixed(mapping: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    """A mapping that must not change, as it arrives."""
    return MappingProxyType(mapping)


def _pickled(mapping: MappingProxyType[Any, Any]) -> tuple[Callable[..., Any], tuple[dict[Any, Any]]]:
    """The same, as it is sent: its type has no name that it could be found by."""
    return _fixed, (dict(mapping),)


copyreg.pickle(MappingProxyType, _pickled)
