"""Files as loggers, phones and crews leave them: lines above, units below, gaps, commas, clocks, passes, rates."""

from __future__ import annotations

import numpy as np
import pytest

from tests.measured.crew import COAST, KMH, MPH, RUN, demo, fault, faults, read

TIMES = list(range(20))
COAST_MS = (60 - 1.5 * np.arange(20)) * MPH


def coast(tmp_path, text, name="log.csv"):
    """The only coast-down of a file."""
    (found,) = read(tmp_path, text, name).coast_downs
    return found


def is_the_coast_down(found):
    assert found.time_s - found.time_s[0] == pytest.approx(TIMES)
    np.testing.assert_allclose(found.speed_ms, COAST_MS, atol=1e-9)


# --- separators, encodings, commas


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_separators_and_ends_of_lines(tmp_path, separator, end):
    text = f"time,speed [mph]\n{COAST}\n".replace(",", separator).replace("\n", end)
    is_the_coast_down(coast(tmp_path, text))


def test_decimal_commas_between_semicolons(tmp_path):
    text = f"time;speed [mph]\n{COAST.replace(',', ';').replace('.', ',')}\n"
    is_the_coast_down(coast(tmp_path, text))


def test_dots_between_thousands_with_decimal_commas(tmp_path):
    (found,) = read(tmp_path, "speed [mph];rpm;mass [lb]\n104,25;4.700,0;1.853,5\n").runs
    assert found.speed_ms == pytest.approx(104.25 * MPH)
    assert (found.rpm, found.day.mass_kg) == (4700.0, pytest.approx(1853.5 * 0.45359237))


def test_commas_that_may_mean_two_things_are_refused_until_it_is_said(tmp_path):
    """1,234 alone is 1.234 for one half of the world and 1234 for the other."""
    table = "tire;distance [in]\nT12;1,387\n"
    assert fault(tmp_path, table) == (
        "log.csv row 2, distance [in]: '1,387' has a decimal comma or one between thousands: write 1.387 or 1387, or "
        "add a line above, decimal: comma or decimal: point"
    )
    text = "decimal: comma\nspeed [mph];mile 1 [mph]\n104,125;60,250\n"
    (run,) = read(tmp_path, text).runs
    assert run.speed_ms == pytest.approx(104.125 * MPH)
    (run,) = read(tmp_path, "decimal: point\nspeed [mph];rpm\n104;4,700\n").runs
    assert run.rpm == 4700.0


def test_commas_beside_points_are_refused_with_all_other_faults_of_the_slips(tmp_path):
    """Each comma in its own row and column; so are the salt, the date and the blank."""
    rows = "3/4/2027;176,4;ordinary;19,5\n2027-09-15;;icy;20\n2027-09-16;172.8;ordinary;18\n"
    found = faults(tmp_path, f"date;speed [km/h];salt;air temperature\n{rows}", name="slips.csv")

    pointed = "has a decimal comma, and other numbers here have a decimal point: write {}, or add a line above, "
    assert [(each.row, each.column, each.typed) for each in found] == [
        (1, "air temperature", ""),
        (2, "air temperature", "19,5"),
        (2, "date", "3/4/2027"),
        (2, "speed [km/h]", "176,4"),
        (3, "salt", "icy"),
        (3, "speed [km/h]", ""),
    ]
    assert found[3].expected == pointed.format("176.4") + "decimal: comma or decimal: point"


def test_commas_beside_points_in_a_column_that_nothing_is_done_with_are_still_refused(tmp_path):
    table = "speed [mph];torque [N m]\n104;1,5\n105;1.5\n"

    assert fault(tmp_path, table) == (
        "log.csv row 1: has commas that may be decimal ones: add a line above, decimal: comma or decimal: point"
    )


def test_decimal_commas_between_commas_are_refused(tmp_path):
    """Two cells for each number: the row is longer than the header."""
    rows = "\n".join(f"{t},0,{60 - t},5" for t in range(12))
    assert fault(tmp_path, f"time,speed [mph]\n{rows}\n") == (
        "log.csv row 2, cell 3: '60' stands beyond the header, which names 2 columns; numbers with decimal commas need "
        "semicolons or tabs between them"
    )


