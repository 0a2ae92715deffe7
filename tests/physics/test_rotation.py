"""Turning mass against textbook problems."""

import pytest

from optimizer.physics import rotation
from tests.physics.published import rows


def only(quantity):
    (row,) = rows("rotation.csv", quantity)
    return row


def wheel_bodies():
    """Tire (side walls and tread) and disk of the textbook's wheel."""
    tire = rotation.annulus_inertia(2.0, 0.64, 0.36) + rotation.ring_inertia(10.0, 0.66)
    return tire, rotation.disk_inertia(15.0, 0.36)


def test_thin_ring_at_the_rolling_radius_counts_double():
    """1 kg there weighs 1 kg more."""
    row = only("factor_ring")

    assert 1 + rotation.equivalent_mass(rotation.ring_inertia(1.0, 0.58), 0.29) == pytest.approx(row.expected)


def test_uniform_disk_counts_one_and_a_half():
    """Half its mass more."""
    row = only("factor_disk")

    assert 1 + rotation.equivalent_mass(rotation.disk_inertia(1.0, 0.58), 0.29) == pytest.approx(row.expected)


def test_annulus():
    """Inner radius 0.6 of the outer."""
    row = only("factor_annulus")
    inertia = rotation.annulus_inertia(1.0, 0.58, row.number("inner_ratio") * 0.58)

    assert 1 + rotation.equivalent_mass(inertia, 0.29) == pytest.approx(row.expected)


def test_brake_rotor():
    """A rotor of 280 mm counts 1.15, not 2; the ratio taken where none is given is that rotor's."""
    row = only("factor_rotor")
    outer, inner = row.number("outer_d"), row.number("inner_d")
    exact = rotation.annulus_inertia(1.0, outer, inner)

    assert 1 + rotation.equivalent_mass(exact, row.number("radius")) == pytest.approx(
        row.expected, rel=row.tolerance
    )
    assert rotation.rotor_inertia(1.0, outer) == pytest.approx(exact, rel=2e-3)
    assert rotation.rotor_inertia(1.0, outer, inner / outer) == pytest.approx(exact)


def test_rotational_share_of_kinetic_energy():
    """Four wheels of 10 kg under a car of 1000 kg: 1/51, whatever their radius."""
    row = only("rotational_share")
    extra = row.number("wheels") * rotation.equivalent_mass(
        rotation.disk_inertia(row.number("wheel_kg"), 0.6), 0.3
    )

    assert extra / (row.number("car_kg") + extra) == pytest.approx(row.expected, rel=row.tolerance)


def test_textbook_axle():
    """Wheel by wheel, then the whole axle with its shafts, then what a torque does to it."""
    tire, disk = wheel_bodies()
    axle = 2 * (tire + disk) + rotation.disk_inertia(14.0, 0.04) + rotation.disk_inertia(30.0, 0.064)
    spin = only("angular_acceleration")

    assert tire == pytest.approx(only("tire_of_wheel").expected, rel=1e-4)
    assert disk == pytest.approx(only("disk_of_wheel").expected, rel=1e-9)
    assert axle == pytest.approx(only("whole_axle").expected, rel=only("whole_axle").tolerance)
    assert spin.number("torque") / axle == pytest.approx(spin.expected, rel=spin.tolerance)


def test_effective_mass_of_a_car_in_first_gear():
    """Wheels, propeller shaft and engine, each through its own ratio."""
    row = only("effective_mass")
    radius = row.number("radius")
    mass = (
        row.number("mass")
        + row.number("wheels") * rotation.equivalent_mass(row.number("wheel_inertia"), radius)
        + rotation.equivalent_mass_geared(row.number("shaft_inertia"), row.number("final"), radius)
        + rotation.equivalent_mass_geared(row.number("engine_inertia"), row.number("overall"), radius)
    )

    assert mass == pytest.approx(row.expected, rel=row.tolerance)
