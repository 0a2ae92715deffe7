"""Results outside what is usual: a speed that came out of the runs of one build, or of a swap, and looks wrong.

The record of the class is held against such a speed too: nothing else tells in which unit it was typed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace
from types import MappingProxyType

from optimizer.answers.cards import BuildCard, RunCard
from optimizer.answers.plausibility import COMMON, LOW_POWER_WKG, Doubt, Usual, peaks
from optimizer.answers.swaps import Swap
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import Engine
from optimizer.units import from_unit, to_unit

LIMPERT = "R. Limpert, Brake Design and Safety (from memory): the rear axle should not lock first"
GAINING_MS = from_unit(0.5, "mph", "speed")
"""A car that settles this much above its speed at the last board is clearly gaining there."""
ABOVE_MS = from_unit(0.05, "mph", "speed")
"""A mean is above the speed at the last board where it is so by this: less is the pause of a shift on the board."""

USUAL_RESULTS = MappingProxyType(
    {
        "slip": Usual(
            "slip at the last board, car below 150 hp per metric ton", None, 0.10, "fraction", COMMON,
            "look at the salt's grip, the load on the driven tires and the power",
        ),
        "slip, high power": Usual(
            "slip at the last board, car above that", None, 0.20, "fraction", COMMON,
            "look at the salt's grip, the load on the driven tires and the power",
        ),
        "wheel": Usual(
            "speed that other wheels are worth, all else kept", None, from_unit(3.0, "mph", "speed"), "speed", COMMON,
            "look at the mass and inertia of both wheels",
        ),
        "rotor": Usual(
            "speed that other rotors are worth, all else kept", None, from_unit(1.5, "mph", "speed"), "speed", COMMON,
            "look at the mass, inertia and brake drag of both rotors",
        ),
        "revs": Usual(
            "engine speed at the last board over that of peak power, car held by power or distance", 0.90, None,
            "fraction", COMMON, "a shorter final drive or gear would let it turn nearer its peak power",
        ),
        "record": Usual(
            "record of the class over the speed of the car as it stands", 0.75, 1.50, "fraction", COMMON,
            "look at its unit: mph or km/h",
        ),
    }
)  # fmt: skip
"""Usual ranges of results, in the units used inside."""


def doubts_of_results(scenario: Scenario, card: BuildCard) -> tuple[Doubt, ...]:
    """Doubts about the runs of one build."""
    engine = next(part for part in map(scenario.parts.get, card.build.values()) if isinstance(part, Engine))
    _, power_w, peak_rpm = peaks(engine, scenario.car.driveline_efficiency)
    return (
        *_slip(card, power_w / card.mass_kg),
        *(_mean(card) if scenario.event.scoring.measure == "mean" else ()),
        *_revs(card, peak_rpm),
        *_lock_up(card),
    )


def doubts_of_record(scenario: Scenario, as_it_stands: BuildCard) -> tuple[Doubt, ...]:
    """A record far from what the car does as it stands: km/h typed for mph is a factor of 1.6.

    It may be far above a car that is held by a speed cap or by grip: then a piece of equipment, or other salt, may be
    all that is missing.
    """
    speed, usual = as_it_stands.speed_ms, USUAL_RESULTS["record"]
    if not speed > 0:
        return ()
    if any(run.limit in {"speed cap", "grip"} for run in as_it_stands.runs):
        usual = replace(usual, high=None)
    unit = scenario.event.speed_unit
    does = f"{to_unit(speed, unit, 'speed'):.1f} {unit}"
    what = f"record of class {scenario.race_class.name}, for a car that does {does} as it stands"
    return tuple(usual.doubt(what, scenario.race_class.record_ms, scale=speed, dimension="speed"))


def doubts_of_swaps(scenario: Scenario, swaps: Iterable[Swap]) -> tuple[Doubt, ...]:
    """Doubts about what single swaps are worth: no wheel and no rotor brings much."""
    kinds = {slot.name: slot.kind for slot in scenario.car.slots}
    found: list[Doubt] = []
    for swap in swaps:
        if usual := USUAL_RESULTS.get(kinds[swap.slot]):
            what = f"worth of {swap.other} in place of {swap.here} on the {swap.slot}"
            found += usual.doubt(what, abs(swap.gain_ms))
    return tuple(found)


def _slip(card: BuildCard, power_wkg: float) -> Iterator[Doubt]:
    """The largest slip over the runs, against what cars of this power do."""
    key = "slip" if power_wkg < LOW_POWER_WKG else "slip, high power"
    slips = [run.slip for run in card.runs]
    yield from USUAL_RESULTS[key].doubt("slip of the driven tires at the last board", max(slips))


def _mean(card: BuildCard) -> Iterator[Doubt]:
    """A mean over the timed distance above the speed at its end, of a car that is still gaining there."""
    for number, run in enumerate(card.runs, 1):
        if run.score_ms > run.exit_ms + ABOVE_MS and run.settles_ms > run.exit_ms + GAINING_MS:
            which = f" in run {number}" if len(card.runs) > 1 else ""
            yield Doubt(
                f"mean speed over the timed distance{which}, of a car that still gains",
                run.score_ms,
                "speed",
                None,
                run.exit_ms,
                "arithmetic: a mean is not above the speed at the last board",
                "look for a shift between the boards",
            )


def _lock_up(card: BuildCard) -> Iterator[Doubt]:
    """Rear wheels that lock before the front ones: a car whose rear wheels slide turns round."""
    stop = card.stop
    if stop.rear_locks_g < stop.front_locks_g:
        yield Doubt(
            "braking at which the rear wheels lock, on the shutdown's salt",
            stop.rear_locks_g,
            "braking",
            stop.front_locks_g if math.isfinite(stop.front_locks_g) else None,
            None,
            LIMPERT,
            "the front wheels should lock first: ask somebody about the balance of the brakes",
        )


def _revs(card: BuildCard, peak_rpm: float) -> Iterator[Doubt]:
    """Revs far below peak power at the last board, in the gear that served the car best; in its fastest run."""
    run: RunCard = max(card.runs, key=lambda each: each.rpm_last)
    if run.limit in {"power", "distance"}:
        yield from USUAL_RESULTS["revs"].doubt(
            f"engine speed at the last board in gear {run.gear}",
            run.rpm_last,
            scale=peak_rpm,
            dimension="engine speed",
        )
