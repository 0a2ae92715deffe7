"""The card for the morning: what a build does in the air, salt and wind of the day, and when to break a run off.

All days are simulated as one batch, with every set-up that the spares allow. A set-up other than the build itself is
named for a day only where it is faster by more than makes a difference.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import cast

import numpy as np

from optimizer.answers.cards import card_of
from optimizer.answers.day_air import days_of, density_altitude_of, weather_at
from optimizer.answers.marks import salts_of, shortfalls
from optimizer.answers.morning_records import AirPoint, Cell, Day, Mark, MorningCard, StopRow, Tach, Wind
from optimizer.answers.said_done import said_done
from optimizer.answers.set_ups import set_ups
from optimizer.answers.swaps import MATTERS_MS
from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.physics import tires
from optimizer.physics.driveline import rpm_at_speed
from optimizer.run.conditions import Conditions
from optimizer.run.driving import Gear
from optimizer.run.inputs import RunInputs, models_side_by_side
from optimizer.run.model import rated_speed_ms
from optimizer.run.panels import LIMITS, Passing
from optimizer.run.simulator import Run, simulate
from optimizer.run.stopping import CASES, stopping_of
from optimizer.scenario.event import Weather
from optimizer.scenario.parts import Axle, Tire
from optimizer.search.study import Study
from optimizer.units import from_unit, to_unit

WIND_STEP = {"mph": 5.0, "km/h": 10.0}
STOP_STEP = {"mph": 5.0, "km/h": 10.0}
MOST_STOPS = 6
BAROMETER_SHARE = 0.01
"""How far off the barometer is taken to say what a day of the same density altitude may still differ by."""


def morning_card(study: Study, build: IntArray, spares: Sequence[str] = ()) -> MorningCard:
    """Work out the card of a build (S,), with spares that are carried (see `set_ups`).

    Raises
    ------
    UsageError
        If a spare is not known, or there are too many.
    """
    return _Maker(study, build, spares).card()


class _Maker:
    """One card on its way."""

    def __init__(self, study: Study, build: IntArray, spares: Sequence[str]) -> None:
        self.study, self.judge, self.build = study, study.judge, build
        self.event = study.judge.event
        self.set_ups, self.unfit = set_ups(study, build, spares)
        self.builds = np.stack([each.build for each in self.set_ups])
        self.stop_ms, self.by_rotors, self.unrated = self._stop_caps()
        self.days = days_of(self.event)
        self.middle = self.days[len(self.days) // 2]
        self.salts = salts_of(self.judge)
        self.wind_ms = self._wind()
        run_up = self.event.course.run_up_m
        self.early_m = (run_up / 2, run_up)

    def card(self) -> MorningCard:
        """The whole."""
        budget = self.study.scenario.event.budget_cents
        whole = card_of(self.judge, self.study.legality, self.study.book, self.build, budget)
        winds = (-self.wind_ms, 0.0, self.wind_ms)
        grid = [(level, day, salt, wind) for salt in self.salts for level, day in self.days for wind in winds]
        days = [Conditions(self.event.salts[salt], day, wind, 0.0) for _, day, salt, wind in grid]
        others = self._others(grid)
        inputs = models_side_by_side([self.judge.model.inputs(self.builds, each) for each in (*days, *others)])
        late, early = self.judge.run_of(inputs), simulate(inputs, self.early_m, "exit")
        start, end = self.judge.marks_m
        half, first, last = (
            _marks(inputs, run.passing, m, at_m)
            for run, m, at_m in ((early, 0, self.early_m[0]), (late, 0, start), (late, 1, end))
        )
        cells = tuple(
            self._cell(late, (half, first, last), place, level, salt, wind)
            for place, (level, _, salt, wind) in enumerate(grid)
        )
        scores = late.score_ms.reshape(4, len(grid), -1)
        short = [shortfalls(self.study, self.build, salt, self.middle[1], self.early_m) for salt in self.salts]
        return MorningCard(
            card=whole,
            set_ups=self.set_ups,
            unfit=self.unfit,
            days=tuple(Day(level, day.temperature_k, day.pressure_pa) for level, day in self.days),
            salts=self.salts,
            winds=tuple(Wind(each) for each in winds),
            cells=cells,
            tachs=tuple(self._tach(*each) for each in self._in_gears(late, len(grid))),
            half=tuple(each[0] for each in short),
            first_board=tuple(each[1] for each in short),
            stops=self._stops(cells),
            pressures_pa=tuple(
                (axle, float(self.judge.model.pressure_pa(self.build[None], axle)[0]))
                for axle in cast("tuple[Axle, ...]", ("front", "rear"))
            ),
            barometer_ms=float(np.abs(_lost(scores[0], scores[1:3])).max()),
            side_wind_ms=float(_lost(scores[0], scores[3:]).max()),
            air=_air_table(self.event.weather[0], self.days, metric=self.event.speed_unit == "km/h"),
            last_run=said_done(self.study.scenario),
        )

    # --- days

    def _wind(self) -> float:
        """Wind of the outer columns: a round number that the event's own weather does not pass."""
        unit = self.event.speed_unit
        step = from_unit(WIND_STEP[unit], unit, "speed")
        most = max(abs(each.headwind_ms) for each in self.judge.conditions)
        return step * max(1, math.ceil(round(most / step, 9)))

    def _others(self, grid: Sequence[tuple[float, Weather, str, float]]) -> list[Conditions]:
        """The days of the grid with the barometer off, down and up, at the same density; then with a side wind."""
        found = []
        for share in (1 - BAROMETER_SHARE, 1 + BAROMETER_SHARE):
            off = {level: weather_at(day, level, day.pressure_pa * share) for level, day in self.days}
            found += [Conditions(self.event.salts[salt], off[level], wind, 0.0) for level, _, salt, wind in grid]
        return found + [Conditions(self.event.salts[salt], day, wind, self.wind_ms) for _, day, salt, wind in grid]

    def _in_gears(self, run: Run, days: int) -> Iterator[tuple[int, int]]:
        """Set-ups, each with the gears in which it passes the last board on some of the first so many days, rising."""
        for place in range(len(self.builds)):
            rows = np.arange(days) * len(self.builds) + place
            there = rows[run.score_ms[rows] > 0]
            for gear in np.unique(run.passing.gear[1, there if len(there) else rows]).tolist():
                yield place, gear + 1

    def _cell(
        self, run: Run, marks: Sequence[Sequence[Mark]], place: int, level: float, salt: str, wind: float
    ) -> Cell:
        """The best set-up of one day; rows are set-up by set-up within a day."""
        start, count = place * len(self.builds), len(self.builds)
        rows = np.arange(start, start + count)
        over = self._over_tires(run.take(rows))
        last_ms = run.passing.speed[1, rows]
        too_fast = np.nan_to_num(last_ms) > self.stop_ms * (1 + 1e-9)
        # held to what it stops from a car is about as fast as that
        score = np.where(over, -1.0, np.minimum(run.score_ms[rows], np.where(too_fast, self.stop_ms, np.inf)))
        best = int(np.argmax(score))
        if score[best] <= score[0] + MATTERS_MS:
            best = 0
        row = start + best
        half, first, last = (each[row] for each in marks)
        return Cell(
            density_altitude_m=level,
            salt=salt,
            headwind_ms=wind,
            set_up=self.set_ups[best].letter,
            gain_ms=0.0 if over[0] else float(score[best] - score[0]),
            score_ms=float(run.score_ms[row]),
            half=half,
            first=first,
            last=last,
            grip_use=float(run.passing.use[1, row]),
            limit=LIMITS[int(run.passing.limit[1, row])],
            over_tires=bool(over[best]),
            over_brakes=bool(too_fast[best]),
        )

    def _over_tires(self, run: Run) -> BoolArray:
        """Whether some tire of each set-up (n,) turns faster in a run than its rating allows with the margin."""
        allowed = np.array([[cap for _, cap, _ in self._tire_caps(build)] for build in self.builds]).T
        return np.asarray((self.judge.tire_surface(run) > allowed * (1 + 1e-9)).any(axis=0))

    def _tire_caps(self, build: IntArray) -> list[tuple[Axle, float, str]]:
        """Surface speed that the tires of each axle of a build (S,) are good for with the margin; front, rear."""
        margin = 1 + self.event.fast_case.tire_speed_margin
        chosen = self.judge.options.chosen(build)
        found: list[tuple[Axle, float, str]] = []
        for axle in cast("tuple[Axle, ...]", ("front", "rear")):
            tire = cast(Tire, chosen[cast(int, self.judge.model.slot_on("tire", axle))])
            found.append((axle, rated_speed_ms(tire) / margin, tire.id))
        return found

    def _pulling(self, build: IntArray, gear: int) -> Gear:
        """A build (S,) in a gear on every salt, in the middle air."""
        days = [Conditions(self.event.salts[salt], self.middle[1], 0.0, 0.0) for salt in self.salts]
        return Gear(models_side_by_side([self.judge.model.inputs(build[None], day) for day in days]), gear - 1)

    def _tire_end(self, build: IntArray, pulling: Gear) -> tuple[float, float, str]:
        """Lowest engine speed in a gear at which a tire of a build (S,) is at the end of its rating, and which it is.

        Driven tires turn faster than the car; for the others the least slip counts, that on the salt that grips best.
        """
        ends = []
        for axle, cap, tire in self._tire_caps(build):
            driven = self.judge.model.car.drive in (axle, "all")
            ends.append((_least_rpm(pulling, cap, at_wheels=driven), cap, tire))
        return min(ends)

    # --- numbers beside the table

    def _stop_caps(self) -> tuple[FloatArray, BoolArray, BoolArray]:
        """Highest speed (n,) that each set-up stops from in every case, and whether it is the rotors that end it.

        And whether no limit is known of some of its rotors. Heat and distance both grow with the square of the speed.
        """
        speed = self.judge.planned_ms
        found = stopping_of(self.judge.model, self.builds, np.full(len(self.builds), speed))
        use = np.stack([found.rise_share, found.distance_m.max(axis=0) / self.event.course.shutdown_m])
        return speed / np.sqrt(np.maximum(use.max(axis=0), 1e-12)), np.asarray(use[0] >= use[1]), found.unrated

    def _tach(self, place: int, gear: int) -> Tach:
        set_up = self.set_ups[place]
        rows = set_up.build[None]
        pulling = self._pulling(set_up.build, gear)
        rpm, cap, tire = self._tire_end(set_up.build, pulling)
        budget = self.study.scenario.event.budget_cents
        limiter = card_of(self.judge, self.study.legality, self.study.book, set_up.build, budget).limiter_rpm
        stop_ms, drive = float(self.stop_ms[place]), self.judge.model.drive_rows(rows)
        cap_ms = float(drive.cap_ms[0])
        return Tach(
            set_up=set_up.letter,
            rev_limit_rpm=float(drive.rev_limit_rpm[0]),
            limiter_rpm=limiter,
            gear=gear,
            tire_speed_ms=cap,
            tire_rpm=rpm,
            tire=tire,
            stop_ms=stop_ms,
            stop_rpm=_least_rpm(pulling, stop_ms),
            stop_limit="rotors" if self.by_rotors[place] else "shutdown",
            unrated=bool(self.unrated[place]),
            cap_ms=cap_ms,
            cap_rpm=_least_rpm(pulling, cap_ms) if math.isfinite(cap_ms) else math.inf,
            adjustable=self.judge.model.car.limiter_adjustable,
        )

    def _stops(self, cells: Sequence[Cell]) -> tuple[StopRow, ...]:
        """Stops from round speeds about those at the last board, each for the worst set-up."""
        exits = [cell.last.speed_ms for cell in cells if cell.score_ms > 0] or [self.judge.planned_ms]
        rows = []
        for speed in _round_speeds(min(exits), max(exits), self.event.speed_unit):
            found = stopping_of(self.judge.model, self.builds, np.full(len(self.builds), speed))
            worst = tuple((case, float(found.distance_m[c].max())) for c, case in enumerate(CASES))
            rows.append(
                StopRow(
                    from_ms=speed,
                    distances_m=worst,
                    coast_m=float(found.coast_m.max()),
                    rise_share=float(found.axle_share.max()),
                    shutdown_m=self.event.course.shutdown_m,
                )
            )
        return tuple(rows)


