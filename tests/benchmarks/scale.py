"""How the ranking grows with the catalog: ``python -m tests.benchmarks.scale --guard 300 8x40 12x60`` prints JSON.

Every run is a process of its own with a guard on its time. One that is stopped says what it was doing, and in which
functions it was found how often.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import os
import platform
import resource
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from dataclasses import asdict
from datetime import UTC, datetime
from importlib import metadata
from typing import Any

import numpy as np

from optimizer.choice.legality import Legality, legality_of
from optimizer.choice.options import options_of
from optimizer.choice.price import PriceBook
from optimizer.executor import ALLOWED, one_beside
from optimizer.pipeline import Question, RankResult, rank
from optimizer.run.model import RunModel
from optimizer.scenario.event import Scenario
from optimizer.search.sharing import helping
from optimizer.search.studies import Studies
from optimizer.search.study import Study
from tests.benchmarks.big_catalogs import FAMILIES, SIZES, big_catalog

SAMPLE_S = 0.05
GRACE_S = 5.0
"""A process that does not stop when asked (a solver outside Python) is ended after this long."""


class StoppedError(Exception):
    """The guard's time is up."""


class Sampler(threading.Thread):
    """Looks now and then where the main thread is: the innermost function of the package, and who called it."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.inner: Counter[str] = Counter()
        self.outer: Counter[str] = Counter()
        self.main = threading.main_thread().ident

    def run(self) -> None:
        while True:
            time.sleep(SAMPLE_S)
            frame, names = sys._current_frames().get(self.main or 0), []
            while frame is not None:
                module = str(frame.f_globals.get("__name__", ""))
                if module.startswith("optimizer."):
                    names.append(f"{module.removeprefix('optimizer.')}.{frame.f_code.co_name}")
                frame = frame.f_back
            if names:
                self.inner[names[0]] += 1
                self.outer.update(set(names))

    def shares(self) -> dict[str, Any]:
        """Share of the looks that found each function innermost, and anywhere on the way to it."""
        total = max(sum(self.inner.values()), 1)
        return {
            name: {each: round(count / total, 3) for each, count in found.most_common(12)}
            for name, found in (("innermost", self.inner), ("anywhere", self.outer))
        }


def one(size: str, family: Any, top: int) -> None:
    """Rank one scenario in this process, and print one JSON document; the stages go to the error output."""
    sampler, found = Sampler(), dict[str, Any]()

    def stop(*_: Any) -> None:
        raise StoppedError

    signal.signal(signal.SIGTERM, stop)
    stages: list[str] = []

    def tell(what: str, _share: float) -> None:
        if not stages or stages[-1] != what:
            stages.append(what)
            print(f"{time.perf_counter() - start:.1f} {what}", file=sys.stderr, flush=True)

    scenario = big_catalog(size, family)
    start = time.perf_counter()
    sampler.start()
    try:
        with helping(one_beside()) as helper:
            result = rank(scenario, Question(top=top), tell, studies=Studies(helper))
            seconds = time.perf_counter() - start
        beside = _beside_mb()  # of this one; the next may begin as a copy of this process
        found = {
            "seconds": round(seconds, 2), "proof_seconds": round(proof_of(scenario, top, result), 2),
            "beside_mb": beside,
            "finished": True, "top_ms": result.builds[0].speed_ms, "kth_ms": result.builds[-1].speed_ms,
            "cents": result.builds[0].cents, "as_it_stands_ms": result.as_it_stands.speed_ms,
            "best": dict(result.builds[0].build), "evidence": asdict(result.evidence),
        }  # fmt: skip
    except StoppedError:
        found = {"finished": False, "seconds": round(time.perf_counter() - start, 2), "beside_mb": _beside_mb()}
    print(json.dumps({**found, "stages": stages, "where": sampler.shares()}))


def _beside_mb() -> int:
    """Most memory of a process beside this one that has ended."""
    return round(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024)


def proof_of(scenario: Scenario, top: int, result: RankResult) -> float:
    """Seconds from nothing to the list and its proof alone, with a second process of its own that begins with it.

    A whole `rank` looks besides for careful and cheap builds near the best, and at what is too close to call.
    """
    start = time.perf_counter()
    with helping(one_beside()) as helper:
        study = Study.of(scenario, helper=helper)
        found = study.best(top, budget_cents=scenario.event.budget_cents)
        seconds = time.perf_counter() - start
    listed = [study.options.decode(build) for build in found.builds[: found.listed]]
    if not found.evidence.closed or listed != [dict(card.build) for card in result.builds]:
        raise RuntimeError("the list by itself is not complete, or another than that of the whole ranking")
    return seconds


def guarded(arguments: list[str], guard_s: float, processes: int = 1) -> dict[str, Any]:
    """What a module run in a process of its own prints as JSON; stopped when its time is up. With its peak memory.

    It may use so many ``processes``.
    """
    started = time.monotonic()
    lines: list[str] = []
    errors: list[str] = []
    asked, usage = 0.0, None
    with subprocess.Popen(  # noqa: S603
        [sys.executable, "-m", *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, ALLOWED: str(processes)},
    ) as child:
        readers = [
            threading.Thread(target=lambda: lines.extend(child.stdout or []), daemon=True),
            threading.Thread(target=lambda: errors.extend(child.stderr or []), daemon=True),
        ]
        for reader in readers:
            reader.start()
        while usage is None:
            pid, code, spent = os.wait4(child.pid, os.WNOHANG)
            now = time.monotonic()
            if pid:
                child.returncode, usage = os.waitstatus_to_exitcode(code), spent
            elif not asked and now - started > guard_s:
                asked = now
                child.send_signal(signal.SIGTERM)
            elif asked and now - asked > GRACE_S:
                child.kill()
            time.sleep(0.02)
        for reader in readers:
            reader.join(GRACE_S)
    text = "".join(lines)
    text = text[text.find("{") :]  # A solver may print a banner first.
    found: dict[str, Any] = {"finished": False}
    if text.startswith("{"):
        found = json.loads(text)
    elif not asked:
        found["error"] = "".join(errors[-3:])
    whole = round(time.monotonic() - started, 2)
    return {"guard_s": guard_s, "whole_process_s": whole, "peak_mb": round(usage.ru_maxrss / 1024), **found}


def ranked(size: str, family: str, top: int, guard_s: float, processes: int = 1) -> dict[str, Any]:
    """One ranking in a process of its own, which may have another beside it."""
    found = guarded(["tests.benchmarks.scale", "--one", size, family, str(top)], guard_s, processes)
    return {"size": size, "family": family, "top": top, "processes": processes, **found}


def versions() -> dict[str, str]:
    """The day, and the versions of what the numbers depend on."""
    names = ("numpy", "scipy", "highspy", "pymoo", "ortools")
    found = {"date": datetime.now(UTC).date().isoformat(), "python": platform.python_version()}
    for name in names:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "not there"
    return found


def count_drive_sets(legality: Legality, drive_slots: tuple[int, ...], book: PriceBook, budget: int | None) -> int:
    """Combinations over the drive slots that pairs allow and that the cheapest of everything else leaves affordable."""
    bounds, sizes = book.additive_bounds(), legality.options.sizes
    usable = [~out & ok for out, ok in zip(legality.forbidden, bounds.available, strict=True)]
    for _ in range(2):
        for (s, t), out in legality.pairs.items():
            usable[s] = usable[s] & (~out & usable[t][None]).any(axis=1)
            usable[t] = usable[t] & (~out & usable[s][:, None]).any(axis=0)
    left = math.inf if budget is None else float(budget)
    rest = sum(int(bounds.cents[s][usable[s]].min()) for s in range(len(sizes)) if s not in drive_slots)
    chosen = np.zeros((1, 0), dtype=np.int16)
    cents, jobs = np.full(1, float(bounds.fixed_cents + rest)), np.zeros(1, dtype=np.int64)
    for place, s in enumerate(drive_slots):
        options = np.flatnonzero(usable[s])
        row, option = np.repeat(np.arange(len(chosen)), len(options)), np.tile(options, len(chosen))
        keep = np.ones(len(row), dtype=bool)
        for earlier, t in enumerate(drive_slots[:place]):
            a, b = min(s, t), max(s, t)
            if (a, b) in legality.pairs:
                other = chosen[row, earlier]
                keep &= ~(legality.pairs[a, b][other, option] if t < s else legality.pairs[a, b][option, other])
        row, option = row[keep], option[keep]
        chosen = np.column_stack([chosen[row], option.astype(np.int16)])
        cents, jobs = cents[row] + bounds.cents[s][option], jobs[row] | bounds.jobs[s].astype(np.int64)[option]
    cents += sum((float(cost) * ((jobs >> j) & 1) for j, cost in enumerate(bounds.job_cents)), np.zeros(len(jobs)))
    return int((cents <= left).sum())


def facts_of(scenario: Scenario) -> dict[str, Any]:
    """Slot sizes, how many of the options are allowed alone, builds, budget and drive sets."""
    options = options_of(scenario)
    legality, book = legality_of(options), PriceBook(options)
    model = RunModel(options)
    alone = [int((~out).sum()) for out in legality.forbidden]
    names = [slot.name for slot in options.slots]
    budget = scenario.event.budget_cents
    return {
        "slots": dict(zip(names, options.sizes, strict=True)), "allowed_alone": dict(zip(names, alone, strict=True)),
        "builds": f"{math.prod(options.sizes):.2e}", "builds_allowed_alone": f"{math.prod(alone):.2e}",
        "budget": (budget or 0) / 100, "drive_slots": [names[s] for s in model.drive_slots],
        "drive_set_combinations": math.prod(options.sizes[s] for s in model.drive_slots),
        "drive_sets": count_drive_sets(legality, model.drive_slots, book, budget),
    }  # fmt: skip


def ratios(rows: list[dict[str, Any]]) -> dict[str, float]:
    """Time of the first ten over that of the best alone, where both finished."""
    done = {
        (row["size"], row["family"], row["processes"], row["top"]): row["seconds"] for row in rows if row["finished"]
    }
    return {
        f"{size} {family}{' alone' * (processes == 1)}": round(seconds / done[size, family, processes, 1], 2)
        for (size, family, processes, top), seconds in done.items()
        if top == 10 and (size, family, processes, 1) in done
    }


def main() -> None:
    """Run what is asked for, one after the other."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sizes", nargs="*", default=["8x40", "12x60", "14x150"])
    parser.add_argument("--guard", type=float, default=600.0)
    parser.add_argument("--families", nargs="+", default=list(FAMILIES), choices=FAMILIES)
    parser.add_argument("--top", nargs="+", type=int, default=[1, 10])
    parser.add_argument("--processes", nargs="+", type=int, default=[2], help="how many a ranking may use")
    parser.add_argument("--one", nargs=3, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        one(asked.one[0], asked.one[1], int(asked.one[2]))
        return
    unknown = set(asked.sizes) - set(SIZES)
    if unknown:
        parser.error(f"no size {', '.join(sorted(unknown))}; there are {', '.join(SIZES)}")
    rows, facts = [], {}
    for size in asked.sizes:
        for family in asked.families:
            facts[f"{size} {family}"] = facts_of(big_catalog(size, family))
            for top, processes in itertools.product(asked.top, asked.processes):
                rows.append(ranked(size, family, top, asked.guard, processes))
                named = ("size", "family", "top", "processes", "finished", "whole_process_s")
                said = {key: rows[-1][key] for key in named}
                print(json.dumps(said), file=sys.stderr, flush=True)
    print(json.dumps({"versions": versions(), "facts": facts, "rows": rows, "top10_over_top1": ratios(rows)}, indent=1))


if __name__ == "__main__":
    main()
