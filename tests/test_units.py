"""Every unit against a published or exact factor, and every spelling a garage sheet may hold."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from optimizer import units

IN_SCIPY = [
    ("mass", "lb", constants.lb),
    ("mass", "oz", constants.oz),
    ("mass", "g", constants.gram),
    ("length", "in", constants.inch),
    ("length", "ft", constants.foot),
    ("length", "mm", constants.milli),
    ("length", "cm", constants.centi),
    ("distance", "mi", constants.mile),
    ("distance", "km", constants.kilo),
    ("distance", "yd", constants.yard),
    ("distance", "ft", constants.foot),
    ("rim size", "mm", constants.milli / constants.inch),
    ("area", "ft2", constants.foot**2),
    ("area", "in2", constants.inch**2),
    ("area", "cm2", constants.centi**2),
    ("area per length", "ft2/ft", constants.foot),
    ("area per length", "ft2/in", constants.foot**2 / constants.inch),
    ("area per length", "m2/mm", 1 / constants.milli),
    ("mass per area", "lb/ft2", constants.lb / constants.foot**2),
    ("volume", "cc", constants.centi**3),
    ("volume", "L", constants.liter),
    ("volume", "ci", constants.inch**3),
    ("inertia", "lb ft2", constants.lb * constants.foot**2),
    ("inertia", "lb in2", constants.lb * constants.inch**2),
    ("inertia", "kg cm2", constants.centi**2),
    ("inertia", "slug ft2", constants.slug * constants.foot**2),
    ("force", "lbf", constants.lbf),
    ("force", "kgf", constants.kgf),
    ("torque", "lb-ft", constants.lbf * constants.foot),
    ("torque", "lb-in", constants.lbf * constants.inch),
    ("torque", "kgf m", constants.kgf),
    ("power", "hp", constants.hp),
    ("power", "kW", constants.kilo),
    ("tire pressure", "psi", constants.psi),
    ("tire pressure", "kPa", constants.kilo),
    ("tire pressure", "bar", constants.bar),
    ("air pressure", "psia", constants.psi),
    ("air pressure", "hPa", constants.hecto),
    ("air pressure", "kPa", constants.kilo),
    ("air pressure", "mmHg", constants.mmHg),
    ("air pressure", "inHg", constants.mmHg * constants.inch / constants.milli),
    ("temperature rise", "degF", constants.degree_Fahrenheit),
    ("specific heat", "Btu/lb F", constants.Btu / constants.lb / constants.degree_Fahrenheit),
    ("specific heat", "kJ/kg K", constants.kilo),
    ("speed", "mph", constants.mph),
    ("speed", "km/h", constants.kmh),
    ("speed", "kn", constants.knot),
    ("time", "ms", constants.milli),
    ("work time", "min", constants.minute / constants.hour),
    ("braking", "m/s2", 1 / constants.g),
    # 75 kgf m/s: the definition of the metric horsepower
    ("power", "PS", 75 * constants.g),
    ("fraction", "%", 0.01),
]

KEPT_AS_THEY_ARE = {
    "kg",
    "m",
    "m2",
    "m2/m",
    "kg/m2",
    "m3",
    "kg m2",
    "N",
    "N m",
    "W",
    "Pa",
    "K",
    "degC",
    "J/kg K",
    "m/s",
    "s",
    "rpm",
    "rpm/s",
    "h",
    "years",
    "deg",
    "g",
    "fraction",
    "in",
}


@pytest.mark.parametrize(("dimension", "name", "factor"), IN_SCIPY)
def test_factors_are_those_of_scipy_or_exact_definitions(dimension, name, factor):
    assert units.from_unit(1.0, name, dimension) == pytest.approx(factor, rel=3e-7)


def test_every_unit_of_the_table_is_checked():
    """A unit added to the table without a reference factor fails here."""
    checked = {(dimension, name) for dimension, name, _ in IN_SCIPY}
    unchecked = {
        (dimension, unit.name)
        for dimension, known in units.UNITS.items()
        for unit in known
        if (dimension, unit.name) not in checked and dimension != "temperature"
    }

    assert all(units.find_unit(name, dimension).factor == 1.0 for dimension, name in unchecked)
    assert {name for _, name in unchecked} <= KEPT_AS_THEY_ARE


@pytest.mark.parametrize(
    ("number", "scale", "kelvin"),
    [
        (32, "F", 273.15),
        (212, "F", 373.15),
        (-40, "F", 233.15),
        (-40, "C", 233.15),
        (300, "K", 300),
        (59, "F", 288.15),
    ],
)
def test_temperatures_have_an_offset(number, scale, kelvin):
    assert units.from_unit(number, scale, "temperature") == pytest.approx(kelvin, abs=1e-9)
    assert units.to_unit(kelvin, scale, "temperature") == pytest.approx(number, abs=1e-9)


def test_a_rise_has_no_offset():
    assert units.from_unit(180, "F", "temperature rise") == pytest.approx(100)


@pytest.mark.parametrize(
    ("text", "dimension", "name"),
    [
        ("lbs", "mass", "lb"),
        ("LB", "mass", "lb"),
        ("lb", "force", "lbf"),
        ("g", "mass", "g"),
        ("g", "braking", "g"),
        ("ft lb", "torque", "lb-ft"),
        ("ft-lb", "torque", "lb-ft"),
        ("lb-ft", "torque", "lb-ft"),
        ("lbft", "torque", "lb-ft"),
        ("Nm", "torque", "N m"),
        ("N·m", "torque", "N m"),
        ("HP", "power", "hp"),
        ("bhp", "power", "hp"),
        ("PS", "power", "PS"),
        ("psig", "tire pressure", "psi"),
        ("F", "temperature", "F"),
        ("°F", "temperature", "F"),
        ("cu in", "volume", "ci"),
        ("in2", "area", "in2"),
        ("ft²", "area", "ft2"),
        ("kmh", "speed", "km/h"),
        ("kg m2", "inertia", "kg m2"),
        ("kg·m²", "inertia", "kg m2"),
        ("kg*m^2", "inertia", "kg m2"),
        ("lb-ft2", "inertia", "lb ft2"),
        ("in.", "length", "in"),
        ('"', "length", "in"),
        ("J/(kg K)", "specific heat", "J/kg K"),
        ("°", "angle", "deg"),
    ],
)
def test_garage_spellings(text, dimension, name):
    assert units.find_unit(text, dimension).name == name


def test_no_spelling_means_two_units():
    for known in units.UNITS.values():
        plain = [units._plain(each) for unit in known for each in {unit.name, *unit.spellings}]

        assert len(plain) == len(set(plain))


@pytest.mark.parametrize(
    ("text", "dimension", "said"),
    [
        ("stone", "mass", "unit 'stone' is not one of kg, lb, g, oz"),
        ("psia", "tire pressure", "unit 'psia' is absolute pressure; tire pressures are gauge: write psi"),
        (
            "psi",
            "air pressure",
            "unit 'psi' may be gauge or absolute; station pressure is absolute: write psia or inHg",
        ),
        ("rpms", "engine speed", "unit 'rpms' is not one of rpm; did you mean rpm?"),
    ],
)
def test_unknown_units_are_refused_with_the_choices(text, dimension, said):
    with pytest.raises(ValueError) as refusal:  # noqa: PT011
        units.find_unit(text, dimension)

    assert str(refusal.value) == said


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("1,730 lb", "mass", 1730 * constants.lb),
        ("61 %", "fraction", 0.61),
        ("61%", "fraction", 0.61),
        ("0.61", "fraction", 0.61),
        ("0.12 g", "braking", 0.12),
        ("1/4 in", "length", 0.25 * constants.inch),
        ('24 1/2"', "length", 24.5 * constants.inch),
        ("-5 F", "temperature", (459.67 - 5) / 1.8),
        ("1e3 N", "force", 1000.0),
        ("25.9 inHg", "air pressure", 87707.5),
        ("2.5 lb ft2", "inertia", 2.5 * constants.lb * constants.foot**2),
    ],
)
def test_numbers_with_their_unit(text, dimension, value):
    assert units.parse_quantity(text, dimension) == pytest.approx(value, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("12,5", "has a decimal comma; write 12.5"),
        ("nan", "must be a finite number"),
        ("-Inf", "must be a finite number"),
        ("1e999", "must be a finite number"),
        ("TRUE", "is a yes/no value where a number belongs"),
        ("1/0", "must be a number, such as 12.5 or 1,250 or 1/4"),
        ("12,34,567", "must be a number, such as 12.5 or 1,250 or 1/4"),
        ("1.2.3", "must be a number, such as 12.5 or 1,250 or 1/4"),
        ("-", "must be a number, such as 12.5 or 1,250 or 1/4"),
        ("", "must be a number, such as 12.5 or 1,250 or 1/4"),
    ],
)
def test_what_is_not_a_number_is_refused_by_name(text, said):
    with pytest.raises(ValueError) as refusal:  # noqa: PT011
        units.parse_number(text)

    assert str(refusal.value) == said


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("12.4", 12.4),
        ("1,730", 1730),
        ("-1,234,567.5", -1234567.5),
        (".5", 0.5),
        ("1/4", 0.25),
        ("1 1/2", 1.5),
        ("1-1/2", 1.5),
        ("-3/8", -0.375),
        ("3e-2", 0.03),
        ("+7", 7),
        ("\N{MINUS SIGN}7", -7),
    ],
)
def test_numbers_as_typed(text, number):
    assert units.parse_number(text) == number


@given(st.floats(min_value=-1e12, max_value=1e12, allow_nan=False))
def test_any_number_that_is_printed_is_read_back(number):
    assert units.parse_number(repr(number)) == number
    assert units.parse_number(f"{number:,.3f}") == float(f"{number:.3f}")


@given(st.floats(min_value=-1e6, max_value=1e6), st.sampled_from(sorted(units.UNITS)))
def test_there_and_back(number, dimension):
    for unit in units.UNITS[dimension]:
        assert unit.outside(unit.inside(number)) == pytest.approx(number, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize(
    ("header", "name", "unit"),
    [
        ("mass [lb]", "mass", "lb"),
        ("Mass (lb)", "mass", "lb"),
        (" max_rise  [F] ", "max rise", "F"),
        ("specific heat (J/(kg K))", "specific heat", "J/(kg K)"),
        ("mass [lb] basis", "mass basis", "lb"),
        ("mass_lb", "mass lb", ""),
        ("price", "price", ""),
    ],
)
def test_headers(header, name, unit):
    assert units.split_header(header) == (name, unit)


def test_helpers_for_display():
    assert units.mph(44.704) == pytest.approx(100)
    assert units.kmh(10) == pytest.approx(36)
    assert units.pounds(453.59237) == pytest.approx(1000)
    assert units.inches(0.0254) == pytest.approx(1)
    assert units.psi(constants.psi * 32) == pytest.approx(32)


@pytest.mark.parametrize(
    ("value", "dimension", "metric", "text"),
    [
        (1730 * constants.lb, "mass", False, "1,730 lb"),
        (785.2, "mass", True, "785 kg"),
        (0.0123456, "inertia", True, "0.0123 kg m2"),
        (0.0, "force", False, "0 lbf"),
        (0.3, "fraction", False, "30 %"),
        (1.0, "", False, "1"),
        (288.15, "temperature", False, "59 F"),
    ],
)
def test_values_are_shown_with_sensible_digits(value, dimension, metric, text):
    assert units.shown(value, dimension, metric=metric) == text


def test_nearest_word_is_named_only_when_near():
    assert units.nearest("MAS", ["mass", "price"]) == "; did you mean mass?"
    assert not units.nearest("colour", ["mass", "price"])
    assert not units.nearest("areo", ["aero"], cutoff=0.8)


def test_a_letter_for_a_digit_is_nearer_than_anything_else():
    assert units.nearest("T1O", ["T31", "T10", "T01"]) == "; did you mean T10?"
    assert units.nearest("Tl0", ["T31", "T10"]) == "; did you mean T10?"


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("12O", "has a letter where a digit belongs; write 120"),
        ("1.O5", "has a letter where a digit belongs; write 1.05"),
        ("l2.5", "has a letter where a digit belongs; write 12.5"),
        ("1.730,5", "has a decimal comma; write 1,730.5"),
        ("1 730", "has a space between its digits; write 1,730"),
    ],
)
def test_the_usual_slips_in_a_number_are_named(typed, said):
    for read in (units.parse_number, units.split_quantity):
        with pytest.raises(ValueError, match=f"^{said}$"):
            read(typed)


def test_an_o_in_a_unit_is_no_digit():
    assert units.split_quantity("5 oz") == (5.0, "oz")
    assert units.split_quantity("5oz") == (5.0, "oz")


def test_no_unit_is_lost_for_display():
    for dimension in units.UNITS:
        for metric in (False, True):
            assert math.isfinite(
                float(units.shown(1.0, dimension, metric=metric).split()[0].replace(",", ""))
            )
