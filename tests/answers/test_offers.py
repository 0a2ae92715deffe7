"""What an offer is good for, against trying everything: parts and kits are taken out of a catalog and offered back."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from types import MappingProxyType

import numpy as np
import pytest

from optimizer.answers.offers import OffersAnswer, offers_answer
from optimizer.choice.options import Options, options_of
from optimizer.choice.price import PriceBook
from optimizer.errors import UsageError
from optimizer.run.judge import SPEED_STEP_MS
from optimizer.run.model import RunModel
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import Extra, TireSize
from optimizer.scenario.reading import read_scenario
from optimizer.search.study import Study
from tests.choice.records import extra_slot, make_extra, make_kit, make_scenario, make_tire, make_wheel
from tests.scenes import STARTER
from tests.search.catalogs import every_passing, random_catalog

SEEDS = range(4)
SMALL = (1, 1, 2, 2, 1, 1, 1)


class Everything:
    """Every build of a scenario that is legal but for its price, each simulated; what it costs at any prices."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        study = Study.of(scenario)
        self.options: Options = study.options
        self.builds, speed, _ = every_passing(study.judge, study.legality)
        self.steps = np.round(speed / SPEED_STEP_MS)

    def having(self, part: str) -> np.ndarray:
        """Which builds have a part."""
        places = [np.array([each.id == part for each in parts]) for parts in self.options.parts]
        return np.any([at[self.builds[:, s]] for s, at in enumerate(places)], axis=0)

    def best(self, budget: int, which: np.ndarray, scenario: Scenario | None = None) -> float:
        """The speed of the best of some builds at the prices of a scenario, in steps; 0 where there is none."""
        prices = PriceBook(options_of(scenario or self.scenario)).price(self.builds)
        return float(self.steps[which & prices.available & (prices.cents <= budget)].max(initial=0.0))


    def first(self, budget: int, which: np.ndarray, scenario: Scenario | None = None) -> tuple[float, float]:
        """The same, and its price below zero: what is higher ranks before."""
        prices = PriceBook(options_of(scenario or self.scenario)).price(self.builds)
        best = self.best(budget, which, scenario)
        equals = which & prices.available & (prices.cents <= budget) & (self.steps == best)
        return best, -float(prices.cents[equals].min(initial=10**9))


def rank(speed_ms: float) -> float:
    return float(np.round(speed_ms / SPEED_STEP_MS))


def with_part(scenario: Scenario, part: str, **changes: object) -> Scenario:
    changed = replace(scenario.parts[part], **changes)  # type: ignore[arg-type]
    return replace(scenario, parts=MappingProxyType({**scenario.parts, part: changed}))


def without_parts(scenario: Scenario, *gone: str) -> Scenario:
    kept = {key: part for key, part in scenario.parts.items() if key not in gone}
    return replace(scenario, parts=MappingProxyType(kept), kits=tuple(k for k in scenario.kits if k.id not in gone))


def spare_parts(scenario: Scenario) -> list[str]:
    """Parts that are neither on the car nor in a kit."""
    fitted = {slot.fitted for slot in scenario.car.slots}
    in_kits = {part for kit in scenario.kits for part, _ in kit.contents}
    return sorted(set(scenario.parts) - fitted - in_kits)


def budget_of(every: Everything, which: np.ndarray) -> int:
    """Money for a good half of the builds that do without the offers: it binds."""
    prices = PriceBook(every.options).price(every.builds[which])
    return int(np.quantile(prices.cents[prices.available], 0.6))


