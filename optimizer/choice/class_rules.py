"""What event, class and part sheets rule: attributes of parts, parts that exclude or need each other, limits.

Also what a build must carry and how many pieces are to be had. The event's own rules are read into every
class, so the class says it all.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from types import MappingProxyType

import numpy as np

from optimizer.choice.fit import Reason, Words
from optimizer.choice.masses import mass_changes
from optimizer.choice.options import BoolArray, FloatArray, IntArray, Options
from optimizer.choice.purchase import most_pieces, offers_of
from optimizer.choice.rows import LinearRow, zeros
from optimizer.errors import Fault, ScenarioError
from optimizer.physics import tires
from optimizer.scenario.car import Slot
from optimizer.scenario.event import Limit, PairRule, RaceClass, Rule
from optimizer.scenario.parts import NONE_ID, Engine, FinalDrive, Gearset, Part, Rotor, Tire, Wheel
from optimizer.units import INCH, from_unit, parse_quantity, split_quantity, to_unit

# --- attributes of single parts -----------------------------------------------------------------------------

Value = str | float | None
"""One value of an attribute: text, a number in SI, or None where the sheet leaves it blank."""


def _diameter(part: Part) -> tuple[Value, ...]:
    if isinstance(part, Tire):
        return (part.size.diameter_m,)
    return (part.diameter_m,) if isinstance(part, Rotor) else ()


def _rim_diameter(part: Part) -> tuple[Value, ...]:
    if isinstance(part, Tire):
        return (part.size.rim_diameter_in * INCH,)
    return (part.rim_diameter_in * INCH,) if isinstance(part, Wheel) else ()


def _rim_width(part: Part) -> tuple[Value, ...]:
    return (part.rim_width_in * INCH,) if isinstance(part, Wheel) else ()


def _section_width(part: Part) -> tuple[Value, ...]:
    return (part.size.section_width_m,) if isinstance(part, Tire) else ()


def _displacement(part: Part) -> tuple[Value, ...]:
    return (part.displacement_m3,) if isinstance(part, Engine) else ()


def _symbol_speed(part: Part) -> tuple[Value, ...]:
    return (tires.SPEED_SYMBOL_MS.get(part.speed_symbol or ""),) if isinstance(part, Tire) else ()


def _ratios(part: Part) -> tuple[Value, ...]:
    if isinstance(part, FinalDrive):
        return (part.ratio,)
    return part.ratios if isinstance(part, Gearset) else ()


WORD_FIELDS: Mapping[str, Callable[[Part], tuple[Value, ...]]] = MappingProxyType(
    {
        "category": lambda part: (part.category or None,),
        "tags": lambda part: tuple(sorted(part.tags)),
        "id": lambda part: (part.id,),
        "forced induction": lambda part: (
            ("yes" if part.forced_induction else "no",) if isinstance(part, Engine) else ()
        ),
        "speed symbol": lambda part: (part.speed_symbol,) if isinstance(part, Tire) else (),
    }
)
"""Rule fields that are words: the values a part has, empty where its kind has no such field."""


@dataclass(frozen=True, slots=True)
class NumberField:
    """A rule field that is a number: a part's values in SI, and the unit in which it is spoken of.

    ``bare``: numbers listed without a unit are in that unit, as on a sidewall or a rim.
    """

    values: Callable[[Part], tuple[Value, ...]]
    dimension: str = ""
    unit: str = ""
    bare: bool = True

    def said(self, value: float) -> str:
        """Value in words."""
        return f"{to_unit(value, self.unit, self.dimension) if self.unit else value:.6g} {self.unit}".rstrip()

    def listed(self, text: str) -> float:
        """Read a listed number.

        Raises
        ------
        ValueError
            If it is no number, or its unit is missing or unknown.
        """
        number, unit = split_quantity(text)
        if unit and not self.dimension:
            raise ValueError("must be a plain number")
        if not unit and not self.bare:
            return parse_quantity(text, self.dimension)
        return from_unit(number, unit or self.unit, self.dimension) if self.dimension else number


NUMBER_FIELDS: Mapping[str, NumberField] = MappingProxyType(
    {
        "displacement": NumberField(_displacement, "volume", "cc", bare=False),
        "mass": NumberField(lambda part: (part.mass_kg,), "mass", "kg", bare=False),
        "ratio": NumberField(_ratios),
        "rim diameter": NumberField(_rim_diameter, "length", "in"),
        "rim width": NumberField(_rim_width, "length", "in"),
        "section width": NumberField(_section_width, "length", "mm"),
        "diameter": NumberField(_diameter, "length", "mm", bare=False),
        "load index": NumberField(lambda part: (part.load_index,) if isinstance(part, Tire) else ()),
        "speed symbol": NumberField(_symbol_speed, "speed", "km/h"),
    }
)
"""Rule fields that have bounds. A speed symbol is listed as a word and bounded by the speed it stands for."""

_CLOSE = 1e-6
"""Relative difference within which a listed number and a part's are the same: 15 in is 0.381 m."""


