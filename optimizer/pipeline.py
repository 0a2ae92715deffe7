"""The whole journey as a few readable functions, shared by the command line, notebooks and reports."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.answers.cards import BuildCard, card_of, cards_of
from optimizer.answers.kept_out import why_none
from optimizer.answers.near_best import near_the_best
from optimizer.answers.plausibility import Doubt, doubts_of_inputs
from optimizer.answers.power_in_air import PowerSpread, doubts_of_air, power_spread
from optimizer.answers.result_doubts import doubts_of_record, doubts_of_results, doubts_of_swaps
from optimizer.answers.said_done import SaidDone, said_done
from optimizer.answers.sensitivity import Worth, worth_of_inputs
from optimizer.answers.swaps import Swap, best_swaps, single_swaps
from optimizer.choice.options import options_of
from optimizer.choice.wishes import build_with, refuse_crowded, with_wishes
from optimizer.errors import NoLegalBuildError, UsageError
from optimizer.measured.reading import read_runs
from optimizer.recheck.asking import Asked, Case
from optimizer.recheck.certifying import certify
from optimizer.recheck.evidence import as_json
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import Engine
from optimizer.search.pool import Evidence
from optimizer.search.sharing import in_advance
from optimizer.search.state import Progress
from optimizer.search.studies import Studies
from optimizer.search.study import Study
from optimizer.units import nearest_and_all

ANY_CLASS = "any"
"""What `budget` takes for the class whose record is cheapest to take."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of a scenario. ``None`` leaves what the event says.

    ``thorough``: everything that is not listed is to be ruled out by argument, not by samples. ``time_limit_s``: time
    after which the search stops with what it has, and says by how much it could be wrong.
    """

    top: int = 10
    budget_cents: int | None = None
    race_class: str | None = None
    salt: str | None = None
    with_parts: tuple[str, ...] = ()
    without_parts: tuple[str, ...] = ()
    thorough: bool = True
    time_limit_s: float | None = None


@dataclass(frozen=True, slots=True)
class RankResult:
    """The answer to `rank`.

    Attributes
    ----------
    scenario : Scenario
        As asked: class and budget are those of the question.
    salt : str
        Salt condition of the answer.
    builds : tuple of BuildCard
        The best builds in the total order.
    as_it_stands : BuildCard
        The car with its fitted parts (it may not be legal: see its ``problems``).
    swaps : tuple of Swap
        From the best build, the best other choice in every slot that has a legal one.
    indifferent : tuple of str
        Slots where no legal choice moves the speed by more than 0.05 mph.
    most_careful, cheapest : BuildCard
        Among the builds too close to call with the best that were met: largest margin, lowest price.
    near_met, near_compared, near_count : int
        How many legal builds near the best were met, itself included; how many of these, the fastest, were all compared
        with it; and how many of those are too close to call. The other two are the ends of all that were met.
    told_apart : tuple of bool
        Of each of ``builds``, whether it is known to be slower than the best for all that is not known exactly.
    evidence : Evidence
        How complete the search was.
    second_looks : tuple of Doubt
        About the car, the salt, the parts of the builds named here, the runs of the best build, and the swaps.
    power_in_this_air : tuple of PowerSpread
        Of each engine among the builds, on the best build with it, where its correction is not meant for this air.
    said_done : SaidDone or None
        The last run of the car against what the model says of it; None where the folder has no run that counts.
    """

    scenario: Scenario
    salt: str
    builds: tuple[BuildCard, ...]
    as_it_stands: BuildCard
    swaps: tuple[Swap, ...]
    indifferent: tuple[str, ...]
    most_careful: BuildCard
    cheapest: BuildCard
    near_met: int
    near_compared: int
    near_count: int
    told_apart: tuple[bool, ...]
    evidence: Evidence
    notices: tuple[str, ...]
    second_looks: tuple[Doubt, ...]
    power_in_this_air: tuple[PowerSpread, ...]
    said_done: SaidDone | None = None


@dataclass(frozen=True, slots=True)
class Prediction:
    """The answer to `predict`: the build, what is worth a second look in its inputs and runs, the last run timed."""

    card: BuildCard
    second_looks: tuple[Doubt, ...]
    power_in_this_air: tuple[PowerSpread, ...]
    said_done: SaidDone | None = None


def as_asked(scenario: Scenario, question: Question) -> Scenario:
    """The scenario with the question's class and budget; errors name what is known.

    Raises
    ------
    UsageError
        For an unknown class or salt condition.
    """
    event = scenario.event
    if question.race_class is not None and question.race_class not in event.classes:
        every = nearest_and_all(question.race_class, event.classes, "the classes are")
        only = ": only budget takes any" if question.race_class == ANY_CLASS else ""
        raise UsageError(f"no class is called {question.race_class!r}{only}{every}")
    if question.salt is not None and question.salt not in event.salts:
        every = nearest_and_all(question.salt, event.salts, "there are")
        raise UsageError(f"no salt condition is called {question.salt!r}{every}")
    changed = replace(
        event,
        race_class=question.race_class or event.race_class,
        budget_cents=event.budget_cents if question.budget_cents is None else question.budget_cents,
    )
    return replace(scenario, event=changed)


def study_of(scenario: Scenario, question: Question | None = None, studies: Studies | None = None) -> Study:
    """What a question is answered with (the event's own if None): its parts that must or must not be in are rules.

    ``studies`` make searches take less time; what they find is the same.

    Raises
    ------
    UsageError
        If the question names what the scenario does not have, or wants two parts in a slot.
    """
    asked = question or Question()
    study = (studies or Studies()).of(as_asked(scenario, asked), asked.salt)
    refuse_crowded(study.options, asked.with_parts)
    return replace(study, legality=with_wishes(study.legality, asked.with_parts, asked.without_parts))


def rank(
    scenario: Scenario,
    question: Question | None = None,
    progress: Progress | None = None,
    *,
    interruptible: bool = False,
    studies: Studies | None = None,
) -> RankResult:
    """Best builds of a scenario with their reasons, sooner with ``studies``.

    ``interruptible``: a `KeyboardInterrupt` in the search ends it with the best found so far, as a time limit would; it
    is raised all the same where no legal build was met yet.

    Raises
    ------
    NoLegalBuildError
        If no build satisfies all rules; it says which cannot be met together.
    UsageError
        If the question names what the scenario does not have, or its time limit is too short to meet a legal build.
    """
    asked = question or Question()
    return rank_in(study_of(scenario, asked, studies), asked, progress, interruptible=interruptible)


def rank_in(
    study: Study, asked: Question, progress: Progress | None = None, *, interruptible: bool = False
) -> RankResult:
    """The same in the study of the question (see `study_of`), which keeps what was found out for others."""
    event = study.scenario.event
    tell = progress or (lambda _what, _share: None)
    runs = read_runs(study.scenario)  # a fault in them is told before the search, not after it
    refuse_the_impossible(study)
    ranking = study.best(
        asked.top,
        budget_cents=event.budget_cents,
        thorough=asked.thorough,
        around=True,
        time_limit_s=asked.time_limit_s,
        interruptible=interruptible,
        progress=tell,
    )
    if ranking.listed == 0 and ranking.evidence.interrupted:
        raise KeyboardInterrupt
    if ranking.listed == 0 and ranking.evidence.stopped:
        raise _too_little_time(ranking.evidence)
    if ranking.listed == 0:
        why = why_none(study, event.budget_cents, ranking.evidence)
        raise NoLegalBuildError(why.text, why.reasons, why.cheapest_cents)
    tell("what else is close", 0.95)
    near = near_the_best(study, ranking)
    careful, cheapest = ranking.builds[near.careful], ranking.builds[near.cheapest]

    said = in_advance(study.helper, said_done, study.scenario, runs)
    swaps, indifferent = best_swaps(single_swaps(study.judge, study.legality, study.book, ranking.builds[0]))
    told = np.concatenate([ranking.builds[: ranking.listed], [careful, cheapest, study.options.fitted]])
    cards = cards_of(study.judge, study.legality, study.book, told, event.budget_cents)
    builds, others = cards[: ranking.listed], cards[ranking.listed :]
    doubts, spreads = _second_looks(study, builds, others, others[2], asked.salt)
    return RankResult(
        scenario=study.scenario,
        salt=asked.salt or event.salt,
        builds=builds,
        as_it_stands=others[2],
        swaps=swaps,
        indifferent=indifferent,
        most_careful=others[0],
        cheapest=others[1],
        near_met=near.met,
        near_compared=len(near.close),
        near_count=int(near.close.sum()),
        told_apart=tuple(not each for each in near.close[: ranking.listed].tolist()),
        evidence=ranking.evidence,
        notices=(*study.scenario.notices, *study.legality.notices),
        second_looks=(*doubts, *doubts_of_swaps(study.scenario, swaps)),
        power_in_this_air=spreads,
        said_done=said(),
    )


def _too_little_time(evidence: Evidence) -> UsageError:
    """Refusal of a time limit in which no legal build was met: that there is none was not shown."""
    failed = [name for name, count in evidence.refused.items() if count]
    met = f" Builds that were run failed: {', '.join(failed)}." if failed else ""
    return UsageError(f"no legal build was met within the time limit; there may be one: give it more time.{met}")


def evidence_of(scenario: Scenario, result: RankResult, question: Question, inputs_sha256: str) -> str:
    """Evidence that nothing faster than the builds listed was left out, as the text of a file (docs/evidence.md).

    It is made from the list alone, by what `recheck` is made of, however the search went.

    Parameters
    ----------
    scenario : Scenario
        As read, before the question.
    result : RankResult
        The answer to the question.
    question : Question
    inputs_sha256 : str
        Hash of the folder's files.
    """
    asked = Asked(
        question.top, question.budget_cents, question.race_class, question.salt, question.with_parts,
        question.without_parts,
    )  # fmt: skip
    case = Case(scenario, asked)
    builds = np.stack([case.options.encode(card.build) for card in result.builds])
    return as_json(certify(case, builds, inputs_sha256))


def predict(scenario: Scenario, parts: tuple[str, ...] = (), question: Question | None = None) -> Prediction:
    """What the car does as it stands, or with parts put in.

    ``parts`` are ids, or ``slot=id``; an id that suits several slots goes into all of them.
    """
    study = study_of(scenario, question)
    build = study.options.encode(build_with(study.options, parts))
    both = np.stack([build, study.options.fitted])
    card, as_it_stands = cards_of(study.judge, study.legality, study.book, both, study.scenario.event.budget_cents)
    doubts, spreads = _second_looks(study, (card,), (), as_it_stands, None if question is None else question.salt)
    return Prediction(card, doubts, spreads, said_done(study.scenario))


def second_looks_at_sheets(study: Study) -> tuple[Doubt, ...]:
    """What is worth a second look in everything the crew typed, power in the event's air included."""
    event = study.scenario.event
    weathers = event.weather[: event.scoring.runs]
    engines = [part for part in study.scenario.parts.values() if isinstance(part, Engine)]
    in_air = (doubt for engine in engines for doubt in doubts_of_air(engine, weathers))
    return (*unusual_as_typed(study), *dict.fromkeys(in_air))


def unusual_as_typed(study: Study) -> tuple[Doubt, ...]:
    """What is unusual in the sheets by itself, or beside what the car as it stands does: where a slip would be."""
    scenario, budget_cents = study.scenario, study.scenario.event.budget_cents
    stands = card_of(study.judge, study.legality, study.book, study.options.fitted, budget_cents)
    return (*doubts_of_inputs(scenario), *doubts_of_record(scenario, stands))


def sensitivity(scenario: Scenario, parts: tuple[str, ...] = (), question: Question | None = None) -> tuple[Worth, ...]:
    """What each assumed or measured input is worth to the car that `predict` speaks of, largest first."""
    asked = question or Question()
    scenario = as_asked(scenario, asked)
    return worth_of_inputs(scenario, build_with(options_of(scenario), parts), asked.salt)


def _second_looks(
    study: Study,
    builds: tuple[BuildCard, ...],
    others: tuple[BuildCard, ...],
    as_it_stands: BuildCard,
    salt: str | None,
) -> tuple[tuple[Doubt, ...], tuple[PowerSpread, ...]]:
    """Doubts about builds, the best first, others named beside them, and the record; power in this air by engine."""
    scenario, event = study.scenario, study.scenario.event
    parts = {part for card in (*builds, *others) for part in card.build.values()}
    salts = (salt or event.salt, event.fast_case.salt, event.stopping.salt)
    in_air: list[Doubt] = []
    spreads: dict[str, PowerSpread | None] = {}
    for card in builds:
        build = study.options.encode(card.build)
        engine = next(part for part in study.options.chosen(build) if isinstance(part, Engine))
        if engine.id not in spreads:
            in_air += doubts_of_air(engine, [each.weather for each in study.judge.conditions])
            spreads[engine.id] = power_spread(study.judge, build)
    typed = (*doubts_of_inputs(scenario, parts, salts), *doubts_of_record(scenario, as_it_stands))
    doubts = (*typed, *in_air, *doubts_of_results(scenario, builds[0]))
    return tuple(dict.fromkeys(doubts)), tuple(each for each in spreads.values() if each is not None)


def refuse_the_impossible(study: Study) -> None:
    """Ask whether any build meets every rule before a run: the mixed-integer model, where the fitted parts do not.

    Raises
    ------
    NoLegalBuildError
        If none does; with the rules that exclude each other.
    """
    if _as_it_stands_will_do(study):
        return
    # Pyomo takes half a second to import: only where the solver is asked
    from optimizer.search.diagnosis import explain_no_legal_build  # noqa: PLC0415
    from optimizer.search.selection_model import build_model  # noqa: PLC0415

    event, options, legality, book = study.scenario.event, study.options, study.legality, study.book
    model = build_model(options, legality, book, budget_cents=event.budget_cents, hours_limit=event.hours_limit)
    model.minimize_price()
    found = model.solve()
    # a question that the solver did not settle is for the search to answer
    if found.build is None and found.proven:
        why = explain_no_legal_build(options, legality, book)
        raise NoLegalBuildError(why.text, why.reasons, why.cheapest_cents)


def _as_it_stands_will_do(study: Study) -> bool:
    """Whether the car as it stands meets every rule before a run, within the budget and the hours."""
    build, money = study.options.fitted[None], study.scenario.event.budget_cents
    if not study.legality.allowed(build)[0]:
        return False
    price = study.book.price(build)
    return bool(price.available[0] and (money is None or price.cents[0] <= money))
