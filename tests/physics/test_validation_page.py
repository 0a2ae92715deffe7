"""Every published value against the code that the product runs, and the page that shows it."""

import pytest

from tests import validation_page
from tests.physics.published import all_rows
from tests.physics.registry import FAMILIES, REGISTRY, relative_error

ROWS = all_rows()


def test_every_quantity_has_its_code():
    """No quantity of the tables without a function, no function without a row."""
    assert {row.quantity for row in ROWS} == set(REGISTRY)


def test_families_and_equals_exist():
    """A check that no table of the page would show, or that counts with nothing, is a slip."""
    assert {check.family for check in REGISTRY.values()} == set(FAMILIES)
    assert all(not REGISTRY[check.same_as].same_as for check in REGISTRY.values() if check.same_as)


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_published_value(row):
    """Within the tolerance of its row."""
    assert relative_error(row, REGISTRY[row.quantity].answer(row)) <= row.tolerance


def test_enough_is_checked():
    """At least 40 distinct formulas, tables and rules, from at least 15 sources with an author or a body."""
    distinct = {check.same_as or quantity for quantity, check in REGISTRY.items()}
    named = [work for work in validation_page.works_of(ROWS) if validation_page.NO_AUTHOR not in work]

    assert len(distinct) >= 40
    assert len(named) >= 15


def test_page_is_what_the_tables_give():
    """docs/validation.md as it would be written."""
    assert validation_page.PAGE.read_text(encoding="utf-8") == validation_page.page()


def test_check_sees_a_stale_page(tmp_path, monkeypatch):
    """Missing, written, changed."""
    monkeypatch.setattr(validation_page, "PAGE", tmp_path / "validation.md")

    assert validation_page.main(["--check"]) == 1
    assert validation_page.main([]) == 0
    assert validation_page.main(["--check"]) == 0
    validation_page.PAGE.write_text(validation_page.page().replace("0.3 %", "0.2 %"), encoding="utf-8")
    assert validation_page.main(["--check"]) == 1


def test_a_row_outside_its_tolerance_is_marked():
    """The page cannot hide a failure."""
    row = next(each for each in ROWS if each.quantity == "brake_torque")
    (line,) = validation_page.lines_of([type(row)(**(vars(row) | {"expected": 1.01 * row.expected}))])

    assert line.error == pytest.approx(0.01 / 1.01)
    assert "more than the tolerance" in validation_page._table([line])
