"""``car.toml`` and ``event.toml``: read into drafts of entries, and drafts without fault into records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from optimizer.physics.tires import SPEED_SYMBOL_MS
from optimizer.scenario import assumed, keys
from optimizer.scenario.car import Car, Hub, Job, Slot
from optimizer.scenario.columns import Field
from optimizer.scenario.entries import Entry
from optimizer.scenario.event import (
    Bracket,
    Course,
    Event,
    FastCase,
    Limit,
    Meet,
    Override,
    PairRule,
    RaceClass,
    Rule,
    Salt,
    Scoring,
    StoppingRule,
    Weather,
)
from optimizer.scenario.findings import Findings
from optimizer.scenario.parts import Basis
from optimizer.scenario.rows import RATED
from optimizer.scenario.toml_files import Document, Path
from optimizer.units import parse_number, parse_quantity

PIECES_OF_AN_AXLE = {"tire", "wheel", "rotor"}
"""Kinds of part that an axle takes two of, where no count is given."""

_UNMEASURED = Basis("assumed", "no measurement on salt has been published")


@dataclass(slots=True)
class CarDraft:
    """Entries of ``car.toml``. ``unknown`` are tables that stand there misspelled, or could not be read."""

    car: Entry
    front: Entry
    rear: Entry
    slots: list[Entry]
    jobs: list[Entry]
    unknown: frozenset[str] = frozenset()


@dataclass(slots=True)
class RulesDraft:
    """Entries of rules, of the event or of one class."""

    rules: list[Entry] = field(default_factory=list)
    pairs: list[Entry] = field(default_factory=list)
    limits: list[Entry] = field(default_factory=list)
    brackets: list[Entry] = field(default_factory=list)
    costs: list[Entry] = field(default_factory=list)


@dataclass(slots=True)
class EventDraft:
    """Entries of ``event.toml``. ``unknown`` are tables that stand there misspelled, or could not be read."""

    event: Entry
    course: Entry
    scoring: Entry
    meet: Entry
    fast_case: Entry
    stopping: Entry
    salts: list[Entry]
    weather: list[Entry]
    overrides: list[Entry]
    rules: RulesDraft
    classes: list[tuple[Entry, RulesDraft]]
    unknown: frozenset[str] = frozenset()


# --- reading


def read_car(document: Document) -> CarDraft:
    """Read every table of ``car.toml``; faults are noted in the document's findings."""
    document.entry((), (), ("car", "slots", "jobs"))
    draft = CarDraft(
        car=document.entry(("car",), keys.CAR, ("front", "rear")),
        front=document.entry(("car", "front"), keys.HUB),
        rear=document.entry(("car", "rear"), keys.HUB),
        slots=[document.entry(path, keys.SLOT) for path in document.tables(("slots",))],
        jobs=[document.entry(path, keys.JOB) for path in document.tables(("jobs",))],
    )
    draft.front.label, draft.rear.label = "front", "rear"
    draft.unknown = _unknown_tables(document, ("slots", "jobs"))
    if document.usable and not draft.slots and "slots" not in draft.unknown:
        document.fault(("slots",), "", "is needed: [[slots]] tables say where parts go")
    return draft


def _unknown_tables(document: Document, tables: Sequence[str]) -> frozenset[str]:
    """Tables whose names cannot be told, so that none that is used elsewhere is called unknown."""
    return frozenset(each for each in tables if not document.usable or (each,) in document.misspelled)


def learn_customs(document: Document, findings: Findings) -> None:
    """Learn the event's currency and units before anything else is read; a wrong word is noted later.

    Of a currency that cannot be read no amount is said to be in another: that would be one slip told at every price.
    """
    for custom in (each for each in keys.EVENT if each.name in {"currency", "speed unit"}):
        typed = document.at(("event", custom.name.replace(" ", "_")))
        if not isinstance(typed, str) or not typed.strip():
            continue
        try:
            said = custom.parse(typed)
        except ValueError:
            said = ""
        if custom.name == "currency":
            findings.currency = said
        else:
            findings.metric = said == "km/h"


