"""What is said about one build: speed, what holds it, revs, stopping, money. Plain records, SI inside."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import IntArray
from optimizer.choice.price import PriceBook
from optimizer.choice.receipt import Bill
from optimizer.errors import NoLegalBuildError
from optimizer.run.driving import Gear
from optimizer.run.judge import CHECKS, Judge
from optimizer.run.model import rated_speed_ms
from optimizer.run.simulator import LIMITS, LimitName
from optimizer.run.stopping import CASES
from optimizer.scenario.parts import Axle, Tire


@dataclass(frozen=True, slots=True)
class RunCard:
    """One run: speeds [m/s], time from the start to the last board [s], state at the last board.

    ``slip`` is how much faster the surface of the driven tires is than the ground, as a share of ground speed.
    """

    score_ms: float
    first_board_ms: float
    exit_ms: float
    time_s: float
    settles_ms: float
    gear: int
    rpm_first: float
    rpm_last: float
    slip: float
    grip_use: float
    limit: LimitName
    headwind_ms: float


@dataclass(frozen=True, slots=True)
class StopCard:
    """Stopping from one speed: distance [m] per case, hottest rotor rise [K] and share of what is allowed.

    ``front_locks_g`` and ``rear_locks_g`` are the braking, in g, at which the wheels of an axle lock with all brakes.
    """

    from_ms: float
    distances_m: Mapping[str, float]
    shutdown_m: float
    coast_m: float
    rise_k: float
    rise_share: float
    front_locks_g: float
    rear_locks_g: float


@dataclass(frozen=True, slots=True)
class TireCard:
    """Tires of an axle on the fast day: surface speed, rated speed, both [m/s]."""

    axle: Axle
    part: str
    surface_ms: float
    rated_ms: float


@dataclass(frozen=True, slots=True)
class BuildCard:
    """Everything said about one build.

    ``build`` is slot -> part id, ``changes`` the (slot, from, to) it makes, ``speed_ms`` the speed that counts,
    ``beats_record`` whether it reaches the record with its margin, ``planned_ms`` that speed. ``cap_ms`` is a ground
    speed cap that applies (None: none), ``limiter_rpm`` what the limiter is to be set to (None: the engine's own
    limit), ``care`` the smallest margin, ``problems`` why it is not legal (empty: legal), ``bill`` None where it
    cannot be bought.
    """

    build: Mapping[str, str]
    changes: tuple[tuple[str, str, str], ...]
    speed_ms: float
    record_ms: float
    planned_ms: float
    mass_kg: float
    runs: tuple[RunCard, ...]
    cap_ms: float | None
    rev_limit_rpm: float
    limiter_rpm: float | None
    tires: tuple[TireCard, ...]
    stop: StopCard
    care: float
    problems: tuple[str, ...]
    bill: Bill | None

    @property
    def beats_record(self) -> bool:
        """Whether the speed reaches the record with the margin the class asks for."""
        return self.speed_ms >= self.planned_ms

    @property
    def cents(self) -> int | None:
        """Price, None where it cannot be bought."""
        return None if self.bill is None else self.bill.total_cents


def card_of(judge: Judge, legality: Legality, book: PriceBook, build: IntArray, budget_cents: int | None) -> BuildCard:
    """Simulate, check and price one build (S,)."""
    options, builds = judge.options, build[None]
    runs = judge.runs(builds)
    judged = judge.judge(builds, runs)
    drive = judge.model.drive_rows(builds)
    problems = [f"{reason.check}: {reason.text}" for reason in legality.violations(build)]
    problems += [
        f"{name}: over what is allowed" for name, ok in zip(CHECKS, judged.passes[:, 0], strict=True) if not ok
    ]
    try:
        bill: Bill | None = book.bill(build)
    except NoLegalBuildError as refusal:
        bill = None
        problems.append(str(refusal))
    if bill is not None and budget_cents is not None and bill.total_cents > budget_cents:
        problems.append("budget: it costs more than there is")
    exit_ms = max(float(run.passing.speed[1, 0]) for run in runs)
    cap = float(drive.cap_ms[0])
    return BuildCard(
        build=options.decode(build),
        changes=tuple(
            (slot.name, options.parts[s][0].id, options.parts[s][int(build[s])].id)
            for s, slot in enumerate(options.slots)
            if build[s] != 0
        ),
        speed_ms=float(judge.joined(runs)[0]),
        record_ms=options.scenario.race_class.record_ms,
        planned_ms=judge.planned_ms,
        mass_kg=float(judge.model.sums_of(builds)[0, 0]),
        runs=tuple(
            RunCard(
                score_ms=float(run.score_ms[0]),
                first_board_ms=float(run.passing.speed[0, 0]),
                exit_ms=float(run.passing.speed[1, 0]),
                time_s=float(run.passing.time[1, 0]),
                settles_ms=float(run.final_ms[0]),
                gear=int(run.passing.gear[1, 0]) + 1,
                rpm_first=float(judge.rpm(builds, run)[0, 0]),
                rpm_last=float(judge.rpm(builds, run)[1, 0]),
                slip=float(run.passing.surface[1, 0] / run.passing.speed[1, 0]) - 1.0,
                grip_use=float(run.passing.use[1, 0]),
                limit=LIMITS[int(run.passing.limit[1, 0])],
                headwind_ms=each.headwind_ms,
            )
            for run, each in zip(runs, judge.conditions, strict=True)
        ),
        cap_ms=cap if np.isfinite(cap) else None,
        rev_limit_rpm=float(drive.rev_limit_rpm[0]),
        limiter_rpm=_limiter_rpm(judge, builds, int(runs[0].passing.gear[1, 0])),
        tires=tuple(
            _tire_card(judge, build, axle, judged.fast_surface_ms[a, 0]) for a, axle in enumerate(("front", "rear"))
        ),
        stop=StopCard(
            from_ms=max(exit_ms, judge.planned_ms),
            distances_m={case: float(judged.stopping.distance_m[c, 0]) for c, case in enumerate(CASES)},
            shutdown_m=judge.event.course.shutdown_m,
            coast_m=float(judged.stopping.coast_m[0]),
            rise_k=float(judged.stopping.rise_k[:, :, 0].max()),
            rise_share=float(judged.stopping.rise_share[0]),
            front_locks_g=float(judged.stopping.lock_g[0, 0]),
            rear_locks_g=float(judged.stopping.lock_g[1, 0]),
        ),
        care=float(judged.care[0]),
        problems=tuple(problems),
        bill=bill,
    )


def _tire_card(judge: Judge, build: IntArray, axle: str, surface_ms: float) -> TireCard:
    s = cast(int, judge.model.slot_on("tire", cast(Axle, axle)))
    tire = cast(Tire, judge.options.parts[s][int(build[s])])
    return TireCard(cast(Axle, axle), tire.id, float(surface_ms), rated_speed_ms(tire))


def _limiter_rpm(judge: Judge, builds: IntArray, gear: int) -> float | None:
    """Engine speed the limiter is to be set to for the tires' rating, where the event lets it hold them."""
    drive = judge.model.drive_rows(builds)
    rating = float(drive.rating_ms.min())
    if not np.isfinite(rating):
        return None
    inputs = judge.model.inputs(builds, judge.conditions[0])
    rpm = float(Gear(inputs, gear).rpm_at(np.array([rating]))[0])
    return min(rpm, float(drive.rev_limit_rpm[0]))
