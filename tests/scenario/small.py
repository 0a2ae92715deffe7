"""A complete small scenario: a front-drive car of 1.3 liters and a few parts of each kind, in any folder.

Invented from end to end. `CAR`, `EVENT` and `SHEETS` are the texts; change a copy to make another scenario.
"""

from __future__ import annotations

import copy
import csv
import dataclasses
import io
import pathlib
import re

import pytest

from optimizer.errors import Fault, ScenarioError
from optimizer.scenario.reading import read_scenario

CAR = """\
[car]
name = "Sparrow"
mass = { value = "1,730 lb", basis = "measured", by = "corner scales, May" }
front_share = "61 %"
wheelbase = "92 in"
cg_height = "20.5 in"
drag_area = "6.4 ft2"
front_lift_area = "0.4 ft2"
rear_lift_area = "0.7 ft2"
drag_area_per_height = "1.0 ft2/ft"
drag_area_per_tire_width = "0.5 ft2/ft"
drive = "front"
start = "clutch"
shift_time = "0.45 s"
driveline_efficiency = "93 %"
grip_use_limit = "80 %"
limiter = "adjustable"
brake_front_share = "68 %"
propshaft_inertia = "0 lb ft2"
gearbox_inertia = "0.1 lb ft2"

[car.front]
bolt_pattern = "4x100"
center_bore = "54.1 mm"
offset_min = "30 mm"
offset_max = "45 mm"
max_tire_diameter = "24 in"
max_tire_width = "8 in"
heaviest_corner_share = "52 %"
tire_pressure = "44 psi"
ride_height = "5 in"
min_ride_height = "3 in"
hub_inertia = "0.2 lb ft2"

[car.rear]
bolt_pattern = "4x100"
center_bore = "54.1 mm"
offset_min = "30 mm"
offset_max = "45 mm"
heaviest_corner_share = "52 %"
tire_pressure = "40 psi"
ride_height = "5.5 in"
hub_inertia = "0.1 lb ft2"

[[slots]]
name = "front tires"
kind = "tire"
axle = "front"
fitted = "T01"

[[slots]]
name = "rear tires"
kind = "tire"
axle = "rear"
fitted = "T01"

[[slots]]
name = "front wheels"
kind = "wheel"
axle = "front"
fitted = "W01"

[[slots]]
name = "rear wheels"
kind = "wheel"
axle = "rear"
fitted = "W01"

[[slots]]
name = "front rotors"
kind = "rotor"
axle = "front"
fitted = "R01"
work = ["brakes apart"]

[[slots]]
name = "final drive"
kind = "final drive"
fitted = "F01"
work = ["gearbox out"]
interfaces = ["transaxle B"]

[[slots]]
name = "gearset"
kind = "gearset"
fitted = "G01"
work = ["gearbox out"]
interfaces = ["transaxle B"]

[[slots]]
name = "engine"
kind = "engine"
fitted = "E01"

[[slots]]
name = "belly pan"
kind = "extra"
required = false
fitted = "none"
position = "40 in"

[[jobs]]
name = "gearbox out"
cost = "$450"
hours = 9

[[jobs]]
name = "brakes apart"
hours = "3 h"
"""

EVENT = """\
[event]
name = "September meet"
date = 2026-09-14
currency = "USD"
speed_unit = "mph"
budget = "$1,500"
own_hours = 40
class = "J/production"
salt = "ordinary"
rating_rule = "refuse"
max_tire_age = "6 years"
max_circumference_mismatch = "1 %"
carries = ["roll bar"]
fixed_costs = [{ name = "entry", cost = 400 }]

[course]
run_up = "2 mi"
timed = "1 mi"
shutdown = "2 mi"
elevation = "4,200 ft"
bearing = 40

[scoring]
measure = "mean"
runs = 1

[[salts]]
name = "firm"
rolling_coefficient = 0.020
grip = 0.55
slip_at_slide = "15 %"

[[salts]]
name = "ordinary"
rolling_coefficient = { value = 0.028, basis = "assumed", by = "between firm and soft" }
grip = 0.48
slip_at_slide = "16 %"

[[weather]]
pressure = "25.9 inHg"
temperature = "72 F"
humidity = "30 %"
wind_speed = "3 mph"
wind_from = 250

[fast_case]
salt = "firm"
temperature = "50 F"
tire_speed_margin = "3 %"

[stopping]
gentle = "0.12 g"
grip_share = "60 %"
salt = "ordinary"

[[rules]]
name = "car tires"
reason = "only tires made for cars"
kind = "tire"
field = "category"
allowed = ["road", "competition"]

[[classes]]
name = "J/production"
record = "104.5 mph"
margin = "1 %"
fixed_costs = [{ name = "class fee", cost = "$25.50" }]

[[classes.rules]]
name = "1.5 liters"
reason = "class J ends at 1,500 cc"
kind = "engine"
field = "displacement"
maximum = "1,500 cc"

[[classes.limits]]
name = "least mass"
reason = "class J begins at 1,500 lb"
quantity = "mass"
minimum = "1,500 lb"

[[classes.brackets]]
name = "roll bar above 120"
above = "120 mph"
requires = "roll bar"
hold_off = "3 mph"
"""

