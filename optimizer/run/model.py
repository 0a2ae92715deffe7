"""From builds to simulator inputs: what each option adds to the sums, and what the drive set fixes.

A build enters the simulator through sums over its slots (`SUMS`), to which every option adds a fixed amount whatever
else is chosen, and through the drive attributes of a few slots (engine, gears, tires, anything that multiplies).
Both are tables here, so that a thousand builds are one gather and one sum.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import cast

import numpy as np

from optimizer.choice.masses import axle_load_changes
from optimizer.choice.options import BoolArray, Options
from optimizer.physics import air, rolling, tires
from optimizer.physics.driveline import shift_rpm
from optimizer.run.conditions import Conditions, DynoSide, air_power_factor, torque_table
from optimizer.run.inputs import FloatArray, IntArray, RunInputs, TorqueTable
from optimizer.scenario.car import Slot
from optimizer.scenario.parts import Axle, Engine, Extra, FinalDrive, Gearset, Part, Rotor, Tire, Wheel

SUMS = (
    "mass_kg", "front_load_kg", "rear_load_kg", "drag_area_m2", "front_lift_m2", "rear_lift_m2", "brake_drag_n",
    "rolling_change", "engine_kgm2", "shaft_kgm2", "front_turning_kgm2", "rear_turning_kgm2",
)  # fmt: skip
"""Quantities that are plain sums over slots."""
LEAST_PRESSURE_PA = 5e4
"""Rolling is not taken further down than this gauge pressure."""
S = {name: position for position, name in enumerate(SUMS)}


@dataclass(frozen=True, slots=True)
class DriveRows:
    """Drive attributes of n builds: what the options of the drive slots fix. Arrays (n,) unless said.

    ``coefficient`` and ``speed_term`` are the tires' own rolling coefficient and its growth with speed squared, per
    axle (2, n); ``radius_m``, its ``growth`` by 100 mph, ``mu_factor`` and ``rating_ms`` (surface speed at which the
    limiter is set for the tires' rating; inf where it is not) per axle (2, n); ``overall``, ``shift_rpm`` and
    ``efficiency`` per gear (G, n).
    """

    engine: IntArray
    rev_limit_rpm: FloatArray
    launch_rpm: FloatArray
    overall: FloatArray
    shift_rpm: FloatArray
    final_ratio: FloatArray
    efficiency: FloatArray
    coefficient: FloatArray
    speed_term: FloatArray
    radius_m: FloatArray
    growth: FloatArray
    mu_factor: FloatArray
    cap_ms: FloatArray
    rating_ms: FloatArray


def rolling_radius_m(tire: Tire) -> float:
    """Rolling radius: the measured roll-out where there is one, else the standard share of the diameter."""
    if tire.circumference_m is not None:
        return tire.circumference_m / (2 * np.pi)
    return float(tires.rolling_circumference_m(tire.size.diameter_m)) / (2 * float(np.pi))


class RunModel:
    """Simulator inputs for the builds of one scenario.

    Parameters
    ----------
    options : Options
        What may stand in each slot.
    like : RunModel, optional
        Of a car that may differ in a few numbers: where the engines are the same, so is its table of their torque.
    """

    def __init__(self, options: Options, like: RunModel | None = None) -> None:
        self.options = options
        self._columns: dict[tuple[int, str], FloatArray] = {}
        self._carrying: dict[str, tuple[BoolArray, ...]] = {}
        self._efficiencies: tuple[FloatArray, FloatArray] | None = None
        car = options.scenario.car
        self.car = car
        self.limiter_holds_rating = options.scenario.event.rating_rule == "limiter" and car.limiter_adjustable
        loads = zip(*axle_load_changes(options), strict=True)
        self.sums = tuple(self._sums_of_slot(s, *each) for s, each in enumerate(loads))
        self.base = self._base_sums()
        self.engines = tuple(cast(Engine, part) for part in options.parts[self._only("engine")])
        self.dyno_side = self._dyno_side()
        self.table: TorqueTable = (
            like.table if like is not None and self._as_strong_as(like) else torque_table(self.engines, self.dyno_side)
        )
        self.drive_slots = self._find_drive_slots()
        self._shift_cache: dict[tuple[int, int, int], FloatArray] = {}

    def shifting_as(self, other: RunModel) -> RunModel:
        """Take over the engine speeds at which another model leaves its gears; the same model, for chaining.

        For models that differ in little: where two gears pull alike, a shift a little off costs next to nothing.
        """
        self._shift_cache = other._shift_cache
        return self

    # --- sums ---------------------------------------------------------------------------------------------------

    def _only(self, kind: str) -> int:
        """Position of the one slot of a kind."""
        return next(s for s, slot in enumerate(self.options.slots) if slot.kind == kind)

    def _driven_axles(self) -> tuple[Axle, ...]:
        """The axles that push."""
        return ("front", "rear") if self.car.drive == "all" else (self.car.drive,)

    def _dyno_side(self) -> DynoSide:
        """What of the car as it stands was on a dynamometer with the engine."""
        car, sums = self.car, self.sums_of(self.options.fitted[None])[0]
        tires = {axle: cast(Tire, self.options.parts[cast(int, self.slot_on("tire", axle))][0]) for axle in
                 self._driven_axles()}
        return DynoSide(
            efficiency=car.driveline_efficiency,
            wheels_kgm2=sum(float(sums[S[f"{axle}_turning_kgm2"]]) for axle in tires),
            radius_m=sum(rolling_radius_m(tire) for tire in tires.values()) / len(tires),
            tire_drag_n=sum(
                tire.rolling_coefficient * float(rolling.rolling_terms(car.hub(axle).tire_pressure_pa)[0])
                * float(sums[S[f"{axle}_load_kg"]]) * air.G
                for axle, tire in tires.items()
            ),
        )  # fmt: skip

    def _as_strong_as(self, other: RunModel) -> bool:
        """Whether the engines are those of another model; what else was on a dynamometer counts only at the wheels."""
        at_wheels = any(engine.measured_at != "flywheel" for engine in self.engines)
        return self.engines == other.engines and (not at_wheels or self.dyno_side == other.dyno_side)

    def slot_on(self, kind: str, axle: Axle) -> int | None:
        """Position of the slot of a kind on an axle."""
        return next((s for s, slot in enumerate(self.options.slots) if slot.kind == kind and slot.axle == axle), None)

    def _base_sums(self) -> FloatArray:
        """Sums of the car as it stands, turning mass and brake drag counted from the parts themselves."""
        car, base = self.car, np.zeros(len(SUMS))
        base[S["mass_kg"]] = car.mass_kg
        base[S["front_load_kg"]] = car.mass_kg * car.front_share
        base[S["rear_load_kg"]] = car.mass_kg * (1 - car.front_share)
        base[S["drag_area_m2"]] = car.drag_area_m2
        base[S["front_lift_m2"]] = car.front_lift_area_m2
        base[S["rear_lift_m2"]] = car.rear_lift_area_m2
        base[S["engine_kgm2"]] = car.gearbox_inertia_kgm2
        base[S["shaft_kgm2"]] = car.propshaft_inertia_kgm2
        base[S["front_turning_kgm2"]] = car.front.hub_inertia_kgm2 * 2
        base[S["rear_turning_kgm2"]] = car.rear.hub_inertia_kgm2 * 2
        return base

    def _sums_of_slot(self, s: int, front_kg: FloatArray, rear_kg: FloatArray) -> FloatArray:
        """What each option of a slot adds to the sums, axle loads (m_s,) as given: shape (m_s, len(SUMS))."""
        slot, parts = self.options.slots[s], self.options.parts[s]
        table = np.zeros((len(parts), len(SUMS)))
        table[:, S["front_load_kg"]] = front_kg
        table[:, S["rear_load_kg"]] = rear_kg
        table[:, S["mass_kg"]] = front_kg + rear_kg
        for o, part in enumerate(parts):
            self._add_turning(table[o], slot, part)
            self._add_shape(table[o], slot, part, parts[0])
        return table

    def _add_turning(self, row: FloatArray, slot: Slot, part: Part) -> None:
        """Inertia and brake drag of one option, absolute: the base holds only what is not a part."""
        if isinstance(part, Tire | Wheel | Rotor):
            row[S[f"{slot.axle}_turning_kgm2"]] += slot.count * part.inertia_kgm2
        if isinstance(part, Rotor):
            row[S["brake_drag_n"]] += slot.count * part.brake_drag_n
        if isinstance(part, Engine | Gearset):
            row[S["engine_kgm2"]] += slot.count * part.inertia_kgm2
        if isinstance(part, FinalDrive):
            row[S["shaft_kgm2"]] += slot.count * part.inertia_kgm2
        if isinstance(part, Extra):
            shaft = {
                "front wheels": "front_turning_kgm2", "rear wheels": "rear_turning_kgm2",
                "propshaft": "shaft_kgm2", "engine": "engine_kgm2",
            }  # fmt: skip
            if part.turns_with:
                row[S[shaft[part.turns_with]]] += slot.count * part.inertia_kgm2
            row[S["brake_drag_n"]] += slot.count * part.brake_drag_n
            row[S["rolling_change"]] += slot.count * part.rolling_change

    def _add_shape(self, row: FloatArray, slot: Slot, part: Part, fitted: Part) -> None:
        """Drag and lift areas, as changes from the fitted part: those are in the car's own figures."""
        car = self.car
        if isinstance(part, Tire) and isinstance(fitted, Tire):
            rise = (part.size.diameter_m - fitted.size.diameter_m) / 2
            row[S["drag_area_m2"]] += car.drag_area_per_height_m * rise / 2
            if slot.axle == "front":
                wider = part.size.section_width_m - fitted.size.section_width_m
                row[S["drag_area_m2"]] += car.drag_area_per_tire_width_m * wider
        for sign, each in ((1.0, part), (-1.0, fitted)):
            if isinstance(each, Extra):
                rise = (each.front_ride_height_m + each.rear_ride_height_m) / 2
                row[S["drag_area_m2"]] += sign * slot.count * (each.drag_area_m2 + car.drag_area_per_height_m * rise)
                row[S["front_lift_m2"]] += sign * slot.count * each.front_lift_area_m2
                row[S["rear_lift_m2"]] += sign * slot.count * each.rear_lift_area_m2

    def sums_of(self, builds: IntArray) -> FloatArray:
        """Sums of builds (n, S): shape (n, len(SUMS))."""
        total = np.repeat(self.base[None], len(builds), axis=0)
        for s, table in enumerate(self.sums):
            total += table[builds[:, s]]
        return total

    # --- drive set ----------------------------------------------------------------------------------------------

    def _find_drive_slots(self) -> tuple[int, ...]:
        """Slots whose choice fixes wheel force at a road speed or multiplies another input."""
        driven = self._driven_axles()
        found = []
        for s, slot in enumerate(self.options.slots):
            multiplies = any(
                isinstance(part, Extra) and (part.pressure_pa != 0 or part.grip_factor != 1 or part.rolling_change != 0)
                for part in self.options.parts[s]
            )
            drives = slot.kind in ("engine", "final drive", "gearset") or (slot.kind == "tire" and slot.axle in driven)
            if drives or multiplies:
                found.append(s)
        return tuple(found)

    def _gather(self, builds: IntArray, s: int, name: str, value: Callable[[Part], float]) -> FloatArray:
        """A number of the option chosen in one slot: shape (n,). Kept by its name, for all options at once."""
        if (s, name) not in self._columns:
            self._columns[s, name] = np.array([value(part) for part in self.options.parts[s]], dtype=float)
        return self._columns[s, name][builds[:, s]]

    def drive_rows(self, builds: IntArray) -> DriveRows:
        """Drive attributes of builds (n, S)."""
        count = len(builds)
        e, g, f = self._only("engine"), self._only("gearset"), self._only("final drive")
        overall, shift = self._gearing(builds, e, g, f)
        mu = np.ones(count)
        cap = np.full(count, np.inf)
        for s, slot in enumerate(self.options.slots):
            if slot.kind == "extra":
                mu *= self._gather(builds, s, "grip", lambda p: p.grip_factor if isinstance(p, Extra) else 1.0)
                cap = np.minimum(cap, self._gather(builds, s, "cap", _cap_of))
        cap = np.minimum(cap, self._bracket_caps(builds))
        axles = [self._tire_rows(builds, axle) for axle in ("front", "rear")]
        coefficient, speed_term, radius, growth, grip, rating = (np.stack(each) for each in zip(*axles, strict=True))
        return DriveRows(
            engine=builds[:, e],
            rev_limit_rpm=self._gather(builds, e, "rev limit", lambda p: cast(Engine, p).rev_limit_rpm),
            launch_rpm=self._gather(builds, e, "launch", lambda p: cast(Engine, p).launch_rpm),
            overall=overall,
            shift_rpm=shift,
            final_ratio=self._gather(builds, f, "ratio", lambda p: cast(FinalDrive, p).ratio),
            efficiency=self._efficiency(builds, g, f),
            coefficient=coefficient,
            speed_term=speed_term,
            radius_m=radius,
            growth=growth,
            mu_factor=mu * grip,
            cap_ms=cap,
            rating_ms=rating if self.limiter_holds_rating else np.full_like(rating, np.inf),
        )

    def held_ms(self, s: int) -> FloatArray:
        """Surface speed (m_s,) at which the limiter holds each tire of a slot for its rating; infinite where not."""
        margin = 1 + self.options.scenario.event.fast_case.tire_speed_margin
        rated = np.array([rated_speed_ms(cast(Tire, part)) for part in self.options.parts[s]])
        return rated / margin if self.limiter_holds_rating else np.full(len(rated), np.inf)

    def radii_m(self, s: int) -> FloatArray:
        """Rolling radius (m_s,) of each tire of a slot; worked out once, and not to be written to."""
        key = s, "rolling radius"
        if key not in self._columns:
            parts = self.options.parts[s]
            self._columns[key] = np.array([rolling_radius_m(cast(Tire, part)) for part in parts])
        return self._columns[key]

    def pressure_pa(self, builds: IntArray, axle: Axle) -> FloatArray:
        """Gauge pressure (n,) of the tires on an axle: as planned, with what extras change there."""
        pressure = np.full(len(builds), self.car.hub(axle).tire_pressure_pa)
        for s, slot in enumerate(self.options.slots):
            if slot.kind == "extra" and slot.axle in (None, axle):
                each = self._gather(builds, s, "pressure", lambda p: p.pressure_pa if isinstance(p, Extra) else 0.0)
                pressure += each
        return pressure

    def _tire_rows(self, builds: IntArray, axle: Axle) -> tuple[FloatArray, ...]:
        """Rolling coefficient, its rise with speed squared, radius, its growth, grip factor, rated speed of an axle."""
        s = self.slot_on("tire", axle)
        if s is None:
            msg = f"the car has no slot for {axle} tires"
            raise ValueError(msg)
        pressure = np.maximum(self.pressure_pa(builds, axle), LEAST_PRESSURE_PA)
        level, growth = rolling.rolling_terms(pressure, rolling.REFERENCE_PRESSURE_PA)
        own = self._gather(builds, s, "rolling", lambda p: cast(Tire, p).rolling_coefficient)
        margin = 1 + self.options.scenario.event.fast_case.tire_speed_margin
        return (
            own * level,
            own * growth,
            self._gather(builds, s, "radius", lambda p: rolling_radius_m(cast(Tire, p))),
            self._gather(builds, s, "growth", lambda p: cast(Tire, p).growth),
            self._gather(builds, s, "tire grip", lambda p: cast(Tire, p).grip_factor),
            self._gather(builds, s, "rated", lambda p: rated_speed_ms(cast(Tire, p))) / margin,
        )

    def _efficiency(self, builds: IntArray, g: int, f: int) -> FloatArray:
        """Driveline efficiency per gear (G, n): the car's own, scaled by what other gears are against the fitted ones.

        A part that states no efficiency has that of the fitted one.
        """
        if self._efficiencies is None:
            finals = [cast(FinalDrive, part).efficiency for part in self.options.parts[f]]
            relative = np.array([1.0 if own is None or finals[0] is None else own / finals[0] for own in finals])
            self._efficiencies = self._gear_efficiency(g), relative
        of_gears, of_finals = self._efficiencies
        return self.car.driveline_efficiency * of_gears[:, builds[:, g]] * of_finals[builds[:, f]]

    def _gear_efficiency(self, g: int) -> FloatArray:
        """Efficiency of each gear of each gearset over that which the fitted gearset states: (G, m)."""
        sets = [cast(Gearset, part) for part in self.options.parts[g]]
        base = sets[0].efficiency
        table = np.ones((max(len(unit.ratios) for unit in sets), len(sets)))
        for m, unit in enumerate(sets):
            whole = base if unit.efficiency is None else unit.efficiency
            if base is None or whole is None:
                continue
            table[:, m] = whole / base
            for gear, own in enumerate(unit.gear_efficiency):
                if own is not None:
                    table[gear, m] = own / base
        return table

    def _gearing(self, builds: IntArray, e: int, g: int, f: int) -> tuple[FloatArray, FloatArray]:
        """Overall ratios and shift speeds per gear: shapes (G, n)."""
        gearsets = [cast(Gearset, part) for part in self.options.parts[g]]
        gears = max(len(part.ratios) for part in gearsets)
        ratios = np.array([part.ratios + (0.0,) * (gears - len(part.ratios)) for part in gearsets])
        final = self._gather(builds, f, "ratio", lambda p: cast(FinalDrive, p).ratio)
        overall = ratios[builds[:, g]].T * final
        pairs, which = np.unique(builds[:, e] * len(gearsets) + builds[:, g], return_inverse=True)
        return overall, self._shifts([divmod(pair, len(gearsets)) for pair in pairs.tolist()], gears)[:, which]

    def _shifts(self, pairs: list[tuple[int, int]], gears: int) -> FloatArray:
        """Engine speeds at which each engine leaves each gear of each gearset, for pairs of these: (G, pairs)."""
        if not pairs:
            return np.zeros((gears, 0))
        new = [pair for pair in pairs if (*pair, gears) not in self._shift_cache]
        if new:
            for pair, shifts in zip(new, self._found_shifts(new), strict=True):
                limit = self.engines[pair[0]].rev_limit_rpm
                self._shift_cache[*pair, gears] = np.array([*shifts, *[limit] * (gears - len(shifts))])
        if not pairs:
            return np.zeros((gears, 0))
        return np.stack([self._shift_cache[*pair, gears] for pair in pairs], axis=1)

    def _found_shifts(self, pairs: list[tuple[int, int]]) -> list[FloatArray]:
        """Engine speeds at which the gears but the last are left, for pairs of engine and gearset, all at once."""
        g = self._only("gearset")
        efficiency = self._gear_efficiency(g)
        rows, sizes = [], []
        for engine, gearset in pairs:
            part, unit = self.engines[engine], cast(Gearset, self.options.parts[g][gearset])
            steps = efficiency[1:, gearset] / efficiency[:-1, gearset]
            rows += [
                (engine, part.launch_rpm, low, high, part.rev_limit_rpm, steps[n])
                for n, (low, high) in enumerate(pairwise(unit.ratios))
            ]
            sizes.append(len(unit.ratios) - 1)
        if not rows:
            return [np.empty(0) for _ in pairs]
        columns = np.array(rows, dtype=float).T
        engines = columns[0].astype(np.int64)
        found = shift_rpm(lambda rpm: self.table.torque(engines, rpm), *columns[1:])
        return np.split(found, np.cumsum(sizes)[:-1])

    def _bracket_caps(self, builds: IntArray) -> FloatArray:
        """Cap by the class's speed brackets whose equipment a build does not carry."""
        event = self.options.scenario.event
        cap = np.full(len(builds), np.inf)
        for bracket in self.options.scenario.race_class.brackets:
            if bracket.requires in event.carries:
                continue
            carried = np.zeros(len(builds), dtype=bool)
            if bracket.requires not in self._carrying:
                self._carrying[bracket.requires] = self.options.carrying(bracket.requires)
            for s, carry in enumerate(self._carrying[bracket.requires]):
                carried |= carry[builds[:, s]]
            cap = np.minimum(cap, np.where(carried, np.inf, bracket.cap_ms))
        return cap

    # --- inputs -------------------------------------------------------------------------------------------------

    def inputs(self, builds: IntArray, conditions: Conditions) -> RunInputs:
        """Simulator inputs of builds (n, S) under one set of conditions."""
        return self.inputs_from(self.sums_of(builds), self.drive_rows(builds), conditions)

    def inputs_from(self, sums: FloatArray, drive: DriveRows, conditions: Conditions) -> RunInputs:
        """Simulator inputs from sums (n, len(SUMS)) and drive attributes of n cars."""
        car, salt = self.car, conditions.salt
        column = {name: sums[:, position] for name, position in S.items()}
        load = np.stack([column["front_load_kg"], column["rear_load_kg"]]) * air.G
        lift = np.stack([column["front_lift_m2"], column["rear_lift_m2"]])
        coefficient = salt.rolling_coefficient + drive.coefficient + column["rolling_change"]
        driven = np.array([car.drive in ("front", "all"), car.drive in ("rear", "all")])
        turning = np.stack([column["front_turning_kgm2"], column["rear_turning_kgm2"]])
        share = driven / driven.sum()
        radius = share[0] * drive.radius_m[0] + share[1] * drive.radius_m[1]
        growth = share[0] * drive.growth[0] + share[1] * drive.growth[1]
        free = turning * ~driven[:, None] / drive.radius_m**2
        mu = salt.grip * drive.mu_factor * driven[:, None]
        scale = np.array([air_power_factor(engine, conditions.weather) for engine in self.engines])
        count = len(sums)
        return RunInputs(
            translating_kg=column["mass_kg"] + free[0] + free[1],
            wheel_side_kg=(turning[0] * driven[0] + turning[1] * driven[1]) / radius**2,
            shaft_kgm2=column["shaft_kgm2"],
            engine_kgm2=column["engine_kgm2"],
            front_grip_n=load[0],
            rear_grip_n=load[1],
            front_mu=mu[0],
            rear_mu=mu[1],
            slip_at_slide=np.full(count, salt.slip_at_slide),
            transfer=np.full(count, car.cg_height_m / car.wheelbase_m),
            rolling_n=coefficient[0] * load[0] + coefficient[1] * load[1] + column["brake_drag_n"],
            rolling_nv2=drive.speed_term[0] * load[0] + drive.speed_term[1] * load[1],
            lift_rolling_m2=coefficient[0] * lift[0] + coefficient[1] * lift[1],
            lift_rolling_v2=drive.speed_term[0] * lift[0] + drive.speed_term[1] * lift[1],
            drag_area_m2=column["drag_area_m2"],
            front_lift_m2=lift[0],
            rear_lift_m2=lift[1],
            radius_m=radius,
            growth=growth,
            overall=drive.overall,
            final_ratio=drive.final_ratio,
            efficiency=drive.efficiency,
            engine=drive.engine,
            torque_scale=scale[drive.engine],
            rev_limit_rpm=drive.rev_limit_rpm,
            launch_rpm=drive.launch_rpm,
            shift_rpm=drive.shift_rpm,
            cap_ms=drive.cap_ms,
            surface_cap_ms=np.minimum(drive.rating_ms[0], drive.rating_ms[1]),
            torque_table=self.table,
            air_density=conditions.air_density,
            headwind_ms=conditions.headwind_ms,
            crosswind_ms=conditions.crosswind_ms,
            drag_rise_at_yaw=car.drag_rise_at_yaw,
            start_speed_ms=car.start_speed_ms,
            shift_time_s=car.shift_time_s,
            grip_use_limit=car.grip_use_limit,
        )


def rated_speed_ms(tire: Tire) -> float:
    """Speed of the tire's symbol; 0 where it has none (such a tire is refused, unless an override is typed)."""
    return tires.SPEED_SYMBOL_MS[tire.speed_symbol] if tire.speed_symbol else 0.0


def _cap_of(part: Part) -> float:
    """Road speed cap that comes with a part."""
    return part.cap_ms if isinstance(part, Extra) and part.cap_ms is not None else float("inf")

