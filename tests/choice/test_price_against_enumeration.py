"""Prices, bounds and kit purchases against independent judges: every purchase tried, and an integer model."""

import itertools
import math
import random
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from optimizer.choice.options import options_of
from optimizer.choice.price import NO_PRICE, PriceBook
from optimizer.choice.purchase import group_kits, offers_of, piece_prices
from optimizer.scenario.car import Job
from optimizer.scenario.parts import NONE_ID
from tests.choice.records import extra_slot, make_extra, make_kit, make_scenario, make_tire, random_builds


def random_scenario(seed):
    """Three or four slots that share parts and jobs, packs, stock, owned pieces, resale, overlapping kits."""
    rng = random.Random(seed)
    names = [f"P{i}" for i in range(rng.randint(3, 6))]
    slot_names = [f"S{i}" for i in range(rng.randint(2, 4))]
    jobs = [
        Job(name=f"J{i}", cost_cents=rng.randrange(50, 400), hours=rng.choice([0, 0.5, 1.25]))
        for i in range(3)
    ]

    def some_jobs():
        return tuple(sorted(rng.sample([job.name for job in jobs], rng.choice([0, 0, 1, 2]))))

    slots = [
        extra_slot(
            name,
            count=rng.randint(1, 2),
            required=rng.random() < 0.5,
            work=some_jobs(),
            fitted=rng.choice([NONE_ID, *names]),
        )
        for name in slot_names
    ]
    parts = []
    for name in names:
        alone = rng.random() < 0.3
        homes = {slot.name for slot in slots if slot.fitted == name}
        parts.append(
            make_extra(
                name,
                price_cents=None if rng.random() < 0.2 else rng.randrange(100, 1000),
                pack=rng.choice([1, 1, 2, 4]),
                stock=rng.choice([None, None, 0, 1, 2]),
                owned=rng.choice([0, 0, 1, 3]),
                resale_cents=rng.choice([0, 40, 95]),
                fitting_cents=rng.choice([0, 30, 75]),
                fitting_hours=rng.choice([0, 0.25, 0.5]),
                work=some_jobs(),
                slots=tuple(sorted(homes | {rng.choice(slot_names)})) if alone else (),
            )
        )
    kits = [
        make_kit(
            f"K{i}",
            rng.randrange(100, 1500),
            {name: rng.randint(1, 3) for name in rng.sample(names, rng.randint(1, 3))},
            stock=rng.randint(0, 2),
            fitting_included=rng.random() < 0.5,
        )
        for i in range(rng.randint(0, 3))
    ]
    event = {"fixed_costs": (("entry", 500),), "hours_limit": rng.choice([None, 0.5, 1.0, 2.0, 3.0])}
    return make_scenario(parts, slots=slots, jobs=jobs, kits=kits, event=event)


