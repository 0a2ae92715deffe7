"""Answers as JSON documents: sorted keys, units in the names, no times and no paths, so that bytes repeat.

Speeds stand twice: in the unit of the event (``speed_mph`` or ``speed_kmh``) and in meters per second
(``speed_m_s``). Money is in whole cents. What is not limited is null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from typing import Any

from optimizer.answers.cards import BuildCard, RunCard
from optimizer.answers.plausibility import Doubt
from optimizer.answers.power_in_air import PowerSpread
from optimizer.answers.said_done import SaidDone
from optimizer.answers.sensitivity import Worth
from optimizer.answers.swaps import Swap
from optimizer.errors import NoLegalBuildError
from optimizer.pipeline import Prediction, RankResult
from optimizer.report.checking import CheckResult
from optimizer.report.prediction import step_of
from optimizer.report.terminal import is_complete
from optimizer.report.wording import CAUTION, assumed
from optimizer.scenario.event import Scenario
from optimizer.units import to_unit, usual

SCHEMA = 1
Document = dict[str, Any]


def as_json(document: Mapping[str, Any]) -> str:
    """Bytes that repeat: the schema number first, everything else sorted by key.

    Raises
    ------
    ValueError
        If a number is not finite.
    """
    rest = {key: value for key, value in document.items() if key != "schema"}
    text = json.dumps(rest, indent=2, sort_keys=True, allow_nan=False)
    return f'{{\n  "schema": {document["schema"]},{text.removeprefix("{")}\n'


def rounded(value: float, digits: int) -> float | None:
    """A rounded number, None where it is not finite; minus zero is zero."""
    return round(float(value), digits) + 0.0 if math.isfinite(value) else None


class _Units:
    """Keys and values in the event's unit and in SI."""

    def __init__(self, scenario: Scenario) -> None:
        self.unit = scenario.event.speed_unit
        self.metric = self.unit == "km/h"
        self.long, self.mass_unit = ("km", "kg") if self.metric else ("mi", "lb")

    def speed(self, name: str, value: float | None) -> Document:
        key = f"{name}_{self.unit.replace('/', '')}"
        if value is None:
            return {key: None, f"{name}_m_s": None}
        return {key: rounded(to_unit(value, self.unit, "speed"), 4), f"{name}_m_s": rounded(value, 5)}

    def distance(self, name: str, value: float) -> Document:
        return {
            f"{name}_{self.long}": rounded(to_unit(value, self.long, "distance"), 4),
            f"{name}_m": rounded(value, 1),
        }

    def mass(self, name: str, value: float) -> Document:
        # kg stays where the event's own unit is the kilogram already
        own = rounded(to_unit(value, self.mass_unit, "mass"), 2)
        return {f"{name}_kg": rounded(value, 3), f"{name}_{self.mass_unit}": own}


def head_of(scenario: Scenario, answer: str, salt: str | None, notices: Iterable[str]) -> Document:
    """What every document starts with."""
    event = scenario.event
    return {
        "schema": SCHEMA,
        "answer": answer,
        "car": scenario.car.name,
        "event": event.name,
        "class": event.race_class,
        "salt": salt or event.salt,
        "currency": event.currency,
        "budget_cents": event.budget_cents,
        "assumed": [{"count": count, "quantity": quantity, "why": why} for count, quantity, why in assumed(scenario)],
        "overrides": [
            {"check": each.check, "part": each.part, "reason": each.reason, "by": each.by} for each in event.overrides
        ],
        "notices": list(dict.fromkeys(notices)),
        "caution": list(CAUTION),
    }


def checked_document(scenario: Scenario, found: SaidDone | None) -> Document:
    """Whether a run of this car was compared with the model, and what came of it."""
    said_done = None if found is None else said_done_document(scenario, found)
    return {"checked_against_this_car": found is not None, "said_against_done": said_done}


def said_done_document(scenario: Scenario, found: SaidDone) -> Document:
    """One run against what the model says of it; values of suspects are in the units used inside."""
    units = _Units(scenario)
    return {
        "run": found.name,
        "date": found.date,
        "row": found.row,
        "parts": dict(found.changes),
        "salt": found.salt,
        **units.speed("said", found.said_ms),
        **units.speed("said_deviation", found.spread_ms),
        **units.speed("timed", found.done_ms),
        **units.speed("difference", found.difference_ms),
        "as_expected": found.expected,
        "limit": found.limit,
        "estimated_from_this_run_too": bool(found.used),
        "other_runs": found.others,
        "told_apart": not found.tied,
        "most_likely_wrong": [
            {
                "key": each.key,
                "what": each.name,
                "value": rounded(each.value, 8),
                "likely": rounded(each.likely, 8),
                "alone": None if each.alone is None else rounded(each.alone, 8),
                "moved_in_deviations": rounded(each.moved, 4),
                "share": rounded(each.share, 4),
            }
            for each in found.suspects
        ],
    }


