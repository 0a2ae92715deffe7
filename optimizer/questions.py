"""What a crew asks beside the ranking, each question as one function of a scenario: the surface that commands share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from optimizer.answers.buying_order import BuyingPlan, buying_order
from optimizer.answers.cards import BuildCard, card_of
from optimizer.answers.closeness import Band, each_against_the_next
from optimizer.answers.compare import Comparison, compare
from optimizer.answers.frontier import QUESTIONS, Step, Target, cheapest_past, money_against_speed
from optimizer.answers.kept_out import why_none
from optimizer.answers.offers import OffersAnswer, offers_answer
from optimizer.answers.power_flow import PowerFlow, power_flow
from optimizer.answers.shares import Shares, shares_of
from optimizer.answers.shortlist import Shortlist, shortlist
from optimizer.answers.swaps import Swap, best_swaps, savings, single_swaps
from optimizer.choice.options import IntArray
from optimizer.choice.wishes import build_with, parts_in
from optimizer.errors import NoLegalBuildError, UsageError
from optimizer.pipeline import Question, refuse_the_impossible, study_of
from optimizer.run.judge import order_keys
from optimizer.scenario.event import Scenario
from optimizer.scenario.offers import with_offers
from optimizer.search.ranking import Ranking
from optimizer.search.state import Progress
from optimizer.search.studies import Studies
from optimizer.search.study import Study

LAST_PLACE = 100
"""Places of the ranking that builds may be named by."""
FEW_SALTS = 2
"""Conditions of the salt that are looked at in no time worth a second process."""


@dataclass(frozen=True, slots=True)
class Why:
    """Why a build is what it is: see `Shares`, `Swap`, `PowerFlow`; ``closed``: whether the ranking was complete."""

    card: BuildCard
    shares: Shares
    swaps: tuple[Swap, ...]
    savings: tuple[Swap, ...]
    flows: tuple[PowerFlow, ...]
    closed: bool


@dataclass(frozen=True, slots=True)
class MoneySteps:
    """Money against speed, and how well each step's gain over the one before is known (None for the first)."""

    steps: tuple[Step, ...]
    bands: tuple[Band | None, ...]


@dataclass(frozen=True, slots=True)
class Record:
    """What a class's record and margin [m/s] costs; without a target no build is legal in it, and why."""

    race_class: str
    record_ms: float
    target: Target | None
    why_none: str


@dataclass(frozen=True, slots=True)
class InSalt:
    """A build in one condition of the salt: its speed [m/s], and its place among the builds listed, if legal there."""

    speed_ms: float
    place: int | None


@dataclass(frozen=True, slots=True)
class OnEverySalt:
    """One of the builds that are among the best in some condition of the salt."""

    build: IntArray
    cents: int
    by_salt: Mapping[str, InSalt]


def possible_study_of(scenario: Scenario, question: Question | None = None, studies: Studies | None = None) -> Study:
    """A study in the class and on the salt that a question names; its budget stands in the event.

    Raises
    ------
    UsageError
        For an unknown class or salt condition.
    NoLegalBuildError
        If no build satisfies all rules before a run.
    """
    study = study_of(scenario, question, studies)
    refuse_the_impossible(study)
    return study


def why(study: Study, rank: int = 1, progress: Progress | None = None) -> Why:
    """What each part of the best build (or of that at a place further down) is worth, and what holds the car.

    Raises
    ------
    UsageError
        If there are fewer legal builds.
    NoLegalBuildError
        If there is none.
    """
    ranking = _ranked(study, rank, progress)
    if ranking.listed < rank:
        raise UsageError(f"there are only {ranking.listed} legal builds within the budget, not {rank}")
    build = ranking.builds[rank - 1]
    tried = single_swaps(study.judge, study.legality, study.book, build)
    return Why(
        card=card_of(study.judge, study.legality, study.book, build, study.scenario.event.budget_cents),
        shares=shares_of(study.judge, study.legality, build),
        swaps=best_swaps(tried)[0],
        savings=savings(tried),
        flows=power_flow(study.judge, build),
        closed=bool(ranking.evidence.closed),
    )


def budget(
    study: Study,
    low_cents: int = 0,
    high_cents: int | None = None,
    *,
    every: bool = False,
    asked: int = QUESTIONS,
    progress: Progress | None = None,
) -> MoneySteps:
    """The fastest build for every budget from ``low_cents`` to ``high_cents`` (the event's budget).

    ``asked``: how many budgets are asked about, unless ``every`` step is wanted.

    Raises
    ------
    UsageError
        If there is no budget to go up to, or it lies below the lowest.
    NoLegalBuildError
        If no build is legal for the most money.
    """
    most = study.scenario.event.budget_cents if high_cents is None else high_cents
    if most is None:
        raise UsageError("the event has no budget; say with --to up to how much money")
    if most < low_cents:
        raise UsageError("the highest budget lies below the lowest")
    steps = money_against_speed(study, low_cents, most, None if every else asked, progress)
    if not steps:
        raise refuse_nothing(study, most)
    return MoneySteps(steps, (None, *each_against_the_next(study, np.stack([step.build for step in steps]))))


