"""Monotone piecewise cubics against scipy's, which has them from the same papers, and against what they promise."""

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from optimizer.physics import monotone_cubic


def points(seed):
    """Random points, some of them level with the next, and places between and on them."""
    generator = np.random.default_rng(seed)
    count = int(generator.integers(2, 20))
    x = np.cumsum(generator.uniform(1.0, 900.0, count))
    y = 100.0 * generator.normal(size=count)
    if seed % 3 == 0:
        y = 60.0 * np.round(y / 60.0)
    if seed % 3 == 1:
        y = np.sort(y)
    return x, y, np.concatenate([np.linspace(x[0], x[-1], 200), x])


@pytest.mark.parametrize("seed", range(60))
def test_random_curves_are_those_of_scipy(seed):
    """Up and down, only up, with level parts; in size from 1e-9 to 1e9."""
    x, y, at = points(seed)
    for scale in (1e-9, 1.0, 1e9):
        expected = PchipInterpolator(x, scale * y)(at)

        assert monotone_cubic.interpolate(at, x, scale * y) == pytest.approx(
            expected, rel=1e-13, abs=1e-13 * scale * np.abs(y).max()
        )


@pytest.mark.parametrize(
    "y",
    [(0, 1, 0), (0, 1, 9), (0, 9, 1), (0, 9, 10), (1, 1, 5), (5, 1, 1), (2, 2, 2)],
    ids=str,
)
def test_every_case_at_an_end_is_that_of_scipy(y):
    """Slopes of the parabola that are kept, set to zero, cut to three times the chord's."""
    x, at = np.array([0.0, 1.0, 3.0]), np.linspace(0.0, 3.0, 61)
    for values in (np.array(y, dtype=float), -np.array(y, dtype=float)):
        assert monotone_cubic.interpolate(at, x, values) == pytest.approx(
            PchipInterpolator(x, values)(at), rel=1e-13, abs=1e-13
        )


@pytest.mark.parametrize("seed", range(12))
def test_no_peak_is_invented(seed):
    """Between two points the curve stays between their values and goes one way."""
    x, y, _ = points(seed)
    for k in range(len(x) - 1):
        curve = monotone_cubic.interpolate(np.linspace(x[k], x[k + 1], 50), x, y)
        steps = np.sign(y[k + 1] - y[k]) * np.diff(curve)

        assert (curve[0], curve[-1]) == (y[k], pytest.approx(y[k + 1], rel=1e-12, abs=1e-12))
        assert (steps >= -1e-12 * np.abs(y).max()).all()


def test_two_points_are_a_line_and_one_is_its_value():
    """Beyond the ends nothing goes on: the value of the end holds."""
    two = monotone_cubic.interpolate([0.0, 1.0, 2.5, 4.0, 9.0], [1.0, 4.0], [10.0, 40.0])
    one = monotone_cubic.interpolate([0.0, 3.0, 9.0], [3.0], [7.0])

    assert two.tolist() == [10.0, 10.0, 25.0, 40.0, 40.0]
    assert one.tolist() == [7.0, 7.0, 7.0]


def test_a_value_does_not_hang_on_the_others_asked_for():
    """All at once, one by one as floats, as a table: the same to the last bit."""
    x, y, at = points(5)
    whole = monotone_cubic.interpolate(at, x, y)

    assert [float(monotone_cubic.interpolate(float(each), x, y)) for each in at] == whole.tolist()
    assert monotone_cubic.interpolate(at[:200].reshape(10, 20), x, y).ravel().tolist() == whole[:200].tolist()


@pytest.mark.parametrize(("x", "y"), [((), ()), ((1, 1), (2, 3)), ((2, 1), (2, 3)), ((1, 2), (3,))])
def test_points_that_are_no_curve_are_refused(x, y):
    """None, two at one place, falling, one value short: the message shows what came in."""
    got = f"x = {[*map(float, x)]}, y = {[*map(float, y)]}"
    with pytest.raises(ValueError, match="as many values") as refusal:
        monotone_cubic.interpolate(1.0, x, y)

    assert str(refusal.value) == f"a curve needs as many values as places, and these rising; got {got}"
