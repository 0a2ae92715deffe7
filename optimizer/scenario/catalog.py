"""Sheets -> entries -> records of parts and kits: what a sheet alone cannot say is worked out here."""

from __future__ import annotations

import itertools
import math
from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

from optimizer.scenario import assumed
from optimizer.scenario.columns import COMMON, ENGINES, SHEETS, Field, Sheet
from optimizer.scenario.entries import Entry
from optimizer.scenario.findings import Findings
from optimizer.scenario.parts import KINDS, CurvePoints, Kit, Part
from optimizer.scenario.rows import ask_for_required, read_rows
from optimizer.scenario.tables import Table
from optimizer.units import nearest, to_unit

RPM_TO_RAD_PER_S = 2 * math.pi / 60
TORQUE_AND_POWER_AGREE = 0.03
"""Rounding of dyno sheets: torque in whole units and power to a tenth differ by less."""


@dataclass(slots=True)
class Draft:
    """Entries of all sheets. ``parts`` by sheet; ``curves``, and their ``points``, by the name engines give.

    ``broken`` are sheets whose ids are not known: nothing that may be one of them is called unknown. ``offered`` are
    files, not the crew's own, that hold what is on offer.
    """

    parts: dict[str, list[Entry]] = field(default_factory=dict)
    kits: list[Entry] = field(default_factory=list)
    curves: dict[str, CurvePoints] = field(default_factory=dict)
    points: dict[str, list[Entry]] = field(default_factory=dict)
    named_curves: set[str] = field(default_factory=set)
    broken: set[str] = field(default_factory=set)
    offered: frozenset[str] = frozenset()

    def each_part(self) -> Iterator[tuple[str, Entry]]:
        """Kind and entry of every part, in sheet order."""
        for sheet, entries in self.parts.items():
            for entry in entries:
                yield SHEETS[sheet].kind, entry

    @property
    def complete(self) -> bool:
        """Whether every sheet that is there could be taken apart, so that an unknown id is really unknown."""
        return not self.broken


def read_catalog(
    tables: Mapping[str, Table | None], findings: Findings, offered: Sequence[tuple[str, Table]] = ()
) -> Draft:
    """Read all sheets, and after each the tables on offer that are named like it; faults are noted in the findings."""
    draft = Draft(
        broken={name for name, table in tables.items() if table is None},
        offered=frozenset(table.file for _, table in offered),
    )
    for name, sheet in SHEETS.items():
        own = tables.get(name)
        each = [*([own] if own else []), *(table for sheet_name, table in offered if sheet_name == name)]
        for table in each:
            _read_table(table, sheet, draft, findings)
    _check_for_missing_curves({*tables, *(name for name, _ in offered)}, draft, findings)
    for entry in draft.parts.get("wheels", []):
        ask_for_required(entry, _rim_fields(entry), findings)
    for entry in draft.parts.get("gearsets", []):
        _join_gears(entry, findings)
    return draft


def _read_table(table: Table, sheet: Sheet, draft: Draft, findings: Findings) -> None:
    """Add the rows of one table to a draft."""
    entries = read_rows(table, sheet, findings)
    draft.broken |= {sheet.name} if _is_nameless(entries) else set()
    if sheet.name == "curves":
        _read_curves(entries, draft, findings)
        return
    if sheet.name != "engines":
        for entry in entries:
            ask_for_required(entry, sheet.fields, findings)
    if sheet.name == "kits":
        draft.kits += entries
    else:
        draft.parts.setdefault(sheet.name, []).extend(entries)


def _is_nameless(entries: Sequence[Entry]) -> bool:
    """Whether no row has an id, or the name of a curve: its header cannot be read."""
    return bool(entries) and not any({"id", "engine"} & set(entry.values) for entry in entries)


def _check_for_missing_curves(tables: Container[str], draft: Draft, findings: Findings) -> None:
    """There is a sheet of curves, if an engine needs one; else it counts as broken, and that is one fault."""
    if "curves" not in tables and any("base" not in entry.values for entry in draft.parts.get("engines", [])):
        draft.broken.add("curves")
        complaint = f"is missing: engines have their curves in it{findings.instead_of('curves')}"
        findings.fault("curves.csv", 0, "", "", complaint)


def _rim_fields(entry: Entry) -> Sequence[Field]:
    """Tell what a wheel still needs: its size, or the other half of it."""
    names: set[str] = set()
    if {"rim_diameter_in", "rim_width_in"} & set(entry.values):
        names = {"rim diameter", "rim width"}
    elif entry.lacks("size"):
        names = {"size"}
    return [replace(item, required=True) for item in SHEETS["wheels"].fields if item.name in names]


