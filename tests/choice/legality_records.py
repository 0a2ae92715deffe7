"""Asking `legality_of` in tests: parts on sale, and reasons by slot and part or by build."""

from __future__ import annotations

from optimizer.choice.legality import Legality, legality_of
from optimizer.choice.options import options_of
from optimizer.scenario.event import Override
from optimizer.scenario.parts import Part
from tests.choice.records import (
    make_engine,
    make_extra,
    make_final_drive,
    make_gearset,
    make_hub,
    make_rotor,
    make_scenario,
    make_tire,
    make_wheel,
)

BUILT = 100_00
MAKERS = {
    "tire": make_tire,
    "wheel": make_wheel,
    "rotor": make_rotor,
    "final drive": make_final_drive,
    "gearset": make_gearset,
    "engine": make_engine,
    "extra": make_extra,
}


def sold(kind: str, part_id: str, **changes) -> Part:
    """A part on sale in any number, so that only the check in question can refuse it."""
    return MAKERS[kind](part_id, **({"price_cents": BUILT} | changes))


def legality(*parts: Part, **scenario) -> Legality:
    return legality_of(options_of(make_scenario(parts, **scenario)))


def against(found: Legality, slot: str, part_id: str) -> dict[str, str]:
    """Check -> text of all that keeps a part out of a slot."""
    s = found.options.position(slot)
    o = [part.id for part in found.options.parts[s]].index(part_id)
    reasons = found.part_reasons.get((s, o), ())
    assert bool(reasons) == bool(found.forbidden[s][o])
    return {reason.check: reason.text for reason in reasons}


def wrong(found: Legality, **build: str) -> dict[str, str]:
    """Check -> text of all that is wrong with a build; slot names with underscores for blanks."""
    row = found.options.encode({slot.replace("_", " "): part for slot, part in build.items()})
    reasons = found.violations(row)
    assert bool(reasons) != bool(found.allowed(row[None, :])[0])
    return {reason.check: reason.text for reason in reasons}


EVEN_CAR = {
    "mass_kg": 1000.0,
    "front_share": 0.6,
    "wheelbase_m": 2.0,
    "front": make_hub(heaviest_corner_share=0.5, tire_pressure_pa=250e3),
    "rear": make_hub(heaviest_corner_share=0.5, tire_pressure_pa=250e3),
}
"""600 kg in front, 400 kg behind, evenly left and right: 300 kg and 200 kg a corner. At 250 kPa a standard
tire carries its whole load index."""


def overridden(check: str, part: str) -> Override:
    return Override(check=check, part=part, reason="letter of the maker", by="maker")
