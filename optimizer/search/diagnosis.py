"""Why no build is legal: the cheapest is too dear, the quickest takes too long, or rules exclude each other.

Money comes first: if some build is legal but for the budget, its price is the answer. Then own hours.
Otherwise a *deletion filter* finds a smallest set of rules that cannot be met together: each rule in turn is
left out for good if there is still no build without it; what remains is needed, every one of it. A rule with
all its parts, pairs and rows is one item, and each step is a question to the mixed-integer model.

Smallest means that none of the rules can be spared, not that no other set is shorter.

References
----------
J. W. Chinneck, E. W. Dravnieks, Locating minimal infeasible constraint sets in linear programs, ORSA Journal
on Computing 3, 1991 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import IntArray, Options
from optimizer.choice.price import BUDGET, PriceBook
from optimizer.choice.wishes import FORCED_IN, places_of, with_wishes
from optimizer.errors import SolverError
from optimizer.scenario.cells import CURRENCIES
from optimizer.search.constraints import STOCK
from optimizer.search.selection_model import SelectionModel, build_model, pair_checks

OWN_HOURS = "own hours"
_EXAMPLES = 2
"""Sentences quoted for each rule."""


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Why there is no legal build.

    Attributes
    ----------
    reasons : tuple of str
        ``budget``, or ``own hours``, or the names of a smallest set of rules that cannot be met together;
        empty if a legal build exists.
    cheapest_cents : int or None
        With ``budget``: exact price of the cheapest build that meets every rule but the budget.
    text : str
        The same in words, for the user.
    """

    reasons: tuple[str, ...]
    cheapest_cents: int | None
    text: str


def explain_no_legal_build(
    options: Options,
    legality: Legality,
    book: PriceBook,
    *,
    budget_cents: float | None = None,
    failed_in_run: Sequence[str] = (),
    with_parts: Sequence[str] = (),
) -> Diagnosis:
    """Find out why no build is legal, or none with some parts in it.

    Parameters
    ----------
    options, legality, book
        Of one scenario; the limit on own hours is the book's.
    budget_cents : float, optional
        What a build may cost; the event's budget if not given, ``math.inf`` for no limit.
    failed_in_run : sequence of str, optional
        Names of the checks that need a run, where every build that was legal and within the limits failed one
        of them: they are then the reason, unless there is no such build at all.
    with_parts : sequence of str, optional
        Parts that must be in, as ``id`` or ``slot=id``, beside those that the legality asks for. That they must is
        given, and no reason.

    Raises
    ------
    UsageError
        If such a part is no option of any slot.
    SolverError
        If the solver does not finish: nothing is said that it could not settle.
    """
    wanted = frozenset(place for named in with_parts for place in places_of(options, named))
    legality = with_wishes(legality, tuple(with_parts), ())
    wishes = dict.fromkeys(row.name.removeprefix("with ") for row in legality.rows if row.reason.wished)
    with_it = f" with {' and '.join(wishes)}" if wishes else ""
    limit = options.scenario.event.budget_cents if budget_cents is None else budget_cents
    budget = math.inf if limit is None else limit
    model = build_model(options, legality, book, budget_cents=None, hours_limit=book.hours_limit)
    cheapest, objective = _settled(model)
    if cheapest is not None:
        cents = round(objective)
        if cents > budget:
            return _too_dear(options, cheapest, cents, budget, with_it)
        if failed_in_run:
            names = tuple(dict.fromkeys(failed_in_run))
            text = f"Every build{with_it} that the rules and the money allow fails at speed: {', '.join(names)}."
            return Diagnosis(names, None, text)
        return Diagnosis((), cents, f"There is a legal build{with_it}: {_in_words(options, cheapest)}.")
    model = build_model(options, legality, book, budget_cents=None, hours_limit=None)
    model.minimize_hours()
    quickest, hours = _settled(model)
    if quickest is not None:
        return Diagnosis(
            (OWN_HOURS,),
            None,
            f"No legal build{with_it} takes {book.hours_limit:g} own hours or less: the quickest takes {hours:g} "
            f"({_in_words(options, quickest)}).",
        )
    return _excluding_each_other(options, legality, book, wanted, with_it)


def _settled(model: SelectionModel) -> tuple[IntArray | None, float]:
    """Solve; the build, if there is one, and its objective."""
    found = model.solve()
    if not found.proven:
        raise SolverError(f"why no build is legal could not be settled: {found.text}", found.text)
    return found.build, found.objective


