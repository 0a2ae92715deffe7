"""The model against every build tried: best score, lowest price, fewest hours, all rules and purchases."""

import math
from dataclasses import replace

import numpy as np
import pytest

from optimizer.choice.legality import legality_of
from optimizer.choice.options import options_of
from optimizer.choice.price import PriceBook
from optimizer.errors import SolverError, UsageError
from optimizer.scenario.event import Limit, PairRule, Rule
from optimizer.search import selection_model, solver
from optimizer.search.selection_model import build_model, within_hours, without
from tests.choice.records import extra_slot, make_class, make_extra, make_kit, make_scenario
from tests.search.scenarios import every_build, legal_builds, random_ruled_scenario, scores_of, total

CASES = range(100)
RICH = (2, 4, 5, 9, 12, 14, 15, 16, 23, 24)
"""Some of them with at least six legal builds."""


def choice_of(scenario):
    options = options_of(scenario)
    return options, legality_of(options), PriceBook(options)


def two_slots(**event):
    """Slot S takes A (100 cents) or B (250), slot T takes C (70); 30 for the entry; all start empty."""
    parts = [
        make_extra("A", price_cents=100, slots=("S",), mass_kg=1.0),
        make_extra("B", price_cents=250, slots=("S",), mass_kg=2.0),
        make_extra("C", price_cents=70, slots=("T",), mass_kg=4.0),
    ]
    slots = [extra_slot("S", required=False), extra_slot("T", required=False)]
    return make_scenario(parts, slots=slots, event={"fixed_costs": (("entry", 30),)} | event)


def model_of(scenario, budget_cents=None, hours_limit=None, drop=frozenset()):
    options, legality, book = choice_of(scenario)
    return options, build_model(
        options, legality, book, budget_cents=budget_cents, hours_limit=hours_limit, drop=drop
    )


def parts_of(options, selection):
    return options.decode(selection.build)


@pytest.mark.parametrize("seed", CASES)
def test_answers_equal_those_of_trying_every_build(seed):
    """The cheapest, and the best of random scores with no budget, a middling and the lowest possible one."""
    options, legality, book = choice_of(random_ruled_scenario(seed))
    builds, cents = legal_builds(options, legality, book)
    scores = scores_of(options, seed)
    cheapest = build_model(options, legality, book, budget_cents=None, hours_limit=book.hours_limit).solve()

    assert cheapest.proven
    if not len(builds):
        assert cheapest.build is None
        return
    assert cheapest.objective == cents.min() == book.price(cheapest.build[None, :]).cents[0]
    for budget in (None, int(np.median(cents)), int(cents.min())):
        model = build_model(options, legality, book, budget_cents=budget, hours_limit=book.hours_limit)
        model.maximize(scores)
        best = model.solve()
        affordable = builds if budget is None else builds[cents <= budget]

        assert best.proven
        assert best.objective == pytest.approx(total(scores, affordable).max(), abs=1e-9)
        assert best.objective == pytest.approx(total(scores, best.build[None, :])[0], abs=1e-12)
    model = build_model(
        options, legality, book, budget_cents=int(cents.min()) - 1, hours_limit=book.hours_limit
    )

    assert model.solve().build is None


def test_the_random_scenarios_use_everything():
    """Otherwise the test above would say less than it seems to."""
    seen = {
        "legal": 0,
        "none legal": 0,
        "some over the hours": 0,
        "fit": 0,
        "fewer": 0,
        "w": 0,
        "pairs": 0,
        "rows": 0,
    }
    for seed in CASES:
        options, legality, book = choice_of(random_ruled_scenario(seed))
        builds, _ = legal_builds(options, legality, book)
        free = within_hours(book, math.inf)
        seen["legal" if len(builds) else "none legal"] += 1
        seen["some over the hours"] += len(legal_builds(options, legality, free)[0]) > len(builds)
        model = build_model(options, legality, book, budget_cents=None, hours_limit=None).pyomo
        for name in ("fit", "fewer", "w"):
            seen[name] += len(getattr(model, name)) > 0
        seen["pairs"] += len(model.forbidden_pairs) > 0
        seen["rows"] += len(model.named_rows) > 0

    assert min(seen.values()) >= 5, seen
    assert seen["legal"] > 60, seen


