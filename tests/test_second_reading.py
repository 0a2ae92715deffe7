"""The package's legality and prices against `recheck.reading`: same verdicts, same checks, same money."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.choice.legality import legality_of
from optimizer.choice.options import options_of
from optimizer.choice.price import PriceBook
from optimizer.recheck.reading import Reading
from optimizer.scenario.event import Limit, Override, PairRule, Rule, Scenario
from optimizer.scenario.parts import BoltPattern, Extra, Tire, Wheel
from optimizer.scenario.reading import read_scenario
from tests.search.catalogs import random_catalog

LIFTABLE = ("corner load", "tire on rim width", "tire age", "wheel offset", "brake clearance", "tire pressure",
            "tire category", "wheel rating unknown", "ride height", "circumference match", "wheel load")  # fmt: skip


def some_builds(options, forbidden, seed: int, uniform: int, near: int) -> np.ndarray:
    """Builds ``(n, S)``: some at random, more with one to four slots of the car as it stands changed.

    Of those at random, as many again are made of options that are not ``forbidden`` alone, where pairs and sums
    decide.
    """
    rng = np.random.default_rng(seed)
    sizes = np.array(options.sizes)
    anywhere = rng.integers(0, sizes, (uniform, len(sizes)))
    open_to = [np.flatnonzero(~out) if not out.all() else np.arange(len(out)) for out in forbidden]
    passing = np.stack([rng.choice(each, uniform) for each in open_to], axis=1)
    for s in range(len(sizes)):
        twin = _twin(options, s)
        if twin is not None and twin > s:
            ids = [part.id for part in options.parts[twin]]
            for row in passing:
                chosen = options.parts[s][row[s]].id
                if chosen in ids and rng.random() < 0.7:
                    row[twin] = ids.index(chosen)
    close = np.tile(options.fitted, (near, 1))
    for row in close:
        for s in rng.choice(len(sizes), size=rng.integers(1, 5), replace=False):
            row[s] = rng.integers(0, sizes[s])
            twin = _twin(options, s)
            # Tires and wheels mostly go on in fours.
            if twin is not None and rng.random() < 0.6:
                ids = [part.id for part in options.parts[twin]]
                chosen = options.parts[s][row[s]].id
                row[twin] = ids.index(chosen) if chosen in ids else row[twin]
    return np.unique(np.concatenate([options.fitted[None, :], anywhere, passing, close]), axis=0)


def _twin(options, s: int) -> int | None:
    """The slot of the same kind on the other axle."""
    mine = options.slots[s]
    if mine.axle is None:
        return None
    return next((t for t, o in enumerate(options.slots) if t != s and o.kind == mine.kind), None)


def compare(scenario: Scenario, seed: int, uniform: int, near: int) -> tuple[int, int, set[str]]:
    """Compare all of it; how many were legal, how many of those could be had, and which checks were broken."""
    options = options_of(scenario)
    found, book, reading = legality_of(options), PriceBook(options), Reading(scenario)
    rows = some_builds(options, found.forbidden, seed, uniform, near)
    allowed, prices = found.allowed(rows), book.price(rows)
    legal, had, seen = 0, 0, set()
    for n, row in enumerate(rows):
        build = dict(zip((slot.name for slot in options.slots), options.chosen(row), strict=True))
        named = options.decode(row)
        broken = reading.broken(build)
        seen |= broken
        assert bool(allowed[n]) == (not broken), (named, broken, found.violations(row))
        if broken:
            said = {reason.check for reason in found.violations(row)}
            # A part that may not be chosen at all counts as no help to the others: more may then be said.
            helpless = any(found.forbidden[s][o] for s, o in enumerate(row))
            assert said >= broken if helpless else said == broken, (named, said, broken)
            continue
        legal += 1
        price = reading.price(build)
        assert bool(prices.available[n]) == (price is not None), (named, price)
        if price is not None:
            had += 1
            assert prices.cents[n] == price[0], (named, price)
            assert prices.hours[n] == pytest.approx(price[1], abs=1e-9), named
    return legal, had, seen


def unsettled(scenario: Scenario, seed: int) -> Scenario:
    """The same catalog with its numbers moved to where the checks bite, and with rules, relations and overrides."""
    rng = np.random.default_rng(1000 + seed)
    ids = list(scenario.parts)

    def sometimes(chance: float) -> bool:
        return bool(rng.random() < chance)

    parts = {}
    for part_id, part in scenario.parts.items():
        tags = part.tags | frozenset(str(rng.choice(["red", "blue"])) for _ in range(rng.integers(0, 2)))
        changes = {"tags": tags, "resale_cents": int(rng.integers(0, 60)) * 100, "fitting_hours": rng.uniform(0, 2)}
        changes["owned"] = int(max(part.owned, rng.integers(0, 3) * sometimes(0.3)))
        if sometimes(0.1):
            changes["price_cents"] = None
        elif sometimes(0.2):
            changes["stock"] = int(rng.integers(1, 4))
        if part.kind in ("gearset", "final drive"):
            changes["fits"] = frozenset(["box A", "box B", "box C"][int(rng.integers(0, 2)) :][: rng.integers(1, 4)])
            if "stock" in part_id:
                changes["fits"] = frozenset({"box A", "box B"})
        if "stock" not in part_id:
            if sometimes(0.12):
                changes["needs"] = (str(rng.choice(["red", "blue", *ids])),)
            if sometimes(0.12):
                changes["not_with"] = (str(rng.choice(["red", *ids])),)
            if isinstance(part, Tire):
                changes["load_index"] = None if sometimes(0.05) else int(rng.integers(62, 85))
                changes["extra_load"] = sometimes(0.3)
                changes["category"] = str(rng.choice(["Road", "road", "road", "road", "retread", "snow"]))
                changes["max_pressure_pa"] = None if sometimes(0.05) else float(rng.uniform(280e3, 380e3))
                changes["circumference_m"] = (
                    3.05 * rng.uniform(0.98, 1.02) * part.size.diameter_m if sometimes(0.6) else None
                )
                changes["made"] = None if sometimes(0.05) else (int(rng.integers(2017, 2026)), 30)
                if sometimes(0.5):
                    changes["rim_width_min_in"] = changes["rim_width_max_in"] = None
            if isinstance(part, Wheel):
                changes["rim_width_in"] = float(rng.choice([5.0, 5.5, 6.0, 6.5, 7.0]))
                changes["load_rating_kg"] = None if sometimes(0.15) else float(rng.uniform(220, 400))
                changes["max_pressure_pa"] = float(rng.uniform(290e3, 450e3))
                if sometimes(0.15):
                    changes["offset_m"] = float(rng.uniform(0.02, 0.06))
                if sometimes(0.15):
                    changes["center_bore_m"] = float(rng.uniform(0.0555, 0.0565))
                if sometimes(0.15):
                    changes["bolt_patterns"] = (BoltPattern(4, float(rng.uniform(0.099, 0.101))),)
            if isinstance(part, Extra):
                changes["pressure_pa"] = float(rng.choice([0, 0, -60e3, 30e3, 60e3]))
                changes["front_ride_height_m"] = float(rng.choice([0, 0, -0.03, -0.065]))
                changes["mass_kg"] = float(rng.uniform(0, 60))
        parts[part_id] = replace(part, **changes)
    car = replace(scenario.car, slots=tuple(
        replace(
            slot,
            work=("bodywork",) if slot.kind == "wheel" and sometimes(0.3) else slot.work,
            interfaces=frozenset({"box A", "box B"}) if slot.kind in ("gearset", "final drive") else frozenset(),
        )
        for slot in scenario.car.slots
    ))  # fmt: skip
    race = replace(
        scenario.race_class,
        rules=(
            Rule(name="short", reason="r", kind="final drive", field="ratio", maximum=4.7),
            Rule(name="slow tires", reason="r", field="speed symbol", minimum=185 / 3.6),
            Rule(name="no such", reason="r", field="id", forbidden=(str(rng.choice(ids)), "R")),
            Rule(name="something red", reason="r", carry="red"),
        ),
        pairs=(PairRule(name="apart", reason="r", first="cage", second=str(rng.choice(["blue", *ids]))),),
        limits=(
            Limit(name="heavy", reason="r", quantity="mass", maximum=scenario.car.mass_kg + 40),
            Limit(name="light", reason="r", quantity="mass", minimum=scenario.car.mass_kg - 12),
            Limit(name="blues", reason="r", quantity="count", tag="blue", maximum=7),
            Limit(name="weight of blues", reason="r", quantity="mass", tag="blue", maximum=120),
        ),
        fixed_costs=(("license", 3_300),),
    )
    on_wheels = [part_id for part_id, part in parts.items() if isinstance(part, (Tire, Wheel))]
    overrides = tuple(
        Override(check=str(rng.choice(LIFTABLE)), part=str(rng.choice(on_wheels)), reason="r", by="b")
        for _ in range(10)
    )
    event = replace(
        scenario.event,
        classes={race.name: race},
        overrides=overrides,
        max_tire_age_years=7.0,
        hours_limit=(None, 12.0, 25.0)[seed % 3],
        carries=frozenset({"blue"} if sometimes(0.5) else {"x"}),
    )
    kits = tuple(replace(kit, stock=int(rng.integers(1, 3))) for kit in scenario.kits)
    return replace(scenario, parts=parts, car=car, event=event, kits=kits)


@pytest.mark.parametrize("folder", ["catalogs_demo/thrennel_flat", "optimizer/starter"])
def test_written_scenarios(folder):
    legal, had, seen = compare(read_scenario(folder), seed=1, uniform=300, near=1500)

    assert legal > 150
    assert had > 100
    assert len(seen) >= 4


@pytest.mark.parametrize("seed", range(6))
def test_random_catalogs(seed):
    legal, had, _ = compare(random_catalog(seed), seed, uniform=150, near=350)

    assert legal > 50
    assert had > 20


def test_unsettled_catalogs():
    """Every check of legality that these can break is broken somewhere, and legal builds remain."""
    legal, had, seen = 0, 0, set()
    for seed in range(24):
        more = compare(unsettled(random_catalog(seed), seed), seed, uniform=150, near=130)
        legal, had, seen = legal + more[0], had + more[1], seen | more[2]

    assert legal > 200
    assert had > 100
    assert seen >= {
        "tire on rim width", "tire on rim diameter", "corner load", "tire age", "tire category", "stock",
        "tire rating unknown", "tire pressure", "wheel pressure", "bolt pattern", "center bore", "wheel offset",
        "brake clearance", "wheel load", "wheel rating unknown", "circumference match", "ride height", "needs",
        "housing",
        "not with", "short", "slow tires", "something red", "apart", "heavy", "light", "blues", "weight of blues",
    }  # fmt: skip


def on_axles(scenario: Scenario, seed: int) -> Scenario:
    """Extras that change pressure, in slots for one axle, of several pieces, with one of them on the car already."""
    rng, parts = np.random.default_rng(seed), dict(scenario.parts)
    for part in scenario.parts.values():
        if isinstance(part, Extra):
            place = float(rng.uniform(0.2, 2.0)) if rng.random() < 0.5 else None
            change = float(rng.choice([-2e4, 0.0, 2e4, 5e4]))
            parts[part.id] = replace(part, pressure_pa=change, position_m=place)
    slots = []
    for slot in scenario.car.slots:
        if slot.kind == "extra":
            extras = (each for each in parts.values() if each.kind == "extra")
            fits = [each.id for each in extras if slot.name in (each.slots or (slot.name,))]
            fitted = str(rng.choice(fits)) if fits and rng.random() < 0.4 else slot.fitted
            axle = rng.choice(["front", "rear", ""]) or None
            slots.append(replace(slot, axle=axle, count=int(rng.integers(1, 3)), fitted=fitted))
        else:
            slots.append(slot)
    return replace(scenario, parts=parts, car=replace(scenario.car, slots=tuple(slots)))


@pytest.mark.parametrize("seed", range(8))
def test_extras_for_one_axle_and_of_several_pieces(seed):
    compare(on_axles(random_catalog(seed), seed), seed, uniform=150, near=130)
