"""The mixed-integer model of choosing a build: made once, then asked as often as needed.

The inequalities are in `constraints`; here they are put together and asked for the best score, the lowest
price or the fewest own hours, with choices fixed and rows added in between. Whatever the solver finds is held
against `Legality.allowed` and `PriceBook.price` before anyone sees it: a build that they refuse is an error,
never an answer.

The solver lets a row be passed by a millionth of its numbers, the rules do not. A build that passes a limit
by no more than that is therefore left out by a row of its own, and the question put again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import pyomo.environ as pyo

from optimizer.choice.legality import Legality
from optimizer.choice.options import FloatArray, IntArray, Options
from optimizer.choice.price import PriceBook
from optimizer.choice.rows import ROW_TOLERANCE
from optimizer.errors import SolverError, UsageError
from optimizer.search import solver
from optimizer.search.constraints import (
    CENTS,
    FAMILIES,
    STOCK,
    Facts,
    budget,
    fixed_cents,
    hours_terms,
    own_hours,
    price_terms,
    scaled_row,
)

TOLERANCE = 1e-5
"""What a build may pass a row by, the solver not being exact, as a fraction of the row's largest number."""
MOST_NEAR_MISSES = 50
"""Builds left out one by one for passing a limit by less than the solver sees; more are an error."""
_SPAN = 1000.0
"""Scores are stretched so that the most two options of a slot differ by is this: what the solver cannot tell
apart (a millionth) is then far less than any difference that means something."""


@dataclass(frozen=True, slots=True)
class Selection:
    """What a question brought.

    Attributes
    ----------
    build : IntArray (S,) or None
        Legal, affordable and within the hours; None if none was found.
    objective : float
        Its score, price in cents or own hours, computed exactly from the build; NaN without one.
    bound : float
        By the solver's word no build is better than this: in the same units; infinite where it has none, NaN
        where there is no build at all.
    proven : bool
        With a build: none is better. Without: there is none. By the solver's word, without a gap.
    text : str
        Why the solver stopped, in a sentence.
    """

    build: IntArray | None
    objective: float
    bound: float
    proven: bool
    text: str


@dataclass(frozen=True, slots=True)
class _Goal:
    """What is asked for: ``value = offset + (objective of the model) / scale``."""

    kind: str
    scale: float = 1.0
    offset: float = 0.0
    scores: tuple[FloatArray, ...] = ()


def build_model(
    options: Options,
    legality: Legality,
    book: PriceBook,
    *,
    budget_cents: int | None,
    hours_limit: float | None,
    drop: frozenset[str] = frozenset(),
) -> SelectionModel:
    """Put the model together.

    Parameters
    ----------
    options, legality, book
        Of one scenario: the legality and the prices are of these very options.
    budget_cents : int or None
        What a build may cost; None for no limit.
    hours_limit : float or None
        Own hours it may take; None or infinite for no limit. Stands in for the book's own.
    drop : frozenset of str
        Checks and rules, by `Reason.check`, that are left out; ``stock`` also lets what can neither be bought
        nor is owned be used, and can only be dropped together with both limits.

    Raises
    ------
    ValueError
        If the arguments are of different options, or ``stock`` is dropped and money or hours are limited.
    """
    if legality.options is not options or book.options is not options:
        raise ValueError("the legality and the prices must be those of the options")
    limit = math.inf if hours_limit is None else hours_limit
    if STOCK in drop and (budget_cents is not None or limit < math.inf):
        raise ValueError("without stock nothing has a price: neither money nor hours can be limited")
    book = within_hours(book, limit)
    facts = Facts(options, without(legality, drop), book, pyo.ConcreteModel(), buyable=STOCK not in drop)
    model = facts.model
    for family in FAMILIES:
        rows = dict(family(facts))
        setattr(model, family.__name__, _constraints(rows))
    if budget_cents is not None:
        model.budget = pyo.Constraint(expr=budget(facts, budget_cents))
    if limit < math.inf:
        model.own_hours = pyo.Constraint(expr=own_hours(facts, limit))
    model.added_rows = pyo.Constraint(pyo.Any)
    model.excluded_builds = pyo.Constraint(pyo.Any)
    return SelectionModel(facts, budget_cents)


