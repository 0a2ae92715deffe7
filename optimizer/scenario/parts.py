"""One frozen record per kind of part, everything in SI, the unit in each field name.

A field that is ``None`` is unknown. Fields filled by a named assumption carry that in ``bases``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

BasisKind = Literal["measured", "rated", "assumed"]
Axle = Literal["front", "rear"]
NONE_ID = "none"
"""Id of the explicit empty choice of an optional slot."""


@dataclass(frozen=True, slots=True)
class Basis:
    """How a value is known, and who says so."""

    kind: BasisKind
    by: str = ""


@dataclass(frozen=True, slots=True)
class BoltPattern:
    """Wheel bolt circle: number of bolts and pitch circle diameter."""

    bolts: int
    circle_m: float


@dataclass(frozen=True, slots=True)
class TireSize:
    """Size code such as ``205/60R15``: nominal section width, aspect ratio, rim diameter code."""

    section_width_m: float
    aspect: float
    rim_diameter_in: float

    @property
    def diameter_m(self) -> float:
        """Overall diameter of the new tire: rim plus twice the section height."""
        return 0.0254 * self.rim_diameter_in + 2 * self.section_width_m * self.aspect

    def __str__(self) -> str:
        return f"{self.section_width_m * 1000:.0f}/{self.aspect * 100:.0f}R{self.rim_diameter_in:g}"


@dataclass(frozen=True, slots=True)
class CurvePoints:
    """A torque curve as typed: engine speed and torque at the same points, in rising engine speed."""

    rpm: tuple[float, ...]
    torque_nm: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What every kind of part has. Also the empty choice of an optional slot (``id`` is ``none``).

    Prices are per pack of ``pack`` pieces (each 1, pair 2, set 4); ``price_cents`` None means that it is not
    sold on its own (only in a kit, or already owned). ``owned`` counts pieces the crew has across all slots,
    those now on the car included. ``resale_cents`` is what one piece brings when it comes off the car.
    ``fitting_cents`` and ``fitting_hours`` are per piece and paid where the part is not the fitted one. ``work``
    names jobs (see `car.Job`) that fitting it needs, each paid once per build. ``fits`` names the interfaces the
    part suits, ``needs`` and ``not_with`` name ids or tags of other parts. ``axle`` and ``slots`` restrict where
    it may go (empty: anywhere of its kind). ``where`` is the file and row it came from.
    """

    id: str
    kind: str
    name: str = ""
    mass_kg: float = 0.0
    price_cents: int | None = None
    pack: int = 1
    stock: int | None = None
    owned: int = 0
    resale_cents: int = 0
    fitting_cents: int = 0
    fitting_hours: float = 0.0
    work: tuple[str, ...] = ()
    category: str = ""
    tags: frozenset[str] = frozenset()
    fits: frozenset[str] = frozenset()
    needs: tuple[str, ...] = ()
    not_with: tuple[str, ...] = ()
    axle: Axle | None = None
    slots: tuple[str, ...] = ()
    notes: str = ""
    where: str = ""
    bases: Mapping[str, Basis] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True, kw_only=True)
