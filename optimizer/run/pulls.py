"""The most thrust that any completion of a drive set has in one gear, cell by cell of ground speed.

Slip bounds thrust, and thrust bounds slip (docs/method.md, section 4).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.physics.grip import slip_of_grip_use
from optimizer.physics.tires import GROWTH_SPEED_MS
from optimizer.run.driving import BoolArray, Gear
from optimizer.run.extremes import TorqueExtremes
from optimizer.run.inputs import FloatArray
from optimizer.run.ranges import Ranges

WINDOW_PASSES = 2
"""Times that the window of slip is closed in on."""
AFTER_SHIFT = 0.85
"""Share of a shift's speed below which the gear above surely is not wanted for what the pause has cost."""


@dataclass(frozen=True, slots=True)
class Pull:
    """One gear over K cells: highest thrust (-inf where it does not go, or another gear surely pulls harder).

    Attributes
    ----------
    force : array (E, K)
    ends : array (2, E, K)
        Values of a line above thrust at both ends of the cells.
    own_ends, per_grip : arrays (2, E, K), (E, K)
        Another such line, to which ``per_grip`` times a car's own grip without thrust is to be added.
    on_limiter : bool array (E, K)
        Where the limiter may act.
    surface : pair of arrays (E, K)
        Least wheel speed at the left end and greatest at the right, inf and -inf where it does not go.
    slip : array (E, K)
        Least slip.
    usable : bool array (E, K)
        Where some car may not slow down in it.
    highest : array (E,)
        Wheel speed up to which it is used.
    """

    force: FloatArray
    ends: FloatArray
    own_ends: FloatArray
    per_grip: FloatArray
    on_limiter: BoolArray
    surface: tuple[FloatArray, FloatArray]
    slip: FloatArray
    usable: BoolArray
    highest: FloatArray


