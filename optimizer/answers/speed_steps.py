"""Going up in speed by steps: what a build asks of engine, tires and brakes at each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.choice.options import IntArray
from optimizer.run.driving import Gear
from optimizer.run.judge import Judge
from optimizer.run.stopping import CASES, stopping_of
from optimizer.units import from_unit, to_unit

SHARES = (0.6, 0.75, 0.85, 0.93)
"""Speeds of the steps below the last, as shares of it; they are rounded to whole steps of 5."""
ROUND_TO = 5.0
LEAST_APART = 0.03
"""Steps nearer to the next, as a share of the last, are left out."""


@dataclass(frozen=True, slots=True)
class SpeedStep:
    """One step towards the planned speed.

    Attributes
    ----------
    speed_ms : float
        Steady ground speed [m/s].
    gear : int
        The gear of the last board, counted from 1.
    rpm : float
        Engine speed in it.
    throttle : float
        Share of the full-throttle force in that gear that holds the speed; 1 where it takes all.
    stop_m : float
        Longest stop over the cases of the stopping rule [m], and `case` which that is.
    case : str
    coast_m : float
        Rolling out with no brakes at all [m].
    rise_share : float
        Heat of the rotors, the largest share of what is allowed; not a number where no limit of some is known.
    """

    speed_ms: float
    gear: int
    rpm: float
    throttle: float
    stop_m: float
    case: str
    coast_m: float
    rise_share: float


def speed_steps_of(judge: Judge, build: IntArray) -> tuple[SpeedStep, ...]:
    """Steps up to the speed at which a build (S,) passes the last board, in its first run's air and wind.

    The event's license steps are among them, each of which has to be shown before the next.
    """
    car = judge.model.inputs(build[None], judge.conditions[0])
    run = judge.run_of(car)
    last, number = float(run.passing.speed[1, 0]), int(run.passing.gear[1, 0])
    unit = judge.event.speed_unit
    rounded = [from_unit(ROUND_TO * round(to_unit(last * share, unit, "speed") / ROUND_TO), unit, "speed")
               for share in SHARES]  # fmt: skip
    asked = [speed for speed in judge.event.meet.license_steps_ms if speed < last]
    own = [speed for speed in rounded if all(abs(speed - each) > last * LEAST_APART for each in asked)]
    below = sorted({*asked, *(speed for speed in own if 0 < speed <= last * (1 - LEAST_APART))})
    speeds = np.array([*below, last])
    many = np.zeros(len(speeds), dtype=np.int64)
    gear = Gear(car.take(many), number)
    surplus, surface = gear.surplus(speeds)
    drag, rolling, _ = gear.resistance(speeds)
    against = drag + rolling
    thrust = against + surplus * (gear.inputs.translating_kg + gear.turning_kg)
    rpm = gear.rpm_at(surface)
    stop = stopping_of(judge.model, np.repeat(build[None], len(speeds), axis=0), speeds)
    longest = stop.distance_m.argmax(axis=0)
    return tuple(
        SpeedStep(
            speed_ms=float(speeds[i]),
            gear=number + 1,
            rpm=float(rpm[i]),
            throttle=float(min(1.0, against[i] / max(thrust[i], 1e-9))),
            stop_m=float(stop.distance_m[longest[i], i]),
            case=CASES[int(longest[i])],
            coast_m=float(stop.coast_m[i]),
            rise_share=float(stop.axle_share[:, i].max()),
        )
        for i in range(len(speeds))
    )
