"""The verdict on a file of evidence in plain sentences."""

from __future__ import annotations

from optimizer.recheck.checking import Verdict
from optimizer.units import to_unit


def verdict_text(verdict: Verdict) -> str:
    """What was confirmed, or every fault that was found."""
    if verdict.faults:
        count = len(verdict.faults)
        head = f"The evidence does not hold: {count} fault{'' if count == 1 else 's'}."
        return "\n".join([head, *(f"  {fault}" for fault in verdict.faults)]) + "\n"
    listed = (
        f"{_count(verdict.listed, 'build')} confirmed: legal by a second reading of the rules; prices, speeds and "
        "order as listed."
    )
    if not verdict.complete:
        return f"{listed}\nThat nothing faster was left out is not shown: {verdict.why_not}.\n"
    if verdict.kth_ms == 0:
        return f"{listed}\nNo other build is legal: {verdict.tried:,} that money and rules left were tried.\n"
    speeds = [f"{to_unit(ms, 'mph', 'speed'):.4f}" for ms in (verdict.kth_ms, verdict.highest_ms)]
    bounded = verdict.sets - verdict.opened
    return (
        f"{listed}\nNothing faster than the last of them, {speeds[0]} mph, was left out: of {verdict.sets:,} drive "
        f"sets in {verdict.groups:,} groups {bounded:,} cannot reach it by bound, rules or money (highest bound "
        f"{speeds[1]} mph), and {verdict.opened:,} were looked into.\n"
        f"{_count(verdict.tried, 'build')} that no bound rules out: each was tried, and is slower, not legal, or "
        "listed.\n"
    )


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"
