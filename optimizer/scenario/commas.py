"""Commas in numbers of files whose cells are separated by something else: decimal ones, or between thousands."""

from __future__ import annotations

import re
from collections.abc import Iterable

_PLAIN_COMMA = re.compile(r"[+-]?\d+,\d+(e[+-]?\d+)?", re.IGNORECASE)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+")
_DOTS_AND_COMMA = re.compile(r"[+-]?\d{1,3}(\.\d{3})+,\d+")
_POINT = re.compile(r"[+-]?[\d,]*\.\d+(e[+-]?\d+)?", re.IGNORECASE)
_LEADING = re.compile(r"~?\s*([+-]?[\d.,]*\d(?:e[+-]?\d+)?)(?!\w*:)", re.IGNORECASE)
_CENTS = re.compile(r"(?<![\d.,])(\d{1,3}(?:\.\d{3})+|\d+),(\d{1,2})(?![\d.,])")


def decimal_comma(texts: Iterable[str]) -> bool | None:
    """Whether commas in numbers are decimal ones; None where it cannot be told (``1,234`` alone, or a mixture).

    Parameters
    ----------
    texts : iterable of str
        Cells of a table whose separator is no comma; a unit may stand behind a number.
    """
    comma = point = unclear = False
    for text in texts:
        found = _LEADING.match(text)
        number = found[1] if found else text
        if "," not in number:
            point = point or bool(_POINT.fullmatch(number))
        elif _DOTS_AND_COMMA.fullmatch(number) or (_PLAIN_COMMA.fullmatch(number) and not _THOUSANDS.fullmatch(number)):
            comma = True
        elif _THOUSANDS.fullmatch(number):
            unclear = True
        else:
            point = point or bool(_POINT.fullmatch(number))
    if comma and point:
        return None
    return None if unclear and not comma and not point else comma


def with_point(text: str) -> str:
    """A number typed with a decimal comma, with a point in its place and its unit kept; other text as it is.

    Examples
    --------
    >>> with_point("1.853,5 lb")
    '1853.5 lb'
    """
    number = re.match(r"(~?\s*)([+-]?[\d.]*\d,\d+)", text)
    if number is None or not (_DOTS_AND_COMMA.fullmatch(number[2]) or _PLAIN_COMMA.fullmatch(number[2])):
        return text
    return number[1] + number[2].replace(".", "").replace(",", ".") + text[number.end() :]


def cents_with_point(text: str) -> str:
    """An amount of money with one or two digits behind a comma, which can only be cents, with a point in its place.

    Examples
    --------
    >>> cents_with_point("1.100,50 €")
    '1100.50 €'
    """
    return _CENTS.sub(lambda found: f"{found[1].replace('.', '')}.{found[2]}", text)


def unclear(text: str) -> str:
    """End of the sentence about a number with a comma in a table that does not tell what its commas are.

    Examples
    --------
    >>> unclear("1,387")
    'has a decimal comma or one between thousands: write 1.387 or 1387'
    """
    found, pointed = _LEADING.match(text), with_point(text)
    if found is None or _THOUSANDS.fullmatch(found[1]) or pointed == text:
        return f"has a decimal comma or one between thousands: write {pointed} or {text.replace(',', '')}"
    return f"has a decimal comma, and other numbers here have a decimal point: write {pointed}"
