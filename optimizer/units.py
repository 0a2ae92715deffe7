"""Units as builders write them <-> the numbers used inside: one table; nothing else knows a factor.

Inside everything is SI, except where the trade's own unit is the better name of the quantity and the
record says so: engine speed in rpm, sweep rate in rpm/s, rim sizes in inches, own work in hours, age in
years, angles in degrees, gentle braking in g. The meaning of a unit depends on the dimension of the field:
``lb`` is mass or force, ``g`` is gram or gravity, and ``psi`` of a tire is gauge pressure.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

INCH = 0.0254  # m, exact (international yard and pound agreement, 1959)
FOOT = 12 * INCH
YARD = 3 * FOOT
MILE = 1760 * YARD
POUND = 0.45359237  # kg, exact (same agreement)
GRAVITY = 9.80665  # m/s2, exact (standard acceleration of gravity)
POUND_FORCE = POUND * GRAVITY
ATMOSPHERE = 101325.0  # Pa, exact
INCH_OF_MERCURY = 13595.1 * GRAVITY * INCH  # Pa, conventional density of mercury
HORSEPOWER = 550 * FOOT * POUND_FORCE  # W, mechanical
METRIC_HORSEPOWER = 75 * GRAVITY  # W
FAHRENHEIT = 5 / 9  # K
KNOT = 1852 / 3600  # m/s, exact
BTU_PER_POUND_F = 4186.8  # J/(kg K), exact (International Table Btu)


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit of one dimension: ``inside = number * factor + offset``.

    ``name`` is the spelling used in messages, ``spellings`` are further ones that are understood.
    """

    name: str
    factor: float
    spellings: tuple[str, ...] = ()
    offset: float = 0.0

    def inside(self, number: float) -> float:
        """Turn a number in this unit into the one used inside."""
        return number * self.factor + self.offset

    def outside(self, value: float) -> float:
        """Turn a value used inside into a number in this unit."""
        return (value - self.offset) / self.factor


