"""Every family of constraints as a few readable lines: a change of a formula shows as a changed file."""

import pytest

from optimizer.search import constraints
from tests.choice.records import extra_slot, make_extra
from tests.lp.cases import CASES, FOLDER, built, families, stored, written


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.__name__)
def test_model_is_the_stored_one(case):
    """Letter by letter; `regenerate` writes the files anew."""
    assert written(case) == stored(case).read_text(encoding="utf-8")


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.__name__)
def test_stored_model_has_a_row_of_its_family(case):
    """A case without a row of what it is about would show nothing."""
    model = case()

    assert len(getattr(model.pyomo, case.__name__)) > 0


def test_every_family_has_a_stored_model():
    """All that a model with every limit knows, and nothing else lies in the folder."""
    full = built([make_extra("A", slots=("S",))], [extra_slot("S")], budget_cents=1, hours_limit=1.0)
    names = {case.__name__ for case in CASES}

    assert set(families(full)) == names
    assert {family.__name__ for family in constraints.FAMILIES} < names
    assert {path.stem for path in FOLDER.glob("*.lp")} == names
