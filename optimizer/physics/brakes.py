"""Stopping: heat in rotors, share of the front axle, stopping and coasting distances.

All functions work element by element on arrays that broadcast.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def rotor_rise(
    energy_j: FloatArray | float, heat_mass_kg: FloatArray | float, specific_heat: FloatArray | float
) -> FloatArray:
    """Return the temperature rise of a rotor that keeps all the heat of one stop, ``E / (m c)``.

    Parameters
    ----------
    energy_j : array_like
        Heat E that goes into the rotor [J].
    heat_mass_kg : array_like
        Mass m that takes it [kg].
    specific_heat : array_like
        Specific heat c [J/(kg K)]; gray cast iron 450 to 490.

    Returns
    -------
    ndarray
        Rise [K] of the mean temperature: the surface is hotter during the stop.

    References
    ----------
    R. Limpert, Brake Design and Safety (single stop without cooling; from memory).
    """
    return np.asarray(energy_j, dtype=np.float64) / heat_mass_kg / specific_heat


def brake_torque(
    friction: FloatArray | float, clamp_n: FloatArray | float, effective_radius_m: FloatArray | float
) -> FloatArray:
    """Return the torque of one disc brake, ``2 mu F r``: two pads on two faces.

    Parameters
    ----------
    friction : array_like
        Friction coefficient mu of pad on rotor.
    clamp_n : array_like
        Clamping force F of the caliper [N].
    effective_radius_m : array_like
        Mean radius r at which the pads act [m].

    Returns
    -------
    ndarray
        Torque [N m].

    References
    ----------
    R. Limpert, Brake Design and Safety (from memory).
    """
    return 2.0 * np.asarray(friction, dtype=np.float64) * clamp_n * effective_radius_m


def ideal_front_share(
    mu: FloatArray | float,
    cg_height_m: FloatArray | float,
    wheelbase_m: FloatArray | float,
    cg_to_rear_m: FloatArray | float,
) -> FloatArray:
    """Return the front share of brake force at which both axles use the same grip, ``(l_r + mu h) / L``.

    Parameters
    ----------
    mu : array_like
        Deceleration over G, which is the grip both axles use.
    cg_height_m : array_like
        Height h of the center of gravity [m].
    wheelbase_m : array_like
        Wheelbase L [m].
    cg_to_rear_m : array_like
        Distance l_r of the center of gravity from the rear axle [m].

    Returns
    -------
    ndarray
        Share, 0 to 1 while both axles carry load.

    References
    ----------
    T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 3.
    """
    return (cg_to_rear_m + np.asarray(mu, dtype=np.float64) * cg_height_m) / wheelbase_m


def stopping_distance(speed_ms: FloatArray | float, deceleration: FloatArray | float) -> FloatArray:
    """Return the distance to a stop at constant deceleration, ``v^2 / (2 a)``.

    Parameters
    ----------
    speed_ms : array_like
        Speed v at which braking begins [m/s].
    deceleration : array_like
        Deceleration a [m/s2], positive.

    Returns
    -------
    ndarray
        Distance [m].
    """
    speed = np.asarray(speed_ms, dtype=np.float64)
    return speed * speed / (2.0 * np.asarray(deceleration, dtype=np.float64))


def coast_distance(
    mass_kg: FloatArray | float,
    constant_n: FloatArray | float,
    square_ns2m2: FloatArray | float,
    from_ms: FloatArray | float,
    to_ms: FloatArray | float = 0.0,
) -> FloatArray:
    """Return the distance in which a car slows down against ``F = A + c v^2``.

    ``x = m / (2 c) ln((A + c v0^2) / (A + c v1^2))``, and ``m (v0^2 - v1^2) / (2 A)`` without drag. A steady
    deceleration a on top adds ``m a`` to A.

    Parameters
    ----------
    mass_kg : array_like
        Mass m [kg], that of turning parts included.
    constant_n : array_like
        Constant force A [N], not negative.
    square_ns2m2 : array_like
        Drag factor c, half density times drag area [N s2/m2], not negative.
    from_ms : array_like
        Speed v0 at the beginning [m/s].
    to_ms : array_like
        Speed v1 at the end [m/s], 0 to v0.

    Returns
    -------
    ndarray
        Distance [m]; infinite for a stop without constant force.

    References
    ----------
    Integral of the equation of motion; the same force law is used for coast-down by 40 CFR 86.529-98.
    """
    begin = np.asarray(from_ms, dtype=np.float64)
    end = np.asarray(to_ms, dtype=np.float64)
    square = np.asarray(square_ns2m2, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):  # the branches not taken
        relative = (begin * begin - end * end) / (constant_n + square * end * end)
        growth = np.where(square > 0.0, np.log1p(square * relative) / square, relative)
    return np.where(begin > end, 0.5 * mass_kg * growth, 0.0)[()]


def coast_time(
    mass_kg: FloatArray | float,
    constant_n: FloatArray | float,
    square_ns2m2: FloatArray | float,
    from_ms: FloatArray | float,
    to_ms: FloatArray | float = 0.0,
) -> FloatArray:
    """Return the time in which a car slows down against ``F = A + c v^2``.

    ``t = m / sqrt(A c) (atan(v0 sqrt(c / A)) - atan(v1 sqrt(c / A)))``, written with a single arc tangent of
    ``sqrt(A c) (v0 - v1) / (A + c v0 v1)`` so that it also holds without constant force and without drag.

    Parameters
    ----------
    mass_kg : array_like
        Mass m [kg], that of turning parts included.
    constant_n : array_like
        Constant force A [N], not negative.
    square_ns2m2 : array_like
        Drag factor c, half density times drag area [N s2/m2], not negative.
    from_ms : array_like
        Speed v0 at the beginning [m/s].
    to_ms : array_like
        Speed v1 at the end [m/s], 0 to v0.

    Returns
    -------
    ndarray
        Time [s]; infinite for a stop without constant force.

    References
    ----------
    Integral of the equation of motion; the same force law is used for coast-down by 40 CFR 86.529-98.
    """
    begin = np.asarray(from_ms, dtype=np.float64)
    end = np.asarray(to_ms, dtype=np.float64)
    square = np.asarray(square_ns2m2, dtype=np.float64)
    root = np.sqrt(constant_n * square)
    with np.errstate(divide="ignore", invalid="ignore"):  # the branches not taken
        difference = (begin - end) / (constant_n + square * begin * end)
        time = np.where(root > 0.0, np.arctan(root * difference) / root, difference)
    return np.where(begin > end, mass_kg * time, 0.0)[()]
