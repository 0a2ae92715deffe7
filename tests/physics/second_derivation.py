"""A second derivation of the five formulas that move the predicted speed most.

Written from the cited sources without reading the package. The formulas use numpy and scipy only; the package is
called in the last part alone, where the two are compared. The derivations stand in docs/second-derivation.md.
SI units unless a name says otherwise.

References
----------
Gillespie, Fundamentals of Vehicle Dynamics, ch. 2 (thrust, turning mass, load transfer).
SAE J1349 (1990), Engine Power Test Code (from memory).
Fiala, Seitenkraefte am rollenden Luftreifen (1954); Pacejka, Tire and Vehicle Dynamics, ch. 3 (brush model).
Picard, Davis, Glaeser and Fujii, Revised formula for the density of moist air (CIPM-2007), Metrologia 2008.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from optimizer.physics import air, driveline, grip, rolling, rotation

FloatArray = npt.NDArray[np.float64]

G_N = 9.80665
R_UNIVERSAL = 8.314462618
M_DRY = 0.0289647
M_VAPOR = 0.0180153
ZERO_CELSIUS_K = 273.15


# (a) thrust, turning mass, acceleration -----------------------------------------------------------------------------


def thrust(torque_nm: float, ratio: float, efficiency: float, radius_m: float) -> float:
    """Force of the driven tires on the ground at steady speed: work in, less the loss, over the distance rolled."""
    return torque_nm * ratio * efficiency / radius_m


def turning_mass(
    mass_kg: float,
    wheels_kgm2: float,
    shaft_kgm2: float,
    engine_kgm2: float,
    overall_ratio: float,
    radius_m: float,
    final_ratio: float = 1.0,
) -> float:
    """Mass that has the same kinetic energy as the car and all its turning parts.

    ``final_ratio`` is the shaft speed over the wheel speed: 1 for a shaft on the wheel side of the final drive.
    """
    turning = wheels_kgm2 + shaft_kgm2 * final_ratio**2 + engine_kgm2 * overall_ratio**2
    return mass_kg + turning / radius_m**2


def acceleration(thrust_n: float, resistance_n: float, turning_mass_kg: float) -> float:
    """Rate of the speed: the power left over raises the kinetic energy of the turning mass."""
    return (thrust_n - resistance_n) / turning_mass_kg


# (b) moist air ------------------------------------------------------------------------------------------------------


def saturation_pa(temp_c: float) -> float:
    """Vapor pressure over flat water, Buck's 1996 form of the Magnus formula (constants from memory)."""
    return float(611.21 * np.exp((18.678 - temp_c / 234.5) * temp_c / (257.14 + temp_c)))


def ideal_density(pressure_pa: float, temp_c: float, humidity: float) -> float:
    """Density of an ideal mixture of dry air and vapor; each gas obeys p V = n R T alone (Dalton)."""
    vapor = humidity * saturation_pa(temp_c)
    gas = R_UNIVERSAL * (temp_c + ZERO_CELSIUS_K)
    return ((pressure_pa - vapor) * M_DRY + vapor * M_VAPOR) / gas


def real_gas_excess(pressure_pa: float, temp_c: float) -> float:
    """Relative amount by which real air is denser than ideal air: -B p / (R T).

    B is the second virial coefficient of dry air, about -13.5 cm3/mol at 0 C, -8.6 at 20 C and -4.6 at 40 C (from
    memory of tables of gas data), with a parabola through the three values.
    """
    b_cm3 = np.polyval(np.polyfit([0.0, 20.0, 40.0], [-13.5, -8.6, -4.6], 2), temp_c)
    return float(-b_cm3 * 1e-6 * pressure_pa / (R_UNIVERSAL * (temp_c + ZERO_CELSIUS_K)))


def drag(density: float, drag_area_m2: float, speed_ms: float, head_wind_ms: float) -> float:
    """Drag of a car in a wind straight ahead: pressure of the air speed, with the sign of the air speed."""
    air_speed = speed_ms + head_wind_ms
    return 0.5 * density * drag_area_m2 * air_speed * abs(air_speed)


