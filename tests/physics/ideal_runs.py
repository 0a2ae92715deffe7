"""Cars so simple that arithmetic says how they go, run by the simulator itself: one number a published row.

Each function takes a `Row` and drives `optimizer.run.simulator.simulate`, or the pieces it is made of (`Gear`).
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq

from optimizer.physics.air import G
from optimizer.run.driving import Gear
from optimizer.run.inputs import FloatArray, RunInputs, TorqueTable
from optimizer.run.panels import LIMITS
from optimizer.run.simulator import Run, simulate
from tests.physics.published import Row

RADIUS_M = 0.3
PAUSE_S = 0.5
"""Coasting is the simulator's shift pause, one after the other."""


def constant_power(watt: float) -> TorqueTable:
    """Torque P / omega from 500 rpm up."""
    rpm = np.maximum(np.arange(0.0, 12_000.0), 500.0)
    return TorqueTable((watt / (rpm * np.pi / 30.0))[None], 1.0)


def constant_thrust(newton: float, ratio: float = 4.0) -> TorqueTable:
    """The torque that gives a thrust in a gear without loss."""
    return TorqueTable(np.full((1, 3), newton * RADIUS_M / ratio), 5000.0)


def car(torque: TorqueTable, mass_kg: float, square: float, **changes: object) -> RunInputs:
    """One car against ``square * u**2`` with nothing that turns, slips or rolls, and one gear of 4.0."""
    one, zero = np.ones(1), np.zeros(1)
    values = {
        "translating_kg": mass_kg * one, "wheel_side_kg": zero, "shaft_kgm2": zero, "engine_kgm2": zero,
        "front_grip_n": 1e7 * one, "rear_grip_n": zero, "front_mu": one, "rear_mu": zero,
        "slip_at_slide": 1e-12 * one, "transfer": zero, "rolling_n": zero, "rolling_nv2": zero,
        "lift_rolling_m2": zero, "lift_rolling_v2": zero, "drag_area_m2": 2.0 * square * one,
        "front_lift_m2": zero, "rear_lift_m2": zero, "radius_m": RADIUS_M * one, "growth": zero,
        "overall": np.full((1, 1), 4.0), "final_ratio": one, "efficiency": np.ones((1, 1)),
        "engine": np.zeros(1, dtype=np.int64), "torque_scale": one, "rev_limit_rpm": 1.15e4 * one,
        "launch_rpm": 1000.0 * one, "shift_rpm": np.full((1, 1), 1.15e4), "cap_ms": np.inf * one,
        "surface_cap_ms": np.inf * one, "torque_table": torque, "air_density": 1.0, "headwind_ms": 0.0,
        "crosswind_ms": 0.0, "drag_rise_at_yaw": 0.0, "start_speed_ms": 0.0, "shift_time_s": 0.5,
        "grip_use_limit": 1.0,
    }  # fmt: skip
    return RunInputs(**(values | changes))


def _exit(inputs: RunInputs, board_m: float) -> Run:
    return simulate(inputs, (0.5 * board_m, board_m), "exit")


# --- coasting -------------------------------------------------------------------------------------------------


def _coasting(row: Row) -> Gear:
    rolling = np.array([row.number("constant_n")])
    return Gear(car(constant_thrust(0.0), row.number("mass_kg"), row.number("square"), rolling_n=rolling), 0)


def _coast(row: Row) -> tuple[list[float], list[float]]:
    """Speeds and distances at the end of each pause, until the car stands."""
    gear = _coasting(row)
    speeds, distances = [row.number("from_ms")], [0.0]
    while True:
        after, rolled = gear.coast(np.array(speeds[-1:]), PAUSE_S)
        if after[0] <= 0:
            return speeds, distances
        speeds.append(float(after[0]))
        distances.append(distances[-1] + float(rolled[0]))


def _last_pause(row: Row, speed: float) -> tuple[float, float]:
    """How long the last, shorter pause is that ends standing, and how far the car rolls in it."""
    gear = _coasting(row)
    low, high = 0.0, PAUSE_S
    for _ in range(50):
        middle = 0.5 * (low + high)
        stands = gear.coast(np.array([speed]), middle)[0][0] <= 0
        low, high = (low, middle) if stands else (middle, high)
    return low, float(gear.coast(np.array([speed]), low)[1][0])


def coasting_time(row: Row) -> float:
    """Time to roll out."""
    speeds, _ = _coast(row)
    return PAUSE_S * (len(speeds) - 1) + _last_pause(row, speeds[-1])[0]


def coasting_distance(row: Row) -> float:
    """Way to roll out."""
    speeds, distances = _coast(row)
    return distances[-1] + _last_pause(row, speeds[-1])[1]


def coasting_speed(row: Row) -> float:
    """Speed after a whole number of pauses."""
    return _coast(row)[0][round(row.number("time_s") / PAUSE_S)]


# --- constant power -------------------------------------------------------------------------------------------


def _from_rest(row: Row) -> tuple[float, float]:
    """Speed and time from rest over a distance; the run begins pushed, at where the closed form has that speed."""
    power, mass, speed = (row.number(name) for name in ("power_w", "mass_kg", "pushed_to_ms"))
    gone_m, gone_s = mass * speed**3 / (3 * power), mass * speed**2 / (2 * power)
    run = _exit(car(constant_power(power), mass, 0.0, start_speed_ms=speed), row.number("distance_m") - gone_m)
    return float(run.score_ms[0]), float(run.passing.time[1, 0]) + gone_s


