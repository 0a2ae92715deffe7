"""The data dictionary of ``car.toml`` and ``event.toml``: every key, declared as columns are."""

from __future__ import annotations

from optimizer.scenario import bounds, cells
from optimizer.scenario.columns import MONEY, Field
from optimizer.scenario.compass import compass
from optimizer.scenario.parts import KINDS
from optimizer.units import parse_number

CHECKS: tuple[str, ...] = (
    "tire on rim width",
    "tire on rim diameter",
    "corner load",
    "tire age",
    "tire category",
    "tire rating unknown",
    "tire pressure",
    "wheel pressure",
    "bolt pattern",
    "center bore",
    "wheel offset",
    "wheelhouse",
    "brake clearance",
    "wheel load",
    "wheel rating unknown",
    "rotor limit unknown",
    "circumference match",
    "housing",
    "ride height",
    "load at speed",
    "tire speed",
    "stopping distance",
    "rotor rise",
    "budget",
    "own hours",
    "stock",
)
"""Names of the built-in checks, as overrides and reasons use them."""

CAR: tuple[Field, ...] = (
    Field("name", "name", "What the crew calls it.", required=True),
    Field("mass", "mass_kg", "Driver and fuel aboard.", "mass", required=True, bounds=bounds.CAR_MASS),
    Field(
        "front share",
        "front_share",
        "Share on the front axle.",
        "fraction",
        required=True,
        bounds=bounds.PART_OF_AN_AXLE,
    ),
    Field("wheelbase", "wheelbase_m", "Distance of the axles.", "length", required=True, bounds=bounds.WHEELBASE),
    Field("cg height", "cg_height_m", "Height of the center of gravity.", "length", bounds=bounds.CG_HEIGHT),
    Field(
        "drag area",
        "drag_area_m2",
        "Drag coefficient x frontal area.",
        "area",
        required=True,
        bounds=bounds.DRAG_AREA,
    ),
    Field("front lift area", "front_lift_area_m2", "Lift at the front axle, upward.", "area", bounds=bounds.LIFT_AREA),
    Field("rear lift area", "rear_lift_area_m2", "Lift at the rear axle, upward.", "area", bounds=bounds.LIFT_AREA),
    Field(
        "drag area per height",
        "drag_area_per_height_m",
        "Drag area gained per mean ride height.",
        "area per length",
        bounds=bounds.AREA_PER_LENGTH,
    ),
    Field(
        "drag area per tire width",
        "drag_area_per_tire_width_m",
        "Drag area gained per section width of the front tires.",
        "area per length",
        bounds=bounds.AREA_PER_LENGTH,
    ),
    Field(
        "drag rise at yaw",
        "drag_rise_at_yaw",
        "Gain of drag area with the wind 10 degrees off the nose.",
        "fraction",
        bounds=bounds.YAW_RISE,
    ),
    Field("drive", "drive", "front, rear or all.", parse=cells.one_of("front", "rear", "all"), required=True),
    Field("start", "start_speed_ms", 'clutch, or such as "pushed to 45 mph".', parse=cells.start_speed),
    Field("shift time", "shift_time_s", "Time without thrust.", "time", bounds=bounds.SHIFT_TIME),
    Field(
        "driveline efficiency",
        "driveline_efficiency",
        "Share of the power that reaches the tires.",
        "fraction",
        bounds=bounds.EFFICIENCY,
    ),
    Field(
        "grip use limit",
        "grip_use_limit",
        "Share of full grip the driver will use.",
        "fraction",
        bounds=bounds.PART_SHARE,
    ),
    Field(
        "limiter",
        "limiter_adjustable",
        "fixed or adjustable.",
        parse=cells.one_of("fixed", "adjustable"),
    ),
    Field("brake front share", "brake_front_share", "Share of brake force in front.", "fraction", bounds=bounds.SHARE),
    Field(
        "propshaft inertia",
        "propshaft_inertia_kgm2",
        "What turns with the final drive's input.",
        "inertia",
        bounds=bounds.INERTIA,
    ),
    Field(
        "gearbox inertia",
        "gearbox_inertia_kgm2",
        "What turns with the engine.",
        "inertia",
        bounds=bounds.INERTIA,
    ),
)
HUB: tuple[Field, ...] = (
    Field("bolt pattern", "bolt_pattern", "Bolts x circle.", parse=cells.bolt_pattern, required=True),
    Field("center bore", "center_bore_m", "Diameter of the hub.", "length", required=True, bounds=bounds.BORE),
    Field(
        "offset min", "offset_min_m", "Least wheel offset that clears.", "length", required=True, bounds=bounds.OFFSET
    ),
    Field(
        "offset max",
        "offset_max_m",
        "Greatest wheel offset that clears.",
        "length",
        required=True,
        bounds=bounds.OFFSET,
    ),
    Field(
        "max tire diameter", "max_tire_diameter_m", "What the wheelhouse takes.", "length", bounds=bounds.TIRE_DIAMETER
    ),
    Field("max tire width", "max_tire_width_m", "What the wheelhouse takes.", "length", bounds=bounds.TIRE_WIDTH),
    Field(
        "heaviest corner share",
        "heaviest_corner_share",
        "Share of the axle's load on its heavier wheel.",
        "fraction",
        bounds=bounds.CORNER_SHARE,
    ),
    Field(
        "tire pressure",
        "tire_pressure_pa",
        "Planned gauge pressure.",
        "tire pressure",
        required=True,
        bounds=bounds.PRESSURE,
    ),
    Field(
        "ride height", "ride_height_m", "Clearance as it stands.", "length", required=True, bounds=bounds.RIDE_HEIGHT
    ),
    Field("min ride height", "min_ride_height_m", "Least clearance.", "length", bounds=bounds.RIDE_HEIGHT),
    Field("hub inertia", "hub_inertia_kgm2", "Hub and shaft of one wheel.", "inertia", bounds=bounds.INERTIA),
)
SLOT: tuple[Field, ...] = (
    Field("name", "name", "Unique, as shown on screen.", required=True),
    Field("kind", "kind", "Kind of part it holds.", parse=cells.one_of(*KINDS), required=True),
    Field("axle", "axle", "front or rear.", parse=cells.one_of("front", "rear")),
    Field("count", "count", "Pieces it takes.", parse=cells.pieces),
    Field("required", "required", "Never empty.", parse=cells.yes_no),
    Field("fitted", "fitted", "Id of the part now in it, or none.", required=True),
    Field("work", "work", "Jobs that any change in it needs.", parse=cells.listing),
    Field("interfaces", "interfaces", "What the car offers to bolt to.", parse=cells.word_set),
    Field("position", "position_m", "Distance behind the front axle.", "length", bounds=bounds.POSITION),
)
JOB: tuple[Field, ...] = (
    Field("name", "name", "Unique; parts and slots name it.", required=True),
    Field("cost", "cost_cents", "Money it costs, once.", MONEY),
    Field("hours", "hours", "Own hours it takes.", "work time", bounds=bounds.HOURS, unit="h"),
)
EVENT: tuple[Field, ...] = (
    Field("name", "name", "What the crew calls it.", required=True),
    Field("date", "date", "First day: 2026-09-14.", parse=cells.event_week, required=True),
    Field("currency", "currency", "Currency of all money.", parse=cells.currency),
    Field("speed unit", "speed_unit", "mph or km/h.", parse=cells.one_of("mph", "km/h")),
    Field("budget", "budget_cents", "Money there is; blank if not limited.", MONEY),
    Field("own hours", "hours_limit", "Own hours there are.", "work time", bounds=bounds.HOURS, unit="h"),
    Field("class", "race_class", "Class now entered.", required=True),
    Field("salt", "salt", "Salt condition expected.", required=True),
    Field(
        "rating rule",
        "rating_rule",
        "What happens where a tire would pass its rating.",
        parse=cells.one_of("refuse", "limiter"),
    ),
    Field("max tire age", "max_tire_age_years", "Oldest tire allowed.", "age", bounds=bounds.TIRE_AGE, unit="years"),
    Field("tire categories", "tire_categories", "Tire categories allowed.", parse=cells.listing),
    Field(
        "max circumference mismatch",
        "max_circumference_mismatch",
        "Greatest difference front to rear with all wheels driven.",
        "fraction",
        bounds=bounds.SHARE,
    ),
    Field("carries", "carries", "Tags the car carries whatever is chosen.", parse=cells.word_set),
)
COST: tuple[Field, ...] = (
    Field("name", "name", "What it is for.", required=True),
    Field("cost", "cost", "Money, whatever is chosen.", MONEY, required=True),
)
COURSE: tuple[Field, ...] = (
    Field("run up", "run_up_m", "Distance before the clocks.", "distance", required=True, bounds=bounds.RUN_UP),
    Field("timed", "timed_m", "Timed distance.", "distance", required=True, bounds=bounds.TIMED),
    Field("shutdown", "shutdown_m", "Distance to stop in.", "distance", required=True, bounds=bounds.SHUTDOWN),
    Field(
        "elevation",
        "elevation_m",
        "Above sea level.",
        "distance",
        required=True,
        bounds=bounds.ELEVATION,
    ),
    Field("bearing", "bearing_deg", "Direction of travel.", parse=compass, physical=True),
)
SCORING: tuple[Field, ...] = (
    Field("measure", "measure", "mean, trap or exit.", parse=cells.one_of("mean", "trap", "exit")),
    Field("runs", "runs", "1 or 2.", parse=cells.count),
    Field("second run", "second_run", "same or opposite way.", parse=cells.one_of("same", "opposite")),
    Field("mean of", "mean_of", "speeds or times.", parse=cells.one_of("speeds", "times")),
)
MEET: tuple[Field, ...] = (
    Field("days", "days", "Days with runs.", parse=cells.few),
    Field("runs a day", "runs_a_day", "Runs of a day.", parse=cells.few),
    Field(
        "pairs",
        "pairs",
        "Which two runs may be joined: same day, next day or any.",
        parse=cells.one_of("same day", "next day", "any"),
    ),
    Field(
        "license steps",
        "license_steps_ms",
        "Speeds the driver must show first, lowest first; each caps the runs until it is reached.",
        parse=cells.speed_steps,
    ),
    Field("breakage", "breakage", "Chance that a run breaks the car.", "fraction", bounds=bounds.SHARE),
    Field(
        "run scatter",
        "run_scatter",
        "Standard deviation of a run's speed from run to run, wind aside.",
        "fraction",
        bounds=bounds.RUN_SCATTER,
    ),
)
SALT: tuple[Field, ...] = (
    Field("name", "name", "What the crew calls it.", required=True),
    Field(
        "rolling coefficient",
        "rolling_coefficient",
        "What the salt adds to every tire.",
        parse=parse_number,
        required=True,
        bounds=bounds.ROLLING,
        physical=True,
    ),
    Field("grip", "grip", "Grip of a tire.", parse=parse_number, required=True, bounds=bounds.GRIP, physical=True),
    Field(
        "slip at slide",
        "slip_at_slide",
        "Slip at which a tire slides.",
        "fraction",
        bounds=bounds.PART_SHARE,
    ),
)
AIR: tuple[Field, ...] = (
    Field("pressure", "pressure_pa", "Station pressure.", "air pressure", bounds=bounds.STATION_PRESSURE),
    Field("temperature", "temperature_k", "Of the air.", "temperature", bounds=bounds.TEMPERATURE),
    Field("humidity", "humidity", "Relative humidity.", "fraction", bounds=bounds.SHARE),
    Field("wind speed", "wind_ms", "At the height of the car.", "speed", bounds=bounds.WIND),
    Field("wind from", "wind_from_deg", "Where it blows from.", parse=compass, physical=True),
)
FAST_CASE: tuple[Field, ...] = (
    Field("salt", "salt", "Firmest salt to be safe for.", required=True),
    *AIR,
    Field(
        "tire speed margin",
        "tire_speed_margin",
        "Kept below a tire's rating.",
        "fraction",
        bounds=bounds.MARGIN,
    ),
)
STOPPING: tuple[Field, ...] = (
    Field("gentle", "gentle_g", "Rate of a gentle stop.", "braking", bounds=bounds.DECELERATION),
    Field(
        "grip share",
        "grip_share",
        "Share of grip a braked axle may use.",
        "fraction",
        bounds=bounds.PART_SHARE,
    ),
    Field("salt", "salt", "Condition of the shutdown.", required=True),
)
RULE_FIELDS: dict[str, str] = {
    "category": "",
    "tags": "",
    "id": "",
    "displacement": "volume",
    "forced induction": "",
    "mass": "mass",
    "ratio": "number",
    "rim diameter": "length",
    "rim width": "length",
    "section width": "length",
    "diameter": "length",
    "load index": "number",
    "speed symbol": "speed",
}
"""Attributes a rule may look at, each with the dimension of its bounds; empty where it has none."""

