"""The price of a build: shop receipts worked by hand, many builds at once, refusals."""

import math
from dataclasses import replace

import numpy as np
import pytest

from optimizer.choice.options import options_of
from optimizer.choice.price import NO_PRICE, PriceBook, _distinct_rows
from optimizer.errors import NoLegalBuildError, UsageError
from optimizer.scenario.car import Job
from optimizer.scenario.parts import NONE_ID
from tests.choice.records import (
    extra_slot,
    make_class,
    make_extra,
    make_final_drive,
    make_gearset,
    make_kit,
    make_scenario,
    make_tire,
    make_wheel,
    random_builds,
    stock_slots,
)


def dollars(amount):
    return round(100 * amount)


def receipt(scenario, build, **terms):
    """Bill of a build given as slot -> part id, as (kind, what, cents)."""
    options = options_of(scenario)
    bill = PriceBook(options, **terms).bill(options.encode(build))
    return [(line.kind, line.what, line.cents) for line in bill.lines], bill


def total(scenario, build, **terms):
    options = options_of(scenario)
    return int(PriceBook(options, **terms).price(options.encode(build)[None, :]).cents[0])


GEARBOX_OUT = Job(name="gearbox out", cost_cents=dollars(550), hours=6.0)


def gearbox_car(**terms):
    """Opening the gearbox costs 550 and 6 hours, whatever is changed inside."""
    slots = [
        replace(slot, work=("gearbox out",)) if slot.name in {"gearset", "final drive"} else slot
        for slot in stock_slots()
    ]
    parts = [
        make_gearset("G-close", price_cents=dollars(900), fitting_cents=dollars(40), fitting_hours=1.0),
        make_final_drive("F-tall", price_cents=dollars(300), fitting_cents=dollars(25), fitting_hours=0.5),
    ]
    return make_scenario(parts, slots=slots, jobs=[GEARBOX_OUT], **terms)


# --- receipts ------------------------------------------------------------


@pytest.mark.parametrize("drive", ["front", "rear", "all"])
def test_car_as_it_stands_costs_only_the_trip(drive):
    """Nothing is changed: 180 entry + 420 fuel, and 60 for the class."""
    event = {
        "fixed_costs": (("entry", dollars(180)), ("fuel", dollars(420))),
        "classes": [make_class("street", fixed_costs=(("inspection", dollars(60)),)), make_class("open")],
    }
    scenario = make_scenario(drive=drive, event=event)

    lines, bill = receipt(scenario, {})

    assert lines == [("fixed", "entry", 18000), ("fixed", "fuel", 42000), ("fixed", "inspection", 6000)]
    assert (bill.total_cents, bill.hours) == (66000, 0.0)
    assert total(scenario, {}, race_class="open") == 60000


def test_gearbox_opened_once_pays_for_two_changes():
    """900 + 300 parts, 40 + 25 fitting, 550 once; 6 + 1 + 0.5 hours."""
    lines, bill = receipt(gearbox_car(), {"gearset": "G-close", "final drive": "F-tall"})

    assert lines == [
        ("pack", "G-close", 90000),
        ("pack", "F-tall", 30000),
        ("fitting", "G-close", 4000),
        ("fitting", "F-tall", 2500),
        ("work", "gearbox out", 55000),
    ]
    assert (bill.total_cents, bill.hours) == (181500, 7.5)


def test_one_change_alone_pays_for_the_opening_too():
    """300 + 25 + 550."""
    assert total(gearbox_car(), {"final drive": "F-tall"}) == 87500


def test_used_gearbox_is_cheaper_than_its_two_parts():
    """Kit 700 against 900 + 300; the opening and the fitting are still paid: 700 + 40 + 25 + 550."""
    scenario = gearbox_car(kits=[make_kit("K-box", dollars(700), {"G-close": 1, "F-tall": 1})])

    lines, bill = receipt(scenario, {"gearset": "G-close", "final drive": "F-tall"})

    assert ("kit", "K-box", 70000) in lines
    assert not bill.of("pack")
    assert bill.total_cents == 131500


def test_kit_is_bought_for_one_part_of_it_if_that_is_cheaper():
    """Kit 700 is less than the gearset alone at 900, but more than the final drive alone at 300."""
    scenario = gearbox_car(kits=[make_kit("K-box", dollars(700), {"G-close": 1, "F-tall": 1})])

    assert [line.what for line in receipt(scenario, {"gearset": "G-close"})[1].of("kit")] == ["K-box"]
    assert not receipt(scenario, {"final drive": "F-tall"})[1].of("kit")


