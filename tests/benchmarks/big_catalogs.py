"""Big car scenarios with the structure of real ones, seeded.

Parts come in families: tires by size, wheels by diameter and width, ratios as ladders, extras by design and material.
What is lighter, rolls better or cleaves the air costs more, with some scatter. What excludes what follows from the
measures of the parts (rims, wheelhouse, calipers, roll-out, gearbox housings), never from random pairs.

The names say slots by options as if all slots were alike: 8x40 is about 1e12 builds, 12x60 about 1e21, 14x150 about
1e30. In a real catalog they are not alike: a dozen gearsets, hundreds of tires. `SIZES` has the slots as they are.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer.choice.options import options_of
from optimizer.choice.price import PriceBook
from optimizer.physics.tires import rolling_circumference_m
from optimizer.scenario.car import Drive, Job, Slot
from optimizer.scenario.event import Bracket, Course, Limit, PairRule, Rule, Scenario, Scoring, StoppingRule, Weather
from optimizer.scenario.parts import BoltPattern, CurvePoints, Extra, Kit, Part, Tire, TireSize, Wheel
from tests.choice.records import (
    CURVE,
    extra_slot,
    make_class,
    make_engine,
    make_extra,
    make_final_drive,
    make_gearset,
    make_hub,
    make_kit,
    make_rotor,
    make_scenario,
    make_tire,
    make_wheel,
    stock_slots,
)

FAMILIES: tuple[Drive, ...] = ("front", "rear", "all")
MISMATCH = 0.01
"""Roll-out of front and rear tires with all wheels driven: within 1 %."""
BUDGET_SHARE = 0.6
"""Budget as a share of what the best part in every slot costs together."""
BOXES = frozenset({"box A", "box B"})


@dataclass(frozen=True, slots=True)
class Size:
    """How many options each open slot has, fitted part and empty choice counted; slots left out keep their part.

    ``tires`` and ``wheels`` are lists that suit both axles; ``rotors`` are per axle; ``pressure`` is the slot whose
    extras change the tire pressure and so belong to the drive set. ``heat_share`` is what the stock rotors take against
    a road car's: with 1 the heat of a stop, not power, limits most builds of a size that has no other rotors.
    """

    engines: int
    gearsets: int
    finals: int
    tires: int
    wheels: int
    rear_wheels: bool
    rotors: int
    nose: int
    cabin: int
    floor: int
    tray: int
    pressure: int
    heat_share: float = 1.6


SIZES = {
    "tiny": Size(3, 3, 4, 12, 10, False, 0, 8, 4, 0, 0, 0),
    "8x40": Size(5, 8, 10, 100, 100, False, 0, 100, 25, 0, 0, 0),
    "12x60": Size(5, 8, 10, 340, 340, True, 80, 160, 40, 0, 0, 3),
    "14x150": Size(8, 12, 14, 500, 600, True, 400, 500, 150, 500, 200, 3),
    "8x40 hot": Size(5, 8, 10, 100, 100, False, 0, 100, 25, 0, 0, 0, heat_share=1.0),
}
"""Slots that are open and their options. ``tiny`` has the slots of 8x40 and can be enumerated; in ``8x40 hot`` millions
of builds are faster than the best legal one, and refused for the heat of their rotors."""

TIRE_SIZES = (
    (185, 60, 15), (175, 60, 15), (195, 55, 15), (185, 55, 15), (195, 50, 15), (205, 50, 15), (175, 65, 14),
    (185, 60, 14), (165, 65, 14), (175, 60, 14), (165, 70, 13), (175, 70, 13), (155, 80, 13), (195, 45, 16),
    (185, 50, 16), (205, 45, 16), (195, 50, 16), (205, 40, 17), (215, 40, 17), (205, 60, 15), (175, 65, 15),
    (145, 80, 15), (225, 45, 15), (215, 45, 17),
)  # fmt: skip
"""Section width [mm], aspect [%], rim [in]; the last ones are too tall or too wide for the wheelhouse."""
WHEEL_SIZES = (
    (15, 6.0), (15, 6.5), (15, 5.5), (15, 7.0), (14, 5.5), (14, 6.0), (13, 5.0), (13, 5.5), (16, 6.5), (16, 7.0),
    (17, 7.0), (15, 5.0), (15, 8.0), (14, 5.0),
)  # fmt: skip
SYMBOLS = ("S", "T", "H", "V", "W")


def big_catalog(size: str, family: Drive, seed: int = 0) -> Scenario:
    """A scenario of a size of `SIZES` and a drive layout."""
    counts, place = SIZES[size], list(SIZES).index(size.removesuffix(" hot"))
    rng = np.random.default_rng([seed, FAMILIES.index(family), place])
    parts = [
        *_engines(rng, counts.engines), *_gearsets(rng, counts.gearsets), *_finals(rng, counts.finals),
        *_tires(rng, counts.tires), *_wheels(rng, counts.wheels, counts.rear_wheels),
        *_rotors(rng, counts.rotors, counts.heat_share), *_extras(rng, counts),
    ]  # fmt: skip
    scenario = make_scenario(
        parts, kits=_kits(rng, parts), slots=_slots(), extra_slots=_extra_slots(counts), jobs=_jobs(), drive=family,
        car=_car(), event=_event(),
    )  # fmt: skip
    return replace(scenario, event=replace(scenario.event, budget_cents=_budget_cents(scenario)))


def _price(dollars: float, rng: np.random.Generator, scatter: float = 0.12) -> int:
    """Price in cents, to the dollar less five cents, with some scatter."""
    return max(500, round(dollars * float(rng.lognormal(0.0, scatter))) * 100 - 5)


def _lines(rng: np.random.Generator, number: int) -> Iterator[tuple[int, float]]:
    """Quality from 0 to 1 of so many products: no two alike, every quality about as often."""
    if number > 0:
        yield from enumerate(((rng.permutation(number) + rng.random(number)) / number).tolist())


def _engines(rng: np.random.Generator, options: int) -> list[Part]:
    """Tunes of the engine as it stands and bigger ones; the last are over the class's displacement."""
    found: list[Part] = []
    for i in range(options - 1):
        gain = 1.02 + 0.035 * i + 0.01 * float(rng.random())
        bigger = i % 3 == 2
        torque = tuple(t * gain * (1.06 if bigger else 1.0) for t in CURVE.torque_nm)
        found.append(
            make_engine(
                f"E{i + 1:02d}", curve=CurvePoints(CURVE.rpm, torque), mass_kg=105.0 + 6.0 * bigger - 0.4 * i,
                rev_limit_rpm=7200.0 + (100.0 * (i % 4)), inertia_kgm2=0.12 - 0.004 * i,
                displacement_m3=(1.397e-3, 1.397e-3, 1.490e-3 if i < 3 else 1.598e-3)[i % 3],
                price_cents=_price(250 + 330 * i + (500 if bigger else 0), rng),
                work=("engine out",) if bigger else ("on the rollers",),
            )
        )  # fmt: skip
    return found


