"""Why a part is not in, against trying everything: the loss, prices and masses on both sides, reasons one by one."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import pytest

from optimizer.answers.brings_in import MASS_STEP_KG, with_part
from optimizer.answers.closeness import closeness
from optimizer.answers.kept_out import cheapest_allowed, distance
from optimizer.answers.why_not import MassAnswer, PutIn, WhyNot, why_not
from optimizer.choice.options import options_of
from optimizer.choice.price import PriceBook
from optimizer.choice.wishes import places_of, with_wishes
from optimizer.errors import UsageError
from optimizer.executor import processes
from optimizer.physics.tires import SPEED_SYMBOL_MS
from optimizer.report.offers import why_not_text
from optimizer.report.wording import Words
from optimizer.run.judge import SPEED_STEP_MS
from optimizer.scenario.event import Limit, Rule, Scenario
from optimizer.scenario.reading import read_scenario
from optimizer.search.diagnosis import rule_names
from optimizer.search.selection_model import build_model
from optimizer.search.sharing import helping
from optimizer.search.study import Study
from tests.scenes import STARTER
from tests.search.catalogs import every_allowed, every_passing, held_to, in_a_class, random_catalog

SIZES = (1, 1, 2, 2, 1, 1, 1)
SEEDS = range(2)
KINDS = ("T0", "T1", "W0", "G0", "F0", "E0", "Rf0", "Xn0")
"""Parts asked about: in kits (T0, W0, G0, F0) and not, for two slots and for one."""
DEAR, HEAVY = 10, 20
"""Numbers of the first catalogs in which the parts asked about are dear, and heavy."""
LEAST_KG = 1715 * 0.45359237
"""What the car of the starter has to weigh: it is not too light with its final drive, and is with next to none."""
ANY = 10**9
"""A price that no budget covers."""


@dataclass(frozen=True)
class Everything:
    """Every build that is legal for enough money, by full enumeration."""

    study: Study
    builds: np.ndarray
    speed: np.ndarray

    def has(self, named: str) -> np.ndarray:
        places = places_of(self.study.options, named)
        return np.logical_or.reduce([self.builds[:, s] == o for s, o in places])

    def cents(self, part: str, price: int | None) -> np.ndarray:
        """Prices of all builds with another price of a part."""
        scenario = self.study.scenario
        changed = with_part(scenario, replace(scenario.parts[part], price_cents=price))
        prices = PriceBook(options_of(changed)).price(self.builds)
        return np.where(prices.available, prices.cents, np.inf)

    def best(self, chosen: np.ndarray, cents: np.ndarray, budget: int) -> float:
        """Highest speed in ranks; 0 where there is none."""
        return float(np.round(self.fastest(chosen, cents, budget) / SPEED_STEP_MS))

    def first(self, chosen: np.ndarray, cents: np.ndarray, budget: int) -> tuple[float, float]:
        """The same, and its price below zero: what is higher ranks before."""
        best = self.best(chosen, cents, budget)
        equals = chosen & (cents <= budget) & (np.round(self.speed / SPEED_STEP_MS) == best)
        return best, -float(cents[equals].min(initial=np.inf))

    def fastest(self, chosen: np.ndarray, cents: np.ndarray, budget: int) -> float:
        """Highest speed; 0 where there is none."""
        return float(self.speed[chosen & (cents <= budget)].max(initial=0.0))


def everything_of(study: Study) -> Everything:
    builds, speed, _ = every_passing(study.judge, study.legality)
    return Everything(study, builds, speed)


def lighter_by(scenario: Scenario, part: str, mass_kg: float) -> Scenario:
    """The scenario with a part of another mass, made of something lighter or heavier; what turns in an engine stays."""
    record = scenario.parts[part]
    scale = 1.0 if record.kind == "engine" else mass_kg / record.mass_kg
    return with_part(scenario, replace(record, mass_kg=mass_kg, inertia_kgm2=scale * record.inertia_kgm2))


def first_at(scenario: Scenario, named: str, mass_kg: float, budget: int) -> bool:
    """Whether the best build has a part that heavy where it is asked for."""
    part = named.rpartition("=")[2]
    other = everything_of(Study.of(lighter_by(scenario, part, mass_kg)))
    cents, has = other.cents(part, scenario.parts[part].price_cents), other.has(named)
    return other.first(has, cents, budget) > other.first(~has, cents, budget)


@cache
def known(seed: int) -> tuple[Everything, int]:
    """A catalog, and a budget that binds; from `DEAR` or `HEAVY` on with parts that are dearer or heavier."""
    scenario = random_catalog(seed % DEAR, sizes=SIZES)
    every = everything_of(Study.of(scenario))
    prices = every.study.book.price(every.builds)
    budget = int(np.quantile(prices.cents[prices.available], 0.4))
    if seed < DEAR:
        return every, budget
    for part in (scenario.parts[each] for each in KINDS):
        worse = replace(part, mass_kg=3 * part.mass_kg)
        if seed < HEAVY:
            worse = replace(part, price_cents=4 * (part.price_cents or 0))
        scenario = with_part(scenario, worse)
    return everything_of(Study.of(scenario)), budget


@cache
def answered(seed: int, named: str) -> WhyNot:
    """The first part of a catalog is asked about with nothing known, the others with what was found out before."""
    every, budget = known(seed)
    return why_not(every.study, named, budget_cents=budget)


CASES = [
    *((seed, named) for seed in (0, 2) for named in (*KINDS, "front tires=T1")),
    *((1, named) for named in ("T0", "W0", "G0", "Xn0")),
    *((DEAR + seed, named) for seed, named in ((0, "T1"), (0, "F0"), (1, "W0"), (1, "Xn0"), (2, "Rf0"), (2, "T1"))),
    *((HEAVY + seed, named) for seed, named in ((0, "T0"), (0, "Rf0"), (2, "W0"), (2, "Xn0"))),
    (2, "rear wheels=W0"),
]


@pytest.mark.parametrize(("seed", "named"), CASES)
def test_the_loss(seed: int, named: str) -> None:
    """Best with and without, by trying everything; the slots named are those in which the two differ."""
    every, budget = known(seed)
    answer = answered(seed, named)
    part = named.rpartition("=")[2]
    cents, has = every.cents(part, every.study.scenario.parts[part].price_cents), every.has(named)
    best_with, best_without = every.best(has, cents, budget), every.best(~has, cents, budget)
    assert answer.closed
    assert (answer.with_it is None) == (best_with == 0.0) == (answer.kept_out is not None)
    assert answer.without is not None
    assert round(answer.without.speed_ms / SPEED_STEP_MS) == best_without
    if answer.with_it is None:
        assert not answer.in_best
        return
    assert round(answer.with_it.speed_ms / SPEED_STEP_MS) == best_with
    assert answer.loss_ms == answer.without.speed_ms - answer.with_it.speed_ms
    if best_with != best_without:
        assert answer.in_best == (best_with > best_without)
    assert answer.band is not None
    assert answer.band.difference_ms == pytest.approx(answer.loss_ms, abs=1e-9)
    builds = answer.without.build, answer.with_it.build
    told = {each.slot: (each.without, each.with_it) for each in answer.differences}
    assert told == {slot: (part, builds[1][slot]) for slot, part in builds[0].items() if part != builds[1][slot]}


@pytest.mark.parametrize(("seed", "named"), CASES)
def test_put_into_the_best_build(seed: int, named: str) -> None:
    """Its speed is the simulator's; that it is legal and can be paid says whether it is among all builds that are."""
    every, budget = known(seed)
    answer = answered(seed, named)
    if answer.put_in is None:
        assert answer.in_best or answer.without is None
        return
    study = every.study
    assert answer.without is not None
    build = study.options.encode({**answer.without.build, **dict.fromkeys(answer.slots, named.rpartition("=")[2])})
    assert answer.put_in.speed_ms == pytest.approx(study.judge.speeds(build[None])[0], abs=1e-9)
    affordable = study.book.price(every.builds).cents <= budget
    is_legal = bool((every.builds[affordable] == build).all(axis=1).any())
    assert (answer.put_in.problems == ()) is is_legal


