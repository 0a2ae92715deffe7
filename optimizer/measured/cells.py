"""Single cells of measurements: clock times, directions, parts in the car; in the manner of `scenario.cells`.

Every parser raises `ValueError` with the end of a sentence whose beginning is what was typed.
"""

from __future__ import annotations

import datetime as dt
import re

from optimizer.scenario.compass import POINTS, compass
from optimizer.units import nearest

KIND_WORDS = {
    "coast-down": "coast-down", "coast down": "coast-down", "coastdown": "coast-down", "coast": "coast-down",
    "run log": "run log", "run": "run log", "log": "run log",
    "timing slips": "timing slips", "timing slip": "timing slips", "slips": "timing slips", "runs": "timing slips",
    "dyno sheet": "dyno sheet", "dyno": "dyno sheet",
    "chalk mark": "chalk mark", "chalk": "chalk mark", "roll-out": "chalk mark",
}  # fmt: skip
"""What a header line ``kind`` may hold, and the kind that is meant."""

ALONG = ("out", "along", "down", "with the course", "first way")
AGAINST = ("back", "against", "return", "other way", "against the course", "opposite")


def kind(text: str) -> str:
    """Kind of a file: ``coast-down``, ``run log``, ``timing slips``, ``dyno sheet``, ``chalk mark``."""
    found = KIND_WORDS.get(" ".join(text.lower().split()))
    if found is None:
        known = list(dict.fromkeys(KIND_WORDS.values()))
        raise ValueError(f"must be one of {', '.join(known)}{nearest(text, KIND_WORDS)}")
    return found


def direction(text: str) -> float | bool:
    """Direction of travel: degrees; or whether it is against the course (``back``), where only that is known."""
    bare = " ".join(text.lower().split())
    if bare in ALONG:
        return False
    if bare in AGAINST:
        return True
    try:
        return compass(text)
    except ValueError:
        raise ValueError(
            "must be out (the way of the course), back (the other way), degrees from north, 0 to 360, or a point of "
            "the compass such as NE"
        ) from None


def parts(text: str) -> tuple[str, ...]:
    """Parts in the car: ids, or ``slot=id``, separated by semicolons; ``as it stands`` for those fitted."""
    if " ".join(text.lower().split()) in {"as it stands", "as fitted", "fitted", "as it is"}:
        return ()
    if "," in text:
        raise ValueError("has a comma; separate parts by semicolons")
    named = [re.sub(r"\s*=\s*", "=", " ".join(each.split())) for each in text.split(";") if each.strip()]
    return tuple(dict.fromkeys(named))


_DATES = ("%d.%m.%Y", "%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%d %B %Y", "%B %d %Y", "%d %b %Y", "%b %d %Y", "%Y%m%d")


_YEAR_FIRST = re.compile(r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}")


def date(text: str) -> str:
    """ISO date where day and month cannot be taken for each other (``9/8/2027`` can), else as typed.

    Raises
    ------
    ValueError
        If it is written as a year, a month and a day, but there is no such day: runs stand in the order of their dates.
    """
    bare = " ".join(text.replace(",", " ").split())
    for form in _DATES:
        try:
            return dt.datetime.strptime(bare, form).replace(tzinfo=dt.UTC).date().isoformat()
        except ValueError:
            continue
    if _YEAR_FIRST.fullmatch(bare):
        raise ValueError("is no day of the calendar; a date is year, month and day, such as 2027-09-18")
    return text.strip()


_ISO = re.compile(r"\d{4}-\d\d-\d\d")
_WITH_TIME = re.compile(r"(?P<day>.*\d)(?:T| +)\d{1,2}:\d\d.*")
_EITHER_WAY = re.compile(r"(\d{1,2})[-/](\d{1,2})[-/](\d{4})")


def day(text: str) -> str:
    """ISO date of a run, typed in any way that leaves no doubt, a time of day behind it passed over.

    Raises
    ------
    ValueError
        For any other text: the last run is the one with the latest date.
    """
    timed = _WITH_TIME.fullmatch(text.strip())
    found = date(timed["day"] if timed else text)
    if _ISO.fullmatch(found):
        return found
    match = _EITHER_WAY.fullmatch(found)
    if match is None:
        raise ValueError("must be a date, year-month-day, such as 2027-09-18; anything else may stand in note")
    one, other, year = (int(each) for each in match.groups())
    days = sorted({f"{year:04d}-{month:02d}-{day:02d}" for month, day in ((one, other), (other, one)) if month <= 12})
    if len(days) != 1:
        either = f"may be {' or '.join(days)}" if days else "is no day of the calendar"
        raise ValueError(f"{either}; a date is year-month-day, such as 2027-09-18")
    return date(days[0])


_CLOCK = re.compile(
    r"(?:(?P<date>\d{4}-\d\d-\d\d|\d{4}/\d\d/\d\d)[ T]+)?"
    r"(?:(?P<hours>\d{1,2}):)?(?P<minutes>\d{1,2}):(?P<seconds>\d{1,2}(?:[.,]\d*)?)"
    r"\s*(?P<half>[AaPp][Mm])?\s*(?:Z|UTC|[+-]\d\d:?\d\d)?"
)


def clock(text: str) -> float | None:
    """Seconds of a time of day (``12:03:04.250``, with or without a date, or ``03:04.5``); None for any other text."""
    match = _CLOCK.fullmatch(text.strip())
    if match is None:
        return None
    hours = int(match["hours"] or 0)
    if match["half"]:
        hours = hours % 12 + 12 * (match["half"].lower() == "pm")
    days = 0
    if match["date"]:
        try:
            days = dt.date.fromisoformat(match["date"].replace("/", "-")).toordinal()
        except ValueError:
            return None
    return 86400.0 * days + 3600.0 * hours + 60.0 * int(match["minutes"]) + float(match["seconds"].replace(",", "."))


CALM = frozenset({"calm", "none", "still"})
"""What is typed for no wind at all."""


def split_wind(text: str) -> tuple[str, str]:
    """Speed and direction of a wind typed in one: ``4 mph from 300``, ``5 mph NW``; the second may be empty.

    Examples
    --------
    >>> split_wind("4 mph from 300")
    ('4 mph', '300')
    """
    bare = " ".join(text.split())
    speed, word, origin = bare.partition(" from ")
    if word:
        return speed, origin
    first, _, last = bare.rpartition(" ")
    return (first, last) if last.upper() in POINTS and re.search(r"\d", first) else (bare, "")


def wind_speed(text: str) -> str:
    """Text of the speed of a wind; its direction, which may stand behind it, is that of `wind_origin`.

    Raises
    ------
    ValueError
        If it does not begin with a number.
    """
    speed = split_wind(text)[0]
    if not re.match(r"[+-]?[.,]?\d", speed):
        raise ValueError("must be the speed of a wind, such as 4 mph, 4 mph from 300, or calm")
    return speed


def wind_origin(text: str) -> float | None:
    """Where a wind comes from [deg], typed behind its speed; None where nothing is.

    Raises
    ------
    ValueError
        If what is typed there is no direction.
    """
    origin = split_wind(text)[1]
    try:
        return compass(origin) if origin else None
    except ValueError as fault:
        raise ValueError(f"comes from {origin!r}, which {fault}") from None