@pytest.mark.parametrize(("single", "per_set", "price"), [(150, 560, 560), (135, 560, 540)])
def test_four_of_one_tire_by_the_piece_or_in_a_lot(single, per_set, price):
    """A lot of four at 560 beats four at 150 (600), and loses to four at 135 (540)."""
    scenario = make_scenario(
        [make_tire("T-salt", price_cents=dollars(single))],
        kits=[make_kit("K-four", dollars(per_set), {"T-salt": 4})],
    )

    assert total(scenario, {"front tires": "T-salt", "rear tires": "T-salt"}) == dollars(price)


def test_tires_sold_by_the_set_fill_both_axles_with_one_set():
    """A set of four costs 480: one set for both axles, and still a whole set for one axle."""
    scenario = make_scenario([make_tire("T-salt", price_cents=dollars(480), pack=4)])

    assert total(scenario, {"front tires": "T-salt", "rear tires": "T-salt"}) == 48000
    assert total(scenario, {"rear tires": "T-salt"}) == 48000


def test_owned_pieces_count_across_both_axles():
    """Three of the four wheels are in the shed: one is bought at 90, all four are put on at 10 each."""
    scenario = make_scenario(
        [
            make_wheel(
                "W-light", price_cents=dollars(90), owned=3, fitting_cents=dollars(10), fitting_hours=0.25
            )
        ]
    )

    lines, bill = receipt(scenario, {"front wheels": "W-light", "rear wheels": "W-light"})

    assert lines == [("pack", "W-light", 9000), ("owned", "W-light", 0), ("fitting", "W-light", 4000)]
    assert bill.of("owned")[0].pieces == 3
    assert (bill.total_cents, bill.hours) == (13000, 1.0)


def test_what_comes_off_is_sold_unless_it_goes_elsewhere_on_the_car():
    """Stock tires bring 20 each. Two new ones at 100: 200 - 2 x 20; four: 400 - 4 x 20."""
    scenario = make_scenario(
        [make_tire("T-salt", price_cents=dollars(100)), make_tire("T-stock", resale_cents=dollars(20))]
    )

    assert total(scenario, {"front tires": "T-salt"}) == 16000
    assert total(scenario, {"front tires": "T-salt", "rear tires": "T-salt"}) == 32000


def test_swapping_the_axles_sells_nothing_and_buys_nothing():
    """Front and rear tires change places: both slots are changed, fitting 5 x 4 is all there is to pay."""
    slots = [
        replace(slot, fitted={"front tires": "T-a", "rear tires": "T-b"}.get(slot.name, slot.fitted))
        for slot in stock_slots()
    ]
    parts = [make_tire(name, resale_cents=dollars(30), fitting_cents=dollars(5)) for name in ("T-a", "T-b")]

    lines, _ = receipt(make_scenario(parts, slots=slots), {"front tires": "T-b", "rear tires": "T-a"})

    assert lines == [
        ("owned", "T-a", 0),
        ("owned", "T-b", 0),
        ("fitting", "T-a", 1000),
        ("fitting", "T-b", 1000),
    ]


def test_taking_a_part_off_is_a_change_that_needs_work_and_sells_the_part():
    """The bumper comes off for 80 of work and brings 35."""
    slot = extra_slot("bumper", fitted="X-bumper", work=("front apart",))
    scenario = make_scenario(
        [make_extra("X-bumper", resale_cents=dollars(35))],
        extra_slots=[slot],
        jobs=[Job(name="front apart", cost_cents=dollars(80), hours=2.0)],
    )

    lines, bill = receipt(scenario, {"bumper": NONE_ID})

    assert lines == [("work", "front apart", 8000), ("resale", "X-bumper", -3500)]
    assert (bill.total_cents, bill.hours) == (4500, 2.0)


def mounted_wheels(hours_limit):
    """Four loose wheels at 90 with half an hour each, or a lot of four mounted for 420."""
    return make_scenario(
        [make_wheel("W-light", price_cents=dollars(90), fitting_cents=dollars(5), fitting_hours=0.5)],
        kits=[make_kit("K-mounted", dollars(420), {"W-light": 4}, fitting_included=True)],
        event={"hours_limit": hours_limit},
    )


FOUR_LIGHT = {"front wheels": "W-light", "rear wheels": "W-light"}


