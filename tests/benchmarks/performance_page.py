"""Writes docs/performance.md: ``python -m tests.benchmarks.performance_page scale.json [more.json] peers.json``.

The files are what `scale` and `peers` print. Nothing is measured here and nothing is left out: runs that did not
finish and methods that did better than the ranking stand in the tables like the others.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from optimizer.units import to_unit

PAGE = Path(__file__).parent.parent.parent / "docs" / "performance.md"
PROGRAMS = ("python", "numpy", "scipy", "highspy", "pymoo", "ortools")
CLOSED = {True: "yes", False: "no", None: "not asked"}
NAMES = {
    "saltmile": "saltmile rank, best build", "genetic": "genetic algorithm (pymoo), with repair",
    "evolution": "differential evolution (scipy), with penalty", "highs": "no-good loop on HiGHS, linear scores",
    "cp_sat": "no-good loop on CP-SAT, linear scores", "enumeration": "enumeration in blocks",
}  # fmt: skip


def table(head: tuple[str, ...], rows: list[tuple[Any, ...]]) -> str:
    """A table of the page; nothing in a cell that has nothing."""
    lines = [head, tuple("---" for _ in head), *rows]
    return "\n".join("| " + " | ".join("" if each is None else str(each) for each in line) + " |" for line in lines)


def mph(speed_ms: float | None) -> str | None:
    """A speed to a hundredth, or nothing."""
    return f"{to_unit(speed_ms, 'mph', 'speed'):.2f}" if speed_ms else None


def wall(row: dict[str, Any]) -> str:
    """Wall time, that the guard's was not enough, or what the run died of."""
    if row["finished"]:
        return f"{row['seconds']:.1f} s"
    died = row.get("error", "").strip().splitlines()
    return died[-1] if died else f"not within {row['guard_s']:g} s"


def proof(row: dict[str, Any]) -> str | None:
    """Wall time of the list and its proof alone."""
    return f"{row['proof_seconds']:.1f} s" if row["finished"] else None


def memory(row: dict[str, Any]) -> str:
    """Peak memory of a ranking's process, and of the one beside it."""
    beside = row.get("beside_mb", 0)
    return f"{row['peak_mb']} + {beside}" if beside else f"{row['peak_mb']}"


def scale_rows(document: dict[str, Any]) -> list[tuple[Any, ...]]:
    """One row a ranking."""
    found: list[tuple[Any, ...]] = []
    for row in document["rows"]:
        facts, seen = document["facts"][f"{row['size']} {row['family']}"], row.get("evidence", {})
        found.append((
            row["size"], row["family"], facts["builds"], f"{facts['drive_sets']:,}", row["top"], row["processes"],
            wall(row), proof(row), CLOSED[seen.get("closed")] if row["finished"] else None, seen.get("opened"),
            seen.get("completions"), seen.get("simulations"), memory(row), mph(row.get("top_ms")),
        ))  # fmt: skip
    return found


def where(document: dict[str, Any]) -> str:
    """Where runs that were stopped spent their time."""
    lines = []
    for row in document["rows"]:
        if not row["finished"] and row.get("where"):
            most = [*row["where"]["innermost"].items()][:4]
            busy = ", ".join(f"{name} {100 * share:.0f} %" for name, share in most)
            stage = row["stages"][-1] if row.get("stages") else "before the search"
            run = f"{row['size']}, {row['family']}, top {row['top']}"
            lines.append(f'- {run}: stopped at "{stage}"; mostly in {busy}')
    return "\n".join(lines) or "- every run finished"


def slots_of(document: dict[str, Any]) -> list[tuple[Any, ...]]:
    """Slots of each size, once; they do not depend on the layout."""
    found = {name.split()[0]: facts["slots"] for name, facts in document["facts"].items()}
    return [(size, ", ".join(f"{slot} {n}" for slot, n in slots.items() if n > 1)) for size, slots in found.items()]


def peer_rows(instance: dict[str, Any]) -> list[tuple[Any, ...]]:
    """One row a method."""
    return [
        (NAMES[row["method"]], mph(row["best_ms"]), row.get("regret_mph"), row.get("evaluations"), wall(row),
         row.get("peak_mb"))
        for row in instance["rows"]
    ]  # fmt: skip


def together(scales: list[dict[str, Any]]) -> dict[str, Any]:
    """What several runs of `scale` printed, as one."""
    whole: dict[str, Any] = {"versions": scales[0]["versions"], "facts": {}, "rows": [], "top10_over_top1": {}}
    for each in scales:
        whole["rows"] += each["rows"]
        for name in ("facts", "top10_over_top1"):
            whole[name] |= each[name]
    return whole


def page(scale: dict[str, Any], peers: dict[str, Any]) -> str:
    """The whole page."""
    said = "; ".join(f"{name} {peers['versions'][name]}" for name in PROGRAMS)
    settings, days = peers["settings"], sorted({each["versions"]["date"] for each in (scale, peers)})
    written = (
        "Written by `python -m tests.benchmarks.performance_page` from what `tests.benchmarks.scale` and "
        f"`tests.benchmarks.peers` print. Measured {' and '.join(days)}, one thread each. Versions: {said}."
    )
    growth = "Scenarios of `tests/benchmarks/big_catalogs.py`. Options by slot, the part on the car counted:"
    explained = (
        "A drive set is a legal and affordable combination of engine, gearset, final drive, driven tires, and what "
        "changes their pressure. A whole `rank` looks besides for careful and cheap builds near the best, and at what "
        "is too close to call; the list and its proof alone are timed by themselves, the start of a helper included. "
        "Counts are of the whole."
    )
    pairs = ", ".join(f"{name} {ratio}" for name, ratio in scale["top10_over_top1"].items()) or "no pair finished"
    rules = (
        "Same instance, same simulator in batches, same legality and price. The genetic algorithm and differential "
        f"evolution are given {settings['evaluations']:,} evaluations, the no-good loops {settings['no_goods']} "
        "rounds. The genetic algorithm has a repair that makes builds legal and affordable before they are run. Linear "
        "scores are what single changes of the best known build bring: the loops are told where to look."
    )
    head = (
        "size", "drive", "builds", "drive sets", "top", "processes", "whole rank", "list and proof", "complete",
        "looked into", "completions", "simulations", "MB", "best [mph]",
    )  # fmt: skip
    parts = [
        "# Performance", written, "## Growth with the catalog", growth, table(("size", "options"), slots_of(scale)),
        explained, table(head, scale_rows(scale)),
        f"Time of the first ten over time of the best alone, whole: {pairs}.",
        "Runs that were stopped:", where(scale), "## Against other methods", rules,
    ]  # fmt: skip
    for instance in peers["instances"]:
        parts += [
            f"### {instance['size']}, {instance['family']} drive",
            f"Regret against {instance['against']}. No speed: no build that passes every check was found.",
            table(("method", "best [mph]", "regret [mph]", "evaluations", "time", "MB"), peer_rows(instance)),
        ]
    return "\n\n".join(parts) + "\n"


def main() -> None:
    """Write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scale", type=Path, nargs="+")
    parser.add_argument("peers", type=Path)
    parser.add_argument("--page", type=Path, default=PAGE)
    asked = parser.parse_args()
    *scales, peers = (json.loads(each.read_text(encoding="utf-8")) for each in (*asked.scale, asked.peers))
    asked.page.write_text(page(together(scales), peers), encoding="utf-8")


if __name__ == "__main__":
    main()
