"""What no car does: the wrong unit, revs that burst engines, time in another unit, a coast-down that speeds up."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.measured.coasts import legs
from tests.measured.crew import RUN, fault, faults, read


def coast_rows(step_s=1.0, samples=20, per_step=1.5, start=60.0):
    return "\n".join(f"{step_s * t:g},{start - per_step * t:g}" for t in range(samples))


def test_a_coast_down_that_speeds_up_is_refused(tmp_path):
    text = "kind: coast-down\ntime,speed [mph]\n" + "\n".join(f"{t},{20 + 2 * t}" for t in range(20))
    assert fault(tmp_path, text) == (
        "log.csv row 2, speed [mph]: rises from 20 mph to 58 mph: in a coast-down the car slows down"
    )


@pytest.mark.parametrize(
    "rows",
    [coast_rows(samples=7), coast_rows(per_step=0.4), coast_rows(samples=1)],
    ids=["few samples", "hardly any fall", "one sample"],
)
def test_a_coast_down_needs_samples_and_a_fall_of_speed(tmp_path, rows):
    """Seven samples are one too few; 19 x 0.4 = 7.6 mph are less than 9."""
    assert fault(tmp_path, f"time,speed [mph]\n{rows}\n") == (
        "log.csv row 1, speed [mph]: holds no coast-down: it takes at least 8 samples in which speed falls by 8.9 mph "
        "or more"
    )


def test_just_enough_of_a_coast_down_is_read(tmp_path):
    found = read(tmp_path, f"time,speed [mph]\n{coast_rows(samples=8)}\n").coast_downs
    assert len(found[0].time_s) == 8


@pytest.mark.parametrize(
    ("step_s", "says"), [(1000.0, "less than any car does on flat ground"), (1 / 60, "harder than any car does")]
)
def test_time_in_another_unit_is_refused(tmp_path, step_s, says):
    """1.5 mph a second is 0.07 g; in milliseconds it would be a thousandth, in minutes sixty times that."""
    found = fault(tmp_path, f"time,speed [mph]\n{coast_rows(step_s=step_s)}\n")
    assert says in found
    assert found.endswith("is the time in another unit?")


def test_a_run_in_milliseconds_is_refused(tmp_path):
    rows = "\n".join(f"{1000 * t},{4 * t},{1000 + 200 * t}" for t in range(20))
    assert "is the time in another unit?" in fault(tmp_path, f"time,speed [mph],rpm\n{rows}\n")


def test_a_speed_beyond_all_gears_is_refused(tmp_path):
    """7,300 rpm, the tallest tire over the tallest gears: a little over 250 mph; no small car saw 300."""
    found = fault(tmp_path, "speed [mph]\n300\n")
    assert found.startswith("log.csv row 2, speed [mph]: '300' is faster than the tallest gears of the sheets go")
    assert found.endswith("is it in another unit?")
    rows = coast_rows(start=320.0, per_step=2)
    assert fault(tmp_path, f"time,speed [mph]\n{rows}\n").startswith("log.csv row 2, speed [mph]: '320' is faster")


def test_a_speed_far_from_the_record_is_remarked_on(tmp_path):
    """167 km/h under mph: 46 % over the record of 114.386 mph; 104 mph under km/h: 65 mph."""
    for text, says in (("speed [mph]\n167\n", "far above"), ("speed [km/h]\n104\n", "far below")):
        (notice,) = read(tmp_path, text).notices
        assert f"is {says} the record of the class, 114 mph; is the unit right?" in notice
    (notice,) = read(tmp_path, f"time,speed [mph]\n{coast_rows(start=170)}\n").notices
    assert "row 2: 170 mph is far above the record of the class" in notice
    assert read(tmp_path, "speed [mph],counted\n60,no\n").notices == ()


@pytest.mark.parametrize("typed", ["0", "-4", "500"])
def test_a_speed_that_no_clock_times_is_refused_with_the_range(tmp_path, typed):
    """A slip is of a car that goes: even a little below 0, as a sensor at rest reads, is no timed speed."""
    assert fault(tmp_path, f"speed [mph],rpm,gear\n{typed},4750,5\n") == (
        f"log.csv row 2, speed [mph]: '{typed}' must be at least 11.2 mph and at most 447 mph"
    )


def test_a_sensor_at_rest_may_read_a_little_below_zero(tmp_path):
    """Up to 2 m/s, 4.47 mph; the message says the range of a speed all the same."""
    rows = f"{coast_rows(samples=40)}\n"
    assert len(read(tmp_path, f"time,speed [mph]\n{rows}40,-4.4\n").coast_downs) == 1
    assert fault(tmp_path, f"time,speed [mph]\n{rows}40,-4.5\n") == (
        "log.csv row 42, speed [mph]: '-4.5' must be at least 0 and at most 447 mph"
    )


def test_revs_beyond_twice_the_limit_are_refused(tmp_path):
    """No engine of the demo may turn more than 7,200 rpm."""
    text = "time,speed [mph],rpm\n" + RUN.replace(",4800", ",19200")
    assert "row 21, rpm: '19200' is more than twice the rev limit" in fault(tmp_path, text)
    assert "'19200' is more than twice" in fault(tmp_path, "speed [mph],rpm\n104,19200\n")
    assert "'19200' is more than twice" in fault(tmp_path, "rpm,torque [N m]\n3000,90\n4000,95\n19200,90\n")


def test_revs_that_do_not_go_with_speed_and_gear_are_remarked_on(tmp_path):
    """4,750 rpm in fourth turn the wheels at about 72 mph: it was fifth."""
    assert read(tmp_path, "speed [mph],rpm,gear\n104,4750,5\n").notices == ()
    (notice,) = read(tmp_path, "speed [mph],rpm,gear\n104,4750,4\n").notices
    assert "4,750 rpm in gear 4 turn the wheels at 72.3 mph" in notice
    assert "but 104 mph was timed" in notice


def test_parts_of_the_day_are_what_revs_are_held_against(tmp_path):
    """A final drive of 4.94 in place of 59/14 needs 17 % more revs."""
    assert read(tmp_path, "speed [mph],rpm,gear,parts\n104,5570,5,F14\n").notices == ()
    assert len(read(tmp_path, "speed [mph],rpm,gear,parts\n104,6700,5,F01\n").notices) == 1


def test_a_gear_too_many_is_refused(tmp_path):
    assert "row 2, gear: '6' is a gear too many: G01 has 5" in fault(tmp_path, "speed [mph],gear\n104,6\n")


def test_pressure_corrected_to_sea_level_is_refused(tmp_path):
    """At 3,380 ft a barometer stands near 26.4 inHg; 29.9 is what the weather report says."""
    found = fault(tmp_path, "speed [mph],pressure [inHg]\n104,29.92\n")
    assert "'29.92' is high for a course at 3,380 ft, where 26.4" in found
    above = fault(tmp_path, f"pressure: 29.92 inHg\ntime,speed [mph]\n{coast_rows()}\n")
    assert above.startswith("log.csv row 1, pressure: '29.92 inHg' is high for a course at 3,380 ft")
    (notice,) = read(tmp_path, "speed [mph],pressure [inHg]\n104,27.6\n").notices
    assert "not corrected to sea level is meant" in notice
    assert read(tmp_path, "speed [mph],pressure [inHg]\n104,26.9\n").notices == ()


def test_a_mass_in_the_wrong_unit_is_refused(tmp_path):
    assert fault(tmp_path, "speed [mph],mass [kg]\n104,1853\n") == (
        "log.csv row 2, mass [kg]: '1853' is far from what the car weighs, 1,853 lb; is it in another unit?"
    )


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("T12,96.4,1", "'96.4' is 96.4 in a turn, but T12 has about 69.8 in"),
        ("T12,69.4,0", "must be a whole number, 1 or more"),
        ("T12,,1", "is needed, or a distance over all turns"),
        (",69.4,1", "tire: is needed"),
        ("W07,69.4,1", "'W07' is no tire of the sheets"),
    ],
)
def test_chalk_marks_that_cannot_be(tmp_path, row, says):
    assert says in fault(tmp_path, f"tire,roll-out [in],turns\n{row}\n")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("rpm,torque [N m],power [hp]\n3000,90,60\n4000,95,53.4\n5000,95,66.7\n", "disagrees with torque and revs"),
        ("engine: E99\nrpm,torque [N m]\n3000,90\n4000,95\n5000,90\n", "'E99' is no engine of the sheets"),
        ("correction: none\nrpm,torque [N m]\n3000,90\n4000,95\n5000,90\n", "is not how the sheet of E01 was made"),
        ("rpm,torque [N m]\n3000,90\n4000,95\n", "needs at least 3 points"),
        ("rpm,torque [N m]\n3000,90\n4000,ninety\n5000,90\n", "'ninety' must be a number"),
    ],
)
def test_dyno_sheets_that_cannot_be(tmp_path, text, says):
    assert says in fault(tmp_path, text)


def test_a_dyno_sheet_in_another_unit_is_remarked_on_or_refused(tmp_path):
    """The engine's sheet peaks at 86.3 lb-ft, 117 N m: 117 lb-ft are 36 % more, 117 mkg ten times as much."""
    rows = "3000,107\n4500,117\n6000,109\n"
    assert read(tmp_path, f"rpm,torque [N m]\n{rows}").notices == ()
    (notice,) = read(tmp_path, f"rpm,torque [lb-ft]\n{rows}").notices
    assert "torque [lb-ft] peaks at 117 lb-ft, the sheet of E01 at 86.3 lb-ft; is it in another unit" in notice
    assert "is it in another unit" in fault(tmp_path, f"rpm,torque [mkg]\n{rows}")


