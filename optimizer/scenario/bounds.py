"""What is physically possible: ranges of every quantity the crew types, wide enough for any car on salt.

They are there for slips, not for taste: millimeters under a header in inches, a decimal point left out, a weight
in the wrong column. Nothing inside them is refused for being merely unusual. All of them are common practice
with ample room on either side, no source; those of rims and sizes are the ones that car wheels are made in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Bounds:
    """Least and greatest value, in the unit used inside; None where there is no such end.

    ``slack`` is how far under the least a sensor may read what is the least: it is taken, and no message speaks of it.
    """

    low: float | None = None
    high: float | None = None
    low_included: bool = True
    slack: float = 0.0

    def complaint(self, value: float, say: Callable[[float], str]) -> str:
        """End of the sentence that says why a value is impossible; empty where it is not.

        Parameters
        ----------
        value : float
            In the unit used inside.
        say : callable
            Text of such a value, in the unit its reader typed.
        """
        low_end = None if self.low is None else self.low - self.slack
        below = low_end is not None and (value < low_end or (value == low_end and not self.low_included))
        above = self.high is not None and value > self.high
        if not below and not above:
            return ""
        low = "" if self.low is None else say(self.low)
        high = "" if self.high is None else say(self.high)
        floor = (f"at least {low}" if self.low_included else f"greater than {low}") if low else ""
        return "must be " + " and ".join(filter(None, [floor, f"at most {high}" if high else ""]))


ANY = Bounds()
SHARE = Bounds(0.0, 1.0)
EFFICIENCY = Bounds(0.5, 1.0)
GRIP = Bounds(0.0, 2.0, low_included=False)
ROLLING = Bounds(0.0, 0.5)  # of salt, wet salt included
TEMPERATURE = Bounds(220.0, 335.0)  # K; beyond every air temperature ever measured where cars run
STATION_PRESSURE = Bounds(50e3, 110e3)  # Pa; sea-level highs to above 5,000 m

# --- parts, kg and m unless said

PART_MASS = Bounds(0.0, 1000.0, low_included=False)
TIRE_MASS = Bounds(2.0, 60.0)
WHEEL_MASS = Bounds(2.0, 50.0)
ROTOR_MASS = Bounds(0.5, 40.0)
FINAL_DRIVE_MASS = Bounds(0.5, 150.0)
GEARSET_MASS = Bounds(1.0, 200.0)
ENGINE_MASS = Bounds(20.0, 1000.0)
HEAT_MASS = Bounds(0.1, 40.0)
TIRE_ROLLING = Bounds(0.001, 0.05)  # below that only steel on rails, above that a flat tire
PRESSURE = Bounds(50e3, 1000e3)  # Pa, gauge; 7 to 145 psi
PRESSURE_CHANGE = Bounds(-700e3, 700e3)  # Pa
CIRCUMFERENCE = Bounds(0.8, 4.0)
GROWTH = Bounds(0.0, 0.05)  # by 100 mph; a soft drag-strip tire grows by more, on other cars
RIM_DIAMETER = Bounds(10.0, 24.0)  # in
RIM_WIDTH = Bounds(2.5, 14.0)  # in
BORE = Bounds(0.03, 0.2)
OFFSET = Bounds(-0.15, 0.15)
LOAD_RATING = Bounds(50.0, 3000.0)
BRAKE_CLEARANCE = Bounds(0.1, 0.7)
ROTOR_DIAMETER = Bounds(0.1, 0.6)
CALIPER_ENVELOPE = Bounds(0.1, 0.8)
SPECIFIC_HEAT = Bounds(200.0, 2500.0)  # J/(kg K); lead is at 130, beryllium at 1,830
RISE = Bounds(10.0, 1500.0)  # K
BRAKE_DRAG = Bounds(0.0, 500.0)  # N
BRAKE_DRAG_CHANGE = Bounds(-500.0, 500.0)  # N
INERTIA = Bounds(0.0, 10.0)  # kg m2; of a tire, a wheel or a shaft
ENGINE_INERTIA = Bounds(0.0, 2.0)  # kg m2; crank, flywheel and clutch of a car
GEAR_RATIO = Bounds(0.2, 20.0)
FINAL_RATIO = Bounds(1.0, 15.0)
OVERALL_RATIO = Bounds(0.5, 50.0)
TORQUE_FACTOR = Bounds(0.3, 3.0)
DISPLACEMENT = Bounds(20e-6, 10e-3)  # m3
REV_LIMIT = Bounds(1000.0, 30000.0)
LAUNCH_RPM = Bounds(300.0, 30000.0)
RPM = Bounds(0.0, 30000.0, low_included=False)
TORQUE = Bounds(0.0, 5000.0)  # N m
POWER = Bounds(0.0, 2e6)  # W
LONG_PULL = Bounds(0.7, 1.1)
ROLLER_DIAMETER = Bounds(0.1, 3.0)
SWEEP = Bounds(0.0, 5000.0)  # rpm/s
HOURS = Bounds(0.0, 10000.0)
POSITION = Bounds(-3.0, 10.0)
AREA_CHANGE = Bounds(-2.0, 2.0)  # m2
HEIGHT_CHANGE = Bounds(-0.3, 0.3)
ROLLING_CHANGE = Bounds(-0.05, 0.05)
PARACHUTE = Bounds(0.0, 50.0)  # m2

# --- car and event, kg and m unless said

CAR_MASS = Bounds(200.0, 5000.0)
PART_OF_AN_AXLE = Bounds(0.05, 0.95)
WHEELBASE = Bounds(1.0, 6.0)
CG_HEIGHT = Bounds(0.1, 2.0)
DRAG_AREA = Bounds(0.05, 4.0)  # m2
LIFT_AREA = Bounds(-5.0, 5.0)  # m2
AREA_PER_LENGTH = Bounds(-10.0, 10.0)  # m2/m
YAW_RISE = Bounds(-0.1, 0.5)
TIRE_DIAMETER = Bounds(0.3, 1.2)
TIRE_WIDTH = Bounds(0.1, 0.6)
RIDE_HEIGHT = Bounds(0.01, 0.6)
SHIFT_TIME = Bounds(0.0, 10.0)  # s
RUN_UP = Bounds(0.0, 50e3)
TIMED = Bounds(30.0, 20e3)
SHUTDOWN = Bounds(0.0, 50e3, low_included=False)
ELEVATION = Bounds(-500.0, 6000.0)
SPEED = Bounds(5.0, 200.0)  # m/s; 11 to 447 mph
HOLD_OFF = Bounds(0.0, 50.0)  # m/s
WIND = Bounds(0.0, 50.0)  # m/s; a hurricane begins at 33
TIRE_AGE = Bounds(0.0, 50.0)  # years
DECELERATION = Bounds(0.0, 2.0, low_included=False)  # g
PART_SHARE = Bounds(0.0, 1.0, low_included=False)
CORNER_SHARE = Bounds(0.5, 1.0)
MARGIN = Bounds(0.0, 0.9)
RUN_SCATTER = Bounds(0.0, 0.05)