# (c) SAE J1349 ------------------------------------------------------------------------------------------------------

MECHANICAL_EFFICIENCY = 0.85
STANDARD_K = 298.15


def indicated_ratio(dry_pa: float, temp_k: float, standard_k: float = STANDARD_K) -> float:
    """Indicated power over its value at 99 kPa dry and 25 C: in proportion to p / sqrt(T)."""
    return float(dry_pa / 99000.0 * np.sqrt(standard_k / temp_k))


def factor_test_share(dry_pa: float, temp_k: float, standard_k: float = STANDARD_K) -> float:
    """Standard power over observed power if friction is 15 % of the indicated power AT THE TEST: linear in 1/x."""
    loss = (1.0 - MECHANICAL_EFFICIENCY) / MECHANICAL_EFFICIENCY
    return (1.0 + loss) / indicated_ratio(dry_pa, temp_k, standard_k) - loss


def factor_standard_share(dry_pa: float, temp_k: float, standard_k: float = STANDARD_K) -> float:
    """Standard power over observed power if friction is 15 % of the indicated power AT STANDARD: a hyperbola."""
    x = indicated_ratio(dry_pa, temp_k, standard_k)
    return MECHANICAL_EFFICIENCY / (x - (1.0 - MECHANICAL_EFFICIENCY))


def factor_rounded(dry_pa: float, temp_k: float, zero_c: float = 0.0) -> float:
    """The printed form, 1.18 (99/p) sqrt(T/298) - 0.18, with T counted from ``zero_c`` kelvin."""
    return 1.18 / indicated_ratio(dry_pa, temp_k - zero_c, 298.0) - 0.18


# (d) rolling --------------------------------------------------------------------------------------------------------


def rolling_shape(pressure_bar: float, speed_kmh: float) -> float:
    """The rolling coefficient of a passenger tire on a hard road, pressure in bar and speed in km/h."""
    return 0.005 + (0.01 + 0.0095 * (speed_kmh / 100.0) ** 2) / pressure_bar


def rolling_factor(pressure_bar: float, speed_ms: float) -> float:
    """The same as a factor on a coefficient that was listed at 2.5 bar and a low speed."""
    return rolling_shape(pressure_bar, speed_ms * 3.6) / rolling_shape(2.5, 0.0)


def rolling_resistance(loads_n: tuple[float, float], listed: float, factors: tuple[float, float], salt: float) -> float:
    """Sum over the axles of load times (tire + salt); the salt's share does not know the tire's pressure."""
    return sum(load * (listed * factor + salt) for load, factor in zip(loads_n, factors, strict=True))


def axle_loads(
    weight_n: float, front_share: float, pressure_q: float, lift_areas_m2: tuple[float, float], transfer_n: float
) -> tuple[float, float]:
    """Front and rear load: weight, less lift (area times dynamic pressure), with a transfer to the rear."""
    front = weight_n * front_share - pressure_q * lift_areas_m2[0] - transfer_n
    rear = weight_n * (1.0 - front_share) - pressure_q * lift_areas_m2[1] + transfer_n
    return front, rear


# (e) brush tire and largest thrust ----------------------------------------------------------------------------------


def brush_by_integration(slip_of_wheel: float, stiffness_per_grip: float, steps: int = 20000) -> float:
    """Force over mu N, added up over the bristles of the patch (the derivation as arithmetic, no closed form).

    ``slip_of_wheel`` is (w r - V) / (w r). ``stiffness_per_grip`` is dF/dslip at zero slip, over mu N. A bristle at
    the share x of the patch is bent by x times the slip; the stiffness per length is twice the total; the friction
    it can hold is 6 x (1 - x) mu N.
    """
    x = (np.arange(steps) + 0.5) / steps
    stuck = 2.0 * stiffness_per_grip * slip_of_wheel * x
    return float(np.mean(np.minimum(stuck, 6.0 * x * (1.0 - x))))


