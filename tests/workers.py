"""Work for other processes in tests: some of it ends its worker."""

import multiprocessing
import os
import signal
import sys
import time
from pathlib import Path


def squares(batch):
    """Each item squared, after a little while."""
    time.sleep(0.01 * len(batch))
    return [item**2 for item in batch]


def squares_killing_once(marker, batch):
    """The same; the first worker that meets item 20 is killed in the middle of its batch."""
    if 20 in batch and not Path(marker).exists():
        Path(marker).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return squares(batch)


def squares_killing_always(batch):
    """The same; whoever meets item 20 is killed, but for the process that gives out the work."""
    if 20 in batch:
        os.kill(os.getpid(), signal.SIGKILL)
    return squares(batch)


def squares_only_in(process, batch):
    """The same; any other process is killed by it."""
    if os.getpid() != process:
        os.kill(os.getpid(), signal.SIGKILL)
    return squares(batch)


def squares_with_a_fault(batch):
    """Not all items have a square."""
    if 20 in batch:
        msg = "20 has no square"
        raise ValueError(msg)
    return squares(batch)


def a_day(marker):
    """Work that takes a day; the marker says that it has begun."""
    Path(marker).touch()
    time.sleep(86_400)


def a_day_with_a_lock(marker):
    """The same, with a lock between processes in hand, as libraries make one while they are loaded."""
    with multiprocessing.Lock():
        a_day(marker)


def is_loaded(module):
    """Whether this process has loaded a module."""
    return module in sys.modules