SHEETS: dict[str, list[list[str]]] = {
    "tires": [
        ["id", "name", "mass [lb]", "price", "price for", "owned", "resale", "fitting", "size", "category",
         "rolling coefficient", "max pressure [psi]", "made", "inertia [lb ft2]", "inertia basis", "notes"],
        ["T01", "touring", "17.5", "", "", "4", "20", "15", "185/60R14 82H", "road",
         "0.0105", "51", "1024", "11", "assumed: like T02", "on the car"],
        ["T02", "narrow eco", "~14.2", "$118.50", "each", "", "", "15", "165/65R14 79T", "road",
         "0.0085", "51", "3025", "", "", ""],
        ["T03", "shaved", "16", "$1,160", "set", "", "", "15", "185/55R14 80V", "competition",
         "0.0095", "60", "0526", "8.5", "measured", "café rubber"],
    ],
    "wheels": [
        ["id", "name", "mass [lb]", "price", "price for", "size", "bolt pattern", "center bore [mm]",
         "offset [mm]", "load rating [lb]", "max pressure [psi]", "brake clearance [in]", "inertia [lb ft2]"],
        ["W01", "steel", "15.5", "", "", "14x5.5", "4x100", "54.1", "38", "1,100", "60", "12.2", "4.1"],
        ["W02", "light", "10", "$640", "set", "14x6", "4x100; 4x114.3", "60.1", "38", "1200", "65", "", ""],
    ],
    "rotors": [
        ["id", "mass [lb]", "price", "price for", "diameter [in]", "caliper envelope [in]", "heat mass [lb]",
         "specific heat [J/kg K]", "max rise [F]", "brake drag [lbf]", "inertia [lb ft2]", "axle"],
        ["R01", "11", "", "", "9.4", "12", "8.5", "460", "400", "2", "1.0", "front"],
        ["R02", "8.5", "$150", "pair", "8.9", "11.6", "", "", "400", "", "", "front"],
    ],
    "final_drives": [
        ["id", "name", "mass [lb]", "price", "ratio", "fits", "efficiency [%]", "inertia [lb ft2]"],
        ["F01", "stock", "13", "", "4.10", "transaxle B", "", "0.05"],
        ["F02", "tall", "13", "$310", "59/16", "transaxle B", "", "0.05"],
    ],
    "gearsets": [
        ["id", "name", "mass [lb]", "price", "gear 1", "gear 2", "gear 3", "gear 4", "gear 5", "fits",
         "inertia [lb ft2]"],
        ["G01", "stock", "24", "", "3.25", "1.81", "1.21", "0.86", "0.73", "transaxle B", "0.2"],
        ["G02", "close", "25", "$900", "38/13", "1.95", "1.35", "1.03", "0.85", "transaxle B", "0.2"],
    ],
    "engines": [
        ["id", "name", "mass [lb]", "price", "curve", "base", "torque factor [%]", "displacement [cc]",
         "rev limit [rpm]", "launch rpm", "inertia [lb ft2]", "measured at", "correction"],
        ["E01", "stock", "230", "", "E01", "", "", "1298", "6,800", "3500", "2.6", "flywheel", "SAE J1349"],
        ["E02", "cam and chip", "", "$700", "", "E01", "107", "", "7,200", "", "", "", ""],
        ["E03", "more of it", "", "$900", "", "E02", "102", "", "", "", "2.2", "", ""],
    ],
    "curves": [
        ["engine", "rpm", "torque [lb-ft]", "power [hp]"],
        ["E01", "2000", "70", ""],
        ["E01", "3500", "80", "53.3"],
        ["E01", "5000", "78", ""],
        ["E01", "6000", "", "80"],
        ["E01", "7200", "58", ""],
    ],
    "extras": [
        ["id", "name", "mass [lb]", "price", "position [in]", "drag area change [ft2]", "tags",
         "front ride height change [in]"],
        ["X01", "flat pan", "14", "$180", "45", "-0.25", "aero", ""],
    ],
    "kits": [
        ["id", "name", "price", "contents", "stock", "fitting included"],
        ["K01", "used gearbox", "$750", "G02; F02", "1", "no"],
        ["K02", "mounted set", "$1,500", "T02 x4; W02 x4", "1", "yes"],
    ],
}  # fmt: skip


