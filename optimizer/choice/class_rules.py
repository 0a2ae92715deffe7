"""What event, class and sheets rule on parts together: exclusions, needs, what is carried, limits, stock.

Rules on single parts are in `part_rules`. The event's own rules are read into every class.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from optimizer.choice.fit import Reason, Words
from optimizer.choice.masses import mass_changes
from optimizer.choice.options import BoolArray, FloatArray, IntArray, Options
from optimizer.choice.part_rules import looks_at
from optimizer.choice.purchase import most_pieces, offers_of
from optimizer.choice.rows import LinearRow, zeros
from optimizer.scenario.event import Limit, RaceClass, Rule
from optimizer.scenario.parts import NONE_ID, Part

Choices = Mapping[int, BoolArray]
"""Some of the options: masks ``(m_s,)`` by slot."""

# --- parts that may not be together -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Exclusion:
    """Two sets of choices of which no two may be in one build.

    ``first[s]`` and ``second[s]`` are masks ``(m_s,)`` over the options of slot s; slots without any are left out.
    ``same_part``: whether the rule also looks at one part that stands in two slots.
    """

    reason: Reason
    first: Choices
    second: Choices
    same_part: bool

    def slots(self) -> list[tuple[int, int]]:
        """Pairs of slots, the lower first, that have choices of both sets: others have no forbidden pair."""
        return sorted({(min(s, t), max(s, t)) for s in self.first for t in self.second if s != t})

    def concerned(self, s: int) -> IntArray:
        """Options of a slot that are in either set."""
        return np.flatnonzero(sum(each[s] for each in (self.first, self.second) if s in each))

    def between(
        self, options: Options, some: tuple[int, Sequence[int] | IntArray], others: tuple[int, Sequence[int] | IntArray]
    ) -> BoolArray:
        """Forbidden pairs of some options (positions) of one slot and some of another; shape as many by as many."""
        (s, rows), (t, columns) = some, others
        hit = np.zeros((len(rows), len(columns)), dtype=np.bool_)
        for here, there in ((self.first, self.second), (self.second, self.first)):
            if s in here and t in there:
                hit |= np.outer(here[s][rows], there[t][columns])
        if not self.same_part and hit.any():
            ids = [np.array([options.parts[slot][o].id for o in at]) for slot, at in (some, others)]
            hit &= ids[0][:, None] != ids[1][None, :]
        return hit


def exclusions(options: Options, race_class: RaceClass) -> tuple[Exclusion, ...]:
    """All pair rules of the class, then what the parts say in ``not with``, in the order of their slots."""
    ids, named = Answering(options, ids_of), Answering(options, names_of)
    ruled = [
        Exclusion(Reason(rule.name, rule.reason), named.to(rule.first), named.to(rule.second), same_part=True)
        for rule in race_class.pairs
    ]
    said = {(part.id, name): None for parts in options.parts for part in parts for name in part.not_with}
    return tuple(ruled) + tuple(
        Exclusion(
            Reason("not with", f"{part_id} does not go with {name}"), ids.to(part_id), named.to(name), same_part=False
        )
        for part_id, name in said
    )


def names_of(part: Part) -> frozenset[str]:
    """What a part answers to: its id and its tags; the empty choice answers to nothing."""
    return frozenset() if part.id == NONE_ID else part.tags | {part.id}


def ids_of(part: Part) -> frozenset[str]:
    """The id alone, that of the empty choice too."""
    return frozenset({part.id})


class Answering:
    """The options by what they answer to, looked up once for all names."""

    def __init__(self, options: Options, names: Callable[[Part], frozenset[str]]) -> None:
        self._sizes = options.sizes
        self._places: dict[str, dict[int, list[int]]] = {}
        for s, parts in enumerate(options.parts):
            for o, part in enumerate(parts):
                for name in names(part):
                    self._places.setdefault(name, {}).setdefault(s, []).append(o)

    def to(self, name: str) -> Choices:
        """Masks ``(m_s,)`` of the options that answer to a name, by slot; slots without any are left out."""
        masks = {}
        for s, places in self._places.get(name, {}).items():
            masks[s] = np.zeros(self._sizes[s], dtype=np.bool_)
            masks[s][places] = True
        return masks


# --- rows ---------------------------------------------------------------------------------------------------


def rule_rows(options: Options, race_class: RaceClass) -> Iterator[LinearRow]:
    """Rows of needs, of what must be carried, of the class's limits, and of stock."""
    yield from needs_rows(options)
    for rule in race_class.rules:
        if rule.carry and rule.carry not in options.scenario.event.carries:
            yield carry_row(options, rule)
    for limit in race_class.limits:
        yield from limit_rows(options, limit)
    yield from stock_rows(options)