_RULE_TABLES = ("rules", "pairs", "limits", "brackets")


def read_event(document: Document) -> EventDraft:
    """Read every table of ``event.toml``; faults are noted in the document's findings."""
    tables = (
        "event",
        "course",
        "scoring",
        "meet",
        "salts",
        "weather",
        "fast_case",
        "stopping",
        "classes",
        "overrides",
    )
    document.entry((), (), (*tables, *_RULE_TABLES))
    weather = [document.entry(path, _weather_keys()) for path in document.tables(("weather",))]
    draft = EventDraft(
        event=document.entry(("event",), keys.EVENT, ("fixed_costs",)),
        course=document.entry(("course",), keys.COURSE),
        scoring=document.entry(("scoring",), keys.SCORING),
        meet=document.entry(("meet",), keys.MEET),
        fast_case=document.entry(("fast_case",), keys.FAST_CASE),
        stopping=document.entry(("stopping",), keys.STOPPING),
        salts=[_read_salt(document, path) for path in document.tables(("salts",))],
        weather=weather or [document.entry(("weather",), _weather_keys())],
        overrides=[document.entry(path, keys.OVERRIDE) for path in document.tables(("overrides",))],
        rules=_read_rules(document, (), ("event",)),
        classes=[
            (
                document.entry(path, keys.CLASS, ("fixed_costs", *_RULE_TABLES)),
                _read_rules(document, path, path),
            )
            for path in document.tables(("classes",))
        ],
    )
    for position, run in enumerate(draft.weather, start=1):
        run.label = f"run {position}"
    draft.unknown = _unknown_tables(document, ("event", "course", "salts", "classes"))
    draft.fast_case.label = "fast case"
    draft.stopping.label = "stopping"
    return draft


def _weather_keys() -> tuple[Field, ...]:
    """Weather of a run needs a temperature; that of the fast case may be the run's."""
    return tuple(
        Field(item.name, item.target, item.meaning, item.dimension, required=True, bounds=item.bounds)
        if item.name == "temperature"
        else item
        for item in keys.AIR
    )


def _read_salt(document: Document, path: Path) -> Entry:
    """Read a salt condition; what is typed without a basis is assumed, since nobody has measured salt."""
    entry = document.entry(path, keys.SALT)
    for target, basis in entry.bases.items():
        if basis is RATED:  # the one that stands for "no basis typed"; a typed "rated" is another object
            entry.bases[target] = _UNMEASURED
    return entry


def _read_rules(document: Document, path: Path, costs: Path) -> RulesDraft:
    draft = RulesDraft(
        rules=[document.entry(each, keys.RULE) for each in document.tables((*path, "rules"))],
        pairs=[document.entry(each, keys.PAIR) for each in document.tables((*path, "pairs"))],
        limits=[document.entry(each, keys.LIMIT) for each in document.tables((*path, "limits"))],
        brackets=[document.entry(each, keys.BRACKET) for each in document.tables((*path, "brackets"))],
        costs=[document.entry(each, keys.COST) for each in document.tables((*costs, "fixed_costs"))],
    )
    for rule in draft.rules:
        _read_rule_bounds(rule, document.findings)
    for limit in draft.limits:
        dimension = "mass" if limit.values.get("quantity") == "mass" else "number"
        _read_bounds(limit, dimension, document.findings)
        if not limit.faulty and not {"minimum", "maximum"} & set(limit.values):
            limit.fault(document.findings, "minimum", "is needed, or maximum")
    return draft