def _boxes(i: int) -> frozenset[str]:
    """Housing of the i-th product: two in three in that of the car, every sixth in both."""
    return BOXES if i % 6 == 5 else frozenset({"box A" if i % 3 else "box B"})


def _gearsets(rng: np.random.Generator, options: int) -> list[Part]:
    """Ladders with a top gear between 0.70 and 1.06, four to six gears."""
    found: list[Part] = [make_gearset("G-stock", fits=frozenset({"box A"}))]
    for i, top in enumerate(np.linspace(0.70, 1.06, max(options - 1, 1))[: options - 1]):
        gears = (5, 5, 4, 6)[i % 4]
        first = 3.3 + 0.25 * float(rng.random())
        ratios = tuple(float(first * (top / first) ** ((g / (gears - 1)) ** 0.8)) for g in range(gears))
        found.append(
            make_gearset(
                f"G{i + 1:02d}", ratios=ratios, fits=_boxes(i), mass_kg=10.0 + 0.5 * gears - 1.2 * float(rng.random()),
                price_cents=_price(360 + 110 * gears + 40 * (i % 5), rng), fitting_cents=4000, fitting_hours=2.0,
            )
        )  # fmt: skip
    return found


def _finals(rng: np.random.Generator, options: int) -> list[Part]:
    """Pairs of whole teeth from 3.2 to 4.9."""
    found: list[Part] = [make_final_drive("F-stock", fits=frozenset({"box A"}), ratio=41 / 10)]
    for i, wanted in enumerate(np.linspace(3.2, 4.9, max(options - 1, 1))[: options - 1]):
        pinion = 11 + i % 8
        found.append(
            make_final_drive(
                f"F{i + 1:02d}", ratio=round(float(wanted) * pinion) / pinion, fits=_boxes(i + 1),
                mass_kg=6.0 + float(rng.uniform(-0.4, 0.3)), price_cents=_price(260 + 30 * (i % 7), rng),
                fitting_cents=3000, fitting_hours=1.0,
            )
        )  # fmt: skip
    return found


