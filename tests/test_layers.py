"""The order of imports: a file of the package imports only from files that stand above it in this list."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "optimizer"

LIST = """
errors
files
units
executor

physics.air
physics.tires
physics.rolling
physics.grip
physics.rotation
physics.driveline
physics.brakes
physics.monotone_cubic

scenario.parts
scenario.car
scenario.estimates
scenario.event
scenario.findings
scenario.bounds
scenario.commas
scenario.compass
scenario.cells
scenario.columns
scenario.entries
scenario.tables
scenario.rows
scenario.keys
scenario.toml_files
scenario.assumed
scenario.settings
scenario.catalog
scenario.rule_words
scenario.sense
scenario.crosscheck
scenario.calibration_file
scenario.reading
scenario.offers

measured.records
measured.cells
measured.columns
measured.grids
measured.sheets
measured.days
measured.sense
measured.traces
measured.coasts
measured.slips
measured.dyno
measured.reading

choice.options
choice.masses
choice.fit
choice.pair_fit
choice.rows
choice.car_rows
choice.part_rules
choice.purchase
choice.class_rules
choice.counting
choice.receipt
choice.price
choice.legality
choice.wishes

run.inputs
run.extremes
run.driving
run.panels
run.ahead
run.gears
run.simulator
run.conditions
run.model
run.linear
run.affine
run.keeping
run.ranges
run.pulls
run.shifts
run.envelope
run.traces
run.stopping
run.pauses
run.judge

search.sharing
search.surrogate
search.drive_sets
search.purchases
search.pairing
search.completions
search.bounding
search.propagation
search.whole_lists
search.listing
search.narrowing
search.necessary
search.demands
search.limiter
search.tightening
search.opening
search.shortage
search.cases
search.memory
search.pool
search.climbing
search.state
search.ruling_out
search.looking
search.ranking
search.study
search.studies
search.solver
search.constraints
search.selection_model
search.diagnosis
search.selection_bounds
search.selection

answers.cards
answers.swaps
answers.shares
answers.power_flow
answers.run_trace
answers.speed_steps
answers.every_part
answers.sensitivity
answers.uncertainties
answers.unknowns
answers.meanwhile
answers.draws
calibration.occasions
calibration.samples
calibration.stretches
calibration.observations
calibration.problem
calibration.posing
calibration.noise
calibration.fitting
calibration.ridges
calibration.results
calibration.calibrating
answers.said_done
answers.closeness
answers.compare
answers.frontier
answers.same_car
answers.near_best
answers.shortlist
answers.meet
answers.meet_worlds
answers.meet_runs
answers.odds
answers.contenders
answers.doubt
answers.bench_tests
answers.measure_next
answers.trailers
answers.bring
answers.price_limit
answers.brings_in
answers.close_price
answers.first_place
answers.kept_out
answers.why_not
answers.plausibility
answers.result_doubts
answers.power_in_air
answers.stage_bills
answers.partial_builds
answers.buying_order
answers.offers_at_hand
answers.offers
answers.day_air
answers.marks
answers.set_ups
answers.morning_records
answers.morning_card
answers.seller
answers.purchase_note

recheck.ruling
recheck.spending
recheck.reading
recheck.choices
recheck.completing
recheck.costing
recheck.asking
recheck.striking
recheck.rounds
recheck.screening
recheck.groups
recheck.listing
recheck.evidence
recheck.certifying
recheck.walking
recheck.halves
recheck.checking
recheck.telling

pipeline
questions
chance_questions
papers
decision
surface
frames

report.width
report.tables
report.wording
report.calibration
report.checking
report.prediction
report.terminal
report.documents
report.questions
report.stages
report.offers
report.question_documents
report.odds
report.before_buying
report.calibration_documents
report.morning_card
report.card_page
report.sheets
report.purchase_note

report.page.charts
report.page.words
report.page.figures
report.page.section
report.page.run_figures
report.page.choice_figures
report.page.chance_figures
report.page.choice_sections
report.page.car_sections
report.page.sections
report.page.whole
report.page.single

console
sitting
page_command
question_commands
chance_commands
calibration_commands
paper_commands
cli
"""
ORDER = [line for line in LIST.splitlines() if line]


def module_of(file: Path) -> str:
    """Name of a module below the package: ``search.ranking``."""
    return ".".join(file.relative_to(PACKAGE).with_suffix("").parts)


def modules() -> list[str]:
    return sorted(module_of(file) for file in PACKAGE.rglob("*.py") if file.name != "__init__.py")


def imports_of(file: Path, known: set[str]) -> set[str]:
    """Modules of the package that a file imports, wherever in it the import stands."""
    found = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file.name} line {node.lineno}: write imports out in full"
            whole = [f"{node.module}.{alias.name}" for alias in node.names]
            names = [name if name.removeprefix("optimizer.") in known else str(node.module) for name in whole]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        found |= {name.removeprefix("optimizer.") for name in names if name.startswith("optimizer.")}
    return found


def test_every_module_has_a_place_in_the_order():
    assert sorted(ORDER) == modules()


@pytest.mark.parametrize("module", modules())
def test_imports_point_upward(module):
    place = {name: position for position, name in enumerate(ORDER)}
    file = PACKAGE / (module.replace(".", "/") + ".py")
    below = [name for name in imports_of(file, set(ORDER)) if place.get(name, len(ORDER)) >= place[module]]
    assert not below, f"{module} imports {', '.join(sorted(below))}, which do not stand above it"


def test_packages_only_introduce_themselves():
    for file in PACKAGE.rglob("*/__init__.py"):
        statements = ast.parse(file.read_text(encoding="utf-8")).body
        busy = [type(node).__name__ for node in statements if not isinstance(node, ast.Expr | ast.Assign)]
        assert not busy, f"{file.relative_to(PACKAGE)} holds {', '.join(busy)}: give it a module of its own"


def test_the_package_itself_only_hands_on_its_surface():
    """Whatever it offers comes from one module, or is one: nothing is made in it."""
    found = imports_of(PACKAGE / "__init__.py", set(ORDER))
    assert found == {"surface", "errors", "frames"}


def test_nothing_that_takes_long_to_load_is_loaded_before_it_is_needed():
    """Commands and their workers start without scipy, workbooks and frames; what needs them imports them itself."""
    needing = {"search.selection", "search.selection_bounds", "frames"}
    names = ", ".join(f"optimizer.{module}" for module in ORDER if module not in needing)
    look = f"import sys, {names}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True)  # noqa: S603
    loaded = set(done.stdout.split())

    assert "optimizer.cli" in loaded
    assert not {"scipy", "openpyxl", "pandas"} & loaded


def test_an_import_is_seen_wherever_it_stands(tmp_path):
    file = tmp_path / "some.py"
    file.write_text(
        "from optimizer import units\n"
        "from optimizer.physics import air\n"
        "import optimizer.errors\n"
        "def late():\n"
        "    from optimizer.search.solver import solve\n"
        "import numpy\n"
    )
    assert imports_of(file, set(ORDER)) == {"units", "physics.air", "errors", "search.solver"}
