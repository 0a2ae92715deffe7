"""Writes docs/answers.schema.json, the schema of every ``--json`` document: ``python -m tests.json_schema``.

Documents of questions are written key by key from the records of the answers; so their schema follows from the types of
these. Documents of ``check``, ``rank``, ``predict`` and the refusal are put together by hand, here as there.
"""

from __future__ import annotations

import json
import types
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import jsonschema
import numpy as np

from optimizer.answers.bring import Bring
from optimizer.answers.buying_order import BuyingPlan
from optimizer.answers.compare import Comparison
from optimizer.answers.doubt import UnderDoubt
from optimizer.answers.frontier import Target
from optimizer.answers.measure_next import MeasureNext
from optimizer.answers.morning_records import MorningCard
from optimizer.answers.odds import Odds
from optimizer.answers.offers import OffersAnswer
from optimizer.answers.purchase_note import PurchaseNote
from optimizer.answers.shortlist import Shortlist
from optimizer.answers.unknowns import Unknown
from optimizer.answers.why_not import WhyNot
from optimizer.choice.options import Options
from optimizer.questions import MoneySteps, OnEverySalt, Record, Why

FILE = Path(__file__).parent.parent / "docs" / "answers.schema.json"
Schema = dict[str, Any]
QUESTIONS: Mapping[str, tuple[Any, ...]] = {
    "why": (Why,),
    "why-not": (WhyNot,),
    "try": (OffersAnswer,),
    "budget": (MoneySteps, Target, list[Record]),
    "buy-order": (BuyingPlan,),
    "shortlist": (Shortlist,),
    "compare": (Comparison,),
    "salts": (list[OnEverySalt],),
    "odds": (Odds,),
    "choose": (UnderDoubt,),
    "measure": (MeasureNext,),
    "bring": (Bring,),
    "card": (MorningCard,),
    "purchase": (PurchaseNote,),
}
"""What ``found`` may be, by the answer's name. A new question gets its line here."""

TEXT, TRUTH = {"type": "string"}, {"type": "boolean"}
WHOLE, COUNT = {"type": "integer"}, {"type": "integer", "minimum": 0}
NUMBER = {"type": ["number", "null"]}
"""What is not finite or not limited is null."""
MONEY = {"type": ["integer", "null"]}
LIMITS = ["power", "revs", "grip", "distance", "speed cap"]
PARTS = {"type": "object", "additionalProperties": TEXT}


def record(properties: Schema, pairs: Sequence[tuple[str, str]] = ()) -> Schema:
    """An object with these keys and no others; of each pair one: the event counts in miles or in kilometers."""
    every = {**properties, **{key: NUMBER for pair in pairs for key in pair}}
    made: Schema = {
        "type": "object",
        "properties": every,
        "required": sorted(properties),
        "additionalProperties": False,
    }
    if pairs:
        either = [[pair[n] for pair in pairs] for n in (0, 1)]
        made["oneOf"] = [
            {"required": these, "properties": dict.fromkeys(others, False)}
            for these, others in (either, reversed(either))
        ]
    return made


def listed(items: Schema) -> Schema:
    return {"type": "array", "items": items}


def maybe(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}


def speeds(*names: str) -> tuple[Schema, list[tuple[str, str]]]:
    """Keys of speeds: meters per second always, and one of the two others."""
    return {f"{name}_m_s": NUMBER for name in names}, [(f"{name}_mph", f"{name}_kmh") for name in names]


# --- from the types of records