def brush_use(slip_of_wheel: float, stiffness_per_grip: float) -> float:
    """The closed form: 1 - (1 - z)^3 with z = C s / (3 mu N), and 1 when the whole patch slides."""
    z = min(stiffness_per_grip * slip_of_wheel / 3.0, 1.0)
    return 1.0 - (1.0 - z) ** 3


def brush_slip(use: float, stiffness_per_grip: float) -> float:
    """The inverse: the slip relative to the wheel's speed that gives a share ``use`` of the grip."""
    return float(3.0 / stiffness_per_grip * (1.0 - np.cbrt(1.0 - use)))


def road_slip(slip_of_wheel: float) -> float:
    """(w r - V) / V from (w r - V) / (w r)."""
    return slip_of_wheel / (1.0 - slip_of_wheel)


def slip_at_road(use: float, slide: float, slip_relative_to: str) -> float:
    """(w r - V) / V at a share ``use`` of the grip, if the full slide is at ``slide``, also relative to the road.

    ``wheel``: as derived, the cubic is in (w r - V) / (w r). ``road``: the same cubic written in (w r - V) / V.
    """
    share = 1.0 - float(np.cbrt(1.0 - use))
    return slide * share if slip_relative_to == "road" else road_slip(slide / (1.0 + slide) * share)


def largest_thrust(
    drive: str, grip: float, front_n: float, rear_n: float, rolling_n: float, height_over_base: float
) -> float:
    """Largest thrust found by search: the driven axle's grip on its load after the transfer h/L (F - R)."""

    def spare(force: float) -> float:
        transfer = height_over_base * (force - rolling_n)
        load = {"front": front_n - transfer, "rear": rear_n + transfer, "all": front_n + rear_n}[drive]
        return grip * load - force

    return float(brentq(spare, 0.0, 10.0 * (front_n + rear_n), xtol=1e-9, rtol=1e-14))


# one whole car ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Car:
    """One car in one gear on one day; areas in m2, the tire and the salt by their coefficients."""

    drive: str
    mass_kg: float
    front_share: float
    height_over_base: float
    grip: float
    slide: float
    drag_area_m2: float
    lift_areas_m2: tuple[float, float]
    listed: float
    pressures_bar: tuple[float, float]
    salt: float
    peak_nm: float
    peak_rpm: float
    droop: float
    ratio: float
    efficiency: float
    radius_m: float
    density: float
    head_wind_ms: float
    power_factor: float

    def torque(self, rpm: FloatArray | float) -> FloatArray:
        """A parabola about its peak, in the day's air."""
        curve = 1.0 - self.droop * (np.asarray(rpm) / self.peak_rpm - 1.0) ** 2
        return self.peak_nm / self.power_factor * np.maximum(curve, 0.02)


def balance(car: Car, speed_ms: float, slip_relative_to: str, through_patch: float = 1.0) -> tuple[float, float]:
    """Thrust to spare at a steady road speed, over the thrust needed, and the share of grip that speed needs.

    At a steady speed the thrust needed is drag plus rolling, so the transfer is h/L times the drag. That thrust over
    the grip of the driven axle gives the slip, the slip the speed of the wheel, and that the engine's.
    ``through_patch`` is the share of the driven tires' own rolling loss that the contact patch has to carry: 1 if
    rolling is a force on the ground, 0 if it is a moment on the wheel.
    """
    air_speed = speed_ms + car.head_wind_ms
    drag_n = drag(car.density, car.drag_area_m2, speed_ms, car.head_wind_ms)
    loads = axle_loads(
        car.mass_kg * G_N, car.front_share, 0.5 * car.density * air_speed**2, car.lift_areas_m2,
        car.height_over_base * drag_n,
    )  # fmt: skip
    factors = tuple(rolling_factor(each, speed_ms) for each in car.pressures_bar)
    needed = drag_n + rolling_resistance(loads, car.listed, factors, car.salt)
    driven = {"front": (0,), "rear": (1,), "all": (0, 1)}[car.drive]
    own = sum(loads[axle] * car.listed * factors[axle] for axle in driven)
    use = (needed - (1.0 - through_patch) * own) / (car.grip * sum(loads[axle] for axle in driven))
    if use >= 1.0:
        return -1.0, use
    slip = slip_at_road(use, car.slide, slip_relative_to)
    rpm = speed_ms * (1.0 + slip) / car.radius_m * car.ratio * 30.0 / np.pi
    return thrust(float(car.torque(rpm)), car.ratio, car.efficiency, car.radius_m) / needed - 1.0, use


