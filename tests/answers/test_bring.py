"""What to bring: money of all pieces by hand, and the best trailer against trying all of them."""

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest

from optimizer.answers.bring import _drawn, bring
from optimizer.answers.measure_next import chance_with
from optimizer.answers.trailers import GROUPS, trailer_cents
from optimizer.answers.unknowns import only_needed, speeds_with
from optimizer.report.before_buying import bring_text
from optimizer.report.wording import Words
from optimizer.scenario.car import Job
from optimizer.scenario.event import Meet
from optimizer.scenario.parts import NONE_ID
from optimizer.search.study import Study
from tests.choice.records import make_final_drive, make_kit, make_scenario, make_tire, stock_slots
from tests.search.catalogs import enumerate_all, random_catalog

QUIET = Meet(run_scatter=0.01)
NEW = {"front tires": "T-new", "rear tires": "T-new"}


@pytest.fixture(scope="module")
def study():
    """Tires at 100 each and 20 of fitting; a final drive at 300, for which the gearbox comes out at 400."""
    slots = [
        replace(slot, work=("gearbox out",)) if slot.kind == "final drive" else slot for slot in stock_slots()
    ]
    parts = (
        make_tire("T-stock", resale_cents=1_500),
        make_tire("T-new", price_cents=10_000, fitting_cents=2_000, rolling_coefficient=0.008),
        make_tire("T-low", price_cents=9_000, fitting_cents=2_000, rolling_coefficient=0.009),
        make_final_drive("F-long", ratio=3.5, price_cents=30_000),
    )
    jobs = (Job(name="gearbox out", cost_cents=40_000, hours=3.0),)
    return Study.of(make_scenario(parts, slots=slots, jobs=jobs, kits=[make_kit("K", 25_000, {"T-new": 4})]))


def dollars(study, *builds):
    rows = np.stack([study.options.encode(build) for build in builds])
    return int(trailer_cents(study, rows, [tuple(range(len(rows)))])[0]) / 100


def test_a_base_alone_costs_what_the_build_costs(study):
    for build in ({}, NEW, {"front tires": "T-low"}, {"final drive": "F-long"}):
        row = study.options.encode(build)[None]
        assert dollars(study, build) == study.book.price(row).cents[0] / 100


def test_parts_that_suit_some_slots_only_are_spares_for_these(study):
    """As the column "slots" of a sheet says it."""
    parts = tuple(
        replace(part, slots=("front tires", "rear tires")) if part.kind == "tire" else part
        for part in study.scenario.parts.values() if part.id != NONE_ID
    )  # fmt: skip
    scenario = replace(study.scenario, parts={part.id: part for part in parts})
    assert dollars(Study.of(scenario), {}, {"front tires": "T-low"}) == 2 * (90 + 20)


def test_spare_tires_are_bought_and_fitted_once_and_the_old_are_kept(study):
    """Two low tires more at 90 and 20 of fitting; as a base they would sell the stock ones at 15 each."""
    assert dollars(study, {}, {"front tires": "T-low"}) == 2 * (90 + 20)
    assert dollars(study, {"front tires": "T-low"}) == 2 * (90 + 20 - 15)
    # the fitted ones are the spare: nothing to buy, but they are not sold
    assert dollars(study, {"front tires": "T-low"}, {}) == 2 * (90 + 20)


def test_what_the_base_has_enough_of_is_not_bought_again(study):
    """New tires in front and low ones behind; the spare turns them round."""
    one, other = (
        {"front tires": a, "rear tires": b} for a, b in (("T-new", "T-low"), ("T-low", "T-new"))
    )
    assert dollars(study, one, other) == dollars(study, one)


def test_a_kit_serves_base_and_spare(study):
    """Two new tires for the base and two more for the spare come as the kit of four at 250."""
    both = dollars(study, {"front tires": "T-new"}, NEW)
    assert both == 250 + 4 * 20 - 2 * 15  # two of the old ones stay behind and two are sold
    assert both < 2 * dollars(study, {"front tires": "T-new"}) + 4 * 15


def test_work_on_the_salt_costs_no_money(study):
    """The spare final drive is its price; fitted at home the gearbox comes out for it."""
    assert dollars(study, {}, {"final drive": "F-long"}) == 300
    assert dollars(study, {"final drive": "F-long"}) == 700


def test_two_spares_of_the_same_parts_are_bought_once(study):
    low = {"front tires": "T-low"}
    assert dollars(study, {}, low, low) == dollars(study, {}, low)
    behind = {"rear tires": "T-low"}
    assert dollars(study, {}, low, behind) == dollars(study, {}, low)


