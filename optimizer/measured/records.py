"""One frozen record for each kind of measurement, in SI; ``None`` is what nobody wrote down.

Arrays are one number a sample; a gap is NaN. Times and distances count from anywhere and never fall.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """What is known of the car and the day of a measurement; what is not is the event's, and less sure.

    Attributes
    ----------
    file, row : str, int
        Where it stands: name of the file, and row of the sheet (0: the whole file).
    name : str
        What a crew would call it: "run 2, August 14" or the name of the file.
    date : str
        As typed, or ISO where it could be read; empty if nobody wrote it down.
    parts : tuple of str
        Parts in the car, in place of those fitted: ids, or ``slot=id``.
    salt : str or None
        Key of the condition of the salt.
    bearing_deg : float or None
        Direction of travel.
    other_way : bool
        Against the direction of the course, where only that is known.
    pressure_pa, temperature_k, humidity, wind_ms, wind_from_deg : float or None
    mass_kg : float or None
        Of the whole car with driver and fuel.
    """

    file: str
    row: int = 0
    name: str = ""
    date: str = ""
    parts: tuple[str, ...] = ()
    salt: str | None = None
    bearing_deg: float | None = None
    other_way: bool = False
    pressure_pa: float | None = None
    temperature_k: float | None = None
    humidity: float | None = None
    wind_ms: float | None = None
    wind_from_deg: float | None = None
    mass_kg: float | None = None


@dataclass(frozen=True, slots=True)
class CoastDown:
    """The car rolls, clutch down or out of gear, on flat ground: time and ground speed, both (n,)."""

    day: Day
    time_s: FloatArray
    speed_ms: FloatArray


@dataclass(frozen=True, slots=True)
class RunLog:
    """A run at full throttle, by a logger: arrays (n,).

    Attributes
    ----------
    day : Day
    time_s, speed_ms : array
        Speed is that over the ground (GPS or an undriven wheel).
    distance_m : array or None
        From the start, if the logger knows it.
    rpm : array or None
        Of the engine.
    driven_ms : array or None
        Surface speed of the driven wheels.
    """

    day: Day
    time_s: FloatArray
    speed_ms: FloatArray
    distance_m: FloatArray | None = None
    rpm: FloatArray | None = None
    driven_ms: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class TimedRun:
    """A line of a timing slip.

    Attributes
    ----------
    day : Day
    speed_ms : float
        As the event's clocks measure it (mean over the timed distance, or trap, or exit speed).
    mile_ms : tuple of float
        Means over miles before, one after another from the start, where the slip has them; NaN for a gap.
    rpm : float or None
        At the last board.
    gear : int or None
        At the last board.
    counted : bool
        False for a run that was cut short, or that the crew does not trust.
    note : str
    """

    day: Day
    speed_ms: float
    mile_ms: tuple[float, ...] = ()
    rpm: float | None = None
    gear: int | None = None
    counted: bool = True
    note: str = ""


@dataclass(frozen=True, slots=True)
class DynoSheet:
    """A dyno sheet of one engine: torque [N m] by rpm, arrays (n,), as the engine's own sheet would state it.

    ``engine`` is the id of the engine option; ``repeat`` is how many pulls the sheet is the mean of.
    """

    day: Day
    engine: str
    rpm: FloatArray
    torque_nm: FloatArray
    repeat: int = 1


@dataclass(frozen=True, slots=True)
class ChalkMark:
    """Roll-out of a tire by a chalk mark, over some turns with the car's weight on it [m a turn]."""

    day: Day
    tire: str
    circumference_m: float
    turns: int = 1


@dataclass(frozen=True, slots=True)
class Measurements:
    """Everything that was read, in the order of the files; ``notices`` are remarks for the crew."""

    coast_downs: tuple[CoastDown, ...] = ()
    logs: tuple[RunLog, ...] = ()
    runs: tuple[TimedRun, ...] = ()
    dyno: tuple[DynoSheet, ...] = ()
    chalk: tuple[ChalkMark, ...] = ()
    notices: tuple[str, ...] = field(default=())

    def __len__(self) -> int:
        return sum(len(each) for each in (self.coast_downs, self.logs, self.runs, self.dyno, self.chalk))
