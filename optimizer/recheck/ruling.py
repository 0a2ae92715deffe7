"""What a rule of a class says about one part: read here from the records, apart from `optimizer.choice`."""

from __future__ import annotations

from optimizer.physics.tires import SPEED_SYMBOL_MS
from optimizer.scenario.event import Rule
from optimizer.scenario.parts import Engine, FinalDrive, Gearset, Part, Rotor, Tire, Wheel

HAIR = 1e-9
"""A bound is kept if it is passed by no more than the rounding of a sum."""
INCH_M = 0.0254


def answers_to(part: Part, word: str) -> bool:
    """Whether a part has this id or tag."""
    return part.id == word or word in part.tags


def looked_at(rule: Rule, slot: str, part: Part) -> bool:
    """Whether a rule is about a part in a slot."""
    return part.id != "none" and rule.slot in ("", slot) and rule.kind in ("", part.kind)


def outside(rule: Rule, part: Part) -> bool:
    """Whether one part breaks a rule. Listed values are compared as words; bounds as numbers in SI."""
    if rule.field == "tags":
        if rule.forbidden and part.tags & set(rule.forbidden):
            return True
        return bool(rule.allowed) and not part.tags & set(rule.allowed)
    if isinstance(part, Gearset) and rule.field == "ratio":
        return any(_bad(rule, ratio) for ratio in part.ratios)
    value = _value(part, rule.field)
    return value is not None and _bad(rule, value)


def _bad(rule: Rule, value: str | float) -> bool:
    """Whether one value breaks a rule."""
    if (rule.allowed and value not in rule.allowed) or value in rule.forbidden:
        return True
    if rule.minimum is None and rule.maximum is None:
        return False
    number = SPEED_SYMBOL_MS[str(value)] if rule.field == "speed symbol" else float(value)
    below = rule.minimum is not None and number < rule.minimum - HAIR
    return below or (rule.maximum is not None and number > rule.maximum + HAIR)


def _value(part: Part, field: str) -> str | float | None:
    """What a rule reads off a part, lengths in meters; None where the part has no such thing."""
    values: dict[str, str | float | None] = {"category": part.category, "id": part.id, "mass": part.mass_kg}
    if isinstance(part, Engine):
        values["displacement"] = part.displacement_m3
        values["forced induction"] = "yes" if part.forced_induction else "no"
    if isinstance(part, Tire):
        values["rim diameter"] = INCH_M * part.size.rim_diameter_in
        values["section width"] = part.size.section_width_m
        values["diameter"] = part.size.diameter_m
        values["load index"] = part.load_index
        values["speed symbol"] = part.speed_symbol
    if isinstance(part, Wheel):
        values["rim diameter"] = INCH_M * part.rim_diameter_in
        values["rim width"] = INCH_M * part.rim_width_in
    if isinstance(part, Rotor):
        values["diameter"] = part.diameter_m
    if isinstance(part, FinalDrive):
        values["ratio"] = part.ratio
    return values.get(field)
