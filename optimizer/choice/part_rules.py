"""Rules of event and class on attributes of single parts: what is allowed, forbidden, or out of bounds."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from optimizer.choice.fit import Reason
from optimizer.errors import Fault, ScenarioError
from optimizer.physics import tires
from optimizer.scenario.car import Slot
from optimizer.scenario.event import Rule
from optimizer.scenario.parts import NONE_ID, Engine, FinalDrive, Gearset, Part, Rotor, Tire, Wheel
from optimizer.units import INCH, from_unit, parse_quantity, split_quantity, to_unit

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
        if not rule.carry and part.id != NONE_ID and looks_at(rule, part, slot):
            against = _against(part, rule)
            if against:
                yield Reason(rule.name, f"{part.id}: {rule.reason} ({against})")


def looks_at(rule: Rule, part: Part, slot: Slot) -> bool:
    """Whether a rule is about such a part in such a slot."""
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