@pytest.mark.parametrize(
    ("owned", "used", "said"),
    [
        (0, 2, "; it costs $78.50 each."),
        (1, 2, "; 1 is owned already; more cost $78.50 each."),
        (2, 2, "; 2 are owned already, all that the best build with it takes; more cost $78.50 each."),
        (2, 0, "; 2 are owned already; more cost $78.50 each."),
    ],
)
def test_what_is_owned_is_not_said_to_cost_money(owned: int, used: int, said: str) -> None:
    answer, scenario = answered(2, "T0"), known(2)[0].study.scenario
    assert answer.price is not None
    assert answer.with_it is not None
    taken = sum(slot.count for slot in scenario.car.slots if answer.with_it.build[slot.name] == "T0")
    assert (answer.price.owned, answer.price.used) == (scenario.parts["T0"].owned, taken)
    price = replace(answer.price, matters=True, pack=1, stated_cents=7850, owned=owned, used=used)
    text = why_not_text(Words(scenario), replace(answer, price=price))
    assert said in " ".join(text.split())


def test_money_that_is_missing_makes_no_build_illegal() -> None:
    """Put into the best build a part may cost too much: that is said, and nothing against the build."""
    answer, words = answered(2, "T0"), Words(known(2)[0].study.scenario)
    dear = "budget: it costs more than there is"
    for problems, said in (
        ((dear,), "mph, and cost more than there is."),
        (("tire age: too old", dear), f"mph, and NOT be legal: tire age: too old; {dear}."),
    ):
        text = why_not_text(words, replace(answer, put_in=PutIn(50.0, problems)))
        assert said in " ".join(text.split())


