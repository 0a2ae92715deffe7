"""Cars as points of a linear space: for one drive set, every option adds a fixed vector whatever else is chosen.

The sums of `model` are such vectors already. What is left is a product: rolling resistance of the undriven axle is
load times the coefficient of a tire that is not part of the drive set. It is replaced by the plane that never lies
above it, ``c W >= c_low W + c W_low - c_low W_low`` (G. P. McCormick, "Computability of global solutions to
factorable nonconvex programs", Math. Programming 10 (1976)): a car at its point is never slower than the real one.
In the same sense undriven wheels turn at the largest radius on offer, and lift saves at the best coefficient.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import cast

import numpy as np
import numpy.typing as npt

from optimizer.choice.options import BoolArray, IntArray
from optimizer.physics import air
from optimizer.run.conditions import Conditions
from optimizer.run.inputs import FloatArray, RunInputs
from optimizer.run.model import SUMS, DriveRows, RunModel, S
from optimizer.scenario.parts import Axle, Tire

COORDINATES = (*SUMS, "free_rolling_n", "free_rolling_nv2")
"""Coordinates of a car: the sums, and the two terms of rolling resistance of the undriven axle."""
C = {name: position for position, name in enumerate(COORDINATES)}
WORD = 8
"""Bytes of a whole number."""

LESS_IS_FASTER = tuple(
    C[name]
    for name in (
        "mass_kg", "front_load_kg", "rear_load_kg", "drag_area_m2", "brake_drag_n", "rolling_change", "engine_kgm2",
        "shaft_kgm2", "front_turning_kgm2", "rear_turning_kgm2", "free_rolling_n", "free_rolling_nv2",
    )
)  # fmt: skip
"""Coordinates of which a car is never faster for having more, the loads counting for rolling only."""


@dataclass(frozen=True, slots=True)
class Frame:
    """D drive sets, ready to be completed by the options of the free slots.

    Attributes
    ----------
    builds : array (D, S)
        The drive set's options; the fitted ones elsewhere.
    drive : DriveRows
        Drive attributes; those of undriven tires and of caps replaced by the best of the allowed options.
    base : array (D, L)
        Coordinates of the drive set without any free slot.
    free_level, free_growth : array (D,)
        What turns an undriven tire's own coefficient into its rolling terms at the set's pressure.
    free_floor, free_ceiling : arrays (D,)
        Least and greatest rolling coefficient of the undriven axle, salt included.
    free_growth_floor, free_growth_ceiling : arrays (D,)
        The same of what grows with speed squared.
    low_load_n : array (D,)
        A load of the undriven axle that no completion falls below.
    free_least_radius_m, free_least_rating_ms : arrays (D,)
        Least rolling radius and least surface speed held by the limiter of the undriven tires.
    """

    builds: IntArray
    drive: DriveRows
    base: FloatArray
    free_level: FloatArray
    free_growth: FloatArray
    free_floor: FloatArray
    free_ceiling: FloatArray
    free_growth_floor: FloatArray
    free_growth_ceiling: FloatArray
    low_load_n: FloatArray
    free_least_radius_m: FloatArray
    free_least_rating_ms: FloatArray

    def take(self, rows: IntArray) -> Frame:
        """Some of the drive sets, or drive sets repeated."""
        drive = DriveRows(
            **{name: getattr(self.drive, name)[..., rows] for name in DriveRows.__dataclass_fields__}
        )
        return Frame(
            self.builds[rows], drive, self.base[rows], self.free_level[rows], self.free_growth[rows],
            self.free_floor[rows], self.free_ceiling[rows], self.free_growth_floor[rows],
            self.free_growth_ceiling[rows], self.low_load_n[rows], self.free_least_radius_m[rows],
            self.free_least_rating_ms[rows],
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Additions:
    """What the m options of one free slot add to the coordinates of D drive sets.

    The sums are the same for all drive sets; the two rolling terms are ``by_load x load + by_own x own``, the first
    factors being the drive set's, the second the option's. Never written out as an array (D, m, L), which is large.

    Attributes
    ----------
    table : array (m, len(SUMS))
    load, own : arrays (m,)
        Load on the undriven axle [N]; rolling coefficient, where the slot is that of the undriven tires.
    by_load, by_own : arrays (D, 2)
    """

    table: FloatArray
    load: FloatArray
    own: FloatArray
    by_load: FloatArray
    by_own: FloatArray

    def take(self, rows: IntArray) -> Additions:
        """The same for some drive sets, or drive sets repeated."""
        return Additions(self.table, self.load, self.own, self.by_load[rows], self.by_own[rows])

    def _rolling(self, term: int) -> FloatArray:
        """One of the rolling terms: (D, m)."""
        found: FloatArray = self.by_load[:, term, None] * self.load + self.by_own[:, term, None] * self.own
        return found

    def of(self, options: IntArray, rows: IntArray | None = None) -> FloatArray:
        """Coordinates (n, L) that options (n,) add in drive sets ``rows`` (n,), or in each of all."""
        by_load, by_own = (self.by_load, self.by_own) if rows is None else (self.by_load[rows], self.by_own[rows])
        rolling = by_load * self.load[options, None] + by_own * self.own[options, None]
        return np.concatenate([self.table[options], rolling], axis=1)

    def along(self, slope: FloatArray) -> FloatArray:
        """Scores (D, m) of the options at slopes (D, L), or (L,)."""
        slopes = slope if slope.ndim > 1 else np.broadcast_to(slope, (len(self.by_load), len(COORDINATES)))
        found: FloatArray = slopes[:, : len(SUMS)] @ self.table.T
        weighed = slopes[:, len(SUMS) :]
        found += (weighed * self.by_load).sum(axis=1)[:, None] * self.load
        if self.own.any():
            found += (weighed * self.by_own).sum(axis=1)[:, None] * self.own
        return found

    def ends(self, allowed: BoolArray) -> tuple[FloatArray, FloatArray]:
        """Least and most (D, L) of each coordinate over the allowed options (D, m)."""
        count = len(self.by_load)
        least, most = np.zeros((count, len(COORDINATES))), np.zeros((count, len(COORDINATES)))
        kinds, which = kinds_of(allowed)
        for place in np.flatnonzero(self.table.any(axis=0)):
            low, high = _ends(self.table[None, :, place], kinds)
            least[:, place], most[:, place] = low[which], high[which]
        if self.load.any() or self.own.any():
            for term in (0, 1):
                column = len(SUMS) + term
                if self.own.any():
                    least[:, column], most[:, column] = _ends(self._rolling(term), allowed)
                else:
                    low, high = _ends(self.load[None], kinds)
                    one, other = self.by_load[:, term] * low[which], self.by_load[:, term] * high[which]
                    least[:, column], most[:, column] = np.minimum(one, other), np.maximum(one, other)
        return least, most


def kinds_of(allowed: BoolArray) -> tuple[BoolArray, IntArray]:
    """The different rows of a bool array (D, m), and which of them each row is."""
    bits = np.packbits(allowed, axis=1)
    words = np.zeros((len(bits), -(-bits.shape[1] // WORD) * WORD), dtype=np.uint8)
    words[:, : bits.shape[1]] = bits
    words = words.view(np.uint64)
    # whole numbers are sorted sooner than rows: rows that differ almost surely have different ones
    number = words @ _multipliers(words.shape[1])
    _, first, which = np.unique(number, return_index=True, return_inverse=True)
    if not np.array_equal(words[first][which], words):
        _, first, which = np.unique(words, axis=0, return_index=True, return_inverse=True)
    return allowed[first], which.reshape(-1)


@cache
def _multipliers(count: int) -> npt.NDArray[np.uint64]:
    """Whole numbers (count,) by which words are mixed into one; always the same."""
    return np.random.default_rng(0).integers(1, 2**63, count, dtype=np.uint64)


def _ends(values: FloatArray, allowed: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Least and most of values (1 or D, m) over the allowed options: (D,) each; inf and -inf where there is none."""
    return np.where(allowed, values, np.inf).min(axis=1), np.where(allowed, values, -np.inf).max(axis=1)


