"""One small scenario for each family of constraints, small enough to check its stored model by hand."""

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pyomo.environ as pyo

from optimizer.choice.legality import legality_of
from optimizer.choice.options import options_of
from optimizer.choice.price import PriceBook
from optimizer.scenario.car import Job
from optimizer.scenario.event import Limit, PairRule
from optimizer.search.selection_model import build_model
from tests.choice.records import extra_slot, make_class, make_extra, make_kit, make_scenario

FOLDER = Path(__file__).parent


def built(parts, slots, *, budget_cents=None, hours_limit=None, **scenario):
    options = options_of(make_scenario(parts, slots=slots, **scenario))
    return build_model(
        options, legality_of(options), PriceBook(options), budget_cents=budget_cents, hours_limit=hours_limit
    )


def must(name, fitted, **changes):
    return extra_slot(name, required=True, fitted=fitted, **changes)


def one_part_per_slot():
    """Slot S may stay empty or take A or B; slot T must hold a C, of which there are two kinds."""
    parts = [
        make_extra(p, price_cents=100, slots=(s,))
        for p, s in (("A", "S"), ("B", "S"), ("C1", "T"), ("C2", "T"))
    ]
    model = built(parts, [extra_slot("S"), must("T", "C1")])
    model.maximize([np.array([0.0, 5.0, 10.0]), np.array([1.0, 2.0])])
    return model


def forbidden_pairs():
    """B1 and B2 go with neither D1 nor D2: one row for the four pairs; A goes with everything."""
    parts = [make_extra("A", price_cents=100, slots=("S",)), make_extra("C", price_cents=100, slots=("T",))]
    parts += [make_extra(f"B{i}", price_cents=100, slots=("S",), tags=frozenset({"wide"})) for i in (1, 2)]
    parts += [make_extra(f"D{i}", price_cents=100, slots=("T",), tags=frozenset({"large"})) for i in (1, 2)]
    ruled = make_class(
        pairs=(PairRule(name="no room", reason="wide beside large", first="wide", second="large"),)
    )
    model = built(parts, [must("S", "A"), must("T", "C")], event={"classes": [ruled]})
    model.maximize([np.array([0.0, 10.0, 5.0]), np.array([0.0, 10.0, 5.0])])
    return model


def named_rows():
    """Weighed parts of 40 kg and 25 kg twice within 70 kg: numbers divided by 10."""
    weighed = frozenset({"weighed"})
    parts = [make_extra("A", price_cents=100, slots=("S",), mass_kg=40.0, tags=weighed)]
    parts += [make_extra("B", price_cents=100, slots=("T",), mass_kg=25.0, tags=weighed)]
    limit = Limit(name="weight", reason="class", quantity="mass", tag="weighed", maximum=70.0)
    model = built(
        parts, [extra_slot("S"), extra_slot("T", count=2)], event={"classes": [make_class(limits=(limit,))]}
    )
    model.maximize([np.array([0.0, 10.0]), np.array([0.0, 5.0])])
    return model


def pieces_bought():
    """P in S (one) and T (two), one owned; pairs at 120.00, three on offer, or one kit of three at 150.00."""
    part = make_extra("P", price_cents=12000, pack=2, stock=3, owned=1)
    kit = make_kit("lot", 15000, {"P": 3})
    return built([part], [extra_slot("S"), extra_slot("T", count=2)], kits=[kit])


def fitting_paid():
    """Two pieces in T at 20.00 each to fit; the kit brings two mounted; U is fitted by the piece, always."""
    parts = [
        make_extra("P", price_cents=10000, fitting_cents=2000, slots=("T",)),
        make_extra("Q", price_cents=5000, fitting_cents=700, slots=("U",)),
    ]
    kit = make_kit("mounted pair", 21000, {"P": 2}, fitting_included=True)
    return built(parts, [extra_slot("T", count=2), extra_slot("U")], kits=[kit])


def work_done():
    """The gearbox comes out once, at 300.00, for a change of S and for B or C in T; A stays for nothing."""
    parts = [make_extra(p, price_cents=10000, owned=1, slots=("S",)) for p in ("A", "A2")]
    parts += [make_extra(p, price_cents=10000, slots=("T",), work=("gearbox out",)) for p in ("B", "C")]
    slots = [must("S", "A", work=("gearbox out",)), extra_slot("T")]
    return built(parts, slots, jobs=[Job(name="gearbox out", cost_cents=30000, hours=6.0)])


def resale():
    """One P is fitted, in S; it also goes into U (two), so that up to three may be used. Q is only for T."""
    parts = [
        make_extra("P", price_cents=10000, resale_cents=4000, slots=("S", "U")),
        make_extra("Q", price_cents=10000, resale_cents=2500, slots=("T",)),
    ]
    slots = [extra_slot("S", fitted="P"), extra_slot("T", fitted="Q"), extra_slot("U", count=2)]
    return built(parts, slots)


def budget():
    """A budget of 250.00 less 30.00 for the entry, plus half a cent."""
    parts = [
        make_extra("A", price_cents=10000, slots=("S",)),
        make_extra("B", price_cents=25000, slots=("S",)),
    ]
    return built(parts, [extra_slot("S")], budget_cents=25000, event={"fixed_costs": (("entry", 3000),)})


def own_hours():
    """Six hours for the gearbox, half an hour for each of two pieces of B; seven and a half to spend."""
    parts = [
        make_extra("A", price_cents=100, slots=("S",), work=("gearbox out",)),
        make_extra("B", price_cents=100, slots=("T",), fitting_hours=0.5),
    ]
    model = built(
        parts,
        [extra_slot("S"), extra_slot("T", count=2)],
        jobs=[Job(name="gearbox out", cost_cents=0, hours=6.0)],
        hours_limit=7.5,
    )
    model.minimize_hours()
    return model


def added_rows():
    """A row asked for from outside: 300 A + 200 B <= 400, divided by 100."""
    parts = [make_extra("A", price_cents=100, slots=("S",)), make_extra("B", price_cents=100, slots=("T",))]
    model = built(parts, [extra_slot("S"), extra_slot("T")])
    model.add_row("not both", [np.array([0.0, 300.0]), np.array([0.0, 200.0])], 400.0)
    return model


def excluded_builds():
    """A with B is not to be found again."""
    parts = [make_extra("A", price_cents=100, slots=("S",)), make_extra("B", price_cents=100, slots=("T",))]
    model = built(parts, [extra_slot("S"), extra_slot("T")])
    model.exclude(np.array([1, 1]))
    return model


CASES = (
    one_part_per_slot,
    forbidden_pairs,
    named_rows,
    pieces_bought,
    fitting_paid,
    work_done,
    resale,
    budget,
    own_hours,
    added_rows,
    excluded_builds,
)


def families(model):
    """Names of all families of constraints that a model knows, with or without a row."""
    return [component.local_name for component in model.pyomo.component_objects(pyo.Constraint)]


def written(case):
    """Text of a case's model with only its own family in it, names as in the model, always in one order."""
    model = case()
    for component in model.pyomo.component_objects(pyo.Constraint):
        if component.local_name != case.__name__:
            component.deactivate()
    with TemporaryDirectory() as folder:
        path = Path(folder) / "model.lp"
        model.pyomo.write(str(path), io_options={"symbolic_solver_labels": True})
        text = path.read_text(encoding="utf-8")
    # The first line names the writer, and not the model.
    return f"\\ {' '.join(case.__doc__.split())}\n" + text.split("\n", 1)[1]


def stored(case):
    """File in which the text of a case is kept."""
    return FOLDER / f"{case.__name__}.lp"
