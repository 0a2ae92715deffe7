"""Driving in one gear: full throttle as far as grip lets, lifting at the limiter, and the pause of a shift.

At full throttle the engine fixes thrust at a *wheel surface* speed c: torque is then explicit, slip follows from
thrust over grip, and ground speed is u = c / (1 + slip). All arrays end in the axis of cars, and every operation is
elementwise over cars: a result never depends on its batch. The model, term by term, is in docs/method.md.

What every pass works out is worked out in place (``+=``): fewer arrays stay in the processor's cache for longer.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from typing import NamedTuple, Self

import numpy as np
import numpy.typing as npt

from optimizer.physics.air import crosswind_square
from optimizer.physics.grip import grip_of_slip
from optimizer.physics.tires import GROWTH_SPEED_MS, grown_surface_speed
from optimizer.run.extremes import TorqueExtremes
from optimizer.run.inputs import FloatArray, IntArray, RunInputs

BoolArray = npt.NDArray[np.bool_]

BLOCK = 49_152
"""Numbers worked on at once: few enough for the processor's cache, many enough that the interpreter costs little."""
KEPT = 3_900_000
"""Numbers asked for once, see below: just under the 32 MB up to which the C library of Linux learns."""
GUESS = 1.0 / 1.03
"""Share of the wheel speed that ground speed is taken to have where nothing better is known."""
SLIP_ROUNDS = 1
"""Rounds for slip: two passes, which gain about two digits each, and the secant through them as much as both."""
ALONE_ROUNDS = 2
"""The same for a wheel speed by itself, where nothing tells how much slip there is."""
SURFACE_ROUNDS = 3
"""The same towards the wheel speed that goes with a ground speed, where the engine's force moves with slip too."""
HOLD_PASSES = 5
"""Passes for slip where the limiter holds the wheels."""
ROUNDING, ROUNDING_N = 1e-9, 1e-3
"""What rounding may make of a speed, as a share, and of a force."""
SECANT_RANGE = (-0.5, 0.5)
"""How far beyond the last pass a secant may lead, in steps: where engine and grip take turns it is no line."""

# Until a block of this size has been freed once, the C library gives every larger array back to the system as soon as
# it is freed, and the system clears the pages of the next: that takes longer than what is computed in them.
np.empty(KEPT)


class Push(NamedTuple):
    """State of full-throttle driving at some wheel speeds; arrays (k, n).

    ``spare`` is the acceleration that grip allows beyond what the engine gives: negative where the driver lifts.
    ``share`` is ground speed over wheel speed, ``1 / (1 + slip)``.
    """

    speed: FloatArray
    acceleration: FloatArray
    use: FloatArray
    spare: FloatArray
    share: FloatArray

    def row(self, index: int) -> Push:
        """The state at one of the wheel speeds: arrays (n,)."""
        return Push(*(each[index] for each in self))


