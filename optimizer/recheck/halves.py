"""Two halves of a work at the same time: the second by a copy of this process, which is there at once.

A process that is spawned, as `optimizer.executor` does it, imports everything anew: that takes as long as half of the
check of a small file. A copy has what there is. But threads do not survive in it, and libraries of matrices may have
some: so it is only made where nothing here has any.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import TypeVar

from optimizer.executor import allowed_processors

Half = TypeVar("Half")
Result = TypeVar("Result")

ONE_THREAD = "OPENBLAS_NUM_THREADS"
"""Variable of the environment: threads for matrices."""


def may_copy() -> bool:
    """Whether a copy of this process may be made and has a processor to run on.

    Only on Linux: elsewhere system libraries are not made for it.
    """
    alone = threading.active_count() == 1 and os.environ.get(ONE_THREAD) == "1"
    return sys.platform == "linux" and alone and allowed_processors() > 1


def both(work: Callable[[Half], Result], first: Half, second: Half) -> tuple[Result, Result]:
    """What ``work`` makes of two halves; of the second in a copy of this process, or here should that be lost."""
    context = multiprocessing.get_context("fork")
    receiving, sending = context.Pipe(duplex=False)
    copy = context.Process(target=_send, args=(work, second, sending), daemon=True)
    copy.start()
    sending.close()  # so that its end is seen when the copy ends
    try:
        own = work(first)
        return own, _received(receiving, work, second)
    finally:
        copy.kill()
        copy.join()
        receiving.close()


def _received(receiving: Connection, work: Callable[[Half], Result], half: Half) -> Result:
    try:
        found: Result = receiving.recv()
    except EOFError:  # lost, or it failed: then it fails here, where it can be told
        return work(half)
    return found


def _send(work: Callable[[Half], Result], half: Half, sending: Connection) -> None:
    """What the copy does. Whatever goes wrong is told by its end alone: the process that it is a copy of sees to it."""
    try:
        sending.send(work(half))
    except BaseException:  # noqa: BLE001 - Ctrl-C reaches both
        os._exit(1)
    os._exit(0)
