"""The verdict on a file of evidence in plain sentences."""

from __future__ import annotations

import json
import math
import textwrap

from optimizer.recheck.checking import Verdict
from optimizer.units import to_unit

WIDTH = 79


def verdict_text(verdict: Verdict) -> str:
    """What was confirmed, or every fault that was found."""
    if verdict.faults:
        count = len(verdict.faults)
        head = f"The evidence does not hold: {count} fault{'' if count == 1 else 's'}."
        return "\n".join([head, *(f"  {fault}" for fault in verdict.faults)]) + "\n"
    listed = (
        f"{_question(verdict)}\n"
        f"{_count(verdict.listed, 'build')} confirmed: legal by a second reading of the rules; prices, speeds and "
        "order as listed."
    )
    if not verdict.complete:
        return _wrapped(f"{listed}\nThat nothing faster was left out is not shown: {verdict.why_not}.\n")
    if verdict.kth_ms == 0:
        return _wrapped(f"{listed}\nNo other build is legal: {verdict.tried:,} that money and rules left were tried.\n")
    unit = verdict.speed_unit
    speeds = [f"{to_unit(ms, unit, 'speed'):.4f} {unit}" for ms in (verdict.kth_ms, verdict.highest_ms)]
    bounded = verdict.sets - verdict.opened
    return _wrapped(
        f"{listed}\nNothing faster than the last of them, {speeds[0]}, was left out: of {verdict.sets:,} drive "
        f"sets in {verdict.groups:,} groups {bounded:,} cannot reach it by bound, rules or money (highest bound "
        f"{speeds[1]}), and {verdict.opened:,} were looked into.\n"
        f"{_count(verdict.tried, 'build')} that no bound rules out: each was tried, and is slower, not legal, or "
        "listed.\n"
    )


def _question(verdict: Verdict) -> str:
    """What the file answers: another question has other builds that are fastest."""
    asked = verdict.asked
    money = "the event's budget" if asked.budget_cents is None else f"{asked.budget_cents / 100:,.2f}"
    told = [f"The {_count(asked.top, 'fastest build')} for {money}"]
    told += [f"{what} {name}" for what, name in (("class", asked.race_class), ("salt", asked.salt)) if name is not None]
    wishes = (("with", asked.with_parts), ("without", asked.without_parts))
    told += [f"{how} {', '.join(ids)}" for how, ids in wishes if ids]
    return f"{', '.join(told)}:"


def _wrapped(text: str) -> str:
    """Lines of a terminal's width."""
    lines = [textwrap.fill(line, WIDTH, break_long_words=False, break_on_hyphens=False) for line in text.splitlines()]
    return "\n".join(lines) + "\n"


def verdict_json(verdict: Verdict) -> str:
    """The same as a document; speeds in meters per second."""
    document = {
        "schema": 1,
        "answer": "recheck",
        "question": {
            "top": verdict.asked.top,
            "budget_cents": verdict.asked.budget_cents,
            "class": verdict.asked.race_class,
            "salt": verdict.asked.salt,
            "with": list(verdict.asked.with_parts),
            "without": list(verdict.asked.without_parts),
        },
        "holds": not verdict.faults,
        "faults": list(verdict.faults),
        "complete": verdict.complete,
        "why_not_complete": verdict.why_not,
        "builds_listed": verdict.listed,
        "tire_gear_engine_combinations": verdict.sets,
        "groups": verdict.groups,
        "looked_into": verdict.opened,
        "builds_tried": verdict.tried,
        "last_listed_m_s": _finite(verdict.kth_ms),
        "highest_bound_left_out_m_s": _finite(verdict.highest_ms),
    }
    return json.dumps(document, indent=2, allow_nan=False) + "\n"


def _finite(speed_ms: float) -> float | None:
    return round(speed_ms, 5) if math.isfinite(speed_ms) else None


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"