@pytest.mark.parametrize("seed", SEEDS)
def test_a_part_is_taken_out_and_offered_back(seed: int) -> None:
    """Best with it, what it displaces, whether it is in the best, and the price at which it stops being worth it."""
    whole = random_catalog(seed, sizes=SMALL)
    rng = np.random.default_rng(seed)
    for part in rng.choice(spare_parts(whole), 2, replace=False).tolist():
        whole = with_part(whole, part, owned=0)
        every = Everything(whole)
        having = every.having(part)
        budget = budget_of(every, ~having)
        found = offers_answer(Study.of(without_parts(whole, part)), whole, [part], budget_cents=budget)
        (offer,) = found.offers
        without, best = every.best(budget, ~having), every.best(budget, having)
        assert found.closed
        assert found.without is not None
        assert rank(found.without.speed_ms) == without
        assert (0.0 if offer.alone is None else rank(offer.alone.speed_ms)) == best
        assert offer.in_best == (best > without)
        assert rank(found.together.speed_ms) == max(without, best)  # type: ignore[union-attr]
        if offer.alone is not None:
            assert offer.alone.faster == (best > without)
            now, before = (found.options.decode(each.build) for each in (offer.alone, found.without))
            assert part in now.values()
            changed = {(each.slot, each.before, each.now) for each in offer.alone.displaced}
            assert changed == {(slot, before[slot], now[slot]) for slot in now if now[slot] != before[slot]}
        first = every.first(budget, ~having)
        free = every.first(budget, having, with_part(whole, part, price_cents=0))
        assert offer.helps == (free > first)
        if offer.most_worth_cents is None:
            assert free <= first
            continue
        at, above = (
            every.first(budget, having, with_part(whole, part, price_cents=offer.most_worth_cents + more))
            for more in (0, 1)
        )
        assert at > first
        assert above <= first


@pytest.mark.parametrize("pack", [1, 2, 4])
@pytest.mark.parametrize("stock", [None, 2])
def test_what_a_tire_for_either_axle_is_worth(pack: int, stock: int | None) -> None:
    """Two or four tires, singly, in pairs or by the set: the most per purchase is at the better of both."""
    wanted = make_tire("X", rolling_coefficient=0.007, price_cents=5_000, pack=pack, stock=stock)
    other = make_tire("T", rolling_coefficient=0.009, price_cents=9_000)
    wheel = make_wheel("W", mass_kg=5.0, price_cents=4_000)
    whole = make_scenario([wanted, other, wheel], event={"budget_cents": 30_000})
    every = Everything(whole)
    having = every.having("X")
    found = offers_answer(Study.of(without_parts(whole, "X")), whole, ["X"], budget_cents=30_000)
    most, without = found.offers[0].most_worth_cents, every.best(30_000, ~having)
    assert most is not None
    assert every.best(30_000, having, with_part(whole, "X", price_cents=most)) > without
    assert every.best(30_000, having, with_part(whole, "X", price_cents=most + 1)) <= without


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kit", ["K0", "K1"])
def test_a_kit_is_taken_out_and_offered_back(seed: int, kit: str) -> None:
    """Its parts are sold singly too, so it changes what builds cost that are known already."""
    whole = random_catalog(seed, sizes=SMALL)
    every = Everything(whole)
    all_builds = np.ones(len(every.builds), dtype=np.bool_)
    base = without_parts(whole, kit)
    budget = budget_of(Everything(base), all_builds)
    found = offers_answer(Study.of(base), whole, [kit], budget_cents=budget)
    (offer,) = found.offers
    without, best = every.best(budget, all_builds, base), every.best(budget, all_builds)
    assert found.closed
    assert found.without is not None
    assert offer.alone is not None
    assert (rank(found.without.speed_ms), rank(offer.alone.speed_ms)) == (without, best)
    if best == without:  # all it can do is to make builds cheaper
        assert offer.in_best == (offer.alone.cents < found.without.cents)
    else:
        assert offer.in_best

    assert offer.used == (every.first(budget, all_builds) > every.first(budget, all_builds, base))
    first = every.first(budget, all_builds, base)

    def at(cents: int) -> tuple[float, float]:
        kits = tuple(replace(each, price_cents=cents) if each.id == kit else each for each in whole.kits)
        return every.first(budget, all_builds, replace(whole, kits=kits))

    if offer.most_worth_cents is None:
        assert not offer.helps
        assert at(0) <= first
    else:
        assert at(offer.most_worth_cents) > first
        assert at(offer.most_worth_cents + 1) <= first


@pytest.mark.parametrize("seed", range(3))
def test_the_same_part_from_another_shop_is_worth_what_it_saves(seed: int) -> None:
    """It makes no build faster where there is nothing to spend the difference on; as fast for less ranks before."""
    whole = random_catalog(seed, sizes=SMALL)
    study = Study.of(whole)
    best = study.best(budget_cents=10**8).builds[0]
    bought = [part for part in study.options.chosen(best) if part.price_cents and not part.owned]
    in_kits = {part for kit in whole.kits for part, _ in kit.contents}
    twin = next(part for part in bought if part.id not in in_kits)
    offered = with_twin(whole, twin.id, price_cents=1)
    every = Everything(offered)
    having = every.having("Z")
    budget = int(study.book.price(best[None]).cents[0])
    found = offers_answer(study, offered, ["Z"], budget_cents=budget)
    most = found.offers[0].most_worth_cents
    assert most is not None
    assert found.closed
    first = every.first(budget, ~having)
    assert every.first(budget, having, with_part(offered, "Z", price_cents=most)) > first
    assert every.first(budget, having, with_part(offered, "Z", price_cents=most + 1)) <= first


