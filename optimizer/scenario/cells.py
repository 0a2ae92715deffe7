"""Single cells: what a builder types -> one value, or a sentence that says what was expected.

Every parser takes the text of a cell that is not blank and raises `ValueError` with the end of a sentence
whose beginning is what was typed: ``'4x'`` and then ``must be bolts x circle, such as 4x100``.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping
from decimal import Decimal
from itertools import pairwise
from types import MappingProxyType

from optimizer.physics.tires import LOAD_INDEX_KG, SPEED_SYMBOL_MS
from optimizer.scenario.bounds import RIM_DIAMETER, RIM_WIDTH
from optimizer.scenario.parts import Basis, BasisKind, BoltPattern, TireSize
from optimizer.units import INCH, nearest, parse_number, parse_quantity, slip_of

CURRENCIES: Mapping[str, str] = MappingProxyType(
    {"USD": "$", "EUR": "€", "GBP": "£", "AUD": "$", "NZD": "$", "CAD": "$"}
)
"""Currencies an event may use, each with its symbol."""

PACKS: Mapping[str, int] = MappingProxyType({"each": 1, "pair": 2, "set": 4})
"""What a price is for, and how many pieces that is."""

_TIMES = "[xX*\N{MULTIPLICATION SIGN}]"

FASTEST_PUSH_MS = 90.0
"""Faster than any push truck: a slip of the pen."""

SPREADSHEET_ERROR = re.compile(
    r"#(N/A|REF!|NAME\?|VALUE!|DIV/0!|NUM!|NULL!|SPILL!|CALC!|GETTING_DATA|FIELD!|BLOCKED!)"
)


# --- words


def words(text: str) -> str:
    """Text as typed, without blanks around it."""
    return text.strip()


def identifier(text: str) -> str:
    """Id of a part or kit: any text without ``;``, ``,``, ``+`` and ``=`` that is not the word for an empty slot."""
    bare = text.strip()
    if bare.lower() == "none":
        raise ValueError("is the word for an empty slot and cannot be an id")
    if ";" in bare:
        raise ValueError("must not hold a semicolon: lists are separated by it")
    if set(",+=") & set(bare):
        raise ValueError("must hold no comma, plus or equals sign: questions name parts as ID,ID or SLOT=ID+ID")
    return bare


def listing(text: str) -> tuple[str, ...]:
    """List separated by semicolons; blanks and repeats are dropped, the order kept."""
    return tuple(dict.fromkeys(each.strip() for each in text.split(";") if each.strip()))


def word_set(text: str) -> frozenset[str]:
    """List of single words separated by semicolons, whose order means nothing."""
    if "," in text:
        raise ValueError("has a comma; separate the words of a list by semicolons")
    return frozenset(listing(text))


def one_of(*known: str) -> Callable[[str], str]:
    """Make a parser that accepts one of some words, whatever their case."""
    by_lower = {each.lower(): each for each in known}

    def parse(text: str) -> str:
        found = by_lower.get(" ".join(text.lower().split()))
        if found is None:
            raise ValueError(f"must be one of {', '.join(known)}{nearest(text, known)}")
        return found

    return parse


def yes_no(text: str) -> bool:
    """Yes or no, as typed or as a spreadsheet's TRUE and FALSE."""
    word = text.strip().lower()
    if word in {"yes", "y", "true"}:
        return True
    if word in {"no", "n", "false"}:
        return False
    raise ValueError("must be yes or no")


def basis(text: str) -> Basis:
    """How a value is known: ``measured``, ``rated``, ``assumed``, each with who says so after a colon."""
    kind, _, by = text.partition(":")
    known: dict[str, BasisKind] = {"measured": "measured", "rated": "rated", "assumed": "assumed"}
    found = known.get(kind.strip().lower())
    if found is None:
        near = nearest(kind, known)
        raise ValueError(f"must be measured, rated or assumed; who says so may follow a colon{near}")
    return Basis(found, by.strip())


# --- counts and money


def count(text: str) -> int:
    """Whole number of pieces, 0 or more."""
    number = parse_number(text)
    if number < 0 or number != int(number):
        raise ValueError("must be a whole number, 0 or more")
    return int(number)


def pieces(text: str) -> int:
    """Whole number of pieces, at least 1."""
    number = parse_number(text)
    if number < 1 or number != int(number):
        raise ValueError("must be a whole number, 1 or more")
    return int(number)


def few(text: str) -> int:
    """Whole number from 1 to 30: days, or runs of one."""
    number = pieces(text)
    if number > 30:
        raise ValueError("must be at most 30")
    return number


def pack(text: str) -> int:
    """Pieces that one price buys."""
    return PACKS[one_of(*PACKS)(text)]


