"""How an unknown is measured before money is spent: the cheapest test a crew can make, and how well it does.

All of it is common practice, no source: the numbers are judged, not measured. Whoever knows better changes this table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from optimizer.answers.unknowns import Unknown

PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class BenchTest:
    """One way to measure something.

    Attributes
    ----------
    how : str
        What to do.
    share : float
        Standard uncertainty it leaves, as a share of the value; or an amount, where ``amount``.
    effort : str
        What it takes.
    amount : bool
        Whether ``share`` is an amount, in the unit used inside.
    source : str
    """

    how: str
    share: float
    effort: str
    amount: bool = False
    source: str = PRACTICE

    def deviation(self, value: float) -> float:
        """Standard uncertainty it leaves of a value, in the unit of the value."""
        return self.share if self.amount else self.share * abs(value)


_SCALES = BenchTest("weigh it", 0.003, "corner scales, an hour; a kitchen or bathroom scale for parts")
_AXLES = BenchTest("weigh each axle, driver aboard", 0.003, "corner scales, an hour", amount=True)
_TILT = BenchTest("weigh the axles level and with one end raised", 0.05, "corner scales and a jack, half a day")
_COAST_DOWN = BenchTest("coast down at the end of a run, both ways, and take speed and time", 0.04,
                        "a GPS logger, one run")  # fmt: skip
_COAST_SALT = BenchTest("coast down on that salt from 40 mph or 65 km/h, both ways", 0.08,
                        "a GPS logger, an hour on the salt")  # fmt: skip
_PULL = BenchTest("log one straight, hard stop from 30 mph or 50 km/h on that salt, with leave and room on all sides "
                  "(wheels may lock: never from more)", 0.08, "a logger, a few minutes on the salt")  # fmt: skip
_SLIP = BenchTest("compare GPS speed with engine speed at full pull", 0.15, "a GPS logger and the tach, one run")
_DYNO = BenchTest("three pulls on one dynamometer, in the gear of the run", 0.02, "an hour of a chassis dynamometer")
_LONG = BenchTest("hold full pull for a minute on the dynamometer and watch torque", 0.005, "part of a dyno hour",
                  amount=True)  # fmt: skip
_CHALK = BenchTest("chalk the tire, roll one turn loaded at pressure, tape it", 0.002, "tape and chalk, ten minutes")
_GROWTH = BenchTest("compare GPS speed with engine speed at two speeds, clutch locked up", 0.0015, "a logger, one run",
               amount=True)  # fmt: skip
_TOW = BenchTest("tow the car on one set and on the other with a spring scale", 0.05, "a rope, a scale, a level road")
_LOG = BenchTest("log a run and read it off", 0.05, "a logger, one run")
_SWING = BenchTest("hang it on a cord and time its swing", 0.03, "a cord and a watch, half an hour")
_GAUGE = BenchTest("check with a good gauge, warm", 0.01, "a gauge, minutes")
_SPIN = BenchTest("turn the hub by a cord and a spring scale, pads settled", 0.15, "a spring scale, minutes")
_BACK_TO_BACK = BenchTest("run it back to back with and without, on one morning", 0.15, "two coast-downs")
_LIFT = BenchTest("log ride heights at speed and work out the lift", 0.03,
                   "two string pots and a logger, one run", amount=True)  # fmt: skip

TESTS: Mapping[tuple[str, str], BenchTest] = MappingProxyType(
    {
        ("car", "mass_kg"): _SCALES,
        ("car", "front_share"): _AXLES,
        ("car", "cg_height_m"): _TILT,
        ("car", "drag_area_m2"): _COAST_DOWN,
        ("car", "front_lift_area_m2"): _LIFT,
        ("car", "rear_lift_area_m2"): _LIFT,
        ("car", "drag_area_per_height_m"): _BACK_TO_BACK,
        ("car", "drag_area_per_tire_width_m"): _BACK_TO_BACK,
        ("car", "driveline_efficiency"): BenchTest(
            "coast the dynamometer down after a pull", 0.01, "part of a dyno hour", amount=True
        ),
        ("car", "shift_time_s"): _LOG,
        ("car", "grip_use_limit"): _LOG,
        ("front", "tire_pressure_pa"): _GAUGE,
        ("rear", "tire_pressure_pa"): _GAUGE,
        ("salt", "rolling_coefficient"): _COAST_SALT,
        ("salt", "grip"): _PULL,
        ("salt", "slip_at_slide"): _SLIP,
        ("part", "circumference_m"): _CHALK,
        ("part", "growth"): _GROWTH,
        ("part", "rolling_coefficient"): _TOW,
        ("part", "mass_kg"): _SCALES,
        ("part", "inertia_kgm2"): _SWING,
        ("part", "brake_drag_n"): _SPIN,
        ("part", "curve"): _DYNO,
        ("part", "torque_factor"): _DYNO,
        ("part", "long_pull_factor"): _LONG,
        ("part", "drag_area_m2"): _BACK_TO_BACK,
        ("part", "rolling_change"): _BACK_TO_BACK,
    }
)  # fmt: skip
"""By the place and field of an unknown. What is not there is rarely worth it, or beyond a crew's means."""


def bench_test_of(unknown: Unknown) -> BenchTest | None:
    """How an unknown is measured, if the table knows; weather is not to be measured before the day."""
    return TESTS.get((unknown.place, unknown.field))
