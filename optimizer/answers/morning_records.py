"""What a card for the morning holds: days, cells, numbers to heed; see `morning_card`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from optimizer.answers.cards import BuildCard
from optimizer.answers.marks import Shortfall
from optimizer.answers.said_done import SaidDone
from optimizer.answers.set_ups import SetUp, Unfit
from optimizer.run.panels import LimitName
from optimizer.scenario.parts import Axle


@dataclass(frozen=True, slots=True)
class Mark:
    """Passing a mark: distance from the start [m], speed [m/s], engine speed, gear (1 is first)."""

    at_m: float
    speed_ms: float
    rpm: float
    gear: int


@dataclass(frozen=True, slots=True)
class Cell:
    """One day: air, salt, wind along the course; the best set-up and what it does in one run.

    Attributes
    ----------
    density_altitude_m : float
    salt : str
    headwind_ms : float
        Negative for a tailwind.
    set_up : str
        Letter of the set-up to fit.
    gain_ms : float
        What it is faster by than the build itself, each held to what its brakes stop from; 0 where that is the one to
        fit, and where its tires allow it no run.
    score_ms : float
        Speed of one run under the event's scoring; 0 where the car does not get there.
    half, first, last : Mark
        Half of the way to the clocks, the first board and the last.
    grip_use : float
        Share of the grip used at the last board.
    limit : str
        What limits the speed there.
    over_tires : bool
        A tire would turn faster than its rating allows with the event's margin: no run on such a day.
    over_brakes : bool
        The last board is passed faster than the brakes may stop from by the event's rule: lift before (see `Tach`).
    """

    density_altitude_m: float
    salt: str
    headwind_ms: float
    set_up: str
    gain_ms: float
    score_ms: float
    half: Mark
    first: Mark
    last: Mark
    grip_use: float
    limit: LimitName
    over_tires: bool
    over_brakes: bool


@dataclass(frozen=True, slots=True)
class Day:
    """Air of a row: density altitude [m], and the temperature and pressure that it was computed with."""

    density_altitude_m: float
    temperature_k: float
    pressure_pa: float


@dataclass(frozen=True, slots=True)
class Wind:
    """Wind of a column: along the course, negative for a tailwind."""

    headwind_ms: float


@dataclass(frozen=True, slots=True)
class Tach:
    """Engine speeds and speeds of a set-up that matter, in one of the gears in which it passes the clocks.

    Attributes
    ----------
    set_up : str
    rev_limit_rpm : float
        Of the engine.
    limiter_rpm : float or None
        What the limiter is to be set to for the tires; None where no rule asks for it.
    gear : int
        In which the clocks are passed on some days of the table.
    tire_speed_ms : float
        Speed at a tire's surface that its rating allows with the event's margin.
    tire_rpm : float
        Engine speed in the gear at which it gets there.
    tire : str
        Id of the tire that gets there first.
    stop_ms : float
        Highest speed from which it stops by the event's rule, in the worst case.
    stop_rpm : float
        Engine speed in the gear at which it gets there under power.
    stop_limit : str
        What ends it there: "rotors" (their heat) or "shutdown" (its length).
    unrated : bool
        Whether no limit is known of some rotor: then nothing of its heat is in ``stop_ms``.
    cap_ms, cap_rpm : float
        Ground speed that it may not pass with its equipment, and engine speed in the gear there; infinite without one.
    adjustable : bool
        Whether the limiter can be set.
    """

    set_up: str
    rev_limit_rpm: float
    limiter_rpm: float | None
    gear: int
    tire_speed_ms: float
    tire_rpm: float
    tire: str
    stop_ms: float
    stop_rpm: float
    stop_limit: Literal["rotors", "shutdown"]
    unrated: bool
    cap_ms: float
    cap_rpm: float
    adjustable: bool


@dataclass(frozen=True, slots=True)
class StopRow:
    """Stopping from a speed: the worst set-up. Distances [m] by case, with no brakes at all, rotors' share of heat.

    That share is not a number where no limit of some rotor is known.
    """

    from_ms: float
    distances_m: tuple[tuple[str, float], ...]
    coast_m: float
    rise_share: float
    shutdown_m: float

    @property
    def spare_m(self) -> float:
        """What the shutdown has over the longest stop; below 0: it is too short."""
        return self.shutdown_m - max(far for _, far in self.distances_m)


@dataclass(frozen=True, slots=True)
class AirPoint:
    """Density altitude [m] at a temperature and a pressure, with the event's humidity."""

    temperature_k: float
    pressure_pa: float
    density_altitude_m: float


@dataclass(frozen=True, slots=True)
class MorningCard:
    """The card.

    Attributes
    ----------
    card : BuildCard
        The build itself.
    set_ups : tuple of SetUp
        The build first ("A"), then what the spares allow.
    unfit : tuple of Unfit
        Spares that go on in no legal way.
    days : tuple of Day
        Rows, rising.
    salts : tuple of str
        The firmest first.
    winds : tuple of Wind
        Columns: a tailwind, none, a headwind.
    cells : tuple of Cell
        Salt by salt, day by day, wind by wind.
    tachs : tuple of Tach
        Of each set-up.
    half, first_board : tuple of Shortfall
        By salt: when to break off at half of the run-up, and at the first board.
    stops : tuple of StopRow
    pressures_pa : tuple of (axle, gauge pressure)
    barometer_ms : float
        Most that the speed moves where the barometer stands 1 % off at the same density altitude.
    side_wind_ms : float
        Most that as much wind from the side, against none, takes off the speed.
    air : tuple of AirPoint
        To find the density altitude without a meter.
    last_run : SaidDone or None
        The last run of the car against what the model says of it.
    """

    card: BuildCard
    set_ups: tuple[SetUp, ...]
    unfit: tuple[Unfit, ...]
    days: tuple[Day, ...]
    salts: tuple[str, ...]
    winds: tuple[Wind, ...]
    cells: tuple[Cell, ...]
    tachs: tuple[Tach, ...]
    half: tuple[Shortfall, ...]
    first_board: tuple[Shortfall, ...]
    stops: tuple[StopRow, ...]
    pressures_pa: tuple[tuple[Axle, float], ...]
    barometer_ms: float
    side_wind_ms: float
    air: tuple[AirPoint, ...]
    last_run: SaidDone | None