def needs_rows(options: Options) -> Iterator[LinearRow]:
    """Yield: a part that needs an id or a tag finds it in another slot, or on the car.

    For each slot s and need n: ``sum of x[s, o], o needs n <= sum of x[t, q], t != s, q answers to n``
    """
    named = Answering(options, names_of)
    for s, parts in enumerate(options.parts):
        for need in dict.fromkeys(name for part in parts for name in part.needs):
            if need in options.scenario.event.carries:
                continue
            coefficients = zeros(options)
            for t, giving in named.to(need).items():
                coefficients[t] -= giving
            coefficients[s] = np.array([float(need in part.needs) for part in parts])
            yield LinearRow(
                name=f"needs {need}: {options.slots[s].name}",
                reason=Reason("needs", f"{options.slots[s].name}: some of these parts need {need}"),
                coefficients=tuple(coefficients),
                upper=0.0,
                explain=partial(_needs_words, options, s, need),
            )


def _needs_words(options: Options, s: int, need: str, build: IntArray) -> str:
    return f"{options.parts[s][int(build[s])].id} needs {need}, which is missing"


def carry_row(options: Options, rule: Rule) -> LinearRow:
    """At least one chosen part carries the tag:  ``- sum of x[s, o] over options that carry it <= -1``."""
    coefficients = [
        -np.array(
            [float(rule.carry in part.tags and looks_at(rule, part, slot)) for part in parts],
            dtype=np.float64,
        )
        for slot, parts in zip(options.slots, options.parts, strict=True)
    ]
    reason = Reason(rule.name, f"{rule.reason} (the build must carry {rule.carry})")
    return LinearRow(f"carry: {rule.name}", reason, tuple(coefficients), -1.0)


def limit_rows(options: Options, limit: Limit) -> Iterator[LinearRow]:
    """Mass [kg] or number of pieces between two bounds.

    Mass without a tag is that of the whole car; with one, of the chosen parts that have it. Numbers are of
    pieces: the slot's count for each chosen part with the tag, or for each part at all where the limit names
    none.
    """
    base = 0.0
    if limit.quantity == "mass" and not limit.tag:
        base, amounts = options.scenario.car.mass_kg, list(mass_changes(options))
    else:
        amounts = [
            slot.count
            * np.array(
                [_amount(part, limit) if not limit.tag or limit.tag in part.tags else 0.0 for part in parts]
            )
            for slot, parts in zip(options.slots, options.parts, strict=True)
        ]
    said = _quantity_words(options, limit)
    for bound, sign, which in ((limit.minimum, -1.0, "at least"), (limit.maximum, 1.0, "at most")):
        if bound is not None:
            yield LinearRow(
                name=f"limit: {limit.name}, {which}",
                reason=Reason(limit.name, f"{limit.reason} ({which} {said(bound)})"),
                coefficients=tuple(sign * each for each in amounts),
                upper=sign * (bound - base),
                explain=partial(_limit_words, (limit.reason, f"{which} {said(bound)}"), said, base, amounts),
            )


def _limit_words(
    frame: tuple[str, str],
    said: Callable[[float], str],
    base: float,
    amounts: Sequence[FloatArray],
    build: IntArray,
) -> str:
    return f"{frame[0]} ({said(base + _sum(amounts, build))}, {frame[1]})"


def _amount(part: Part, limit: Limit) -> float:
    return part.mass_kg if limit.quantity == "mass" else float(part.id != NONE_ID)


def _quantity_words(options: Options, limit: Limit) -> Callable[[float], str]:
    words = Words.of(options.scenario.event)
    what = f" {limit.tag}" if limit.tag else ""
    if limit.quantity == "mass":
        return lambda value: words.mass(value) + what
    return lambda value: f"{value:g}{what or ' parts'}"


def _sum(coefficients: Sequence[FloatArray], build: IntArray) -> float:
    return float(sum(each[o] for each, o in zip(coefficients, build, strict=True)))


def stock_rows(options: Options) -> Iterator[LinearRow]:
    """Yield: pieces used of a part over all slots <= pieces owned plus all on offer, singly and in kits.

    ``sum_s count[s] x[s, part] <= owned + packs * pack + sum over kits of their stock * pieces in it``
    """
    chosen = {part.id: part for parts in options.parts for part in parts if part.id != NONE_ID}
    supply = most_pieces(offers_of(tuple(chosen.values()), options.scenario.kits))
    placed = Answering(options, ids_of)
    for part in chosen.values():
        offered = supply.get(part.id, 0)
        if math.isinf(offered):
            continue
        coefficients = zeros(options)
        for s, here in placed.to(part.id).items():
            coefficients[s] += options.slots[s].count * here
        text = f"{part.id}: {part.owned + offered:g} to be had ({part.owned} owned, {offered:g} on offer)"
        yield LinearRow(
            name=f"stock: {part.id}",
            reason=Reason("stock", text),
            coefficients=tuple(coefficients),
            upper=part.owned + offered,
            explain=partial(_stock_words, text, coefficients),
        )


def _stock_words(text: str, coefficients: Sequence[FloatArray], build: IntArray) -> str:
    return f"{text}, {_sum(coefficients, build):g} needed"