def _join_gears(entry: Entry, findings: Findings) -> None:
    """Gather ``gear 1`` to ``gear 6`` into ratios, which must fall without a gap."""
    ratios: list[float] = []
    for gear in range(1, 7):
        ratio = entry.values.pop(f"gear_{gear}", None)
        if ratio is None:
            continue
        if len(ratios) != gear - 1:
            if gear > 1 and not entry.faulty:
                entry.fault(findings, f"gear_{gear}", f"stands after a gap: gear {len(ratios) + 1} is blank")
            break
        if ratios and ratio >= ratios[-1]:
            entry.fault(findings, f"gear_{gear}", f"must be less than gear {gear - 1}, {ratios[-1]:.4g}")
        ratios.append(ratio)
    basis = next((basis for target, basis in entry.bases.items() if target.startswith("gear_")), None)
    entry.bases = {target: each for target, each in entry.bases.items() if not target.startswith("gear_")}
    if basis is not None:
        entry.bases["ratios"] = basis
        entry.typed["ratios"] = " ".join(f"{ratio:.4g}" for ratio in ratios)
    entry.values["ratios"] = tuple(ratios)
    _join_efficiencies(entry, len(ratios), findings)


def _join_efficiencies(entry: Entry, gears: int, findings: Findings) -> None:
    """Gather ``gear 1 efficiency`` to ``gear 6 efficiency``, told against the efficiency of the whole set."""
    own = {gear: entry.values.pop(f"efficiency_{gear}", None) for gear in range(1, 7)}
    stated = [gear for gear, share in own.items() if share is not None]
    for gear in stated:
        if gear > gears and not entry.faulty:
            entry.fault(findings, f"efficiency_{gear}", f"is for a gear that is not there: the set has {gears}")
    if stated and entry.lacks("efficiency"):
        entry.places.setdefault("efficiency", (entry.row, "efficiency"))
        entry.fault(findings, "efficiency", "is needed beside the efficiency of single gears")
    if stated:
        entry.values["gear_efficiency"] = tuple(own[gear] for gear in range(1, gears + 1))


# --- curves


def _read_curves(entries: Sequence[Entry], draft: Draft, findings: Findings) -> None:
    for entry in entries:
        ask_for_required(entry, SHEETS["curves"].fields, findings)
        _settle_torque(entry, findings)
    for name, group in itertools.groupby(entries, key=lambda entry: str(entry.values.get("engine", ""))):
        points = list(group)
        if not name:
            continue
        if name in draft.named_curves:
            points[0].fault(
                findings, "engine", "stands in two places; keep the rows of a curve together", name
            )
        draft.named_curves.add(name)
        draft.points[name] = points
        for before, after in itertools.pairwise(points):
            if after.values.get("rpm", math.inf) <= before.values.get("rpm", 0.0):
                after.fault(
                    findings, "rpm", f"must be greater than {before.values['rpm']:g} in the row above"
                )
        if len(points) < 2:
            points[0].fault(findings, "engine", "has one row; a curve needs two or more", name)
        if not any(point.faulty for point in points):
            draft.curves[name] = CurvePoints(
                tuple(point.values["rpm"] for point in points),
                tuple(point.values["torque_nm"] for point in points),
            )


def _settle_torque(entry: Entry, findings: Findings) -> None:
    """Torque as typed, or from power; where both are typed they must agree."""
    rpm, torque, power = (entry.values.get(target) for target in ("rpm", "torque_nm", "power_w"))
    if entry.faulty or rpm is None:
        return
    if torque is None and power is None:
        entry.fault(findings, "torque_nm", "is needed, or power")
        return
    if power is None:
        return
    from_power = power / (rpm * RPM_TO_RAD_PER_S)
    if torque is None:
        entry.values["torque_nm"] = from_power
    elif abs(torque - from_power) > TORQUE_AND_POWER_AGREE * max(torque, from_power):
        hp = to_unit(torque * rpm * RPM_TO_RAD_PER_S, "hp", "power")
        entry.fault(findings, "power_w", f"disagrees with the torque, which is {hp:.1f} hp at {rpm:g} rpm")


# --- engines that change another

_OWN = {
    "id",
    "name",
    "notes",
    "price_cents",
    "pack",
    "stock",
    "owned",
    "resale_cents",
    "base",
    "torque_factor",
}
"""What an engine option never takes over from its base."""

_INHERITED = tuple(
    item
    for item in (*COMMON, *ENGINES)
    if item in ENGINES or item.target == "mass_kg"
    if item.target not in _OWN
)


def resolve_engines(draft: Draft, findings: Findings) -> None:
    """Give every engine its curve: its own, or that of its base times the torque factor, through any chain.

    Blank engine fields and a blank mass are taken over from the base. A loop of bases, an unknown base or an
    unknown curve is a fault.
    """
    engines = {entry.label: entry for entry in draft.parts.get("engines", []) if entry.label}
    others = {entry.label: kind for kind, entry in draft.each_part() if kind != "engine"}
    for entry in engines.values():
        _check_base(entry, engines, others, findings)
    used = {entry.values.get("curve_id", label) for label, entry in engines.items()}
    done: set[str] = set()
    for label in engines:
        _resolve(label, engines, draft, done, findings)
    for name in sorted(draft.named_curves - used):
        findings.notices.append(f"the curve {name} is named by no engine{nearest(name, engines)}")
    for entry in draft.parts.get("engines", []):
        # what a base could not give is not asked for: the fault of the base is noted already
        complete = "base" not in entry.values or "curve" in entry.values
        ask_for_required(entry, SHEETS["engines"].fields if complete else COMMON[:1], findings)


