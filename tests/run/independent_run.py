"""One car down the course by an ordinary solver of differential equations: the judge of the simulator.

Written from the model in words (docs/method.md, section 1), not from the simulator: ground speed and distance
are integrated over *time*, slip is solved for at every evaluation, and every change (shift, limiter, cap,
board) is an event that the solver locates. Slow and plain; only `RunInputs` is common with what it judges.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, replace
from math import cbrt, copysign, inf, isnan, nan, pi, radians, sin

import numpy as np
from scipy.integrate import solve_ivp
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from optimizer.run.inputs import RunInputs

RTOL, ATOL = 1e-10, 1e-10
SETTLED = 1e-10
"""Share of its final speed to which a car on the limiter is followed; from there it is at that speed."""
LONGEST_S = 3000.0
"""A car that has not passed the last board by then never will."""
Torque = Callable[[float], float]


def pchip_torque(rpm: tuple[float, ...], torque_nm: tuple[float, ...]) -> Torque:
    """Monotone cubic through typed points, flat beyond them, as a function of one engine speed."""
    cubic = PchipInterpolator(rpm, torque_nm)
    pieces = [tuple(map(float, column)) for column in cubic.c.T]
    knots = [float(each) for each in rpm]

    inner, first, last = knots[1:-1], knots[0], knots[-1]

    def torque(at: float) -> float:
        inside = first if at < first else min(at, last)
        piece = bisect_right(inner, inside)
        step = inside - knots[piece]
        a, b, c, d = pieces[piece]
        return ((a * step + b) * step + c) * step + d

    return torque


def table_torque(inputs: RunInputs) -> Torque:
    """Linear between the entries of the inputs' own table."""
    row = [float(each) for each in inputs.torque_table.torque_nm[int(inputs.engine[0])]]
    step = inputs.torque_table.step_rpm

    def torque(at: float) -> float:
        place = min(max(at / step, 0.0), len(row) - 1.0)
        below = min(int(place), len(row) - 2)
        return row[below] + (place - below) * (row[below + 1] - row[below])

    return torque


@dataclass(frozen=True)
class State:
    """Somewhere on the course.

    ``passed`` holds (time, speed) at the boards so far, ``held`` what holds the speed since ``held_from``;
    ``coasting`` says that the run ended in the pause of a shift.
    """

    time: float
    speed: float
    distance: float
    passed: tuple[tuple[float, float], ...] = ()
    held: str = ""
    held_from: float = nan
    coasting: bool = False


@dataclass(frozen=True)
class IndependentRun:
    """Best run of one car, and the score of every gear tried as the last (NaN: it cannot be)."""

    score_ms: float
    exit_ms: float
    first_board_speed_ms: float
    last_board_s: float
    first_board_s: float
    gear: int
    gear_scores: tuple[float, ...]
    held: str
    held_from_s: float
    grip_limited_at_exit: bool
    limit_surface_ms: float
    ends: tuple[State | None, ...]

    @property
    def highest_gear(self) -> int:
        """The highest gear the car gets into."""
        return max((g for g, each in enumerate(self.gear_scores) if not isnan(each)), default=0)


