"""What to buy first: against every chain of builds of small catalogs, and cases that can be reasoned out."""

import itertools
import math
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from optimizer.answers import buying_order as module
from optimizer.answers.buying_order import buying_order
from optimizer.answers.stage_bills import bills_of_stages, repeated_jobs
from optimizer.errors import NoLegalBuildError, UsageError
from optimizer.report.stages import PUT_OFF, order_text
from optimizer.report.wording import Words
from optimizer.run.judge import SPEED_STEP_MS
from optimizer.scenario.car import Job
from optimizer.scenario.event import Limit
from optimizer.scenario.parts import NONE_ID
from optimizer.scenario.reading import read_scenario
from optimizer.search.study import Study
from tests.choice.records import (
    extra_slot,
    make_extra,
    make_final_drive,
    make_gearset,
    make_scenario,
    stock_slots,
)
from tests.scenes import DEMO
from tests.search.catalogs import enumerate_all, random_catalog

SMALL = (1, 2, 2, 2, 2, 1, 2)


def dollars(cents):
    return f"${cents / 100:,.2f}".removesuffix(".00")


def outlays(options, chain, fixed_cents):
    """Cents of each stage as the shop would charge them, all purchases tried; None where a stage cannot be bought."""
    scenario = options.scenario
    jobs, limit = scenario.car.jobs, scenario.event.hours_limit
    hours_left = math.inf if limit is None else limit
    parts = {p.id: p for build in (options.fitted, *chain) for p in options.chosen(build) if p.id != NONE_ID}
    have = {each: part.owned for each, part in parts.items()}
    packs_left = {each: math.inf if part.stock is None else part.stock for each, part in parts.items()}
    kits_left = {kit.id: kit.stock for kit in scenario.kits}
    builds = [options.fitted, *chain]

    def pieces(build, only=None):
        number = dict.fromkeys(parts, 0)
        for s, (slot, part) in enumerate(zip(options.slots, options.chosen(build), strict=True)):
            if part.id != NONE_ID and (only is None or only[s]):
                number[part.id] += slot.count
        return number

    stages, sold = [], dict.fromkeys(parts, 0)
    for t in range(1, len(builds)):
        changed = builds[t] != builds[t - 1]
        needed = set()
        for s in np.flatnonzero(changed):
            needed |= {*options.slots[s].work, *options.parts[s][builds[t][s]].work}
        work, hours = sum(jobs[j].cost_cents for j in needed), sum(jobs[j].hours for j in needed)
        used, fitted = pieces(builds[t]), pieces(builds[t], changed)
        best = None
        for numbers in itertools.product(*(range(kits_left[kit.id] + 1) for kit in scenario.kits)):
            cents, time, got, packs = work, hours, dict.fromkeys(parts, 0), {}
            mounted = dict.fromkeys(parts, 0)
            for kit, number in zip(scenario.kits, numbers, strict=True):
                cents += number * kit.price_cents
                for each, count in kit.contents:
                    if each in parts:
                        got[each] += number * count
                        mounted[each] += number * count * kit.fitting_included
            for each, part in parts.items():
                lacking = used[each] - have[each] - got[each]
                packs[each] = max(0, math.ceil(lacking / part.pack))
                if packs[each] and (part.price_cents is None or packs[each] > packs_left[each]):
                    cents = math.inf
                    break
                by_hand = max(0, fitted[each] - mounted[each])
                cents += packs[each] * (part.price_cents or 0) + by_hand * part.fitting_cents
                time += by_hand * part.fitting_hours
            if cents < math.inf and time <= hours_left + 1e-9 and (best is None or (cents, time) < best[:2]):
                best = (cents, time, numbers, got, packs)
        if best is None:
            return None
        cents, time, numbers, got, packs = best
        hours_left -= time
        for kit, number in zip(scenario.kits, numbers, strict=True):
            kits_left[kit.id] -= number
        for each, part in parts.items():
            packs_left[each] -= packs[each]
            have[each] += got[each] + packs[each] * part.pack
            spare = pieces(builds[0])[each] - max(pieces(later)[each] for later in builds[t:])
            cents -= max(0, spare - sold[each]) * part.resale_cents
            sold[each] = max(sold[each], spare)
        stages.append(cents + (fixed_cents if t == 1 else 0))
    return stages


def within(earlier, later):
    """Builds (n, S) from which a build can be reached with no slot changed a second time."""
    return earlier[((earlier == 0) | (earlier == later)).all(axis=1)]