@pytest.mark.parametrize("encoding", ["utf-8-sig", "cp1252", "utf-8"])
def test_encodings(tmp_path, encoding):
    text = f"lufttemperatur: 20 °C\ntime,speed [mph]\n{COAST}\n"
    is_the_coast_down(coast(tmp_path, text.encode(encoding)))


def test_quoted_cells_and_trailing_separators(tmp_path):
    rows = "\n".join(f'"{row.split(",")[0]}","{row.split(",")[1]}",,' for row in COAST.split("\n"))
    is_the_coast_down(coast(tmp_path, f'"time","speed [mph]",,\n{rows}\n'))
    rows = COAST.replace("\n", ",\n") + ","
    is_the_coast_down(coast(tmp_path, f"time,speed [mph]\n{rows}\n"))


def test_quotes_that_do_not_pair_up_are_refused(tmp_path):
    assert "quotation marks that do not pair up" in fault(tmp_path, f'time,speed [mph]\n{COAST}\n"20,30\n')


# --- headers and units


def test_a_row_of_units_under_the_header(tmp_path):
    (found,) = read(tmp_path, "Time;GPS Speed;Engine RPM\ns;km/h;1/min\n" + RUN.replace(",", ";") + "\n").logs
    np.testing.assert_allclose(found.speed_ms, 4 * np.arange(20) * KMH)


@pytest.mark.parametrize("header", ["speed [mph]", "Speed (MPH)", "GPS_Speed_mph", "Velocity [mi/h]", "speed, mph"])
def test_names_and_units_in_the_header(tmp_path, header):
    is_the_coast_down(coast(tmp_path, f'Elapsed Time (s),"{header}"\n{COAST}\n'))


def test_a_speed_without_unit_is_refused(tmp_path):
    assert fault(tmp_path, f"time,speed\n{COAST}\n") == (
        "log.csv row 1, speed: needs a unit, one of mph, km/h, m/s, kn; such as speed [mph]"
    )


def test_headers_that_are_only_units(tmp_path):
    """As dyno sheets have them."""
    (sheet,) = read(tmp_path, "RPM,HP,Nm\n3000,,100\n4000,,110\n5000,,105\n").dyno
    assert sheet.torque_nm.tolist() == [100.0, 110.0, 105.0]
    assert read(tmp_path, "mph\n104.2\n").runs[0].speed_ms == pytest.approx(104.2 * MPH)


def test_values_typed_each_with_its_unit(tmp_path):
    """As somebody types a slip off by hand; a value without is then refused."""
    text = "speed,air temp,wind,mass\n104.2 mph,77 F,4 mph from 300,1853 lb\n167 km/h,20 C,calm,840 kg\n"
    first, second = read(tmp_path, text).runs
    assert (first.speed_ms, second.speed_ms) == pytest.approx((104.2 * MPH, 167 * KMH))
    assert (first.day.wind_ms, first.day.wind_from_deg) == (pytest.approx(4 * MPH), 300.0)
    assert (second.day.wind_ms, second.day.wind_from_deg) == (0.0, None)
    assert fault(tmp_path, "speed\n104.2 mph\n103\n").startswith("log.csv row 3, speed: '103' needs its unit")
    assert "log.csv row 1, speed: needs a unit" in fault(tmp_path, "speed\n104.2\n103\n")


def test_the_first_of_two_clocks_is_read(tmp_path):
    rows = "\n".join(f"12:00:{t:02d},{t},{60 - 1.5 * t:g}" for t in range(20))
    found = read(tmp_path, f"UTC,Elapsed Time (s),speed [mph]\n{rows}\n")
    is_the_coast_down(found.coast_downs[0])
    assert found.coast_downs[0].time_s[0] == 12 * 3600
    assert found.notices[0].endswith("nothing was done with the column Elapsed Time (s)")