@pytest.mark.parametrize(("seed", "named"), CASES)
def test_the_price_on_both_sides(seed: int, named: str) -> None:
    """At the price found the part comes first; at a cent more it does not."""
    every, budget = known(seed)
    answer = answered(seed, named)
    if answer.price is None or not answer.price.matters:
        pytest.skip("the price does not matter")
    part, has, limit = named.rpartition("=")[2], every.has(named), answer.price.first

    def leads(price: int | None) -> bool:
        cents = every.cents(part, price)
        return every.first(has, cents, budget) > every.first(~has, cents, budget)

    if limit.any_price:
        assert leads(None) or leads(ANY)
    elif limit.cents is None:
        assert not leads(0)
    else:
        assert leads(limit.cents)
        assert not leads(limit.cents + 1)


@pytest.mark.parametrize(("seed", "named"), CASES)
def test_at_the_price_found_the_best_build_with_it_is_too_close_to_call(seed: int, named: str) -> None:
    """Whatever build that is: at another price it is another than today's. And none of those asked first is dearer."""
    every, budget = known(seed)
    answer = answered(seed, named)
    if answer.price is None or not answer.price.matters or answer.price.close is None or answer.band is None:
        pytest.skip("the price does not matter, or nothing can be compared")
    limit, stated = answer.price.close, answer.price.stated_cents
    if limit.none:
        assert not too_close(every, named, budget, stated)
    else:
        assert too_close(every, named, budget, ANY if limit.any_price else limit.cents)
        assert limit.any_price or not too_close(every, named, budget, stated) or (limit.cents or 0) >= (stated or 0)


def too_close(every: Everything, named: str, budget: int, price: int | None) -> bool:
    """Whether the best build with a part at a price is too close to call with the best one without it, or better."""
    cents, has = every.cents(named.rpartition("=")[2], price), every.has(named)
    with_it, without = (
        every.builds[np.argmax(np.where(which & (cents <= budget), every.speed, 0.0))] for which in (has, ~has)
    )
    (band,) = closeness(every.study, without, with_it[None])
    return band.too_close or band.difference_ms <= 0


@pytest.mark.parametrize(("seed", "named"), [(7100, "F0"), (7112, "G0")])
def test_what_a_kit_brings_at_any_price_is_not_the_best_that_can_be_had_at_any(seed: int, named: str) -> None:
    """The build that it brings would be too close to call; at such prices a faster one is there, which is not."""
    every = everything_of(Study.of(random_catalog(seed, sizes=SIZES)))
    prices = every.study.book.price(every.builds)
    budget = int(np.quantile(prices.cents[prices.available], 0.4))
    price = why_not(every.study, named, budget_cents=budget).price
    assert price is not None
    assert price.close is not None
    assert price.close.cents is not None
    assert too_close(every, named, budget, price.close.cents)
    assert not too_close(every, named, budget, ANY)


