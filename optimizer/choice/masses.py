"""What a choice does to the weight of the car, in all and on each axle: linear in the options.

The car was weighed with its fitted parts on it, so a build weighs ``car.mass_kg`` plus, slot by slot, the
slot's count times (mass of the part - mass of the fitted part). Where that difference stands decides which
axle feels it.
"""

from __future__ import annotations

import numpy as np

from optimizer.choice.options import FloatArray, Options
from optimizer.scenario.car import Car, Slot
from optimizer.scenario.parts import Extra, Part


def axle_loads_as_weighed(car: Car) -> tuple[float, float]:
    """Front and rear axle load [kg] of the car with its fitted parts."""
    front = car.mass_kg * car.front_share
    return front, car.mass_kg - front


def rear_share_of(part: Part, slot: Slot, car: Car) -> float:
    """Share of a part's weight that the rear axle carries, by moments about the front axle.

    The nearest statement counts: the part's own position, else the axle its slot sits on, else the slot's
    position, else the balance of the car as weighed. A share above 1 (mass behind the rear axle) takes load
    off the front; a negative one (ahead of the front axle) takes it off the rear.
    """
    if isinstance(part, Extra) and part.position_m is not None:
        return part.position_m / car.wheelbase_m
    if slot.axle is not None:
        return 0.0 if slot.axle == "front" else 1.0
    if slot.position_m is not None:
        return slot.position_m / car.wheelbase_m
    return 1.0 - car.front_share


def mass_changes(options: Options) -> tuple[FloatArray, ...]:
    """Change of the car's mass [kg] by each option against the fitted one; one array ``(m_s,)`` per slot."""
    return tuple(
        slot.count * (np.array([part.mass_kg for part in parts]) - parts[0].mass_kg)
        for slot, parts in zip(options.slots, options.parts, strict=True)
    )


def axle_load_changes(options: Options) -> tuple[tuple[FloatArray, ...], tuple[FloatArray, ...]]:
    """Change of the static front and rear axle load [kg] by each option against the fitted one.

    Returns
    -------
    (front, rear) : two tuples of arrays
        ``front[s]`` and ``rear[s]`` have shape ``(m_s,)``; their sum is `mass_changes`. The load of an axle
        in a build is the axle's load as weighed plus the sum over slots of the entries of the chosen options.
    """
    car = options.scenario.car
    front: list[FloatArray] = []
    rear: list[FloatArray] = []
    for slot, parts in zip(options.slots, options.parts, strict=True):
        mass = slot.count * np.array([part.mass_kg for part in parts])
        on_rear = mass * np.array([rear_share_of(part, slot, car) for part in parts])
        on_front = mass - on_rear
        front.append(on_front - on_front[0])
        rear.append(on_rear - on_rear[0])
    return tuple(front), tuple(rear)
