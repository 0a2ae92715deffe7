"""Parts that are asked for, and parts that are not wanted."""

import pytest

from optimizer.choice.legality import legality_of
from optimizer.choice.options import options_of
from optimizer.choice.wishes import build_with, places_of, refuse_crowded, with_wishes
from optimizer.errors import UsageError
from tests.choice.records import make_kit, make_scenario, make_tire

OPTIONS = options_of(make_scenario((make_tire("T-b"), make_tire("T-c"))))


def test_a_part_cannot_be_both_wanted_and_not():
    legality = legality_of(OPTIONS)
    assert with_wishes(legality, ("T-b",), ("T-c",)) is not legality
    with pytest.raises(UsageError, match="T-b cannot be asked for both with and without"):
        with_wishes(legality, ("T-b",), ("T-c", "T-b"))


def test_an_id_in_the_other_case_is_the_nearest():
    with pytest.raises(UsageError, match="no part is called 't-B'; nearest: T-b"):
        places_of(OPTIONS, "t-B")


NAMES = {"T-b": "Light 14", "T-c": "long", "T-d": "long"}
NAMED = options_of(make_scenario(make_tire(id_, name=name) for id_, name in NAMES.items()))


@pytest.mark.parametrize(
    ("named", "says"),
    [
        ("light  14", "'light  14' is the name of T-b: ask for T-b"),
        ("front tires=Light 14", "'Light 14' is the name of T-b: ask for front tires=T-b"),
        ("long", "'long' is the name of T-c, T-d: ask for one of them by its id"),
        ("front wheels=long", "no part is called 'long' in front wheels; ids are in the first column of the sheets"),
        ("lone", "no part is called 'lone'; ids are in the first column of the sheets"),
    ],
)
def test_the_name_of_a_part_is_told_its_id(named, says):
    """The empty choice, none, is near no part that was asked for."""
    with pytest.raises(UsageError) as refused:
        places_of(NAMED, named)
    assert str(refused.value) == says


@pytest.mark.parametrize("named", ["K-b", "front tires=K-b", "k-B", "The kit"])
def test_a_kit_is_no_part_and_its_parts_are_named(named):
    kit = make_kit("K-b", 100, {"T-b": 2, "T-c": 2}, name="the kit")
    options = options_of(make_scenario((make_tire("T-b"), make_tire("T-c")), kits=[kit]))

    with pytest.raises(UsageError, match=r"K-b is a kit \(T-b x2, T-c x2\), not a part: ask for T-b or T-c\. "):
        places_of(options, named)


def test_a_slot_takes_one_of_the_parts_put_in():
    """Named for the slot goes before named for any; two for one slot are one too many."""
    slots = [slot.name for s, slot in enumerate(OPTIONS.slots) if any(part.id == "T-b" for part in OPTIONS.parts[s])]
    first = slots[0]
    assert len(slots) > 1

    everywhere = build_with(OPTIONS, ("T-b", "T-b"))
    both = [build_with(OPTIONS, each) for each in (("T-b", f"{first}=T-c"), (f"{first}=T-c", "T-b"))]
    assert everywhere == dict.fromkeys(slots, "T-b")
    assert both[0] == both[1] == {**everywhere, first: "T-c"}
    with pytest.raises(UsageError, match=f"T-b and T-c both go into {first}, which takes one of them"):
        build_with(OPTIONS, ("T-b", "T-c"))
    with pytest.raises(UsageError, match=f"{first}=T-c and {first}=T-b both go into {first}"):
        build_with(OPTIONS, (f"{first}=T-c", f"{first}=T-b"))


def test_two_parts_asked_for_in_a_slot_are_refused():
    """Tires go on two axles, so two of them find room; a slot named by both, or one alone for both, takes one."""
    slots = [slot.name for s, slot in enumerate(OPTIONS.slots) if any(part.id == "T-b" for part in OPTIONS.parts[s])]
    refuse_crowded(OPTIONS, ("T-b", "T-c"))
    refuse_crowded(OPTIONS, (f"{slots[0]}=T-b", "T-c", f"{slots[0]}=T-b"))
    with pytest.raises(UsageError, match=f"{slots[0]}=T-b and {slots[0]}=T-c both go into {slots[0]}, which takes one"):
        refuse_crowded(OPTIONS, (f"{slots[0]}=T-b", "T-c", f"{slots[0]}=T-c"))