def test_prices_of_every_sort_are_met() -> None:
    """The cases above hold some at no price, some at a price below the sheet's, some above."""
    answers = [answered(*case).price for case in CASES]
    first = [(each.stated_cents, each.first) for each in answers if each is not None and each.matters]
    assert any(limit.none for _, limit in first)
    assert any(limit.cents is not None and stated is not None and limit.cents < stated for stated, limit in first)
    assert any(limit.cents is not None and stated is not None and limit.cents >= stated for stated, limit in first)


@pytest.mark.parametrize(("seed", "named"), CASES)
def test_the_mass_on_both_sides(seed: int, named: str) -> None:
    """At the mass found the part comes first, a hundredth of a kilogram heavier it does not."""
    every, budget = known(seed)
    answer = answered(seed, named)
    if answer.mass is None:
        pytest.skip("no mass is asked about")
    part = every.study.scenario.parts[named.rpartition("=")[2]]

    def comes_first(mass_kg: float) -> bool:
        return first_at(every.study.scenario, named, mass_kg, budget)

    found = answer.mass.first_kg
    if found is None:
        assert not comes_first(max(MASS_STEP_KG, 0.01 * part.mass_kg))
    else:
        assert found < part.mass_kg
        assert comes_first(found)
        assert not comes_first(found + MASS_STEP_KG)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("kind", ["tire", "engine", "rotor"])
def test_the_same_part_from_another_shop_comes_first_as_long_as_it_is_cheaper(seed: int, kind: str) -> None:
    """No cap holds the car; it is as fast with either, and what is left buys nothing better."""
    every, _ = known(seed)
    study = every.study
    best = study.best(budget_cents=10**8).builds[0]
    part = next(part for part in study.options.chosen(best) if part.kind == kind and part.price_cents)
    made = {"made": (2026, 1)} if kind == "tire" else {}
    twin = replace(part, id="Z", name="other shop", owned=0, price_cents=2 * (part.price_cents or 0), **made)  # type: ignore[arg-type]
    whole = replace(study.scenario, parts=MappingProxyType({**study.scenario.parts, "Z": twin}))
    both, budget = everything_of(Study.of(whole)), int(study.book.price(best[None]).cents[0])
    answer, has = why_not(both.study, "Z", budget_cents=budget), both.has("Z")
    assert answer.price is not None
    assert answer.closed

    def leads(price: int) -> bool:
        cents = both.cents("Z", price)
        keys = []
        for which in (has, ~has):
            rows = np.flatnonzero(which & (cents <= budget))
            steps = np.round(both.speed[rows] / SPEED_STEP_MS)
            keys.append(max(zip(steps, -cents[rows], strict=True), default=(0.0, 0.0)))
        return keys[0] > keys[1]

    limit = answer.price.first
    if limit.cents is None:  # a kit brings the other one, with more
        assert (seed, kind) == (2, "tire")
        assert not leads(0)
    else:
        assert leads(limit.cents)
        assert not leads(limit.cents + 1)


def raced(seed: int, **changes: object) -> Everything:
    """A catalog whose class is another in some respects."""
    return everything_of(Study.of(in_a_class(random_catalog(seed, sizes=SIZES), **changes)))


@cache
def capped(seed: int) -> tuple[Everything, int]:
    """A catalog in which a bracket holds four of five builds at the same speed, and a budget that binds."""
    every, budget = known(seed)
    cap_ms = float(np.quantile(every.speed[every.speed > 0], 0.2))
    return everything_of(Study.of(held_to(random_catalog(seed, sizes=SIZES), cap_ms))), budget


