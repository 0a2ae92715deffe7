"""Searches rule out by argument here, as in large catalogs: in small ones all builds that are left would be tried."""

from __future__ import annotations

import pytest

from optimizer.search import ranking


@pytest.fixture(autouse=True)
def rule_out_by_argument(monkeypatch: pytest.MonkeyPatch) -> None:
    """However few builds are left."""
    monkeypatch.setattr(ranking, "FEW_TRIED", 0)
