"""Estimates that calibration made from measurements of this car, in place of what the crew's files state.

An estimate belongs to where a value comes from: the car, an axle of it, a condition of the salt, or a part, and a field
of its record. The torque curve of an engine is one number, its peak: all revs are off by the same share, and so are
those of the engines that are made from it.
"""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.scenario.parts import BasisKind


@dataclass(frozen=True, slots=True)
class Estimate:
    """One value as measurements have it.

    Attributes
    ----------
    place, id, field : str
        Where it belongs: one of `PLACES`, the id of a part or the key of a salt condition (else empty), the field.
    value, deviation : float
        And its standard uncertainty, in the unit used inside.
    stated : float
        What the crew's files say.
    kind : BasisKind
        How the value is known now: "measured" only where the measurements tell more than was known without them.
    """

    place: str
    id: str
    field: str
    value: float
    deviation: float
    stated: float
    kind: BasisKind = "measured"

    @property
    def key(self) -> str:
        """What tells it from all others."""
        return f"{self.place}:{self.id}:{self.field}"


@dataclass(frozen=True, slots=True)
class Calibration:
    """Estimates that belong together.

    Attributes
    ----------
    estimates : tuple of Estimate
        n of them, each key once.
    correlation : tuple of tuples of float
        n rows of n: ones on the diagonal, symmetric, no negative eigenvalue.
    sources : tuple of str
        What they were made from, as one would name it.
    runs : tuple of str
        Timed runs among that, as `observations.mark_of` tells one from another.
    car_sha256 : str
        Hash of the ``car.toml`` that it was made with; empty where that is not known.
    """

    estimates: tuple[Estimate, ...]
    correlation: tuple[tuple[float, ...], ...]
    sources: tuple[str, ...] = ()
    runs: tuple[str, ...] = ()
    car_sha256: str = ""

    def of(self, key: str) -> Estimate | None:
        """The estimate with a key, if there is one."""
        return next((each for each in self.estimates if each.key == key), None)
