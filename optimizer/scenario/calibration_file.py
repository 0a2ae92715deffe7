"""The file in which `calibrate` keeps its estimates, beside the crew's own files, and what the scenario is with them.

Whoever reads the folder uses the values of ``calibration.json`` in place of those stated. The crew's own files stay as
they are: without the file everything is as before.
"""

from __future__ import annotations

import hashlib
import json
import math
import pathlib
import re
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any, cast

import numpy as np

from optimizer.scenario.estimates import Calibration, Estimate
from optimizer.scenario.event import Assumption, Scenario
from optimizer.scenario.findings import Findings
from optimizer.scenario.parts import Axle, Basis, BasisKind, CurvePoints, Engine, Part
from optimizer.scenario.tables import decode

FILE = "calibration.json"
SCHEMA = 1
PLACES = ("car", "front", "rear", "salt", "part")
_UNIT = re.compile(r"_(m2|kgm2|kg|m|pa|s|n|ms|k)$")
KINDS = ("measured", "rated", "assumed")
BY = "calibration"
"""Who says so, where a value comes from the file."""


# --- the file


def calibration_text(calibration: Calibration) -> str:
    """The text of the file; the same calibration gives the same bytes."""
    document = {
        "schema": SCHEMA,
        "about": "Written by saltmile calibrate. Values in SI units; delete the file to go back to what is stated.",
        "sources": list(calibration.sources),
        "runs": list(calibration.runs),
        "car_sha256": calibration.car_sha256,
        "estimates": [
            {
                "key": each.key,
                "value": each.value,
                "deviation": each.deviation,
                "stated": each.stated,
                "basis": each.kind,
            }
            for each in calibration.estimates
        ],
        "correlation": [list(row) for row in calibration.correlation],
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def read_calibration(folder: pathlib.Path, findings: Findings) -> Calibration | None:
    """The calibration of a folder; None where it has none, or a faulty one, which is noted."""
    path = folder / FILE
    if not path.exists():
        return None
    text = decode(path.read_bytes(), FILE, findings)
    if text is None:
        return None
    try:
        document = json.loads(text)
    except json.JSONDecodeError as fault:
        findings.fault(FILE, fault.lineno, "", "", f"is no JSON: {fault.msg}; run calibrate again, or delete the file")
        return None
    try:
        return _calibration_of(document)
    except (KeyError, TypeError, ValueError) as fault:
        message = f"is not as calibrate writes it ({fault}); run calibrate again, or delete the file"
        findings.fault(FILE, 0, "", "", message)
        return None


def _calibration_of(document: Mapping[str, Any]) -> Calibration:
    """The record of a document."""
    if document["schema"] != SCHEMA:
        msg = f"schema {document['schema']!r}, expected {SCHEMA}"
        raise ValueError(msg)
    estimates = tuple(_estimate_of(each) for each in document["estimates"])
    if len({each.key for each in estimates}) < len(estimates):
        msg = "a key stands there twice"
        raise ValueError(msg)
    correlation = np.array(document["correlation"], dtype=float).reshape(len(estimates), len(estimates))
    sound = np.isfinite(correlation).all() and np.allclose(correlation, correlation.T, atol=1e-9)
    if not (sound and np.allclose(np.diag(correlation), 1.0, atol=1e-9)):
        msg = "correlation is no correlation matrix"
        raise ValueError(msg)
    if estimates and np.linalg.eigvalsh(correlation)[0] < -1e-9:
        msg = "correlation has a negative eigenvalue"
        raise ValueError(msg)
    rows = tuple(tuple(float(each) for each in row) for row in correlation)
    sources, runs = (tuple(map(str, document[name])) for name in ("sources", "runs"))
    return Calibration(estimates, rows, sources, runs, str(document["car_sha256"]))


def _estimate_of(entry: Mapping[str, Any]) -> Estimate:
    """One estimate of a document."""
    place, part, field = str(entry["key"]).split(":")
    value, deviation, stated = (float(entry[name]) for name in ("value", "deviation", "stated"))
    if place not in PLACES or not all(map(math.isfinite, (value, deviation, stated))) or deviation <= 0:
        msg = f"estimate {entry['key']!r}"
        raise ValueError(msg)
    kind = str(entry["basis"])
    if kind not in KINDS:
        msg = f"basis {kind!r}"
        raise ValueError(msg)
    return Estimate(place, part, field, value, deviation, stated, cast(BasisKind, kind))


def hash_of_car(folder: pathlib.Path) -> str:
    """SHA-256 of the folder's ``car.toml``."""
    return hashlib.sha256((folder / "car.toml").read_bytes()).hexdigest()


# --- its use


def unfit_for(calibration: Calibration, scenario: Scenario) -> list[str]:
    """Estimates that belong to nothing in a scenario, or whose stated value has changed in the files; in words."""
    return [_words_of(each) for each in calibration.estimates if not _fits(each, scenario)]


def _words_of(estimate: Estimate) -> str:
    """What an estimate is of: ``drag area of the car``, ``rolling coefficient of the salt (ordinary)``."""
    named = {"circumference_m": "roll-out", "curve": "torque"}
    field = named.get(estimate.field) or _UNIT.sub("", estimate.field).replace("_", " ")
    if estimate.place == "salt":
        return f"{field} of the salt ({estimate.id})"
    return f"{field} of {estimate.id}" if estimate.place == "part" else (
        f"{field} of the car" if estimate.place == "car" else f"{field}, {estimate.place}"
    )  # fmt: skip


def _fits(estimate: Estimate, scenario: Scenario) -> bool:
    """Whether the files still say what an estimate was made against."""
    record = _record(scenario, estimate)
    if record is None:
        return False
    if estimate.field == "curve":
        curve = cast(Engine, record).curve
        here: float | None = None if curve is None else max(curve.torque_nm)
    else:
        here = getattr(record, estimate.field, None)
    # a roll-out that no sheet states was worked out from the size of the tire
    return (here is None and estimate.field == "circumference_m") or (
        here is not None and math.isclose(here, estimate.stated, rel_tol=1e-6, abs_tol=1e-12)
    )


def _record(scenario: Scenario, estimate: Estimate) -> Any:
    """The record that an estimate belongs to; None where there is none."""
    if estimate.place == "part":
        return scenario.parts.get(estimate.id)
    if estimate.place == "salt":
        return scenario.event.salts.get(estimate.id)
    return scenario.car if estimate.place == "car" else scenario.car.hub(cast(Axle, estimate.place))


def calibrated(scenario: Scenario, calibration: Calibration) -> Scenario:
    """The scenario with estimates in place of what is stated. All of them must fit."""
    car, event = scenario.car, scenario.event
    by_place: dict[str, list[Estimate]] = {}
    for each in calibration.estimates:
        by_place.setdefault(f"{each.place}:{each.id}" if each.id else each.place, []).append(each)
    own, front, rear = (by_place.get(place, []) for place in ("car", "front", "rear"))
    bases = {
        **car.bases,
        **_bases(own),
        **{f"{each.place}.{each.field}": Basis(each.kind, BY) for each in (*front, *rear)},
    }
    car = replace(
        car,
        front=replace(car.front, **_values(front)),
        rear=replace(car.rear, **_values(rear)),
        bases=MappingProxyType(bases),
        **_values(own),
    )
    salts = {
        key: replace(salt, **_values(found), bases=MappingProxyType({**salt.bases, **_bases(found)}))
        for key, salt in event.salts.items()
        for found in [by_place.get(f"salt:{key}", [])]
    }
    parts = {id_: _part_with(scenario, part, by_place) for id_, part in scenario.parts.items()}
    return replace(
        scenario,
        car=car,
        event=replace(event, salts=MappingProxyType(salts)),
        parts=MappingProxyType(parts),
        assumptions=tuple(each for each in scenario.assumptions if not _measured(each, scenario, calibration)),
        calibration=calibration,
    )


def _measured(assumption: Assumption, scenario: Scenario, calibration: Calibration) -> bool:
    """Whether a number that the files assume has been measured since."""
    label = {"car": scenario.car.name, "front": "front", "rear": "rear"}
    return any(
        each.kind == "measured"
        and each.field == assumption.target
        and assumption.where.endswith(f", {label.get(each.place, each.id)}")
        for each in calibration.estimates
    )


def _values(estimates: list[Estimate]) -> dict[str, Any]:
    return {each.field: each.value for each in estimates}


def _bases(estimates: list[Estimate]) -> dict[str, Basis]:
    return {each.field: Basis(each.kind, BY) for each in estimates}


def _part_with(scenario: Scenario, part: Part, by_place: Mapping[str, list[Estimate]]) -> Part:
    """A part with its estimates; an engine with those of the engine it is made from."""
    own = by_place.get(f"part:{part.id}", [])
    plain = [each for each in own if each.field != "curve"]
    changed = replace(part, **_values(plain), bases=MappingProxyType({**part.bases, **_bases(own)})) if own else part
    if not isinstance(part, Engine) or part.curve is None:
        return changed
    power, each = 1.0, part
    while True:
        found = by_place.get(f"part:{each.id}", [])
        power *= math.prod(est.value / est.stated for est in found if est.field == "curve")
        if each.base is None:
            break
        each = cast(Engine, scenario.parts[each.base])
    if power == 1.0:
        return changed
    curve = CurvePoints(part.curve.rpm, tuple(power * torque for torque in part.curve.torque_nm))
    return replace(cast(Engine, changed), curve=curve)
