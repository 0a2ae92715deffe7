"""Air against the standard atmosphere, tables of moist air, and the formulas of the power corrections."""

import numpy as np
import pytest

from optimizer.physics import air
from tests.physics.published import rows

GAS_CONSTANT_OF_AIR = 287.05287  # J/(kg K), ISO 2533


@pytest.mark.parametrize("row", rows("air.csv", "standard_temperature"), ids=str)
def test_standard_temperature(row):
    """The tabulated temperature, to the last printed digit."""
    assert air.standard_temperature(row.number("elevation_m")) == pytest.approx(
        row.expected, rel=row.tolerance
    )


@pytest.mark.parametrize("row", rows("air.csv", "standard_pressure"), ids=str)
def test_standard_pressure(row):
    """The tabulated pressure, to the last printed digit."""
    assert air.standard_pressure(row.number("elevation_m")) == pytest.approx(row.expected, rel=row.tolerance)


@pytest.mark.parametrize("row", rows("air.csv", "standard_density"), ids=str)
def test_standard_density(row):
    """Pressure and temperature together give the tabulated density through the gas law."""
    elevation = row.number("elevation_m")
    density = air.standard_pressure(elevation) / (GAS_CONSTANT_OF_AIR * air.standard_temperature(elevation))

    assert density == pytest.approx(row.expected, rel=row.tolerance)


@pytest.mark.parametrize("row", rows("air.csv", "standard_density"), ids=str)
def test_density_altitude(row):
    """The elevation comes back from the tabulated density, within what its rounding leaves open."""
    rounding_m = (
        row.expected * row.tolerance / 9e-5
    )  # density falls by about 1e-4 kg/m3 a meter, 9e-5 at 3000 m

    assert air.density_altitude(row.expected) == pytest.approx(row.number("elevation_m"), abs=rounding_m)


@pytest.mark.parametrize("row", rows("air.csv", "moist_air_density"), ids=str)
def test_moist_air_density(row):
    """CIPM-2007 as another program computes it, and an equation of state of real humid air."""
    kelvin = row.number("temperature_c") + 273.15
    density = air.moist_air_density(row.number("pressure_pa"), kelvin, row.number("humidity"))

    assert density == pytest.approx(row.expected, rel=row.tolerance)


def test_humid_air_is_lighter():
    """Water vapor weighs 18 against 29 of dry air."""
    dry, wet = air.moist_air_density(87000.0, 303.15, np.array([0.0, 1.0]))

    assert wet < dry


@pytest.mark.parametrize("row", rows("air.csv", "j607_factor"), ids=str)
def test_dry_pressure_by_worked_corrections(row):
    """An older correction, worked in print from humidity: its dry pressure is ours."""
    fahrenheit = row.number("temperature_f")
    station_pa = row.number("pressure_inhg") * 3386.389
    dry_inhg = air.dry_pressure(station_pa, (fahrenheit + 459.67) / 1.8, row.number("humidity")) / 3386.389

    assert 29.92 / dry_inhg * np.sqrt((fahrenheit + 460) / 520) == pytest.approx(
        row.expected, rel=row.tolerance
    )


def test_saturation_pressure_at_the_triple_point():
    """Saturation pressure at the triple point of water is 611.66 Pa (definition of the scale)."""
    assert air.saturation_vapor_pressure(273.16) == pytest.approx(611.66, rel=1e-3)


@pytest.mark.parametrize("row", rows("air.csv", "j1349_factor"), ids=str)
def test_j1349_factor(row):
    """The SAE formula."""
    factor = air.j1349_factor(100 * row.number("dry_pressure_hpa"), row.number("temperature_c") + 273.15)

    assert factor == pytest.approx(row.expected, rel=row.tolerance)


@pytest.mark.parametrize("row", rows("air.csv", "iso1585_factor"), ids=str)
def test_iso1585_factor(row):
    """The ISO formula; the reference values count 273 K to 0 degC, which is 3e-4 of the temperature term."""
    factor = air.iso1585_factor(100 * row.number("dry_pressure_hpa"), row.number("temperature_c") + 273.0)

    assert factor == pytest.approx(row.expected, rel=row.tolerance)


def test_corrections_fall_outside_their_ranges_at_a_high_lake():
    """At 1284 m and 25 degC both corrections are beyond what their standards state: the ranges can say so."""
    dry = float(air.dry_pressure(air.standard_pressure(1284.0), 298.15, 0.2))
    low, high = air.ISO1585_FACTOR_RANGE

    assert not low <= air.iso1585_factor(dry, 298.15) <= high
    assert not air.J1349_PRESSURE_RANGE_PA[0] <= dry <= air.J1349_PRESSURE_RANGE_PA[1]


@pytest.mark.parametrize(
    ("wind_from", "bearing", "expected"),
    [
        (0, 0, 5.0),  # a north wind against a car going north
        (180, 0, -5.0),  # a tailwind
        (90, 0, 0.0),  # straight across
        (350, 10, 5 * np.cos(np.radians(20))),  # across north
        (225, 45, -5.0),
        (60, 0, 2.5),
    ],
)
def test_headwind(wind_from, bearing, expected):
    """Positive is against the car; the directions are where wind comes from and where the car goes."""
    assert air.headwind(5.0, wind_from, bearing) == pytest.approx(expected, abs=1e-12)


def test_two_way_winds_cancel():
    """The way back has the opposite headwind."""
    there, back = air.headwind(4.0, 70.0, np.array([30.0, 210.0]))

    assert there == pytest.approx(-back)
