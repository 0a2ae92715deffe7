"""Fastest legal build for the money over a measured mile on salt.

What Python users call, each loaded when it is first used (docs/tutorial.md):

- ``read(folder)``: the car, the event and all parts, or every fault of every file
- ``rank(folder)``, ``predict(folder, *parts)``, ``sensitivity(folder, *parts)``
- ``study(folder)``: what the following share; each takes it, or a folder
- ``why``, ``why_not``, ``offers``, ``budget``, ``cheapest``, ``records``, ``buying_order``, ``shortlist``, ``compare``,
  ``salts``
- ``card``, ``purchase``: what to take along on paper
- ``frames.frame_of(result)``: any result as a pandas frame (extra ``frames``)
- ``errors``: what they refuse with
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from optimizer import errors, frames
    from optimizer.surface import (
        budget,
        buying_order,
        card,
        cheapest,
        compare,
        offers,
        predict,
        purchase,
        rank,
        read,
        records,
        salts,
        sensitivity,
        shortlist,
        study,
        why,
        why_not,
    )

__version__ = "0.1.0"
__all__ = [
    "budget",
    "buying_order",
    "card",
    "cheapest",
    "compare",
    "errors",
    "frames",
    "offers",
    "predict",
    "purchase",
    "rank",
    "read",
    "records",
    "salts",
    "sensitivity",
    "shortlist",
    "study",
    "why",
    "why_not",
]
_MODULES = ("errors", "frames")


def __getattr__(name: str) -> Any:
    """Load what is asked for: importing the package alone costs nothing."""
    if name not in __all__:
        msg = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(msg)
    if name in _MODULES:
        return import_module(f"{__name__}.{name}")
    return getattr(import_module(f"{__name__}.surface"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