def with_twin(scenario: Scenario, part: str, **changes: object) -> Scenario:
    """A scenario with a copy of a part, called Z."""
    copy = replace(scenario.parts[part], id="Z", **changes)  # type: ignore[arg-type]
    return replace(scenario, parts=MappingProxyType({**scenario.parts, "Z": copy}))


# --- offers that need each other


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("changes", [{"grip_factor": 1.3}, {"rolling_change": -0.002}])
def test_an_offer_that_makes_a_slot_one_that_drives_the_car(seed: int, changes: dict[str, float]) -> None:
    """What was found out without it says nothing of other drive sets: the answer is that of trying everything."""
    scenario = random_catalog(seed, sizes=SMALL)
    base = next(part for part in scenario.parts.values() if isinstance(part, Extra) and part.id.startswith("X"))
    offered = replace(base, id="Z", owned=0, price_cents=100, **changes)
    whole = replace(scenario, parts=MappingProxyType({**scenario.parts, "Z": offered}))
    slots = [RunModel(options_of(each)).drive_slots for each in (scenario, whole)]
    assert len(slots[0]) < len(slots[1])
    every = Everything(whole)
    having = every.having("Z")
    budget = budget_of(every, ~having)
    found = offers_answer(Study.of(scenario), whole, ["Z"], budget_cents=budget)
    (offer,) = found.offers
    assert found.without is not None
    assert rank(found.without.speed_ms) == every.best(budget, ~having)
    assert (0.0 if offer.alone is None else rank(offer.alone.speed_ms)) == every.best(budget, having)


def test_such_an_offer_to_the_starter() -> None:
    """Its lists of options are longer: bits of what was found out before do not even fit those of what is asked now."""
    scenario = read_scenario(STARTER)
    base = next(part for part in scenario.parts.values() if isinstance(part, Extra) and "body" in part.slots)
    offered = replace(base, id="Z", owned=0, price_cents=5_000, needs=(), rolling_change=-0.002)
    whole = replace(scenario, parts=MappingProxyType({**scenario.parts, "Z": offered}))
    found = offers_answer(Study.of(scenario), whole, ["Z"], budget_cents=scenario.event.budget_cents)
    alone = found.offers[0].alone
    expected = Study.of(whole).best(budget_cents=scenario.event.budget_cents, with_parts=("Z",))
    assert alone is not None
    assert alone.speed_ms == expected.speed_ms[0]
    assert (alone.build == expected.builds[0]).all()


@pytest.mark.parametrize("seed", SEEDS)
def test_several_offers_by_all_of_their_subsets(seed: int) -> None:
    """Each by itself as if the others were not there; groups that pay only together; the best with all at hand."""
    whole = random_catalog(seed, sizes=SMALL)
    rng = np.random.default_rng(seed + 10)
    ids = [str(each) for each in rng.choice(spare_parts(whole), 3, replace=False)]
    for each in ids:
        whole = with_part(whole, each, owned=0)
    every = Everything(whole)
    having = {each: every.having(each) for each in ids}
    budget = budget_of(every, ~np.any(list(having.values()), axis=0))
    found = answer(whole, *ids, budget=budget)

    def best(group: tuple[str, ...], *, forced: bool) -> float:
        out = [having[each] for each in ids if each not in group]
        which = ~np.any(out, axis=0) if out else np.ones(len(every.builds), dtype=np.bool_)
        for each in group if forced else ():
            which = which & having[each]
        return every.best(budget, which)

    def pays_only_together(group: tuple[str, ...]) -> bool:
        alone = all(best((each,), forced=True) <= best((), forced=False) for each in group)
        fewer = max(best(each, forced=False) for each in combinations(group, len(group) - 1))
        return alone and best(group, forced=True) > fewer

    assert found.closed
    assert found.together is not None
    assert rank(found.together.speed_ms) == best(tuple(ids), forced=False)
    for offer in found.offers:
        assert (0.0 if offer.alone is None else rank(offer.alone.speed_ms)) == best((offer.id,), forced=True)
        assert offer.in_best == (offer.id in found.options.decode(found.together.build).values())
    groups = [group for size in (2, 3) for group in combinations(ids, size) if pays_only_together(group)]
    assert list(found.only_together) == groups


