"""Tables of numbers over time: samples in order of time, in stretches that belong together."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.measured.cells import clock, direction
from optimizer.measured.records import FloatArray
from optimizer.measured.sheets import GAPS, Sheet
from optimizer.scenario.findings import Findings

IntArray = npt.NDArray[np.int64]

HEADINGS = 8
"""Samples in a row with a heading the other way that make a turn."""
FEW_FAULTS = 3
"""Cells of one column that are named one by one; the rest of them is counted."""
Way = float | bool | None
"""Direction of travel: degrees, or whether it is against the course; None where nothing is known."""
DAY_S = 86400.0
DISORDER = 5.0
"""Steps of time by which neighboring samples may have changed places; what falls back further begins anew."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Samples in rising order of time: arrays (n,), NaN where a column has a gap.

    ``label`` is the text of the column ``pass``, ``way`` the direction of travel: degrees, or whether it is against the
    course; None where neither is known. ``rows`` are the rows of the file.
    """

    label: str
    way: Way
    time_s: FloatArray
    columns: dict[str, FloatArray]
    rows: IntArray

    def part(self, samples: slice) -> Stretch:
        """Some of it."""
        columns = {name: values[samples] for name, values in self.columns.items()}
        return Stretch(self.label, self.way, self.time_s[samples], columns, self.rows[samples])


def numbers(sheet: Sheet, name: str, findings: Findings) -> FloatArray:
    """A column as numbers, one a row; NaN for a gap, and with a fault for what is no number."""
    values = np.full(len(sheet.rows), np.nan)
    faults = []
    for place, row in enumerate(sheet.rows):
        text = sheet.text(row, name)
        if text.lower() in GAPS:
            continue
        try:
            seconds = clock(text) if name == "time" else None
            number = sheet.parsed(text, name, findings) if seconds is None else seconds
            values[place] = np.nan if number is None else number
        except ValueError as fault:
            faults.append((row, text, str(fault)))
    for place, (row, text, complaint) in enumerate(faults[:FEW_FAULTS]):
        more = len(faults) - FEW_FAULTS
        end = f"; so do {more:,} more of this column" if more > 0 and place == FEW_FAULTS - 1 else ""
        sheet.fault(findings, row, name, text, complaint + end)
    return values


def drop_end_lines(sheet: Sheet, name: str, findings: Findings) -> None:
    """Take lines of text away that a logger wrote below the numbers; `name` is the column that every sample has."""
    kept = len(sheet.rows)
    while kept and not _is_sample(sheet.text(sheet.rows[kept - 1], name)):
        if len(sheet.rows[kept - 1].filled) > 2:
            break
        kept -= 1
    if kept < len(sheet.rows) and kept:
        lines = "; ".join(f"{', '.join(row.filled)!r} (row {row.number})" for row in sheet.rows[kept:])
        findings.notices.append(f"{sheet.file}: below the table, nothing was done with {lines}")
        sheet.rows = sheet.rows[:kept]


def check_samples(sheet: Sheet, name: str, findings: Findings) -> None:
    """Note what cannot be read in any column of a table; `name` is the column that every sample has."""
    drop_end_lines(sheet, name, findings)
    for each, column in sheet.columns.items():
        if column.field.is_number:
            numbers(sheet, each, findings)
    _ways(sheet, findings)


def _is_sample(text: str) -> bool:
    return clock(text) is not None or any(each.isdigit() for each in text[:2])


def stretches_of(sheet: Sheet, findings: Findings) -> list[Stretch]:
    """Samples of a file, split where pass or direction change and where time begins anew."""
    drop_end_lines(sheet, "time", findings)
    columns = {name: numbers(sheet, name, findings) for name in sheet.columns if sheet.columns[name].field.is_number}
    time = _through_midnight(columns.pop("time"), sheet)
    labels = _carried([sheet.text(row, "pass") for row in sheet.rows])
    ways = _ways(sheet, findings)
    rows = np.array([row.number for row in sheet.rows], dtype=np.int64)
    _note_timeless(sheet, time, columns, findings)
    kept = np.flatnonzero(np.isfinite(time))
    edges = [k for k in range(1, len(kept)) if labels[kept[k]] != labels[kept[k - 1]]]
    edges += _turns([ways[k] for k in kept])
    found: list[Stretch] = []
    for start, end in itertools.pairwise(sorted({0, *edges, len(kept)})):
        block = kept[start:end]
        picked = {name: values[block] for name, values in columns.items()}
        way = _mean_way([ways[k] for k in block], picked.get("speed"))
        whole = Stretch(labels[block[0]], way, time[block], picked, rows[block])
        found += [_one_a_moment(each, sheet, findings) for each in _in_order(whole, sheet, findings)]
    return found


def _through_midnight(time: FloatArray, sheet: Sheet) -> FloatArray:
    """Times of day that go on rising past midnight."""
    if not any(clock(sheet.text(row, "time")) is not None for row in sheet.rows):
        return time
    there = np.flatnonzero(np.isfinite(time))
    falls = np.concatenate([[0.0], np.cumsum(np.diff(time[there]) < -DAY_S / 2)]) if len(there) else np.zeros(0)
    later = time.copy()
    later[there] += DAY_S * falls
    return later


def _carried(texts: list[str]) -> list[str]:
    """Texts with blanks filled from above."""
    carried, last = [], ""
    for text in texts:
        last = text or last
        carried.append(last)
    return carried


def _ways(sheet: Sheet, findings: Findings) -> list[Way]:
    """Direction of travel of each row: that of the column, else of the header line."""
    stated = sheet.facts.get("direction")
    if "direction" not in sheet.columns:
        return [stated] * len(sheet.rows)
    ways: list[Way] = []
    seen: dict[str, float | bool] = {}
    for row, text in zip(sheet.rows, _carried([sheet.text(row, "direction") for row in sheet.rows]), strict=True):
        if text and text not in seen:
            try:
                seen[text] = direction(text)
            except ValueError as fault:
                seen[text] = False
                sheet.fault(findings, row, "direction", text, str(fault))
        ways.append(seen.get(text, stated))
    return ways


def _turns(ways: list[Way]) -> list[int]:
    """Places where the direction of travel changes for good: a heading wanders, most of all at a standstill."""
    turns, since, now = [], 0, ways[0] if ways else None
    for place, way in enumerate(ways):
        if _same_way(way, now):
            since = 0
            continue
        since += 1
        lasting = 1 if not _is_heading(way) or not _is_heading(now) else HEADINGS
        if since >= lasting and all(_same_way(each, way) for each in ways[place - since + 1 : place]):
            turns.append(place - since + 1)
            since, now = 0, way
    return turns


def _is_heading(way: Way) -> bool:
    return way is not None and not isinstance(way, bool)


def _same_way(one: Way, other: Way) -> bool:
    """Whether two directions are the same, degrees up to a right angle."""
    if isinstance(one, bool) or isinstance(other, bool) or one is None or other is None:
        return one is other or one == other
    return abs((one - other + 180.0) % 360.0 - 180.0) < 90.0


def _mean_way(ways: list[Way], speed: FloatArray | None) -> Way:
    """The one direction of a stretch; of headings, their mean, the faster samples counting for more."""
    degrees = [way for way in ways if way is not None and not isinstance(way, bool)]
    if len(degrees) < len(ways) or len(set(degrees)) == 1:
        return ways[0]
    weights = np.ones(len(ways)) if speed is None else np.nan_to_num(speed) ** 2
    turned = np.angle(np.sum(weights * np.exp(1j * np.radians(degrees))), deg=True)
    return round(float(turned), 1) % 360.0


def _note_timeless(sheet: Sheet, time: FloatArray, columns: dict[str, FloatArray], findings: Findings) -> None:
    filled = np.zeros(len(time), dtype=bool)
    for values in columns.values():
        filled |= np.isfinite(values)
    lost = np.flatnonzero(filled & ~np.isfinite(time))
    if len(lost):
        first = sheet.rows[int(lost[0])].number
        rows = f"row {first} has" if len(lost) == 1 else f"{len(lost):,} rows, the first of them row {first}, have"
        findings.notices.append(f"{sheet.file}: {rows} no time and {'was' if len(lost) == 1 else 'were'} left out")


def _in_order(whole: Stretch, sheet: Sheet, findings: Findings) -> list[Stretch]:
    """Samples in order of time, apart where it begins anew."""
    steps = np.diff(whole.time_s)
    falls = np.flatnonzero(steps < 0)
    if not len(falls):
        return [whole]
    usual = float(np.median(np.abs(steps[steps != 0])))
    if 4 * len(falls) > len(steps):  # turned round, or sorted by something else
        return [_sorted(whole, sheet, findings)]
    anew = falls[-steps[falls] > DISORDER * usual] + 1
    edges = [0, *anew.tolist(), len(whole.time_s)]
    parts = [whole.part(slice(a, b)) for a, b in itertools.pairwise(edges)]
    return [_sorted(part, sheet, findings) if np.any(np.diff(part.time_s) < 0) else part for part in parts]


def _sorted(stretch: Stretch, sheet: Sheet, findings: Findings) -> Stretch:
    order = np.argsort(stretch.time_s, kind="stable")
    first = int(stretch.rows[1:][np.diff(stretch.time_s) < 0][0])
    findings.notices.append(f"{sheet.file}: row {first} and others are not in order of time; they were put in order")
    columns = {name: values[order] for name, values in stretch.columns.items()}
    return Stretch(stretch.label, stretch.way, stretch.time_s[order], columns, stretch.rows[order])


def _one_a_moment(stretch: Stretch, sheet: Sheet, findings: Findings) -> Stretch:
    """Samples of the same time as one: each column has its mean, so that columns of different rates come together."""
    time, first, group = np.unique(stretch.time_s, return_index=True, return_inverse=True)
    if len(time) == len(stretch.time_s):
        return stretch
    columns, clashes = {}, 0
    for name, values in stretch.columns.items():
        there = np.isfinite(values)
        count = np.bincount(group[there], minlength=len(time))
        total = np.bincount(group[there], weights=values[there], minlength=len(time))
        columns[name] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
        clashes = max(clashes, int(np.sum(count > 1)))
    if clashes:
        row = int(stretch.rows[np.flatnonzero(np.diff(stretch.time_s) == 0)[0] + 1])
        findings.notices.append(
            f"{sheet.file}: {clashes:,} times stand there more than once, as in row {row}; samples of one time were "
            "made one, their mean"
        )
    return Stretch(stretch.label, stretch.way, time, columns, stretch.rows[first])
