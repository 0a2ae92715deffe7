"""Rolling resistance of a tire against pressure and speed.

The formula gives a coefficient of its own; here only its *shape* is used, as a factor on the coefficient a
tire is listed with. Whatever a soft surface adds is a separate term and not scaled by this.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

REFERENCE_PRESSURE_PA = 250000.0
"""Gauge pressure at which a listed rolling coefficient is taken to hold [Pa].

Assumed: 2.5 bar is the pressure at which a standard tire carries its load index. Coefficients are listed
slow.
"""

_BAR = 100000.0
_KMH_PER_MS = 3.6


def _coefficient_terms(pressure_pa: FloatArray | float) -> tuple[FloatArray, FloatArray]:
    """Level and part per squared speed [s2/m2] of the handbook coefficient."""
    bar = np.asarray(pressure_pa, dtype=np.float64) / _BAR
    per_kmh_squared = 0.0095 / (100.0 * 100.0) / bar
    return 0.005 + 0.01 / bar, per_kmh_squared * _KMH_PER_MS * _KMH_PER_MS


def rolling_terms(
    pressure_pa: FloatArray | float, reference_pressure_pa: FloatArray | float = REFERENCE_PRESSURE_PA
) -> tuple[FloatArray, FloatArray]:
    """Return the two terms of `pressure_speed_factor`: factor = level + per_speed_squared v^2.

    Parameters
    ----------
    pressure_pa : array_like
        Gauge pressure [Pa], positive.
    reference_pressure_pa : array_like
        Gauge pressure at which the factor is 1 at rest [Pa].

    Returns
    -------
    tuple of ndarray
        Level [-] and per_speed_squared [s2/m2].
    """
    level, per_speed_squared = _coefficient_terms(pressure_pa)
    reference, _ = _coefficient_terms(reference_pressure_pa)
    return level / reference, per_speed_squared / reference


def pressure_speed_factor(
    pressure_pa_gauge: FloatArray | float,
    speed_ms: FloatArray | float,
    reference_pressure_pa: FloatArray | float = REFERENCE_PRESSURE_PA,
) -> FloatArray:
    """Return the rolling coefficient at a pressure and speed over that at reference pressure and at rest.

    ``c(p, v) / c(p_ref, 0)`` with ``c = 0.005 + (1 / p) (0.01 + 0.0095 (v / 100)^2)``, p in bar, v in km/h.

    Parameters
    ----------
    pressure_pa_gauge : array_like
        Gauge pressure p [Pa], positive; the formula is for passenger car tires on hard ground, about 1.5 to
        4 bar.
    speed_ms : array_like
        Road speed v [m/s].
    reference_pressure_pa : array_like
        Gauge pressure at which the tire's coefficient is listed [Pa].

    Returns
    -------
    ndarray
        Factor on the listed coefficient.

    References
    ----------
    Engineering handbook formula for the rolling coefficient of air filled tires on dry roads (author not
    stated).
    """
    level, per_speed_squared = rolling_terms(pressure_pa_gauge, reference_pressure_pa)
    speed = np.asarray(speed_ms, dtype=np.float64)
    return level + per_speed_squared * speed * speed


def drum_factor(radius_m: FloatArray | float, drum_radius_m: FloatArray | float) -> FloatArray:
    """Return the rolling resistance of a tire on a drum over that on the flat, ``sqrt(1 + r / R)``.

    Parameters
    ----------
    radius_m : array_like
        Radius r of the tire [m].
    drum_radius_m : array_like
        Radius R of the drum or roller it runs on [m].

    Returns
    -------
    ndarray
        Factor, 1 for a drum without end.

    References
    ----------
    S. K. Clark, Rolling resistance forces in pneumatic tires (1976), and the conversion between drums in ISO 18164
    (both from memory).
    """
    return np.sqrt(1.0 + np.asarray(radius_m, dtype=np.float64) / drum_radius_m)