def cheapest(
    study: Study, target_ms: float | None = None, budget_cents: int | None = None, progress: Progress | None = None
) -> Target:
    """The cheapest build past a speed: the record and its margin when left out.

    Raises
    ------
    NoLegalBuildError
        If no build is legal at all.
    """
    target = study.judge.planned_ms if target_ms is None else target_ms
    found = cheapest_past(study, target, budget_cents, progress)
    if found is None:
        raise refuse_nothing(study, budget_cents)
    return found


def offers(
    study: Study,
    sheets: Sequence[Path],
    lines: Sequence[str],
    salt: str | None = None,
    progress: Progress | None = None,
) -> OffersAnswer:
    """What parts and kits on offer are good for.

    Raises
    ------
    ScenarioError
        If anything is wrong in the offers.
    """
    offered, ids = with_offers(study.scenario, sheets, lines)
    limit = study.scenario.event.budget_cents
    return offers_answer(study, offered, ids, budget_cents=limit, salt=salt, progress=progress)


def cheapest_record(
    scenario: Scenario, salt: str | None, budget_cents: int | None, progress: Progress | None = None
) -> list[Record]:
    """What it costs to take the record of each class, the cheapest first; those out of reach last."""
    found = []
    for name in scenario.event.classes:
        study = study_of(scenario, Question(race_class=name, salt=salt))
        record = study.judge.planned_ms
        try:
            refuse_the_impossible(study)
            found.append(Record(name, record, cheapest(study, record, budget_cents, progress), ""))
        except NoLegalBuildError as refusal:
            found.append(Record(name, record, None, str(refusal)))
    return sorted(found, key=_by_price)


def _by_price(record: Record) -> tuple[int, float]:
    """Records that can be taken by their price, then those out of reach by how far, then those without a legal car."""
    if record.target is None:
        return 2, 0.0
    return (0, record.target.cents) if record.target.reached else (1, record.record_ms - record.target.speed_ms)


def order(study: Study, stage_cents: Sequence[int], progress: Progress | None = None) -> BuyingPlan:
    """What to buy first when money comes in stages: see `buying_order`."""
    return buying_order(study, stage_cents, progress=progress)


def short(
    study: Study,
    count: int,
    *,
    soft_salt: str | None = None,
    wide: bool = False,
    progress: Progress | None = None,
) -> Shortlist:
    """Builds near the best that really differ: see `shortlist`.

    Raises
    ------
    UsageError
        For an unknown salt condition.
    NoLegalBuildError
        If no build is legal.
    """
    limit = study.scenario.event.budget_cents
    found = shortlist(study, count, budget_cents=limit, soft_salt=soft_salt, ask_without=wide, progress=progress)
    if not found.entries:
        raise refuse_nothing(study, limit)
    return found


def side_by_side(study: Study, first: str, second: str, progress: Progress | None = None) -> Comparison:
    """Compare two builds, each a place in the ranking (``1``), ``now`` for the car as it stands, or a list of parts.

    Parts as for `predict`, joined by commas or pluses, on the best build: ``T10,front wheels=W16``.

    Raises
    ------
    UsageError
        If a build is not known.
    """
    places = [int(name) for name in (first.strip(), second.strip()) if name.isdigit()]
    if len(places) == 2 and 0 < max(places) <= LAST_PLACE:
        build_named(study, str(max(places)), progress)  # the longer list has the shorter one in it
    return compare(study, build_named(study, first, progress), build_named(study, second, progress))


def build_named(study: Study, named: str, progress: Progress | None = None) -> IntArray:
    """The build (S,) that is meant by a place in the ranking, ``now``, or parts put into the best build.

    Raises
    ------
    UsageError
        If there is no such place or part, or if it is not clear which is meant.
    """
    name = named.strip()
    if (name == "now" or name.isdigit()) and any(part.id == name for parts in study.options.parts for part in parts):
        other = "the car as it stands" if name == "now" else "a place in the ranking"
        raise UsageError(f"{name} is {other} and the id of a part; name the part as SLOT={name}")
    if name == "now":
        return study.options.fitted
    if name.isdigit():
        place = int(name)
        if not 1 <= place <= LAST_PLACE:
            raise UsageError(f"a build is named by its place, 1 to {LAST_PLACE}, not {place}")
        ranking = _ranked(study, place, progress)
        if place > ranking.listed:
            raise UsageError(f"there is no build number {place}: only {ranking.listed} builds are legal")
        return ranking.builds[place - 1]
    changes = build_with(study.options, parts_in(name))
    best = _ranked(study, 1, progress).builds[0]
    return study.options.encode({**study.options.decode(best), **changes})


