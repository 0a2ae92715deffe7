"""Evidence on big catalogs: how long it takes to make and to check, and how large it is. Prints JSON.

Usage: ``python -m tests.benchmarks.evidence [SIZE ...] [--families front rear] [--top 10]``; sizes of `big_catalogs`.
"""

from __future__ import annotations

import argparse
import json
import time
from typing import Any

from optimizer.recheck.asking import Asked, Case
from optimizer.recheck.certifying import certify
from optimizer.recheck.checking import Checker
from optimizer.recheck.evidence import as_json
from optimizer.recheck.halves import may_copy
from optimizer.search.study import Study
from tests.benchmarks.big_catalogs import FAMILIES, big_catalog
from tests.benchmarks.scale import versions


def one(size: str, family: Any, top: int) -> dict[str, Any]:
    """Rank, make evidence of the list, and check it; the check begins with nothing but the scenario.

    It goes through half of the groups in a copy of the process, as the command does, where that may be made.
    """
    scenario = big_catalog(size, family)
    begun = time.perf_counter()
    builds = Study.of(scenario).best(top, budget_cents=scenario.event.budget_cents).builds[:top]
    ranked = time.perf_counter()
    evidence = certify(Case(scenario, Asked(top)), builds, "")
    made = time.perf_counter()
    verdict = Checker(Case(scenario, Asked(top)), evidence).verdict(copied=may_copy())
    checked = time.perf_counter()
    return {
        "size": size, "drive": family, "top": top, "complete": evidence.complete, "why_not": evidence.why_not,
        "faults": list(verdict.faults), "drive_sets": verdict.sets, "opened": verdict.opened, "tried": verdict.tried,
        "kB": round(len(as_json(evidence)) / 1000), "rank_s": round(ranked - begun, 1),
        "make_s": round(made - ranked, 1), "check_s": round(checked - made, 1),
    }  # fmt: skip


def main() -> None:
    """Rows for sizes and drive layouts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sizes", nargs="*", default=["8x40", "12x60"])
    parser.add_argument("--families", nargs="+", default=["front", "rear"], choices=FAMILIES)
    parser.add_argument("--top", type=int, default=10)
    asked = parser.parse_args()
    rows = [one(size, family, asked.top) for size in asked.sizes for family in asked.families]
    print(json.dumps({"versions": versions(), "rows": rows}, indent=1))


if __name__ == "__main__":
    main()
