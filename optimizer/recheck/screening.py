"""A quick bound for many drive sets at once: the best of everything a box holds, in each cell of speed by itself.

It rests on what `run.envelope` rests on (docs/method.md, section 4), with some things made simpler. Slip is at least
what the least resistance asks of the most grip, and at most what the driver allows. Thrust is at most power over wheel
speed, power being looked up in a table of highest values over windows.
"""

from __future__ import annotations

import numpy as np

from optimizer.choice.options import FloatArray, IntArray
from optimizer.physics.grip import slip_of_grip_use
from optimizer.recheck.asking import Case
from optimizer.run.affine import Span
from optimizer.run.conditions import Conditions
from optimizer.run.driving import Gear
from optimizer.run.extremes import TorqueExtremes, power_table
from optimizer.run.inputs import RunInputs
from optimizer.run.keeping import extremes_of
from optimizer.run.linear import Frame
from optimizer.search.demands import BestCase

Zones = tuple[tuple[float, float], ...]
COARSE: Zones = ((0.87, 1.06), (0.985, 1.01), (1.03, 1.002), (1.6, 1.06))
FINE: Zones = ((0.5, 1.03), (0.87, 1.012), (0.985, 1.003), (1.03, 1.0007), (1.6, 1.06))
"""Up to which share of the level, and by what factor, one cell follows on the last."""
SLOWEST_EDGE_MS = 2.0
STEP = 0.002
"""Step of the table of powers, as a share of engine speed."""
SLOWEST_RPM = 200.0
WIDER = 1.0 + 1e-9
"""Windows are this much wider, for rounding."""