def _tires(rng: np.random.Generator, options: int) -> list[Part]:
    """Families by size, several makes each: better ones roll easier, are lighter and rated faster, and cost more."""
    found: list[Part] = []
    for i, quality in _lines(rng, options - 1):
        width, aspect, rim = TIRE_SIZES[i % len(TIRE_SIZES)]
        size = TireSize(width / 1000, aspect / 100, float(rim))
        pack = (4, 1, 2)[i % 3]
        dollars = (38 + 0.25 * (width - 145) + 9 * (rim - 13)) * (1 + 1.6 * quality)
        mass = 7.6 * (width / 185) * (size.diameter_m / 0.603) * (1.12 - 0.2 * quality)
        racing = i % 17 == 11
        found.append(
            make_tire(
                f"T{i + 1:03d}", size=size, mass_kg=mass, inertia_kgm2=0.8 * mass * (size.diameter_m / 2) ** 2,
                rolling_coefficient=0.0138 - 0.0062 * quality + 0.002 * racing + float(rng.normal(0, 0.0003)),
                grip_factor=0.94 + 0.08 * float(rng.random()) + 0.06 * racing,
                speed_symbol=SYMBOLS[min(int(5 * float(rng.beta(2 + 2 * quality, 2))), 4)],
                load_index=int(70 + (width - 145) / 5 + 4 * float(rng.random())), growth=float(rng.uniform(0, 0.015)),
                price_cents=_price(dollars, rng) * pack, pack=pack, fitting_cents=1500, fitting_hours=0.25,
                made=(2014 + i % 12, 10),
                category="competition" if racing else "road", rim_width_min_in=None, rim_width_max_in=None,
                circumference_m=_roll_out(rng, size) if i % 2 else None, owned=2 if i % 60 == 7 else 0,
            )
        )  # fmt: skip
    return found


def _roll_out(rng: np.random.Generator, size: TireSize) -> float:
    """A measured roll-out: half a percent about that of the size code."""
    return rolling_circumference_m(size.diameter_m) * float(rng.uniform(0.995, 1.005))


def _wheels(rng: np.random.Generator, options: int, both_axles: bool) -> list[Part]:
    """Steel, cast, flow-formed and forged by diameter and width; lighter costs more. A few do not fit the hub."""
    found: list[Part] = []
    for i, quality in _lines(rng, options - 1):
        diameter, width = WHEEL_SIZES[i % len(WHEEL_SIZES)]
        mass = (6.8 + 0.9 * (diameter - 15) + 0.7 * (width - 6.0)) * (1.25 - 0.6 * quality)
        found.append(
            make_wheel(
                f"W{i + 1:03d}", rim_diameter_in=float(diameter), rim_width_in=width, mass_kg=mass,
                inertia_kgm2=0.62 * mass * (0.0127 * diameter) ** 2, axle=None if both_axles else "front",
                brake_clearance_m=0.335 + 0.0254 * (diameter - 15) + float(rng.uniform(-0.006, 0.002)),
                offset_m=0.039 + 0.001 * (i % 7), load_rating_kg=(480.0, 520.0, 560.0)[i % 3],
                bolt_patterns=(BoltPattern(4, 0.108 if i % 13 == 6 else 0.100),),
                price_cents=_price((45 + 14 * (diameter - 13)) * math.exp(1.9 * quality), rng),
                owned=2 if i % 80 == 3 else 0,
            )
        )  # fmt: skip
    return found


