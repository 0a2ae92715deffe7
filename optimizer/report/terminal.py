"""The ranking as text, arranged by argument: the answer, the builds with reasons, what comes close, how sure."""

from __future__ import annotations

import math

from optimizer.answers.cards import BuildCard
from optimizer.answers.near_best import MOST_CANDIDATES, WINDOW_MS
from optimizer.pipeline import RankResult
from optimizer.report.calibration import said_done_text
from optimizer.report.tables import Table
from optimizer.report.width import is_wide
from optimizer.report.wording import (
    FIXED,
    Words,
    assumed,
    both,
    caution,
    different,
    ordinal,
    plural,
    remarks,
    second_looks,
    unswapped,
    wrapped,
)
from optimizer.scenario.cells import CURRENCIES
from optimizer.search.pool import Evidence
from optimizer.units import from_unit, to_unit, usual

IN_FULL = 3
"""Builds told in full; the rest get a line or two each."""
SAME_SPEED_MS = 0.0005 * from_unit(1, "mph", "speed")
"""Builds nearer than half of 0.001 mph have one speed on any screen."""
TOP_ASSUMED = 8


def ranking_text(result: RankResult, *, all_builds: bool = False, color: bool = False) -> str:
    """The whole answer of ``rank``; ``all_builds`` tells every build in full."""
    words = Words(result.scenario, color)
    paragraphs = [*_answer(words, result), "", *said_done_text(words, result.said_done)]
    paragraphs += ["", words.heading(f"The best {plural(len(result.builds), 'build')}")]
    paragraphs += _at_a_glance(words, result).lines()
    for place, card in enumerate(result.builds):
        previous = result.builds[place - 1] if place else None
        paragraphs += ["", *_build(words, place + 1, card, result.builds[0], previous, in_full=all_builds)]
    paragraphs += _swaps(words, result)
    paragraphs += _close(words, result)
    paragraphs += ["", words.heading("How complete the search was"), *_completeness(words, result)]
    paragraphs += _assumed(words)
    paragraphs += second_looks(words, result.second_looks, result.power_in_this_air)
    paragraphs += remarks(words, result.notices)
    paragraphs += caution(words)
    return "\n".join(paragraphs) + "\n"


def _answer(words: Words, result: RankResult) -> list[str]:
    """The answer in two sentences, under what was asked."""
    event, best = result.scenario.event, result.builds[0]
    asked = f"{result.scenario.car.name}, {event.name}, class {event.race_class}, {result.salt} salt"
    beaten = "" if best.beats_record else " The record is not beaten within these sheets and rules."
    now = result.as_it_stands
    stands = f"{words.speed(now.speed_ms)}{', and not legal' if now.problems else ''}"
    first = (
        f"The fastest legal build does {words.speed(best.speed_ms)}, the model says, "
        f"{words.against_record(best)} (the car as it stands: {stands})."
    )
    price = best.cents
    left = words.left(price) if price is not None else ""
    second = f"It costs {_price(words, best)}" + (f", {left}." if left else ".")
    return [words.heading(asked), wrapped(f"{first} {second}{beaten}")]


def _at_a_glance(words: Words, result: RankResult) -> Table:
    """All builds in a line each; more of each where there is room."""
    event = result.scenario.event
    money = CURRENCIES[event.currency]
    headers = ["", words.unit, "over needed", money, "against 1", "limited by", "gear", "rpm"]
    if is_wide():
        unit = usual("distance", metric=words.metric)
        headers += ["rev limit", "grip", f"stop [{unit}]", "rotors", "left", "own h"]
    rows = []
    for place, (card, apart) in enumerate(zip(result.builds, result.told_apart, strict=True), 1):
        hardest = max(card.runs, key=lambda run: run.rpm_last)
        over = to_unit(card.speed_ms - card.planned_ms, words.unit, "speed")
        row = [
            f"{place}", f"{to_unit(card.speed_ms, words.unit, 'speed'):.1f}", f"{over:+.2f}",
            "-" if card.cents is None else f"{math.ceil(card.cents / 100):,}",
            "" if place == 1 else "slower" if apart else "too close",
            min(card.runs, key=lambda run: run.score_ms).limit, ordinal(hardest.gear),
            f"{round(hardest.rpm_last, -1):,.0f}",
        ]  # fmt: skip
        if is_wide():
            stop = to_unit(max(card.stop.distances_m.values()), usual("distance", metric=words.metric), "distance")
            grip = max(run.grip_use for run in card.runs)
            row += [
                f"{card.rev_limit_rpm:,.0f}", f"{grip:.0%}", f"{stop:.2f}", words.share_of_heat(card.stop.rise_share),
                f"{math.floor(100 * card.care)}%", "-" if card.bill is None else f"{card.bill.hours:.0f}",
            ]  # fmt: skip
        rows.append(tuple(row))
    return Table(tuple(headers), tuple(rows), frozenset({4, 5}))


