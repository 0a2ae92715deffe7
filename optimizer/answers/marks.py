"""How far behind its expected speed a car may be at a mark before something is wrong.

The runs of a build differ from the stated one by what is not known exactly: of the car, the salt and the parts, drawn
as for `closeness`. The day itself is left out of the draws: it is read off in the morning. A car that is slower at a
mark than 95 % of the draws is not one of those that the model expects.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.answers.closeness import DRAWS, SEED
from optimizer.answers.draws import settings_of
from optimizer.answers.unknowns import only_needed, unknowns_of, with_values
from optimizer.choice.options import FloatArray, IntArray
from optimizer.run.conditions import Conditions
from optimizer.run.inputs import models_side_by_side
from optimizer.run.judge import Judge
from optimizer.run.model import RunModel
from optimizer.run.simulator import simulate
from optimizer.scenario.event import Weather
from optimizer.search.study import Study

SLOWER_SHARE = 0.05
"""Share of the draws that are slower than where a run is to be broken off."""


@dataclass(frozen=True, slots=True)
class Shortfall:
    """What is expected at a mark on one salt, and how much less says that something is wrong [m/s].

    ``expected_ms`` is the speed at the stated values, ``least_ms`` that which 95 % of the draws pass.
    """

    salt: str
    at_m: float
    expected_ms: float
    least_ms: float

    @property
    def short_ms(self) -> float:
        """How far below the expected speed a run is broken off; at least 0."""
        return max(self.expected_ms - self.least_ms, 0.0)


def shortfalls(
    study: Study, build: IntArray, salt: str, weather: Weather, marks_m: tuple[float, float], draws: int = DRAWS
) -> tuple[Shortfall, Shortfall]:
    """Expected and least speed of a build (S,) at two marks along the course, without wind.

    A draw that does not get to a mark counts as one that stands there.
    """
    options, rows = only_needed(study.options, build[None])
    unknowns = [each for each in unknowns_of(options, salt) if each.place != "weather"]
    settings = [{}, *settings_of(unknowns, options.scenario.calibration, draws, SEED)]
    inputs = []
    for setting in settings:
        model = RunModel(with_values(options, setting))
        surface = model.options.scenario.event.salts[salt]
        inputs.append(model.inputs(rows, Conditions(surface, weather, 0.0, 0.0)))
    speed: FloatArray = np.nan_to_num(simulate(models_side_by_side(inputs), marks_m, "exit").passing.speed)
    least = np.quantile(speed[:, 1:], SLOWER_SHARE, axis=1, method="hazen")
    first, second = (
        Shortfall(salt, at_m, float(speed[m, 0]), float(least[m])) for m, at_m in enumerate(marks_m)
    )
    return first, second


def salts_of(judge: Judge) -> tuple[str, ...]:
    """Conditions of the salt that a run may meet, the firmest first: all but one that is only for stopping."""
    event = judge.event
    only_stopping = {event.stopping.salt} - {event.salt, event.fast_case.salt}
    course = [each for each in event.salts if each not in only_stopping] or list(event.salts)
    return tuple(sorted(course, key=lambda each: event.salts[each].rolling_coefficient))
