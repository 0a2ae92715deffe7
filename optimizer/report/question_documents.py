"""Answers to what a crew asks as JSON documents: the records as they are, speeds in both units, builds by part ids.

Keys are those of the records. A key that ends in ``_ms`` holds a speed in meters per second and becomes two: ``_m_s``
and that in the event's unit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

from optimizer.answers.meet_worlds import Chance
from optimizer.answers.unknowns import Unknown
from optimizer.choice.options import Options
from optimizer.report.documents import Document, head_of, rounded
from optimizer.report.wording import CAUTION
from optimizer.units import to_unit

SPEED_DIGITS, DIGITS = 5, 6


def question_document(options: Options, answer: str, salt: str | None, found: Any) -> Document:
    """The document of one answer: what was asked of which scenario, and the record of the answer.

    Parameters
    ----------
    options : Options
        Of the scenario: builds are positions in them.
    answer : str
        Name of the command.
    salt : str or None
        Condition of the salt; the event's own when left out.
    found : frozen dataclass, or a list or mapping of such
        The answer.
    """
    scenario = options.scenario
    head = head_of(scenario, answer, salt or scenario.event.salt, scenario.notices)
    return head | {"found": _Writer(options).value(found), "caution": list(CAUTION)}


class _Writer:
    """Turns records into what JSON can hold."""

    def __init__(self, options: Options) -> None:
        self.options = options
        self.unit = options.scenario.event.speed_unit

    def value(self, each: Any) -> Any:
        """Anything an answer may hold."""
        if isinstance(each, Unknown):
            each = {"name": each.name, "value": each.value, "basis": each.basis.kind, "dimension": each.dimension}
        if isinstance(each, Options):  # what positions mean: ids are written instead
            return None
        if is_dataclass(each):
            return self._record(each)
        if isinstance(each, np.ndarray):
            return self.options.decode(each)
        if isinstance(each, Mapping):
            return {str(key): self.value(value) for key, value in each.items()}
        if isinstance(each, list | tuple | frozenset):
            return [self.value(value) for value in (sorted(each) if isinstance(each, frozenset) else each)]
        plain = each.item() if isinstance(each, np.generic) else each
        return rounded(plain, DIGITS) if isinstance(plain, float) else plain

    def _record(self, record: Any) -> Document:
        found: Document = {}
        names = [each.name for each in fields(record)]
        names += [name for name, kind in vars(type(record)).items() if isinstance(kind, property)]
        for name in names:
            value = getattr(record, name)
            if name.endswith("_ms"):
                stem = name.removesuffix("_ms")
                found[f"{stem}_m_s"] = _speed(value, "m/s")
                found[f"{stem}_{self.unit.replace('/', '')}"] = _speed(value, self.unit)
            else:
                found[name] = self.value(value)
        return found


def _speed(value: Any, unit: str) -> Any:
    """A speed [m/s] in a unit; several of them, or one with its error, likewise. What has no end is no number."""
    if isinstance(value, Chance):
        return {"value": _speed(value.value, unit), "error": _speed(value.error, unit)}
    if isinstance(value, tuple):
        return [_speed(each, unit) for each in value]
    if value is None or not math.isfinite(value):
        return None
    return rounded(to_unit(value, unit, "speed"), SPEED_DIGITS)
