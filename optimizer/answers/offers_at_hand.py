"""Studies with some of the offers at hand: the same options in all of them, so that what a run shows serves each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from optimizer.choice.fit import Reason
from optimizer.choice.legality import legality_of
from optimizer.choice.options import Options, options_of
from optimizer.choice.price import PriceBook
from optimizer.choice.wishes import places_of
from optimizer.errors import UsageError
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import Kit, Part
from optimizer.search.memory import Memory
from optimizer.search.study import Study


@dataclass(frozen=True, slots=True)
class Stall:
    """All offers, and studies with some of them: all have the same options, so what a run shows serves each of them.

    ``base`` knows nothing of the offers; ``whole`` has all of them; ``kits`` are those on offer; ``placed`` the parts
    on offer that some slot takes; ``runs`` what has been run so far.
    """

    base: Study
    whole: Study
    ids: tuple[str, ...]
    kits: Mapping[str, Kit]
    placed: frozenset[str]
    runs: Memory
    asked: dict[frozenset[str], Study] = field(default_factory=dict)

    @property
    def options(self) -> Options:
        """Of the scenario with all offers."""
        return self.whole.options

    def at_hand(self, chosen: frozenset[str]) -> frozenset[str]:
        """Parts on offer that can be had: those chosen, and those that chosen kits bring."""
        brought = {part for each in chosen if each in self.kits for part, _ in self.kits[each].contents}
        return self.placed & (chosen | brought)

    def study(self, chosen: frozenset[str]) -> Study:
        """With some offers at their prices; what was asked of it before is known to it."""
        if chosen not in self.asked:
            self.asked[chosen] = self._made(chosen, {})
        return self.asked[chosen]

    def free(self, one: str, purchases: int) -> Study:
        """With one offer of which so many purchases are had for nothing, and no more to be had."""
        thing: Part | Kit = self.kits[one] if one in self.kits else self.whole.scenario.parts[one]
        return self._made(frozenset([one]), {one: replace(thing, price_cents=0, stock=purchases)})

    def _made(self, chosen: frozenset[str], instead: Mapping[str, Part | Kit]) -> Study:
        """A study with some offers, some of them changed: parts that only a chosen kit brings are not sold apart."""
        scenario = self.whole.scenario
        parts = dict(scenario.parts)
        for each in self.placed - chosen:
            parts[each] = replace(parts[each], price_cents=None)
        parts |= {key: part for key, part in instead.items() if isinstance(part, Part)}
        kits = tuple(
            found
            for kit in scenario.kits
            if kit.id not in self.kits or kit.id in chosen
            if isinstance(found := instead.get(kit.id, kit), Kit)
        )
        scenario = replace(scenario, parts=MappingProxyType(parts), kits=kits)
        options = options_of(scenario)
        # what the study without offers settled holds: it knows nothing of the new parts, and no price of its own
        # builds has changed; a kit may change those, and then only runs are known
        memory = self.base.memory.moved(options)
        if chosen & set(self.kits):
            memory.settled = []
        learn(memory, self.runs)
        whole = self.whole
        return Study(scenario, options, legality_of(options), PriceBook(options), whole.judge, memory, whole.helper)

    def refused(self, one: str) -> tuple[Reason, ...]:
        """Why a part may stand in none of its slots; empty if it may, and for kits."""
        if one in self.kits:
            return ()
        if one not in self.placed:
            return (Reason("slots", f"{one} is for no slot of the car"),)
        reasons = self.whole.legality.part_reasons
        places = places_of(self.options, one)
        if not all(self.whole.legality.forbidden[s][o] for s, o in places):
            return ()
        return tuple(dict.fromkeys(reason for place in places for reason in reasons.get(place, ())))


def stall_of(study: Study, offered: Scenario, ids: tuple[str, ...], salt: str | None) -> Stall:
    """All offers, by their ids in the scenario that has them, beside a study without them.

    Raises
    ------
    UsageError
        If an id is not of the offered scenario or is one of the study's, an offer is owned, or the salt is another.
    """
    kits = {kit.id: kit for kit in offered.kits if kit.id in ids}
    own = {*study.scenario.parts, *(kit.id for kit in study.scenario.kits)}
    for each in ids:
        if each not in kits and each not in offered.parts:
            raise UsageError(f"{each!r} is not on offer")
        if each in own:
            raise UsageError(f"{each!r} is in the scenario already: it is not an offer")
        if any(each == part for kit in study.scenario.kits for part, _ in kit.contents):
            raise UsageError(f"{each!r} is in a kit of the scenario: it is not an offer")
        if each not in kits and offered.parts[each].owned:
            raise UsageError(f"{each!r} is owned already: it need not be bought")
    whole = Study.of(offered, salt, helper=study.helper)
    if whole.judge.conditions != study.judge.conditions:
        raise UsageError("the offers are asked about on another salt than the builds without them")
    placed = {part.id for parts in whole.options.parts for part in parts} & set(ids)
    return Stall(study, whole, ids, kits, frozenset(placed), Memory(whole.options))


def learn(memory: Memory, other: Memory) -> None:
    """Take over what runs showed: it depends on no price."""
    memory.learn(other.builds, other.numbers[:, 0], other.numbers[:, 1], other.legal)
