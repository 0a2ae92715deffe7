"""How wide text may be: that of a terminal which is at least as wide as usual, else 80 columns."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

USUAL, WIDE = 80, 120
"""Columns that text always fits; columns from which on tables say more. Lines are one shorter, and no longer."""
_columns: ContextVar[int] = ContextVar("columns", default=USUAL)


@contextmanager
def text_of(columns: int) -> Iterator[None]:
    """Text that is made inside is for so many columns: at least `USUAL`, at most `WIDE`."""
    token = _columns.set(min(max(columns, USUAL), WIDE))
    try:
        yield
    finally:
        _columns.reset(token)


def line_width() -> int:
    """Letters in a line."""
    return _columns.get() - 1


def is_wide() -> bool:
    """Whether tables say more."""
    return _columns.get() >= WIDE
