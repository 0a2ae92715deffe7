"""What event, class and sheets rule on parts together: exclusions, needs, what is carried, limits, stock.

Rules on single parts are in `part_rules`. The event's own rules are read into every class.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from optimizer.choice.fit import Reason, Words
from optimizer.choice.masses import mass_changes
from optimizer.choice.options import BoolArray, FloatArray, IntArray, Options
from optimizer.choice.part_rules import looks_at
from optimizer.choice.purchase import most_pieces, offers_of
from optimizer.choice.rows import LinearRow, zeros
from optimizer.scenario.event import Limit, PairRule, RaceClass, Rule
from optimizer.scenario.parts import NONE_ID, Part

# --- parts that may not be together -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Exclusion:
    """Two sets of choices of which no two may be in one build.

    ``first[s]`` and ``second[s]`` are masks ``(m_s,)`` over the options of slot s. ``same_part``: whether the
    rule also looks at one part that stands in two slots.
    """

    reason: Reason
    first: tuple[BoolArray, ...]
    second: tuple[BoolArray, ...]
    same_part: bool

    def between(self, options: Options, s: int, t: int) -> BoolArray:
        """Forbidden pairs of options of two slots; shape ``(m_s, m_t)``."""
        hit = np.outer(self.first[s], self.second[t]) | np.outer(self.second[s], self.first[t])
        if not self.same_part and hit.any():
            ids = [np.array([part.id for part in options.parts[each]]) for each in (s, t)]
            hit &= ids[0][:, None] != ids[1][None, :]
        return hit


def exclusions(options: Options, race_class: RaceClass) -> tuple[Exclusion, ...]:
    """All pair rules of the class, then what the parts say in ``not with``, in the order of their slots."""
    ruled = [_pair_rule(options, rule) for rule in race_class.pairs]
    said = {(part.id, name): None for parts in options.parts for part in parts for name in part.not_with}
    return tuple(ruled) + tuple(
        Exclusion(
            Reason("not with", f"{part_id} does not go with {name}"),
            _mask(options, partial(_is, part_id=part_id)),
            _mask(options, partial(answers_to, name=name)),
            same_part=False,
        )
        for part_id, name in said
    )


def _pair_rule(options: Options, rule: PairRule) -> Exclusion:
    first = _mask(options, partial(answers_to, name=rule.first))
    second = _mask(options, partial(answers_to, name=rule.second))
    return Exclusion(Reason(rule.name, rule.reason), first, second, same_part=True)


def answers_to(part: Part, name: str) -> bool:
    """Whether a name is the part's id or one of its tags; the empty choice answers to nothing."""
    return part.id != NONE_ID and (part.id == name or name in part.tags)


def _is(part: Part, part_id: str) -> bool:
    return part.id == part_id


def _mask(options: Options, test: Callable[[Part], bool]) -> tuple[BoolArray, ...]:
    return tuple(np.array([test(part) for part in parts], dtype=np.bool_) for parts in options.parts)


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
    for s, parts in enumerate(options.parts):
        for need in dict.fromkeys(name for part in parts for name in part.needs):
            if need in options.scenario.event.carries:
                continue
            giving = _mask(options, partial(answers_to, name=need))
            coefficients = [-each.astype(np.float64) for each in giving]
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
    offers = offers_of(tuple(chosen.values()), options.scenario.kits)
    for part in chosen.values():
        offered = most_pieces(part, offers)
        if math.isinf(offered):
            continue
        coefficients = zeros(options)
        for s, (slot, parts) in enumerate(zip(options.slots, options.parts, strict=True)):
            coefficients[s] = slot.count * np.array([float(each.id == part.id) for each in parts])
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
