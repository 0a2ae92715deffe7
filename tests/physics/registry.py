"""Which code of the product answers each quantity of the published tables: quantity to a function of a row."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from optimizer.physics import air, brakes, driveline, grip, rolling, rotation, tires
from optimizer.units import UNITS
from tests.physics import ideal_runs
from tests.physics.published import Row
from tests.published.measured_cars import engine_revs_per_mile

KMH = 1 / 3.6
KELVIN = 273.15
GAS_CONSTANT_OF_AIR = 287.05287  # J/(kg K), of the standard atmosphere
FAMILIES = ("Air", "Tires", "Rolling resistance", "Grip", "Turning mass", "Driveline", "Brakes and coasting")
FAMILIES += ("The run itself", "Units")


@dataclass(frozen=True)
class Check:
    """A quantity in words, where it belongs on the page, and the product's answer to a row.

    ``same_as`` names the quantity with which it counts as one, where both rest on the same formula or table.
    """

    title: str
    family: str
    answer: Callable[[Row], float]
    same_as: str = ""


def relative_error(row: Row, value: float) -> float:
    """Error of an answer as a share of the published value."""
    return abs(value - row.expected) / abs(row.expected)


def _numbers(row: Row, *names: str) -> list[float]:
    return [row.number(name) for name in names]


def _standard_density(row: Row) -> float:
    at = row.number("elevation_m")
    return float(air.standard_pressure(at) / (GAS_CONSTANT_OF_AIR * air.standard_temperature(at)))


def _moist_air(row: Row) -> float:
    return float(
        air.moist_air_density(row.number("pressure_pa"), row.number("temperature_c") + KELVIN, row.number("humidity"))
    )


def _drag_at_yaw(row: Row) -> float:
    """Drag along the car in a relative wind at an angle, over that of the same wind from ahead."""
    angle = np.radians(row.number("yaw_deg"))
    return float(np.cos(angle) ** 2 + air.crosswind_square(np.sin(angle), row.number("rise_at_10_deg")))


def _car90_mean_error() -> float:
    revs = engine_revs_per_mile()
    return float(1.0 + np.abs(revs.predicted / revs.measured - 1.0).mean())


def _j607(row: Row) -> float:
    inch = next(unit for unit in UNITS["air pressure"] if unit.name == "inHg").factor
    fahrenheit = row.number("temperature_f")
    dry = air.dry_pressure(row.number("pressure_inhg") * inch, (fahrenheit + 459.67) / 1.8, row.number("humidity"))
    return float(29.92 / (dry / inch) * np.sqrt((fahrenheit + 460) / 520))


def _size(row: Row) -> tuple[float, float]:
    return row.number("width_mm") / 1000, row.number("aspect_pct") / 100


def _diameter_m(row: Row) -> float:
    return float(tires.overall_diameter_m(*_size(row), row.number("rim_in")))


def _measuring_rim(row: Row) -> float:
    """The rim on which the section width is the nominal one."""
    width, aspect = _size(row)
    below = width - tires.section_width_on_rim_m(width, aspect, 0.0)
    return float(below / (tires.SECTION_GROWTH_PER_RIM_WIDTH * tires.INCH_M))


def _at_least_trade_widest(row: Row) -> float:
    """The widest rim for low tires, or the trade's where the product allows more."""
    widest = tires.rim_width_range_in(row.number("width_mm") / 1000, np.array([0.55, 0.50, 0.45, 0.40]))[1]
    return float(min(widest.min(), row.expected))


def _section_width(row: Row) -> float:
    width, aspect, rim = _numbers(row, "width_in", "aspect_pct", "rim_in")
    return float(tires.section_width_on_rim_m(tires.INCH_M * width, aspect / 100, rim) / tires.INCH_M)


def _thrust(row: Row, layout: str) -> float:
    """Thrust of a car of 1 kg, which is its acceleration."""
    share = row.number("cg_behind_front_m") / row.number("wheelbase_m")
    front, rear = row.number("g") * (1 - share), row.number("g") * share
    mu, arm = row.number("mu"), (row.number("cg_height_m"), row.number("wheelbase_m"))
    if layout == "front":
        return float(grip.max_thrust_front(mu, front, 0.0, *arm))
    if layout == "rear":
        return float(grip.max_thrust_rear(mu, rear, 0.0, *arm))
    return float(grip.max_thrust_all(mu, mu, front, rear, 0.0, *arm))


