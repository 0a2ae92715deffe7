"""The whole decision in one record: every answer that belongs on one page, made in one study so that searches share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimizer import chance_questions, papers, questions
from optimizer.answers.buying_order import BuyingPlan
from optimizer.answers.cards import BuildCard, card_of
from optimizer.answers.closeness import Band, band_of, middle_of, spread_of
from optimizer.answers.every_part import TriedPart, every_part
from optimizer.answers.frontier import Target
from optimizer.answers.meanwhile import begin_apart
from optimizer.answers.measure_next import MeasureNext
from optimizer.answers.odds import Odds, odds_of
from optimizer.answers.purchase_note import PurchaseNote
from optimizer.answers.run_trace import RunTrace, Thrust, thrust_of, traces_of
from optimizer.answers.said_done import Logged, log_of
from optimizer.answers.sensitivity import Worth, worth_of_inputs
from optimizer.answers.shortlist import Shortlist
from optimizer.answers.speed_steps import SpeedStep, speed_steps_of
from optimizer.choice.options import IntArray, Options
from optimizer.errors import SaltmileError
from optimizer.measured.reading import read_runs
from optimizer.pipeline import Question, RankResult, rank_in, study_of
from optimizer.questions import MoneySteps, OnEverySalt, Why
from optimizer.scenario.event import Scenario
from optimizer.scenario.reading import read_scenario
from optimizer.search.state import Progress
from optimizer.search.studies import Studies
from optimizer.search.study import Study

BUDGETS = 6
"""Budgets asked about for the page: enough to see what the steps are made of."""
QUICK_BUDGETS = 4
"""The same for a page made in a hurry."""
SHORTLISTED = 5
NOW = "now"
"""Key of the car as it stands among the builds that are compared."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A build that others are set beside: its place in the ranking from 1, ``now``, or A, B, ... of the shortlist."""

    key: str
    card: BuildCard


@dataclass(frozen=True, slots=True)
class Decision:
    """Everything one page says.

    Attributes
    ----------
    quick : bool
        Made in a hurry: without the cheapest way past the record, an order of buying, and searches on other salt.
    options : Options
        To read builds given as positions.
    result : RankResult
    worth : Why
        Shares, swaps and power of the best build.
    low_ms, high_ms : float
        Middle 90 % of the speeds of the best build over what is not known exactly [m/s].
    candidates : tuple of Candidate
        Ranked builds, those of the shortlist that are not among them, and the car as it stands.
    bands : mapping of (key, key) to Band
        How well the speed of the first less that of the second is known, for every two candidates in their order.
    shortlist : Shortlist
    money : MoneySteps or None
        None where the event has no budget.
    target : Target or None
        The cheapest build that takes the record; None where none does, or it was not asked for.
    order : BuyingPlan or None
        What to buy first when half of the budget comes later; None where there is no budget or no such plan.
    no_order : str
        Why there is no plan though there is a budget.
    purchase : PurchaseNote
        What to buy for number 1.
    salts : tuple of OnEverySalt
        The shortlist and the best build of every condition of the salt.
    salts_complete : bool
        Whether the searches for these were complete.
    traces : tuple of RunTrace
        The runs of the best build.
    thrust : Thrust
    tried : tuple of TriedPart
        Every part of the sheets put into the best build.
    worths : tuple of Worth
        What each assumed or measured number is worth to the best build.
    steps : tuple of SpeedStep
        Up to the best build's speed.
    odds : Odds or None
        Chances of number 1, the shortlist and the car as it stands over the meet, by their keys; None in a hurry.
    measure : MeasureNext or None
        What to measure before money is spent; None in a hurry.
    log : tuple of Logged
        Every run of the car against what was known before it, the earliest first; empty where none is known, and in a
        hurry.
    """

    quick: bool
    options: Options
    result: RankResult
    worth: Why
    low_ms: float
    high_ms: float
    candidates: tuple[Candidate, ...]
    bands: Mapping[tuple[str, str], Band]
    shortlist: Shortlist
    money: MoneySteps | None
    target: Target | None
    order: BuyingPlan | None
    no_order: str
    purchase: PurchaseNote
    salts: tuple[OnEverySalt, ...]
    salts_complete: bool
    traces: tuple[RunTrace, ...]
    thrust: Thrust
    tried: tuple[TriedPart, ...]
    worths: tuple[Worth, ...]
    steps: tuple[SpeedStep, ...]
    odds: Odds | None
    measure: MeasureNext | None
    log: tuple[Logged, ...]

    @property
    def scenario(self) -> Scenario:
        """As asked."""
        return self.result.scenario

    @property
    def best(self) -> BuildCard:
        """Number 1."""
        return self.result.builds[0]


