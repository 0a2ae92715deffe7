"""What Python users call: every question as one function, of a folder or of what was read from it.

Money is in whole units of the event's currency, speeds of results in meters per second, builds of results as arrays of
positions (``study.options.decode`` names their parts). `optimizer.frames.frame_of` makes a pandas frame of any result.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TypedDict, Unpack

from optimizer import chance_questions, papers, pipeline, questions
from optimizer.answers.bring import Bring
from optimizer.answers.buying_order import BuyingPlan
from optimizer.answers.compare import Comparison
from optimizer.answers.doubt import Aim, UnderDoubt
from optimizer.answers.frontier import Target
from optimizer.answers.measure_next import MeasureNext
from optimizer.answers.morning_records import MorningCard
from optimizer.answers.odds import Odds
from optimizer.answers.offers import OffersAnswer
from optimizer.answers.purchase_note import PurchaseNote
from optimizer.answers.sensitivity import Worth
from optimizer.answers.shortlist import Shortlist
from optimizer.answers.why_not import WhyNot
from optimizer.answers.why_not import why_not as _why_not
from optimizer.executor import Pool
from optimizer.measured.reading import read_folder
from optimizer.pipeline import Prediction, Question, RankResult
from optimizer.questions import MoneySteps, OnEverySalt, Record, Why
from optimizer.scenario.event import Meet, Scenario
from optimizer.search.state import Progress
from optimizer.search.study import Study

Read = Scenario | str | Path
"""A folder, or what was read from it."""
Asked = Read | Study
"""The same, or a study: what one question finds out, the next then knows."""


class Details(TypedDict, total=False):
    """What a question may leave to the event or say itself."""

    budget: float | None
    race_class: str | None
    salt: str | None
    with_parts: Sequence[str]
    without_parts: Sequence[str]


def read(folder: str | Path) -> Scenario:
    """Read a folder: the car, the event and all parts.

    Raises
    ------
    ScenarioError
        With every fault of every file.
    """
    return read_folder(Path(folder))


def study(of: Asked, **question: Unpack[Details]) -> Study:
    """What questions about one car, class and salt are asked of: they share what they find out.

    Parameters
    ----------
    of : folder, Scenario, or Study
        A study is given back as it is, and takes no further arguments.
    budget : float, optional
        In whole units of the event's currency; the event's own when left out, as all others.
    race_class, salt : str, optional
    with_parts, without_parts : sequence of str, optional
        Parts that must or must not be in: an id, or ``slot=id``.

    Raises
    ------
    UsageError
        For an unknown class, condition of the salt or part.
    NoLegalBuildError
        If no build satisfies all rules before a run.
    """
    if not isinstance(of, Study):
        return questions.possible_study_of(_read(of), _question(**question))
    if question:
        msg = f"a study says already what is asked: {', '.join(question)} belong into `study`"
        raise TypeError(msg)
    return of


def rank(
    of: Read,
    *,
    top: int = 10,
    thorough: bool = True,
    time_limit_s: float | None = None,
    progress: Progress | None = None,
    **question: Unpack[Details],
) -> RankResult:
    """The fastest legal builds, with reasons.

    Parameters
    ----------
    of : folder or Scenario
    top : int
        How many builds.
    thorough : bool
        Rule out the rest by argument, not by samples.
    time_limit_s : float, optional
        Stop searching then, and say how much faster anything else could be.
    progress : callable, optional
        Told what is being done and which share of it is done.
    **question
        As for `study`.
    """
    asked = _question(top=top, thorough=thorough, time_limit_s=time_limit_s, **question)
    return pipeline.rank(_read(of), asked, progress)


def predict(of: Read, *parts: str, race_class: str | None = None, salt: str | None = None) -> Prediction:
    """What the car does as it stands, or with parts put in: ids, or ``slot=id``."""
    question = Question(race_class=race_class, salt=salt)
    return pipeline.predict(pipeline.as_asked(_read(of), question), parts, question)


def sensitivity(of: Read, *parts: str, race_class: str | None = None, salt: str | None = None) -> tuple[Worth, ...]:
    """What each assumed or measured number is worth to the car that `predict` speaks of, the largest first."""
    return pipeline.sensitivity(_read(of), parts, Question(race_class=race_class, salt=salt))


def why(of: Asked, place: int = 1, **question: Unpack[Details]) -> Why:
    """What each part of the build in a place is worth, what holds the car, where the power goes."""
    return questions.why(study(of, **question), place)


def why_not(of: Asked, part: str, **question: Unpack[Details]) -> WhyNot:
    """Why a part is not in the best build, and what would bring it in."""
    asked = study(of, **question)
    return _why_not(asked, part, budget_cents=asked.scenario.event.budget_cents)


def offers(
    of: Asked, sheets: Sequence[str | Path] = (), lines: Sequence[str] = (), **question: Unpack[Details]
) -> OffersAnswer:
    """What parts and kits on offer are good for: sheets (``tires.csv``), and typed parts as for ``saltmile try``."""
    asked = study(of, **question)
    salt = asked.judge.conditions[0].salt
    key = next(key for key, each in asked.scenario.event.salts.items() if each is salt)
    return questions.offers(asked, [Path(each) for each in sheets], lines, key)


def budget(
    of: Asked, low: float = 0, high: float | None = None, *, every: bool = False, **question: Unpack[Details]
) -> MoneySteps:
    """The fastest build for every budget between two."""
    return questions.budget(study(of, **question), _cents(low), None if high is None else _cents(high), every=every)


def cheapest(of: Asked, target_ms: float | None = None, **question: Unpack[Details]) -> Target:
    """The cheapest build past a speed [m/s]: what takes the record when left out."""
    return questions.cheapest(study(of, **question), target_ms)


def records(of: Read, *, salt: str | None = None, budget: float | None = None) -> list[Record]:
    """What the record of each class costs, the cheapest first."""
    return questions.cheapest_record(_read(of), salt, None if budget is None else _cents(budget))


def buying_order(of: Asked, stages: Sequence[float], **question: Unpack[Details]) -> BuyingPlan:
    """What to buy first when money comes in stages. The budget is their sum, whatever the event says."""
    if not isinstance(of, Study):
        question["budget"] = sum(stages)
    return questions.order(study(of, **question), [_cents(each) for each in stages])


def shortlist(
    of: Asked, count: int = 5, *, soft_salt: str | None = None, wide: bool = False, **question: Unpack[Details]
) -> Shortlist:
    """Builds near the best that really differ, each with what speaks for it."""
    return questions.short(study(of, **question), count, soft_salt=soft_salt, wide=wide)


def compare(of: Asked, first: str, second: str, **question: Unpack[Details]) -> Comparison:
    """Two builds beside each other: places in the ranking (``1``), ``now``, or parts put into the best build."""
    return questions.side_by_side(study(of, **question), first, second)


def salts(of: Asked, top: int = 3, **question: Unpack[Details]) -> list[OnEverySalt]:
    """The best builds in every condition of the salt, and their places in all of them."""
    return questions.on_every_salt(study(of, **question), top)


def odds(
    of: Asked,
    *builds: str,
    meet: Meet | None = None,
    draws: int | None = None,
    pool: Pool | None = None,
    **question: Unpack[Details],
) -> Odds:
    """How likely the class record falls, for builds by name (``1`` where none is named); the event's meet if None.

    A ``pool`` (`optimizer.executor`) draws on more processors or machines; the answer is the same.
    """
    return chance_questions.odds(study(of, **question), builds or ("1",), meet=meet, draws=draws, pool=pool)


def choose(
    of: Asked,
    aim: Aim = "record",
    *,
    searches: int = 0,
    meet: Meet | None = None,
    pool: Pool | None = None,
    **question: Unpack[Details],
) -> UnderDoubt:
    """The build most likely to take the record, or with least to ``regret``; drawn worlds to search completely."""
    return chance_questions.choose(study(of, **question), aim, searches=searches, meet=meet, pool=pool)


def measure(
    of: Asked,
    *,
    meet: Meet | None = None,
    draws: int | None = None,
    pool: Pool | None = None,
    **question: Unpack[Details],
) -> MeasureNext:
    """What is worth measuring before money is spent, how, and how well."""
    return chance_questions.measure(study(of, **question), meet=meet, draws=draws, pool=pool)


def bring(
    of: Asked,
    spares: int = 1,
    *,
    meet: Meet | None = None,
    draws: int | None = None,
    pool: Pool | None = None,
    **question: Unpack[Details],
) -> Bring:
    """Which spare tires or final drives to bring, chosen from on the morning."""
    return chance_questions.what_to_bring(study(of, **question), spares, meet=meet, draws=draws, pool=pool)


def card(of: Asked, build: str = "1", spares: Sequence[str] = (), **question: Unpack[Details]) -> MorningCard:
    """The card for the morning of a build, with spares that are carried."""
    return papers.card(study(of, **question), build, spares)


def purchase(of: Asked, place: int = 1, *, first_place: bool = False, **question: Unpack[Details]) -> PurchaseNote:
    """What to buy for the build in a place of the ranking, not above which price, and what to ask."""
    return papers.purchase(study(of, **question), place, first_place=first_place)


def _read(of: Read) -> Scenario:
    return of if isinstance(of, Scenario) else read(of)


def _cents(amount: float) -> int:
    return round(100 * amount)


def _question(
    top: int = 10, *, thorough: bool = True, time_limit_s: float | None = None, **question: Unpack[Details]
) -> Question:
    money = question.get("budget")
    return Question(
        top=top,
        budget_cents=None if money is None else _cents(money),
        race_class=question.get("race_class"),
        salt=question.get("salt"),
        with_parts=tuple(question.get("with_parts", ())),
        without_parts=tuple(question.get("without_parts", ())),
        thorough=thorough,
        time_limit_s=time_limit_s,
    )
