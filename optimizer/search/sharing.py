"""Work of a search in pieces, some of which a second process takes.

What is found is the same with and without it: either each row is worked on by itself, so that it does not matter how
rows are cut into pieces, or the pieces are the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import contextmanager
from functools import partial
from importlib import import_module
from typing import Any, Generic, TypeVar

import numpy as np

from optimizer.choice.options import IntArray
from optimizer.executor import Pool

Piece = TypeVar("Piece")
Result = TypeVar("Result")

KEPT = 4
"""Matters that a helper knows at once: those that it was told of last."""


def in_pieces(count: int, least: int, most: int) -> list[IntArray]:
    """Rows 0 to ``count`` in pieces alike: one, or an even number of ``least`` or more each, none above ``most``."""
    number = max(-(-count // most), 1 + (count >= 2 * least))
    return np.array_split(np.arange(count), number + (number > 1) * (number % 2))


class Begun(Generic[Result]):
    """What a future brings, or this process (``here``) where there is none, or it is lost with its worker."""

    def __init__(self, future: Future[Result] | None, here: Callable[[], Result]) -> None:
        self.future, self._here = future, here

    def __call__(self) -> Result:
        """Wait for it."""
        if self.future is None:
            return self._here()
        try:
            return self.future.result()
        except BrokenExecutor:
            return self._here()


class Helper:
    """A second process, started when it is first told of something; it takes pieces of work on what it was told of.

    Until it has begun, and where it is lost, this process does the work alone.

    Parameters
    ----------
    executor : Executor
        One worker, for this alone.
    """

    def __init__(self, executor: Executor) -> None:
        self._executor: Executor | None = executor
        self._told: dict[int, Future[None]] = {}
        self._matters, self._ready = 0, False
        self._busy: list[Future[Any]] = []

    def start(self, modules: Sequence[str]) -> None:
        """Start it now, for that takes a while, and have it load the modules that it will need."""
        self._submitted(_load, tuple(modules))

    @property
    def lost(self) -> bool:
        """Whether it was found to be gone."""
        return self._executor is None

    def begin(self, work: Callable[..., Result], *arguments: Any) -> Begun[Result]:
        """Have something long done from now on: what is returned waits for it. Until then it takes no pieces."""
        begun = Begun(self._submitted(work, *arguments), partial(work, *arguments))
        if begun.future is not None:
            self._busy.append(begun.future)
        return begun

    def begin_after(
        self, before: Begun[Any], here: Callable[[], Result], work: Callable[..., Result], *arguments: Any
    ) -> Callable[[], Result]:
        """Have something done when something else is; or ``here``, which finds the same, if it is asked for before.

        Until then it takes no pieces.
        """
        if before.future is None:
            return here
        turn: Future[Result] = Future()

        def take_up(done: Future[Any]) -> None:
            if done.cancelled() or done.exception() is not None:
                turn.cancel()
            elif turn.set_running_or_notify_cancel():
                try:
                    given = self._submitted(work, *arguments)
                except RuntimeError:  # closed meanwhile
                    given = None
                if given is None:
                    turn.set_exception(BrokenExecutor())
                else:
                    given.add_done_callback(partial(_pass_on, turn))

        before.future.add_done_callback(take_up)
        self._busy.append(turn)
        return lambda: here() if turn.cancel() else Begun(turn, here)()

    def tell(self, make: Callable[..., Any], arguments: tuple[Any, ...]) -> int:
        """Tell what a matter is made of, and return its number; it is not waited for."""
        self._matters += 1
        while len(self._told) >= KEPT:
            self._told.pop(next(iter(self._told)))
        future = self._submitted(_keep, self._matters, make, arguments)
        if future is not None:
            self._told[self._matters] = future
        return self._matters

    def is_free(self, matter: int) -> bool:
        """Whether it knows a matter and has nothing else to do."""
        self._busy = [each for each in self._busy if not each.done()]
        told = self._told.get(matter)
        if self._busy or told is None:
            return False
        if not told.done():  # once it has begun, this is not waited for: it does one thing after the other
            return self._ready
        try:
            told.result()
        except BrokenExecutor:
            return False
        self._ready = True
        return True

    def take(self, matter: int, work: Callable[[Any, Piece], Result], piece: Piece) -> Future[Result] | None:
        """Give it a piece of work; None where it is lost."""
        future = self._submitted(_do, matter, work, piece)
        if future is not None:
            self._busy.append(future)
        return future

    def _submitted(self, work: Callable[..., Any], *arguments: Any) -> Future[Any] | None:
        if self._executor is None:
            return None
        try:
            return self._executor.submit(work, *arguments)
        except BrokenExecutor:
            self._executor = None
            return None


class Matter:
    """What pieces of work are about.

    Parameters
    ----------
    own : object
        What this process works on.
    helper : Helper, optional
    make, arguments
        What the helper makes the same from, on its side.
    """

    def __init__(
        self, own: Any, helper: Helper | None = None, make: Callable[..., Any] = tuple, arguments: tuple[Any, ...] = ()
    ) -> None:
        self.own, self.helper, self._make, self._arguments = own, helper, make, arguments
        self._number: int | None = None

    def tell(self) -> None:
        """Tell the helper of it, if that was not done yet."""
        if self.helper is not None and self._number is None:
            self._number = self.helper.tell(self._make, self._arguments)

    def parts(self, count: int, least: int, most: float = np.inf) -> list[IntArray]:
        """Rows 0 to ``count``, in halves where a helper is free and each has at least so many; none above ``most``."""
        two = self.helper is not None and count >= 2 * least
        if two:
            self.tell()
        return np.array_split(np.arange(count), max(1 + (two and self._is_free()), int(-(-count // most))))

    def done(self, work: Callable[[Any, Piece], Result], pieces: Sequence[Piece]) -> list[Result]:
        """What ``work``, a function of a module, makes of each piece, in their order.

        This process begins with the first, a helper that is free with the last.
        """
        if len(pieces) > 1:
            self.tell()
        if self.helper is None or self._number is None or len(pieces) < 2 or not self._is_free():
            return [work(self.own, piece) for piece in pieces]
        given = {n: self.helper.take(self._number, work, pieces[n]) for n in range(len(pieces) - 1, 0, -1)}
        try:
            return [self._one(work, piece, given.get(n)) for n, piece in enumerate(pieces)]
        finally:  # an interrupted search asks for none of them again
            for future in given.values():
                if future is not None:
                    future.cancel()

    def _is_free(self) -> bool:
        """Whether there is a helper that knows of it and has nothing else to do."""
        return self.helper is not None and self._number is not None and self.helper.is_free(self._number)

    def _one(self, work: Callable[[Any, Piece], Result], piece: Piece, given: Future[Result] | None) -> Result:
        """A piece: waited for if the helper has begun with it, done here else."""
        if given is None or given.cancel():
            return work(self.own, piece)
        return Begun(given, partial(work, self.own, piece))()


def _pass_on(turn: Future[Result], given: Future[Result]) -> None:
    """Let one future have what another brings."""
    if given.cancelled():
        turn.set_exception(BrokenExecutor())
    elif (fault := given.exception()) is not None:
        turn.set_exception(fault)
    else:
        turn.set_result(given.result())


def in_advance(helper: Helper | None, work: Callable[..., Result], *arguments: Any) -> Callable[[], Result]:
    """Have a helper do something from now on: what is returned waits for it, or does it where there is no helper."""
    return partial(work, *arguments) if helper is None else helper.begin(work, *arguments)


def shared(helper: Helper | None, work: Callable[[Piece], Result], pieces: Sequence[Piece]) -> list[Result]:
    """What ``work``, a function of a module, makes of each piece, in their order; some pieces by a helper."""
    return Beside(helper)(work, pieces)


class Beside:
    """`shared` for work that comes in many pieces, a few at a time: a helper is told of it once."""

    def __init__(self, helper: Helper | None) -> None:
        self._matter = Matter(None, helper)

    def __call__(self, work: Callable[[Piece], Result], pieces: Sequence[Piece]) -> list[Result]:
        """What work makes of each piece, in their order."""
        return self._matter.done(partial(_of_piece, work), pieces)


def _of_piece(work: Callable[[Piece], Result], _nothing: None, piece: Piece) -> Result:
    return work(piece)


@contextmanager
def helping(pool: Pool | None) -> Iterator[Helper | None]:
    """A helper out of a pool of one worker, while it is needed; None without a pool."""
    if pool is None:
        yield None
        return
    executor = pool.open()
    try:
        yield Helper(executor)
    finally:
        executor.shutdown(wait=False, cancel_futures=True)


_KNOWN: dict[int, Any] = {}
"""What a worker was told of, by number."""


def _load(modules: Sequence[str]) -> None:
    """Load modules; called in the worker."""
    for module in modules:
        import_module(module)


def _keep(number: int, make: Callable[..., Any], arguments: tuple[Any, ...]) -> None:
    """Make a matter; called in the worker."""
    while len(_KNOWN) >= KEPT:
        _KNOWN.pop(next(iter(_KNOWN)))
    _KNOWN[number] = make(*arguments)


def _do(number: int, work: Callable[[Any, Any], Any], piece: Any) -> Any:
    """A piece of work; called in the worker."""
    return work(_KNOWN[number], piece)