def test_columns_that_a_coast_down_has_no_use_for_are_said(tmp_path):
    rows = "\n".join(f"{t},{60 - 1.5 * t:g},900" for t in range(20))
    found = read(tmp_path, f"time,speed [mph],rpm\n{rows}\n")
    is_the_coast_down(found.coast_downs[0])
    assert found.notices[0].endswith("nothing was done with the column rpm: it was read as a coast-down")


def test_header_and_row_of_units_must_agree(tmp_path):
    text = f"time,speed [mph]\ns,km/h\n{COAST}\n"
    assert fault(tmp_path, text) == "log.csv row 1, speed [mph]: is in mph, but the row of units says km/h"


def test_two_columns_of_one_meaning_are_refused(tmp_path):
    text = "time,gps speed [mph],speed [mph]\n0,60,60\n1,50,50\n"
    assert fault(tmp_path, text) == (
        "log.csv row 1, speed [mph]: means the same as 'gps speed [mph]'; leave one of them"
    )


def test_a_row_of_rates_and_a_header_in_the_middle_are_passed_over(tmp_path):
    rows = COAST.split("\n")
    text = "\n".join(["time,speed [mph]", "s,mph", "10 Hz,1 Hz", *rows[:9], "time,speed [mph]", "s,mph", *rows[9:]])
    is_the_coast_down(coast(tmp_path, text))


# --- lines above and below the table


def test_lines_above_the_table_tell_the_day(tmp_path):
    """Each in one of the ways that loggers and crews write them."""
    text = (
        "Some logger\nDate: 14 August 2027\nrun,3\nsalt = ordinary\n# direction: back\nair temp;77 F\n"
        "pressure,26.5 inHg\nhumidity: 30 %\nwind: 5 mph NW\nmass [lb]: 1,853\nparts: T09; F04\n\n"
        f"time,speed [mph]\n{COAST}\n"
    )
    found = read(tmp_path, text)
    day = found.coast_downs[0].day
    assert (day.date, day.name, day.salt, day.parts) == ("2027-08-14", "run 3, 2027-08-14", "ordinary", ("T09", "F04"))
    assert (day.other_way, day.wind_from_deg) == (True, 315.0)
    assert day.temperature_k == pytest.approx(298.15)
    assert day.wind_ms == pytest.approx(5 * MPH)
    assert day.mass_kg == pytest.approx(1853 * 0.45359237)
    assert found.notices[0].endswith("log.csv: above the table, nothing was done with 'Some logger' (row 1)")


def test_lines_that_nobody_knows_are_said_and_comments_are_not(tmp_path):
    table = "time,speed [mph],lean [deg]\n" + "".join(f"{row},1\n" for row in COAST.split("\n"))
    text = f"# a fine morning, cold\n# Firmware: 3.2\nDriver,Jo\n{table}"
    found = read(tmp_path, text)
    assert [notice.split("log.csv")[1] for notice in found.notices] == [
        ": above the table, nothing was done with 'Firmware: 3.2' (row 2); 'Driver,Jo' (row 3)",
        ": nothing was done with the column lean [deg]",
    ]


def test_a_wind_may_be_typed_in_one(tmp_path):
    for text, ms, origin in (("4 mph from 300", 4 * MPH, 300.0), ("calm", 0.0, None), ("3 mph", 3 * MPH, None)):
        day = coast(tmp_path, f"wind: {text}\ntime,speed [mph]\n{COAST}\n").day
        assert (day.wind_ms, day.wind_from_deg) == (pytest.approx(ms), origin)


def test_lines_below_the_table_are_said(tmp_path):
    found = read(tmp_path, f"time,speed [mph]\n{COAST}\n\nEND OF LOG\nSamples,20\n")
    is_the_coast_down(found.coast_downs[0])
    assert "below the table, nothing was done with 'END OF LOG' (row 23); 'Samples, 20' (row 24)" in found.notices[0]


def test_a_line_said_twice_is_refused(tmp_path):
    text = f"salt: firm\nsalt: soft\ntime,speed [mph]\n{COAST}\n"
    assert fault(tmp_path, text) == "log.csv row 2, salt: 'soft' says again what row 1 says; leave one of them"


