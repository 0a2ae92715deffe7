"""What to buy first when the money comes in stages, so that nothing that was bought is thrown away.

A *plan* is one build a stage. Every slot changes at most once, from the part now fitted to the final one; after each
stage the car is legal and runs, and what has been spent is covered by the money of the stages so far. What a stage
costs is said in `stage_bills`. The best plan has the fastest last build; among those the fastest one before it, and so
on backwards; speeds that round to the same 0.001 m/s are equal, and the lower outlay of all stages decides, then ids
(of the last build first).

Final builds are taken from the ranking for the whole money. A plan's outlay is never less than the price of its last
build at once, so every possible last build stands in that ranking. For each, the builds on the way are all gone
through; chains of them are taken up in the order of the plans, first with a lower bound of what they cost, and then
with their bills.

There is a plan if and only if some legal build can be had for the money of the first stage, fixed costs included: it
may simply stay.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from optimizer.answers.kept_out import why_none
from optimizer.answers.partial_builds import Partials, Ways
from optimizer.answers.stage_bills import RepeatedJob, bills_of_stages, repeated_jobs
from optimizer.choice.options import IntArray, Options
from optimizer.choice.price import BUDGET, AdditiveBounds
from optimizer.choice.receipt import Bill
from optimizer.errors import NoLegalBuildError, UsageError
from optimizer.run.judge import speed_steps
from optimizer.search.diagnosis import money_text
from optimizer.search.ranking import Ranking
from optimizer.search.state import Progress
from optimizer.search.study import Study

PutOff = Literal["", "not yet", "no faster", "later"]
"""Why nothing is bought in a stage: see `Stage`."""
STAGES = (2, 3, 4)
"""Numbers of stages that are worked out."""
LISTS = (20, 400)
"""Final builds that are gone through before the search looks only at those that keep the best build of stage 1."""


@dataclass(frozen=True, slots=True)
class Change:
    """A slot, the part that leaves it and the one that goes in."""

    slot: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Stage:
    """What is bought with the money of one stage, and what the car is then.

    Attributes
    ----------
    money_cents : int
        What comes in with this stage.
    build : mapping of str to str
        Slot name -> part id of the car at its end.
    changes : tuple of Change
        Made in this stage; empty where the money is only kept.
    bill : Bill
        Of this stage.
    outlay_cents : int
        Total of the bill; below 0 where what comes off brings more than is spent.
    cumulative_cents : int
        Outlay of this stage and those before.
    left_cents : int
        Money of this stage and those before less their outlay.
    speed_ms : float
    put_off : str
        Why nothing is bought in it though later stages buy: none of what they put in can be had for the money so far
        and leave the car legal ("not yet"); what can makes it no faster ("no faster"); or to buy it now leaves this or
        a later stage short of money, or a later one slower ("later"). Empty where something is bought, now or never.
    """

    money_cents: int
    build: Mapping[str, str]
    changes: tuple[Change, ...]
    bill: Bill
    outlay_cents: int
    cumulative_cents: int
    left_cents: int
    speed_ms: float
    put_off: PutOff


@dataclass(frozen=True, slots=True)
class AtOnce:
    """The best build for all the money at once: slot name -> part id, speed, price."""

    build: Mapping[str, str]
    speed_ms: float
    cents: int


@dataclass(frozen=True, slots=True)
class BuyingPlan:
    """What to buy first.

    Attributes
    ----------
    stages : tuple of Stage
    total_cents : int
        Outlay of all stages.
    repeated_jobs : tuple of RepeatedJob
        Work that is paid again because it is needed in more than one stage.
    last_at_once_cents : int
        Price of the last build if it were bought at once: what the total is above it is lost to staging.
    at_once : AtOnce
        The best build for all the money at once, for comparison.
    complete : bool
        Whether no plan is better, by the guarantee of the rankings used (docs/method.md, section 4).
    """

    stages: tuple[Stage, ...]
    total_cents: int
    repeated_jobs: tuple[RepeatedJob, ...]
    last_at_once_cents: int
    at_once: AtOnce
    complete: bool


def buying_order(study: Study, stage_cents: Sequence[int], *, progress: Progress | None = None) -> BuyingPlan:
    """Find the best plan for money that comes in stages.

    Parameters
    ----------
    study : Study
        Of the scenario; its own budget does not matter.
    stage_cents : sequence of int
        Money that comes in with each of 2 to 4 stages; what is left is carried on.
    progress : callable, optional
        Told what is going on.

    Raises
    ------
    UsageError
        If the number of stages is another, an amount is negative, or a final build changes more slots than can be gone
        through.
    NoLegalBuildError
        If no legal build can be had for the money of the first stage.
    """
    if len(stage_cents) not in STAGES or min(stage_cents) < 0:
        raise UsageError("the money must come in 2 to 4 stages, none of them negative")
    return _Planner(study, tuple(stage_cents), progress).plan()


@dataclass(frozen=True, slots=True, eq=False)
class _Chain:
    """Builds (T, S) stage by stage, and their bills, which the money covers."""

    builds: IntArray
    bills: tuple[Bill, ...]


class _Planner:
    def __init__(self, study: Study, stage_cents: tuple[int, ...], progress: Progress | None) -> None:
        self.study, self.stage_cents, self.progress = study, stage_cents, progress
        self.money = tuple(itertools.accumulate(stage_cents))
        self.ways = Ways(study.legality, study.book, study.judge, self.money)
        self.failed: set[bytes] = set()
        self.complete = True

    def plan(self) -> BuyingPlan:
        """Go through final builds from the fastest down until one has a plan."""
        ranking = self._ranking(LISTS[0])
        if not ranking.listed:
            raise self._refusal(ranking)
        at_once = AtOnce(
            self.study.options.decode(ranking.builds[0]), float(ranking.speed_ms[0]), int(ranking.cents[0])
        )
        found = self._first_of(ranking, LISTS[0])
        if found is None:
            found = self._further()
        return self._told(found, at_once)

    def _further(self) -> _Chain:
        """Go on where the first list has no plan: with longer lists, then with what keeps the best of stage 1."""
        first = self.study.best(1, budget_cents=self.money[0], progress=self.progress)
        if not first.listed:
            raise self._refusal(first)
        without = tuple(self._out_of_reach())
        for k in LISTS:
            found = self._first_of(self._ranking(k, without=without), k, last=k == LISTS[-1])
            if found is not None:
                return found
        self.complete = False
        kept = self._named(first.builds[0], np.flatnonzero(first.builds[0]))
        found = self._first_of(self._ranking(LISTS[0], kept=kept), LISTS[0], last=True)
        if found is not None:
            return found
        stays = np.repeat(first.builds[:1], len(self.money), axis=0)
        return _Chain(stays, bills_of_stages(self.study.book, stays))

    def _ranking(self, k: int, *, kept: tuple[str, ...] = (), without: tuple[str, ...] = ()) -> Ranking:
        return self.study.best(
            k, budget_cents=self.money[-1], with_parts=kept, without_parts=without, progress=self.progress
        )

    def _first_of(self, ranking: Ranking, k: int, *, last: bool = False) -> _Chain | None:
        """The best plan to the fastest final builds of a ranking that have one.

        Equally fast ones are looked at together. Where the list may have cut some of them off they are left to a longer
        list; if there is none, the answer is not complete.
        """
        steps = speed_steps(ranking.speed_ms[: ranking.listed])
        listed = ranking.builds[: ranking.listed]
        for step in dict.fromkeys(steps.tolist()):
            cut_off = step == steps[-1] and ranking.listed == k
            if cut_off and not last:
                return None
            finals = [each for each in listed[steps == step] if each.tobytes() not in self.failed]
            found = self._best_to(finals)
            if found is not None:
                self.complete &= ranking.evidence.closed is True and not cut_off
                return found
            self.failed |= {each.tobytes() for each in finals}
        return None

    def _best_to(self, finals: Sequence[IntArray]) -> _Chain | None:
        """The best plan that ends in one of some equally fast builds (S,).

        Chains grow from the last stage back. A key has the speeds so far, fastest first, then outlay and ids; a shorter
        one comes before all that it can grow to, and a lower bound of outlay before the outlay itself.
        """
        serial = itertools.count()
        waiting: list[tuple[tuple[object, ...], int, Partials, tuple[int, ...], _Chain | None]] = []
        for final in finals:
            ways = self.ways.to(final)
            if ways.reached[-1, -1]:
                waiting.append(((), next(serial), ways, (len(ways.builds) - 1,), None))
        heapq.heapify(waiting)
        while waiting:
            key, _, ways, rows, settled = heapq.heappop(waiting)
            if settled is not None:
                return settled
            if len(rows) < len(self.money):
                for longer, chain in self._grown(key, ways, rows):
                    heapq.heappush(waiting, (longer, next(serial), ways, chain, None))
                continue
            builds = ways.builds[list(reversed(rows))]
            bills = self._bills(builds)
            if bills is not None:
                exact = (*key[:-2], sum(bill.total_cents for bill in bills), key[-1])
                heapq.heappush(waiting, (exact, next(serial), ways, rows, _Chain(builds, bills)))
        return None

    def _grown(
        self, key: tuple[object, ...], ways: Partials, rows: tuple[int, ...]
    ) -> Iterator[tuple[tuple[object, ...], tuple[int, ...]]]:
        """Chains one stage longer, with their keys."""
        whole = len(rows) + 1 == len(self.money)
        for row, least in ways.before(rows, self.money, self.study.book.hours_limit):
            chain = (*rows, row)
            rest = (least, self._ids(ways.builds[list(chain)])) if whole else ()
            yield (*key, -int(ways.steps[row]), *rest), chain

    def _ids(self, builds: IntArray) -> tuple[str, ...]:
        """Part ids of builds (T, S) one after the other."""
        return tuple(part.id for build in builds for part in self.study.options.chosen(build))

    def _bills(self, builds: IntArray) -> tuple[Bill, ...] | None:
        """Bills of builds (T, S), or None where they cannot be bought or the money does not cover a stage."""
        try:
            bills = bills_of_stages(self.study.book, builds)
        except NoLegalBuildError:  # out of stock after the stages before, or own hours: no plan
            return None
        spent = itertools.accumulate(bill.total_cents for bill in bills)
        return bills if all(cents <= money for cents, money in zip(spent, self.money, strict=True)) else None

    def _out_of_reach(self) -> Iterator[str]:
        """Parts that no plan ends with: too dear for stage 1, in slots whose fitted part is not legal."""
        options, legality = self.study.options, self.study.legality
        bounds = self.study.book.additive_bounds()
        for s, out in enumerate(legality.forbidden):
            if out[0]:
                least = _least_with(bounds, legality.forbidden, s)
                yield from self._named_options(options, s, np.flatnonzero(~out & (least > self.money[0])))

    def _named(self, build: IntArray, slots: Iterable[int]) -> tuple[str, ...]:
        options = self.study.options
        return tuple(name for s in slots for name in self._named_options(options, s, [int(build[s])]))

    @staticmethod
    def _named_options(options: Options, s: int, places: Iterable[int]) -> Iterator[str]:
        yield from (f"{options.slots[s].name}={options.parts[s][o].id}" for o in places)

    def _refusal(self, ranking: Ranking) -> NoLegalBuildError:
        """Say why stage 1 cannot end with a legal car."""
        study, money = self.study, self.money[0]
        why = why_none(study, money, ranking.evidence)
        if why.reasons == (BUDGET,):
            fixed = sum(cents for _, cents in study.book.fixed_costs)
            pays = f", which pays the fixed costs of {money_text(study.options, fixed)}" if fixed else ""
            text = f"{why.text} That is more than comes in with stage 1{pays}."
        else:
            text = f"The car is not legal with what {money_text(study.options, money)} buys in stage 1. {why.text}"
        return NoLegalBuildError(text, why.reasons, why.cheapest_cents)

    def _told(self, chain: _Chain, at_once: AtOnce) -> BuyingPlan:
        options, judge = self.study.options, self.study.judge
        speeds, ways = judge.speeds(chain.builds), self.ways.to(chain.builds[-1])
        stages, spent, before = [], 0, options.fitted
        for t, (build, bill) in enumerate(zip(chain.builds, chain.bills, strict=True)):
            spent += bill.total_cents
            changes = tuple(
                Change(options.slots[s].name, options.parts[s][int(before[s])].id, options.parts[s][int(build[s])].id)
                for s in np.flatnonzero(build != before)
            )
            stages.append(
                Stage(
                    money_cents=self.stage_cents[t], build=options.decode(build), changes=changes, bill=bill,
                    outlay_cents=bill.total_cents, cumulative_cents=spent, left_cents=self.money[t] - spent,
                    speed_ms=float(speeds[t]), put_off="" if changes else self._put_off(ways, t, build),
                )
            )  # fmt: skip
            before = build
        last = int(self.study.book.price(chain.builds[-1:]).cents[0])
        return BuyingPlan(tuple(stages), spent, repeated_jobs(chain.bills), last, at_once, self.complete)

    @staticmethod
    def _put_off(ways: Partials, t: int, build: IntArray) -> PutOff:
        """Why a stage leaves the car with a build (S,), of all the ways to the last one."""
        if (build == ways.builds[-1]).all():
            return ""
        more = ((ways.builds == build) | (build == 0)).all(axis=1)
        steps = ways.steps[more & ways.reached[t]]
        own = ways.steps[(ways.builds == build).all(axis=1)]
        if len(steps) <= len(own):  # only the build itself
            return "not yet"
        return "later" if (steps > own.max()).any() else "no faster"


def _least_with(bounds: AdditiveBounds, forbidden: Sequence[np.ndarray], s: int) -> IntArray:
    """The least that a build with each option (m_s,) of a slot can cost, jobs of the other slots aside."""
    every = [int(cents[~out].min(initial=0)) for cents, out in zip(bounds.cents, forbidden, strict=True)]
    elsewhere = sum(every) - every[s]
    jobs = [
        sum(int(cents) for j, cents in enumerate(bounds.job_cents) if int(mask) >> j & 1) for mask in bounds.jobs[s]
    ]
    return bounds.fixed_cents + elsewhere + bounds.cents[s] + np.array(jobs, dtype=np.int64)