def by_brute_force(scenario, money):
    """Best chain (speeds in steps, last first; outlay) over all chains of all legal builds, or None."""
    total = sum(money)
    options = Study.of(scenario).options
    builds, speeds, _, _ = enumerate_all(replace(scenario, event=replace(scenario.event, budget_cents=total)))
    steps = {b.tobytes(): round(v / SPEED_STEP_MS) for b, v in zip(builds, speeds, strict=True)}
    fixed = sum(cents for _, cents in scenario.event.fixed_costs)

    def chains(build, length):
        if length == 1:
            yield (build,)
            return
        for earlier in within(builds, build):
            for chain in chains(earlier, length - 1):
                yield (*chain, build)

    for level in sorted(set(steps.values()), reverse=True):
        found = []
        for final in [b for b in builds if steps[b.tobytes()] == level]:
            for chain in chains(final, len(money)):
                stages = outlays(options, chain, fixed)
                if stages is None:
                    continue
                if all(sum(stages[: t + 1]) <= sum(money[: t + 1]) for t in range(len(money))):
                    ids = tuple(part.id for b in reversed(chain) for part in options.chosen(b))
                    found.append((*(-steps[b.tobytes()] for b in reversed(chain)), sum(stages), ids, stages))
        if found:
            return min(found)
    return None


def told(plan):
    steps = [-round(stage.speed_ms / SPEED_STEP_MS) for stage in reversed(plan.stages)]
    ids = tuple(each for stage in reversed(plan.stages) for each in stage.build.values())
    return (*steps, plan.total_cents, ids, [stage.outlay_cents for stage in plan.stages])


def assert_same(scenario, money):
    expected = by_brute_force(scenario, money)
    if expected is None:
        with pytest.raises(NoLegalBuildError, match="stage 1"):
            buying_order(Study.of(scenario), money)
        return False
    plan = buying_order(Study.of(scenario), money)
    assert told(plan) == expected
    assert plan.complete
    return True


@pytest.mark.parametrize("seed", range(8))
def test_two_stages_equal_every_pair_of_builds(seed):
    """Speeds, outlays and ids of the best pair, over all layouts and scorings, with kits, packs and shared work."""
    scenario = random_catalog(seed, sizes=SMALL)
    share = (0.25, 0.5, 0.7)[seed % 3]
    first = round(scenario.event.budget_cents * share)

    assert_same(scenario, (first, scenario.event.budget_cents - first))


@pytest.mark.parametrize("seed", [1, 2, 6])
def test_three_stages_equal_every_triple_of_builds(seed):
    scenario = random_catalog(seed, sizes=(1, 1, 2, 2, 1, 1, 1))
    third = scenario.event.budget_cents // 3

    assert assert_same(scenario, (third, third, third))


def hardened(seed, sizes):
    """A catalog whose car must get a cage of some nose before it may run; work on gearbox and nose is one job.

    Noses differ in price and drag, so what stage 1 can pay rules out last builds; and staging often pays the job twice.
    """
    scenario = random_catalog(seed, sizes=sizes)
    work = {"gearset": ("bodywork",), "final drive": ("bodywork",), "nose": ("bodywork",)}
    slots = tuple(replace(slot, work=work.get(slot.name, ())) for slot in scenario.car.slots)
    parts = {
        each: replace(part, tags=frozenset(["cage"])) if "nose" in getattr(part, "slots", ()) else part
        for each, part in scenario.parts.items()
    }
    cage = Limit(name="cage needed", reason="rule 1", quantity="count", tag="cage", minimum=1.0)
    race = replace(scenario.race_class, limits=(cage,))
    jobs = {"bodywork": Job(name="bodywork", cost_cents=4_000, hours=3.0)}
    return replace(
        scenario,
        car=replace(scenario.car, slots=slots, jobs=scenario.car.jobs | jobs),
        parts=MappingProxyType(parts),
        event=replace(scenario.event, classes=MappingProxyType({race.name: race})),
    )


def tight(scenario, spare_cents, stages):
    """Money with which stage 1 buys the cheapest legal build and little more, the rest coming in equal amounts."""
    _, _, cents, _ = enumerate_all(scenario)
    first = int(cents.min()) + spare_cents
    later = (scenario.event.budget_cents - first) // (stages - 1)
    return (first, *[later] * (stages - 1))


@pytest.mark.parametrize("seed", range(6))
def test_two_stages_where_the_car_is_not_legal_as_it_stands(seed):
    """Stage 1 has to buy a cage, from next to no money; every pair of builds is tried."""
    scenario = hardened(seed, SMALL)

    assert assert_same(scenario, tight(scenario, 500 * seed, 2))


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_three_stages_where_the_car_is_not_legal_as_it_stands(seed):
    scenario = hardened(seed, (1, 1, 2, 2, 1, 1, 2))

    assert assert_same(scenario, tight(scenario, 500 * seed, 3))


