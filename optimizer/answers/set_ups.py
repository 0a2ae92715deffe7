"""What a crew can make of its car in the pits: the build, and the build with spares that it carries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from optimizer.choice.options import IntArray
from optimizer.choice.wishes import places_of
from optimizer.errors import UsageError
from optimizer.search.study import Study

MOST_SPARES = 4
LETTERS = "ABCDEFGHIJKLMNOP"
"""One for each choice of so many spares."""


@dataclass(frozen=True, slots=True)
class SetUp:
    """The build with some of the spares on it.

    Attributes
    ----------
    letter : str
        "A" is the build without any spare.
    spares : tuple of str
        As they were named.
    changes : tuple of (slot, from, to)
        Against the build.
    build : array (S,)
    """

    letter: str
    spares: tuple[str, ...]
    changes: tuple[tuple[str, str, str], ...]
    build: IntArray


@dataclass(frozen=True, slots=True)
class Unfit:
    """A spare that goes on in no legal way, and why it may not go on alone."""

    spare: str
    reasons: tuple[str, ...]


def set_ups(study: Study, build: IntArray, spares: Sequence[str]) -> tuple[tuple[SetUp, ...], tuple[Unfit, ...]]:
    """The build (S,) alone and with every choice of spares that is legal, fewest spares first; and what is not.

    A spare is a part as for `predict`, or several that go on together, joined by commas: ``rear tires=T5,W3``. Spares
    for one slot are never on together. Money is not asked about: spares are at hand.

    Raises
    ------
    UsageError
        If a part is not known, or there are more than `MOST_SPARES` spares.
    """
    if len(spares) > MOST_SPARES:
        raise UsageError(f"{len(spares)} spares make too many set-ups to read; name at most {MOST_SPARES}")
    places = {named: _places(study, named) for named in dict.fromkeys(spares)}
    found, alone = [_set_up(study, build, LETTERS[0], (), {})], dict[str, tuple[str, ...]]()
    idle = {named for named, at in places.items() if all(build[s] == o for s, o in at.items())}
    for size in range(1, len(places) + 1):
        for chosen in combinations([named for named in places if named not in idle], size):
            taken = [s for named in chosen for s in places[named]]
            if len(set(taken)) < len(taken):
                continue
            together = {s: o for named in chosen for s, o in places[named].items()}
            tried = _set_up(study, build, LETTERS[len(found)], chosen, together)
            reasons = _reasons(study, tried.build)
            if size == 1:
                alone[chosen[0]] = reasons
            if not reasons:
                found.append(tried)
    alone |= dict.fromkeys(idle, ("it is on the car already",))
    useful = {named for each in found for named in each.spares}
    return tuple(found), tuple(Unfit(named, alone[named]) for named in places if named not in useful)


def _places(study: Study, named: str) -> dict[int, int]:
    """Slot -> option of a spare. A part that suits several slots goes into all that are not spoken for by name."""
    found: dict[int, int] = {}
    for part in sorted(named.split(","), key=lambda each: "=" in each):
        found.update(places_of(study.options, part.strip()))
    return found


def _set_up(study: Study, build: IntArray, letter: str, spares: tuple[str, ...], places: dict[int, int]) -> SetUp:
    row = build.copy()
    for s, o in places.items():
        row[s] = o
    parts, slots = study.options.parts, study.options.slots
    changes = tuple(
        (slots[s].name, parts[s][int(build[s])].id, parts[s][o].id) for s, o in sorted(places.items()) if build[s] != o
    )
    return SetUp(letter, spares, changes, row)


def _reasons(study: Study, build: IntArray) -> tuple[str, ...]:
    """Why a build (S,) is not legal; empty where it is."""
    reasons = tuple(f"{each.check}: {each.text}" for each in study.legality.violations(build))
    if reasons:
        return reasons
    rows = build[None]
    return study.judge.broken(study.judge.judge(rows, study.judge.runs(rows)), 0)