@cache
def held(seed: int, by: str) -> tuple[Everything, int]:
    """A catalog whose cars run into the rev limit, or that of their tires' rating, and a budget that binds."""
    scenario = random_catalog(seed, sizes=SIZES)
    changes: dict[str, dict[str, Any]] = {
        "revs": {"engine": {"rev_limit_rpm": 4200.0}}, "rating": {"tire": {"speed_symbol": "N"}}
    }  # fmt: skip
    for part in scenario.parts.values():
        scenario = with_part(scenario, replace(part, **changes[by].get(part.kind, {})))
    if by == "rating":
        scenario = replace(scenario, event=replace(scenario.event, rating_rule="limiter"))
    every = everything_of(Study.of(scenario))
    prices = every.study.book.price(every.builds)
    return every, int(np.quantile(prices.cents[prices.available], 0.4))


NAMED = ("T1", "E0", "Rf0", "Xn0", "F0", "front tires=T1", "rear tires=T1")
HELD = (
    *(("cap", seed, named) for seed in SEEDS for named in NAMED),
    ("revs", 5017, "W0"), ("revs", 5018, "E0"), ("rating", 5009, "W0"), ("rating", 5009, "Xt0"),
)  # fmt: skip


@pytest.mark.parametrize(("by", "seed", "named"), HELD)
def test_where_cars_are_held_as_fast_for_less_is_first_place(by: str, seed: int, named: str) -> None:
    """At the price found it is faster than all without it, or as fast and cheaper; at a cent more it is not.

    Also where it is asked about in one slot: then those that have it in another get cheaper with it.
    """
    every, budget = capped(seed) if by == "cap" else held(seed, by)
    answer = why_not(every.study, named, budget_cents=budget)
    has, part = every.has(named), named.rpartition("=")[2]

    def best(chosen: np.ndarray, cents: np.ndarray) -> tuple[float, float]:
        rows = np.flatnonzero(chosen & (cents <= budget))
        return max(zip(np.round(every.speed[rows] / SPEED_STEP_MS), -cents[rows], strict=True), default=(0.0, 0.0))

    def lead(price: int | None) -> bool:
        cents = every.cents(part, price)
        return best(has, cents) > best(~has, cents)

    assert answer.closed
    assert answer.price is not None
    if not answer.price.matters or answer.price.stated_cents is None:
        return
    first = answer.price.first
    if first.any_price:
        assert lead(None)
        return
    at_stated = answer.price.stated_cents
    if first.cents is None:
        assert not lead(0)
    elif answer.in_best and first.cents == at_stated:  # equal in speed and price
        assert not lead(at_stated + 1)
    else:
        assert lead(first.cents)
        assert not lead(first.cents + 1)
    assert answer.in_best == (first.cents is not None and at_stated <= first.cents)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_car_that_would_be_too_light_is_not_asked_about_as_if_it_were_slow(seed: int) -> None:
    """With a least weight that rules out the lightest builds: at the mass found the part comes first, at no higher one.

    Masses all the way up to its own are tried.
    """
    plain, budget = known(seed)
    kg = plain.study.judge.model.inputs(plain.builds, plain.study.judge.conditions[0]).translating_kg
    least = Limit(name="minimum weight", reason="class", quantity="mass", minimum=float(np.quantile(kg, 0.3)))
    every = raced(seed, limits=(*plain.study.scenario.race_class.limits, least))
    for named in ("E0", "F0", "T0"):
        answer = why_not(every.study, named, budget_cents=budget)
        if answer.mass is None:
            continue
        part = every.study.scenario.parts[named]
        found = 0.0 if answer.mass.first_kg is None else answer.mass.first_kg
        for mass_kg in {found, found + MASS_STEP_KG, *np.linspace(found, part.mass_kg, 12)[1:-1].tolist()} - {0.0}:
            first = first_at(every.study.scenario, named, mass_kg, budget)
            assert first == (mass_kg == found) or not answer.closed


