"""Small random catalogs, made so that every mechanism is in play, and their full enumeration.

The enumeration uses the legality, price and simulator of the package, but nothing of the search: it tries everything.
"""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache, lru_cache
from types import MappingProxyType
from typing import Any

import numpy as np

from optimizer.choice.legality import Legality, legality_of
from optimizer.choice.options import FloatArray, IntArray, Options, options_of
from optimizer.choice.price import PriceBook
from optimizer.run.judge import Judge, Judged, order_keys
from optimizer.run.model import RunModel
from optimizer.run.simulator import Run
from optimizer.scenario.car import Job
from optimizer.scenario.event import Bracket, Course, Scenario, Scoring, StoppingRule, Weather
from optimizer.scenario.parts import TireSize
from optimizer.search.drive_sets import DriveSets, completed, outlines_of
from optimizer.search.memory import Memory
from optimizer.search.ranking import Ranker
from tests.choice.records import (
    extra_slot,
    make_class,
    make_engine,
    make_extra,
    make_final_drive,
    make_gearset,
    make_kit,
    make_rotor,
    make_scenario,
    make_tire,
    make_wheel,
    stock_slots,
)

LAYOUTS = ("front", "rear", "all")
SIZES = (2, 2, 3, 3, 2, 2, 2)
"""Usual numbers of parts; see `random_catalog`."""


def in_a_class(scenario: Scenario, **changes: Any) -> Scenario:
    """A scenario whose class is another in some respects."""
    event, race = scenario.event, replace(scenario.race_class, **changes)
    return replace(scenario, event=replace(event, classes=MappingProxyType({**event.classes, event.race_class: race})))


def held_to(scenario: Scenario, cap_ms: float, lacking: str = "what nobody sells") -> Scenario:
    """A scenario with one bracket that holds to a speed [m/s] what lacks something: every car, if nobody sells it."""
    bracket = Bracket(name="cage", above_ms=cap_ms + 1.0, requires=lacking, hold_off_ms=1.0)
    return in_a_class(scenario, brackets=(bracket,))


