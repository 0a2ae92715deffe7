"""What to bring: a base car and one or two spare sets bought with it, the best of them fitted on the morning.

A *configuration* is a legal build. What goes together into the trailer is a base and spares, each a configuration that
differs from the base in one group of slots: tires (with wheels, if they are to come mounted) or final drive. On the
morning the salt and the air of the day are known, the car's own numbers are not: what is fitted is the configuration
with the best average over what is still unknown, one spare at a time. Mornings and cars are drawn apart, and every
configuration runs in each morning with each car.

*Money* is that of all pieces together. Parts that the base does not use as often are bought once more than it needs
(`PriceBook`, with a slot of its own for each spare); fitted parts that some configuration keeps are not sold. Work to
build the base is paid; changes on the salt are done by the crew and cost time, not money.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from optimizer.answers.measure_next import chance_with
from optimizer.answers.meet_runs import legs_as_scored, run_speeds
from optimizer.answers.meet_worlds import Chance, World, worlds_of
from optimizer.answers.odds import joined_runs
from optimizer.answers.trailers import GROUPS, Members, trailer_cents
from optimizer.answers.unknowns import only_needed, salt_asked_about, unknowns_of
from optimizer.choice.options import BoolArray, FloatArray, IntArray, Options
from optimizer.executor import Pool, Progress
from optimizer.run.judge import SPEED_STEP_MS
from optimizer.scenario.event import Meet
from optimizer.search.study import Study

MORNINGS, CARS = 24, 16
SEED, FRESH = 43, 53
"""Of the mornings and cars that pick, and of those that check what was picked."""
MOST = 96
"""Configurations that run in all mornings; where there are more, those are left that a screening favors."""
SCREENED = 8
"""Mornings of the screening, with the car as stated."""
CARS_DIFFER = 0.015
"""Share of the speed by which cars are off for what lasts, as the screening takes it."""


@dataclass(frozen=True, slots=True)
class Trailer:
    """A base and its spares.

    Attributes
    ----------
    configurations : tuple of arrays (S,)
        The base first.
    groups : tuple of str
        What each spare changes.
    cents : int
        Of all pieces together, and the base's work.
    chance : float
        Expected chance of the record with one attempt, the best configuration fitted each morning.
    speed_ms : float
        Average speed of what is fitted.
    used : tuple of float
        Share of mornings on which each configuration is fitted.
    """

    configurations: tuple[IntArray, ...]
    groups: tuple[str, ...]
    cents: int
    chance: float
    speed_ms: float
    used: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Bring:
    """What to bring.

    Attributes
    ----------
    fixed : Trailer
        The best single configuration for the same money.
    best : Trailer
        The best of all, the fixed one included.
    with_spares : tuple of Trailer
        The best with one spare, with two, ...; those that exist.
    gain : Chance
        What the best gains on the fixed one in chance, on mornings and with cars that did not pick it.
    gain_ms : Chance
        The same in average speed [m/s].
    mornings, cars : int
        Drawn.
    configurations, screened : int
        How many ran in all mornings, and how many were looked at.
    tried : int
        Trailers whose money was counted.
    """

    fixed: Trailer
    best: Trailer
    with_spares: tuple[Trailer, ...]
    gain: Chance
    gain_ms: Chance
    mornings: int
    cars: int
    configurations: int
    screened: int
    tried: int

    @property
    def worth_it(self) -> bool:
        """Whether spares gain chance by more than twice the error of that."""
        return len(self.best.configurations) > 1 and self.gain.value > 2 * self.gain.error

    @property
    def advised(self) -> Trailer:
        """The best, if its spares are worth it; else the fixed one."""
        return self.best if self.worth_it else self.fixed


def bring(
    study: Study,
    bases: IntArray,
    budget_cents: int | None,
    *,
    spares: int = 1,
    groups: Sequence[str] = tuple(GROUPS),
    meet: Meet | None = None,
    mornings: int = MORNINGS,
    cars: int = CARS,
    most: int = MOST,
    pool: Pool | None = None,
    progress: Progress | None = None,
) -> Bring | None:
    """The best base among some builds (n, S) with up to some spares; None where no base is legal within the budget.

    Among equals the cheaper, then fewer spares.
    """
    configurations = _legal(study, _family(study.options, bases, groups))
    seen = len(configurations)
    if len(configurations) > most:
        configurations = _screened(study, configurations, bases, budget_cents, most, groups, progress)
    if len(configurations) == 0:
        return None
    worth = _worth(study, configurations, mornings, cars, meet, pool, progress)
    tried = _all_trailers(study.options, configurations, bases, spares, groups)
    money = trailer_cents(study, configurations, tried)
    affordable = money <= (np.inf if budget_cents is None else budget_cents)
    kept = [trailer for trailer, ok in zip(tried, affordable, strict=True) if ok]
    if not kept:
        return None
    order = _Order(kept, money[affordable], worth)
    best_of = order.best_of_each_size()
    best = min(best_of.values(), key=order.key)
    told = {
        number: _trailer(study.options, configurations, kept[number], int(order.cents[number]), worth)
        for number in best_of.values()
    }
    gain, gain_ms = _checked(study, configurations, kept[best], kept[best_of[0]], mornings, cars, meet)
    return Bring(
        told[best_of[0]], told[best], tuple(told[best_of[size]] for size in sorted(best_of) if size), gain, gain_ms,
        len(worth.chance), cars, len(configurations), seen, len(tried),
    )  # fmt: skip


# --- configurations


def _group_slots(options: Options, group: str) -> IntArray:
    """Positions of the slots of a group."""
    return np.array([s for s, slot in enumerate(options.slots) if slot.kind in GROUPS[group]], dtype=np.int64)


def _family(options: Options, bases: IntArray, groups: Sequence[str]) -> IntArray:
    """Bases, and each with a group of slots as some other base has it, or with any one part for all of a kind."""
    found = {row.tobytes(): row for row in np.ascontiguousarray(bases)}
    for group in groups:
        slots = _group_slots(options, group)
        sets = list({row.tobytes(): row for row in np.ascontiguousarray(bases[:, slots])}.values())
        for base in bases:
            for choice in (*sets, *_single_changes(options, base, slots)):
                changed = base.copy()
                changed[slots] = choice
                found.setdefault(changed.tobytes(), changed)
    return np.stack(list(found.values()))


def _single_changes(options: Options, base: IntArray, slots: IntArray) -> Iterator[IntArray]:
    """What a base (S,) has in some slots with one slot changed, or all slots of a kind that take the same part."""
    ids = [[part.id for part in options.parts[s]] for s in slots]
    for i, s in enumerate(slots):
        for o in range(len(options.parts[s])):
            choice = base[slots].copy()
            choice[i] = o
            yield choice
            part = ids[i][o]
            for j, t in enumerate(slots):
                if options.slots[t].kind == options.slots[s].kind and part in ids[j]:
                    choice = choice.copy()
                    choice[j] = ids[j].index(part)
            yield choice


def _legal(study: Study, builds: IntArray) -> IntArray:
    """Those that meet every rule, each on its own, at the stated values."""
    builds = builds[study.legality.allowed(builds)]
    if len(builds) == 0:
        return builds
    runs = study.judge.runs(builds)
    return builds[study.judge.judge(builds, runs).legal & (study.judge.joined(runs) > 0)]


def _screened(
    study: Study, builds: IntArray, bases: IntArray, budget_cents: int | None, most: int, groups: Sequence[str],
    progress: Progress | None,
) -> IntArray:  # fmt: skip
    """Those of the best bases with one spare that can be paid, on some mornings with the car as stated, so many.

    This is a sample: what it leaves out might be best on a morning that it did not see.
    """
    mornings, _ = _drawn(study, builds, SCREENED, 2)
    speeds = _speeds(study, builds, [replace(world, lasting={}) for world in mornings], None, progress)
    needed = study.judge.planned_ms
    chance = chance_with(speeds, needed, CARS_DIFFER, 1, _caps(study, builds))
    pairs = _all_trailers(study.options, builds, bases, 1, groups)
    money = trailer_cents(study, builds, pairs)
    pairs = [pair for pair, cents in zip(pairs, money, strict=True) if budget_cents is None or cents <= budget_cents]
    ends = np.array([(pair[0], pair[-1]) for pair in pairs], dtype=np.int64).reshape(-1, 2)
    worth = chance[:, ends].max(axis=2).mean(axis=0)
    kept: dict[int, None] = {}
    for row in np.argsort(-np.round(worth, 9), kind="stable"):
        if len(kept) + 2 > most:
            break
        kept.update(dict.fromkeys(pairs[row]))
    return builds[np.sort(np.array(list(kept), dtype=np.int64))]


# --- what they do


@dataclass(frozen=True, slots=True)
class _Worth:
    """Chance and speed of each configuration on each morning, averages over the cars (mornings, n), and one by one.

    ``by_car`` are the same of each car: chance and speed, (mornings, cars, n) each.
    """

    chance: FloatArray
    speed_ms: FloatArray
    by_car: tuple[FloatArray, FloatArray]


def _drawn(
    study: Study, builds: IntArray, mornings: int, cars: int, seed: int = SEED
) -> tuple[list[World], list[World]]:
    """Mornings, of which salt and air count, and cars, of which what lasts counts; drawn apart."""
    options, _ = only_needed(study.options, builds)
    unknowns = unknowns_of(options, salt_asked_about(study.judge))
    runs = study.scenario.event.scoring.runs
    calibration = study.scenario.calibration
    return (
        worlds_of(unknowns, calibration, mornings, 1, runs, sets=1, seed=seed),
        worlds_of(unknowns, calibration, cars, 1, runs, sets=1, seed=seed + 1),
    )


def _speeds(
    study: Study, builds: IntArray, worlds: list[World], pool: Pool | None, progress: Progress | None
) -> FloatArray:
    """Speed that counts (W, n) under the event's scoring."""
    options, rows = only_needed(study.options, builds)
    event, salt = study.scenario.event, salt_asked_about(study.judge)
    legs = legs_as_scored(event)
    speeds = run_speeds(options, salt, rows, worlds, legs, pool=pool, helper=study.helper, progress=progress)
    return joined_runs(speeds, event.scoring)


