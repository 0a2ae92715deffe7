"""Loads, pressure and ride height of whole builds: at their limits, and added up by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from optimizer.choice.legality import legality_of
from optimizer.choice.masses import axle_load_changes, mass_changes
from optimizer.choice.options import options_of
from optimizer.scenario.event import Rule, Scenario
from optimizer.scenario.parts import NONE_ID, TireSize
from tests.choice.legality_records import EVEN_CAR, against, legality, sold, wrong
from tests.choice.records import extra_slot, make_class, make_scenario, make_tire


def test_pressure_raised_by_two_extras():
    """300, 30 and 30 kPa are 360: one alone passes 350 kPa, both together do not, one up one down does."""
    found = legality(
        sold("tire", "T350"),
        sold("extra", "P30", pressure_pa=30e3, slots=("a",)),
        sold("extra", "Q30", pressure_pa=30e3, slots=("b",)),
        sold("extra", "Q-30", pressure_pa=-30e3, slots=("b",)),
        extra_slots=[extra_slot("a"), extra_slot("b")],
    )

    assert wrong(found, front_tires="T350", a="P30") == {}
    assert wrong(found, front_tires="T350", b="Q30") == {}
    assert wrong(found, front_tires="T350", a="P30", b="Q-30") == {}
    refused = wrong(found, front_tires="T350", a="P30", b="Q30")
    assert list(refused) == ["tire pressure"]
    assert "with P30 and Q30 it runs at 52.2 psi" in refused["tire pressure"]


def test_corner_load_at_the_limit():
    """300 kg a corner: load index 66 (300 kg) carries it exactly, 65 (290 kg) never; 1 kg more is out."""
    found = legality(
        sold("tire", "T65", load_index=65),
        sold("tire", "T66", load_index=66),
        sold("tire", "T66-heavy", load_index=66, mass_kg=8.1),
        car=EVEN_CAR,
    )

    assert wrong(found, front_tires="T66") == {}
    assert wrong(found, rear_tires="T65") == {}
    # 661.4 lb are 300 kg; 639.3 lb are 290 kg; 250 kPa are 36.3 psi.
    assert against(found, "front tires", "T65") == {
        "corner load": "tire T65 would carry 661.4 lb on the heavier front corner, "
        "good for 639.3 lb at 36.3 psi (load index 65)"
    }
    # Two tires of half a kilogram more: 300.5 kg.
    assert list(wrong(found, front_tires="T66-heavy")) == ["corner load"]


@pytest.mark.parametrize(
    ("position", "kg", "passes"),
    [
        (0.0, 1.0, False),  # on the front axle: 300.5 kg a corner
        (2.0, 50.0, True),  # on the rear axle: nothing in front
        (1.0, 1.0, False),  # half way
        (3.0, 50.0, True),  # behind the rear axle: 25 kg off the front
        (-1.0, 1.0, False),
    ],
)
def test_corner_load_with_mass_elsewhere(position, kg, passes):
    """Mass loads the axles by its place along the wheelbase."""
    found = legality(
        sold("tire", "T66", load_index=66),
        sold("extra", "lead", mass_kg=kg, position_m=position),
        extra_slots=[extra_slot("ballast")],
        car=EVEN_CAR,
    )

    assert (wrong(found, front_tires="T66", ballast="lead") == {}) is passes


def test_corner_load_at_lower_pressure():
    """Half the reference pressure carries 0.5**0.8 = 57.4 %: of 500 kg (84) 287 kg, of 530 kg (86) 304 kg."""
    found = legality(
        sold("tire", "T84"),
        sold("tire", "T86", load_index=86),
        sold("tire", "T66", load_index=66),
        sold("extra", "soft", pressure_pa=-125e3, mass_kg=0.0),
        sold("extra", "hard", pressure_pa=25e3, mass_kg=0.0),
        extra_slots=[extra_slot("pressure")],
        car=EVEN_CAR,
    )

    assert wrong(found, front_tires="T84") == {}
    assert wrong(found, front_tires="T86", pressure="soft") == {}
    assert wrong(found, front_tires="T66", pressure="hard") == {}
    refused = wrong(found, front_tires="T84", pressure="soft")
    assert refused == {
        "corner load": "tire T84 would carry 661.4 lb on the heavier front corner, "
        "good for 633.1 lb at 18.1 psi (load index 84)"
    }


def test_corner_load_out_even_with_the_lightest_of_the_rest():
    """An engine 10 kg lighter takes 6 kg off the front, 3 off a corner: 297 kg (654.8 lb) is over 290."""
    found = legality(
        sold("tire", "T65", load_index=65),
        sold("engine", "E95", mass_kg=95.0),
        car=EVEN_CAR,
    )

    text = against(found, "front tires", "T65")["corner load"]
    assert text.startswith("tire T65 would carry 654.8 lb on the heavier front corner, good for 639.3 lb")
    assert text.endswith(", with the best of everything else")
    # 35 kg lighter: 289.5 kg pass.
    enough = legality(sold("tire", "T65", load_index=65), sold("engine", "E70", mass_kg=70.0), car=EVEN_CAR)
    assert against(enough, "front tires", "T65") == {}
    assert wrong(enough, front_tires="T65", engine="E70") == {}
    assert list(wrong(enough, front_tires="T65")) == ["corner load"]


def test_corner_load_helped_only_by_parts_that_may_be_chosen():
    """The engine that would make the car light enough is forbidden, so the tire is out in every build."""
    light = sold("engine", "E70", mass_kg=70.0)
    ruled = make_class(rules=(Rule(name="no E70", reason="r", field="id", forbidden=("E70",)),))
    found = legality(sold("tire", "T65", load_index=65), light, car=EVEN_CAR, event={"classes": (ruled,)})

    assert list(against(found, "front tires", "T65")) == ["corner load"]


def test_one_corner_load_row_for_pressures_that_carry_the_same():
    """At 250 kPa and above the whole index is carried: only what lowers the pressure needs its own row."""
    found = legality(
        sold("tire", "T65", load_index=65),
        sold("extra", "hard", pressure_pa=25e3, mass_kg=0.0),
        sold("extra", "soft", pressure_pa=-125e3, mass_kg=0.0),
        extra_slots=[extra_slot("pressure")],
        car=EVEN_CAR,
    )

    rows = [row.name for row in found.rows if row.name.startswith("corner load: front tires")]
    assert rows == ["corner load: front tires, pressure 1", "corner load: front tires, pressure 2"]


def test_extra_load_tires_need_more_pressure():
    """At 250 kPa an extra load tire of index 66 carries (250/290)**0.8 of 300 kg: 266.4 kg, too little."""
    found = legality(sold("tire", "TX", load_index=66, extra_load=True), car=EVEN_CAR)

    assert "587.3 lb" in against(found, "front tires", "TX")["corner load"]
    assert against(found, "rear tires", "TX") == {}


def test_wheel_load_at_the_limit():
    """300 kg a corner in front, 200 kg behind."""
    found = legality(
        sold("wheel", "W299", load_rating_kg=299.9), sold("wheel", "W300", load_rating_kg=300.0), car=EVEN_CAR
    )

    assert against(found, "front wheels", "W300") == {}
    text = "wheel W299 would carry 661.4 lb on the heavier front corner, rated 661.2 lb"
    assert against(found, "front wheels", "W299") == {"wheel load": text}
    assert against(found, "rear wheels", "W299") == {}


def test_corner_load_row_is_the_build_weighed_by_hand():
    """For every build of a small catalog, the rows agree with weighing it corner by corner."""
    scenario = make_scenario(
        [
            sold("tire", "T64", load_index=64, mass_kg=9.0),
            sold("tire", "T68", load_index=68, mass_kg=11.0, extra_load=True),
            sold("wheel", "W-light", mass_kg=3.0, load_rating_kg=280.0),
            sold("extra", "P-60", pressure_pa=-60e3, mass_kg=0.0, slots=("a",)),
            sold("extra", "P+40", pressure_pa=40e3, mass_kg=0.0, slots=("a",)),
            sold("extra", "lead", mass_kg=40.0, position_m=2.6, slots=("b",)),
            sold("extra", "can", mass_kg=12.0, position_m=-0.3, pressure_pa=-30e3, slots=("b",)),
        ],
        extra_slots=[extra_slot("a"), extra_slot("b")],
    )
    options = options_of(scenario)
    found = legality_of(options)
    mechanical = [row for row in found.rows if row.reason.check in {"corner load", "wheel load"}]
    builds = np.array(list(itertools.product(*map(range, options.sizes))))
    agree = {True: 0, False: 0}

    rows_hold = np.logical_and.reduce([row.holds(builds) for row in mechanical])

    for build, holds in zip(builds, rows_hold, strict=True):
        by_hand = _corners_hold(scenario, options.decode(build))
        assert holds == by_hand
        agree[by_hand] += 1
    assert min(agree.values()) > 50


INDEX_KG = {64: 280.0, 68: 315.0, 84: 500.0}


def _corners_hold(scenario: Scenario, build: dict[str, str]) -> bool:
    """Weigh the car by moments about the front axle and compare each corner with tire and wheel."""
    car = scenario.car
    part = {slot: scenario.parts[each] for slot, each in build.items() if each != NONE_ID}
    total, moment = car.mass_kg, car.mass_kg * (1 - car.front_share) * car.wheelbase_m
    for axle, arm in (("front", 0.0), ("rear", car.wheelbase_m)):
        for kind, stock in (("tires", "T-stock"), ("wheels", "W-stock")):
            more = 2 * (part[f"{axle} {kind}"].mass_kg - scenario.parts[stock].mass_kg)
            total, moment = total + more, moment + more * arm
    pressure = 300e3
    for name in ("a", "b"):
        if name in part:
            total, moment = total + part[name].mass_kg, moment + part[name].mass_kg * part[name].position_m
            pressure += part[name].pressure_pa
    rear = moment / car.wheelbase_m
    for axle, load in (("front", total - rear), ("rear", rear)):
        tire, wheel = part[f"{axle} tires"], part[f"{axle} wheels"]
        share = min(1.0, pressure / (290e3 if tire.extra_load else 250e3)) ** 0.8
        if 0.52 * load > min(INDEX_KG[tire.load_index] * share, wheel.load_rating_kg):
            return False
    return True


def test_ride_height():
    """140 mm in front, at least 80: 40 mm less of tire (20 of radius) and 40 of springs is the limit."""
    fitted = make_tire("T-stock")
    short = TireSize(0.185, 0.60 - 0.040 / 0.370, 15.0)
    found = legality(
        fitted,
        sold("tire", "T-40", size=short),
        sold("extra", "S-40", front_ride_height_m=-0.040),
        sold("extra", "S-41", front_ride_height_m=-0.041),
        sold("extra", "S-61", front_ride_height_m=-0.061),
        sold("extra", "S-rear", rear_ride_height_m=-0.050),
        extra_slots=[extra_slot("springs")],
    )

    assert wrong(found, front_tires="T-40", springs="S-40") == {}
    assert wrong(found, springs="S-41") == {}
    assert wrong(found, front_tires="T-40", springs="S-rear") == {}
    text = "the front would ride at 3.11 in with T-40 and S-41, minimum 3.15 in"
    assert wrong(found, front_tires="T-40", springs="S-41") == {"ride height": text}
    assert list(against(found, "springs", "S-61")) == ["ride height"]


def test_ride_height_was_measured_with_what_is_fitted():
    """Fitted blocks raise the front 30 mm, within the 140: without, and with two shims of -15, 80 remain."""
    block = sold("extra", "block", front_ride_height_m=0.030, slots=("blocks",))
    shims = [sold("extra", f"S-{mm}", front_ride_height_m=-mm / 1000, slots=("shims",)) for mm in (15, 16)]
    slots = [extra_slot("blocks", fitted="block"), extra_slot("shims", count=2)]
    found = legality(block, *shims, extra_slots=slots)

    assert wrong(found, blocks="none", shims="S-15") == {}
    assert wrong(found, shims="S-16") == {}
    text = "the front would ride at 3.071 in with no blocks and S-16, minimum 3.15 in"
    assert wrong(found, blocks="none", shims="S-16") == {"ride height": text}


def test_axle_load_changes_add_up_to_the_mass():
    """Front and rear changes sum to the change of mass; each kind of place puts it where it stands."""
    scenario = make_scenario(
        [
            sold("extra", "own", mass_kg=10.0, position_m=0.5),
            sold("extra", "slots", mass_kg=10.0, position_m=None),
            sold("tire", "T9", mass_kg=9.0),
            sold("engine", "E9", mass_kg=115.0),
        ],
        extra_slots=[extra_slot("x", position_m=1.5), extra_slot("y", position_m=None)],
        car={"front_share": 0.6, "wheelbase_m": 2.0},
    )
    options = options_of(scenario)
    front, rear = axle_load_changes(options)
    mass = mass_changes(options)

    for s in range(len(options.slots)):
        np.testing.assert_allclose(front[s] + rear[s], mass[s], atol=1e-12)

    def change(slot, part):
        s = options.position(slot)
        o = [each.id for each in options.parts[s]].index(part)
        return round(float(front[s][o]), 9), round(float(rear[s][o]), 9)

    assert change("x", "own") == (7.5, 2.5)
    assert change("x", "slots") == (2.5, 7.5)
    assert change("y", "slots") == (6.0, 4.0)
    assert change("front tires", "T9") == (2.8, 0.0)
    assert change("rear tires", "T9") == (0.0, 2.8)
    assert change("engine", "E9") == (6.0, 4.0)
