"""Speed of a build under the event's scoring, and the checks that need a run: tires, load, stopping, rotors.

Ranks use a total order, `order_keys`: speed to 0.001 m/s, then price, then margin, then ids.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np

from optimizer.choice.options import BoolArray, IntArray, Options
from optimizer.physics import air, tires
from optimizer.physics.driveline import rpm_at_speed
from optimizer.run.conditions import Conditions, conditions_of, fast_conditions_of
from optimizer.run.driving import Gear
from optimizer.run.inputs import FloatArray, RunInputs, side_by_side
from optimizer.run.model import RunModel, S, rated_speed_ms
from optimizer.run.pauses import most_lost_in_pause
from optimizer.run.simulator import Run, simulate
from optimizer.run.stopping import Stopping, rotor_capacity_j, stopping_of
from optimizer.scenario.parts import Axle, Extra, Tire
from optimizer.units import to_unit

SPEED_STEP_MS = 1e-3
"""Speeds that round to the same multiple of this (0.002 mph) are equal in ranks: far below what any model of a car on
salt can tell apart, and just under a cap thousands of builds differ by less."""
TIRE_SPEED = "tire speed"
STOPS = ("stopping distance", "rotor rise")
CHECKS = (TIRE_SPEED, "load at speed", *STOPS)
"""Names of the checks that need a run; the last are asked of a stop."""
ALL_USED = 1 + 1e-9
"""Share of what is allowed up to which a check is met; the rest is rounding."""
MOST_OVER = 1000.0
"""Per cent over what is allowed beyond which the number says nothing."""


@dataclass(frozen=True, slots=True)
class Judged:
    """Checks and margins of n builds.

    Attributes
    ----------
    used : array (len(CHECKS), n)
        Share of what is allowed that each check finds: tires, their loads, the way to stop, the rise of rotors.
    passes : bool array (len(CHECKS), n)
        Whether each check is met.
    margins : array (4, n)
        What is left of tire speed, stopping distance, rotor rise and revs, as a share of what is allowed.
    fast_surface_ms : array (2, n)
        Highest surface speed of front and rear tires up to the last board, on the fast day or in the runs that count,
        whichever is higher.
    stopping : Stopping
        Stops from the higher of exit and planned speed.
    exit_ms : array (n,)
        Highest speed at the last board, over the runs.
    """

    used: FloatArray
    passes: BoolArray
    margins: FloatArray
    fast_surface_ms: FloatArray
    stopping: Stopping
    exit_ms: FloatArray

    @property
    def legal(self) -> BoolArray:
        """All checks met: (n,)."""
        return np.asarray(self.passes.all(axis=0))

    @property
    def care(self) -> FloatArray:
        """The smallest margin: (n,)."""
        return self.margins.min(axis=0)


def _over(share: float) -> str:
    """By how much a share of what is allowed is too much; nothing where that says nothing (a tire without a rating)."""
    percent = 100 * (share - 1)
    return "" if not percent < MOST_OVER else f"{percent:.0f} % " if percent >= 1 else "less than 1 % "


class Judge:
    """Simulates builds of one scenario under one salt condition.

    Parameters
    ----------
    model : RunModel
        The scenario's builds as simulator inputs.
    salt : str, optional
        Salt condition; the event's own when left out.
    """

    def __init__(self, model: RunModel, salt: str | None = None) -> None:
        self.model = model
        self.event = model.options.scenario.event
        self.conditions: tuple[Conditions, ...] = conditions_of(self.event, salt)
        self.fast = fast_conditions_of(self.event)
        course = self.event.course
        self.marks_m = (course.run_up_m, course.run_up_m + course.timed_m)
        self.planned_ms = model.options.scenario.race_class.planned_ms

    @property
    def options(self) -> Options:
        """What may stand in each slot."""
        return self.model.options

    def runs(self, builds: IntArray) -> tuple[Run, ...]:
        """Each run that counts, for builds (n, S)."""
        return self.runs_of([self.model.inputs(builds, each) for each in self.conditions])

    def runs_of(self, inputs: Sequence[RunInputs], last_gear: IntArray | None = None) -> tuple[Run, ...]:
        """Runs of the same n cars under different conditions, as one batch: small ones cost mostly overhead.

        ``last_gear`` (R, n), optional, are the gears in which the runs are to end.
        """
        every = self.run_of(side_by_side(inputs), None if last_gear is None else last_gear.ravel())
        count = len(inputs[0])
        return tuple(every.take(np.arange(count) + number * count) for number in range(len(inputs)))

    def run_of(self, inputs: RunInputs, last_gear: IntArray | None = None) -> Run:
        """One run of cars given as inputs, ending in the best gear or in those given (n,)."""
        return simulate(inputs, self.marks_m, self.event.scoring.measure, last_gear)

    def joined(self, runs: tuple[Run, ...]) -> FloatArray:
        """Speed that counts (n,) over the runs, as the rule joins them: mean of speeds, or of times."""
        speeds = [run.score_ms for run in runs]
        if self.event.scoring.mean_of == "times":
            slow = np.minimum.reduce(speeds)
            inverse = sum(1.0 / np.maximum(speed, 1e-9) for speed in speeds) / len(speeds)
            return np.where(slow > 0, 1.0 / inverse, 0.0)
        return np.asarray(sum(speeds) / len(speeds))

    def speeds(self, builds: IntArray) -> FloatArray:
        """Speed that counts (n,) of builds (n, S)."""
        return self.joined(self.runs(builds))

    def on_fast_day(self, builds: IntArray) -> Run:
        """The run on the fast day, of builds (n, S)."""
        return self._on_fast_day(self.model.inputs(builds, self.fast))

    def _on_fast_day(self, inputs: RunInputs) -> Run:
        return simulate(inputs, self.marks_m, "exit")

    def tires_last(self, builds: IntArray, run: Run) -> BoolArray:
        """Whether a run of builds (n, S) leaves their tires within their rating, with the margin: (n,)."""
        return np.asarray(self._rating_used(builds, self.tire_surface(run)) <= ALL_USED)

    def judge(self, builds: IntArray, runs: tuple[Run, ...], fast: Run | None = None) -> Judged:
        """Checks that need a run, and margins, of builds (n, S) with their runs; `on_fast_day` too, if it is known."""
        fast_inputs = self.model.inputs(builds, self.fast)
        fast = self._on_fast_day(fast_inputs) if fast is None else fast
        exit_ms = np.fmax.reduce([run.passing.speed[1] for run in runs])
        surface = np.maximum.reduce([self.tire_surface(run) for run in (fast, *runs)])
        used = self._rating_used(builds, surface)
        stopping = stopping_of(self.model, builds, np.fmax(exit_ms, self.planned_ms))
        distance = stopping.distance_m.max(axis=0) / self.event.course.shutdown_m
        load = self._load_use(builds, fast_inputs, fast.passing.speed[1], surface)
        revs = (
            np.maximum.reduce([self.rpm(builds, run)[1] for run in runs]) / self.model.drive_rows(builds).rev_limit_rpm
        )
        each = np.stack([used, load, distance, stopping.rise_share])
        return Judged(
            used=each,
            passes=each <= ALL_USED,
            margins=1.0 - np.stack([used, distance, stopping.rise_share, revs]),
            fast_surface_ms=surface,
            stopping=stopping,
            exit_ms=exit_ms,
        )

    def broken(self, judged: Judged, n: int) -> tuple[str, ...]:
        """Checks that one of the builds does not meet, each with by how much, and a stop with the speed it is from."""
        every = zip(CHECKS, judged.used[:, n], judged.passes[:, n], strict=True)
        stopped = self._stopped_from(float(judged.exit_ms[n]))
        return tuple(
            f"{name}: {_over(float(share))}over what is allowed{stopped if name in STOPS else ''}"
            for name, share, ok in every
            if not ok
        )

    def _stopped_from(self, exit_ms: float) -> str:
        """From what speed a build that passes the last board at some speed is stopped, and why from there."""
        unit = self.event.speed_unit
        why = "its speed at the last board"
        if self.planned_ms > exit_ms:
            why = "the record with its margin: it is not that fast, but must be able to stop from there"
        return f" in a stop from {to_unit(max(self.planned_ms, exit_ms), unit, 'speed'):.1f} {unit}, {why}"

    def hopeless(self, level_ms: float, board_ms: float) -> tuple[BoolArray, ...]:
        """Options with which no build that reaches a level meets every check: bool (m_s,) per slot.

        The highest speed of a run is at least the score, a tire's surface at least as fast as the car, and no build
        is lighter than the lightest parts together: a tire rated below the level is out, and so is a rotor that
        the lightest car's energy at the last board, passed at ``board_ms`` at least (or at the planned speed), takes
        over its limit.
        """
        speed = max(level_ms, 0.0)
        lightest = self.model.base[S["mass_kg"]] + sum(table[:, S["mass_kg"]].min() for table in self.model.sums)
        energy = 0.5 * float(lightest) * max(board_ms, self.planned_ms, 0.0) ** 2
        out = []
        for s, slot in enumerate(self.options.slots):
            parts = self.options.parts[s]
            if slot.kind == "tire" and not self.model.limiter_holds_rating:
                margin = 1 + self.event.fast_case.tire_speed_margin
                out.append(np.array([rated_speed_ms(cast(Tire, part)) < speed * margin * (1 - 1e-9) for part in parts]))
            elif slot.kind == "rotor":
                capacity = rotor_capacity_j(self.options, s, self.model.car.brake_front_share)
                out.append(energy > capacity * (1 + 1e-9))
            else:
                out.append(np.zeros(len(parts), dtype=bool))
        return tuple(out)

    def most_dip_ms(self, level_ms: float) -> float:
        """Most that a build which scores a level can be slower at a board: see `most_lost_in_pause`."""
        return most_lost_in_pause(self.model, self.conditions, level_ms) if np.isfinite(level_ms) else 0.0

    def caps_ms(self) -> tuple[float, ...]:
        """Every ground speed cap that some build could run into: speed brackets, and parts with a cap of their own."""
        brackets = [bracket.cap_ms for bracket in self.options.scenario.race_class.brackets]
        return (*brackets, *self._part_caps_ms())

    def caps(self, level_ms: float) -> bool:
        """Whether a cap holds cars in the very step of speed that a level begins: thousands may be just as fast."""
        if not np.isfinite(level_ms):
            return False
        return bool((speed_steps(np.array(self.caps_ms())) == speed_steps(level_ms + 0.5 * SPEED_STEP_MS)).any())

    def _part_caps_ms(self) -> tuple[float, ...]:
        """Caps that come with parts."""
        own = [part.cap_ms for parts in self.options.parts for part in parts if isinstance(part, Extra)]
        return tuple(cap for cap in own if cap is not None)

    def tires_hold(self, axle: Axle, surface_ms: FloatArray) -> BoolArray:
        """Whether each tire of an axle is rated for surface speeds (n,) on the fast day, with the margin: (n, m_s)."""
        s = cast(int, self.model.slot_on("tire", axle))
        rated = np.array([rated_speed_ms(cast(Tire, part)) for part in self.options.parts[s]])
        if self.model.limiter_holds_rating:
            return np.ones((len(surface_ms), len(rated)), dtype=bool)
        margin = (1 + self.event.fast_case.tire_speed_margin) * (1 - 1e-9)
        return np.asarray(surface_ms[:, None] * margin <= rated)

    def least_cap_ms(self, level_ms: float, above_ms: float) -> float:
        """The lowest ground speed cap that builds which reach a level could run into; inf if there is none.

        Speed brackets less than ``above_ms`` over the level are left out.
        """
        own = [cap for cap in self._part_caps_ms() if cap >= level_ms - SPEED_STEP_MS]
        brackets = [each.cap_ms for each in self.options.scenario.race_class.brackets]
        return min([*own, *(cap for cap in brackets if cap >= level_ms + above_ms - SPEED_STEP_MS)], default=np.inf)

    def rotor_rows(
        self, board_ms: float | FloatArray, radius_m: FloatArray, share: float = 1.0
    ) -> list[tuple[tuple[FloatArray, ...], FloatArray]]:
        """Linear rows (coefficients per slot, upper) that builds as fast at the last board must keep for rotors' sake.

        Half of what moves and turns times the square of the higher of that speed and the planned one, in the worst case
        all on one axle, must not pass what its rotors take. What a tire itself weighs turns at its own radius.

        Parameters
        ----------
        board_ms : float, or array (D,)
            Least speed at the last board.
        radius_m : array (2, D)
            Rolling radius of front and rear tires of each drive set, or the largest there may be.
        share : float
            Factor on the energy: above 1 for builds that should pass with something to spare.

        Returns
        -------
        list of (coefficients, upper)
            For each slot of rotors: coefficients per slot (D, m_s), upper (D,).
        """
        speed = np.maximum(board_ms, max(self.planned_ms, 0.0))
        by_radius = 1.0 / radius_m[:, :, None] ** 2

        def worth(table: FloatArray, by_radius: FloatArray) -> FloatArray:
            front, rear = table[:, S["front_turning_kgm2"]], table[:, S["rear_turning_kgm2"]]
            found: FloatArray = table[:, S["mass_kg"]] + by_radius[0] * front + by_radius[1] * rear
            return found

        every = []
        for s, (slot, table) in enumerate(zip(self.options.slots, self.model.sums, strict=True)):
            own = by_radius
            if slot.kind == "tire":
                own = np.broadcast_to(1.0 / self.model.radii_m(s) ** 2, (*by_radius.shape[:2], len(table)))
            every.append(worth(table, own))
        upper = 1e-6 - worth(self.model.base[None], by_radius)[:, 0]
        rows = []
        for s, slot in enumerate(self.options.slots):
            if slot.kind == "rotor":
                capacity = rotor_capacity_j(self.options, s, self.model.car.brake_front_share)
                own = every[s] - capacity / (0.5 * share * speed[..., None] ** 2)
                rows.append(((*every[:s], own, *every[s + 1 :]), upper))
        return rows

    def rpm(self, builds: IntArray, run: Run) -> FloatArray:
        """Engine speed at both boards: (2, n)."""
        inputs = self.model.inputs(builds, self.conditions[0])
        surface = run.passing.surface
        radius = inputs.radius_m * tires.circumference_growth(inputs.growth, surface)
        return rpm_at_speed(surface, np.take_along_axis(inputs.overall, run.passing.gear, axis=0), radius)

    def tire_surface(self, run: Run) -> FloatArray:
        """Highest surface speed of front and rear tires up to the last board; driven ones turn faster than the car.

        Not that at the boards: one may fall into the pause of a shift, when a tire has been faster.
        """
        fastest, turning = run.highest_ms
        driven = self.model.car.drive
        return np.stack(
            [turning if driven in ("front", "all") else fastest, turning if driven in ("rear", "all") else fastest]
        )

    def _per_axle(self, builds: IntArray, axle: Axle, value: Callable[[Tire], float]) -> FloatArray:
        """A number of the tire on an axle: (n,)."""
        s = cast(int, self.model.slot_on("tire", axle))
        return np.array([value(cast(Tire, p)) for p in self.options.parts[s]], dtype=np.float64)[builds[:, s]]

    def _rating_used(self, builds: IntArray, surface_ms: FloatArray) -> FloatArray:
        """Largest share of a tire's rating, less the margin, used at surface speeds (2, n) of front and rear: (n,)."""
        rated = np.stack(
            [self._per_axle(builds, "front", rated_speed_ms), self._per_axle(builds, "rear", rated_speed_ms)]
        )
        margin = 1 + self.event.fast_case.tire_speed_margin
        return np.asarray((surface_ms * margin / np.maximum(rated, 1e-9)).max(axis=0))

    def _load_use(
        self, builds: IntArray, inputs: RunInputs, speed_ms: FloatArray, surface_ms: FloatArray
    ) -> FloatArray:
        """Largest share of a tire's load capacity used at speed: lift, load transfer and reduction with speed."""
        drag, _, pressure = Gear(inputs, 0).resistance(speed_ms)
        loads = (
            inputs.front_grip_n - inputs.front_lift_m2 * pressure,
            inputs.rear_grip_n - inputs.rear_lift_m2 * pressure + inputs.transfer * drag,
        )
        worst = np.zeros(len(builds))
        for axle, load, surface in zip(("front", "rear"), loads, surface_ms, strict=True):
            hub = self.model.car.hub(cast(Axle, axle))
            inflated = self.model.pressure_pa(builds, cast(Axle, axle))
            s = cast(int, self.model.slot_on("tire", cast(Axle, axle)))
            capacity = np.empty(len(builds))
            for o in np.unique(builds[:, s]):
                rows = builds[:, s] == o
                tire = cast(Tire, self.options.parts[s][int(o)])
                capacity[rows] = _capacity_kg(tire, inflated[rows], surface[rows])
            corner = load / air.G * hub.heaviest_corner_share
            worst = np.maximum(worst, corner / np.maximum(capacity, 1e-9))
        return worst