class Screen:
    """Bounds on scores near a level, for one case.

    Parameters
    ----------
    case : Case
    level_ms : float
    fine : bool
        Whether cells are narrow, and slip is found from what the engine at least gives: sharper, and slower.
    """

    def __init__(self, case: Case, level_ms: float, *, fine: bool) -> None:
        self.case, self.fine, self.zones = case, fine, FINE if fine else COARSE
        self.edges, self.zone = _edges(self.zones, level_ms, float(case.judge.model.car.start_speed_ms))
        self.tables = [self._powers(conditions) for conditions in case.judge.conditions]

    def _most_slip(self, conditions: Conditions) -> float:
        """Slip of driven tires that no driver passes."""
        limit, slide = self.case.judge.model.car.grip_use_limit, conditions.salt.slip_at_slide
        return float(slip_of_grip_use(limit, np.array(slide)))

    def _powers(self, conditions: Conditions) -> FloatArray:
        """Highest and lowest power of windows that begin in a step of engine speed: (2, zones, engines, steps)."""
        model, slip = self.case.judge.model, self._most_slip(conditions)
        limits = np.array([engine.rev_limit_rpm for engine in model.engines])
        steps = int(np.log(limits.max() / SLOWEST_RPM) / STEP) + 2
        grid = SLOWEST_RPM * np.exp(STEP * np.arange(steps))
        low = np.minimum(np.concatenate([[0.0], grid[1:]]), limits[:, None])
        engine = np.arange(len(limits))
        most, least = (TorqueExtremes(power_table(model.table, least=each)) for each in (False, True))
        found = []
        for _, factor in self.zones:
            high = np.minimum(grid * np.exp(STEP) * factor * (1.0 + slip) * WIDER, limits[:, None])
            window = low, np.maximum(high, low)
            found.append([most.highest(engine, *window), least.lowest(engine, *window)])
        return np.stack(found, axis=1)

    def cases(self, frame: Frame, span: Span) -> list[BestCase]:
        """The best that boxes can do in each run that counts."""
        (fast, grip), (slow, gripless) = extremes_of(span, best=True), extremes_of(span, best=False)
        space, found = self.case.space, []
        for conditions, table in zip(self.case.judge.conditions, self.tables, strict=True):
            best = space.inputs(frame, fast, conditions, grip)
            worst = space.inputs(frame, slow, conditions, gripless)
            found.append(self._best(best, worst, table, self._most_slip(conditions)))
        return found

    def _best(self, best: RunInputs, worst: RunInputs, table: FloatArray, most_slip: float) -> BestCase:
        left, right = self.edges[:-1, None], self.edges[1:, None]
        every = np.repeat(self.edges[:, None], len(best), axis=1)
        drag, rolling, pressure = Gear(best, 0).resistance(every)
        resistance = np.minimum((drag + rolling)[:-1], (drag + rolling)[1:])
        slip = self._least_slip(best, np.maximum(resistance, 0.0), pressure)
        ends = np.full((2, *resistance.shape), -np.inf)
        still = self._still_grip(best, pressure)
        least_slip = slip
        for number in range(len(best.overall)):
            gear = Gear(best, number)
            limit = np.minimum(gear.limit_surface, best.surface_cap_ms)
            # cells beyond the limiter of every drive set are left out
            most = float(np.where(gear.exists, limit, 0.0).max()) * WIDER
            stop = int(np.searchsorted(self.edges[:-1], most, side="right"))
            low, high, floor, against = left[:stop], right[:stop], least_slip[:stop], resistance[:stop]
            slip = self._engine_slip(worst, gear, table[1], still[:stop], against, floor, most_slip)
            surface = low * (1.0 + slip)
            goes = gear.exists & (low * (1.0 + floor) <= limit * WIDER)
            watts = self._watts(gear, table[0], surface)
            light = high * (1.0 + most_slip) * WIDER >= limit  # on the limiter wheels gain no speed
            if number == 0:
                light |= low < gear.launch_surface
            inertia = best.translating_kg + np.where(light, 0.0, gear.turning_kg)
            for end, speed in zip(ends[:, :stop], (low, high), strict=True):
                with np.errstate(divide="ignore"):
                    gain = (watts / (speed * (1.0 + slip)) - against) / inertia
                np.maximum(end, np.where(goes, gain, -np.inf), out=end)
        grip = (best.grip_use_limit / (1.0 - best.grip_use_limit * np.maximum(_load_shift(best), 0.0))) * still
        by_grip = (grip - resistance) / best.translating_kg
        distance, driven = self._distance(best, worst, ends, by_grip, most_slip)
        return BestCase(self.edges, distance, driven, np.zeros((len(best), len(self.edges) - 1)))

    def _watts(self, gear: Gear, table: FloatArray, surface: FloatArray) -> FloatArray:
        """Thrust times wheel speed (k, E) in windows of the first k cells that begin at wheel speeds (k, E)."""
        rpm = gear.rpm_at(surface)
        if gear.number == 0:
            rpm = np.maximum(rpm, gear.inputs.launch_rpm)
        return gear.force_per_torque / gear.rpm_per_surface * self._power(table, gear.inputs.engine, rpm)

    def _engine_slip(
        self,
        worst: RunInputs,
        gear: Gear,
        table: FloatArray,
        still: FloatArray,
        resistance: FloatArray,
        least_slip: FloatArray,
        most_slip: float,
    ) -> FloatArray:
        """Slip (k, E) that every car has at full throttle in a gear, below its limiter, in the first k cells.

        Thrust is nearer to the engine's than to resistance, by the share of the mass that does not turn.
        """
        if not self.fine or gear.number == 0:
            return least_slip
        inputs, cells = gear.inputs, len(resistance)
        left, right = self.edges[:cells, None], self.edges[1 : cells + 1, None]
        fastest = right * (1.0 + most_slip)
        engine = self._watts(gear, table, left * (1.0 + least_slip)) / fastest
        heavy = Gear(worst, gear.number).turning_kg * (1.0 + most_slip)
        own = inputs.translating_kg / (inputs.translating_kg + heavy)
        sure = own * engine + (1.0 - own) * np.minimum(resistance, engine)
        free = fastest * WIDER < np.minimum(gear.limit_surface, inputs.surface_cap_ms)
        thrust = np.where(free, np.maximum(sure, resistance), resistance)
        return np.maximum(least_slip, _slip_at(inputs, thrust, still))

    def _power(self, table: FloatArray, engine: IntArray, rpm: FloatArray) -> FloatArray:
        """Highest power in each of the first k cells (k, E), by the engine speed at which its window begins."""
        size = table.shape[-1]
        place = np.log(np.maximum(rpm / (SLOWEST_RPM * WIDER), 1.0)) * (1.0 / STEP)
        step = np.minimum(place.astype(np.int64), size - 1)
        found: FloatArray = table.ravel()[(self.zone[: len(rpm), None] * table.shape[1] + engine) * size + step]
        return found

    def _least_slip(self, best: RunInputs, thrust: FloatArray, pressure: FloatArray) -> FloatArray:
        """Slip (K, E) that every car has which keeps its speed: least thrust over the most grip there is.

        Resistance takes load off the front as thrust does: a car that gains speed has no more grip there than still.
        """
        return _slip_at(best, thrust, self._still_grip(best, pressure))

    @staticmethod
    def _still_grip(best: RunInputs, pressure: FloatArray) -> FloatArray:
        """Most grip of the driven axles without any shift of load in each cell: (K, E)."""
        gear = Gear(best, 0)
        still = gear.still_grip_n - gear.grip_lift_m2 * pressure
        found: FloatArray = np.maximum(np.maximum(still[:-1], still[1:]), 1.0)
        return found

    def _distance(
        self, best: RunInputs, worst: RunInputs, ends: FloatArray, by_grip: FloatArray, most_slip: float
    ) -> tuple[FloatArray, FloatArray]:
        """Least distance to each edge (E, K + 1), with shifts and without."""
        edges = self.edges
        squares, cubes = (edges[1:] ** power - edges[:-1] ** power for power in (2, 3))
        ahead = ((2.0 / 3.0 * cubes / squares - edges[:-1]) / np.diff(edges))[:, None]
        with np.errstate(invalid="ignore", divide="ignore"):
            gain = np.where(np.isfinite(ends[0]), ends[0] + (ends[1] - ends[0]) * ahead, ends[0])
            gain = np.minimum(gain, by_grip)
            gain = np.where((edges[:-1] >= best.cap_ms[:, None]).T, -np.inf, gain)
            gain = np.where(edges[:-1, None] < -float(best.headwind_ms), np.inf, gain)
            steps = np.where(gain > 0, 0.5 * squares[:, None] / np.where(gain > 0, gain, 1.0), np.inf)
        driven = np.concatenate([np.zeros((1, steps.shape[1])), np.cumsum(steps, axis=0)])
        distance = driven.copy()
        before = np.full(len(best), float(best.start_speed_ms))
        for number in range(len(best.overall) - 1):
            gear = Gear(best, number)
            latest = gear.shift_surface
            drag, rolling, _ = Gear(worst, number).resistance(latest)
            lost = best.shift_time_s * np.maximum(drag + rolling, 0.0) / (best.translating_kg + best.wheel_side_kg)
            slowest = latest / (1.0 + most_slip) - lost
            counts = gear.exists & (best.overall[number + 1] > 0) & (slowest > before)
            beyond = edges[:, None] > np.minimum(gear.limit_surface, best.surface_cap_ms)
            distance += np.where(beyond & counts, best.shift_time_s * slowest, 0.0)
            before = np.maximum(before, latest)
        return distance.T, driven.T


def _slip_at(inputs: RunInputs, thrust: FloatArray, still: FloatArray) -> FloatArray:
    """Slip (K, E) of cars with no more grip than stated that push as hard as stated."""
    most = still + np.maximum(_load_shift(inputs), 0.0) * thrust
    return slip_of_grip_use(np.clip(thrust / most, 0.0, inputs.grip_use_limit), inputs.slip_at_slide)


def _load_shift(inputs: RunInputs) -> FloatArray:
    """Grip gained per newton of thrust by load transfer: (E,)."""
    return (inputs.rear_mu - inputs.front_mu) * inputs.transfer


def _edges(zones: Zones, level_ms: float, start_ms: float) -> tuple[FloatArray, IntArray]:
    """Borders of cells, each a fixed factor above the last; and the zone of each cell."""
    edges, zone_of = ([start_ms], []) if start_ms > 0 else ([0.0, SLOWEST_EDGE_MS], [0])
    for zone, (share, factor) in enumerate(zones):
        while edges[-1] < share * level_ms:
            edges.append(edges[-1] * factor)
            zone_of.append(zone)
    return np.array(edges), np.array(zone_of)