def on_every_salt(study: Study, top: int, progress: Progress | None = None) -> list[OnEverySalt]:
    """The best builds in every condition of the salt, each with its speed and place in all of them.

    In the order of the event's own condition; builds that are not legal there come last. A helper looks at the one
    of least grip, where other builds are best than elsewhere.
    """
    salts = study.scenario.event.salts
    away = min(salts, key=lambda salt: salts[salt].grip) if study.helper is not None and len(salts) > FEW_SALTS else ""
    found: dict[str, Ranking] = {}
    studies: dict[str, Study] = {}
    last = study
    asked = study.helper.begin(_best_on, study.scenario, away, top) if study.helper is not None and away else None
    for salt in salts:
        if salt == away:
            studies[salt] = study.on_salt(salt)
            continue
        last = studies[salt] = last.on_salt(salt)  # what is good in one condition is tried first in the next
        found[salt] = _ranked(last, top, progress)
    if asked is not None:
        found[away] = asked()
        _refuse_if_none(studies[away], found[away])
    return _in_every_salt(studies, np.concatenate([found[salt].builds[:top] for salt in salts]))


def _best_on(scenario: Scenario, salt: str, top: int) -> Ranking:
    """The best builds in one condition of the salt, known to nobody before; called in a worker."""
    return Study.of(scenario, salt).best(top, budget_cents=scenario.event.budget_cents)


def beside_the_best_on_salts(
    study: Study, builds: IntArray, progress: Progress | None = None, *, search: bool = True
) -> tuple[tuple[OnEverySalt, ...], bool]:
    """Builds (n, S) in every condition of the salt, beside the best one of each other, if that is wanted.

    In the order of the event's own condition; and whether all searches were complete. Conditions in which no build is
    legal add none.
    """
    studies = _on_salts(study)
    event, found, complete = study.scenario.event, [builds], True
    for salt, each in studies.items():
        if search and salt != event.salt:
            best = each.best(budget_cents=event.budget_cents, progress=progress)
            complete &= bool(best.evidence.closed)
            found.append(best.builds[: min(1, best.listed)])
    return tuple(_in_every_salt(studies, np.concatenate(found))), complete


def _on_salts(study: Study) -> dict[str, Study]:
    """The same question in every condition of the salt."""
    return {salt: study.on_salt(salt) for salt in study.scenario.event.salts}


def _in_every_salt(studies: Mapping[str, Study], builds: IntArray) -> list[OnEverySalt]:
    """Speed and place of builds (n, S) in every condition, in the order of the event's own."""
    builds = np.unique(builds, axis=0)
    study = next(iter(studies.values()))
    cents = study.book.price(builds).cents
    found: dict[str, tuple[np.ndarray, np.ndarray]] = {}
    for salt, judge in ((salt, each.judge) for salt, each in studies.items()):
        runs = judge.runs(builds)
        speed, judged = judge.joined(runs), judge.judge(builds, runs)
        place = np.zeros(len(builds), dtype=int)
        ranked = [row for row in order_keys(study.options, builds, speed, judged.care, cents) if judged.legal[row]]
        place[ranked] = np.arange(1, len(ranked) + 1)
        found[salt] = speed, place
    own = found[study.scenario.event.salt][1]
    rows = sorted(range(len(builds)), key=lambda row: (own[row] == 0, own[row]))
    return [
        OnEverySalt(
            builds[row], int(cents[row]),
            {salt: InSalt(float(speed[row]), int(place[row]) or None) for salt, (speed, place) in found.items()},
        )
        for row in rows
    ]  # fmt: skip


def _ranked(study: Study, top: int, progress: Progress | None) -> Ranking:
    """The best builds within the event's budget; at least one."""
    budget_cents = study.scenario.event.budget_cents
    ranking = study.best(top, budget_cents=budget_cents, progress=progress)
    _refuse_if_none(study, ranking)
    return ranking


def _refuse_if_none(study: Study, ranking: Ranking) -> None:
    """Refuse where a ranking within the event's budget found no build."""
    if ranking.listed == 0:
        raise refuse_nothing(study, study.scenario.event.budget_cents, ranking)


def refuse_nothing(study: Study, budget_cents: int | None, asked: Ranking | None = None) -> NoLegalBuildError:
    """Refusal where no build passes; ``asked`` is a ranking that found none, made now when left out."""
    none = asked or study.best(budget_cents=budget_cents)
    why = why_none(study, budget_cents, none.evidence)
    return NoLegalBuildError(why.text, why.reasons, why.cheapest_cents)
