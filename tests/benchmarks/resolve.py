"""A changed question against the same one asked cold: time, and whether the answer is the same. Prints JSON.

Usage: ``python -m tests.benchmarks.resolve [FOLDER] [--top 1]``. Each question is asked after the best builds for the
event's own budget are known, and once more with nothing known.
"""

from __future__ import annotations

import argparse
import json
import time
from typing import Any

import numpy as np

from optimizer.pipeline import study_of
from optimizer.scenario.reading import read_scenario
from optimizer.search.ranking import Ranking
from optimizer.search.study import Study
from tests.benchmarks.scale import versions

BUDGET_SHARES = (0.67, 0.83, 0.97, 1.1)
BANNED, LOCKED = 3, 3


def timed(study: Study, top: int, question: dict[str, Any]) -> tuple[Ranking, float]:
    """The answer and the seconds it took."""
    begun = time.perf_counter()
    return study.best(top, **question), time.perf_counter() - begun


def questions(study: Study, first: Ranking) -> list[dict[str, Any]]:
    """Other budgets, parts of the best build banned, parts that it lacks locked."""
    budget, options = study.scenario.event.budget_cents, study.options
    best = [options.parts[s][o] for s, o in enumerate(first.builds[0])]
    fitted = {parts[0].id for parts in options.parts}
    bought = [part.id for part in best if part.id not in fitted]
    seen = {options.parts[s][o].id for build in first.builds for s, o in enumerate(build)}
    lacking = sorted(seen - {part.id for part in best} - fitted)
    places = np.linspace(0, len(lacking) - 1, LOCKED).astype(int)
    return [
        *({"budget_cents": int(budget * share)} for share in BUDGET_SHARES),
        *({"budget_cents": budget, "without_parts": (each,)} for each in bought[:BANNED]),
        *({"budget_cents": budget, "with_parts": (lacking[place],)} for place in places),
    ]


def main() -> None:
    """Rows, one a question."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", default="catalogs_demo/thrennel_flat")
    parser.add_argument("--top", type=int, default=1)
    asked = parser.parse_args()
    scenario = read_scenario(asked.folder)
    own = {"budget_cents": scenario.event.budget_cents}
    first, _ = timed(study_of(scenario), asked.top, own)
    rows = []
    for question in questions(study_of(scenario), first):
        cold, cold_s = timed(study_of(scenario), asked.top, question)
        warm_study = study_of(scenario)
        timed(warm_study, asked.top, own)
        warm, warm_s = timed(warm_study, asked.top, question)
        same = np.array_equal(cold.builds[: cold.listed], warm.builds[: warm.listed])
        row = {"question": question, "cold_s": round(cold_s, 2), "warm_s": round(warm_s, 2)}
        rows.append({**row, "ratio": round(warm_s / cold_s, 2), "same": same, "complete": bool(warm.evidence.closed)})
    print(json.dumps({"versions": versions(), "top": asked.top, "rows": rows}, indent=1))


if __name__ == "__main__":
    main()
