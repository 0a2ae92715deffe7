"""Air: standard atmosphere, density of moist air, engine power corrections, wind.

All functions work element by element on arrays that broadcast, and return float64 arrays (numpy scalars for
scalars), whatever the batch. Pressures are absolute, in pascal; temperatures in kelvin; humidity is relative,
0 to 1.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

G = 9.80665
"""Standard acceleration of free fall [m/s2] (Conference Generale des Poids et Mesures, 1901)."""

STANDARD_SEA_LEVEL_PRESSURE_PA = 101325.0
STANDARD_SEA_LEVEL_TEMPERATURE_K = 288.15
STANDARD_SEA_LEVEL_DENSITY = 1.2250
"""Sea-level density of the standard atmosphere [kg/m3] (ISO 2533, Standard Atmosphere)."""

STANDARD_LAPSE_RATE = 0.0065
"""Fall of temperature with geopotential height in the lowest layer [K/m] (ISO 2533)."""

STANDARD_ELEVATION_RANGE_M = (-2000.0, 11000.0)
"""Elevations for which the lowest layer of the standard atmosphere is used here [m]."""

_EARTH_RADIUS_M = 6356766.0  # effective radius of U.S. Standard Atmosphere, 1976
_STANDARD_GAS_CONSTANT = 8.31432  # J/(mol K), the value the standard atmosphere was computed with
_STANDARD_MOLAR_MASS = 0.0289644  # kg/mol
_BAROMETRIC_EXPONENT = G * _STANDARD_MOLAR_MASS / (_STANDARD_GAS_CONSTANT * STANDARD_LAPSE_RATE)

CIPM_PRESSURE_RANGE_PA = (60000.0, 110000.0)
CIPM_TEMPERATURE_RANGE_K = (288.15, 300.15)
"""Ranges for which CIPM-2007 states its uncertainty; at 35 degC it is still within 5e-5 of a full equation
of state."""

J1349_PRESSURE_RANGE_PA = (90000.0, 105000.0)
J1349_TEMPERATURE_RANGE_K = (288.15, 308.15)
"""Test conditions for which the SAE J1349 correction is meant: dry pressure, inlet air (from memory)."""

ISO1585_FACTOR_RANGE = (0.93, 1.07)
ISO1585_TEMPERATURE_RANGE_K = (288.0, 308.0)
ISO1585_PRESSURE_RANGE_PA = (80000.0, 110000.0)
"""Factors and test conditions for which the ISO 1585 correction of spark-ignition engines is meant (from
memory)."""


YAW_ANGLE_DEG = 10.0
"""Yaw angle at which the rise of drag is stated [deg]."""


def _geopotential_height(elevation_m: FloatArray | float) -> FloatArray:
    elevation = np.asarray(elevation_m, dtype=np.float64)
    return _EARTH_RADIUS_M * elevation / (_EARTH_RADIUS_M + elevation)


def standard_temperature(elevation_m: FloatArray | float) -> FloatArray:
    """Return the temperature of the standard atmosphere.

    ``T = T0 - L H`` with geopotential height ``H = r h / (r + h)``.

    Parameters
    ----------
    elevation_m : array_like
        Height above sea level h [m], valid in `STANDARD_ELEVATION_RANGE_M`.

    Returns
    -------
    ndarray
        Temperature [K].

    References
    ----------
    U.S. Standard Atmosphere, 1976; ISO 2533, Standard Atmosphere.
    """
    return STANDARD_SEA_LEVEL_TEMPERATURE_K - STANDARD_LAPSE_RATE * _geopotential_height(elevation_m)


def standard_pressure(elevation_m: FloatArray | float) -> FloatArray:
    """Return the pressure of the standard atmosphere.

    ``p = p0 (T / T0)^(g M / (R L))``, exponent 5.25588.

    Parameters
    ----------
    elevation_m : array_like
        Height above sea level [m], valid in `STANDARD_ELEVATION_RANGE_M`.

    Returns
    -------
    ndarray
        Station pressure [Pa].

    References
    ----------
    U.S. Standard Atmosphere, 1976; ISO 2533, Standard Atmosphere.
    """
    ratio = standard_temperature(elevation_m) / STANDARD_SEA_LEVEL_TEMPERATURE_K
    power: FloatArray = np.power(ratio, _BAROMETRIC_EXPONENT)
    return STANDARD_SEA_LEVEL_PRESSURE_PA * power


def density_altitude(density: FloatArray | float) -> FloatArray:
    """Return the height at which the standard atmosphere has this density.

    ``H = T0 / L (1 - (rho / rho0)^(1 / (n - 1)))`` with n the exponent of `standard_pressure`, then
    ``h = r H / (r - H)``.

    Parameters
    ----------
    density : array_like
        Density of the air [kg/m3], positive.

    Returns
    -------
    ndarray
        Density altitude [m]; negative in air denser than standard air at sea level.

    References
    ----------
    U.S. Standard Atmosphere, 1976.
    """
    relative = np.asarray(density, dtype=np.float64) / STANDARD_SEA_LEVEL_DENSITY
    temperature_ratio: FloatArray = np.power(relative, 1.0 / (_BAROMETRIC_EXPONENT - 1.0))
    height = STANDARD_SEA_LEVEL_TEMPERATURE_K / STANDARD_LAPSE_RATE * (1.0 - temperature_ratio)
    return _EARTH_RADIUS_M * height / (_EARTH_RADIUS_M - height)


def saturation_vapor_pressure(temperature_k: FloatArray | float) -> FloatArray:
    """Return the pressure of water vapor over water at saturation.

    ``e_s = 1 Pa exp(A T^2 + B T + C + D / T)``.

    Parameters
    ----------
    temperature_k : array_like
        Temperature [K], 273 to 310.

    Returns
    -------
    ndarray
        Saturation vapor pressure [Pa].

    References
    ----------
    A. Picard, R. S. Davis, M. Glaeser, K. Fujii, Revised formula for the density of moist air (CIPM-2007),
    Metrologia 45 (2008) 149.
    """
    t = np.asarray(temperature_k, dtype=np.float64)
    pressure: FloatArray = np.exp(1.2378847e-5 * t * t - 1.9121316e-2 * t + 33.93711047 - 6.3431645e3 / t)
    return pressure


def moist_air_density(
    pressure_pa: FloatArray | float, temperature_k: FloatArray | float, humidity: FloatArray | float
) -> FloatArray:
    """Return the density of moist air.

    ``rho = p M_a / (Z R T) (1 - x_v (1 - M_v / M_a))`` with the mole fraction of vapor
    ``x_v = humidity f(p, t) e_s / p`` and the compressibility ``Z(p, T, x_v)``.

    Parameters
    ----------
    pressure_pa : array_like
        Station pressure p [Pa], not reduced to sea level.
    temperature_k : array_like
        Temperature T [K].
    humidity : array_like
        Relative humidity, 0 to 1.

    Returns
    -------
    ndarray
        Density [kg/m3]. For the stated range of validity see `CIPM_PRESSURE_RANGE_PA`.

    References
    ----------
    A. Picard, R. S. Davis, M. Glaeser, K. Fujii, Revised formula for the density of moist air (CIPM-2007),
    Metrologia 45 (2008) 149; carbon dioxide at 400 parts per million.
    """
    p = np.asarray(pressure_pa, dtype=np.float64)
    kelvin = np.asarray(temperature_k, dtype=np.float64)
    celsius = kelvin - 273.15
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * celsius * celsius
    vapor = humidity * enhancement * saturation_vapor_pressure(kelvin) / p
    second_virial = (
        1.58123e-6
        - 2.9331e-8 * celsius
        + 1.1043e-10 * celsius * celsius
        + (5.707e-6 - 2.051e-8 * celsius) * vapor
        + (1.9898e-4 - 2.376e-6 * celsius) * vapor * vapor
    )
    third_virial = 1.83e-11 - 0.765e-8 * vapor * vapor
    reduced = p / kelvin
    compressibility = 1.0 - reduced * second_virial + reduced * reduced * third_virial
    return p * 28.96546e-3 / (compressibility * 8.314472 * kelvin) * (1.0 - 0.3780 * vapor)


def dry_pressure(
    pressure_pa: FloatArray | float, temperature_k: FloatArray | float, humidity: FloatArray | float
) -> FloatArray:
    """Return the pressure of the dry part of the air: what engine power corrections count.

    Parameters
    ----------
    pressure_pa : array_like
        Station pressure [Pa].
    temperature_k : array_like
        Temperature [K].
    humidity : array_like
        Relative humidity, 0 to 1.

    Returns
    -------
    ndarray
        ``p - humidity e_s(T)`` [Pa] (Dalton's law).
    """
    return pressure_pa - humidity * saturation_vapor_pressure(temperature_k)


def j1349_factor(dry_pressure_pa: FloatArray | float, temperature_k: FloatArray | float) -> FloatArray:
    """Return corrected over observed power after SAE J1349.

    ``cf = 1.18 (99 kPa / p_d) sqrt((t + 273) / 298) - 0.18``, t in degrees Celsius: 15 % of the indicated
    power is taken as friction, which does not depend on the air. An engine rated P makes ``P / cf`` in this
    air.

    Parameters
    ----------
    dry_pressure_pa : array_like
        Pressure of the dry air p_d [Pa].
    temperature_k : array_like
        Temperature of the inlet air [K].

    Returns
    -------
    ndarray
        Factor, 1 at 99 kPa and 25 degC. Stated conditions: `J1349_PRESSURE_RANGE_PA`,
        `J1349_TEMPERATURE_RANGE_K`; at the elevation of high lake beds it is used beyond them. Naturally
        aspirated spark ignition, full throttle.

    References
    ----------
    SAE J1349 (June 1990), Engine Power Test Code - Spark Ignition and Compression Ignition - Net Power
    Rating.
    """
    # The formula counts kelvin as t + 273, not t + 273.15.
    kelvin = np.asarray(temperature_k, dtype=np.float64) - 273.15 + 273.0
    return 1.18 * (99000.0 / dry_pressure_pa) * np.sqrt(kelvin / 298.0) - 0.18


def iso1585_factor(dry_pressure_pa: FloatArray | float, temperature_k: FloatArray | float) -> FloatArray:
    """Return corrected over observed power after ISO 1585, spark ignition.

    ``alpha = (99 kPa / p_s)^1.2 (T / 298 K)^0.6``.

    Parameters
    ----------
    dry_pressure_pa : array_like
        Pressure of the dry air p_s [Pa].
    temperature_k : array_like
        Temperature of the inlet air T [K].

    Returns
    -------
    ndarray
        Factor, 1 at 99 kPa and 298 K; stated to hold within `ISO1585_FACTOR_RANGE`.

    References
    ----------
    ISO 1585, Road vehicles - Engine test code - Net power (formula from memory; also UN Regulation 85).
    """
    temperature = np.asarray(temperature_k, dtype=np.float64)
    pressure_term: FloatArray = np.power(99000.0 / np.asarray(dry_pressure_pa, dtype=np.float64), 1.2)
    temperature_term: FloatArray = np.power(temperature / 298.0, 0.6)
    return pressure_term * temperature_term


def headwind(
    wind_ms: FloatArray | float, wind_from_deg: FloatArray | float, bearing_deg: FloatArray | float
) -> FloatArray:
    """Return the part of the wind that blows against a car driving along a bearing.

    ``w cos(from - bearing)``; what blows across is left out.

    Parameters
    ----------
    wind_ms : array_like
        Wind speed w [m/s].
    wind_from_deg : array_like
        Direction the wind blows from [deg], clockwise from north.
    bearing_deg : array_like
        Direction of travel [deg], clockwise from north.

    Returns
    -------
    ndarray
        Headwind [m/s]: air speed is road speed plus this; negative for a tailwind.
    """
    angle = np.radians(np.asarray(wind_from_deg, dtype=np.float64) - bearing_deg)
    along: FloatArray = np.cos(angle)
    return wind_ms * along


def crosswind(
    wind_ms: FloatArray | float, wind_from_deg: FloatArray | float, bearing_deg: FloatArray | float
) -> FloatArray:
    """Return the part of the wind that blows across a car driving along a bearing.

    ``w sin(from - bearing)``.

    Parameters
    ----------
    wind_ms : array_like
        Wind speed w [m/s].
    wind_from_deg : array_like
        Direction the wind blows from [deg], clockwise from north.
    bearing_deg : array_like
        Direction of travel [deg], clockwise from north.

    Returns
    -------
    ndarray
        Crosswind [m/s], positive from the right.
    """
    angle = np.radians(np.asarray(wind_from_deg, dtype=np.float64) - bearing_deg)
    across: FloatArray = np.sin(angle)
    return wind_ms * across


def crosswind_square(crosswind_ms: FloatArray | float, drag_rise_at_10_deg: FloatArray | float) -> FloatArray:
    """Return what a crosswind adds to the square of the air speed along the car, as drag feels it.

    Drag along the car at yaw angle psi is taken as ``1/2 rho V^2 CdA (1 + k sin^2 psi)`` with V the speed of the
    relative wind. With ``V^2 = a^2 + c^2`` and ``sin psi = c / V`` that is ``1/2 rho CdA (a^2 + (1 + k) c^2)``.

    Parameters
    ----------
    crosswind_ms : array_like
        Crosswind c [m/s].
    drag_rise_at_10_deg : array_like
        Rise of the drag area from head-on wind to 10 degrees of yaw, as a share: ``k sin^2(10 deg)``.

    Returns
    -------
    ndarray
        ``(1 + k) c^2`` [m2/s2]. The square of the sine is a form chosen here: even, smooth, and nothing at no yaw.

    References
    ----------
    S. Windsor, Real world drag coefficient - is it wind averaged drag? (2014): up to 10 % more for relatively
    small yaw angles on many modern cars.
    """
    sine = np.sin(np.radians(YAW_ANGLE_DEG))
    across = np.asarray(crosswind_ms, dtype=np.float64)
    return (1.0 + drag_rise_at_10_deg / (sine * sine)) * (across * across)
