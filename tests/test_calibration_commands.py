"""calibrate and runs on the command line: a file beside the crew's own, and one sentence about the last run."""

import contextlib
import io
import json
import shutil
from functools import cache
from pathlib import Path

import pytest

from optimizer import cli
from optimizer.calibration_commands import files_once
from optimizer.errors import ScenarioError
from optimizer.report.wording import CAUTION, UNCHECKED
from optimizer.scenario.calibration_file import FILE
from optimizer.scenario.reading import read_scenario
from tests.scenes import DEMO, STARTER
from tests.test_cli import FORBIDDEN

SLIPS = """date,run,direction,speed [mph],wind [mph],wind from,air temperature [F],station pressure [inHg],humidity [%]
2030-09-01,1,out,{first},3,200,75,26.1,20
2030-09-01,2,back,{second},3,200,75,26.1,20
"""


@pytest.fixture
def ask(capsys):
    def run(*arguments):
        capsys.readouterr()
        code = cli.run([str(each) for each in arguments])
        out, err = capsys.readouterr()
        assert code == 0, err
        return out

    return run


def flat(text):
    return " ".join(text.split())


@pytest.fixture(scope="module")
def untouched(tmp_path_factory):
    """The starter with two runs, timed some miles slower than the model says; no test writes to it."""
    here = shutil.copytree(STARTER, tmp_path_factory.mktemp("untouched") / "mine")
    (here / "runs.csv").write_text(SLIPS.format(first=90.0, second=89.0), "utf-8")
    return here


@pytest.fixture(scope="module")
def told(untouched):
    """What commands say about that folder, each asked once for all tests."""

    @cache
    def run(command, *more):
        with contextlib.redirect_stdout(io.StringIO()) as out:
            assert cli.run([command, str(untouched), *more]) == 0
        return out.getvalue()

    return run


@pytest.fixture(scope="module")
def once_calibrated(untouched, tmp_path_factory):
    """The same after calibrate, for tests to begin with a copy of."""
    here = shutil.copytree(untouched, tmp_path_factory.mktemp("calibrated") / "mine")
    with contextlib.redirect_stdout(io.StringIO()):
        assert cli.run(["calibrate", str(here)]) == 0
    return here


@pytest.fixture
def folder(untouched, tmp_path):
    """The starter with the two runs, of a test's own."""
    return shutil.copytree(untouched, tmp_path / "mine")


@pytest.fixture
def calibrated(once_calibrated, tmp_path):
    """The starter with the two runs, calibrated, of a test's own."""
    return shutil.copytree(once_calibrated, tmp_path / "mine")


def crews_own(folder):
    return {each.name: each.read_bytes() for each in sorted(folder.iterdir()) if each.is_file() and each.name != FILE}


def test_calibrate_writes_beside_the_crews_own_files(ask, told, folder):
    """Its file is used from then on; the same data give the same bytes; the crew's files stay as they are."""
    before = crews_own(folder)
    stated = json.loads(told("predict", "--json"))
    text = ask("calibrate", folder)
    first = (folder / FILE).read_bytes()
    assert crews_own(folder) == before
    assert read_scenario(folder).calibration is not None
    calibrated = json.loads(ask("predict", folder, "--json"))
    gaps = [abs(each["said_against_done"]["difference_mph"]) for each in (stated, calibrated)]
    assert gaps[1] < 0.8 * gaps[0]
    assert calibrated["said_against_done"]["estimated_from_this_run_too"] is True
    ask("calibrate", folder)
    assert (folder / FILE).read_bytes() == first
    assert not FORBIDDEN.search(text)
    assert max(len(line) for line in text.splitlines() if str(folder) not in line) <= 80
    assert CAUTION[0].split(". ")[0] in flat(text)


def test_a_dry_run_writes_nothing(told, untouched):
    """It says what it would."""
    text = flat(told("calibrate", "--dry-run"))
    assert not (untouched / FILE).exists()
    assert "Nothing was written" in text
    assert "only what they come to together" in text


def test_no_file_counts_twice(folder, monkeypatch):
    """Naming runs.csv, which is used anyhow, or a file twice, changes nothing."""
    monkeypatch.chdir(folder)
    named = (Path("runs.csv"), folder / "coast.csv", Path("coast.csv"), folder / "other" / ".." / "log.csv")
    assert [each.name for each in files_once(folder, named)] == ["coast.csv", "log.csv"]