def _price(words: Words, card: BuildCard) -> str:
    return "a price that is not known" if card.cents is None else words.price(card.cents)


def _build(
    words: Words, place: int, card: BuildCard, best: BuildCard, previous: BuildCard | None, *, in_full: bool
) -> list[str]:
    """One ranked build: in full, or what differs where that says enough."""
    number = f"{place}. "
    same = previous is not None and abs(card.speed_ms - previous.speed_ms) < SAME_SPEED_MS
    if previous is not None and not in_full and (same or place > IN_FULL):
        other, whose = (previous, f"number {place - 1}") if same else (best, "number 1")
        speed = f"same speed as {whose}" if same else words.speed(card.speed_ms)
        text = f"{speed}, {_price(words, card)}; unlike {whose}: {'; '.join(words.changes(different(card, other)))}."
        return [wrapped(text[0].upper() + text[1:], number)]
    left = f", {words.left(card.cents)}" if card.cents is not None and words.left(card.cents) else ""
    changes = words.changes(card.changes)
    head = f"{words.speed(card.speed_ms)}, {words.against_record(card)}; {_price(words, card)}{left}."
    indent = " " * len(number)
    lines = [wrapped(head, number)]
    if changes:
        lines += [f"{indent}Changes from the car as it stands:"]
        lines += [wrapped(change, f"{indent}- ") for change in changes]
    else:
        lines += [f"{indent}The car as it stands, nothing changed."]
    lines += [wrapped(sentence, indent) for sentence in _reasons(words, card)]
    return lines


def _reasons(words: Words, card: BuildCard) -> list[str]:
    """What holds the speed, revs, grip, tires and stopping of a build."""
    tires = "; ".join(words.tire(tire) for tire in card.tires)
    return [
        words.limited(card),
        f"{words.at_board(card)} {words.grip(card)}",
        f"Tire surface speed at its highest, on the fast day or in the runs: {tires}.",
        words.stop(card.stop),
    ]


def _swaps(words: Words, result: RankResult) -> list[str]:
    """The best single swap in each slot, and the slots that do not matter."""
    title = words.heading("Best single swap in each slot, from number 1")
    lines = ["", title, wrapped("All else kept; money aside, so a swap may cost more than there is.")]
    budget, price = result.scenario.event.budget_cents, result.builds[0].cents
    for swap in result.swaps:
        if swap.slot in result.indifferent:
            continue
        dear = budget is not None and price is not None and price + swap.cents > budget
        text = (
            f"{swap.slot}: {words.gap(swap.gain_ms, sign=True)}, {words.extra_money(swap.cents)}"
            f"{' (over the budget)' if dear else ''}, with {words.part(swap.other)} "
            f"in place of {words.part(swap.here)}"
        )
        lines.append(wrapped(text, "  - "))
    if result.indifferent:
        lines.append(wrapped(f"These do not matter for speed: {both(list(result.indifferent))}."))
    if fixed := unswapped(result.scenario, result.swaps):
        lines.append(wrapped(FIXED.format(both(fixed))))
    return lines


def _close(words: Words, result: RankResult) -> list[str]:
    """The most careful and the cheapest of the builds that are too close to call."""
    best = result.builds[0]
    lines = ["", words.heading("Too close to call")]
    apart = [place for place, told in enumerate(result.told_apart, 1) if told]
    listed = "None of the builds above is" if not apart else f"Of the builds above {_places(apart)}"
    lines.append(
        wrapped(
            "Two builds are told apart where what is not known exactly of the parts in which they differ leaves little "
            f"doubt which is faster. {listed} told apart from number 1. "
            f"{_near(words, result)}"
        )
    )
    for name, card in (("Most careful", result.most_careful), ("Cheapest", result.cheapest)):
        if card.build == best.build:
            text = f"{name}: number 1 itself, {_price(words, card)}."
        else:
            text = (
                f"{name}: {words.speed(card.speed_ms)}{words.shortfall(card.speed_ms, card.planned_ms)}, "
                f"{_price(words, card)}, {math.floor(100 * card.care)}% left "
                "of what is tightest (tires, stopping, heat or revs); "
                f"unlike number 1: {'; '.join(words.changes(different(card, best)))}."
            )
        lines.append(wrapped(text, "  - "))
    return lines


