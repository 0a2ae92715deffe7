"""What to buy first: against every chain of builds of small catalogs, and cases that can be reasoned out."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from optimizer.answers.buying_order import buying_order
from optimizer.answers.stage_bills import bills_of_stages, repeated_jobs
from optimizer.errors import NoLegalBuildError, UsageError
from optimizer.run.judge import SPEED_STEP_MS
from optimizer.scenario.car import Job
from optimizer.scenario.parts import NONE_ID
from optimizer.scenario.reading import read_scenario
from optimizer.search.study import Study
from tests.choice.records import (
    extra_slot,
    make_extra,
    make_final_drive,
    make_gearset,
    make_kit,
    make_scenario,
    make_tire,
    stock_slots,
)
from tests.scenes import DEMO
from tests.search.catalogs import enumerate_all, random_catalog

SMALL = (1, 2, 2, 2, 2, 1, 2)


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


@pytest.mark.parametrize("seed", range(12))
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


def light_extra(id, slot, mass_kg, dollars, **changes):  # noqa: A002
    return make_extra(id, slots=(slot,), mass_kg=mass_kg, price_cents=dollars * 100, **changes)


def two_in_the_gearbox():
    """A taller final drive ($300) and a lighter gearset ($300), each with the gearbox out ($200), and a nose ($250)."""
    slots = [
        replace(slot, work=("gearbox out",) if slot.kind in ("gearset", "final drive") else ()) for slot in stock_slots()
    ]
    parts = [
        make_final_drive("F-tall", ratio=3.9, price_cents=30_000),
        make_gearset("G-light", mass_kg=1.0, price_cents=30_000),
        make_extra("N-smooth", slots=("nose",), drag_area_m2=-0.002, mass_kg=0.0, price_cents=25_000),
    ]
    return make_scenario(
        parts, slots=slots, extra_slots=[extra_slot("nose")], jobs=[Job(name="gearbox out", cost_cents=20_000, hours=9.0)]
    )


def bought(plan):
    return [{change.after for change in stage.changes} for stage in plan.stages]


def test_parts_that_share_work_are_bought_together():
    """$1,050 pays for all three parts and the work once: either part alone in stage 1 would pay the work twice."""
    study = Study.of(two_in_the_gearbox())
    plan = buying_order(study, (50_000, 55_000))

    assert study.best(1, budget_cents=None).cents[0] == 105_000
    assert bought(plan) == [{"N-smooth"}, {"F-tall", "G-light"}]
    assert plan.total_cents == plan.last_at_once_cents == 105_000
    assert plan.repeated_jobs == ()


def test_work_is_paid_twice_where_the_money_is_there():
    """With $200 more a faster car in the first winter is worth taking the gearbox out twice."""
    plan = buying_order(Study.of(two_in_the_gearbox()), (50_000, 75_000))
    (again,) = plan.repeated_jobs

    assert len(plan.stages[0].changes) == 1
    assert bought(plan)[0] < {"F-tall", "G-light"}
    assert (again.name, again.times, again.cents, again.hours) == ("gearbox out", 1, 20_000, 9.0)
    assert plan.total_cents == plan.last_at_once_cents + 20_000 == 125_000


def test_what_is_left_is_carried_on():
    """$300 of stage 1 buy the nose; the $50 left and $800 are just enough for the rest."""
    plan = buying_order(Study.of(two_in_the_gearbox()), (30_000, 80_000))

    assert bought(plan) == [{"N-smooth"}, {"F-tall", "G-light"}]
    assert [stage.left_cents for stage in plan.stages] == [5_000, 5_000]
    exact = buying_order(Study.of(two_in_the_gearbox()), (30_000, 75_000))
    assert bought(exact) == bought(plan)
    assert [stage.left_cents for stage in exact.stages] == [5_000, 0]


def test_a_stage_in_which_nothing_can_be_bought_keeps_the_car_as_it_is():
    plan = buying_order(Study.of(two_in_the_gearbox()), (0, 105_000, 0))

    assert bought(plan) == [set(), {"N-smooth", "F-tall", "G-light"}, set()]
    assert plan.stages[-1].speed_ms == plan.at_once.speed_ms == plan.stages[1].speed_ms


def test_own_hours_hold_for_all_stages_together():
    """Taking the gearbox out twice is 18 hours: with 12 it is done once, whatever the money."""
    scenario = two_in_the_gearbox()
    plan = buying_order(
        Study.of(replace(scenario, event=replace(scenario.event, hours_limit=12.0))), (50_000, 75_000)
    )

    assert bought(plan) == [{"N-smooth"}, {"F-tall", "G-light"}]


def with_cages(*cages):
    """A class that asks for a cage, which the car does not have."""
    scenario = two_in_the_gearbox()
    slots = (*scenario.car.slots, extra_slot("cage", required=True))
    parts = {each.id: each for each in cages}
    return replace(
        scenario, car=replace(scenario.car, slots=slots), parts=type(scenario.parts)({**scenario.parts, **parts})
    )


def caged(*cages):
    """The same with the class's rule."""
    from optimizer.scenario.event import RaceClass  # noqa: F401, PLC0415

    return with_cages(*cages)


def test_the_demo():
    study = Study.of(read_scenario(DEMO))
    plan = buying_order(study, (150_000, 210_000))

    assert plan.complete
    assert plan.stages[-1].speed_ms == plan.at_once.speed_ms