def rule_faults(part: Part, slot: Slot, rules: Sequence[Rule]) -> Iterator[Reason]:
    """Yield every rule that keeps this part out of the slot. Rules that ask to carry something are rows."""
    for rule in rules:
        if not rule.carry and part.id != NONE_ID and _looks_at(rule, part, slot):
            against = _against(part, rule)
            if against:
                yield Reason(rule.name, f"{part.id}: {rule.reason} ({against})")


def _looks_at(rule: Rule, part: Part, slot: Slot) -> bool:
    return rule.kind in {"", part.kind} and rule.slot in {"", slot.name}


def _against(part: Part, rule: Rule) -> str:
    """Say what of the part offends the rule; empty if nothing does."""
    if rule.field not in WORD_FIELDS and rule.field not in NUMBER_FIELDS:
        known = ", ".join(dict.fromkeys([*WORD_FIELDS, *NUMBER_FIELDS]))
        raise _rule_error(rule, f"is not a field of parts; the fields are {known}", rule.field)
    listed = _words_against(part, rule) if rule.field in WORD_FIELDS else _numbers_against(part, rule)
    return listed or _bounds_against(part, rule)


def _words_against(part: Part, rule: Rule) -> str:
    has = WORD_FIELDS[rule.field](part)
    if not has and rule.field != "tags":
        return ""
    values = {str(value).casefold(): str(value) for value in has if value is not None}
    banned = sorted(values.keys() & {each.strip().casefold() for each in rule.forbidden})
    if banned:
        return f"{rule.field} {', '.join(values[each] for each in banned)} is forbidden"
    if rule.allowed and not values.keys() & {each.strip().casefold() for each in rule.allowed}:
        found = ", ".join(sorted(values.values())) or "not given"
        return f"{rule.field} {found}; allowed: {', '.join(rule.allowed)}"
    return ""


def _numbers_against(part: Part, rule: Rule) -> str:
    field = NUMBER_FIELDS[rule.field]
    allowed, forbidden = (
        [_listed(text, rule, field) for text in texts] for texts in (rule.allowed, rule.forbidden)
    )
    for value in field.values(part):
        if value is None:
            return f"{rule.field} not given"
        number = float(value)
        if any(math.isclose(number, each, rel_tol=_CLOSE) for each in forbidden):
            return f"{rule.field} {field.said(number)} is forbidden"
        if allowed and not any(math.isclose(number, each, rel_tol=_CLOSE) for each in allowed):
            return f"{rule.field} {field.said(number)}; allowed: {', '.join(rule.allowed)}"
    return ""


def _listed(text: str, rule: Rule, field: NumberField) -> float:
    try:
        return field.listed(text)
    except ValueError as error:
        raise _rule_error(rule, str(error), text) from error


def _bounds_against(part: Part, rule: Rule) -> str:
    if rule.minimum is None and rule.maximum is None:
        return ""
    if rule.field not in NUMBER_FIELDS:
        raise _rule_error(rule, "is not a number: list what is allowed or forbidden", rule.field)
    field = NUMBER_FIELDS[rule.field]
    for value in field.values(part):
        if value is None:
            return f"{rule.field} not given"
        number = float(value)
        if rule.minimum is not None and number < rule.minimum * (1 - _CLOSE):
            return f"{rule.field} {field.said(number)}; at least {field.said(rule.minimum)}"
        if rule.maximum is not None and number > rule.maximum * (1 + _CLOSE):
            return f"{rule.field} {field.said(number)}; at most {field.said(rule.maximum)}"
    return ""


def _rule_error(rule: Rule, expected: str, typed: str) -> ScenarioError:
    return ScenarioError([Fault("event.toml", 0, f"rule {rule.name!r}", typed, expected)])


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
            [float(rule.carry in part.tags and _looks_at(rule, part, slot)) for part in parts],
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