def _factor(inertia_of_1_kg: float, radius: float = 0.29) -> float:
    return float(1 + rotation.equivalent_mass(inertia_of_1_kg, radius))


def _rotational_share(row: Row) -> float:
    disk = rotation.disk_inertia(row.number("wheel_kg"), 0.6)
    extra = row.number("wheels") * rotation.equivalent_mass(disk, 0.3)
    return float(extra / (row.number("car_kg") + extra))


def _tire(row: Row) -> float:
    ring = rotation.ring_inertia(*_numbers(row, "ring_kg", "ring_d"))
    return float(ring + rotation.annulus_inertia(*_numbers(row, "annulus_kg", "outer_d", "inner_d")))


def _disk(row: Row) -> float:
    return float(rotation.disk_inertia(*_numbers(row, "disk_kg", "disk_d")))


def _axle(row: Row) -> float:
    shafts = [rotation.disk_inertia(*_numbers(row, *each)) for each in (("axle_kg", "axle_d"), ("shaft_kg", "shaft_d"))]
    return float(2 * (_tire(row) + _disk(row)) + shafts[0] + shafts[1])


def _effective_mass(row: Row) -> float:
    radius = row.number("radius")
    wheels = row.number("wheels") * rotation.equivalent_mass(row.number("wheel_inertia"), radius)
    geared = [
        rotation.equivalent_mass_geared(row.number(inertia), row.number(ratio), radius)
        for inertia, ratio in (("shaft_inertia", "final"), ("engine_inertia", "overall"))
    ]
    return float(row.number("mass") + wheels + geared[0] + geared[1])


def _shift_rpm(row: Row) -> float:
    top, fall = _numbers(row, "falling_from_nm", "fall_nm_per_rpm")
    ratios = _numbers(row, "ratio", "next_ratio")
    return float(driveline.shift_rpm(lambda rpm: top - fall * rpm, 500.0, *ratios, top / fall))


def _speed_at_rpm(row: Row) -> float:
    rpm, ratio, diameter = _numbers(row, "rpm", "ratio", "diameter_in")
    return float(driveline.speed_at_rpm(rpm, ratio, 0.5 * diameter * tires.INCH_M))


def _cfr_coast_time(row: Row) -> float:
    square = row.number("square_n_per_kmh2") * 3.6**2
    return float(brakes.coast_time(*_numbers(row, "mass_kg", "constant_n"), square, 70 * KMH, 60 * KMH))


def _cfr_force(row: Row) -> float:
    """Mass times the speed lost over the time it takes, in a short step about 65 km/h."""
    square, mass, step = row.number("square_n_per_kmh2") * 3.6**2, row.number("mass_kg"), 0.01
    time = brakes.coast_time(mass, row.number("constant_n"), square, 65 * KMH + step, 65 * KMH - step)
    return float(mass * 2 * step / time)


def _stop_energy(row: Row) -> float:
    """In Btu: what warms 1 kg of 1055.056 J/(kg K) by as many kelvin."""
    mass = row.number("mass_lb") * _factor_of("mass", "lb")
    speed = row.number("speed_mph") * _factor_of("speed", "mph")
    return float(brakes.rotor_rise(0.5 * mass * speed**2, 1.0, 1055.056))


def _factor_of(dimension: str, name: str) -> float:
    return next(unit.factor for unit in UNITS[dimension] if unit.name == name)


COAST = ("mass_kg", "constant_n", "square", "from_ms", "to_ms")

