"""A second reading of what is legal and what it costs, written apart from `optimizer.choice`.

Plain Python on one build at a time, a dict of slot name -> part. It shares with the package the records it reads
and the published tables of tires, nothing else. Slow and direct on purpose: every check is one sentence of the
rules, and every purchase is tried.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter

from optimizer.physics.tires import (
    LOAD_INDEX_KG,
    SPEED_SYMBOL_MS,
    load_share_at_pressure,
    rim_width_range_in,
)
from optimizer.scenario.car import Hub, Slot
from optimizer.scenario.event import Limit, RaceClass, Rule, Scenario
from optimizer.scenario.parts import Engine, Extra, FinalDrive, Gearset, Part, Rotor, Tire, Wheel

Build = dict[str, Part]
HAIR = 1e-9  # a bound is kept if it is passed by no more than the rounding of a sum
ALWAYS_REFUSED = {"temporary spare", "motorcycle", "retread"}
AXLES = ("front", "rear")


class Reading:
    """What is wrong with builds of one scenario, and what they cost."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.car = scenario.car
        self.event = scenario.event
        self.race: RaceClass = scenario.race_class
        self.slots: dict[str, Slot] = {slot.name: slot for slot in self.car.slots}
        self.lifted = {(each.check, each.part) for each in self.event.overrides}

    # ------------------------------------------------------------------ the car with a build on it

    def fitted(self, name: str) -> Part | None:
        """The part now in a slot, None for an empty one."""
        return self.scenario.parts.get(self.slots[name].fitted)

    def _moves(self, build: Build):
        """(slot, part, +pieces) of what is on and (slot, part, -pieces) of what was on when it was weighed."""
        for name, slot in self.slots.items():
            yield slot, build[name], slot.count
            old = self.fitted(name)
            if old is not None:
                yield slot, old, -slot.count

    def axle_loads(self, build: Build) -> dict[str, float]:
        """Load on each axle [kg]."""
        share = self.car.front_share
        front, total = self.car.mass_kg * share, self.car.mass_kg
        for slot, part, pieces in self._moves(build):
            kg = pieces * part.mass_kg
            total += kg
            if slot.axle is not None:
                front += kg if slot.axle == "front" else 0.0
                continue
            place = part.position_m if isinstance(part, Extra) else None
            if place is None:
                place = slot.position_m
            front += kg * (share if place is None else 1 - place / self.car.wheelbase_m)
        return {"front": front, "rear": total - front}

    def _pressure_changes(self, build: Build) -> dict[str, float]:
        """What each slot's change adds to the pressure of all tires [Pa]."""
        added = dict.fromkeys(self.slots, 0.0)
        for slot, part, pieces in self._moves(build):
            if isinstance(part, Extra):
                added[slot.name] += pieces * part.pressure_pa
        return added

    def pressure(self, axle: str, build: Build) -> float:
        """Gauge pressure the tires of an axle run at [Pa]."""
        return self.car.hub(axle).tire_pressure_pa + sum(self._pressure_changes(build).values())

    def highest_pressure(self, axle: str, build: Build) -> float:
        """Gauge pressure that tires and wheels must stand [Pa].

        As planned, with any one change alone, and with all of them: what one change adds is not made good by what
        another takes off, unless the first alone would pass.
        """
        added = self._pressure_changes(build).values()
        return self.car.hub(axle).tire_pressure_pa + max(0.0, sum(added), *added)

    def _on(self, axle: str, kind: type, build: Build) -> list:
        return [p for n, p in build.items() if self.slots[n].axle == axle and isinstance(p, kind)]

    # ------------------------------------------------------------------ legality

    def broken(self, build: Build) -> set[str]:
        """Names of the checks that a build breaks; empty if it is legal."""
        found: set[str] = set()

        def refuse(check: str, wrong: bool, *parts: Part) -> None:
            if wrong and not any((check, part.id) in self.lifted for part in parts):
                found.add(check)

        for axle in AXLES:
            hub = self.car.hub(axle)
            tires, wheels, rotors = (self._on(axle, kind, build) for kind in (Tire, Wheel, Rotor))
            for tire in tires:
                self._tire(tire, hub, axle, build, refuse)
            for wheel in wheels:
                self._wheel(wheel, hub, axle, build, refuse)
            for rotor in rotors:
                refuse("rotor limit unknown", rotor.max_rise_k is None, rotor)
            for tire, wheel in itertools.product(tires, wheels):
                low, high = rim_width_range_in(tire.size.section_width_m, tire.size.aspect)
                low = float(low) if tire.rim_width_min_in is None else tire.rim_width_min_in
                high = float(high) if tire.rim_width_max_in is None else tire.rim_width_max_in
                outside = not low - HAIR <= wheel.rim_width_in <= high + HAIR
                refuse("tire on rim width", outside, tire, wheel)
                other = tire.size.rim_diameter_in != wheel.rim_diameter_in
                refuse("tire on rim diameter", other, tire, wheel)
            for rotor, wheel in itertools.product(rotors, wheels):
                needed = max(rotor.caliper_envelope_m, rotor.diameter_m)
                refuse("brake clearance", needed > wheel.brake_clearance_m + HAIR, rotor, wheel)
            self._ride_height(axle, hub, build, refuse)
        if self.car.drive == "all":
            for one, two in itertools.product(self._on("front", Tire, build), self._on("rear", Tire, build)):
                a, b = self._roll_out(one), self._roll_out(two)
                apart = abs(a - b) / max(a, b)
                refuse("circumference match", apart > self.event.max_circumference_mismatch + HAIR, one, two)
        self._housing(build, refuse)
        found |= self._relations(build)
        found |= self._class(build)
        found |= self._stock(build)
        return found

    @staticmethod
    def _roll_out(tire: Tire) -> float:
        return tire.circumference_m if tire.circumference_m is not None else 3.05 * tire.size.diameter_m

    def _tire(self, tire: Tire, hub: Hub, axle: str, build: Build, refuse) -> None:
        unknown = tire.load_index is None or tire.speed_symbol is None or tire.max_pressure_pa is None
        refuse("tire rating unknown", unknown, tire)
        category = tire.category.lower()
        welcome = {each.lower() for each in self.event.tire_categories} - ALWAYS_REFUSED
        refuse("tire category", category not in welcome, tire)
        if self.event.max_tire_age_years is not None:
            if tire.made is None:
                refuse("tire age", True, tire)
            else:
                weeks = 52 * (self.event.date[0] - tire.made[0]) + self.event.date[1] - tire.made[1]
                refuse("tire age", weeks > 52 * self.event.max_tire_age_years, tire)
        if hub.max_tire_diameter_m is not None:
            refuse("wheelhouse", tire.size.diameter_m > hub.max_tire_diameter_m + HAIR, tire)
        if hub.max_tire_width_m is not None:
            refuse("wheelhouse", tire.size.section_width_m > hub.max_tire_width_m + HAIR, tire)
        if tire.max_pressure_pa is not None:
            highest = self.highest_pressure(axle, build)
            refuse("tire pressure", highest > tire.max_pressure_pa + 1e-3, tire)
        if tire.load_index is not None:
            corner = self.axle_loads(build)[axle] * hub.heaviest_corner_share
            good_for = LOAD_INDEX_KG[tire.load_index]
            good_for *= float(load_share_at_pressure(self.pressure(axle, build), tire.extra_load))
            refuse("corner load", corner > good_for + 1e-7, tire)

    def _wheel(self, wheel: Wheel, hub: Hub, axle: str, build: Build, refuse) -> None:
        suits = any(
            pattern.bolts == hub.bolt_pattern.bolts
            and abs(pattern.circle_m - hub.bolt_pattern.circle_m) <= 0.6e-3 + HAIR
            for pattern in wheel.bolt_patterns
        )
        refuse("bolt pattern", not suits, wheel)
        refuse("center bore", wheel.center_bore_m < hub.center_bore_m - 0.1e-3 - HAIR, wheel)
        inside = hub.offset_min_m - HAIR <= wheel.offset_m <= hub.offset_max_m + HAIR
        refuse("wheel offset", not inside, wheel)
        refuse("wheel rating unknown", wheel.load_rating_kg is None or wheel.max_pressure_pa is None, wheel)
        if wheel.max_pressure_pa is not None:
            refuse("wheel pressure", self.highest_pressure(axle, build) > wheel.max_pressure_pa + 1e-3, wheel)
        if wheel.load_rating_kg is not None:
            corner = self.axle_loads(build)[axle] * hub.heaviest_corner_share
            refuse("wheel load", corner > wheel.load_rating_kg + 1e-7, wheel)

    def _ride_height(self, axle: str, hub: Hub, build: Build, refuse) -> None:
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
        refuse("ride height", height < hub.min_ride_height_m - HAIR, *movers)

    def _housing(self, build: Build, refuse) -> None:
        """Each part must fit what its slot offers; two that share a housing must fit one and the same."""
        boxed = [(s, build[n]) for n, s in self.slots.items() if s.interfaces and build[n].id != "none"]
        for slot, part in boxed:
            refuse("housing", not part.fits & slot.interfaces, part)
        for (one, a), (two, b) in itertools.combinations(boxed, 2):
            # Only of a part that fits at all can it be said that it fits another box than its neighbor.
            if {one.kind, two.kind} == {"gearset", "final drive"} and one.interfaces & two.interfaces:
                refuse("housing", not a.fits & one.interfaces & b.fits & two.interfaces, a, b)

    def _relations(self, build: Build) -> set[str]:
        found = set()
        for name, part in build.items():
            others = [p for n, p in build.items() if n != name]
            there = {p.id for p in others}.union(*(p.tags for p in others))
            if any(need not in there | self.event.carries for need in part.needs):
                found.add("needs")
            for word in part.not_with:
                # A part does not exclude itself in another slot.
                if any(p.id != part.id and (p.id == word or word in p.tags) for p in others):
                    found.add("not with")
        return found

    # ------------------------------------------------------------------ rules of the class

    def _class(self, build: Build) -> set[str]:
        found = set()
        for rule in self.race.rules:
            looked_at = [
                part
                for name, part in build.items()
                if part.id != "none" and rule.slot in ("", name) and rule.kind in ("", part.kind)
            ]
            if rule.carry:
                if rule.carry not in self.event.carries.union(*(part.tags for part in looked_at)):
                    found.add(rule.name)
            elif any(_outside(rule, part) for part in looked_at):
                found.add(rule.name)
        for pair in self.race.pairs:
            for one, two in itertools.permutations(build.values(), 2):
                if _is(one, pair.first) and _is(two, pair.second):
                    found.add(pair.name)
        for limit in self.race.limits:
            amount = self._amount(limit, build)
            low = -math.inf if limit.minimum is None else limit.minimum
            high = math.inf if limit.maximum is None else limit.maximum
            if not low - 1e-7 <= amount <= high + 1e-7:
                found.add(limit.name)
        return found

    def _amount(self, limit: Limit, build: Build) -> float:
        if limit.quantity == "mass" and not limit.tag:
            return sum(self.axle_loads(build).values())
        counted = [
            (self.slots[name].count, part)
            for name, part in build.items()
            if part.id != "none" and (not limit.tag or limit.tag in part.tags)
        ]
        if limit.quantity == "mass":
            return sum(pieces * part.mass_kg for pieces, part in counted)
        return sum(pieces for pieces, _ in counted)

    # ------------------------------------------------------------------ money

    def _used(self, build: Build) -> Counter[str]:
        used: Counter[str] = Counter()
        for name, part in build.items():
            if part.id != "none":
                used[part.id] += self.slots[name].count
        return used

    def _on_sale(self, part: Part) -> float:
        """Pieces that may be bought in packs."""
        if part.price_cents is None:
            return 0
        return math.inf if part.stock is None else part.stock * part.pack

    def _stock(self, build: Build) -> set[str]:
        for part_id, pieces in self._used(build).items():
            part = self.scenario.parts[part_id]
            in_kits = sum(n * kit.stock for kit in self.scenario.kits for i, n in kit.contents if i == part_id)
            if pieces > part.owned + self._on_sale(part) + in_kits:
                return {"stock"}
        return set()

    def price(self, build: Build) -> tuple[int, float] | None:
        """Cents of the cheapest purchase within the hours, and the fewest own hours at that price; None: no such."""
        parts = self.scenario.parts
        used = self._used(build)
        changed = [name for name, part in build.items() if part.id != self.slots[name].fitted]
        mounted: Counter[str] = Counter()
        jobs: set[str] = set()
        for name in changed:
            jobs |= {*self.slots[name].work, *build[name].work}
            if build[name].id != "none":
                mounted[build[name].id] += self.slots[name].count
        fixed = sum(cents for _, cents in (*self.event.fixed_costs, *self.race.fixed_costs))
        fixed += sum(self.car.jobs[job].cost_cents for job in jobs)
        work_hours = sum(self.car.jobs[job].hours for job in jobs)
        on_the_car: Counter[str] = Counter()
        for slot in self.car.slots:
            if slot.fitted != "none":
                on_the_car[slot.fitted] += slot.count
        fixed -= sum(n * parts[i].resale_cents for i, n in (on_the_car - used).items())

        useful = [kit for kit in self.scenario.kits if any(i in used for i, _ in kit.contents)]
        best: tuple[int, float] | None = None
        for numbers in itertools.product(*(range(kit.stock + 1) for kit in useful)):
            cents, hours = fixed, work_hours
            supplied: Counter[str] = Counter()
            ready: Counter[str] = Counter()
            for number, kit in zip(numbers, useful, strict=True):
                cents += number * kit.price_cents
                for part_id, pieces in kit.contents:
                    supplied[part_id] += number * pieces
                    ready[part_id] += number * pieces * kit.fitting_included
            for part_id, pieces in used.items():
                part = parts[part_id]
                short = max(0, pieces - part.owned - supplied[part_id])
                if short > self._on_sale(part):
                    break
                if short:
                    cents += -(-short // part.pack) * part.price_cents
                to_fit = max(0, mounted[part_id] - ready[part_id])
                cents += to_fit * part.fitting_cents
                hours += to_fit * part.fitting_hours
            else:
                within = self.event.hours_limit is None or hours <= self.event.hours_limit + 1e-9
                if within and (best is None or (cents, hours) < best):
                    best = (cents, hours)
        return best


def _is(part: Part, word: str) -> bool:
    return part.id == word or word in part.tags


def _value(part: Part, field: str) -> object:
    """What a rule reads off a part, lengths in meters; None where the part has no such thing."""
    if field in ("category", "id"):
        return getattr(part, field)
    if field == "mass":
        return part.mass_kg
    if isinstance(part, Engine):
        return {
            "displacement": part.displacement_m3,
            "forced induction": "yes" if part.forced_induction else "no",
        }.get(field)
    if isinstance(part, Tire):
        return {
            "rim diameter": 0.0254 * part.size.rim_diameter_in,
            "section width": part.size.section_width_m,
            "diameter": part.size.diameter_m,
            "load index": part.load_index,
            "speed symbol": part.speed_symbol,
        }.get(field)
    if isinstance(part, Wheel):
        inches = {"rim diameter": part.rim_diameter_in, "rim width": part.rim_width_in}.get(field)
        return None if inches is None else 0.0254 * inches
    if isinstance(part, Rotor) and field == "diameter":
        return part.diameter_m
    if isinstance(part, FinalDrive) and field == "ratio":
        return part.ratio
    return None


def _outside(rule: Rule, part: Part) -> bool:
    """Whether one part breaks a rule. Listed values are compared as words; bounds as numbers in SI."""
    if rule.field == "tags":
        if rule.forbidden and part.tags & set(rule.forbidden):
            return True
        return bool(rule.allowed) and not part.tags & set(rule.allowed)
    if isinstance(part, Gearset) and rule.field == "ratio":
        values: list[object] = list(part.ratios)
    else:
        value = _value(part, rule.field)
        values = [] if value is None else [value]
    for value in values:
        if rule.allowed and value not in rule.allowed:
            return True
        if value in rule.forbidden:
            return True
        if rule.minimum is None and rule.maximum is None:
            continue
        number = SPEED_SYMBOL_MS[value] if rule.field == "speed symbol" else float(value)
        if rule.minimum is not None and number < rule.minimum - HAIR:
            return True
        if rule.maximum is not None and number > rule.maximum + HAIR:
            return True
    return False