class Types:
    """Schemas of types; records are collected as definitions."""

    def __init__(self) -> None:
        self.definitions: Schema = {}

    def of(self, kind: Any) -> Schema:
        """The schema of a type."""
        plain = {bool: TRUTH, int: WHOLE, float: NUMBER, str: TEXT, type(None): {"type": "null"}}
        if kind in plain:
            return dict(plain[kind])
        origin, inner = get_origin(kind), get_args(kind)
        if kind is Options:
            return {"type": "null"}
        if origin is np.ndarray or kind is np.ndarray:
            return {"$ref": "#/$defs/Parts"}
        if origin is Literal:
            return {"enum": list(inner)}
        if origin in (Union, types.UnionType):
            return {"anyOf": [self.of(each) for each in inner]}
        if origin is tuple and (len(inner) != 2 or inner[1] is not Ellipsis):
            return {"type": "array", "prefixItems": [self.of(each) for each in inner], "items": False,
                    "minItems": len(inner)}  # fmt: skip
        if origin is not None and issubclass(origin, Mapping):
            return {"type": "object", "additionalProperties": self.of(inner[1])}
        if origin is not None and issubclass(origin, Sequence | frozenset):
            return listed(self.of(inner[0]))
        if is_dataclass(kind):
            return self.record(kind)
        msg = f"{kind} is not known to have a place in a document"
        raise TypeError(msg)

    def record(self, kind: Any) -> Schema:
        """The schema of a record, by its fields and properties."""
        name = f"{kind.__module__.rpartition('.')[2]}.{kind.__name__}"  # two files may each have a Change
        if name not in self.definitions:
            self.definitions[name] = {}
            if kind is Unknown:
                keys: dict[str, Any] = {"name": str, "value": float, "basis": str, "dimension": str}
            else:
                hints = get_type_hints(kind)
                keys = {each.name: hints[each.name] for each in fields(kind)}
                for key, value in vars(kind).items():
                    if isinstance(value, property):
                        keys[key] = get_type_hints(value.fget)["return"]
            quick = [key.removesuffix("_ms") for key in keys if key.endswith("_ms")]
            si, pairs = speeds(*quick)
            rest = {key: self.of(value) for key, value in keys.items() if not key.endswith("_ms")}
            made = {**record({**rest, **si}, pairs), "title": name}
            for key in [key for key in keys if key.endswith("_ms")]:
                stem, plain = key.removesuffix("_ms"), keys[key] in (float, float | None)
                for unit in () if plain else ("m_s", "mph", "kmh"):
                    made["properties"][f"{stem}_{unit}"] = self.of(keys[key])
            self.definitions[name] = made
        return {"$ref": f"#/$defs/{name}"}


# --- by hand


def head(answer: str) -> Schema:
    """What every document starts with."""
    return {
        "schema": {"const": 1},
        "answer": {"const": answer},
        "car": TEXT,
        "event": TEXT,
        "class": TEXT,
        "salt": TEXT,
        "currency": TEXT,
        "budget_cents": MONEY,
        "assumed": listed(record({"count": COUNT, "quantity": TEXT, "why": TEXT})),
        "overrides": listed(record({"check": TEXT, "part": TEXT, "reason": TEXT, "by": TEXT})),
        "notices": listed(TEXT),
        "caution": listed(TEXT),
    }


def checked() -> Schema:
    """The last run against what the model says of it."""
    return {"checked_against_this_car": TRUTH, "said_against_done": maybe(ref("said against done"))}


def said_done() -> Schema:
    quick, pairs = speeds("said", "said_deviation", "timed", "difference")
    suspect = record(
        {
            "key": TEXT, "what": TEXT, "value": NUMBER, "likely": NUMBER, "alone": NUMBER,
            "moved_in_deviations": NUMBER, "share": NUMBER,
        }
    )
    return record(
        {
            "run": TEXT, "date": TEXT, "row": COUNT, "parts": PARTS, "salt": TEXT, **quick, "as_expected": TRUTH,
            "limit": {"enum": LIMITS}, "estimated_from_this_run_too": TRUTH, "other_runs": COUNT, "told_apart": TRUTH,
            "most_likely_wrong": listed(suspect),
        },
        pairs,
    )  # fmt: skip