class Pulls:
    """Looks at the gears of drive sets one after the other.

    Parameters
    ----------
    ranges : Ranges
    reached_ms : array (E,) or float
        Ground speed that every car that counts once reaches: a gear that does not go so fast has been left.
    """

    def __init__(self, ranges: Ranges, reached_ms: FloatArray | float) -> None:
        self.ranges, self.base, self.edges, self.reached_ms = ranges, ranges.base, ranges.edges, reached_ms
        self.extremes = TorqueExtremes(ranges.base.torque_table)
        self.most_slip = slip_of_grip_use(self.base.grip_use_limit, self.base.slip_at_slide)
        self.lightest = ranges.cars["translating_kg"].least(ranges.span)

    def all(self) -> list[Pull]:
        """Every gear, from the first."""
        found: list[Pull] = []
        below = np.full(self.ranges.least_resistance.shape, -np.inf)
        for number in range(len(self.base.overall)):
            gear = Gear(self.base, number)
            pull = self._pull(gear, self._first_cell(gear, below))
            found.append(pull)
            heavy = 1.0 + self.ranges.inertia[number].most(self.ranges.span) * (1.0 + self.most_slip) / self.lightest
            lowest = np.minimum(pull.ends, pull.own_ends + pull.per_grip * self.ranges.least_grip).min(axis=0)
            np.maximum(below, lowest / heavy[:, None], out=below)
        return found

    def _first_cell(self, gear: Gear, below: FloatArray) -> int:
        """The cell below which no car of any drive set is faster in a gear than in one of those below it.

        ``below`` (E, K) is the lowest that bounds on their thrust come to, less what makes up for the inertia they
        carry. So these bounds hold in the gear too: at any resistance a car gains no more with less thrust, nor with as
        much more inertia as thrust.
        """
        if gear.number == 0 or self.ranges.least_resistance.min() < 0:
            return 0
        lower = Gear(self.base, gear.number - 1).shift_surface * AFTER_SHIFT / (1.0 + self.most_slip)
        wanted = int(self.ranges.cell(lower[gear.exists]).min(initial=len(self.edges) - 2))
        most = gear.force_per_torque * self.base.torque_table.torque_nm.max(axis=1)[self.base.engine]
        weaker = ((most[:, None] <= below[:, :wanted]) | ~gear.exists[:, None]).all(axis=0)
        return wanted if weaker.all() else int(weaker.argmin())

    def _pull(self, gear: Gear, first: int) -> Pull:
        """Highest thrust in every cell, from one on, at any slip a car of the span can have there at full throttle.

        A car that gains speed has thrust at the ground between resistance and what the engine gives, nearer to the
        latter by its share of mass; that over grip bounds slip, and slip bounds where the engine is on its curve.
        """
        ranges, inputs, moved = self.ranges, self.base, self.ranges.moved[:, None]
        slide, limit = inputs.slip_at_slide[:, None], inputs.grip_use_limit
        leaves = self._leaves(gear)[:, None]
        at_limit = self.highest_surface(gear)[:, None]
        # cells beyond the limiter of every drive set are left out
        stop = max(int(np.searchsorted(self.edges[:-1], at_limit.max(), side="right")), first)
        cells = slice(first, stop)
        left, right = self.edges[:-1][cells], self.edges[1:][cells]
        least_base, most_base = ranges.least_grip[:, cells], ranges.most_grip[:, cells]

        def slip(thrust: FloatArray, base: FloatArray) -> FloatArray:
            use = np.clip(thrust / (base + moved * thrust), 0.0, limit)
            return slip_of_grip_use(use, slide)

        least_thrust = np.maximum(ranges.least_resistance[:, cells], 0.0)
        low, high = np.zeros_like(least_thrust), np.broadcast_to(self.most_slip[:, None], least_thrust.shape)
        idle = slip(least_thrust, most_base)
        turning = ranges.inertia[gear.number].most(ranges.span) * (1.0 + self.most_slip)
        own = (self.lightest / (self.lightest + turning))[:, None]
        for number_of_pass in range(WINDOW_PASSES + 1):
            window = np.minimum(left * (1.0 + low), at_limit), np.minimum(right * (1.0 + high), at_limit)
            most = self._thrust(gear, window, highest=True)
            if number_of_pass == WINDOW_PASSES:
                break
            least = self._thrust(gear, window, highest=False)
            reached = ~leaves & (right * (1.0 + high) >= at_limit)
            sure = own * least + (1.0 - own) * np.minimum(least_thrust, least)
            thrust = np.where(reached, least_thrust, np.maximum(sure, least_thrust))
            low = np.maximum(low, slip(thrust, most_base))
            high = np.maximum(np.minimum(high, slip(np.maximum(most, 0.0), least_base)), low)
        on_limiter = ~leaves & (right * (1.0 + high) >= at_limit)
        goes = gear.exists[:, None] & (left * (1.0 + np.where(leaves, low, idle)) <= at_limit)
        ends = np.broadcast_to(most, (2, *most.shape))
        if gear.number:  # in first gear a clutch may slip
            line, own_line, per_grip = self._line(gear, cells, window, (low, high), thrust)
            sharper = ~on_limiter & (line.sum(axis=0) < 2.0 * most)
            ends, own_ends = np.where(sharper, line, ends), np.where(sharper, own_line, ends)
            per_grip = np.where(sharper & goes, per_grip, 0.0)
        else:
            own_ends, per_grip = ends, np.zeros_like(most)
        beyond = ((0, 0), (first, len(self.edges) - 1 - stop))
        return Pull(
            np.pad(np.where(goes, most, -np.inf), beyond, constant_values=-np.inf),
            np.pad(np.where(goes, ends, -np.inf), ((0, 0), *beyond), constant_values=-np.inf),
            np.pad(np.where(goes, own_ends, -np.inf), ((0, 0), *beyond), constant_values=-np.inf),
            np.pad(per_grip, beyond),
            np.pad(on_limiter, beyond),
            (
                np.pad(np.where(goes, left * (1.0 + low), np.inf), beyond, constant_values=np.inf),
                np.pad(np.where(goes, right * (1.0 + high), -np.inf), beyond, constant_values=-np.inf),
            ),
            np.pad(low, beyond),
            np.pad(goes & (most >= least_thrust), beyond, constant_values=((False, False), (True, False)))
            & gear.exists[:, None],
            at_limit[:, 0],
        )

    def _leaves(self, gear: Gear) -> BoolArray:
        """Whether cars that count surely leave a gear (E,): it does not go as fast as they are once."""
        found: BoolArray = np.minimum(gear.limit_surface, self.base.surface_cap_ms) < self.reached_ms
        return found

    def highest_surface(self, gear: Gear) -> FloatArray:
        """Wheel speed (E,) up to which a gear is used: that of the shift where it is surely left."""
        most = np.minimum(gear.limit_surface, self.base.surface_cap_ms)
        return np.where(self._leaves(gear), np.minimum(gear.shift_surface, most), most)

    def _line(
        self,
        gear: Gear,
        cells: slice,
        window: tuple[FloatArray, FloatArray],
        slips: tuple[FloatArray, FloatArray],
        thrust: FloatArray,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Thrust (2, E, K) at both ends of cells, on a line above that of every car at any slip of its window.

        Torque stays below a line in engine speed. Where that falls, the least slip gives most, and engine speed, which
        growth makes concave in ground speed, is at least what its ends say. Where it rises, the most slip gives most,
        and the tire is taken as small as it is at the slowest.

        Second, a line to which ``per_grip`` (E, K) times a car's own grip without thrust is added. ``thrust`` (E, K)
        is what every car pushes with at least.
        """
        per_surface, growth = gear.rpm_per_surface[:, None], self._growth(window[0])
        rpm = tuple(each * per_surface / self._growth(each) for each in window)
        at_low, at_high = self.extremes.line_above(self.base.engine, rpm[0], rpm[1])
        slope = (at_high - at_low) / np.maximum(rpm[1] - rpm[0], 1e-9)
        ends = []
        for speed in (self.edges[:-1][cells], self.edges[1:][cells]):
            least = speed * (1.0 + slips[0])
            falling = least * per_surface / self._growth(least)
            rising = speed * (1.0 + slips[1]) * per_surface / growth
            ends.append(at_low + slope * (np.where(slope < 0, falling, rising) - rpm[0]))
        pull = gear.force_per_torque[:, None] / growth
        found = np.maximum(np.stack(ends), 0.0) * pull
        own, per_grip = self._by_grip(cells, thrust, slope * pull, per_surface, (at_low - slope * rpm[0]) * pull)
        return found, np.where(per_grip > 0, own, found), per_grip

    def _by_grip(
        self,
        cells: slice,
        thrust: FloatArray,
        slope: FloatArray,
        per_surface: FloatArray,
        const: FloatArray,
    ) -> tuple[FloatArray, FloatArray]:
        """A plane above thrust ``const + slope x rpm`` (E, K) that falls: at both ends of cells, and per newton.

        A car of more grip slips less, by ever less, so that thrust at the least slip it can have is concave in grip:
        the tangent in the middle lies above. ``per_grip`` is 0 where thrust rises, or the driver may have to lift.
        """
        least, most = self.ranges.least_grip[:, cells], self.ranges.most_grip[:, cells]
        slide, moved = self.base.slip_at_slide[:, None], self.ranges.moved[:, None]
        middle, half = 0.5 * (least + most), 0.5 * (most - least)
        use = thrust / (middle + moved * thrust)
        low, mid, high = (slip_of_grip_use(thrust / (each + moved * thrust), slide) for each in (most, middle, least))
        bent = slide / (1.0 + slide)
        left = np.maximum(1.0 - use, 1e-9)
        fall = bent / 3.0 * left ** (-2.0 / 3.0) * (1.0 + mid) ** 2 * thrust / (middle + moved * thrust) ** 2
        free = thrust <= 0.999 * self.base.grip_use_limit * (least + moved * thrust)
        falls, spread = (slope < 0) & self.ranges.gripping[:, cells] & free, np.maximum(high - low, 1e-12)
        ends: list[FloatArray] = []
        per_grip = np.zeros_like(slope)
        for speed in (self.edges[:-1][cells], self.edges[1:][cells]):
            rpm = [speed * (1.0 + slip) * per_surface / self._growth(speed * (1.0 + slip)) for slip in (low, high)]
            per_slip = np.where(high - low > 1e-12, (rpm[1] - rpm[0]) / spread, 0.0)
            own = -slope * per_slip * fall
            if not ends:
                per_grip = np.where(falls, np.maximum(own, 0.0), 0.0)
            at_middle = const + slope * (rpm[0] + per_slip * (mid - low))
            ends.append(at_middle + np.abs(own - per_grip) * half - per_grip * middle)
        return np.stack(ends), per_grip

    def _thrust(self, gear: Gear, window: tuple[FloatArray, FloatArray], *, highest: bool) -> FloatArray:
        """Highest or lowest thrust (E, K) at full throttle over windows of wheel speed; a slipping clutch in first."""
        inputs = self.base
        low, high = (each * gear.rpm_per_surface[:, None] / self._growth(each) for each in window)
        if gear.number == 0:
            low, high = (np.maximum(each, inputs.launch_rpm[:, None]) for each in (low, high))
        pull = gear.force_per_torque[:, None]
        if highest:
            return pull * self.extremes.highest(inputs.engine, low, high) / self._growth(window[0])
        return pull * self.extremes.lowest(inputs.engine, low, high) / self._growth(window[1])

    def _growth(self, surface: FloatArray) -> FloatArray:
        """Rolling radius at wheel speeds (E, K) over that at walking pace."""
        return 1.0 + (self.base.growth / GROWTH_SPEED_MS**2)[:, None] * surface * surface
