"""What a run can lose in the pause of a shift, at most: a board may fall into one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import cast

import numpy as np

from optimizer.physics import rolling
from optimizer.run.conditions import Conditions
from optimizer.run.driving import Gear
from optimizer.run.inputs import FloatArray
from optimizer.run.model import LEAST_PRESSURE_PA, RunModel, S
from optimizer.scenario.parts import Axle, Extra, Tire


def most_lost_in_pause(model: RunModel, runs: Iterable[Conditions], level_ms: float) -> float:
    """Most speed that any build can have lost at a board in the pause of a shift, when its run scores a level [m/s].

    Such a pause begins at the level or faster, and what is lost grows more slowly than the speed at which it begins.
    So it is at most the pause times the most resistance at the level over the least mass.
    """
    most = model.base + sum(table.max(axis=0) for table in model.sums)
    least = model.base + sum(table.min(axis=0) for table in model.sums)
    for name in ("front_lift_m2", "rear_lift_m2"):
        most[S[name]] = min(least[S[name]], 0.0)  # lift that saves rolling is not counted
    level, growth = zip(*(_most_rolling(model, axle) for axle in ("front", "rear")), strict=True)
    fitted = model.drive_rows(model.options.fitted[None])
    drive = replace(fitted, coefficient=np.array(level)[:, None], speed_term=np.array(growth)[:, None])
    lost = [0.0]
    for each in runs:
        gear = Gear(model.inputs_from(np.asarray(most)[None], drive, each), 0)
        drag, rolls, _ = gear.resistance(np.array([max(level_ms, 0.0)]))
        lost.append(model.car.shift_time_s * float((drag + rolls)[0]) / float(least[S["mass_kg"]]))
    return max(lost)


def _most_rolling(model: RunModel, axle: Axle) -> tuple[float, float]:
    """Highest rolling coefficient, and its growth with speed squared, of any tire of an axle at any pressure."""
    s = cast(int, model.slot_on("tire", axle))
    own = max(cast(Tire, part).rolling_coefficient for part in model.options.parts[s])
    terms = [rolling.rolling_terms(each, rolling.REFERENCE_PRESSURE_PA) for each in _pressures_pa(model, axle)]
    return own * max(float(level) for level, _ in terms), own * max(float(growth) for _, growth in terms)


def _pressures_pa(model: RunModel, axle: Axle) -> FloatArray:
    """Lowest and highest gauge pressure (2,) that extras leave the tires of an axle."""
    pressure = np.full(2, model.car.hub(axle).tire_pressure_pa)
    for slot, parts in zip(model.options.slots, model.options.parts, strict=True):
        if slot.kind == "extra" and slot.axle in (None, axle):
            each = [part.pressure_pa if isinstance(part, Extra) else 0.0 for part in parts]
            pressure += (min(each), max(each))
    return np.maximum(pressure, LEAST_PRESSURE_PA)
