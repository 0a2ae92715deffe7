"""Results as pandas frames: a row for each of what a result lists, a column for each number.

Needs pandas: ``pip install 'saltmile[frames]'``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from optimizer.answers.buying_order import BuyingPlan
from optimizer.answers.cards import BuildCard
from optimizer.answers.compare import Comparison
from optimizer.answers.morning_records import MorningCard
from optimizer.answers.offers import OffersAnswer
from optimizer.answers.purchase_note import PurchaseNote
from optimizer.answers.shortlist import Shortlist
from optimizer.answers.why_not import WhyNot
from optimizer.choice.options import Options
from optimizer.pipeline import Prediction, RankResult
from optimizer.questions import MoneySteps, Why
from optimizer.search.study import Study
from optimizer.units import to_unit

LISTS: Mapping[type, Callable[[Any], Sequence[Any]]] = MappingProxyType(
    {
        RankResult: lambda result: result.builds,
        Prediction: lambda result: result.card.runs,
        Why: lambda result: result.shares.shares,
        MoneySteps: lambda result: result.steps,
        OffersAnswer: lambda result: result.offers,
        BuyingPlan: lambda result: result.stages,
        Shortlist: lambda result: result.entries,
        Comparison: lambda result: result.differences,
        WhyNot: lambda result: result.differences,
        MorningCard: lambda result: result.cells,
        PurchaseNote: lambda result: result.items,
    }
)
"""What a frame has a row for, by result. Lists of records have a row for each, any other record is one row."""


def frame_of(result: Any, study: Study | None = None, *, unit: str | None = None) -> pd.DataFrame:
    """A result as a frame.

    Parameters
    ----------
    result : any result of the package, or a list of its records
        Which rows it makes: see `LISTS`.
    study : Study, optional
        Of which it was asked: names the parts of builds that are arrays, one column a slot.
    unit : str, optional
        A unit of speed (``mph``, ``km/h``): columns ``..._ms`` become ``..._mph`` in it.

    Raises
    ------
    ValueError
        If the unit is not known.
    """
    listed = LISTS[type(result)](result) if type(result) in LISTS else result
    records = listed if isinstance(listed, list | tuple) else [listed]
    options = result.options if isinstance(result, OffersAnswer) else None if study is None else study.options
    rows = [_row(each, options) for each in records]
    if isinstance(result, RankResult):
        rows = [{"place": place, **row} for place, row in enumerate(rows, 1)]
    frame = pd.DataFrame(rows)
    return frame if unit is None else _in_unit(frame, unit)


def _row(record: Any, options: Options | None, prefix: str = "") -> dict[str, Any]:
    """A record flat: records in it by ``outer.inner``, mappings by key, builds by slot; other lists stay."""
    row: dict[str, Any] = {}
    names = [each.name for each in fields(record)]
    names += [name for name, kind in vars(type(record)).items() if isinstance(kind, property)]
    for name in names:
        row |= _cells(f"{prefix}{name}", getattr(record, name), options)
    if isinstance(record, BuildCard):
        lists = ("changes", "bill", "tires", "runs", "problems")
        row = {key: value for key, value in row.items() if key.split(".")[0] not in lists}
        hardest = max(record.runs, key=lambda run: run.rpm_last)
        row |= {"gear": hardest.gear, "rpm_last": hardest.rpm_last, "grip_use": hardest.grip_use}
        row |= {"limit": min(record.runs, key=lambda run: run.score_ms).limit}
    return row


def _cells(name: str, value: Any, options: Options | None) -> dict[str, Any]:
    """The columns that one value makes."""
    if isinstance(value, np.ndarray):
        value = {} if options is None or value.shape != (len(options.slots),) else options.decode(value)
    if isinstance(value, Options):
        value = {}
    if is_dataclass(value) and not isinstance(value, type):
        return _row(value, options, f"{name}.")
    if isinstance(value, Mapping):
        found: dict[str, Any] = {}
        for key, each in value.items():
            found |= _cells(f"{name}.{key}", each, options)
        return found
    return {name: value.item() if isinstance(value, np.generic) else value}


def _in_unit(frame: pd.DataFrame, unit: str) -> pd.DataFrame:
    """The frame with its columns of speeds in another unit."""

    def converted(value: Any) -> Any:
        return value if value is None or (isinstance(value, float) and math.isnan(value)) else to_unit(
            value, unit, "speed"
        )

    speeds = [name for name in frame.columns if str(name).endswith("_ms")]
    changed = frame.assign(**{name: frame[name].map(converted) for name in speeds})
    tail = unit.replace("/", "")
    return changed.rename(columns={name: f"{str(name).removesuffix('_ms')}_{tail}" for name in speeds})
