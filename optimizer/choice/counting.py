"""What is added up to price a build: tables by slot and option, and by number of pieces for shared parts.

A part that only one slot takes and no kit holds costs the same whatever else is chosen: it is priced in its
slot's table. All others are counted over the whole build first; each has a column.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.choice.options import BoolArray, FloatArray, IntArray, Options
from optimizer.choice.purchase import KitGroup, packs_needed
from optimizer.errors import UsageError
from optimizer.scenario.parts import NONE_ID, Part

MaskArray = npt.NDArray[np.uint64]

MOST_JOBS = 64
"""Bits of a job mask."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotTable:
    """What the options of one slot add by themselves.

    Attributes
    ----------
    count : int
        Pieces the slot takes.
    cents, hours : IntArray and FloatArray, (m,)
        Fitting that no kit can save; buying, if only this slot takes the part; less what the fitted part
        brings, if only this slot takes that.
    available : BoolArray, (m,)
        False where a part that only this slot takes cannot be bought.
    jobs : MaskArray, (m,)
        Jobs the option needs.
    used_column : IntArray, (m,)
        Column in which the part's pieces are counted; a spare last one where they are not.
    fit_column : IntArray, (m,)
        Column in which pieces are counted that a kit may bring mounted; a spare last one where they are not.
    """

    count: int
    cents: IntArray
    hours: FloatArray
    available: BoolArray
    jobs: MaskArray
    used_column: IntArray
    fit_column: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class CostTables:
    """Everything that is summed, as arrays.

    Attributes
    ----------
    slots : tuple of SlotTable, (S,)
    columns, fit_columns : mapping of str to int
        Part id to column: of the U parts counted over the build, of the F parts a kit may bring mounted.
    owned : IntArray, (U,)
        Pieces owned of the parts counted.
    starts : IntArray, (U,)
        ``starts[u] + k`` is the place of "k pieces of part u are used" in the next two.
    number_cents, number_available : IntArray and BoolArray
        Buying by the pack (0 for parts in kits, which are bought together) less resale; whether it can be
        bought.
    fitted : mapping of str to int
        Pieces of each part on the car as it stands.
    job_names, job_cents, job_hours : (J,) each
        Jobs that some change needs, in the order of ``car.toml``; job j is bit j.
    """

    slots: tuple[SlotTable, ...]
    columns: Mapping[str, int]
    fit_columns: Mapping[str, int]
    owned: IntArray
    starts: IntArray
    number_cents: IntArray
    number_available: BoolArray
    fitted: Mapping[str, int]
    job_names: tuple[str, ...]
    job_cents: IntArray
    job_hours: FloatArray


def cost_tables(options: Options, parts: Mapping[str, Part], groups: Sequence[KitGroup]) -> CostTables:
    """Tabulate what options and numbers of pieces cost.

    Parameters
    ----------
    options : Options
    parts : mapping of str to Part
        Every part that may stand in some slot.
    groups : sequence of KitGroup
        The kits that hold any of them.

    Raises
    ------
    UsageError
        If the changes need more than 64 different jobs, or one the car does not know.
    """
    job_names = _job_names(options, parts)
    in_kits = {part.id for group in groups for part in group.parts}
    most: dict[str, int] = {}
    places: dict[str, int] = {}
    for slot, row in zip(options.slots, options.parts, strict=True):
        for part in row:
            most[part.id] = most.get(part.id, 0) + slot.count
            places[part.id] = places.get(part.id, 0) + 1
    counted = [part for part in parts.values() if places[part.id] > 1 or part.id in in_kits]
    columns = {part.id: column for column, part in enumerate(counted)}
    mounted = [p.id for group in groups for p, saves in zip(group.parts, group.mounted, strict=True) if saves]
    fit_columns = {part_id: column for column, part_id in enumerate(mounted)}
    fitted = _fitted_pieces(options)
    cents: list[int] = []
    available: list[bool] = []
    starts: list[int] = []
    for part in counted:
        starts.append(len(cents))
        for used in range(most[part.id] + 1):
            packs = 0 if part.id in in_kits else packs_needed(part, used - part.owned)
            sold = max(0, fitted.get(part.id, 0) - used)
            cents.append((packs or 0) * (part.price_cents or 0) - sold * part.resale_cents)
            available.append(packs is not None)
    jobs = options.scenario.car.jobs
    return CostTables(
        slots=tuple(
            _slot_table(options, s, job_names, columns, fit_columns) for s in range(len(options.slots))
        ),
        columns=columns,
        fit_columns=fit_columns,
        owned=np.array([part.owned for part in counted], dtype=np.int64),
        starts=np.array(starts, dtype=np.int64),
        number_cents=np.array(cents, dtype=np.int64),
        number_available=np.array(available, dtype=np.bool_),
        fitted=fitted,
        job_names=job_names,
        job_cents=np.array([jobs[name].cost_cents for name in job_names], dtype=np.int64),
        job_hours=np.array([jobs[name].hours for name in job_names], dtype=np.float64),
    )


def _job_names(options: Options, parts: Mapping[str, Part]) -> tuple[str, ...]:
    jobs = options.scenario.car.jobs
    needed = {job for slot in options.slots for job in slot.work}
    needed |= {job for part in parts.values() for job in part.work}
    if unknown := sorted(needed - set(jobs)):
        raise UsageError(f"no job is called {unknown[0]!r}; the jobs are {', '.join(jobs) or 'none'}")
    if len(needed) > MOST_JOBS:
        raise UsageError(
            f"the slots and parts need {len(needed)} different jobs; at most {MOST_JOBS} can be kept"
        )
    return tuple(name for name in jobs if name in needed)


def _fitted_pieces(options: Options) -> dict[str, int]:
    pieces: dict[str, int] = {}
    for slot, row in zip(options.slots, options.parts, strict=True):
        if row[0].id != NONE_ID:
            pieces[row[0].id] = pieces.get(row[0].id, 0) + slot.count
    return pieces


def _slot_table(
    options: Options,
    s: int,
    job_names: Sequence[str],
    columns: Mapping[str, int],
    fit_columns: Mapping[str, int],
) -> SlotTable:
    slot, row = options.slots[s], options.parts[s]
    table = SlotTable(
        count=slot.count,
        cents=np.zeros(len(row), dtype=np.int64),
        hours=np.zeros(len(row)),
        available=np.ones(len(row), dtype=np.bool_),
        jobs=np.zeros(len(row), dtype=np.uint64),
        used_column=np.array([columns.get(part.id, len(columns)) for part in row], dtype=np.int64),
        fit_column=np.full(len(row), len(fit_columns), dtype=np.int64),
    )
    for o, part in enumerate(row):
        if o:
            jobs = {*slot.work, *part.work}
            table.jobs[o] = np.uint64(sum(1 << j for j, name in enumerate(job_names) if name in jobs))
            if row[0].id not in columns:
                table.cents[o] -= slot.count * row[0].resale_cents
            if part.id in fit_columns:
                table.fit_column[o] = fit_columns[part.id]
            else:
                table.cents[o] += slot.count * part.fitting_cents
                table.hours[o] += slot.count * part.fitting_hours
        if part.id not in columns and part.id != NONE_ID:
            packs = packs_needed(part, slot.count - part.owned)
            table.cents[o] += (packs or 0) * (part.price_cents or 0)
            table.available[o] = packs is not None
    return table