def settling_speed(car: Car, slip_relative_to: str = "wheel", through_patch: float = 1.0) -> float:
    """The speed at which thrust and resistance balance."""

    def spare(speed_ms: float) -> float:
        return balance(car, speed_ms, slip_relative_to, through_patch)[0]

    return float(brentq(spare, START_MS, 120.0, xtol=1e-11, rtol=1e-14))


# comparison with the package ----------------------------------------------------------------------------------------

MPH = 0.44704
START_MS = 15.0
ROUND_OFF = 1e-12
"""Where two forms are the same formula, they differ by the arithmetic only; the page then says no more than this."""


def random_car(rng: np.random.Generator, drive: str) -> Car:
    """A car whose power is made to settle it at a random speed of 60 to 160 mph, near the top of its power curve."""
    dry_pa, temp_k = rng.uniform(80e3, 100e3), rng.uniform(278.0, 313.0)
    target, peak_rpm, radius = rng.uniform(60.0, 160.0) * MPH, rng.uniform(3500.0, 5500.0), rng.uniform(0.27, 0.32)
    car = Car(
        drive=drive, mass_kg=rng.uniform(700.0, 1200.0), front_share=rng.uniform(0.45, 0.62),
        height_over_base=rng.uniform(0.15, 0.25), grip=rng.uniform(0.35, 0.65), slide=rng.uniform(0.08, 0.2),
        drag_area_m2=rng.uniform(0.42, 0.7), lift_areas_m2=(rng.uniform(-0.2, 0.15), rng.uniform(-0.2, 0.15)),
        listed=rng.uniform(0.009, 0.014), pressures_bar=(rng.uniform(2.0, 3.8),) * 2, salt=rng.uniform(0.008, 0.03),
        peak_nm=1.0, peak_rpm=peak_rpm, droop=rng.uniform(0.4, 0.8),
        ratio=rng.uniform(1.2, 1.6) * peak_rpm * np.pi / 30.0 * radius / target, efficiency=rng.uniform(0.84, 0.95),
        radius_m=radius, density=float(air.moist_air_density(dry_pa, temp_k, 0.0)),
        head_wind_ms=rng.uniform(-4.0, 4.0), power_factor=float(air.j1349_factor(dry_pa, temp_k)),
    )  # fmt: skip
    spare, use = balance(car, target, "wheel")
    return replace(car, peak_nm=1.0 / (spare + 1.0)) if use < 0.85 else random_car(rng, drive)


@cache
def random_cars() -> tuple[Car, ...]:
    """Thirty cars, ten of each drive."""
    rng = np.random.default_rng(1954)
    return tuple(random_car(rng, ("front", "rear", "all")[number % 3]) for number in range(30))


def _largest(pairs: list[tuple[float, float]]) -> float:
    """Largest relative difference of pairs of numbers."""
    mine, theirs = np.array(pairs).T
    return float(np.max(np.abs(mine / theirs - 1.0)))