def currency(text: str) -> str:
    """Currency of an event: its code, or a symbol that only one has (``€``)."""
    codes = [code for code, symbol in CURRENCIES.items() if symbol == text.strip()]
    return codes[0] if len(codes) == 1 else one_of(*CURRENCIES)(text)


def money(text: str, currency: str) -> int:
    """Amount of money in integer cents: ``$1,200``, ``1200``, ``1,200.50``, ``1200 USD``.

    Raises
    ------
    ValueError
        If it is in another currency than `currency` (empty: not known, so none is another), negative, or finer than a
        cent.
    """
    bare = text.replace("\N{NO-BREAK SPACE}", " ").strip()
    for code, symbol in CURRENCIES.items():
        for mark in (code, symbol):
            if bare.upper().startswith(mark) or bare.upper().endswith(mark):
                if currency and mark not in (currency, CURRENCIES[currency]):
                    raise ValueError(f"is in {code}, but the event counts in {currency}")
                bare = bare[len(mark) :] if bare.upper().startswith(mark) else bare[: -len(mark)]
                return _cents(bare.strip())
    return _cents(bare)


def _cents(bare: str) -> int:
    if not re.fullmatch(r"-?(\d+|[1-9]\d{0,2}(,\d{3})+)(\.\d*)?", bare):
        raise ValueError(slip_of(bare) or "must be an amount of money, such as 1,200 or 85.50")
    if re.fullmatch(r"-?[1-9]\d{0,2}\.\d{3}", bare):
        # $1.200 is twelve hundred where it was learned so: neither that nor one dollar twenty may be guessed
        raise ValueError(f"has three digits behind a dot; write {bare.replace('.', ',')}, or cents with two")
    cents = Decimal(bare.replace(",", "")) * 100
    if cents < 0:
        raise ValueError("must be 0 or more")
    if cents != int(cents):
        raise ValueError("must not be finer than a cent")
    return int(cents)


# --- tires

_SIZE = re.compile(
    r"P?(?P<width>\d{3})/(?P<aspect>\d{2})\s*(?P<build>ZR|R)\s*(?P<rim>\d{2}(?:\.\d)?)"
    r"(?:\s*\(?(?P<service>\d{2,3}\s*[A-Z])\)?)?(?P<extra>\s*(?:XL|EXTRA LOAD|REINFORCED))?"
)


def tire_size(text: str) -> dict[str, object]:
    """Size code with what may follow it: ``205/60R15``, ``205/60R15 91V``, ``205/50ZR15``, ``82V XL``.

    Returns
    -------
    dict
        ``size`` and, where the code says so, ``load_index``, ``speed_symbol`` and ``extra_load``. A bare ZR
        says only "faster than 240 km/h" without a limit, so it gives no symbol.
    """
    bare = " ".join(text.upper().split())
    match = _SIZE.fullmatch(bare)
    if match is None:
        raise ValueError(_why_not_a_size(bare))
    size = TireSize(int(match["width"]) / 1000, int(match["aspect"]) / 100, float(match["rim"]))
    if not (
        105 <= int(match["width"]) <= 405
        and 25 <= int(match["aspect"]) <= 95
        and 10 <= size.rim_diameter_in <= 24
    ):
        raise ValueError("is outside the sizes of car tires: 105 to 405 mm, 25 to 95 %, 10 to 24 in")
    found: dict[str, object] = {"size": size}
    if match["service"]:
        found["load_index"], found["speed_symbol"] = service(match["service"])
    if match["extra"]:
        found["extra_load"] = True
    return found


def _why_not_a_size(bare: str) -> str:
    example = "must be a size code such as 205/60R15 or 205/60R15 91V"
    if slip := _slip_in_size(bare):
        return slip
    if re.match(r"T\d{3}/", bare):
        return "is a temporary spare (T): not for speed"
    if re.match(r"\d{3}\s*[A-Z]?R\s*\d{2}", bare):
        return "has no height; write it with the aspect ratio, such as 155/80R13"
    if re.match(r"\d{2,3}/\d{2}\s*([A-Z]?[BD]|-)\s*\d{2}|.*M/C", bare):
        return "is not a radial car tire: " + example
    if re.match(r"LT|.*R\d\d(LT|C)", bare):
        return "is a light truck size, whose loads are read from another table: " + example
    return example


def _slip_in_size(bare: str) -> str:
    """What the usual slip in a size code is, with the code that was meant; empty for any other."""
    digits = re.sub(r"(?<=[\d/R])O|O(?=[\d/R])", "0", bare)
    if digits != bare and _SIZE.fullmatch(digits):
        return f"has a letter O where a digit belongs; write {digits}"
    without_r = re.fullmatch(r"P?(\d{3}/\d{2})\s+(\d{2}(?:\s.*)?)", bare)
    return f"has no R for a radial; write {without_r[1]}R{without_r[2]}" if without_r else ""


