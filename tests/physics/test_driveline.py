"""Driveline: numbers that can be worked out in the head, the trade's formula, and shift points."""

import numpy as np
import pytest

from optimizer.physics import driveline


def test_wheel_force():
    """100 N m through 10 : 1 at 90 % on 0.3 m."""
    assert driveline.wheel_force(100.0, 10.0, 0.9, 0.3) == pytest.approx(3000.0)


def test_force_times_speed_is_power():
    """What the engine makes, less the losses, arrives at the road."""
    rpm, torque, ratio, radius = 6000.0, 120.0, 4.1, 0.29
    power = driveline.wheel_force(torque, ratio, 0.92, radius) * driveline.speed_at_rpm(rpm, ratio, radius)

    assert power == pytest.approx(0.92 * torque * rpm * np.pi / 30)


def test_speed_at_rpm_and_back():
    """60 rpm, 1 : 1, radius 1 / (2 pi): one meter a second."""
    assert driveline.speed_at_rpm(60.0, 1.0, 1 / (2 * np.pi)) == pytest.approx(1.0)
    assert driveline.rpm_at_speed(driveline.speed_at_rpm(5321.0, 4.3, 0.28), 4.3, 0.28) == pytest.approx(
        5321.0
    )


def test_trade_formula_agrees():
    """mph = rpm x diameter / (ratio x 336), within the rounding of 336 (336.135)."""
    diameter_in, ratio, rpm = 22.5, 3.9, 7000.0
    mph = driveline.speed_at_rpm(rpm, ratio, diameter_in * 0.0254 / 2) / 0.44704

    assert rpm * driveline.mph_per_rpm(diameter_in, ratio) == pytest.approx(mph, rel=5e-4)


def test_sweep_torque():
    """0.3 kg m2 at 300 rpm/s takes 0.3 x 10 pi N m; a steady measurement nothing."""
    assert driveline.sweep_torque(0.3, 300.0) == pytest.approx(3 * np.pi)
    assert driveline.sweep_torque(0.3, 0.0) == 0.0


def test_flywheel_torque_from_wheels():
    """85 % arrive; what is lost behind the gears passes through them, what is lost before does not."""
    assert driveline.flywheel_torque_from_wheels(85.0, 0.85) == pytest.approx(100.0)
    assert driveline.flywheel_torque_from_wheels(80.0, 0.85, lost_after_gears=5.0) == pytest.approx(100.0)
    assert driveline.flywheel_torque_from_wheels(85.0, 0.85, lost_before_gears=7.0) == pytest.approx(107.0)


def parabola(rpm):
    """Torque of an engine that gives 120 N m at 4000 rpm and nothing at 8000."""
    return 120.0 * (1 - ((rpm - 4000.0) / 4000.0) ** 2)


def test_shift_where_forces_meet():
    """Torque 120 (2x - x^2) with x = rpm / 4000: N (2x - x^2) = N' (2sx - s^2 x^2), s = N'/N.

    Divided by N x: 2 - x = s (2s - s^2 x), so x = 2 (1 - s^2) / (1 - s^3).
    """
    step = 1.3 / 1.8
    expected = 4000.0 * 2 * (1 - step**2) / (1 - step**3)

    assert driveline.shift_rpm(parabola, 1500.0, 1.8, 1.3, 8000.0) == pytest.approx(expected, rel=1e-12)


def test_forces_are_equal_at_the_shift():
    """On a curve of points: just below, this gear pulls harder, just above, the next."""
    rpm = np.array([1000.0, 2500.0, 4000.0, 5500.0, 6500.0, 7500.0])
    points = np.array([80.0, 105.0, 112.0, 108.0, 96.0, 70.0])
    ratio, following = 1.45, 1.1

    def torque(speed):
        return np.interp(speed, rpm, points)

    shift = driveline.shift_rpm(torque, 1000.0, ratio, following, 7500.0)
    force = torque(shift) * ratio

    assert 5500.0 < shift < 7500.0
    assert force == pytest.approx(torque(shift * following / ratio) * following)
    assert torque(shift - 1) * ratio > torque((shift - 1) * following / ratio) * following
    assert torque(shift + 1) * ratio < torque((shift + 1) * following / ratio) * following


def test_no_crossing_below_the_limit():
    """Flat torque always pulls harder in the lower gear: up to the limit."""
    assert driveline.shift_rpm(lambda rpm: np.full_like(rpm, 100.0), 1000.0, 1.5, 1.1, 6500.0) == 6500.0


def test_next_gear_better_throughout():
    """Torque that falls steeply from the start: shift at once."""
    assert driveline.shift_rpm(lambda rpm: 1e9 / rpm**2, 1000.0, 1.5, 1.1, 6500.0) == 1000.0


def test_last_crossing_counts():
    """A hole in the curve below the peak does not send the car up a gear too early."""
    rpm = np.array([1000.0, 3000.0, 3300.0, 3600.0, 6000.0, 8000.0])
    points = np.array([100.0, 100.0, 55.0, 100.0, 100.0, 40.0])

    shift = driveline.shift_rpm(lambda speed: np.interp(speed, rpm, points), 1000.0, 1.5, 1.1, 8000.0)

    assert shift > 6000.0


def test_shift_speeds_of_many_gears_at_once():
    """A vector of ratios and limits gives what one after the other gives, bit for bit."""
    ratios = np.array([3.5, 2.1, 1.45, 1.1])
    following = np.array([2.1, 1.45, 1.1, 0.9])
    limits = np.array([5000.0, 7000.0, 7900.0, 7500.0])
    together = driveline.shift_rpm(parabola, 1200.0, ratios, following, limits)
    alone = [
        driveline.shift_rpm(parabola, 1200.0, *each) for each in zip(ratios, following, limits, strict=True)
    ]

    assert together.tolist() == alone
    assert together[0] == 5000.0
