"""What each changed part is worth against the car as it stands: fair shares of the gain that add up to it exactly.

A share is the mean of what a change brings over all orders in which the changes could be made (L. S. Shapley, "A value
for n-person games", Contributions to the Theory of Games II (1953), from memory), every combination of changes being
simulated. Where two changes are worth more or less together than apart, their interaction says so (M. Grabisch,
M. Roubens, "An axiomatic approach to the concept of interaction among players in cooperative games", International
Journal of Game Theory 28 (1999), from memory).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import BoolArray, FloatArray, IntArray
from optimizer.run.judge import Judge

EXACT_CHANGES = 12
"""Changes up to which every combination is simulated; beyond it orders are sampled."""
ORDERS = 400
"""Orders sampled where there are too many combinations."""
SEED = 20


@dataclass(frozen=True, slots=True)
class Change:
    """Parts that enter together since neither fits what the other replaces: slot -> (part now, part then)."""

    slots: tuple[str, ...]
    before: tuple[str, ...]
    after: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Share:
    """What one change is worth.

    Attributes
    ----------
    change : Change
    share_ms : float
        Its share of the gain; all shares add up to the gain.
    error_ms : float
        Standard error of a sampled share; 0 where it is exact.
    first_ms, last_ms : float
        What it brings alone on the car as it stands, and as the last of all changes.
    """

    change: Change
    share_ms: float
    error_ms: float
    first_ms: float
    last_ms: float


@dataclass(frozen=True, slots=True)
class Pairing:
    """Two changes that are worth more (above 0) or less together than apart [m/s], over all others on the average."""

    first: Change
    second: Change
    together_ms: float


@dataclass(frozen=True, slots=True)
class Shares:
    """The gain of a build over the car as it stands, shared out; largest share first."""

    gain_ms: float
    shares: tuple[Share, ...]
    pairings: tuple[Pairing, ...]


def shares_of(judge: Judge, legality: Legality, build: IntArray) -> Shares:
    """Share out the gain in speed of a build (S,) over the car as it stands among its changes.

    Up to `EXACT_CHANGES` changes every combination is simulated, whether it is legal or not; with more, orders are
    sampled (the same ones every time) and the shares still add up to the gain. Pairings only where it is exact.
    """
    changes = changes_of(legality, build)
    slots = [[judge.options.position(slot) for slot in change.slots] for change in changes]
    if not changes:
        return Shares(0.0, (), ())
    if len(changes) <= EXACT_CHANGES:
        shares, pairings = _exact(judge, build, slots, changes)
    else:
        shares, pairings = _sampled(judge, build, slots, changes), ()
    gain = sum(each.share_ms for each in shares)
    return Shares(
        gain,
        tuple(sorted(shares, key=lambda each: -each.share_ms)),
        tuple(sorted(pairings, key=lambda each: -abs(each.together_ms))),
    )


def changes_of(legality: Legality, build: IntArray) -> tuple[Change, ...]:
    """Changes of a build (S,) from the car as it stands; parts that only fit each other enter together."""
    options = legality.options
    changed = [int(s) for s in np.flatnonzero(build != options.fitted)]
    group = {s: {s} for s in changed}
    for s, t in itertools.combinations(changed, 2):
        if _tied(legality, s, int(build[s]), t, int(build[t])):
            joined = group[s] | group[t]
            for each in joined:
                group[each] = joined
    found = {min(each): sorted(each) for each in group.values()}
    return tuple(
        Change(
            tuple(options.slots[s].name for s in slots),
            tuple(options.parts[s][0].id for s in slots),
            tuple(options.parts[s][int(build[s])].id for s in slots),
        )
        for _, slots in sorted(found.items())
    )


def _tied(legality: Legality, s: int, o: int, t: int, q: int) -> bool:
    """Whether one of two changed parts does not fit what the other replaces."""
    table = legality.pairs.get((s, t))
    return table is not None and bool(table[o, 0] or table[0, q])


def _speeds(judge: Judge, build: IntArray, slots: Sequence[Sequence[int]], members: BoolArray) -> FloatArray:
    """Speeds (n,) of the car as it stands with some changes (n, changes)."""
    builds = np.repeat(judge.options.fitted[None], len(members), axis=0)
    for place, each in enumerate(slots):
        for s in each:
            builds[members[:, place], s] = build[s]
    return judge.speeds(builds)


def _exact(
    judge: Judge, build: IntArray, slots: Sequence[Sequence[int]], changes: Sequence[Change]
) -> tuple[list[Share], tuple[Pairing, ...]]:
    """Shares and pairings from every combination of changes."""
    count = len(changes)
    masks = np.arange(1 << count)
    members = (masks[:, None] >> np.arange(count)) & 1 == 1
    speed = _speeds(judge, build, slots, members)
    size = members.sum(axis=1)
    share_weight = np.array([_orders(each, count - each - 1) / math.factorial(count) for each in range(count)])
    shares = []
    for place, change in enumerate(changes):
        without = masks[~members[:, place]]
        brought = speed[without | (1 << place)] - speed[without]
        share = float((share_weight[size[without]] * brought).sum())
        shares.append(Share(change, share, 0.0, float(brought[0]), float(brought[-1])))
    pairings = []
    for a, b in itertools.combinations(range(count), 2):
        rest = masks[~members[:, a] & ~members[:, b]]
        both = speed[rest | (1 << a) | (1 << b)] - speed[rest | (1 << a)] - speed[rest | (1 << b)] + speed[rest]
        weight = np.array([_orders(each, count - each - 2) / math.factorial(count - 1) for each in range(count - 1)])
        pairings.append(Pairing(changes[a], changes[b], float((weight[size[rest]] * both).sum())))
    return shares, tuple(pairings)


def _orders(before: int, after: int) -> float:
    """Orders in which so many changes come before and so many after."""
    return float(math.factorial(before) * math.factorial(after))


def _sampled(
    judge: Judge, build: IntArray, slots: Sequence[Sequence[int]], changes: Sequence[Change]
) -> list[Share]:
    """Shares from sampled orders, each with its standard error."""
    count, rng = len(changes), np.random.default_rng(SEED)
    orders = np.array([rng.permutation(count) for _ in range(ORDERS)])
    place = np.argsort(orders, axis=1)
    members = place[:, None, :] < np.arange(count + 1)[None, :, None]
    speed = _speeds(judge, build, slots, members.reshape(-1, count)).reshape(ORDERS, count + 1)
    steps = np.diff(speed, axis=1)
    brought = np.take_along_axis(steps, place, axis=1)
    error = brought.std(axis=0, ddof=1) / math.sqrt(ORDERS)
    alone = np.eye(count, dtype=bool)
    ends = _speeds(judge, build, slots, np.concatenate([alone, ~alone, [np.zeros(count), np.ones(count)]]).astype(bool))
    return [
        Share(
            change, float(brought[:, i].mean()), float(error[i]), float(ends[i] - ends[-2]),
            float(ends[-1] - ends[count + i]),
        )
        for i, change in enumerate(changes)
    ]  # fmt: skip