class OneCar:
    """The forces on one car, all scalars, and its run. ``inputs`` is one car long."""

    def __init__(self, inputs: RunInputs, torque: Torque | None = None) -> None:
        if len(inputs) != 1:
            msg = f"one car at a time, not {len(inputs)}"
            raise ValueError(msg)
        self.torque = torque or table_torque(inputs)
        one = {
            name: float(getattr(inputs, name)[0])
            for name in (
                "translating_kg", "wheel_side_kg", "shaft_kgm2", "engine_kgm2", "front_grip_n", "rear_grip_n",
                "front_mu", "rear_mu", "slip_at_slide", "transfer", "rolling_n", "rolling_nv2",
                "lift_rolling_m2",
                "lift_rolling_v2", "drag_area_m2", "front_lift_m2", "rear_lift_m2", "radius_m", "growth", "final_ratio",
                "torque_scale", "rev_limit_rpm", "launch_rpm", "cap_ms", "surface_cap_ms",
            )
        }  # fmt: skip
        self.__dict__.update(one)
        self.ratios = [float(each) for each in inputs.overall[:, 0] if each > 0]
        self.efficiencies = [float(each) for each in inputs.efficiency[:, 0]]
        self.shift_rpms = [float(each) for each in inputs.shift_rpm[:, 0]]
        self.density = inputs.air_density
        self.wind = inputs.headwind_ms
        self.across = inputs.crosswind_ms
        self.yaw_gain = inputs.drag_rise_at_yaw / sin(radians(10.0)) ** 2
        self.start = inputs.start_speed_ms
        self.pause = inputs.shift_time_s
        self.use_limit = inputs.grip_use_limit
        self.slip_limit = self.slide_slip(self.use_limit)
        self.asked: tuple[float, int, bool] | None = None
        self.answer = (nan, nan, False)

    # --- forces -------------------------------------------------------------------------------------------

    def slide_slip(self, use: float) -> float:
        """Brush model: slip relative to the road at a share of grip; bristles bend by slip relative to the wheel."""
        bent = self.slip_at_slide / (1.0 + self.slip_at_slide) * (1.0 - cbrt(1.0 - min(max(use, 0.0), 1.0)))
        return bent / (1.0 - bent)

    def against(self, u: float) -> tuple[float, float, float]:
        """Drag, rolling resistance, dynamic pressure at a ground speed."""
        along = 0.5 * self.density * (u + self.wind) ** 2
        aside = 0.5 * self.density * self.across**2
        q = along + aside
        drag = self.drag_area_m2 * (copysign(along, u + self.wind) + (1.0 + self.yaw_gain) * aside)
        lift = self.lift_rolling_m2 + self.lift_rolling_v2 * u * u
        rolling = self.rolling_n + self.rolling_nv2 * u * u - q * lift
        return drag, rolling, q

    def grip_terms(self, rolling: float, q: float) -> tuple[float, float]:
        """Grip as A + B F."""
        b = (self.rear_mu - self.front_mu) * self.transfer
        front = self.front_mu * (self.front_grip_n - self.front_lift_m2 * q)
        rear = self.rear_mu * (self.rear_grip_n - self.rear_lift_m2 * q)
        return front + rear - b * rolling, b

    def radius_at(self, c: float) -> float:
        """Rolling radius at a wheel surface speed: grown with its square, the growth stated at 100 mph."""
        return self.radius_m * (1.0 + self.growth * (c / 44.704) ** 2)

    def rpm(self, c: float, gear: int) -> float:
        return c * self.ratios[gear] * 30.0 / (pi * self.radius_at(c))

    def surface(self, rpm: float, gear: int) -> float:
        slow = rpm * pi * self.radius_m / (30.0 * self.ratios[gear])
        if not self.growth:
            return slow
        return brentq(lambda c: c * self.radius_m / self.radius_at(c) - slow, slow, 2.0 * slow, xtol=1e-13, rtol=1e-14)

    def full_throttle(self, u: float, gear: int, clutch: bool) -> tuple[float, float, bool]:
        """Acceleration, slip, and whether grip limits, at a ground speed; at the end of a step it is asked twice."""
        if self.asked != (u, gear, clutch):
            self.asked, self.answer = (u, gear, clutch), self._full_throttle(u, gear, clutch)
        return self.answer

    def _full_throttle(self, u: float, gear: int, clutch: bool) -> tuple[float, float, bool]:
        drag, rolling, q = self.against(u)
        a_term, b_term = self.grip_terms(rolling, q)
        ratio, r = self.ratios[gear], self.radius_m
        turning = self.wheel_side_kg + self.shaft_kgm2 * (self.final_ratio / r) ** 2
        if not clutch:
            turning += self.engine_kgm2 * (ratio / r) ** 2
        most = self.use_limit * a_term / (1.0 - self.use_limit * b_term)
        a_grip = (most - drag - rolling) / self.translating_kg

        # asked some ten times for each acceleration: what does not change with slip is taken out
        torque, translating, growth, launch = self.torque, self.translating_kg, self.growth, self.launch_rpm
        against, gearing = drag + rolling, self.torque_scale * ratio * self.efficiencies[gear]
        turns = ratio * 30.0 / pi

        def by_engine(slip: float) -> float:
            c = u * (1.0 + slip)
            radius = r * (1.0 + growth * (c / 44.704) ** 2)
            force = torque(launch if clutch else c * turns / radius) * gearing / radius
            return (force - against) / (translating + turning * (1.0 + slip))

        if by_engine(self.slip_limit) >= a_grip:
            return a_grip, self.slip_limit, True

        most_bent = self.slip_at_slide / (1.0 + self.slip_at_slide)

        def miss(slip: float) -> float:
            thrust = translating * min(by_engine(slip), a_grip) + against
            use = thrust / (a_term + b_term * thrust)
            bent = most_bent * (1.0 - cbrt(1.0 - min(max(use, 0.0), 1.0)))  # as in `slide_slip`
            return slip - bent / (1.0 - bent)

        if miss(0.0) >= 0.0:
            return by_engine(0.0), 0.0, False
        slip = brentq(miss, 0.0, self.slip_limit, xtol=1e-15, rtol=1e-14)
        return by_engine(slip), slip, False

    def wheel_speed(self, u: float, gear: int, clutch: bool = False) -> float:
        return u * (1.0 + self.full_throttle(u, gear, clutch)[1])

    def held_speed(self, c: float) -> float:
        """Ground speed when the limiter holds the wheels at c: thrust equals resistance."""

        def miss(u: float) -> float:
            drag, rolling, q = self.against(u)
            a_term, b_term = self.grip_terms(rolling, q)
            thrust = drag + rolling
            return u * (1.0 + self.slide_slip(thrust / (a_term + b_term * thrust))) - c

        return brentq(miss, 0.3 * c, c * (1.0 + 1e-12), xtol=1e-13, rtol=1e-14)

    def on_limiter(self, u: float, c: float) -> float:
        """Acceleration while the limiter holds the wheels at c and slip is what ground speed leaves of it."""
        drag, rolling, q = self.against(u)
        a_term, b_term = self.grip_terms(rolling, q)
        bent = min(max(1.0 - u / c, 0.0) * (1.0 + self.slip_at_slide) / self.slip_at_slide, 1.0)
        use = min(1.0 - (1.0 - bent) ** 3, self.use_limit)
        thrust = use * a_term / (1.0 - use * b_term)
        return (thrust - drag - rolling) / self.translating_kg

    # --- integration --------------------------------------------------------------------------------------

    def integrate(
        self,
        state: State,
        marks: tuple[float, float],
        acceleration: Callable[[float], float],
        stops: list[Callable[[float], float]],
        longest: float = LONGEST_S,
    ) -> tuple[State, int]:
        """Integrate until one of ``stops`` (of speed) rises through 0, the last board, standstill, or time.

        Returns the state and what ended it: index into ``stops``, -1 for the last board, -2 for a standstill,
        -3 for time.
        """

        def slopes(_t: float, y: np.ndarray) -> tuple[float, float]:
            return acceleration(float(y[0])), float(y[0])

        def board(mark: float, *, ends: bool) -> Callable[[float, np.ndarray], float]:
            def event(_t: float, y: np.ndarray) -> float:
                return float(y[1]) - mark

            event.terminal, event.direction = ends, 1.0
            return event

        def stop(of: Callable[[float], float]) -> Callable[[float, np.ndarray], float]:
            def event(_t: float, y: np.ndarray) -> float:
                return of(float(y[0]))

            event.terminal, event.direction = True, 1.0
            return event

        def still(_t: float, y: np.ndarray) -> float:
            return float(y[0]) - 1e-3

        still.terminal, still.direction = True, -1.0
        events = [
            board(marks[0], ends=False),
            board(marks[1], ends=True),
            still,
            *(stop(each) for each in stops),
        ]
        result = solve_ivp(
            slopes, (0.0, longest), (state.speed, state.distance),
            method="DOP853", rtol=RTOL, atol=ATOL, events=events, max_step=20.0,
        )  # fmt: skip
        if not result.success:
            raise ArithmeticError(result.message)
        passed = list(state.passed)
        for times, values in zip(result.t_events[:2], result.y_events[:2], strict=True):
            passed += [(state.time + float(t), float(y[0])) for t, y in zip(times, values, strict=True)]
        after = State(
            state.time + float(result.t[-1]),
            float(result.y[0, -1]),
            float(result.y[1, -1]),
            tuple(passed),
            state.held,
        )
        if result.status == 0:
            return after, -3
        for index, times in enumerate(result.t_events[3:]):
            if len(times):
                return after, index
        return after, -1 if len(result.t_events[1]) else -2

    def hold(self, state: State, speed: float, marks: tuple[float, float], why: str) -> State:
        """Go on at a steady speed past the boards that are left."""
        passed = list(state.passed)
        passed += [(state.time + (mark - state.distance) / speed, speed) for mark in marks[len(passed) :]]
        return State(passed[-1][0], speed, marks[1], tuple(passed), why, state.time)

    def pull(
        self,
        state: State,
        gear: int,
        marks: tuple[float, float],
        target: float,
        name: str,
        *,
        clutch: bool = False,
    ) -> tuple[State, str]:
        """Full throttle to a wheel speed ``target``; what ended it: ``name``, board, cap, still."""

        def acceleration(u: float) -> float:
            return self.full_throttle(u, gear, clutch)[0]

        def to_target(u: float) -> float:
            return self.wheel_speed(u, gear, clutch) - target

        stops = [to_target]
        if self.cap_ms < inf:
            stops.append(lambda u: u - self.cap_ms)
        if state.speed <= 1e-3 and acceleration(state.speed) <= 0:
            return state, "still"
        after, why = self.integrate(state, marks, acceleration, stops)
        return after, {0: name, 1: "cap", -1: "board", -2: "still", -3: "still"}[why]

    def coast(self, state: State, marks: tuple[float, float]) -> tuple[State, str]:
        """A shift: no thrust, mass of the car and its driven wheels."""
        mass = self.translating_kg + self.wheel_side_kg

        def acceleration(u: float) -> float:
            drag, rolling, _ = self.against(u)
            return -(drag + rolling) / mass

        if not self.pause:
            return state, "done"
        after, why = self.integrate(state, marks, acceleration, [], longest=self.pause)
        return after, {-1: "board", -2: "still", -3: "done"}[why]

    # --- the run ------------------------------------------------------------------------------------------

    def finish(self, state: State, gear: int, marks: tuple[float, float]) -> State | None:
        """The rest of the run with this gear the last; None if its limit is already passed."""
        if len(state.passed) == 2:
            return state
        limit = min(self.surface(self.rev_limit_rpm, gear), self.surface_cap_ms)
        if self.wheel_speed(state.speed, gear) >= limit * (1.0 + 1e-12):
            at_limit = abs(self.wheel_speed(state.speed, gear) / limit - 1.0) < 1e-9
            if not at_limit:
                return None
            after, why = state, "limit"
        elif self.wheel_speed(state.speed, gear) >= limit * (1.0 - 1e-12):
            after, why = state, "limit"
        else:
            after, why = self.pull(state, gear, marks, limit, "limit")
        if why == "limit":
            # slip dies away so fast that an explicit solver takes tiny steps for the rest of the course: it ends here
            final = min(self.held_speed(limit), self.cap_ms)
            last, why = self.integrate(
                after, marks, lambda u: self.on_limiter(u, limit), [lambda u: u - final * (1.0 - SETTLED)]
            )
            if why == 0:
                ended = self.hold(last, final, marks, "limit")
                return ended if final == self.cap_ms else replace(ended, held_from=after.time)
            if why == -3:
                return self.hold(last, last.speed, marks, "limit")
            return replace(last, held="limit", held_from=after.time)
        if why == "cap":
            return self.hold(after, self.cap_ms, marks, "cap")
        return after if why == "board" else None

    def tails(self, marks: tuple[float, float]) -> list[State | None]:
        """The whole run with each gear as the last."""
        ends: list[State | None] = [None] * len(self.ratios)
        state = State(0.0, self.start, 0.0)
        if self.start > self.cap_ms:
            raise ValueError("pushed beyond the cap")
        launch = self.surface(self.launch_rpm, 0)
        if self.wheel_speed(self.start, 0, clutch=True) < launch:
            state, why = self.pull(state, 0, marks, launch, "launched", clutch=True)
            if why in ("cap", "board"):
                ends[0] = state if why == "board" else self.hold(state, self.cap_ms, marks, "cap")
                return ends
            if why == "still":
                return ends
        for gear in range(len(self.ratios)):
            shift = self.surface(self.shift_rpms[gear], gear)
            last = gear == len(self.ratios) - 1
            limit = min(self.surface(self.rev_limit_rpm, gear), self.surface_cap_ms)
            if last or shift > limit * (1.0 + 1e-12):
                ends[gear] = self.finish(state, gear, marks)
                return ends
            if self.wheel_speed(state.speed, gear) >= shift:
                ends[gear] = self.finish(state, gear, marks)
                continue
            state, why = self.pull(state, gear, marks, shift, "shift")
            if why == "board":
                ends[gear] = state
                return ends
            if why == "cap":
                ends[gear] = self.hold(state, self.cap_ms, marks, "cap")
                return ends
            if why == "still":
                return ends
            ends[gear] = self.finish(state, gear, marks)
            state, why = self.coast(state, marks)
            if why == "board":
                # The run ends in the pause: the shift is still a choice, and the car is then in no gear yet.
                ends[gear + 1] = replace(state, coasting=True)
                return ends
            if why == "still":
                return ends
        return ends


