"""Random cars, courses and days for comparing the simulator with the independent judge."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from optimizer.choice.options import options_of
from optimizer.run.conditions import conditions_of
from optimizer.run.inputs import RunInputs
from optimizer.run.model import RunModel
from optimizer.run.simulator import simulate
from optimizer.scenario.event import Course, Salt, Weather
from optimizer.scenario.parts import CurvePoints
from tests.choice.records import make_engine, make_final_drive, make_gearset, make_scenario
from tests.run.independent_run import IndependentRun, Torque, independent_run, pchip_torque

Measure = Literal["mean", "trap", "exit"]
CAPS = ("none", "before the mile", "in the mile", "tire rating")
MILE_M = 1609.344


@dataclass(frozen=True)
class Case:
    """One car on one course; ``kinds`` says what it is an example of."""

    seed: int
    inputs: RunInputs
    marks: tuple[float, float]
    measure: Measure
    torque: Torque
    truth: IndependentRun
    kinds: frozenset[str]


def random_curve(rng: np.random.Generator) -> CurvePoints:
    """A torque curve of 7 to 12 points with a peak somewhere, a little uneven as sheets are."""
    top = rng.uniform(6500.0, 8500.0)
    count = int(rng.integers(7, 13))
    rpm = np.linspace(rng.uniform(900.0, 1500.0), top, count)
    peak_at, width = rng.uniform(0.45, 0.85) * top, rng.uniform(0.45, 0.9) * top
    torque = rng.uniform(85.0, 260.0) * (1.0 - 0.8 * ((rpm - peak_at) / width) ** 2)
    torque *= 1.0 + rng.uniform(-0.015, 0.015, count)
    return CurvePoints(rpm=tuple(map(float, rpm)), torque_nm=tuple(map(float, np.maximum(torque, 20.0))))


def random_car_and_day(rng: np.random.Generator, drive: str) -> tuple[RunInputs, tuple[float, float], Torque]:
    """Simulator inputs of one random build without caps, the boards, and torque through its typed points."""
    curve = random_curve(rng)
    limit = curve.rpm[-1] * rng.uniform(0.9, 1.02)
    engine = make_engine(
        "E-stock", curve=curve, rev_limit_rpm=limit, launch_rpm=rng.uniform(2200.0, 4200.0),
        inertia_kgm2=rng.uniform(0.08, 0.25), air_breathing=bool(rng.random() < 0.7),
    )  # fmt: skip
    more = rng.spawn(1)[0]  # what came to the model later leaves the draws before it as they were
    gears = int(rng.integers(4, 7))
    first, top = rng.uniform(3.0, 3.8), rng.uniform(0.68, 1.05)
    ratios = np.geomspace(first, top, gears) * np.append(1.0, rng.uniform(0.96, 1.04, gears - 1))
    car: dict[str, Any] = {
        "mass_kg": rng.uniform(650.0, 1250.0),
        "cg_height_m": rng.uniform(0.38, 0.60),
        "drag_area_m2": rng.uniform(0.42, 0.75),
        "front_lift_area_m2": rng.uniform(-0.35, 0.2),
        "rear_lift_area_m2": rng.uniform(-0.35, 0.2),
        "shift_time_s": 0.0 if rng.random() < 0.05 else rng.uniform(0.1, 0.8),
        "start_speed_ms": 0.0 if rng.random() < 0.6 else rng.uniform(3.0, 30.0),
        "grip_use_limit": rng.uniform(0.6, 0.9),
        "drag_rise_at_yaw": more.uniform(-0.02, 0.25),
    }
    salt = Salt(
        name="today",
        rolling_coefficient=rng.uniform(0.012, 0.05),
        grip=rng.uniform(0.1, 0.25) if rng.random() < 0.25 else rng.uniform(0.3, 0.65),
        slip_at_slide=rng.uniform(0.06, 0.25),
    )
    run_up = rng.uniform(250.0, 1500.0) if rng.random() < 0.4 else rng.uniform(1500.0, 5500.0)
    timed = MILE_M if rng.random() < 0.8 else rng.uniform(200.0, 1000.0)
    weather = Weather(
        pressure_pa=rng.uniform(82e3, 102e3),
        temperature_k=rng.uniform(280.0, 310.0),
        humidity=rng.uniform(0.05, 0.7),
        wind_ms=0.0 if rng.random() < 0.4 else rng.uniform(0.5, 9.0),
        wind_from_deg=rng.uniform(0.0, 360.0),
    )
    event: dict[str, Any] = {
        "course": Course(run_up_m=run_up, timed_m=timed, shutdown_m=3000.0, elevation_m=0.0),
        "salts": {"today": salt},
        "salt": "today",
        "weather": (weather,),
    }
    scenario = make_scenario(
        (
            engine,
            make_gearset(
                "G-stock", ratios=tuple(map(float, ratios)), efficiency=0.98,
                gear_efficiency=tuple(map(float, more.uniform(0.96, 0.995, gears))),
            ),
            make_final_drive("F-stock", ratio=rng.uniform(2.6, 5.4)),
        ),
        drive=drive, car=car, event=event,
    )  # fmt: skip
    options = options_of(scenario)
    model = RunModel(options)
    inputs = model.inputs(options.fitted[None], conditions_of(scenario.event)[0])
    inputs = replace(inputs, growth=more.uniform(0.0, 0.012, 1))
    return inputs, (run_up, run_up + timed), pchip_torque(curve.rpm, curve.torque_nm)


def random_case(seed: int) -> Case:
    """One example; layout, measure and cap turn with the seed so that all combinations come up.

    Where a cap lies is chosen by the simulator's own run without it: that is no claim, and sooner had.
    """
    rng = np.random.default_rng(seed)
    drive = ("front", "rear", "all")[seed % 3]
    measure: Measure = ("mean", "trap", "exit")[seed // 3 % 3]
    cap = CAPS[seed // 9 % 5] if seed // 9 % 5 < 4 else "none"
    inputs, marks, torque = random_car_and_day(rng, drive)
    first, last = _free_speeds(inputs, marks, measure, torque) if cap != "none" else (0.0, 0.0)
    if first > 0:
        top = max(first, last)
        if cap == "before the mile":
            value = max(rng.uniform(0.6, 0.98) * min(first, last), inputs.start_speed_ms + 1.0)
            inputs = replace(inputs, cap_ms=np.array([value]))
        elif cap == "in the mile":
            value = max(first + rng.uniform(0.05, 0.95) * (top - first), inputs.start_speed_ms + 1.0)
            inputs = replace(inputs, cap_ms=np.array([value]))
        else:
            inputs = replace(inputs, surface_cap_ms=np.array([rng.uniform(0.7, 1.03) * top]))
    truth = independent_run(inputs, marks, measure, torque)
    return Case(seed, inputs, marks, measure, torque, truth, _kinds(drive, measure, inputs, marks, truth))


def _free_speeds(
    inputs: RunInputs, marks: tuple[float, float], measure: Measure, torque: Torque
) -> tuple[float, float]:
    """Speeds at the boards without any cap; by the judge where the simulator says that the car gets nowhere, or 0."""
    free = simulate(inputs, marks, measure)
    if free.score_ms[0] > 0:
        return float(free.passing.speed[0, 0]), float(free.passing.speed[1, 0])
    slow = independent_run(inputs, marks, measure, torque)
    return (slow.first_board_speed_ms, slow.exit_ms) if slow.score_ms > 0 else (0.0, 0.0)


def _kinds(
    drive: str, measure: str, inputs: RunInputs, marks: tuple[float, float], truth: IndependentRun
) -> frozenset[str]:
    """What a case is an example of."""
    gears = int((inputs.overall[:, 0] > 0).sum())
    rolling = float(inputs.rolling_n[0] / (inputs.front_grip_n[0] + inputs.rear_grip_n[0]))
    lift = float(inputs.front_lift_m2[0] + inputs.rear_lift_m2[0])
    held = truth.held
    if held == "cap":
        held = "cap before the mile" if truth.held_from_s < truth.first_board_s else "cap in the mile"
    if held == "limit":
        by_tire = inputs.surface_cap_ms[0] < truth.limit_surface_ms * (1 - 1e-9)
        held = "limiter at the tire's rating" if by_tire else "limiter at the rev limit"
    wind = inputs.headwind_ms
    return frozenset(
        {
            drive,
            measure,
            f"{gears} gears",
            held or "still free at the last board",
            "clutch start" if inputs.start_speed_ms == 0 else "pushed start",
            "calm" if wind == 0 else ("headwind" if wind > 0 else "tailwind"),
            "lift" if lift > 0 else "downforce",
            "short run-up" if marks[0] < 1500 else "long run-up",
            "grip limited at the last board" if truth.grip_limited_at_exit else "grip to spare",
            "top gear" if truth.gear == gears - 1 else "stays below top gear",
            "top gear slower" if truth.gear < truth.highest_gear else "no higher gear to try",
            "soft salt" if rolling > 0.04 else "firm salt",
        }
    )
