"""Single parts and pairs: each check refuses just outside and accepts just inside, naming part and number."""

from __future__ import annotations

import pytest

from optimizer.scenario.car import Slot
from optimizer.scenario.event import Override
from optimizer.scenario.parts import BoltPattern, TireSize
from tests.choice.legality_records import against, legality, sold, wrong
from tests.choice.records import extra_slot, make_final_drive, make_gearset, make_hub, stock_slots

CASES = [
    ("front tires", "tire rating unknown", {"load_index": None}, {"load_index": 84}, "no load index"),
    ("front tires", "tire rating unknown", {"speed_symbol": None}, {"speed_symbol": "S"}, "no speed symbol"),
    ("front tires", "tire rating unknown", {"max_pressure_pa": None}, {}, "no maximum pressure"),
    # 300 kPa are planned: 43.5 psi.
    ("front tires", "tire pressure", {"max_pressure_pa": 299e3}, {"max_pressure_pa": 300e3}, "43.5 psi"),
    ("front wheels", "wheel pressure", {"max_pressure_pa": 299e3}, {"max_pressure_pa": 300e3}, "43.5 psi"),
    ("front tires", "tire category", {"category": ""}, {"category": "Road"}, "no category given"),
    ("front tires", "tire category", {"category": "snow"}, {"category": "competition"}, "snow"),
    # 15 in and twice 0.6 x 185 mm are 603 mm; 15 in and twice 0.65 x 185 mm are 621.5 mm, room is for 620.
    (
        "front tires",
        "wheelhouse",
        {"size": TireSize(0.185, 0.65, 15.0)},
        {"size": TireSize(0.185, 0.60, 15.0)},
        "24.47 in tall, the front takes 24.41 in",
    ),
    (
        "front tires",
        "wheelhouse",
        {"size": TireSize(0.215, 0.50, 15.0)},
        {"size": TireSize(0.210, 0.50, 15.0)},
        "8.465 in wide, the front takes 8.268 in",
    ),
    (
        "front wheels",
        "bolt pattern",
        {"bolt_patterns": (BoltPattern(4, 0.10061), BoltPattern(5, 0.100))},
        {"bolt_patterns": (BoltPattern(4, 0.1143), BoltPattern(4, 0.1006))},
        "5x100, the front hub is 4x100",
    ),
    ("front wheels", "center bore", {"center_bore_m": 0.0559}, {"center_bore_m": 0.0560}, "55.9 mm"),
    ("front wheels", "wheel offset", {"offset_m": 0.0299}, {"offset_m": 0.030}, "29.9 mm"),
    ("front wheels", "wheel offset", {"offset_m": 0.0481}, {"offset_m": 0.048}, "30.0 to 48.0 mm"),
    ("front wheels", "wheel rating unknown", {"load_rating_kg": None}, {}, "no load rating"),
    ("front wheels", "wheel rating unknown", {"max_pressure_pa": None}, {}, "no maximum pressure"),
    ("front rotors", "rotor limit unknown", {"max_rise_k": None}, {"max_rise_k": 1.0}, "temperature rise"),
]


@pytest.mark.parametrize(("slot", "check", "outside", "inside", "said"), CASES)
def test_part_alone(slot, check, outside, inside, said):
    """Refused just outside with the part and the number named, accepted just inside."""
    kind = next(each.kind for each in stock_slots() if each.name == slot)
    found = legality(sold(kind, "OUT-7", **outside), sold(kind, "IN-7", **inside))

    refused = against(found, slot, "OUT-7")
    assert list(refused) == [check]
    assert "OUT-7" in refused[check]
    assert said in refused[check]
    assert against(found, slot, "IN-7") == {}