def test_calibrate_as_a_document(told):
    """Estimates with deviations, correlation, ridges, tests, residuals; one document."""
    document = json.loads(told("calibrate", "--dry-run", "--json"))
    assert document["answer"] == "calibrate"
    assert document["written"] is False
    assert document["sources"] == ["runs.csv"]
    size = len(document["correlation"]["keys"])
    assert [len(row) for row in document["correlation"]["rows"]] == [size] * size
    for each in document["estimates"]:
        assert 0 < each["deviation"] <= each["stated_deviation"] * 1.001
    ridge = document["not_told_apart"][0]
    assert len(ridge["members"]) > 1
    assert ridge["test"] in {each["name"] for each in document["tests_not_made"]}
    assert [each["row"] for each in document["residuals"]] == [2, 3]


def test_answers_open_with_the_last_run(told):
    """Said, timed, difference, and what is most likely wrong: in rank, predict and runs; in the documents too."""
    for command in ("predict", "runs"):
        text = flat(told(command))
        assert "Said against done: in the last run timed (run 2, 2030-09-01" in text
        assert "slower than said" in text
        assert "Most likely wrong: " in text
        assert UNCHECKED not in text
    document = json.loads(told("rank", "--json"))
    assert document["checked_against_this_car"] is True
    found = document["said_against_done"]
    assert found["timed_mph"] == pytest.approx(89.0)
    assert found["difference_mph"] == pytest.approx(89.0 - found["said_mph"], abs=2e-4)
    assert found["most_likely_wrong"]


def test_the_log_of_runs(told):
    """Each run against what was known before it: the second is said closer than the first."""
    document = json.loads(told("runs", "--json"))
    first, second = document["runs"]
    assert (first["run"], second["run"]) == ("run 1, 2030-09-01", "run 2, 2030-09-01") or first["date"] == "2030-09-01"
    assert abs(second["difference_mph"]) < abs(first["difference_mph"])
    assert second["said_deviation_mph"] < first["said_deviation_mph"]
    assert document["said_against_done"]["row"] == 3
    text = flat(told("runs"))
    assert "Every run against what was known before it" in text
    assert not FORBIDDEN.search(text)


def test_without_runs_nothing_was_checked(ask, tmp_path, capsys):
    """runs says so; calibrate says what to bring."""
    here = shutil.copytree(STARTER, tmp_path / "mine")
    assert UNCHECKED in flat(ask("runs", here))
    assert cli.run(["calibrate", str(here)]) == 2
    assert "nothing to calibrate with" in capsys.readouterr().err


def test_a_faulty_sheet_of_runs_is_refused_with_its_row(folder, capsys):
    """Every answer needs it, so every answer refuses it; exit code 3."""
    (folder / "runs.csv").write_text("run,speed [mph]\n1,fast\n", "utf-8")
    for command in ("predict", "runs", "calibrate"):
        assert cli.run([command, str(folder)]) == 3
        assert "runs.csv row 2" in capsys.readouterr().err


def test_stated_values_that_changed_ask_for_a_new_calibration(ask, calibrated):
    """Who weighs the car anew calibrates anew; calibrate itself still reads the folder."""
    folder = calibrated
    text = (folder / "car.toml").read_text("utf-8")
    keys = [each.key for each in read_scenario(folder).calibration.estimates]
    assert "car::drag_area_m2" in keys
    line = next(each for each in text.splitlines() if each.startswith("drag_area ="))
    other = 'drag_area = { value = "6.66 ft2", basis = "assumed", by = "me" }'
    (folder / "car.toml").write_text(text.replace(line, other), "utf-8")
    with pytest.raises(ScenarioError, match="run calibrate again"):
        read_scenario(folder)
    ask("calibrate", folder)
    assert read_scenario(folder).calibration.of("car::drag_area_m2").stated == pytest.approx(6.66 * 0.3048**2)


@pytest.mark.slow
def test_the_demo_finds_what_its_car_really_is(ask, tmp_path):
    """From its logs, as a crew would have them: drag area, power, roll-out and rolling within 2.5 deviations."""
    from tests.demo_logs import TRUTH  # noqa: PLC0415

    here = shutil.copytree(DEMO, tmp_path / "demo")
    document = json.loads(ask("calibrate", here, *sorted((here / "logs").iterdir()), "--json"))
    found = {each["key"]: each for each in document["estimates"]}
    truth = {
        "car::drag_area_m2": TRUTH.drag_area,
        "part:E01:curve": TRUTH.power,
        "part:T12:circumference_m": TRUTH.circumference,
        "salt:ordinary:rolling_coefficient": TRUTH.rolling_coefficient / 0.028,
    }
    for key, factor in truth.items():
        each = found[key]
        assert each["basis"] == "measured"
        assert abs(each["value"] - factor * each["stated"]) < 2.5 * each["deviation"], key
    assumed = {(each.where.split(", ")[-1], each.target) for each in read_scenario(here).assumptions}
    assert ("Wrenlet 1400 two-door", "drag_area_m2") not in assumed
    assert ("ordinary", "rolling_coefficient") not in assumed
    assert ("firm", "rolling_coefficient") in assumed
    assert ("Wrenlet 1400 two-door", "cg_height_m") in assumed


