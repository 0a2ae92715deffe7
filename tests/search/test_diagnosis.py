"""Why no build is legal: the exact price, the fewest hours, or exactly the rules that exclude each other."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from optimizer.choice.legality import legality_of
from optimizer.choice.options import options_of
from optimizer.errors import SolverError
from optimizer.scenario.car import Job
from optimizer.scenario.event import Limit, PairRule, Rule
from optimizer.search import solver
from optimizer.search.diagnosis import explain_no_legal_build, rule_names
from optimizer.search.selection_model import build_model, without
from tests.choice.records import extra_slot, make_class, make_extra, make_scenario
from tests.search.scenarios import every_build, legal_builds, random_ruled_scenario
from tests.search.test_selection_model import choice_of

REQUIRED = {"required": True}


def explained(scenario, **asked):
    return explain_no_legal_build(*choice_of(scenario), **asked)


def gearbox(**event):
    """Slot S must change from A, which a rule forbids, to B at 100.00 or C at 90.00 and eight hours."""
    parts = [
        make_extra("A", slots=("S",), owned=1, category="old"),
        make_extra("B", slots=("S",), price_cents=10000, fitting_hours=5.0),
        make_extra("C", slots=("S",), price_cents=9000, work=("gearbox out",)),
    ]
    ruled = make_class(
        rules=(Rule(name="nothing old", reason="class", field="category", forbidden=("old",)),)
    )
    return make_scenario(
        parts,
        slots=[extra_slot("S", fitted="A", **REQUIRED), extra_slot("T")],
        jobs=[Job(name="gearbox out", hours=8.0)],
        event={"classes": [ruled], "fixed_costs": (("entry", 3050),)} | event,
    )


def test_a_budget_one_cent_too_low_names_the_exact_price():
    """90.00 for C and 30.50 for the entry."""
    found = explained(gearbox(budget_cents=12049))

    assert found.reasons == ("budget",)
    assert found.cheapest_cents == 12050
    assert found.text == (
        "No legal build costs $120.49 or less: the cheapest that meets every rule before a run costs $120.50 (S C)."
    )


def test_a_budget_that_is_just_enough_is_no_reason():
    found = explained(gearbox(budget_cents=12050))

    assert found.reasons == ()
    assert found.text == "There is a legal build: S C."


def test_the_budget_asked_for_stands_in_for_the_event_s():
    assert explained(gearbox(), budget_cents=12000).reasons == ("budget",)
    assert explained(gearbox(budget_cents=12000), budget_cents=float("inf")).reasons == ()


def test_parts_that_find_no_slot_together_are_named():
    """Slot S takes one part and two are asked for; no rule has anything against them."""
    parts = [make_extra(each, slots=("S",)) for each in ("A", "B", "C")]
    found = explained(make_scenario(parts, slots=[extra_slot("S", fitted="A")]), with_parts=("B", "C"))

    assert found.reasons == ()
    assert found.text == "No build with B and C is possible: there are not slots enough for all of them."


def test_hours_decide_which_build_is_the_cheapest():
    """C takes eight hours of seven: B is then the cheapest, at 100.00."""
    found = explained(gearbox(budget_cents=12050, hours_limit=7.0))

    assert (found.reasons, found.cheapest_cents) == (("budget",), 13050)


def test_too_few_own_hours_name_the_quickest_build():
    """B takes five."""
    found = explained(gearbox(hours_limit=4.5, budget_cents=100))

    assert found.reasons == ("own hours",)
    assert found.cheapest_cents is None
    assert found.text == "No legal build takes 4.5 own hours or less: the quickest takes 5 (S B)."


def test_checks_that_need_a_run_are_the_reason_only_where_nothing_else_is():
    failed = ("tire speed", "stopping distance", "tire speed")
    found = explained(gearbox(), failed_in_run=failed)

    assert found.reasons == ("tire speed", "stopping distance")
    assert found.text == (
        "Every build that the rules and the money allow fails at speed: tire speed, stopping distance."
    )
    assert explained(gearbox(budget_cents=1), failed_in_run=failed).reasons == ("budget",)


def contrary(**changes):
    """At least one red part (A in S, or B in T); A is too heavy, B does not go with the others of S; more."""
    values = {
        "limits": (
            Limit(name="one red part", reason="class", quantity="count", tag="red", minimum=1.0),
            Limit(name="few blue parts", reason="class", quantity="count", tag="blue", maximum=1.0),
        ),
        "rules": (
            Rule(name="light parts", reason="class", field="mass", maximum=10.0),
            Rule(name="nothing old", reason="class", field="category", forbidden=("old",)),
        ),
        "pairs": (
            PairRule(name="no room", reason="too wide", first="B", second="wide"),
            PairRule(name="another", reason="harmless", first="C", second="D"),
        ),
    }
    red, wide, blue = frozenset({"red"}), frozenset({"wide"}), frozenset({"blue"})
    parts = [
        make_extra("A", slots=("S",), mass_kg=20.0, price_cents=100, tags=red),
        make_extra("C", slots=("S",), price_cents=100, tags=wide | blue),
        make_extra("E", slots=("S",), price_cents=100, tags=wide, owned=1),
        make_extra("B", slots=("T",), price_cents=100, tags=red),
        make_extra("D", slots=("T",), price_cents=100, tags=blue, category="old"),
    ]
    slots = [extra_slot("S", fitted="E", **REQUIRED), extra_slot("T")]
    return make_scenario(parts, slots=slots, event={"classes": [make_class(**(values | changes))]})


def test_rules_that_exclude_each_other_are_named_and_no_others():
    """Of six rules three are to blame; with any one of them left out there is a legal build."""
    scenario = contrary()
    found = explained(scenario)

    assert set(found.reasons) == {"one red part", "light parts", "no room"}
    assert set(rule_names(legality_of(options_of(scenario)))) >= {*found.reasons, "another", "nothing old"}
    assert found.text.startswith(f"No build meets these rules at once: {', '.join(found.reasons)}.\n")
    assert "\nno room: E with B: too wide; C with B: too wide.\n" in found.text
    assert found.text.endswith("\nlight parts: S: A: class (mass 20 kg; at most 10 kg).")


@pytest.mark.parametrize(
    "change",
    [
        {"limits": ()},
        {"rules": ()},
        {"pairs": ()},
    ],
)
def test_without_any_of_those_rules_there_is_a_legal_build(change):
    """Leaving out a kind of rule leaves out one of the three."""
    assert explained(contrary(**change)).reasons == ()


def test_one_rule_alone_is_said_once_for_all_slots():
    """Old parts in two slots: the rule, the slots and the reason stand in the text once each."""
    parts = [make_extra("A", slots=("S", "T"), owned=2, category="old")]
    ruled = make_class(rules=(Rule(name="nothing old", reason="class", field="category", forbidden=("old",)),))
    slots = [extra_slot(each, fitted="A", **REQUIRED) for each in ("S", "T")]
    found = explained(make_scenario(parts, slots=slots, event={"classes": [ruled]}))

    assert found.reasons == ("nothing old",)
    first = found.text.splitlines()[0]
    assert first == "No build meets this rule. nothing old: S and T: A: class (category old is forbidden)."


def test_a_slot_without_any_option_is_named():
    """The fitted part is old, the others are too heavy."""
    parts = [
        make_extra("A", slots=("S",), owned=1, category="old"),
        make_extra("B", slots=("S",), price_cents=1, mass_kg=20.0),
        make_extra("C", slots=("S",), price_cents=1, mass_kg=30.0, category="old"),
    ]
    rules = (
        Rule(name="light parts", reason="class", field="mass", maximum=10.0),
        Rule(name="nothing old", reason="class", field="category", forbidden=("old",)),
    )
    scenario = make_scenario(
        parts,
        slots=[extra_slot("S", fitted="A", **REQUIRED), extra_slot("T")],
        event={"classes": [make_class(rules=rules)]},
    )
    found = explained(scenario)

    assert set(found.reasons) == {"light parts", "nothing old"}
    assert found.text.endswith("\nS: none of 3 options is left (light parts 2, nothing old 2).")


def test_a_row_that_no_build_keeps_is_the_only_reason():
    """Not one part is at fault, the car is too heavy for the class."""
    limit = Limit(name="weight", reason="class limit", quantity="mass", maximum=500.0)
    scenario = make_scenario(
        [make_extra("A", slots=("S",))],
        slots=[extra_slot("S")],
        event={"classes": [make_class(limits=(limit,))]},
    )

    assert explained(scenario).reasons == ("weight",)


def test_a_part_refused_by_a_row_may_be_chosen_where_another_rule_is_dropped():
    """B is too heavy beside E, the only part of T that is not old; A and D have no room beside either.

    That B is too heavy in every build holds only while C, which is light, is refused for its age.
    """
    thin, wide = frozenset({"thin"}), frozenset({"wide"})
    parts = [
        make_extra("A", slots=("S",), owned=1, mass_kg=0.0, category="old", tags=thin),
        make_extra("B", slots=("S",), price_cents=1, mass_kg=4.0),
        make_extra("D", slots=("S",), price_cents=1, mass_kg=0.0, tags=thin),
        make_extra("E", slots=("T",), owned=1, mass_kg=8.0, tags=wide),
        make_extra("C", slots=("T",), price_cents=1, mass_kg=1.0, tags=wide, category="old"),
    ]
    ruled = make_class(
        rules=(Rule(name="nothing old", reason="class", field="category", forbidden=("old",)),),
        pairs=(PairRule(name="no room", reason="class", first="thin", second="wide"),),
        limits=(Limit(name="weight", reason="class", quantity="mass", maximum=860.0),),
    )
    slots = [extra_slot("S", fitted="A", **REQUIRED), extra_slot("T", fitted="E", **REQUIRED)]
    scenario = make_scenario(parts, slots=slots, event={"classes": [ruled]})

    assert legality_of(options_of(scenario)).settled_by_rows
    assert set(explained(scenario).reasons) == {"nothing old", "no room", "weight"}


def test_parts_that_cannot_be_had_are_a_reason():
    """Two slots that must change to P, of which one is on offer."""
    parts = [
        make_extra("A", owned=2, category="old"),
        make_extra("P", price_cents=100, stock=1),
    ]
    rules = (Rule(name="nothing old", reason="class", field="category", forbidden=("old",)),)
    slots = [extra_slot("S", fitted="A", **REQUIRED), extra_slot("T", fitted="A", **REQUIRED)]
    found = explained(make_scenario(parts, slots=slots, event={"classes": [make_class(rules=rules)]}))

    assert set(found.reasons) == {"stock", "nothing old"}
    assert "stock: P: 1 to be had" in found.text


def test_random_reasons_are_sufficient_and_none_can_be_spared():
    """Judged by trying every build: with these rules alone none is left, without any one of them some are."""
    judged = 0
    for seed in range(100):
        scenario = random_ruled_scenario(seed)
        scenario = replace(scenario, event=replace(scenario.event, hours_limit=None))
        options, legality, book = choice_of(scenario)
        names = rule_names(legality)
        if len(legal_builds(options, legality, book)[0]):
            continue
        judged += 1
        found = explain_no_legal_build(options, legality, book)
        builds = every_build(options)
        buyable = book.price(builds).available

        def left(kept, legality=legality, builds=builds, buyable=buyable, names=names):
            fine = without(legality, frozenset(names) - set(kept)).allowed(builds)
            return (fine & (buyable | ("stock" not in kept))).any()

        assert not left(found.reasons)
        for shorter in itertools.combinations(found.reasons, len(found.reasons) - 1):
            assert left(shorter)
    assert judged >= 5


def test_what_was_not_settled_is_not_explained(monkeypatch):
    """A solver whose time is up proves nothing about the rules."""
    unfinished = solver.Answer(False, False, np.nan, np.inf, "kTimeLimit", "the time was up")
    monkeypatch.setattr(solver, "solve", lambda *_, **__: unfinished)

    with pytest.raises(SolverError, match="could not be settled: the time was up"):
        explained(gearbox())


def test_dropping_all_rules_leaves_every_build():
    """What the filter relies on to find anything at all."""
    options, legality, book = choice_of(contrary())
    everything = frozenset(rule_names(legality))

    assert without(legality, everything).allowed(every_build(options)).all()
    model = build_model(options, legality, book, budget_cents=None, hours_limit=None, drop=everything)

    assert len(model.pyomo.x) == sum(options.sizes)
