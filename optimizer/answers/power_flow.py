"""Where the engine's power goes as the car passes the last board: shares that add up to all of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.choice.options import IntArray
from optimizer.run.driving import Gear
from optimizer.run.judge import Judge
from optimizer.run.panels import LIMITS

FREE = tuple(LIMITS.index(name) for name in ("power", "distance"))
"""What does not keep the driver from full throttle."""


@dataclass(frozen=True, slots=True)
class PowerFlow:
    """Power at the last board of one run [W], and where it goes; the parts add up to ``engine_w``.

    Attributes
    ----------
    engine_w : float
        At the flywheel: what the engine gives at full throttle, or what the held speed asks of it.
    driveline_w, slip_w, air_w, rolling_w, accelerating_w : float
        Lost between engine and wheels; in tires that slip; to air; to salt, tires and dragging brakes; what still makes
        the car and all that turns go faster.
    speed_ms : float
    held : bool
        Whether grip, revs or a cap hold the car, so that the engine does not give all it has.
    """

    engine_w: float
    driveline_w: float
    slip_w: float
    air_w: float
    rolling_w: float
    accelerating_w: float
    speed_ms: float
    held: bool


def power_flow(judge: Judge, build: IntArray) -> tuple[PowerFlow, ...]:
    """Where the power of a build (S,) goes at the last board, one for each run that counts."""
    found = []
    for run, conditions in zip(judge.runs(build[None]), judge.conditions, strict=True):
        number, speed = int(run.passing.gear[1, 0]), float(run.passing.speed[1, 0])
        surface = float(run.passing.surface[1, 0])
        held = int(run.passing.limit[1, 0]) not in FREE
        inputs = judge.model.inputs(build[None], conditions)
        gear = Gear(inputs, number)
        drag, rolling, _ = (float(each[0]) for each in gear.resistance(np.array([speed])))
        at = np.array([[surface]])
        gain = 0.0 if held else float(gear.push(at).acceleration[0, 0])
        thrust = drag + rolling + float(inputs.translating_kg[0]) * gain
        force = thrust if held else float(gear.engine_force(at)[0, 0])
        engine = force * surface / float(inputs.efficiency[number, 0])
        found.append(
            PowerFlow(
                engine_w=engine,
                driveline_w=engine - force * surface,
                slip_w=thrust * (surface - speed),
                air_w=drag * speed,
                rolling_w=rolling * speed,
                accelerating_w=(force - thrust) * surface + (thrust - drag - rolling) * speed,
                speed_ms=speed,
                held=held,
            )
        )
    return tuple(found)
