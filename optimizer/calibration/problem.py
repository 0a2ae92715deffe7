"""All measurements of a car as one problem: what may move, what was observed, and what a world would have shown.

A world is one score for every parameter, in units of its standard uncertainty. Many worlds are simulated as one batch.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Any, cast

import numpy as np

from optimizer.answers.unknowns import Unknown, with_values
from optimizer.calibration import observations as made
from optimizer.calibration.observations import Observation, OfPart, OfRun, OfTrace, Stretch
from optimizer.calibration.occasions import COAST_DRAG_N, Occasion, Parameter
from optimizer.choice.options import FloatArray, IntArray, Options
from optimizer.physics.tires import circumference_growth
from optimizer.run.inputs import RunInputs, models_side_by_side
from optimizer.run.model import DriveRows, RunModel, S, rolling_radius_m
from optimizer.run.panels import LIMITS
from optimizer.run.simulator import Measure, Run, simulate
from optimizer.run.traces import Trace, coast_down, pull, slip_at, speed_at
from optimizer.scenario.parts import Engine, Part, Tire

STEP = 0.01
"""Step of the derivatives, in standard uncertainties: numbers that act alike must do so in them to many digits."""
HOLDING = (LIMITS.index("revs"), LIMITS.index("speed cap"))
COAST_DRAG = Parameter("car:coast drag", "drag of the idle driveline", "force", 0.0, COAST_DRAG_N)


@dataclass(frozen=True, slots=True)
class Cars:
    """Simulator inputs of worlds on occasions: those of occasion o are ``rows[o]``, of the worlds ``worlds[o]``."""

    inputs: RunInputs
    rows: tuple[slice, ...]
    worlds: tuple[IntArray, ...]


@dataclass(frozen=True)
class Problem:
    """What is to be explained, and by what.

    Attributes
    ----------
    options : Options
        With the parts of the measured builds only.
    occasions : tuple of Occasion
    parameters : tuple of Parameter
        P of them: unknowns of car, salt and parts first, then those of days and traces.
    observations : tuple of Observation
        N numbers in all, one after the other.
    stretches : tuple of Stretch
    left_out : tuple of str
        What could not be used, and why.
    correlation : array (P, P) or None
        Of the parameters before anything is looked at, where a calibration left one.
    """

    options: Options
    occasions: tuple[Occasion, ...]
    parameters: tuple[Parameter, ...]
    observations: tuple[Observation, ...]
    stretches: tuple[Stretch, ...]
    left_out: tuple[str, ...] = ()
    correlation: FloatArray | None = None

    @cached_property
    def prior(self) -> FloatArray:
        """Covariance of the parameters before anything is looked at (P, P)."""
        return np.eye(len(self.parameters)) if self.correlation is None else self.correlation

    @cached_property
    def prior_known(self) -> FloatArray:
        """Its inverse. A calibration may know a sum exactly: a millionth of the prior is left open."""
        if self.correlation is None:
            return self.prior
        size = len(self.parameters)
        return np.asarray(np.linalg.inv((1 - 1e-6) * self.prior + 1e-6 * np.eye(size)))

    @cached_property
    def place(self) -> Mapping[str, int]:
        """Position of each parameter by key."""
        return {each.key: p for p, each in enumerate(self.parameters)}

    @cached_property
    def slices(self) -> tuple[slice, ...]:
        """Where each observation's numbers stand."""
        ends = np.cumsum([0, *(made.size_of(each) for each in self.observations)])
        return tuple(slice(int(a), int(b)) for a, b in pairwise(ends))

    @cached_property
    def observed(self) -> FloatArray:
        """All numbers (N,)."""
        return made.values_of(self.observations)

    @cached_property
    def touched(self) -> tuple[frozenset[int], ...]:
        """Occasions that each parameter can change anything on."""
        everywhere = frozenset(range(len(self.occasions)))
        own: dict[str, set[int]] = {}
        for o, occasion in enumerate(self.occasions):
            for parameter in occasion.own.values():
                own.setdefault(parameter.key, set()).add(o)
        for stretch in self.stretches:
            own.setdefault(stretch.start.key, set()).add(stretch.occasion)
        return tuple(frozenset(own[each.key]) if each.key in own else everywhere for each in self.parameters)

    # --- worlds

    def shown(self, worlds: FloatArray, touched: Sequence[frozenset[int]] | None = None) -> FloatArray:
        """What K worlds (K, P) would have shown: (K, N).

        With ``touched`` a world is only looked at on those occasions; elsewhere it shows what the first one does, which
        must be looked at on all.
        """
        cars = self._cars(worlds, touched)
        out = np.empty((len(worlds), len(self.observed)))
        traces = self._traces(worlds, cars)
        runs: dict[tuple[tuple[float, float], Measure], Run] = {}
        for each, where in zip(self.observations, self.slices, strict=True):
            rows, ks = cars.rows[each.occasion], cars.worlds[each.occasion]
            if isinstance(each, OfTrace):
                values = self._of_trace(each, traces[each.stretch], cars.inputs, rows)
            elif isinstance(each, OfRun):
                key = (each.marks_m, each.measure)
                if key not in runs:
                    runs[key] = simulate(cars.inputs, *key)
                values = _of_run(each, runs[key], cars.inputs, rows)
            else:
                values = self._of_part(each, worlds[ks])
            if len(ks) < len(worlds):
                out[:, where] = values[0]
            out[ks, where] = values
        return out

    def held(self, world: FloatArray, used: Sequence[bool]) -> bool:
        """Whether revs or a cap hold the car on a timed run that is used: what it has to give does not show there."""
        every = [each for each, one in zip(self.observations, used, strict=True) if one and isinstance(each, OfRun)]
        last = max((each.marks_m[1] for each in every), default=0.0)
        runs = [each for each in every if each.marks_m[1] == last]
        if not runs:
            return False
        cars = self._cars(world[None], None)
        for marks, measure in {(each.marks_m, each.measure) for each in runs}:
            limit = simulate(cars.inputs, marks, measure).passing.limit[1]
            rows = [cars.rows[each.occasion].start for each in runs if (each.marks_m, each.measure) == (marks, measure)]
            if np.isin(limit[rows], HOLDING).any():
                return True
        return False

    def inputs(self, world: FloatArray, occasion: int) -> RunInputs:
        """Simulator inputs of the car of an occasion in a world (P,)."""
        return _Models(self).inputs(world, self.occasions[occasion])

    def linearized(self, world: FloatArray) -> tuple[FloatArray, FloatArray]:
        """What a world (P,) shows, (N,), and its slopes, (N, P): one batch of simulations."""
        worlds = np.vstack([world, world + STEP * np.eye(len(world))])
        shown = self.shown(worlds, [frozenset(range(len(self.occasions))), *self.touched])
        return shown[0], (shown[1:] - shown[0]).T / STEP

    def _cars(self, worlds: FloatArray, touched: Sequence[frozenset[int]] | None) -> Cars:
        models = _Models(self)
        inputs: list[RunInputs] = []
        rows, ks = [], []
        for o, occasion in enumerate(self.occasions):
            here = [k for k in range(len(worlds)) if touched is None or o in touched[k]]
            rows.append(slice(len(inputs), len(inputs) + len(here)))
            ks.append(np.array(here, dtype=np.int64))
            inputs += [models.inputs(worlds[k], occasion) for k in here]
        return Cars(models_side_by_side(inputs), tuple(rows), tuple(ks))

    def _traces(self, worlds: FloatArray, cars: Cars) -> dict[int, tuple[Trace, slice]]:
        """The traces of all stretches, those in one gear integrated together, and where each one's cars stand."""
        by_gear: dict[int | None, list[int]] = {}
        for s, stretch in enumerate(self.stretches):
            by_gear.setdefault(stretch.gear, []).append(s)
        found: dict[int, tuple[Trace, slice]] = {}
        for gear, some in by_gear.items():
            rows = [np.arange(each.start, each.stop) for each in (cars.rows[self.stretches[s].occasion] for s in some)]
            inputs = cars.inputs.take(np.concatenate(rows))
            start, seconds, drag = [], [], []
            for s in some:
                stretch = self.stretches[s]
                ks = cars.worlds[stretch.occasion]
                scores = worlds[ks, self.place[stretch.start.key]]
                start.append(stretch.start.value + stretch.start.deviation * scores)
                seconds.append(np.full(len(ks), stretch.seconds))
                if gear is None:
                    at = self.place[COAST_DRAG.key]
                    drag.append(self.parameters[at].deviation * worlds[ks, at])
            begin, long = np.concatenate(start), np.concatenate(seconds)
            trace = coast_down(inputs, begin, long, np.concatenate(drag)) if gear is None else pull(
                inputs, gear, begin, long
            )  # fmt: skip
            ends = np.cumsum([0, *map(len, rows)])
            for s, first, after in zip(some, ends[:-1], ends[1:], strict=True):
                found[s] = (trace, slice(int(first), int(after)))
        return found

    def _of_trace(
        self, each: OfTrace, found: tuple[Trace, slice], inputs: RunInputs, rows: slice
    ) -> FloatArray:
        if each.reach_s.any():
            ends = (each.time_s - each.reach_s, each.time_s + each.reach_s)
            sides = (replace(each, time_s=end, reach_s=0.0 * end) for end in ends)
            before, after = (self._of_trace(side, found, inputs, rows) for side in sides)
            return np.asarray(0.5 * (before + after))
        trace, place = found
        speed = speed_at(trace, place, each.time_s)
        if each.channel == "speed":
            return speed
        surface = np.maximum(speed, 1.0) * slip_at(trace, place, each.time_s)
        if each.channel == "driven":
            return np.log(surface)
        gear = cast(int, self.stretches[each.stretch].gear)
        radius = inputs.radius_m[rows, None] * circumference_growth(inputs.growth[rows, None], surface)
        return np.asarray(np.log(surface * inputs.overall[gear, rows, None] * 30.0 / (np.pi * radius)))

    def _of_part(self, each: OfPart, worlds: FloatArray) -> FloatArray:
        """A part's number over what is stated, as a logarithm: (k, 1)."""
        models = _Models(self)
        stated = models.number(np.zeros(worlds.shape[1]), each)
        return np.log(np.array([[models.number(world, each) / stated] for world in worlds]))