@pytest.mark.parametrize("category", ["temporary spare", "motorcycle", "Retread"])
def test_some_categories_are_refused_at_any_event(category):
    """An event list cannot let them in; a named override can."""
    by_name = Override(check="tire category", part="T9", reason="inspected", by="chief inspector")
    event = {"tire_categories": ("road", category)}
    tire = sold("tire", "T9", category=category)

    assert list(against(legality(tire, event=event), "rear tires", "T9")) == ["tire category"]
    lifted = legality(tire, event=event | {"overrides": (by_name,)})
    assert against(lifted, "rear tires", "T9") == {}
    assert lifted.overrides_used == (by_name,)


def test_tire_age():
    """Six years back from week 37 of 2026 is week 37 of 2020; a week earlier is too old, so is no date."""
    tires = [sold("tire", f"made-{made}", made=made) for made in [(2020, 37), (2020, 36), None]]
    found = legality(*tires, sold("tire", "new"), event={"max_tire_age_years": 6.0})

    assert against(found, "front tires", "made-(2020, 37)") == {}
    text = against(found, "front tires", "made-(2020, 36)")["tire age"]
    assert "week 36 of 2020, 6.02 years before the event; limit 6 years" in text
    assert "no date code" in against(found, "front tires", "made-None")["tire age"]
    assert against(legality(*tires), "front tires", "made-None") == {}


def test_housing_of_one_part():
    """A slot that names what it takes refuses a part that names nothing of it."""
    slots = [
        Slot(name="gearset", kind="gearset", fitted="G-stock", interfaces=frozenset({"box A", "box B"})),
        *(each for each in stock_slots() if each.name != "gearset"),
    ]
    found = legality(
        make_gearset("G-stock", fits=frozenset({"box A"})),
        sold("gearset", "G-B", fits=frozenset({"box B", "box C"})),
        sold("gearset", "G-C", fits=frozenset({"box C"})),
        sold("gearset", "G-bare"),
        slots=slots,
    )

    assert against(found, "gearset", "G-B") == {}
    assert against(found, "gearset", "G-C") == {"housing": "G-C fits box C; gearset takes box A, box B"}
    assert list(against(found, "gearset", "G-bare")) == ["housing"]


def test_tire_on_rim():
    """The rim's diameter is the tire's; its width lies in the tire's range, ends included."""
    widths = [4.5, 5.0, 6.5, 7.0]
    found = legality(
        *(sold("wheel", f"W{width}", rim_width_in=width) for width in widths),
        sold("wheel", "W14", rim_diameter_in=14.0),
        sold("tire", "T5"),
    )

    assert [wrong(found, front_tires="T5", front_wheels=f"W{width}") for width in widths[1:3]] == [{}, {}]
    for width in (4.5, 7.0):
        text = f"tire T5 needs a rim of 5.0 to 6.5 in, wheel W{width} is {width} in wide"
        assert wrong(found, front_tires="T5", front_wheels=f"W{width}") == {"tire on rim width": text}
    assert wrong(found, front_tires="T5", front_wheels="W14") == {
        "tire on rim diameter": "tire T5 is for a 15 in rim, wheel W14 is 14 in"
    }
    # Only on the same axle: the rear keeps its own.
    assert wrong(found, front_tires="T5", rear_wheels="W5.0") == {}


def test_rim_range_by_the_trade_table():
    """Without a range on the sheet: 205/60R15 is measured on 6 in, so 5.5 to 7.5 in."""
    tire = sold(
        "tire", "T205", size=TireSize(0.205, 0.60, 15.0), rim_width_min_in=None, rim_width_max_in=None
    )
    wheels = [sold("wheel", f"W{width}", rim_width_in=width) for width in (5.0, 5.5, 7.5, 8.0)]
    found = legality(tire, *wheels, car={"front": make_hub(max_tire_diameter_m=None)})

    bad = [bool(wrong(found, front_tires="T205", front_wheels=wheel.id)) for wheel in wheels]
    assert bad == [True, False, False, True]