NO_SALT = "'slush' is not one of the event's conditions: firm, ordinary, soft, shutdown"


def test_faults_above_and_in_the_table_come_together(tmp_path):
    text = f"salt: slush\nair temp: cold\nwind: 4\ntime,speed [mph]\n{COAST}\n"
    found = [str(each) for each in faults(tmp_path, text)]
    assert found == [
        f"log.csv row 1, salt: {NO_SALT}",
        "log.csv row 2, air temp: 'cold' must be a number, such as 12.5 or 1,250 or 1/4",
        "log.csv row 3, wind: '4' needs its unit, one of mph, km/h, m/s, kn; such as \"4 mph\"",
    ]
    assert NO_SALT in fault(tmp_path, f"salt: slush\ntime,speed [mph]\n{COAST}\n")


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("T99", "'T99' is no part of the sheets; did you mean T39?"),
        ("Longest", "'Longest' is no part of the sheets; that is the name of F02"),
        ("W07; front tyres=T09", "'front tyres=T09' names no slot of the car; did you mean front tires?"),
        ("front tires=W03", "'front tires=W03' is of kind wheel, for which there is no slot"),
    ],
)
def test_parts_are_looked_up(tmp_path, typed, expected):
    assert expected in fault(tmp_path, f"speed [mph],parts\n104,{typed}\n")


# --- winds and dates


DIRECTION = "must be degrees from north, 0 to 360, or a point of the compass such as NW"
SPEED_OF_WIND = "must be the speed of a wind, such as 4 mph, 4 mph from 300, or calm"


@pytest.mark.parametrize(
    ("header", "typed", "expected"),
    [
        ("wind [mph]", "breeze", SPEED_OF_WIND),
        ("wind [mph]", "from 300", SPEED_OF_WIND),
        ("wind [mph]", "4 pmh", "unit 'pmh' is not one of mph, km/h, m/s, kn; did you mean mph?"),
        ("wind", "breeze", SPEED_OF_WIND),
        ("wind", "4", 'needs its unit, one of mph, km/h, m/s, kn; such as "4 mph"'),
        ("wind", "4 mph from up", f"comes from 'up', which {DIRECTION}"),
        ("wind", "-4 mph", "must be at least 0 and at most 112 mph"),
    ],
)
def test_a_bad_wind_is_a_fault_of_its_own_cell(tmp_path, header, typed, expected):
    """And hides none of another row."""
    unit = "" if "[" in header else " mph"
    text = f"speed [mph],{header}\n104,3{unit}\n103,{typed}\nfast,calm\n"
    found = [str(each) for each in faults(tmp_path, text)]
    assert found == [
        f"log.csv row 3, {header}: '{typed}' {expected}",
        "log.csv row 4, speed [mph]: 'fast' must be a number, such as 12.5 or 1,250 or 1/4",
    ]


def test_two_directions_of_one_wind_are_a_fault(tmp_path):
    """Twice the same is not."""
    text = "speed [mph],wind,wind from\n104,4 mph from 300,120\n103,4 mph NW,315\n102,4 mph from 300,\n"
    assert [str(each) for each in faults(tmp_path, text)] == [
        "log.csv row 2, wind: '4 mph from 300' and wind from, '120', are two directions; leave one of them"
    ]
    above = f"wind from: 120\nwind: 4 mph from 300\ntime,speed [mph]\n{COAST}\n"
    expected = "log.csv row 2, wind: '4 mph from 300' is another direction than row 1 says; leave one"
    assert fault(tmp_path, above).startswith(expected)


def test_a_bad_wind_above_the_table_is_named_whole(tmp_path):
    found = fault(tmp_path, f"wind: 4 mph from up\ntime,speed [mph]\n{COAST}\n")
    assert found.startswith("log.csv row 1, wind: '4 mph from up' comes from 'up', which must be degrees from north")
    assert SPEED_OF_WIND in fault(tmp_path, f"wind: strong\ntime,speed [mph]\n{COAST}\n")


