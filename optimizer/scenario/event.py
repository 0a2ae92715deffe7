"""The event: course, salt, weather, classes with their rules and records, money; and the whole scenario."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

from optimizer.scenario.car import Car
from optimizer.scenario.estimates import Calibration
from optimizer.scenario.parts import Basis, Kit, Part


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Distances in meters; ``bearing_deg`` is the direction of travel; elevation above sea level."""

    run_up_m: float
    timed_m: float
    shutdown_m: float
    elevation_m: float
    bearing_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scoring:
    """What the clocks make of a run.

    ``measure``: ``mean`` speed over the timed distance, ``trap`` (speed at the end of the run-up) or ``exit``
    (speed at the end of the timed distance). ``runs`` 1 or 2; two runs go the ``same`` way or ``opposite`` ways and
    are joined by the mean of ``speeds`` or of ``times``.
    """

    measure: Literal["mean", "trap", "exit"] = "mean"
    runs: int = 1
    second_run: Literal["same", "opposite"] = "same"
    mean_of: Literal["speeds", "times"] = "speeds"


@dataclass(frozen=True, slots=True, kw_only=True)
class Salt:
    """A condition of the salt: rolling coefficient it adds, grip, and slip at which a tire slides."""

    name: str
    rolling_coefficient: float
    grip: float
    slip_at_slide: float
    bases: Mapping[str, Basis] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """Air and wind of one run. ``wind_from_deg`` is where it blows from; pressure is station pressure."""

    pressure_pa: float
    temperature_k: float
    humidity: float
    wind_ms: float = 0.0
    wind_from_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FastCase:
    """The fastest day to be safe for: tires must be good for what the car does in it."""

    salt: str
    weather: Weather
    tire_speed_margin: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StoppingRule:
    """Stopping is a rule: within the shutdown at ``gentle_g``, each aid failed in turn.

    ``grip_share`` is the share of grip a braked axle may use; ``salt`` names the condition of the shutdown.
    """

    gentle_g: float
    grip_share: float
    salt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Meet:
    """Runs over days: which pairs count, steps the driver must show first, what breaks, how runs scatter.

    ``pairs`` says which two runs may be joined where the scoring takes two: of the ``same day``, one of a day and one
    of the ``next day``, or ``any``. ``license_steps_ms`` rise: each caps the runs until one has reached it.
    ``breakage`` is the chance that a run breaks the car, which ends the meet. ``run_scatter`` is the standard
    deviation of a run's speed about what the car does in that run's wind and air, as a share. ``stated`` names the
    fields that the crew has typed; the others are common practice, no source.
    """

    days: int = 2
    runs_a_day: int = 3
    pairs: Literal["same day", "next day", "any"] = "same day"
    license_steps_ms: tuple[float, ...] = ()
    breakage: float = 0.02
    run_scatter: float = 0.004
    stated: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A rule on single parts, or on what a build must carry.

    ``kind`` (of part, empty: all) and ``slot`` (empty: all) say which choices it looks at, ``field`` which
    attribute. ``allowed``/``forbidden`` list values; ``minimum``/``maximum`` bound numbers, in SI. A rule with
    ``carry`` instead requires that some chosen part, or the car, carries that tag.
    """

    name: str
    reason: str
    kind: str = ""
    slot: str = ""
    field: str = ""
    allowed: tuple[str, ...] = ()
    forbidden: tuple[str, ...] = ()
    minimum: float | None = None
    maximum: float | None = None
    carry: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairRule:
    """Two choices that may not be together; each side is a part id or a tag."""

    name: str
    reason: str
    first: str
    second: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A named linear row: the build's mass [kg] or number of parts with a tag, between two bounds."""

    name: str
    reason: str
    quantity: Literal["mass", "count"]
    tag: str = ""
    minimum: float | None = None
    maximum: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bracket:
    """Above ``above_ms`` the build must carry ``requires`` (a tag); without it, it is driven below, less hold-off."""

    name: str
    above_ms: float
    requires: str
    hold_off_ms: float

    @property
    def cap_ms(self) -> float:
        """Ground speed that a build without the equipment may not pass."""
        return self.above_ms - self.hold_off_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class RaceClass:
    """A class: its record, by which fraction it must be beaten, rules, limits and speed brackets."""

    name: str
    record_ms: float
    record_margin: float = 0.0
    rules: tuple[Rule, ...] = ()
    pairs: tuple[PairRule, ...] = ()
    limits: tuple[Limit, ...] = ()
    brackets: tuple[Bracket, ...] = ()
    fixed_costs: tuple[tuple[str, int], ...] = ()

    @property
    def planned_ms(self) -> float:
        """Speed that takes the record: with its margin."""
        return self.record_ms * (1 + self.record_margin)


@dataclass(frozen=True, slots=True, kw_only=True)
class Override:
    """A refusal lifted by name: which check, for which part, why and who says so. Always printed."""

    check: str
    part: str
    reason: str
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """The event. ``date`` (year, week) is what tire age counts to; ``max_tire_age_years`` None: not limited.

    ``rating_rule``: ``refuse`` builds whose fast case passes the tires' rating, or let the ``limiter`` hold them.
    ``carries`` are tags the car carries whatever is chosen. Class rules come on top of the event's own.
    """

    name: str
    date: tuple[int, int]
    course: Course
    scoring: Scoring
    salts: Mapping[str, Salt]
    salt: str
    weather: tuple[Weather, ...]
    fast_case: FastCase
    stopping: StoppingRule
    rating_rule: Literal["refuse", "limiter"]
    max_tire_age_years: float | None
    tire_categories: tuple[str, ...]
    max_circumference_mismatch: float
    classes: Mapping[str, RaceClass]
    race_class: str
    fixed_costs: tuple[tuple[str, int], ...]
    budget_cents: int | None
    hours_limit: float | None
    currency: str
    speed_unit: Literal["mph", "km/h"]
    carries: frozenset[str] = frozenset()
    overrides: tuple[Override, ...] = ()
    meet: Meet = Meet()
    bases: Mapping[str, Basis] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True)
class Assumption:
    """A number nobody measured: where it is used, what it is, and why it was taken; ``target``: the record's field."""

    where: str
    quantity: str
    value: str
    why: str
    target: str = ""


@dataclass(frozen=True, slots=True)
class TypedLimit:
    """A limit of the rules on what a car weighs [kg] or on an engine's displacement [m3], with what was typed for it.

    ``dimension`` is ``mass`` or ``volume``; ``race_class`` is empty for a rule of the event itself.
    """

    where: str
    typed: str
    value: float
    dimension: Literal["mass", "volume"]
    race_class: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """Everything the crew wrote down, read and checked cell by cell.

    ``parts`` holds every part of every sheet by id, in sheet order. ``notices`` are remarks about the files
    (another text encoding, unused rows); ``assumptions`` every number that was filled in or marked assumed.
    ``calibration`` holds the estimates that stand in place of what the files state; None where there are none.
    ``limits`` are limits as they were typed, which may be worth a second look.
    """

    folder: str
    car: Car
    event: Event
    parts: Mapping[str, Part]
    kits: tuple[Kit, ...]
    assumptions: tuple[Assumption, ...] = ()
    notices: tuple[str, ...] = ()
    calibration: Calibration | None = None
    limits: tuple[TypedLimit, ...] = ()

    @property
    def race_class(self) -> RaceClass:
        """The class now chosen."""
        return self.event.classes[self.event.race_class]
