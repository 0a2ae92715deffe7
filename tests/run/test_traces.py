"""Traces of a rolling and of a pulling car, against closed forms and an ordinary solver."""

from dataclasses import replace

import numpy as np
import pytest

from optimizer.run.inputs import RunInputs, models_side_by_side
from optimizer.run.traces import coast_down, coasting_mass_kg, pull, slip_at, speed_at
from tests.calibration.made import coasting, pulling
from tests.physics import ideal_runs
from tests.physics.published import rows
from tests.run.random_cars import random_car_and_day

KMH = 1 / 3.6


def rolling_car(mass_kg, constant_n, square):
    """A car of nothing but mass, a constant force and one that rises with speed squared."""
    return ideal_runs.car(
        ideal_runs.constant_thrust(1.0), mass_kg, square, rolling_n=np.array([constant_n], dtype=float)
    )


@pytest.mark.parametrize("row", rows("simulator.csv", "coasting_speed"), ids=str)
def test_speed_of_a_coast_down_by_the_tangent(row):
    """The closed form of a constant and a quadratic force; the table has its numbers."""
    car = rolling_car(row.number("mass_kg"), row.number("constant_n"), row.number("square"))
    trace = coast_down(car, np.array([row.number("from_ms")]), np.array([2 * row.number("time_s")]))
    found = speed_at(trace, slice(0, 1), np.array([row.number("time_s")]))[0, 0]
    assert found == pytest.approx(row.expected, rel=1e-6)


@pytest.mark.parametrize("row", rows("brakes.csv", "coast_time_70_to_60"), ids=str)
def test_the_federal_table_by_a_trace(row):
    """70 to 60 km/h take the time that is published, for every car of the table."""
    square = row.number("square_n_per_kmh2") / KMH**2
    car = rolling_car(row.number("mass_kg"), row.number("constant_n"), square)
    trace = coast_down(car, np.array([70 * KMH]), np.array([2 * row.expected]))
    time = np.linspace(0, 2 * row.expected, 2001)
    speed = speed_at(trace, slice(0, 1), time)[0]
    assert np.interp(60 * KMH, speed[::-1], time[::-1]) == pytest.approx(row.expected, rel=row.tolerance)


def random_car(seed):
    drive = ("front", "rear", "all")[seed % 3]
    return random_car_and_day(np.random.default_rng(seed), drive)[0]


@pytest.mark.parametrize("seed", range(6))
def test_a_coast_down_in_wind_with_lift(seed):
    """Random cars in wind from ahead and aside, with lift and tires that grow: as an ordinary solver has it."""
    car, time = random_car(seed), np.linspace(0.0, 40.0, 23)
    trace = coast_down(car, np.array([45.0]), np.array([40.0]), 12.0)
    expected = coasting(car, 45.0, time, 12.0)
    assert np.abs(speed_at(trace, slice(0, 1), time)[0] - expected).max() < 2e-4


@pytest.mark.parametrize("seed", range(4))
def test_a_pull_in_one_gear(seed):
    """At full throttle, grip and slip and turning mass and all."""
    car, time = random_car(seed), np.linspace(0.0, 15.0, 12)
    trace = pull(car, 1, np.array([14.0]), np.array([15.0]))
    speed, surface = pulling(car, 1, 14.0, time)
    assert np.abs(speed_at(trace, slice(0, 1), time)[0] - speed).max() < 2e-3
    assert np.abs(slip_at(trace, slice(0, 1), time)[0] - surface / speed).max() < 5e-4


def test_what_turns_counts_while_it_rolls():
    """Wheels, and through the final drive what lies behind the gears; not the engine."""
    car: RunInputs = ideal_runs.car(
        ideal_runs.constant_thrust(1.0), 900.0, 0.4, wheel_side_kg=np.array([20.0]), shaft_kgm2=np.array([0.01]),
        final_ratio=np.array([4.0]), engine_kgm2=np.array([5.0]),
    )  # fmt: skip
    assert coasting_mass_kg(car)[0] == pytest.approx(900 + 20 + 0.01 * 16 / ideal_runs.RADIUS_M**2)


def test_traces_do_not_depend_on_the_batch():
    """A car alone is the car among others."""
    cars = models_side_by_side([replace(random_car(0), drag_area_m2=np.array([area])) for area in (0.4, 0.5, 0.6)])
    start, long = np.full(3, 40.0), np.array([20.0, 40.0, 60.0])
    whole = coast_down(cars, start, long)
    for n in range(3):
        alone = coast_down(cars.take(slice(n, n + 1)), start[:1], long[n : n + 1])
        assert (alone.speed[:, 0] == whole.speed[:, n]).all()


def test_a_car_that_stands_stays():
    """Rolling resistance does not push it backwards."""
    trace = coast_down(rolling_car(900.0, 300.0, 0.3), np.array([5.0]), np.array([60.0]))
    assert (trace.speed >= 0).all()
    assert trace.speed[-1, 0] == 0
