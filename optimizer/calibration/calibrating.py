"""Measurements of a car to estimates: the whole of `calibrate` as one function."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.calibration.fitting import Fit, fit
from optimizer.calibration.observations import mark_of
from optimizer.calibration.posing import problem_of
from optimizer.calibration.results import Found, Outlier, Residual, calibration_of, found_of, outliers_of, residuals_of
from optimizer.calibration.ridges import Ridge, Trial, ridges_of, tests_of
from optimizer.errors import UsageError
from optimizer.measured.records import Measurements
from optimizer.scenario.estimates import Calibration
from optimizer.scenario.event import Scenario


@dataclass(frozen=True, slots=True)
class Calibrated:
    """What measurements say about a car.

    Attributes
    ----------
    scenario : Scenario
        As stated.
    fit : Fit
    found : tuple of Found
        Every quantity; those the data say something about are `noticed`.
    ridges : tuple of Ridge
    tests : tuple of Trial
        That were not made, cheapest first.
    residuals : tuple of Residual
    outliers : tuple of Outlier
    calibration : Calibration
        What goes into the file.
    notices : tuple of str
        Remarks about the files, and what could not be used.
    """

    scenario: Scenario
    fit: Fit
    found: tuple[Found, ...]
    ridges: tuple[Ridge, ...]
    tests: tuple[Trial, ...]
    residuals: tuple[Residual, ...]
    outliers: tuple[Outlier, ...]
    calibration: Calibration
    notices: tuple[str, ...]


def calibrate(scenario: Scenario, measurements: Measurements) -> Calibrated:
    """Fit everything that was measured at once, starting from what the crew's files state.

    Parameters
    ----------
    scenario : Scenario
        Read as stated, without an earlier calibration: the same data then give the same estimates.
    measurements : Measurements

    Raises
    ------
    UsageError
        If nothing was measured, or nothing of it can be used.
    ValueError
        If the scenario stands on an earlier calibration.
    """
    if scenario.calibration is not None:
        msg = "a calibration starts from what the files state"
        raise ValueError(msg)
    problem = problem_of(scenario, measurements)
    if not problem.observations:
        why = f" ({'; '.join(problem.left_out)})" if problem.left_out else ""
        raise UsageError(f"there is nothing to calibrate with: name files of measurements, or keep a runs.csv{why}")
    found = fit(problem)
    quantities = found_of(found)
    tests = tests_of(scenario, found)
    runs = [mark_of(run) for run in measurements.runs if run.counted]
    sources = tuple(dict.fromkeys(problem.occasions[each.occasion].day.file for each in problem.observations))
    return Calibrated(
        scenario=scenario,
        fit=found,
        found=quantities,
        ridges=ridges_of(found, tests),
        tests=tests,
        residuals=residuals_of(found),
        outliers=outliers_of(found),
        calibration=calibration_of(found, quantities, sources, runs),
        notices=(*measurements.notices, *problem.left_out),
    )
