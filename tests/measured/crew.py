"""Files as a crew has them, written and read back, for the demo's car."""

from __future__ import annotations

import functools
import pathlib

import pytest

from optimizer.errors import Fault, ScenarioError
from optimizer.measured.reading import read_measurements
from optimizer.measured.records import Measurements
from optimizer.scenario.event import Scenario
from optimizer.scenario.reading import read_scenario
from tests.scenes import DEMO

MPH, KMH, INCH, POUND = 0.44704, 1 / 3.6, 0.0254, 0.45359237

COAST = "\n".join(f"{t},{60 - 1.5 * t:g}" for t in range(20))
"""Time and speed of a coast-down from 60 mph, losing 1.5 mph a second."""
RUN = "\n".join(f"{t},{4 * t:g},{1000 + 200 * t:g}" for t in range(20))
"""Time, speed and revs of a run that gains 4 mph a second."""


@functools.cache
def demo() -> Scenario:
    return read_scenario(DEMO, as_stated=True)


def write(folder: pathlib.Path, text: str | bytes, name: str = "log.csv") -> pathlib.Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def read(folder: pathlib.Path, text: str | bytes, name: str = "log.csv") -> Measurements:
    return read_measurements(demo(), [write(folder, text, name)])


def faults(folder: pathlib.Path, text: str | bytes, name: str = "log.csv") -> list[Fault]:
    """Faults of a file, called by its bare name."""
    path = write(folder, text, name)
    with pytest.raises(ScenarioError) as refused:
        read_measurements(demo(), [path])
    return [Fault(fault.file.replace(str(path), name), *_rest(fault)) for fault in refused.value.faults]


def fault(folder: pathlib.Path, text: str | bytes, name: str = "log.csv") -> str:
    """The only fault of a file, as shown."""
    found = faults(folder, text, name)
    assert len(found) == 1, found
    return str(found[0])


def _rest(fault: Fault) -> tuple[int, str, str, str]:
    return fault.row, fault.column, fault.typed, fault.expected
