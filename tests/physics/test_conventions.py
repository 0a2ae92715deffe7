"""What holds for every formula: elementwise to the last bit, documented argument by argument, independent."""

import ast
import inspect
import re
from importlib import import_module

import numpy as np
import pytest

MODULES = ("air", "tires", "rolling", "grip", "rotation", "driveline", "brakes", "monotone_cubic")
FUNCTIONS = {
    f"{module}.{name}": function
    for module in MODULES
    for name, function in inspect.getmembers(import_module(f"optimizer.physics.{module}"), inspect.isfunction)
    if not name.startswith("_") and function.__module__ == f"optimizer.physics.{module}"
}
RANGES = {  # of arguments by name; others run from 0.2 to 0.9
    "elevation_m": (0, 3000), "density": (0.9, 1.25), "temperature_k": (275, 310), "pressure_pa": (6e4, 4e5),
    "dry_pressure_pa": (8e4, 1e5), "wind_from_deg": (0, 360), "bearing_deg": (0, 360), "load_n": (3e3, 8e3),
    "speed_ms": (1, 90), "section_width_m": (0.135, 0.265), "rim_diameter_in": (12, 17), "from_ms": (30, 60),
    "to_ms": (0, 20), "rpm": (1000, 8000), "ratio": (3, 12), "mass_kg": (5, 900), "wheelbase_m": (2, 2.7),
}  # fmt: skip
NOT_NUMBERS = (
    "tires.load_capacity_kg", "tires.load_share_at_speed", "driveline.shift_rpm", "monotone_cubic.interpolate",
)  # fmt: skip
"""Functions that take a table's key or a curve; they have tests of their own."""


def arguments_of(function, count):
    generator = np.random.default_rng(3)
    values = {}
    for name in inspect.signature(function).parameters:
        low, high = RANGES.get(name, (0.2, 0.9))
        values[name] = generator.uniform(low, high, count)
    if "extra_load" in values:
        values["extra_load"] = values["extra_load"] > 0.5
    return values


def as_matrix(result):
    """Rows of results, whether the function gives one or a pair."""
    return np.array(result if isinstance(result, tuple) else (result,))


@pytest.mark.parametrize("name", [name for name in FUNCTIONS if name not in NOT_NUMBERS])
def test_results_do_not_depend_on_the_batch(name):
    """Whole, a slice, every third, one by one as floats: the same to the last bit; scalars stay scalars."""
    function = FUNCTIONS[name]
    arguments = arguments_of(function, 61)
    whole = as_matrix(function(**arguments))
    part = as_matrix(function(**{key: value[7:24] for key, value in arguments.items()}))
    sparse = as_matrix(function(**{key: value[::3] for key, value in arguments.items()}))
    single = [function(**{key: value[i].item() for key, value in arguments.items()}) for i in range(61)]

    assert whole.shape[1] == 61
    assert np.all(np.isfinite(whole))
    assert part.tolist() == whole[:, 7:24].tolist()
    assert sparse.tolist() == whole[:, ::3].tolist()
    assert np.stack([as_matrix(each) for each in single], axis=1).tolist() == whole.tolist()
    assert all(
        isinstance(value, float)
        for each in single
        for value in (each if isinstance(each, tuple) else (each,))
    )


@pytest.mark.parametrize("name", list(FUNCTIONS))
def test_docstring_names_every_argument(name):
    """The parameters of the docstring are those of the signature, in order."""
    function = FUNCTIONS[name]
    section = re.search(r"Parameters\n-+\n(.*?)(?:\n\n[A-Z]\w+\n-+|\Z)", inspect.getdoc(function), re.DOTALL)
    named = [
        argument
        for line in section.group(1).splitlines()
        if (found := re.match(r"(\w+(?:, \w+)*) : ", line))
        for argument in found.group(1).split(", ")
    ]

    assert named == list(inspect.signature(function).parameters)


@pytest.mark.parametrize("module", MODULES)
def test_physics_imports_nothing_of_ours(module):
    """Numpy and the standard library only."""
    tree = ast.parse(inspect.getsource(import_module(f"optimizer.physics.{module}")))
    imported = {
        (node.module if isinstance(node, ast.ImportFrom) else alias.name).split(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in node.names
    }

    assert imported <= {"__future__", "collections", "types", "typing", "numpy"}
