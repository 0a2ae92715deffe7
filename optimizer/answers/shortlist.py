"""A few builds near the best that really differ, each with what speaks for it: not one car with three brake pads.

Candidates are legal builds that searches met and that are too close to call with the fastest, and the best builds
without each of the fastest's main choices. What speaks for a build is what people argue about: speed, money, margin,
soft salt, changes, own hours; after these, how different it is from those already named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from optimizer.answers.closeness import Band
from optimizer.answers.near_best import WINDOW_MS, near_best
from optimizer.answers.same_car import clones_of, main_slots
from optimizer.answers.swaps import MATTERS_MS, with_single_swaps
from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.errors import UsageError
from optimizer.run.judge import SPEED_STEP_MS, Judge, speed_steps
from optimizer.scenario.event import Event
from optimizer.search.memory import Known
from optimizer.search.state import Progress
from optimizer.search.study import Study
from optimizer.units import nearest_and_all

ArgumentName = Literal[
    "fastest", "cheapest", "most careful", "best on soft salt", "fewest changes", "least own hours", "most different"
]
DRIVE_WEIGHT, OTHER_WEIGHT = 3, 1
"""What a difference counts in a slot of the drive set, and in another that moves the speed."""
LEAST_DIFFERENCE = 3
"""Weight in which a build must differ from all others named where nothing else speaks for it."""


@dataclass(frozen=True, slots=True)
class Argument:
    """What speaks for a build.

    Attributes
    ----------
    name : ArgumentName
    value : float
        Speed [m/s], price [cents], smallest margin, speed on soft salt [m/s], changes, own hours, or the weight in
        which it differs at least from the builds named before.
    better : float
        By how much that is better than the fastest build's, in the same unit, never negative. For the fastest, how
        much faster it is than the fastest candidate that is another car; for the most different the weight in which
        it differs from the fastest.
    instead : mapping of slot to part id
        Parts of the line's build that are changed for it, none of which moves the speed; mostly empty.
    """

    name: ArgumentName
    value: float
    better: float
    instead: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Entry:
    """One build, and those that are the same car for all that matters to speed.

    Attributes
    ----------
    build : mapping of slot to part id
    speed_ms, soft_ms : float
        Speed that counts, on the salt asked about and on soft salt [m/s].
    cents : int
    hours : float
        Own hours.
    care : float
        The smallest of the margins of tire speed, stopping, rotors and revs.
    changes : int
        Slots that differ from the car as it stands.
    arguments : tuple of Argument
    band : Band
        How well the lead of the fastest build on this one is known.
    differs : tuple of str
        Slots that differ from the fastest and matter: main choices, and those whose difference moves its speed.
    choices : mapping of slot to tuple of part id
        Where other parts serve equally, each put in alone: legal, within the budget, the speed the same; the build's
        own first, then the cheapest.
    least_cents : int
        Price of the cheapest candidate that is the same car.
    least_instead : mapping of slot to part id
        What that one has in place of this build's parts.
    """

    build: Mapping[str, str]
    speed_ms: float
    soft_ms: float
    cents: int
    hours: float
    care: float
    changes: int
    arguments: tuple[Argument, ...]
    band: Band
    differs: tuple[str, ...]
    choices: Mapping[str, tuple[str, ...]]
    least_cents: int
    least_instead: Mapping[str, str]

    @property
    def names(self) -> tuple[ArgumentName, ...]:
        """Names of its arguments."""
        return tuple(each.name for each in self.arguments)


@dataclass(frozen=True, slots=True)
class Shortlist:
    """Builds that really differ, the fastest first; none where no build is legal.

    Attributes
    ----------
    entries : tuple of Entry
        As many as were asked for, or fewer where there are no more that differ.
    window_ms : float
        How much slower than the fastest a candidate may be.
    soft_salt : str
        Condition of the salt that counts as soft.
    candidates : int
        Builds that were chosen from.
    left_out : int
        Known builds in the window that were not looked at, slower ones, where there are too many.
    closed : bool
        Whether each search used ruled out by argument everything it did not list. The fastest, and the best without
        each main choice, are then complete answers; for the rest the candidates are those that searches met.
    """

    entries: tuple[Entry, ...]
    window_ms: float
    soft_salt: str
    candidates: int
    left_out: int
    closed: bool


@dataclass(frozen=True, slots=True)
class _Pick:
    """A candidate that has been picked, and its arguments."""

    row: int
    arguments: tuple[Argument, ...]


def shortlist(
    study: Study,
    count: int,
    *,
    budget_cents: int | None,
    soft_salt: str | None = None,
    window_ms: float = WINDOW_MS,
    ask_without: bool = True,
    progress: Progress | None = None,
) -> Shortlist:
    """Up to ``count`` builds that really differ, for a budget (None: any money).

    Candidates come from all that the study has met: one that was asked more before may know more.

    Parameters
    ----------
    study : Study
    count : int
    budget_cents : int or None
    soft_salt : str, optional
        Condition of the salt that counts as soft; the one with the highest rolling coefficient when left out.
    window_ms : float
        How much slower than the fastest a candidate may be [m/s].
    ask_without : bool
        Whether the best builds without each main choice of the fastest are searched for: each search takes nearly as
        long as that for the fastest. Otherwise candidates are what was met on the way to that.
    progress : callable, optional

    Raises
    ------
    UsageError
        If the event knows no such salt.
    ValueError
        If fewer than one build is asked for.
    """
    if count < 1:
        msg = "a shortlist has at least one build"
        raise ValueError(msg)
    soft = soft_salt_of(study.scenario.event, soft_salt)
    near = near_best(study, budget_cents, window_ms, ask_without=ask_without, progress=progress)
    entries: tuple[Entry, ...] = ()
    if near.bands:
        choosing = _Choosing(study, near.known, soft, budget_cents)
        entries = tuple(choosing.entry(pick, near.bands[pick.row]) for pick in choosing.picks(count))
    return Shortlist(entries, window_ms, soft, len(near.bands), near.left_out, near.closed)


def soft_salt_of(event: Event, named: str | None = None) -> str:
    """Condition of the salt with the highest rolling coefficient, the first by name of equals; or the one named.

    Raises
    ------
    UsageError
        If the event knows no such salt.
    """
    if named is None:
        return min(event.salts, key=lambda each: (-event.salts[each].rolling_coefficient, each))
    if named not in event.salts:
        known = sorted(event.salts)
        raise UsageError(f"no salt is called {named!r}{nearest_and_all(named, known, 'there are')}")
    return named


# --- choosing


class _Choosing:
    """Picks builds out of candidates in the total order, the fastest first."""

    def __init__(self, study: Study, known: Known, soft: str, budget_cents: int | None) -> None:
        self.study, self.known = study, known
        self.budget = np.inf if budget_cents is None else float(budget_cents)
        self.soft_ms = Judge(study.judge.model, soft).speeds(known.builds)
        self.changes = (known.builds != study.options.fitted).sum(axis=1)
        self.effects = self._effects()
        driven = study.judge.model.drive_slots
        main = main_slots(study.options).tolist()
        self.main = np.isin(np.arange(known.builds.shape[1]), main)
        self.drives = self.main & np.isin(np.arange(known.builds.shape[1]), driven)
        self._clones: dict[int, BoolArray] = {}

    def _effects(self) -> tuple[FloatArray, ...]:
        """Speeds (m_s,) of the fastest with each option of each slot, all else kept."""
        trials, ends = with_single_swaps(self.study.options, self.known.builds[0])
        return tuple(np.split(self.study.judge.speeds(trials), ends[:-1]))

    def clones(self, row: int) -> BoolArray:
        """Which candidates are the same car as one of them, itself included: (n,)."""
        if row not in self._clones:
            self._clones[row] = clones_of(self.study, self.known.builds[row], self.known.builds)
        return self._clones[row]

    def matters(self, row: int) -> BoolArray:
        """In which slots each candidate differs from one of them so that it matters: (n, S)."""
        builds = self.known.builds
        found = (builds != builds[row]) & self.main
        for s, speed in enumerate(self.effects):
            found[:, s] |= np.abs(speed[builds[:, s]] - speed[builds[row, s]]) >= MATTERS_MS
        return found

    def difference(self, row: int) -> IntArray:
        """Weight in which each candidate differs from one of them: (n,)."""
        weight = np.where(self.drives, DRIVE_WEIGHT, OTHER_WEIGHT)
        return np.asarray(self.matters(row) @ weight)

    def picks(self, count: int) -> list[_Pick]:
        """Up to so many candidates, no two of them the same car: by argument first, then by difference."""
        found: list[_Pick] = []
        for name, value, sign in self._measures():
            rank = sign * value
            row = int(np.argmax(rank))  # the first in the total order of those equally good
            at = next((i for i, each in enumerate(found) if self.clones(each.row)[row]), None)
            if at is None and len(found) == count:
                continue
            better = float(rank[row] - rank[0])
            if name == "fastest":
                slower = value[~self.clones(row)]
                better = float(value[row] - slower.max()) if len(slower) else 0.0
            instead = {} if at is None else self._instead(found[at].row, row)
            argument = Argument(name, float(value[row]), better, instead)
            if at is None:
                found.append(_Pick(row, (argument,)))
            else:
                found[at] = replace(found[at], arguments=(*found[at].arguments, argument))
        while len(found) < count and (other := self._most_different(found)) is not None:
            found.append(other)
        return found

    def _measures(self) -> tuple[tuple[ArgumentName, FloatArray, float], ...]:
        """What each argument goes by (n,), in steps that count, and whether more (1) or less (-1) is better."""
        known = self.known
        return (
            ("fastest", speed_steps(known.speed_ms) * SPEED_STEP_MS, 1.0),
            ("cheapest", known.cents.astype(np.float64), -1.0),
            ("most careful", np.round(known.care, 3), 1.0),
            ("best on soft salt", speed_steps(self.soft_ms) * SPEED_STEP_MS, 1.0),
            ("fewest changes", self.changes.astype(np.float64), -1.0),
            ("least own hours", np.round(known.hours, 6), -1.0),
        )

    def _most_different(self, found: list[_Pick]) -> _Pick | None:
        """The candidate that differs most from all picked; of those that are the same car as it, the cheapest."""
        least = np.min([self.difference(each.row) for each in found], axis=0)
        for each in found:
            least[self.clones(each.row)] = 0
        row = int(np.argmax(least))
        if least[row] < LEAST_DIFFERENCE:
            return None
        same = np.flatnonzero(self.clones(row) & (least == least[row]))
        row = int(same[np.argmin(self.known.cents[same])])
        argument = Argument("most different", float(least[row]), float(self.difference(0)[row]), {})
        return _Pick(row, (argument,))

    def _instead(self, row: int, other: int) -> dict[str, str]:
        """Parts of another candidate where it differs from one."""
        options, builds = self.study.options, self.known.builds
        return {
            options.slots[s].name: options.parts[s][int(builds[other, s])].id
            for s in np.flatnonzero(builds[row] != builds[other])
        }

    def entry(self, pick: _Pick, band: Band) -> Entry:
        """All that is said of a candidate that was picked."""
        known, row, options = self.known, pick.row, self.study.options
        same = np.flatnonzero(self.clones(row))
        cheapest = int(same[np.argmin(known.cents[same])])
        return Entry(
            build=options.decode(known.builds[row]),
            speed_ms=float(known.speed_ms[row]),
            soft_ms=float(self.soft_ms[row]),
            cents=int(known.cents[row]),
            hours=float(known.hours[row]),
            care=float(known.care[row]),
            changes=int(self.changes[row]),
            arguments=pick.arguments,
            band=band,
            differs=tuple(options.slots[s].name for s in np.flatnonzero(self.matters(0)[row])),
            choices=self._choices(known.builds[row]),
            least_cents=int(known.cents[cheapest]),
            least_instead=self._instead(row, cheapest),
        )

    def _choices(self, build: IntArray) -> dict[str, tuple[str, ...]]:
        """Slot -> parts that serve equally, where there are others; the build's own first, then the cheapest."""
        study, options = self.study, self.study.options
        trials, ends = with_single_swaps(options, build)
        prices, runs = study.book.price(trials), study.judge.runs(trials)
        good = study.legality.allowed(trials) & prices.available & (prices.cents <= self.budget)
        good &= study.judge.judge(trials, runs).legal
        speed = study.judge.joined(runs)
        found = {}
        for s, (start, end) in enumerate(pairwise([0, *ends])):
            own = start + int(build[s])
            equal = [row for row in range(start, end) if good[row] and abs(speed[row] - speed[own]) < MATTERS_MS]
            if not self.main[s] and len(equal) > 1:
                ids = {row: options.parts[s][row - start].id for row in equal}
                order = sorted(equal, key=lambda row: (row != own, int(prices.cents[row]), ids[row]))
                found[options.slots[s].name] = tuple(ids[row] for row in order)
        return found
