"""Whatever a record holds comes back from a file in any dialect: separators, commas, units, names, order of columns."""

from __future__ import annotations

import csv
import io
import math
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from optimizer.measured.records import Day
from optimizer.units import UNITS
from tests.measured.crew import read

NAMES = {
    "time": ["time", "Time", "t", "Elapsed Time", "timestamp"],
    "speed": ["speed", "GPS Speed", "velocity", "Ground_Speed"],
    "rpm": ["rpm", "RPM", "Engine Speed", "revs"],
    "distance": ["distance", "Dist", "GPS Distance"],
    "front wheel speed": ["front wheel speed", "Wheel Speed Front", "driven wheel speed"],
    "mass": ["mass", "weight", "Car Mass"],
    "air temperature": ["air temperature", "Temp", "ambient"],
    "station pressure": ["station pressure", "baro", "Pressure"],
    "wind": ["wind", "Wind Speed"],
    "torque": ["torque", "Engine Torque"],
}
DIMENSIONS = {
    "time": "time", "speed": "speed", "rpm": "engine speed", "distance": "distance", "front wheel speed": "speed",
    "mass": "mass", "air temperature": "temperature", "station pressure": "air pressure", "wind": "speed",
    "torque": "torque",
}  # fmt: skip


@dataclass(frozen=True)
class Dialect:
    """How somebody writes a table."""

    separator: str
    decimal: str
    end: str
    encoding: str
    units: str
    trailing: bool
    quoted: bool
    title: bool
    last_line: bool
    names: int
    order: int

    def number(self, value: float, digits: int = 6) -> str:
        if math.isnan(value):
            return ("", "-", "NaN")[self.names % 3]
        return f"{value:.{digits}f}".replace(".", self.decimal)

    def header(self, name: str, unit: str) -> str:
        word = NAMES[name][self.names % len(NAMES[name])] if name in NAMES else name
        forms = {"square": f"{word} [{unit}]", "round": f"{word} ({unit})", "tail": f"{word}_{unit}", "row": word}
        return forms[self.units]

    def unit(self, name: str) -> str:
        known = [unit.name for unit in UNITS[DIMENSIONS[name]] if unit.name != "g"]
        return known[self.names % len(known)]

    def write(self, columns: dict[str, list[str]], units: dict[str, str], above: list[tuple[str, str]]) -> bytes:
        names = list(columns)
        names = names[self.order % len(names) :] + names[: self.order % len(names)]
        rows = [list(each) for each in above]
        rows += [["My logger"]] if self.title else []
        rows.append([self.header(name, units[name]) if name in units else name for name in names])
        rows += [[units.get(name, "") for name in names]] if self.units == "row" else []
        rows += [list(row) for row in zip(*(columns[name] for name in names), strict=True)]
        tail = self.trailing and 1
        rows = [[*row, *[""] * tail] for row in rows]
        rows += [["END OF LOG"]] if self.last_line else []
        text = io.StringIO()
        quoting = csv.QUOTE_ALL if self.quoted else csv.QUOTE_MINIMAL
        csv.writer(text, delimiter=self.separator, lineterminator=self.end, quoting=quoting).writerows(rows)
        return text.getvalue().encode(self.encoding)


dialects = st.builds(
    Dialect,
    separator=st.sampled_from([",", ";", "\t"]),
    decimal=st.sampled_from([".", ","]),
    end=st.sampled_from(["\n", "\r\n"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "cp1252"]),
    units=st.sampled_from(["square", "round", "tail", "row"]),
    trailing=st.booleans(),
    quoted=st.booleans(),
    title=st.booleans(),
    last_line=st.booleans(),
    names=st.integers(0, 59),
    order=st.integers(0, 4),
).map(lambda dialect: replace(dialect, decimal=".") if dialect.separator == "," else dialect)


def numbers(low: float, high: float):
    """Numbers with a fraction, so that a decimal comma is never taken for one between thousands."""
    return st.integers(int(low * 1e3), int(high * 1e3)).map(lambda n: n / 1e3 + 1e-6)


def back(dialect: Dialect, columns: dict[str, np.ndarray], above: list[tuple[str, str]] = ()):
    """Write columns that are in SI in the units of a dialect, and read what came of it."""
    units = {name: dialect.unit(name) for name in columns}
    texts = {}
    for name, values in columns.items():
        unit = next(each for each in UNITS[DIMENSIONS[name]] if each.name == units[name])
        texts[name] = [dialect.number(unit.outside(float(value)), 7) for value in values]
    with tempfile.TemporaryDirectory() as folder:
        return read(Path(folder), dialect.write(texts, units, list(above)))


