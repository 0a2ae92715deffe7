"""The car as it stands: what was weighed and measured with the fitted parts on it, and its slots."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

from optimizer.scenario.parts import Axle, Basis, BoltPattern

Drive = Literal["front", "rear", "all"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """A place on the car that holds parts of one kind.

    Attributes
    ----------
    name : str
        Unique, as shown on screen ("front tires").
    kind : str
        One of `parts.KINDS`.
    axle : "front", "rear" or None
        The axle it sits on; None for the gearbox, the engine and most extras.
    count : int
        Pieces the slot takes; prices and masses are multiplied by it.
    required : bool
        A required slot always holds a part; an optional one may stay empty (``none``).
    fitted : str
        Id of the part now in it, or ``none``.
    work : tuple of str
        Jobs that any change in this slot needs.
    interfaces : frozenset of str
        Names of what the car offers to bolt to; empty: no such check. A part fits if its ``fits`` names one.
    position_m : float or None
        Distance behind the front axle of what sits here; None for slots on an axle.
    """

    name: str
    kind: str
    axle: Axle | None = None
    count: int = 1
    required: bool = True
    fitted: str
    work: tuple[str, ...] = ()
    interfaces: frozenset[str] = frozenset()
    position_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hub:
    """What wheels and tires of one axle must fit.

    Offsets are a window; ``max_tire_diameter_m`` and ``max_tire_width_m`` describe the wheelhouse. ``None``: not
    limited. ``heaviest_corner_share`` is the share of the axle's load on its more heavily loaded wheel.
    ``tire_pressure_pa`` is the planned gauge pressure. ``min_clearance_m`` bounds the ride height from below.
    """

    bolt_pattern: BoltPattern
    center_bore_m: float
    offset_min_m: float
    offset_max_m: float
    max_tire_diameter_m: float | None = None
    max_tire_width_m: float | None = None
    heaviest_corner_share: float = 0.5
    tire_pressure_pa: float
    ride_height_m: float
    min_ride_height_m: float = 0.0
    hub_inertia_kgm2: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Work paid once per build however many changes need it: money and own hours."""

    name: str
    cost_cents: int = 0
    hours: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Car:
    """The car as weighed, driver and fuel aboard, with the fitted parts.

    Areas are coefficient times frontal area (CdA; lift areas positive upward). ``drag_area_per_height_m`` is the
    change of drag area per meter of mean ride height, ``drag_area_per_tire_width_m`` per meter of front tire
    section width (both assumed unless measured); ``drag_rise_at_yaw`` is what drag area gains by 10 degrees of
    yaw, as a share. ``start_speed_ms`` is the speed it is pushed to; 0: clutch start.
    ``driveline_efficiency`` excludes slip at the tires and parts that state their own. ``shift_time_s`` is without
    thrust. ``grip_use_limit`` is the share of full grip the driver will hold. ``limiter_adjustable``: the rev
    limiter can be set to any lower speed. ``brake_front_share`` is the share of brake force in front.
    ``propshaft_inertia_kgm2`` turns with the final drive's input, ``gearbox_inertia_kgm2`` with the engine.
    """

    name: str
    mass_kg: float
    front_share: float
    wheelbase_m: float
    cg_height_m: float
    drag_area_m2: float
    front_lift_area_m2: float
    rear_lift_area_m2: float
    drag_area_per_height_m: float
    drag_area_per_tire_width_m: float
    drag_rise_at_yaw: float = 0.0
    drive: Drive
    start_speed_ms: float
    shift_time_s: float
    driveline_efficiency: float
    grip_use_limit: float
    limiter_adjustable: bool
    brake_front_share: float
    propshaft_inertia_kgm2: float
    gearbox_inertia_kgm2: float
    front: Hub
    rear: Hub
    slots: tuple[Slot, ...]
    jobs: Mapping[str, Job]
    bases: Mapping[str, Basis] = field(default_factory=lambda: MappingProxyType({}))

    def hub(self, axle: Axle) -> Hub:
        """Hub of one axle."""
        return self.front if axle == "front" else self.rear