def _driveline_differences() -> dict[str, float]:
    """Thrust, turning mass and acceleration of a thousand random cars."""
    rng, thrusts, masses, rates = np.random.default_rng(1), [], [], []
    for _ in range(1000):
        torque, ratio, efficiency, radius = (
            float(rng.uniform(*each)) for each in ((40, 260), (2.5, 14), (0.8, 0.97), (0.26, 0.33))
        )  # fmt: skip
        mass, wheels, shaft, engine, final = (
            float(rng.uniform(*each)) for each in ((650, 1250), (2, 5), (0.005, 0.05), (0.08, 0.25), (3.0, 5.5))
        )  # fmt: skip
        mine = (
            thrust(torque, ratio, efficiency, radius),
            turning_mass(mass, wheels, shaft, engine, ratio, radius, final),
        )
        theirs = (
            float(driveline.wheel_force(torque, ratio, efficiency, radius)),
            mass
            + float(rotation.equivalent_mass(wheels, radius))
            + float(rotation.equivalent_mass_geared(shaft, final, radius))
            + float(rotation.equivalent_mass_geared(engine, ratio, radius)),
        )
        thrusts.append((mine[0], theirs[0]))
        masses.append((mine[1], theirs[1]))
        rates.append((acceleration(mine[0], -100.0, mine[1]), (theirs[0] + 100.0) / theirs[1]))
    return {"thrust": _largest(thrusts), "turning mass": _largest(masses), "acceleration": _largest(rates)}


def _air_differences() -> dict[str, float]:
    """Density over a grid of days, and the head wind of random winds taken as vectors."""
    raw, real = [], []
    for pressure in np.linspace(80e3, 102e3, 12):
        for temp_c in np.linspace(5.0, 40.0, 15):
            for humidity in (0.0, 0.1, 0.3, 0.5, 0.7):
                theirs = float(air.moist_air_density(pressure, temp_c + ZERO_CELSIUS_K, humidity))
                mine = ideal_density(pressure, temp_c, humidity)
                raw.append((mine, theirs))
                real.append((mine * (1.0 + real_gas_excess(pressure, temp_c)), theirs))
    rng, winds = np.random.default_rng(2), []
    for _ in range(1000):
        wind, source, bearing = rng.uniform(0.0, 12.0), rng.uniform(0.0, 360.0), rng.uniform(0.0, 360.0)
        blows, drives = (np.array([np.sin(at), np.cos(at)]) for at in np.radians([source + 180.0, bearing]))
        winds.append(abs(float(air.headwind(wind, source, bearing)) + wind * float(blows @ drives)))
    return {
        "density, ideal mixture": _largest(raw),
        "density, with second virial": _largest(real),
        "head wind (m/s)": max(winds),
    }


def _power_differences() -> dict[str, float]:
    """The J1349 factor over a grid of dry pressures and temperatures, 78 to 101 kPa and 278 to 318 K."""
    grid = [(float(p), float(t)) for p in np.linspace(78e3, 101e3, 24) for t in np.linspace(278.0, 318.0, 21)]

    def against(formula: Callable[[float, float], float], days: list[tuple[float, float]] = grid) -> float:
        return _largest([(formula(*day), float(air.j1349_factor(*day))) for day in days])

    return {
        "J1349, printed, from 273": against(lambda p, t: factor_rounded(p, t, ZERO_CELSIUS_K - 273.0)),
        "J1349, printed, from absolute zero": against(factor_rounded),
        "J1349, exact 20/17 and 3/17": against(factor_test_share),
        "J1349, friction fixed at standard": against(factor_standard_share),
        "J1349, the same at 86 kPa and 30 C": against(factor_standard_share, [(86e3, 303.15)]),
    }


def _rolling_differences() -> dict[str, float]:
    """The factor of pressure and speed."""
    pairs = [
        (rolling_factor(bar, mph * MPH), float(rolling.pressure_speed_factor(bar * 1e5, mph * MPH)))
        for bar in np.linspace(1.5, 4.0, 26)
        for mph in (0.0, *np.linspace(60.0, 160.0, 21))
    ]
    return {"rolling factor": _largest(pairs)}


