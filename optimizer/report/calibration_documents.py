"""What measurements say about the car, and the log of runs, as JSON documents; values are in the units used inside."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.answers.said_done import Logged, SaidDone
from optimizer.calibration.calibrating import Calibrated
from optimizer.calibration.results import GROUPS, Found, Residual
from optimizer.calibration.ridges import Ridge, Trial
from optimizer.report.documents import Document, checked_document, head_of, rounded
from optimizer.scenario.event import Scenario
from optimizer.units import to_unit

DIGITS = 8


def calibration_document(found: Calibrated, written: bool) -> Document:
    """The answer of ``calibrate``."""
    return {
        **head_of(found.scenario, "calibrate", None, found.notices),
        "sources": list(found.calibration.sources),
        "written": written,
        "estimates": [_found(each) for each in found.found if each.noticed],
        "correlation": {
            "keys": [each.key for each in found.calibration.estimates],
            "rows": [[rounded(value, 5) for value in row] for row in found.calibration.correlation],
        },
        "not_told_apart": [_ridge(found, each) for each in found.ridges],
        "tests_not_made": [_trial(found, each) for each in found.tests],
        "residuals": [_residual(each) for each in found.residuals],
        "outliers": [{"file": each.file, "row": each.row, "text": each.text} for each in found.outliers],
    }


def _found(each: Found) -> Document:
    return {
        "key": each.parameter.key,
        "what": each.parameter.name,
        "group": GROUPS[each.group][0],
        "value": rounded(each.value, DIGITS),
        "deviation": rounded(each.deviation, DIGITS),
        "stated": rounded(each.stated, DIGITS),
        "stated_deviation": rounded(each.stated_deviation, DIGITS),
        "moved_in_deviations": rounded(each.moved, 4),
        "deviation_left": rounded(each.narrowed, 4),
        "basis": each.kind,
    }


def _ridge(found: Calibrated, ridge: Ridge) -> Document:
    parameters = found.fit.problem.parameters
    return {
        "members": [parameters[p].key for p in ridge.members],
        "numbers_of_days": [parameters[p].key for p in ridge.partners],
        "at_m_s": rounded(ridge.at_ms, 4),
        "trade": [
            {"key": parameters[p].key, "from": rounded(ends[0], DIGITS), "to": rounded(ends[1], DIGITS)}
            for p, ends in ((ridge.first, ridge.first_ends), (ridge.second, ridge.second_ends))
        ],
        "test": None if ridge.test is None else ridge.test.name,
    }


def _trial(found: Calibrated, trial: Trial) -> Document:
    """A test, and what it would leave of the uncertainties as they are now: those that it narrows."""
    left = trial.narrowed / found.fit.narrowed
    parameters = found.fit.problem.parameters
    narrows = {
        each.key: rounded(float(left[p]), 4)
        for p, each in enumerate(parameters)
        if each.unknown is not None and left[p] < 0.95
    }
    return {"name": trial.name, "text": trial.words, "would_leave": narrows}


def _residual(each: Residual) -> Document:
    unit = "m/s" if each.of_speed else "share"
    return {
        "file": each.file,
        "row": each.row,
        "what": each.what,
        "numbers": each.count,
        "as_good_as": rounded(each.worth, 1),
        "unit": unit,
        "rms": rounded(each.rms, 6),
        "largest": rounded(each.largest, 6),
        "largest_at_s": None if each.at_s is None else rounded(each.at_s, 2),
        "surprise": rounded(each.surprise, 3),
    }


def runs_document(
    scenario: Scenario, log: Sequence[Logged], last: SaidDone | None, notices: Sequence[str] = ()
) -> Document:
    """The answer of ``runs``."""
    unit = scenario.event.speed_unit
    key = unit.replace("/", "")

    def speeds(each: Logged) -> Document:
        named = {
            "said": each.said_ms,
            "said_deviation": each.spread_ms,
            "timed": each.done_ms,
            "difference": each.difference_ms,
        }
        own = {f"{name}_{key}": rounded(to_unit(value, unit, "speed"), 4) for name, value in named.items()}
        return own | {f"{name}_m_s": rounded(value, 5) for name, value in named.items()}

    return {
        **head_of(scenario, "runs", None, (*scenario.notices, *notices)),
        **checked_document(scenario, last),
        "runs": [
            {
                "run": each.name,
                "date": each.date,
                "row": each.row,
                **speeds(each),
                "deviation_left": {name: rounded(left, 4) for name, left in each.left.items()},
            }
            for each in log
        ],
    }