SMALL_RIM = TireSize(0.185, 0.7373, 13.0)
"""As high as 185/60R15, on a rim of 13 inches, which no other wheel here has."""


def yard(*, tire_cents: int | None = 3_000, wheel_cents: int | None = 3_000) -> Scenario:
    """A wheel of 13 inches and the only tire that fits it, a lip that pays by itself, and one that is a hindrance."""
    return make_scenario(
        [
            make_tire("T13", size=SMALL_RIM, rolling_coefficient=0.006, price_cents=tire_cents),
            make_wheel("W13", rim_diameter_in=13.0, price_cents=wheel_cents),
            make_tire("T15", rolling_coefficient=0.0105, price_cents=4_000),
            make_extra("lip", slots=("nose",), drag_area_m2=-0.02, price_cents=2_000),
            make_extra("sail", slots=("nose",), drag_area_m2=0.02, price_cents=2_000),
        ],
        extra_slots=[extra_slot("nose")],
        event={"budget_cents": 40_000},
    )


def answer(whole: Scenario, *ids: str, base: Scenario | None = None, budget: int | None = 40_000) -> OffersAnswer:
    return offers_answer(Study.of(base or without_parts(whole, *ids)), whole, ids, budget_cents=budget)


def test_a_wheel_and_the_only_tire_that_fits_it_pay_only_together() -> None:
    """Neither can be driven alone, at any price; the lip pays by itself and belongs to no such group."""
    found = answer(yard(), "W13", "T13", "lip", "sail")
    offers = {each.id: each for each in found.offers}
    assert found.closed
    assert found.only_together == (("W13", "T13"),)
    for each in ("W13", "T13"):
        assert (offers[each].alone, offers[each].helps, offers[each].most_worth_cents) == (None, False, None)
        assert offers[each].in_best
    lip, sail = offers["lip"], offers["sail"]
    assert lip.alone is not None
    assert lip.alone.faster
    assert lip.in_best
    assert lip.most_worth_cents is not None
    assert lip.most_worth_cents >= 2_000
    assert sail.alone is not None
    assert not sail.alone.faster
    assert (sail.helps, sail.in_best) == (False, False)


def test_no_group_where_they_cost_too_much_or_one_will_do() -> None:
    """At ten times the price the pair does not pay; where the wheel is the crew's own, the tire pays alone."""
    assert answer(yard(tire_cents=30_000), "W13", "T13").only_together == ()
    found = answer(yard(), "T13", "sail")
    assert found.only_together == ()
    assert found.offers[0].in_best


def test_a_kit_of_parts_that_are_not_sold_apart() -> None:
    """It brings them; they by themselves are out of reach. What it is worth, to the cent, by trying everything."""
    whole = yard(tire_cents=None, wheel_cents=None)
    whole = replace(whole, kits=(make_kit("K", 24_000, {"T13": 4, "W13": 4}),))
    every = Everything(whole)
    new = every.having("T13") | every.having("W13")
    found = answer(whole, "T13", "W13", "K")
    kit = found.offers[2]
    assert found.closed
    assert kit.is_kit
    assert kit.in_best
    assert kit.most_worth_cents is not None
    assert [each.alone for each in found.offers[:2]] == [None, None]
    assert found.only_together == ()
    without = every.best(40_000, ~new)

    def at(cents: int) -> float:
        return every.best(40_000, new, replace(whole, kits=(replace(whole.kits[0], price_cents=cents),)))

    assert at(kit.most_worth_cents) > without
    assert at(kit.most_worth_cents + 1) <= without