def test_a_part_that_makes_the_car_too_light_at_next_to_nothing_may_be_first_above_that() -> None:
    """Held against the same question about the part at the mass found, and a hundredth of a kilogram above."""
    scenario = read_scenario(STARTER)
    event, race = scenario.event, scenario.race_class
    limits = tuple(replace(each, minimum=LEAST_KG) if each.quantity == "mass" else each for each in race.limits)
    classes = MappingProxyType({**event.classes, event.race_class: replace(race, limits=limits)})
    scenario = replace(scenario, event=replace(event, classes=classes))
    part = scenario.parts["F2"]

    def asked(mass_kg: float) -> WhyNot:
        return why_not(Study.of(lighter_by(scenario, "F2", mass_kg)), "F2", budget_cents=event.budget_cents)

    answer = asked(part.mass_kg)
    assert answer.closed
    assert answer.mass is not None
    found = answer.mass.first_kg
    assert found is not None
    assert not asked(0.01 * part.mass_kg).in_best, "the car would be too light"
    assert asked(found).in_best
    assert not asked(found + MASS_STEP_KG).in_best


def ruled_class(seed: int, sizes: tuple[int, ...], rating_rule: Literal["refuse", "limiter"], **race: Any) -> Scenario:
    scenario = random_catalog(seed, sizes=sizes)
    event = replace(scenario.event, rating_rule=rating_rule)
    classes = MappingProxyType({**event.classes, event.race_class: replace(scenario.race_class, **race)})
    return replace(scenario, event=replace(event, classes=classes))


def share_of_prices(every: Everything, share: float) -> int:
    """What the cheapest builds, by share, cost at most."""
    prices = every.study.book.price(every.builds)
    return int(np.quantile(prices.cents[prices.available], share))


def test_a_mass_is_told_to_three_digits_and_none_of_them_rounded_up() -> None:
    """With a little more it is not first; of a wheel the text says what becomes of its inertia."""
    found = answered(0, "W0")
    words = Words(known(0)[0].study.scenario)
    told = [
        " ".join(why_not_text(words, replace(found, mass=MassAnswer(9.0, 0.45359237 * 11.19, turns))).split())
        for turns in (False, True)
    ]
    assert "if it weighed 11.1 lb, and not if a little more" in told[0]
    assert "if it weighed 11.1 lb, its inertia less in proportion, and not if a little more" in told[1]


