"""The commands about measurements of the car: what they say about it, and what was said against what was done."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from optimizer.console import Progress, common, read, wants_color, write
from optimizer.files import refuse_unwritable, write_whole
from optimizer.scenario.estimates import Calibration
from optimizer.scenario.findings import Findings


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.argument("data", nargs=-1, metavar="[DATA]...", type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="Say what the measurements say, and write nothing.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document instead of text.")
@common
def calibrate(folder: Path, data: tuple[Path, ...], dry_run: bool, as_json: bool) -> None:
    """Estimate the numbers of the car of FOLDER from what was measured, with how well each is known.

    DATA are files of coast-downs, run logs, timing slips, dyno sheets or chalk marks; the runs.csv of FOLDER is always
    used too. It starts from what your files state: the same data give the same estimates. They go into
    calibration.json; your own files stay as they are.
    """
    from optimizer.calibration.calibrating import calibrate as calibrated  # noqa: PLC0415
    from optimizer.measured.reading import read_folder, read_with_runs  # noqa: PLC0415
    from optimizer.report.calibration import calibration_text  # noqa: PLC0415
    from optimizer.report.calibration_documents import calibration_document  # noqa: PLC0415
    from optimizer.report.documents import as_json as dumped  # noqa: PLC0415
    from optimizer.report.wording import Words  # noqa: PLC0415
    from optimizer.scenario import calibration_file  # noqa: PLC0415

    files = files_once(folder, data)
    scenario = read_folder(folder, files, as_stated=True)
    if not dry_run:
        refuse_unwritable(folder / calibration_file.FILE)
    with Progress() as progress:
        progress("reading", 0.1)
        measured = read_with_runs(scenario, files)
        progress("fitting", 0.3)
        found = calibrated(scenario, measured)
    if not dry_run:
        before = calibration_file.read_calibration(folder, Findings())
        found = replace(found, notices=(*found.notices, *_forgotten(before, found.calibration)))
        made = replace(found.calibration, car_sha256=calibration_file.hash_of_car(folder))
        write_whole(folder / calibration_file.FILE, calibration_file.calibration_text(made))
    if as_json:
        write(dumped(calibration_document(found, not dry_run)))
    else:
        written = None if dry_run else str(folder / calibration_file.FILE)
        write(calibration_text(Words(scenario, wants_color()), found, written))


def _forgotten(before: Calibration | None, now: Calibration) -> list[str]:
    """What the calibration before was made from and this one is not, as remarks."""
    return [
        f"{each}: the calibration before used it, this one does not; what it taught is gone until you give it again"
        for each in (() if before is None else before.sources)
        if each not in now.sources
    ]


def files_once(folder: Path, data: tuple[Path, ...]) -> list[Path]:
    """The files to read, each once; the folder's own sheet of runs is read anyhow, and must not count twice."""
    own = {(folder / f"runs{ending}").resolve() for ending in (".csv", ".xlsx")}
    files = {each.resolve(): each for each in data}
    return [each for place, each in files.items() if place not in own]


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON document instead of text.")
@common
def runs(folder: Path, as_json: bool) -> None:
    """Say of every run in the runs.csv of FOLDER what the model said before it, and what was timed."""
    from optimizer.answers.said_done import log_of, said_done  # noqa: PLC0415
    from optimizer.measured.reading import read_runs  # noqa: PLC0415
    from optimizer.report.calibration import runs_text  # noqa: PLC0415
    from optimizer.report.calibration_documents import runs_document  # noqa: PLC0415
    from optimizer.report.documents import as_json as dumped  # noqa: PLC0415
    from optimizer.report.wording import Words  # noqa: PLC0415
    from optimizer.scenario.reading import read_scenario  # noqa: PLC0415

    scenario = read(folder)
    measured = read_runs(scenario)
    with Progress() as progress:
        progress("the last run", 0.1)
        last = said_done(scenario, measured)
        progress("the log of runs", 0.3)
        log = log_of(read_scenario(folder, as_stated=True), measured)
    if as_json:
        write(dumped(runs_document(scenario, log, last, measured.notices)))
    else:
        write(runs_text(Words(scenario, wants_color()), log, last, measured.notices))


COMMANDS = (calibrate, runs)
"""In the order of the help."""