def test_a_column_without_unit_is_one_fault_beside_what_is_no_number_in_it(tmp_path):
    found = [str(each) for each in faults(tmp_path, "speed [mph],wind,salt\n104,3,slush\n103,breeze,\n102,4,\n")]
    assert found == [
        "log.csv row 1, wind: needs a unit, one of mph, km/h, m/s, kn; such as wind [mph]",
        f"log.csv row 2, salt: {NO_SALT}",
        f"log.csv row 3, wind: 'breeze' {SPEED_OF_WIND}",
    ]


@pytest.mark.parametrize(
    "typed",
    ["2027-09-18", "2027-09-18 10:12", "2027-09-18T10:12:05Z", "9/18/2027", "18/9/2027", "18-09-2027", "18.9.2027",
     "18 September 2027", "20270918"],
)  # fmt: skip
def test_dates_that_leave_no_doubt(tmp_path, typed):
    (run,) = read(tmp_path, f"date,speed [mph]\n{typed},104\n").runs
    assert run.day.date == "2027-09-18"
    (run,) = read(tmp_path, f"date: {typed}\nspeed [mph]\n104\n", "slips.csv").runs
    assert run.day.date == "2027-09-18"


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("soon", "must be a date, year-month-day, such as 2027-09-18; anything else may stand in note"),
        ("September", "must be a date, year-month-day, such as 2027-09-18; anything else may stand in note"),
        ("18.9.27", "must be a date, year-month-day, such as 2027-09-18; anything else may stand in note"),
        ("9/8/2027", "may be 2027-08-09 or 2027-09-08; a date is year-month-day, such as 2027-09-18"),
        ("13/13/2027", "is no day of the calendar; a date is year-month-day, such as 2027-09-18"),
        ("30/2/2027", "is no day of the calendar; a date is year, month and day, such as 2027-09-18"),
    ],
)
def test_a_run_on_no_date_has_no_place_among_the_others(tmp_path, typed, expected):
    """In its column, or above the table; the date of a log is only what it is called."""
    assert fault(tmp_path, f"date,speed [mph]\n{typed},104\n") == f"log.csv row 2, date: '{typed}' {expected}"
    assert fault(tmp_path, f"date: {typed}\nspeed [mph]\n104\n") == f"log.csv row 1, date: '{typed}' {expected}"
    assert coast(tmp_path, f"date: {typed}\ntime,speed [mph]\n{COAST}\n").day.date == typed


def test_the_same_day_in_either_order_is_no_question(tmp_path):
    (run,) = read(tmp_path, "date,speed [mph]\n9/9/2027,104\n").runs
    assert run.day.date == "2027-09-09"


# --- gaps, order, rates


def test_gaps_are_nan(tmp_path):
    rows = COAST.split("\n")
    rows[4], rows[5], rows[6] = "4,", "5,-", "6,NaN"
    found = coast(tmp_path, "time,speed [mph]\n" + "\n".join(rows))
    assert np.isnan(found.speed_ms).nonzero()[0].tolist() == [4, 5, 6]
    assert found.time_s.tolist() == TIMES


def test_neighbors_that_changed_places_are_put_in_order(tmp_path):
    rows = COAST.split("\n")
    rows[7], rows[8] = rows[8], rows[7]
    text = "time,speed [mph]\n" + "\n".join(rows)
    is_the_coast_down(coast(tmp_path, text))
    assert "row 10 and others are not in order of time; they were put in order" in read(tmp_path, text).notices[0]


def test_a_table_turned_upside_down_is_put_in_order(tmp_path):
    is_the_coast_down(coast(tmp_path, "time,speed [mph]\n" + "\n".join(reversed(COAST.split("\n")))))


def test_samples_of_one_time_are_one(tmp_path):
    """A clock of whole seconds with two fixes each: the mean of 60 and 59.25 mph is 59.625 mph."""
    rows = "\n".join(f"{t},{60 - 1.5 * t - 0.75 * half:g}" for t in range(20) for half in (0, 1))
    found = read(tmp_path, f"time,speed [mph]\n{rows}\n")
    (passed,) = found.coast_downs
    assert passed.time_s.tolist() == TIMES
    np.testing.assert_allclose(passed.speed_ms, COAST_MS - 0.375 * MPH)
    assert "20 times stand there more than once, as in row 3" in found.notices[0]