def _read_rule_bounds(rule: Entry, findings: Findings) -> None:
    if rule.faulty:
        return
    looks_at = rule.values.get("field")
    tests = {"allowed", "forbidden", "minimum", "maximum"} & set(rule.values)
    if "carry" in rule.values and (looks_at or tests):
        rule.fault(
            findings, "carry", "cannot stand in a rule that also looks at an attribute; make two rules"
        )
    elif "carry" not in rule.values and looks_at is None:
        rule.fault(findings, "field", "is needed, or carry")
    elif looks_at is not None and not tests:
        rule.fault(findings, "field", "needs allowed, forbidden, minimum or maximum beside it")
    elif looks_at is not None:
        _read_bounds(rule, keys.RULE_FIELDS[looks_at], findings)


def _read_bounds(entry: Entry, dimension: str, findings: Findings) -> None:
    """Turn the typed bounds of a rule or limit into the units used inside."""
    for target in ("minimum", "maximum"):
        text = entry.values.get(target)
        if text is None:
            continue
        try:
            entry.values[target] = _bound(text, dimension, metric=findings.metric)
        except ValueError as fault:
            entry.fault(findings, target, str(fault))
    least, most = entry.values.get("minimum"), entry.values.get("maximum")
    if isinstance(least, float) and isinstance(most, float) and least > most:
        entry.fault(findings, "minimum", "is greater than the maximum")


def _bound(text: str, dimension: str, *, metric: bool) -> float:
    if not dimension:
        raise ValueError("bounds nothing: this attribute is a word; use allowed or forbidden")
    if dimension == "number":
        return parse_number(text)
    if dimension == "speed" and text.strip().upper() in SPEED_SYMBOL_MS:
        return SPEED_SYMBOL_MS[text.strip().upper()]
    return parse_quantity(text, dimension, metric=metric)


# --- records


def car_of(draft: CarDraft, findings: Findings) -> Car:
    """Make the record of a draft without fault; blanks are filled as named assumptions."""
    entry = draft.car
    assumed.fill(entry, assumed.CAR, findings)
    for hub in (draft.front, draft.rear):
        assumed.fill(hub, assumed.HUB, findings)
    values = dict(entry.values)
    values.setdefault("start_speed_ms", 0.0)
    values["limiter_adjustable"] = values.get("limiter_adjustable") == "adjustable"
    bases = dict(entry.bases)
    for name, hub in (("front", draft.front), ("rear", draft.rear)):
        bases |= {f"{name}.{target}": basis for target, basis in hub.bases.items()}
    return Car(
        **values,
        front=Hub(**draft.front.values),
        rear=Hub(**draft.rear.values),
        slots=tuple(slot_of(slot) for slot in draft.slots),
        jobs=MappingProxyType({job.values["name"]: Job(**job.values) for job in draft.jobs}),
        bases=MappingProxyType(bases),
    )


def slot_of(entry: Entry) -> Slot:
    """Make the record of one slot; an axle takes two tires, wheels or rotors where no count is given."""
    values = dict(entry.values)
    values.setdefault("count", 2 if values["kind"] in PIECES_OF_AN_AXLE else 1)
    return Slot(**values)


