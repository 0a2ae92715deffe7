"""Driving in one gear: full throttle as far as grip lets, lifting at the limiter, and the pause of a shift.

At full throttle the engine fixes thrust at a *wheel surface* speed c: torque is then explicit, slip follows from
thrust over grip, and ground speed is u = c / (1 + slip). All arrays end in the axis of cars, and every operation is
elementwise over cars: a result never depends on its batch. The model, term by term, is in docs/method.md.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from optimizer.physics.air import crosswind_square
from optimizer.physics.grip import grip_of_slip, slip_of_grip_use
from optimizer.physics.tires import GROWTH_SPEED_MS, grown_surface_speed
from optimizer.run.inputs import FloatArray, RunInputs

BoolArray = npt.NDArray[np.bool_]

SLIP_PASSES = 3
"""Fixed-point passes for slip; each gains about two digits."""
SECANT_PASSES = 4
"""Secant passes for the wheel speed that goes with a ground speed."""


class Push(NamedTuple):
    """State of full-throttle driving at some wheel speeds; arrays (k, n).

    ``spare`` is the acceleration that grip allows beyond what the engine gives: negative where the driver lifts.
    """

    speed: FloatArray
    acceleration: FloatArray
    use: FloatArray
    spare: FloatArray


class Gear:
    """Full-throttle driving of n cars in one gear (or on a slipping clutch in first)."""

    def __init__(self, inputs: RunInputs, gear: int, *, clutch: bool = False) -> None:
        self.inputs = inputs
        ratio = np.where(inputs.overall[gear] > 0, inputs.overall[gear], 1.0)
        self.exists = inputs.overall[gear] > 0
        self.rpm_per_surface = ratio * (30.0 / np.pi) / inputs.radius_m
        self.force_per_torque = inputs.torque_scale * ratio * inputs.efficiency[gear] / inputs.radius_m
        self.growth = inputs.growth / GROWTH_SPEED_MS**2
        self.cross_pressure = (
            0.5 * inputs.air_density * crosswind_square(inputs.crosswind_ms, inputs.drag_rise_at_yaw)
        )
        self.side_square = inputs.crosswind_ms * inputs.crosswind_ms
        self.clutch = clutch
        engine_side = np.zeros(len(inputs)) if clutch else inputs.engine_kgm2 * (ratio / inputs.radius_m) ** 2
        shaft_side = inputs.shaft_kgm2 * (inputs.final_ratio / inputs.radius_m) ** 2
        self.turning_kg = inputs.wheel_side_kg + shaft_side + engine_side
        self.shift_surface = self.surface_at_rpm(inputs.shift_rpm[gear])
        self.limit_surface = self.surface_at_rpm(inputs.rev_limit_rpm)
        self.launch_surface = self.surface_at_rpm(inputs.launch_rpm)

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
        half_density = 0.5 * inputs.air_density
        along = half_density * air_speed * air_speed
        drag = inputs.drag_area_m2 * (along * np.sign(air_speed) + self.cross_pressure)
        pressure = along + half_density * self.side_square
        square = speed * speed
        rolling = (
            inputs.rolling_n
            + inputs.rolling_nv2 * square
            - (inputs.lift_rolling_m2 + inputs.lift_rolling_v2 * square) * pressure
        )
        return drag, np.maximum(rolling, 0.0), pressure

    def grip(self, rolling: FloatArray, pressure: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Grip of the driven axles as ``a + b * thrust``: thrust itself moves load between the axles."""
        inputs = self.inputs
        front = inputs.front_grip_n - inputs.front_lift_m2 * pressure
        rear = inputs.rear_grip_n - inputs.rear_lift_m2 * pressure
        shift = (inputs.rear_mu - inputs.front_mu) * inputs.transfer
        base = inputs.front_mu * front + inputs.rear_mu * rear - shift * rolling
        return np.maximum(base, 1.0), shift

    def push(self, surface: FloatArray) -> Push:
        """Ground speed and acceleration at wheel surface speeds (k, n) with the throttle as far open as grip lets.

        Thrust at the ground is what the engine gives less what spins up the turning mass; slip follows from its
        share of the grip, and ground speed from slip: a fixed point that contracts fast, since ground speed enters
        only through lift and drag.
        """
        inputs, mass, turning = self.inputs, self.inputs.translating_kg, self.turning_kg
        limit = inputs.grip_use_limit
        grown = 1.0 / (1.0 + self.growth * surface * surface)
        rpm = surface * self.rpm_per_surface * grown
        if self.clutch:
            rpm = np.maximum(rpm, inputs.launch_rpm)
        scaled = inputs.torque_table.torque(inputs.engine, rpm) * grown * (self.force_per_torque * mass)
        speed = surface * (1.0 / 1.03)
        by_mass = turning * 1.03
        for _ in range(SLIP_PASSES):
            drag, rolling, pressure = self.resistance(speed)
            against = drag + rolling
            base, shift = self.grip(rolling, pressure)
            by_engine = (scaled + against * by_mass) / (mass + by_mass)
            by_grip = base * (limit / (1.0 - limit * shift))
            thrust = np.minimum(by_engine, by_grip)
            use = np.minimum(np.maximum(thrust / (base + shift * thrust), 0.0), limit)
            stretch = 1.0 + slip_of_grip_use(use, inputs.slip_at_slide)
            by_mass = turning * stretch
            speed = surface / stretch
        return Push(speed, (thrust - against) / mass, use, (by_grip - by_engine) / mass)

    def hold(self, surface: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Ground speed and grip use when the limiter holds the wheels at ``surface`` (n,): thrust equals resistance."""
        inputs = self.inputs
        slip = np.full_like(surface, 0.02)
        for _ in range(SLIP_PASSES + 2):
            drag, rolling, pressure = self.resistance(surface / (1.0 + slip))
            thrust = drag + rolling
            base, shift = self.grip(rolling, pressure)
            use = np.minimum(np.maximum(thrust / (base + shift * thrust), 0.0), inputs.grip_use_limit)
            slip = slip_of_grip_use(use, inputs.slip_at_slide)
        return surface / (1.0 + slip), use

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
        """Wheel surface speed (n,) at which full throttle gives this ground speed (n,), by secant steps."""
        before, after = speed * 1.02, speed * 1.04
        miss_before = self.push(before[None]).speed[0] - speed
        for _ in range(SECANT_PASSES):
            miss_after = self.push(after[None]).speed[0] - speed
            slope = miss_after - miss_before
            moved = np.abs(slope) > 1e-12
            step = np.where(moved, miss_after * (after - before) / np.where(moved, slope, 1.0), 0.0)
            before, miss_before = after, miss_after
            after = np.clip(after - step, speed, 2.0 * speed)
        return after

    def coast(self, speed: FloatArray, pause_s: float) -> tuple[FloatArray, FloatArray]:
        """Ground speed after, and distance over, a pause without thrust: one Runge-Kutta step of fourth order."""
        mass = self.inputs.translating_kg + self.inputs.wheel_side_kg

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
