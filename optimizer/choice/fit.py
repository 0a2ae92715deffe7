"""Whether a part may stand in a slot, whatever else is chosen: a named reason for each refusal.

The checks know nothing of overrides and rules; `legality` puts them together. Blank choices (``none``) pass. Two parts
together are in `pair_fit`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import overload

import numpy as np

from optimizer import units
from optimizer.choice.options import BoolArray, FloatArray
from optimizer.scenario.car import Hub, Slot
from optimizer.scenario.event import Event, Scenario
from optimizer.scenario.parts import NONE_ID, Axle, Part, Rotor, Tire, Wheel

BOLT_CIRCLE_SLACK_M = 0.0006
"""Bolt circles this close are one pattern in two units (4.5 in is 114.3 mm); real neighbors are further."""
BORE_SLACK_M = 0.0001
"""Center bores are quoted rounded to 0.1 mm."""
ALWAYS_REFUSED = ("temporary spare", "motorcycle", "retread")
"""Tire categories that no event list lets in, only an override by name."""
WEEKS_PER_YEAR = 52
"""Date codes count weeks; the same week some years later is exactly that many years."""
_ROUNDING = 1e-9
"""Relative slack of every comparison: sums and unit conversions, never a tolerance on the rule."""


@dataclass(frozen=True, slots=True, order=True)
class Reason:
    """Why something is refused: the check or rule by name, and the numbers in words.

    ``wished``: no check or rule refuses it; the question asks for builds without it, which leaves it legal.
    """

    check: str
    text: str
    wished: bool = False

    def __str__(self) -> str:
        return f"{self.check}: {self.text}"


@dataclass(frozen=True, slots=True)
class Words:
    """Quantities in the user's units. Rims stay in inches, bores and offsets in mm: so they are stamped."""

    metric: bool

    @classmethod
    def of(cls, event: Event) -> Words:
        """Units that go with the event's speed unit."""
        return cls(metric=event.speed_unit == "km/h")

    def mass(self, kg: float) -> str:
        """Mass to four digits."""
        return units.shown(kg, "mass", metric=self.metric, digits=4)

    def pressure(self, pascal: float) -> str:
        """Gauge pressure to three digits."""
        return units.shown(pascal, "tire pressure", metric=self.metric)

    def length(self, meter: float) -> str:
        """Length to four digits."""
        return units.shown(meter, "length", metric=self.metric, digits=4)


@overload
def exceeds(value: float, limit: float) -> bool: ...


@overload
def exceeds(value: FloatArray, limit: FloatArray | float) -> BoolArray: ...


@overload
def exceeds(value: FloatArray | float, limit: FloatArray) -> BoolArray: ...


def exceeds(value: FloatArray | float, limit: FloatArray | float) -> BoolArray | bool:
    """Whether ``value`` is above ``limit`` by more than rounding; element by element, never where one is NaN."""
    return value - limit > _ROUNDING * np.maximum(np.abs(limit), np.abs(value))


def axles_of(slot: Slot) -> tuple[Axle, ...]:
    """Axles that a slot concerns: its own, or both where it names none."""
    return (slot.axle,) if slot.axle is not None else ("front", "rear")


def pattern_text(bolts: int, circle_m: float) -> str:
    """Bolt pattern as it is written on the sheet: ``4x100``."""
    return f"{bolts}x{circle_m * 1000:.4g}"


# --- one part in one slot -----------------------------------------------------------------------------------


def part_faults(part: Part, slot: Slot, scenario: Scenario) -> Iterator[Reason]:
    """Everything that keeps a part out of a slot, whatever else is chosen."""
    if part.id == NONE_ID:
        return
    words = Words.of(scenario.event)
    if slot.interfaces and not part.fits & slot.interfaces:
        suits = ", ".join(sorted(part.fits)) or "nothing named"
        yield Reason(
            "housing", f"{part.id} fits {suits}; {slot.name} takes {', '.join(sorted(slot.interfaces))}"
        )
    yield from _unknown_ratings(part)
    if isinstance(part, Tire):
        yield from _category_faults(part, scenario.event)
        yield from _age_faults(part, scenario.event)
    for axle in axles_of(slot):
        hub = scenario.car.hub(axle)
        if isinstance(part, Tire):
            yield from _tire_on_axle(part, hub, axle, words)
        if isinstance(part, Wheel):
            yield from _wheel_on_hub(part, hub, axle)
        if isinstance(part, Tire | Wheel):
            yield from _over_pressure(part, hub.tire_pressure_pa, f"the {axle} is planned at", words)


