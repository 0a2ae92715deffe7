"""Rolling resistance against the handbook formula."""

import numpy as np
import pytest

from optimizer.physics import rolling
from tests.physics.published import rows


@pytest.mark.parametrize("row", rows("rolling.csv", "coefficient"), ids=str)
def test_handbook_coefficients(row):
    """Factor times the coefficient at the reference pressure, which is 0.005 + 0.01 / 2.5 = 0.009."""
    pressure, speed = 1e5 * row.number("pressure_bar"), row.number("speed_kmh") / 3.6
    factor = rolling.pressure_speed_factor(pressure, speed, 250000.0)

    assert 0.009 * factor == pytest.approx(row.expected, rel=row.tolerance)


def test_factor_is_one_where_the_coefficient_is_listed():
    """Reference pressure, standing still: whatever the reference."""
    assert rolling.pressure_speed_factor(rolling.REFERENCE_PRESSURE_PA, 0.0) == 1.0
    assert rolling.pressure_speed_factor(310000.0, 0.0, 310000.0) == 1.0


def test_terms_add_up_to_the_factor():
    """Level and growth are the factor at rest and its share of the squared speed."""
    pressure, speed = np.array([2e5, 2.5e5, 3.5e5]), np.array([10.0, 40.0, 55.0])
    level, growth = rolling.rolling_terms(pressure, 250000.0)

    assert level + growth * speed**2 == pytest.approx(
        rolling.pressure_speed_factor(pressure, speed, 250000.0)
    )
    assert level == pytest.approx(rolling.pressure_speed_factor(pressure, 0.0, 250000.0))


def test_harder_tires_roll_easier_and_faster_ones_heavier():
    """The two directions a crew knows."""
    pressures = rolling.pressure_speed_factor(np.linspace(1.5e5, 4e5, 20), 40.0)
    speeds = rolling.pressure_speed_factor(2.5e5, np.linspace(0.0, 60.0, 20))

    assert np.all(np.diff(pressures) < 0)
    assert np.all(np.diff(speeds) > 0)