@settings(max_examples=60, deadline=None)
@given(dialects, st.integers(10, 25), numbers(0.2, 2.0), numbers(25.0, 45.0), st.sets(st.integers(1, 8), max_size=3))
def test_coast_downs_come_back(dialect, samples, fall, start, gaps):
    """Falling by 0.2 to 2 m/s a second, with some gaps."""
    samples = max(samples, math.ceil(4.1 / fall) + 1)
    time, speed = np.arange(float(samples)), start - np.minimum(fall, (start - 2.0) / samples) * np.arange(samples)
    speed[list(gaps)] = np.nan
    assume(np.nanmax(speed) - speed[-1] > 4.1)
    assume(np.isfinite(speed).sum() >= 8)
    (found,) = back(dialect, {"time": time, "speed": speed}).coast_downs
    assert found.time_s == pytest.approx(time, abs=1e-6)
    np.testing.assert_allclose(found.speed_ms, speed, atol=1e-6)


@settings(max_examples=60, deadline=None)
@given(dialects, st.integers(12, 30), numbers(1.0, 3.0), st.booleans(), st.booleans(), st.booleans())
def test_run_logs_come_back(dialect, samples, gain, with_distance, with_rpm, with_wheels):
    time = np.arange(float(samples))
    speed = np.minimum(gain * time, 60.0)
    columns = {"time": time, "speed": speed}
    columns |= {"distance": gain * time**2 / 2} if with_distance else {}
    columns |= {"rpm": 1000.0 + 50.0 * time + 0.5} if with_rpm else {}
    columns |= {"front wheel speed": 1.03 * speed} if with_wheels else {}
    (found,) = back(dialect, columns).logs
    assert found.time_s == pytest.approx(time, abs=1e-6)
    np.testing.assert_allclose(found.speed_ms, speed, atol=1e-6)
    others = {"distance": found.distance_m, "rpm": found.rpm, "front wheel speed": found.driven_ms}
    assert {name for name, values in others.items() if values is not None} == set(columns) - {"time", "speed"}
    for name in set(columns) & set(others):
        np.testing.assert_allclose(others[name], columns[name], rtol=1e-6, atol=2e-3)


@settings(max_examples=60, deadline=None)
@given(
    dialects,
    st.lists(
        st.tuples(
            numbers(38.0, 60.0), numbers(280.0, 310.0), numbers(85e3, 91e3), numbers(0.0, 9.0), numbers(600.0, 1200.0)
        ),
        min_size=1,
        max_size=4,
    ),
)  # fmt: skip
def test_timing_slips_come_back(dialect, days):
    """Speeds, temperatures, pressures, winds and weights, each in any unit."""
    names = ["speed", "air temperature", "station pressure", "wind", "mass"]
    columns = {name: np.array([day[place] for day in days]) for place, name in enumerate(names)}
    found = back(replace(dialect, last_line=False), columns).runs
    assert len(found) == len(days)
    for run, day in zip(found, days, strict=True):
        there = (run.speed_ms, run.day.temperature_k, run.day.pressure_pa, run.day.wind_ms, run.day.mass_kg)
        assert there == pytest.approx(day, rel=1e-5, abs=1e-4)


@settings(max_examples=40, deadline=None)
@given(dialects, st.integers(3, 9), numbers(90.0, 140.0))
def test_dyno_sheets_come_back(dialect, points, torque):
    rpm = 2000.5 + 400.0 * np.arange(points)
    values = torque + np.sin(np.arange(points))
    (found,) = back(dialect, {"rpm": rpm, "torque": values}).dyno
    assert found.rpm == pytest.approx(rpm)
    np.testing.assert_allclose(found.torque_nm, values, rtol=1e-6)


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from([": ", ", ", " = ", ":", ","]),
    st.sampled_from(["", "# "]),
    numbers(280.0, 310.0), numbers(85e3, 91e3), numbers(0.0, 20.0), st.integers(0, 359), numbers(600.0, 1200.0),
    st.sampled_from(["firm", "ordinary", "soft"]),
)  # fmt: skip
def test_days_come_back_from_lines_above(mark, comment, kelvin, pascal, wind, origin, kilograms, salt):
    """A comment needs a colon or an equals sign to say something."""
    assume(not comment or "," not in mark)
    lines = {
        "Air temp": f"{kelvin:.6f} K", "pressure": f"{pascal:.6f} Pa", "wind": f"{wind:.6f} m/s from {origin}",
        "weight": f"{kilograms:.6f} kg", "salt": salt, "date": "2027-09-18", "run": "7",
    }  # fmt: skip
    table = "time,speed [mph]\n" + "\n".join(f"{t},{60 - 2 * t}" for t in range(10))
    text = "\n".join(f"{comment}{key}{mark}{value}" for key, value in lines.items()) + f"\n{table}\n"
    with tempfile.TemporaryDirectory() as folder:
        found = read(Path(folder), text)
    expected = Day(
        file="log.csv", name="run 7, 2027-09-18", date="2027-09-18", salt=salt, pressure_pa=round(pascal, 6),
        temperature_k=round(kelvin, 6), wind_ms=round(wind, 6), wind_from_deg=float(origin),
        mass_kg=round(kilograms, 6),
    )  # fmt: skip
    assert found.coast_downs[0].day == expected
    assert found.notices == ()