@pytest.mark.parametrize("seed", range(25))
def test_fewest_hours_equal_those_of_trying_every_build(seed):
    options, legality, book = choice_of(random_ruled_scenario(seed))
    builds = every_build(options)
    hours = within_hours(book, -1.0).price(builds).hours[legality.allowed(builds)]
    model = build_model(options, legality, book, budget_cents=None, hours_limit=None)
    model.minimize_hours()
    found = model.solve()

    assert found.proven
    assert (math.inf if found.build is None else found.objective) == pytest.approx(
        hours.min(initial=math.inf)
    )


@pytest.mark.parametrize("seed", RICH)
def test_one_model_answers_one_question_after_another(seed):
    """Fixing one part after another, other scores, a row, excluding builds: each as if asked afresh."""
    options, legality, book = choice_of(random_ruled_scenario(seed))
    builds, _ = legal_builds(options, legality, book)
    model = build_model(options, legality, book, budget_cents=None, hours_limit=book.hours_limit)
    scores = [scores_of(options, 100 * seed + k) for k in range(3)]
    for s in range(len(options.slots)):
        for o in np.unique(builds[:, s]):
            model.maximize(scores[0])
            model.fix(s, o)

            assert model.solve().objective == pytest.approx(total(scores[0], builds[builds[:, s] == o]).max())
        model.release(s)
    model.maximize(scores[1])
    upper = float(np.median(total(scores[2], builds)))
    model.add_row("a side condition", scores[2], upper)
    kept = builds[total(scores[2], builds) <= upper]

    assert model.solve().objective == pytest.approx(total(scores[1], kept).max())
    model.remove_row("a side condition")
    ranked = []
    for _ in range(6):
        found = model.solve()
        ranked.append(found.objective)
        model.exclude(found.build)

    assert ranked == pytest.approx(np.sort(total(scores[1], builds))[::-1][:6])
    model.readmit()

    assert model.solve().objective == pytest.approx(ranked[0])


def test_excluding_every_build_leaves_none():
    """Three options by two: six builds, and then nothing."""
    options, model = model_of(two_slots())
    for build in every_build(options):
        model.exclude(build)
    found = model.solve()

    assert (found.build, found.proven, found.text) == (None, True, "nothing satisfies all rows at once")


def test_budget_counts_to_the_cent():
    """B and C with the entry come to 350: at 349 only A and C are left, or B alone."""
    scores = [np.array([0.0, 1.0, 3.0]), np.array([0.0, 2.5])]
    for budget, best in ((350, {"S": "B", "T": "C"}), (349, {"S": "A", "T": "C"})):
        options, model = model_of(two_slots(), budget_cents=budget)
        model.maximize(scores)

        assert parts_of(options, model.solve()) == best


def test_a_large_budget_is_still_kept_to_the_cent():
    """Ten million and one cent against ten million."""
    parts = [make_extra(p, price_cents=c, slots=("S",)) for p, c in (("A", 10**9), ("B", 10**9 + 1))]
    scenario = make_scenario(parts, slots=[extra_slot("S", required=False)])
    options, model = model_of(scenario, budget_cents=10**9)
    model.maximize([np.array([0.0, 1.0, 2.0])])

    assert parts_of(options, model.solve()) == {"S": "A"}


@pytest.mark.parametrize("spread", [1e-9, 1e-3, 1e6])
def test_scores_of_any_size_are_told_apart(spread):
    """Differences of one millionth of the scores' spread decide, whatever the spread."""
    options, model = model_of(two_slots())
    model.maximize([spread * np.array([0.0, 1.0, 1.000001]), spread * np.array([1e5, 1e5 + 0.5])])
    found = model.solve()

    assert found.proven
    assert parts_of(options, found) == {"S": "B", "T": "C"}


@pytest.mark.parametrize("seed", RICH)
def test_tiny_scores_are_ranked_like_large_ones(seed):
    """A billionth of a unit: a thousandth of what the solver can tell apart by itself."""
    options, legality, book = choice_of(random_ruled_scenario(seed))
    builds, cents = legal_builds(options, legality, book)
    scores = scores_of(options, seed, 1e-9)
    budget = int(np.median(cents))
    model = build_model(options, legality, book, budget_cents=budget, hours_limit=book.hours_limit)
    model.maximize(scores)

    assert model.solve().objective == pytest.approx(
        total(scores, builds[cents <= budget]).max(), rel=1e-9, abs=0
    )