def _rotors(rng: np.random.Generator, options: int, heat_share: float) -> list[Part]:
    """By diameter, which wheels limit; lighter of the same heat mass (hats of alloy) costs more."""
    found: list[Part] = [
        make_rotor("R-front-stock", axle="front", heat_mass_kg=4.0 * heat_share),
        make_rotor("R-rear-stock", axle="rear", mass_kg=3.6, heat_mass_kg=3.0 * heat_share),
    ]
    for axle in ("front", "rear"):
        for i, quality in _lines(rng, options - 1):
            diameter = 0.226 + 0.006 * (i % 12)
            heat = 4.0 * (diameter / 0.240) ** 2 * (0.9 if axle == "front" else 0.72) * float(rng.uniform(0.85, 1.1))
            mass = heat * (1.28 - 0.2 * quality)
            found.append(
                make_rotor(
                    f"R{axle[0]}{i + 1:03d}", axle=axle, diameter_m=diameter, caliper_envelope_m=diameter + 0.068,
                    heat_mass_kg=heat, mass_kg=mass, inertia_kgm2=0.5 * mass * (diameter / 2) ** 2,
                    brake_drag_n=8.0 - 7.0 * quality + float(rng.uniform(0, 1.0)), max_rise_k=400.0 + 40.0 * (i % 3),
                    price_cents=_price(40 + 260 * (diameter - 0.22) + 130 * quality, rng), work=("brakes bled",),
                )
            )  # fmt: skip
    return found


def _extras(rng: np.random.Generator, counts: Size) -> list[Part]:
    """Air dams, floors, cabins, trays of ballast and tire pressures, by design and material."""
    found: list[Part] = []
    for i, quality in _lines(rng, counts.nose - 1):
        found.append(_shape(rng, f"N{i + 1:03d}", "nose", i, quality, 0.040, 0.2))
    for i, quality in _lines(rng, counts.floor - 1):
        found.append(_shape(rng, f"U{i + 1:03d}", "floor", i, quality, 0.030, 1.2))
    for i, quality in _lines(rng, counts.cabin - 1):
        cage = i % 3 == 0
        found.append(
            make_extra(
                f"C{i + 1:03d}", slots=("cabin",), position_m=1.3, tags=frozenset({"cage"} if cage else ()),
                mass_kg=(26.0 - 14.0 * quality) if cage else (-4.0 - 26.0 * quality),
                price_cents=_price((420 if cage else 90) + 520 * quality, rng), work=("cabin stripped",),
            )
        )  # fmt: skip
    found += [
        make_extra(
            f"B{i + 1:03d}", slots=("tray",), position_m=(0.0, 2.38)[i % 2], mass_kg=2.0 + 58.0 * i / counts.tray,
            price_cents=_price(12 + 2.2 * i, rng),
        )
        for i in range(counts.tray - 1)
    ]  # fmt: skip
    found += [
        make_extra(
            f"P{i + 1:03d}", slots=("pressure",), mass_kg=0.0, pressure_pa=15e3 * (i + 1), price_cents=1000 + 500 * i
        )
        for i in range(counts.pressure - 1)
    ]
    return found


def _shape(
    rng: np.random.Generator, name: str, slot: str, i: int, quality: float, most_m2: float, place_m: float
) -> Extra:
    """A piece of bodywork: a design takes off drag area, a material takes off mass, both cost."""
    material = i % 3
    mass = (9.0, 6.0, 3.5)[material] * (0.6 + 0.8 * quality)
    return make_extra(
        name, slots=(slot,), position_m=place_m, mass_kg=mass,
        drag_area_m2=-most_m2 * quality + float(rng.normal(0, 0.001)),
        front_lift_area_m2=-0.05 * quality * float(rng.random()), rear_lift_area_m2=float(rng.normal(0, 0.01)),
        price_cents=_price((60, 130, 420)[material] * (0.5 + 1.5 * quality), rng), work=("bodywork",) if i % 2 else (),
        front_ride_height_m=-0.01 if i % 11 == 3 else 0.0,
    )  # fmt: skip


def _kits(rng: np.random.Generator, parts: list[Part]) -> list[Kit]:
    """Two gearboxes sold whole, and two sets of tires on wheels that come mounted."""
    named = {part.id: part for part in parts}
    kits = []
    for i, pair in enumerate((("G01", "F02"), ("G04", "F05"))):
        if all(each in named for each in pair):
            dollars = sum((named[each].price_cents or 0) for each in pair) / 100
            kits.append(make_kit(f"K{i}", _price(0.85 * dollars, rng, 0.02), dict.fromkeys(pair, 1)))
    tires = [part for part in parts if isinstance(part, Tire) and not part.owned][2::7]
    wheels = [part for part in parts if isinstance(part, Wheel) and not part.owned]
    for i, tire in enumerate(tires[:2]):
        on = [wheel for wheel in wheels if wheel.rim_diameter_in == tire.size.rim_diameter_in]
        if on:
            dollars = (4 * (tire.price_cents or 0) / tire.pack + 4 * (on[0].price_cents or 0)) / 100
            contents = {tire.id: 4, on[0].id: 4}
            kits.append(make_kit(f"K{i + 2}", _price(0.85 * dollars, rng, 0.02), contents, fitting_included=True))
            wheels.remove(on[0])
    return kits


