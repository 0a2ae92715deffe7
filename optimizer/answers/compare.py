"""Two builds side by side: what each difference is worth, how well it is known, and where the order would turn.

The switching value of an unknown is the value at which both builds are equally fast, all else as stated: who doubts the
order asks whether that value is likely.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from optimizer.answers.cards import cards_of
from optimizer.answers.closeness import DRAWS, SEED, Band, band_of, spread_of
from optimizer.answers.unknowns import (
    Unknown,
    only_needed,
    salt_asked_about,
    speeds_with,
    unknowns_of,
    unknowns_of_part,
)
from optimizer.choice.options import BoolArray, FloatArray, IntArray, Options
from optimizer.search.study import Study

MAIN = ("salt:rolling_coefficient", "salt:grip", "car:drag_area_m2", "weather:temperature_k")
"""Unknowns that every comparison is asked about, as place:field; besides those of the parts that differ, and power."""
NOT_ASKED = ("mass_kg", "inertia_kgm2")
"""Inputs of parts that are left out: known too well, and worth too little, to turn an order."""
SIDE_STEPS = 12
"""Values tried on each side of the stated one, closer together near it, before a switching value is looked for. Where
the order turns twice between two of them (another top gear), that is not seen."""
EQUAL_MS = 1e-6
"""Gains below this are none: that is what is left of arithmetic."""
ROOT_SHARE = 1e-7
"""A switching value is found to this share of the range looked at."""


@dataclass(frozen=True, slots=True)
class SlotDifference:
    """One slot in which the builds differ, all speeds [m/s].

    Attributes
    ----------
    slot : str
    first, second : str
        Part ids in the two builds.
    in_first_ms : float
        What the first build gains by the second's part in this slot alone.
    in_second_ms : float
        What the second build has of its own part: its speed less that with the first's part in this slot alone.
    first_legal, second_legal : bool
        Whether the first build with the second's part, and the second with the first's, may be run and can be bought.
    """

    slot: str
    first: str
    second: str
    in_first_ms: float
    in_second_ms: float
    first_legal: bool
    second_legal: bool

    @property
    def mean_ms(self) -> float:
        """Mean over both ends."""
        return (self.in_first_ms + self.in_second_ms) / 2


@dataclass(frozen=True, slots=True)
class SwitchingValue:
    """The value of one unknown nearest to the stated one at which both builds are equally fast, all else as stated.

    ``value`` is None where there is none in the range that makes sense, ``least`` to ``most``.
    """

    unknown: Unknown
    value: float | None
    least: float
    most: float

    @property
    def deviations(self) -> float | None:
        """How many standard uncertainties it lies above the stated value; None where there is none."""
        return None if self.value is None else (self.value - self.unknown.value) / self.unknown.deviation


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two builds of one study.

    Attributes
    ----------
    first_ms, second_ms : float
        Speeds that count [m/s].
    differences : tuple of SlotDifference
        In the order of the slots; empty for equal builds.
    cents : int or None
        Price of the second less that of the first; None where either cannot be bought.
    mass_kg : float
        Mass of the second less that of the first.
    band : Band
        How well the speed of the first less that of the second is known.
    switching : tuple of SwitchingValue
        Nearest first, in standard uncertainties; those without a value last.
    first_problems, second_problems : tuples of str
        Why each is not legal, or more than the budget buys; empty where it is neither.
    """

    first_ms: float
    second_ms: float
    differences: tuple[SlotDifference, ...]
    cents: int | None
    mass_kg: float
    band: Band
    switching: tuple[SwitchingValue, ...]
    first_problems: tuple[str, ...]
    second_problems: tuple[str, ...]

    @property
    def gain_ms(self) -> float:
        """Speed of the second less that of the first [m/s]."""
        return self.second_ms - self.first_ms

    @property
    def together_ms(self) -> float:
        """What the differences are worth together beyond the sum of their means [m/s]."""
        return self.gain_ms - sum(each.mean_ms for each in self.differences)


def compare(study: Study, first: IntArray, second: IntArray, *, draws: int = DRAWS, seed: int = SEED) -> Comparison:
    """Compare two builds (S,): slot by slot, in money and mass, how surely, and what would turn the order.

    Builds, and those between them, may be illegal: they are simulated all the same, and marked.
    """
    slots = [int(s) for s in np.flatnonzero(first != second)]
    builds = _with_single_changes(first, second, slots)
    runs = study.judge.runs(builds)
    speed = study.judge.joined(runs)
    prices = study.book.price(builds)
    legal = study.legality.allowed(builds) & prices.available & study.judge.judge(builds, runs).legal
    drawn = spread_of(study, builds[:2], draws, seed)
    mass = study.judge.model.sums_of(builds[:2])[:, 0]
    money = study.scenario.event.budget_cents
    cards = cards_of(study.judge, study.legality, study.book, builds[:2], money)
    return Comparison(
        first_ms=float(speed[0]),
        second_ms=float(speed[1]),
        differences=_slot_differences(study.options, builds, slots, speed, legal),
        cents=int(prices.cents[1] - prices.cents[0]) if prices.available[:2].all() else None,
        mass_kg=float(mass[1] - mass[0]),
        band=band_of(float(speed[0] - speed[1]), drawn[:, 0] - drawn[:, 1]),
        switching=switching_values(study, first, second),
        first_problems=cards[0].problems,
        second_problems=cards[1].problems,
    )


