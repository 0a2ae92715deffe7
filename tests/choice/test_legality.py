"""The whole of what is legal: two ways of asking agree, overrides by name, names and words."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from optimizer.choice.legality import Legality, legality_of
from optimizer.choice.options import options_of
from optimizer.scenario.event import Limit, PairRule, Rule
from tests.choice.legality_records import EVEN_CAR, against, legality, overridden, sold, wrong
from tests.choice.records import extra_slot, make_class, make_hub, make_scenario, stock_slots
from tests.search.catalogs import random_catalog
from tests.test_second_reading import unsettled


def test_the_car_as_it_stands_is_legal():
    """Nothing is wrong with the sensible car, and it needs no override."""
    found = legality()

    assert wrong(found) == {}
    assert found.overrides_used == ()
    assert found.notices == ()


def test_pair_reasons_both_ways_round():
    """Slots may be named in either order, and a pair that fits has no reason."""
    found = legality(sold("wheel", "W7", rim_width_in=7.0))
    s, t = (found.options.position(name) for name in ("front tires", "front wheels"))

    assert found.pair_reasons(s, 0, t, 1) == found.pair_reasons(t, 1, s, 0)
    assert [reason.check for reason in found.pair_reasons(s, 0, t, 1)] == ["tire on rim width"]
    assert found.pair_reasons(s, 0, t, 0) == ()
    assert set(found.pairs) == {
        (s, t),
        (found.options.position("rear tires"), found.options.position("rear wheels")),
    }


@pytest.mark.parametrize("seed", range(3))
def test_tables_and_reasons_of_pairs_agree(seed):
    """A pair is forbidden where some table of a check says so, for the reasons of those checks and no others."""
    found = legality_of(options_of(unsettled(random_catalog(seed), seed)))
    refused = 0
    for s, t in itertools.combinations(range(len(found.options.slots)), 2):
        tables = list(found.pair_tables(s, t))
        for o, q in np.ndindex(found.options.sizes[s], found.options.sizes[t]):
            said = {reason.check for reason in found.pair_reasons(s, o, t, q)}
            assert said == {check for check, table in tables if table[o, q]}
            assert ((s, t) in found.pairs and found.pairs[s, t][o, q]) == bool(said)
            refused += bool(said)
    assert refused > 20


def test_slots_in_another_order():
    """With wheels before tires the same pairs do not fit, for the same reasons."""
    wheel = sold("wheel", "W7", rim_width_in=7.0)
    reasons = [
        wrong(legality(wheel, slots=slots), front_wheels="W7") for slots in (stock_slots(), stock_slots()[::-1])
    ]

    assert list(reasons[0]) == ["tire on rim width"]
    assert reasons[0] == reasons[1]


def test_one_refusal_may_use_two_overrides():
    """Both parts of a pair are named: either would do, and both are counted; a third, of a part that fits, is not."""
    overrides = tuple(overridden("tire on rim width", part) for part in ("W7", "T-stock", "W-stock"))
    found = legality(sold("wheel", "W7", rim_width_in=7.0), event={"overrides": overrides})

    assert wrong(found, front_wheels="W7") == {}
    assert found.overrides_used == overrides[:2]
    assert [notice.partition(" is ")[2] for notice in found.notices] == ["not needed: the check does not refuse it"]


def test_override_of_single_pair_and_row():
    """Each is lifted for the named part and for no other, and counted as used."""
    parts = [
        sold("wheel", "W7", rim_width_in=7.0),
        sold("wheel", "V7", rim_width_in=7.0),
        sold("tire", "T65", load_index=65),
        sold("tire", "S65", load_index=65),
        sold("wheel", "W-bare", load_rating_kg=None),
    ]
    overrides = (
        overridden("tire on rim width", "W7"),
        overridden("corner load", "T65"),
        overridden("wheel rating unknown", "W-bare"),
    )
    found = legality(*parts, car=EVEN_CAR, event={"overrides": overrides})

    assert wrong(found, front_wheels="W7") == {}
    assert list(wrong(found, front_wheels="V7")) == ["tire on rim width"]
    assert wrong(found, front_tires="T65") == {}
    assert list(wrong(found, front_tires="S65")) == ["corner load"]
    assert wrong(found, front_wheels="W-bare") == {}
    assert found.overrides_used == overrides
    assert found.notices == ()


def test_unknown_load_index_lifted():
    """With the unknown rating lifted by name there is no number to compare a corner with: it passes."""
    found = legality(
        sold("tire", "T-old", load_index=None),
        sold("tire", "T65", load_index=65),
        sold("extra", "lead", mass_kg=400.0, position_m=0.0),
        extra_slots=[extra_slot("ballast")],
        car=EVEN_CAR | {"front": make_hub(heaviest_corner_share=0.5, tire_pressure_pa=250e3)},
        event={"overrides": (overridden("tire rating unknown", "T-old"),)},
    )

    corner = next(row for row in found.rows if row.name == "corner load: front tires")
    build = found.options.encode({"front tires": "T-old", "ballast": "lead"})
    assert corner.holds(build[None, :])[0]
    assert not corner.holds(found.options.encode({"front tires": "T65"})[None, :])[0]


@pytest.mark.parametrize(
    ("override", "said"),
    [
        (overridden("tire speed", "T-stock"), "this check is never lifted"),
        (overridden("tyre age", "T-stock"), "it names no check"),
        (overridden("tire age", "T-none"), "no sheet has a part of this id"),
        (overridden("tire age", "T-stock"), "the check does not refuse it"),
    ],
)
def test_override_that_does_nothing(override, said):
    """Said aloud, never silently dropped."""
    found = legality(event={"overrides": (override,)})

    assert found.overrides_used == ()
    (notice,) = found.notices
    assert said in notice
    assert override.part in notice


def test_override_lifts_no_class_rule():
    """Rules of the class are the organizer's: naming one is not one of the checks."""
    ruled = make_class(rules=(Rule(name="rule 1", reason="r", field="id", forbidden=("X",)),))
    event = {"classes": (ruled,), "overrides": (overridden("rule 1", "X"),)}

    found = legality(sold("tire", "X"), event=event)

    assert list(against(found, "front tires", "X")) == ["rule 1"]
    assert "it is a rule of the class" in found.notices[0]


