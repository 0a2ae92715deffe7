"""Stops of one car by hand: the gentle rate, grip and split of the brakes, each circuit failed, heat, rolling out."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from optimizer.choice.options import options_of
from optimizer.physics import air
from optimizer.run.model import RunModel
from optimizer.run.stopping import CASES, Stopping, stopping_of
from optimizer.scenario.event import StoppingRule
from optimizer.scenario.parts import Rotor
from tests.choice.records import make_scenario, make_tire

G = 9.80665
SPEED = 50.0
MASS, SHARE, ARM = 860.0, 0.61, 0.48 / 2.38
SALT, GRIP = 0.028, 0.48


def stop(gentle_g: float, grip_share: float, **car: Any) -> tuple[Stopping, RunModel]:
    """The test car as it stands, stopped from 50 m/s."""
    rule = StoppingRule(gentle_g=gentle_g, grip_share=grip_share, salt="ordinary")
    options = options_of(make_scenario(car=car, event={"stopping": rule}))
    model = RunModel(options)
    return stopping_of(model, options.fitted[None], np.array([SPEED])), model


def resistance_and_inertia() -> tuple[float, float]:
    """Rolling [N] and mass to slow down [kg] of the test car, from its records: tires at 2.5 bar roll as listed."""
    tire = make_tire("T")
    _, model = stop(0.1, 0.5)
    bar = model.car.front.tire_pressure_pa / 1e5
    own = tire.rolling_coefficient * (0.005 + 0.01 / bar) / (0.005 + 0.01 / 2.5)
    radius = 3.05 * tire.size.diameter_m / (2 * np.pi)
    wheels = sum(
        slot.count * model.options.parts[s][0].inertia_kgm2
        for s, slot in enumerate(model.options.slots)
        if slot.kind in {"tire", "wheel", "rotor"}
    )
    hubs = 2 * (model.car.front.hub_inertia_kgm2 + model.car.rear.hub_inertia_kgm2)
    return (SALT + own) * MASS * G, MASS + (wheels + hubs) / radius**2


def test_a_gentle_stop_takes_v_squared_over_twice_the_rate() -> None:
    """0.1 g is less than any case can do: 50^2 / (2 x 0.1 g) = 1,275 m."""
    stopping, _ = stop(0.1, 0.9)
    assert stopping.distance_m[:, 0] == pytest.approx(np.full(3, SPEED**2 / (0.2 * G)))


@pytest.mark.parametrize("front", [0.68, 0.9, 0.3])
def test_with_all_brakes_the_axle_that_would_lock_first_sets_the_limit(front: float) -> None:
    """At half the grip: front beta B = mu (N_f + T), rear (1 - beta) B = mu (N_r - T), T = (h / L) (B + R)."""
    stopping, _ = stop(2.0, 0.5, brake_front_share=front)
    rolling, inertia = resistance_and_inertia()
    mu, weight = 0.5 * GRIP, MASS * G
    at_front = mu * (SHARE * weight + ARM * rolling) / (front - mu * ARM)
    at_rear = mu * ((1 - SHARE) * weight - ARM * rolling) / (1 - front + mu * ARM)
    rate = (min(at_front, at_rear) + rolling) / inertia
    assert (at_front < at_rear) == (front > 0.65), "the ideal share is 0.61 and a little"
    assert stopping.distance_m[0, 0] == pytest.approx(SPEED**2 / (2 * rate), rel=1e-9)


def test_with_one_circuit_failed_the_other_axle_brakes_alone() -> None:
    """Rear alone: B = mu (N_r - T); front alone: B = mu (N_f + T)."""
    stopping, _ = stop(2.0, 0.5)
    rolling, inertia = resistance_and_inertia()
    mu, weight = 0.5 * GRIP, MASS * G
    rear = mu * ((1 - SHARE) * weight - ARM * rolling) / (1 + mu * ARM)
    front = mu * (SHARE * weight + ARM * rolling) / (1 - mu * ARM)
    for case, force in (("front brakes failed", rear), ("rear brakes failed", front)):
        expected = SPEED**2 / (2 * (force + rolling) / inertia)
        assert stopping.distance_m[CASES.index(case), 0] == pytest.approx(expected, rel=1e-9)


def test_the_braking_at_which_wheels_lock_is_on_all_the_grip() -> None:
    """As above with the whole grip, in g of the car's slowing down, rolling included."""
    stopping, _ = stop(0.1, 0.5)
    rolling, inertia = resistance_and_inertia()
    weight = MASS * G
    at_front = GRIP * (SHARE * weight + ARM * rolling) / (0.68 - GRIP * ARM)
    at_rear = GRIP * ((1 - SHARE) * weight - ARM * rolling) / (0.32 + GRIP * ARM)
    expected = (np.array([at_front, at_rear]) + rolling) / (inertia * G)
    assert stopping.lock_g[:, 0] == pytest.approx(expected, rel=1e-9)


def test_rotors_take_all_the_energy_of_a_stop() -> None:
    """Two of 4 kg in front, two of 3 kg behind, at 500 J/kg K: by the split, or all where the other circuit failed."""
    stopping, _ = stop(0.1, 0.5)
    _, inertia = resistance_and_inertia()
    energy = 0.5 * inertia * SPEED**2
    front, rear = energy / (2 * 4.0 * 500.0), energy / (2 * 3.0 * 500.0)
    assert stopping.rise_k[:, 0, 0] == pytest.approx(front * np.array([0.68, 0.0, 1.0]), rel=1e-9)
    assert stopping.rise_k[:, 1, 0] == pytest.approx(rear * np.array([0.32, 1.0, 0.0]), rel=1e-9)
    assert stopping.rise_share[0] == pytest.approx(rear / 400.0, rel=1e-9)


def test_rolling_out_is_what_a_solver_finds() -> None:
    """m dv/dt = -R - 1/2 rho CdA v^2, to a standstill."""
    stopping, _ = stop(0.1, 0.5)
    rolling, inertia = resistance_and_inertia()
    density = float(air.moist_air_density(87_000.0, 298.15, 0.25))

    def slopes(_t: float, y: np.ndarray) -> tuple[float, float]:
        return -(rolling + 0.5 * density * 0.62 * y[0] ** 2) / inertia, y[0]

    def still(_t: float, y: np.ndarray) -> float:
        return float(y[0])

    still.terminal = True
    end = solve_ivp(slopes, (0.0, 1000.0), (SPEED, 0.0), events=still, rtol=1e-10, atol=1e-10)
    assert stopping.coast_m[0] == pytest.approx(end.y[1, -1], rel=1e-7)


def test_a_rotor_without_a_limit_has_no_share() -> None:
    """The rear ones have none here: their share is unknown, and what is known is that of the front ones."""
    scenario = stop(0.1, 0.5)[1].options.scenario
    parts = {
        name: replace(part, max_rise_k=None) if isinstance(part, Rotor) and part.heat_mass_kg == 3.0 else part
        for name, part in scenario.parts.items()
    }
    model = RunModel(options_of(replace(scenario, parts=MappingProxyType(parts))))
    stopping = stopping_of(model, model.options.fitted[None], np.array([SPEED]))
    assert np.isnan(stopping.axle_share[:, 0]).tolist() == [False, True]
    assert stopping.unrated[0]
    assert stopping.rise_share[0] == stopping.axle_share[0, 0] > 0