def _slots() -> list[Slot]:
    """The slots of the car as it stands; the gearbox is opened once for both of its parts, in one of two housings."""
    work = {"gearset": ("gearbox out",), "final drive": ("gearbox out",)}
    boxes = {"gearset": BOXES, "final drive": BOXES}
    return [
        replace(slot, work=work.get(slot.kind, ()), interfaces=boxes.get(slot.kind, frozenset()))
        for slot in stock_slots()
    ]


def _extra_slots(counts: Size) -> list[Slot]:
    """Slots for extras that the size has options for."""
    places = {"nose": 0.2, "cabin": 1.3, "floor": 1.2, "tray": 2.0, "pressure": 1.2}
    return [extra_slot(name, position_m=place) for name, place in places.items() if getattr(counts, name)]


def _jobs() -> list[Job]:
    """Work that is paid once, whatever needs it."""
    return [
        Job(name="gearbox out", cost_cents=42_000, hours=9.0), Job(name="engine out", cost_cents=60_000, hours=14.0),
        Job(name="on the rollers", cost_cents=25_000, hours=3.0), Job(name="bodywork", cost_cents=18_000, hours=6.0),
        Job(name="brakes bled", cost_cents=4_000, hours=1.5), Job(name="cabin stripped", cost_cents=6_000, hours=8.0),
    ]  # fmt: skip


def _car() -> dict[str, Any]:
    """Wheelhouses that some of the tires are too big for."""
    hub = make_hub(max_tire_diameter_m=0.606, max_tire_width_m=0.199)
    return {"front": hub, "rear": hub}


def _event() -> dict[str, Any]:
    """Two runs in opposite directions; rules on displacement, tires, weight, a pair; a bracket that asks for a cage."""
    noon = Weather(pressure_pa=87e3, temperature_k=298.0, humidity=0.25, wind_ms=1.5, wind_from_deg=30.0)
    rules = (
        Rule(name="displacement", reason="class", kind="engine", field="displacement", maximum=1.5e-3),
        Rule(name="rated tires", reason="event", kind="tire", field="speed symbol", allowed=("H", "V", "W")),
        Rule(name="no racing tires in front", reason="class", slot="front tires", field="category", allowed=("road",)),
    )
    race = make_class(
        record_ms=48.0, record_margin=0.01, rules=rules,
        pairs=(PairRule(name="one change of the air", reason="class", first="N003", second="C001"),),
        limits=(Limit(name="class weight", reason="class", quantity="mass", minimum=815.0),),
        brackets=(Bracket(name="cage", above_ms=50.5, requires="cage", hold_off_ms=0.9),),
        fixed_costs=(("license", 9_000),),
    )  # fmt: skip
    return {
        "classes": (race,), "scoring": Scoring(measure="mean", runs=2, second_run="opposite", mean_of="speeds"),
        "course": Course(run_up_m=3218.688, timed_m=1609.344, shutdown_m=3000.0, elevation_m=1300.0),
        "weather": (noon, replace(noon, temperature_k=301.0, wind_ms=2.0)), "max_circumference_mismatch": MISMATCH,
        "stopping": StoppingRule(gentle_g=0.12, grip_share=0.5, salt="ordinary"), "max_tire_age_years": 10.0,
        "fixed_costs": (("entry", 35_000),),
    }  # fmt: skip


def _budget_cents(scenario: Scenario) -> int:
    """`BUDGET_SHARE` of what the dearest part of every slot, all jobs and the fixed costs come to, to $100."""
    bounds = PriceBook(options_of(scenario)).additive_bounds()
    dearest = sum(int(cents[ok].max()) for cents, ok in zip(bounds.cents, bounds.available, strict=True))
    return round(BUDGET_SHARE * (bounds.fixed_cents + int(bounds.job_cents.sum()) + dearest) / 10_000) * 10_000