UNITS: Mapping[str, tuple[Unit, ...]] = MappingProxyType(
    {
        "mass": (
            Unit("kg", 1.0, ("kgs", "kilogram", "kilograms")),
            Unit("lb", POUND, ("lbs", "lbm", "pound", "pounds")),
            Unit("g", 1e-3, ("gram", "grams")),
            Unit("oz", POUND / 16, ("ounce", "ounces")),
        ),
        "length": (
            Unit("mm", 1e-3, ("millimeter", "millimeters")),
            Unit("cm", 1e-2),
            Unit("m", 1.0, ("meter", "meters", "metre", "metres")),
            Unit("in", INCH, ("inch", "inches", '"')),
            Unit("ft", FOOT, ("foot", "feet", "'")),
        ),
        "distance": (
            Unit("mi", MILE, ("mile", "miles")),
            Unit("km", 1e3, ("kilometer", "kilometers")),
            Unit("m", 1.0, ("meter", "meters", "metre", "metres")),
            Unit("ft", FOOT, ("foot", "feet", "'")),
            Unit("yd", YARD, ("yard", "yards")),
        ),
        "rim size": (
            Unit("in", 1.0, ("inch", "inches", '"')),
            Unit("mm", 1e-3 / INCH, ("millimeter", "millimeters")),
        ),
        "area": (
            Unit("m2", 1.0, ("sqm",)),
            Unit("ft2", FOOT**2, ("sqft",)),
            Unit("in2", INCH**2, ("sqin",)),
            Unit("cm2", 1e-4),
        ),
        "area per length": (
            Unit("m2/m", 1.0),
            Unit("ft2/ft", FOOT),
            Unit("ft2/in", FOOT**2 / INCH),
            Unit("m2/mm", 1e3),
        ),
        "mass per area": (Unit("kg/m2", 1.0), Unit("lb/ft2", POUND / FOOT**2)),
        "volume": (
            Unit("cc", 1e-6, ("cm3", "ccm")),
            Unit("L", 1e-3, ("liter", "liters", "litre", "litres", "dm3")),
            Unit("ci", INCH**3, ("cuin", "cid", "in3")),
            Unit("m3", 1.0),
        ),
        "inertia": (
            Unit("kg m2", 1.0),
            Unit("lb ft2", POUND * FOOT**2, ("lbm ft2",)),
            Unit("lb in2", POUND * INCH**2, ("lbm in2",)),
            Unit("kg cm2", 1e-4),
            Unit("slug ft2", POUND_FORCE * FOOT, ("lb ft s2", "lbf ft s2")),
        ),
        "force": (
            Unit("N", 1.0, ("newton", "newtons")),
            Unit("lbf", POUND_FORCE, ("lb", "lbs", "pound", "pounds")),
            Unit("kgf", GRAVITY, ("kp",)),
        ),
        "torque": (
            Unit("N m", 1.0),
            Unit("lb-ft", POUND_FORCE * FOOT, ("ft lb", "lbf ft", "ft lbf", "lbs ft", "ft lbs")),
            Unit("lb-in", POUND_FORCE * INCH, ("in lb", "lbf in", "in lbf")),
            Unit("kgf m", GRAVITY, ("mkg", "kpm", "kg m")),
        ),
        "power": (
            Unit("hp", HORSEPOWER, ("bhp", "whp", "horsepower")),
            Unit("kW", 1e3),
            Unit("PS", METRIC_HORSEPOWER, ("cv",)),
            Unit("W", 1.0),
        ),
        "tire pressure": (
            Unit("psi", POUND_FORCE / INCH**2, ("psig",)),
            Unit("kPa", 1e3),
            Unit("bar", 1e5),
            Unit("Pa", 1.0),
        ),
        "air pressure": (
            Unit("inHg", INCH_OF_MERCURY, ("in of hg", "inches hg")),
            Unit("hPa", 1e2, ("mbar", "mb", "millibar")),
            Unit("kPa", 1e3),
            Unit("mmHg", 13595.1 * GRAVITY * 1e-3),
            Unit("psia", POUND_FORCE / INCH**2),
            Unit("Pa", 1.0),
        ),
        "temperature": (
            Unit("F", FAHRENHEIT, ("degF", "fahrenheit"), 459.67 * FAHRENHEIT),
            Unit("C", 1.0, ("degC", "celsius"), 273.15),
            Unit("K", 1.0, ("kelvin",)),
        ),
        "temperature rise": (
            Unit("K", 1.0, ("kelvin",)),
            Unit("degC", 1.0, ("C", "celsius")),
            Unit("degF", FAHRENHEIT, ("F", "fahrenheit")),
        ),
        "specific heat": (
            Unit("J/kg K", 1.0, ("J/kg C",)),
            Unit("kJ/kg K", 1e3, ("kJ/kg C",)),
            Unit("Btu/lb F", BTU_PER_POUND_F),
        ),
        "speed": (
            Unit("mph", MILE / 3600, ("mi/h", "miles/h")),
            Unit("km/h", 1 / 3.6, ("kmh", "kph")),
            Unit("m/s", 1.0),
            Unit("kn", KNOT, ("kt", "knot", "knots")),
        ),
        "time": (Unit("s", 1.0, ("sec", "second", "seconds")), Unit("ms", 1e-3)),
        "engine speed": (Unit("rpm", 1.0, ("r/min", "1/min", "revs/min")),),
        "sweep rate": (Unit("rpm/s", 1.0, ("rpm/sec", "rpm per second")),),
        "work time": (
            Unit("h", 1.0, ("hr", "hrs", "hour", "hours")),
            Unit("min", 1 / 60, ("minute", "minutes")),
        ),
        "age": (Unit("years", 1.0, ("year", "yr", "yrs", "a")),),
        "angle": (Unit("deg", 1.0, ("degree", "degrees", "°")),),
        "braking": (Unit("g", 1.0), Unit("m/s2", 1 / GRAVITY)),
        "fraction": (Unit("%", 0.01, ("percent", "pct")), Unit("fraction", 1.0, ("share",))),
    }
)
"""Units of each dimension, the usual ones first. This is the only place that holds a factor."""

