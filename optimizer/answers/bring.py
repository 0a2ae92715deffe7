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
from optimizer.answers.meet_worlds import World, worlds_of
from optimizer.answers.odds import joined_runs
from optimizer.answers.trailers import GROUPS, Members, trailer_cents
from optimizer.answers.unknowns import only_needed, salt_asked_about, unknowns_of
from optimizer.choice.options import BoolArray, FloatArray, IntArray, Options
from optimizer.executor import Pool, Progress
from optimizer.run.judge import SPEED_STEP_MS
from optimizer.scenario.event import Meet
from optimizer.search.study import Study

MORNINGS, CARS = 48, 8
MOST = 96
"""Configurations that run in all mornings; where there are more, those are left that a screening favors."""
SCREENED = 8
"""Mornings of the screening, with the car as stated."""


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
    gain, gain_error : float
        Chance that the best gains on the fixed one, and its standard error over the mornings.
    gain_ms, gain_error_ms : float
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
    gain: float
    gain_error: float
    gain_ms: float
    gain_error_ms: float
    mornings: int
    cars: int
    configurations: int
    screened: int
    tried: int


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
        configurations = _screened(study, configurations, bases, most, meet, progress)
    if len(configurations) == 0:
        return None
    worth = _worth(study, configurations, mornings, cars, meet, pool, progress)
    tried = _all_trailers(study.options, configurations, bases, spares, groups)
    money = trailer_cents(study, configurations, tried)
    affordable = money <= (np.inf if budget_cents is None else budget_cents)
    kept = [trailer for trailer, ok in zip(tried, affordable, strict=True) if ok]
    if not kept:
        return None
    return _answer(study.options, configurations, kept, money[affordable], worth, (seen, len(tried)), cars)


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
    study: Study, builds: IntArray, bases: IntArray, most: int, meet: Meet | None, progress: Progress | None
) -> IntArray:
    """Those that are best on some morning with the car as stated, and the best on the average, up to so many.

    This is a sample: what it leaves out might be best on a morning that it did not see.
    """
    mornings, _ = _drawn(study, builds, SCREENED, 2)
    stated = [replace(world, lasting={}) for world in mornings]
    speeds = _speeds(study, builds, stated, None, progress)
    chance = _chances(study, speeds, meet)
    ranks = np.maximum((-speeds).argsort(axis=1).argsort(axis=1).min(axis=0), 0)
    order = np.lexsort([-speeds.mean(axis=0), -chance.mean(axis=0), ranks])
    base = {row.tobytes() for row in np.ascontiguousarray(bases)}
    is_base = np.array([row.tobytes() in base for row in np.ascontiguousarray(builds)])
    kept = [i for i in order if is_base[i]][:most] + [i for i in order if not is_base[i]]
    return builds[np.sort(np.array(kept[:most]))]


# --- what they do


@dataclass(frozen=True, slots=True)
class _Worth:
    """Expected chance and speed of each configuration on each morning: (mornings, n)."""

    chance: FloatArray
    speed_ms: FloatArray


def _drawn(study: Study, builds: IntArray, mornings: int, cars: int) -> tuple[list[World], list[World]]:
    """Mornings, of which salt and air count, and cars, of which what lasts counts; drawn apart."""
    options, _ = only_needed(study.options, builds)
    unknowns = unknowns_of(options, salt_asked_about(study.judge))
    runs = study.scenario.event.scoring.runs
    calibration = study.scenario.calibration
    return (
        worlds_of(unknowns, calibration, mornings, 1, runs, sets=1, seed=43),
        worlds_of(unknowns, calibration, cars, 1, runs, sets=1, seed=44),
    )


def _speeds(
    study: Study, builds: IntArray, worlds: list[World], pool: Pool | None, progress: Progress | None
) -> FloatArray:
    """Speed that counts (W, n) under the event's scoring."""
    options, rows = only_needed(study.options, builds)
    event, salt = study.scenario.event, salt_asked_about(study.judge)
    legs = legs_as_scored(event)
    return joined_runs(run_speeds(options, salt, rows, worlds, legs, pool=pool, progress=progress), event.scoring)