def _caps(study: Study, builds: IntArray) -> FloatArray:
    """Ground speeds (n,) to which the driver holds builds (n, S)."""
    return study.judge.model.drive_rows(builds).cap_ms


def _chances(study: Study, builds: IntArray, speeds: FloatArray, meet: Meet | None) -> FloatArray:
    """Chance of the record with one attempt of builds (n, S) at speeds (W, n), for the scatter of runs."""
    event, needed = study.scenario.event, study.judge.planned_ms
    scatter = (event.meet if meet is None else meet).run_scatter
    return chance_with(speeds, needed, scatter, event.scoring.runs, _caps(study, builds))


def _worth(
    study: Study, builds: IntArray, mornings: int, cars: int, meet: Meet | None, pool: Pool | None,
    progress: Progress | None, seed: int = SEED,
) -> _Worth:  # fmt: skip
    """Averages over the cars, morning by morning."""
    days, lasting = _drawn(study, builds, mornings, cars, seed)
    worlds = [replace(day, lasting=car.lasting) for day in days for car in lasting]
    speeds = _speeds(study, builds, worlds, pool, progress)
    shape = (len(days), len(lasting), len(builds))
    chance, speeds = _chances(study, builds, speeds, meet).reshape(shape), speeds.reshape(shape)
    return _Worth(chance.mean(axis=1), speeds.mean(axis=1), (chance, speeds))


