"""Said against done: what the model says of a run that was timed, and which number is most likely wrong.

One run fixes one number, the model has dozens. Each is moved as far as its own uncertainty and its pull on the speed
let expect, so that together they explain the run (`calibration.fitting`): the share that falls to each says where to
look, never what is so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from optimizer.calibration.fitting import Fit, fit
from optimizer.calibration.observations import OfRun, mark_of, run_name
from optimizer.calibration.posing import problem_of
from optimizer.calibration.problem import Problem
from optimizer.calibration.ridges import MAIN
from optimizer.choice.options import FloatArray, options_of
from optimizer.choice.wishes import build_with
from optimizer.measured.reading import read_runs
from optimizer.measured.records import Measurements, TimedRun
from optimizer.run.panels import LIMITS, LimitName
from optimizer.run.simulator import simulate
from optimizer.scenario.event import Scenario

NAMED = 5
"""Numbers named as suspects, at most."""
LEAST_SHARE = 0.05
"""And with this share of what is to be explained, at least."""
WITHIN = 1.645
"""So many times its ± away, or less, are nine tenths of what is normally distributed."""
OUT_OF_REACH = 4.0
"""So many times its ± away from what was said, a run is a slip of the pen, or of another kind."""
CLEAR = 0.6
"""A number with this share is told apart from the others by the run alone."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """A number that may be wrong.

    Attributes
    ----------
    key, name, dimension : str
        ``dimension`` is a key of `units.UNITS`; empty for a plain number.
    value : float
        As the model has it; a change from what was written down, where it is of the day.
    likely : float
        What it most likely is by this run, all others moving too.
    alone : float or None
        What it would have to be to explain the run alone; None beyond three times its uncertainty.
    moved : float
        ``likely`` less ``value``, in units of its standard uncertainty.
    share : float
        Of the difference that it explains.
    of_day : bool
        Whether it belongs to that day rather than to the car.
    """

    key: str
    name: str
    dimension: str
    value: float
    likely: float
    alone: float | None
    moved: float
    share: float
    of_day: bool


@dataclass(frozen=True, slots=True)
class SaidDone:
    """One run: what the model says for that build on that day, what was timed, and why they may differ.

    Attributes
    ----------
    name, date : str
        Of the run.
    file, row : str, int
        Where it stands.
    changes : mapping of str to str
        Slot -> part that was in it in place of the fitted one.
    salt : str
    said_ms, done_ms : float
    spread_ms : float
        Standard uncertainty of what the model says: car, day, and the scatter of a run.
    limit : LimitName
        What holds the car at the last board in the model.
    suspects : tuple of Suspect
        The largest share first.
    used : bool or None
        Whether the estimates that the model stands on were made from this run too; None where there are none.
    others : int
        How many other runs of runs.csv count.
    """

    name: str
    date: str
    file: str
    row: int
    changes: Mapping[str, str]
    salt: str
    said_ms: float
    done_ms: float
    spread_ms: float
    limit: LimitName
    suspects: tuple[Suspect, ...]
    used: bool | None
    others: int

    @property
    def difference_ms(self) -> float:
        """Timed less said."""
        return self.done_ms - self.said_ms

    @property
    def expected(self) -> bool:
        """Whether nine runs in ten would be no farther off, by what is not known exactly."""
        return abs(self.difference_ms) <= WITHIN * self.spread_ms

    @property
    def out_of_reach(self) -> bool:
        """Whether no number of car or day, as far as it may be wrong, is worth blaming for the difference."""
        return abs(self.difference_ms) > OUT_OF_REACH * self.spread_ms

    @property
    def tied(self) -> bool:
        """Whether this run alone cannot tell which of the suspects it is."""
        return len(self.suspects) > 1 and self.suspects[0].share < CLEAR


@dataclass(frozen=True, slots=True)
class Logged:
    """A run in the log of said and done: what was said with what was known before it, and what is known after.

    ``left`` is what is left of the standard uncertainty of each of the main quantities after the run, by name;
    ``value`` and ``deviation`` what they are then, by name, ``dimension`` their dimension.
    """

    name: str
    date: str
    row: int
    said_ms: float
    done_ms: float
    spread_ms: float
    surprise: float
    left: Mapping[str, float]
    value: Mapping[str, float]
    deviation: Mapping[str, float]
    dimension: Mapping[str, str]

    @property
    def difference_ms(self) -> float:
        """Timed less said."""
        return self.done_ms - self.said_ms


def runs_in_order(measurements: Measurements) -> tuple[TimedRun, ...]:
    """The runs that count, the earliest first: by date where all have one, else as they stand."""
    runs = [run for run in measurements.runs if run.counted]
    if all(len(run.day.date) == 10 and run.day.date[4:5] == "-" for run in runs):
        runs.sort(key=lambda run: run.day.date)
    return tuple(runs)


def said_done(scenario: Scenario, runs: Measurements | None = None) -> SaidDone | None:
    """The last run that counts, against the model as the scenario has it; None where there is none.

    Parameters
    ----------
    scenario : Scenario
        With its calibration, where it has one.
    runs : Measurements, optional
        Those of the scenario's folder if left out.

    Raises
    ------
    ScenarioError
        If the folder's sheet of runs is faulty, or names parts that make no car.
    """
    every = runs_in_order(read_runs(scenario) if runs is None else runs)
    return None if not every else against(scenario, every[-1], others=len(every) - 1)


def against(scenario: Scenario, run: TimedRun, *, others: int = 0) -> SaidDone:
    """One run against the model as the scenario has it."""
    problem = problem_of(scenario, Measurements(runs=(run,)))
    at, speed = _speed_of(problem, run)
    nowhere = np.zeros(len(problem.parameters))
    shown, slopes = problem.linearized(nowhere)
    said = float(shown[at])
    found = fit(problem)
    calibration = scenario.calibration
    return SaidDone(
        name=run_name(run.day),
        date=run.day.date,
        file=run.day.file,
        row=run.day.row,
        changes=build_with(options_of(scenario), run.day.parts),
        salt=problem.occasions[0].salt,
        said_ms=said,
        done_ms=run.speed_ms,
        spread_ms=float(np.sqrt(slopes[at] @ problem.prior @ slopes[at] + speed.scatter**2)),
        limit=_limit(problem, nowhere, speed),
        suspects=_suspects(found, 0.5 * (slopes[at] + found.slopes[at]), run.speed_ms - said),
        used=None if calibration is None else mark_of(run) in calibration.runs,
        others=others,
    )


def _speed_of(problem: Problem, run: TimedRun) -> tuple[int, OfRun]:
    """Where the speed that counts of a run stands among all numbers of a problem, and that observation."""
    for each, where in zip(problem.observations, problem.slices, strict=True):
        day = problem.occasions[each.occasion].day
        if day is run.day and isinstance(each, OfRun) and each.gear is None and each.what == run_name(day):
            return where.start, each
    msg = f"{run_name(run.day)} is not among what was measured"
    raise ValueError(msg)


def _limit(problem: Problem, world: FloatArray, each: OfRun) -> LimitName:
    """What holds the car at the last board in a world."""
    run = simulate(problem.inputs(world, each.occasion), each.marks_m, each.measure)
    return LIMITS[int(run.passing.limit[1, 0])]


def _suspects(found: Fit, slopes: FloatArray, difference_ms: float) -> tuple[Suspect, ...]:
    """Numbers by the share of the difference that falls to them, the largest first.

    ``slopes`` (P,) are those of the speed on the way from the world that was said to the one that is found.
    """
    problem = found.problem
    pulls = slopes * found.world
    whole = pulls.sum()
    if abs(whole) < 1e-9:
        return ()
    made: list[Suspect] = []
    for p in np.argsort(-pulls / whole, kind="stable"):
        share = float(pulls[p] / whole)
        if share < LEAST_SHARE or len(made) == NAMED:
            break
        parameter = problem.parameters[int(p)]
        alone = difference_ms / slopes[p]
        made.append(
            Suspect(
                key=parameter.key,
                name=parameter.name,
                dimension=parameter.dimension,
                value=parameter.value,
                likely=parameter.at(float(found.world[p])),
                alone=parameter.at(float(alone)) if abs(alone) <= 3.0 else None,
                moved=float(found.world[p]),
                share=share,
                of_day=parameter.unknown is None,
            )
        )
    return tuple(made)


# --- the log


def log_of(scenario: Scenario, runs: Measurements) -> tuple[Logged, ...]:
    """Every run that counts, the earliest first, against what was known before it.

    Parameters
    ----------
    scenario : Scenario
        As stated: what the runs taught is found anew.
    runs : Measurements
    """
    every = runs_in_order(runs)
    if not every:
        return ()
    problem = problem_of(scenario, Measurements(runs=every))
    owner = [problem.occasions[each.occasion].day for each in problem.observations]
    logged = []
    before = fit(problem, tuple(False for _ in problem.observations))
    for number, run in enumerate(every):
        at, speed = _speed_of(problem, run)
        slopes = before.slopes[at]
        said = float(before.shown[at])
        spread = float(np.sqrt(slopes @ before.covariance @ slopes + speed.scatter**2))
        days = [each.day for each in every[: number + 1]]
        used = tuple(any(day is each for each in days) for day in owner)
        after = fit(problem, used, before.world)
        logged.append(_logged(run, said, spread, after))
        before = after
    return tuple(logged)


def _logged(run: TimedRun, said_ms: float, spread_ms: float, after: Fit) -> Logged:
    main = [
        (p, each) for p, each in enumerate(after.problem.parameters)
        if each.unknown is not None and each.unknown.field in MAIN
    ]  # fmt: skip
    return Logged(
        name=run_name(run.day),
        date=run.day.date,
        row=run.day.row,
        said_ms=said_ms,
        done_ms=run.speed_ms,
        spread_ms=spread_ms,
        surprise=(run.speed_ms - said_ms) / spread_ms,
        left={each.name: float(after.narrowed[p]) for p, each in main},
        value={each.name: each.at(float(after.world[p])) for p, each in main},
        deviation={each.name: float(after.narrowed[p]) * each.deviation for p, each in main},
        dimension={each.name: each.dimension for _, each in main},
    )
