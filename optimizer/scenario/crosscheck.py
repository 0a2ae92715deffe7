"""What one line cannot tell: names that must be known elsewhere, and what must agree across files.

One function for one kind of fault. All take drafts, so that a part with a bad cell is still a known part.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from optimizer.scenario.catalog import Draft
from optimizer.scenario.entries import Entry
from optimizer.scenario.findings import Findings
from optimizer.scenario.keys import CHECKS
from optimizer.scenario.parts import NONE_ID
from optimizer.scenario.rule_words import (
    check_tire_categories,
    check_words_of_rules,
    every_rules,
    note_stray_tags,
    tags_of,
    texts,
)
from optimizer.scenario.settings import CarDraft, EventDraft, slot_of
from optimizer.units import nearest

ONE_SLOT = ("engine", "gearset", "final drive")
THE_SAME = 0.99
"""Two ids that agree so far differ by case, or by a letter for a digit: no missing sheet holds the other."""
ONE_SLOT_AN_AXLE = ("tire", "wheel")


def _check_known(entry: Entry, target: str, known: Iterable[str], what: str, findings: Findings) -> None:
    names = list(known)
    for word in texts(entry, target):
        if word not in names:
            hint = "; a list is separated by semicolons" if "," in word else nearest(word, names)
            entry.fault(findings, target, f"is not {what}{hint}", word)


# --- names within one file


def check_for_repeated_names(entries: Sequence[Entry], findings: Findings) -> None:
    """Names of slots, jobs, salts, classes and rules are unique among their own."""
    seen: dict[str, Entry] = {}
    for entry in entries:
        name = entry.values.get("name")
        if name is None:
            continue
        if name in seen:
            at = f" in line {seen[name].row}" if seen[name].row else ""
            entry.fault(findings, "name", f"is taken already{at}")
        seen.setdefault(name, entry)


def check_for_repeated_ids(draft: Draft, findings: Findings) -> None:
    """Ids are unique across all sheets, kits included."""
    seen: dict[str, Entry] = {}
    every = [*(entry for _, entry in draft.each_part()), *draft.kits]
    for entry in sorted(every, key=lambda entry: entry.file in draft.offered):
        if not entry.label:
            continue
        if entry.label in seen:
            hint = "; give the offer an id of its own" if entry.file in draft.offered else ""
            entry.fault(findings, "id", f"is taken already, in {seen[entry.label].where}{hint}")
        seen.setdefault(entry.label, entry)


# --- the car


def check_slots(car: CarDraft, draft: Draft, findings: Findings) -> None:
    """Slots hold known parts of their kind in places those parts may go to."""
    parts = {entry.label: (kind, entry) for kind, entry in draft.each_part()}
    for slot in car.slots:
        kind, fitted = slot.values.get("kind"), slot.values.get("fitted")
        if kind in {"tire", "wheel", "rotor"} and slot.lacks("axle"):
            slot.fault(findings, "axle", f"is needed for a {kind}")
        if fitted == NONE_ID and slot.values.get("required", True):
            slot.fault(
                findings, "fitted", "leaves a required slot empty; name a part, or write required = false"
            )
        if fitted is None or fitted == NONE_ID or kind is None:
            continue
        if fitted not in parts:
            same_kind = [label for label, (other, _) in parts.items() if other == kind]
            if draft.complete or nearest(fitted, same_kind, cutoff=THE_SAME):
                slot.fault(findings, "fitted", f"is not a part of the sheets{nearest(fitted, same_kind)}")
            continue
        if parts[fitted][0] != kind:
            slot.fault(findings, "fitted", f"is a {parts[fitted][0]}, but the slot takes a {kind}")
        else:
            _check_fitted_may_be_there(slot, parts[fitted][1], findings)
    _check_number_of_slots(car, findings)


def _check_fitted_may_be_there(slot: Entry, part: Entry, findings: Findings) -> None:
    axle, slots = part.values.get("axle"), texts(part, "slots")
    if axle and slot.values.get("axle") and axle != slot.values["axle"]:
        slot.fault(findings, "fitted", f"is for the {axle} axle only, says {part.where}")
    if slots and slot.label not in slots:
        slot.fault(findings, "fitted", f"is for the slots {', '.join(slots)} only, says {part.where}")


def _check_number_of_slots(car: CarDraft, findings: Findings) -> None:
    if not car.slots or any("kind" not in slot.values for slot in car.slots):
        return
    counts = Counter((slot.values["kind"], slot.values.get("axle")) for slot in car.slots)
    kinds = Counter(slot.values["kind"] for slot in car.slots)
    file = car.car.file
    for kind in ONE_SLOT:
        if kinds[kind] != 1:
            findings.fault(file, 0, "slots", "", f"needs exactly one slot of kind {kind}, not {kinds[kind]}")
    for kind in (*ONE_SLOT_AN_AXLE, "rotor"):
        for axle in ("front", "rear"):
            number = counts[kind, axle]
            if number > 1 or (number == 0 and kind in ONE_SLOT_AN_AXLE):
                findings.fault(
                    file, 0, "slots", "", f"needs one slot of kind {kind} on the {axle} axle, not {number}"
                )


def check_offsets(car: CarDraft, findings: Findings) -> None:
    """Offset windows are not empty."""
    for hub in (car.front, car.rear):
        low, high = hub.values.get("offset_min_m"), hub.values.get("offset_max_m")
        if low is not None and high is not None and low > high:
            hub.fault(findings, "offset_max_m", "is less than offset_min")


def fitted_pieces(car: CarDraft) -> Counter[str]:
    """Pieces now on the car, by part id."""
    pieces: Counter[str] = Counter()
    for slot in map(slot_of, car.slots):
        if slot.fitted != NONE_ID:
            pieces[slot.fitted] += slot.count
    return pieces


# --- the sheets


def check_for_missing_sheets(
    car: CarDraft, names: Mapping[str, str], draft: Draft, findings: Findings
) -> None:
    """Every kind of part that a slot takes has a sheet with parts in it; `names` are sheets by kind.

    A sheet that is not there, or empty, counts as broken from here on: its ids are not unknown, only missing.
    """
    wanted = {slot.values["kind"] for slot in car.slots if "kind" in slot.values}
    for kind, sheet in names.items():
        if sheet in draft.broken or draft.parts.get(sheet):
            continue
        if "slots" in car.unknown:
            draft.broken.add(sheet)
        if kind not in wanted:
            continue
        draft.broken.add(sheet)
        a_kind = f"an {kind}" if kind[0] in "aeiou" else f"a {kind}"
        if sheet in draft.parts:
            findings.fault(f"{sheet}.csv", 0, "", "", f"holds no row, but a slot takes {a_kind}")
        else:
            findings.fault(f"{sheet}.csv", 0, "", "", f"is missing: a slot takes {a_kind}{findings.instead_of(sheet)}")


def check_names_in_sheets(car: CarDraft, event: EventDraft, draft: Draft, findings: Findings) -> None:
    """Jobs, slots, ids and tags that parts name are known."""
    jobs = [job.label for job in car.jobs]
    slots = {slot.label: slot.values.get("kind") for slot in car.slots}
    known = [*(entry.label for _, entry in draft.each_part()), *tags_of(draft, event)]
    for kind, entry in draft.each_part():
        if "jobs" not in car.unknown:
            _check_known(entry, "work", jobs, "one of the jobs in car.toml", findings)
        if "slots" not in car.unknown:
            _check_known(entry, "slots", slots, "one of the slots in car.toml", findings)
            for name in texts(entry, "slots"):
                if slots.get(name) not in {None, kind}:
                    expected = f"is a slot for kind {slots[name]}, and this is of kind {kind}"
                    entry.fault(findings, "slots", expected, name)
        if draft.complete and "event" not in event.unknown:
            for target in ("needs", "not_with"):
                _check_known(entry, target, known, "the id or a tag of any part", findings)
    for slot in car.slots if "jobs" not in car.unknown else ():
        _check_known(slot, "work", jobs, "one of the jobs", findings)


def check_kits(draft: Draft, findings: Findings) -> None:
    """Kits hold known parts."""
    known = {entry.label for _, entry in draft.each_part()}
    for kit in draft.kits:
        for part, _ in kit.values.get("contents", ()):
            if part not in known and (draft.complete or nearest(part, known, cutoff=THE_SAME)):
                kit.fault(findings, "contents", f"is not the id of a part{_hint_for_kit(part, known)}", part)


def _hint_for_kit(part: str, known: set[str]) -> str:
    """How a piece of a kit should have been written, or the nearest id."""
    joined = re.fullmatch(r"(.+)x(\d+)", part)
    if joined and joined[1] in known:
        return f"; leave a space before the number of pieces: {joined[1]} x{joined[2]}"
    before = re.fullmatch(r"(\d+)\s*x\s*(.+)", part)
    if before and before[2] in known:
        return f"; the number of pieces stands behind the id: {before[2]} x{before[1]}"
    first, _, rest = part.partition(" ")
    if first in known and rest:
        return f"; a number of pieces reads like {first} x4"
    return "; separate the parts of a kit by semicolons" if "," in part else nearest(part, known)


def check_rim_widths(draft: Draft, findings: Findings) -> None:
    """Rim width ranges of tires are not empty."""
    for entry in draft.parts.get("tires", []):
        low, high = entry.values.get("rim_width_min_in"), entry.values.get("rim_width_max_in")
        if low is not None and high is not None and low > high:
            entry.fault(findings, "rim_width_max_in", "is less than the narrowest rim")


def note_parts_out_of_reach(draft: Draft, fitted: Mapping[str, int], findings: Findings) -> None:
    """Remark on parts that nobody sells: no price, not owned, in no kit."""
    in_kits = {part for kit in draft.kits for part, _ in kit.values.get("contents", ())}
    for _, entry in draft.each_part():
        had = entry.values.get("owned") or entry.label in fitted or entry.label in in_kits
        if "price_cents" not in entry.values and not had:
            findings.notices.append(
                f"{entry.place} has no price, is not owned and is in no kit: nobody can have it"
            )


def note_fewer_owned_than_fitted(draft: Draft, fitted: Mapping[str, int], findings: Findings) -> None:
    """Remark on parts of which the crew has some, yet fewer than are on the car; none typed may be a blank."""
    for _, entry in draft.each_part():
        owned, on_car = entry.values.get("owned", 0), fitted.get(entry.label, 0)
        if 0 < owned < on_car:
            findings.notices.append(
                f"{entry.place}: {owned} owned, but {on_car} are on the car and count as owned; {on_car} are taken. "
                f"If there are {owned} beside them, write {owned + on_car}"
            )


# --- the event


def check_event(car: CarDraft, event: EventDraft, draft: Draft, findings: Findings) -> None:
    """Salts, classes, slots, parts and checks that the event names are known; runs and weather agree."""
    salts = [salt.label for salt in event.salts]
    classes = [entry.label for entry, _ in event.classes]
    for entry in (event.event, event.fast_case, event.stopping) if "salts" not in event.unknown else ():
        _check_known(entry, "salt", salts, "one of the salts", findings)
    if "classes" not in event.unknown:
        _check_known(event.event, "race_class", classes, "one of the classes", findings)
    slots = [slot.label for slot in car.slots]
    for rules in every_rules(event):
        for rule in rules.rules:
            if "slots" not in car.unknown:
                _check_known(rule, "slot", slots, "one of the slots in car.toml", findings)
    if draft.complete:
        check_words_of_rules(event, draft, findings)
        check_tire_categories(event, draft, findings)
        note_stray_tags(event, draft, findings)
    _check_overrides(event, draft, findings)
    _check_runs(event, findings)


def _check_overrides(event: EventDraft, draft: Draft, findings: Findings) -> None:
    named = [
        entry.label
        for rules in every_rules(event)
        for entry in (*rules.rules, *rules.pairs, *rules.limits, *rules.brackets)
    ]
    ids = [entry.label for _, entry in draft.each_part()]
    for override in event.overrides:
        _check_known(override, "check", [*CHECKS, *named], "the name of a check or rule", findings)
        if draft.complete:
            _check_known(override, "part", ids, "the id of a part", findings)


def _check_runs(event: EventDraft, findings: Findings) -> None:
    if event.scoring.values.get("measure") == "trap" and event.course.values.get("run_up_m") == 0:
        event.course.fault(findings, "run_up_m", "must be more than 0 where the speed at the first board counts")
    runs = event.scoring.values.get("runs", 1)
    if runs not in {1, 2}:
        event.scoring.fault(findings, "runs", "must be 1 or 2")
    elif len(event.weather) not in {1, runs}:
        what = "one [[weather]] for each run, or one for all"
        event.weather[0].fault(findings, "weather", f"must be {what}: {runs}, not {len(event.weather)}")
    for run in event.weather:
        blows = run.values.get("wind_ms", 0.0) > 0
        if blows and run.lacks("wind_from_deg"):
            run.fault(findings, "wind_from_deg", "is needed where there is wind")
        if blows and event.course.lacks("bearing_deg") and "course" not in event.unknown:
            event.course.fault(findings, "bearing_deg", "is needed where there is wind")
            return


def check_tire_dates(event: EventDraft, draft: Draft, findings: Findings) -> None:
    """No tire was made after the event."""
    date = event.event.values.get("date")
    for entry in draft.parts.get("tires", []):
        made = entry.values.get("made")
        if date is not None and made is not None and made > date:
            entry.fault(findings, "made", "is after the event")