def service(text: str) -> tuple[int, str | None]:
    """Load index and speed symbol together: ``91V``, ``82 T``."""
    match = re.fullmatch(r"(\d{2,3})\s*([A-Za-z]{1,2})", text.strip())
    if match is None:
        raise ValueError("must be load index and speed symbol, such as 91V")
    return load_index(match[1]), speed_symbol(match[2])


def load_index(text: str) -> int:
    """Load index alone: ``91``."""
    bare = text.strip()
    if not bare.isdecimal() or int(bare) not in LOAD_INDEX_KG:
        raise ValueError(
            f"must be a load index from {min(LOAD_INDEX_KG)} to {max(LOAD_INDEX_KG)}, such as 91"
        )
    return int(bare)


def speed_symbol(text: str) -> str | None:
    """Speed symbol: one letter; ZR names no limit, so it is unknown (None)."""
    bare = text.strip().upper().strip("()")
    if bare in {"ZR", "Z"}:
        return None
    if bare not in SPEED_SYMBOL_MS:
        raise ValueError(f"must be a speed symbol: one of {', '.join(SPEED_SYMBOL_MS)}")
    return bare


def date_code(text: str) -> tuple[int, int]:
    """Week and year from the sidewall: ``2321`` or ``23/2021`` -> (2021, 23)."""
    bare = text.strip()
    match = re.fullmatch(r"(\d{1,2})\s*/\s*(20\d{2})", bare) or re.fullmatch(r"(\d{2})(\d{2})", bare)
    if match is None:
        hint = f"; a spreadsheet may have dropped the 0 of 0{bare}" if re.fullmatch(r"\d{3}", bare) else ""
        raise ValueError(f"must be week and year as on the sidewall, such as 2321 or 23/2021{hint}")
    week, year = int(match[1]), int(match[2])
    if not 1 <= week <= 53:
        raise ValueError("must begin with a week from 1 to 53")
    return (year if year >= 2000 else 2000 + year), week


# --- wheels


def wheel_size(text: str) -> dict[str, object]:
    """Wheel size, rim diameter x width in inches: ``15x6.5``, ``15 x 6 1/2``, or with the J: ``6.5Jx15``."""
    bare = " ".join(text.replace("\N{MULTIPLICATION SIGN}", "x").replace('"', "").lower().split())
    marked = re.fullmatch(r"(?P<width>[\d. /]+)\s*j{1,2}\s*x\s*(?P<rim>[\d.]+)", bare)
    match = marked or re.fullmatch(r"(?P<rim>[\d.]+)\s*x\s*(?P<width>[\d. /]+?)\s*j{0,2}", bare)
    if match is None:
        raise ValueError("must be rim diameter x width in inches, such as 15x6.5")
    rim, width = parse_number(match["rim"]), parse_number(match["width"])
    if _is_wheel(width, rim):
        raise ValueError(f"must give the diameter first: {width:g}x{rim:g}")
    if not _is_wheel(rim, width):
        half_inches = round(2 * width / 25.4) / 2
        hint = f"; {width:g} mm are {half_inches:g} in: {rim:g}x{half_inches:g}" if _is_wheel(rim, half_inches) else ""
        raise ValueError(f"is outside the sizes of car wheels: {_WHEELS}{hint}")
    return {"rim_diameter_in": rim, "rim_width_in": width}


_WHEELS = f"{RIM_DIAMETER.low:g} to {RIM_DIAMETER.high:g} in across, {RIM_WIDTH.low:g} to {RIM_WIDTH.high:g} in wide"


def _is_wheel(rim_in: float, width_in: float) -> bool:
    """Whether car wheels are made in such a size [in]."""
    return not (RIM_DIAMETER.complaint(rim_in, str) or RIM_WIDTH.complaint(width_in, str))


def bolt_pattern(text: str) -> BoltPattern:
    """Bolts x circle: ``4x100`` (mm), ``5x4.5 in``."""
    match = re.fullmatch(rf"\s*(\d+)\s*{_TIMES}\s*([\d.]+)\s*(mm|in|inch|\"|)\s*", text)
    if match is None:
        hint = "; separate patterns by semicolons" if "," in text else ""
        raise ValueError(f"must be bolts x circle, such as 4x100 or 5x4.5 in{hint}")
    bolts, circle = int(match[1]), parse_number(match[2])
    if not match[3] and _is_pattern(bolts, circle * INCH):
        raise ValueError(f"must say that the circle is in inches: {bolts}x{circle:g} in")
    if not match[3] and circle == int(circle) and _is_pattern(int(circle), bolts / 1000):
        raise ValueError(f"must give the bolts first: {circle:g}x{bolts}")
    circle_m = parse_quantity(f"{circle} {match[3] or 'mm'}", "length")
    if not _is_pattern(bolts, circle_m):
        raise ValueError("is outside the patterns of cars: 3 to 10 bolts on 80 to 250 mm")
    # To the micrometer, so that 5x4.5 in and 5x114.3 are the same pattern.
    return BoltPattern(bolts, round(circle_m, 6))


