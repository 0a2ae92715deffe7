"""Stopping as a rule: within the shutdown at a gentle rate, each brake circuit failed in turn, rotors not too hot.

Nothing is credited that a crew should not count on: neither air drag nor a parachute shortens the stop, and the rotors
take the whole of the kinetic energy. Coasting is shown beside it and never counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, cast

import numpy as np

from optimizer.choice.options import BoolArray, IntArray, Options
from optimizer.physics import air, brakes, grip
from optimizer.run.inputs import FloatArray
from optimizer.run.model import RunModel, S
from optimizer.scenario.parts import Axle, Rotor

Case = Literal["all brakes", "front brakes failed", "rear brakes failed"]
CASES: tuple[Case, ...] = ("all brakes", "front brakes failed", "rear brakes failed")


@dataclass(frozen=True, slots=True)
class Stopping:
    """Stops of n builds from one speed each.

    Attributes
    ----------
    distance_m : array (3, n)
        Stopping distance per case of `CASES`.
    rise_k : array (3, 2, n)
        Rotor temperature rise per case and axle (front, rear).
    axle_share : array (2, n)
        Largest share of the allowed rise over cases, for front and rear rotors; 0 where an axle has none in the sheets,
        not a number where no limit of theirs is known.
    coast_m : array (n,)
        Distance to roll out with no brakes at all.
    lock_g : array (2, n)
        Braking, in g, at which the front and the rear wheels lock with all brakes, on all the grip there is.
    """

    distance_m: FloatArray
    rise_k: FloatArray
    axle_share: FloatArray
    coast_m: FloatArray
    lock_g: FloatArray

    @property
    def rise_share(self) -> FloatArray:
        """Largest share of the allowed rise over cases and axles (n,), as far as limits are known."""
        return np.asarray(np.nan_to_num(self.axle_share).max(axis=0))

    @property
    def unrated(self) -> BoolArray:
        """Whether some rotor's limit is not known (n,)."""
        return np.asarray(np.isnan(self.axle_share).any(axis=0))


def stopping_of(model: RunModel, builds: IntArray, speed_ms: FloatArray) -> Stopping:
    """Stops of builds (n, S) from ``speed_ms`` (n,) on the shutdown's salt."""
    options = model.options
    event, car = options.scenario.event, model.car
    rule, salt = event.stopping, event.salts[event.stopping.salt]
    sums, drive = model.sums_of(builds), model.drive_rows(builds)
    mass = sums[:, S["mass_kg"]]
    turning = sums[:, S["front_turning_kgm2"]] / drive.radius_m[0] ** 2
    turning = turning + sums[:, S["rear_turning_kgm2"]] / drive.radius_m[1] ** 2
    inertia = mass + turning
    load = np.stack([sums[:, S["front_load_kg"]], sums[:, S["rear_load_kg"]]]) * air.G
    coefficient = salt.rolling_coefficient + drive.coefficient + sums[:, S["rolling_change"]]
    rolling = (coefficient * load).sum(axis=0)
    share = rule.grip_share * salt.grip * drive.mu_factor
    arm = (car.cg_height_m, car.wheelbase_m, rolling)
    split = grip.max_braking_split(car.brake_front_share, share[0], share[1], load[0], load[1], *arm)
    forces = np.stack(
        [
            np.minimum(*split),
            grip.max_braking_rear(share[1], load[1], *arm),
            grip.max_braking_front(share[0], load[0], *arm),
        ]
    )
    rate = np.minimum(rule.gentle_g * air.G, (forces + rolling) / inertia)
    energy = 0.5 * inertia * speed_ms**2
    rise, axle_share = _rotor_rise(options, builds, energy, car.brake_front_share)
    half_density = 0.5 * float(air.moist_air_density(*_air_of(model))) * sums[:, S["drag_area_m2"]]
    mu = salt.grip * drive.mu_factor
    locks = grip.max_braking_split(car.brake_front_share, mu[0], mu[1], load[0], load[1], *arm)
    return Stopping(
        distance_m=brakes.stopping_distance(speed_ms, rate),
        rise_k=rise,
        axle_share=axle_share,
        coast_m=brakes.coast_distance(inertia, rolling, half_density, speed_ms),
        lock_g=(np.stack(locks) + rolling) / (inertia * air.G),
    )


def _air_of(model: RunModel) -> tuple[float, float, float]:
    """Pressure, temperature and humidity of the first run."""
    weather = model.options.scenario.event.weather[0]
    return weather.pressure_pa, weather.temperature_k, weather.humidity


def _rotor_rise(
    options: Options, builds: IntArray, energy_j: FloatArray, front_share: float
) -> tuple[FloatArray, FloatArray]:
    """Temperature rise (3, 2, n) per case and axle, and the largest share of what is allowed (2, n) per axle."""
    rise = np.zeros((len(CASES), 2, len(builds)))
    worst = np.zeros((2, len(builds)))
    for s, slot in enumerate(options.slots):
        if slot.kind != "rotor":
            continue
        axle = cast(Axle, slot.axle)
        place = ("front", "rear").index(axle)
        rotors = [cast(Rotor, part) for part in options.parts[s]]
        heat = np.array([slot.count * rotor.heat_mass_kg for rotor in rotors])[builds[:, s]]
        specific = np.array([rotor.specific_heat_jkgk for rotor in rotors])[builds[:, s]]
        allowed = np.array([rotor.max_rise_k or np.nan for rotor in rotors])[builds[:, s]]
        for case, share in enumerate(_energy_shares(front_share)[axle]):
            each = brakes.rotor_rise(share * energy_j, heat, specific)
            rise[case, place] = each
            worst[place] = np.maximum(worst[place], each / allowed)
    return rise, worst


def _energy_shares(front_share: float) -> dict[Axle, tuple[float, float, float]]:
    """Share of the energy that each axle's rotors take, per case of `CASES`."""
    return {"front": (front_share, 0.0, 1.0), "rear": (1 - front_share, 1.0, 0.0)}


def rotor_capacity_j(options: Options, s: int, front_share: float) -> FloatArray:
    """Kinetic energy of the car (m_s,) that each rotor of a slot takes in the worst case; inf without a limit."""
    slot = options.slots[s]
    rotors = [cast(Rotor, part) for part in options.parts[s]]
    worst = max(_energy_shares(front_share)[cast(Axle, slot.axle)])
    return np.array(
        [
            slot.count * rotor.heat_mass_kg * rotor.specific_heat_jkgk * rotor.max_rise_k / worst
            if rotor.max_rise_k
            else 1e12
            for rotor in rotors
        ]
    )