def test_mounted_lot_is_dearer_and_is_taken_only_when_own_hours_run_short():
    """Loose: 360 + 20 fitting and 2 hours. Mounted: 420 and no hours."""
    assert total(mounted_wheels(None), FOUR_LIGHT) == 38000
    assert total(mounted_wheels(2.0), FOUR_LIGHT) == 38000
    assert total(mounted_wheels(1.5), FOUR_LIGHT) == 42000
    assert total(mounted_wheels(1.5), FOUR_LIGHT, hours_limit=math.inf) == 38000
    assert receipt(mounted_wheels(1.5), FOUR_LIGHT)[1].hours == 0.0


def test_dear_mounted_lot_is_not_forgotten_when_a_cheap_loose_lot_is_found():
    """Not sold singly: a lot of five loose ones at 200 (2 hours), a lot of four mounted at 420 (none)."""
    kits = [
        make_kit("K-loose", dollars(200), {"W-light": 5}),
        make_kit("K-mounted", dollars(420), {"W-light": 4}, fitting_included=True),
    ]
    scenario = make_scenario([make_wheel("W-light", fitting_hours=0.5)], kits=kits)

    assert total(scenario, FOUR_LIGHT) == 20000
    assert total(scenario, FOUR_LIGHT, hours_limit=1.0) == 42000


def test_build_that_passes_own_hours_whatever_is_bought_has_no_price():
    """6 hours for the opening and 1 for the gearset; 6.5 are there."""
    scenario = gearbox_car(event={"hours_limit": 6.5})
    options = options_of(scenario)
    build = options.encode({"gearset": "G-close"})
    prices = PriceBook(options).price(build[None, :])

    assert (prices.cents[0], prices.hours[0], prices.available[0]) == (NO_PRICE, 7.0, False)
    with pytest.raises(NoLegalBuildError, match=r"takes at least 7 own hours; the limit is 6\.5") as caught:
        PriceBook(options).bill(build)
    assert caught.value.reasons == ("own hours",)


def test_build_that_needs_more_than_is_in_stock_has_no_price():
    """Two pairs in stock cover four; three tires owned, one more pair gone, and it is short by one."""
    tire = make_tire("T-old", price_cents=dollars(70), pack=2, stock=1, owned=2)
    build = {"front tires": "T-old", "rear tires": "T-old"}
    short = make_scenario([replace(tire, owned=1)])
    options = options_of(short)

    assert total(make_scenario([tire]), build) == 7000
    assert total(short, build) == NO_PRICE
    assert np.isinf(PriceBook(options).price(options.encode(build)[None, :]).hours[0])
    with pytest.raises(NoLegalBuildError, match="cannot be bought as often as needed") as caught:
        PriceBook(options).bill(options.encode(build))
    assert caught.value.reasons == ("stock",)


def test_part_not_sold_alone_comes_only_in_its_kit():
    """The close gearset is sold only inside the used gearbox, of which there is one."""
    parts = [make_gearset("G-rare"), make_final_drive("F-tall", price_cents=dollars(300))]
    kit = make_kit("K-box", dollars(700), {"G-rare": 1, "F-tall": 1})

    assert total(make_scenario(parts), {"gearset": "G-rare"}) == NO_PRICE
    assert total(make_scenario(parts, kits=[kit]), {"gearset": "G-rare"}) == 70000


# --- many at once ------------------------------------------------------------


def wide_scenario(hours_limit=None):
    """Sixteen slots of twelve options, three kits of which two overlap."""
    slots = [extra_slot(f"S{s}", count=1 + s % 2, work=(f"J{s % 5}",)) for s in range(16)]
    parts = [
        make_extra(
            f"P{s}-{o}",
            price_cents=1000 + 37 * s + 91 * o,
            owned=int(o == 5),
            fitting_cents=50,
            fitting_hours=0.25 * (o % 3),
            slots=(f"S{s}", f"S{(s + 2) % 16}"),
        )
        for s in range(16)
        for o in range(6)
    ]
    kits = [
        make_kit("K1", 2500, {"P0-1": 2, "P1-1": 2}, fitting_included=True),
        make_kit("K2", 2200, {"P1-1": 2, "P2-2": 1}),
        make_kit("K3", 1500, {"P9-2": 1, "P8-2": 1}, fitting_included=True),
    ]
    jobs = [Job(name=f"J{j}", cost_cents=700, hours=1.0) for j in range(5)]
    return make_scenario(parts, slots=slots, kits=kits, jobs=jobs, event={"hours_limit": hours_limit})


