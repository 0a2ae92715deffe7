"""THE statement of what is legal before anything is simulated, with a reason on each refusal.

Read by the mixed-integer model, by the enumeration and by the check command. A build is legal here if

1. none of its parts is ``forbidden`` in its slot,
2. no two of its parts are a forbidden pair in ``pairs``,
3. every linear row in ``rows`` holds.

What needs a run (load and tire speed at the speed reached, stopping, rotor rise) and money come later.

A part that breaks a row in every build is forbidden outright, with the row's reason: that a tire cannot carry
this car at all is then said once, and the search need not find it out again.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import reduce

import numpy as np

from optimizer.choice.car_rows import mechanical_rows
from optimizer.choice.class_rules import Exclusion, exclusions, rule_rows
from optimizer.choice.fit import Reason, part_faults
from optimizer.choice.options import BoolArray, IntArray, Options
from optimizer.choice.pair_fit import PairCheck, checks_between
from optimizer.choice.part_rules import rule_faults
from optimizer.choice.rows import LinearRow
from optimizer.scenario.event import Override, RaceClass
from optimizer.scenario.parts import Part

LIFTED_HERE = frozenset(
    {
        "tire on rim width",
        "tire on rim diameter",
        "corner load",
        "tire age",
        "tire category",
        "tire rating unknown",
        "tire pressure",
        "wheel pressure",
        "bolt pattern",
        "center bore",
        "wheel offset",
        "wheelhouse",
        "brake clearance",
        "wheel load",
        "wheel rating unknown",
        "rotor limit unknown",
        "circumference match",
        "housing",
        "ride height",
    }
)
"""Checks of parts, pairs and rows that an override by name may lift for a part."""
LIFTED_ELSEWHERE = frozenset({"load at speed", "own hours"})
"""Checks that may be lifted, but are not made here."""
NEVER_LIFTED = frozenset({"tire speed", "stopping distance", "rotor rise", "budget", "stock"})
"""Checks that no override lifts."""

Place = tuple[int, int]
"""A slot, and an option in it."""
Slots = tuple[int, int]
"""Two slots, the lower first."""
FitTables = tuple[tuple[PairCheck, BoolArray], ...]
"""Checks between two slots, each with the pairs of options ``(m_s, m_t)`` that it refuses and no override lifts."""


@dataclass(frozen=True, slots=True, eq=False)
class Legality:
    """What may be chosen, alone, in pairs and together; S slots, m_s options in slot s.

    Attributes
    ----------
    options : Options
        The options all positions refer to.
    forbidden : tuple of bool arrays
        ``forbidden[s]`` has shape ``(m_s,)``.
    part_reasons : mapping
        (s, o) -> reasons, for every forbidden option and no other.
    pairs : mapping
        (s, t), s < t -> bool array ``(m_s, m_t)``, True where the two may not be together; only slots with
        such a pair. It does not repeat what ``forbidden`` says.
    rows : tuple of LinearRow
        Rows that some build could break, each holding to `rows.ROW_TOLERANCE`.
    overrides_used : tuple of Override
        Overrides without which something here would be refused.
    notices : tuple of str
        Overrides that do nothing, and why.
    """

    options: Options
    forbidden: tuple[BoolArray, ...]
    part_reasons: Mapping[Place, tuple[Reason, ...]]
    pairs: Mapping[tuple[int, int], BoolArray]
    rows: tuple[LinearRow, ...]
    overrides_used: tuple[Override, ...]
    notices: tuple[str, ...]
    _fit: Mapping[Slots, FitTables]
    _exclusions: Mapping[Slots, tuple[Exclusion, ...]]
    _never: Mapping[Place, frozenset[str]]

    @property
    def settled_by_rows(self) -> Mapping[Place, frozenset[str]]:
        """Names of the rows that an option breaks in every build; their reasons are its last `part_reasons`."""
        return self._never

    def without_words(self) -> Legality:
        """The same for another process: it knows what is allowed, but not why the rest is not."""
        rows = tuple(replace(row, explain=None) for row in self.rows)
        return replace(self, rows=rows, part_reasons={}, _fit={}, _exclusions={})

    def pair_reasons(self, s: int, o: int, t: int, q: int) -> tuple[Reason, ...]:
        """Say why option ``o`` of slot ``s`` may not be with ``q`` of slot ``t``; empty if it may."""
        if s > t:
            s, o, t, q = t, q, s, o
        if (s, t) not in self.pairs or not self.pairs[s, t][o, q]:
            return ()
        part, other = self.options.parts[s][o], self.options.parts[t][q]
        unfit = [check.reason(part, other) for check, table in self._fit.get((s, t), ()) if table[o, q]]
        ruled = [
            Reason(each.reason.check, f"{part.id} with {other.id}: {each.reason.text}")
            for each in self._exclusions.get((s, t), ())
            if each.between(self.options, (s, [o]), (t, [q])).any()
        ]
        return _each_once([*unfit, *ruled])

    def pair_tables(self, s: int, t: int) -> Iterator[tuple[str, BoolArray]]:
        """Yield each check or rule between two slots, s < t, with the pairs of options that it forbids."""
        return _pair_tables(self.options, self._fit, self._exclusions, (s, t))

    def allowed(self, builds: IntArray) -> BoolArray:
        """Which builds ``(n, S)`` are legal; shape ``(n,)``."""
        legal = np.ones(len(builds), dtype=np.bool_)
        for s, out in enumerate(self.forbidden):
            legal &= ~out[builds[:, s]]
        for (s, t), out in self.pairs.items():
            legal &= ~out[builds[:, s], builds[:, t]]
        for row in self.rows:
            legal &= row.holds(builds)
        return legal

    def violations(self, build: IntArray) -> tuple[Reason, ...]:
        """List all that is wrong with one build ``(S,)``: parts, then pairs, then rows; empty if legal."""
        chosen = [(s, int(o)) for s, o in enumerate(build)]
        found = [reason for place in chosen for reason in self.part_reasons.get(place, ())]
        for s, t in self.pairs:
            found += self.pair_reasons(s, chosen[s][1], t, chosen[t][1])
        said = frozenset[str]().union(*(self._never.get(place, frozenset()) for place in chosen))
        found += [
            row.reason_for(build)
            for row in self.rows
            if row.name not in said and not row.holds(build[None, :])[0]
        ]
        return _each_once(found)


def legality_of(options: Options, race_class: RaceClass | None = None) -> Legality:
    """Work out what is legal for a class (the scenario's own if None).

    Raises
    ------
    ScenarioError
        If a rule looks at a field that parts do not have, or bounds what is not a number.
    """
    ruled = options.scenario.race_class if race_class is None else race_class
    overrides = _Overrides(options, ruled)
    part_reasons = _part_reasons(options, ruled, overrides)
    fit = _fit_tables(options, overrides)
    excluded = _exclusions_by_slots(exclusions(options, ruled))
    rows = tuple(
        row
        for row in map(overrides.lift_row, [*mechanical_rows(options), *rule_rows(options, ruled)])
        if row.most() > row.upper + row.slack
    )
    never = _never_within_rows(options, rows, part_reasons)
    reasons = {place: tuple(found) for place, found in sorted(part_reasons.items())}
    pairs = {
        places: reduce(np.logical_or, (table for _, table in _pair_tables(options, fit, excluded, places)))
        for places in sorted({*fit, *excluded})
    }
    forbidden = tuple(
        np.array([(s, o) in reasons for o in range(m)], dtype=np.bool_) for s, m in enumerate(options.sizes)
    )
    return Legality(
        options=options,
        forbidden=forbidden,
        part_reasons=reasons,
        pairs={places: table for places, table in pairs.items() if table.any()},
        rows=rows,
        overrides_used=overrides.used(),
        notices=overrides.notices(),
        _fit=fit,
        _exclusions=excluded,
        _never=never,
    )


class _Overrides:
    """The event's overrides, and which of them were needed."""

    def __init__(self, options: Options, ruled: RaceClass) -> None:
        self._options = options
        self._all = options.scenario.event.overrides
        self._used: set[Override] = set()
        self._rules = {
            *(rule.name for rule in ruled.rules),
            *(rule.name for rule in ruled.pairs),
            *(rule.name for rule in ruled.limits),
            *(rule.name for rule in ruled.brackets),
        }

    def lifts(self, check: str, *part_ids: str) -> bool:
        """Whether a refusal by this check is lifted for any of the parts concerned."""
        found = [
            each
            for each in self._all
            if each.check == check and each.part in part_ids and check in LIFTED_HERE
        ]
        self._used.update(found)
        return bool(found)

    def left(self, reasons: Iterable[Reason], *part_ids: str) -> tuple[Reason, ...]:
        """Keep the reasons that no override lifts."""
        return tuple(reason for reason in reasons if not self.lifts(reason.check, *part_ids))

    def lift_table(self, check: str, table: BoolArray, parts: Sequence[Part], others: Sequence[Part]) -> BoolArray:
        """Leave pairs ``(m, n)`` with a part it is lifted for out of those that a check refuses."""
        left = table.copy()
        for part_id in dict.fromkeys(each.part for each in self._all if each.check == check):
            first, second = (np.array([part.id == part_id for part in each]) for each in (parts, others))
            concerned = first[:, None] | second[None, :]
            if (table & concerned).any() and self.lifts(check, part_id):
                left &= ~concerned
        return left

    def lift_row(self, row: LinearRow) -> LinearRow:
        """Leave builds with a part it is lifted for out of a row."""
        highest, most = [float(each.max()) for each in row.coefficients], row.upper + row.slack
        lifted = [
            (s, o)
            for s, o in row.liftable
            if sum(highest) - highest[s] + row.coefficients[s][o] > most
            and self.lifts(row.reason.check, self._options.parts[s][o].id)
        ]
        return row.lifted(lifted) if lifted else row

    def used(self) -> tuple[Override, ...]:
        """List the overrides that were needed, in the order of the event."""
        return tuple(each for each in self._all if each in self._used)

    def notices(self) -> tuple[str, ...]:
        """Why the other overrides do nothing."""
        return tuple(notice for each in self._all for notice in self._notice(each))

    def _notice(self, override: Override) -> Iterator[str]:
        said = f"the override of {override.check!r} for {override.part}"
        if override.check in NEVER_LIFTED:
            yield f"{said} is ignored: this check is never lifted"
        elif override.check in self._rules:
            yield f"{said} is ignored: it is a rule of the class; change the rule where the organizer has"
        elif override.check not in LIFTED_HERE | LIFTED_ELSEWHERE:
            known = ", ".join(sorted(LIFTED_HERE | LIFTED_ELSEWHERE))
            yield f"{said} is ignored: it names no check; the checks that may be lifted are {known}"
        elif override.part not in self._options.scenario.parts:
            yield f"{said} is ignored: no sheet has a part of this id"
        elif override.check in LIFTED_HERE and override not in self._used:
            yield f"{said} is not needed: the check does not refuse it"


def _each_once(reasons: Sequence[Reason]) -> tuple[Reason, ...]:
    return tuple(dict.fromkeys(reasons))


def _part_reasons(options: Options, ruled: RaceClass, overrides: _Overrides) -> dict[Place, list[Reason]]:
    """Reasons against single options, without the options there is nothing against."""
    found: dict[Place, list[Reason]] = {}
    for s, (slot, parts) in enumerate(zip(options.slots, options.parts, strict=True)):
        for o, part in enumerate(parts):
            reasons = _each_once(
                [
                    *overrides.left(part_faults(part, slot, options.scenario), part.id),
                    *rule_faults(part, slot, ruled.rules),
                ]
            )
            if reasons:
                found[s, o] = list(reasons)
    return found


def _fit_tables(options: Options, overrides: _Overrides) -> dict[Slots, FitTables]:
    """Pairs that do not fit each other, by slots and then by check."""
    found: dict[Slots, FitTables] = {}
    for s, t in itertools.combinations(range(len(options.slots)), 2):
        parts, others = options.parts[s], options.parts[t]
        tables = [
            (check, overrides.lift_table(check.name, check.table(parts, others), parts, others))
            for check in checks_between(options.slots[s], options.slots[t], options.scenario)
        ]
        if refusing := tuple((check, table) for check, table in tables if table.any()):
            found[s, t] = refusing
    return found


def _exclusions_by_slots(excluded: Iterable[Exclusion]) -> dict[Slots, tuple[Exclusion, ...]]:
    """Exclusions by the slots whose options they may concern."""
    found: defaultdict[Slots, list[Exclusion]] = defaultdict(list)
    for each in excluded:
        for s, t in each.slots():
            found[s, t].append(each)
    return {places: tuple(between) for places, between in found.items()}


def _pair_tables(
    options: Options,
    fit: Mapping[Slots, FitTables],
    excluded: Mapping[Slots, Sequence[Exclusion]],
    places: Slots,
) -> Iterator[tuple[str, BoolArray]]:
    for check, table in fit.get(places, ()):
        yield check.name, table
    s, t = places
    for each in excluded.get(places, ()):
        table = np.zeros((options.sizes[s], options.sizes[t]), dtype=np.bool_)
        rows, columns = each.concerned(s), each.concerned(t)
        table[np.ix_(rows, columns)] = each.between(options, (s, rows), (t, columns))
        yield each.reason.check, table


def _never_within_rows(
    options: Options, rows: Sequence[LinearRow], part_reasons: dict[Place, list[Reason]]
) -> dict[Place, frozenset[str]]:
    """Forbid what breaks a row even with the best of everything else; say which rows that settles.

    The best of everything else is taken over options that are not forbidden for another reason. A row that no
    build can satisfy is left alone: it, and not every part, is the reason that there is no legal build.
    """
    open_ = [np.array([(s, o) not in part_reasons for o in range(m)]) for s, m in enumerate(options.sizes)]
    open_ = [each if each.any() else np.ones_like(each) for each in open_]
    settled: defaultdict[Place, set[str]] = defaultdict(set)
    for row in rows:
        best = np.array(
            [
                int(np.argmin(np.where(free, each, np.inf)))
                for each, free in zip(row.coefficients, open_, strict=True)
            ]
        )
        lowest, most = [float(each[o]) for each, o in zip(row.coefficients, best, strict=True)], row.upper + row.slack
        if sum(lowest) > most:
            continue
        for s, each in enumerate(row.coefficients):
            for o in np.flatnonzero(each - lowest[s] + sum(lowest) > most).tolist():
                build = best.copy()
                build[s] = o
                reason = row.reason_for(build)
                helped = any(least for t, least in enumerate(lowest) if t != s)
                best_else = ", with the best of everything else" if helped else ""
                part_reasons.setdefault((s, o), []).append(Reason(reason.check, reason.text + best_else))
                settled[s, o].add(row.name)
    return {place: frozenset(names) for place, names in settled.items()}
