"""At which price, and at which mass, a part would take first place.

The question is put to the same scenario with another record of the part. The highest price is found from below. For a
given price the cheapest build that has the part and beats the level is looked for; how dear the part may be in that
build is arithmetic; then the search is asked whether a build that beats the level is left at a cent more. What a build
costs is the least of several ways to buy it, each of which holds a number of units of the part: as a function of the
unit price a concave, rising one. Taken over all builds it is concave too, so every step lands at or below the answer,
and there are at most as many steps as there are numbers of units. The last of them is the argument that it is the
highest.

A mass is looked for in the same way, with bisection in place of arithmetic. That a lighter part does as well as a heavy
one is the rule, and not sure: a faster car may be too fast for its tires, or lack grip. So some heavier ones are tried,
and what is found is a mass at which it holds while a step above it does not.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from types import MappingProxyType
from typing import Any, cast

import numpy as np

from optimizer.answers.price_limit import NO_PRICE, PriceLimit, highest_affordable
from optimizer.answers.unknowns import salt_asked_about
from optimizer.choice.legality import legality_of
from optimizer.choice.options import FloatArray, IntArray, Options, options_of
from optimizer.choice.price import PriceBook
from optimizer.choice.wishes import places_of
from optimizer.scenario.event import Limit, Scenario
from optimizer.scenario.parts import NONE_ID, Engine, Part
from optimizer.search.ranking import Ranking
from optimizer.search.state import Progress
from optimizer.search.study import Study, reaches

MASS_STEP_KG = 0.01
"""Masses are found to this."""
TRIED = 10
"""Builds of which the heaviest part is looked for together, the fastest."""
LIGHTER_TRIED = 17
"""Masses tried where cars are too light at the highest at which some are fast enough."""
HEAVIER_TRIED = 4
"""Masses tried between one at which no build is fast enough and the part's own."""
NEAR_NOTHING = 0.01
"""Share of its mass that is left of a part which is made as light as can be imagined."""