def _constraints(rows: dict[Any, Any]) -> pyo.Constraint:
    return pyo.Constraint(list(rows), rule=lambda _, *key: rows[key if len(key) > 1 else key[0]])


def within_hours(book: PriceBook, hours_limit: float) -> PriceBook:
    """Copy a price book with another limit on own hours; its tables are shared."""
    other = copy(book)
    other.hours_limit = hours_limit
    return other


def without(legality: Legality, drop: frozenset[str]) -> Legality:
    """Copy a legality without some of its checks and rules, by `Reason.check`.

    An option that is only refused because it breaks some row in every build becomes a choice again: the row
    says so itself as long as it stands, and may not any more once other rules are dropped.
    """
    if not drop:
        return legality
    forbidden = tuple(out.copy() for out in legality.forbidden)
    for (s, o), reasons in legality.part_reasons.items():
        by_rows = len(legality.settled_by_rows.get((s, o), ()))
        forbidden[s][o] = any(reason.check not in drop for reason in reasons[: len(reasons) - by_rows])
    pairs = {places: table.copy() for places, table in legality.pairs.items()}
    for (s, o, t, q), checks in pair_checks(legality).items():
        pairs[s, t][o, q] = not checks <= drop
    rows = tuple(row for row in legality.rows if row.reason.check not in drop)
    return replace(legality, forbidden=forbidden, pairs=pairs, rows=rows)


@lru_cache(maxsize=2)
def pair_checks(legality: Legality) -> dict[tuple[int, int, int, int], frozenset[str]]:
    """Name what keeps each forbidden pair (slot, option, other slot, other option) apart, by the checks."""
    found: dict[tuple[int, int, int, int], set[str]] = {}
    for (s, t), forbidden in legality.pairs.items():
        found |= {(s, o, t, q): set() for o, q in np.argwhere(forbidden).tolist()}
        for check, table in legality.pair_tables(s, t):
            for o, q in np.argwhere(table & forbidden).tolist():
                found[s, o, t, q].add(check)
    return {place: frozenset(checks) for place, checks in found.items()}


