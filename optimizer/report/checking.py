"""What is in the sheets and what the rules leave of it: the facts of ``check``, and their text."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

import numpy as np

from optimizer.answers.plausibility import Doubt
from optimizer.choice.legality import Legality
from optimizer.measured.reading import read_runs
from optimizer.pipeline import second_looks_at_sheets
from optimizer.report.calibration import estimated_sentence
from optimizer.report.wording import Words, assumed, caution, plural, remarks, second_looks, wrapped
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import NONE_ID
from optimizer.search.study import Study

EXAMPLES = 3
"""Parts shown for each check unless all are asked for."""


@dataclass(frozen=True, slots=True)
class Refused:
    """A part that a check rules out, in the slots where it does, with the reason in words."""

    part: str
    slots: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What ``check`` found.

    Attributes
    ----------
    kinds : tuple of (kind, number of parts)
    slots : tuple of (slot, number of options, how many of them are ruled out)
    parts_out : dict of check -> parts it rules out
    pairs_out : dict of check -> number of pairs it rules out
    pairs_total : pairs ruled out by at least one check
    combinations : product of the options of all slots
    runs : number of runs in the scenario's sheet of runs
    second_looks : what is unusual in the sheets
    """

    scenario: Scenario
    kinds: tuple[tuple[str, int], ...]
    kits: int
    slots: tuple[tuple[str, int, int], ...]
    parts_out: dict[str, tuple[Refused, ...]]
    pairs_out: dict[str, int]
    pairs_total: int
    combinations: int
    runs: int
    notices: tuple[str, ...]
    second_looks: tuple[Doubt, ...]


def check_result(study: Study) -> CheckResult:
    """Count what the sheets hold and what the checks leave.

    Raises
    ------
    ScenarioError
        If the folder's sheet of runs is faulty.
    """
    scenario, legality = study.scenario, study.legality
    measured = read_runs(scenario)
    kinds = Counter(part.kind for part in scenario.parts.values())
    return CheckResult(
        scenario=scenario,
        kinds=tuple(kinds.items()),
        kits=len(scenario.kits),
        slots=tuple(
            (slot.name, size, int(out.sum()))
            for slot, size, out in zip(study.options.slots, study.options.sizes, legality.forbidden, strict=True)
        ),
        parts_out=_parts_out(legality),
        pairs_out=_pairs_out(legality),
        pairs_total=sum(int(table.sum()) for table in legality.pairs.values()),
        combinations=math.prod(study.options.sizes),
        runs=len(measured.runs),
        notices=(*scenario.notices, *measured.notices, *legality.notices),
        second_looks=second_looks_at_sheets(study),
    )


def _parts_out(legality: Legality) -> dict[str, tuple[Refused, ...]]:
    """Parts by the check that rules them out; one entry for a part with one reason in several slots."""
    options = legality.options
    places: dict[str, dict[tuple[str, str], list[str]]] = {}
    for (s, o), reasons in legality.part_reasons.items():
        for reason in reasons:
            slots = places.setdefault(reason.check, {}).setdefault((options.parts[s][o].id, reason.text), [])
            slots.append(options.slots[s].name)
    return {
        check: tuple(Refused(part, tuple(slots), text) for (part, text), slots in found.items())
        for check, found in sorted(places.items())
    }


def _pairs_out(legality: Legality) -> dict[str, int]:
    """Pairs ruled out by each check; a pair that two checks rule out counts for both."""
    counts: Counter[str] = Counter()
    for (s, t), table in legality.pairs.items():
        for o, q in np.argwhere(table).tolist():
            counts.update({reason.check for reason in legality.pair_reasons(s, o, t, q)})
    return dict(sorted(counts.items()))


def check_text(result: CheckResult, *, everything: bool = False, color: bool = False) -> str:
    """The whole answer of ``check``; ``everything`` lists every part that is ruled out and every assumed number."""
    words = Words(result.scenario, color)
    scenario = result.scenario
    kinds = ", ".join(plural(count, kind) for kind, count in result.kinds)
    kits = f", {plural(result.kits, 'kit')}" if result.kits else ""
    lines = [
        words.heading(f"{scenario.car.name}, {scenario.event.name}, class {scenario.event.race_class}"),
        wrapped(f"The sheets were read without fault: {kinds}{kits}."),
        wrapped(f"They make {result.combinations:,} combinations of parts, before any check."),
        *([wrapped(f"Timed before: {plural(result.runs, 'run')}.")] if result.runs else []),
        *([wrapped(estimated)] if (estimated := estimated_sentence(words)) else []),
        "",
        words.heading("Slots"),
    ]
    for name, size, out in result.slots:
        ruled = f", {out} of them ruled out" if out else ""
        lines.append(wrapped(f"{name}: {plural(size, 'option')}{ruled}", "  - "))
        if out == size:
            lines.append(wrapped("NOTHING IS LEFT for this slot: no build can be legal.", "    "))
    lines += _ruled_out(words, result, everything=everything)
    lines += _assumed(words, everything=everything)
    lines += second_looks(words, result.second_looks)
    lines += remarks(words, result.notices)
    lines += caution(words)
    return "\n".join(lines) + "\n"


def _ruled_out(words: Words, result: CheckResult, *, everything: bool) -> list[str]:
    """Parts and pairs that are ruled out, by check."""
    parts = {each.part for found in result.parts_out.values() for each in found}
    lines = ["", words.heading(f"Parts ruled out in some slot: {len(parts)}")]
    hidden = 0
    for check, found in result.parts_out.items():
        lines.append(wrapped(f"{check}: {plural(len({each.part for each in found}), 'part')}"))
        shown = found if everything else found[:EXAMPLES]
        hidden += len(found) - len(shown)
        for each in shown:
            part = "leaving it empty" if each.part == NONE_ID else each.part
            text = each.text.removeprefix(f"{each.part}: ")
            lines.append(wrapped(f"{part} ({', '.join(each.slots)}): {text}", "  - "))
        if len(shown) < len(found):
            lines.append(f"  - and {plural(len(found) - len(shown), 'other reason')}")
    if hidden:
        lines.append("`--all` lists every one.")
    lines += ["", words.heading(f"Pairs ruled out: {result.pairs_total:,}")]
    lines += [wrapped(f"{check}: {plural(count, 'pair')}", "  - ") for check, count in result.pairs_out.items()]
    lines.append(wrapped("Weight rules, tire speed, stopping and money are checked on whole builds by `rank`."))
    return lines


def _assumed(words: Words, *, everything: bool) -> list[str]:
    """Assumed numbers, grouped; each one where everything is asked for."""
    groups = assumed(words.scenario)
    if not groups:
        return []
    total = len(words.scenario.assumptions)
    lines = ["", words.heading(f"Assumed, not measured: {plural(total, 'number')}")]
    for count, quantity, why in groups:
        lines.append(wrapped(f"{quantity}, {count}: {why}", "  - "))
        if everything:
            lines += [
                wrapped(f"{each.where}: {each.value}", "      ")
                for each in words.scenario.assumptions
                if (each.quantity, each.why) == (quantity, why)
            ]
    return lines