def test_the_cheapest_legal_build_too_dear_for_stage_1():
    """One cent short of the cheapest legal build there is no plan, and its price is told; with it there is one."""
    scenario = hardened(2, SMALL)
    first, second = tight(scenario, 0, 2)

    assert not buying_order(Study.of(scenario), (first, second)).stages[0].left_cents
    fixed = sum(cents for _, cents in (*scenario.event.fixed_costs, *scenario.race_class.fixed_costs))
    with pytest.raises(NoLegalBuildError) as refused:
        buying_order(Study.of(scenario), (first - 1, second + 1))
    # it is money that is missing: nothing is said against the car
    assert "not legal with" not in str(refused.value)
    paid = f", which pays the fixed costs of {dollars(fixed)}" if fixed else ""
    assert str(refused.value).endswith(f"That is more than comes in with stage 1{paid}.")
    assert refused.value.reasons == ("budget",)
    assert refused.value.cheapest_cents == first


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 7])
def test_lists_too_short_to_say_are_not_called_complete(seed, monkeypatch):
    """With lists of one build no plan to the fastest one is found: the plan then keeps what stage 1 does best."""
    scenario = hardened(seed, SMALL)
    money = tight(scenario, 0, 2)
    best = buying_order(Study.of(scenario), money)
    monkeypatch.setattr(module, "LISTS", (1,))
    plan = buying_order(Study.of(scenario), money)

    assert best.complete
    assert best.stages[-1].speed_ms < best.at_once.speed_ms
    assert not plan.complete
    assert plan.stages[-1].speed_ms <= best.stages[-1].speed_ms
    assert all(stage.left_cents >= 0 for stage in plan.stages)


@pytest.mark.parametrize("money", [(10_000,), (1, 1, 1, 1, 1), (10_000, -1)])
def test_other_numbers_of_stages_and_negative_amounts_are_refused(money):
    with pytest.raises(UsageError):
        buying_order(Study.of(random_catalog(0, sizes=SMALL)), money)


@pytest.mark.parametrize("seed", range(8))
def test_stages_never_cost_less_than_at_once_and_the_jobs_paid_again(seed):
    """Random chains of random catalogs, legal or not; one stage alone costs exactly the price."""
    scenario = random_catalog(seed)
    study = Study.of(scenario)
    rng = np.random.default_rng(seed)
    fixed = sum(cents for _, cents in scenario.event.fixed_costs)
    compared = 0
    for _ in range(60):
        final = np.array([rng.integers(0, size) for size in study.options.sizes])
        first = np.where(rng.random(len(final)) < 0.5, final, 0)
        chain = np.stack([first, np.where(rng.random(len(final)) < 0.5, final, first), final])
        expected = outlays(study.options, chain, fixed)
        prices = study.book.price(chain)
        if expected is None:
            with pytest.raises(NoLegalBuildError):
                bills_of_stages(study.book, chain)
            continue
        bills = bills_of_stages(study.book, chain)
        spent = np.cumsum([bill.total_cents for bill in bills])
        compared += 1

        assert [bill.total_cents for bill in bills] == expected
        assert all(
            spent[t] >= prices.cents[t] + sum(job.cents for job in repeated_jobs(bills[: t + 1])) for t in range(3)
        )
        assert bills_of_stages(study.book, final[None])[0].total_cents == prices.cents[2]
    assert compared > 5


def test_a_slot_that_changes_twice_is_no_plan():
    study = Study.of(random_catalog(0))
    one, two = study.options.fitted, study.options.fitted
    one[0], two[0] = 1, 2

    with pytest.raises(ValueError, match="more than once"):
        bills_of_stages(study.book, np.stack([one, two]))


def two_in_the_gearbox():
    """A lighter final drive and a lighter gearset ($300 each), with the gearbox out ($200), and a nose ($250)."""
    inside = ("gearset", "final drive")
    slots = [replace(slot, work=("gearbox out",) if slot.kind in inside else ()) for slot in stock_slots()]
    parts = [
        make_final_drive("F-light", mass_kg=1.0, price_cents=30_000),
        make_gearset("G-light", mass_kg=1.0, price_cents=30_000),
        make_extra("N-smooth", slots=("nose",), drag_area_m2=-0.002, mass_kg=0.0, price_cents=25_000),
    ]
    jobs = [Job(name="gearbox out", cost_cents=20_000, hours=9.0)]
    return make_scenario(parts, slots=slots, extra_slots=[extra_slot("nose")], jobs=jobs)


def bought(plan):
    return [{change.after for change in stage.changes} for stage in plan.stages]


def test_parts_that_share_work_are_bought_together():
    """$1,050 pays for all three parts and the work once: either part alone in stage 1 would pay the work twice."""
    study = Study.of(two_in_the_gearbox())
    plan = buying_order(study, (50_000, 55_000))

    assert study.best(1, budget_cents=None).cents[0] == 105_000
    assert bought(plan) == [{"N-smooth"}, {"F-light", "G-light"}]
    assert plan.total_cents == plan.last_at_once_cents == 105_000
    assert plan.repeated_jobs == ()


