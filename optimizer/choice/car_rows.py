"""Rows of the car's mechanics: corner load on tires and wheels, running pressure, ride height.

Each row's inequality stands in its docstring, with what is not linear in the parts worked into it.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.choice.fit import Reason, Words, axles_of
from optimizer.choice.masses import axle_load_changes, axle_loads_as_weighed
from optimizer.choice.options import FloatArray, IntArray, Options
from optimizer.choice.rows import LinearRow, zeros
from optimizer.physics import tires
from optimizer.scenario.parts import NONE_ID, Axle, Extra, Part, Tire, Wheel


def mechanical_rows(options: Options) -> Iterator[LinearRow]:
    """Yield all rows of this file, in the order of the slots."""
    for s, slot in enumerate(options.slots):
        for axle in axles_of(slot):
            if slot.kind == "tire":
                yield from corner_load_rows(options, s, axle)
            if slot.kind == "wheel":
                yield wheel_load_row(options, s, axle)
            if slot.kind in {"tire", "wheel"}:
                yield from pressure_rows(options, s, axle)
    for axle in ("front", "rear"):
        yield from ride_height_rows(options, axle)


# --- loads --------------------------------------------------------------------------------------------------


def corner_load_rows(options: Options, s: int, axle: Axle) -> Iterator[LinearRow]:
    """Heaviest corner of an axle <= capacity of the tire in slot ``s`` at the pressure it runs.

    ``share * (load as weighed + sum_t change[t][build[t]]) <= capacity(tire) * load share(pressure, tire)``

    The load is static, from `masses.axle_load_changes`; ``share`` is the hub's heaviest corner share. Extras
    that change the pressure change the capacity, so there is one row for each combination c of their pressure
    changes. Capacity never falls with pressure, so row c must hold whenever every such extra is at or below
    c, and a build that exceeds c in some slot is let off by a number M that no build's excess can pass:

    ``load(build) - capacity_c[tire] - M * #(slots above c) <= 0``

    The row of the build's own combination is exact and implies the others. A combination is dropped where a
    higher one gives every tire the same capacity. A tire without a load index has no capacity to compare with
    here: it is refused as unknown, and where that is lifted by name this check is lifted with it.
    """
    hub = options.scenario.car.hub(axle)
    load, base = _corner_loads(options, axle)
    slots, values = _pressure_changes(options, axle)
    greatest = base + sum(float(each.max()) for each in load)
    parts = options.parts[s]
    known = np.array([isinstance(part, Tire) and part.load_index is not None for part in parts])
    cases = _distinct_capacities(parts, hub.tire_pressure_pa, values)
    explain = _LoadWords(options, s, axle)
    for number, (case, capacity) in enumerate(cases.items()):
        coefficients = [each.copy() for each in load]
        coefficients[s] -= capacity
        excess = max(0.0, greatest - float(capacity[known].min())) if known.any() else 0.0
        for t, most in zip(slots, case, strict=True):
            coefficients[t] -= excess * (pressure_changes(options, t) > most)
        row = LinearRow(
            name=f"corner load: {_place(options, s, axle)}"
            + (f", pressure {number + 1}" if len(cases) > 1 else ""),
            reason=Reason(
                "corner load",
                f"{options.slots[s].name}: heavier {axle} corner within the tire's load at its pressure",
            ),
            coefficients=tuple(coefficients),
            upper=-base,
            explain=explain,
            liftable=tuple((s, o) for o in np.flatnonzero(known).tolist()),
        )
        yield row.lifted((s, o) for o in np.flatnonzero(~known).tolist())


def wheel_load_row(options: Options, s: int, axle: Axle) -> LinearRow:
    """Heaviest corner of an axle <= load rating of the wheel in slot ``s``; blanks are refused in `fit`.

    ``share * (load as weighed + sum_t change[t][build[t]]) <= load rating(wheel)``
    """
    load, base = _corner_loads(options, axle)
    ratings = np.array([_wheel_rating(part) for part in options.parts[s]])
    known = np.isfinite(ratings)
    coefficients = [each.copy() for each in load]
    coefficients[s] -= np.where(known, ratings, 0.0)
    row = LinearRow(
        name=f"wheel load: {_place(options, s, axle)}",
        reason=Reason(
            "wheel load",
            f"{options.slots[s].name}: the heavier {axle} corner must stay within the wheel's load rating",
        ),
        coefficients=tuple(coefficients),
        upper=-base,
        explain=_LoadWords(options, s, axle),
        liftable=tuple((s, o) for o in np.flatnonzero(known).tolist()),
    )
    return row.lifted((s, o) for o in np.flatnonzero(~known).tolist())


@dataclass(frozen=True, slots=True)
class _LoadWords:
    """The numbers of a build whose tire or wheel in slot ``s`` is overloaded."""

    options: Options
    s: int
    axle: Axle

    def __call__(self, build: IntArray) -> str:
        options, axle = self.options, self.axle
        words = Words.of(options.scenario.event)
        load, base = _corner_loads(options, axle)
        carried = words.mass(base + sum(float(each[o]) for each, o in zip(load, build, strict=True)))
        part = options.parts[self.s][int(build[self.s])]
        if isinstance(part, Wheel):
            rating = "unknown" if part.load_rating_kg is None else words.mass(part.load_rating_kg)
            return f"wheel {part.id} would carry {carried} on the heavier {axle} corner, rated {rating}"
        pressure = options.scenario.car.hub(axle).tire_pressure_pa + sum(
            float(pressure_changes(options, t)[build[t]]) for t in _pressure_changes(options, axle)[0]
        )
        limit = words.mass(float(_capacities([part], pressure)[0]))
        index = part.load_index if isinstance(part, Tire) else None
        return (
            f"tire {part.id} would carry {carried} on the heavier {axle} corner, "
            f"good for {limit} at {words.pressure(pressure)} (load index {index})"
        )


def _corner_loads(options: Options, axle: Axle) -> tuple[list[FloatArray], float]:
    """Load [kg] on the heavier corner: changes per option, and as weighed."""
    share = options.scenario.car.hub(axle).heaviest_corner_share
    place = 0 if axle == "front" else 1
    changes = axle_load_changes(options)[place]
    return [share * each for each in changes], share * axle_loads_as_weighed(options.scenario.car)[place]


def _distinct_capacities(
    parts: Sequence[Part], planned_pa: float, values: Sequence[Sequence[float]]
) -> dict[tuple[float, ...], FloatArray]:
    """Map combinations of pressure changes to capacities ``(m_s,)``, less those a higher one stands for.

    ``values`` are the changes of each slot in falling order. As capacity never falls with pressure, an equal
    one further up means an equal one a single step up, so only that is compared.
    """
    places = itertools.product(*(range(len(each)) for each in values))
    cases = {place: tuple(each[i] for each, i in zip(values, place, strict=True)) for place in places}
    capacities = {place: _capacities(parts, planned_pa + sum(case)) for place, case in cases.items()}

    def one_step_up(place: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
        for t, i in enumerate(place):
            if i:
                yield (*place[:t], i - 1, *place[t + 1 :])

    return {
        cases[place]: capacity
        for place, capacity in capacities.items()
        if not any(np.array_equal(capacities[above], capacity) for above in one_step_up(place))
    }


def _capacities(parts: Sequence[Part], pressure_pa: float) -> FloatArray:
    """Load [kg] each part may carry at a gauge pressure; 0 where it has no load index."""
    return np.array(
        [
            tires.load_capacity_kg(part.load_index)
            * tires.load_share_at_pressure(pressure_pa, part.extra_load)
            if isinstance(part, Tire) and part.load_index is not None
            else 0.0
            for part in parts
        ],
        dtype=np.float64,
    )


def _wheel_rating(part: Part) -> float:
    return part.load_rating_kg if isinstance(part, Wheel) and part.load_rating_kg is not None else np.nan


def _place(options: Options, s: int, axle: Axle) -> str:
    slot = options.slots[s]
    return slot.name if slot.axle is not None else f"{slot.name}, {axle}"


# --- pressure -----------------------------------------------------------------------------------------------


def pressure_changes(options: Options, t: int) -> FloatArray:
    """Change of running tire pressure [Pa] by each option of a slot; shape ``(m_t,)``."""
    return np.array([part.pressure_pa if isinstance(part, Extra) else 0.0 for part in options.parts[t]])


def _pressure_changes(options: Options, axle: Axle) -> tuple[list[int], list[list[float]]]:
    """Slots whose options change the pressure of an axle, and their distinct changes in falling order."""
    slots = [
        t
        for t, slot in enumerate(options.slots)
        if slot.kind == "extra" and axle in axles_of(slot) and pressure_changes(options, t).any()
    ]
    return slots, [sorted(set(pressure_changes(options, t).tolist()), reverse=True) for t in slots]


def pressure_rows(options: Options, s: int, axle: Axle) -> Iterator[LinearRow]:
    """Planned pressure plus all changes by extras <= maximum of the tire or wheel in slot ``s``.

    ``sum_t pressure change[t][build[t]] - maximum[s][build[s]] <= - planned``

    One extra alone is a pair check (`pair_fit.pressure_with_extra`); the row is there for two or more together, and
    lets through what the single and pair checks let through.
    """
    slots, _ = _pressure_changes(options, axle)
    if len(slots) < 2:
        return
    maxima = np.array(
        [
            part.max_pressure_pa
            if isinstance(part, Tire | Wheel) and part.max_pressure_pa is not None
            else np.nan
            for part in options.parts[s]
        ]
    )
    known = np.isfinite(maxima)
    coefficients = zeros(options)
    for t in slots:
        coefficients[t] = pressure_changes(options, t)
    coefficients[s] = -np.where(known, maxima, 0.0)
    kind = options.slots[s].kind
    row = LinearRow(
        name=f"{kind} pressure: {_place(options, s, axle)}",
        reason=Reason(
            f"{kind} pressure", f"{options.slots[s].name}: all extras together keep to its maximum pressure"
        ),
        coefficients=tuple(coefficients),
        upper=-options.scenario.car.hub(axle).tire_pressure_pa,
        explain=_PressureWords(options, s, axle),
        liftable=tuple((s, o) for o in np.flatnonzero(known).tolist()),
    )
    yield row.lifted((s, o) for o in np.flatnonzero(~known).tolist())


@dataclass(frozen=True, slots=True)
class _PressureWords:
    """The numbers of a build whose extras together raise the pressure too far."""

    options: Options
    s: int
    axle: Axle

    def __call__(self, build: IntArray) -> str:
        options = self.options
        words = Words.of(options.scenario.event)
        part = options.parts[self.s][int(build[self.s])]
        slots, _ = _pressure_changes(options, self.axle)
        chosen = [options.parts[t][int(build[t])] for t in slots]
        changing = [each for each in chosen if isinstance(each, Extra) and each.pressure_pa]
        pressure = options.scenario.car.hub(self.axle).tire_pressure_pa + sum(
            each.pressure_pa for each in changing
        )
        maximum = part.max_pressure_pa if isinstance(part, Tire | Wheel) else None
        limit = "unknown" if maximum is None else words.pressure(maximum)
        together = " and ".join(each.id for each in changing)
        return f"{part.kind} {part.id} takes {limit}, with {together} it runs at {words.pressure(pressure)}"


# --- ride height --------------------------------------------------------------------------------------------


def ride_height_rows(options: Options, axle: Axle) -> Iterator[LinearRow]:
    """Ride height of an axle >= its minimum; one row for each tire slot on it, or one of the extras alone.

    ``ride height + (tire diameter - fitted tire's) / 2 + sum of the extras' changes >= minimum``

    Diameters by the size code. An extra counts as its change less that of the fitted one, for the car was
    measured with it, times the slot's count.
    """
    slots = enumerate(options.slots)
    on_axle: list[int | None] = [s for s, slot in slots if slot.kind == "tire" and axle in axles_of(slot)]
    hub = options.scenario.car.hub(axle)
    for s in on_axle or [None]:
        raised = ride_height_changes(options, axle, s)
        where = f"{axle} axle" if s is None else _place(options, s, axle)
        yield LinearRow(
            name=f"ride height: {where}",
            reason=Reason("ride height", f"the {axle} must stay above its minimum ride height"),
            coefficients=tuple(-each for each in raised),
            upper=hub.ride_height_m - hub.min_ride_height_m,
            explain=_HeightWords(options, s, axle),
            liftable=tuple((t, o) for t, each in enumerate(raised) for o in np.flatnonzero(each).tolist()),
        )


def ride_height_changes(options: Options, axle: Axle, tire_slot: int | None) -> list[FloatArray]:
    """Change of an axle's ride height [m] by each option: extras, and one slot's tires against the fitted."""
    raised = zeros(options)
    for t, parts in enumerate(options.parts):
        heights = np.array([_ride_height_of(part, axle) for part in parts])
        raised[t] = options.slots[t].count * (heights - heights[0])
    if tire_slot is not None:
        radii = [
            part.size.diameter_m / 2 if isinstance(part, Tire) else None for part in options.parts[tire_slot]
        ]
        fitted = radii[0]
        if fitted is not None:
            raised[tire_slot] = np.array([0.0 if each is None else each - fitted for each in radii])
    return raised


def _ride_height_of(part: Part, axle: Axle) -> float:
    if not isinstance(part, Extra):
        return 0.0
    return part.front_ride_height_m if axle == "front" else part.rear_ride_height_m


@dataclass(frozen=True, slots=True)
class _HeightWords:
    """The numbers of a build that stands too low."""

    options: Options
    tire_slot: int | None
    axle: Axle

    def __call__(self, build: IntArray) -> str:
        options = self.options
        words = Words.of(options.scenario.event)
        hub = options.scenario.car.hub(self.axle)
        raised = ride_height_changes(options, self.axle, self.tire_slot)
        height = hub.ride_height_m + sum(float(each[o]) for each, o in zip(raised, build, strict=True))
        lowering = [
            part.id if (part := options.parts[t][int(o)]).id != NONE_ID else f"no {options.slots[t].name}"
            for t, (each, o) in enumerate(zip(raised, build, strict=True))
            if each[o] < 0
        ]
        by = f" with {' and '.join(lowering)}" if lowering else ""
        least = words.length(hub.min_ride_height_m)
        return f"the {self.axle} would ride at {words.length(height)}{by}, minimum {least}"
