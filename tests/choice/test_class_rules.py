"""Rules of class and sheets: each refuses just outside and accepts just inside, by its own name."""

from __future__ import annotations

import pytest

from optimizer.errors import ScenarioError
from optimizer.scenario.event import Limit, Override, PairRule, Rule
from optimizer.scenario.parts import TireSize
from tests.choice.legality_records import against, legality, sold, wrong
from tests.choice.records import extra_slot, make_class, make_kit, make_tire, stock_slots

RULES = [
    (
        "front tires",
        {"field": "category", "allowed": ("road",)},
        {"category": "competition"},
        {"category": "Road"},
    ),
    ("front tires", {"field": "tags", "forbidden": ("shaved",)}, {"tags": frozenset({"shaved"})}, {}),
    ("front tires", {"field": "tags", "allowed": ("dot",)}, {}, {"tags": frozenset({"dot", "x"})}),
    (
        "front tires",
        {"field": "speed symbol", "allowed": ("V", "W")},
        {"speed_symbol": "H"},
        {"speed_symbol": "W"},
    ),
    # H is 210 km/h, V 240 km/h.
    (
        "front tires",
        {"field": "speed symbol", "minimum": 220 / 3.6},
        {"speed_symbol": "H"},
        {"speed_symbol": "V"},
    ),
    ("front wheels", {"field": "mass", "forbidden": ("12 lb",)}, {"mass_kg": 5.44310844}, {"mass_kg": 5.4}),
    ("front tires", {"field": "load index", "minimum": 80.0}, {"load_index": 79}, {"load_index": 80}),
    (
        "front tires",
        {"field": "section width", "maximum": 0.185},
        {"size": TireSize(0.195, 0.55, 15.0)},
        {"size": TireSize(0.185, 0.55, 15.0)},
    ),
    (
        "front tires",
        {"field": "rim diameter", "allowed": ("15", "16 in")},
        {"size": TireSize(0.185, 0.60, 14.0)},
        {"size": TireSize(0.185, 0.55, 16.0)},
    ),
    # 13 in and twice 185 mm x 0.6 are 552.2 mm.
    (
        "front tires",
        {"field": "diameter", "minimum": 0.5523},
        {"size": TireSize(0.185, 0.60, 13.0)},
        {"size": TireSize(0.185, 0.61, 13.0)},
    ),
    (
        "front wheels",
        {"field": "rim width", "maximum": 6.0 * 0.0254},
        {"rim_width_in": 6.5},
        {"rim_width_in": 6.0},
    ),
    ("front wheels", {"field": "mass", "minimum": 5.0}, {"mass_kg": 4.99}, {"mass_kg": 5.0}),
    ("front rotors", {"field": "diameter", "maximum": 0.25}, {"diameter_m": 0.251}, {"diameter_m": 0.25}),
    (
        "engine",
        {"field": "displacement", "maximum": 1.4e-3},
        {"displacement_m3": 1.401e-3},
        {"displacement_m3": 1.4e-3},
    ),
    ("engine", {"field": "forced induction", "forbidden": ("yes",)}, {"forced_induction": True}, {}),
    ("final drive", {"field": "ratio", "allowed": ("4.10", "3.9")}, {"ratio": 4.11}, {"ratio": 3.9}),
    ("gearset", {"field": "ratio", "maximum": 3.5}, {"ratios": (3.6, 1.9)}, {"ratios": (3.5, 1.9)}),
]


@pytest.mark.parametrize(("slot", "rule", "outside", "inside"), RULES)
def test_class_rule(slot, rule, outside, inside):
    """A rule refuses by its own name and reason, just outside and not just inside."""
    kind = next(each.kind for each in stock_slots() if each.name == slot)
    ruled = make_class(rules=(Rule(name="rule 4.2", reason="keeps costs down", kind=kind, **rule),))
    found = legality(
        sold(kind, "OUT-7", **outside), sold(kind, "IN-7", **inside), event={"classes": (ruled,)}
    )

    refused = against(found, slot, "OUT-7")
    assert list(refused) == ["rule 4.2"]
    assert refused["rule 4.2"].startswith(f"OUT-7: keeps costs down ({rule['field']}")
    assert against(found, slot, "IN-7") == {}