def _check_base(
    entry: Entry, engines: Mapping[str, Entry], others: Mapping[str, str], findings: Findings
) -> None:
    base = entry.values.get("base")
    if base is None:
        if "torque_factor" in entry.values:
            entry.fault(findings, "torque_factor", "changes the curve of a base, and none is named")
        return
    if "curve_id" in entry.values:
        entry.fault(findings, "curve_id", "cannot stand beside a base: the curve is the base's")
    if base in others:
        entry.fault(findings, "base", f"is a {others[base]}, not an engine")
    elif base not in engines:
        entry.fault(findings, "base", f"is not the id of an engine{nearest(base, engines)}")
    seen = [entry.label]
    while base is not None and base in engines:
        if base == entry.label:
            entry.fault(findings, "base", f"leads back to itself: {' -> '.join([*seen, base])}")
        if base in seen:
            return
        seen.append(base)
        base = engines[base].values.get("base")


def _resolve(
    label: str, engines: Mapping[str, Entry], draft: Draft, done: set[str], findings: Findings
) -> None:
    entry = engines[label]
    if label in done:
        return
    done.add(label)  # before the base, so that a loop ends
    base = engines.get(entry.values.get("base", ""))
    if "base" not in entry.values:
        _own_curve(entry, draft, findings)
        return
    if base is None or base is entry:
        entry.faulty = True
        return
    _resolve(base.label, engines, draft, done, findings)
    if base.faulty or "curve" not in base.values:
        entry.faulty = True  # the base's own fault is noted already
        return
    for item in _INHERITED:
        if item.target not in entry.values and item.target in base.values:
            entry.values[item.target] = base.values[item.target]
            if item.target in base.bases:
                entry.bases[item.target] = base.bases[item.target]
    factor = entry.values.pop("torque_factor", 1.0)
    curve: CurvePoints = base.values["curve"]
    entry.values["curve"] = CurvePoints(curve.rpm, tuple(factor * torque for torque in curve.torque_nm))


def _own_curve(entry: Entry, draft: Draft, findings: Findings) -> None:
    name = entry.values.pop("curve_id", None) or entry.label
    if name in draft.curves:
        entry.values["curve"] = draft.curves[name]
    elif name in draft.named_curves or "curves" in draft.broken or entry.faulty:
        entry.faulty = True  # the fault of the curve itself is noted already
    elif "curve_id" in entry.typed:
        near = nearest(name, draft.named_curves)
        entry.fault(findings, "curve_id", f"is not a curve of the sheet curves{near}")
    else:
        entry.fault(findings, "curve_id", "is needed: the name of a curve in the sheet curves, or a base")


def check_dyno(draft: Draft, findings: Findings) -> None:
    """Ask for what a dyno sheet must say when it is not corrected, or was a sweep at the wheels."""
    for entry in draft.parts.get("engines", []):
        values = entry.values
        if values.get("correction") == "none" and values.get("air_breathing", True):
            for target, name in (
                ("dyno_pressure_pa", "dyno pressure"),
                ("dyno_temperature_k", "dyno temperature"),
            ):
                if entry.lacks(target):
                    entry.places.setdefault(target, (entry.row, name))
                    entry.fault(findings, target, "is needed where the correction is none")
        sweeps = values.get("measured_at") == "hubs" and values.get("sweep_rpm_per_s", 0.0) > 0
        if (sweeps or values.get("measured_at") == "wheels") and entry.lacks("dyno_ratio"):
            entry.places.setdefault("dyno_ratio", (entry.row, "dyno ratio"))
            what = "a sweep at the hubs" if sweeps else "a pull at the wheels: gear times final drive"
            entry.fault(findings, "dyno_ratio", f"is needed for {what}")


# --- records


def parts_of(draft: Draft, fitted: Mapping[str, int], findings: Findings) -> dict[str, Part]:
    """Make the records of a draft without fault; blanks are filled as named assumptions.

    Parameters
    ----------
    draft : Draft
        Entries without fault.
    fitted : mapping
        Pieces now on the car, by part id: the crew owns at least these.
    findings : Findings
        Takes the assumptions.
    """
    parts: dict[str, Part] = {}
    for kind, entry in draft.each_part():
        assumed.fill(entry, assumed.PARTS[kind], findings)
        values: dict[str, Any] = {**entry.values, "kind": kind, "where": entry.where}
        values["owned"] = max(values.get("owned", 0), fitted.get(entry.label, 0))
        record = KINDS[kind]
        known = record.__dataclass_fields__
        kept = {target: value for target, value in values.items() if target in known}
        parts[entry.label] = record(**kept, bases=MappingProxyType(dict(entry.bases)))
    return parts


def kits_of(draft: Draft) -> tuple[Kit, ...]:
    """Make the records of all kits of a draft without fault."""
    return tuple(Kit(**entry.values, where=entry.where) for entry in draft.kits)