_SHOWN: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "mass": ("lb", "kg"),
        "length": ("in", "mm"),
        "distance": ("mi", "km"),
        "rim size": ("in", "in"),
        "area": ("ft2", "m2"),
        "area per length": ("ft2/ft", "m2/m"),
        "mass per area": ("lb/ft2", "kg/m2"),
        "volume": ("cc", "cc"),
        "inertia": ("lb ft2", "kg m2"),
        "force": ("lbf", "N"),
        "torque": ("lb-ft", "N m"),
        "power": ("hp", "kW"),
        "tire pressure": ("psi", "bar"),
        "air pressure": ("inHg", "hPa"),
        "temperature": ("F", "C"),
        "temperature rise": ("degF", "K"),
        "specific heat": ("J/kg K", "J/kg K"),
        "speed": ("mph", "km/h"),
        "time": ("s", "s"),
        "engine speed": ("rpm", "rpm"),
        "sweep rate": ("rpm/s", "rpm/s"),
        "work time": ("h", "h"),
        "age": ("years", "years"),
        "angle": ("deg", "deg"),
        "braking": ("g", "g"),
        "fraction": ("%", "%"),
    }
)

_REFUSED: Mapping[tuple[str, str], str] = MappingProxyType(
    {
        ("tire pressure", "psia"): "is absolute pressure; tire pressures are gauge: write psi",
        ("air pressure", "psi"): "may be gauge or absolute; station pressure is absolute: write psia or inHg",
        ("air pressure", "psig"): "is gauge pressure; station pressure is absolute: write psia or inHg",
    }
)


_LETTERS_FOR_DIGITS = str.maketrans("OoIl", "0011")


def nearest(word: str, known: Iterable[str], *, cutoff: float = 0.6) -> str:
    """End of a sentence that names the nearest known word; empty where none is near.

    A letter typed for the digit it looks like (``T1O``) is nearer than anything else. `cutoff` is how much of
    the two words must agree, from 0 to 1.

    Examples
    --------
    >>> nearest("mas", ["mass", "price"])
    '; did you mean mass?'
    """
    by_lower = {each.lower(): each for each in known}
    bare = word.strip()
    alike = bare.translate(_LETTERS_FOR_DIGITS)
    same = [each for each in by_lower.values() if each.translate(_LETTERS_FOR_DIGITS) == alike]
    found = difflib.get_close_matches(bare.lower(), by_lower, n=1, cutoff=cutoff)
    best = same[0] if same else by_lower[found[0]] if found else ""
    return f"; did you mean {best}?" if best else ""


def nearest_and_all(word: str, known: Iterable[str], all_are: str) -> str:
    """End of a sentence about a word that is not known: the nearest, where there is one, then all.

    Examples
    --------
    >>> nearest_and_all("hrd", ["hard", "soft"], "there are")
    '; did you mean hard? There are hard, soft'
    >>> nearest_and_all("brine", ["hard", "soft"], "there are")
    '; there are hard, soft'
    """
    names = list(known)
    near = nearest(word, names)
    lead = f"{near} {all_are[0].upper()}{all_are[1:]}" if near else f"; {all_are}"
    return f"{lead} {', '.join(names)}"


def same_words(one: str, other: str) -> bool:
    """Whether two names are the same but for case and blanks; nothing is the same as no name."""
    return bool(one.strip()) and one.casefold().split() == other.casefold().split()


_LOOKALIKES = str.maketrans(
    {"²": "2", "³": "3", "\N{DOUBLE PRIME}": '"', "\N{PRIME}": "'", "\N{RIGHT DOUBLE QUOTATION MARK}": '"'}
)


def _plain(text: str) -> str:
    """Spelling without case, spaces, hyphens, dots, brackets and raised digits: ``lb·ft²`` -> ``lbft2``."""
    bare = re.sub(r"[\s\-._*()\[\]^\u00b7\u00d7]+", "", text.translate(_LOOKALIKES)).lower()
    return bare if bare == "°" else bare.replace("°", "")


_BY_SPELLING: Mapping[str, Mapping[str, Unit]] = MappingProxyType(
    {
        dimension: {_plain(each): unit for unit in units for each in (unit.name, *unit.spellings)}
        for dimension, units in UNITS.items()
    }
)


def choices(dimension: str) -> str:
    """Units understood for a dimension, as a list for a message."""
    return ", ".join(unit.name for unit in UNITS[dimension])