def by_hand() -> Schema:
    """Definitions that ``check``, ``rank`` and ``predict`` share."""
    built, pairs = speeds("speed", "record", "needed", "margin", "speed_cap")
    run, run_pairs = speeds("speed", "first_board", "last_board", "settles_at", "headwind")
    tire, tire_pairs = speeds("fast_day_surface", "rated")
    stop, stop_pairs = speeds("from")
    power, power_pairs = speeds("change_at_lowest", "change_at_highest")
    change, change_pairs = speeds("change")
    worth, worth_pairs = speeds("change_up", "change_down")
    far = [("shutdown_mi", "shutdown_km"), ("rolling_out_mi", "rolling_out_km")]
    case = record({"case": TEXT, "distance_m": NUMBER}, [("distance_mi", "distance_km")])
    fast_stop = record(
        {**stop, "longest_m": NUMBER, "rotor_rise_share": NUMBER}, [*stop_pairs, ("longest_mi", "longest_km")]
    )
    rotor = record({"axle": {"enum": ["front", "rear"]}, "rise_k": NUMBER, "share": NUMBER})
    line = record({"kind": TEXT, "what": TEXT, "number": COUNT, "pieces": COUNT, "cents": WHOLE})
    build = {
        "parts": PARTS,
        "changes": listed(record({"slot": TEXT, "from": TEXT, "to": TEXT})),
        **built,
        "takes_record": TRUTH,
        "mass_kg": NUMBER,
        "price_cents": MONEY,
        "left_cents": MONEY,
        "own_hours": NUMBER,
        "bill": maybe(listed(line)),
        "problems": listed(TEXT),
        "rev_limit_rpm": NUMBER,
        "limiter_rpm": NUMBER,
        "runs": listed({"$ref": "#/$defs/run"}),
        "tires": listed(record({"axle": {"enum": ["front", "rear"]}, "part": TEXT, **tire}, tire_pairs)),
        "stopping": record(
            {
                **stop, "shutdown_m": NUMBER, "rolling_out_m": NUMBER, "cases": listed(case), "rotor_rise_k": NUMBER,
                "rotor_rise_share": NUMBER, "rotors": listed(rotor), "front_wheels_lock_at_g": NUMBER,
                "rear_wheels_lock_at_g": NUMBER, "fast_day": fast_stop,
            },
            [*stop_pairs, *far],
        ),
        "smallest_margin": NUMBER,
    }  # fmt: skip
    pounds = {"mass_lb": NUMBER}
    placed = record({"place": {"type": "integer", "minimum": 1}, **build}, pairs)
    one = record(build, pairs)
    for each in (placed, one):
        each["properties"] |= pounds
    return {
        "build": one,
        "ranked build": placed,
        "run": record(
            {
                **run, "time_s": NUMBER, "gear": {"type": "integer", "minimum": 1}, "first_board_rpm": NUMBER,
                "last_board_rpm": NUMBER, "slip": NUMBER, "grip_use": NUMBER, "limit": {"enum": LIMITS},
            },
            run_pairs,
        ),
        "said against done": said_done(),
        "swap": record({"slot": TEXT, "from": TEXT, "to": TEXT, "price_change_cents": WHOLE, **change}, change_pairs),
        "doubt": record(
            {"what": TEXT, "value": NUMBER, "unit": TEXT, "low": NUMBER, "high": NUMBER, "source": TEXT, "hint": TEXT}
        ),
        "power": record(
            {
                "engine": TEXT, "formula": TEXT, "pressure_outside": TRUTH, "temperature_outside": TRUTH,
                "factor_outside": TRUTH, "blown": TRUTH, "lowest_power_share": NUMBER, "highest_power_share": NUMBER,
                **power,
            },
            power_pairs,
        ),
        "worth": record(
            {
                "quantity": TEXT, "value": NUMBER, "unit": TEXT, "basis": {"enum": ["measured", "rated", "assumed"]},
                "by": TEXT, "step": NUMBER, "step_unit": TEXT, **worth,
            },
            worth_pairs,
        ),
    }  # fmt: skip


def ref(name: str) -> Schema:
    return {"$ref": f"#/$defs/{name}"}


def rank_document() -> Schema:
    search, pairs = speeds("last_listed", "highest_left_out", "nothing_faster_by_more_than")
    counts = (
        "combinations", "tire_gear_engine_combinations", "looked_into", "builds_checked", "runs_simulated",
    )  # fmt: skip
    return record(
        {
            **head("rank"),
            **checked(),
            "builds": listed(ref("ranked build")),
            "as_it_stands": ref("build"),
            "swaps": listed(ref("swap")),
            "slots_that_do_not_matter": listed(TEXT),
            "second_looks": listed(ref("doubt")),
            "power_in_this_air": listed(ref("power")),
            "too_close_to_call": record(
                {
                    "near": COUNT, "compared": COUNT, "met": COUNT, "listed_and_told_apart": listed(COUNT),
                    "most_careful": ref("build"), "cheapest": ref("build"),
                }
            ),
            "search": record(
                {
                    "complete": TRUTH, "by_argument": {"type": ["boolean", "null"]}, "stopped_by_time_limit": TRUTH,
                    "ended_by_hand": TRUTH, **dict.fromkeys(counts, COUNT),
                    "refused_at_speed": {"type": "object", "additionalProperties": COUNT}, **search,
                },
                pairs,
            ),
        }
    )  # fmt: skip


def predict_document() -> Schema:
    made = record(
        {
            **head("predict"),
            **checked(),
            "build": ref("build"),
            "second_looks": listed(ref("doubt")),
            "power_in_this_air": listed(ref("power")),
        }
    )
    made["properties"]["sensitivity"] = listed(ref("worth"))
    return made


def check_document() -> Schema:
    tally = {"type": "object", "additionalProperties": COUNT}
    out = listed(record({"part": TEXT, "slots": listed(TEXT), "reason": TEXT}))
    return record(
        {
            **head("check"),
            "parts_by_kind": tally,
            "kits": COUNT,
            "combinations": COUNT,
            "slots": listed(record({"slot": TEXT, "options": COUNT, "ruled_out": COUNT})),
            "parts_ruled_out": {"type": "object", "additionalProperties": out},
            "pairs_ruled_out": COUNT,
            "pairs_ruled_out_by_check": tally,
            "second_looks": listed(ref("doubt")),
            "assumptions": listed(record({"where": TEXT, "quantity": TEXT, "value": TEXT, "why": TEXT})),
        }
    )