def _is_pattern(bolts: int, circle_m: float) -> bool:
    return 3 <= bolts <= 10 and 0.08 <= circle_m <= 0.25


def bolt_patterns(text: str) -> tuple[BoltPattern, ...]:
    """One or more bolt patterns that a wheel is drilled for."""
    return tuple(dict.fromkeys(bolt_pattern(each) for each in listing(text)))


# --- gears


def ratio(text: str) -> float:
    """Gear ratio: ``4.10``, or tooth counts driven over driving ``41/10``, ``41:10``, ``38/11 x 24/23``."""
    product = 1.0
    for stage in re.split(rf"\s*{_TIMES}\s*", text.strip()):
        teeth = re.fullmatch(r"(\d+)\s*[/:]\s*(\d+)", stage)
        if teeth and not int(teeth[2]):
            raise ValueError("must not have 0 teeth")
        try:
            product *= int(teeth[1]) / int(teeth[2]) if teeth else parse_number(stage)
        except ValueError as fault:
            raise ValueError(f"{fault}; or tooth counts, such as 41/10 or 38/11 x 24/23") from None
    return product


# --- kits, dates, start


def kit_contents(text: str) -> tuple[tuple[str, int], ...]:
    """Pieces in a kit: ``T07 x4; W03 x4`` or ``G05; F09``; a part named twice is summed."""
    contents: dict[str, int] = {}
    for each in (entry.strip() for entry in text.split(";") if entry.strip()):
        match = re.fullmatch(rf"(?P<id>.+?)\s+{_TIMES}\s*(?P<count>\d+)", each)
        if re.fullmatch(rf".+\s{_TIMES}", each):
            raise ValueError(f"has no number of pieces behind the x; write {each}1, or leave the x out")
        part, number = (match["id"], int(match["count"])) if match else (each, 1)
        if number < 1:
            raise ValueError("must hold at least one piece of each part")
        contents[part] = contents.get(part, 0) + number
    if not contents:
        raise ValueError("must name parts and pieces, such as T07 x4; W03 x4")
    return tuple(contents.items())


def event_week(text: str) -> tuple[int, int]:
    """Date of the event, ``2026-09-14`` -> (year, week) by which tire age counts (ISO 8601 weeks)."""
    try:
        year, week, _ = dt.date.fromisoformat(text.strip()).isocalendar()
    except ValueError:
        raise ValueError(f"must be a date written year-month-day, such as 2026-09-14{_turned(text)}") from None
    if not 2000 <= year <= 2099:
        raise ValueError("must be a date from 2000 to 2099: sidewalls say no century")
    return year, week


def _turned(text: str) -> str:
    """What a date that was typed the other way round would be; empty where day and month cannot be told apart."""
    match = re.fullmatch(r"(\d{1,2})[-./](\d{1,2})[-./](20\d{2})", text.strip())
    if match is None:
        return ""
    day, month = sorted((int(match[1]), int(match[2])), reverse=True)
    return f"; write {match[3]}-{month:02d}-{day:02d}" if day > 12 >= month else ""


def start_speed(text: str) -> float:
    """How the run begins: ``clutch`` (0 m/s) or ``pushed to 45 mph``."""
    bare = " ".join(text.lower().split())
    if bare == "clutch":
        return 0.0
    if not bare.startswith("pushed to "):
        raise ValueError('must be "clutch" or such as "pushed to 45 mph"')
    speed = parse_quantity(bare.removeprefix("pushed to "), "speed")
    if not 0 <= speed <= FASTEST_PUSH_MS:
        raise ValueError("is faster than a car is pushed: at most 200 mph, not less than 0")
    return speed


def speed_steps(text: str) -> tuple[float, ...]:
    """Speeds with their units, separated by semicolons, each higher than the one before; in m/s."""
    steps = tuple(parse_quantity(each, "speed") for each in text.split(";") if each.strip())
    if any(step <= 0 for step in steps):
        raise ValueError("must be speeds greater than 0")
    if any(after <= before for before, after in pairwise(steps)):
        raise ValueError("must rise from step to step")
    return steps
