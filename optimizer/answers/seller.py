"""What to ask the seller of a part before money changes hands, by kind of part, with what the sheet says.

The sheet is what the answer was computed with: where the seller's answer is another, the answer is another. The list is
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

from optimizer.choice.fit import pattern_text
from optimizer.scenario.parts import Engine, Extra, FinalDrive, Gearset, Kit, Part, Rotor, Tire, Wheel
from optimizer.units import shown_in

WORTH_WEIGHING_KG = 0.5
"""Extras that are lighter by the sheet are not worth a scale: so much is less than 0.1 % of a car."""


@dataclass(frozen=True, slots=True)
class Ask:
    """A question to the seller.

    Attributes
    ----------
    what : str
    words : str
        What the sheet says, where that is a code or a word; else empty.
    value : float or None
        What the sheet says, where that is a number, in the unit used inside.
    dimension : str
        Key of `units.UNITS` for the value; empty for a plain number.
    """

    what: str
    words: str = ""
    value: float | None = None
    dimension: str = ""


def asks_of(thing: Part | Kit, parts: Mapping[str, Part], safety_tags: frozenset[str] = frozenset()) -> tuple[Ask, ...]:
    """What to ask about a part, or a kit of ``parts`` (by id), each of which is then named.

    ``safety_tags`` mark equipment that a speed calls for, which has dates.
    """
    if not isinstance(thing, Kit):
        return _asks_of(thing, safety_tags)
    contents = "; ".join(f"{pieces} x {each}" for each, pieces in thing.contents)
    asks = [
        replace(ask, what=f"{each}: {ask.what}")
        for each, _ in thing.contents
        for ask in _asks_of(parts[each], safety_tags)
    ]
    return (Ask("whether all of it is there", contents), *asks)


def _asks_of(part: Part, safety_tags: frozenset[str]) -> tuple[Ask, ...]:
    """What to ask about one part."""
    ask: Any = _ASKS.get(type(part))
    asks = () if ask is None else tuple(ask(part))
    if part.tags & safety_tags:
        label = ", ".join(sorted(part.tags & safety_tags))
        return (Ask("standard and date on every label, and until when the event takes them", label), *asks)
    return asks


def _tire(tire: Tire) -> Iterator[Ask]:
    load = "" if tire.load_index is None else f" {tire.load_index}{tire.speed_symbol or ''}"
    yield Ask("size, load index and speed symbol, read off the sidewall", f"{tire.size}{load}")
    made = "" if tire.made is None else f"week {tire.made[1]} of {tire.made[0]}"
    yield Ask("date code, the last four digits, of every one", made)
    yield Ask("highest pressure on the sidewall", value=tire.max_pressure_pa, dimension="tire pressure")
    yield Ask("roll-out of one turn, mounted and at pressure", value=tire.circumference_m, dimension="length")
    yield Ask("repairs, cracks, flat spots, shaved tread; how it was stored")


def _wheel(wheel: Wheel) -> Iterator[Ask]:
    yield Ask("bolt pattern", ", ".join(pattern_text(each.bolts, each.circle_m) for each in wheel.bolt_patterns))
    # stamped in millimeters everywhere
    yield Ask("center bore", shown_in(wheel.center_bore_m, "mm", "length"))
    yield Ask("offset, as stamped", shown_in(wheel.offset_m, "mm", "length"))
    yield Ask("diameter and width, as stamped", f"{wheel.rim_diameter_in:g}x{wheel.rim_width_in:g}")
    yield Ask("load rating, and where it is stamped", value=wheel.load_rating_kg, dimension="mass")
    yield Ask("room inside for the brake", value=wheel.brake_clearance_m, dimension="length")
    yield Ask("weight, on a scale", value=wheel.mass_kg, dimension="mass")
    yield Ask("cracks, welds, how true it runs; nuts and seats that go with it; metal stems")


def _rotor(rotor: Rotor) -> Iterator[Ask]:
    yield Ask("diameter", value=rotor.diameter_m, dimension="length")
    yield Ask("thickness that is left, against the least that is stamped")
    yield Ask("heat it may take: its maker's limit for one stop", value=rotor.max_rise_k, dimension="temperature rise")
    yield Ask("circle that the caliper needs", value=rotor.caliper_envelope_m, dimension="length")
    yield Ask("weight, on a scale", value=rotor.mass_kg, dimension="mass")
    yield Ask("bolt circle and bore of the hat; heat cracks")


def _final_drive(final: FinalDrive) -> Iterator[Ask]:
    yield Ask("teeth of crown wheel and pinion, counted; their ratio", value=final.ratio)
    yield Ask("axle or housing and splines", ", ".join(sorted(final.fits)))
    yield Ask("chipped teeth, play, noise")


def _gearset(gears: Gearset) -> Iterator[Ask]:
    yield Ask("teeth of every pair, counted; their ratios", ", ".join(f"{each:.3f}" for each in gears.ratios))
    yield Ask("gearbox and splines", ", ".join(sorted(gears.fits)))
    yield Ask("chipped teeth, worn dogs and rings")


def _engine(engine: Engine) -> Iterator[Ask]:
    yield Ask("displacement, from bore and stroke as they are", value=engine.displacement_m3, dimension="volume")
    yield Ask("engine speed that it is built for", value=engine.rev_limit_rpm, dimension="engine speed")
    yield Ask("dyno sheet: where measured, in which gear, which correction, which weather", engine.correction)
    yield Ask("who did the work, how many hours since, compression of each cylinder")


def _extra(extra: Extra) -> Iterator[Ask]:
    light = 0.0 < extra.mass_kg < WORTH_WEIGHING_KG
    if light and extra.pressure_pa:  # air, and what holds it
        return
    if not light:
        yield Ask("weight, on a scale", value=extra.mass_kg or None, dimension="mass")
    yield Ask("what it takes to mount it: holes, welding, brackets")


_ASKS: Mapping[type, Any] = MappingProxyType(
    {
        Tire: _tire, Wheel: _wheel, Rotor: _rotor, FinalDrive: _final_drive, Gearset: _gearset, Engine: _engine,
        Extra: _extra,
    }
)  # fmt: skip