def test_a_kit_brings_known_parts_within_reach() -> None:
    """Singly they cost more than there is, so that no search went that way: what it ruled out, the kit lets in."""
    base = yard(tire_cents=60_000, wheel_cents=60_000)
    whole = replace(base, kits=(make_kit("K", 20_000, {"T13": 4, "W13": 4}),))
    every = Everything(whole)
    all_builds = np.ones(len(every.builds), dtype=np.bool_)
    found = answer(whole, "K", base=base)
    (kit,) = found.offers
    assert kit.alone is not None
    assert kit.alone.faster
    assert rank(kit.alone.speed_ms) == every.best(40_000, all_builds)
    assert {each.now for each in kit.alone.displaced} >= {"T13", "W13"}
    assert kit.most_worth_cents is not None
    assert kit.most_worth_cents >= 20_000


def test_a_kit_is_no_better_for_what_its_parts_cost_singly() -> None:
    """The tire and wheel pay together when bought singly; a lot of both at a mad price does not."""
    kits = (make_kit("K", 41_000, {"T13": 4, "W13": 4}),)
    found = answer(replace(yard(), kits=kits), "T13", "W13", "K")
    kit = found.offers[2]
    assert found.only_together == (("T13", "W13"),)
    assert kit.alone is not None
    assert not kit.alone.faster
    assert not kit.in_best
    unpriced = replace(yard(tire_cents=None, wheel_cents=None), kits=kits)
    assert kit.most_worth_cents == answer(unpriced, "T13", "W13", "K").offers[2].most_worth_cents


def test_parts_that_may_stand_nowhere_say_why() -> None:
    """A wheel with five bolts on hubs of four, and an extra on a car without a slot for it."""
    five = replace(make_wheel("W13").bolt_patterns[0], bolts=5)
    whole = make_scenario([make_wheel("W5", bolt_patterns=(five,), price_cents=1), make_extra("X", price_cents=1)])
    wheel, extra = answer(whole, "W5", "X").offers
    assert {each.check for each in wheel.refused} == {"bolt pattern"}
    assert [each.check for each in extra.refused] == ["slots"]
    for each in (wheel, extra):
        assert (each.alone, each.helps, each.most_worth_cents, each.in_best) == (None, False, None, False)


def test_without_a_limit_on_money_no_price_is_too_high() -> None:
    """It helps, and there is no most: any money buys it."""
    (lip,) = answer(yard(), "lip", budget=None).offers
    assert lip.helps
    assert lip.most_worth_cents is None


def test_questions_that_make_no_sense() -> None:
    """Offers that are not there, are the crew's own, or are asked about on another salt."""
    whole = yard()
    study = Study.of(without_parts(whole, "lip"))
    for ids, salt, offered, words in (
        (["lop"], None, whole, "not on offer"),
        (["sail"], None, whole, "in the scenario already"),
        (["lip"], None, with_part(whole, "lip", owned=1), "owned already"),
        (["lip"], "soft", whole, "another salt"),
    ):
        with pytest.raises(UsageError, match=words):
            offers_answer(study, offered, ids, budget_cents=40_000, salt=salt)


def test_what_is_told_on_the_way() -> None:
    """Shares of the work that rise, and the last below all of it."""
    whole, told = yard(), list[tuple[str, float]]()
    offers_answer(
        Study.of(without_parts(whole, "lip")), whole, ["lip"], budget_cents=40_000,
        progress=lambda what, share: told.append((what, share)),
    )  # fmt: skip
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert shares[-1] < 1


def test_what_no_legal_build_has_says_why() -> None:
    """A tire that costs more than there is, one too slow for any run, a wheel without its tire; the lip has a build."""
    whole = make_scenario(
        [
            make_tire("dear", price_cents=2_000_000),
            make_tire("slow", speed_symbol="L", price_cents=100),
            make_wheel("W13", rim_diameter_in=13.0, price_cents=3_000),
            make_extra("lip", slots=("nose",), drag_area_m2=-0.02, price_cents=2_000),
        ],
        extra_slots=[extra_slot("nose")],
        event={"budget_cents": 40_000},
    )
    dear, slow, wheel, lip = answer(whole, "dear", "slow", "W13", "lip").offers

    assert dear.reasons == ("budget",)
    assert "No legal build with dear costs" in dear.why_none
    assert "tire speed" in slow.reasons
    assert "tire on rim diameter" in wheel.reasons
    assert lip.alone is not None
    assert (lip.why_none, lip.reasons) == ("", ())
    for each in (dear, slow, wheel):
        assert each.alone is None
        assert each.why_none
