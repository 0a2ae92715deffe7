"""The most that any completion of a drive set can do at every ground speed: forces, inertia, shifts, on fixed speeds.

Everything here is a bound that holds by argument (docs/method.md, section 3): no completion of the span accelerates
harder, at any ground speed, than ``n(u; z) / M(z)`` with ``n`` the least of two affine functions of its coordinates z.
Nothing is sampled and nothing is simulated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from optimizer.physics.air import crosswind_square
from optimizer.physics.grip import slip_of_grip_use
from optimizer.physics.tires import GROWTH_SPEED_MS
from optimizer.run.affine import POWERS, Affine, Force, Span, cars_of
from optimizer.run.conditions import Conditions
from optimizer.run.driving import BoolArray, Gear
from optimizer.run.extremes import TorqueExtremes
from optimizer.run.inputs import FloatArray, IntArray
from optimizer.run.linear import Frame, LinearSpace

WINDOW_PASSES = 2
"""Times that the window of slip is closed in on: slip bounds thrust, and thrust bounds slip."""


class Shift(NamedTuple):
    """A shift that every car makes which gets faster than a gear allows; arrays (E,).

    Past ground speed ``beyond_ms`` the gear is surely left. The pause has then cost ``rolled_m`` without gain, and
    speed to be gained again: at least ``gained_m2s2`` of u du, at ``speed_ms``, against ``force_n``, ``share`` of M.
    Zero where there is no such shift.
    """

    beyond_ms: FloatArray
    rolled_m: FloatArray
    gained_m2s2: FloatArray
    speed_ms: FloatArray
    force_n: FloatArray
    share: FloatArray

    def take(self, rows: IntArray) -> Shift:
        """The same for some drive sets."""
        return Shift(*(each[rows] for each in self))


@dataclass(frozen=True, slots=True)
class _InGear:
    """One gear over K cells: highest thrust (-inf where it does not go), where its limiter may act.

    ``ends`` (2, E, K) are the values of a line above thrust at both ends of the cells; ``own_ends`` and ``per_grip``
    (E, K) are another, plus what a newton of a car's own grip without thrust adds. ``surface`` are the least wheel
    speed at the left end and the greatest at the right, inf and -inf where it does not go. ``slip`` is the least.
    """

    force: FloatArray
    ends: FloatArray
    own_ends: FloatArray
    per_grip: FloatArray
    on_limiter: BoolArray
    surface: tuple[FloatArray, FloatArray]
    slip: FloatArray


class Envelope:
    """E drive sets under one set of conditions, on K cells between ground speeds.

    Attributes
    ----------
    edges : array (K + 1,)
        Ground speeds [m/s], rising, from the speed at the start.
    mass : Affine
        M: translating mass and turning mass in the gear ``top``.
    force : array (E, K)
        Highest thrust of the engine in a cell; -inf where no car gets, inf where the cell is not counted.
    force_ends : array (2, E, K)
        Thrust at both ends of a cell: the line between them is nowhere below the thrust of any car.
    own_ends : array (2, E, K)
        The same, where ``per_grip`` (E, K) times a car's own `grip` comes on top.
    share : array (E, K)
        Least inertia in a cell over M, in the gear that pulls there.
    grip_share : array (E,)
        Least translating mass over M, for cars that grip limits.
    mildest : array (E, L)
        The corner of the span with least resistance; ``mildest_above`` (E, K) is by how much it is above the least.
    resistance, grip : Force
        Drag and rolling resistance, never above the real one; the most thrust that grip allows, infinite in cells that
        are not ``gripping``. ``most_grip`` (E, K) is what no car has more of in a cell.
    shifts : tuple of Shift
    top : int array (E,)
        The gear whose turning mass is in M.
    """

    def __init__(
        self,
        space: LinearSpace,
        frame: Frame,
        span: Span,
        conditions: Conditions,
        edges: FloatArray,
        aim: int,
        top: IntArray | None = None,
        reached_ms: FloatArray | float = 0.0,
    ) -> None:
        self.edges, self.span, self.reached_ms = edges, span, reached_ms
        self.cars, self.base = cars_of(space, frame, span, conditions)
        base_grip = self._base_grip()
        self.resistance, self.grip = self._forces(base_grip)
        inputs = self.base
        self.inertia = [self._turning(inputs.overall[gear]) for gear in range(len(inputs.overall))]
        low, high = self.resistance.ends(edges, span)
        self.least_resistance = np.minimum(low[:, :-1], low[:, 1:])
        self._find_mildest(low, aim)
        self.most_resistance = np.maximum(high[:, :-1], high[:, 1:])
        base_low, base_high = base_grip.ends(edges, span)
        least_base = np.minimum(base_low[:, :-1], base_low[:, 1:])
        self.gripping = least_base > 1.0
        bases = np.maximum(least_base, 1.0), np.maximum(np.maximum(base_high[:, :-1], base_high[:, 1:]), 1.0)
        self.most_grip = bases[1] * self._grip_factor()[:, None]
        extremes = TorqueExtremes(inputs.torque_table)
        gears = [self._in_gear(gear, bases, extremes) for gear in range(len(inputs.overall))]
        pulls = np.stack([each.force for each in gears])
        best = pulls.argmax(axis=0)
        self.top = best[:, aim] if top is None else top
        self.mass = self.cars["translating_kg"].plus(self._of_gear(self.top))
        shares = self._combine(gears, best, bases)
        self.shifts = self._shifts(gears, shares)

    def _find_mildest(self, low: FloatArray, aim: int) -> None:
        """The corner of the span with least resistance at one speed, and by how much it is above the least at others.

        Each coordinate only ever adds, or only ever takes away, so that it is the same corner at every speed; where a
        catalog says otherwise, what it is too high by at either end of a cell is kept.
        """
        powers = self.edges[None] ** np.arange(len(self.resistance.const))[:, None]
        worth = np.einsum("pel,p->el", self.resistance.slope, powers[:, aim])
        self.mildest = np.where(worth >= 0, self.span.least, self.span.most)
        above = self.resistance.coefficients(self.mildest).T @ powers - low
        self.mildest_above = np.maximum(np.maximum(above[:, :-1], above[:, 1:]), 0.0)

    # --- forces and inertia as affine functions -----------------------------------------------------------------

    def _pressure(self) -> tuple[FloatArray, FloatArray]:
        """Dynamic pressure, and pressure times drag's own factor, as polynomials of ground speed (3,)."""
        inputs = self.base
        half, wind = 0.5 * float(inputs.air_density), float(inputs.headwind_ms)
        side = float(inputs.crosswind_ms) ** 2
        along = half * np.array([wind * wind, 2.0 * wind, 1.0])
        across = np.array([1.0, 0.0, 0.0]) * half
        return along + side * across, along + crosswind_square(inputs.crosswind_ms, inputs.drag_rise_at_yaw) * across

    def _rolling(self, force: Force, factor: FloatArray | float = 1.0) -> None:
        """Add rolling resistance, unclipped, times a factor."""
        pressure, _ = self._pressure()
        force.add(0, self.cars["rolling_n"], factor)
        force.add(2, self.cars["rolling_nv2"], factor)
        for power, part in enumerate(pressure):
            force.add(power, self.cars["lift_rolling_m2"], -part * np.asarray(factor))
            force.add(power + 2, self.cars["lift_rolling_v2"], -part * np.asarray(factor))

    def _base_grip(self) -> Force:
        """Grip of the driven axles without thrust, as `Gear.grip` has it."""
        inputs = self.base
        pressure, _ = self._pressure()
        force = Force(len(inputs))
        force.add(0, self.cars["front_grip_n"], inputs.front_mu)
        force.add(0, self.cars["rear_grip_n"], inputs.rear_mu)
        for power, part in enumerate(pressure):
            force.add(power, self.cars["front_lift_m2"], -part * inputs.front_mu)
            force.add(power, self.cars["rear_lift_m2"], -part * inputs.rear_mu)
        self._rolling(force, -self._moved())
        return force

    def _moved(self) -> FloatArray:
        """Grip gained per newton of thrust by load transfer: (E,)."""
        inputs = self.base
        return (inputs.rear_mu - inputs.front_mu) * inputs.transfer

    def _grip_factor(self) -> FloatArray:
        """The most thrust that the driver lets the tires take, over their grip without thrust: (E,)."""
        limit = self.base.grip_use_limit
        factor: FloatArray = limit / (1.0 - limit * self._moved())
        return factor

    def _forces(self, base_grip: Force) -> tuple[Force, Force]:
        """Resistance, and the most thrust that the driver lets the tires take."""
        inputs = self.base
        resistance = Force(len(inputs))
        _, drag = self._pressure()
        for power, part in enumerate(drag):
            resistance.add(power, self.cars["drag_area_m2"], part)
        self._rolling(resistance)
        factor = self._grip_factor()
        grip = Force(len(inputs))
        grip.const, grip.slope = base_grip.const * factor, base_grip.slope * factor[:, None]
        return resistance, grip

    def _turning(self, ratio: FloatArray | None) -> Affine:
        """Turning mass (E,) with the engine at an overall ratio (E,), or with the clutch open."""
        inputs, radius = self.base, self.base.radius_m
        side = self.cars["wheel_side_kg"].plus(self.cars["shaft_kgm2"], (inputs.final_ratio / radius) ** 2)
        return side if ratio is None else side.plus(self.cars["engine_kgm2"], (ratio / radius) ** 2)

    def _of_gear(self, gear: IntArray) -> Affine:
        """Turning mass in a gear (E,) of each drive set."""
        rows = np.arange(len(gear))
        return Affine(
            np.stack([each.const for each in self.inertia])[gear, rows],
            np.stack([each.slope for each in self.inertia])[gear, rows],
        )

    # --- one gear -----------------------------------------------------------------------------------------------

    def _in_gear(self, number: int, bases: tuple[FloatArray, FloatArray], extremes: TorqueExtremes) -> _InGear:
        """Highest thrust in every cell at any slip a car of the span can have there at full throttle.

        A car that gains speed has thrust at the ground between resistance and what the engine gives, nearer to the
        latter by its share of mass; that over grip bounds slip, and slip bounds where the engine is on its curve.
        """
        inputs, moved = self.base, self._moved()[:, None]
        slide, limit = inputs.slip_at_slide[:, None], inputs.grip_use_limit
        gear = Gear(inputs, number)
        leaves = self._leaves(gear)[:, None]
        at_limit = self._highest_surface(gear)[:, None]
        # cells beyond the limiter of every drive set are left out
        cells = int(np.searchsorted(self.edges[:-1], at_limit.max(), side="right"))
        left, right = self.edges[:cells], self.edges[1 : cells + 1]
        least_base, most_base = (each[:, :cells] for each in bases)

        def slip(thrust: FloatArray, base: FloatArray) -> FloatArray:
            use = np.clip(thrust / (base + moved * thrust), 0.0, limit)
            return slip_of_grip_use(use, slide)

        least_thrust = np.maximum(self.least_resistance[:, :cells], 0.0)
        low, high = np.zeros_like(least_thrust), np.broadcast_to(slip_of_grip_use(limit, slide), least_thrust.shape)
        idle = slip(least_thrust, most_base)
        lightest = self.cars["translating_kg"].least(self.span)
        turning = self.inertia[number].most(self.span)[:, None] * (1.0 + slip_of_grip_use(limit, slide))
        own = lightest[:, None] / (lightest[:, None] + turning)
        for number_of_pass in range(WINDOW_PASSES + 1):
            window = np.minimum(left * (1.0 + low), at_limit), np.minimum(right * (1.0 + high), at_limit)
            most = self._thrust(gear, window, extremes, highest=True)
            if number_of_pass == WINDOW_PASSES:
                break
            least = self._thrust(gear, window, extremes, highest=False)
            reached = ~leaves & (right * (1.0 + high) >= at_limit)
            sure = own * least + (1.0 - own) * np.minimum(least_thrust, least)
            thrust = np.where(reached, least_thrust, np.maximum(sure, least_thrust))
            low = np.maximum(low, slip(thrust, most_base))
            high = np.maximum(np.minimum(high, slip(np.maximum(most, 0.0), least_base)), low)
        on_limiter = ~leaves & (right * (1.0 + high) >= at_limit)
        goes = gear.exists[:, None] & (left * (1.0 + np.where(leaves, low, idle)) <= at_limit)
        ends = np.broadcast_to(most, (2, *most.shape))
        if number:  # in first gear a clutch may slip
            line, own_line, per_grip = self._line(gear, window, (low, high), (thrust, least_base, most_base), extremes)
            sharper = ~on_limiter & (line.sum(axis=0) < 2.0 * most)
            ends, own_ends = np.where(sharper, line, ends), np.where(sharper, own_line, ends)
            per_grip = np.where(sharper & goes, per_grip, 0.0)
        else:
            own_ends, per_grip = ends, np.zeros_like(most)
        beyond = ((0, 0), (0, len(self.edges) - 1 - cells))
        return _InGear(
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
        )

    def _leaves(self, gear: Gear) -> BoolArray:
        """Whether cars that count surely leave a gear (E,): it does not go as fast as they are once."""
        found: BoolArray = np.minimum(gear.limit_surface, self.base.surface_cap_ms) < self.reached_ms
        return found

    def _highest_surface(self, gear: Gear) -> FloatArray:
        """Wheel speed (E,) up to which a gear is used: that of the shift where it is surely left."""
        most = np.minimum(gear.limit_surface, self.base.surface_cap_ms)
        return np.where(self._leaves(gear), np.minimum(gear.shift_surface, most), most)

    def _line(
        self,
        gear: Gear,
        window: tuple[FloatArray, FloatArray],
        slips: tuple[FloatArray, FloatArray],
        pushes: tuple[FloatArray, FloatArray, FloatArray],
        extremes: TorqueExtremes,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Thrust (2, E, K) at both ends of cells, on a line above that of every car at any slip of its window.

        Torque stays below a line in engine speed. Where that falls, the least slip gives most, and engine speed, which
        growth makes concave in ground speed, is at least what its ends say. Where it rises, the most slip gives most,
        and the tire is taken as small as it is at the slowest.

        Second, a line to which ``per_grip`` (E, K) times a car's own grip without thrust is added. ``pushes`` (E, K)
        are what every car pushes with at least, the least grip and the most.
        """
        cells = window[0].shape[1]
        per_surface, growth = gear.rpm_per_surface[:, None], self._growth(window[0])
        rpm = tuple(each * per_surface / self._growth(each) for each in window)
        at_low, at_high = extremes.line_above(self.base.engine, rpm[0], rpm[1])
        slope = (at_high - at_low) / np.maximum(rpm[1] - rpm[0], 1e-9)
        ends = []
        for speed in (self.edges[:cells], self.edges[1 : cells + 1]):
            least = speed * (1.0 + slips[0])
            falling = least * per_surface / self._growth(least)
            rising = speed * (1.0 + slips[1]) * per_surface / growth
            ends.append(at_low + slope * (np.where(slope < 0, falling, rising) - rpm[0]))
        pull = gear.force_per_torque[:, None] / growth
        found = np.maximum(np.stack(ends), 0.0) * pull
        own, per_grip = self._by_grip(pushes, slope * pull, per_surface, (at_low - slope * rpm[0]) * pull, cells)
        return found, np.where(per_grip > 0, own, found), per_grip

    def _by_grip(
        self,
        pushes: tuple[FloatArray, FloatArray, FloatArray],
        slope: FloatArray,
        per_surface: FloatArray,
        const: FloatArray,
        cells: int,
    ) -> tuple[FloatArray, FloatArray]:
        """A plane above thrust ``const + slope x rpm`` (E, K) that falls: at both ends of cells, and per newton.

        A car of more grip slips less, by ever less, so that thrust at the least slip it can have is concave in grip:
        the tangent in the middle lies above. ``per_grip`` is 0 where thrust rises, or the driver may have to lift.
        """
        thrust, least, most = pushes
        slide, moved = self.base.slip_at_slide[:, None], self._moved()[:, None]
        middle, half = 0.5 * (least + most), 0.5 * (most - least)
        use = thrust / (middle + moved * thrust)
        low, mid, high = (slip_of_grip_use(thrust / (each + moved * thrust), slide) for each in (most, middle, least))
        bent = slide / (1.0 + slide)
        left = np.maximum(1.0 - use, 1e-9)
        fall = bent / 3.0 * left ** (-2.0 / 3.0) * (1.0 + mid) ** 2 * thrust / (middle + moved * thrust) ** 2
        free = thrust <= 0.999 * self.base.grip_use_limit * (least + moved * thrust)
        falls, spread = (slope < 0) & self.gripping[:, :cells] & free, np.maximum(high - low, 1e-12)
        ends: list[FloatArray] = []
        per_grip = np.zeros_like(slope)
        for speed in (self.edges[:cells], self.edges[1 : cells + 1]):
            rpm = [speed * (1.0 + slip) * per_surface / self._growth(speed * (1.0 + slip)) for slip in (low, high)]
            per_slip = np.where(high - low > 1e-12, (rpm[1] - rpm[0]) / spread, 0.0)
            own = -slope * per_slip * fall
            if not ends:
                per_grip = np.where(falls, np.maximum(own, 0.0), 0.0)
            at_middle = const + slope * (rpm[0] + per_slip * (mid - low))
            ends.append(at_middle + np.abs(own - per_grip) * half - per_grip * middle)
        return np.stack(ends), per_grip

    def _thrust(
        self, gear: Gear, window: tuple[FloatArray, FloatArray], extremes: TorqueExtremes, *, highest: bool
    ) -> FloatArray:
        """Highest or lowest thrust (E, K) at full throttle over windows of wheel speed; a slipping clutch in first."""
        inputs = self.base
        low, high = (each * gear.rpm_per_surface[:, None] / self._growth(each) for each in window)
        if gear.number == 0:
            low, high = (np.maximum(each, inputs.launch_rpm[:, None]) for each in (low, high))
        pull = gear.force_per_torque[:, None]
        if highest:
            return pull * extremes.highest(inputs.engine, low, high) / self._growth(window[0])
        return pull * extremes.lowest(inputs.engine, low, high) / self._growth(window[1])

    def _growth(self, surface: FloatArray) -> FloatArray:
        """Rolling radius at wheel speeds (E, K) over that at walking pace."""
        return 1.0 + (self.base.growth / GROWTH_SPEED_MS**2)[:, None] * surface * surface

    # --- all gears together -------------------------------------------------------------------------------------

    def _share(self, turning: Affine | None) -> FloatArray:
        """Least inertia over M of cars with some turning mass, or with none: (E,)."""
        top = self._of_gear(self.top)
        extra = top.plus(top, -2.0) if turning is None else turning.plus(top, -1.0)
        least = extra.least(self.span)
        over = np.where(least >= 0, self.mass.most(self.span), self.mass.least(self.span))
        share: FloatArray = 1.0 + least / over
        return share

    def _combine(self, gears: list[_InGear], best: IntArray, bases: tuple[FloatArray, FloatArray]) -> FloatArray:
        """One thrust and inertia for each cell that no gear beats, whatever the resistance.

        The gear with most thrust stands for all; where it carries more inertia than another, its thrust is raised by
        what makes up for that. Slip turns the engine side faster than the car: what turns counts ``1 + slip`` times.

        Returns the least inertia over M in each gear (G, E, K).
        """
        inputs = self.base
        self.grip_share = self._share(None)
        heaviest = self.mass.most(self.span)
        free = np.stack([
            self._share(turning)[:, None] + gear.slip * (turning.least(self.span) / heaviest)[:, None]
            for turning, gear in zip(self.inertia, gears, strict=True)
        ])  # fmt: skip
        limited = np.stack([each.on_limiter for each in gears])
        shares = np.where(limited, np.minimum(free, self.grip_share[:, None]), free)
        own = np.take_along_axis(free, best[None], 0)[0]
        force, ends = np.full(best.shape, -np.inf), np.full((2, *best.shape), -np.inf)
        least_grip = bases[0]
        per_grip = np.take_along_axis(np.stack([each.per_grip for each in gears]), best[None], 0)[0]
        own_ends = np.full((2, *best.shape), -np.inf)
        for number, gear in enumerate(gears):
            heavier = np.where(best == number, 1.0, np.maximum(own / shares[number], 1.0))
            goes = np.isfinite(gear.force)
            for whole, own_force in ((force, gear.force), (ends, gear.ends)):
                raised = own_force + (heavier - 1.0) * np.maximum(own_force - self.least_resistance, 0.0)
                np.maximum(whole, np.where(goes, raised, -np.inf), out=whole)
            here = np.where(best == number, gear.own_ends, raised - per_grip * least_grip)
            np.maximum(own_ends, np.where(goes, here, -np.inf), out=own_ends)
        self.share = np.take_along_axis(shares, best[None], 0)[0]
        left = self.edges[:-1]
        clutch = left < Gear(inputs, 0).launch_surface[:, None]
        open_share = self._share(self._turning(None))
        self.share = np.where(clutch, np.minimum(self.share, open_share[:, None]), self.share)
        capped = left >= inputs.cap_ms[:, None]
        # with the wind faster than the car its drag pushes: such cells are not counted
        pushed = left < -float(inputs.headwind_ms)
        self.force, self.force_ends, self.own_ends = (
            np.where(pushed, np.inf, np.where(capped, -np.inf, each)) for each in (force, ends, own_ends)
        )
        self.per_grip = np.where(pushed | capped, 0.0, per_grip) / self._grip_factor()[:, None]
        self.gripping = self.gripping & ~pushed
        return shares

    # --- shifts -------------------------------------------------------------------------------------------------

    def _shifts(self, gears: list[_InGear], shares: FloatArray) -> tuple[Shift, ...]:
        """What every shift at least costs that a car cannot do without."""
        found: list[Shift] = []
        before = np.full(len(self.base), float(self.base.start_speed_ms))
        for number in range(len(gears) - 1):
            shift, before = self._shift(number, gears, shares, before)
            found.append(shift)
        return tuple(found)

    def _ground(self, gear: _InGear, surface: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Least and greatest ground speed (E,) at which a car can have a wheel speed (E,) in a gear."""
        edges = self.edges
        could = gear.surface[1] >= surface[:, None]
        most_slip = slip_of_grip_use(self.base.grip_use_limit, self.base.slip_at_slide)
        first = could.argmax(axis=1)
        fastest = np.take_along_axis(gear.surface[1], first[:, None], 1)[:, 0]
        within = np.where(could.any(axis=1), edges[first + 1] * surface / np.where(fastest > 0, fastest, 1.0), 0.0)
        least = np.maximum(surface / (1.0 + most_slip), np.minimum(np.maximum(edges[first], within), surface))
        slow = gear.surface[0] <= surface[:, None]
        last = slow.shape[1] - 1 - slow[:, ::-1].argmax(axis=1)
        slowest = np.take_along_axis(gear.surface[0], last[:, None], 1)[:, 0]
        most = np.minimum(edges[last + 1], edges[last] * surface / np.where(slowest > 0, slowest, 1.0))
        return least, np.where(slow.any(axis=1) & np.isfinite(slowest), np.minimum(most, surface), surface)

    def _shift(
        self, number: int, gears: list[_InGear], shares: FloatArray, before: FloatArray
    ) -> tuple[Shift, FloatArray]:
        """One shift upward, and the highest ground speed after which it happens; ``before`` is that of the last.

        What the pause has cost is gained again in one of the gears above. A shift whose speed may be passed when the
        gear is taken up is skipped without a pause, and does not count.
        """
        inputs, here = self.base, Gear(self.base, number)
        pause = inputs.shift_time_s
        earliest, latest = self._ground(gears[number], here.shift_surface)
        coasting = self.cars["translating_kg"].plus(self.cars["wheel_side_kg"])
        most_loss = pause * self.most_resistance[np.arange(len(inputs)), self._cell(latest)] / coasting.least(self.span)
        slowest = earliest - most_loss
        # what resists in the middle of the pause, where it only grows with speed, and ever faster
        steady = self._grows(slowest, latest)
        middle = np.maximum(earliest - np.where(steady, 0.5, 1.0) * most_loss, 0.0)
        powers = middle ** np.arange(POWERS)[:, None]
        least = (self.resistance.coefficients(self.mildest) * powers).sum(axis=0) - self.mildest_above.max(axis=1)
        least_loss = np.minimum(pause * np.maximum(least, 0.0) / coasting.most(self.span), most_loss)
        force, share = self._regained(number + 1, gears, shares, (slowest, earliest, latest))
        counts = here.exists & (inputs.overall[number + 1] > 0) & (slowest > before) & np.isfinite(force)
        return Shift(
            beyond_ms=self._ground(gears[number], self._highest_surface(here))[1],
            rolled_m=np.where(counts, pause * (earliest - 0.5 * most_loss), 0.0),
            gained_m2s2=np.where(counts, least_loss * (earliest - 0.5 * least_loss), 0.0),
            speed_ms=middle,
            force_n=np.where(counts, force, 0.0),
            share=np.where(counts, share, 1.0),
        ), np.maximum(before, latest)

    def _grows(self, low: FloatArray, high: FloatArray) -> BoolArray:
        """Whether resistance surely grows with speed, and ever faster, between ground speeds (E,), in any car."""
        term = self.resistance.const + np.minimum(
            self.resistance.slope * self.span.least, self.resistance.slope * self.span.most
        ).sum(axis=-1)
        found = np.ones(len(low), dtype=np.bool_)
        for order in (1, 2):
            rise = np.zeros(len(low))
            for power in range(order, POWERS):
                factor = math.perm(power, order)
                rise += factor * term[power] * np.where(term[power] >= 0, low, high) ** (power - order)
            found &= rise >= 0
        return found

    def _regained(
        self, first: int, gears: list[_InGear], shares: FloatArray, speeds: tuple[FloatArray, FloatArray, FloatArray]
    ) -> tuple[FloatArray, FloatArray]:
        """Mean thrust (E,) in gears from ``first`` on while what a pause cost is regained, and the share of M then.

        ``speeds`` (E,) are the lowest there is after the pause, and the lowest and highest before it. Over them thrust
        stays below a falling line; no mean over a stretch of it is above that over the first.
        """
        low, before, high = speeds
        cells = slice(int(self._cell(low).min()), int(self._cell(high).max()) + 1)
        left, right = self.edges[:-1][cells], self.edges[1:][cells]
        within = (right > low[:, None]) & (left <= high[:, None])
        share = np.where(within, shares[first][:, cells], 1.0).min(axis=1)
        ends = np.full((2, *within.shape), -np.inf)
        for number in range(first, len(gears)):
            own = np.where(within, shares[number][:, cells], 1.0).min(axis=1)
            heavier = np.maximum(share / own, 1.0)[:, None]
            each = gears[number].ends[:, :, cells]
            raised = each + (heavier - 1.0) * np.maximum(each - self.least_resistance[:, cells], 0.0)
            np.maximum(ends, np.where(np.isfinite(each), raised, -np.inf), out=ends)
        ends = np.where(within, ends, -np.inf)
        after = np.maximum.accumulate(ends.max(axis=0)[:, ::-1], axis=1)[:, ::-1]
        later = np.concatenate([after[:, 1:], np.full((len(after), 1), -np.inf)], axis=1)
        begin, finish = after, np.maximum(ends[1], later)
        start, stop = np.maximum(left, low[:, None]), np.minimum(right, before[:, None])
        share_in = 0.5 * (start + stop - 2.0 * left) / (right - left)
        with np.errstate(invalid="ignore"):  # where no gear goes
            value = begin + (finish - begin) * share_in
        value = np.where(np.isfinite(begin) & np.isfinite(finish), value, begin)
        width = stop - start
        total = np.where(width > 0, value, 0.0) * np.maximum(width, 0.0)
        return total.sum(axis=1) / np.maximum(before - low, 1e-12), share

    def _cell(self, speed: FloatArray) -> IntArray:
        """The cell (E,) in which a ground speed (E,) lies, the nearest where in none."""
        place: IntArray = np.clip(np.searchsorted(self.edges, speed, side="right") - 1, 0, len(self.edges) - 2)
        return place