def power_speed_from_rest(row: Row) -> float:
    """Speed at the board."""
    return _from_rest(row)[0]


def power_time_from_rest(row: Row) -> float:
    """Time to the board."""
    return _from_rest(row)[1]


def _against_drag(row: Row) -> tuple[float, float]:
    """Distance at which the simulated car passes a speed, and the time there."""
    inputs = car(
        constant_power(row.number("power_w")), row.number("mass_kg"), row.number("square"),
        start_speed_ms=row.number("from_ms"),
    )  # fmt: skip
    board = brentq(lambda at: _exit(inputs, at).score_ms[0] - row.number("to_ms"), 50.0, 4000.0, xtol=1e-9)
    return board, float(_exit(inputs, board).passing.time[1, 0])


def power_distance(row: Row) -> float:
    """Distance between two speeds."""
    return _against_drag(row)[0]


def power_time(row: Row) -> float:
    """Time between two speeds."""
    return _against_drag(row)[1]


# --- constant thrust ------------------------------------------------------------------------------------------


def _under_thrust(row: Row) -> tuple[float, float]:
    """Distance and speed after a time from rest."""
    inputs = car(constant_thrust(row.number("thrust_n")), row.number("mass_kg"), row.number("square"))
    time = row.number("time_s")
    board = brentq(lambda at: _exit(inputs, at).passing.time[1, 0] - time, 10.0, 1000.0, xtol=1e-9)
    return board, float(_exit(inputs, board).score_ms[0])


def thrust_distance(row: Row) -> float:
    """Distance after a time."""
    return _under_thrust(row)[0]


def thrust_speed(row: Row) -> float:
    """Speed after a time."""
    return _under_thrust(row)[1]


def mile_time(row: Row) -> float:
    """Time between boards a mile apart under constant acceleration: the mile over the mean that the run scores."""
    mile, before, after = (row.number(name) for name in ("mile_m", "from_ms", "to_ms"))
    acceleration = (after**2 - before**2) / (2 * mile)
    run_up, start = 500.0, np.sqrt(before**2 - 2 * acceleration * 500.0)
    inputs = car(constant_thrust(1000.0 * acceleration), 1000.0, 0.0, start_speed_ms=float(start))
    return mile / float(simulate(inputs, (run_up, run_up + mile), "mean").score_ms[0])


# --- where acceleration ends, and forces on the way -----------------------------------------------------------


def _powered(row: Row, **changes: object) -> RunInputs:
    """A car of given power, mass, drag area and air."""
    return car(
        constant_power(row.number("power_w")), row.number("mass_kg"), 0.5 * row.number("drag_area_m2"),
        air_density=row.number("density"), **changes,
    )  # fmt: skip


def _rolling_n(row: Row) -> FloatArray:
    return np.array([row.number("rolling") * row.number("mass_kg") * G])


def top_speed(row: Row) -> float:
    """Speed at which a run settles against drag and rolling."""
    inputs = _powered(row, rolling_n=_rolling_n(row), start_speed_ms=0.5 * row.expected)
    return float(simulate(inputs, (1e4, 2e5), "exit").final_ms[0])


def balance_speed(row: Row) -> float:
    """Speed at which full throttle no longer accelerates."""
    gear = Gear(_powered(row, rolling_n=_rolling_n(row)), 0)
    return float(brentq(lambda at: gear.push(np.array([[at]])).acceleration[0, 0], 10.0, 80.0, xtol=1e-12))


def _settled(row: Row, mu: float) -> tuple[float, str]:
    """Final speed with all the weight on driven wheels of some grip, and what limits it."""
    tall = {"overall": np.ones((1, 1)), "start_speed_ms": 20.0}  # 300 m/s before the limiter
    grip = {"front_grip_n": np.array([row.number("mass_kg") * G]), "front_mu": np.array([mu])}
    run = simulate(_powered(row, **tall, **grip), (2e5, 4e5), "exit")
    return float(run.final_ms[0]), LIMITS[run.passing.limit[1, 0]]


def grip_limited_speed(row: Row) -> float:
    """Speed at which all the grip there is just overcomes the air; 0 if anything but grip were the limit."""
    speed, limit = _settled(row, row.number("mu"))
    return speed if limit == "grip" else 0.0


def grip_over_power_speed(row: Row) -> float:
    """The same over the speed that the power alone would reach; 0 if anything but grip were the limit."""
    return grip_limited_speed(row) / _settled(row, 1e4)[0]


def drag_force(row: Row) -> float:
    """Air drag as the run has it."""
    inputs = car(constant_thrust(0.0), 1000.0, 0.5 * row.number("drag_area_m2"), air_density=row.number("density"))
    return float(Gear(inputs, 0).resistance(np.array([row.number("speed_ms")]))[0][0])


def drag_power(row: Row) -> float:
    """Drag times speed."""
    return drag_force(row) * row.number("speed_ms")


def acceleration_at_power(row: Row) -> float:
    """Acceleration at full throttle against ``constant_n + square * u**2``."""
    mass, rolling = row.number("weight_n") / row.number("g"), np.array([row.number("constant_n")])
    inputs = car(constant_power(row.number("power_w")), mass, row.number("square"), rolling_n=rolling)
    return float(Gear(inputs, 0).push(np.array([[row.number("speed_kmh") / 3.6]])).acceleration[0, 0])
