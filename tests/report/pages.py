"""A small scenario whose names are as hostile as a spreadsheet allows, and the page made of it."""

from __future__ import annotations

import pathlib

from optimizer.decision import Decision, decision_of
from optimizer.pipeline import Question
from optimizer.scenario.reading import read_scenario
from tests.scenario import small

SCRIPT = "<script>window.hacked = 1</script>"
QUOTES = "5\" o'clock \" onload=\"window.hacked = 1\" & <img src=x onerror='window.hacked = 1'>"
TURNED = "\u202eback to front \u2069 and \u2067 out"
LONG = "W" * 300
CLOSING = "</title></style><!-- close"


def hostile_folder(folder: pathlib.Path) -> pathlib.Path:
    """The small scenario with such names on the car, the event and on parts that the best build has or could have."""
    tables = small.sheets()
    for sheet, part, name in (
        ("engines", "E02", SCRIPT),
        ("tires", "T02", QUOTES),
        ("final_drives", "F02", TURNED),
        ("gearsets", "G02", LONG),
        ("extras", "X01", CLOSING),
    ):
        column = small.column_of(tables[sheet], "name")
        next(row for row in tables[sheet] if row[0] == part)[column] = name
    limit = small.column_of(tables["rotors"], "max rise")
    for row in tables["rotors"][1:]:
        row[limit] = "1,100"
    car = small.CAR.replace('name = "Sparrow"', 'name = "Sparrow <b>& \'co\'</b>"')
    event = small.EVENT.replace('name = "September meet"', 'name = "</script><script>window.hacked = 1"')
    return small.write(folder, car=car, event=event.replace('budget = "$1,500"', 'budget = "$2,600"'), tables=tables)


def decision_in(folder: pathlib.Path) -> Decision:
    """Everything a page says about the scenario in a folder, five builds ranked."""
    return decision_of(read_scenario(folder), Question(top=5))