def _lost(scores: FloatArray, others: FloatArray) -> FloatArray:
    """What is lost of scores (days, n) under other conditions (k, days, n), where both get to the end of the clocks."""
    return np.where((scores > 0) & (others > 0), scores - others, 0.0)


def _least_rpm(pulling: Gear, speed_ms: float, *, at_wheels: bool = False) -> float:
    """Lowest engine speed at which one of some cars has a speed under power.

    That is its ground speed, or that at the surface of the driven tires.
    """
    at = np.full(len(pulling.inputs), speed_ms)
    return float(pulling.rpm_at(at if at_wheels else pulling.surface_at(at)).min())


def _marks(inputs: RunInputs, passing: Passing, m: int, at_m: float) -> list[Mark]:
    """Passing a mark, car by car; what is not reached is not a number."""
    revs = rpm_of(inputs, passing.surface[m], passing.gear[m])
    rows = zip(passing.speed[m].tolist(), revs.tolist(), passing.gear[m].tolist(), strict=True)
    return [Mark(at_m, speed, turns, gear + 1) for speed, turns, gear in rows]


def rpm_of(inputs: RunInputs, surface_ms: FloatArray, gear: IntArray) -> FloatArray:
    """Engine speed (n,) of cars whose driven tires turn at a surface speed (n,) in a gear (n,), 0 the first."""
    radius = inputs.radius_m * tires.circumference_growth(inputs.growth, surface_ms)
    return np.asarray(rpm_at_speed(surface_ms, np.take_along_axis(inputs.overall, gear[None], axis=0)[0], radius))


