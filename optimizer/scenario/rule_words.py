"""Words that the rules go by - tags, categories, yes and no - against the words that parts carry.

A misspelled word in a rule forbids nothing, and nobody would notice. So a word that no part carries is a fault
where it is nearly one that some part does carry, and a remark otherwise: a rule book may name what nobody has.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from types import MappingProxyType

from optimizer.physics.tires import SPEED_SYMBOL_MS
from optimizer.scenario.catalog import Draft
from optimizer.scenario.entries import Entry
from optimizer.scenario.findings import Findings
from optimizer.scenario.settings import EventDraft, RulesDraft
from optimizer.units import nearest

FOLLOWS: Mapping[str, str] = MappingProxyType(
    {
        "carry": "no build can keep this rule",
        "first": "this rule keeps nothing apart",
        "second": "this rule keeps nothing apart",
        "tag": "this limit counts no part",
        "requires": "every build is held below the speed of this bracket",
        "tire_categories": "no tire is let in for it",
        "allowed": "nothing is let in for it",
        "forbidden": "nothing is kept out for it",
    }
)
"""What follows from a word that nothing carries, by where it stands."""
NEARLY = 0.75
"""Share of two words that must agree for one to be taken as the other misspelled: ``raod`` and ``road``."""


def texts(entry: Entry, target: str) -> tuple[str, ...]:
    """Words of a value that is one word or several; none where there is no value."""
    value = entry.values.get(target, ())
    return (value,) if isinstance(value, str) else tuple(value)


def tags_of(draft: Draft, event: EventDraft) -> set[str]:
    """Every tag that a part or the car carries."""
    tags = {tag for _, entry in draft.each_part() for tag in texts(entry, "tags")}
    return tags | set(texts(event.event, "carries"))


def every_rules(event: EventDraft) -> Iterator[RulesDraft]:
    """Rules of the event, then of each class."""
    yield event.rules
    for _, rules in event.classes:
        yield rules


def check_words_of_rules(event: EventDraft, draft: Draft, findings: Findings) -> None:
    """Words in rules are those of parts, or at least not nearly those."""
    ids = {entry.label for _, entry in draft.each_part()}
    tags = tags_of(draft, event)
    for rules in every_rules(event):
        for rule in rules.rules:
            _check_listed(rule, ids, tags, draft, findings)
            _check_carried(rule, "carry", tags, findings)
        for pair in rules.pairs:
            for target in ("first", "second"):
                _check_carried(pair, target, ids | tags, findings)
        for limit in rules.limits:
            _check_carried(limit, "tag", tags, findings)
        for bracket in rules.brackets:
            _check_carried(bracket, "requires", tags, findings)


def check_tire_categories(event: EventDraft, draft: Draft, findings: Findings) -> None:
    """Categories that the event takes are those of tires in the sheet; categories of tires are known words."""
    words = Counter(entry.values.get("category", "") for entry in draft.parts.get("tires", []))
    taken = texts(event.event, "tire_categories")
    usual = {"road", "competition"}
    _check_carried(event.event, "tire_categories", (set(words) - {""}) | usual, findings, fold=True)
    ruled = {
        word
        for rules in every_rules(event)
        for rule in rules.rules
        if rule.values.get("field") == "category"
        for target in ("allowed", "forbidden")
        for word in texts(rule, target)
    }
    known = {word.casefold() for word in {*taken, *ruled}}
    carried = known & {*usual, *(word.casefold() for word in words)}
    for entry in draft.parts.get("tires", []):
        word = entry.values.get("category", "")
        if not word or word.casefold() in known or words[word] > 1:
            continue
        near = nearest(word, carried, cutoff=NEARLY)
        if near:
            entry.fault(findings, "category", f"is a category of no other tire and in no rule{near}")


def note_stray_tags(event: EventDraft, draft: Draft, findings: Findings) -> None:
    """Remark on a tag of one part that nothing goes by, but that is nearly a tag that something does go by."""
    named = set(_named_tags(event, draft))
    carried = Counter(tag for _, entry in draft.each_part() for tag in texts(entry, "tags"))
    for _, entry in draft.each_part():
        for tag in sorted(texts(entry, "tags")):
            if tag in named or carried[tag] > 1:
                continue
            near = nearest(tag, named, cutoff=NEARLY)
            if near:
                findings.notices.append(f"{entry.place}: no rule and no part goes by its tag {tag!r}{near}")


def _named_tags(event: EventDraft, draft: Draft) -> Iterator[str]:
    for rules in every_rules(event):
        for rule in rules.rules:
            yield from texts(rule, "carry")
            if rule.values.get("field") == "tags":
                yield from (*texts(rule, "allowed"), *texts(rule, "forbidden"))
        for pair in rules.pairs:
            yield from (*texts(pair, "first"), *texts(pair, "second"))
        yield from (tag for limit in rules.limits for tag in texts(limit, "tag"))
        yield from (tag for bracket in rules.brackets for tag in texts(bracket, "requires"))
    for _, entry in draft.each_part():
        yield from (*texts(entry, "needs"), *texts(entry, "not_with"))


def _check_listed(rule: Entry, ids: Collection[str], tags: Collection[str], draft: Draft, findings: Findings) -> None:
    """Words that a rule allows or forbids, by the attribute it looks at."""
    field, kind = rule.values.get("field"), rule.values.get("kind")
    for target in ("allowed", "forbidden"):
        if field == "id":
            _check_one_of(rule, target, ids, "the id of a part", findings)
        elif field == "tags":
            _check_carried(rule, target, tags, findings, fold=True)
        elif field == "category":
            known = {
                entry.values["category"]
                for other, entry in draft.each_part()
                if kind in {None, other} and entry.values.get("category")
            }
            _check_carried(rule, target, known, findings, fold=True)
        elif field == "forced induction":
            _check_one_of(rule, target, ("yes", "no"), "yes or no", findings)
        elif field == "speed symbol":
            _check_one_of(rule, target, SPEED_SYMBOL_MS, "a speed symbol", findings)


def _check_one_of(entry: Entry, target: str, known: Collection[str], what: str, findings: Findings) -> None:
    for word in texts(entry, target):
        if word.casefold() not in {each.casefold() for each in known}:
            entry.fault(findings, target, f"is not {what}{nearest(word, known)}", word)


def _check_carried(
    entry: Entry, target: str, known: Collection[str], findings: Findings, *, fold: bool = False
) -> None:
    """Refuse a word that is nearly a known one, remark on any other; ``fold`` where its case means nothing."""
    same = {each.casefold() for each in known} if fold else set(known)
    for word in texts(entry, target):
        if (word.casefold() if fold else word) in same:
            continue
        near = nearest(word, known, cutoff=NEARLY)
        if near:
            entry.fault(findings, target, f"is carried by no part{near}", word)
        else:
            said = f"no part carries {word!r}, nor does the car: {FOLLOWS[target]}"
            findings.notices.append(f"{entry.place}: {said}{nearest(word, known)}")