@pytest.mark.parametrize("seed", [5303, 5304])
def test_a_part_that_rules_ask_to_weigh_something_is_not_asked_about_below_that(seed: int) -> None:
    """An engine has to weigh a fifth of what this one does: with next to nothing it is out, and first above."""
    least = Rule(name="least engine", reason="class", kind="engine", field="mass", minimum=50.0)
    scenario = ruled_class(seed, SIZES, "limiter", rules=(least,))
    scenario = lighter_by(scenario, "E0", 2.5 * scenario.parts["E0"].mass_kg)
    cheap = replace(scenario.parts["E0"], price_cents=(scenario.parts["E0"].price_cents or 0) // 2)
    scenario = with_part(scenario, cheap)
    budget = share_of_prices(everything_of(Study.of(scenario)), 0.6)
    answer = why_not(Study.of(scenario), "E0", budget_cents=budget)
    assert answer.mass is not None
    assert answer.mass.first_kg is not None
    assert answer.mass.first_kg >= 50.0
    assert first_at(scenario, "E0", answer.mass.first_kg, budget)
    assert not first_at(scenario, "E0", answer.mass.first_kg + MASS_STEP_KG, budget)
    assert not first_at(scenario, "E0", 49.0, budget)


def test_where_a_lighter_part_makes_the_car_too_fast_for_its_tires_heavier_ones_are_tried() -> None:
    """Masses at which it is first do not hang together here: it is, it is not, and it is again."""
    scenario = ruled_class(8012, (1, 1, 1, 2, 1, 1, 1), "refuse", brackets=())
    budget = share_of_prices(everything_of(Study.of(scenario)), 0.6)
    scenario = lighter_by(scenario, "E0", 1.7 * scenario.parts["E0"].mass_kg)
    answer = why_not(Study.of(scenario), "E0", budget_cents=budget)
    assert answer.mass is not None
    found = answer.mass.first_kg
    assert found is not None
    asked = (15.3, 20.0, 104.2, 113.5, found, found + MASS_STEP_KG)
    assert [first_at(scenario, "E0", each, budget) for each in asked] == [True, False, True, False, True, False]
    assert found > 113.5


def test_some_parts_need_only_be_lighter() -> None:
    masses = [answered(*case).mass for case in CASES]
    assert any(each is not None and each.first_kg is not None for each in masses)
    assert any(each is not None and each.first_kg is None for each in masses)


def ruled(seed: int, *rules: Rule) -> Study:
    """A catalog whose class has further rules; T1 is of a category of its own."""
    scenario = random_catalog(seed, sizes=SIZES)
    scenario = with_part(scenario, replace(scenario.parts["T1"], category="odd"))
    name = scenario.event.race_class
    race = replace(scenario.race_class, rules=(*scenario.race_class.rules, *rules))
    classes = MappingProxyType({**scenario.event.classes, name: race})
    return Study.of(replace(scenario, event=replace(scenario.event, classes=classes)))


NO_GEARS = Rule(name="no long gears", reason="class", kind="gearset", field="mass", maximum=0.5)


@pytest.mark.parametrize("seed", SEEDS)
def test_what_keeps_a_part_out_is_minimal(seed: int) -> None:
    """Of all rules only those named are kept: the part is out. Less any one of them it is in."""
    study = ruled(seed, NO_GEARS)
    budget = known(seed)[1]
    out = why_not(study, "G0", budget_cents=budget).kept_out
    assert out is not None
    assert "forced in" not in out.reasons
    assert out.text.startswith("No build with G0 meets th")
    told = why_not_text(Words(study.scenario), why_not(study, "G0", budget_cents=budget))
    assert [name for name in out.reasons if " ".join(told.split()).count(f"{name}: ") != 1] == [], "each is said once"
    wished = with_wishes(study.legality, ("G0",), ())
    others = frozenset(rule_names(wished)) - set(out.reasons)

    def possible(drop: frozenset[str]) -> bool:
        model = build_model(study.options, wished, study.book, budget_cents=None, hours_limit=None, drop=drop)
        model.maximize([np.zeros(size) for size in study.options.sizes])
        return model.solve().build is not None

    assert not possible(others)
    assert all(possible(others | {name}) for name in out.reasons)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_budget_that_keeps_a_part_out(seed: int) -> None:
    """The price named is that of the cheapest build with it; the price question says when it would be affordable."""
    every, _ = known(seed)
    prices = every.study.book.price(every_allowed(every.study.legality))
    builds = every_allowed(every.study.legality)
    s, o = places_of(every.study.options, "E0")[0]
    with_it = prices.cents[prices.available & (builds[:, s] == o)].min()
    least = prices.cents[prices.available].min()
    assert least < with_it
    answer = why_not(every.study.fresh(), "E0", budget_cents=int(with_it) - 1)
    assert answer.kept_out is not None
    assert answer.kept_out.reasons == ("budget",)
    assert answer.kept_out.cheapest_cents == with_it
    assert answer.price is not None
    assert answer.mass is None


@pytest.mark.parametrize("seed", SEEDS)
def test_a_part_that_fails_at_speed_names_the_checks(seed: int) -> None:
    """A tire whose speed symbol is far below what the car does passes every rule before the run."""
    scenario = random_catalog(seed, sizes=SIZES)
    slowest = min(SPEED_SYMBOL_MS, key=lambda each: SPEED_SYMBOL_MS[each])
    slow = replace(scenario.parts["T1"], speed_symbol=slowest)  # type: ignore[call-arg]
    study = Study.of(with_part(scenario, slow))
    assert not everything_of(study).has("T1").any()
    out = why_not(study, "T1", budget_cents=None).kept_out
    assert out is not None
    assert out.at_speed
    assert "tire speed" in out.reasons
    assert out.text.startswith("Every build with T1 that the rules and the money allow fails at speed: ")
    assert re.search(r"The cheapest of them, with .*=T1.*: tire speed: \d+ % over what is allowed", out.text)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_nearest_part_that_may_be_in(seed: int) -> None:
    """Of those options that stand in some legal build within the money, none is more like the part."""
    every, budget = known(seed)
    tire = every.study.scenario.parts["T1"]
    rule = Rule(name="nothing odd", reason="class", kind="tire", field="category", forbidden=("odd",))
    study = ruled(seed, rule)
    left = everything_of(study)
    answer = why_not(study, "T1", budget_cents=budget)
    assert answer.kept_out is not None
    cents = left.cents("T1", tire.price_cents) if len(left.builds) else np.zeros(0)
    told = {each.slot: each.id for each in answer.kept_out.nearest}
    for s, o in places_of(study.options, "T1"):
        parts = study.options.parts[s]
        fit = {int(q) for q in np.unique(left.builds[cents <= budget, s])} - {o}
        nearest = min(fit, key=lambda q: (distance(parts[o], parts[q]), parts[q].id), default=None)
        assert told.get(study.options.slots[s].name) == (None if nearest is None else parts[nearest].id)


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "named"), [(2, "front tires=T1"), (HEAVY, "Rf0")])
def test_a_second_process_changes_nothing(seed: int, named: str) -> None:
    """Begun with nothing known, since each process begins so."""
    every, budget = known(seed)
    here = why_not(every.study.fresh(), named, budget_cents=budget)
    with helping(processes(1)) as helper:
        beside = why_not(replace(every.study.fresh(), helper=helper), named, budget_cents=budget)
    assert beside == here