def _round_speeds(low_ms: float, high_ms: float, unit: str) -> list[float]:
    """Round speeds [m/s] from just below a speed to just above another, at most `MOST_STOPS`."""
    step = STOP_STEP[unit]
    while True:
        step_ms = from_unit(step, unit, "speed")
        numbers = range(math.floor(low_ms / step_ms), math.ceil(high_ms / step_ms) + 1)
        if len(numbers) <= MOST_STOPS:
            return [number * step_ms for number in numbers if number > 0]
        step *= 2


def _air_table(weather: Weather, days: Sequence[tuple[float, Weather]], *, metric: bool) -> tuple[AirPoint, ...]:
    """Density altitude over round temperatures of the card's days, the barometer as it is and 1 % off both ways."""
    pressures = [weather.pressure_pa * share for share in (1 - BAROMETER_SHARE, 1.0, 1 + BAROMETER_SHARE)]
    unit, step = ("C", 5) if metric else ("F", 10)
    ends = [to_unit(day.temperature_k, unit, "temperature") / step for _, day in (days[0], days[-1])]
    round_ones = range(math.floor(ends[0]), math.ceil(ends[1]) + 1)
    return tuple(
        AirPoint(kelvin, pressure, density_altitude_of(replace(weather, temperature_k=kelvin, pressure_pa=pressure)))
        for kelvin in (from_unit(step * number, unit, "temperature") for number in round_ones)
        for pressure in pressures
    )