class SelectionModel:
    """The model, and the questions that can be put to it.

    Attributes
    ----------
    pyomo : ConcreteModel
        The model itself, to be written out; it is changed through the methods here only.
    """

    def __init__(self, facts: Facts, budget_cents: int | None) -> None:
        self.pyomo = facts.model
        self._facts = facts
        self._budget_cents = budget_cents
        self._x = {(place.s, place.o): place.x for places in facts.places for place in places}
        self._added: dict[str, tuple[tuple[FloatArray, ...], float]] = {}
        self._excluded = 0
        self._goal = _Goal("")
        self.minimize_price()

    def maximize(self, scores: Sequence[FloatArray]) -> None:
        """Ask for the build with the highest sum of ``scores[s][build[s]]``, S arrays of shape ``(m_s,)``.

        Raises
        ------
        ValueError
            If there is not one finite score for every option that may be chosen.
        """
        scores = tuple(np.asarray(each, dtype=float) for each in scores)
        if tuple(map(len, scores)) != self._facts.options.sizes:
            raise ValueError(f"scores must have the lengths {self._facts.options.sizes}")
        chosen = [
            [float(each[place.o]) for place in places]
            for each, places in zip(scores, self._facts.places, strict=True)
        ]
        if not all(math.isfinite(value) for row in chosen for value in row):
            raise ValueError("every option that may be chosen needs a finite score")
        # One part a slot: what is taken off all options of a slot is a constant.
        highest = [max(row, default=0.0) for row in chosen]
        widest = max((high - min(row, default=0.0) for high, row in zip(highest, chosen, strict=True)))
        scale = _SPAN / widest if widest else 1.0
        terms = [
            ((value - high) * scale, place.x)
            for high, row, places in zip(highest, chosen, self._facts.places, strict=True)
            for value, place in zip(row, places, strict=True)
        ]
        self._set_goal(_Goal("score", scale, math.fsum(highest), scores), terms, pyo.maximize)

    def minimize_price(self) -> None:
        """Ask for the cheapest build."""
        goal = _Goal("price", 1 / CENTS, fixed_cents(self._facts.book))
        self._set_goal(goal, price_terms(self._facts), pyo.minimize)

    def minimize_hours(self) -> None:
        """Ask for the build that takes the fewest own hours, whatever it costs.

        Raises
        ------
        ValueError
            If the model has a budget.
        """
        if self._budget_cents is not None:
            raise ValueError("the fewest hours are only asked for without a budget")
        self._set_goal(_Goal("hours"), hours_terms(self._facts), pyo.minimize)

    def _set_goal(self, goal: _Goal, terms: list[tuple[float, Any]], sense: Any) -> None:
        self.pyomo.del_component("goal")
        self.pyomo.goal = pyo.Objective(expr=self._facts.total(terms), sense=sense)
        self._goal = goal

    def fix(self, slot: int, option: int) -> None:
        """Put an option into a slot, until `release` or another one is put there.

        Raises
        ------
        UsageError
            If the option is forbidden; with the reasons.
        """
        if (slot, option) not in self._x:
            reasons = "; ".join(map(str, self._facts.legality.part_reasons.get((slot, option), ())))
            part = self._facts.options.parts[slot][option]
            raise UsageError(f"{part.id} may not be in {self._facts.options.slots[slot].name}: {reasons}")
        # By its bounds: two choices that exclude each other are then the solver's to refuse, like all others.
        self.release(slot)
        self._x[slot, option].setlb(1)

    def release(self, slot: int | None = None) -> None:
        """Let a slot (all, if None) be chosen freely again."""
        for (s, _), x in self._x.items():
            if slot is None or s == slot:
                x.setlb(0)

    def add_row(self, name: str, coefficients: Sequence[FloatArray], upper: float) -> None:
        """Require ``sum over slots s of coefficients[s][build[s]] <= upper``, up to `TOLERANCE`.

        A row of the same name is replaced.

        Raises
        ------
        ValueError
            If a number of it is not finite.
        """
        row = tuple(np.asarray(each, dtype=float) for each in coefficients)
        if not (math.isfinite(upper) and all(np.isfinite(each).all() for each in row)):
            raise ValueError(f"the row {name!r} has a number that is not finite")
        self.remove_row(name)
        self.pyomo.added_rows[name] = scaled_row(self._facts, row, upper)
        self._added[name] = row, upper

    def remove_row(self, name: str) -> None:
        """Take an added row away again, if there is one of this name."""
        if self._added.pop(name, None) is not None:
            del self.pyomo.added_rows[name]

    def exclude(self, build: IntArray) -> None:
        """Leave out one build of shape ``(S,)``: ``sum over slots s of x[s, build[s]] <= S - 1``.

        One row of S numbers. A build that cannot be chosen anyway is ignored.
        """
        chosen = [self._x.get((s, int(o))) for s, o in enumerate(build)]
        if None not in chosen:
            self._excluded += 1
            row = self._facts.total((1, x) for x in chosen) <= len(chosen) - 1
            self.pyomo.excluded_builds[self._excluded] = row

    def readmit(self) -> None:
        """Admit every excluded build again."""
        self.pyomo.excluded_builds.clear()
        self._excluded = 0

    def solve(self, time_limit_s: float | None = None) -> Selection:
        """Find the build that was last asked for.

        Parameters
        ----------
        time_limit_s : float, optional
            Seconds for each run of the solver; no limit if not given.

        Raises
        ------
        SolverError
            If the solver fails, or finds a build that the rules or the prices refuse.
        """
        for _ in range(MOST_NEAR_MISSES):
            answer = solver.solve(self.pyomo, time_limit_s=time_limit_s)
            bound = self._goal.offset + answer.bound / self._goal.scale
            if not answer.found:
                return Selection(None, math.nan, bound, answer.proven, answer.text)
            build = self._read()
            if not self._misses_narrowly(build, answer):
                return Selection(build, self._value(build, answer), bound, answer.proven, answer.text)
            self.exclude(build)
        raise SolverError(
            f"{MOST_NEAR_MISSES} builds pass a limit by less than the solver can see", answer.status
        )

    def _read(self) -> IntArray:
        """Read the build off the variables, which `solver` has made whole."""
        build = np.full(len(self._facts.options.slots), -1, dtype=np.int64)
        for (s, o), x in self._x.items():
            if x.value == 1:
                build[s] = o
        return build

    def _misses_narrowly(self, build: IntArray, answer: solver.Answer) -> bool:
        """Hold a build against the rules, the money and the hours.

        True where it only passes a named row or the hours by less than the solver sees; a `SolverError` where
        it is wrong in any other way.
        """
        row, facts, status = build[None, :], self._facts, answer.status
        if (build < 0).any():
            raise SolverError("the solver left a slot without a choice", status)
        for name, (coefficients, upper) in self._added.items():
            over = sum(float(each[o]) for each, o in zip(coefficients, build, strict=True)) - upper
            if over > TOLERANCE * max(abs(upper), *(float(np.abs(each).max()) for each in coefficients)):
                raise SolverError(f"the build found passes the added row {name!r} by {over:g}", status)
        wide = TOLERANCE / ROW_TOLERANCE
        passed = [each for each in facts.legality.rows if not each.holds(row)[0]]
        by_far = [each for each in passed if each.total(row)[0] > each.upper + wide * each.slack]
        rules = replace(facts.legality, rows=())
        if by_far or not rules.allowed(row)[0]:
            wrong = "; ".join(map(str, facts.legality.violations(build)))
            raise SolverError(f"the build found is not legal: {wrong}", status)
        if not facts.buyable:
            return bool(passed)
        prices = facts.book.price(row)
        if not prices.available[0]:
            over = float(prices.hours[0]) - facts.book.hours_limit
            if over <= TOLERANCE * max(1.0, facts.book.hours_limit):
                return True
            raise SolverError("the build found cannot be bought, or not within the own hours", status)
        if self._budget_cents is not None and prices.cents[0] > self._budget_cents:
            raise SolverError(
                f"the build found costs {prices.cents[0]} cents of {self._budget_cents}", status
            )
        return bool(passed)

    def _value(self, build: IntArray, answer: solver.Answer) -> float:
        """Compute what was asked for from the build alone, and hold the solver's own figure against it."""
        facts, goal = self._facts, self._goal
        claimed = goal.offset + answer.objective / goal.scale
        if goal.kind == "score":
            value = math.fsum(float(each[o]) for each, o in zip(goal.scores, build, strict=True))
            agrees = abs(value - claimed) <= TOLERANCE * _SPAN / goal.scale + 1e-9 * abs(value)
        elif not facts.buyable:
            return math.nan
        elif goal.kind == "price":
            value = float(facts.book.price(build[None, :]).cents[0])
            # Short of the end the solver may hold a dearer purchase of the same build.
            agrees = abs(value - claimed) < 0.5 if answer.proven else value < claimed + 0.5
        else:
            # A limit that nothing keeps makes the book name the fewest hours there are.
            value = float(within_hours(facts.book, -1.0).price(build[None, :]).hours[0])
            agrees = abs(value - claimed) <= TOLERANCE if answer.proven else value <= claimed + TOLERANCE
        if not agrees:
            raise SolverError(f"the solver says {claimed:g} of a build that is {value:g}", answer.status)
        return value
