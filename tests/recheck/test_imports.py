"""What checks the evidence shares nothing with the search, nor with the package's own statement of rules and prices."""

from __future__ import annotations

import subprocess
import sys

ALLOWED = {
    "optimizer.choice", "optimizer.choice.options", "optimizer.choice.masses",
    "optimizer.search", "optimizer.search.necessary", "optimizer.search.demands",
}  # fmt: skip
"""Options and weights of parts, and the bare mathematics of cuts."""
DECIDING = {"optimizer.search.surrogate"}
"""What is decided where evidence is made, and only read where it is checked."""
LOOK = "import sys, optimizer.recheck.{module}; print(*sorted(sys.modules))"


def loaded(module: str) -> set[str]:
    command = [sys.executable, "-c", LOOK.format(module=module)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)  # noqa: S603
    return set(done.stdout.split())


def test_checking_loads_no_solver_no_search_and_no_other_reading_of_the_rules():
    for module in ("checking", "certifying"):
        every = loaded(module)
        shared = {name for name in every if name.startswith(("optimizer.search", "optimizer.choice"))}

        assert shared <= ALLOWED | (DECIDING if module == "certifying" else set())
        assert not {"pyomo", "highspy", "optimizer.pipeline"} & every


def test_a_forbidden_import_would_be_seen():
    done = subprocess.run(
        [sys.executable, "-c", "import sys, optimizer.search.ranking; print(*sys.modules)"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip

    assert "optimizer.choice.legality" in done.stdout.split()
