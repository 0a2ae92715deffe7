"""What keeps a part out of every legal build, and what is most like it of the parts that may be in."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.choice.options import IntArray
from optimizer.choice.wishes import places_of, with_wishes
from optimizer.run.judge import CHECKS, Judged
from optimizer.run.model import rated_speed_ms
from optimizer.scenario.parts import NONE_ID, Part
from optimizer.search.pool import Evidence
from optimizer.search.ranking import Ranking
from optimizer.search.state import Progress
from optimizer.search.study import Study

if TYPE_CHECKING:  # Pyomo takes half a second to import
    from optimizer.search.diagnosis import Diagnosis


FAILED_BEFORE = 10_000
"""Builds that failed a check at speed for questions before, the last ones, of which is told what they fail."""


@dataclass(frozen=True, slots=True)
class Nearest:
    """Of the options of a slot that stand in some legal build within the budget, the one most like a part."""

    slot: str
    id: str


@dataclass(frozen=True, slots=True)
class KeptOut:
    """Why no legal build within a budget has a part.

    Attributes
    ----------
    reasons : tuple of str
        ``budget``, or ``own hours``; or the names of checks and rules that cannot be met together with the part in, of
        which none can be spared: without any one of them the others let the part in. Where the part passes all of
        these, names of the checks at speed that builds with it fail.
    at_speed : bool
        Whether the reasons are checks that need a run.
    cheapest_cents : int or None
        With ``budget``: price of the cheapest build with the part that meets every rule before a run.
    text : str
        The same in words.
    nearest : tuple of Nearest
        One for each slot the part may be asked about in, where any option will do.
    """

    reasons: tuple[str, ...]
    at_speed: bool
    cheapest_cents: int | None
    text: str
    nearest: tuple[Nearest, ...]


def kept_out(
    study: Study, named: str, budget_cents: int | None, asked: Ranking, progress: Progress | None = None
) -> KeptOut:
    """Find out what keeps a part out.

    Parameters
    ----------
    study : Study
    named : str
        The part, as ``id`` or ``slot=id``.
    budget_cents : int or None
    asked : Ranking
        What the search said when it was asked for a build with the part: it has none.
    progress : callable, optional
    """
    said = why_none(study, budget_cents, asked.evidence, (named,))
    nearest = tuple(_nearest(study, budget_cents, s, o, progress) for s, o in places_of(study.options, named))
    at_speed = bool(said.reasons) and set(said.reasons) <= set(CHECKS)
    return KeptOut(
        said.reasons, at_speed, said.cheapest_cents, said.text, tuple(each for each in nearest if each is not None)
    )


def why_none(
    study: Study, budget_cents: int | None, evidence: Evidence, with_parts: tuple[str, ...] = ()
) -> Diagnosis:
    """Why no build (with some parts) is legal within a budget; a search of ``evidence`` found none. None: any money."""
    from optimizer.search.diagnosis import explain_no_legal_build  # noqa: PLC0415

    cheapest = cheapest_allowed(study, budget_cents, with_parts)
    judged = None if cheapest is None else study.judge.judge(cheapest[None], study.judge.runs(cheapest[None]))
    most = math.inf if budget_cents is None else budget_cents
    before = _known(study, most, with_parts) if judged is not None and evidence.recalled else None
    said = explain_no_legal_build(
        study.options,
        study.legality,
        study.book,
        budget_cents=most,
        failed_in_run=() if judged is None else _failed_at_speed(judged, evidence, before),
        with_parts=with_parts,
    )
    broken = () if judged is None else study.judge.broken(judged, 0)
    if cheapest is None or not broken:
        return said
    parts = ", ".join(f"{slot}={part}" for slot, part in study.options.changes(cheapest).items())
    what = f"with {parts}" if parts else "the car as it stands"
    return replace(said, text=f"{said.text} The cheapest of them, {what}: {'; '.join(broken)}.")


def _failed_at_speed(cheapest: Judged, evidence: Evidence, known: Judged | None) -> tuple[str, ...]:
    """Checks at speed that builds fail, where a search of ``evidence`` found none legal.

    Those that were run for it come first, the most often failed before the others; then those ``known`` from questions
    before it, if there were any. ``cheapest``: what is said of one of them, for where nothing was worth a run: the
    search knew what they all fail.
    """
    refused = evidence.refused
    first = sorted((name for name in CHECKS if refused[name]), key=lambda name: -refused[name])
    others = [] if known is None else [name for name, ok in zip(CHECKS, known.passes, strict=True) if not ok.all()]
    of_one = [name for name, passed in zip(CHECKS, cheapest.passes[:, 0], strict=True) if not passed]
    return tuple(dict.fromkeys([*first, *others])) or tuple(of_one)


def _known(study: Study, most_cents: float, with_parts: tuple[str, ...]) -> Judged:
    """What is said of builds that were run before, fail a check at speed and are otherwise such as are asked for."""
    builds = study.memory.builds[~study.memory.legal][-FAILED_BEFORE:]
    builds = builds[with_wishes(study.legality, with_parts, ()).allowed(builds)]
    prices = study.book.price(builds)
    builds = builds[prices.available & (prices.cents <= most_cents)]
    return study.judge.judge(builds, study.judge.runs(builds))


def cheapest_allowed(study: Study, budget_cents: int | None, with_parts: tuple[str, ...]) -> IntArray | None:
    """A build (S,) with some parts that meets everything before a run: the cheapest."""
    from optimizer.search.selection_model import build_model  # noqa: PLC0415

    legality = with_wishes(study.legality, with_parts, ())
    limit = study.book.hours_limit
    model = build_model(study.options, legality, study.book, budget_cents=budget_cents, hours_limit=limit)
    model.minimize_price()
    return model.solve().build


def _nearest(study: Study, budget_cents: int | None, s: int, o: int, progress: Progress | None) -> Nearest | None:
    """The nearest other option of slot s that stands in some legal build within the budget."""
    slot, parts = study.options.slots[s], study.options.parts[s]
    others = [q for q, part in enumerate(parts) if q != o and part.id != NONE_ID]
    for q in sorted(others, key=lambda q: (distance(parts[o], parts[q]), parts[q].id)):
        if _stands(study, budget_cents, s, q, progress):
            return Nearest(slot.name, parts[q].id)
    return None


def _stands(study: Study, budget_cents: int | None, s: int, q: int, progress: Progress | None) -> bool:
    """Whether some legal build within the budget has an option: a known one, the cheapest, or one searched for."""
    money = np.inf if budget_cents is None else budget_cents
    if len(study.memory.within(study.legality, study.book, money, study.memory.builds[:, s] == q).builds):
        return True
    named = f"{study.options.slots[s].name}={study.options.parts[s][q].id}"
    cheapest = cheapest_allowed(study, budget_cents, (named,))
    if cheapest is None:
        return False
    if _runs_legally(study, cheapest):
        return True
    return study.some_legal(cheapest, budget_cents=budget_cents, with_parts=(named,), progress=progress).listed > 0


def _runs_legally(study: Study, build: IntArray) -> bool:
    """Whether a build (S,) moves, and passes the checks that need a run."""
    runs = study.judge.runs(build[None])
    return bool(study.judge.judge(build[None], runs).legal[0] and study.judge.joined(runs)[0] > 0)


def distance(part: Part, other: Part) -> float:
    """How unlike two parts of a kind are: the sum of what the numbers that matter differ by, each as a share.

    Tires by diameter, width and rated speed; wheels by diameter and width of the rim; rotors by diameter and mass;
    gears by their ratios; all else by price.
    """
    measures = _MEASURES.get(part.kind, _price)
    pairs = zip(measures(part), measures(other), strict=True)
    return sum(abs(a - b) / max(abs(a), abs(b)) for a, b in pairs if a != b)


def _price(part: Any) -> tuple[float, ...]:
    return (float(part.price_cents or 0),)


def _tire(part: Any) -> tuple[float, ...]:
    return part.size.diameter_m, part.size.section_width_m, rated_speed_ms(part)


_MEASURES: MappingProxyType[str, Callable[[Any], tuple[float, ...]]] = MappingProxyType(
    {
        "tire": _tire,
        "wheel": lambda part: (part.rim_diameter_in, part.rim_width_in),
        "rotor": lambda part: (part.diameter_m, part.mass_kg),
        "final drive": lambda part: (part.ratio,),
        "gearset": lambda part: (part.ratios[0], part.ratios[-1], float(len(part.ratios))),
    }
)
