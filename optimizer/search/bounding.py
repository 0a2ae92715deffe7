"""How fast a drive set could be: optimistic runs over all its completions, and tangents at a level.

An optimistic run is one car with the best of each input that any allowed option offers, the loads for rolling and for
grip chosen apart. Net force at every speed is at least that of every real completion, so is the speed.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.physics.grip import slip_of_grip_use
from optimizer.run.affine import Span
from optimizer.run.conditions import Conditions
from optimizer.run.driving import Gear
from optimizer.run.inputs import RunInputs, side_by_side
from optimizer.run.judge import Judge
from optimizer.run.keeping import Floor, Keeping, extremes_of, span_of
from optimizer.run.linear import LESS_IS_FASTER, Additions, C, Frame, LinearSpace
from optimizer.run.simulator import Run, simulate, simulate_each_gear
from optimizer.search.drive_sets import DriveSets
from optimizer.search.surrogate import SpeedOf, Tangents, tangents_at, tangents_here

STEPS = {
    "mass_kg": 0.5, "front_load_kg": 0.5, "rear_load_kg": 0.5, "drag_area_m2": 2e-4, "front_lift_m2": 1e-3,
    "rear_lift_m2": 1e-3, "brake_drag_n": 0.2, "engine_kgm2": 2e-4, "shaft_kgm2": 2e-4, "front_turning_kgm2": 2e-3,
    "rear_turning_kgm2": 2e-3, "free_rolling_n": 0.2, "free_rolling_nv2": 5e-5,
}  # fmt: skip
"""Steps of the central differences: large against rounding, small against curvature."""
SLACK_MS = 1e-2
"""Optimistic runs are loosened by this, and those of slowest completions: more than the simulator's own error."""
CUT_SLACK_MS = 2e-3
"""No tangent is loosened by more: it covers differences, rounding and the curvature of the mean (docs/method.md)."""
FURTHER = (0.01, 0.04)
"""How much further along the line tangents are taken where those at the level are of no use, as a share of it."""
CHUNK = 4096
"""Drive sets bounded at once."""


@dataclass(frozen=True, slots=True)
class Batch:
    """B drive sets opened together: their frame, options' coordinates, span.

    ``gears`` (R, B) are the gears in which each run ends; None: the best.
    """

    sets: DriveSets
    frame: Frame
    additions: tuple[Additions, ...]
    span: Span
    gears: IntArray | None = None

    def take(self, rows: IntArray) -> Batch:
        """Some of the drive sets, or drive sets repeated."""
        return Batch(
            self.sets.take(rows), self.frame.take(rows), tuple(each.take(rows) for each in self.additions),
            self.span.take(rows), None if self.gears is None else self.gears[:, rows],
        )  # fmt: skip