def _capacity_kg(tire: Tire, pressure_pa: FloatArray, surface_ms: FloatArray) -> FloatArray:
    """Load one tire may carry at a gauge pressure and surface speed (n,); 0 beyond its rating or where it has none."""
    if tire.load_index is None or tire.speed_symbol is None:
        return np.zeros(len(surface_ms))
    by_pressure = np.asarray(tires.load_share_at_pressure(pressure_pa, tire.extra_load))
    by_speed = np.asarray(tires.load_share_at_speed(tire.speed_symbol, surface_ms))
    return float(tires.load_capacity_kg(tire.load_index)) * by_pressure * by_speed


def speed_steps(speed_ms: FloatArray | float) -> FloatArray:
    """Speeds in the steps in which they rank: equal ones are equal in ranks."""
    return np.asarray(np.round(np.asarray(speed_ms) / SPEED_STEP_MS))


def as_fast(speed_ms: float) -> float:
    """The least speed that ranks with another [m/s], where the price decides."""
    return float((speed_steps(speed_ms) - 0.5) * SPEED_STEP_MS)


def least_for(wanted_ms: float) -> float:
    """The least speed that does one that is wanted [m/s]: to half a step, so that no last digit decides."""
    return wanted_ms - 0.5 * SPEED_STEP_MS


def just_above(speed_ms: float) -> float:
    """The least speed that ranks above another [m/s]."""
    return float((speed_steps(speed_ms) + 0.5) * SPEED_STEP_MS)


def order_keys(options: Options, builds: IntArray, speed_ms: FloatArray, care: FloatArray, cents: IntArray) -> IntArray:
    """Positions of builds (n, S) from best to worst in the total order: speed, price, margin (to 0.1 %), ids.

    Where a cap holds the speed, thousands of builds are equally fast: the cheapest of them comes first.
    """
    ranks = [_id_ranks(options, s)[builds[:, s]] for s in range(len(options.slots))]
    keys = [*reversed(ranks), -np.round(care, 3), cents, -speed_steps(speed_ms)]
    return np.lexsort(keys)


def _id_ranks(options: Options, s: int) -> IntArray:
    """Alphabetical rank of each option's id in a slot."""
    ids = [part.id for part in options.parts[s]]
    order = sorted(ids)
    return np.array([order.index(each) for each in ids])
