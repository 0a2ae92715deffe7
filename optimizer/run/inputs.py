"""What the simulator needs of each car: one array per quantity, one entry per car.

A car on a course is a handful of sums (mass, drag area, rolling force ...) and a driveline. Keeping the loads that
cause rolling apart from those that give grip lets the search make a car that is better than any real one in
every sum at once, and simulate it as a bound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Self

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class TorqueTable:
    """Full-throttle flywheel torque on a uniform grid of engine speed.

    Attributes
    ----------
    torque_nm : array (E, K)
        Torque of engine e at ``rpm = k * step_rpm``; flat beyond the ends of what was measured.
    step_rpm : float
        Grid step; fine enough that linear interpolation adds nothing to see.
    finer : int array (E,), optional
        How many times as many points as usual a run with each engine takes, where some bend sharply.
    """

    torque_nm: FloatArray
    step_rpm: float
    finer: IntArray | None = None

    def torque(self, engine: IntArray, rpm: FloatArray) -> FloatArray:
        """Torque [N m] of ``engine`` (n,) at ``rpm`` (..., n)."""
        place = rpm * (1.0 / self.step_rpm)
        last = self.torque_nm.shape[1] - 2
        below = place.astype(np.int64)
        np.maximum(below, 0, out=below)
        np.minimum(below, last, out=below)
        place -= below
        np.maximum(place, 0.0, out=place)
        np.minimum(place, 1.0, out=place)
        below += engine * self.torque_nm.shape[1]
        flat = self.torque_nm.ravel()
        low = flat[below]
        below += 1
        rise = flat[below]
        rise -= low
        rise *= place
        rise += low
        return rise


@dataclass(frozen=True, slots=True)
class RunInputs:
    """One run of n cars under one set of conditions. Arrays are (n,) unless said; SI throughout.

    Attributes
    ----------
    translating_kg : mass with the turning mass of the undriven wheels, which follow the ground.
    wheel_side_kg : driven wheels, tires and rotors as mass at the tire surface.
    shaft_kgm2, engine_kgm2 : inertia turning with the final drive's input and with the engine.
    front_grip_n, rear_grip_n : static axle loads that give grip.
    front_mu, rear_mu : grip of the driven axles; 0 where the axle is not driven.
    slip_at_slide : slip at which a driven tire slides fully.
    transfer : height of the center of gravity over the wheelbase.
    rolling_n, rolling_nv2 : rolling resistance ``rolling_n + rolling_nv2 * u**2`` before lift, brake drag included.
    lift_rolling_m2, lift_rolling_v2 : rolling saved by lift per unit of dynamic pressure (same form).
    drag_area_m2, front_lift_m2, rear_lift_m2 : areas (coefficient times frontal area).
    radius_m, growth : rolling radius of the driven tires at walking pace, and how much it grows by 100 mph (share).
    overall : (G, n) ratio of engine speed to wheel speed per gear, 0 where the gearset has fewer gears.
    efficiency : (G, n) of the driveline in each gear.
    final_ratio, engine (index into the torque table), torque_scale, rev_limit_rpm, launch_rpm.
    shift_rpm : (G, n) engine speed at which each gear is left.
    cap_ms, surface_cap_ms : ground speed and tire surface speed that may not be passed; inf where none.
    air_density, headwind_ms, crosswind_ms : one for all cars, or (n,).
    drag_rise_at_yaw : rise of the drag area at 10 degrees of yaw, one for all cars, or (n,).
    shift_time_s, grip_use_limit : one for all cars, or (n,).
    start_speed_ms : the same for all cars.
    coasting_kg : mass that is slowed in the pause of a shift, where a car is to stand for others that are heavier or
        lighter than it; its own, with the turning mass of the wheels, where it is None.
    finer : how many times as many points as usual a run takes.
    """

    translating_kg: FloatArray
    wheel_side_kg: FloatArray
    shaft_kgm2: FloatArray
    engine_kgm2: FloatArray
    front_grip_n: FloatArray
    rear_grip_n: FloatArray
    front_mu: FloatArray
    rear_mu: FloatArray
    slip_at_slide: FloatArray
    transfer: FloatArray
    rolling_n: FloatArray
    rolling_nv2: FloatArray
    lift_rolling_m2: FloatArray
    lift_rolling_v2: FloatArray
    drag_area_m2: FloatArray
    front_lift_m2: FloatArray
    rear_lift_m2: FloatArray
    radius_m: FloatArray
    growth: FloatArray
    overall: FloatArray
    final_ratio: FloatArray
    efficiency: FloatArray
    engine: IntArray
    torque_scale: FloatArray
    rev_limit_rpm: FloatArray
    launch_rpm: FloatArray
    shift_rpm: FloatArray
    cap_ms: FloatArray
    surface_cap_ms: FloatArray
    torque_table: TorqueTable
    air_density: float | FloatArray
    headwind_ms: float | FloatArray
    crosswind_ms: float | FloatArray
    drag_rise_at_yaw: float | FloatArray
    start_speed_ms: float
    shift_time_s: float | FloatArray
    grip_use_limit: float | FloatArray
    coasting_kg: FloatArray | None = None
    finer: int = 1

    def __len__(self) -> int:
        return len(self.translating_kg)

    def take(self, rows: IntArray | slice) -> Self:
        """The same inputs for some of the cars, or for cars repeated."""
        some = object.__new__(type(self))  # a record of so many fields takes long to make by its own constructor
        for name in self.__slots__:
            value = getattr(self, name)
            if isinstance(value, np.ndarray):
                value = value[rows] if value.ndim == 1 else value[..., rows]
            object.__setattr__(some, name, value)
        return some


def side_by_side(runs: Sequence[RunInputs]) -> RunInputs:
    """Inputs of several runs of the same scenario as one, run after run: small batches cost mostly overhead."""
    first = runs[0]
    joined: dict[str, Any] = {
        each.name: np.concatenate([getattr(run, each.name) for run in runs], axis=-1)
        for each in fields(first)
        if isinstance(getattr(first, each.name), np.ndarray)
    }
    for name in ("air_density", "headwind_ms", "crosswind_ms"):
        joined[name] = np.concatenate([np.broadcast_to(getattr(run, name), len(run)) for run in runs])
    return replace(first, **joined)


def models_side_by_side(runs: Sequence[RunInputs]) -> RunInputs:
    """Inputs of runs of different models as one, run after run: cars that differ in anything but start and gear count.

    Raises
    ------
    ValueError
        If the runs start at different speeds, or their torque tables have different grids.
    """
    first = runs[0]
    grids = {(run.start_speed_ms, run.torque_table.step_rpm, run.torque_table.torque_nm.shape[1]) for run in runs}
    if len(grids) > 1:
        msg = "runs side by side need the same start and torque tables on the same grid"
        raise ValueError(msg)
    sizes = [len(run.torque_table.torque_nm) for run in runs]
    above = np.repeat(np.cumsum([0, *sizes[:-1]]), [len(run) for run in runs])
    joined = side_by_side(runs)
    alike: dict[str, Any] = {
        name: np.concatenate([np.broadcast_to(getattr(run, name), len(run)) for run in runs])
        for name in ("drag_rise_at_yaw", "shift_time_s", "grip_use_limit")
        if len({getattr(run, name) for run in runs}) > 1
    }
    tables = [run.torque_table for run in runs]
    finer = None
    if any(table.finer is not None for table in tables):
        usual = [np.ones(len(table.torque_nm), dtype=np.int64) for table in tables]
        own = zip(tables, usual, strict=True)
        finer = np.concatenate([ones if table.finer is None else table.finer for table, ones in own])
    table = TorqueTable(np.concatenate([each.torque_nm for each in tables]), first.torque_table.step_rpm, finer)
    return replace(joined, engine=joined.engine + above, torque_table=table, **alike)