def test_columns_at_different_rates_come_together(tmp_path):
    """Speed once a second, revs ten times, in rows of their own: one sample a time, gaps where nothing was logged."""
    rows = []
    for tenth in range(200):
        rows.append(f"{tenth / 10:g},,{1000 + 20 * tenth}")
        rows += [f"{tenth / 10:g},{0.4 * tenth:g},"] if tenth % 10 == 0 else []
    found = read(tmp_path, "time,speed [mph],rpm\n" + "\n".join(rows))
    (log,) = found.logs
    assert len(log.time_s) == 200
    assert np.isfinite(log.speed_ms).sum() == 20
    np.testing.assert_allclose(log.speed_ms[::10], 4 * np.arange(20) * MPH)
    assert log.rpm.tolist() == [1000 + 20 * tenth for tenth in range(200)]


def test_rows_without_time_are_left_out_and_said(tmp_path):
    rows = COAST.split("\n")
    rows.insert(3, ",57")
    found = read(tmp_path, "time,speed [mph]\n" + "\n".join(rows))
    is_the_coast_down(found.coast_downs[0])
    assert "row 5 has no time and was left out" in found.notices[0]


# --- time as a clock shows it


@pytest.mark.parametrize(
    "stamp",
    [
        lambda t: f"12:03:{t:02d}.250",
        lambda t: f"12:03:{t:02d}",
        lambda t: f"03:{t:02d}.5",
        lambda t: f"2027-09-18T12:03:{t:02d}.250Z",
        lambda t: f"2027-09-18 12:03:{t:02d}",
        lambda t: f"11:59:{t:02d} PM",
        lambda t: f"23:59:{50 + t}" if t < 10 else f"00:00:{t - 10:02d}",
        lambda t: f"{1789718000 + t}",
        lambda t: f"{t}.0 s",
    ],
)
def test_clocks_dates_and_counts(tmp_path, stamp):
    rows = "\n".join(f"{stamp(t)},{60 - 1.5 * t:g}" for t in range(20))
    is_the_coast_down(coast(tmp_path, f"UTC Time,speed [mph]\n{rows}\n"))


def test_milliseconds_where_the_header_says_so(tmp_path):
    rows = "\n".join(f"{1000 * t},{60 - 1.5 * t:g}" for t in range(20))
    is_the_coast_down(coast(tmp_path, f"time [ms],speed [mph]\n{rows}\n"))


def test_a_clock_with_decimal_commas(tmp_path):
    rows = "\n".join(f"12:03:{t:02d},25;{60 - 1.5 * t:g}".replace(".", ",") for t in range(20))
    is_the_coast_down(coast(tmp_path, f"time;speed [mph]\n{rows}\n"))


# --- passes


def test_time_that_begins_anew_is_another_pass(tmp_path):
    found = read(tmp_path, f"time,speed [mph]\n{COAST}\n{COAST}\n").coast_downs
    assert [each.day.name for each in found] == ["log.csv, pass 1", "log.csv, pass 2"]
    for each in found:
        is_the_coast_down(each)


def test_speed_that_jumps_up_is_another_pass(tmp_path):
    later = "\n".join(f"{t + 300},{60 - 1.5 * t:g}" for t in range(20))
    found = read(tmp_path, f"time,speed [mph]\n{COAST}\n{later}\n", "coasting.csv").coast_downs
    assert len(found) == 2
    for each in found:
        is_the_coast_down(each)


def test_a_column_tells_passes_and_ways(tmp_path):
    rows = [f"{t},{60 - 1.5 * t:g}" for t in range(20)]
    text = "time,speed [mph],direction\n" + "\n".join([f"{r},out" for r in rows] + [f"{r},back" for r in rows])
    found = read(tmp_path, text).coast_downs
    assert [each.day.other_way for each in found] == [False, True]
    assert [each.day.name for each in found] == ["log.csv, pass 1, out", "log.csv, pass 2, back"]
    text = "time,speed [mph],pass\n" + "\n".join([f"{r},first" for r in rows] + [f"{r},second" for r in rows])
    assert [each.day.name[-6:] for each in read(tmp_path, text).coast_downs] == [" first", "second"]