def find_unit(text: str, dimension: str) -> Unit:
    """Find a unit by any of its spellings.

    Raises
    ------
    ValueError
        If the spelling is not one of this dimension; the text names the choices.
    """
    plain = _plain(text)
    unit = _BY_SPELLING[dimension].get(plain)
    if unit is not None:
        return unit
    if (dimension, plain) in _REFUSED:
        raise ValueError(f"unit {text.strip()!r} {_REFUSED[dimension, plain]}")
    near = nearest(text, [each.name for each in UNITS[dimension]])
    raise ValueError(f"unit {text.strip()!r} is not one of {choices(dimension)}{near}")


def to_unit(value: float, unit: str, dimension: str) -> float:
    """Turn a value used inside into a number in a named unit, for display."""
    return find_unit(unit, dimension).outside(value)


def from_unit(number: float, unit: str, dimension: str) -> float:
    """Turn a number in a named unit into the value used inside."""
    return find_unit(unit, dimension).inside(number)


def mph(speed_ms: float) -> float:
    """Speed in miles per hour."""
    return to_unit(speed_ms, "mph", "speed")


def kmh(speed_ms: float) -> float:
    """Speed in kilometers per hour."""
    return to_unit(speed_ms, "km/h", "speed")


def pounds(mass_kg: float) -> float:
    """Mass in pounds."""
    return to_unit(mass_kg, "lb", "mass")


def inches(length_m: float) -> float:
    """Length in inches."""
    return to_unit(length_m, "in", "length")


def psi(pressure_pa: float) -> float:
    """Gauge pressure in pounds-force per square inch."""
    return to_unit(pressure_pa, "psi", "tire pressure")


def usual(dimension: str, *, metric: bool) -> str:
    """Name the unit that readers of a dimension think in."""
    return _SHOWN[dimension][metric]


def shown(value: float, dimension: str, *, metric: bool, digits: int = 3) -> str:
    """Text of a value in the unit its readers use, such as ``1,730 lb``.

    Parameters
    ----------
    value : float
        In the unit used inside.
    dimension : str
        Key of `UNITS`, or empty for a plain number.
    metric : bool
        Readers think in kg and km/h rather than lb and mph.
    digits : int
        Significant digits; whole numbers are never cut.
    """
    return shown_in(value, usual(dimension, metric=metric) if dimension else "", dimension, digits=digits)


def shown_in(value: float, name: str, dimension: str, *, digits: int = 3) -> str:
    """Text of a value used inside, in a named unit; a plain number where `dimension` is empty."""
    number = to_unit(value, name, dimension) if dimension else value
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(number)))) if number else 0
    text = f"{number:,.{min(decimals, 9)}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return f"{text} {name}".rstrip()


# --- numbers and numbers with a unit, as typed

_PLAIN_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.IGNORECASE)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+(\.\d*)?")  # 0,019 is no number with thousands
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
_DOTS_THEN_COMMA = re.compile(r"[+-]?\d{1,3}(\.\d{3})+,\d+")
_SPACED = re.compile(r"[+-]?\d{1,3}( \d{3})+(\.\d*)?")
_LETTER_O = re.compile(r"[+-]?(?=[\d.,]*[Oo])(?=[Oo.,]*\d)[\dOo.,]+(?=\s|$)")
_FRACTION = re.compile(r"(?P<sign>[+-]?)(?:(?P<whole>\d+)[ -]+)?(?P<top>\d+)/(?P<bottom>\d+)")
_QUANTITY = re.compile(
    r"(?P<number>[+-]?[\d.,][\d.,/ -]*?(?:e[+-]?\d+)?)\s*(?P<unit>[^\d\s.,/+-].*)?", re.IGNORECASE
)
_NOT_FINITE = {"nan", "inf", "infinity"}
_LOGICAL = {"true", "false", "yes", "no"}


