"""A second reading of what is legal and what it costs, written apart from `optimizer.choice`.

Plain Python on one build at a time, a dict of slot name -> part. It shares with the rest of the package the records it
reads and the published tables of tires, nothing else. Slow and direct on purpose: every check is one sentence of the
rules. Checks are sorted by what they look at: a part in its slot, two parts in theirs, or the whole build.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import TypeVar

from optimizer.physics.tires import LOAD_INDEX_KG, load_share_at_pressure, rim_width_range_in
from optimizer.recheck.ruling import HAIR, answers_to, looked_at, outside
from optimizer.recheck.spending import Spending
from optimizer.scenario.car import Hub, Slot
from optimizer.scenario.event import Limit, PairRule, RaceClass, Scenario
from optimizer.scenario.parts import NONE_ID, Axle, Extra, Part, Rotor, Tire, Wheel

Build = Mapping[str, Part]
"""Slot name -> part."""
Kind = TypeVar("Kind", bound=Part)
ALWAYS_REFUSED = {"temporary spare", "motorcycle", "retread"}
AXLES: tuple[Axle, Axle] = ("front", "rear")


class Reading:
    """What is wrong with builds of one scenario, and what they cost."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.car = scenario.car
        self.event = scenario.event
        self.race: RaceClass = scenario.race_class
        self.slots: dict[str, Slot] = {slot.name: slot for slot in self.car.slots}
        self.lifted = {(each.check, each.part) for each in self.event.overrides}
        self.spending = Spending(scenario)

    def broken(self, build: Build) -> set[str]:
        """Names of the checks that a build breaks; empty if it is legal."""
        found = self.broken_as_a_whole(build)
        for slot, part in build.items():
            found |= self.broken_alone(slot, part)
        for (one, a), (two, b) in itertools.combinations(build.items(), 2):
            found |= self.broken_together(one, a, two, b)
        return found

    def price(self, build: Build) -> tuple[int, float] | None:
        """Cents of the cheapest purchase within the hours, and the fewest own hours at that price; None: no such."""
        return self.spending.price(build)

    # --- one part in one slot -----------------------------------------------------------------------------------

    def broken_alone(self, slot: str, part: Part) -> set[str]:
        """Checks that a part breaks in a slot whatever else is chosen."""
        place, found = self.slots[slot], _Found(self.lifted)
        if place.axle is not None:
            hub = self.car.hub(place.axle)
            if isinstance(part, Tire):
                self._tire(part, hub, found)
            if isinstance(part, Wheel):
                _wheel(part, hub, found)
            if isinstance(part, Rotor):
                found.refuse("rotor limit unknown", part.max_rise_k is None, part)
        boxed = bool(place.interfaces) and part.id != NONE_ID
        found.refuse("housing", boxed and not part.fits & place.interfaces, part)
        broken = {
            rule.name
            for rule in self.race.rules
            if not rule.carry and looked_at(rule, slot, part) and outside(rule, part)
        }
        return found.names | broken

    def _tire(self, tire: Tire, hub: Hub, found: _Found) -> None:
        unknown = tire.load_index is None or tire.speed_symbol is None or tire.max_pressure_pa is None
        found.refuse("tire rating unknown", unknown, tire)
        welcome = {each.lower() for each in self.event.tire_categories} - ALWAYS_REFUSED
        found.refuse("tire category", tire.category.lower() not in welcome, tire)
        if self.event.max_tire_age_years is not None:
            weeks = math.inf
            if tire.made is not None:
                weeks = 52 * (self.event.date[0] - tire.made[0]) + self.event.date[1] - tire.made[1]
            found.refuse("tire age", weeks > 52 * self.event.max_tire_age_years, tire)
        wide, high = hub.max_tire_width_m, hub.max_tire_diameter_m
        too_high = high is not None and tire.size.diameter_m > high + HAIR
        too_wide = wide is not None and tire.size.section_width_m > wide + HAIR
        found.refuse("wheelhouse", too_high or too_wide, tire)
        if tire.max_pressure_pa is not None:
            found.refuse("tire pressure", hub.tire_pressure_pa > tire.max_pressure_pa + 1e-3, tire)

    # --- two parts in two slots ---------------------------------------------------------------------------------

    def broken_together(self, one: str, a: Part, two: str, b: Part) -> set[str]:
        """Checks that two parts in two slots break whatever else is chosen; the order does not matter."""
        found, first, second = _Found(self.lifted), self.slots[one], self.slots[two]
        for (here, x), (there, y) in (((first, a), (second, b)), ((second, b), (first, a))):
            if isinstance(y, Wheel) and here.axle == there.axle and here.axle is not None:
                if isinstance(x, Tire):
                    _tire_on_rim(x, y, found)
                if isinstance(x, Rotor):
                    needed = max(x.caliper_envelope_m, x.diameter_m)
                    found.refuse("brake clearance", needed > y.brake_clearance_m + HAIR, x, y)
            if here.axle is not None and isinstance(y, Extra) and there.axle in (None, here.axle):
                self._inflated(self.car.hub(here.axle), x, y.pressure_pa, found)
        across = self.car.drive == "all" and {first.axle, second.axle} == set(AXLES)
        if across and isinstance(a, Tire) and isinstance(b, Tire):
            rolled = _roll_out(a), _roll_out(b)
            apart = abs(rolled[0] - rolled[1]) / max(rolled)
            found.refuse("circumference match", apart > self.event.max_circumference_mismatch + HAIR, a, b)
        self._one_housing(first, a, second, b, found)
        if _excludes(a, b) or _excludes(b, a):
            found.names.add("not with")
        return found.names | {pair.name for pair in self.race.pairs if _paired(pair, a, b)}

    @staticmethod
    def _inflated(hub: Hub, part: Part, change: float, found: _Found) -> None:
        """Tires and wheels must stand the pressure that any one change alone makes."""
        if isinstance(part, Tire | Wheel) and part.max_pressure_pa is not None:
            too_much = hub.tire_pressure_pa + max(0.0, change) > part.max_pressure_pa + 1e-3
            found.refuse("tire pressure" if isinstance(part, Tire) else "wheel pressure", too_much, part)

    @staticmethod
    def _one_housing(first: Slot, a: Part, second: Slot, b: Part, found: _Found) -> None:
        """Two parts that share a housing must fit one and the same."""
        boxed = first.interfaces and second.interfaces and NONE_ID not in (a.id, b.id)
        # Only of a part that fits at all can it be said that it fits another box than its neighbor.
        if boxed and {first.kind, second.kind} == {"gearset", "final drive"} and first.interfaces & second.interfaces:
            found.refuse("housing", not a.fits & first.interfaces & b.fits & second.interfaces, a, b)

    # --- the whole build ----------------------------------------------------------------------------------------

    def broken_as_a_whole(self, build: Build) -> set[str]:
        """Checks on sums over the build and on what must be there: all that is not about one part or two."""
        found = _Found(self.lifted)
        loads = self.axle_loads(build)
        for axle in AXLES:
            hub = self.car.hub(axle)
            corner, highest = loads[axle] * hub.heaviest_corner_share, self.highest_pressure(axle, build)
            for tire in self._on(axle, Tire, build):
                if tire.max_pressure_pa is not None:
                    found.refuse("tire pressure", highest > tire.max_pressure_pa + 1e-3, tire)
                if tire.load_index is not None:
                    share = float(load_share_at_pressure(self.pressure(axle, build), tire.extra_load))
                    found.refuse("corner load", corner > LOAD_INDEX_KG[tire.load_index] * share + 1e-7, tire)
            for wheel in self._on(axle, Wheel, build):
                if wheel.max_pressure_pa is not None:
                    found.refuse("wheel pressure", highest > wheel.max_pressure_pa + 1e-3, wheel)
                if wheel.load_rating_kg is not None:
                    found.refuse("wheel load", corner > wheel.load_rating_kg + 1e-7, wheel)
            self._ride_height(axle, hub, build, found)
        return found.names | self._needs(build) | self._class(build, loads) | self._stock(build)

    def _moves(self, build: Build) -> Iterator[tuple[Slot, Part, int]]:
        """(slot, part, +pieces) of what is on and (slot, part, -pieces) of what was on when it was weighed."""
        for name, slot in self.slots.items():
            yield slot, build[name], slot.count
            old = self.scenario.parts.get(slot.fitted)
            if old is not None:
                yield slot, old, -slot.count

    def axle_loads(self, build: Build) -> dict[Axle, float]:
        """Load on each axle [kg]."""
        share = self.car.front_share
        front, total = self.car.mass_kg * share, self.car.mass_kg
        for slot, part, pieces in self._moves(build):
            kg = pieces * part.mass_kg
            total += kg
            place = part.position_m if isinstance(part, Extra) else None
            if place is None and slot.axle is not None:
                front += kg if slot.axle == "front" else 0.0
                continue
            place = slot.position_m if place is None else place
            front += kg * (share if place is None else 1 - place / self.car.wheelbase_m)
        return {"front": front, "rear": total - front}

    def _pressure_changes(self, axle: Axle, build: Build) -> list[float]:
        """What each extra in a slot for an axle, or for both, adds to the pressure planned for its tires [Pa].

        However many pieces the slot takes, and whether it is on the car already or not.
        """
        there = [build[name] for name, slot in self.slots.items() if slot.axle in (None, axle)]
        return [part.pressure_pa for part in there if isinstance(part, Extra)]

    def pressure(self, axle: Axle, build: Build) -> float:
        """Gauge pressure the tires of an axle run at [Pa]."""
        return self.car.hub(axle).tire_pressure_pa + sum(self._pressure_changes(axle, build))

    def highest_pressure(self, axle: Axle, build: Build) -> float:
        """Gauge pressure that tires and wheels must stand [Pa].

        As planned, with any one change alone, and with all of them: what one change adds is not made good by what
        another takes off, unless the first alone would pass.
        """
        added = self._pressure_changes(axle, build)
        return self.car.hub(axle).tire_pressure_pa + max(0.0, sum(added), *added)

    def _on(self, axle: Axle, kind: type[Kind], build: Build) -> list[Kind]:
        return [part for name, part in build.items() if self.slots[name].axle == axle and isinstance(part, kind)]

    def _ride_height(self, axle: Axle, hub: Hub, build: Build, found: _Found) -> None:
        height = hub.ride_height_m
        movers = []
        for slot, part, pieces in self._moves(build):
            change = 0.0
            if isinstance(part, Tire) and slot.axle == axle:
                change = math.copysign(part.size.diameter_m / 2, pieces)
            elif isinstance(part, Extra):
                change = pieces * (part.front_ride_height_m if axle == "front" else part.rear_ride_height_m)
            height += change
            if change and pieces > 0:
                movers.append(part)
        found.refuse("ride height", height < hub.min_ride_height_m - HAIR, *movers)

    def _needs(self, build: Build) -> set[str]:
        for name, part in build.items():
            if part.needs:
                others = [other for slot, other in build.items() if slot != name]
                there = {other.id for other in others}.union(*(other.tags for other in others), self.event.carries)
                if any(need not in there for need in part.needs):
                    return {"needs"}
        return set()

    def _class(self, build: Build, loads: Mapping[Axle, float]) -> set[str]:
        """What the class wants carried, and its limits on sums."""
        found = set()
        for rule in self.race.rules:
            if rule.carry:
                seen = [part.tags for slot, part in build.items() if looked_at(rule, slot, part)]
                if rule.carry not in self.event.carries.union(*seen):
                    found.add(rule.name)
        for limit in self.race.limits:
            amount = self._amount(limit, build, loads)
            low = -math.inf if limit.minimum is None else limit.minimum
            high = math.inf if limit.maximum is None else limit.maximum
            if not low - 1e-7 <= amount <= high + 1e-7:
                found.add(limit.name)
        return found

    def _amount(self, limit: Limit, build: Build, loads: Mapping[Axle, float]) -> float:
        if limit.quantity == "mass" and not limit.tag:
            return sum(loads.values())
        counted = [
            (self.slots[name].count, part)
            for name, part in build.items()
            if part.id != NONE_ID and (not limit.tag or limit.tag in part.tags)
        ]
        if limit.quantity == "mass":
            return sum(pieces * part.mass_kg for pieces, part in counted)
        return sum(pieces for pieces, _ in counted)

    def _stock(self, build: Build) -> set[str]:
        used = self.spending.used(build)
        return {"stock"} if any(pieces > self.spending.obtainable(part) for part, pieces in used.items()) else set()