def sheets() -> dict[str, list[list[str]]]:
    """Give a copy of all sheets, to be changed."""
    return copy.deepcopy(SHEETS)


def column_of(sheet: list[list[str]], name: str) -> int:
    """Position of the column whose header begins with a name."""
    return next(position for position, header in enumerate(sheet[0]) if header.startswith(name))


def csv_text(rows: list[list[str]], separator: str = ",") -> str:
    """Text of one sheet."""
    text = io.StringIO()
    csv.writer(text, delimiter=separator, lineterminator="\n").writerows(rows)
    return text.getvalue()


def write(
    folder: pathlib.Path,
    *,
    car: str = CAR,
    event: str = EVENT,
    tables: dict[str, list[list[str]]] | None = None,
    separator: str = ",",
    encoding: str = "utf-8",
) -> pathlib.Path:
    """Write a scenario with CSV sheets; `tables` stand for `SHEETS`."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "car.toml").write_text(car, encoding="utf-8")
    (folder / "event.toml").write_text(event, encoding="utf-8")
    for name, rows in (SHEETS if tables is None else tables).items():
        (folder / f"{name}.csv").write_bytes(csv_text(rows, separator).encode(encoding))
    return folder


def write_workbook(folder: pathlib.Path, tables: dict[str, list[list[str]]] | None = None) -> pathlib.Path:
    """Write a scenario whose sheets are tabs of ``parts.xlsx``, numbers as numbers."""
    import openpyxl  # noqa: PLC0415

    write(folder, tables={})
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in (SHEETS if tables is None else tables).items():
        tab = book.create_sheet(name)
        for row in rows:
            tab.append([_value(text) for text in row])
    book.save(folder / "parts.xlsx")
    return folder


def _value(text: str) -> float | str | None:
    if text.startswith("0") and text.isdecimal():
        return text  # a date code such as 0526 must be text in a workbook
    try:
        return float(text) if text else None
    except ValueError:
        return text


# --- breaking it, and what is said


def faults_of(folder) -> list[tuple[str, int, str, str, str]]:
    """Every fault of a folder, as plain tuples."""
    with pytest.raises(ScenarioError) as refused:
        read_scenario(folder)
    assert all(isinstance(fault, Fault) for fault in refused.value.faults)
    return [dataclasses.astuple(fault) for fault in refused.value.faults]


def with_cell(sheet: str, row: int, column: str, text: str) -> dict[str, list[list[str]]]:
    """Sheets with one cell changed; rows as a spreadsheet numbers them."""
    tables = sheets()
    tables[sheet][row - 1][column_of(tables[sheet], column)] = text
    return tables


def with_column(sheet: str, header: str, *texts: str) -> dict[str, list[list[str]]]:
    """Sheets with one column more; rows without text stay blank."""
    tables = sheets()
    for row, text in zip(tables[sheet], [header, *texts, *[""] * len(tables[sheet])], strict=False):
        row.append(text)
    return tables


def without_column(sheet: str, name: str) -> dict[str, list[list[str]]]:
    """Sheets with one column less."""
    tables = sheets()
    gone = column_of(tables[sheet], name)
    tables[sheet] = [row[:gone] + row[gone + 1 :] for row in tables[sheet]]
    return tables


def line_of(text: str, part: str, nth: int = 1) -> int:
    """Number of the nth line that begins with something."""
    return [number for number, line in enumerate(text.splitlines(), start=1) if line.startswith(part)][
        nth - 1
    ]


def content(scenario):
    """Everything in a scenario but where it was read from."""
    parts = {id_: dataclasses.replace(part, where="") for id_, part in scenario.parts.items()}
    kits = tuple(dataclasses.replace(kit, where="") for kit in scenario.kits)
    assumptions = [(each.quantity, each.value, each.why) for each in scenario.assumptions]
    return scenario.car, scenario.event, parts, kits, assumptions


def without_thousands(tables):
    """Sheets without the comma that a sheet of semicolons cannot have in a number."""
    return {
        name: [[re.sub(r"^(\d),(\d{3})$", r"\1\2", text) for text in row] for row in rows]
        for name, rows in tables.items()
    }


def with_decimal_commas(tables):
    """Sheets as a spreadsheet program saves them where the comma is a decimal one."""
    return {
        name: [
            rows[0],
            *([re.sub(r"(?<=\d)\.(?=\d)", ",", text) for text in row] for row in rows[1:]),
        ]
        for name, rows in without_thousands(tables).items()
    }
