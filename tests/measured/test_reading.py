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
from optimizer.measured.reading import read_folder, read_measurements, read_runs, read_with_runs
from optimizer.recheck.evidence import hash_of
from optimizer.scenario.reading import read_scenario
from tests.choice.records import make_scenario
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


def test_all_faults_of_slips_come_together(tmp_path):
    """Of header and cells, of the row and of the car, of rows that are faulty already."""
    found = faults(
        tmp_path,
        "date,speed [mph],rpm,gear,mass [lb],salt,parts,mile 1\n"
        "soon,fast,19200,9,9000,slush,T99,67\n"
        "2027-09-18,104,,,,,,67,1\n"
        "2027-09-18,104,,,,,,67,2\n"
        "2027-09-18,,,,,,,\n"
        "2027-09-18,300,,,,,,\n",
    )
    assert [(each.row, each.column, each.typed) for each in found] == [
        (1, "mile 1", ""),
        (2, "date", "soon"), (2, "gear", "9"), (2, "mass [lb]", "9000"), (2, "parts", "T99"), (2, "rpm", "19200"),
        (2, "salt", "slush"), (2, "speed [mph]", "fast"),
        (3, "cell 9", "1"), (4, "cell 9", "2"),
        (5, "speed [mph]", ""),
        (6, "speed [mph]", "300"),
    ]  # fmt: skip


def test_faults_of_the_lines_above_a_log_come_with_those_of_its_cells(tmp_path):
    """Header without unit, cells that cannot be read, salt and parts nobody knows."""
    coast = "salt: slush\nparts: T99\ntime,speed,rpm,direction\n0,60,many,out\n1,fast,900,up\n"
    found = faults(tmp_path, coast)
    assert [(each.row, each.column, each.typed) for each in found] == [
        (1, "salt", "slush"), (2, "parts", "T99"),
        (3, "speed", ""), (4, "rpm", "many"), (5, "direction", "up"), (5, "speed", "fast"),
    ]  # fmt: skip
    dyno = faults(tmp_path, "salt: slush\nrpm,torque [N m]\n3000,90\n4000,ninety\n5000,90\n")
    assert [(each.row, each.column) for each in dyno] == [(1, "salt"), (4, "torque [N m]")]
    chalk = faults(tmp_path, "salt: slush\ntire,roll-out,turns\nT99,69.4,none\n")
    assert [(each.row, each.column) for each in chalk] == [(1, "salt"), (2, "roll-out"), (3, "tire"), (3, "turns")]


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


def slips_faults(folder, text):
    """Faults of a folder's own slips, as shown."""
    write(folder, text, "runs.csv")
    with pytest.raises(ScenarioError) as refused:
        read_runs(replace(demo(), folder=str(folder)))
    return [str(each) for each in refused.value.faults]


def test_columns_that_nobody_knows_are_refused_as_in_sheets_of_parts(tmp_path):
    """A wind that is not read is a run in still air. Files of others may have columns of their own."""
    text = "speed [mph],rpm,wnd from,driver,\n104,4750,300,Jo,\n103,4700,,,x\n"
    assert slips_faults(tmp_path, text) == [
        "runs.csv row 1, driver: is not a column of the sheet runs",
        "runs.csv row 1, wnd from: is not a column of the sheet runs; did you mean wind from?",
        "runs.csv row 3, cell 5: 'x' stands in a column without a name",
    ]
    assert read(tmp_path, text).notices == (
        f"{tmp_path / 'log.csv'}: nothing was done with the columns wnd from, driver",
    )


NO_DATE = "must be a date, year-month-day, such as 2027-09-18; anything else may stand in note"