class _Found:
    """Names of broken checks; those that an override lifts for one of the parts are left out."""

    def __init__(self, lifted: set[tuple[str, str]]) -> None:
        self.names: set[str] = set()
        self._lifted = lifted

    def refuse(self, check: str, wrong: bool, *parts: Part) -> None:
        if wrong and not any((check, part.id) in self._lifted for part in parts):
            self.names.add(check)


def _wheel(wheel: Wheel, hub: Hub, found: _Found) -> None:
    suits = any(
        pattern.bolts == hub.bolt_pattern.bolts and abs(pattern.circle_m - hub.bolt_pattern.circle_m) <= 0.6e-3 + HAIR
        for pattern in wheel.bolt_patterns
    )
    found.refuse("bolt pattern", not suits, wheel)
    found.refuse("center bore", wheel.center_bore_m < hub.center_bore_m - 0.1e-3 - HAIR, wheel)
    inside = hub.offset_min_m - HAIR <= wheel.offset_m <= hub.offset_max_m + HAIR
    found.refuse("wheel offset", not inside, wheel)
    found.refuse("wheel rating unknown", wheel.load_rating_kg is None or wheel.max_pressure_pa is None, wheel)
    if wheel.max_pressure_pa is not None:
        found.refuse("wheel pressure", hub.tire_pressure_pa > wheel.max_pressure_pa + 1e-3, wheel)