_BOUND = "A number with its unit; converted by the attribute it bounds."
_LEAST = Field("minimum", "minimum", _BOUND)
_MOST = Field("maximum", "maximum", _BOUND)
_NAMED: tuple[Field, ...] = (
    Field("name", "name", "As the rule book calls it.", required=True),
    Field("reason", "reason", "Why, in words."),
)
RULE: tuple[Field, ...] = (
    *_NAMED,
    Field("kind", "kind", "Kind of part it looks at; blank for all.", parse=cells.one_of(*KINDS)),
    Field("slot", "slot", "Slot it looks at; blank for all."),
    Field("field", "field", "Attribute it looks at.", parse=cells.one_of(*RULE_FIELDS)),
    Field("allowed", "allowed", "Values allowed.", parse=cells.listing),
    Field("forbidden", "forbidden", "Values forbidden.", parse=cells.listing),
    _LEAST,
    _MOST,
    Field("carry", "carry", "Tag that some chosen part must carry."),
)
PAIR: tuple[Field, ...] = (
    *_NAMED,
    Field("first", "first", "Part id or tag.", required=True),
    Field("second", "second", "Part id or tag.", required=True),
)
LIMIT: tuple[Field, ...] = (
    *_NAMED,
    Field(
        "quantity",
        "quantity",
        "Mass of the build, or count of parts with the tag.",
        parse=cells.one_of("mass", "count"),
        required=True,
    ),
    Field("tag", "tag", "Which parts are counted; blank for all."),
    _LEAST,
    _MOST,
)
BRACKET: tuple[Field, ...] = (
    Field("name", "name", "As the rule book calls it.", required=True),
    Field("above", "above_ms", "Speed above which it holds.", "speed", required=True, bounds=bounds.SPEED),
    Field("requires", "requires", "Tag that the build must carry.", required=True),
    Field("hold off", "hold_off_ms", "Kept below it without.", "speed", bounds=bounds.HOLD_OFF),
)
CLASS: tuple[Field, ...] = (
    Field("name", "name", "As the rule book calls it.", required=True),
    Field("record", "record_ms", "Speed to beat.", "speed", required=True, bounds=bounds.SPEED),
    Field("margin", "record_margin", "By how much it must be beaten.", "fraction", bounds=bounds.SHARE),
)
OVERRIDE: tuple[Field, ...] = (
    Field("check", "check", "Name of the check that is lifted.", required=True),
    Field("part", "part", "Id of the part it is lifted for.", required=True),
    Field("reason", "reason", "Why; always printed.", required=True),
    Field("by", "by", "Who says so; always printed.", required=True),
)