def score(state: State, marks: tuple[float, float], measure: str) -> float:
    """What the clocks make of a run."""
    (t1, u1), (t2, u2) = state.passed
    return {"mean": (marks[1] - marks[0]) / (t2 - t1), "trap": u1, "exit": u2}[measure]


def independent_run(
    inputs: RunInputs, marks: tuple[float, float], measure: str, torque: Torque | None = None
) -> IndependentRun:
    """Run one car past two boards, trying every gear as the last one."""
    car = OneCar(inputs, torque)
    ends = car.tails(marks)
    scores = tuple(nan if end is None else score(end, marks, measure) for end in ends)
    if all(np.isnan(scores)):
        return IndependentRun(0.0, nan, nan, nan, nan, 0, scores, "nowhere", nan, False, nan, tuple(ends))
    gear = int(np.nanargmax(scores))
    end = ends[gear]
    assert end is not None
    grip = not end.held and car.full_throttle(end.speed, gear, clutch=False)[2]
    return IndependentRun(
        score_ms=scores[gear],
        exit_ms=end.passed[1][1],
        first_board_speed_ms=end.passed[0][1],
        last_board_s=end.passed[1][0],
        first_board_s=end.passed[0][0],
        gear=gear,
        gear_scores=scores,
        held=end.held,
        held_from_s=end.held_from,
        grip_limited_at_exit=grip,
        limit_surface_ms=car.surface(car.rev_limit_rpm, gear),
        ends=tuple(ends),
    )


__all__ = ["IndependentRun", "OneCar", "independent_run", "pchip_torque", "table_torque"]