def rank_document(result: RankResult) -> Document:
    """The answer of ``rank``."""
    units = _Units(result.scenario)
    evidence = result.evidence
    return {
        **head_of(result.scenario, "rank", result.salt, result.notices),
        **checked_document(result.scenario, result.said_done),
        "builds": [
            {"place": place, **build_document(result.scenario, card)} for place, card in enumerate(result.builds, 1)
        ],
        "as_it_stands": build_document(result.scenario, result.as_it_stands),
        "swaps": [_swap(units, swap) for swap in result.swaps],
        "slots_that_do_not_matter": list(result.indifferent),
        "second_looks": [_doubt(units, doubt) for doubt in result.second_looks],
        "power_in_this_air": [_power(units, spread) for spread in result.power_in_this_air],
        "too_close_to_call": {
            "near": result.near_met,
            "compared": result.near_compared,
            "met": result.near_count,
            "listed_and_told_apart": [place for place, told in enumerate(result.told_apart, 1) if told],
            "most_careful": build_document(result.scenario, result.most_careful),
            "cheapest": build_document(result.scenario, result.cheapest),
        },
        "search": {
            "complete": is_complete(evidence),
            "by_argument": evidence.closed,
            "stopped_by_time_limit": evidence.stopped and not evidence.interrupted,
            "ended_by_hand": evidence.interrupted,
            "combinations": evidence.combinations,
            "tire_gear_engine_combinations": evidence.drive_sets,
            "looked_into": evidence.opened,
            "builds_checked": evidence.completions,
            "runs_simulated": evidence.simulations,
            "refused_at_speed": dict(evidence.refused),
            **units.speed("last_listed", evidence.kth_ms),
            **units.speed("highest_left_out", evidence.highest_left_ms),
            **units.speed("nothing_faster_by_more_than", evidence.slack_ms),
        },
    }


def predict_document(
    scenario: Scenario,
    prediction: Prediction,
    salt: str,
    notices: Iterable[str] = (),
    worths: Iterable[Worth] | None = None,
) -> Document:
    """The answer of ``predict``; with ``sensitivity`` where it is asked what the inputs are worth."""
    units = _Units(scenario)
    document = {
        **head_of(scenario, "predict", salt, notices),
        **checked_document(scenario, prediction.said_done),
        "build": build_document(scenario, prediction.card),
        "second_looks": [_doubt(units, doubt) for doubt in prediction.second_looks],
        "power_in_this_air": [_power(units, spread) for spread in prediction.power_in_this_air],
    }
    if worths is not None:
        document["sensitivity"] = [_worth(units, worth) for worth in worths]
    return document


def check_document(result: CheckResult) -> Document:
    """The answer of ``check``: every part that is ruled out and every assumed number."""
    units = _Units(result.scenario)
    return {
        **head_of(result.scenario, "check", None, result.notices),
        "parts_by_kind": dict(result.kinds),
        "kits": result.kits,
        "combinations": result.combinations,
        "slots": [{"slot": name, "options": size, "ruled_out": out} for name, size, out in result.slots],
        "parts_ruled_out": {
            check: [{"part": each.part, "slots": list(each.slots), "reason": each.text} for each in found]
            for check, found in result.parts_out.items()
        },
        "pairs_ruled_out": result.pairs_total,
        "pairs_ruled_out_by_check": result.pairs_out,
        "second_looks": [_doubt(units, doubt) for doubt in result.second_looks],
        "assumptions": [
            {"where": each.where, "quantity": each.quantity, "value": each.value, "why": each.why}
            for each in result.scenario.assumptions
        ],
    }


def refusal_document(refusal: NoLegalBuildError) -> Document:
    """No legal build: the reasons in the rules' own names."""
    return {
        "schema": SCHEMA,
        "answer": "no legal build",
        "reasons": list(refusal.reasons),
        "text": str(refusal),
        "cheapest_cents": refusal.cheapest_cents,
        "caution": list(CAUTION),
    }