class BringingIn:
    """Asks what a part of another price or mass would do.

    Parameters
    ----------
    study : Study
        What it knows is used, and not added to.
    named : str
        The part, as ``id`` or ``slot=id``: where it has to be.
    budget_cents : int or None
    progress : callable, optional

    Attributes
    ----------
    closed : bool
        Whether every search so far was complete.
    """

    def __init__(self, study: Study, named: str, budget_cents: int | None, progress: Progress | None = None) -> None:
        self.study, self.named, self.budget_cents, self.progress = study, named, budget_cents, progress
        self.part: Part = study.scenario.parts[named.rpartition("=")[2]]
        self.elsewhere = set(places_of(study.options, self.part.id)) - set(places_of(study.options, named))
        self._in_kit = any(self.part.id == part for kit in study.scenario.kits for part, _ in kit.contents)
        self.closed = True
        self._salt = salt_asked_about(study.judge)
        self._price_study: Study | None = None
        self._lenient = False

    # --- the price ----------------------------------------------------------------------------------------------

    def at_price(self, limit: PriceLimit) -> Study:
        """The study with the part at the highest price of a limit."""
        return self._priced(None if limit.any_price else limit.cents)

    def best_at_price(self, limit: PriceLimit) -> Ranking:
        """The best build that has the part where asked for, at the highest price of a limit."""
        study = self.at_price(limit)
        found = study.best(budget_cents=self.budget_cents, with_parts=(self.named,), progress=self.progress)
        self.closed &= bool(found.evidence.closed)
        return found

    def rival_at_price(self, limit: PriceLimit) -> Ranking:
        """The best build that does not have the part where asked for, at the highest price of a limit."""
        return self._without(self.at_price(limit))

    def price_reaching(self, floor_ms: float, known: PriceLimit = NO_PRICE) -> PriceLimit:
        """The highest price at which a build with the part is as fast as a floor; at ``known`` some is."""
        return self.dearest_reaching(floor_ms, known)[0]

    def likely_reaching(self, floor_ms: float) -> tuple[PriceLimit, IntArray | None]:
        """A build (S,) as fast as a floor that is likely the one with which the part may be dearest, and how dear."""
        build = self._cheapest(self._priced(0), floor_ms, likely=True)
        return (NO_PRICE, None) if build is None else (self.dearest(build), build)

    def dearest_reaching(self, floor_ms: float, known: PriceLimit = NO_PRICE) -> tuple[PriceLimit, IntArray | None]:
        """The same, and the build (S,) that can be had at it; None where it is ``known``."""
        limit, asked, reaching = known, 0, None
        while not limit.any_price:
            study = self._priced(0 if limit.cents is None else limit.cents + 1)
            # After the cheapest nothing is likely left: any build would do, and that there is none is sooner shown.
            # That it is the cheapest need not be shown before; where it was not, the next one had better be.
            last = asked % 2 == 1
            guess = asked == 0 and not self._bought_alike
            build = self._some(study, floor_ms) if last else self._cheapest(study, floor_ms, likely=guess)
            if build is None:
                break
            limit, reaching = self.dearest(build), build
            if not (last or guess) and self._buys_fewest(build):  # the cheapest of all is so at every higher price
                break
            asked += 1
        return limit, reaching

    @property
    def _bought_alike(self) -> bool:
        """Whether all builds that have the part where asked for buy as many of it."""
        slots, every = self.study.options.slots, places_of(self.study.options, self.part.id)
        return not self._in_kit and sum(slots[s].count for s, _ in every) == self._fewest

    @property
    def _fewest(self) -> int:
        """Least pieces of the part in a build that has it where asked for."""
        return min(self.study.options.slots[s].count for s, _ in places_of(self.study.options, self.named))

    def _buys_fewest(self, build: IntArray) -> bool:
        """Whether no build that has the part where asked for buys fewer of it than a build (S,)."""
        slots, every = self.study.options.slots, places_of(self.study.options, self.part.id)
        pieces = sum(slots[s].count for s, o in every if build[s] == o)
        return not self._in_kit and pieces == self._fewest

    def dearest(self, build: IntArray) -> PriceLimit:
        """The highest price of the part at which a build (S,), affordable without a charge for it, can be had."""
        budget = math.inf if self.budget_cents is None else self.budget_cents

        def costs(price: int | None) -> float:
            prices = PriceBook(options_of(self._scenario(price))).price(build[None])
            return float(prices.cents[0]) if prices.available[0] else math.inf

        return highest_affordable(costs, budget)

    def _scenario(self, price: int | None) -> Scenario:
        return with_part(self.study.scenario, replace(self.part, price_cents=price))

    def _priced(self, price: int | None) -> Study:
        """The study at a price of the part, with what is known of the last price asked about."""
        before = self._price_study or self.study
        self._price_study = Study.of(self._scenario(price), self._salt, before.memory, before.helper)
        return self._price_study

    # --- the mass -----------------------------------------------------------------------------------------------

    def mass_reaching(self, floor_ms: float, builds: IntArray) -> float | None:
        """A mass below its own [kg] at which a build with the part is as fast as a floor, and a step above it none.

        Found to `MASS_STEP_KG`; None where `NEAR_NOTHING` of the mass does not do, or the least that rules ask of the
        part, nor any of `HEAVIER_TRIED`. Inertia goes with the mass (`inertia_goes_with`), as if the part were made of
        something lighter; the heat that a rotor takes stays. The search begins with changes of ``builds`` (n, S) that
        have the part.

        A car that has to weigh something may be too light with the part made of next to nothing, and fast enough and
        heavy enough somewhere in between. So the highest mass is first looked for with what a car weighs at least
        lowered by as much as the part is, and then held against the rule; where no build is heavy enough there, lower
        ones are tried, which proves nothing.
        """
        steps = self._steps_reaching(floor_ms, builds)
        return None if steps is None else steps * MASS_STEP_KG

    def mass_as_fast(self, mass_kg: float, floor_ms: float, builds: IntArray) -> float:
        """The same or a higher mass than one at which a build is faster, by changes of ``builds`` (n, S) alone."""
        steps, own = round(mass_kg / MASS_STEP_KG) + 1, self._ends()[1]
        if steps >= own:
            return mass_kg
        found = self._changed(self._weighing(steps), builds)
        if not reaches(found, floor_ms):
            return mass_kg
        return self._heaviest(found.builds[:TRIED], steps, own, floor_ms) * MASS_STEP_KG

    def rival_at_mass(self, mass_kg: float) -> Ranking:
        """The best build that does not have the part where asked for, with a part of some mass."""
        return self._without(self._weighing(round(mass_kg / MASS_STEP_KG)))

    def _steps_reaching(self, floor_ms: float, builds: IntArray) -> int | None:
        """The same in steps of `MASS_STEP_KG`."""
        least, own = self._ends()
        bound = any(_is_least_weight(limit) for limit in self.study.scenario.race_class.limits)
        self._lenient = bound
        highest, fast = self._highest_from(least, own, floor_ms, builds)
        self._lenient = False
        if highest is None or not bound or self._found_at(highest, floor_ms, fast).listed:
            return highest
        self.closed = False
        tried = np.linspace(highest, least, LIGHTER_TRIED).astype(int)[1:].tolist()
        for above, below in pairwise([highest, *tried]):
            found = self._changed(self._weighing(below), builds)
            if reaches(found, floor_ms):
                return self._heaviest(found.builds[:TRIED], below, above, floor_ms)
        return None

    @property
    def lightest_kg(self) -> float:
        """The least mass that is asked about."""
        return self._ends()[0] * MASS_STEP_KG

    def _ends(self) -> tuple[int, int]:
        """Steps of next to nothing, or of the least that rules ask of the part where it is to be; and of its own mass.

        With its own mass rules let it in.
        """
        own = math.ceil(round(self.part.mass_kg / MASS_STEP_KG, 9))
        low = max(1, math.ceil(NEAR_NOTHING * self.part.mass_kg / MASS_STEP_KG))

        def allowed(steps: int) -> bool:
            options = options_of(self._lighter(steps))
            forbidden = legality_of(options).forbidden
            return not all(forbidden[s][o] for s, o in places_of(options, self.named))

        if allowed(low):
            return low, own
        high = own
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if allowed(middle) else (middle, high)
        return high, own

    def _found_at(self, steps: int, floor_ms: float, builds: IntArray) -> Ranking:
        """Builds that reach a floor at a mass, if any do; what changes lead to takes a tenth of a search's time."""
        lighter = self._weighing(steps)
        found = self._changed(lighter, builds)
        return found if reaches(found, floor_ms) else self._reaching(lighter, floor_ms)

    def _highest_from(
        self, least: int, own: int, floor_ms: float, builds: IntArray
    ) -> tuple[int | None, IntArray]:
        """A number of steps, from ``least`` on and below its ``own``, at which one is that fast, and none at one more.

        And the builds (n, S) of which one is: those given where none is.
        """
        known, asked, given = None, least, builds
        while asked < own:
            found = self._found_at(asked, floor_ms, builds)
            if not found.listed:
                heavier = self._tried_heavier(asked, own, floor_ms, given)
                if heavier is None:
                    break
                asked, found = heavier
            builds = found.builds[:TRIED]
            known = self._heaviest(builds, asked, own, floor_ms)
            asked = known + 1
        return known, builds

    def _tried_heavier(self, low: int, own: int, floor_ms: float, builds: IntArray) -> tuple[int, Ranking] | None:
        """Most steps of a few tried between two at which changes of builds (n, S) are that fast, and these; or None."""
        tried = np.linspace(low, own, HEAVIER_TRIED + 2).astype(int)[1:-1].tolist()
        for steps in sorted({each for each in tried if low < each < own}, reverse=True):
            found = self._changed(self._weighing(steps), builds)
            if reaches(found, floor_ms):
                return steps, found
        return None

    def _heaviest(self, builds: IntArray, low: int, high: int, floor_ms: float) -> int:
        """Most steps, from ``low`` up to less than ``high``, at which one of builds (n, S) wins; at ``low`` one does.

        Speed is close to linear in mass: by a line through what is known, and halving where that does not help.
        """
        under, over = self._spare(builds, low, floor_ms), self._spare(builds, high, floor_ms)
        halve = False
        while high - low > 1:
            guess = (low + high) // 2
            if not halve and math.isfinite(over) and under > over:
                guess = min(max(low + math.floor((high - low) * under / (under - over)), low + 1), high - 1)
            spare, before = self._spare(builds, guess, floor_ms), high - low
            if spare >= 0:
                low, under = guess, spare
            else:
                high, over = guess, spare
            halve = not halve and high - low > before // 2
        return low

    def _lighter(self, steps: int) -> Scenario:
        part = replace(self.part, mass_kg=steps * MASS_STEP_KG)
        if inertia_goes_with(self.part):
            inertia = steps * MASS_STEP_KG / self.part.mass_kg * cast(Any, self.part).inertia_kgm2
            part = replace(part, inertia_kgm2=inertia)  # type: ignore[call-arg]
        scenario = with_part(self.study.scenario, part)
        if not self._lenient:
            return scenario
        slots = self.study.options.slots
        most = sum(slots[s].count for s, _ in places_of(self.study.options, self.part.id))
        return _with_less_weight(scenario, most * (self.part.mass_kg - part.mass_kg))

    def _weighing(self, steps: int) -> Study:
        return Study.of(self._lighter(steps), self._salt, self.study.memory, self.study.helper)

    def _spare(self, builds: IntArray, steps: int, floor_ms: float) -> float:
        """How much faster [m/s] than a floor the best of builds (n, S) is with a part of some mass.

        Minus infinity where none is legal.
        """
        study = Study.of(self._lighter(steps), self._salt)
        allowed = builds[study.legality.allowed(builds)]
        return float(passing_speeds(study, allowed).max()) - floor_ms if len(allowed) else -math.inf

    # --- searches -----------------------------------------------------------------------------------------------

    def _cheapest(self, study: Study, floor_ms: float, *, likely: bool) -> IntArray | None:
        found = study.cheapest(
            floor_ms,
            budget_cents=self.budget_cents,
            with_parts=(self.named,),
            fastest_first=False,
            likely=likely,
            progress=self.progress,
        )
        self.closed &= (likely and found.listed > 0) or bool(found.evidence.closed)
        return found.builds[0] if found.listed else None

    def _changed(self, study: Study, builds: IntArray) -> Ranking:
        """The best builds that changes of some (n, S) lead to."""
        return study.changed(builds, TRIED, budget_cents=self.budget_cents, with_parts=(self.named,))

    def _some(self, study: Study, floor_ms: float) -> IntArray | None:
        found = self._reaching(study, floor_ms)
        return found.builds[0] if found.listed else None

    def _reaching(self, study: Study, floor_ms: float) -> Ranking:
        found = study.reaching(
            floor_ms, budget_cents=self.budget_cents, with_parts=(self.named,), progress=self.progress
        )
        self.closed &= found.listed > 0 or bool(found.evidence.closed)
        return found

    def _without(self, study: Study) -> Ranking:
        found = study.best(budget_cents=self.budget_cents, without_parts=(self.named,), progress=self.progress)
        self.closed &= bool(found.evidence.closed)
        return found