def test_work_is_paid_twice_where_the_money_is_there():
    """With $200 more a faster car in the first winter is worth taking the gearbox out twice."""
    plan = buying_order(Study.of(two_in_the_gearbox()), (50_000, 75_000))
    (again,) = plan.repeated_jobs

    assert len(plan.stages[0].changes) == 1
    assert bought(plan)[0] < {"F-light", "G-light"}
    assert (again.name, again.times, again.cents, again.hours) == ("gearbox out", 1, 20_000, 9.0)
    assert plan.total_cents == plan.last_at_once_cents + 20_000 == 125_000


def test_what_is_left_is_carried_on():
    """$300 of stage 1 buy the nose; the $50 left and $800 are just enough for the rest."""
    plan = buying_order(Study.of(two_in_the_gearbox()), (30_000, 80_000))

    assert bought(plan) == [{"N-smooth"}, {"F-light", "G-light"}]
    assert [stage.left_cents for stage in plan.stages] == [5_000, 5_000]
    exact = buying_order(Study.of(two_in_the_gearbox()), (30_000, 75_000))
    assert bought(exact) == bought(plan)
    assert [stage.left_cents for stage in exact.stages] == [5_000, 0]


def test_a_stage_in_which_nothing_can_be_bought_keeps_the_car_as_it_is():
    plan = buying_order(Study.of(two_in_the_gearbox()), (0, 105_000, 0))

    assert bought(plan) == [set(), {"N-smooth", "F-light", "G-light"}, set()]
    assert plan.stages[-1].speed_ms == plan.at_once.speed_ms == plan.stages[1].speed_ms


def test_own_hours_hold_for_all_stages_together():
    """Taking the gearbox out twice is 18 hours: with 12 it is done once, whatever the money."""
    scenario = two_in_the_gearbox()
    plan = buying_order(
        Study.of(replace(scenario, event=replace(scenario.event, hours_limit=12.0))), (50_000, 75_000)
    )

    assert bought(plan) == [{"N-smooth"}, {"F-light", "G-light"}]


@pytest.mark.slow
def test_the_demo():
    """$1,500 and $2,100 lead to the best build for $3,600; its stages are legal, run, and add up to its price."""
    study = Study.of(read_scenario(DEMO))
    plan = buying_order(study, (150_000, 210_000))
    builds = np.stack([study.options.encode(stage.build) for stage in plan.stages])
    runs = study.judge.runs(builds)

    assert plan.complete
    assert plan.stages[-1].build == plan.at_once.build
    assert plan.total_cents == plan.at_once.cents == plan.last_at_once_cents
    assert plan.stages[0].outlay_cents <= 150_000
    assert study.legality.allowed(builds).all()
    assert study.judge.judge(builds, runs).legal.all()
    assert not {change.slot for change in plan.stages[0].changes} & {change.slot for change in plan.stages[1].changes}


@pytest.mark.parametrize(
    ("why", "money", "parts"),
    [
        # the part costs more than comes in with stage 1
        ("not yet", (10_000, 25_000), [{"price_cents": 30_000}]),
        # the second goes only with the first, which is heavy and no help alone
        (
            "no faster",
            (10_000, 30_000),
            [
                {"price_cents": 5_000, "mass_kg": 30.0, "drag_area_m2": 0.0, "tags": frozenset({"mount"})},
                {"price_cents": 30_000, "needs": ("mount",)},
            ],
        ),
        # either could be had in stage 1, but the work that both need would be paid for twice, which is too much
        (
            "later",
            (16_000, 5_000),
            [{"price_cents": 5_000, "work": ("bodywork",)}, {"price_cents": 5_000, "work": ("bodywork",)}],
        ),
    ],
)
def test_why_nothing_is_bought_in_a_stage_is_told(why, money, parts):
    """All is bought in stage 2, and stage 1 says what speaks against the beginning of it."""
    values = {"drag_area_m2": -0.03}
    made = [make_extra(f"P{n}", slots=(f"S{n}",), **values | each) for n, each in enumerate(parts)]
    slots = [extra_slot(f"S{n}") for n in range(len(parts))]
    jobs = [Job(name="bodywork", cost_cents=10_000, hours=1.0)]
    scenario = make_scenario(made, extra_slots=slots, jobs=jobs)
    first, second = buying_order(Study.of(scenario), money).stages

    assert (first.changes, len(second.changes)) == ((), len(parts))
    assert (first.put_off, second.put_off) == (why, "")
    text = " ".join(order_text(Words(scenario), buying_order(Study.of(scenario), money)).split())
    assert text.count(" ".join(PUT_OFF[why].split())) == 1