class Bounding:
    """Bounds for the drive sets of one scenario and salt condition."""

    def __init__(self, judge: Judge, space: LinearSpace) -> None:
        self.judge = judge
        self.space = space
        self.simulated = 0

    def open(self, sets: DriveSets) -> Batch:
        """Coordinates of drive sets and of everything that may complete them."""
        frame = self.space.frame(sets.builds, sets.allowed)
        frame = replace(frame, drive=replace(frame.drive, cap_ms=np.minimum(frame.drive.cap_ms, sets.cap_ms)))
        additions = tuple(self.space.additions(frame, s) for s in sets.free)
        return Batch(sets, frame, additions, span_of(frame, additions, sets.allowed))

    def optimistic(self, sets: DriveSets, floor: Floor | None = None) -> FloatArray:
        """Speeds (D,) that no completion of each drive set passes; a floor of scores will do for those below it.

        Whether one can keep the floor is asked first: that takes a sixth of the time that its run does.
        """
        parts = [
            self._best_case(self.open(sets.take(np.arange(start, min(start + CHUNK, len(sets))))), floor)
            for start in range(0, len(sets), CHUNK)
        ]
        return np.concatenate(parts) if parts else np.zeros(0)

    @cached_property
    def keeping(self) -> Keeping:
        """Which drive sets could keep a speed."""
        return Keeping(self.space, self.judge.conditions)

    def _best_case(self, batch: Batch, floor: Floor | None) -> FloatArray:
        """Speed of the car that is best in every coordinate at once; the floor where that cannot be kept."""
        cars = [self._fast(batch, each) for each in self.judge.conditions]
        if floor is None:
            return self.judge.joined(self._run(cars))
        able = np.flatnonzero(self.keeping.able(cars, floor.splits))
        speed = np.full(len(batch.sets), floor.score_ms)
        speed[able] = self.judge.joined(self._run([each.take(able) for each in cars]))
        return speed

    def _runs(
        self, frame: Frame, points: FloatArray, grip: FloatArray | None = None, gears: IntArray | None = None
    ) -> tuple[Run, ...]:
        """Each run that counts, of cars at points (n, L), as one batch: small ones cost mostly overhead."""
        return self._run([self.space.inputs(frame, points, each, grip) for each in self.judge.conditions], gears)

    def _run(self, cars: list[RunInputs], gears: IntArray | None = None) -> tuple[Run, ...]:
        """Runs of cars given for each run that counts."""
        self.simulated += sum(map(len, cars))
        return self.judge.runs_of(cars, gears)

    def slowest(self, batch: Batch) -> FloatArray:
        """Speed (B,) that every completion at least scores, caps aside."""
        return self.judge.joined(self._run([self._slow(batch, each) for each in self.judge.conditions])) - SLACK_MS

    def slowest_on_fast_day(self, batch: Batch) -> FloatArray:
        """Ground speed (B,) that every completion at least reaches up to the last board on the fast day, caps aside."""
        slow = self._slow(batch, self.judge.fast)
        self.simulated += len(slow)
        return simulate(slow, self.judge.marks_m, "exit").highest_ms[0] - SLACK_MS

    def _fast(self, batch: Batch, conditions: Conditions) -> RunInputs:
        """The car (B,) that is best in everything at once; in pauses it is slowed as little as the heaviest is."""
        (roll, grip), worst = extremes_of(batch.span, best=True), extremes_of(batch.span, best=False)
        heavy = self.space.slow_inputs(batch.frame, *worst, conditions)
        fast = self.space.inputs(batch.frame, roll, conditions, grip)
        return replace(fast, coasting_kg=heavy.translating_kg + heavy.wheel_side_kg)

    def _slow(self, batch: Batch, conditions: Conditions) -> RunInputs:
        """The car (B,) that is worst in everything at once; in pauses it is slowed as much as the lightest is."""
        (roll, grip), worst = extremes_of(batch.span, best=True), extremes_of(batch.span, best=False)
        light = self.space.inputs(batch.frame, roll, conditions, grip)
        slow = self.space.slow_inputs(batch.frame, *worst, conditions)
        return replace(slow, coasting_kg=light.translating_kg + light.wheel_side_kg)

    def least_slip(self, batch: Batch, speed: FloatArray, conditions: Conditions) -> FloatArray:
        """Slip (B,) that every completion at least has while it keeps a ground speed (B,)."""
        roll, grip = extremes_of(batch.span, best=True)
        inputs = self.space.inputs(batch.frame, roll, conditions, grip)
        more_load = (batch.span.most - batch.span.least)[:, self.space.load_column]
        saved = self.space.saved_on_other_salt(more_load, conditions)
        gear = Gear(replace(inputs, rolling_n=inputs.rolling_n - saved), 0)
        drag, rolling, pressure = gear.resistance(speed)
        base, shift = gear.grip(rolling, pressure)
        thrust = np.maximum(drag + rolling, 0.0)
        return slip_of_grip_use(thrust / (base + shift * thrust), gear.inputs.slip_at_slide)

    def speed_of(self, batch: Batch, rows: IntArray, points: FloatArray) -> FloatArray:
        """Speeds (n,) of cars at points (n, L) of the batch's drive sets given by rows.

        Below 0 for cars too weak for the gear that a run is to end in: the sum of the accelerations they lack.
        """
        gears = None if batch.gears is None else batch.gears[:, rows]
        runs = self._runs(batch.frame.take(rows), points, gears=gears)
        lack = sum((run.lack for run in runs), start=np.zeros(len(rows)))
        return np.where(lack < 0, lack, self.judge.joined(runs))

    def by_gear(self, batch: Batch, level: float) -> tuple[Batch, FloatArray, BoolArray]:
        """The batch once for each combination of last gears that could still reach the level.

        A car's speed is the best over the gears its runs may end in, so the cars that reach a level are a union: one
        convex set for each choice of gears. The optimistic run of each choice says which matter.

        Returns
        -------
        batch : Batch
            The entries; the sets' marks say which drive set each came from.
        speed : array (n,)
            Speed of the optimistic run.
        free : bool array (n,)
            Whether neither limiter nor cap holds it: then every real completion is held by power, grip or distance.
        """
        roll, grip = extremes_of(batch.span, best=True)
        count, gears, runs = len(batch.sets), len(batch.frame.drive.overall), len(self.judge.conditions)
        both = side_by_side([self.space.inputs(batch.frame, roll, each, grip) for each in self.judge.conditions])
        score, hold = simulate_each_gear(both, self.judge.marks_m, self.judge.event.scoring.measure, 0.5 * level)
        speeds = score.reshape(gears, runs, count).swapaxes(0, 1)
        held = hold.reshape(gears, runs, count).swapaxes(0, 1)
        self.simulated += count * runs
        rows, chosen, bounds, free = [], [], [], []
        for choice in itertools.product(range(gears), repeat=len(speeds)):
            each_run = [speeds[number, gear] for number, gear in enumerate(choice)]
            mean = sum(each_run) / len(each_run)
            possible = np.flatnonzero((np.minimum.reduce(each_run) > 0) & (mean > level - SLACK_MS))
            rows.append(possible)
            chosen.append(np.repeat(np.array(choice)[:, None], len(possible), axis=1))
            bounds.append(np.asarray(mean)[possible])
            free.append(~np.logical_or.reduce([held[n, g] for n, g in enumerate(choice)])[possible])
        kept = np.concatenate(rows)
        taken = replace(batch.take(kept), gears=np.concatenate(chosen, axis=1))
        return taken, np.concatenate(bounds), np.concatenate(free)

    def losses(self, batch: Batch, slope: FloatArray) -> list[FloatArray]:
        """Speed (n, m_s) that each option costs against the best in its slot, at a given slope per coordinate."""
        cost = np.zeros(len(slope))
        cost[list(LESS_IS_FASTER)] = slope[list(LESS_IS_FASTER)]
        out = []
        for add, ok in zip(batch.additions, batch.sets.allowed, strict=True):
            least, _ = add.ends(ok)
            out.append(np.where(ok, np.minimum((least @ cost)[:, None] - add.along(cost), 0.0), 0.0))
        return out

    def tangents(
        self, batch: Batch, level: float | FloatArray, ends: tuple[FloatArray, FloatArray] | None = None
    ) -> Tangents:
        """Tangents of a batch at a level, on the line between two points, or from best to worst coordinates.

        Where the slopes to either side disagree (a shift falls on a board, a cap holds the car on one side, the next
        gear can just not be pulled), tangents are taken a little further along the line, where they hold just as well.
        """
        fast, slow = ends or (_coherent(batch.span.least, batch.span.most), batch.span.most)
        steps = self._steps(batch)
        tangents = tangents_at(self._speeds_of(batch), fast, slow, level, steps)
        for share in FURTHER:
            rough = np.flatnonzero(~tangents.smooth)
            if len(rough) == 0 or not np.isfinite(level).all():
                break
            point = tangents.point[rough] + share * (slow[rough] - fast[rough])
            tangents = tangents.replaced(rough, tangents_here(self._speeds_of(batch.take(rough)), point, steps))
        return tangents

    def slopes_near(self, batch: Batch, level: float | FloatArray) -> Tangents:
        """Slopes of cars about a level (n,) between best and worst coordinates: sooner than `tangents`, no cuts."""
        fast, slow = _coherent(batch.span.least, batch.span.most), batch.span.most
        twice = np.tile(np.arange(len(fast)), 2)
        most, least = self.speed_of(batch, twice, np.concatenate([fast, slow])).reshape(2, -1)
        share = np.clip((most - level) / np.maximum(most - least, 1e-9), 0.0, 1.0)
        point = fast + share[:, None] * (slow - fast)
        return tangents_here(self._speeds_of(batch), point, self._steps(batch))

    def _speeds_of(self, batch: Batch) -> SpeedOf:
        return lambda rows, points: self.speed_of(batch, rows, points)

    def _steps(self, batch: Batch) -> FloatArray:
        """Steps of the coordinates that differ between completions; 0 for the others."""
        steps = np.zeros(batch.span.least.shape[1])
        differs = np.asarray((batch.span.most - batch.span.least > 1e-12).any(axis=0))
        for name, step in STEPS.items():
            if differs[C[name]]:
                steps[C[name]] = step
        return steps


def _coherent(least: FloatArray, most: FloatArray) -> FloatArray:
    """A point near the best of all coordinates that a real car could have: lifts in the middle."""
    point = least.copy()
    for name in ("front_lift_m2", "rear_lift_m2"):
        point[:, C[name]] = 0.5 * (least[:, C[name]] + most[:, C[name]])
    return point
