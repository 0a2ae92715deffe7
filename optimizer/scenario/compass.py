"""Directions as a builder gives them: degrees from north, or a point of the compass."""

from __future__ import annotations

import re

_COMPASS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")
POINTS = {point: 22.5 * place for place, point in enumerate(_COMPASS)} | {
    "NORTH": 0.0, "EAST": 90.0, "SOUTH": 180.0, "WEST": 270.0,
    "NORTHEAST": 45.0, "SOUTHEAST": 135.0, "SOUTHWEST": 225.0, "NORTHWEST": 315.0,
}  # fmt: skip
"""Points of the compass, in degrees."""


def compass(text: str) -> float:
    """Direction in degrees from north, clockwise: ``300``, ``300 deg``, ``NW``."""
    bare = text.strip().upper().rstrip(".")
    if bare in POINTS:
        return POINTS[bare]
    match = re.fullmatch(r"(\d{1,3}(?:\.\d+)?)\s*(?:°|DEG|DEGREES?)?(?:\s*TRUE)?", bare)
    if match is None or float(match[1]) > 360.0:
        raise ValueError("must be degrees from north, 0 to 360, or a point of the compass such as NW")
    return float(match[1]) % 360.0
