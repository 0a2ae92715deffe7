"""Whether a part may stand in a slot, and whether two parts fit each other: a named reason for each refusal.

The checks know nothing of overrides and rules; `legality` puts them together. Blank choices (``none``) pass.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from optimizer import units
from optimizer.physics import tires
from optimizer.scenario.car import Hub, Slot
from optimizer.scenario.event import Event, Scenario
from optimizer.scenario.parts import NONE_ID, Axle, Extra, FinalDrive, Gearset, Part, Rotor, Tire, Wheel

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
    """Why something is refused: the check or rule by name, and the numbers in words."""

    check: str
    text: str

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


PairCheck = Callable[[Part, Part], Iterator[Reason]]


def exceeds(value: float, limit: float) -> bool:
    """Whether ``value`` is above ``limit`` by more than rounding."""
    return value - limit > _ROUNDING * max(abs(limit), abs(value))


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
        text = f"{part.kind} {part.id} takes {words.pressure(limit)}, {said} {words.pressure(pressure_pa)}"
        yield Reason(f"{part.kind} pressure", text)


# --- two parts in two slots ---------------------------------------------------------------------------------


def pair_check(first: Slot, second: Slot, scenario: Scenario) -> PairCheck | None:
    """Find the fit check between parts of two slots, taking them in this order; None where there is none."""
    between = _pair_check(first, second, scenario)
    if between is not None:
        return between
    swapped = _pair_check(second, first, scenario)
    if swapped is None:
        return None
    return lambda part, other: swapped(other, part)


def _pair_check(first: Slot, second: Slot, scenario: Scenario) -> PairCheck | None:
    words = Words.of(scenario.event)
    shared_axles = [axle for axle in axles_of(first) if axle in axles_of(second)]
    match first.kind, second.kind:
        case "tire", "wheel" if shared_axles:
            return tire_on_wheel
        case "wheel", "rotor" if shared_axles:
            return lambda wheel, rotor: brake_in_wheel(wheel, rotor, words)
        case (("tire" | "wheel"), "extra") if shared_axles:
            hubs = [scenario.car.hub(axle) for axle in shared_axles]
            planned = max(hub.tire_pressure_pa for hub in hubs)
            return lambda part, extra: pressure_with(part, extra, planned, words)
        case "tire", "tire" if scenario.car.drive == "all" and not shared_axles:
            limit = scenario.event.max_circumference_mismatch
            return lambda tire, other: same_roll_out(tire, other, limit, words)
        case "gearset", "final drive":
            shared = first.interfaces & second.interfaces
            return (lambda gearset, final: same_housing(gearset, final, shared)) if shared else None
    return None


def rim_width_range_in(tire: Tire) -> tuple[float, float]:
    """Rim widths [in] a tire may be mounted on: as its sheet says, else by the trade's table for its size."""
    if tire.rim_width_min_in is not None and tire.rim_width_max_in is not None:
        return tire.rim_width_min_in, tire.rim_width_max_in
    low, high = tires.rim_width_range_in(tire.size.section_width_m, tire.size.aspect)
    return (
        low if tire.rim_width_min_in is None else tire.rim_width_min_in,
        high if tire.rim_width_max_in is None else tire.rim_width_max_in,
    )


def tire_on_wheel(tire: Part, wheel: Part) -> Iterator[Reason]:
    """Check for the same rim diameter, and a rim width within the tire's range."""
    if not isinstance(tire, Tire) or not isinstance(wheel, Wheel):
        return
    needed, found = tire.size.rim_diameter_in, wheel.rim_diameter_in
    if exceeds(needed, found) or exceeds(found, needed):
        text = f"tire {tire.id} is for a {needed:g} in rim, wheel {wheel.id} is {found:g} in"
        yield Reason("tire on rim diameter", text)
    low, high = rim_width_range_in(tire)
    width = wheel.rim_width_in
    if exceeds(low, width) or exceeds(width, high):
        needs = f"tire {tire.id} needs a rim of {low:.1f} to {high:.1f} in"
        yield Reason("tire on rim width", f"{needs}, wheel {wheel.id} is {width:.1f} in wide")


def brake_in_wheel(wheel: Part, rotor: Part, words: Words) -> Iterator[Reason]:
    """Rotor and caliper inside the circle that the wheel leaves free."""
    if not isinstance(wheel, Wheel) or not isinstance(rotor, Rotor):
        return
    needed = max(rotor.caliper_envelope_m, rotor.diameter_m)
    if exceeds(needed, wheel.brake_clearance_m):
        room = words.length(wheel.brake_clearance_m)
        text = (
            f"rotor {rotor.id} with its caliper needs {words.length(needed)}, wheel {wheel.id} clears {room}"
        )
        yield Reason("brake clearance", text)


def pressure_with(part: Part, extra: Part, planned_pa: float, words: Words) -> Iterator[Reason]:
    """Planned pressure raised by one extra, against the maximum on a tire or wheel."""
    if isinstance(part, Tire | Wheel) and isinstance(extra, Extra) and extra.pressure_pa > 0:
        yield from _over_pressure(part, planned_pa + extra.pressure_pa, f"with {extra.id} it runs at", words)


def roll_out_m(tire: Tire) -> float:
    """Find the rolling circumference [m]: as measured, else by the size code."""
    return tire.circumference_m or tires.rolling_circumference_m(tire.size.diameter_m)


def same_roll_out(tire: Part, other: Part, limit: float, words: Words) -> Iterator[Reason]:
    """Front and rear roll-out with all wheels driven; the difference counts against the larger of the two."""
    if not isinstance(tire, Tire) or not isinstance(other, Tire):
        return
    one, two = roll_out_m(tire), roll_out_m(other)
    mismatch = abs(one - two) / max(one, two)
    if exceeds(mismatch, limit):
        text = (
            f"tires {tire.id} and {other.id} roll out {words.length(one)} and {words.length(two)}, "
            f"{100 * mismatch:.2f} % apart; the event takes {100 * limit:g} % with all wheels driven"
        )
        yield Reason("circumference match", text)


def same_housing(gearset: Part, final: Part, shared: frozenset[str]) -> Iterator[Reason]:
    """Gearset and final drive in one housing of those that both slots offer."""
    if not isinstance(gearset, Gearset) or not isinstance(final, FinalDrive):
        return
    if not gearset.fits & final.fits & shared:
        suits, other = (", ".join(sorted(part.fits)) or "nothing named" for part in (gearset, final))
        text = (
            f"gearset {gearset.id} fits {suits}, final drive {final.id} fits {other}: no housing takes both"
        )
        yield Reason("housing", text)
