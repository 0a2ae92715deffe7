"""Whether two parts fit each other: one comparison for whole tables of two slots, a named reason for each refusal.

Each check measures the parts of either slot once, as an array, and compares all pairs of measures together; what a
refusal says is put into words for one pair when it is asked for, from the same measures. A part without the measure
(the empty choice ``none`` too) has NaN, which no comparison refuses: blanks are refused in `fit`, where they matter.
The checks know nothing of overrides and rules; `legality` puts them together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from optimizer.choice.fit import Reason, Words, axles_of, exceeds, over_pressure_text
from optimizer.choice.options import BoolArray, FloatArray
from optimizer.physics import tires
from optimizer.scenario.car import Slot
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import Extra, FinalDrive, Gearset, Part, Rotor, Tire, Wheel

Parts = Sequence[Part]
Measures = npt.NDArray[Any]
"""One row of numbers, or a single number, for each part: shape ``(m,)`` or ``(m, k)``."""
PartT = TypeVar("PartT", bound=Part)


@dataclass(frozen=True, slots=True)
class PairCheck:
    """A check of the parts of one slot against those of another.

    Attributes
    ----------
    name : str
        The check, as in `Reason.check`.
    first, second : callable
        Measures of parts of either slot.
    refuses : callable
        From measures that broadcast over pairs of parts, which pairs do not fit.
    words : callable
        Why one pair does not fit: from the two parts and the measures of each.
    turned : bool
        Whether the slots come in the other order: tables and pairs are then given as second with first.
    """

    name: str
    first: Callable[[Parts], Measures]
    second: Callable[[Parts], Measures]
    refuses: Callable[[Any, Any], BoolArray]
    words: Callable[[Part, Part, Any, Any], str]
    turned: bool = False

    def table(self, parts: Parts, others: Parts) -> BoolArray:
        """Which pairs do not fit: bool ``(m, n)`` for m parts of the one slot and n of the other."""
        if self.turned:
            return replace(self, turned=False).table(others, parts).T
        return self.refuses(self.first(parts)[:, None], self.second(others)[None, :])

    def reason(self, part: Part, other: Part) -> Reason:
        """Why a pair that is refused does not fit."""
        if self.turned:
            part, other = other, part
        return Reason(self.name, self.words(part, other, self.first([part])[0], self.second([other])[0]))


def checks_between(first: Slot, second: Slot, scenario: Scenario) -> tuple[PairCheck, ...]:
    """Find the checks between parts of two slots, taking them in this order; empty where there are none."""
    in_order = _checks_between(first, second, scenario)
    return in_order or tuple(replace(each, turned=True) for each in _checks_between(second, first, scenario))


def _checks_between(first: Slot, second: Slot, scenario: Scenario) -> tuple[PairCheck, ...]:
    words = Words.of(scenario.event)
    shared_axles = [axle for axle in axles_of(first) if axle in axles_of(second)]
    match first.kind, second.kind:
        case "tire", "wheel" if shared_axles:
            return rim_diameter(), rim_width()
        case "wheel", "rotor" if shared_axles:
            return (brake_clearance(words),)
        case (("tire" | "wheel"), "extra") if shared_axles:
            planned = max(scenario.car.hub(axle).tire_pressure_pa for axle in shared_axles)
            return (pressure_with_extra(first.kind, planned, words),)
        case "tire", "tire" if scenario.car.drive == "all" and not shared_axles:
            return (roll_out_match(scenario.event.max_circumference_mismatch, words),)
        case "gearset", "final drive" if shared := sorted(first.interfaces & second.interfaces):
            return (one_housing(shared),)
    return ()


def _measured(parts: Parts, kind: type[PartT], value: Callable[[PartT], float | None]) -> FloatArray:
    """Value of each part ``(m,)``; NaN where it is of another kind, or has none."""
    found = [value(part) if isinstance(part, kind) else None for part in parts]
    return np.array([np.nan if each is None else each for each in found], dtype=np.float64)


# --- tires on wheels, wheels over brakes ----------------------------------------------------------------------


def rim_diameter() -> PairCheck:
    """Check a tire and a wheel for the same rim diameter."""

    def words(tire: Part, wheel: Part, needed: float, found: float) -> str:
        return f"tire {tire.id} is for a {needed:g} in rim, wheel {wheel.id} is {found:g} in"

    return PairCheck(
        "tire on rim diameter",
        lambda parts: _measured(parts, Tire, lambda tire: tire.size.rim_diameter_in),
        lambda parts: _measured(parts, Wheel, lambda wheel: wheel.rim_diameter_in),
        lambda needed, found: exceeds(needed, found) | exceeds(found, needed),
        words,
    )


def rim_width() -> PairCheck:
    """Check a wheel's rim width against the tire's range."""

    def words(tire: Part, wheel: Part, needed: FloatArray, width: float) -> str:
        needs = f"tire {tire.id} needs a rim of {needed[0]:.1f} to {needed[1]:.1f} in"
        return f"{needs}, wheel {wheel.id} is {width:.1f} in wide"

    return PairCheck(
        "tire on rim width",
        rim_width_ranges_in,
        lambda parts: _measured(parts, Wheel, lambda wheel: wheel.rim_width_in),
        lambda needed, width: exceeds(needed[..., 0], width) | exceeds(width, needed[..., 1]),
        words,
    )


def rim_width_ranges_in(parts: Parts) -> FloatArray:
    """Rim widths [in] each tire may be mounted on, from and to: as its sheet says, else by its size; ``(m, 2)``."""
    width = _measured(parts, Tire, lambda tire: tire.size.section_width_m)
    aspect = _measured(parts, Tire, lambda tire: tire.size.aspect)
    low = _measured(parts, Tire, lambda tire: tire.rim_width_min_in)
    high = _measured(parts, Tire, lambda tire: tire.rim_width_max_in)
    said = np.stack([low, high], axis=-1)
    return np.where(np.isnan(said), np.stack(tires.rim_width_range_in(width, aspect), axis=-1), said)


def brake_clearance(words: Words) -> PairCheck:
    """Check rotor and caliper to be inside the circle that the wheel leaves free."""

    def said(wheel: Part, rotor: Part, room: float, needed: float) -> str:
        length = words.length(needed)
        return f"rotor {rotor.id} with its caliper needs {length}, wheel {wheel.id} clears {words.length(room)}"

    return PairCheck(
        "brake clearance",
        lambda parts: _measured(parts, Wheel, lambda wheel: wheel.brake_clearance_m),
        lambda parts: _measured(parts, Rotor, lambda rotor: max(rotor.caliper_envelope_m, rotor.diameter_m)),
        lambda room, needed: exceeds(needed, room),
        said,
    )


# --- pressure, roll-out, housing -------------------------------------------------------------------------------


def pressure_with_extra(kind: str, planned_pa: float, words: Words) -> PairCheck:
    """Check the planned pressure, raised by one extra, against the maximum on a tire or wheel."""

    def maximum(part: Part) -> float | None:
        return part.max_pressure_pa if isinstance(part, Tire | Wheel) else None

    def raised(parts: Parts) -> FloatArray:
        return planned_pa + _measured(parts, Extra, lambda extra: extra.pressure_pa if extra.pressure_pa > 0 else None)

    return PairCheck(
        f"{kind} pressure",
        lambda parts: _measured(parts, Part, maximum),
        raised,
        lambda limit, pressure: exceeds(pressure, limit),
        lambda part, extra, limit, pressure: over_pressure_text(
            part, limit, pressure, f"with {extra.id} it runs at", words
        ),
    )


def roll_out_m(tire: Tire) -> float:
    """Find the rolling circumference [m]: as measured, else by the size code."""
    return tire.circumference_m or tires.rolling_circumference_m(tire.size.diameter_m)


def roll_out_match(limit: float, words: Words) -> PairCheck:
    """Check front and rear roll-out with all wheels driven; the difference counts against the larger of the two."""

    def measures(parts: Parts) -> FloatArray:
        return _measured(parts, Tire, roll_out_m)

    def mismatch(one: FloatArray, two: FloatArray) -> FloatArray:
        return np.abs(one - two) / np.maximum(one, two)

    def said(tire: Part, other: Part, one: FloatArray, two: FloatArray) -> str:
        return (
            f"tires {tire.id} and {other.id} roll out {words.length(float(one))} and {words.length(float(two))}, "
            f"{100 * mismatch(one, two):.2f} % apart; the event takes {100 * limit:g} % with all wheels driven"
        )

    return PairCheck(
        "circumference match", measures, measures, lambda one, two: exceeds(mismatch(one, two), limit), said
    )


def one_housing(shared: Sequence[str]) -> PairCheck:
    """Check gearset and final drive for one housing of those that both slots offer."""

    def held(parts: Parts) -> FloatArray:
        by_box = [_measured(parts, Part, partial(_held_by, box)) for box in shared]
        return np.stack(by_box, axis=-1)

    def said(gearset: Part, final: Part, *_: FloatArray) -> str:
        suits, other = (", ".join(sorted(part.fits)) or "nothing named" for part in (gearset, final))
        return f"gearset {gearset.id} fits {suits}, final drive {final.id} fits {other}: no housing takes both"

    return PairCheck("housing", held, held, lambda one, two: (one * two).sum(axis=-1) == 0, said)


def _held_by(box: str, part: Part) -> float | None:
    return float(box in part.fits) if isinstance(part, Gearset | FinalDrive) else None