def _near(words: Words, result: RankResult) -> str:
    """How many builds near the best are too close to call with it."""
    window, count = words.gap(WINDOW_MS, digits=1), result.near_count
    if result.near_met > result.near_compared:
        among = "all that were met" if result.near_met <= MOST_CANDIDATES else f"the {MOST_CANDIDATES:,} fastest"
        return (
            f"{result.near_met:,} legal builds within {window} of it were met, itself included; of the "
            f"{result.near_compared:,} fastest of these {count:,} are too close to call. Of {among}:"
        )
    return (
        f"{plural(count, 'legal build')} within {window} of it that {'is' if count == 1 else 'are'} too close to call "
        f"{'was' if count == 1 else 'were'} met, itself included."
    )


def _places(places: list[int]) -> str:
    """Builds by their places, with the verb."""
    if len(places) == 1:
        return f"number {places[0]} is"
    return f"numbers {both([str(place) for place in places])} are"


def is_complete(evidence: Evidence) -> bool:
    """Whether nothing that was left out can be faster than the last build listed, but for the slack."""
    return evidence.highest_left_ms <= evidence.kth_ms + evidence.slack_ms


def _completeness(words: Words, result: RankResult) -> list[str]:
    """How complete the search was, in plain words."""
    evidence = result.evidence
    counts = (
        f"Your sheets make {_large(evidence.combinations)} combinations of parts. They hold "
        f"{plural(evidence.drive_sets, 'legal combination')} of tires, gears and engine within the budget; the "
        f"best case of every one was run, {evidence.opened:,} could still hold a faster build and were looked "
        f"into, and {plural(evidence.completions, 'build')} of these "
        f"{'was' if evidence.completions == 1 else 'were'} priced, simulated and checked one by one."
    )
    failed = [f"{name} {count:,}" for name, count in evidence.refused.items() if count]
    if failed:
        counts += f" Of these, checks at speed refused: {', '.join(failed)}."
    if evidence.recalled:
        counts += f" {plural(evidence.recalled, 'build')} more had been run for questions before this one."
    slack = math.ceil(to_unit(evidence.slack_ms, words.unit, "speed") * 1000) / 1000
    if evidence.closed:
        end = (
            "Complete search: nothing else in your sheets is faster in this model than the last build listed. What was "
            "not run is ruled out by argument (docs/method.md)."
        )
    elif is_complete(evidence):
        end = (
            "As far as the search can tell nothing else in your sheets is faster in this model than the last "
            f"build listed by more than {slack:.3f} {words.unit}. Not every step of it follows by argument: some are "
            "only checked against trying everything on small catalogs (docs/method.md). "
        ) + (
            "To rule out the rest by argument was too much."
            if evidence.closed is False
            else "Without --quick they all do, where that is not too much."
        )
    elif math.isinf(evidence.highest_left_ms):
        end = (
            "Best found so far: the search was ended before the best case of every combination was run. How much "
            "faster another build could be is not known."
        )
    elif evidence.kth_ms > 0:
        early = "it was ended" if evidence.interrupted else "time was up"
        within = to_unit(evidence.highest_left_ms - evidence.kth_ms, words.unit, "speed")
        end = (
            f"Best found, within {math.ceil(within * 100) / 100:.2f} {words.unit}: {early} before the search was "
            "complete. Nothing in your sheets is faster in this model than the last build listed by more than that."
        )
    else:
        end = (
            "The search is NOT complete: what was not looked into could still reach "
            f"{words.speed(evidence.highest_left_ms)}."
        )
    return [wrapped(counts), wrapped(end)]


def _large(number: int) -> str:
    """A count in words where it has too many digits to read."""
    million = 1_000_000
    return f"{number:,}" if number < 1000 * million else f"{number:.1e}".replace("e+", " x 10^")


def _assumed(words: Words) -> list[str]:
    """The most frequent assumed numbers."""
    groups = assumed(words.scenario)
    if not groups:
        return []
    total = sum(count for count, _, _ in groups)
    lines = ["", words.heading(f"Assumed, not measured: {plural(total, 'number')}")]
    lines += [wrapped(f"{quantity}, {count}: {why}", "  - ") for count, quantity, why in groups[:TOP_ASSUMED]]
    more = len(groups) - TOP_ASSUMED
    if more > 0:
        lines.append(wrapped(f"And {plural(more, 'other kind')}; `saltmile check` lists all."))
    return lines
