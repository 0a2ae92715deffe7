"""What is said about one build: speed, what holds it, revs, stopping, money. Plain records, SI inside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np

from optimizer.choice.legality import Legality
from optimizer.choice.options import FloatArray, IntArray
from optimizer.choice.price import BUDGET, PriceBook
from optimizer.choice.receipt import Bill
from optimizer.errors import NoLegalBuildError
from optimizer.run.driving import Gear
from optimizer.run.judge import Judge, Judged, least_for
from optimizer.run.model import DriveRows, rated_speed_ms
from optimizer.run.panels import LIMITS, LimitName
from optimizer.run.simulator import Run
from optimizer.run.stopping import CASES, Stopping, stopping_of
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
class RotorCard:
    """Rotors of an axle in the worst case: rise [K], share of what is allowed (not a number: no limit is known)."""

    axle: Axle
    rise_k: float
    share: float


@dataclass(frozen=True, slots=True)
class FastStop:
    """A stop from the speed at the last board on the event's fast day, where that is higher: no rule asks for it.

    Speed [m/s], the longest distance [m], and the largest share of what rotors may take, as far as that is known.
    """

    from_ms: float
    distance_m: float
    rise_share: float


@dataclass(frozen=True, slots=True)
class StopCard:
    """Stopping from one speed: distance [m] per case, and what it does to the rotors.

    ``rise_k`` is what the hottest rotor rises by [K], ``rise_share`` the largest share of what is allowed: not a number
    where some rotor's limit is not known. ``rotors`` has both for each axle that has rotors in the sheets.
    ``front_locks_g`` and ``rear_locks_g`` are the braking, in g, at which the wheels of an axle lock with all brakes.
    ``fast_day``: what a stop from the speed of the fast day would ask for.
    """

    from_ms: float
    distances_m: Mapping[str, float]
    shutdown_m: float
    coast_m: float
    rise_k: float
    rise_share: float
    rotors: tuple[RotorCard, ...]
    front_locks_g: float
    rear_locks_g: float
    fast_day: FastStop


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
        """Whether the speed reaches the record with the margin the class asks for, to half a step of ranks."""
        return self.speed_ms >= least_for(self.planned_ms)

    @property
    def cents(self) -> int | None:
        """Price, None where it cannot be bought."""
        return None if self.bill is None else self.bill.total_cents


def card_of(judge: Judge, legality: Legality, book: PriceBook, build: IntArray, budget_cents: int | None) -> BuildCard:
    """Simulate, check and price one build (S,)."""
    return cards_of(judge, legality, book, build[None], budget_cents)[0]


def cards_of(
    judge: Judge, legality: Legality, book: PriceBook, builds: IntArray, budget_cents: int | None
) -> tuple[BuildCard, ...]:
    """The same for builds (n, S), all simulated at once."""
    runs, fast = judge.runs(builds), judge.on_fast_day(builds)
    judged = judge.judge(builds, runs, fast)
    drive = judge.model.drive_rows(builds)
    fast_ms = np.fmax.reduce([fast.passing.speed[1], judged.exit_ms, np.full(len(builds), judge.planned_ms)])
    fast_stop = fast_ms, stopping_of(judge.model, builds, fast_ms)
    made = _Made(
        judge, builds, runs, judged, fast_stop, drive, judge.joined(runs), judge.model.sums_of(builds)[:, 0],
        [judge.rpm(builds, run) for run in runs],
    )  # fmt: skip
    return tuple(_card(made, n, legality, book, budget_cents) for n in range(len(builds)))


@dataclass(frozen=True, slots=True)
class _Made:
    """What cards of n builds are made from: runs, checks, drive sets, speeds and masses (n,), revs of each run.

    ``fast_stop`` is the speed (n,) from which it may have to stop on the fast day, and the stop.
    """

    judge: Judge
    builds: IntArray
    runs: tuple[Run, ...]
    judged: Judged
    fast_stop: tuple[FloatArray, Stopping]
    drive: DriveRows
    speed_ms: FloatArray
    mass_kg: FloatArray
    rpm: Sequence[FloatArray]


def _card(made: _Made, n: int, legality: Legality, book: PriceBook, budget_cents: int | None) -> BuildCard:
    """The card of one of the builds."""
    judge, judged, drive, build = made.judge, made.judged, made.drive, made.builds[n]
    options = judge.options
    # a car that is not what the question asks for may run all the same
    problems = [str(reason) for reason in legality.violations(build) if not reason.wished]
    problems += judge.broken(judged, n)
    try:
        bill: Bill | None = book.bill(build)
    except NoLegalBuildError as refusal:
        bill = None
        problems.append(str(refusal))
    if bill is not None and budget_cents is not None and bill.total_cents > budget_cents:
        problems.append(f"{BUDGET}: it costs more than there is")
    exit_ms = float(np.nan_to_num(judged.exit_ms[n]))  # that is not a number where it gets to no last board
    cap, fitted = float(drive.cap_ms[n]), options.decode(options.fitted)
    return BuildCard(
        build=options.decode(build),
        changes=tuple((slot, fitted[slot], part) for slot, part in options.changes(build).items()),
        speed_ms=float(made.speed_ms[n]),
        record_ms=options.scenario.race_class.record_ms,
        planned_ms=judge.planned_ms,
        mass_kg=float(made.mass_kg[n]),
        runs=tuple(
            RunCard(
                score_ms=float(run.score_ms[n]),
                first_board_ms=float(run.passing.speed[0, n]),
                exit_ms=float(run.passing.speed[1, n]),
                time_s=float(run.passing.time[1, n]),
                settles_ms=float(run.final_ms[n]),
                gear=int(run.passing.gear[1, n]) + 1,
                rpm_first=float(rpm[0, n]),
                rpm_last=float(rpm[1, n]),
                slip=float(run.passing.surface[1, n] / run.passing.speed[1, n]) - 1.0,
                grip_use=float(run.passing.use[1, n]),
                limit=LIMITS[int(run.passing.limit[1, n])],
                headwind_ms=each.headwind_ms,
            )
            for run, each, rpm in zip(made.runs, judge.conditions, made.rpm, strict=True)
        ),
        cap_ms=cap if np.isfinite(cap) else None,
        rev_limit_rpm=float(drive.rev_limit_rpm[n]),
        limiter_rpm=_limiter_rpm(
            judge, made.builds[n : n + 1], max(int(run.passing.gear[1, n]) for run in made.runs)
        ),
        tires=tuple(
            _tire_card(judge, build, axle, judged.fast_surface_ms[a, n]) for a, axle in enumerate(("front", "rear"))
        ),
        stop=StopCard(
            from_ms=max(exit_ms, judge.planned_ms),
            distances_m={case: float(judged.stopping.distance_m[c, n]) for c, case in enumerate(CASES)},
            shutdown_m=judge.event.course.shutdown_m,
            coast_m=float(judged.stopping.coast_m[n]),
            rise_k=float(judged.stopping.rise_k[:, :, n].max()),
            rise_share=float(judged.stopping.axle_share[:, n].max()),
            rotors=_rotor_cards(judge, judged.stopping, n),
            front_locks_g=float(judged.stopping.lock_g[0, n]),
            rear_locks_g=float(judged.stopping.lock_g[1, n]),
            fast_day=FastStop(
                float(made.fast_stop[0][n]),
                float(made.fast_stop[1].distance_m[:, n].max()),
                float(made.fast_stop[1].rise_share[n]),
            ),
        ),
        care=float(judged.care[n]),
        problems=tuple(problems),
        bill=bill,
    )


def _rotor_cards(judge: Judge, stopping: Stopping, n: int) -> tuple[RotorCard, ...]:
    """The rotors of both axles of the n-th build, as far as the sheets have any."""
    axles: tuple[Axle, ...] = ("front", "rear")
    return tuple(
        RotorCard(axle, float(stopping.rise_k[:, a, n].max()), float(stopping.axle_share[a, n]))
        for a, axle in enumerate(axles)
        if judge.model.slot_on("rotor", axle) is not None
    )


def _tire_card(judge: Judge, build: IntArray, axle: str, surface_ms: float) -> TireCard:
    s = cast(int, judge.model.slot_on("tire", cast(Axle, axle)))
    tire = cast(Tire, judge.options.parts[s][int(build[s])])
    return TireCard(cast(Axle, axle), tire.id, float(surface_ms), rated_speed_ms(tire))


def _limiter_rpm(judge: Judge, builds: IntArray, gear: int) -> float | None:
    """Engine speed the limiter is to be set to in a gear for the tires' rating, where the event lets it hold them."""
    drive = judge.model.drive_rows(builds)
    rating = float(drive.rating_ms.min())
    if not np.isfinite(rating):
        return None
    inputs = judge.model.inputs(builds, judge.conditions[0])
    rpm = float(Gear(inputs, gear).rpm_at(np.array([rating]))[0])
    return min(rpm, float(drive.rev_limit_rpm[0]))