# --- trailers


def _all_trailers(
    options: Options, builds: IntArray, bases: IntArray, spares: int, groups: Sequence[str]
) -> list[Members]:
    """Every configuration alone, and every base with up to so many spares."""
    base = {row.tobytes() for row in np.ascontiguousarray(bases)}
    found: list[Members] = []
    inside = {group: _mask(options, group) for group in groups}
    for b, row in enumerate(builds):
        if row.tobytes() not in base:
            found.append((b,))
            continue
        differs = builds != row
        fit = np.zeros(len(builds), dtype=np.bool_)
        for mask in inside.values():
            fit |= differs.any(axis=1) & ~differs[:, ~mask].any(axis=1)
        near = np.flatnonzero(fit).tolist()
        found += [(b, *more) for count in range(spares + 1) for more in combinations(near, count)]
    return found


def _mask(options: Options, group: str) -> BoolArray:
    inside = np.zeros(len(options.slots), dtype=np.bool_)
    inside[_group_slots(options, group)] = True
    return inside


# --- the answer


def _fitted(members: Members, worth: _Worth) -> IntArray:
    """Which configuration (mornings,) is fitted: the likeliest, then the fastest, then the base."""
    chance = np.round(worth.chance[:, list(members)], 9)
    speed = np.round(worth.speed_ms[:, list(members)] / SPEED_STEP_MS)
    top = np.where(chance == chance.max(axis=1, keepdims=True), speed, -np.inf)
    return np.array(members)[top.argmax(axis=1)]