def _unknown_ratings(part: Part) -> Iterator[Reason]:
    """Ratings that are never assumed: a blank is refused, whatever it would be compared with."""
    ratings: list[tuple[str, object]] = []
    check = "tire rating unknown"
    if isinstance(part, Tire):
        ratings = [
            ("load index", part.load_index),
            ("speed symbol", part.speed_symbol),
            ("maximum pressure", part.max_pressure_pa),
        ]
    if isinstance(part, Wheel):
        check = "wheel rating unknown"
        ratings = [("load rating", part.load_rating_kg), ("maximum pressure", part.max_pressure_pa)]
    if isinstance(part, Rotor):
        check, ratings = "rotor limit unknown", [("limit on its temperature rise", part.max_rise_k)]
    for name, value in ratings:
        if value is None:
            yield Reason(check, f"{part.kind} {part.id} has no {name}")


def _category_faults(tire: Tire, event: Event) -> Iterator[Reason]:
    category = tire.category.strip().casefold()
    allowed = [each.strip().casefold() for each in event.tire_categories]
    if not category:
        yield Reason(
            "tire category", f"tire {tire.id} has no category given; the event takes {', '.join(allowed)}"
        )
    elif category in ALWAYS_REFUSED:
        yield Reason("tire category", f"tire {tire.id} is a {category} tire, refused at any event")
    elif category not in allowed:
        yield Reason(
            "tire category", f"tire {tire.id} is a {category} tire; the event takes {', '.join(allowed)}"
        )


def _age_faults(tire: Tire, event: Event) -> Iterator[Reason]:
    limit = event.max_tire_age_years
    if limit is None:
        return
    if tire.made is None:
        yield Reason(
            "tire age", f"tire {tire.id} has no date code; the event takes tires up to {limit:g} years old"
        )
        return
    weeks = WEEKS_PER_YEAR * (event.date[0] - tire.made[0]) + event.date[1] - tire.made[1]
    if exceeds(weeks, limit * WEEKS_PER_YEAR):
        made = f"week {tire.made[1]} of {tire.made[0]}"
        age = f"{weeks / WEEKS_PER_YEAR:.2f} years before the event"
        yield Reason("tire age", f"tire {tire.id} was made in {made}, {age}; limit {limit:g} years")


def _tire_on_axle(tire: Tire, hub: Hub, axle: Axle, words: Words) -> Iterator[Reason]:
    """Check the wheelhouse: the new tire's overall diameter and section width by its size code."""
    room = hub.max_tire_diameter_m
    if room is not None and exceeds(tire.size.diameter_m, room):
        tall = words.length(tire.size.diameter_m)
        yield Reason("wheelhouse", f"tire {tire.id} is {tall} tall, the {axle} takes {words.length(room)}")
    room = hub.max_tire_width_m
    if room is not None and exceeds(tire.size.section_width_m, room):
        wide = words.length(tire.size.section_width_m)
        yield Reason("wheelhouse", f"tire {tire.id} is {wide} wide, the {axle} takes {words.length(room)}")


def _wheel_on_hub(wheel: Wheel, hub: Hub, axle: Axle) -> Iterator[Reason]:
    """Bolt circle, center bore and offset window."""
    wanted = hub.bolt_pattern
    if not any(
        each.bolts == wanted.bolts and not exceeds(abs(each.circle_m - wanted.circle_m), BOLT_CIRCLE_SLACK_M)
        for each in wheel.bolt_patterns
    ):
        drilled = (
            ", ".join(pattern_text(each.bolts, each.circle_m) for each in wheel.bolt_patterns)
            or "not drilled"
        )
        hub_text = pattern_text(wanted.bolts, wanted.circle_m)
        yield Reason("bolt pattern", f"wheel {wheel.id} is {drilled}, the {axle} hub is {hub_text}")
    if exceeds(hub.center_bore_m - BORE_SLACK_M, wheel.center_bore_m):
        bore, needed = wheel.center_bore_m * 1000, hub.center_bore_m * 1000
        yield Reason(
            "center bore", f"wheel {wheel.id} has {bore:.1f} mm, the {axle} hub needs {needed:.1f} mm"
        )
    if exceeds(hub.offset_min_m, wheel.offset_m) or exceeds(wheel.offset_m, hub.offset_max_m):
        window = f"{hub.offset_min_m * 1000:.1f} to {hub.offset_max_m * 1000:.1f} mm"
        yield Reason(
            "wheel offset", f"wheel {wheel.id} has {wheel.offset_m * 1000:.1f} mm, the {axle} takes {window}"
        )


def _over_pressure(part: Tire | Wheel, pressure_pa: float, said: str, words: Words) -> Iterator[Reason]:
    limit = part.max_pressure_pa
    if limit is not None and exceeds(pressure_pa, limit):
        yield Reason(f"{part.kind} pressure", over_pressure_text(part, limit, pressure_pa, said, words))


def over_pressure_text(part: Part, limit_pa: float, pressure_pa: float, said: str, words: Words) -> str:
    """What a tire or wheel takes, and what it would be run at: ``said`` leads over to that."""
    return f"{part.kind} {part.id} takes {words.pressure(limit_pa)}, {said} {words.pressure(pressure_pa)}"
