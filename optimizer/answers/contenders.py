"""Builds among which is chosen when more counts than the speed at the stated values.

The fastest come from a complete search: what it does not list is slower than the last it lists, and by how much is
known. Others that searches met stand for what lies outside: of each different main choice the fastest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.answers.near_best import known_builds
from optimizer.answers.same_car import main_slots
from optimizer.choice.options import IntArray
from optimizer.run.judge import SPEED_STEP_MS
from optimizer.search.memory import Known
from optimizer.search.state import Progress
from optimizer.search.study import Study
from optimizer.units import from_unit

LISTED, OTHERS = 30, 30
WINDOW_MS = from_unit(1.5, "mph", "speed")
"""Others that are slower than the fastest by more are left out."""


@dataclass(frozen=True, slots=True)
class Contenders:
    """Legal builds within the budget.

    Attributes
    ----------
    known : Known
        The listed in their order, then others, the fastest first.
    listed : int
        How many are listed.
    behind_ms : float
        Every legal build that is not listed is slower than the fastest by at least so much; infinite where all are
        listed.
    closed : bool
        Whether the search was complete, so that the line above is shown by argument.
    """

    known: Known
    listed: int
    behind_ms: float
    closed: bool


def contenders(
    study: Study,
    budget_cents: int | None,
    *,
    listed: int = LISTED,
    others: int = OTHERS,
    progress: Progress | None = None,
) -> Contenders:
    """The fastest builds and some others near them; none where no build is legal."""
    ranking = study.best(listed, budget_cents=budget_cents, progress=progress)
    top = Known(ranking.builds, ranking.speed_ms, ranking.cents, ranking.hours, ranking.care).take(
        np.arange(ranking.listed)
    )
    if ranking.listed < listed:
        return Contenders(top, ranking.listed, np.inf, bool(ranking.evidence.closed))
    behind = float(top.speed_ms[0] - top.speed_ms[-1])
    near = known_builds(study, budget_cents)
    near = near.take(near.speed_ms >= top.speed_ms[0] - WINDOW_MS)
    chosen = _different(study, top.builds, near.builds, others)
    return Contenders(_joined(top, near.take(chosen)), ranking.listed, max(behind - SPEED_STEP_MS, 0.0),
                      bool(ranking.evidence.closed))  # fmt: skip


def _different(study: Study, taken: IntArray, builds: IntArray, most: int) -> IntArray:
    """Rows of builds (n, S), the first of each main choice that none before has, until there are so many."""
    main = list(main_slots(study.options))
    seen = {row.tobytes() for row in np.ascontiguousarray(taken[:, main])}
    rows: list[int] = []
    for number, row in enumerate(np.ascontiguousarray(builds[:, main])):
        if len(rows) == most:
            break
        if row.tobytes() not in seen:
            seen.add(row.tobytes())
            rows.append(number)
    return np.array(rows, dtype=np.int64)


def _joined(first: Known, then: Known) -> Known:
    return Known(
        *(
            np.concatenate([getattr(first, name), getattr(then, name)])
            for name in ("builds", "speed_ms", "cents", "hours", "care")
        )
    )


def with_builds(study: Study, found: Contenders, builds: Sequence[IntArray]) -> Contenders:
    """Contenders with more builds (S,), those of them that are legal at the stated values and not there yet."""
    seen = {row.tobytes() for row in np.ascontiguousarray(found.known.builds)}
    new = {row.tobytes(): row for row in builds if row.tobytes() not in seen}
    if not new:
        return found
    rows = np.stack(list(new.values()))
    runs = study.judge.runs(rows)
    judged, prices = study.judge.judge(rows, runs), study.book.price(rows)
    more = Known(rows, study.judge.joined(runs), prices.cents, prices.hours, judged.care)
    return replace(found, known=_joined(found.known, more.take(judged.legal & study.legality.allowed(rows))))