def _tidy(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{MINUS SIGN}", "-").strip()


def take_tilde(text: str) -> tuple[bool, str]:
    """Tell whether a value is marked as assumed by a leading ``~``, and the value without it."""
    bare = _tidy(text)
    return bare.startswith("~"), bare.removeprefix("~").strip()


def slip_of(bare: str) -> str:
    """End of the sentence that names the usual slip in what should be a number; empty for any other.

    Examples
    --------
    >>> slip_of("12O")
    'has a letter where a digit belongs; write 120'
    >>> slip_of("1.200,50")
    'has a decimal comma; write 1,200.50'
    """
    if _DECIMAL_COMMA.fullmatch(bare):
        return f"has a decimal comma; write {bare.replace(',', '.')}"
    if _DOTS_THEN_COMMA.fullmatch(bare):
        return f"has a decimal comma; write {bare.translate(str.maketrans('.,', ',.'))}"
    if _SPACED.fullmatch(bare):
        return f"has a space between its digits; write {bare.replace(' ', ',')}"
    fixed = bare.translate(_LETTERS_FOR_DIGITS)
    if fixed != bare and re.search(r"\d", bare) and (_PLAIN_NUMBER.fullmatch(fixed) or _THOUSANDS.fullmatch(fixed)):
        return f"has a letter where a digit belongs; write {fixed}"
    return ""


def parse_number(text: str) -> float:
    """Read a number as typed: ``12.4``, ``1,730``, ``1/4``, ``1 1/2``, ``-3e-2``.

    Raises
    ------
    ValueError
        For anything else; the text completes the sentence that starts with what was typed.
    """
    bare = _tidy(text)
    if bare.lower().lstrip("+-") in _NOT_FINITE:
        raise ValueError("must be a finite number")
    if bare.lower() in _LOGICAL:
        raise ValueError("is a yes/no value where a number belongs")
    if _PLAIN_NUMBER.fullmatch(bare) or _THOUSANDS.fullmatch(bare):
        number = float(bare.replace(",", ""))
        if math.isinf(number):
            raise ValueError("must be a finite number")
        return number
    if slip := slip_of(bare):
        raise ValueError(slip)
    fraction = _FRACTION.fullmatch(bare)
    if fraction and int(fraction["bottom"]):
        size = int(fraction["whole"] or 0) + int(fraction["top"]) / int(fraction["bottom"])
        return -size if fraction["sign"] == "-" else size
    raise ValueError("must be a number, such as 12.5 or 1,250 or 1/4")


def split_quantity(text: str) -> tuple[float, str]:
    """Split a number from the unit that may follow it; the unit is empty where none does.

    Raises
    ------
    ValueError
        If there is no number to read.
    """
    bare = _tidy(text)
    if letters := _LETTER_O.match(bare):
        return parse_number(letters[0]), ""  # says which letter stands for a digit: no unit is an O
    match = _QUANTITY.fullmatch(bare)
    if match is None:
        return parse_number(bare), ""
    return parse_number(match["number"]), (match["unit"] or "").strip()


def parse_quantity(text: str, dimension: str, *, metric: bool = False) -> float:
    """Read a number with its unit, such as ``1,730 lb``, into the unit used inside.

    A fraction may go without unit (``0.61``); everything else must say its unit. `metric` readers get an
    example in their own units.

    Raises
    ------
    ValueError
        If the number or the unit cannot be read, or the unit is missing.
    """
    number, unit = split_quantity(text)
    if unit:
        return find_unit(unit, dimension).inside(number)
    if dimension == "fraction":
        return number
    example = f"{_tidy(text)} {usual(dimension, metric=metric)}"
    raise ValueError(f'needs its unit, one of {choices(dimension)}; such as "{example}"')


# --- headers of columns

_BRACKETED = re.compile(
    r"(?P<name>[^\[\]()]*?)\s*(?:\[(?P<square>[^\[\]]*)\]|\((?P<round>.*)\))\s*(?P<rest>[\w ]*)"
)


def words_of(text: str) -> str:
    """Name without case, underscores and doubled spaces: ``Front_Share`` -> ``front share``."""
    return " ".join(re.sub(r"[_\s]+", " ", text).lower().split())


def split_header(header: str) -> tuple[str, str]:
    """Split a header into name and bracketed unit: ``mass [lb]``, ``mass (lb)``; empty where there is none.

    Where the name of ``mass_lb`` ends can only be told by who knows the columns: its unit stays in the name.
    """
    match = _BRACKETED.fullmatch(header.strip())
    if match is None:
        return words_of(header), ""
    unit = match["square"] if match["square"] is not None else match["round"]
    return words_of(f"{match['name']} {match['rest']}"), unit.strip()