def build_document(scenario: Scenario, card: BuildCard) -> Document:
    """Everything said about one build."""
    units, stop = _Units(scenario), card.stop
    budget = scenario.event.budget_cents
    left = None if budget is None or card.cents is None else budget - card.cents
    return {
        "parts": dict(card.build),
        "changes": [{"slot": slot, "from": old, "to": new} for slot, old, new in card.changes],
        **units.speed("speed", card.speed_ms),
        **units.speed("record", card.record_ms),
        **units.speed("needed", card.planned_ms),
        **units.speed("margin", card.speed_ms - card.planned_ms),
        "takes_record": card.beats_record,
        **units.mass("mass", card.mass_kg),
        "price_cents": card.cents,
        "left_cents": left,
        "own_hours": None if card.bill is None else rounded(card.bill.hours, 3),
        "bill": None if card.bill is None else [
            {"kind": line.kind, "what": line.what, "number": line.number, "pieces": line.pieces, "cents": line.cents}
            for line in card.bill.lines
        ],
        "problems": list(card.problems),
        **units.speed("speed_cap", card.cap_ms),
        "rev_limit_rpm": rounded(card.rev_limit_rpm, 0),
        "limiter_rpm": None if card.limiter_rpm is None else rounded(card.limiter_rpm, 0),
        "runs": [_run(units, run) for run in card.runs],
        "tires": [
            {
                "axle": tire.axle,
                "part": tire.part,
                **units.speed("fast_day_surface", tire.surface_ms),
                **units.speed("rated", tire.rated_ms),
            }
            for tire in card.tires
        ],
        "stopping": {
            **units.speed("from", stop.from_ms),
            **units.distance("shutdown", stop.shutdown_m),
            **units.distance("rolling_out", stop.coast_m),
            "cases": [{"case": case, **units.distance("distance", far)} for case, far in stop.distances_m.items()],
            "rotor_rise_k": rounded(stop.rise_k, 1),
            "rotor_rise_share": rounded(stop.rise_share, 4),
            "rotors": [
                {"axle": each.axle, "rise_k": rounded(each.rise_k, 1), "share": rounded(each.share, 4)}
                for each in stop.rotors
            ],
            "front_wheels_lock_at_g": _finite(stop.front_locks_g),
            "rear_wheels_lock_at_g": _finite(stop.rear_locks_g),
            "fast_day": {
                **units.speed("from", stop.fast_day.from_ms),
                **units.distance("longest", stop.fast_day.distance_m),
                "rotor_rise_share": rounded(stop.fast_day.rise_share, 4),
            },
        },
        "smallest_margin": rounded(card.care, 4),
    }  # fmt: skip


def _finite(number: float) -> float | None:
    """A number to three decimals; null where there is no end."""
    return rounded(number, 3) if math.isfinite(number) else None


def _run(units: _Units, run: RunCard) -> Document:
    return {
        **units.speed("speed", run.score_ms),
        **units.speed("first_board", run.first_board_ms),
        **units.speed("last_board", run.exit_ms),
        **units.speed("settles_at", run.settles_ms),
        **units.speed("headwind", run.headwind_ms),
        "time_s": rounded(run.time_s, 2),
        "gear": run.gear,
        "first_board_rpm": rounded(run.rpm_first, 0),
        "last_board_rpm": rounded(run.rpm_last, 0),
        "slip": rounded(run.slip, 4),
        "grip_use": rounded(run.grip_use, 4),
        "limit": run.limit,
    }


def _swap(units: _Units, swap: Swap) -> Document:
    return {
        "slot": swap.slot,
        "from": swap.here,
        "to": swap.other,
        "price_change_cents": swap.cents,
        **units.speed("change", swap.gain_ms),
    }


def _doubt(units: _Units, doubt: Doubt) -> Document:
    unit = usual(doubt.dimension, metric=units.metric) if doubt.dimension else ""

    def own(value: float | None) -> float | None:
        if value is None:
            return None
        return rounded(to_unit(value, unit, doubt.dimension) if unit else value, 6)

    return {
        "what": doubt.what,
        "value": own(doubt.value),
        "unit": unit,
        "low": own(doubt.low),
        "high": own(doubt.high),
        "source": doubt.source,
        "hint": doubt.hint,
    }


def _power(units: _Units, spread: PowerSpread) -> Document:
    return {
        "engine": spread.engine,
        "formula": spread.formula,
        "pressure_outside": spread.pressure_outside,
        "temperature_outside": spread.temperature_outside,
        "factor_outside": spread.factor_outside,
        "blown": spread.blown,
        "lowest_power_share": rounded(spread.low, 5),
        "highest_power_share": rounded(spread.high, 5),
        **units.speed("change_at_lowest", spread.low_ms),
        **units.speed("change_at_highest", spread.high_ms),
    }


def _worth(units: _Units, worth: Worth) -> Document:
    unit = usual(worth.dimension, metric=units.metric) if worth.dimension else ""
    value = to_unit(worth.value, unit, worth.dimension) if worth.dimension else worth.value
    step, step_unit = step_of(worth, metric=units.metric)
    return {
        "quantity": worth.name,
        "value": rounded(value, 6),
        "unit": unit,
        "basis": worth.basis.kind,
        "by": worth.basis.by,
        "step": rounded(step, 6),
        "step_unit": step_unit,
        **units.speed("change_up", worth.up_ms),
        **units.speed("change_down", worth.down_ms),
    }