def random_catalog(seed: int, *, sizes: tuple[int, ...] = SIZES) -> Scenario:
    """A scenario with kits, shared work, owned parts, packs, brackets, wind, a binding budget.

    ``sizes``: engines, gearsets, final drives, tires, wheels, rotors per axle, extras per slot, beside the fitted part.
    """
    rng = np.random.default_rng(seed)
    drive = LAYOUTS[seed % 3]
    engines, gearsets, finals, tires, wheels, rotors, extras = sizes
    parts: list[Any] = []
    for i in range(engines):
        factor = 1 + 0.05 * (i + rng.random())
        parts.append(
            make_engine(
                f"E{i}", price_cents=int(rng.integers(200, 900)) * 100, mass_kg=105 + rng.uniform(-4, 4),
                curve=make_engine("x").curve.__class__(
                    rpm=make_engine("x").curve.rpm,
                    torque_nm=tuple(t * factor for t in make_engine("x").curve.torque_nm),
                ),
            )
        )  # fmt: skip
    for i in range(gearsets):
        scale = rng.uniform(0.9, 1.1)
        parts.append(
            make_gearset(f"G{i}", ratios=tuple(scale * r for r in (3.3, 1.95, 1.40, 1.10, 0.88)[: 4 + i % 2]),
                         price_cents=int(rng.integers(300, 900)) * 100, mass_kg=11 + rng.uniform(-1, 1))
        )  # fmt: skip
    parts.extend(
        make_final_drive(
            f"F{i}", ratio=float(rng.uniform(3.4, 5.0)), price_cents=int(rng.integers(150, 500)) * 100
        )
        for i in range(finals)
    )
    for i in range(tires):
        width, aspect, rim = [(0.165, 0.65, 14), (0.185, 0.60, 15), (0.175, 0.60, 14), (0.195, 0.55, 15)][
            i % 4
        ]
        if drive == "all":
            width, aspect, rim = 0.185, 0.60 - 0.002 * i, 15
        parts.append(
            make_tire(
                f"T{i}", size=TireSize(width, aspect, rim), mass_kg=rng.uniform(6, 9),
                price_cents=int(rng.integers(60, 250)) * 100,
                pack=int(rng.choice([1, 2, 4])), rolling_coefficient=float(rng.uniform(0.006, 0.014)),
                speed_symbol=str(rng.choice(["S", "T", "H", "V"])), grip_factor=float(rng.uniform(0.9, 1.05)),
                inertia_kgm2=float(rng.uniform(0.4, 0.7)), owned=int(rng.choice([0, 0, 2])), fitting_cents=2000,
                rim_width_min_in=5.0, rim_width_max_in=6.5, made=(2025, 10),
            )
        )  # fmt: skip
    for i in range(wheels):
        rim = (15, 14)[i % 2] if drive != "all" else 15
        parts.append(
            make_wheel(
                f"W{i}", rim_diameter_in=float(rim), mass_kg=rng.uniform(4, 8),
                price_cents=int(rng.integers(50, 300)) * 100,
                brake_clearance_m=0.335 if rim == 15 else 0.312, inertia_kgm2=float(rng.uniform(0.1, 0.25)),
            )
        )  # fmt: skip
    for axle in ("front", "rear"):
        parts.extend(
            make_rotor(
                f"R{axle[0]}{i}", axle=axle, mass_kg=rng.uniform(2.5, 6), heat_mass_kg=rng.uniform(2.0, 5),
                caliper_envelope_m=float(rng.uniform(0.29, 0.33)), price_cents=int(rng.integers(40, 160)) * 100,
                brake_drag_n=float(rng.uniform(0, 8)), max_rise_k=450.0,
            )
            for i in range(rotors)
        )  # fmt: skip
    slots = []
    for name in ("nose", "tray"):
        slots.append(extra_slot(name, position_m=float(rng.uniform(0, 2.4))))
        parts.extend(
            make_extra(
                f"X{name[0]}{i}", slots=(name,), mass_kg=float(rng.uniform(0.5, 30)),
                drag_area_m2=float(rng.uniform(-0.03, 0.01)),
                front_lift_area_m2=float(rng.uniform(-0.05, 0.02)), price_cents=int(rng.integers(20, 400)) * 100,
                tags=frozenset(["cage"]) if i == 0 and name == "nose" else frozenset(),
                work=("bodywork",) if i % 2 else (), position_m=float(rng.uniform(0, 2.4)),
                pressure_pa=2e4 if name == "tray" and i == 1 and seed % 2 else 0.0,
            )
            for i in range(extras)
        )  # fmt: skip
    jobs = (
        Job(name="gearbox out", cost_cents=40_000, hours=9.0),
        Job(name="bodywork", cost_cents=15_000, hours=4.0),
    )
    base = [
        slot.__class__(**{**{f: getattr(slot, f) for f in slot.__dataclass_fields__},
                          "work": ("gearbox out",) if slot.kind in ("gearset", "final drive") else ()})
        for slot in stock_slots()
    ]  # fmt: skip
    kits = [
        make_kit("K0", int(rng.integers(300, 700)) * 100, {"G0": 1, "F0": 1}),
        make_kit("K1", int(rng.integers(100, 500)) * 100, {"T0": 4, "W0": 4}, fitting_included=True),
    ]
    if rng.random() < 0.5:
        kits.append(make_kit("K2", int(rng.integers(100, 400)) * 100, {"T0": 2, "T1": 2}))
    measure = ("mean", "trap", "exit")[seed // 3 % 3]
    runs = 2 if seed % 2 else 1
    scoring = Scoring(
        measure=measure,
        runs=runs,
        second_run=("opposite", "same")[seed // 2 % 2],
        mean_of=("speeds", "times")[seed // 4 % 2],
    )
    weather = Weather(
        pressure_pa=87e3,
        temperature_k=297.0,
        humidity=0.2,
        wind_ms=float(rng.uniform(0, 3)),
        wind_from_deg=float(rng.uniform(0, 360)),
    )
    second = Weather(
        pressure_pa=86.8e3,
        temperature_k=301.0,
        humidity=0.2,
        wind_ms=float(rng.uniform(0, 3)),
        wind_from_deg=float(rng.uniform(0, 360)),
    )
    bracket = Bracket(name="cage", above_ms=float(rng.uniform(48, 52)), requires="cage", hold_off_ms=1.0)
    run_up = float(rng.choice([1609.344, 3218.688]))
    race = make_class(record_ms=46.0, record_margin=0.01, brackets=(bracket,) if seed % 2 else ())
    event: dict[str, Any] = {
        "classes": (race,),
        "course": Course(run_up_m=run_up, timed_m=1609.344, shutdown_m=2600.0, elevation_m=1300.0),
        "scoring": scoring,
        "weather": (weather, second),
        "stopping": StoppingRule(gentle_g=0.12, grip_share=0.5, salt="ordinary"),
        "rating_rule": ("refuse", "limiter")[seed // 5 % 2],
        "budget_cents": int(rng.integers(900, 1800)) * 100,
        "hours_limit": (None, 14.0)[seed // 2 % 2],
        "salt": ("ordinary", "soft", "firm")[seed % 3],
        "max_circumference_mismatch": 0.012,
        "fixed_costs": (("entry", 10_000),),
    }
    return make_scenario(parts, kits=kits, slots=base, extra_slots=slots, jobs=jobs, drive=drive, event=event)


def machinery(scenario: Scenario) -> tuple[Options, Any, PriceBook, Judge]:
    """Options, legality, price and judge of a scenario."""
    options = options_of(scenario)
    return options, legality_of(options), PriceBook(options), Judge(RunModel(options))


def ranker_of(scenario: Scenario, judge: Judge | None = None, memory: Memory | None = None) -> Ranker:
    """A search for the question of the event; with nothing known, unless a memory is given."""
    _, legality, book, own = machinery(scenario)
    event = scenario.event
    return Ranker(judge or own, legality, book, event.budget_cents, event.hours_limit, memory=memory)


class Tried:
    """Every build of a scenario that is legal before any run and within the budget, simulated and checked."""

    def __init__(self, scenario: Scenario) -> None:
        self.options, legality, book, self.judge = machinery(scenario)
        builds = every_allowed(legality)
        self.allowed = len(builds)
        prices = book.price(builds)
        budget = scenario.event.budget_cents
        keep = prices.available & ((prices.cents <= budget) if budget is not None else True)
        self.builds, self.cents = builds[keep], prices.cents[keep]
        self.runs = self.judge.runs(self.builds)
        self.judged = self.judge.judge(self.builds, self.runs)

    def in_order(self) -> tuple[IntArray, Any, Any, int]:
        """The legal ones in the total order: builds, speeds, cents, and how many were legal before any run."""
        speed = self.judge.joined(self.runs)
        rows = np.flatnonzero(self.judged.legal & (speed > 0))
        order = order_keys(self.options, self.builds[rows], speed[rows], self.judged.care[rows], self.cents[rows])
        rows = rows[order]
        return self.builds[rows], speed[rows], self.cents[rows], self.allowed


class LookingUp(Judge):
    """A judge who has run every build that a search may try: a second search need not simulate them again."""

    def __init__(self, tried: Tried) -> None:
        super().__init__(tried.judge.model)
        self.tried = tried
        numbers = self._numbers(tried.builds)
        self.order = np.argsort(numbers)
        self.numbers = numbers[self.order]

    def _numbers(self, builds: IntArray) -> IntArray:
        return np.ravel_multi_index(tuple(builds.T), self.options.sizes)

    def _rows(self, builds: IntArray) -> IntArray | None:
        """Where builds stand among the tried; None if one does not."""
        numbers = self._numbers(builds)
        places = np.minimum(np.searchsorted(self.numbers, numbers), len(self.numbers) - 1)
        return self.order[places] if np.array_equal(self.numbers[places], numbers) else None

    def runs(self, builds: IntArray) -> tuple[Run, ...]:
        rows = self._rows(builds)
        return super().runs(builds) if rows is None else tuple(run.take(rows) for run in self.tried.runs)

    def judge(self, builds: IntArray, runs: tuple[Run, ...], fast: Run | None = None) -> Judged:
        rows = self._rows(builds)
        return super().judge(builds, runs, fast) if rows is None else of_rows(self.tried.judged, rows)


def of_rows(record: Any, rows: IntArray) -> Any:
    """A record of arrays for some of the cars, which are the last axis of each."""
    if isinstance(record, np.ndarray):
        return record[..., rows]
    return replace(record, **{each.name: of_rows(getattr(record, each.name), rows) for each in fields(record)})


def enumerate_all(scenario: Scenario) -> tuple[IntArray, Any, Any, int]:
    """Every legal build in the total order: builds, speeds, cents, and how many were legal before any run."""
    return Tried(scenario).in_order()


@lru_cache(maxsize=1)
def tried(seed: int, sizes: tuple[int, ...]) -> Tried:
    """`Tried` of a random catalog; the last only, for it is large."""
    return Tried(random_catalog(seed, sizes=sizes))


@cache
def enumerated(seed: int, sizes: tuple[int, ...] = SIZES) -> tuple[IntArray, Any, Any, int]:
    """`enumerate_all` of a random catalog, once for all tests that ask for it; not to be written to."""
    return tried(seed, sizes).in_order()


def every_passing(judge: Judge, legality: Any) -> tuple[IntArray, FloatArray, FloatArray]:
    """Every build that is legal whatever it costs, its speed and its smallest margin."""
    builds = every_allowed(legality)
    runs = judge.runs(builds)
    speed, judged = judge.joined(runs), judge.judge(builds, runs)
    legal = judged.legal & (speed > 0)
    return builds[legal], speed[legal], judged.care[legal]


def drive_sets_of(
    legality: Legality, drive_slots: tuple[int, ...], book: PriceBook, budget_cents: int | None
) -> DriveSets:
    """All drive sets that some legal build within the budget could have."""
    outlines = outlines_of(legality, drive_slots, book, budget_cents)
    return completed(outlines, legality, drive_slots, book.additive_bounds(), budget_cents)


def some_completions(sets: DriveSets, rng: np.random.Generator, each: int) -> tuple[IntArray, IntArray]:
    """Random completions of drive sets, some each: the sets' places (n,), and builds (n, S)."""
    rows = np.repeat(np.arange(len(sets)), each)
    builds = sets.builds[rows].copy()
    for s, ok in zip(sets.free, sets.allowed, strict=True):
        options = [np.flatnonzero(each) for each in ok]
        builds[:, s] = [options[row][rng.integers(len(options[row]))] for row in rows]
    return rows, builds


def boxes_of(sets: DriveSets, rows: IntArray, builds: IntArray) -> DriveSets:
    """A box for each completion (n, S) of the drive sets ``rows`` (n,), with nothing else in it."""
    allowed = zip(sets.free, sets.allowed, strict=True)
    return replace(sets.take(rows), allowed=tuple(np.arange(ok.shape[1]) == builds[:, s, None] for s, ok in allowed))


def every_allowed(legality: Any) -> IntArray:
    """Every build that is legal before any run, whatever it costs: slot by slot, without pairs that are forbidden."""
    builds = np.zeros((1, 0), dtype=np.int64)
    for s, out in enumerate(legality.forbidden):
        options = np.flatnonzero(~out)
        builds = np.column_stack([np.repeat(builds, len(options), axis=0), np.tile(options, len(builds))])
        for (t, last), forbidden in legality.pairs.items():
            if last == s:
                builds = builds[~forbidden[builds[:, t], builds[:, s]]]
    return builds[legality.allowed(builds)]
