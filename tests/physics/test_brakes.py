"""Stopping against a public law's table, published examples and an independent integration."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from optimizer.physics import brakes
from tests.physics.published import rows

KMH = 1 / 3.6


@pytest.mark.parametrize("row", rows("brakes.csv", "coast_time_70_to_60"), ids=str)
def test_coast_down_times_of_the_federal_table(row):
    """Time from 70 to 60 km/h against the given forces, for every mass of the table."""
    square = row.number("square_n_per_kmh2") * 3.6**2
    time = brakes.coast_time(row.number("mass_kg"), row.number("constant_n"), square, 70 * KMH, 60 * KMH)

    assert time == pytest.approx(row.expected, rel=row.tolerance)


@pytest.mark.parametrize("row", rows("brakes.csv", "force_at_65"), ids=str)
def test_deceleration_of_the_federal_table(row):
    """Over a short step about 65 km/h the speed lost in the time is the table's own force over the mass."""
    square = row.number("square_n_per_kmh2") * 3.6**2
    mass, step = row.number("mass_kg"), 0.01
    time = brakes.coast_time(mass, row.number("constant_n"), square, 65 * KMH + step, 65 * KMH - step)

    assert mass * 2 * step / time == pytest.approx(row.expected, rel=row.tolerance)


def coast_arguments(row):
    return [row.number(name) for name in ("mass_kg", "constant_n", "square", "from_ms", "to_ms")]


@pytest.mark.parametrize("row", rows("brakes.csv", "coast_time"), ids=str)
def test_coast_time(row):
    """The closed form with two arc tangents."""
    assert brakes.coast_time(*coast_arguments(row)) == pytest.approx(row.expected, rel=row.tolerance)


@pytest.mark.parametrize("row", rows("brakes.csv", "coast_distance"), ids=str)
def test_coast_distance(row):
    """The closed form with the logarithm."""
    assert brakes.coast_distance(*coast_arguments(row)) == pytest.approx(row.expected, rel=row.tolerance)


def test_coasting_against_integration():
    """The equation of motion integrated numerically down to 12 m/s."""
    mass, constant, square = 880.0, 240.0, 0.33

    def motion(_, state):
        return [state[1], -(constant + square * state[1] ** 2) / mass]

    def slow(_, state):
        return state[1] - 12.0

    slow.terminal = True
    run = solve_ivp(motion, (0, 500), [0.0, 55.0], events=slow, rtol=1e-10, atol=1e-10)

    assert brakes.coast_time(mass, constant, square, 55.0, 12.0) == pytest.approx(run.t[-1], rel=1e-8)
    assert brakes.coast_distance(mass, constant, square, 55.0, 12.0) == pytest.approx(run.y[0, -1], rel=1e-8)


def test_coasting_without_drag_is_constant_deceleration():
    """1000 kg, 500 N, from 20 m/s: 40 s and 400 m."""
    assert brakes.coast_time(1000.0, 500.0, 0.0, 20.0) == pytest.approx(40.0)
    assert brakes.coast_distance(1000.0, 500.0, 0.0, 20.0) == pytest.approx(400.0)
    assert brakes.stopping_distance(20.0, 0.5) == pytest.approx(400.0)


def test_coasting_on_drag_alone_never_ends():
    """Time m/c (1/v1 - 1/v0), distance m/c ln(v0/v1); a stop takes for ever."""
    assert brakes.coast_time(1000.0, 0.0, 0.5, 40.0, 20.0) == pytest.approx(2000.0 * (1 / 20 - 1 / 40))
    assert brakes.coast_distance(1000.0, 0.0, 0.5, 40.0, 20.0) == pytest.approx(2000.0 * np.log(2))
    assert brakes.coast_time(1000.0, 0.0, 0.5, 40.0) == np.inf
    assert brakes.coast_distance(1000.0, 0.0, 0.5, 40.0) == np.inf


def test_coasting_to_the_same_speed_takes_nothing():
    """No way and no time, even without any force."""
    assert brakes.coast_time(1000.0, 0.0, 0.0, 30.0, 30.0) == 0.0
    assert brakes.coast_distance(1000.0, 0.0, 0.0, 30.0, 30.0) == 0.0


@pytest.mark.parametrize("row", rows("brakes.csv", "rotor_rise"), ids=str)
def test_rotor_rise(row):
    """All the heat stays in the rotor."""
    rise = brakes.rotor_rise(row.number("energy_j"), row.number("heat_mass_kg"), row.number("specific_heat"))

    assert rise == pytest.approx(row.expected, rel=row.tolerance)


def test_energy_of_a_stop():
    """The printed energy is what heats 1 kg of 1 J/(kg K) by as many kelvin."""
    (row,) = rows("brakes.csv", "stop_energy_btu")
    energy = 0.5 * row.number("mass_lb") * 0.45359237 * (row.number("speed_mph") * 0.44704) ** 2

    assert brakes.rotor_rise(energy, 1.0, 1055.056) == pytest.approx(row.expected, rel=row.tolerance)


@pytest.mark.parametrize("row", rows("brakes.csv", "brake_torque"), ids=str)
def test_brake_torque(row):
    """Two pads."""
    torque = brakes.brake_torque(
        *(row.number(name) for name in ("friction", "clamp_n", "effective_radius_m"))
    )

    assert torque == pytest.approx(row.expected, rel=row.tolerance)


@pytest.mark.parametrize("row", rows("brakes.csv", "ideal_front_share"), ids=str)
def test_ideal_front_share(row):
    """Front share of the load under braking."""
    names = ("mu", "cg_height_m", "wheelbase_m", "cg_to_rear_m")

    assert brakes.ideal_front_share(*map(row.number, names)) == pytest.approx(row.expected, rel=row.tolerance)


def test_stopping_distance():
    """40 m/s at 1 m/s2: 800 m; an array gives what scalars give."""
    assert brakes.stopping_distance(40.0, 1.0) == 800.0
    assert brakes.stopping_distance(np.array([40.0, 20.0]), 1.0).tolist() == [800.0, 200.0]