def event_of(draft: EventDraft, findings: Findings) -> Event:
    """Make the record of a draft without fault; blanks are filled as named assumptions."""
    course = Course(**draft.course.values)
    assumed.fill(draft.event, assumed.EVENT, findings)
    assumed.fill(draft.stopping, assumed.STOPPING, findings)
    assumed.fill_weather(draft.weather, course.elevation_m, findings)
    assumed.fill_fast_case(draft.fast_case, draft.weather[0], course.bearing_deg, findings)
    for salt in draft.salts:
        assumed.fill(salt, assumed.SALT, findings)
    weather = tuple(Weather(**run.values) for run in draft.weather)
    scoring = Scoring(**draft.scoring.values)
    own = _rules_of(draft.rules, findings)
    values = dict(draft.event.values)
    for target, default in (
        ("currency", findings.currency),
        ("speed_unit", "mph"),
        ("rating_rule", "refuse"),
        ("tire_categories", ("road", "competition")),
        ("max_tire_age_years", None),
        ("budget_cents", None),
        ("hours_limit", None),
    ):
        values.setdefault(target, default)
    return Event(
        **values,
        course=course,
        scoring=scoring,
        salts=MappingProxyType(
            {
                salt.label: Salt(**salt.values, bases=MappingProxyType(dict(salt.bases)))
                for salt in draft.salts
            }
        ),
        weather=weather * (scoring.runs if len(weather) == 1 else 1),
        fast_case=_fast_case_of(draft.fast_case),
        stopping=StoppingRule(**draft.stopping.values),
        classes=MappingProxyType(
            {entry.label: _class_of(entry, rules, own, findings) for entry, rules in draft.classes}
        ),
        fixed_costs=_costs_of(draft.rules),
        overrides=tuple(Override(**override.values) for override in draft.overrides),
        meet=Meet(**draft.meet.values, stated=frozenset(draft.meet.values)),
        bases=MappingProxyType(_event_bases(draft)),
    )


def _event_bases(draft: EventDraft) -> dict[str, Basis]:
    bases = dict(draft.event.bases)
    sections = {"course": draft.course, "fast_case": draft.fast_case, "stopping": draft.stopping}
    sections |= {f"weather[{number}]": run for number, run in enumerate(draft.weather, start=1)}
    for name, entry in sections.items():
        bases |= {f"{name}.{target}": basis for target, basis in entry.bases.items()}
    return bases


def _fast_case_of(entry: Entry) -> FastCase:
    air = {
        target: value for target, value in entry.values.items() if target not in {"salt", "tire_speed_margin"}
    }
    return FastCase(
        salt=entry.values["salt"],
        weather=Weather(**air),
        tire_speed_margin=entry.values["tire_speed_margin"],
    )


def _rules_of(draft: RulesDraft, findings: Findings) -> dict[str, tuple[Any, ...]]:
    for bracket in draft.brackets:
        assumed.fill(bracket, assumed.BRACKET, findings)
    return {
        "rules": tuple(Rule(**_with_reason(rule)) for rule in draft.rules),
        "pairs": tuple(PairRule(**_with_reason(pair)) for pair in draft.pairs),
        "limits": tuple(Limit(**_with_reason(limit)) for limit in draft.limits),
        "brackets": tuple(Bracket(**bracket.values) for bracket in draft.brackets),
    }


def _costs_of(draft: RulesDraft) -> tuple[tuple[str, int], ...]:
    return tuple((cost.values["name"], cost.values["cost"]) for cost in draft.costs)


def _with_reason(entry: Entry) -> dict[str, Any]:
    return {"reason": entry.values["name"], **entry.values}


def _class_of(
    entry: Entry, draft: RulesDraft, own: dict[str, tuple[Any, ...]], findings: Findings
) -> RaceClass:
    """Make the record of one class; the event's own rules apply to every class, before the class's."""
    rules = _rules_of(draft, findings)
    values: dict[str, Any] = {**entry.values, **{name: (*own[name], *rules[name]) for name in rules}}
    return RaceClass(**values, fixed_costs=_costs_of(draft))


def entries_of(car: CarDraft, event: EventDraft) -> Sequence[tuple[Entry, tuple[Field, ...]]]:
    """All entries that hold quantities, with their fields, for the list of what is assumed."""
    pairs: list[tuple[Entry, tuple[Field, ...]]] = [
        (car.car, keys.CAR),
        (car.front, keys.HUB),
        (car.rear, keys.HUB),
        (event.course, keys.COURSE),
        *((salt, keys.SALT) for salt in event.salts),
        *((run, keys.AIR) for run in event.weather),
        (event.fast_case, keys.FAST_CASE),
        (event.stopping, keys.STOPPING),
        (event.event, keys.EVENT),
        *((entry, keys.CLASS) for entry, _ in event.classes),
    ]
    return pairs
