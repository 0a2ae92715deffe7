"""What each value may be by itself, but not beside its neighbors: one function for one kind of fault.

All take drafts; a value that could not be read is not looked at again.
"""

from __future__ import annotations

from optimizer.scenario.catalog import Draft
from optimizer.scenario.entries import Entry
from optimizer.scenario.findings import Findings
from optimizer.scenario.settings import CarDraft
from optimizer.units import shown

SPIKE = 2.0
"""A torque this many times what both neighbors say is a slip of the pen: no engine does it."""

BEYOND_THE_CURVE = 1.1
"""A rev limit may lie this far beyond the last row of a curve, with a remark."""


def check_curves(draft: Draft, findings: Findings) -> None:
    """No point of a torque curve stands far above or below both its neighbors."""
    for points in draft.points.values():
        if any(point.faulty for point in points):
            continue
        for before, here, after in zip(points, points[1:], points[2:], strict=False):
            low, high = sorted((before.values["torque_nm"], after.values["torque_nm"]))
            torque = here.values["torque_nm"]
            if torque > SPIKE * high or torque * SPIKE < low:
                column = "torque_nm" if "torque_nm" in here.typed else "power_w"
                what = "more than twice" if torque > high else "less than half"
                here.fault(findings, column, f"makes {what} the torque of the rows above and below it")


def check_engine_speeds(draft: Draft, findings: Findings) -> None:
    """Launch, rev limit and curve of an engine agree.

    Rows that take over both speeds from a base are not looked at again.
    """
    for entry in draft.parts.get("engines", []):
        limit, launch = entry.values.get("rev_limit_rpm"), entry.values.get("launch_rpm")
        if limit is None or not {"rev_limit_rpm", "launch_rpm"} & set(entry.typed):
            continue
        if launch is not None and launch >= limit:
            target = "launch_rpm" if "launch_rpm" in entry.typed else "rev_limit_rpm"
            entry.fault(findings, target, f"does not fit: it launches at {launch:,.0f} rpm, the limit is {limit:,.0f}")
        curve = entry.values.get("curve")
        if curve is None or "rev_limit_rpm" not in entry.typed:
            continue
        first, last = curve.rpm[0], curve.rpm[-1]
        if not first < limit <= BEYOND_THE_CURVE * last:
            entry.fault(findings, "rev_limit_rpm", f"does not fit its curve, which goes from {first:g} to {last:g} rpm")
        elif limit > last:
            findings.notices.append(
                f"{entry.place}: its curve ends at {last:g} rpm, below its rev limit of {limit:g} rpm; "
                "the last torque is used between them"
            )


def check_rotors(draft: Draft, findings: Findings) -> None:
    """The caliper reaches around the rotor, and no more takes the heat than there is."""
    for entry in draft.parts.get("rotors", []):
        _check_not_less(entry, "caliper_envelope_m", "diameter_m", "the diameter of the rotor", findings)
        heat, mass = entry.values.get("heat_mass_kg"), entry.values.get("mass_kg")
        if heat is not None and mass is not None and heat > mass:
            entry.fault(findings, "heat_mass_kg", "is more than the mass of the whole rotor")


def _check_not_less(entry: Entry, target: str, other: str, what: str, findings: Findings) -> None:
    value, least = entry.values.get(target), entry.values.get(other)
    if value is not None and least is not None and value < least:
        entry.fault(findings, target, f"is less than {what}")


def check_extras(car: CarDraft, draft: Draft, findings: Findings) -> None:
    """No part takes away all the drag area there is, or lowers the car into the ground."""
    area = car.car.values.get("drag_area_m2")
    for entry in draft.parts.get("extras", []):
        change = entry.values.get("drag_area_m2")
        if area is not None and change is not None and area + change <= 0:
            has = shown(area, "area", metric=findings.metric)
            entry.fault(findings, "drag_area_m2", f"takes away more than the car's drag area of {has}")
        for hub, target in ((car.front, "front_ride_height_m"), (car.rear, "rear_ride_height_m")):
            height, lower = hub.values.get("ride_height_m"), entry.values.get(target)
            if height is not None and lower is not None and height + lower <= 0:
                has = shown(height, "length", metric=findings.metric)
                entry.fault(findings, target, f"lowers more than the ride height of {has}")


def note_extras_for_every_slot(car: CarDraft, draft: Draft, findings: Findings) -> None:
    """Remark on extras that name no slot where there are several: each would be offered in all of them."""
    slots = [slot for slot in car.slots if slot.values.get("kind") == "extra"]
    if len(slots) < 2:
        return
    for entry in draft.parts.get("extras", []):
        if not entry.values.get("slots"):
            findings.notices.append(
                f"{entry.place} names no slots: it is offered in all {len(slots)} slots for extras"
            )