def decision_of(
    scenario: Scenario,
    question: Question | None = None,
    progress: Progress | None = None,
    studies: Studies | None = None,
) -> Decision:
    """Answer everything a crew decides by; most of the time goes into searches, which know of each other.

    Raises
    ------
    NoLegalBuildError
        If no build satisfies all rules.
    UsageError
        If the question names what the scenario does not have.
    """
    asked = question or Question()
    study = study_of(scenario, asked, studies)
    tell = _Part(progress)
    result = rank_in(study, asked, tell.part("ranking", 0.0, 0.25))
    builds = [study.options.encode(card.build) for card in result.builds]
    best = builds[0]
    worth = questions.why(study, progress=tell.part("why", 0.25, 0.27))
    short = questions.short(study, SHORTLISTED, progress=tell.part("shortlist", 0.27, 0.30))
    candidates = _candidates(study, result, short)
    rows = np.stack([study.options.encode(each.card.build) for each in candidates])
    drawn = spread_of(study, rows)
    logged = scenario if result.said_done is not None else None
    named = _named(study, candidates, short)
    by_draws = begin_apart(study, progress, _by_draws, named, logged) if asked.thorough else None
    target = None
    if asked.thorough and result.builds[0].beats_record:
        target = questions.cheapest(study, None, study.scenario.event.budget_cents, tell.part("record", 0.30, 0.38))
    order, no_order = _order(study, asked, tell.part("what to buy first", 0.38, 0.45))
    money = _money(study, asked, tell.part("money", 0.45, 0.57))
    listed = np.stack([study.options.encode(each.build) for each in short.entries])
    salts, salts_complete = questions.beside_the_best_on_salts(
        study, listed, tell.part("salt", 0.57, 0.8), search=asked.thorough
    )
    odds, measure, log = (None, None, ()) if by_draws is None else by_draws()
    low, high = middle_of(drawn[:, 0]) if odds is None else (odds.builds[0].low_ms, odds.builds[0].high_ms)
    return Decision(
        quick=not asked.thorough,
        options=study.options,
        result=result,
        worth=worth,
        low_ms=float(low),
        high_ms=float(high),
        candidates=candidates,
        bands=_bands(study, candidates, rows, drawn),
        shortlist=short,
        money=money,
        target=target,
        order=order,
        no_order=no_order,
        purchase=papers.purchase(study),
        salts=salts,
        salts_complete=salts_complete,
        traces=traces_of(study.judge, best),
        thrust=thrust_of(study.judge, best),
        tried=every_part(study.judge, study.legality, study.book, best),
        worths=worth_of_inputs(study.scenario, dict(result.builds[0].build), asked.salt),
        steps=speed_steps_of(study.judge, best),
        odds=odds,
        measure=measure,
        log=log,
    )


class _Part:
    """Progress of the whole, told by its parts."""

    def __init__(self, progress: Progress | None) -> None:
        self.progress = progress

    def part(self, name: str, begin: float, end: float) -> Progress:
        def tell(what: str, share: float) -> None:
            if self.progress is not None:
                self.progress(f"{name}: {what}", begin + share * (end - begin))

        return tell


def _named(
    study: Study, candidates: tuple[Candidate, ...], short: Shortlist
) -> list[tuple[str, IntArray]]:
    """Number 1, the shortlist and the car as it stands, by their keys."""
    listed = [entry.build for entry in short.entries]
    return [
        (each.key, study.options.encode(each.card.build))
        for each in candidates
        if each.key in {"1", NOW} or each.card.build in listed
    ]


def _by_draws(
    study: Study, progress: Progress | None, named: list[tuple[str, IntArray]], logged: Scenario | None
) -> tuple[Odds, MeasureNext, tuple[Logged, ...]]:
    """What takes draws and hardly a search: chances of builds in the same worlds, what to measure, and the log."""
    tell = _Part(progress)
    odds = odds_of(study, named, progress=tell.part("odds", 0.8, 0.86))
    measure = chance_questions.measure(study, progress=tell.part("what to measure", 0.86, 0.98))
    return odds, measure, () if logged is None else _log(logged)


def _log(scenario: Scenario) -> tuple[Logged, ...]:
    """The log of runs, which begins with what the files state, whatever was found out since."""
    stated = scenario if scenario.calibration is None else read_scenario(scenario.folder, as_stated=True)
    return log_of(stated, read_runs(stated))


def _candidates(study: Study, result: RankResult, short: Shortlist) -> tuple[Candidate, ...]:
    """Builds to be compared: each once, the ranking first."""
    found = [Candidate(str(place), card) for place, card in enumerate(result.builds, 1)]
    known: list[Any] = [card.build for card in result.builds]
    letters = iter("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
    for entry in short.entries:
        if entry.build not in known:
            build = study.options.encode(entry.build)
            card = card_of(study.judge, study.legality, study.book, build, study.scenario.event.budget_cents)
            found.append(Candidate(next(letters), card))
            known.append(entry.build)
    if result.as_it_stands.build not in known:
        found.append(Candidate(NOW, result.as_it_stands))
    return tuple(found)


def _bands(
    study: Study, candidates: tuple[Candidate, ...], rows: IntArray, drawn: Any
) -> dict[tuple[str, str], Band]:
    """Every two candidates, in the draws that all of them share."""
    speed = study.judge.speeds(rows)
    return {
        (first.key, second.key): band_of(float(speed[i] - speed[j]), drawn[:, i] - drawn[:, j])
        for i, first in enumerate(candidates)
        for j, second in enumerate(candidates)
        if i < j
    }


def _money(study: Study, asked: Question, progress: Progress) -> MoneySteps | None:
    """Money against speed up to the budget; None without one."""
    if study.scenario.event.budget_cents is None:
        return None
    return questions.budget(study, asked=BUDGETS if asked.thorough else QUICK_BUDGETS, progress=progress)


def _order(study: Study, asked: Question, progress: Progress) -> tuple[BuyingPlan | None, str]:
    """What to buy first with half of the budget; or why there is no saying."""
    budget = study.scenario.event.budget_cents
    if budget is None or not asked.thorough:
        return None, ""
    try:
        return questions.order(study, (budget // 2, budget - budget // 2), progress), ""
    except SaltmileError as refusal:
        return None, str(refusal)