def busy_legality() -> Legality:
    """A catalog in which every kind of refusal occurs."""
    ruled = make_class(
        rules=(
            Rule(name="ratio", reason="r", kind="final drive", field="ratio", maximum=4.3),
            Rule(name="fire", reason="r", carry="bottle"),
        ),
        pairs=(PairRule(name="apart", reason="r", first="hot", second="short"),),
        limits=(Limit(name="light", reason="r", quantity="mass", maximum=875.0),),
    )
    return legality(
        sold("tire", "T60", load_index=60),
        sold("tire", "T61", load_index=61, mass_kg=9.5),
        sold("tire", "T-single", stock=1),
        sold("tire", "T64", load_index=64, stock=3),
        sold("tire", "T-max", max_pressure_pa=310e3),
        sold("wheel", "W7", rim_width_in=7.0),
        sold("wheel", "W-small", brake_clearance_m=0.300),
        sold("engine", "E-hot", tags=frozenset({"hot"})),
        sold("final drive", "F-short", ratio=4.25, tags=frozenset({"short"})),
        sold("final drive", "F-shorter", ratio=4.5),
        sold("extra", "P+20", pressure_pa=20e3, slots=("a",)),
        sold("extra", "P-90", pressure_pa=-90e3, slots=("a",)),
        sold("extra", "B1", tags=frozenset({"bottle"}), needs=("bracket",), slots=("b",)),
        sold("extra", "B2", tags=frozenset({"bottle"}), mass_kg=16.0, slots=("b",)),
        sold("extra", "M1", tags=frozenset({"bracket"}), slots=("c",), front_ride_height_m=-0.05),
        sold("extra", "L1", front_ride_height_m=-0.03, pressure_pa=5e3, slots=("d",)),
        drive="all",
        extra_slots=[extra_slot(name) for name in "abcd"],
        event={"classes": (ruled,)},
    )


def test_many_builds_at_once_are_judged_as_one_by_one():
    """`allowed` is true just where `violations` finds nothing; all kinds of reason occur."""
    found = busy_legality()
    rng = np.random.default_rng(7)
    builds = np.column_stack([rng.integers(0, m, 4000) for m in found.options.sizes])
    builds[::2, :9] = np.where(rng.random((2000, 9)) < 0.8, 0, builds[::2, :9])

    reasons = [found.violations(build) for build in builds]

    np.testing.assert_array_equal(found.allowed(builds), [not each for each in reasons])
    assert 50 < sum(not each for each in reasons) < 3950
    assert {reason.check for each in reasons for reason in each} >= {
        "corner load",
        "tire on rim width",
        "brake clearance",
        "tire pressure",
        "ratio",
        "fire",
        "apart",
        "light",
        "needs",
        "stock",
    }


def test_a_part_out_in_every_build_is_out_by_enumeration():
    """Forbidding by rows alone removes nothing legal: no build that keeps all rows has such a part."""
    found = busy_legality()
    rng = np.random.default_rng(11)
    builds = np.column_stack([rng.integers(0, m, 20000) for m in found.options.sizes])
    by_rows = [
        (s, o)
        for (s, o), reasons in found.part_reasons.items()
        if {each.check for each in reasons} & {"corner load", "stock"}
    ]

    keeps_rows = np.logical_and.reduce([row.holds(builds) for row in found.rows])

    assert keeps_rows.any()
    assert len(by_rows) >= 3
    for s, o in by_rows:
        assert not (keeps_rows & (builds[:, s] == o)).any()


def test_row_names_are_unique_and_reasons_name_their_check():
    """Names become names of constraints."""
    rows = busy_legality().rows

    assert len({row.name for row in rows}) == len(rows)
    assert all(row.reason.check and row.reason.text for row in rows)


def test_another_class_may_be_asked():
    """The class given stands in for the scenario's own."""
    strict = make_class("strict", rules=(Rule(name="no X", reason="r", field="id", forbidden=("X",)),))
    options = options_of(make_scenario([sold("tire", "X")]))

    assert not any(out.any() for out in legality_of(options).forbidden)
    assert [out.any() for out in legality_of(options, strict).forbidden].count(True) == 2


def test_metric_words():
    """An event in km/h speaks kilograms, millimeters and bar."""
    found = legality(sold("tire", "T65", load_index=65), car=EVEN_CAR, event={"speed_unit": "km/h"})

    assert "would carry 300 kg" in against(found, "front tires", "T65")["corner load"]
    assert "good for 290 kg at 2.5 bar" in against(found, "front tires", "T65")["corner load"]
