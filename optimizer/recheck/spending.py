"""What a build costs, read apart from `optimizer.choice`: every purchase is tried."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Mapping

from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import NONE_ID, Part

HOURS_HAIR = 1e-9


class Spending:
    """Prices of builds of one scenario."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.car, self.event = scenario.car, scenario.event
        self.slots = {slot.name: slot for slot in self.car.slots}
        costs = (*self.event.fixed_costs, *scenario.race_class.fixed_costs)
        self.fixed_cents = sum(cents for _, cents in costs)
        self.on_the_car: Counter[str] = Counter()
        for slot in self.car.slots:
            if slot.fitted != NONE_ID:
                self.on_the_car[slot.fitted] += slot.count

    def used(self, build: Mapping[str, Part]) -> Counter[str]:
        """Pieces of each part that a build uses, by id."""
        used: Counter[str] = Counter()
        for name, part in build.items():
            if part.id != NONE_ID:
                used[part.id] += self.slots[name].count
        return used

    @staticmethod
    def on_sale(part: Part) -> float:
        """Pieces that may be bought in packs."""
        if part.price_cents is None:
            return 0
        return math.inf if part.stock is None else part.stock * part.pack

    def obtainable(self, part_id: str) -> float:
        """Pieces there can be of a part at all: owned, in packs, in kits."""
        part = self.scenario.parts[part_id]
        in_kits = sum(n * kit.stock for kit in self.scenario.kits for i, n in kit.contents if i == part_id)
        return part.owned + self.on_sale(part) + in_kits

    def jobs_of(self, slot: str, part: Part) -> frozenset[str]:
        """Jobs that a choice in a slot needs: none for leaving the fitted part in."""
        place = self.slots[slot]
        return frozenset() if part.id == place.fitted else frozenset((*place.work, *part.work))

    def price(self, build: Mapping[str, Part]) -> tuple[int, float] | None:
        """Cents of the cheapest purchase within the hours, and the fewest own hours at that price; None: no such."""
        parts, used = self.scenario.parts, self.used(build)
        mounted: Counter[str] = Counter()
        jobs: set[str] = set()
        for name, part in build.items():
            if part.id != self.slots[name].fitted:
                jobs |= self.jobs_of(name, part)
                if part.id != NONE_ID:
                    mounted[part.id] += self.slots[name].count
        fixed = self.fixed_cents + sum(self.car.jobs[job].cost_cents for job in jobs)
        work_hours = sum(self.car.jobs[job].hours for job in jobs)
        fixed -= sum(n * parts[i].resale_cents for i, n in (self.on_the_car - used).items())

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
            rest = self._rest(used, mounted, supplied, ready)
            if rest is None:
                continue
            cents, hours = cents + rest[0], hours + rest[1]
            within = self.event.hours_limit is None or hours <= self.event.hours_limit + HOURS_HAIR
            if within and (best is None or (cents, hours) < best):
                best = (cents, hours)
        return best

    def _rest(
        self, used: Counter[str], mounted: Counter[str], supplied: Counter[str], ready: Counter[str]
    ) -> tuple[int, float] | None:
        """Cents and hours for packs and fitting beside what kits bring; None where there are too few pieces."""
        cents, hours = 0, 0.0
        for part_id, pieces in used.items():
            part = self.scenario.parts[part_id]
            short = max(0, pieces - part.owned - supplied[part_id])
            if short > self.on_sale(part):
                return None
            if short and part.price_cents is not None:
                cents += -(-short // part.pack) * part.price_cents
            to_fit = max(0, mounted[part_id] - ready[part_id])
            cents += to_fit * part.fitting_cents
            hours += to_fit * part.fitting_hours
        return cents, hours