def test_class_rule_looks_only_where_it_says():
    """One slot, one id; a blank number where a bound is set is refused."""
    ruled = make_class(
        rules=(
            Rule(name="no X in front", reason="r", slot="front tires", field="id", forbidden=("X",)),
            Rule(name="index", reason="r", kind="tire", field="load index", maximum=90.0),
        )
    )
    found = legality(sold("tire", "X"), sold("tire", "Y", load_index=None), event={"classes": (ruled,)})

    assert list(against(found, "front tires", "X")) == ["no X in front"]
    assert against(found, "rear tires", "X") == {}
    assert "load index not given" in against(found, "rear tires", "Y")["index"]


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        ({"field": "color", "allowed": ("red",)}, "is not a field of parts"),
        ({"field": "category", "minimum": 1.0}, "is not a number"),
        ({"field": "mass", "allowed": ("12",)}, "needs its unit"),
        ({"field": "ratio", "allowed": ("4.1 in",)}, "must be a plain number"),
        ({"field": "rim width", "allowed": ("wide",)}, "must be a number"),
    ],
)
def test_rule_that_cannot_be_read(rule, said):
    """A rule that would silently do nothing is a fault of the event file."""
    ruled = make_class(rules=(Rule(name="odd", reason="r", **rule),))

    with pytest.raises(ScenarioError, match=said):
        legality(event={"classes": (ruled,)})


def test_not_with():
    """By id or tag, from either side; a part does not exclude itself in another slot."""
    found = legality(
        sold("extra", "disc", slots=("a",), not_with=("steel",)),
        sold("wheel", "W-steel", tags=frozenset({"steel"})),
        sold("tire", "T-odd", tags=frozenset({"odd"}), not_with=("odd",)),
        extra_slots=[extra_slot("a")],
    )

    assert wrong(found, a="disc") == {}
    assert wrong(found, rear_wheels="W-steel") == {}
    text = "W-steel with disc: disc does not go with steel"
    assert wrong(found, a="disc", rear_wheels="W-steel") == {"not with": text}
    assert wrong(found, front_tires="T-odd", rear_tires="T-odd") == {}


def test_pair_rule():
    """A tag on one side and an id on the other, in either order of slots."""
    ruled = make_class(
        pairs=(PairRule(name="rule 7", reason="either, not both", first="turbo", second="G5"),)
    )
    found = legality(
        sold("engine", "E-t", tags=frozenset({"turbo"})),
        sold("gearset", "G5"),
        event={"classes": (ruled,)},
    )

    assert wrong(found, engine="E-t") == {}
    assert wrong(found, gearset="G5") == {}
    assert wrong(found, engine="E-t", gearset="G5") == {"rule 7": "E-t with G5: either, not both"}


def test_needs():
    """Met by an id or a tag in another slot, or by the car; a part whose need nothing meets is out."""
    chute = sold("extra", "chute", needs=("mount",), slots=("a",))
    mount = sold("extra", "M1", tags=frozenset({"mount"}), slots=("b",))
    slots = [extra_slot("a"), extra_slot("b")]
    found = legality(chute, mount, extra_slots=slots)

    assert wrong(found, a="chute", b="M1") == {}
    assert wrong(found, b="M1") == {}
    assert wrong(found, a="chute") == {"needs": "chute needs mount, which is missing"}
    assert list(against(legality(chute, extra_slots=slots), "a", "chute")) == ["needs"]
    assert wrong(legality(chute, extra_slots=slots, event={"carries": frozenset({"mount"})}), a="chute") == {}


