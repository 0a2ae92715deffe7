"""The data dictionary and the records say the same, and no text in any cell breaks the reader."""

from __future__ import annotations

import dataclasses

import pytest
import small
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimizer.errors import ScenarioError
from optimizer.scenario import assumed, car, event, keys
from optimizer.scenario.columns import SHEETS
from optimizer.scenario.parts import KINDS, Kit
from optimizer.scenario.reading import read_scenario
from optimizer.units import UNITS

MADE_BY_THE_READER = {"kind", "where", "bases"}


def fields_of(record) -> set[str]:
    """Names of the fields of a record."""
    return {item.name for item in dataclasses.fields(record)}


@pytest.mark.parametrize("kind", KINDS)
def test_every_field_of_a_part_has_a_column_and_every_column_a_field(kind):
    sheet = next(sheet for sheet in SHEETS.values() if sheet.kind == kind)
    targets = {item.target for item in sheet.fields}
    if kind == "gearset":
        targets = {"ratios" if target.startswith("gear_") else target for target in targets}
        targets = {"gear_efficiency" if target.startswith("efficiency_") else target for target in targets}
    if kind == "engine":
        targets = {"curve" if target == "curve_id" else target for target in targets}
    if kind == "wheel":
        targets -= {"size"}  # gives rim diameter and width

    assert targets == fields_of(KINDS[kind]) - MADE_BY_THE_READER


def test_every_field_of_a_kit_has_a_column():
    assert {item.target for item in SHEETS["kits"].fields} == fields_of(Kit) - {"where"}


SETTINGS = [
    (keys.CAR, car.Car, {"front", "rear", "slots", "jobs", "bases"}),
    (keys.HUB, car.Hub, set()),
    (keys.SLOT, car.Slot, set()),
    (keys.JOB, car.Job, set()),
    (keys.COURSE, event.Course, set()),
    (keys.SCORING, event.Scoring, set()),
    (keys.MEET, event.Meet, {"stated"}),
    (keys.SALT, event.Salt, {"bases"}),
    (keys.AIR, event.Weather, set()),
    (keys.STOPPING, event.StoppingRule, set()),
    (keys.RULE, event.Rule, set()),
    (keys.PAIR, event.PairRule, set()),
    (keys.LIMIT, event.Limit, set()),
    (keys.BRACKET, event.Bracket, set()),
    (keys.OVERRIDE, event.Override, set()),
    (keys.CLASS, event.RaceClass, {"rules", "pairs", "limits", "brackets", "fixed_costs"}),
    (
        keys.EVENT,
        event.Event,
        {
            "course",
            "scoring",
            "meet",
            "salts",
            "weather",
            "fast_case",
            "stopping",
            "classes",
            "fixed_costs",
            "overrides",
            "bases",
        },
    ),
]


@pytest.mark.parametrize(("fields", "record", "of_tables"), SETTINGS)
def test_every_field_of_a_setting_has_a_key_and_every_key_a_field(fields, record, of_tables):
    assert {item.target for item in fields} == fields_of(record) - of_tables


def test_every_column_has_a_sentence_and_a_known_dimension():
    for sheet in SHEETS.values():
        for item in sheet.fields:
            assert item.meaning.endswith(".")
            assert item.dimension in {"", "money", *UNITS}


def test_no_rating_is_ever_filled():
    """Load, speed, pressure, temperature and age are a maker's to say."""
    ratings = {item.target for sheet in SHEETS.values() for item in sheet.fields if item.rating}
    filled = {each.target for fills in assumed.PARTS.values() for each in fills}

    assert {
        "load_index",
        "speed_symbol",
        "max_pressure_pa",
        "load_rating_kg",
        "max_rise_k",
        "made",
    } <= ratings
    assert not ratings & filled


PLACES = [
    (sheet, row, column)
    for sheet, rows in small.SHEETS.items()
    for row, cells in enumerate(rows)
    for column in range(len(cells))
]
AWKWARD = [
    "", "-1", "0", "nan", "1e400", "TRUE", "#N/A", "T01;T02", "none", "1/0", "1,5", "12 lb", "~", ";", "4x",
    "$", "x4", "\N{EURO SIGN}5", "\N{NO-BREAK SPACE}", "9" * 400, "\N{VULGAR FRACTION ONE HALF}", "W01 x4",
    "#", "assumed:",
]  # fmt: skip


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.sampled_from(PLACES), text=st.one_of(st.sampled_from(AWKWARD), st.text(max_size=12)))
def test_whatever_stands_in_a_cell_is_read_or_refused(tmp_path, place, text):
    sheet, row, column = place
    tables = small.sheets()
    tables[sheet][row][column] = text.encode("utf-8", "ignore").decode()
    folder = small.write(tmp_path, tables=tables)
    try:
        refused = None if read_scenario(folder).parts else "nothing was read"
    except ScenarioError as error:
        refused = [fault for fault in error.faults if not fault.expected]

    assert not refused
