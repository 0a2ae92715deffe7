"""The options of every slot, in one fixed order, and builds as arrays of positions in them.

Positions stay inside the search; ids cross every public border (`Options.encode`, `Options.decode`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.errors import UsageError
from optimizer.scenario.car import Slot
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import NONE_ID, Part

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Options:
    """What may stand in each slot.

    Attributes
    ----------
    scenario : Scenario
        Where the parts come from.
    slots : tuple of Slot
        The slots in the order of ``car.toml``; S of them.
    parts : tuple of tuple of Part
        ``parts[s]`` are the options of slot s, the fitted one first; m_s of them.
    """

    scenario: Scenario
    slots: tuple[Slot, ...]
    parts: tuple[tuple[Part, ...], ...]

    @property
    def sizes(self) -> tuple[int, ...]:
        """Number of options per slot."""
        return tuple(len(options) for options in self.parts)

    @property
    def fitted(self) -> IntArray:
        """The car as it stands, as a build of shape ``(S,)``: the fitted part is the first option everywhere."""
        return np.zeros(len(self.slots), dtype=np.int64)

    def position(self, slot: str) -> int:
        """Position of a slot by name."""
        return next(s for s, each in enumerate(self.slots) if each.name == slot)

    def encode(self, build: Mapping[str, str]) -> IntArray:
        """Positions of a build given as slot name -> part id; slots not named keep the fitted part. Shape ``(S,)``.

        Raises
        ------
        UsageError
            If a slot or a part in it is unknown.
        """
        row = self.fitted
        names = {slot.name: s for s, slot in enumerate(self.slots)}
        for name, part_id in build.items():
            if name not in names:
                raise UsageError(f"no slot is called {name!r}; the slots are {', '.join(names)}")
            s = names[name]
            ids = [part.id for part in self.parts[s]]
            if part_id not in ids:
                raise UsageError(f"{part_id!r} is not an option for {name}")
            row[s] = ids.index(part_id)
        return row

    def decode(self, row: IntArray | Sequence[int]) -> dict[str, str]:
        """Slot name -> part id of one build of shape ``(S,)``."""
        return {slot.name: self.parts[s][int(row[s])].id for s, slot in enumerate(self.slots)}

    def changes(self, row: IntArray | Sequence[int]) -> dict[str, str]:
        """Slot name -> part id where one build of shape ``(S,)`` is not the car as it stands."""
        return {slot.name: self.parts[s][int(row[s])].id for s, slot in enumerate(self.slots) if row[s] != 0}

    def carrying(self, tag: str) -> tuple[BoolArray, ...]:
        """Which options carry a tag: bool ``(m_s,)`` per slot."""
        return tuple(np.array([tag in part.tags for part in parts], dtype=np.bool_) for parts in self.parts)

    def chosen(self, row: IntArray | Sequence[int]) -> tuple[Part, ...]:
        """Parts of one build, slot by slot."""
        return tuple(self.parts[s][int(row[s])] for s in range(len(self.slots)))


def options_of(scenario: Scenario) -> Options:
    """All options of all slots: every part of the slot's kind that its sheet does not restrict to another place."""
    return Options(
        scenario=scenario,
        slots=scenario.car.slots,
        parts=tuple(_options_of_slot(scenario, slot) for slot in scenario.car.slots),
    )


def _options_of_slot(scenario: Scenario, slot: Slot) -> tuple[Part, ...]:
    empty = Part(id=NONE_ID, kind="none", name="nothing fitted")
    suiting = [
        part
        for part in scenario.parts.values()
        if part.kind == slot.kind
        and (part.axle is None or slot.axle is None or part.axle == slot.axle)
        and (not part.slots or slot.name in part.slots)
    ]
    if not slot.required or slot.fitted == NONE_ID:
        suiting.append(empty)
    return tuple(sorted(suiting, key=lambda part: part.id != slot.fitted))
