"""Every kind of file, as plain as it may be; what a file is; faults of all files together; XLSX."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace

import numpy as np
import openpyxl
import pytest

from optimizer.errors import ScenarioError
from optimizer.measured.columns import KINDS
from optimizer.measured.reading import read_measurements, read_runs
from optimizer.recheck.evidence import hash_of
from optimizer.scenario.reading import read_scenario
from tests.measured.crew import COAST, INCH, KMH, MPH, POUND, RUN, demo, fault, faults, read, write
from tests.scenes import DEMO


def test_a_coast_down_is_time_and_falling_speed(tmp_path):
    """From 60 mph, 1.5 mph a second, for 19 seconds."""
    (found,) = read(tmp_path, f"time,speed [mph]\n{COAST}\n").coast_downs
    assert found.time_s.tolist() == list(range(20))
    np.testing.assert_allclose(found.speed_ms, (60 - 1.5 * np.arange(20)) * MPH)
    assert (found.day.file, found.day.name, found.day.row) == ("log.csv", "log.csv", 0)


def test_a_run_log_is_time_and_rising_speed(tmp_path):
    (found,) = read(tmp_path, f"time,speed [mph],rpm\n{RUN}\n").logs
    np.testing.assert_allclose(found.speed_ms, 4 * np.arange(20) * MPH)
    assert found.rpm.tolist() == [1000 + 200 * t for t in range(20)]
    assert found.distance_m is None
    assert found.driven_ms is None


def test_one_line_is_enough_for_a_timing_slip(tmp_path):
    (run,) = read(tmp_path, "speed [mph]\n104.2\n").runs
    assert run.speed_ms == pytest.approx(104.2 * MPH)
    assert (run.rpm, run.gear, run.mile_ms, run.counted) == (None, None, (), True)
    assert run.day.row == 2


def test_a_timing_slip_with_all_there_may_be(tmp_path):
    (run,) = read(
        tmp_path,
        "date,name,parts,salt,direction,speed [mph],mile 1 [mph],mile 2 [mph],rpm,gear,air temperature [F],"
        "station pressure [inHg],humidity [%],wind [mph],wind from,mass [lb],counted,note\n"
        '2027-08-14,2,front tires=T09; F04,ordinary,back,103.2,67,101,"4,700",5,77,26.5,30,4,300,"1,853",no,shook\n',
    ).runs
    day = run.day
    assert (day.date, day.name, day.salt) == ("2027-08-14", "run 2, 2027-08-14", "ordinary")
    assert day.parts == ("front tires=T09", "F04")
    assert (day.bearing_deg, day.other_way) == (None, True)
    assert day.temperature_k == pytest.approx(298.15)
    assert day.pressure_pa == pytest.approx(26.5 * 3386.389, rel=1e-6)
    assert (day.humidity, day.wind_ms, day.wind_from_deg) == (pytest.approx(0.3), pytest.approx(4 * MPH), 300.0)
    assert day.mass_kg == pytest.approx(1853 * POUND)
    assert run.mile_ms == pytest.approx((67 * MPH, 101 * MPH))
    assert (run.rpm, run.gear, run.counted, run.note) == (4700.0, 5, False, "shook")


def test_a_mile_that_was_not_timed_is_a_gap(tmp_path):
    (run,) = read(tmp_path, "speed [mph],mile 1 [mph],mile 2 [mph],mile 3 [mph]\n104,,100,\n").runs
    assert math.isnan(run.mile_ms[0])
    assert run.mile_ms[1:] == pytest.approx((100 * MPH,))


def test_the_engine_of_a_dyno_sheet_is_the_fitted_one_or_named(tmp_path):
    """50 hp at 5252 rpm are 50 lb-ft."""
    text = "rpm,power [hp]\n4000,40\n5252.113,50\n6000,52\n"
    (found,) = read(tmp_path, text).dyno
    assert found.engine == "E01"
    assert found.torque_nm[1] == pytest.approx(50 * 1.3558179, rel=1e-6)
    (other,) = read(tmp_path, f"engine, E02\n{text}").dyno
    assert other.engine == "E02"


def test_the_mean_of_pulls_under_each_other(tmp_path):
    """Pulls of 100 and 104 N m; where revs fall back the next one begins."""
    text = "rpm,torque [N m]\n3000,100\n4000,100\n5000,100\n3000,104\n4000,104\n5000,104\n"
    (found,) = read(tmp_path, text).dyno
    assert found.repeat == 2
    assert found.torque_nm.tolist() == [102.0, 102.0, 102.0]


def test_pulls_at_other_revs_are_averaged_where_both_are(tmp_path):
    """One from 3,000 to 5,000 rpm with 100 N m, one from 3,500 with a torque that rises through 100 N m at 4,000."""
    text = (
        "pull,rpm,torque [N m]\na,3000,100\na,4000,100\na,5000,100\n"
        "b,3500,90\nb,3800,96\nb,4200,104\nb,5200,124\n"
    )
    (found,) = read(tmp_path, text).dyno
    assert found.rpm.tolist() == [4000.0, 5000.0]
    assert found.torque_nm == pytest.approx([100.0, (100 + 120) / 2])


def test_a_chalk_mark_over_one_turn_or_many(tmp_path):
    marks = read(tmp_path, "tire,roll-out [in],turns\nT12,69.4,1\nT12,347,5\n").chalk
    assert [mark.circumference_m for mark in marks] == pytest.approx([69.4 * INCH, 69.4 * INCH])
    assert [mark.turns for mark in marks] == [1, 5]
    (mark,) = read(tmp_path, "tire,distance [m],turns\nT12,8.81,5\n").chalk
    assert mark.circumference_m == pytest.approx(1.762)


def test_a_length_over_all_turns_in_place_of_one_is_said(tmp_path):
    found = read(tmp_path, "tire,roll-out [in],turns\nT12,347,5\n")
    assert any("347 was taken as the length of all 5 turns" in notice for notice in found.notices)


# --- what a file is


def test_a_run_log_may_end_with_the_car_rolling_out(tmp_path):
    """Revs tell that it is a log; what comes after the fastest moment is no part of the run."""
    out = "\n".join(f"{t},{76 - 2 * (t - 19):g},900" for t in range(20, 40))
    (found,) = (found := read(tmp_path, f"time,speed [mph],rpm\n{RUN}\n{out}\n")).logs
    assert found.time_s[-1] == 19


def test_rising_and_falling_speed_without_more_must_be_named(tmp_path):
    rows = "\n".join(f"{t},{60 - abs(60 - 4 * t):g}" for t in range(30))
    assert fault(tmp_path, f"time,speed [mph]\n{rows}\n") == (
        "log.csv row 1, speed [mph]: rises and falls: add a line above the table, kind: coast-down or kind: run log"
    )
    named = f"kind, coast-down\ntime,speed [mph]\n{rows}\n"
    (coast,) = read(tmp_path, named).coast_downs
    assert coast.speed_ms.max() == pytest.approx(60 * MPH, abs=0.6)
    assert coast.time_s[0] in (15.0, 16.0)
    (log,) = read(tmp_path, named.replace("coast-down", "run log")).logs
    assert log.time_s[-1] == 15.0


def test_revs_speed_and_torque_over_time_may_be_two_things(tmp_path):
    rows = "".join(f"{t},{5 * t},{2000 + 300 * t},100\n" for t in range(10))
    text = f"time,speed [mph],rpm,torque [N m]\n{rows}"
    assert "may be of a run log or a dyno sheet: say which" in fault(tmp_path, text)
    assert len(read(tmp_path, f"kind: run log\n{text}").logs) == 1
    assert len(read(tmp_path, f"kind: dyno sheet\n{text}").dyno) == 1


def test_a_kind_without_its_columns_is_refused(tmp_path):
    assert [str(each) for each in faults(tmp_path, f"kind: dyno\ntime,speed [mph]\n{COAST}\n")] == [
        "log.csv row 2, rpm: is needed in a table of the kind dyno sheet",
        "log.csv row 2, torque or power: is needed in a table of the kind dyno sheet",
    ]
    assert "must be one of coast-down, run log" in fault(tmp_path, f"kind: tow\ntime,speed [mph]\n{COAST}\n")


def test_a_file_without_known_columns_says_what_is_expected(tmp_path):
    found = fault(tmp_path, "apples,pears\n1,2\n")
    assert found.startswith("log.csv row 1: 'apples, pears' no row names the columns of a measurement: time and speed")


# --- files together


def test_faults_of_all_files_come_together(tmp_path):
    files = [
        write(tmp_path, "speed [mph]\nfast\n", "a.csv"),
        write(tmp_path, "tire,roll-out [in]\nT99,69\n", "b.csv"),
        tmp_path / "c.csv",
        write(tmp_path, "", "d.csv"),
        write(tmp_path, "x", "e.pdf"),
    ]
    with pytest.raises(ScenarioError) as refused:
        read_measurements(demo(), files)
    shown = [str(each).replace(f"{tmp_path}/", "") for each in refused.value.faults]
    assert shown == [
        "a.csv row 2, speed [mph]: 'fast' must be a number, such as 12.5 or 1,250 or 1/4",
        "b.csv row 2, tire: 'T99' is no tire of the sheets; did you mean T39?",
        "c.csv: is not a file",
        "d.csv: is empty",
        "e.pdf: cannot be read in this format; save it as .csv or .xlsx",
    ]


def test_measurements_stand_in_the_order_of_the_files(tmp_path):
    files = [write(tmp_path, f"speed [mph]\n{speed}\n", f"{name}.csv") for name, speed in (("z", 101), ("a", 102))]
    found = read_measurements(demo(), files)
    assert [run.day.file for run in found.runs] == ["z.csv", "a.csv"]
    assert len(found) == 2


def test_a_workbook_is_read_tab_by_tab(tmp_path):
    book = openpyxl.Workbook()
    book.active.title = "slips"
    for row in (["speed [mph]", "date"], [104.5, "2027-09-18"]):
        book.active.append(row)
    coast = book.create_sheet("coast")
    for row in (["salt", "ordinary"], [], ["time", "speed"], ["s", "km/h"], *([t, 90 - 3 * t] for t in range(12))):
        coast.append(row)
    book.save(tmp_path / "all.xlsx")
    found = read_measurements(demo(), [tmp_path / "all.xlsx"])
    assert found.runs[0].speed_ms == pytest.approx(104.5 * MPH)
    assert found.coast_downs[0].speed_ms[0] == pytest.approx(90 * KMH)
    assert found.coast_downs[0].day.salt == "ordinary"


def test_every_column_of_a_slip_is_in_the_demos_guide():
    guide = (DEMO / "README.md").read_text(encoding="utf-8").split("## runs.csv")[1].split("## logs")[0]
    for name in KINDS["timing slips"].columns - {f"mile {n}" for n in range(2, 9)} - {"name"}:
        assert f"`{name}`" in guide, name
    assert "`run`" in guide


# --- the folder's own slips


def test_a_folder_without_slips_has_none(tmp_path):
    assert len(read_runs(replace(demo(), folder=str(tmp_path)))) == 0


def test_slips_of_the_folder_are_read_by_name(tmp_path):
    """A column of times of day does not make a log of them."""
    write(tmp_path, "time,speed [mph]\n10:12,104\n11:40,103\n", "runs.csv")
    found = read_runs(replace(demo(), folder=str(tmp_path)))
    assert [run.speed_ms for run in found.runs] == pytest.approx([104 * MPH, 103 * MPH])
    assert found.notices == ("runs.csv: nothing was done with the column time",)


def test_a_sheet_of_slips_may_wait_for_its_first_run(tmp_path):
    write(tmp_path, "# nothing yet\nspeed [mph],note\n", "runs.csv")
    assert len(read_runs(replace(demo(), folder=str(tmp_path)))) == 0
    assert "has a header but no rows below it" in fault(tmp_path, "speed [mph],note\n")


def test_slips_may_be_a_tab_of_the_workbook_of_parts(tmp_path):
    """Like every sheet; other tabs are none of it."""
    book = openpyxl.Workbook()
    book.active.title = "tires"
    book.active.append(["id", "size"])
    runs = book.create_sheet("Runs")
    runs.append(["speed [mph]"])
    runs.append([104])
    book.save(tmp_path / "parts.xlsx")
    (run,) = read_runs(replace(demo(), folder=str(tmp_path))).runs
    assert run.speed_ms == pytest.approx(104 * MPH)
    write(tmp_path, "speed [mph]\n103\n", "Runs.csv")
    with pytest.raises(ScenarioError, match=r"more than once: Runs\.csv and parts\.xlsx"):
        read_runs(replace(demo(), folder=str(tmp_path)))


def test_two_sheets_of_slips_are_one_too_many(tmp_path):
    write(tmp_path, "speed [mph]\n104\n", "runs.csv")
    book = openpyxl.Workbook()
    book.active.append(["speed [mph]"])
    book.active.append([104])
    book.save(tmp_path / "runs.xlsx")
    with pytest.raises(ScenarioError, match=r"there more than once: runs\.csv and runs\.xlsx"):
        read_runs(replace(demo(), folder=str(tmp_path)))


def test_slips_are_neither_strangers_nor_input_of_a_ranking(tmp_path):
    """No remark on a sheet that was not read, and evidence stays good when a run is added."""
    shutil.copytree(DEMO, tmp_path / "demo")
    before = hash_of(tmp_path / "demo")
    write(tmp_path / "demo", "speed [mph]\n104\n", "runs.csv")
    assert read_scenario(tmp_path / "demo").notices == ()
    assert hash_of(tmp_path / "demo") == before
    write(tmp_path / "demo", "id\n", "rungs.csv")
    assert hash_of(tmp_path / "demo") != before