def _of_run(each: OfRun, run: Run, inputs: RunInputs, rows: slice) -> FloatArray:
    """A number of a timed run of cars: (k, 1). A car that gets nowhere has a speed of 1 m/s."""
    if each.gear is None:
        return np.maximum(run.score_ms[rows, None], 1.0)
    surface = np.where(run.score_ms[rows] > 0, np.nan_to_num(run.passing.surface[1, rows], nan=1.0), 1.0)
    radius = inputs.radius_m[rows] * circumference_growth(inputs.growth[rows], surface)
    return np.asarray(np.log(surface * inputs.overall[each.gear, rows] * 30.0 / (np.pi * radius))[:, None])


class _Models:
    """Models of worlds, one for each set of scores of car and parts; what days add comes on top."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.unknowns = [(p, each) for p, each in enumerate(problem.parameters) if each.unknown is not None]
        self.lasting = [(p, each) for p, each in self.unknowns if cast(Unknown, each.unknown).place != "salt"]
        self.days = [(p, each.key) for p, each in enumerate(problem.parameters) if each.unknown is None]
        self._known: dict[bytes, tuple[Options, RunModel]] = {}
        self._rows: dict[tuple[bytes, bytes], tuple[FloatArray, DriveRows]] = {}
        self._first: RunModel | None = None

    def _key(self, world: FloatArray) -> bytes:
        return world[[p for p, _ in self.lasting]].tobytes()

    def model(self, world: FloatArray) -> tuple[Options, RunModel]:
        """Options and model of a world (P,)."""
        key = self._key(world)
        if key not in self._known:
            values = {cast(Unknown, each.unknown): each.at(float(world[p])) for p, each in self.lasting if world[p]}
            options = with_values(self.problem.options, values)
            model = RunModel(options, self._first)
            self._first = self._first or model
            self._known[key] = (options, model.shifting_as(self._first))
        return self._known[key]

    def inputs(self, world: FloatArray, occasion: Occasion) -> RunInputs:
        """Simulator inputs of the car of an occasion in a world (P,)."""
        _, model = self.model(world)
        key = (self._key(world), occasion.row.tobytes())
        if key not in self._rows:
            self._rows[key] = (model.sums_of(occasion.row[None]), model.drive_rows(occasion.row[None]))
        sums, drive = self._rows[key]
        if occasion.mass_kg is not None:
            # as weighed that day; how well scales know it is the uncertainty of the mass
            stated = self.model(np.zeros_like(world))[1].sums_of(occasion.row[None])[0, S["mass_kg"]]
            sums = sums.copy()
            sums[:, [S["mass_kg"], S["front_load_kg"], S["rear_load_kg"]]] *= occasion.mass_kg / stated
        salt = self.problem.options.scenario.event.salts[occasion.salt]
        values: dict[str, Any] = {
            each.unknown.field: each.at(float(world[p]))
            for p, each in self.unknowns
            if each.unknown is not None and each.unknown.place == "salt" and each.unknown.id == occasion.salt
        }
        scores = {key: float(world[p]) for p, key in self.days if world[p]}
        conditions = occasion.conditions(replace(salt, **values), scores)
        return model.inputs_from(sums, drive, conditions)

    def number(self, world: FloatArray, each: OfPart) -> float:
        """Highest torque of an engine, or roll-out of a tire, in a world."""
        options, _ = self.model(world)
        part = part_of(options, each.part)
        if each.what == "torque":
            return max(cast(Engine, part).curve.torque_nm)  # type: ignore[union-attr]
        return 2 * float(np.pi) * rolling_radius_m(cast(Tire, part))


def part_of(options: Options, part_id: str) -> Part:
    """The part of some options with an id."""
    return next(part for parts in options.parts for part in parts if part.id == part_id)