def test_impossible_slot_and_impossible_row_are_answers_and_not_errors():
    """A limit that not even an empty car keeps, and a rule that leaves nothing in a slot."""
    heavy = make_class(limits=(Limit(name="weight", reason="class", quantity="mass", maximum=10.0),))
    taken = make_class(pairs=(PairRule(name="pair", reason="class", first="A", second="C"),))
    for race_class in (heavy, taken):
        scenario = two_slots()
        slots = tuple(
            replace(slot, required=True, fitted="A" if slot.name == "S" else "C")
            for slot in scenario.car.slots
        )
        parts = {k: v for k, v in scenario.parts.items() if k != "B"}
        scenario = replace(
            scenario,
            car=replace(scenario.car, slots=slots),
            parts=parts,
            event=replace(scenario.event, classes={race_class.name: race_class}),
        )
        _, model = model_of(scenario)
        found = model.solve()

        assert (found.build, found.proven) == (None, True)


def test_a_build_over_a_row_by_less_than_the_solver_sees_is_not_an_answer():
    """Over the mass by a hundred-millionth of it: the solver lets it pass, the rules do not."""
    limit = Limit(name="weight", reason="class", quantity="mass", tag="weighed", maximum=2.0)
    parts = [
        make_extra(p, price_cents=1, slots=("S",), mass_kg=m, tags=frozenset({"weighed"}))
        for p, m in (("A", 2.0), ("B", 2.00000002))
    ]
    scenario = make_scenario(
        [*parts, make_extra("C", price_cents=1, slots=("T",), mass_kg=1e-8, tags=frozenset({"weighed"}))],
        slots=[extra_slot("S", required=False), extra_slot("T", required=False)],
        event={"classes": [make_class(limits=(limit,))]},
    )
    options, model = model_of(scenario)
    model.maximize([np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0])])
    found = model.solve()

    assert legality_of(options).allowed(found.build[None, :])[0]
    assert found.proven
    assert parts_of(options, found) == {"S": "A", "T": "none"}


def test_what_the_rules_refuse_raises_instead_of_becoming_an_answer(monkeypatch):
    """A solver that claims the dearest build is within the budget."""
    _, model = model_of(two_slots(), budget_cents=200)

    def claims(pyomo_model, **_):
        for (slot, part), x in pyomo_model.x.items():
            x.set_value(int((slot, part) in {("S", "B"), ("T", "C")}))
        return solver.Answer(True, True, 3.2, 3.2, "kOptimal", "the solver finished")

    monkeypatch.setattr(selection_model.solver, "solve", claims)

    with pytest.raises(SolverError, match="costs 350 cents of 200"):
        model.solve()


def test_an_illegal_pair_from_the_solver_raises(monkeypatch):
    """And says which rule it breaks."""
    ruled = make_class(pairs=(PairRule(name="one of them", reason="no room", first="A", second="C"),))
    _, model = model_of(two_slots(classes=[ruled]))

    def claims(pyomo_model, **_):
        for (slot, part), x in pyomo_model.x.items():
            x.set_value(int((slot, part) in {("S", "A"), ("T", "C")}))
        return solver.Answer(True, True, 1.7, 1.7, "kOptimal", "the solver finished")

    monkeypatch.setattr(selection_model.solver, "solve", claims)

    with pytest.raises(SolverError, match="one of them: A with C: no room"):
        model.solve()


def test_a_price_that_the_book_does_not_confirm_raises(monkeypatch):
    """A costs 100 and the entry 30; the solver says 0.70 for A."""
    _, model = model_of(two_slots())

    def claims(pyomo_model, **_):
        for (slot, part), x in pyomo_model.x.items():
            x.set_value(int((slot, part) in {("S", "A"), ("T", "none")}))
        return solver.Answer(True, True, 0.7, 0.7, "kOptimal", "the solver finished")

    monkeypatch.setattr(selection_model.solver, "solve", claims)

    with pytest.raises(SolverError, match="says 100 of a build that is 130"):
        model.solve()


def test_fixing_a_forbidden_part_says_why():
    """A rule on the mass of single parts."""
    ruled = make_class(rules=(Rule(name="light parts", reason="class", field="mass", maximum=3.0),))
    _, model = model_of(two_slots(classes=[ruled]))

    with pytest.raises(UsageError, match="C may not be in T: light parts"):
        model.fix(1, 1)


def test_choices_fixed_against_each_other_have_no_answer():
    ruled = make_class(pairs=(PairRule(name="one of them", reason="no room", first="A", second="C"),))
    _, model = model_of(two_slots(classes=[ruled]))
    model.fix(0, 1)
    model.fix(1, 1)
    found = model.solve()

    assert (found.build, found.proven) == (None, True)
    model.release()

    assert model.solve().objective == 30