@lru_cache(maxsize=1024)
def _rims_of(section_width_m: float, aspect: float) -> tuple[float, float]:
    """Narrowest and widest rim of a size [in], kept: every tire is held against every wheel."""
    low, high = rim_width_range_in(section_width_m, aspect)
    return float(low), float(high)


def _tire_on_rim(tire: Tire, wheel: Wheel, found: _Found) -> None:
    low, high = _rims_of(tire.size.section_width_m, tire.size.aspect)
    low = low if tire.rim_width_min_in is None else tire.rim_width_min_in
    high = high if tire.rim_width_max_in is None else tire.rim_width_max_in
    found.refuse("tire on rim width", not low - HAIR <= wheel.rim_width_in <= high + HAIR, tire, wheel)
    found.refuse("tire on rim diameter", tire.size.rim_diameter_in != wheel.rim_diameter_in, tire, wheel)


def _roll_out(tire: Tire) -> float:
    return tire.circumference_m if tire.circumference_m is not None else 3.05 * tire.size.diameter_m


def _excludes(part: Part, other: Part) -> bool:
    """Whether a part refuses another; it does not exclude itself in another slot."""
    return part.id != other.id and any(answers_to(other, word) for word in part.not_with)


def _paired(rule: PairRule, a: Part, b: Part) -> bool:
    """Whether two choices are a pair that the class does not allow."""
    return (answers_to(a, rule.first) and answers_to(b, rule.second)) or (
        answers_to(b, rule.first) and answers_to(a, rule.second)
    )