def test_carry():
    """Some part must carry the tag, unless the car does; if none can, the rule is to blame, not the parts."""
    ruled = make_class(rules=(Rule(name="rule 9", reason="fire", carry="bottle"),))
    event = {"classes": (ruled,)}
    bottle = sold("extra", "B1", tags=frozenset({"bottle"}))
    slots = [extra_slot("a")]
    found = legality(bottle, extra_slots=slots, event=event)

    assert wrong(found, a="B1") == {}
    assert wrong(found) == {"rule 9": "fire (the build must carry bottle)"}
    assert wrong(legality(extra_slots=slots, event=event | {"carries": frozenset({"bottle"})})) == {}
    impossible = legality(event=event)
    assert list(wrong(impossible)) == ["rule 9"]
    assert not any(out.any() for out in impossible.forbidden)


def test_carry_in_one_slot():
    """A rule that names a slot is not met by the same tag elsewhere."""
    ruled = make_class(rules=(Rule(name="rule 9", reason="fire", slot="a", carry="bottle"),))
    found = legality(
        sold("extra", "B1", tags=frozenset({"bottle"})),
        extra_slots=[extra_slot("a"), extra_slot("b")],
        event={"classes": (ruled,)},
    )

    assert wrong(found, a="B1") == {}
    assert list(wrong(found, b="B1")) == ["rule 9"]


def test_limits():
    """Mass of the car, mass of tagged parts, number of tagged pieces: bounds included."""

    def with_limit(**limit):
        ruled = make_class(limits=(Limit(name="rule 3", reason="weight", **limit),))
        return legality(
            sold("extra", "B10", mass_kg=10.0, tags=frozenset({"ballast"}), slots=("a",)),
            sold("extra", "B11", mass_kg=11.0, tags=frozenset({"ballast"}), slots=("a", "b")),
            extra_slots=[extra_slot("a"), extra_slot("b", count=2)],
            event={"classes": (ruled,)},
        )

    least = with_limit(
        quantity="mass", minimum=870.0
    )  # the car weighs 860 kg: 1896 lb, 1918 lb with 10 kg more
    assert wrong(least, a="B10") == {}
    assert wrong(least) == {"rule 3": "weight (1,896 lb, at least 1,918 lb)"}
    most = with_limit(quantity="mass", maximum=870.0)
    assert wrong(most, a="B10") == {}
    assert list(wrong(most, a="B11")) == ["rule 3"]
    tagged = with_limit(quantity="mass", tag="ballast", maximum=32.0)  # two pieces in slot b
    assert wrong(tagged, a="B10", b="B11") == {}
    assert "70.55 lb ballast" in wrong(tagged, a="B11", b="B11")["rule 3"]
    pieces = with_limit(quantity="count", tag="ballast", maximum=2.0)
    assert wrong(pieces, b="B11") == {}
    assert wrong(pieces, a="B10", b="B11") == {"rule 3": "weight (3 ballast, at most 2 ballast)"}
    # 15 pieces on the car: three of the driveline, four each of tires, wheels, rotors.
    assert list(wrong(with_limit(quantity="count", minimum=16.0))) == ["rule 3"]
    assert wrong(with_limit(quantity="count", minimum=15.0)) == {}


def test_stock():
    """Two owned and a pair on offer make one set of four; a kit adds to it; no override lifts it."""
    pair = sold("tire", "T2", owned=2, stock=1, pack=2)
    one = sold("tire", "T1", stock=1)
    by_name = Override(check="stock", part="T1", reason="a friend has one", by="crew")
    found = legality(pair, one, event={"overrides": (by_name,)})

    assert wrong(found, front_tires="T2", rear_tires="T2") == {}
    assert against(found, "front tires", "T1") == {"stock": "T1: 1 to be had (0 owned, 1 on offer), 2 needed"}
    assert found.overrides_used == ()
    assert "never lifted" in found.notices[0]
    less = legality(make_tire("T2", owned=3))
    assert wrong(less, front_tires="T2") == {}
    assert list(wrong(less, front_tires="T2", rear_tires="T2")) == ["stock"]
    assert wrong(legality(one, kits=[make_kit("K1", 500_00, {"T1": 1})]), front_tires="T1") == {}