REGISTRY: dict[str, Check] = {
    "standard_temperature": Check(
        "Standard atmosphere: temperature", "Air", lambda r: float(air.standard_temperature(r.number("elevation_m")))
    ),
    "standard_pressure": Check(
        "Standard atmosphere: pressure", "Air", lambda r: float(air.standard_pressure(r.number("elevation_m")))
    ),
    "standard_density": Check("Standard atmosphere: density", "Air", _standard_density, "standard_pressure"),
    "density_altitude": Check(
        "Elevation of a density", "Air", lambda r: float(air.density_altitude(r.number("density"))), "standard_pressure"
    ),
    "moist_air_density": Check("Density of moist air", "Air", _moist_air),
    "saturation_vapor_pressure": Check(
        "Saturation pressure of water vapor",
        "Air",
        lambda r: float(air.saturation_vapor_pressure(r.number("temperature_c") + KELVIN)),
    ),
    "j607_factor": Check("Pressure of dry air, through the J607 correction", "Air", _j607),
    "j1349_factor": Check(
        "Power correction SAE J1349",
        "Air",
        lambda r: float(air.j1349_factor(100 * r.number("dry_pressure_hpa"), r.number("temperature_c") + KELVIN)),
    ),
    "iso1585_factor": Check(
        "Power correction ISO 1585 (0 degC counted as 273 K, as its table does)",
        "Air",
        lambda r: float(air.iso1585_factor(100 * r.number("dry_pressure_hpa"), r.number("temperature_c") + 273.0)),
    ),
    "drag_at_yaw": Check("Drag along the car at an angle of yaw", "Air", _drag_at_yaw),
    "crosswind": Check(
        "Wind across the course",
        "Air",
        lambda r: float(air.crosswind(*_numbers(r, "wind_ms", "from_deg", "bearing_deg"))),
    ),
    "load_capacity_kg": Check(
        "Load index table", "Tires", lambda r: float(tires.load_capacity_kg(int(r.number("load_index"))))
    ),
    "speed_symbol_kmh": Check(
        "Speed symbol table", "Tires", lambda r: float(tires.SPEED_SYMBOL_MS[str(r.inputs["symbol"])] * 3.6)
    ),
    "load_share_at_speed": Check(
        "Load allowed above 210 km/h",
        "Tires",
        lambda r: float(tires.load_share_at_speed(str(r.inputs["symbol"]), r.number("speed_kmh") / 3.6)),
    ),
    "load_share_at_pressure": Check(
        "Load allowed at lower pressure",
        "Tires",
        lambda r: float(tires.load_share_at_pressure(1000 * r.number("pressure_kpa"), extra_load=False)),
    ),
    "overall_diameter_mm": Check("Overall diameter from the size", "Tires", lambda r: float(1000 * _diameter_m(r))),
    "rolling_circumference_mm": Check(
        "Rolling circumference from the size",
        "Tires",
        lambda r: float(1000 * tires.rolling_circumference_m(_diameter_m(r))),
    ),
    "circumference_over_diameter": Check(
        "Rolling circumference over diameter of real cars",
        "Tires",
        lambda _: float(tires.rolling_circumference_m(1.0)),
        "rolling_circumference_mm",
    ),
    "car90_mean_error": Check(
        "Engine turns per mile of the cars of data set car90 (1 + mean absolute error)",
        "Tires",
        lambda _: _car90_mean_error(),
    ),
    "circumference_growth": Check(
        "Growth of the rolling circumference with speed",
        "Tires",
        lambda r: float(tires.circumference_growth(*_numbers(r, "growth", "speed_ms"))),
    ),
    "grown_surface_speed": Check(
        "Surface speed of a tire that grows",
        "Tires",
        lambda r: float(tires.grown_surface_speed(*_numbers(r, "growth", "slow_ms"))),
        "circumference_growth",
    ),
    "measuring_rim_in": Check("Measuring rim", "Tires", _measuring_rim),
    "narrowest_rim_in": Check("Narrowest rim", "Tires", lambda r: float(tires.rim_width_range_in(*_size(r))[0])),
    "widest_rim_in": Check("Widest rim", "Tires", lambda r: float(tires.rim_width_range_in(*_size(r))[1])),
    "trade_widest_rim_in": Check(
        "Widest rim of the trade (allowed to low tires)", "Tires", _at_least_trade_widest, "widest_rim_in"
    ),
    "section_width_on_rim_in": Check("Section width on another rim", "Tires", _section_width),
    "tire_inertia": Check(
        "Moment of inertia of a tire (estimate)",
        "Tires",
        lambda r: float(tires.tire_inertia(r.number("mass_kg"), 2 * r.number("radius_m"))),
    ),
    "coefficient": Check(
        "Rolling coefficient with pressure and speed",
        "Rolling resistance",
        lambda r: float(
            0.009 * rolling.pressure_speed_factor(1e5 * r.number("pressure_bar"), r.number("speed_kmh") / 3.6, 250000.0)
        ),
    ),
    "drum_factor": Check(
        "Rolling resistance on a drum over that on the flat",
        "Rolling resistance",
        lambda r: float(rolling.drum_factor(*_numbers(r, "radius_m", "drum_radius_m"))),
    ),
    "front": Check("Acceleration at the limit of grip, front-wheel drive", "Grip", lambda r: _thrust(r, "front")),
    "rear": Check("Acceleration at the limit of grip, rear-wheel drive", "Grip", lambda r: _thrust(r, "rear")),
    "all": Check("Acceleration at the limit of grip, all-wheel drive", "Grip", lambda r: _thrust(r, "all")),
    "time_to_105_kmh": Check(
        "Time to 105 km/h at the limit of grip", "Grip", lambda r: float(105 * KMH / _thrust(r, "rear")), "rear"
    ),
    "slip_of_grip_use": Check(
        "Slip of a share of grip (brush model)",
        "Grip",
        lambda r: float(grip.slip_of_grip_use(*_numbers(r, "use", "slip_at_slide"))),
    ),
    "factor_ring": Check(
        "Thin ring at the rolling radius", "Turning mass", lambda _: _factor(rotation.ring_inertia(1.0, 0.58))
    ),
    "factor_disk": Check("Uniform disk", "Turning mass", lambda _: _factor(rotation.disk_inertia(1.0, 0.58))),
    "factor_annulus": Check(
        "Annulus",
        "Turning mass",
        lambda r: _factor(rotation.annulus_inertia(1.0, 0.58, 0.58 * r.number("inner_ratio"))),
    ),
    "factor_rotor": Check(
        "Brake rotor about the rolling radius",
        "Turning mass",
        lambda r: _factor(
            rotation.rotor_inertia(1.0, r.number("outer_d"), r.number("inner_d") / r.number("outer_d")),
            r.number("radius"),
        ),
        "factor_annulus",
    ),
    "rotational_share": Check("Share of kinetic energy in wheels", "Turning mass", _rotational_share),
    "tire_of_wheel": Check("Worked wheel: tire", "Turning mass", _tire, "factor_annulus"),
    "disk_of_wheel": Check("Worked wheel: disk", "Turning mass", _disk, "factor_disk"),
    "whole_axle": Check("Worked axle with its wheels", "Turning mass", _axle),
    "angular_acceleration": Check(
        "Angular acceleration of the worked axle",
        "Turning mass",
        lambda r: float(r.number("torque") / _axle(r)),
        "whole_axle",
    ),
    "effective_mass": Check("Effective mass of a car in first gear", "Turning mass", _effective_mass),
    "wheel_force": Check(
        "Force at the wheels",
        "Driveline",
        lambda r: float(driveline.wheel_force(*_numbers(r, "torque", "ratio", "efficiency", "radius"))),
    ),
    "speed_at_rpm": Check("Road speed from engine speed", "Driveline", _speed_at_rpm),
    "mph_per_rpm": Check(
        "The trade's rounded formula for the same",
        "Driveline",
        lambda r: float(driveline.mph_per_rpm(*_numbers(r, "diameter_in", "ratio"))),
        "speed_at_rpm",
    ),
    "shift_rpm": Check("Engine speed of equal force in two gears", "Driveline", _shift_rpm),
    "sweep_torque": Check(
        "Torque that spins up the engine",
        "Driveline",
        lambda r: float(driveline.sweep_torque(*_numbers(r, "inertia", "rpm_per_s"))),
    ),
    "coast_time_70_to_60": Check(
        "Federal coast-down table: time from 70 to 60 km/h", "Brakes and coasting", _cfr_coast_time
    ),
    "force_at_65": Check(
        "Federal coast-down table: force at 65 km/h", "Brakes and coasting", _cfr_force, "coast_time_70_to_60"
    ),
    "coast_time": Check(
        "Time of coasting", "Brakes and coasting", lambda r: float(brakes.coast_time(*_numbers(r, *COAST)))
    ),
    "coast_distance": Check(
        "Distance of coasting", "Brakes and coasting", lambda r: float(brakes.coast_distance(*_numbers(r, *COAST)))
    ),
    "rotor_rise": Check(
        "Temperature rise of a rotor",
        "Brakes and coasting",
        lambda r: float(brakes.rotor_rise(*_numbers(r, "energy_j", "heat_mass_kg", "specific_heat"))),
    ),
    "stop_energy_btu": Check(
        "Energy of a stop, through the temperature rise", "Brakes and coasting", _stop_energy, "rotor_rise"
    ),
    "brake_torque": Check(
        "Brake torque",
        "Brakes and coasting",
        lambda r: float(brakes.brake_torque(*_numbers(r, "friction", "clamp_n", "effective_radius_m"))),
    ),
    "lock_up_force": Check(
        "Braking at which the first axle locks",
        "Brakes and coasting",
        lambda r: float(
            min(
                grip.max_braking_split(
                    *_numbers(r, "front_share", "mu", "mu", "front_n", "rear_n", "cg_height_m", "wheelbase_m")
                )
            )
        ),
    ),
    "ideal_front_share": Check(
        "Ideal share of the front brakes",
        "Brakes and coasting",
        lambda r: float(brakes.ideal_front_share(*_numbers(r, "mu", "cg_height_m", "wheelbase_m", "cg_to_rear_m"))),
    ),
    "coasting_time": Check(
        "Coasting in shift pauses of 0.5 s: time to stand", "The run itself", ideal_runs.coasting_time
    ),
    "coasting_distance": Check(
        "Coasting in shift pauses of 0.5 s: distance to stand", "The run itself", ideal_runs.coasting_distance
    ),
    "coasting_speed": Check(
        "Coasting in shift pauses of 0.5 s: speed after 20 s", "The run itself", ideal_runs.coasting_speed
    ),
    "power_speed_from_rest": Check(
        "Constant power, no drag, from a pushed start: speed at a board",
        "The run itself",
        ideal_runs.power_speed_from_rest,
    ),
    "power_time_from_rest": Check(
        "Constant power, no drag, from a pushed start: time to a board",
        "The run itself",
        ideal_runs.power_time_from_rest,
    ),
    "power_distance": Check(
        "Constant power against drag: distance between two speeds", "The run itself", ideal_runs.power_distance
    ),
    "power_time": Check(
        "Constant power against drag: time between two speeds", "The run itself", ideal_runs.power_time
    ),
    "thrust_speed": Check(
        "Constant thrust against drag from rest: speed after 10 s", "The run itself", ideal_runs.thrust_speed
    ),
    "thrust_distance": Check(
        "Constant thrust against drag from rest: distance in 10 s", "The run itself", ideal_runs.thrust_distance
    ),
    "mile_time": Check("Measured mile: time behind the mean speed", "The run itself", ideal_runs.mile_time),
    "top_speed": Check("Speed at which a run settles against drag and rolling", "The run itself", ideal_runs.top_speed),
    "balance_speed": Check(
        "Speed at which full throttle no longer accelerates", "The run itself", ideal_runs.balance_speed, "top_speed"
    ),
    "drag_force": Check("Air drag", "The run itself", ideal_runs.drag_force),
    "drag_power": Check("Power against air drag", "The run itself", ideal_runs.drag_power, "drag_force"),
    "acceleration_at_power": Check("Acceleration at a power", "The run itself", ideal_runs.acceleration_at_power),
    "grip_limited_speed": Check(
        "Wheel-driven record: grip that just reaches the record's speed",
        "The run itself",
        ideal_runs.grip_limited_speed,
    ),
    "grip_over_power_speed": Check(
        "Wheel-driven record, friction 0.6: speed that grip allows over speed that power allows",
        "The run itself",
        ideal_runs.grip_over_power_speed,
        "grip_limited_speed",
    ),
    "unit_size": Check(
        "Units of the trade in SI",
        "Units",
        lambda r: _factor_of(str(r.inputs["dimension"]).replace("_", " "), str(r.inputs["unit"]).replace("_", " ")),
    ),
}
"""Every quantity of the tables; one without an entry fails the test."""