class Tire(Part):
    """A tire. ``rolling_coefficient`` is the tire's own term (salt comes on top) at its reference pressure, slow.

    ``load_index`` is the index number; ``speed_symbol`` a letter, None where unknown (a bare ZR is unknown).
    ``grip_factor`` multiplies the grip of the salt. ``made`` is (year, week) of the date code. Rim widths None:
    the trade table by section width. ``circumference_m`` is a measured roll-out; None: by the size code. ``growth`` is
    what the circumference gains from walking pace to 100 mph, as a share.
    ``max_pressure_pa`` is the gauge limit on the sidewall.
    """

    size: TireSize
    load_index: int | None = None
    extra_load: bool = False
    speed_symbol: str | None = None
    rolling_coefficient: float
    grip_factor: float = 1.0
    max_pressure_pa: float | None = None
    circumference_m: float | None = None
    growth: float = 0.0
    rim_width_min_in: float | None = None
    rim_width_max_in: float | None = None
    made: tuple[int, int] | None = None
    inertia_kgm2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Wheel(Part):
    """A wheel. ``brake_clearance_m`` is the diameter that brake parts inside it may reach.

    Offset is positive where the mounting face lies outward of the middle of the rim: the wheel then stands further in.
    """

    rim_diameter_in: float
    rim_width_in: float
    bolt_patterns: tuple[BoltPattern, ...]
    center_bore_m: float
    offset_m: float
    load_rating_kg: float | None = None
    max_pressure_pa: float | None = None
    brake_clearance_m: float
    inertia_kgm2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Rotor(Part):
    """A brake rotor with the caliper that goes with it.

    ``caliper_envelope_m`` is the diameter of the circle about the axle that the caliper on this rotor needs;
    ``heat_mass_kg`` the mass that takes the heat of one stop; ``max_rise_k`` the temperature rise allowed in one
    stop; ``brake_drag_n`` the pad drag of one released brake, as a force at the road.
    """

    diameter_m: float
    caliper_envelope_m: float
    heat_mass_kg: float
    specific_heat_jkgk: float
    max_rise_k: float | None = None
    brake_drag_n: float = 0.0
    inertia_kgm2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FinalDrive(Part):
    """A final drive. ``efficiency`` None: the car's own. Inertia turns with the input (pinion or shaft) side."""

    ratio: float
    efficiency: float | None = None
    inertia_kgm2: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Gearset(Part):
    """A gearset: ratios of the forward gears, first to top, strictly falling. Inertia turns with the engine side.

    ``gear_efficiency`` are the gears' own, None where a gear has that of the set; empty: all have.
    """

    ratios: tuple[float, ...]
    efficiency: float | None = None
    gear_efficiency: tuple[float | None, ...] = ()
    inertia_kgm2: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Engine(Part):
    """An engine option or a tune: a curve of its own, or a change of another engine's curve.

    Either ``curve`` is given, or ``base`` (an engine id) with ``torque_factor``. ``measured_at`` says where the
    curve was taken (``wheels``: on rollers of ``roller_diameter_m``); ``dyno_ratio`` is the overall ratio of a pull at
    wheels or hubs and ``sweep_rpm_per_s`` its rate (0: steady). ``long_pull_factor`` is torque after a minute at full
    throttle over that of the sheet. ``correction`` names the standard the sheet was corrected by (``none``: as
    observed on the day of ``dyno_pressure_pa``, ``dyno_temperature_k``, ``dyno_humidity``). ``air_breathing`` False: no
    correction. ``inertia_kgm2`` is crank, flywheel and clutch. ``rev_limit_rpm`` is what the engine may be turned to.
    """

    curve: CurvePoints | None = None
    base: str | None = None
    torque_factor: float = 1.0
    displacement_m3: float
    rev_limit_rpm: float
    launch_rpm: float
    inertia_kgm2: float
    forced_induction: bool = False
    air_breathing: bool = True
    measured_at: Literal["flywheel", "hubs", "wheels"] = "flywheel"
    dyno_ratio: float | None = None
    roller_diameter_m: float = 0.5
    long_pull_factor: float = 1.0
    sweep_rpm_per_s: float = 0.0
    correction: Literal["SAE J1349", "ISO 1585", "none"] = "SAE J1349"
    dyno_pressure_pa: float | None = None
    dyno_temperature_k: float | None = None
    dyno_humidity: float | None = None


TurnsWith = Literal["", "front wheels", "rear wheels", "propshaft", "engine"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Extra(Part):
    """Anything else: what it adds to the car as changes, so that new kinds need no code.

    ``position_m`` is the distance of its mass behind the front axle. ``pressure_pa`` changes the running tire
    pressure, ``rolling_change`` the tires' rolling coefficient, ``grip_factor`` multiplies grip, ``brake_drag_n``
    changes the total brake drag, ``cap_ms`` is a road speed that may not be passed with it.
    ``parachute_drag_area_m2`` makes it an aid for stopping.
    """

    position_m: float | None = None
    inertia_kgm2: float = 0.0
    turns_with: TurnsWith = ""
    drag_area_m2: float = 0.0
    front_lift_area_m2: float = 0.0
    rear_lift_area_m2: float = 0.0
    front_ride_height_m: float = 0.0
    rear_ride_height_m: float = 0.0
    pressure_pa: float = 0.0
    rolling_change: float = 0.0
    grip_factor: float = 1.0
    brake_drag_n: float = 0.0
    cap_ms: float | None = None
    parachute_drag_area_m2: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Kit:
    """One purchase that supplies several pieces: ``contents`` are (part id, pieces).

    ``stock`` is how many are on offer. ``fitting_included``: its pieces come mounted, so their per-piece fitting
    money and hours are not paid. It never includes jobs.
    """

    id: str
    name: str = ""
    price_cents: int
    contents: tuple[tuple[str, int], ...]
    stock: int = 1
    fitting_included: bool = False
    notes: str = ""
    where: str = ""


KINDS: Mapping[str, type[Part]] = MappingProxyType(
    {
        "tire": Tire,
        "wheel": Wheel,
        "rotor": Rotor,
        "final drive": FinalDrive,
        "gearset": Gearset,
        "engine": Engine,
        "extra": Extra,
    }
)
"""Kinds of part a slot may hold, by the word used in ``car.toml``."""
