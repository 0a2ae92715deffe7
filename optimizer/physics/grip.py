"""Grip: slip of a driven tire, load transfer, and the most an axle can push or brake.

Loads are those of the axles standing still, less aerodynamic lift. Drag is taken to act at the height of
the center of gravity, so that only forces at the ground shift load: the transfer is ``(h / L) (F - R)`` to
the rear, with F the thrust at the ground (negative for braking) and R the rolling resistance. All functions
work element by element on arrays that broadcast.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def slip_of_grip_use(use: FloatArray | float, slip_at_slide: FloatArray | float) -> FloatArray:
    """Return the slip at which a tire carries a share of its full grip.

    ``q = q_slide (1 - (1 - u)^(1/3))``, from the brush model ``F = mu N (1 - (1 - q / q_slide)^3)``: a parabolic
    pressure over the contact patch, one grip for sticking and sliding. The bristles bend by q, the slip relative to
    the tire's surface speed; slip as given and returned here is relative to the road: ``s = q / (1 - q)``.

    Parameters
    ----------
    use : array_like
        Share of grip used u, thrust over ``mu N``, 0 to 1. Outside it counts as the nearer end.
    slip_at_slide : array_like
        Slip s_slide at which the whole patch slides, (tire surface speed - road speed) / road speed.

    Returns
    -------
    ndarray
        Slip; `slip_at_slide` at full use, where the tire may as well spin.

    References
    ----------
    E. Fiala, Seitenkraefte am rollenden Luftreifen, VDI-Zeitschrift 96 (1954);
    H. B. Pacejka, Tire and Vehicle Dynamics, chapter 3 (brush model).
    """
    held = 1.0 - np.minimum(np.maximum(np.asarray(use, dtype=np.float64), 0.0), 1.0)
    bent = slip_at_slide / (1.0 + np.asarray(slip_at_slide, dtype=np.float64)) * (1.0 - np.cbrt(held))
    return bent / (1.0 - bent)


def grip_of_slip(slip: FloatArray | float, slip_at_slide: FloatArray | float) -> FloatArray:
    """Return the share of full grip that a tire uses at a slip: ``1 - (1 - q / q_slide)^3``, 1 beyond.

    Parameters
    ----------
    slip : array_like
        Slip s relative to the road, ``q = s / (1 + s)``; below 0 it counts as 0.
    slip_at_slide : array_like
        Slip s_slide at which the whole patch slides, positive.

    Returns
    -------
    ndarray
        Share of grip used, 0 to 1: the inverse of `slip_of_grip_use`.
    """
    slide = np.asarray(slip_at_slide, dtype=np.float64)
    at = np.clip(np.asarray(slip, dtype=np.float64), 0.0, slide)
    held = 1.0 - at / (1.0 + at) * ((1.0 + slide) / slide)
    return 1.0 - held * held * held


def axle_load_transfer(
    thrust_n: FloatArray | float,
    rolling_n: FloatArray | float,
    cg_height_m: FloatArray | float,
    wheelbase_m: FloatArray | float,
) -> FloatArray:
    """Return the load that moves from the front axle to the rear axle: ``(h / L) (F - R)``.

    Moments about the center of gravity: forces at the ground act h below it, drag at its height.

    Parameters
    ----------
    thrust_n : array_like
        Thrust at the ground F [N]; negative for braking.
    rolling_n : array_like
        Rolling resistance R [N].
    cg_height_m : array_like
        Height h of the center of gravity [m].
    wheelbase_m : array_like
        Wheelbase L [m].

    Returns
    -------
    ndarray
        Load taken from the front and given to the rear [N].

    References
    ----------
    T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 1.
    """
    arm = np.asarray(cg_height_m, dtype=np.float64) / wheelbase_m
    return arm * (thrust_n - rolling_n)


def _unloading_axle_limit(
    mu: FloatArray | float, load_n: FloatArray | float, resistance_n: FloatArray | float, arm: FloatArray
) -> FloatArray:
    """Most force of an axle that its own force unloads, ``mu (N + arm R) / (1 + mu arm)`` [N]."""
    limit: FloatArray = np.maximum(mu * (load_n + arm * resistance_n) / (1.0 + mu * arm), 0.0)
    return limit


def _loading_axle_limit(
    mu: FloatArray | float, load_n: FloatArray | float, resistance_n: FloatArray | float, arm: FloatArray
) -> FloatArray:
    """Most force of an axle that its own force loads, ``mu (N - arm R) / (1 - mu arm)`` [N]."""
    spare = 1.0 - mu * arm
    with np.errstate(divide="ignore", invalid="ignore"):  # the branch not taken
        limit = np.maximum(mu * (load_n - arm * resistance_n) / spare, 0.0)
    # With mu h / L of 1 or more every newton brings its own grip: the other axle lifts before this one slips.
    return np.where(spare > 0.0, limit, np.inf)[()]


def max_thrust_front(
    mu: FloatArray | float,
    front_load_n: FloatArray | float,
    rolling_n: FloatArray | float,
    cg_height_m: FloatArray | float,
    wheelbase_m: FloatArray | float,
) -> FloatArray:
    """Return the most thrust of driven front wheels, which thrust unloads.

    ``F = mu (N_f - (h / L) (F - R))`` solved for F: ``mu (N_f + (h / L) R) / (1 + mu h / L)``.

    Parameters
    ----------
    mu : array_like
        Grip of the front tires, times the share of it that is to be used.
    front_load_n : array_like
        Load N_f of the front axle standing still, less lift [N].
    rolling_n : array_like
        Rolling resistance R of the car [N].
    cg_height_m : array_like
        Height h of the center of gravity [m].
    wheelbase_m : array_like
        Wheelbase L [m].

    Returns
    -------
    ndarray
        Thrust [N], not below 0.

    References
    ----------
    T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 2 (traction-limited acceleration).
    """
    arm = np.asarray(cg_height_m, dtype=np.float64) / wheelbase_m
    return _unloading_axle_limit(mu, front_load_n, rolling_n, arm)


def max_thrust_rear(
    mu: FloatArray | float,
    rear_load_n: FloatArray | float,
    rolling_n: FloatArray | float,
    cg_height_m: FloatArray | float,
    wheelbase_m: FloatArray | float,
) -> FloatArray:
    """Return the most thrust of driven rear wheels, which thrust loads.

    ``F = mu (N_r + (h / L) (F - R))`` solved for F: ``mu (N_r - (h / L) R) / (1 - mu h / L)``.

    Parameters
    ----------
    mu : array_like
        Grip of the rear tires, times the share of it that is to be used.
    rear_load_n : array_like
        Load N_r of the rear axle standing still, less lift [N].
    rolling_n : array_like
        Rolling resistance R of the car [N].
    cg_height_m : array_like
        Height h of the center of gravity [m].
    wheelbase_m : array_like
        Wheelbase L [m].

    Returns
    -------
    ndarray
        Thrust [N], not below 0; infinite where ``mu h / L`` is 1 or more (the front wheels lift first).
        Valid while the front wheels carry load.

    References
    ----------
    T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 2 (traction-limited acceleration).
    """
    arm = np.asarray(cg_height_m, dtype=np.float64) / wheelbase_m
    return _loading_axle_limit(mu, rear_load_n, rolling_n, arm)


def max_thrust_all(
    mu_front: FloatArray | float,
    mu_rear: FloatArray | float,
    front_load_n: FloatArray | float,
    rear_load_n: FloatArray | float,
    rolling_n: FloatArray | float,
    cg_height_m: FloatArray | float,
    wheelbase_m: FloatArray | float,
) -> FloatArray:
    """Return the most thrust of four driven wheels, each axle pushing all it can.

    ``F = mu_f (N_f - T) + mu_r (N_r + T)`` with ``T = (h / L) (F - R)``, solved for F:
    ``(mu_f N_f + mu_r N_r + (mu_f - mu_r) (h / L) R) / (1 + (mu_f - mu_r) h / L)``.
    With equal grip the transfer does not matter and F is grip times weight.

    Parameters
    ----------
    mu_front, mu_rear : array_like
        Grip of the tires of each axle, times the share of it that is to be used.
    front_load_n, rear_load_n : array_like
        Loads N_f and N_r of the axles standing still, less lift [N].
    rolling_n : array_like
        Rolling resistance R of the car [N].
    cg_height_m : array_like
        Height h of the center of gravity [m].
    wheelbase_m : array_like
        Wheelbase L [m].

    Returns
    -------
    ndarray
        Thrust [N], not below 0. Valid while both axles carry load. A fixed split of torque reaches less.

    References
    ----------
    T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 2 (traction-limited acceleration).
    """
    arm = np.asarray(cg_height_m, dtype=np.float64) / wheelbase_m
    more = mu_front - np.asarray(mu_rear, dtype=np.float64)
    grip = mu_front * front_load_n + mu_rear * rear_load_n
    limit: FloatArray = np.maximum((grip + more * arm * rolling_n) / (1.0 + more * arm), 0.0)
    return limit


def max_braking_front(
    mu: FloatArray | float,
    front_load_n: FloatArray | float,
    cg_height_m: FloatArray | float,
    wheelbase_m: FloatArray | float,
    rolling_n: FloatArray | float = 0.0,
) -> FloatArray:
    """Return the most braking force of the front axle alone, which braking loads.

    ``B = mu (N_f + (h / L) (B + R))`` solved for B: ``mu (N_f + (h / L) R) / (1 - mu h / L)``.

    Parameters
    ----------
    mu : array_like
        Grip of the front tires, times the share of it that is to be used.
    front_load_n : array_like
        Load N_f of the front axle standing still, less lift [N].
    cg_height_m : array_like
        Height h of the center of gravity [m].
    wheelbase_m : array_like
        Wheelbase L [m].
    rolling_n : array_like
        Rolling resistance R of the car [N]; it slows the car on top of B.

    Returns
    -------
    ndarray
        Braking force [N], not below 0; infinite where ``mu h / L`` is 1 or more (the rear wheels lift
        first). Valid while the rear wheels carry load.

    References
    ----------
    R. Limpert, Brake Design and Safety, chapter on the dynamics of braking (from memory).
    """
    arm = np.asarray(cg_height_m, dtype=np.float64) / wheelbase_m
    return _loading_axle_limit(mu, front_load_n, np.negative(rolling_n), arm)


def max_braking_rear(
    mu: FloatArray | float,
    rear_load_n: FloatArray | float,
    cg_height_m: FloatArray | float,
    wheelbase_m: FloatArray | float,
    rolling_n: FloatArray | float = 0.0,
) -> FloatArray:
    """Return the most braking force of the rear axle alone, which braking unloads.

    ``B = mu (N_r - (h / L) (B + R))`` solved for B: ``mu (N_r - (h / L) R) / (1 + mu h / L)``.

    Parameters
    ----------
    mu : array_like
        Grip of the rear tires, times the share of it that is to be used.
    rear_load_n : array_like
        Load N_r of the rear axle standing still, less lift [N].
    cg_height_m : array_like
        Height h of the center of gravity [m].
    wheelbase_m : array_like
        Wheelbase L [m].
    rolling_n : array_like
        Rolling resistance R of the car [N]; it slows the car on top of B.

    Returns
    -------
    ndarray
        Braking force [N], not below 0.

    References
    ----------
    R. Limpert, Brake Design and Safety, chapter on the dynamics of braking (from memory).
    """
    arm = np.asarray(cg_height_m, dtype=np.float64) / wheelbase_m
    return _unloading_axle_limit(mu, rear_load_n, np.negative(rolling_n), arm)


def max_braking_split(
    front_share: FloatArray | float,
    mu_front: FloatArray | float,
    mu_rear: FloatArray | float,
    front_load_n: FloatArray | float,
    rear_load_n: FloatArray | float,
    cg_height_m: FloatArray | float,
    wheelbase_m: FloatArray | float,
    rolling_n: FloatArray | float = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """Return the braking force at which the front wheels lock, and that at which the rear wheels do.

    The share beta of the force B is in front whatever its size. ``beta B = mu_f (N_f + (h / L) (B + R))`` solved for
    B gives ``mu_f (N_f + (h / L) R) / (beta - mu_f h / L)``; the rear in the same way
    ``mu_r (N_r - (h / L) R) / (1 - beta + mu_r h / L)``. The smaller of the two is the most that holds.

    Parameters
    ----------
    front_share : array_like
        Share beta of the brake force in front, 0 to 1.
    mu_front, mu_rear : array_like
        Grip of the tires of each axle, times the share of it that is to be used.
    front_load_n, rear_load_n : array_like
        Loads N_f and N_r of the axles standing still, less lift [N].
    cg_height_m : array_like
        Height h of the center of gravity [m].
    wheelbase_m : array_like
        Wheelbase L [m].
    rolling_n : array_like
        Rolling resistance R of the car [N]; it slows the car on top of B.

    Returns
    -------
    tuple of ndarray
        Braking force of the whole car [N] at which front and rear lock, not below 0; infinite where an axle never does.

    References
    ----------
    T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 3 (brake proportioning); R. Limpert, Brake Design and
    Safety (both from memory).
    """
    arm = np.asarray(cg_height_m, dtype=np.float64) / wheelbase_m
    front_grip = np.maximum(mu_front * (front_load_n + arm * rolling_n), 0.0)
    rear_grip = np.maximum(mu_rear * (rear_load_n - arm * rolling_n), 0.0)
    front_slope = front_share - mu_front * arm
    rear_slope = 1.0 - front_share + mu_rear * arm
    with np.errstate(divide="ignore", invalid="ignore"):  # the branches not taken
        front = np.where(front_slope > 0.0, front_grip / front_slope, np.inf)
        rear = np.where(rear_slope > 0.0, rear_grip / rear_slope, np.inf)
    return front[()], rear[()]
