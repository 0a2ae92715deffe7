"""The data dictionary: every column of every sheet, what it means, and what may stand in it.

A column is declared once, here; the reader, its messages and the tables in the docs are made from it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

from optimizer.scenario import bounds, cells
from optimizer.scenario.bounds import ANY, Bounds
from optimizer.units import parse_number

MONEY = "money"
"""Dimension of amounts of money: the event's currency is their only unit."""


@dataclass(frozen=True, slots=True)
class Field:
    """One thing the crew may write: a column of a sheet, or a key of a TOML table.

    Attributes
    ----------
    name : str
        As it stands in a header, lower case, without unit.
    target : str
        Field of the record it fills; a parser that returns a dict fills several.
    meaning : str
        One sentence for the data dictionary.
    dimension : str
        Key of `units.UNITS`, `MONEY`, or empty for what has no unit.
    parse : callable
        Text -> value, for what has no dimension.
    required : bool
        A blank is a fault.
    bounds : Bounds
        What is physically possible.
    unit : str
        Unit taken where none is typed, because the name already says it.
    physical : bool
        A quantity that somebody measured, rated or assumed: its basis is kept.
    rating : bool
        A maker's limit: never filled by an assumption.
    """

    name: str
    target: str
    meaning: str
    dimension: str = ""
    parse: Callable[[str], Any] = cells.words
    required: bool = False
    bounds: Bounds = ANY
    unit: str = ""
    physical: bool = False
    rating: bool = False

    @property
    def has_basis(self) -> bool:
        """Whether it matters who says so."""
        return self.physical or self.rating or self.dimension not in {"", MONEY, "work time"}

    @property
    def is_number(self) -> bool:
        """Whether a number is expected, money apart."""
        return self.dimension not in {"", MONEY} or self.parse in {parse_number, cells.ratio, cells.count}


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet: its name, the kind of part it holds (empty for kits and curves), and its columns.

    In a sheet that ``inherits``, a row may take what it needs from another row, so a column may be missing.
    """

    name: str
    kind: str
    fields: tuple[Field, ...]
    inherits: bool = False


def _number(name: str, target: str, meaning: str, limits: Bounds, *, required: bool = False) -> Field:
    return Field(name, target, meaning, parse=parse_number, bounds=limits, required=required, physical=True)


def _inertia(meaning: str, limits: Bounds = bounds.INERTIA, *, required: bool = False) -> Field:
    return Field("inertia", "inertia_kgm2", meaning, "inertia", bounds=limits, required=required)


_EFFICIENCY = Field(
    "efficiency", "efficiency", "Share of the power that it passes on.", "fraction", bounds=bounds.EFFICIENCY
)
_NOTES = Field("notes", "notes", "Anything worth remembering.")

COMMON: tuple[Field, ...] = (
    Field("id", "id", "Unique name across all sheets.", parse=cells.identifier, required=True),
    Field("name", "name", "What a builder calls it."),
    Field("mass", "mass_kg", "Mass of one piece.", "mass", required=True, bounds=bounds.PART_MASS),
    Field("price", "price_cents", "Price of one pack; blank if it is not sold on its own.", MONEY),
    Field("price for", "pack", "What the price buys: each, pair or set.", parse=cells.pack),
    Field("stock", "stock", "Packs on offer; blank if not limited.", parse=cells.count),
    Field("owned", "owned", "Pieces the crew has, those on the car included.", parse=cells.count),
    Field("resale", "resale_cents", "Money one piece brings when it comes off the car.", MONEY),
    Field("fitting", "fitting_cents", "Money for fitting one piece.", MONEY),
    Field(
        "fitting hours",
        "fitting_hours",
        "Own hours for fitting one piece.",
        "work time",
        bounds=bounds.HOURS,
        unit="h",
    ),
    Field("work", "work", "Jobs that fitting it needs, each paid once.", parse=cells.listing),
    Field("category", "category", "Word that rules go by, such as road or competition."),
    Field("tags", "tags", "Words that rules and other parts go by.", parse=cells.word_set),
    Field("fits", "fits", "Interfaces it bolts to.", parse=cells.word_set),
    Field("needs", "needs", "Ids or tags of parts it cannot do without.", parse=cells.listing),
    Field("not with", "not_with", "Ids or tags of parts it cannot be together with.", parse=cells.listing),
    Field("axle", "axle", "front or rear; blank for either.", parse=cells.one_of("front", "rear")),
    Field("slots", "slots", "Slots it may go in; blank for all of its kind.", parse=cells.listing),
    _NOTES,
    Field("seller", "notes", "Who sells it; kept in the notes."),
    Field("price date", "notes", "Day of the price; kept in the notes."),
)
"""Columns of every part sheet. Beside them: ``basis`` for a whole row, and ``F basis`` for a field F."""


def _common(mass: Bounds) -> tuple[Field, ...]:
    """Columns of every part sheet, for parts of such mass."""
    return tuple(replace(item, bounds=mass) if item.target == "mass_kg" else item for item in COMMON)


TIRES: tuple[Field, ...] = (
    Field(
        "size",
        "size",
        "Size code, with or without load index and speed symbol.",
        parse=cells.tire_size,
        required=True,
    ),
    Field("load index", "load_index", "Load index from the sidewall.", parse=cells.load_index, rating=True),
    Field(
        "speed symbol",
        "speed_symbol",
        "Speed symbol from the sidewall.",
        parse=cells.speed_symbol,
        rating=True,
    ),
    Field("extra load", "extra_load", "Marked XL or extra load.", parse=cells.yes_no),
    _number(
        "rolling coefficient",
        "rolling_coefficient",
        "Rolling resistance of the tire alone over its load; the salt comes on top.",
        bounds.TIRE_ROLLING,
        required=True,
    ),
    _number("grip factor", "grip_factor", "Grip against that of the salt condition.", bounds.GRIP),
    Field(
        "max pressure",
        "max_pressure_pa",
        "Limit on the sidewall.",
        "tire pressure",
        bounds=bounds.PRESSURE,
        rating=True,
    ),
    Field("circumference", "circumference_m", "Measured roll-out.", "length", bounds=bounds.CIRCUMFERENCE),
    Field("growth", "growth", "What the roll-out gains by 100 mph.", "fraction", bounds=bounds.GROWTH),
    Field(
        "rim width min",
        "rim_width_min_in",
        "Narrowest rim the maker allows.",
        "rim size",
        bounds=bounds.RIM_WIDTH,
        rating=True,
    ),
    Field(
        "rim width max",
        "rim_width_max_in",
        "Widest rim the maker allows.",
        "rim size",
        bounds=bounds.RIM_WIDTH,
        rating=True,
    ),
    Field("made", "made", "Week and year as on the sidewall: 2321.", parse=cells.date_code, rating=True),
    _inertia("Spin inertia of one tire."),
)
WHEELS: tuple[Field, ...] = (
    Field("size", "size", "Rim diameter x width in inches: 15x6.5.", parse=cells.wheel_size),
    Field(
        "rim diameter", "rim_diameter_in", "Rim diameter, if there is no size.", "rim size", bounds=bounds.RIM_DIAMETER
    ),
    Field("rim width", "rim_width_in", "Rim width, if there is no size.", "rim size", bounds=bounds.RIM_WIDTH),
    Field(
        "bolt pattern",
        "bolt_patterns",
        "Bolts x circle: 4x100; 5x4.5 in.",
        parse=cells.bolt_patterns,
        required=True,
    ),
    Field("center bore", "center_bore_m", "Bore at the hub.", "length", required=True, bounds=bounds.BORE),
    Field(
        "offset",
        "offset_m",
        "Mounting face outward of the rim's middle.",
        "length",
        required=True,
        bounds=bounds.OFFSET,
    ),
    Field(
        "load rating", "load_rating_kg", "Load one wheel is rated for.", "mass", bounds=bounds.LOAD_RATING, rating=True
    ),
    Field("max pressure", "max_pressure_pa", "Limit of the rim.", "tire pressure", bounds=bounds.PRESSURE, rating=True),
    Field(
        "brake clearance",
        "brake_clearance_m",
        "Diameter that brake parts inside may reach.",
        "length",
        bounds=bounds.BRAKE_CLEARANCE,
    ),
    _inertia("Spin inertia of one wheel."),
)
ROTORS: tuple[Field, ...] = (
    Field("diameter", "diameter_m", "Outside diameter.", "length", required=True, bounds=bounds.ROTOR_DIAMETER),
    Field(
        "caliper envelope",
        "caliper_envelope_m",
        "Diameter of the circle about the axle that the caliper needs.",
        "length",
        required=True,
        bounds=bounds.CALIPER_ENVELOPE,
    ),
    Field("heat mass", "heat_mass_kg", "Mass that takes the heat of one stop.", "mass", bounds=bounds.HEAT_MASS),
    Field(
        "specific heat",
        "specific_heat_jkgk",
        "Specific heat of its material.",
        "specific heat",
        bounds=bounds.SPECIFIC_HEAT,
    ),
    Field(
        "max rise",
        "max_rise_k",
        "Temperature rise allowed in one stop.",
        "temperature rise",
        bounds=bounds.RISE,
        rating=True,
    ),
    Field("brake drag", "brake_drag_n", "Drag of one released brake, at the road.", "force", bounds=bounds.BRAKE_DRAG),
    _inertia("Spin inertia of one rotor."),
)
FINAL_DRIVES: tuple[Field, ...] = (
    Field(
        "ratio",
        "ratio",
        "Ratio, or teeth: 41/10.",
        parse=cells.ratio,
        required=True,
        bounds=bounds.FINAL_RATIO,
        physical=True,
    ),
    _EFFICIENCY,
    _inertia("Inertia that turns with its input."),
)
GEARSETS: tuple[Field, ...] = (
    *(
        Field(
            f"gear {gear}",
            f"gear_{gear}",
            f"Ratio of gear {gear}, or teeth: 38/11.",
            parse=cells.ratio,
            required=gear == 1,
            bounds=bounds.GEAR_RATIO,
            physical=True,
        )
        for gear in range(1, 7)
    ),
    _EFFICIENCY,
    *(
        Field(
            f"gear {gear} efficiency",
            f"efficiency_{gear}",
            f"Efficiency in gear {gear}, where it is not that of the set.",
            "fraction",
            bounds=bounds.EFFICIENCY,
        )
        for gear in range(1, 7)
    ),
    _inertia("Inertia that turns with the engine."),
)
ENGINES: tuple[Field, ...] = (
    Field("curve", "curve_id", "Name of its curve in the sheet of curves; blank if it has a base."),
    Field("base", "base", "Id of the engine whose curve it changes."),
    Field(
        "torque factor",
        "torque_factor",
        "Torque against that of the base.",
        "fraction",
        bounds=bounds.TORQUE_FACTOR,
    ),
    Field("displacement", "displacement_m3", "Swept volume.", "volume", required=True, bounds=bounds.DISPLACEMENT),
    Field(
        "rev limit",
        "rev_limit_rpm",
        "What it may be turned to.",
        "engine speed",
        required=True,
        bounds=bounds.REV_LIMIT,
        unit="rpm",
    ),
    Field(
        "launch rpm",
        "launch_rpm",
        "Engine speed with the clutch slipping.",
        "engine speed",
        bounds=bounds.LAUNCH_RPM,
        unit="rpm",
    ),
    _inertia("Inertia of crank, flywheel and clutch.", bounds.ENGINE_INERTIA, required=True),
    Field("forced induction", "forced_induction", "Has a supercharger or turbocharger.", parse=cells.yes_no),
    Field("air breathing", "air_breathing", "Its power goes with the air.", parse=cells.yes_no),
    Field(
        "measured at",
        "measured_at",
        "flywheel, hubs, or wheels (on rollers).",
        parse=cells.one_of("flywheel", "hubs", "wheels"),
    ),
    _number("dyno ratio", "dyno_ratio", "Overall ratio of a pull at wheels or hubs.", bounds.OVERALL_RATIO),
    Field(
        "roller diameter",
        "roller_diameter_m",
        "Of the rollers of a pull at the wheels.",
        "length",
        bounds=bounds.ROLLER_DIAMETER,
    ),
    Field(
        "long pull",
        "long_pull_factor",
        "Torque after a minute at full throttle against the sheet.",
        "fraction",
        bounds=bounds.LONG_PULL,
    ),
    Field(
        "sweep rate",
        "sweep_rpm_per_s",
        "How fast the pull was; 0 for steady.",
        "sweep rate",
        bounds=bounds.SWEEP,
    ),
    Field(
        "correction",
        "correction",
        "Standard the sheet was corrected by.",
        parse=cells.one_of("SAE J1349", "ISO 1585", "none"),
    ),
    Field(
        "dyno pressure",
        "dyno_pressure_pa",
        "Station pressure of the day.",
        "air pressure",
        bounds=bounds.STATION_PRESSURE,
    ),
    Field(
        "dyno temperature",
        "dyno_temperature_k",
        "Air temperature of the day.",
        "temperature",
        bounds=bounds.TEMPERATURE,
    ),
    Field("dyno humidity", "dyno_humidity", "Relative humidity of the day.", "fraction", bounds=bounds.SHARE),
)
EXTRAS: tuple[Field, ...] = (
    Field("position", "position_m", "Distance of its mass behind the front axle.", "length", bounds=bounds.POSITION),
    _inertia("Inertia of what turns."),
    Field(
        "turns with",
        "turns_with",
        "What its inertia turns with.",
        parse=cells.one_of("front wheels", "rear wheels", "propshaft", "engine"),
    ),
    Field("drag area change", "drag_area_m2", "Change of drag area.", "area", bounds=bounds.AREA_CHANGE),
    Field(
        "front lift area change",
        "front_lift_area_m2",
        "Change of front lift area, upward.",
        "area",
        bounds=bounds.AREA_CHANGE,
    ),
    Field(
        "rear lift area change",
        "rear_lift_area_m2",
        "Change of rear lift area, upward.",
        "area",
        bounds=bounds.AREA_CHANGE,
    ),
    Field(
        "front ride height change",
        "front_ride_height_m",
        "Change of front ride height.",
        "length",
        bounds=bounds.HEIGHT_CHANGE,
    ),
    Field(
        "rear ride height change",
        "rear_ride_height_m",
        "Change of rear ride height.",
        "length",
        bounds=bounds.HEIGHT_CHANGE,
    ),
    Field(
        "pressure change",
        "pressure_pa",
        "Change of running tire pressure.",
        "tire pressure",
        bounds=bounds.PRESSURE_CHANGE,
    ),
    _number("rolling change", "rolling_change", "Change of the tires' rolling coefficient.", bounds.ROLLING_CHANGE),
    _number("grip factor", "grip_factor", "Grip against that without it.", bounds.GRIP),
    Field(
        "brake drag change",
        "brake_drag_n",
        "Change of the drag of all brakes.",
        "force",
        bounds=bounds.BRAKE_DRAG_CHANGE,
    ),
    Field(
        "speed cap",
        "cap_ms",
        "Road speed that may not be passed with it.",
        "speed",
        bounds=bounds.SPEED,
        rating=True,
    ),
    Field(
        "parachute drag area",
        "parachute_drag_area_m2",
        "Drag area of a parachute.",
        "area",
        bounds=bounds.PARACHUTE,
    ),
)
KITS: tuple[Field, ...] = (
    Field("id", "id", "Unique name across all sheets.", parse=cells.identifier, required=True),
    Field("name", "name", "What a builder calls it."),
    Field("price", "price_cents", "Price of the whole kit.", MONEY, required=True),
    Field("contents", "contents", "Parts and pieces: T07 x4; W03 x4.", parse=cells.kit_contents, required=True),
    Field("stock", "stock", "Kits on offer.", parse=cells.count),
    Field("fitting included", "fitting_included", "Its pieces come mounted.", parse=cells.yes_no),
    _NOTES,
    Field("seller", "notes", "Who sells it; kept in the notes."),
    Field("price date", "notes", "Day of the price; kept in the notes."),
)
CURVES: tuple[Field, ...] = (
    Field("engine", "engine", "Name of the curve, as engines give it.", required=True),
    Field("rpm", "rpm", "Engine speed.", "engine speed", required=True, bounds=bounds.RPM, unit="rpm"),
    Field("torque", "torque_nm", "Torque at that speed.", "torque", bounds=bounds.TORQUE),
    Field("power", "power_w", "Power at that speed, if torque is not given.", "power", bounds=bounds.POWER),
    _NOTES,
)

SHEETS: Mapping[str, Sheet] = MappingProxyType(
    {
        sheet.name: sheet
        for sheet in (
            Sheet("tires", "tire", (*_common(bounds.TIRE_MASS), *TIRES)),
            Sheet("wheels", "wheel", (*_common(bounds.WHEEL_MASS), *WHEELS)),
            Sheet("rotors", "rotor", (*_common(bounds.ROTOR_MASS), *ROTORS)),
            Sheet("final_drives", "final drive", (*_common(bounds.FINAL_DRIVE_MASS), *FINAL_DRIVES)),
            Sheet("gearsets", "gearset", (*_common(bounds.GEARSET_MASS), *GEARSETS)),
            Sheet("engines", "engine", (*_common(bounds.ENGINE_MASS), *ENGINES), inherits=True),
            Sheet("extras", "extra", (*COMMON, *EXTRAS)),
            Sheet("kits", "", KITS),
            Sheet("curves", "", CURVES),
        )
    }
)
"""Every sheet of a scenario folder, in the order they are read."""
