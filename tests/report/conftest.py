"""The decision that all tests of the page look at, worked out once."""

from __future__ import annotations

import pathlib

import pytest

from optimizer.decision import Decision
from tests.report.pages import decision_in, hostile_folder


@pytest.fixture(scope="session")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> pathlib.Path:
    """Folder of the small scenario with hostile names."""
    return hostile_folder(tmp_path_factory.mktemp("hostile") / "car")


@pytest.fixture(scope="session")
def decision(hostile: pathlib.Path) -> Decision:
    return decision_in(hostile)