def test_what_holds_no_time_or_no_run_is_refused(tmp_path):
    assert fault(tmp_path, "time,speed [mph]\n,60\n,59\n") == "log.csv row 1, time: holds no times"
    rows = "\n".join(f"{t},{10 * t},3000" for t in range(7))
    assert fault(tmp_path, f"time,speed [mph],rpm\n{rows}\n") == (
        "log.csv row 1, speed [mph]: holds no run: it takes at least 8 samples in which speed rises by 22 mph or more"
    )


def test_distance_that_falls_in_a_run_is_refused(tmp_path):
    rows = "\n".join(f"{t},{4 * t},{t * t if t != 12 else 0}" for t in range(20))
    found = fault(tmp_path, f"time,speed [mph],distance [m]\n{rows}\n")
    assert found == "log.csv row 14, distance [m]: '0' is less than in a row before, in one run"


def test_many_bad_cells_of_a_column_are_counted_not_listed(tmp_path):
    rows = "\n".join(f"{t},fast" for t in range(50))
    found = faults(tmp_path, f"time,speed [mph]\n{rows}\n")
    assert [each.row for each in found] == [2, 3, 4]
    assert found[-1].expected.endswith("; so do 47 more of this column")


@pytest.mark.parametrize(
    ("speeds", "turns"),
    [
        ([5.0, 4.0, 3.0], []),
        ([1.0, 2.0, 5.0], []),
        ([1.0, 5.0, 1.0], [1]),
        ([5.0, 1.0, 5.0, 4.8, 1.0], [1, 2]),
        ([5.0, 4.9, 5.1, 4.9, 5.0], []),
        ([5.0, float("nan"), 1.0, float("nan"), 5.0], [2]),
    ],
)
def test_legs_turn_where_speed_changes_its_way_by_more_than_noise(speeds, turns):
    """Pivots are the fastest and slowest samples, whatever wobbles less than 1 m/s in between."""
    assert [leg.start for leg in legs(np.array(speeds), 1.0)[1:]] == turns