def legal_somewhere(study: Study, named: str, budget: int) -> bool:
    """Whether a build is found from the cheapest before a run."""
    cheapest = cheapest_allowed(study, budget, (named,))
    return cheapest is not None and study.some_legal(cheapest, budget_cents=budget, with_parts=(named,)).listed > 0


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0])
def test_some_legal_build_is_found_where_there_is_one(seed: int) -> None:
    """For the last option of each slot, on a lake so short that few cars stop, with nothing known."""
    scenario = random_catalog(seed, sizes=SIZES)
    told = []
    for share in (1.0, 0.35):
        course = replace(scenario.event.course, shutdown_m=share * scenario.event.course.shutdown_m)
        study = Study.of(replace(scenario, event=replace(scenario.event, course=course)))
        every = everything_of(study)
        budget = int(np.quantile(study.book.price(every_allowed(study.legality)).cents, 0.5))
        affordable = study.book.price(every.builds).cents <= budget
        for s, parts in enumerate(study.options.parts):
            for o, part in list(enumerate(parts))[-1:]:
                named = f"{study.options.slots[s].name}={part.id}"
                there = bool((affordable & (every.builds[:, s] == o)).any())
                assert legal_somewhere(study.fresh(), named, budget) == there, (share, named)
                told.append(there)
    assert 0 < np.mean(told) < 1


@pytest.mark.parametrize("named", ["T0", "T1", "Xn0"])
def test_without_a_budget_only_speed_counts(named: str) -> None:
    """At any price where the part wins, at none where it does not."""
    every, _ = known(0)
    answer = why_not(every.study.fresh(), named, budget_cents=None)
    if answer.price is not None:
        assert not answer.price.matters
        assert answer.price.first.cents is None
        assert answer.loss_ms is not None
        assert answer.price.first.any_price == (round(answer.loss_ms / SPEED_STEP_MS) < 0)


def test_a_part_that_is_not_there_is_refused_with_the_nearest() -> None:
    study = known(0)[0].study
    with pytest.raises(UsageError, match="nearest: T0"):
        why_not(study, "T0x", budget_cents=None)
    with pytest.raises(UsageError, match="no slot is called"):
        why_not(study, "frnt tires=T0", budget_cents=None)


def test_what_is_told_of_the_work_never_falls() -> None:
    """One search comes after the other, each from its own beginning: what is shown of all of them goes on."""
    study = Study.of(read_scenario(STARTER))
    own: list[float] = []
    study.fresh().best(budget_cents=240_000, with_parts=("T4",), progress=lambda _what, share: own.append(share))
    seen: list[float] = []
    why_not(study, "T4", budget_cents=240_000, progress=lambda _what, share: seen.append(share))
    assert len(seen) > len(own)
    assert seen == sorted(seen)
    assert 0.5 * max(own) < seen[-1] < 1.0