def best_by_trying(study, bases, budget, spares, mornings, cars):
    """The best expected chance of any base with up to some spares, by loops over everything."""
    options = study.options
    base_keys = {row.tobytes() for row in bases}
    swapped = {
        name: [s for s, slot in enumerate(options.slots) if slot.kind in kinds] for name, kinds in GROUPS.items()
    }
    # every build that differs from a base in one group, also in different new tires at both axles: those `bring` leaves
    # out, and on these catalogs none of them is the best
    pool = {}
    for row in bases:
        for slots in swapped.values():
            for choice in itertools.product(*(range(options.sizes[s]) for s in slots)):
                changed = row.copy()
                changed[slots] = choice
                pool[changed.tobytes()] = changed
    rows = np.stack(list(pool.values()))
    runs = study.judge.runs(rows)
    legal = study.judge.judge(rows, runs).legal & study.legality.allowed(rows) & (study.judge.joined(runs) > 0)
    rows = rows[legal]
    days, lasting = _drawn(study, rows, mornings, cars)
    needed_options, needed_rows = only_needed(options, rows)
    scoring = study.scenario.event.scoring
    table, caps = np.empty((mornings, len(rows))), study.judge.model.drive_rows(rows).cap_ms
    for m, day in enumerate(days):
        settings = [{**car.lasting, **day.days[0]} for car in lasting]
        speeds = speeds_with(needed_options, study.scenario.event.salt, needed_rows, settings)
        chance = chance_with(speeds, study.judge.planned_ms, QUIET.run_scatter, scoring.runs, caps)
        table[m] = chance.mean(axis=0)
    best = {}
    for b, base in enumerate(rows):
        near = [
            i for i, row in enumerate(rows)
            if i != b and any(set(np.flatnonzero(row != base)) <= set(slots) for slots in swapped.values())
        ]  # fmt: skip
        for count in range(spares + 1 if base.tobytes() in base_keys else 1):
            for more in itertools.combinations(near, count):
                members = [b, *more]
                if trailer_cents(study, rows[members], [tuple(range(count + 1))])[0] <= budget:
                    value = table[:, members].max(axis=1).mean()
                    best[count] = max(best.get(count, 0.0), value)
    return best


@pytest.mark.parametrize("seed", [2, 7])
def test_the_best_trailer_is_the_best_of_all(seed):
    """Small random catalogs: every base, every spare of two tires and a final drive, against loops."""
    scenario = random_catalog(seed, sizes=(0, 0, 1, 1, 1, 0, 0))
    speed = Study.of(scenario).judge.speeds(enumerate_all(scenario)[0][:1])[0]
    race = replace(scenario.race_class, record_ms=float(speed) / 1.01, record_margin=0.01)
    event = replace(scenario.event, classes={race.name: race}, budget_cents=160_000, hours_limit=None)
    study = Study.of(replace(scenario, event=event))
    bases = enumerate_all(study.scenario)[0]
    bases = bases[:: max(1, len(bases) // 4)][:4]
    found = bring(study, bases, 160_000, spares=2, meet=QUIET, mornings=6, cars=2, most=10**6)
    expected = best_by_trying(study, bases, 160_000, 2, 6, 2)
    assert found.screened == found.configurations
    for size, trailer in enumerate((found.fixed, *found.with_spares)):
        assert trailer.chance == pytest.approx(expected[size], abs=1e-9)
    assert found.best.chance == pytest.approx(max(expected.values()), abs=1e-9)
    assert found.gain.error >= 0
    assert found.best.cents <= 160_000


def test_every_configuration_is_legal_and_near_the_base():
    scenario = random_catalog(2, sizes=(1, 1, 2, 2, 1, 1, 1))
    study = Study.of(scenario)
    bases = enumerate_all(scenario)[0][:5]
    found = bring(study, bases, scenario.event.budget_cents, meet=QUIET, mornings=4, cars=2, most=12)
    assert 1 < found.configurations <= 12 < found.screened
    words = Words(scenario)
    for groups, said in (
        (("tires", "tires"), "2 spare sets of tires"),
        (("tires", "final drive"), "a spare set of tires and a spare final drive"),
    ):
        several = replace(found.best, groups=groups)
        told = bring_text(words, study.options, replace(found, best=several))
        assert re.search(rf"(Bring|The nearest to it is) {said}: ", " ".join(told.split()))
    for trailer in (found.fixed, found.best, *found.with_spares):
        rows = np.stack(trailer.configurations)
        assert study.legality.allowed(rows).all()
        assert study.judge.judge(rows, study.judge.runs(rows)).legal.all()
        assert sum(trailer.used) == pytest.approx(1.0)
        for group, row in zip(trailer.groups, rows[1:], strict=True):
            kinds = {study.options.slots[s].kind for s in np.flatnonzero(row != rows[0])}
            assert kinds <= set(GROUPS[group])


def test_nothing_to_bring_without_a_legal_base(study):
    assert bring(study, study.options.fitted[None], 0, mornings=2, cars=2) is not None
    illegal = study.options.encode({"front tires": "T-new"})
    banned = replace(study, legality=replace(study.legality, forbidden=tuple(
        np.ones_like(out) for out in study.legality.forbidden)))  # fmt: skip
    assert bring(banned, illegal[None], None, mornings=2, cars=2) is None
    assert NONE_ID not in study.options.decode(study.options.fitted).values()


def test_what_is_gained_is_measured_on_other_mornings():
    """Near what the mornings and cars that picked say, with an error; nothing at all where no spare is best."""
    scenario = random_catalog(1, sizes=(0, 0, 2, 1, 1, 0, 0))
    study = Study.of(scenario)
    bases = enumerate_all(scenario)[0][:3]
    speed = float(study.judge.speeds(bases[:1])[0])
    race = replace(scenario.race_class, record_ms=speed / 1.01, record_margin=0.01)
    study = Study.of(replace(scenario, event=replace(scenario.event, classes={race.name: race})))
    found = bring(study, bases, None, spares=1, meet=QUIET, mornings=16, cars=16)
    said = found.best.chance - found.fixed.chance
    assert said > 0
    assert found.gain.error > 0
    assert abs(found.gain.value - said) < 5 * found.gain.error
    assert found.advised is (found.best if found.worth_it else found.fixed)
    alone = bring(study, bases, None, spares=0, meet=QUIET, mornings=8, cars=2)
    assert alone.best is alone.fixed
    assert (alone.gain.value, alone.gain.error, alone.worth_it) == (0.0, 0.0, False)