def test_slips_without_a_speed_say_so_beside_all_else(tmp_path):
    """Whatever their header lacks, they are slips."""
    assert slips_faults(tmp_path, "# mine\ndate,salt,sped [mph]\nsoon,slush,104\n") == [
        "runs.csv row 2, sped [mph]: is not a column of the sheet runs; did you mean speed?",
        "runs.csv row 2, speed: is needed in a table of the kind timing slips",
        f"runs.csv row 3, date: 'soon' {NO_DATE}",
        "runs.csv row 3, salt: 'slush' is not one of the event's conditions: firm, ordinary, soft, shutdown",
    ]
    (found,) = slips_faults(tmp_path, "apples,pears\n1,2\n")
    assert found.startswith("runs.csv row 1: 'apples, pears' no row names the columns of a measurement")


def test_faults_of_slips_stand_beside_those_of_the_sheets(tmp_path):
    """As far as they can be seen without the car: what is no part of it cannot."""
    folder = shutil.copytree(DEMO, tmp_path / "demo")
    tires = (folder / "tires.csv").read_text("utf-8")
    write(folder, tires.replace("165/65R14", "165/65 rund", 1), "tires.csv")
    event = (folder / "event.toml").read_text("utf-8")
    assert 'speed_unit = "mph"' in event
    write(folder, event.replace('speed_unit = "mph"', 'speed_unit = "km/h"'), "event.toml")
    write(folder, "date,speed,salt\nsoon,104,slush\n", "runs.csv")
    log = write(tmp_path, f"time,speed [mph],rpm\n{RUN.replace(',4800', ',many')}\n", "log.csv")
    mark = write(tmp_path, "tire,roll-out [in],turns\nT99,69,none\n", "chalk.csv")

    with pytest.raises(ScenarioError) as refused:
        read_folder(folder, [log, mark])

    found = {(fault.file.split("/")[-1], fault.row, fault.column): fault.expected for fault in refused.value.faults}
    assert [key for key in found if key[0] != "tires.csv"] == [
        ("chalk.csv", 2, "turns"), ("log.csv", 21, "rpm"), ("runs.csv", 1, "speed"), ("runs.csv", 2, "date"),
    ]  # fmt: skip
    assert found["runs.csv", 1, "speed"].endswith("such as speed [km/h]")
    assert [key[2] for key in found if key[0] == "tires.csv"] == ["size"]
    with pytest.raises(ScenarioError, match="is not a folder"):
        read_folder(tmp_path / "nowhere", [log])


def test_files_and_slips_of_the_folder_are_read_together(tmp_path):
    """Files first; faults of both in one report, the second sheet of slips among them."""
    here = replace(demo(), folder=str(tmp_path))
    write(tmp_path, "speed [mph]\n104\n", "runs.csv")
    other = write(tmp_path, "speed [mph]\n103\n", "slips.csv")
    assert [run.day.file for run in read_with_runs(here, [other]).runs] == ["slips.csv", "runs.csv"]
    write(tmp_path, "speed [mph]\nfast\n", "runs.csv")
    write(tmp_path, "speed [mph]\nslow\n", "slips.csv")
    openpyxl.Workbook().save(tmp_path / "runs.xlsx")
    with pytest.raises(ScenarioError) as refused:
        read_with_runs(here, [other])
    shown = sorted(str(each).replace(f"{tmp_path}/", "") for each in refused.value.faults)
    assert shown == [
        "runs.csv row 2, speed [mph]: 'fast' must be a number, such as 12.5 or 1,250 or 1/4",
        "runs.csv: the sheet runs is there more than once: runs.csv and runs.xlsx; keep one",
        "runs.xlsx: is empty",
        "slips.csv row 2, speed [mph]: 'slow' must be a number, such as 12.5 or 1,250 or 1/4",
    ]


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


def test_a_scenario_that_was_made_has_no_slips(tmp_path, monkeypatch):
    """It has no folder: what lies in the one that the program was started in is none of its business."""
    (tmp_path / "runs.csv").write_text("speed [mph]\n104\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    made = make_scenario()
    assert made.folder == ""
    assert read_runs(made).runs == ()
    assert len(read_runs(replace(made, folder=".")).runs) == 1