def cheapest_by_trying(scenario, build):
    """(cents, hours) of the best of all numbers of packs and kits, or None; from the rules in words."""
    used, changed, fitted, jobs = {}, {}, {}, set()
    for slot in scenario.car.slots:
        new = build[slot.name]
        used[new] = used.get(new, 0) + slot.count
        fitted[slot.fitted] = fitted.get(slot.fitted, 0) + slot.count
        if new != slot.fitted:
            changed[new] = changed.get(new, 0) + slot.count
            jobs |= set(slot.work) | (set(scenario.parts[new].work) if new != NONE_ID else set())
    for pieces in (used, changed, fitted):
        pieces.pop(NONE_ID, None)
    parts = [scenario.parts[name] for name in used]
    packs = [
        range(min(-(-used[part.id] // part.pack), math.inf if part.stock is None else part.stock) + 1)
        if part.price_cents is not None
        else range(1)
        for part in parts
    ]
    work = sum(scenario.car.jobs[job].cost_cents for job in jobs)
    work_hours = sum(scenario.car.jobs[job].hours for job in jobs)
    resale = sum(max(0, n - used.get(p, 0)) * scenario.parts[p].resale_cents for p, n in fitted.items())
    base = (
        sum(cost for _, cost in (*scenario.event.fixed_costs, *scenario.race_class.fixed_costs))
        + work
        - resale
    )
    limit = math.inf if scenario.event.hours_limit is None else scenario.event.hours_limit
    found = []
    for kits in itertools.product(*(range(kit.stock + 1) for kit in scenario.kits)):
        supplied, mounted = dict.fromkeys(used, 0), dict.fromkeys(used, 0)
        for kit, number in zip(scenario.kits, kits, strict=True):
            for name, q in kit.contents:
                if name in used:
                    supplied[name] += number * q
                    mounted[name] += number * q * kit.fitting_included
        left = {name: max(0, changed.get(name, 0) - mounted[name]) for name in used}
        hours = work_hours + sum(scenario.parts[name].fitting_hours * n for name, n in left.items())
        if hours > limit:
            continue
        money = base + sum(number * kit.price_cents for kit, number in zip(scenario.kits, kits, strict=True))
        money += sum(scenario.parts[name].fitting_cents * n for name, n in left.items())
        for bought in itertools.product(*packs):
            if all(
                part.owned + supplied[part.id] + number * part.pack >= used[part.id]
                for part, number in zip(parts, bought, strict=True)
            ):
                price = sum(
                    number * (part.price_cents or 0) for part, number in zip(parts, bought, strict=True)
                )
                found.append((money + price, hours))
    return min(found, default=None)


CASES = range(250)


@pytest.mark.parametrize("seed", CASES)
def test_price_is_the_cheapest_of_all_purchases(seed):
    """Money, hours and availability equal those of the enumeration; the bill adds up to them."""
    scenario = random_scenario(seed)
    options = options_of(scenario)
    book = PriceBook(options)
    builds = random_builds(options, seed, 12)
    prices = book.price(builds)

    for i, build in enumerate(builds):
        best = cheapest_by_trying(scenario, options.decode(build))

        assert prices.available[i] == (best is not None)
        if best is None:
            assert prices.cents[i] == NO_PRICE
            continue
        assert (prices.cents[i], prices.hours[i]) == best
        bill = book.bill(build)
        assert sum(line.cents for line in bill.lines) == bill.total_cents == best[0]
        assert sum(line.hours for line in bill.lines) == bill.hours == best[1]


def bounds_of(bounds, build):
    """Lower bounds of money and hours of one build, added up as `AdditiveBounds` says."""
    jobs = np.bitwise_or.reduce([bounds.jobs[s][o] for s, o in enumerate(build)])
    done = [bool(int(jobs) >> j & 1) for j in range(len(bounds.job_names))]
    cents = (
        bounds.fixed_cents
        + sum(int(bounds.cents[s][o]) for s, o in enumerate(build))
        + bounds.job_cents[done].sum()
    )
    hours = sum(bounds.hours[s][o] for s, o in enumerate(build)) + bounds.job_hours[done].sum()
    return cents, hours


@pytest.mark.parametrize("seed", CASES)
def test_additive_bounds_never_pass_the_price(seed):
    """Neither money nor hours; and what cannot even be bought alone is in no build that has a price."""
    options = options_of(random_scenario(seed))
    book = PriceBook(options)
    bounds = book.additive_bounds()
    builds = random_builds(options, seed, 60)
    prices = book.price(builds)

    for build, cents, hours, available in zip(
        builds, prices.cents, prices.hours, prices.available, strict=True
    ):
        least_cents, least_hours = bounds_of(bounds, build)
        assert least_cents <= cents
        assert least_hours <= hours + 1e-9
        assert not available or all(bounds.available[s][o] for s, o in enumerate(build))


@pytest.mark.parametrize("seed", range(20))
def test_additive_bounds_are_the_price_where_nothing_is_shared(seed):
    """Each part in one slot, no kits, packs that come out even: the sums are exact, shared jobs included."""
    rng = random.Random(seed)
    jobs = [Job(name=f"J{i}", cost_cents=rng.randrange(500), hours=0.5 * i) for i in range(3)]
    slots, parts = [], []
    for s in range(4):
        parts += [
            make_extra(
                f"P{s}{o}",
                price_cents=rng.randrange(1000),
                pack=rng.choice([1, 2]),
                owned=rng.choice([0, 2]),
                resale_cents=rng.randrange(100),
                fitting_cents=rng.randrange(100),
                fitting_hours=0.25,
                work=(rng.choice(jobs).name,),
                slots=(f"S{s}",),
            )
            for o in range(4)
        ]
        slots.append(
            extra_slot(
                f"S{s}", count=2, fitted=rng.choice([NONE_ID, f"P{s}0"]), work=(rng.choice(jobs).name,)
            )
        )
    options = options_of(make_scenario(parts, slots=slots, jobs=jobs))
    book = PriceBook(options)
    bounds = book.additive_bounds()
    builds = random_builds(options, seed, 40)
    prices = book.price(builds)

    assert [bounds_of(bounds, build) for build in builds] == list(
        zip(prices.cents, prices.hours, strict=True)
    )


def test_additive_bounds_are_the_price_of_shared_tires_used_once():
    """Tires that both axles may take, at 101 the pair: exact while each is on one axle only."""
    tires = [make_tire(f"T{i}", price_cents=10101 + i, pack=2, fitting_cents=7) for i in range(3)]
    options = options_of(make_scenario(tires))
    book = PriceBook(options)
    build = options.encode({"front tires": "T0", "rear tires": "T1"})

    assert bounds_of(book.additive_bounds(), build)[0] == book.price(build[None, :]).cents[0] == 20203 + 28


def test_option_that_cannot_be_bought_is_marked():
    """One left, two needed."""
    options = options_of(
        make_scenario([make_tire("T-last", price_cents=100, stock=1), make_tire("T-ok", price_cents=100)])
    )
    s = options.position("front tires")
    marked = dict(
        zip([p.id for p in options.parts[s]], PriceBook(options).additive_bounds().available[s], strict=True)
    )

    assert marked == {"T-stock": True, "T-last": False, "T-ok": True}


@pytest.mark.parametrize("seed", range(60))
def test_piece_prices_are_undercut_by_no_offer(seed):
    """What a pack or kit holds, at piece prices, is worth at most what it costs."""
    options = options_of(random_scenario(seed))
    parts = {part.id: part for row in options.parts for part in row if part.id != NONE_ID}
    offers = PriceBook(options).offers()
    prices = piece_prices(tuple(parts.values()), offers)

    for offer in offers:
        fitting = Fraction(int(offer.fitting_included))
        worth = sum(q * (prices.buying[p] + fitting * prices.fitting[p]) for p, q in offer.contents)
        assert worth <= offer.price_cents
    assert all(prices.buying[p] >= 0 for p in parts)
    assert all(0 <= prices.fitting[p] <= parts[p].fitting_cents for p in parts)


def cheapest_by_milp(offers, parts, need, use):
    """Least money for packs, kits and fitting, by mixed-integer programming."""
    n, k = len(parts), len(offers)
    holds = np.array([[offer.pieces(part.id) for offer in offers] for part in parts])
    mounted = holds * np.array([offer.fitting_included for offer in offers])
    result = milp(
        np.array(
            [offer.price_cents for offer in offers] + [part.fitting_cents for part in parts], dtype=float
        ),
        constraints=[
            LinearConstraint(np.hstack([holds, np.zeros((n, n))]), need, np.inf),
            LinearConstraint(np.hstack([mounted, np.eye(n)]), use, np.inf),
        ],
        bounds=Bounds(
            0, [math.inf if offer.stock is None else offer.stock for offer in offers] + [math.inf] * n
        ),
        integrality=np.array([1] * (k + n)),
        options={"mip_rel_gap": 0},
    )
    return round(result.fun) if result.success else None


def test_many_overlapping_kits_agree_with_a_mixed_integer_model():
    """Fourteen kits over ten parts in one group, against the solver's own search."""
    rng = random.Random(7)
    parts = [
        make_extra(
            f"P{i}",
            price_cents=rng.choice([None, *range(100, 900, 100)]),
            pack=rng.choice([1, 2]),
            stock=rng.choice([None, 1, 3]),
            fitting_cents=rng.choice([0, 30, 75]),
        )
        for i in range(10)
    ]
    kits = [
        make_kit(
            f"K{i}",
            rng.randrange(300, 1500),
            {f"P{p}": rng.randint(1, 4) for p in rng.sample(range(10), 4)},
            stock=rng.randint(1, 3),
            fitting_included=rng.random() < 0.4,
        )
        for i in range(14)
    ]
    offers = offers_of(parts, kits)
    (group,) = group_kits(offers, {part.id: part for part in parts})

    assert [part.id for part in group.parts] == [part.id for part in parts]
    for _ in range(40):
        need = [rng.choice([0, 0, 0, 1, 2, 4]) for _ in parts]
        use = [rng.choice([n, 0]) if saves else 0 for n, saves in zip(need, group.mounted, strict=True)]
        ways = group.ways(tuple(need), tuple(use))
        saved = [
            replace(part, fitting_cents=part.fitting_cents * saves)
            for part, saves in zip(parts, group.mounted, strict=True)
        ]

        assert (ways[0].cents if ways else None) == cheapest_by_milp(offers, saved, need, use)


@pytest.mark.parametrize("seed", range(60))
def test_additive_bounds_with_the_surcharge_of_kits_never_pass_the_price(seed):
    """For every set of slots that may be priced together, on random builds."""
    options = options_of(random_scenario(seed))
    book = PriceBook(options)
    bounds = book.additive_bounds()
    builds = random_builds(options, seed, 40)
    prices = book.price(builds)
    slots = range(len(options.slots))
    for size in range(1, len(slots) + 1):
        for chosen in itertools.combinations(slots, size):
            extra = book.kit_surcharge(builds, chosen)
            for row in np.flatnonzero(prices.available):
                assert bounds_of(bounds, builds[row])[0] + extra[row] <= prices.cents[row]


def test_a_part_sold_only_in_a_kit_is_paid_with_the_whole_kit():
    """Two parts for 300 in one kit, each wanted in its own slot: with one of them the other is paid as well."""
    scenario = make_scenario(
        [make_extra("A", price_cents=None, slots=("one",)), make_extra("B", price_cents=None, slots=("two",))],
        slots=[extra_slot("one", fitted=NONE_ID), extra_slot("two", fitted=NONE_ID)],
        kits=[make_kit("K", 300, {"A": 1, "B": 1}, stock=1)],
    )
    options = options_of(scenario)
    book, bounds = PriceBook(options), PriceBook(options).additive_bounds()
    build = np.array([[[p.id for p in row].index("A") if s == 0 else 0 for s, row in enumerate(options.parts)]])

    assert bounds_of(bounds, build[0])[0] < book.price(build).cents[0]
    assert bounds_of(bounds, build[0])[0] + book.kit_surcharge(build, [0, 1])[0] == book.price(build).cents[0]
    assert book.kit_surcharge(build, [0])[0] == 0, "the other slot could share the kit"
