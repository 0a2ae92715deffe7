"""Tires against the open standards, and estimates against what was measured."""

import numpy as np
import pytest

from optimizer.physics import tires
from tests.physics.published import rows


@pytest.mark.parametrize("row", rows("tires.csv", "load_capacity_kg"), ids=str)
def test_load_capacity(row):
    """The standard's table, entry by entry."""
    assert tires.load_capacity_kg(int(row.number("load_index"))) == row.expected


def test_load_index_table_has_nothing_else():
    """As many entries as were checked."""
    assert len(tires.LOAD_INDEX_KG) == len(rows("tires.csv", "load_capacity_kg"))


@pytest.mark.parametrize("index", [59, 121, 0])
def test_unknown_load_index_is_refused(index):
    """Outside the table nothing is guessed."""
    with pytest.raises(ValueError, match=f"load index must be 60 to 120, got {index}"):
        tires.load_capacity_kg(index)


@pytest.mark.parametrize("row", rows("tires.csv", "speed_symbol_kmh"), ids=str)
def test_speed_symbols(row):
    """The standard's speeds."""
    assert tires.SPEED_SYMBOL_MS[str(row.inputs["symbol"])] * 3.6 == pytest.approx(row.expected, rel=1e-12)


def test_speed_symbols_rise_in_the_standards_order():
    """H stands after U: the one letter out of alphabetical order."""
    assert "".join(sorted(tires.SPEED_SYMBOL_MS, key=tires.SPEED_SYMBOL_MS.__getitem__)) == "LMNPQRSTUHVWY"


@pytest.mark.parametrize("row", rows("tires.csv", "load_share_at_speed"), ids=str)
def test_load_share_at_speed(row):
    """The table of reductions, and between its rows."""
    share = tires.load_share_at_speed(str(row.inputs["symbol"]), row.number("speed_kmh") / 3.6)

    assert share == pytest.approx(row.expected, rel=row.tolerance)


@pytest.mark.parametrize("symbol", list(tires.SPEED_SYMBOL_MS))
def test_no_load_beyond_the_symbol(symbol):
    """At its own speed a tire carries something, a hair above nothing, standing still all."""
    limit = tires.SPEED_SYMBOL_MS[symbol]
    at_rest, at_limit, beyond = tires.load_share_at_speed(symbol, np.array([0.0, limit, limit * 1.0001]))

    assert at_rest == 1.0
    assert 0.85 - 1e-12 <= at_limit <= 1.0
    assert beyond == 0.0


def test_unknown_symbol_is_refused():
    """ZR alone names no speed."""
    with pytest.raises(
        ValueError, match="speed symbol must be one of L, M, N, P, Q, R, S, T, U, H, V, W, Y, got 'ZR'"
    ):
        tires.load_share_at_speed("ZR", 50.0)


def test_load_share_at_pressure():
    """Full at the reference, no more above it, (1/2)^0.8 = 0.574 at half, nothing when flat."""
    assert tires.load_share_at_pressure(250000.0, extra_load=False) == 1.0
    assert tires.load_share_at_pressure(400000.0, extra_load=False) == 1.0
    assert tires.load_share_at_pressure(125000.0, extra_load=False) == pytest.approx(0.574349, rel=1e-5)
    assert tires.load_share_at_pressure(0.0, extra_load=False) == 0.0
    assert tires.load_share_at_pressure(290000.0, extra_load=True) == 1.0
    assert tires.load_share_at_pressure(250000.0, extra_load=True) < 0.9


def test_load_share_takes_marks_as_an_array():
    """One mark a tire."""
    plain, reinforced = tires.load_share_at_pressure(250000.0, np.array([False, True]))

    assert plain == 1.0
    assert reinforced == tires.load_share_at_pressure(250000.0, extra_load=True)


def size_of(row):
    return row.number("width_mm") / 1000, row.number("aspect_pct") / 100


@pytest.mark.parametrize("row", rows("tires.csv", "overall_diameter_mm"), ids=str)
def test_overall_diameter(row):
    """The size rule; four rows are worked examples in print."""
    diameter = tires.overall_diameter_m(*size_of(row), row.number("rim_in"))

    assert 1000 * diameter == pytest.approx(row.expected, rel=row.tolerance)


@pytest.mark.parametrize("row", rows("tires.csv", "rolling_circumference_mm"), ids=str)
def test_rolling_circumference(row):
    """3.05 diameters."""
    diameter = tires.overall_diameter_m(*size_of(row), row.number("rim_in"))

    assert 1000 * tires.rolling_circumference_m(diameter) == pytest.approx(row.expected, rel=row.tolerance)


def test_rolling_circumference_of_real_cars():
    """What 70 cars' ratios and revolutions per mile say."""
    (row,) = rows("tires.csv", "circumference_over_diameter")

    assert tires.rolling_circumference_m(1.0) == pytest.approx(row.expected, rel=row.tolerance)


@pytest.mark.parametrize("row", rows("tires.csv", "narrowest_rim_in"), ids=str)
def test_narrowest_rim(row):
    """Official lower ends."""
    assert tires.rim_width_range_in(*size_of(row))[0] == row.expected


@pytest.mark.parametrize("row", rows("tires.csv", "widest_rim_in"), ids=str)
def test_widest_rim(row):
    """Official upper ends."""
    assert tires.rim_width_range_in(*size_of(row))[1] == row.expected


@pytest.mark.parametrize("row", rows("tires.csv", "trade_widest_rim_in"), ids=str)
def test_widest_rim_of_the_trade_table(row):
    """The widest rim the trade table gives a section width is allowed to it for aspects of 55 and less."""
    width = row.number("width_mm") / 1000
    aspects = np.array([0.55, 0.50, 0.45, 0.40])

    assert np.all(tires.rim_width_range_in(width, aspects)[1] >= row.expected)


@pytest.mark.parametrize("row", rows("tires.csv", "measuring_rim_in"), ids=str)
def test_measuring_rim_is_allowed_and_changes_nothing(row):
    """The rim a size is measured on lies inside its range, and gives the section width it is named for."""
    narrowest, widest = tires.rim_width_range_in(*size_of(row))

    assert narrowest < row.expected < widest
    assert tires.section_width_on_rim_m(*size_of(row), row.expected) == size_of(row)[0]


def test_rim_range_between_table_widths():
    """200 mm lies between 195 and 205 mm."""
    low, between, high = tires.rim_width_range_in(np.array([0.195, 0.200, 0.205]), 0.60)[1]

    assert low < between < high


@pytest.mark.parametrize("row", rows("tires.csv", "section_width_on_rim_in"), ids=str)
def test_section_width_on_rim(row):
    """The printed table: 0.2 in for every half inch of rim."""
    width = tires.section_width_on_rim_m(0.0254 * row.number("width_in"), 0.60, row.number("rim_in"))

    assert width / 0.0254 == pytest.approx(row.expected, rel=row.tolerance)


@pytest.mark.parametrize("row", rows("tires.csv", "tire_inertia"), ids=str)
def test_tire_inertia(row):
    """The estimate meets measured tires within 3 %."""
    inertia = tires.tire_inertia(row.number("mass_kg"), 2 * row.number("radius_m"))

    assert inertia == pytest.approx(row.expected, rel=row.tolerance)


def test_wheel_inertia_lies_between_disk_and_hoop():
    """More than a uniform disk of the rim's diameter, less than a hoop."""
    radius = 15 * 0.0254 / 2

    assert 0.5 * 7.0 * radius**2 < tires.wheel_inertia(7.0, 15.0) < 7.0 * radius**2
