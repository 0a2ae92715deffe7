"""From the crankshaft to the road: forces, speeds, shift points, and what a dynamometer sheet leaves out.

Torques in N m, radii in m, engine speeds in revolutions per minute; ratios are turns of the engine per turn
of the wheel. All functions work element by element on arrays that broadcast.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Callable

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

RAD_PER_S_PER_RPM = 2.0 * np.pi / 60.0

SHIFT_SCAN_POINTS = 257
"""Engine speeds at which `shift_rpm` compares two gears before it closes in: every 20 to 30 rpm."""

_BISECTIONS = 48  # halves the step of the scan below 1e-12 rpm


def wheel_force(
    torque: FloatArray | float,
    ratio: FloatArray | float,
    efficiency: FloatArray | float,
    radius: FloatArray | float,
) -> FloatArray:
    """Return the thrust at the road, ``T N eta / r``.

    Parameters
    ----------
    torque : array_like
        Torque at the flywheel T [N m].
    ratio : array_like
        Overall ratio N, gear times final drive.
    efficiency : array_like
        Efficiency eta of the driveline, 0 to 1.
    radius : array_like
        Rolling radius r [m], the rolling circumference over 2 pi.

    Returns
    -------
    ndarray
        Thrust [N] of all driven wheels together, before anything is spent on spinning up.

    References
    ----------
    T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 2.
    """
    return np.asarray(torque, dtype=np.float64) * ratio * efficiency / radius


def speed_at_rpm(
    rpm: FloatArray | float, ratio: FloatArray | float, radius: FloatArray | float
) -> FloatArray:
    """Return the speed of the tire's surface at an engine speed: the road speed if there is no slip.

    Parameters
    ----------
    rpm : array_like
        Engine speed [rpm].
    ratio : array_like
        Overall ratio.
    radius : array_like
        Rolling radius [m].

    Returns
    -------
    ndarray
        Speed [m/s]. Road speed is this over (1 + slip).
    """
    return np.asarray(rpm, dtype=np.float64) * RAD_PER_S_PER_RPM * radius / ratio


def rpm_at_speed(
    speed: FloatArray | float, ratio: FloatArray | float, radius: FloatArray | float
) -> FloatArray:
    """Return the engine speed at a speed of the tire's surface, the inverse of `speed_at_rpm`.

    Parameters
    ----------
    speed : array_like
        Speed of the tire's surface [m/s], (1 + slip) times road speed.
    ratio : array_like
        Overall ratio.
    radius : array_like
        Rolling radius [m].

    Returns
    -------
    ndarray
        Engine speed [rpm].
    """
    return np.asarray(speed, dtype=np.float64) * ratio / (RAD_PER_S_PER_RPM * radius)


def mph_per_rpm(diameter_in: FloatArray | float, ratio: FloatArray | float) -> FloatArray:
    """Return miles per hour per revolution per minute by the trade's formula, ``diameter / (ratio x 336)``.

    Here to compare with: 336 is 63360 inches per mile over 60 pi, rounded. The diameter meant is that of
    the loaded roll-out, 2 to 3 % less than the catalog's.

    Parameters
    ----------
    diameter_in : array_like
        Roll-out over pi [in].
    ratio : array_like
        Overall ratio, gear times final drive.

    Returns
    -------
    ndarray
        Speed per engine speed [mph/rpm], without slip.
    """
    return np.asarray(diameter_in, dtype=np.float64) / (ratio * 336.0)


def sweep_torque(inertia: FloatArray | float, rpm_per_s: FloatArray | float) -> FloatArray:
    """Return the torque that a dynamometer pull spends on spinning up, ``I d(omega)/dt``.

    A pull on rising revolutions shows this much less than a steady measurement; a simulation that carries the
    turning mass itself needs it added back, or it is paid twice.

    Parameters
    ----------
    inertia : array_like
        Moment of inertia I referred to the shaft whose rate is given [kg m2].
    rpm_per_s : array_like
        Rate of the sweep [rpm/s]; 0 for a steady measurement.

    Returns
    -------
    ndarray
        Torque [N m].
    """
    return np.asarray(inertia, dtype=np.float64) * RAD_PER_S_PER_RPM * rpm_per_s


def flywheel_torque_from_wheels(
    wheel_torque: FloatArray | float,
    efficiency: FloatArray | float,
    lost_after_gears: FloatArray | float = 0.0,
    lost_before_gears: FloatArray | float = 0.0,
) -> FloatArray:
    """Return the torque at the flywheel behind a torque measured at the wheels.

    ``T = (T_w + T_after) / eta + T_before``.

    Parameters
    ----------
    wheel_torque : array_like
        Torque T_w at the wheels over the overall ratio, which is power at the wheels over engine speed [N m]:
        what a wheel dynamometer prints.
    efficiency : array_like
        Efficiency eta of the driveline during the pull, without tires, 0 to 1.
    lost_after_gears : array_like
        What wheels spinning up (`sweep_torque`) and tires on rollers took, referred to the engine [N m].
    lost_before_gears : array_like
        What engine, flywheel and clutch took for spinning up, see `sweep_torque` [N m].

    Returns
    -------
    ndarray
        Steady torque at the flywheel [N m].
    """
    return (np.asarray(wheel_torque, dtype=np.float64) + lost_after_gears) / efficiency + lost_before_gears


def shift_rpm(
    torque: Callable[[FloatArray], FloatArray],
    lowest_rpm: FloatArray | float,
    ratio: FloatArray | float,
    next_ratio: FloatArray | float,
    rev_limit: FloatArray | float,
    step_efficiency: FloatArray | float = 1.0,
) -> FloatArray:
    """Return the engine speed above which the next gear pulls at least as hard as this one.

    The root of ``T(n) N = T(n N' / N) N' e``, N this ratio and N' the next, e the efficiency of the next gear
    over that of this one: equal wheel force at equal road speed. Where there are several, the last counts, so
    that the next gear is better all the way from there to the limit.

    Parameters
    ----------
    torque : callable
        Torque [N m] at engine speeds given as an array of shape (k, ...), the trailing axes being those of
        the ratios; same shape back. It is asked down to ``lowest_rpm N' / N``.
    lowest_rpm : array_like
        Engine speed below which no shift is looked for [rpm], not above `rev_limit`.
    ratio : array_like
        Ratio N of the gear in use.
    next_ratio : array_like
        Ratio N' of the next higher gear, 0 < N' < N.
    rev_limit : array_like
        Highest engine speed [rpm].
    step_efficiency : array_like
        Efficiency e of the next gear over that of this one.

    Returns
    -------
    ndarray
        Engine speed [rpm] at which to shift: `rev_limit` where this gear pulls harder up to it,
        `lowest_rpm` where the next gear pulls at least as hard throughout. Shape: that of the arguments,
        broadcast.

    References
    ----------
    T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 2 (tractive effort in each gear).
    """
    low, this, following, limit, gain = np.broadcast_arrays(
        *(np.asarray(each, dtype=np.float64) for each in (lowest_rpm, ratio, next_ratio, rev_limit, step_efficiency))
    )
    step = following / this

    def pulls_harder(speeds: FloatArray) -> BoolArray:
        harder: BoolArray = torque(speeds) * this > torque(speeds * step) * (following * gain)
        return harder

    fraction = np.linspace(0.0, 1.0, SHIFT_SCAN_POINTS).reshape(-1, *([1] * limit.ndim))
    scan = np.concatenate([(low + (limit - low) * fraction)[:-1], limit[np.newaxis]])
    last = len(scan) - 1
    harder = pulls_harder(scan)
    # Index of the last scanned speed at which this gear pulls harder; at the limit the bracket is empty.
    index = last - np.argmax(harder[::-1], axis=0)
    below = np.take_along_axis(scan, index[np.newaxis], axis=0)
    above = np.take_along_axis(scan, np.minimum(index + 1, last)[np.newaxis], axis=0)
    for _ in range(_BISECTIONS):
        middle = 0.5 * (below + above)
        still = pulls_harder(middle)
        below = np.where(still, middle, below)
        above = np.where(still, above, middle)
    return np.where(harder.any(axis=0), above[0], low)[()]