def calibrate_document() -> Schema:
    estimate = record(
        {
            "key": TEXT, "what": TEXT, "group": TEXT, "value": NUMBER, "deviation": NUMBER, "stated": NUMBER,
            "stated_deviation": NUMBER, "moved_in_deviations": NUMBER, "deviation_left": NUMBER,
            "basis": {"enum": ["measured", "rated", "assumed"]},
        }
    )
    ridge = record(
        {
            "members": listed(TEXT), "numbers_of_days": listed(TEXT), "at_m_s": NUMBER,
            "trade": listed(record({"key": TEXT, "from": NUMBER, "to": NUMBER})), "test": maybe(TEXT),
        }
    )
    residual = record(
        {
            "file": TEXT, "row": COUNT, "what": TEXT, "numbers": COUNT, "as_good_as": NUMBER,
            "unit": {"enum": ["m/s", "share"]}, "rms": NUMBER, "largest": NUMBER, "largest_at_s": NUMBER,
            "surprise": NUMBER,
        }
    )
    return record(
        {
            **head("calibrate"),
            "sources": listed(TEXT),
            "written": TRUTH,
            "estimates": listed(estimate),
            "correlation": record({"keys": listed(TEXT), "rows": listed(listed(NUMBER))}),
            "not_told_apart": listed(ridge),
            "tests_not_made": listed(
                record({"name": TEXT, "text": TEXT, "would_leave": {"type": "object", "additionalProperties": NUMBER}})
            ),
            "residuals": listed(residual),
            "outliers": listed(record({"file": TEXT, "row": COUNT, "text": TEXT})),
        }
    )  # fmt: skip


def runs_document() -> Schema:
    quick, pairs = speeds("said", "said_deviation", "timed", "difference")
    left = {"type": "object", "additionalProperties": NUMBER}
    one = record({"run": TEXT, "date": TEXT, "row": COUNT, **quick, "deviation_left": left}, pairs)
    return record({**head("runs"), **checked(), "runs": listed(one)})


def schema() -> Schema:
    """The whole schema."""
    kinds = Types()
    documents = {
        "check": check_document(),
        "rank": rank_document(),
        "predict": predict_document(),
        "calibrate": calibrate_document(),
        "runs": runs_document(),
        "recheck": record(
            {
                "schema": {"const": 1}, "answer": {"const": "recheck"}, "holds": TRUTH, "faults": listed(TEXT),
                "question": record(
                    {"top": COUNT, "budget_cents": MONEY, "class": maybe(TEXT), "salt": maybe(TEXT),
                     "with": listed(TEXT), "without": listed(TEXT)}
                ),
                "complete": TRUTH, "why_not_complete": TEXT, "builds_listed": COUNT,
                "tire_gear_engine_combinations": COUNT, "groups": COUNT, "looked_into": COUNT, "builds_tried": COUNT,
                "last_listed_m_s": NUMBER, "highest_bound_left_out_m_s": NUMBER,
            }
        ),
        "no legal build": record(
            {
                "schema": {"const": 1}, "answer": {"const": "no legal build"}, "reasons": listed(TEXT), "text": TEXT,
                "cheapest_cents": MONEY, "caution": listed(TEXT),
            }
        ),
    }  # fmt: skip
    for answer, found in QUESTIONS.items():
        options = [kinds.of(each) for each in found]
        documents[answer] = record({**head(answer), "found": options[0] if len(options) == 1 else {"anyOf": options}})
    return {
        "$schema": "https" + "://json-schema.org/draft/2020-12/schema",
        "title": "Answers of saltmile --json",
        "description": "One document for each question, told apart by its key answer. See json.md.",
        "oneOf": [ref(f"answer {name}") for name in documents],
        "$defs": {
            "Parts": {**PARTS, "description": "Slot by slot the id of the part in it"},
            **{f"answer {name}": each for name, each in documents.items()},
            **by_hand(),
            **dict(sorted(kinds.definitions.items())),
        },
    }


def text() -> str:
    """The file: a definition a line."""
    whole = schema()
    lines = [f"{json.dumps(key)}: {json.dumps(each)}" for key, each in whole["$defs"].items()]
    first = [f"{json.dumps(key)}: {json.dumps(each)}" for key, each in whole.items() if key != "$defs"]
    return "{\n" + ",\n".join(first) + ',\n"$defs": {\n' + ",\n".join(lines) + "\n}\n}\n"


def faults_of(document: Any) -> list[str]:
    """What the schema in the file finds wrong in a document, said of the answer that it is."""
    known = json.loads(FILE.read_text(encoding="utf-8"))
    kind = {"$ref": f"#/$defs/answer {document['answer']}", "$defs": known["$defs"]}
    found = jsonschema.Draft202012Validator(kind).iter_errors(document)
    return [f"{'/'.join(map(str, each.absolute_path))}: {each.message[:300]}" for each in found]


if __name__ == "__main__":
    FILE.write_text(text(), encoding="utf-8")