def _with_single_changes(first: IntArray, second: IntArray, slots: list[int]) -> IntArray:
    """Both builds; for each slot the first with the second's part there, then for each the second with the first's."""
    builds = np.array([first, second, *[first] * len(slots), *[second] * len(slots)])
    for i, s in enumerate(slots):
        builds[2 + i, s] = second[s]
        builds[2 + len(slots) + i, s] = first[s]
    return builds


def _slot_differences(
    options: Options, builds: IntArray, slots: list[int], speed: FloatArray, legal: BoolArray
) -> tuple[SlotDifference, ...]:
    """What each slot is worth, from builds as `_with_single_changes` lists them."""
    found = []
    for i, s in enumerate(slots):
        there, back = 2 + i, 2 + len(slots) + i
        found.append(
            SlotDifference(
                slot=options.slots[s].name,
                first=options.parts[s][int(builds[0, s])].id,
                second=options.parts[s][int(builds[1, s])].id,
                in_first_ms=float(speed[there] - speed[0]),
                in_second_ms=float(speed[1] - speed[back]),
                first_legal=bool(legal[there]),
                second_legal=bool(legal[back]),
            )
        )
    return tuple(found)


# --- where the order turns


def switching_values(study: Study, first: IntArray, second: IntArray) -> tuple[SwitchingValue, ...]:
    """Where along each main unknown, and each unknown of the parts that differ, two builds (S,) are equally fast."""
    salt = salt_asked_about(study.judge)
    options, rows = only_needed(study.options, np.stack([first, second]))

    def gain_ms(settings: list[dict[Unknown, float]]) -> FloatArray:
        speeds = speeds_with(options, salt, rows, settings)
        return speeds[:, 1] - speeds[:, 0]

    asked = _asked_about(options, salt, rows)
    grids = [_values_to_try(each) for each in asked]
    tried = gain_ms([{each: float(value)} for each, grid in zip(asked, grids, strict=True) for value in grid])
    by_unknown = np.split(tried, np.cumsum([len(grid) for grid in grids])[:-1])
    found = []
    for each, grid, gains in zip(asked, grids, by_unknown, strict=True):

        def gain_at(value: float, each: Unknown = each) -> float:
            return float(gain_ms([{each: value}])[0])

        value = _nearest_root(gain_at, each.value, grid, gains)
        found.append(SwitchingValue(each, value, float(grid[0]), float(grid[-1])))
    return tuple(sorted(found, key=lambda each: np.inf if each.deviations is None else abs(each.deviations)))


def _asked_about(options: Options, salt: str, rows: IntArray) -> tuple[Unknown, ...]:
    """The main unknowns, the power of the engines, and the unknowns of parts in slots where builds (2, S) differ."""
    shared = [each for each in unknowns_of(options, salt) if f"{each.place}:{each.field}" in MAIN]
    found = {each.key: each for each in shared}
    for s, slot in enumerate(options.slots):
        for o in {int(o) for o in rows[:, s]}:
            for each in unknowns_of_part(options, options.parts[s][o]):
                differs = rows[0, s] != rows[1, s] and each.field not in NOT_ASKED
                if differs or (slot.kind == "engine" and each.field == "curve"):
                    found[each.key] = each
    return tuple(found.values())


def _values_to_try(unknown: Unknown) -> FloatArray:
    """Rising values of an unknown over all that makes sense, the stated one among them, closer together near it."""
    least, most = unknown.uncertainty.ends(unknown.value)
    away = np.linspace(0.0, 1.0, SIDE_STEPS + 1) ** 2
    down, up = unknown.value - away[::-1] * (unknown.value - least), unknown.value + away[1:] * (most - unknown.value)
    return np.unique(np.concatenate([down, up]))


def _nearest_root(
    gain_ms: Callable[[float], float], stated: float, grid: FloatArray, gains: FloatArray
) -> float | None:
    """The value nearest to the stated one at which a gain changes sign, looked for between the values of a grid.

    Where the gain is as good as none over some of them (a cap both builds run into), the nearest of these is taken.
    Where it is none as stated, that is the nearest value from which on the second is faster.
    """
    from scipy.optimize import brentq  # noqa: PLC0415 - it takes long to load, and most answers do without

    known = dict(zip(grid.tolist(), gains.tolist(), strict=True))

    def gain_at(value: float) -> float:
        return known[value] if value in known else gain_ms(value)

    signs = np.where(np.abs(gains) < EQUAL_MS, 0.0, np.sign(gains))
    roots = []
    if signs[np.argmin(np.abs(grid - stated))] == 0:
        xtol = ROOT_SHARE * float(grid[-1] - grid[0])
        edges = [(i, j) for i, j in [*pairwise(range(len(grid))), *pairwise(range(len(grid))[::-1])]
                 if signs[i] == 0 and signs[j] > 0]  # fmt: skip
        for i, j in edges:
            low, high = sorted((float(grid[i]), float(grid[j])))
            roots.append(float(brentq(lambda value: gain_at(value) - EQUAL_MS, low, high, xtol=xtol)))
        return min(roots, key=lambda root: abs(root - stated), default=None)
    for i, j in pairwise(np.flatnonzero(signs).tolist()):
        if signs[i] != signs[j]:
            between = grid[i + 1 : j].tolist()
            if not between:
                xtol = ROOT_SHARE * float(grid[-1] - grid[0])
                between = [float(brentq(gain_at, float(grid[i]), float(grid[j]), xtol=xtol))]
            roots += between
    return min(roots, key=lambda root: abs(root - stated), default=None)
