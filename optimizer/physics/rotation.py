"""Moments of inertia of simple bodies about their axle, and what they weigh to an accelerating car.

A body of inertia I that turns with a rolling wheel of radius r resists acceleration like a mass I / r^2 on
top of its own mass: a thin ring at the rolling radius "counts double", a uniform disk one and a half times,
anything at the hub once. Masses in kg, lengths in m, inertias in kg m2; element by element on arrays that
broadcast.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

ROTOR_INNER_RATIO = 0.57
"""Inner over outer diameter of the friction ring of a brake rotor (160 mm in 280 mm)."""


def ring_inertia(mass: FloatArray | float, diameter: FloatArray | float) -> FloatArray:
    """Return the inertia of a thin ring, ``m d^2 / 4``.

    Parameters
    ----------
    mass : array_like
        Mass m [kg].
    diameter : array_like
        Diameter d [m].

    Returns
    -------
    ndarray
        Moment of inertia [kg m2] (any textbook of mechanics).
    """
    d = np.asarray(diameter, dtype=np.float64)
    return mass * (d * d) / 4.0


def disk_inertia(mass: FloatArray | float, diameter: FloatArray | float) -> FloatArray:
    """Return the inertia of a uniform disk, ``m d^2 / 8``.

    Parameters
    ----------
    mass : array_like
        Mass m [kg].
    diameter : array_like
        Diameter d [m].

    Returns
    -------
    ndarray
        Moment of inertia [kg m2] (any textbook of mechanics).
    """
    return annulus_inertia(mass, diameter, 0.0)


def annulus_inertia(
    mass: FloatArray | float, outer_d: FloatArray | float, inner_d: FloatArray | float
) -> FloatArray:
    """Return the inertia of a flat ring of even thickness, ``m (D^2 + d^2) / 8``.

    Parameters
    ----------
    mass : array_like
        Mass m [kg].
    outer_d : array_like
        Outer diameter D [m].
    inner_d : array_like
        Inner diameter d [m].

    Returns
    -------
    ndarray
        Moment of inertia [kg m2] (any textbook of mechanics).
    """
    outer = np.asarray(outer_d, dtype=np.float64)
    return mass * (outer * outer + inner_d * inner_d) / 8.0


def rotor_inertia(
    mass: FloatArray | float,
    diameter: FloatArray | float,
    inner_ratio: FloatArray | float = ROTOR_INNER_RATIO,
) -> FloatArray:
    """Return the inertia of a brake rotor, estimated as a flat ring.

    Parameters
    ----------
    mass : array_like
        Mass [kg]. The hat, nearer to the axle, is counted into the ring: a little too much.
    diameter : array_like
        Outer diameter [m].
    inner_ratio : array_like
        Inner over outer diameter.

    Returns
    -------
    ndarray
        Moment of inertia [kg m2].
    """
    outer = np.asarray(diameter, dtype=np.float64)
    return annulus_inertia(mass, outer, inner_ratio * outer)


def equivalent_mass(inertia: FloatArray | float, radius: FloatArray | float) -> FloatArray:
    """Return the mass that resists acceleration as a body turning with the wheels does, ``I / r^2``.

    Parameters
    ----------
    inertia : array_like
        Moment of inertia I [kg m2].
    radius : array_like
        Rolling radius r [m], the rolling circumference over 2 pi.

    Returns
    -------
    ndarray
        Equivalent mass [kg], on top of the body's own.

    References
    ----------
    T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 2.
    """
    r = np.asarray(radius, dtype=np.float64)
    return inertia / (r * r)


def equivalent_mass_geared(
    inertia: FloatArray | float, ratio: FloatArray | float, radius: FloatArray | float
) -> FloatArray:
    """Return the equivalent mass of a body that turns faster than the wheels, ``I N^2 / r^2``.

    Parameters
    ----------
    inertia : array_like
        Moment of inertia I [kg m2].
    ratio : array_like
        Turns of the body per turn of the wheel N: final drive for the propeller shaft, gear times final
        drive for the engine.
    radius : array_like
        Rolling radius r [m].

    Returns
    -------
    ndarray
        Equivalent mass [kg].

    References
    ----------
    T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 2.
    """
    n = np.asarray(ratio, dtype=np.float64)
    return equivalent_mass(inertia * (n * n), radius)