@pytest.mark.parametrize("hours_limit", [None, 9.0])
def test_price_does_not_depend_on_the_batch(hours_limit):
    """Twenty thousand builds at once, in another order, and some of them one by one."""
    options = options_of(wide_scenario(hours_limit))
    book = PriceBook(options)
    builds = random_builds(options, 1, 20_000)
    at_once = book.price(builds)
    turned = PriceBook(options).price(builds[::-1])

    assert np.array_equal(at_once.cents, turned.cents[::-1])
    assert np.array_equal(at_once.hours, turned.hours[::-1])
    for i in range(0, 20_000, 997):
        alone = book.price(builds[i : i + 1])
        assert (alone.cents[0], alone.hours[0], alone.available[0]) == (
            at_once.cents[i],
            at_once.hours[i],
            at_once.available[i],
        )


def test_rows_are_told_apart_beyond_the_digits_of_one_integer():
    """Forty columns of four values each do not fit 64 bits; every row still finds its own kind."""
    rng = np.random.default_rng(3)
    rows = rng.integers(0, 4, (50, 40))[rng.integers(0, 50, 400)]
    rows[::2, 0] = 3 - rows[::2, 0]
    first, kind = _distinct_rows(rows)

    assert len(first) == len(np.unique(rows, axis=0))
    assert np.array_equal(rows[first][kind], rows)


def test_no_builds_have_no_prices():
    """An empty batch is answered with empty arrays."""
    options = options_of(wide_scenario())
    prices = PriceBook(options).price(np.zeros((0, 16), dtype=np.int64))

    assert prices.cents.shape == prices.hours.shape == prices.available.shape == (0,)


# --- what can be bought, and refusals ------------------------------------------------------------


def test_offers_leave_out_what_cannot_be_bought_and_what_suits_no_slot():
    """Out of stock, not sold, a kit that is gone; the tow bar in the lot suits no slot of the car."""
    parts = [
        make_gearset("G-gone", price_cents=500, stock=0),
        make_gearset("G-unsold"),
        make_gearset("G-close", price_cents=900, pack=1, stock=2),
    ]
    kits = [
        make_kit("K-gone", 100, {"G-close": 1}, stock=0),
        make_kit("K-lot", 100, {"G-close": 1, "X-tow-bar": 1}),
    ]
    offers = PriceBook(options_of(make_scenario(parts, kits=kits))).offers()

    assert [(o.id, o.contents, o.price_cents, o.stock, o.is_kit) for o in offers] == [
        ("G-close", (("G-close", 1),), 900, 2, False),
        ("K-lot", (("G-close", 1),), 100, 1, True),
    ]


def test_unknown_class_is_refused():
    """The message names the classes there are."""
    with pytest.raises(UsageError, match="no class is called 'opne'; the classes are street"):
        PriceBook(options_of(make_scenario()), race_class="opne")


def test_unknown_job_is_refused():
    """A slot may need only jobs the car has."""
    slots = [extra_slot("nose", work=("nose off",))]
    with pytest.raises(UsageError, match="no job is called 'nose off'; the jobs are gearbox out"):
        PriceBook(options_of(make_scenario(extra_slots=slots, jobs=[GEARBOX_OUT])))


def test_more_jobs_than_a_mask_holds_are_refused():
    """Sixty-four work, sixty-five do not."""
    names = [f"J{i:02}" for i in range(65)]
    jobs = [Job(name=name, cost_cents=1) for name in names]

    def book(number):
        slots = [extra_slot("all", work=tuple(names[:number]))]
        parts = [make_extra("X", price_cents=100)]
        options = options_of(make_scenario(parts, extra_slots=slots, jobs=jobs))
        return PriceBook(options), options

    full, options = book(64)
    assert full.price(options.encode({"all": "X"})[None, :]).cents[0] == 164
    with pytest.raises(UsageError, match="need 65 different jobs; at most 64"):
        book(65)


@pytest.mark.parametrize("builds", [np.zeros((2, 3)), np.zeros(9), np.full((1, 9), -1), np.full((1, 9), 99)])
def test_positions_that_stand_for_nothing_are_refused(builds):
    """Wrong shape, below zero, beyond the last option."""
    with pytest.raises(ValueError, match=r"positions of shape \(n, 9\)"):
        PriceBook(options_of(make_scenario())).price(builds.astype(np.int64))
