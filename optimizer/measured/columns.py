"""The data dictionary of measurements: columns of every kind of file, and what may stand above a table.

A column is declared once, here, with the other names that loggers and crews give it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from optimizer.measured import cells as own
from optimizer.scenario import bounds, cells
from optimizer.scenario.bounds import Bounds
from optimizer.scenario.columns import Field
from optimizer.scenario.compass import compass
from optimizer.units import find_unit, split_header

DISTANCE = Bounds(-50e3, 100e3)  # m
LOGGED_SPEED = Bounds(0.0, 200.0, slack=2.0)  # m/s; a sensor at rest may read a little below zero
LOGGED_RPM = Bounds(0.0, 30000.0)
TAPE = Bounds(0.8, 400.0)  # m
MILES = 9


@dataclass(frozen=True, slots=True)
class Column:
    """A column or header line: its field, and further names it goes by, in lower case."""

    field: Field
    also: tuple[str, ...] = ()


def _column(field: Field, *also: str) -> tuple[str, Column]:
    return field.name, Column(field, also)


DAY: Mapping[str, Column] = MappingProxyType(
    dict(
        [
            _column(Field("date", "date", "Day of the measurement.", parse=own.date), "day"),
            _column(Field("name", "name", "What the crew calls it."), "run", "run number", "run no"),
            _column(
                Field("parts", "parts", "Parts in place of those fitted: ids or slot=id.", parse=own.parts), "setup"
            ),
            _column(Field("salt", "salt", "Condition of the salt."), "salt condition", "surface"),
            _column(
                Field("direction", "direction", "Which way it went.", parse=own.direction),
                "way", "heading", "bearing", "course",
            ),
            _column(
                Field("air temperature", "temperature_k", "Of the air.", "temperature", bounds=bounds.TEMPERATURE),
                "temperature", "air temp", "temp", "ambient temperature", "ambient",
            ),
            _column(
                Field(
                    "station pressure", "pressure_pa", "Of the air, as a barometer on the spot reads it.",
                    "air pressure", bounds=bounds.STATION_PRESSURE,
                ),
                "pressure", "air pressure", "barometer", "baro",
            ),
            _column(
                Field("humidity", "humidity", "Relative, of the air.", "fraction", bounds=bounds.SHARE),
                "relative humidity", "rh",
            ),
            _column(Field("wind", "wind", "Speed of the wind.", "speed", bounds=bounds.WIND), "wind speed"),
            _column(
                Field("wind from", "wind_from_deg", "Where the wind comes from.", parse=compass),
                "wind direction", "wind bearing",
            ),
            _column(
                Field("mass", "mass_kg", "Of the whole car with driver and fuel.", "mass", bounds=bounds.CAR_MASS),
                "car mass", "weight", "car weight",
            ),
        ]
    )
)  # fmt: skip
"""What is known of the day: columns of timing slips and chalk marks, header lines of every file."""

TABLE: Mapping[str, Column] = MappingProxyType(
    dict(
        [
            _column(
                Field("time", "time_s", "From anywhere, in seconds; or the time of day.", "time", unit="s"),
                "t", "elapsed", "elapsed time", "timestamp", "time stamp", "utc", "utc time", "gps time", "log time",
            ),
            _column(
                Field("speed", "speed_ms", "Over the ground.", "speed", bounds=LOGGED_SPEED),
                "gps speed", "ground speed", "velocity", "vehicle speed", "v", "speed gps", "mean speed", "mean",
            ),
            _column(
                Field("distance", "distance_m", "From the start.", "distance", bounds=DISTANCE),
                "dist", "gps distance", "distance gps",
            ),
            _column(
                Field("rpm", "rpm", "Of the engine.", "engine speed", bounds=LOGGED_RPM, unit="rpm"),
                "engine speed", "engine rpm", "revs", "tach",
            ),
            _column(
                Field("driven wheel speed", "driven_ms", "Of the driven wheels.", "speed", bounds=LOGGED_SPEED),
                "driven wheels", "driven speed", "wheel speed driven", "drive wheel speed",
            ),
            _column(
                Field("undriven wheel speed", "undriven_ms", "Of the others.", "speed", bounds=LOGGED_SPEED),
                "undriven wheels", "undriven speed", "wheel speed undriven",
            ),
            _column(
                Field("front wheel speed", "front_ms", "Of the front wheels.", "speed", bounds=LOGGED_SPEED),
                "front wheels", "wheel speed front", "wheel front",
            ),
            _column(
                Field("rear wheel speed", "rear_ms", "Of the rear wheels.", "speed", bounds=LOGGED_SPEED),
                "rear wheels", "wheel speed rear", "wheel rear",
            ),
            _column(Field("pass", "pass", "Which pass a sample belongs to."), "lap", "segment", "coast"),
            _column(
                Field("torque", "torque_nm", "Of the engine.", "torque", bounds=bounds.TORQUE),
                "engine torque", "wheel torque",
            ),
            _column(
                Field("power", "power_w", "Of the engine.", "power", bounds=bounds.POWER),
                "engine power", "wheel power", "corrected power",
            ),
            _column(Field("pull", "pull", "Which pull a point belongs to."), "dyno run"),
            _column(Field("tire", "tire", "Id of the tire.", parse=cells.identifier), "tires", "tyre"),
            _column(
                Field("roll-out", "rollout_m", "Of the tire: one turn.", "length"),
                "rollout", "roll out", "circumference",
            ),
            _column(Field("turns", "turns", "Over how many it was measured.", parse=cells.pieces), "revolutions"),
            _column(Field("gear", "gear", "At the last board.", parse=cells.pieces), "last gear"),
            _column(Field("counted", "counted", "no for a run cut short.", parse=cells.yes_no), "counts", "valid"),
            _column(Field("note", "note", "Anything worth remembering."), "notes", "remarks", "comment", "comments"),
            *(
                _column(
                    Field(f"mile {n}", f"mile_{n}", "Mean over that mile.", "speed", bounds=bounds.SPEED), f"m{n}"
                )
                for n in range(1, MILES + 1)
            ),
        ]
    )
)  # fmt: skip
"""Further columns of tables."""

ABOVE: Mapping[str, Column] = MappingProxyType(
    dict(
        [
            _column(Field("kind", "kind", "What the file is.", parse=own.kind), "type"),
            _column(Field("engine", "engine", "Id of the engine on the dyno.", parse=cells.identifier)),
            _column(Field("pulls", "pulls", "How many pulls the sheet is the mean of.", parse=cells.pieces)),
            _column(
                Field(
                    "correction", "correction", "What the dyno sheet was corrected by.",
                    parse=cells.one_of("SAE J1349", "ISO 1585", "none"),
                )
            ),
            _column(
                Field(
                    "measured at", "measured_at", "Where the dyno took hold.",
                    parse=cells.one_of("flywheel", "hubs", "wheels"),
                )
            ),
            _column(TABLE["note"].field, *TABLE["note"].also),
            _column(Field("decimal", "decimal", "comma or point.", parse=cells.one_of("comma", "point"))),
        ]
    )
)
"""Header lines beyond those of the day."""


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of file: what it needs (any of each group), what else it takes, and fields it reads in its own way."""

    needs: tuple[tuple[str, ...], ...]
    takes: tuple[str, ...]
    own: tuple[Field, ...] = ()

    def suits(self, names: frozenset[str]) -> bool:
        """Whether a table with such columns may be of this kind."""
        return all(names.intersection(group) for group in self.needs)

    @property
    def columns(self) -> frozenset[str]:
        """All that it reads."""
        return frozenset(self.takes).union(*self.needs)

    @property
    def names(self) -> list[str]:
        """All that its columns may be called."""
        return [name for name, field in COLUMN_NAMES.items() if field.name in self.columns]

    def field(self, field: Field) -> Field:
        """The field as this kind reads it."""
        return next((each for each in self.own if each.name == field.name), field)


