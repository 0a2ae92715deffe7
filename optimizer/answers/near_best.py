"""Builds near the best that are worth choosing from: those too close to call with it, and the best without its choices.

And what is better than such a build in every way, though told apart from the best: a build of other tires may be too
close to call where a faster and cheaper one is not, for less is known of it.

What is too close to call is known only of builds that searches met. The best build, and the best without each of its
main choices, are complete answers, however many others there are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.answers.closeness import Band, closeness, too_close_to
from optimizer.answers.same_car import main_slots
from optimizer.answers.swaps import MATTERS_MS
from optimizer.choice.options import BoolArray, IntArray
from optimizer.run.judge import order_keys, speed_steps
from optimizer.search.memory import Known
from optimizer.search.ranking import Ranking
from optimizer.search.state import Progress
from optimizer.search.study import Study
from optimizer.units import from_unit

WINDOW_MS = from_unit(1.0, "mph", "speed")
"""Builds slower than the fastest by more are no candidates, however little is known about them."""
ASKED = 10
"""Best builds that are asked for to begin with: the search for them, and around them, meets hundreds of others near."""
MOST_CANDIDATES = 1000
"""Builds that are compared with the fastest; where a cap holds the speed there may be many more."""
MOST_COMPARED, LIKELIEST, LOT = 200, 16, 64
"""Builds that are all compared with the best: where a cap holds the speed there may be thousands. How many of the most
careful and of the cheapest near it are compared together with these, and how many at once where none of them will do: a
comparison takes its time, however few are compared."""


@dataclass(frozen=True, slots=True)
class NearBest:
    """What may be chosen from.

    Attributes
    ----------
    known : Known
        The candidates, the fastest first.
    bands : tuple of Band
        The fastest against each candidate, itself included.
    left_out : int
        Known builds in the window that were not looked at.
    closed : bool
        Whether each search used ruled out by argument everything it did not list.
    """

    known: Known
    bands: tuple[Band, ...]
    left_out: int
    closed: bool


def near_best(
    study: Study,
    budget_cents: int | None,
    window_ms: float = WINDOW_MS,
    *,
    ask_without: bool = True,
    progress: Progress | None = None,
) -> NearBest:
    """Known builds within a window of the fastest [m/s] that are too close to call, or slower by what does not matter.

    And those that are no worse than one of these in any way (`_no_worse`).

    The best without each main choice is there too, if it is in the window: its band says whether it is too close. That
    takes a search each, unless it is not to be asked (``ask_without``).
    """
    tell = progress or (lambda _what, _share: None)
    alternatives, closed = _searched(study, budget_cents, tell, ask_without=ask_without)
    tell("comparing what is close", 0.9)
    known = known_builds(study, budget_cents)
    known = known.take(known.speed_ms >= known.speed_ms.max(initial=0.0) - window_ms)
    if len(known.builds) == 0:
        return NearBest(known, (), 0, closed)
    looked_at = known.take((np.arange(len(known.builds)) < MOST_CANDIDATES) | _rows_in(known.builds, alternatives))
    bands = closeness(study, looked_at.builds[0], looked_at.builds)
    close = np.array([each.too_close or abs(each.difference_ms) < MATTERS_MS for each in bands])
    close |= _rows_in(looked_at.builds, alternatives)
    rows = np.flatnonzero(close | _no_worse(study, looked_at, close))
    left_out = len(known.builds) - len(looked_at.builds)
    return NearBest(looked_at.take(rows), tuple(bands[row] for row in rows), left_out, closed)


def _searched(
    study: Study, budget_cents: int | None, tell: Progress, *, ask_without: bool
) -> tuple[IntArray, bool]:
    """Search the best builds, and the best without each main choice of the best: these (n, S), and whether all closed.

    Only choices that differ from the part now fitted are asked about.
    """
    best = study.best(
        ASKED, budget_cents=budget_cents, around=True, progress=lambda what, share: tell(what, 0.4 * share)
    )  # fmt: skip
    found, closed = best.builds[:0], bool(best.evidence.closed)
    if best.listed == 0 or not ask_without:
        return found, closed
    options = study.options
    asked = [int(s) for s in main_slots(options) if best.builds[0, s] != 0]
    for number, s in enumerate(asked):
        part = f"{options.slots[s].name}={options.parts[s][int(best.builds[0, s])].id}"
        tell(f"best build without {part}", 0.4 + 0.5 * number / len(asked))
        without = study.best(budget_cents=budget_cents, without_parts=(part,))
        closed &= bool(without.evidence.closed)
        found = np.concatenate([found, without.builds[: without.listed]])
    return found, closed


def known_builds(study: Study, budget_cents: int | None) -> Known:
    """All legal builds within a budget that the study has met, in the total order."""
    known = study.memory.within(study.legality, study.book, np.inf if budget_cents is None else budget_cents)
    return known.take(order_keys(study.options, known.builds, known.speed_ms, known.care, known.cents))


def _no_worse(study: Study, known: Known, than: BoolArray) -> BoolArray:
    """Which of some builds are no worse than one of those marked (n,) in all they are compared by: (n,).

    That is speed, price, margin, own hours, and how many slots are changed; steps are those that count.
    """
    changes = (known.builds != study.options.fitted).sum(axis=1)
    worth = [speed_steps(known.speed_ms), -known.cents, np.round(known.care, 3), -np.round(known.hours, 6), -changes]
    others = np.flatnonzero(than)
    found = [each[:, None] >= each[None, others] for each in map(np.asarray, worth)]
    return np.asarray(np.logical_and.reduce(found).any(axis=1))


def _rows_in(builds: IntArray, wanted: IntArray) -> BoolArray:
    """Which builds (n, S) are among those wanted (m, S): (n,)."""
    keys = {row.tobytes() for row in np.ascontiguousarray(wanted)}
    return np.array([row.tobytes() in keys for row in np.ascontiguousarray(builds)], dtype=np.bool_)


@dataclass(frozen=True, slots=True)
class Ends:
    """Builds near the best of a ranking.

    Attributes
    ----------
    met : int
        How many are in the window, the best itself included.
    close : bool array (n,)
        Which of the n fastest of all are too close to call with the best: all listed are among them.
    careful, cheapest : int
        Rows of those too close to call, of all in the window, that have the largest margin and the lowest price.
    """

    met: int
    close: BoolArray
    careful: int
    cheapest: int


def near_the_best(study: Study, ranking: Ranking) -> Ends:
    """Compare the fastest builds that were met with the best, all that are listed among them.

    The most careful and the cheapest that are too close to call are looked for among all within the window.
    """
    met = max(int((ranking.speed_ms >= ranking.speed_ms[0] - WINDOW_MS).sum()), 1)
    # who has ended the search is waiting: only what is listed is compared
    window = ranking.listed if ranking.evidence.interrupted else max(min(met, MOST_CANDIDATES), ranking.listed)
    compared = max(min(window, MOST_COMPARED), ranking.listed)
    ends = [np.argsort(each[:window], kind="stable") for each in (-np.round(ranking.care, 3), ranking.cents)]
    asked = np.zeros(window, dtype=np.bool_)
    asked[:compared] = True
    for end in ends:
        asked[end[:LIKELIEST]] = True
    close = np.zeros(window, dtype=np.bool_)
    close[0] = True

    def ask(rows: IntArray) -> None:
        if len(rows):
            close[rows] = too_close_to(study, ranking.builds[0], ranking.builds[rows])
            asked[rows] = True

    ask(np.flatnonzero(asked)[1:])

    def first(end: IntArray) -> int:
        """The first row of an order that is too close to call."""
        while True:
            place = int(np.argmax(close[end]))
            unknown = end[:place][~asked[end[:place]]]
            if len(unknown) == 0:
                return int(end[place])
            ask(unknown[:LOT])

    careful, cheapest = (first(end) for end in ends)
    return Ends(met, close[:compared], careful, cheapest)