def _chances(study: Study, speeds: FloatArray, meet: Meet | None) -> FloatArray:
    """Chance of the record with one attempt at speeds, for the scatter of runs."""
    event, needed = study.scenario.event, study.judge.planned_ms
    scatter = (event.meet if meet is None else meet).run_scatter
    return chance_with(speeds, needed, scatter * needed / np.sqrt(event.scoring.runs))


def _worth(
    study: Study, builds: IntArray, mornings: int, cars: int, meet: Meet | None, pool: Pool | None,
    progress: Progress | None,
) -> _Worth:  # fmt: skip
    """Averages over the cars, morning by morning."""
    days, lasting = _drawn(study, builds, mornings, cars)
    worlds = [replace(day, lasting=car.lasting) for day in days for car in lasting]
    speeds = _speeds(study, builds, worlds, pool, progress)
    shape = (len(days), len(lasting), len(builds))
    return _Worth(
        _chances(study, speeds, meet).reshape(shape).mean(axis=1), speeds.reshape(shape).mean(axis=1)
    )


# --- trailers


def _all_trailers(
    options: Options, builds: IntArray, bases: IntArray, spares: int, groups: Sequence[str]
) -> list[Members]:
    """Every base alone, and with up to so many spares."""
    base = {row.tobytes() for row in np.ascontiguousarray(bases)}
    found: list[Members] = []
    inside = {group: _mask(options, group) for group in groups}
    for b, row in enumerate(builds):
        if row.tobytes() not in base:
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


def _answer(
    options: Options, builds: IntArray, kept: list[Members], cents: IntArray, worth: _Worth, looked: tuple[int, int],
    cars: int,
) -> Bring:  # fmt: skip
    """The best trailer of each size, and of all."""
    scores = [_score(members, worth) for members in kept]
    best_of: dict[int, int] = {}
    for number, members in enumerate(kept):
        size = len(members) - 1
        if size not in best_of or _key(scores, cents, kept, number) < _key(scores, cents, kept, best_of[size]):
            best_of[size] = number
    best = min(best_of.values(), key=lambda number: _key(scores, cents, kept, number))
    told = {number: _trailer(options, builds, kept[number], int(cents[number]), worth) for number in best_of.values()}
    fixed = best_of[0]
    (gain, error), (gain_ms, error_ms) = (
        _gain(each, kept[best], kept[fixed], worth) for each in (worth.chance, worth.speed_ms)
    )
    return Bring(
        told[fixed], told[best], tuple(told[best_of[size]] for size in sorted(best_of) if size), gain, error, gain_ms,
        error_ms, len(worth.chance), cars, len(builds), *looked,
    )  # fmt: skip


def _fitted(members: Members, worth: _Worth) -> IntArray:
    """Which configuration (mornings,) is fitted: the likeliest, then the fastest, then the base."""
    chance = np.round(worth.chance[:, list(members)], 9)
    speed = np.round(worth.speed_ms[:, list(members)] / SPEED_STEP_MS)
    top = np.where(chance == chance.max(axis=1, keepdims=True), speed, -np.inf)
    return np.array(members)[top.argmax(axis=1)]


def _score(members: Members, worth: _Worth) -> tuple[float, float]:
    """Expected chance and speed of a trailer."""
    rows, fitted = np.arange(len(worth.chance)), _fitted(members, worth)
    return float(worth.chance[rows, fitted].mean()), float(worth.speed_ms[rows, fitted].mean())


def _key(
    scores: Sequence[tuple[float, float]], cents: IntArray, kept: Sequence[Members], number: int
) -> tuple[float, float, int, int, int]:
    """Order of trailers: chance, speed, money, number of spares, order of trying."""
    chance, speed = scores[number]
    return (-round(chance, 9), -round(speed / SPEED_STEP_MS), int(cents[number]), len(kept[number]), number)


def _gain(table: FloatArray, members: Members, fixed: Members, worth: _Worth) -> tuple[float, float]:
    """Average gain of a trailer on another, and its standard error over the mornings."""
    rows = np.arange(len(table))
    gain = table[rows, _fitted(members, worth)] - table[rows, _fitted(fixed, worth)]
    return float(gain.mean()), float(gain.std(ddof=1) / np.sqrt(len(gain)))


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
