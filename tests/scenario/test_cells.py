"""Single cells: what a builder types, and what is said when it cannot be read."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.scenario import cells
from optimizer.scenario.parts import Basis, BoltPattern, TireSize


def refusal(parse, *arguments):
    """Sentence with which a text is refused."""
    with pytest.raises(ValueError) as refused:  # noqa: PT011
        parse(*arguments)
    return str(refused.value)


@pytest.mark.parametrize(
    ("text", "cents"),
    [
        ("$1,200", 120000),
        ("1200", 120000),
        ("1,200.50", 120050),
        ("$ 85.5", 8550),
        ("1200 USD", 120000),
        ("USD 12", 1200),
        ("0", 0),
        ("12.", 1200),
        ("$0.07", 7),
    ],
)
def test_money_is_kept_in_cents(text, cents):
    assert cells.money(text, "USD") == cents


@given(st.integers(min_value=0, max_value=10**9))
def test_money_is_exact(amount):
    assert cells.money(f"{amount // 100}.{amount % 100:02d}", "USD") == amount
    assert cells.money(f"${amount // 100:,}.{amount % 100:02d}", "USD") == amount


@pytest.mark.parametrize(
    ("text", "currency", "said"),
    [
        ("€90", "USD", "is in EUR, but the event counts in USD"),
        ("$90", "EUR", "is in USD, but the event counts in EUR"),
        ("-12", "USD", "must be 0 or more"),
        ("12,50", "USD", "has a decimal comma; write 12.50"),
        ("12.5055", "USD", "must not be finer than a cent"),
        ("12O", "USD", "has a letter where a digit belongs; write 120"),
        ("$l2", "USD", "has a letter where a digit belongs; write 12"),
        ("1.200,50", "USD", "has a decimal comma; write 1,200.50"),
        ("1.200", "USD", "has three digits behind a dot; write 1,200, or cents with two"),
        ("$1 200", "USD", "has a space between its digits; write 1,200"),
        ("nan", "USD", "must be an amount of money, such as 1,200 or 85.50"),
        ("ask", "USD", "must be an amount of money, such as 1,200 or 85.50"),
        ("TRUE", "USD", "must be an amount of money, such as 1,200 or 85.50"),
    ],
)
def test_money_is_refused_by_name(text, currency, said):
    assert refusal(cells.money, text, currency) == said


def test_dollars_of_other_countries_share_the_sign():
    assert cells.money("$5", "AUD") == 500
    assert refusal(cells.money, "5 USD", "AUD") == "is in USD, but the event counts in AUD"


A_DATE = "must be a date written year-month-day, such as 2026-09-14"
A_SIZE_CODE = "must be a size code such as 205/60R15 or 205/60R15 91V"
A_DATE_CODE = "must be week and year as on the sidewall, such as 2321 or 23/2021"
SIZE = TireSize(0.205, 0.6, 15)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("205/60R15", {"size": SIZE}),
        ("205/60 R 15", {"size": SIZE}),
        ("P205/60R15", {"size": SIZE}),
        ("205/60r15 91v", {"size": SIZE, "load_index": 91, "speed_symbol": "V"}),
        ("205/60R15 91 V", {"size": SIZE, "load_index": 91, "speed_symbol": "V"}),
        ("205/60R15 95H XL", {"size": SIZE, "load_index": 95, "speed_symbol": "H", "extra_load": True}),
        ("205/50ZR15", {"size": TireSize(0.205, 0.5, 15)}),
        ("205/50ZR15 (86W)", {"size": TireSize(0.205, 0.5, 15), "load_index": 86, "speed_symbol": "W"}),
    ],
)
def test_size_codes(text, found):
    assert cells.tire_size(text) == found


def test_a_size_prints_as_it_is_written():
    assert str(cells.tire_size("185/60R14 82H")["size"]) == "185/60R14"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("205/60", "must be a size code such as 205/60R15 or 205/60R15 91V"),
        ("T125/70D15", "is a temporary spare (T): not for speed"),
        ("155R13", "has no height; write it with the aspect ratio, such as 155/80R13"),
        (
            "LT205/75R15",
            f"is a light truck size, whose loads are read from another table: {A_SIZE_CODE}",
        ),
        ("205/60-15", "is not a radial car tire: must be a size code such as 205/60R15 or 205/60R15 91V"),
        (
            "120/70ZR17 M/C",
            "is not a radial car tire: must be a size code such as 205/60R15 or 205/60R15 91V",
        ),
        ("905/60R15", "is outside the sizes of car tires: 105 to 405 mm, 25 to 95 %, 10 to 24 in"),
        ("205/60R15 91K", "must be a speed symbol: one of L, M, N, P, Q, R, S, T, U, H, V, W, Y"),
        ("205/60R15 45V", "must be a load index from 60 to 120, such as 91"),
        ("205/60 15 91V", "has no R for a radial; write 205/60R15 91V"),
        ("2O5/6OR15 91V", "has a letter O where a digit belongs; write 205/60R15 91V"),
    ],
)
def test_size_codes_are_refused_by_name(text, said):
    assert refusal(cells.tire_size, text) == said


def test_a_bare_zr_names_no_speed():
    assert cells.speed_symbol("ZR") is None
    assert "speed_symbol" not in cells.tire_size("205/50ZR15")


def test_service_description():
    assert cells.service("82 T") == (82, "T")
    assert cells.load_index("82") == 82
    assert cells.speed_symbol("t") == "T"
    assert refusal(cells.load_index, "82T") == "must be a load index from 60 to 120, such as 91"


@pytest.mark.parametrize(
    ("text", "made"),
    [("2321", (2021, 23)), ("0526", (2026, 5)), ("23/2021", (2021, 23)), ("5 / 2026", (2026, 5))],
)
def test_date_codes(text, made):
    assert cells.date_code(text) == made


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "526",
            f"{A_DATE_CODE}; a spreadsheet may have dropped the 0 of 0526",
        ),
        ("5421", "must begin with a week from 1 to 53"),
        ("0021", "must begin with a week from 1 to 53"),
        ("May 2021", "must be week and year as on the sidewall, such as 2321 or 23/2021"),
    ],
)
def test_date_codes_are_refused_by_name(text, said):
    assert refusal(cells.date_code, text) == said


@pytest.mark.parametrize(
    ("text", "rim", "width"),
    [
        ("15x6.5", 15, 6.5),
        ("15 X 6 1/2", 15, 6.5),
        ("15\N{MULTIPLICATION SIGN}7", 15, 7),
        ("6.5Jx15", 15, 6.5),
        ("15x6.5J", 15, 6.5),
        ('14x5.5"', 14, 5.5),
    ],
)
def test_wheel_sizes(text, rim, width):
    assert cells.wheel_size(text) == {"rim_diameter_in": rim, "rim_width_in": width}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("15", "must be rim diameter x width in inches, such as 15x6.5"),
        ("6.5x15", "must give the diameter first: 15x6.5"),
        ("38x16", "is outside the sizes of car wheels: 10 to 24 in across, 2.5 to 14 in wide"),
        (
            "15x152",
            "is outside the sizes of car wheels: 10 to 24 in across, 2.5 to 14 in wide; 152 mm are 6 in: 15x6",
        ),
    ],
)
def test_wheel_sizes_are_refused_by_name(text, said):
    assert refusal(cells.wheel_size, text) == said


def test_bolt_patterns():
    assert cells.bolt_patterns("4x100; 4x114.3;4x100") == (BoltPattern(4, 0.1), BoltPattern(4, 0.1143))


def test_the_same_circle_in_inches_is_the_same_pattern():
    assert cells.bolt_pattern("5x4.5 in") == cells.bolt_pattern("5x114.3")
    assert cells.bolt_pattern('5x4.5"') == cells.bolt_pattern("5X114.3 mm")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("4x", "must be bolts x circle, such as 4x100 or 5x4.5 in"),
        ("5x4.5", "must say that the circle is in inches: 5x4.5 in"),
        ("2x100", "is outside the patterns of cars: 3 to 10 bolts on 80 to 250 mm"),
        ("4x10", "is outside the patterns of cars: 3 to 10 bolts on 80 to 250 mm"),
        ("100x4", "must give the bolts first: 4x100"),
        (
            "4x100, 4x114.3",
            "must be bolts x circle, such as 4x100 or 5x4.5 in; separate patterns by semicolons",
        ),
        ("4x1000", "is outside the patterns of cars: 3 to 10 bolts on 80 to 250 mm"),
    ],
)
def test_bolt_patterns_are_refused_by_name(text, said):
    assert refusal(cells.bolt_pattern, text) == said


@pytest.mark.parametrize(
    ("text", "ratio"),
    [
        ("4.10", 4.1),
        ("41/10", 4.1),
        ("41:10", 4.1),
        ("38/11 x 24/23", 38 / 11 * 24 / 23),
        ("38:11x24:23", 38 / 11 * 24 / 23),
    ],
)
def test_ratios_and_tooth_counts(text, ratio):
    assert cells.ratio(text) == pytest.approx(ratio, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("41/0", "must not have 0 teeth"),
        (
            "tall",
            "must be a number, such as 12.5 or 1,250 or 1/4; or tooth counts, such as 41/10 or 38/11 x 24/23",
        ),
        ("4,10", "has a decimal comma; write 4.10; or tooth counts, such as 41/10 or 38/11 x 24/23"),
    ],
)
def test_ratios_are_refused_by_name(text, said):
    assert refusal(cells.ratio, text) == said


def test_kit_contents():
    assert cells.kit_contents("T07 x4; W03 x4") == (("T07", 4), ("W03", 4))
    assert cells.kit_contents("G05; F09") == (("G05", 1), ("F09", 1))
    assert cells.kit_contents("T07 x2; T07 x 2;") == (("T07", 4),)


def test_an_id_that_ends_like_a_count_is_an_id():
    assert cells.kit_contents("max4 x2") == (("max4", 2),)
    assert cells.kit_contents("max4") == (("max4", 1),)


def test_kit_contents_are_refused_by_name():
    assert refusal(cells.kit_contents, "; ;") == "must name parts and pieces, such as T07 x4; W03 x4"
    assert refusal(cells.kit_contents, "T07 x0") == "must hold at least one piece of each part"
    no_number = "has no number of pieces behind the x; write G07 x1, or leave the x out"
    assert refusal(cells.kit_contents, "G07 x; F08") == no_number


@pytest.mark.parametrize("text", ["yes", "Y", "TRUE", "true"])
def test_yes(text):
    assert cells.yes_no(text) is True


@pytest.mark.parametrize("text", ["no", "N", "FALSE"])
def test_no(text):
    assert cells.yes_no(text) is False


def test_words_are_refused_by_name():
    assert refusal(cells.yes_no, "maybe") == "must be yes or no"
    assert refusal(cells.one_of("front", "rear"), "frnt") == "must be one of front, rear; did you mean front?"
    assert refusal(cells.identifier, "None") == "is the word for an empty slot and cannot be an id"
    for text in ("T=3", "T 2, wide", "T2+T3"):
        assert refusal(cells.identifier, text).startswith("must hold no comma, plus or equals sign")
    assert refusal(cells.identifier, "a;b") == "must not hold a semicolon: lists are separated by it"
    assert refusal(cells.count, "2.5") == "must be a whole number, 0 or more"
    assert refusal(cells.count, "-1") == "must be a whole number, 0 or more"
    assert refusal(cells.pieces, "0") == "must be a whole number, 1 or more"
    assert refusal(cells.pack, "dozen") == "must be one of each, pair, set"


def test_lists_keep_their_order_and_drop_repeats():
    assert cells.listing(" b; a;; b ") == ("b", "a")
    assert cells.word_set("b;a") == frozenset({"a", "b"})


def test_words_separated_by_commas_are_not_one_word():
    assert refusal(cells.word_set, "dam, belly pan") == "has a comma; separate the words of a list by semicolons"


def test_packs():
    assert [cells.pack(text) for text in ("each", "Pair", "set")] == [1, 2, 4]


def test_bases():
    assert cells.basis("assumed: seller's word") == Basis("assumed", "seller's word")
    assert cells.basis("Measured") == Basis("measured")
    assert refusal(cells.basis, "mesured").endswith("; did you mean measured?")


def test_date_of_the_event_is_kept_as_year_and_week():
    assert cells.event_week("2026-09-14") == (2026, 38)
    assert cells.event_week("2027-01-01") == (2026, 53)
    assert refusal(cells.event_week, "14.9.2026") == f"{A_DATE}; write 2026-09-14"
    assert refusal(cells.event_week, "09/14/2026") == f"{A_DATE}; write 2026-09-14"
    assert refusal(cells.event_week, "2208-05-20") == "must be a date from 2000 to 2099: sidewalls say no century"


def test_day_and_month_that_cannot_be_told_apart_are_not_guessed():
    assert refusal(cells.event_week, "9/8/2026") == A_DATE


def test_start():
    assert cells.start_speed("clutch") == 0.0
    assert cells.start_speed("pushed to 45 mph") == pytest.approx(20.1168)
    assert refusal(cells.start_speed, "push") == 'must be "clutch" or such as "pushed to 45 mph"'
    too_fast = "is faster than a car is pushed: at most 200 mph, not less than 0"
    assert refusal(cells.start_speed, "pushed to 450 mph") == too_fast
