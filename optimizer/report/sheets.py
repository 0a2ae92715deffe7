"""Answers as CSV sheets that are safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence

from optimizer.pipeline import RankResult
from optimizer.report.wording import Words
from optimizer.units import to_unit

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What a spreadsheet may take as the start of a formula, full-width signs included."""
BLANKS = " \u00a0\u200b\ufeff"
"""What may stand before one without being seen."""
Cell = str | int | float | None


def defused(cell: Cell) -> Cell:
    """A cell that no spreadsheet runs: text that would start a formula gets an apostrophe first. Numbers stay."""
    if not isinstance(cell, str):
        return cell
    start = cell.lstrip(BLANKS)
    return f"'{cell}" if start.startswith(FORMULA_STARTS) or cell.startswith(FORMULA_STARTS) else cell


def csv_text(headers: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """A sheet: a header and rows, every text cell defused, with the mark by which spreadsheets know the encoding."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([defused(each) for each in headers])
    writer.writerows([defused(each) for each in row] for row in rows)
    return "\ufeff" + out.getvalue()


def ranking_csv(result: RankResult) -> str:
    """The ranked builds, a row each, with a column for the part in each slot."""
    words = Words(result.scenario)
    unit = words.unit
    slots = [slot.name for slot in result.scenario.car.slots]
    headers = [
        "place", f"speed [{unit}]", f"over what takes the record [{unit}]", f"price [{result.scenario.event.currency}]",
        "own hours", "told apart from 1", "limited by", "gear", "last board [rpm]", "rev limit [rpm]",
        f"last board [{unit}]", "grip used [%]", f"longest stop [{'km' if words.metric else 'mi'}]", "rotor heat [%]",
        "left of what is tightest [%]", *slots, *(f"{slot}, name" for slot in slots),
    ]  # fmt: skip
    rows: list[list[Cell]] = []
    for place, (card, apart) in enumerate(zip(result.builds, result.told_apart, strict=True), 1):
        slowest = min(card.runs, key=lambda run: run.score_ms)
        hardest = max(card.runs, key=lambda run: run.rpm_last)
        stop = max(card.stop.distances_m.values())
        rows.append(
            [
                place, _speed(words, card.speed_ms), _speed(words, card.speed_ms - card.planned_ms),
                None if card.cents is None else card.cents / 100,
                None if card.bill is None else round(card.bill.hours, 2),
                "yes" if apart else "number 1" if place == 1 else "too close to call", slowest.limit, hardest.gear,
                round(hardest.rpm_last), round(card.rev_limit_rpm),
                _speed(words, max(run.exit_ms for run in card.runs)),
                round(100 * max(run.grip_use for run in card.runs), 1),
                round(to_unit(stop, "km" if words.metric else "mi", "distance"), 3),
                None if math.isnan(card.stop.rise_share) else round(100 * card.stop.rise_share, 1),
                round(100 * card.care, 2),
                *(card.build[slot] for slot in slots),
                *(_name(words, card.build[slot]) for slot in slots),
            ]
        )  # fmt: skip
    return csv_text(headers, rows)


def _speed(words: Words, speed_ms: float) -> float:
    return round(to_unit(speed_ms, words.unit, "speed"), 3)


def _name(words: Words, part_id: str) -> str:
    part = words.scenario.parts.get(part_id)
    return "" if part is None else part.name