_TRACE = ("distance", "rpm", "driven wheel speed", "undriven wheel speed", "front wheel speed", "rear wheel speed")
_SPEED = ("speed", "undriven wheel speed", "front wheel speed", "rear wheel speed")
_DAY = tuple(DAY)

KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        "coast-down": Kind((("time",), _SPEED), (*_TRACE, "pass", "direction")),
        "run log": Kind((("time",), _SPEED), (*_TRACE, "pass", "direction")),
        "timing slips": Kind(
            (("speed",),),
            (*_DAY, "rpm", "gear", "counted", "note", *(f"mile {n}" for n in range(1, MILES + 1))),
            (
                Field("speed", "speed_ms", "As the event's clocks measure it.", "speed", bounds=bounds.SPEED),
                Field("date", "date", "Day of the run.", parse=own.day),
            ),
        ),
        "dyno sheet": Kind((("rpm",), ("torque", "power")), ("pull",)),
        "chalk mark": Kind(
            (("tire",), ("roll-out", "distance")),
            ("turns", "note", "date", "name"),
            (Field("distance", "distance_m", "Over all turns.", "length", bounds=TAPE),),
        ),
    }
)
"""Kinds of file by the word that a header line ``kind`` may hold."""
ROW_BY_ROW = frozenset({"timing slips", "chalk mark"})
"""Kinds whose every row is a measurement of its own, typed by hand: each fault in them is named."""


def _by_name(*dictionaries: Mapping[str, Column]) -> dict[str, Field]:
    return {
        name: column.field
        for each in dictionaries
        for column in each.values()
        for name in (column.field.name, *column.also)
    }


COLUMN_NAMES: Mapping[str, Field] = MappingProxyType(_by_name(DAY, TABLE))
LINE_NAMES: Mapping[str, Field] = MappingProxyType(_by_name(DAY, ABOVE))


_UNIT_AS_NAME = {
    **dict.fromkeys(("hp", "bhp", "whp", "kw", "ps"), "power"),
    **dict.fromkeys(("lb-ft", "lb ft", "lbft", "ft-lb", "ft-lbs", "ft lbs", "nm", "n m"), "torque"),
    **dict.fromkeys(("mph", "km/h", "kmh", "kph"), "speed"),
}
"""Headers that are only a unit, as dyno sheets and timing slips have them, and the column they mean."""


def field_of(header: str, names: Mapping[str, Field] = COLUMN_NAMES) -> tuple[Field | None, str]:
    """Field and unit that a header means: ``GPS Speed [mph]``, ``speed_mph``, ``Speed, mph``; None for any other."""
    name, unit = split_header(header)
    name = re.sub(r"[\s.]+", " ", name).strip(" ,:")
    if name in names or unit:
        return names.get(name), unit
    if name in _UNIT_AS_NAME and _UNIT_AS_NAME[name] in names:
        return names[_UNIT_AS_NAME[name]], name
    for known in sorted(names, key=len, reverse=True):
        rest = name.removeprefix(known).strip(" ,")
        if name.startswith((f"{known} ", f"{known},")) and is_unit(rest, names[known].dimension):
            return names[known], rest
    return None, ""


def is_unit(text: str, dimension: str) -> bool:
    """Whether a text is a unit of a dimension; nothing is one of no dimension."""
    if not dimension or not text:
        return False
    try:
        find_unit(text, dimension)
    except ValueError:
        return False
    return True