def test_brake_in_wheel():
    """The larger of caliper envelope and rotor must be within what the wheel clears (335 mm is 13.19 in)."""
    found = legality(
        sold("rotor", "R335", axle="front", caliper_envelope_m=0.335),
        sold("rotor", "R336", axle="front", caliper_envelope_m=0.336),
        sold("rotor", "D336", axle="front", diameter_m=0.336),
    )

    assert wrong(found, front_rotors="R335") == {}
    assert list(wrong(found, front_rotors="D336")) == ["brake clearance"]
    text = "rotor R336 with its caliper needs 13.23 in, wheel W-stock clears 13.19 in"
    assert wrong(found, front_rotors="R336") == {"brake clearance": text}


def test_roll_out_with_all_wheels_driven():
    """1 % of the larger roll-out: 1.980 m against 2.000 m passes, 1.979 m does not; only with all driven."""
    tires = [sold("tire", f"C{length}", circumference_m=length) for length in (2.0, 1.98, 1.979)]
    found = legality(*tires, drive="all")

    assert wrong(found, front_tires="C2.0", rear_tires="C1.98") == {}
    refused = wrong(found, front_tires="C1.979", rear_tires="C2.0")
    assert list(refused) == ["circumference match"]
    assert (
        "tires C1.979 and C2.0 roll out 77.91 in and 78.74 in, 1.05 % apart" in refused["circumference match"]
    )
    assert wrong(legality(*tires), front_tires="C1.979", rear_tires="C2.0") == {}
    # 603 mm by the size code roll out 3.05 times as far: 1.8392 m.
    by_size = legality(
        sold("tire", "C1.83", circumference_m=1.83), sold("tire", "C1.82", circumference_m=1.82), drive="all"
    )
    assert wrong(by_size, front_tires="C1.83") == {}
    assert list(wrong(by_size, front_tires="C1.82")) == ["circumference match"]


def test_gearset_and_final_drive_in_one_housing():
    """Each fits the car, but not in the same box; slots that share no interface are not compared."""

    def found(final_interfaces, final_fits):
        rest = [each for each in stock_slots() if each.name not in {"gearset", "final drive"}]
        box = frozenset({"box A", "box B"})
        return legality(
            make_gearset("G-stock", fits=box),
            sold("gearset", "G-A", fits=frozenset({"box A"})),
            make_final_drive("F-stock", fits=box | {"axle"}),
            sold("final drive", "F-B", fits=frozenset(final_fits)),
            slots=[
                Slot(name="gearset", kind="gearset", fitted="G-stock", interfaces=box),
                Slot(
                    name="final drive",
                    kind="final drive",
                    fitted="F-stock",
                    interfaces=frozenset(final_interfaces),
                ),
                *rest,
            ],
        )

    transaxle = found({"box A", "box B"}, {"box B"})
    assert wrong(transaxle, gearset="G-A") == {}
    assert wrong(transaxle, final_drive="F-B") == {}
    text = "gearset G-A fits box A, final drive F-B fits box B: no housing takes both"
    assert wrong(transaxle, gearset="G-A", final_drive="F-B") == {"housing": text}
    assert wrong(found({"axle"}, {"axle"}), gearset="G-A", final_drive="F-B") == {}


def test_pressure_raised_by_an_extra():
    """Planned 300 kPa and 50 kPa more: 350 kPa (50.8 psi) hold, 349 kPa do not; nor on a wheel."""
    found = legality(
        sold("tire", "T349", max_pressure_pa=349e3),
        sold("tire", "T350", max_pressure_pa=350e3),
        sold("wheel", "W349", max_pressure_pa=349e3),
        sold("extra", "P50", pressure_pa=50e3),
        extra_slots=[extra_slot("pressure")],
    )

    assert wrong(found, front_tires="T350", pressure="P50") == {}
    assert wrong(found, front_tires="T349") == {}
    text = "tire T349 takes 50.6 psi, with P50 it runs at 50.8 psi"
    assert wrong(found, front_tires="T349", pressure="P50") == {"tire pressure": text}
    assert list(wrong(found, rear_wheels="W349", pressure="P50")) == ["wheel pressure"]