def _slip_differences() -> dict[str, float]:
    """The cubic and its inverse, and what the same cubic in slip relative to the road would do to the wheel's speed."""
    cubic, inverse, road = [], [], []
    for slide in np.linspace(0.06, 0.2, 15):
        of_wheel = slide / (1.0 + slide)
        cubic += [
            (brush_by_integration(slip, 3.0 / of_wheel), float(grip.grip_of_slip(road_slip(slip), slide)))
            for slip in np.linspace(0.002, 1.2, 50) * of_wheel
        ]
        for use in np.linspace(0.05, 0.99, 48):
            theirs = float(grip.slip_of_grip_use(use, slide))
            inverse.append((road_slip(brush_slip(use, 3.0 / of_wheel)), theirs))
            road.append((1.0 + slip_at_road(use, slide, "road"), 1.0 + theirs))
    typical = 1.0 + slip_at_road(0.5, 0.15, "road"), 1.0 + float(grip.slip_of_grip_use(0.5, 0.15))
    return {
        "grip of slip, bristles added up": _largest(cubic),
        "slip of grip use": _largest(inverse),
        "wheel speed, slip relative to the road": _largest(road),
        "the same at half the grip, slide 15 %": _largest([typical]),
    }


def _grip_differences() -> dict[str, float]:
    """Largest thrust of each drive for five hundred random cars."""
    rng, pairs = np.random.default_rng(3), {"front": [], "rear": [], "all": []}
    for _ in range(500):
        mu, front, rear, resisted, height, base = (
            float(rng.uniform(*each))
            for each in ((0.15, 0.8), (2500, 7000), (2500, 7000), (100, 600), (0.38, 0.6), (2.2, 2.7))
        )  # fmt: skip
        theirs = {
            "front": grip.max_thrust_front(mu, front, resisted, height, base),
            "rear": grip.max_thrust_rear(mu, rear, resisted, height, base),
            "all": grip.max_thrust_all(mu, mu, front, rear, resisted, height, base),
        }
        for drive, force in theirs.items():
            pairs[drive].append((largest_thrust(drive, mu, front, rear, resisted, height / base), float(force)))
    return {f"largest thrust, {drive}": _largest(each) for drive, each in pairs.items()}


def _car_differences(settled: Callable[[Car, float], float]) -> dict[str, float]:
    """Settling speeds of thirty whole cars; most lines change one thing in the second derivation alone."""
    same, road, patch, power, tires = [], [], [], [], []
    for car in random_cars():
        mine, theirs = settling_speed(car), settled(car, START_MS)
        same.append((mine, theirs))
        road.append((settling_speed(car, "road"), theirs))
        patch.append((settling_speed(car, through_patch=0.0), theirs))
        power.append((settling_speed(replace(car, power_factor=car.power_factor * 1.0042)), theirs))
        unequal = replace(car, pressures_bar=(3.0, 2.5))
        tires.append((settling_speed(unequal), settled(unequal, START_MS)))
    return {
        "settling speed": _largest(same),
        "settling speed, slip relative to the road": _largest(road),
        "settling speed, tire loss as a moment": _largest(patch),
        "settling speed, power less by 0.42 %": _largest(power),
        "settling speed, 3.0 bar front, 2.5 rear": _largest(tires),
    }


@cache
def largest_differences(settled: Callable[[Car, float], float]) -> dict[str, float]:
    """Name of a comparison and its largest difference, relative unless the name has a unit.

    ``settled`` gives the speed at which the package settles a car that starts at a speed.
    """
    parts = (
        _driveline_differences(), _air_differences(), _power_differences(), _rolling_differences(),
        _slip_differences(), _grip_differences(), _car_differences(settled),
    )  # fmt: skip
    return {name: value for part in parts for name, value in part.items()}


def as_written(difference: float) -> str:
    """A difference as the page has it: two digits, and no more than a bound where it is round-off."""
    return "below 1e-12" if difference < ROUND_OFF else f"{difference:.1e}"