class Gear:
    """Full-throttle driving of n cars in a gear, or on a slipping clutch.

    Parameters
    ----------
    inputs : RunInputs
        n cars.
    gear : int, or int array (n,)
        The gear, 0 is first: one for all, or each car's own.
    clutch : bool
        Whether the clutch slips.

    Attributes
    ----------
    number : int
        The gear that all are in; -1 where each is in its own.
    numbers : int array (n,)
    """

    def __init__(self, inputs: RunInputs, gear: int | IntArray, *, clutch: bool = False) -> None:
        self.inputs = inputs
        self.number = int(gear) if np.ndim(gear) == 0 else -1
        self.numbers = np.full(len(inputs), gear, dtype=np.int64)
        self.clutch = clutch
        place = (gear, slice(None)) if np.ndim(gear) == 0 else (gear, np.arange(len(inputs)))
        overall, efficiency, shift_rpm = (
            table[place] for table in (inputs.overall, inputs.efficiency, inputs.shift_rpm)
        )
        self.exists = overall > 0
        ratio = np.where(self.exists, overall, 1.0)
        self.rpm_per_surface = ratio * (30.0 / np.pi) / inputs.radius_m
        self.force_per_torque = inputs.torque_scale * ratio * efficiency / inputs.radius_m
        self.growth = inputs.growth / GROWTH_SPEED_MS**2
        self.half_density = 0.5 * inputs.air_density
        self.cross_pressure = self.half_density * crosswind_square(inputs.crosswind_ms, inputs.drag_rise_at_yaw)
        self.side_pressure = self.half_density * inputs.crosswind_ms * inputs.crosswind_ms
        engine_side = np.zeros(len(inputs)) if clutch else inputs.engine_kgm2 * (ratio / inputs.radius_m) ** 2
        shaft_side = inputs.shaft_kgm2 * (inputs.final_ratio / inputs.radius_m) ** 2
        self.turning_kg = inputs.wheel_side_kg + shaft_side + engine_side
        # grip of the driven axles standing still, what dynamic pressure and what rolling or thrust change of it
        self.still_grip_n = inputs.front_mu * inputs.front_grip_n + inputs.rear_mu * inputs.rear_grip_n
        self.grip_lift_m2 = inputs.front_mu * inputs.front_lift_m2 + inputs.rear_mu * inputs.rear_lift_m2
        self.grip_shift = (inputs.rear_mu - inputs.front_mu) * inputs.transfer
        self.most_of_base = inputs.grip_use_limit / (1.0 - inputs.grip_use_limit * self.grip_shift)
        self.bent_at_slide = inputs.slip_at_slide / (1.0 + inputs.slip_at_slide)
        self.share_at_slide = 1.0 - self.bent_at_slide
        self.share_at_limit = self._share_at(np.full(len(inputs), inputs.grip_use_limit))
        self.shift_surface = self.surface_at_rpm(shift_rpm)
        self.limit_surface = self.surface_at_rpm(inputs.rev_limit_rpm)
        self.launch_surface = self.surface_at_rpm(inputs.launch_rpm)

    def take(self, rows: IntArray) -> Self:
        """The same for some of the cars, in rising order."""
        if len(rows) == len(self.exists):
            return self
        some = copy(self)
        for name, value in vars(self).items():
            if isinstance(value, np.ndarray):
                setattr(some, name, value[rows])
        some.inputs = self.inputs.take(rows)
        return some

    def surface_at_rpm(self, rpm: FloatArray) -> FloatArray:
        """Wheel surface speed (n,) at an engine speed (n,), grown as the tire is at that speed."""
        return grown_surface_speed(self.inputs.growth, rpm / self.rpm_per_surface)

    def rpm_at(self, surface: FloatArray) -> FloatArray:
        """Engine speed at wheel surface speeds (..., n)."""
        return surface * self.rpm_per_surface / (1.0 + self.growth * surface * surface)

    def resistance(self, speed: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Air drag, rolling resistance [N] and dynamic pressure [Pa] at ground speeds (..., n)."""
        inputs = self.inputs
        air_speed = speed + inputs.headwind_ms
        pressure = self.half_density * air_speed
        drag = np.abs(air_speed)
        drag *= pressure
        drag += self.cross_pressure
        drag *= inputs.drag_area_m2
        pressure *= air_speed
        pressure += self.side_pressure
        square = np.multiply(speed, speed, out=air_speed)
        saved = inputs.lift_rolling_v2 * square
        saved += inputs.lift_rolling_m2
        saved *= pressure
        square *= inputs.rolling_nv2
        square += inputs.rolling_n
        square -= saved
        return drag, np.maximum(square, 0.0, out=square), pressure

    def grip(self, rolling: FloatArray, pressure: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Grip of the driven axles as ``a + b * thrust``: thrust itself moves load between the axles."""
        base = self.grip_lift_m2 * pressure
        np.subtract(self.still_grip_n, base, out=base)
        base -= self.grip_shift * rolling
        return np.maximum(base, 1.0, out=base), self.grip_shift

    def engine_force(self, surface: FloatArray) -> FloatArray:
        """Force [N] of the engine at the wheels' surface at full throttle, before inertia, at wheel speeds (..., n)."""
        inputs = self.inputs
        grown = 1.0 / (1.0 + self.growth * surface * surface)
        rpm = surface * self.rpm_per_surface * grown
        if self.clutch:
            rpm = np.maximum(rpm, inputs.launch_rpm)
        grown *= self.force_per_torque
        grown *= inputs.torque_table.torque(inputs.engine, rpm)
        return grown

    def push(self, surface: FloatArray, guess: FloatArray | float = GUESS) -> Push:
        """Ground speed and acceleration at wheel surface speeds (k, n) with the throttle as far open as grip lets.

        Thrust at the ground is what the engine gives less what spins up the turning mass; slip follows from its
        share of the grip, and ground speed from slip: a fixed point that contracts fast, since ground speed enters
        only through lift and drag. The secant through the last two passes takes what is left.

        Parameters
        ----------
        surface : array (k, n)
            Wheel surface speeds.
        guess : array (k, n), optional
            About the share of the wheel speed that ground speed has.
        """
        rows = max(1, BLOCK // max(1, surface.shape[1]))
        guesses = np.broadcast_to(guess, surface.shape)
        if len(surface) <= rows:
            return self._push(surface, guesses)
        out = Push(*(np.empty(surface.shape) for _ in Push._fields))
        for first in range(0, len(surface), rows):
            part = slice(first, first + rows)
            for whole, some in zip(out, self._push(surface[part], guesses[part]), strict=True):
                whole[part] = some
        return out

    def at(self, surface: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Ground speed and acceleration at a wheel speed of each car, as `push` has them: (n,) each."""
        push = self._push(surface[None], np.full((1, len(surface)), GUESS), ALONE_ROUNDS)
        return push.speed[0], push.acceleration[0]

    def _push(self, surface: FloatArray, guess: FloatArray, rounds: int | None = None) -> Push:
        """`push` for as many wheel speeds as fit the cache, in `SLIP_ROUNDS` for slip or as many as asked for."""
        force = self.engine_force(surface)

        def next_pass(share: FloatArray) -> Push:
            speed = share * surface
            drag, rolling, pressure = self.resistance(speed)
            base, _ = self.grip(rolling, pressure)
            drag += rolling
            return self._pass(speed, share, force, drag, base)

        share, acceleration, last = _fixed_point(next_pass, guess, SLIP_ROUNDS if rounds is None else rounds)
        return Push(share * surface, acceleration, last.use, last.spare, share)

    def _pass(
        self, speed: FloatArray, share: FloatArray, force: FloatArray, against: FloatArray, base: FloatArray
    ) -> Push:
        """What a car does at a ground speed with that share of the wheel speed, and the share its thrust asks for."""
        mass = self.inputs.translating_kg
        by_engine = self.turning_kg / share
        by_engine += mass
        np.divide(force - against, by_engine, out=by_engine)
        by_grip = base * self.most_of_base
        by_grip -= against
        by_grip /= mass
        acceleration = np.minimum(by_engine, by_grip)
        by_grip -= by_engine
        thrust = np.multiply(mass, acceleration, out=by_engine)
        thrust += against
        use = self._use_of(thrust, base)
        return Push(speed, acceleration, use, by_grip, self._share_at(use))

    def _use_of(self, thrust: FloatArray, base: FloatArray) -> FloatArray:
        """Share of the grip that a thrust uses, 0 to the limit."""
        use = self.grip_shift * thrust
        use += base
        np.divide(thrust, use, out=use)
        np.maximum(use, 0.0, out=use)
        return np.minimum(use, self.inputs.grip_use_limit, out=use)

    def _share_at(self, use: FloatArray) -> FloatArray:
        """Ground speed over wheel speed at a share of grip, by the brush model: bristles bend by the rest."""
        share = 1.0 - use
        np.cbrt(share, out=share)
        share *= self.bent_at_slide
        share += self.share_at_slide
        return share

    def spare_at_limit(self, surface: FloatArray) -> FloatArray:
        """Acceleration (n,) that grip allows beyond what the engine gives, at the slip at which the driver lifts."""
        speed = self.share_at_limit * surface
        drag, rolling, pressure = self.resistance(speed)
        base, _ = self.grip(rolling, pressure)
        return self._pass(speed, self.share_at_limit, self.engine_force(surface), drag + rolling, base).spare

    def surplus(self, speed: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Acceleration to spare were thrust to equal resistance at ground speeds (n,), and the wheel speed there."""
        against, base, surface = self._steady(speed)
        thrust = np.minimum(self.engine_force(surface), base * self.most_of_base)
        return (thrust - against) / (self.inputs.translating_kg + self.turning_kg), surface

    def _steady(self, speed: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Resistance and grip at ground speeds (n,), and the wheel speed at which thrust equals resistance."""
        drag, rolling, pressure = self.resistance(speed)
        against = drag + rolling
        base, _ = self.grip(rolling, pressure)
        return against, base, speed / self._share_at(self._use_of(against, base))

    def could_keep(self, speed: FloatArray, extremes: TorqueExtremes) -> BoolArray:
        """Whether thrust may equal resistance at ground speeds (n,), at some wheel speed and with any acceleration.

        Slip is then no less than that at which thrust equals resistance, and no more than grip allows.
        """
        inputs = self.inputs
        against, base, least = self._steady(speed)
        limit = np.minimum(self.limit_surface, inputs.surface_cap_ms)
        most = np.maximum(least, np.minimum(speed / self.share_at_limit, limit))
        low, high = self.rpm_at(least), self.rpm_at(most)
        launch = np.where(self.numbers == 0, inputs.launch_rpm, 0.0)
        low, high = np.maximum(low, launch), np.maximum(high, launch)
        torque = extremes.highest(inputs.engine, low[:, None], high[:, None])[:, 0]
        force = self.force_per_torque * torque / (1.0 + self.growth * least * least)
        holds = np.minimum(force, base * self.most_of_base) >= against - ROUNDING_N
        return np.asarray(self.exists & holds & (least <= limit * (1.0 + ROUNDING)))

    def hold(self, surface: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Ground speed and grip use when the limiter holds the wheels at ``surface`` (n,): thrust equals resistance."""
        share = np.full_like(surface, GUESS)
        use = np.zeros_like(surface)
        for _ in range(HOLD_PASSES):
            drag, rolling, pressure = self.resistance(surface * share)
            base, _ = self.grip(rolling, pressure)
            use = self._use_of(drag + rolling, base)
            share = self._share_at(use)
        return surface * share, use

    def on_limiter(self, speed: FloatArray, surface: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Acceleration and grip use at ground speeds (k, n) while the limiter keeps the wheels at ``surface`` (n,).

        Slip is then given, and thrust follows from it; what turns with the engine does not accelerate.
        """
        inputs = self.inputs
        drag, rolling, pressure = self.resistance(speed)
        base, shift = self.grip(rolling, pressure)
        use = np.minimum(grip_of_slip(surface / speed - 1.0, inputs.slip_at_slide), inputs.grip_use_limit)
        thrust = use * base / (1.0 - use * shift)
        return (thrust - drag - rolling) / inputs.translating_kg, use

    def surface_at(self, speed: FloatArray) -> FloatArray:
        """Wheel surface speed (n,) at which full throttle gives this ground speed (n,)."""
        return self.taken_up(speed)[0]

    def taken_up(self, speed: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Wheel surface speed at which full throttle gives this ground speed, and the acceleration there: (n,) each.

        Resistance and grip are known then; only the engine's force moves with slip.
        """
        drag, rolling, pressure = self.resistance(speed)
        against = drag + rolling
        base, _ = self.grip(rolling, pressure)

        def next_pass(share: FloatArray) -> Push:
            return self._pass(speed, share, self.engine_force(speed / share), against, base)

        share, acceleration, _ = _fixed_point(next_pass, np.full_like(speed, GUESS), SURFACE_ROUNDS)
        return speed / share, acceleration

    def coast(self, speed: FloatArray, pause_s: float | FloatArray) -> tuple[FloatArray, FloatArray]:
        """Ground speed after, and distance over, a pause without thrust: one Runge-Kutta step of fourth order."""
        inputs = self.inputs
        mass = inputs.translating_kg + inputs.wheel_side_kg if inputs.coasting_kg is None else inputs.coasting_kg

        def slope(at: FloatArray) -> FloatArray:
            drag, rolling, _ = self.resistance(at)
            return -(drag + rolling) / mass

        first = slope(speed)
        second = slope(speed + 0.5 * pause_s * first)
        third = slope(speed + 0.5 * pause_s * second)
        fourth = slope(speed + pause_s * third)
        after = speed + pause_s / 6.0 * (first + 2.0 * second + 2.0 * third + fourth)
        distance = pause_s * speed + pause_s * pause_s / 6.0 * (first + second + third)
        return np.maximum(after, 0.0), distance


def _fixed_point(
    next_pass: Callable[[FloatArray], Push], share: FloatArray, rounds: int
) -> tuple[FloatArray, FloatArray, Push]:
    """Share that its own pass leads back to, and acceleration there: by secants; and the last pass itself."""
    for _ in range(rounds):
        now = next_pass(share)
        after = next_pass(now.share)
        step, following = now.share - share, after.share - now.share
        with np.errstate(divide="ignore", invalid="ignore"):  # no step at all: there is nothing left to gain
            beyond = following / (step - following)
        np.fmax(beyond, SECANT_RANGE[0], out=beyond)
        np.fmin(beyond, SECANT_RANGE[1], out=beyond)
        step *= beyond
        step += now.share
        share = step
    beyond *= after.acceleration - now.acceleration
    beyond += after.acceleration
    return share, beyond, after