class LinearSpace:
    """Coordinates of drive sets and options of one scenario, for one salt condition.

    Parameters
    ----------
    model : RunModel
        The scenario's builds as simulator inputs.
    runs : tuple of Conditions
        The runs that count; their salt's coefficient enters the coordinates.
    usable : tuple of bool arrays (m_s,)
        Options that may stand in some legal build; bounds over undriven tires are taken over these.
    """

    def __init__(self, model: RunModel, runs: tuple[Conditions, ...], usable: tuple[BoolArray, ...]) -> None:
        self.model = model
        self.salt = runs[0].salt
        self.usable = usable
        slots = range(len(model.options.slots))
        self.free_slots = tuple(s for s in slots if s not in model.drive_slots)
        self.free_axle: Axle | None = {"front": "rear", "rear": "front", "all": None}[model.car.drive]
        self.free_tires = model.slot_on("tire", self.free_axle) if self.free_axle else None
        self.load_column = C[f"{self.free_axle}_load_kg"] if self.free_axle else 0

    def _low_load_n(self, drive: FloatArray, allowed: tuple[BoolArray, ...]) -> FloatArray:
        """A load (D,) of the undriven axle that no completion falls below; ``drive`` is that without free slots."""
        column = S[f"{self.free_axle}_load_kg"]
        low = drive.copy()
        for s, ok in zip(self.free_slots, allowed, strict=True):
            weight = self.model.sums[s][:, column]
            least = np.where(ok, weight, np.inf).min(axis=1) if weight.any() else np.zeros(1)
            low += np.where(np.isfinite(least), least, 0.0)  # without any option there is no completion
        found: FloatArray = low * air.G
        return found

    def frame(self, builds: IntArray, allowed: tuple[BoolArray, ...] | None = None) -> Frame:
        """Drive sets given as builds (D, S) whose free slots do not matter.

        ``allowed`` are the options (1 or D, m_s) of each free slot, the usable ones where left out: the fewer, the
        closer the planes that stand in for products.
        """
        if allowed is None:
            allowed = tuple(self.usable[s][None] for s in self.free_slots)
        model, count = self.model, len(builds)
        drive = model.drive_rows(builds)
        sums = np.repeat(model.base[None], count, axis=0)
        for s in model.drive_slots:
            sums += model.sums[s][builds[:, s]]
        base = np.zeros((count, len(COORDINATES)))
        base[:, : len(SUMS)] = sums
        if self.free_tires is None:
            nothing = np.zeros(count)
            return Frame(builds, self._loosest(drive), base, *[nothing] * 9)
        axle = ("front", "rear").index(cast(str, self.free_axle))
        tires = [cast(Tire, part) for part in model.options.parts[self.free_tires]]
        own = np.array([tire.rolling_coefficient for tire in tires])
        level = drive.coefficient[axle] / own[builds[:, self.free_tires]]
        growth = drive.speed_term[axle] / own[builds[:, self.free_tires]]
        ok = self._open_tires(allowed)
        low, high = (np.broadcast_to(each, count) for each in _ends(own, ok))
        steady = self.salt.rolling_coefficient + base[:, C["rolling_change"]]
        floor, growth_floor = steady + low * level, low * growth
        low_load = self._low_load_n(sums[:, S[f"{self.free_axle}_load_kg"]], allowed)
        load = base[:, self.load_column] * air.G
        base[:, C["free_rolling_n"]] = floor * load - (floor - steady) * low_load
        base[:, C["free_rolling_nv2"]] = growth_floor * (load - low_load)
        radius = drive.radius_m.copy()
        smallest, radius[axle] = _ends(model.radii_m(self.free_tires), ok)
        rating = drive.rating_ms.copy()
        least_rating = _ends(self.model.held_ms(self.free_tires), ok)[0]
        rating[axle] = np.inf
        loosest = replace(self._loosest(drive), radius_m=radius, rating_ms=rating)
        return Frame(
            builds, loosest, base, level, growth, floor, steady + high * level, growth_floor, high * growth, low_load,
            np.broadcast_to(smallest, count), np.broadcast_to(least_rating, count),
        )  # fmt: skip

    def largest_radius_m(self, builds: IntArray, allowed: tuple[BoolArray, ...]) -> FloatArray:
        """Rolling radius (2, D) of front and rear tires of drive sets, the largest allowed where tires are free."""
        radius = self.model.drive_rows(builds).radius_m.copy()
        if self.free_tires is not None:
            axle = ("front", "rear").index(cast(str, self.free_axle))
            radius[axle] = _ends(self.model.radii_m(self.free_tires), self._open_tires(allowed))[1]
        return radius

    def _open_tires(self, allowed: tuple[BoolArray, ...]) -> BoolArray:
        """Undriven tires allowed in each drive set; any where none is: there is no completion then."""
        ok = allowed[self.free_slots.index(cast(int, self.free_tires))]
        return np.where(ok.any(axis=1, keepdims=True), ok, True)

    def _loosest(self, drive: DriveRows) -> DriveRows:
        """The same drive sets with the highest caps their free slots could give: none."""
        return replace(drive, cap_ms=np.full_like(drive.cap_ms, np.inf))

    def additions(self, frame: Frame, s: int) -> Additions:
        """What each option of a free slot adds to the coordinates of each drive set."""
        table = self.model.sums[s]
        count, nothing = len(frame.builds), np.zeros(len(table))
        if self.free_tires is None:
            none = np.zeros((count, 2))
            return Additions(table, nothing, nothing, none, none)
        load = table[:, self.load_column] * air.G
        own = nothing
        if s == self.free_tires:
            own = np.array([cast(Tire, part).rolling_coefficient for part in self.model.options.parts[s]])
        by_own = np.stack([frame.free_level, frame.free_growth], axis=1) * frame.low_load_n[:, None]
        return Additions(table, load, own, np.stack([frame.free_floor, frame.free_growth_floor], axis=1), by_own)

    def inputs(
        self, frame: Frame, point: FloatArray, conditions: Conditions, grip_point: FloatArray | None = None
    ) -> RunInputs:
        """Simulator inputs of cars at points (D, L), one for each drive set of the frame.

        ``grip_point`` gives the loads and lift that make grip where they are to differ from those that make
        rolling resistance: for a car better than any real one in both.
        """
        inputs = self.model.inputs_from(point[:, : len(SUMS)], frame.drive, conditions)
        if self.free_axle is not None:
            inputs = self._with_rolling(inputs, frame, point, self._other_salt(conditions))
        if grip_point is not None:
            inputs = replace(
                inputs,
                front_grip_n=grip_point[:, C["front_load_kg"]] * air.G,
                rear_grip_n=grip_point[:, C["rear_load_kg"]] * air.G,
                front_lift_m2=grip_point[:, C["front_lift_m2"]],
                rear_lift_m2=grip_point[:, C["rear_lift_m2"]],
            )
        return inputs

    def slow_inputs(
        self, frame: Frame, point: FloatArray, grip_point: FloatArray, conditions: Conditions
    ) -> RunInputs:
        """Simulator inputs of cars no faster than any real one: most of everything that slows, at points (D, L).

        No plane stands in for a product here: the undriven axle has the highest coefficient on the load of the point,
        lift saves at the lowest, undriven wheels turn at the smallest radius, and their rating holds the limiter.
        """
        drive = frame.drive
        if self.free_axle is not None:
            axle, sums = ("front", "rear").index(self.free_axle), self.salt.rolling_coefficient
            own = {"coefficient": frame.free_ceiling - sums - frame.base[:, C["rolling_change"]],
                   "speed_term": frame.free_growth_ceiling, "radius_m": frame.free_least_radius_m,
                   "rating_ms": frame.free_least_rating_ms}  # fmt: skip
            worst = {name: getattr(drive, name).copy() for name in own}
            for name, value in own.items():
                worst[name][axle] = value
            drive = replace(drive, **worst)
        inputs = self.model.inputs_from(point[:, : len(SUMS)], drive, conditions)
        saves, grows = inputs.lift_rolling_m2, inputs.lift_rolling_v2
        if self.free_axle is not None:  # of lift that saves, at the lowest coefficient: not at that of the worst tire
            lift = np.maximum(point[:, C[f"{self.free_axle}_lift_m2"]], 0.0)
            saves = saves - (frame.free_ceiling - frame.free_floor) * lift
            grows = grows - (frame.free_growth_ceiling - frame.free_growth_floor) * lift
        return replace(
            inputs,
            lift_rolling_m2=saves,
            lift_rolling_v2=grows,
            front_grip_n=grip_point[:, C["front_load_kg"]] * air.G,
            rear_grip_n=grip_point[:, C["rear_load_kg"]] * air.G,
            front_lift_m2=grip_point[:, C["front_lift_m2"]],
            rear_lift_m2=grip_point[:, C["rear_lift_m2"]],
        )

    def _other_salt(self, conditions: Conditions) -> float:
        """How much more the salt of some conditions adds to rolling coefficients than that of the runs that count."""
        return conditions.salt.rolling_coefficient - self.salt.rolling_coefficient

    def saved_on_other_salt(self, span_load_kg: FloatArray, conditions: Conditions) -> FloatArray:
        """Rolling [N] (D,) that the undriven axle may save on firmer salt, beyond `inputs` at the best of everything.

        There it saves with that point's load; ``span_load_kg`` (D,) is how much more load there may be.
        """
        free = 0.0 if self.free_axle is None else 1.0
        return free * max(-self._other_salt(conditions), 0.0) * air.G * span_load_kg

    def _with_rolling(self, inputs: RunInputs, frame: Frame, point: FloatArray, other: float) -> RunInputs:
        """The same inputs with the undriven axle's rolling from the coordinates, on salt of ``other`` more rolling."""
        driven = 1 - ("front", "rear").index(cast(str, self.free_axle))
        name = ("front", "rear")[driven]
        load = point[:, C[f"{name}_load_kg"]] * air.G
        lift, free_lift = point[:, C[f"{name}_lift_m2"]], point[:, C[f"{self.free_axle}_lift_m2"]]
        steady = self.salt.rolling_coefficient + other + point[:, C["rolling_change"]]
        coefficient, growth = steady + frame.drive.coefficient[driven], frame.drive.speed_term[driven]
        best = np.where(free_lift > 0, frame.free_ceiling, frame.free_floor) + other
        free_rolling = point[:, C["free_rolling_n"]] + other * air.G * point[:, self.load_column]
        return replace(
            inputs,
            rolling_n=coefficient * load + free_rolling + point[:, C["brake_drag_n"]],
            rolling_nv2=growth * load + point[:, C["free_rolling_nv2"]],
            lift_rolling_m2=coefficient * lift + best * free_lift,
            lift_rolling_v2=growth * lift + frame.free_growth_floor * np.minimum(free_lift, 0.0)
            + frame.free_growth_ceiling * np.maximum(free_lift, 0.0),
        )  # fmt: skip