def speed_of(ranking: Ranking) -> float:
    """Speed [m/s] of the best build; 0 where there is none."""
    return float(ranking.speed_ms[0]) if ranking.listed else 0.0


def passing_speeds(study: Study, builds: IntArray) -> FloatArray:
    """Speeds [m/s] (n,) of builds (n, S) that meet every check which needs a run; minus infinity where one does not."""
    runs = study.judge.runs(builds)
    return np.where(study.judge.judge(builds, runs).legal, study.judge.joined(runs), -np.inf)


def with_part(scenario: Scenario, part: Part) -> Scenario:
    """The scenario with another record of one part."""
    parts = {each: part if each == part.id else record for each, record in scenario.parts.items()}
    return replace(scenario, parts=MappingProxyType(parts))


def _is_least_weight(limit: Limit) -> bool:
    """Whether a limit asks of a car to weigh something at least."""
    return limit.quantity == "mass" and limit.minimum is not None


def _with_less_weight(scenario: Scenario, less_kg: float) -> Scenario:
    """The scenario with cars in its class that may be lighter by so much; the rule has another name then."""
    event, race_class = scenario.event, scenario.race_class
    limits = tuple(
        replace(each, name=f"{each.name} less {less_kg}", minimum=max(0.0, (each.minimum or 0.0) - less_kg))
        if _is_least_weight(each)
        else each
        for each in race_class.limits
    )
    classes = {**event.classes, event.race_class: replace(race_class, limits=limits)}
    return replace(scenario, event=replace(event, classes=MappingProxyType(classes)))


def has_price(options: Options, named: str) -> bool:
    """Whether the price of a part matters: the sheet sells it, and the slots it may be in take more than is owned."""
    places = places_of(options, named)
    part = options.parts[places[0][0]][places[0][1]]
    pieces = sum(options.slots[s].count for s, _ in places_of(options, part.id))
    return part.id != NONE_ID and part.price_cents is not None and pieces > part.owned


def inertia_goes_with(part: Part) -> bool:
    """Whether a part of another mass has another inertia in proportion: it turns, and not only something in it does."""
    return not isinstance(part, Engine) and getattr(part, "inertia_kgm2", 0.0) > 0


def has_mass(options: Options, named: str) -> bool:
    """Whether a part has a mass that could be another: not one that the car was weighed with."""
    places = places_of(options, named)
    part = options.parts[places[0][0]][places[0][1]]
    return part.mass_kg > MASS_STEP_KG and all(o > 0 for _, o in places_of(options, part.id))
