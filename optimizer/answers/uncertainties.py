"""How well each kind of input is known: standard uncertainties, by how the crew knows the value.

One standard uncertainty is what the true value is off by as a rule: two times in three it is nearer. The numbers are
judged, not measured: they say "common practice, no source" where that is all there is. Whoever knows better changes
this table, and nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from optimizer.scenario.parts import BasisKind

PRACTICE = "common practice, no source"
SIZE_CODE = "sizes by the European tyre standard leave 1 to 1.5 % of the diameter open (from memory)"
TRADE_ROLLING = "spread of rolling coefficients within one class of tires in trade tables (from memory)"
COAST_DOWN = "repeated coast-downs agree to some 3 %; SAE J1263 (from memory)"
DYNO = "one dyno agrees with itself to some 2 %, with others to some 4 %; common practice, no source"
NO_SALT = "nobody has measured this salt"
LONG_PULL = "hot oil and intake air take 1 to 3 % from some; common practice, no source"
DAY_AHEAD = "a forecast for the day; common practice, no source"

Scale = Literal["share", "amount", "effect"]
"""What a number of the table is a part of: the value; nothing (it is an amount); what a factor is off from 1."""


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """How well one kind of input is known.

    Attributes
    ----------
    measured, rated, assumed : float
        Standard uncertainty by the kind of basis: a share of the value, or an amount in the unit used inside, or a
        share of what a factor is off from 1, as ``scale`` says.
    source : str
    scale : Scale
    daily : float
        Share of the value by which it differs from one day to the next, beyond what a measurement of one day tells.
    least, most : float
        Ends of what makes sense: as multiples of the value where ``scale`` is ``share``, of what the factor is off
        from 1 where it is ``effect``, else the values themselves.
    """

    measured: float
    rated: float
    assumed: float
    source: str = PRACTICE
    scale: Scale = "share"
    least: float = 0.3
    most: float = 3.0
    daily: float = 0.0

    def of(self, kind: BasisKind, value: float) -> float:
        """Standard uncertainty of a value, in the unit of the value; never negative."""
        number = {"measured": self.measured, "rated": self.rated, "assumed": self.assumed}[kind]
        return number * {"share": abs(value), "amount": 1.0, "effect": abs(value - 1.0)}[self.scale]

    def ends(self, value: float) -> tuple[float, float]:
        """The least and the most that makes sense where a value is stated."""
        if self.scale == "amount":
            return min(self.least, value), max(self.most, value)
        neutral = 1.0 if self.scale == "effect" else 0.0
        one, other = (neutral + factor * (value - neutral) for factor in (self.least, self.most))
        return min(one, other), max(one, other)


_MASS = Uncertainty(0.005, 0.02, 0.05, least=0.5, most=2.0)
_INERTIA = Uncertainty(0.03, 0.10, 0.10)
_SMALL_INERTIA = Uncertainty(0.10, 0.20, 0.50)
_LIFT = Uncertainty(0.02, 0.04, 0.06, scale="amount", least=-0.6, most=0.6)
_PART_EFFICIENCY = Uncertainty(
    0.002, 0.003, 0.005, "gears of one case differ by tenths of a percent; " + PRACTICE, "amount", 0.8, 1.0
)

CAR: Mapping[str, Uncertainty] = MappingProxyType(
    {
        "mass_kg": Uncertainty(0.005, 0.01, 0.02, least=0.5, most=2.0),
        "front_share": Uncertainty(0.005, 0.01, 0.02, scale="amount", least=0.3, most=0.75),
        "cg_height_m": Uncertainty(0.05, 0.10, 0.15),
        "drag_area_m2": Uncertainty(0.03, 0.05, 0.08, COAST_DOWN),
        "front_lift_area_m2": _LIFT,
        "rear_lift_area_m2": _LIFT,
        "drag_area_per_height_m": Uncertainty(0.2, 0.3, 0.5),
        "drag_area_per_tire_width_m": Uncertainty(0.3, 0.4, 0.5),
        "drag_rise_at_yaw": Uncertainty(0.3, 0.4, 0.5),
        "driveline_efficiency": Uncertainty(0.01, 0.015, 0.02, scale="amount", least=0.6, most=1.0),
        "gearbox_inertia_kgm2": _SMALL_INERTIA,
        "propshaft_inertia_kgm2": _SMALL_INERTIA,
        "shift_time_s": Uncertainty(0.1, 0.2, 0.3),
        "grip_use_limit": Uncertainty(0.03, 0.05, 0.08, scale="amount", least=0.4, most=0.97),
    }
)
"""Inputs of the car, by field."""
HUB: Mapping[str, Uncertainty] = MappingProxyType(
    {"hub_inertia_kgm2": _SMALL_INERTIA, "tire_pressure_pa": Uncertainty(0.01, 0.02, 0.05, least=0.6, most=1.6)}
)
"""Inputs of an axle of the car, by field."""
SALT: Mapping[str, Uncertainty] = MappingProxyType(
    {
        "rolling_coefficient": Uncertainty(0.10, 0.15, 0.20, NO_SALT, daily=0.10),
        "grip": Uncertainty(0.08, 0.12, 0.15, NO_SALT, daily=0.08),
        "slip_at_slide": Uncertainty(0.15, 0.20, 0.30, NO_SALT, daily=0.10),
    }
)
"""Inputs of the salt, by field."""
WEATHER: Mapping[str, Uncertainty] = MappingProxyType(
    {
        "pressure_pa": Uncertainty(0.005, 0.005, 0.005, DAY_AHEAD, least=0.9, most=1.1),
        "temperature_k": Uncertainty(3.0, 3.0, 3.0, DAY_AHEAD, "amount", 263.15, 323.15),
        "humidity": Uncertainty(0.1, 0.1, 0.1, DAY_AHEAD, "amount", 0.0, 1.0),
        "wind_ms": Uncertainty(1.0, 1.0, 1.0, DAY_AHEAD, "amount", -10.0, 10.0),
        "wind_from_deg": Uncertainty(20.0, 20.0, 20.0, DAY_AHEAD, "amount", -180.0, 540.0),
    }
)
"""Weather, by field: the day is still to come, so it does not matter how the stated value is known."""
PARTS: Mapping[str, Mapping[str, Uncertainty]] = MappingProxyType(
    {
        "tire": MappingProxyType(
            {
                "rolling_coefficient": Uncertainty(0.05, 0.10, 0.20, TRADE_ROLLING),
                "circumference_m": Uncertainty(0.002, 0.005, 0.01, SIZE_CODE, least=0.9, most=1.1),
                "growth": Uncertainty(0.001, 0.002, 0.003, scale="amount", least=0.0, most=0.03),
                "grip_factor": Uncertainty(0.02, 0.03, 0.05),
                "mass_kg": _MASS,
                "inertia_kgm2": _INERTIA,
            }
        ),
        "wheel": MappingProxyType({"mass_kg": _MASS, "inertia_kgm2": _INERTIA}),
        "rotor": MappingProxyType(
            {"brake_drag_n": Uncertainty(0.10, 0.15, 0.30), "mass_kg": _MASS, "inertia_kgm2": _INERTIA}
        ),
        "final drive": MappingProxyType(
            {"efficiency": _PART_EFFICIENCY, "mass_kg": _MASS, "inertia_kgm2": _SMALL_INERTIA}
        ),
        "gearset": MappingProxyType(
            {"efficiency": _PART_EFFICIENCY, "mass_kg": _MASS, "inertia_kgm2": _SMALL_INERTIA}
        ),
        "engine": MappingProxyType(
            {
                "curve": Uncertainty(0.02, 0.04, 0.06, DYNO),
                "torque_factor": Uncertainty(0.2, 0.3, 0.4, scale="effect"),
                "long_pull_factor": Uncertainty(0.005, 0.01, 0.015, LONG_PULL, "amount", 0.8, 1.1),
                "mass_kg": _MASS,
                "inertia_kgm2": _INERTIA,
            }
        ),
        "extra": MappingProxyType(
            {
                "drag_area_m2": Uncertainty(0.1, 0.2, 0.3),
                "front_lift_area_m2": Uncertainty(0.3, 0.4, 0.5),
                "rear_lift_area_m2": Uncertainty(0.3, 0.4, 0.5),
                "rolling_change": Uncertainty(0.2, 0.3, 0.4),
                "grip_factor": Uncertainty(0.3, 0.4, 0.5, scale="effect"),
                "brake_drag_n": Uncertainty(0.2, 0.3, 0.4),
                "mass_kg": _MASS,
                "inertia_kgm2": _INERTIA,
            }
        ),
    }
)
"""Inputs that parts bring, by kind of part and field. ``curve`` is the torque at all revs together."""