def test_a_heading_that_wanders_is_one_way(tmp_path):
    """Around north the mean of 358 and 2 degrees is 0, not 180; a single fix the other way is no turn."""
    rows = [f"{t},{60 - 1.5 * t:g},{(358, 2)[t % 2]}" for t in range(20)]
    rows += [f"{t + 100},{60 - 1.5 * t:g},{(178, 182)[t % 2]}" for t in range(20)]
    rows[10] = "10,45,170"
    found = read(tmp_path, "time,speed [mph],heading\n" + "\n".join(rows)).coast_downs
    assert [len(each.time_s) for each in found] == [20, 20]
    assert abs((found[0].day.bearing_deg + 180.0) % 360.0 - 180.0) < 8.0
    assert found[1].day.bearing_deg == pytest.approx(180.0, abs=0.5)


def test_a_heading_at_a_standstill_means_nothing(tmp_path):
    """Before the start a receiver points anywhere; the run is one, and its bearing that of the moving car."""
    noise = np.random.default_rng(0).integers(0, 360, 30)
    rows = [f"{t - 30},0,{noise[t]}" for t in range(30)] + [f"{t},{4 * t},52" for t in range(20)]
    (log,) = read(tmp_path, "time,speed [mph],bearing (deg. from north)\n" + "\n".join(rows)).logs
    assert log.speed_ms[-1] == pytest.approx(76 * MPH)
    assert log.day.bearing_deg == pytest.approx(52.0, abs=0.5)


def test_what_is_not_the_coast_down_is_left_out_and_said(tmp_path):
    """Gathering speed before it, standing after it."""
    before = "\n".join(f"{t - 20},{3 * t:g}" for t in range(20))
    after = "\n".join(f"{t},0" for t in range(60, 70))
    slow = "\n".join(f"{t},{60 - 1.5 * t:g}" for t in range(41))
    found = read(tmp_path, f"time,speed [mph]\n{before}\n{slow}\n{after}\n", "coast.csv")
    (passed,) = found.coast_downs
    assert (passed.time_s[0], passed.speed_ms[-1]) == (0.0, pytest.approx(3 * MPH))
    assert "32 of 71 samples are not part of where speed falls; left out" in found.notices[0]


# --- wheels


def test_wheel_speeds_by_axle(tmp_path):
    """The demo's car drives its front wheels: they slip, and the rear ones follow the ground."""
    assert demo().car.drive == "front"
    rows = "\n".join(f"{t},{4 * t},{4.2 * t}" for t in range(20))
    (log,) = read(tmp_path, f"time,rear wheel speed [mph],front wheel speed [mph]\n{rows}\n").logs
    np.testing.assert_allclose(log.speed_ms, 4 * np.arange(20) * MPH)
    np.testing.assert_allclose(log.driven_ms, 4.2 * np.arange(20) * MPH)
    assert fault(tmp_path, f"kind: coast-down\ntime,front wheel speed [mph]\n{COAST}\n") == (
        "log.csv row 2, front wheel speed [mph]: tells nothing of the speed over the ground: needs a column speed, or "
        "that of undriven wheels"
    )


def test_a_roll_out_without_unit_is_refused(tmp_path):
    assert fault(tmp_path, "tire,roll-out\nT12,69.4\n").startswith("log.csv row 1, roll-out: needs a unit, one of mm")


@pytest.mark.parametrize("typed", ["2027-13-05", "2027/02/30", "2027-1-32"])
def test_a_day_that_is_not_in_the_calendar_is_refused(tmp_path, typed):
    """Year first leaves no doubt which is the month: runs would stand in a wrong order."""
    found = fault(tmp_path, f"date,speed [mph]\n{typed},101.5\n")
    assert found.startswith(f"log.csv row 2, date: '{typed}' is no day of the calendar")