def test_dropping_a_rule_makes_what_only_it_forbids_possible():
    """Without the pair rule A and C may be together; without the limit C may be chosen."""
    ruled = make_class(
        pairs=(PairRule(name="one of them", reason="no room", first="A", second="C"),),
        limits=(Limit(name="weight", reason="class", quantity="mass", maximum=862.0),),
    )
    options = options_of(two_slots(classes=[ruled]))
    legality = legality_of(options)
    heavy, both = options.encode({"T": "C"}), options.encode({"S": "A", "T": "C"})

    assert [
        bool(without(legality, frozenset(drop)).allowed(build[None, :])[0])
        for drop, build in (
            ((), heavy),
            (("weight",), heavy),
            (("weight",), both),
            (("one of them",), both),
            (("weight", "one of them"), both),
        )
    ] == [False, True, False, False, True]


def test_a_pair_that_two_rules_refuse_stays_refused_without_one_of_them():
    """Both have to go."""
    pairs = tuple(PairRule(name=name, reason="class", first="A", second="C") for name in ("one", "two"))
    options = options_of(two_slots(classes=[make_class(pairs=pairs)]))
    both = options.encode({"S": "A", "T": "C"})[None, :]
    legality = legality_of(options)
    drops = [(), ("one",), ("two",), ("one", "two")]

    assert [bool(without(legality, frozenset(drop)).allowed(both)[0]) for drop in drops] == [
        False,
        False,
        False,
        True,
    ]


def test_no_more_is_bought_than_is_on_offer():
    """Four pieces: one lot of two at 50, the other two at 100 each, though two lots would be cheaper."""
    scenario = make_scenario(
        [make_extra("A", price_cents=100)],
        slots=[extra_slot(name, count=2, required=False) for name in ("S", "T")],
        kits=[make_kit("K", 50, {"A": 2}, stock=1)],
    )
    _, model = model_of(scenario)
    model.fix(0, 1)
    model.fix(1, 1)

    assert model.solve().objective == 250


def test_dropping_stock_lets_parts_be_used_that_are_not_to_be_had():
    """One A on offer, two slots."""
    parts = [make_extra("A", price_cents=100, stock=1)]
    slots = [extra_slot("S", required=False), extra_slot("T", required=False)]
    scenario = make_scenario(parts, slots=slots)
    scores = [np.array([0.0, 1.0])] * 2
    for drop, number in ((frozenset(), 1), (frozenset({"stock"}), 2)):
        _, model = model_of(scenario, drop=drop)
        model.maximize(scores)

        assert model.solve().objective == number


def test_a_kit_bought_for_its_mounting_alone():
    """Two pieces owned, 400 to fit them; a kit of two for 300 comes mounted: cheaper, though not needed."""
    part = make_extra("A", price_cents=None, owned=2, fitting_cents=200, slots=("S",))
    scenario = make_scenario(
        [part],
        slots=[extra_slot("S", count=2, required=False)],
        kits=[make_kit("K", 300, {"A": 2}, fitting_included=True)],
    )
    _, model = model_of(scenario)
    model.fix(0, 1)

    assert model.solve().objective == 300


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"budget_cents": 100, "drop": frozenset({"stock"})}, "without stock nothing has a price"),
        ({"hours_limit": 1.0, "drop": frozenset({"stock"})}, "without stock nothing has a price"),
    ],
)
def test_limits_without_prices_are_refused(change, message):
    with pytest.raises(ValueError, match=message):
        model_of(two_slots(), **change)


def test_records_of_another_scenario_are_refused():
    _, legality, book = choice_of(two_slots())

    with pytest.raises(ValueError, match="must be those of the options"):
        build_model(options_of(two_slots()), legality, book, budget_cents=None, hours_limit=None)


def test_scores_must_be_finite_and_complete():
    _, model = model_of(two_slots())

    with pytest.raises(ValueError, match="finite score"):
        model.maximize([np.array([0.0, 1.0, -np.inf]), np.zeros(2)])
    with pytest.raises(ValueError, match="lengths"):
        model.maximize([np.zeros(3)])


def test_fewest_hours_are_not_asked_for_within_a_budget():
    _, model = model_of(two_slots(), budget_cents=100)

    with pytest.raises(ValueError, match="without a budget"):
        model.minimize_hours()
