"""Tires and wheels: load index, speed symbol, dimensions, rim widths, moments of inertia.

Size codes, load indexes and speed symbols are open standards (ETRTO Standards Manual; ISO 4000-1; UN
Regulation 30). All functions on numbers work element by element on arrays that broadcast, and return
float64 arrays.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, overload

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Mapping

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

INCH_M = 0.0254
_KMH = 1.0 / 3.6

SPEED_SYMBOL_MS: Mapping[str, float] = MappingProxyType(
    {
        symbol: kmh / 3.6
        for symbol, kmh in {
            "L": 120.0, "M": 130.0, "N": 140.0, "P": 150.0, "Q": 160.0, "R": 170.0, "S": 180.0,
            "T": 190.0, "U": 200.0, "H": 210.0, "V": 240.0, "W": 270.0, "Y": 300.0,
        }.items()
    }
)  # fmt: skip
"""Highest speed of each speed symbol [m/s] (UN Regulation 30). A bare ZR names no speed and has no entry."""

LOAD_INDEX_KG: Mapping[int, float] = MappingProxyType(
    dict(
        enumerate(
            map(
                float,
                (
                    250, 257, 265, 272, 280, 290, 300, 307, 315, 325,  # 60 to 69
                    335, 345, 355, 365, 375, 387, 400, 412, 425, 437,  # 70 to 79
                    450, 462, 475, 487, 500, 515, 530, 545, 560, 580,  # 80 to 89
                    600, 615, 630, 650, 670, 690, 710, 730, 750, 775,  # 90 to 99
                    800, 825, 850, 875, 900, 925, 950, 975, 1000, 1030,  # 100 to 109
                    1060, 1090, 1120, 1150, 1180, 1215, 1250, 1285, 1320, 1360,  # 110 to 119
                    1400,  # 120
                ),
            ),
            start=60,
        )
    )
)  # fmt: skip
"""Load one tire may carry [kg] by load index (ISO 4000-1; UN Regulation 30)."""

_LOAD_SHARE: Mapping[str, tuple[tuple[float, ...], tuple[float, ...]]] = MappingProxyType(
    {
        "V": ((210.0, 220.0, 230.0, 240.0), (1.0, 0.97, 0.94, 0.91)),
        "W": ((240.0, 250.0, 260.0, 270.0), (1.0, 0.95, 0.90, 0.85)),
        "Y": ((270.0, 280.0, 290.0, 300.0), (1.0, 0.95, 0.90, 0.85)),
    }
)  # speeds [km/h] and shares; symbols not named here carry the full load up to their own speed

STANDARD_REFERENCE_PRESSURE_PA = 250000.0
EXTRA_LOAD_REFERENCE_PRESSURE_PA = 290000.0
"""Gauge pressures at which the load of the load index is carried (ETRTO Standards Manual, from memory)."""

LOAD_PRESSURE_EXPONENT = 0.8
"""Exponent of load over pressure (ETRTO Standards Manual, from memory)."""

ROLLING_CIRCUMFERENCE_OVER_DIAMETER = 3.05
"""Radial tires under load, slow. Against pi: the belt runs 3 % short of the free circumference."""

GROWTH_SPEED_MS = 44.704
"""Speed at which the growth of a rolling circumference is stated [m/s]: 100 mph."""

TIRE_GYRATION_OVER_RADIUS = 0.9
"""Radius of gyration over outer radius of a tire alone."""

WHEEL_GYRATION_OVER_RIM_RADIUS = 0.85
"""Radius of gyration over nominal rim radius of a wheel alone. Assumed: a uniform disk has 0.71, a hoop 1."""

SECTION_GROWTH_PER_RIM_WIDTH = 0.4
"""Growth of section width per growth of rim width (UN Regulation 30, form ``S = S1 + K (A - A1)``)."""

NARROWEST_RIM_IN = 3.5
"""Narrowest passenger car rim considered [in] (from memory)."""


def load_capacity_kg(load_index: int) -> float:
    """Return the load one tire may carry at its reference pressure, below the speeds that reduce it.

    Parameters
    ----------
    load_index : int
        Load index, 60 to 120.

    Returns
    -------
    float
        Load [kg].

    Raises
    ------
    ValueError
        If the load index is outside the table.
    """
    if load_index not in LOAD_INDEX_KG:
        raise ValueError(f"load index must be {min(LOAD_INDEX_KG)} to {max(LOAD_INDEX_KG)}, got {load_index}")
    return LOAD_INDEX_KG[load_index]


def load_share_at_speed(symbol: str, speed_ms: FloatArray | float) -> FloatArray:
    """Return the share of the load index that a tire may carry at a speed.

    Full load up to 210 km/h (V), 240 km/h (W), 270 km/h (Y) or up to the symbol's own speed (H and below),
    then falling in steps of 3 % (V) or 5 % (W, Y) per 10 km/h, linear between.

    Parameters
    ----------
    symbol : str
        Speed symbol, a key of `SPEED_SYMBOL_MS`.
    speed_ms : array_like
        Highest speed of the car [m/s].

    Returns
    -------
    ndarray
        Share, 0 beyond the speed of the symbol.

    Raises
    ------
    ValueError
        If the symbol is not in the table.

    References
    ----------
    D. A. Crolla (ed.), Automotive Engineering: Powertrain, Chassis System and Vehicle Body (2009), fig.
    10.1-14, after J. Reimpell et al., The Automotive Chassis; UN Regulation 30 (from memory).
    """
    if symbol not in SPEED_SYMBOL_MS:
        raise ValueError(f"speed symbol must be one of {', '.join(SPEED_SYMBOL_MS)}, got {symbol!r}")
    limit = SPEED_SYMBOL_MS[symbol]
    speed = np.asarray(speed_ms, dtype=np.float64)
    kmh, shares = _LOAD_SHARE.get(symbol, ((0.0,), (1.0,)))
    share: FloatArray = np.interp(speed, [one * _KMH for one in kmh], shares)
    # At the very speed of the symbol the tire is still good, whatever the last bit of the conversion says.
    return np.where(speed > limit * (1.0 + 1e-12), 0.0, share)[()]


def load_share_at_pressure(pressure_pa: FloatArray | float, extra_load: BoolArray | bool) -> FloatArray:
    """Return the share of the load index that a tire carries at an inflation pressure.

    ``(p / p_ref)^0.8``, at most 1: more pressure than the reference carries no more load.

    Parameters
    ----------
    pressure_pa : array_like
        Cold gauge pressure p [Pa]; below zero counts as zero.
    extra_load : array_like of bool
        Marked extra load or reinforced: p_ref is 290 kPa instead of 250 kPa.

    Returns
    -------
    ndarray
        Share, 0 to 1. Meant for speeds up to 160 km/h; faster, more pressure is needed for the same load.

    References
    ----------
    ETRTO Standards Manual (from memory).
    """
    reference = np.where(extra_load, EXTRA_LOAD_REFERENCE_PRESSURE_PA, STANDARD_REFERENCE_PRESSURE_PA)
    relative = np.clip(np.asarray(pressure_pa, dtype=np.float64) / reference, 0.0, 1.0)
    share: FloatArray = np.power(relative, LOAD_PRESSURE_EXPONENT)
    return share


def overall_diameter_m(
    section_width_m: FloatArray | float, aspect: FloatArray | float, rim_diameter_in: FloatArray | float
) -> FloatArray:
    """Return the overall diameter of a new tire from its size code: ``25.4 mm x rim + 2 width x aspect``.

    Parameters
    ----------
    section_width_m : array_like
        Nominal section width [m].
    aspect : array_like
        Section height over section width (0.60 for a "60").
    rim_diameter_in : array_like
        Nominal rim diameter [in].

    Returns
    -------
    ndarray
        Diameter [m]. Tires of one size differ between makers; a measured roll-out is better.

    References
    ----------
    ISO 4000-1, Passenger car tyres and rims - Part 1: Tyres (metric series).
    """
    rim = INCH_M * np.asarray(rim_diameter_in, dtype=np.float64)
    return rim + 2 * section_width_m * aspect


@overload
def rolling_circumference_m(diameter_m: float) -> float: ...


@overload
def rolling_circumference_m(diameter_m: FloatArray) -> FloatArray: ...


def rolling_circumference_m(diameter_m: FloatArray | float) -> FloatArray | float:
    """Return the distance rolled in one turn under load, without slip: ``3.05 D`` for radial tires.

    Parameters
    ----------
    diameter_m : array_like
        Overall diameter D of the new tire [m].

    Returns
    -------
    ndarray
        Rolling circumference [m]. Overall ratio and revolutions per mile of 70 cars give 3.050 (scatter
        0.048).

    References
    ----------
    ETRTO Standards Manual (factor from memory).
    """
    return ROLLING_CIRCUMFERENCE_OVER_DIAMETER * np.asarray(diameter_m, dtype=np.float64)


def circumference_growth(growth: FloatArray | float, speed_ms: FloatArray | float) -> FloatArray:
    """Return the rolling circumference at a speed over that at walking pace: ``1 + g (c / 100 mph)^2``.

    What stretches the belt is the centrifugal load, which goes with the square of speed.

    Parameters
    ----------
    growth : array_like
        Growth g at 100 mph as a share of the circumference.
    speed_ms : array_like
        Speed c of the tire's surface [m/s].

    Returns
    -------
    ndarray
        Factor on the rolling circumference, or radius, at walking pace.

    References
    ----------
    Form ``C_R,dyn = C_R (1 + 0.01 k_v)`` in D. A. Crolla (ed.), Automotive Engineering: Powertrain, Chassis
    System and Vehicle Body (2009), after J. Reimpell et al., The Automotive Chassis; its chart of k_v was not seen.
    """
    relative = np.asarray(speed_ms, dtype=np.float64) / GROWTH_SPEED_MS
    return 1.0 + growth * (relative * relative)


def grown_surface_speed(growth: FloatArray | float, slow_ms: FloatArray | float) -> FloatArray:
    """Return the surface speed of a tire that grows, where one that does not would have the speed ``slow_ms``.

    The root of ``c = c_0 (1 + g (c / 100 mph)^2)`` that begins at c_0, which is
    ``2 c_0 / (1 + sqrt(1 - 4 g (c_0 / 100 mph)^2))``.

    Parameters
    ----------
    growth : array_like
        Growth g at 100 mph as a share of the circumference.
    slow_ms : array_like
        Speed c_0 [m/s] of the wheel's turning times the circumference at walking pace.

    Returns
    -------
    ndarray
        Surface speed [m/s]. Where no root exists (far beyond any tire) the last one there is.
    """
    relative = np.asarray(slow_ms, dtype=np.float64) / GROWTH_SPEED_MS
    root: FloatArray = np.sqrt(np.maximum(1.0 - 4.0 * growth * (relative * relative), 0.0))
    return 2.0 * np.asarray(slow_ms, dtype=np.float64) / (1.0 + root)


def _measuring_rim_in(section_width_m: FloatArray | float, aspect: FloatArray | float) -> FloatArray:
    """Rim width a size is measured on: a share of the section width by aspect, to the half inch [in]."""
    ratio = np.asarray(aspect, dtype=np.float64)
    share = np.select(
        [ratio >= 0.725, ratio >= 0.575, ratio >= 0.475, ratio >= 0.425], [0.70, 0.75, 0.80, 0.85], 0.90
    )
    halves: FloatArray = np.floor(2.0 * share * section_width_m / INCH_M + 0.5)
    return 0.5 * halves


@overload
def rim_width_range_in(section_width_m: float, aspect: float) -> tuple[float, float]: ...


@overload
def rim_width_range_in(
    section_width_m: FloatArray, aspect: FloatArray | float
) -> tuple[FloatArray, FloatArray]: ...


@overload
def rim_width_range_in(
    section_width_m: FloatArray | float, aspect: FloatArray
) -> tuple[FloatArray, FloatArray]: ...


def rim_width_range_in(
    section_width_m: FloatArray | float, aspect: FloatArray | float
) -> tuple[FloatArray | float, FloatArray | float]:
    """Return the narrowest and widest rim for a size, as a soft rule where the maker states none.

    Widest: the trade table (nominal section of 155 mm takes up to 5.0 in, half an inch more per 10 mm,
    linear between and beyond), held between 1.0 and 1.5 in above the measuring rim. Narrowest: half an inch
    below the measuring rim, not under 3.5 in. The measuring rim is 70, 75, 80, 85 or 90 % of the section
    width for aspects of 75 and up, 60 to 70, 50 to 55, 45, and 40 and below, to the half inch.

    The lower end of the trade table (155 mm to 185 mm on 5.0 in and so on) is not used: the official ranges
    that could be read (205/60R15 on 5.5 to 7.5, 195/65R15 on 5.5 to 7.0, 235/40R17 from 8.0) all begin half
    an inch below the measuring rim, which is wider than the trade table for the first and narrower for the
    last.

    Parameters
    ----------
    section_width_m : array_like
        Nominal section width [m], 0.135 to 0.265.
    aspect : array_like
        Section height over section width.

    Returns
    -------
    tuple of ndarray
        Narrowest and widest rim width [in].

    References
    ----------
    Trade table of rim width against section width (no author); ETRTO Standards Manual for the ranges and
    measuring rims named above (as quoted in trade texts). A range stated by the tire's maker always goes
    before this.
    """
    measuring = _measuring_rim_in(section_width_m, aspect)
    # Rounded to 1e-6 mm, so that 205 mm means 205 mm however it was converted.
    width_mm: FloatArray = np.round(1000.0 * np.asarray(section_width_m, dtype=np.float64), 6)
    trade_widest = 5.0 + (width_mm - 155.0) / 20.0
    narrowest: FloatArray = np.maximum(measuring - 0.5, NARROWEST_RIM_IN)
    widest: FloatArray = np.clip(trade_widest, measuring + 1.0, measuring + 1.5)
    return narrowest, widest


def section_width_on_rim_m(
    section_width_m: FloatArray | float, aspect: FloatArray | float, rim_width_in: FloatArray | float
) -> FloatArray:
    """Return the section width of a tire on another rim than its measuring rim: 0.2 in more per 0.5 in.

    ``S = S1 + 0.4 (A - A1)`` with the measuring rim A1 as in `rim_width_range_in`. The diameter does not
    change (belted radial tires).

    Parameters
    ----------
    section_width_m : array_like
        Section width S1 on the measuring rim [m].
    aspect : array_like
        Section height over section width.
    rim_width_in : array_like
        Width A of the rim [in].

    Returns
    -------
    ndarray
        Section width S [m].

    References
    ----------
    UN Regulation 30 and its amendments (form and K = 0.4).
    """
    difference = rim_width_in - _measuring_rim_in(section_width_m, aspect)
    return section_width_m + SECTION_GROWTH_PER_RIM_WIDTH * INCH_M * difference


def tire_inertia(mass_kg: FloatArray | float, diameter_m: FloatArray | float) -> FloatArray:
    """Return the moment of inertia of a tire about its axle, estimated: ``m (0.9 D / 2)^2``.

    Parameters
    ----------
    mass_kg : array_like
        Mass m of the tire alone [kg].
    diameter_m : array_like
        Overall diameter D [m].

    Returns
    -------
    ndarray
        Moment of inertia [kg m2].

    References
    ----------
    Measured tires give 0.90 (205/60R15; H. B. Pacejka, Tire and Vehicle Dynamics, from memory) and 0.91
    (185/40R13 competition tire, a tire property file) for the radius of gyration over the outer radius.
    """
    gyration = TIRE_GYRATION_OVER_RADIUS * np.asarray(diameter_m, dtype=np.float64) / 2.0
    return mass_kg * gyration * gyration


def wheel_inertia(mass_kg: FloatArray | float, rim_diameter_in: FloatArray | float) -> FloatArray:
    """Return the moment of inertia of a wheel without tire about its axle, estimated: ``m (0.85 d / 2)^2``.

    Parameters
    ----------
    mass_kg : array_like
        Mass m of the wheel alone [kg].
    rim_diameter_in : array_like
        Nominal rim diameter d [in].

    Returns
    -------
    ndarray
        Moment of inertia [kg m2]. No published measurement was found: the factor is assumed, and must lie
        between that of a uniform disk (0.71) and that of a hoop (1); most of the metal is in the barrel.
    """
    gyration = WHEEL_GYRATION_OVER_RIM_RADIUS * INCH_M * np.asarray(rim_diameter_in, dtype=np.float64) / 2.0
    return mass_kg * gyration * gyration
