"""A smooth curve through measured points that invents no peak between them.

A dozen lines of numpy: the package that has this ready takes longer to load than most commands take to answer.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def interpolate(at: FloatArray | float, x: FloatArray, y: FloatArray) -> FloatArray:
    """Return a monotone piecewise cubic through points (x, y); beyond the first and the last, their value.

    Between two points the curve rises if they do, falls if they do, and is level if they are. Its slope at a point is
    the harmonic mean of the slopes of the chords on either side, weighted by their widths, and zero where the chords do
    not both rise or both fall. At the ends it is that of the parabola through three points, as far as that keeps the
    curve monotone. Two points are joined by a straight line.

    Parameters
    ----------
    at : array_like
        Places at which values are wanted, in the unit of x.
    x : array (n,)
        Places of the points, rising; at least one.
    y : array (n,)
        Values there, in any unit.

    Returns
    -------
    ndarray
        Values, of the shape of ``at``, in the unit of y.

    Raises
    ------
    ValueError
        If x does not rise, or there are not as many y as x, or none.

    References
    ----------
    F. N. Fritsch, R. E. Carlson, "Monotone piecewise cubic interpolation", SIAM J. Numer. Anal. 17 (1980); the slopes
    at the points: F. N. Fritsch, J. Butland, "A method for constructing local monotone piecewise cubic interpolants",
    SIAM J. Sci. Stat. Comput. 5 (1984); those at the ends: C. Moler, "Numerical Computing with MATLAB" (2004), chapter
    3 (all from memory).
    """
    place, x, y = (np.asarray(each, dtype=np.float64) for each in (at, x, y))
    if x.ndim != 1 or len(x) == 0 or x.shape != y.shape or not (np.diff(x) > 0).all():
        msg = f"a curve needs as many values as places, and these rising; got x = {x.tolist()}, y = {y.tolist()}"
        raise ValueError(msg)
    if len(x) == 1:
        return np.full(place.shape, y[0])
    width = np.diff(x)
    chord = np.diff(y) / width
    slope = _slopes(width, chord)
    # of y + slope s + square s^2 + cube s^3 in each interval, s from its left end
    excess = (slope[:-1] + slope[1:] - 2.0 * chord) / width
    square, cube = (chord - slope[:-1]) / width - excess, excess / width
    place = np.clip(place, x[0], x[-1])
    k = np.minimum(np.searchsorted(x, place, side="right") - 1, len(width) - 1)
    s = place - x[k]
    return y[k] + slope[k] * s + square[k] * (s * s) + cube[k] * (s * s * s)


def _slopes(width: FloatArray, chord: FloatArray) -> FloatArray:
    """Slopes (n,) of the curve at its points; n - 1 chords between them, of these widths and slopes."""
    if len(chord) == 1:
        return np.repeat(chord, 2)
    slope = np.zeros(len(chord) + 1)
    alike = np.sign(chord[:-1]) * np.sign(chord[1:]) > 0
    before, after = width[:-1][alike], width[1:][alike]
    weight_before, weight_after = 2.0 * after + before, after + 2.0 * before
    mean = weight_before / chord[:-1][alike] + weight_after / chord[1:][alike]
    slope[1:-1][alike] = 1.0 / (mean / (weight_before + weight_after))
    slope[0] = _end_slope(width[:2], chord[:2])
    slope[-1] = _end_slope(width[:-3:-1], chord[:-3:-1])
    return slope


def _end_slope(width: FloatArray, chord: FloatArray) -> float:
    """Slope at an end, from the two chords next to it, the outer first."""
    outer, inner = chord
    slope = ((2.0 * width[0] + width[1]) * outer - width[0] * inner) / (width[0] + width[1])
    if np.sign(slope) != np.sign(outer):
        return 0.0
    if np.sign(outer) != np.sign(inner):
        return float(np.sign(outer) * min(abs(slope), 3.0 * abs(outer)))
    return float(slope)