def _too_dear(options: Options, build: IntArray, cents: int, budget: float, with_it: str) -> Diagnosis:
    text = (
        f"No legal build{with_it} costs {money_text(options, budget)} or less: the cheapest that meets every rule "
        f"before a run costs {money_text(options, cents)} ({_in_words(options, build)})."
    )
    return Diagnosis((BUDGET,), cents, text)


def money_text(options: Options, cents: float) -> str:
    """An amount in the event's currency, to the cent where it is no whole one."""
    return CURRENCIES[options.scenario.event.currency] + f"{cents / 100:,.2f}".removesuffix(".00")


def _in_words(options: Options, build: IntArray) -> str:
    """Name what changes against the car as it stands."""
    changes = (f"{slot} {part}" for slot, part in options.changes(build).items())
    return ", ".join(changes) or "the car as it stands"


def _excluding_each_other(
    options: Options, legality: Legality, book: PriceBook, wanted: frozenset[tuple[int, int]], with_it: str
) -> Diagnosis:
    names = rule_names(legality)
    dropped: frozenset[str] = frozenset()
    for name in names:
        if not _possible(options, legality, book, dropped | {name}):
            dropped |= {name}
    left = tuple(name for name in names if name not in dropped)
    if not left:
        # what is asked for is no rule: nothing else keeps these parts from each other
        return Diagnosis((), None, f"No build{with_it} is possible: there are not slots enough for all of them.")
    told = [f"{name}: {said}." for name in left if (said := _said(options, legality, name, wanted))]
    if len(left) == len(told) == 1:
        sentences = [f"No build{with_it} meets this rule. {told[0]}"]
    else:
        sentences = [f"No build{with_it} meets these rules at once: {', '.join(left)}.", *told]
    sentences += _empty_slots(options, legality)
    return Diagnosis(left, None, "\n".join(sentences))


def rule_names(legality: Legality) -> tuple[str, ...]:
    """All checks and rules that refuse anything: stock, of pairs, of rows, of single parts; each once.

    That parts are asked for is none of them. The filter keeps what comes late rather than what comes early: where there
    is a choice, the reason given is one against single parts, which is the easiest to act on.
    """
    found = [STOCK]
    found += sorted({check for checks in pair_checks(legality).values() for check in checks})
    found += [row.reason.check for row in legality.rows]
    found += [reason.check for reasons in legality.part_reasons.values() for reason in reasons]
    return tuple(name for name in dict.fromkeys(found) if name != FORCED_IN)


def _possible(options: Options, legality: Legality, book: PriceBook, drop: frozenset[str]) -> bool:
    model = build_model(options, legality, book, budget_cents=None, hours_limit=None, drop=drop)
    model.maximize([np.zeros(m) for m in options.sizes])
    return _settled(model)[0] is not None


def _said(options: Options, legality: Legality, name: str, wanted: frozenset[tuple[int, int]]) -> str:
    """Quote what a rule says: its row, or the first parts or pairs that it refuses; wanted ones, where it does."""
    quotes = list(_texts(options, legality, name))
    about = [text for places, text in quotes if not wanted.isdisjoint(places)]
    texts = list(dict.fromkeys(about or [text for _, text in quotes]))
    more = len(texts) - _EXAMPLES
    return "; ".join(texts[:_EXAMPLES]) + (f"; and {more} more" if more > 0 else "")


def _texts(
    options: Options, legality: Legality, name: str
) -> Iterator[tuple[tuple[tuple[int, int], ...], str]]:
    """What a rule says, each time with the (slot, option) that it says it of."""
    yield from (((), row.reason.text) for row in legality.rows if row.reason.check == name)
    of_parts: dict[str, list[tuple[int, int]]] = {}
    for part, reasons in legality.part_reasons.items():
        for text in dict.fromkeys(reason.text for reason in reasons if reason.check == name):
            of_parts.setdefault(text, []).append(part)
    for text, where in of_parts.items():
        yield tuple(where), f"{' and '.join(options.slots[s].name for s, _ in where)}: {text}"
    for place, checks in pair_checks(legality).items():
        if name in checks:
            ends = (place[:2], place[2:])
            yield from ((ends, each.text) for each in legality.pair_reasons(*place) if each.check == name)


def _empty_slots(options: Options, legality: Legality) -> Iterator[str]:
    """Name the slots in which single parts alone leave no option."""
    for s, (slot, out) in enumerate(zip(options.slots, legality.forbidden, strict=True)):
        if out.all():
            checks: dict[str, int] = {}
            for o in range(len(out)):
                for check in {reason.check for reason in legality.part_reasons[s, o]}:
                    checks[check] = checks.get(check, 0) + 1
            counts = ", ".join(f"{check} {number}" for check, number in sorted(checks.items()))
            yield f"{slot.name}: none of {len(out)} options is left ({counts})."