@dataclass(frozen=True, slots=True)
class _Order:
    """Trailers in the order of chance, speed, money, number of spares, order of trying."""

    trailers: Sequence[Members]
    cents: IntArray
    worth: _Worth

    def key(self, number: int) -> tuple[float, float, int, int, int]:
        """Lower is better."""
        chance, speed = _score(self.trailers[number], self.worth)
        size = len(self.trailers[number])
        return (-round(chance, 9), -round(speed / SPEED_STEP_MS), int(self.cents[number]), size, number)

    def best_of_each_size(self) -> dict[int, int]:
        """Number of spares -> the best trailer with so many."""
        found: dict[int, tuple[tuple[float, float, int, int, int], int]] = {}
        for number, members in enumerate(self.trailers):
            size, key = len(members) - 1, self.key(number)
            if size not in found or key < found[size][0]:
                found[size] = key, number
        return {size: number for size, (_, number) in found.items()}


def _score(members: Members, worth: _Worth) -> tuple[float, float]:
    """Expected chance and speed of a trailer."""
    rows, fitted = np.arange(len(worth.chance)), _fitted(members, worth)
    return float(worth.chance[rows, fitted].mean()), float(worth.speed_ms[rows, fitted].mean())


def _checked(
    study: Study, builds: IntArray, best: Members, fixed: Members, mornings: int, cars: int, meet: Meet | None
) -> tuple[Chance, Chance]:
    """What a trailer gains on another in chance and speed, on mornings and cars that did not pick it: picking flatters.

    Mornings and cars were drawn apart, and each adds to the error.
    """
    if best == fixed:
        return Chance(0.0, 0.0), Chance(0.0, 0.0)
    few = sorted({*best, *fixed})
    worth = _worth(study, builds[few], mornings, cars, meet, None, None, seed=FRESH)
    rows = np.arange(len(worth.chance))
    with_best, with_fixed = (_fitted(tuple(few.index(each) for each in members), worth) for members in (best, fixed))
    chance, speed = (_crossed(table[rows, :, with_best] - table[rows, :, with_fixed]) for table in worth.by_car)
    return chance, speed


def _crossed(gain: FloatArray) -> Chance:
    """Average of a gain (mornings, cars), with an error that counts both."""
    parts = (gain.mean(axis=1), gain.mean(axis=0))
    return Chance(float(gain.mean()), float(np.sqrt(sum(part.var(ddof=1) / len(part) for part in parts))))


def _trailer(options: Options, builds: IntArray, members: Members, cents: int, worth: _Worth) -> Trailer:
    fitted = _fitted(members, worth)
    chance, speed = _score(members, worth)
    groups = tuple(_group_of(options, builds[members[0]], builds[member]) for member in members[1:])
    used = tuple(float((fitted == member).mean()) for member in members)
    return Trailer(tuple(builds[member] for member in members), groups, cents, chance, speed, used)


def _group_of(options: Options, base: IntArray, spare: IntArray) -> str:
    """What a spare changes."""
    kinds = {options.slots[s].kind for s in np.flatnonzero(base != spare)}
    return next(group for group, inside in GROUPS.items() if kinds <= set(inside))