def test_a_run_made_after_the_calibration_is_not_taken_for_one_that_went_into_it(ask, calibrated):
    """Only what the estimates were made from is called so; a line more on the sheet is not, until calibrated again."""
    said = "estimated from this run too"

    def used():
        return json.loads(ask("runs", calibrated, "--json"))["said_against_done"]["estimated_from_this_run_too"]

    assert used()
    sheet = (calibrated / "runs.csv").read_text("utf-8")
    (calibrated / "runs.csv").write_text(sheet + "2030-09-02,3,out,88.0,3,200,75,26.1,20\n", "utf-8")
    later = flat(ask("runs", calibrated))
    assert said not in later
    assert "estimated without this run" in later
    assert not used()
    ask("calibrate", calibrated)
    assert said in flat(ask("runs", calibrated))


def test_a_calibration_that_no_longer_fits_is_refused_in_words(calibrated):
    """What was changed since is named as on the bench: no keys of a program."""
    folder = calibrated
    car = (folder / "car.toml").read_text("utf-8")
    before = next(line for line in car.splitlines() if line.startswith("drag_area ="))
    (folder / "car.toml").write_text(car.replace(before, 'drag_area = "7.5 ft2"'), "utf-8")
    with pytest.raises(ScenarioError) as refused:
        read_scenario(folder)
    assert "something else of drag area of the car" in str(refused.value)


def test_two_conditions_of_the_salt_have_a_name_and_a_line_each(ask, folder):
    """Rolling of soft salt is not that of ordinary salt: neither is written over the other."""
    sheet = SLIPS.format(first=90.0, second=76.0).replace("direction", "direction,salt")
    sheet = sheet.replace(",out,", ",out,ordinary,").replace(",back,", ",back,soft,")
    (folder / "runs.csv").write_text(sheet, "utf-8")
    text, found = flat(ask("runs", folder)), json.loads(ask("calibrate", folder, "--json"))
    for condition in ("ordinary", "soft"):
        assert f"rolling coefficient of the salt ({condition}): " in text
    names = [each["what"] for each in found["estimates"]]
    assert len(set(names)) == len(names)


def test_one_file_says_and_several_say(told):
    """Of one file the heading speaks in the singular."""
    assert "what 1 file of measurements says" in told("calibrate", "--dry-run")


def test_a_run_beyond_all_that_is_unknown_sends_to_the_sheet(ask, folder):
    """Half the speed that was said is a slip of the pen or a lifted throttle; no number of the car is blamed for it."""
    (folder / "runs.csv").write_text(SLIPS.format(first=90.0, second=41.0), "utf-8")
    text = flat(ask("runs", folder))
    assert "No number of the car explains so much: look first at runs.csv row 3" in text
    assert "Most likely wrong" not in text


def test_estimates_from_runs_alone_are_told_from_those_in_use(ask, told, calibrated):
    """The log of runs starts from what the files state; where a calibration is in use its values are said to differ."""
    assert "calibration.json" not in told("runs")
    text = flat(ask("runs", calibrated))
    assert "What these runs alone narrow" in text
    assert "Other answers use calibration.json" in text


def test_every_answer_about_speeds_says_that_estimates_are_in_use(ask, calibrated, untouched):
    """Also where no run was timed: estimates of a coast-down are no numbers of the crew's own files."""
    said = "as calibrate estimated from runs.csv (calibration.json), not as your files state"
    for command in (("check",), ("rank", "--quick"), ("predict",), ("card",)):
        assert said in flat(ask(command[0], calibrated, *command[1:])), command
    assert said not in flat(ask("predict", untouched))


def test_what_the_calibration_before_was_made_from_is_missed(ask, folder, tmp_path):
    """A file that is not given again is no longer counted: that is said, not left to be found out."""
    logged = tmp_path / "late.csv"
    logged.write_text(SLIPS.format(first=90.0, second=89.0).replace("2030-09", "2030-08"), "utf-8")
    both_files = ask("calibrate", folder, logged)
    assert "the calibration before" not in flat(both_files)
    again = flat(ask("calibrate", folder))
    assert "late.csv: the calibration before used it, this one does not" in again
    assert "the calibration before" not in flat(ask("calibrate", folder))
