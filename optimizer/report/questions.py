"""Answers to what a crew asks, as text: the answer first, its reasons after, how sure it is last."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from optimizer.answers.closeness import Band
from optimizer.answers.compare import Comparison, SwitchingValue
from optimizer.answers.frontier import Target
from optimizer.answers.power_flow import PowerFlow
from optimizer.answers.shares import Change, Share
from optimizer.answers.shortlist import Shortlist
from optimizer.answers.swaps import Swap
from optimizer.choice.options import Options
from optimizer.questions import MoneySteps, OnEverySalt, Record, Why
from optimizer.report.tables import Table, shortened
from optimizer.report.width import is_wide
from optimizer.report.wording import FIXED, Words, both, caution, plural, unswapped, wrapped
from optimizer.run.judge import speed_steps
from optimizer.scenario.parts import NONE_ID
from optimizer.units import shown, to_unit

SHOWN_PAIRINGS, SHOWN_SWITCHES = 5, 8
CHANGED_LETTERS = 65
"""Letters for the slots that a step changes, in a table."""
COMPLETE = "Complete search: nothing else in your sheets is better in this model."
INCOMPLETE = "The search gave up before all else was ruled out: this is the best found, not known to be the best."
AS_NAMED = "No more than what is named is changed. The best legal build that has a part: why-not FOLDER PART."
SMALL_MS = 0.0005
SMALL_KG = 0.005
"""Less than this is no difference of masses that anyone weighs."""


def told(words: Words, title: str, paragraphs: Sequence[str]) -> str:
    """An answer as text, under a heading and above the caution."""
    return "\n".join([words.heading(title), *paragraphs, *caution(words)]) + "\n"


def completeness(closed: bool) -> str:
    """How complete the searches were."""
    return wrapped(COMPLETE if closed else INCOMPLETE)


def change_text(words: Words, slots: Sequence[str], before: str, after: str) -> str:
    """A change of parts in some slots."""
    instead = "" if before == NONE_ID else f" in place of {words.part(before)}"
    return f"{both(list(slots))}: {words.part(after)}{instead}"


def builds_differ(words: Words, here: Mapping[str, str], there: Mapping[str, str], dash: str = "  - ") -> list[str]:
    """What the first of two builds has where the second has something else, as list items."""
    changes = [(slot, there[slot], part) for slot, part in here.items() if part != there[slot]]
    return [wrapped(each, dash) for each in words.changes(changes)]


# --- why


def why_text(words: Words, found: Why) -> str:
    """What each changed part is worth, what pays next, what holds the car, where the power goes."""
    shares, speed_ms = found.shares, found.card.speed_ms
    if not shares.shares:
        first = f"This is the car as it stands: {words.speed(speed_ms)}. Nothing is changed."
    else:
        first = (
            f"{words.speed(speed_ms)}, {words.gap(shares.gain_ms, sign=True)} against the car as it stands. The share "
            "of each change is what it brings on the average over all orders of making the changes; the shares add up."
        )
    lines = [wrapped(first), *(wrapped(_share(words, each), "  - ") for each in shares.shares)]
    pairs = [each for each in shares.pairings if abs(each.together_ms) >= SMALL_MS][:SHOWN_PAIRINGS]
    if pairs:
        lines += ["", words.heading("Changes that help or hurt each other")]
        for pair in pairs:
            more = "more" if pair.together_ms > 0 else "less"
            names = f"{_named(words, pair.first)} with {_named(words, pair.second)}"
            lines.append(wrapped(f"{names}: {words.gap(pair.together_ms)} {more} than apart", "  - "))
    lines += ["", words.heading("What holds the car")]
    limits = [words.limit(found.card, run) for run in found.card.runs]
    lines += [wrapped(f"Run {number}: {limit}.", "  - ") for number, limit in enumerate(limits, 1)]
    lines += ["", words.heading("Where the power goes at the last board")]
    lines += [_flow(words, each) for each in found.flows]
    lines += ["", words.heading("Best single swaps from here"), wrapped("All else kept; money aside.")]
    lines += [_swap(words, each) for each in found.swaps]
    if fixed := unswapped(words.scenario, found.swaps):
        lines.append(wrapped(FIXED.format(both(fixed))))
    if found.savings:
        lines += ["", words.heading("Single swaps that save money"), *(_swap(words, each) for each in found.savings)]
    return told(words, "Why this build", [*lines, "", completeness(found.closed)])


def _named(words: Words, change: Change) -> str:
    return both([words.part(part) if part != NONE_ID else f"no {slot}" for slot, part in _by_part(change).items()])


def _by_part(change: Change) -> dict[str, str]:
    """Slots of a change with their parts, the same part said once."""
    seen: dict[str, str] = {}
    for slot, part in zip(change.slots, change.after, strict=True):
        if part == NONE_ID or part not in seen.values():
            seen[slot] = part
    return seen


def _share(words: Words, share: Share) -> str:
    change = share.change
    slots = both(list(change.slots))
    error = f" (give or take {words.gap(share.error_ms)})" if share.error_ms else ""
    return (
        f"{words.gap(share.share_ms, sign=True)}{error}: {_named(words, change)} ({slots}); alone "
        f"{words.gap(share.first_ms, sign=True)}, as the last change {words.gap(share.last_ms, sign=True)}"
    )


def _flow(words: Words, flow: PowerFlow) -> str:
    parts = {
        "air": flow.air_w, "rolling": flow.rolling_w, "driveline": flow.driveline_w, "slip": flow.slip_w,
        "getting faster": flow.accelerating_w,
    }  # fmt: skip
    shares = ", ".join(f"{name} {value / flow.engine_w:.1%}" for name, value in parts.items())
    power = shown(flow.engine_w, "power", metric=words.metric)
    held = "; the engine is not asked for all it has" if flow.held else ""
    return wrapped(f"At {words.speed(flow.speed_ms)}, {power} at the flywheel: {shares}{held}.", "  - ")


def _swap(words: Words, swap: Swap) -> str:
    text = change_text(words, [swap.slot], swap.here, swap.other)
    return wrapped(f"{words.gap(swap.gain_ms, sign=True)}, {words.extra_money(swap.cents)}, {text}", "  - ")


# --- money


def budget_text(words: Words, options: Options, found: MoneySteps, *, every: bool) -> str:
    """Money against speed: what changes at each step, and where a step is too close to call."""
    steps, bands = found.steps, found.bands
    exact = "Every step is listed." if every else (
        "Not every small step is listed: between a step and the next there may be others, none faster than the next "
        "(--every lists all)."
    )  # fmt: skip
    lines = [wrapped(f"The fastest legal build for every budget. {exact}"), "", *_steps(words, found), ""]
    lines += [wrapped("What each is unlike: the first the car as it stands, each other the step before it."), ""]
    for place, step in enumerate(steps):
        build = options.decode(step.build)
        before = steps[place - 1] if place else None
        head = f"{words.price(step.cents)}: {words.speed(step.speed_ms)}"
        if before is not None:
            gain, cents = step.speed_ms - before.speed_ms, step.cents - before.cents
            per = gain / (cents / 10_000)
            head += f", {words.gap(gain, sign=True)} for {words.money(cents)} ({words.gap(per, sign=True)} per 100)"
            band = bands[place]
            if band is not None and band.too_close:
                head += "; TOO CLOSE TO CALL with the step before"
        lines.append(wrapped(head))
        if before is None:
            lines += builds_differ(words, build, options.decode(options.fitted))
        else:
            lines += builds_differ(words, build, options.decode(before.build))
    lines += ["", completeness(all(step.closed for step in steps))]
    return told(words, "Money against speed", lines)


def _steps(words: Words, found: MoneySteps) -> list[str]:
    """All steps in a line each; on a wide terminal with the slots that change."""
    headers = ["from", words.unit, "gain", "per 100", "against before"]
    rows = []
    for place, (step, band) in enumerate(zip(found.steps, found.bands, strict=True)):
        row = [words.price(step.cents), f"{to_unit(step.speed_ms, words.unit, 'speed'):.1f}", "", "", ""]
        if place:
            before = found.steps[place - 1]
            gain = to_unit(step.speed_ms - before.speed_ms, words.unit, "speed")
            per = gain / ((step.cents - before.cents) / 10_000)
            row[2:] = [f"{gain:+.2f}", f"{per:+.2f}", "too close" if band is not None and band.too_close else "faster"]
        if is_wide():
            there = found.steps[place - 1].build if place else 0 * step.build
            changed = zip(words.scenario.car.slots, step.build, there, strict=True)
            slots = ", ".join(slot.name for slot, one, other in changed if one != other)
            row.append(shortened(slots, CHANGED_LETTERS))
        rows.append(tuple(row))
    return Table((*headers, *(["changes"] if is_wide() else [])), tuple(rows), frozenset({4, 5})).lines()


def target_text(words: Words, options: Options, target: Target, budget_cents: int | None) -> str:
    """The cheapest build past a speed, or how far the fastest falls short."""
    build = options.decode(target.build)
    changes = builds_differ(words, build, options.decode(options.fitted))
    limit = " for any money" if budget_cents is None else f" for {words.price(budget_cents)}"
    own = words.scenario.event.budget_cents
    if target.reached:
        first = f"The cheapest build{limit} that does {words.speed(target.target_ms)} costs {words.price(target.cents)}"
        first += f" and does {words.speed(target.speed_ms)}."
        if budget_cents is None and own is not None and target.cents > own:
            first += f" That is {words.price(target.cents - own)} over the budget."
    else:
        first = (
            f"No legal build{limit} does {words.speed(target.target_ms)}. The fastest does "
            f"{words.speed(target.speed_ms)}, {words.gap(target.target_ms - target.speed_ms)} short, for "
            f"{words.price(target.cents)}."
        )
    lines = [wrapped(first), "Changes from the car as it stands:", *changes]
    return told(words, f"Cheapest past {words.speed(target.target_ms)}", [*lines, "", completeness(target.closed)])


def records_text(words: Words, options: Options, records: Sequence[Record]) -> str:
    """What each class's record costs, the cheapest that can be taken first."""
    lines: list[str] = []
    for each in records:
        head = f"{each.race_class}, {words.speed(each.record_ms)} with the margin"
        if each.target is None:
            lines.append(wrapped(f"{head}: {each.why_none}", "  - "))
        elif each.target.reached:
            does = words.speed(each.target.speed_ms)
            lines.append(wrapped(f"{head}: from {words.price(each.target.cents)}, which does {does}.", "  - "))
        else:
            short = words.gap(each.record_ms - each.target.speed_ms)
            lines.append(wrapped(f"{head}: out of reach by {short}.", "  - "))
    first = records[0]
    if first.target is not None and first.target.reached:
        build = builds_differ(words, options.decode(first.target.build), options.decode(options.fitted))
        lines += ["", wrapped(f"For class {first.race_class}, changes from the car as it stands:"), *build]
    closed = all(each.target.closed for each in records if each.target is not None)
    return told(words, "What each record costs", [*lines, "", completeness(closed)])


# --- builds that really differ

ARGUMENTS = {
    "fastest": "the fastest",
    "cheapest": "the cheapest",
    "most careful": "the most careful (tire speed, stopping, heat, revs)",
    "best on soft salt": "the best on {soft} salt",
    "fewest changes": "the fewest changes",
    "least own hours": "the least work of your own",
    "most different": "the most different",
}
"""What speaks for a build of the shortlist; of salt by the name that the crew calls its softest condition."""


def arguments_text(names: Sequence[str], soft_salt: str) -> str:
    """What speaks for a build, the condition that counts as soft by its name."""
    return both([ARGUMENTS[each].format(soft=soft_salt) for each in names])


def shortlist_text(words: Words, found: Shortlist) -> str:
    """Builds near the best that really differ, each with its argument."""
    window = words.gap(found.window_ms)
    lines = [
        wrapped(f"Of {plural(found.candidates, 'build')} met within {window} of the fastest that are too close to call "
                "with it, or no worse in any way than one that is, those that people argue about. The fastest is that "
                "of all legal builds; the other arguments hold among the builds that the search met."),
    ]  # fmt: skip
    first = found.entries[0]
    for place, entry in enumerate(found.entries, 1):
        head = f"{_capital(arguments_text(entry.names, found.soft_salt))}: {words.speed(entry.speed_ms)}"
        head += f"{words.shortfall(entry.speed_ms, words.scenario.race_class.planned_ms)}, {words.price(entry.cents)}, "
        head += f"{entry.hours:.0f} h of your own work, {math.floor(100 * entry.care)}% left of what is tightest, "
        head += f"{words.speed(entry.soft_ms)} on {found.soft_salt} salt."
        if place > 1 and not entry.band.too_close:
            head += f" Number 1 is faster in {entry.band.chance:.0%} of the draws of what is not known exactly."
        lines += ["", wrapped(head, f"{place}. ")]
        lines.append("   Unlike number 1:" if place > 1 else "   Changes from the car as it stands:")
        lines += builds_differ(words, entry.build, first.build if place > 1 else _fitted(words), "   - ")
        if entry.least_instead:
            cheaper = both(words.changes([(slot, "", part) for slot, part in entry.least_instead.items()]))
            lines.append(wrapped(f"As fast for {words.price(entry.least_cents)}, with {cheaper}.", "   "))
    complete = "Complete search for the fastest: nothing else in your sheets is faster in this model."
    return told(words, "Builds that really differ", [*lines, "", wrapped(complete if found.closed else INCOMPLETE)])


def _fitted(words: Words) -> dict[str, str]:
    """The car as it stands: slot -> part id."""
    return {slot.name: slot.fitted for slot in words.scenario.car.slots}


# --- two builds


def band_text(words: Words, band: Band, first: str, second: str) -> str:
    """How sure the order of two builds is."""
    interval = f"{words.gap(band.low_ms, sign=True)} to {words.gap(band.high_ms, sign=True)}"
    draws = "of the draws of what is not known exactly"
    likely = f"{first} is faster than {second} in {band.chance:.0%} {draws} ({interval})"
    return f"Too close to call: {likely}." if band.too_close else f"{_capital(likely)}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def compare_text(words: Words, result: Comparison, first: str, second: str) -> str:
    """Two builds side by side."""
    if not result.differences:
        same = _capital(f"{first} and {second} are the same build: {words.speed(result.first_ms)}.")
        return told(words, _capital(f"{first} against {second}"), [wrapped(same)])
    differ = len(result.differences)
    faster, slower = (first, second) if result.gain_ms <= 0 else (second, first)
    lead = f"{faster} is {words.gap(result.gain_ms)} faster than {slower}"
    if speed_steps(result.gain_ms) == 0:
        lead = "as fast as each other"
    money = "" if result.cents is None else f"{words.costs(result.cents)} and "
    weighs = "weighs the same"
    if abs(result.mass_kg) >= SMALL_KG:
        mass = shown(abs(result.mass_kg), "mass", metric=words.metric)
        weighs = f"is {mass} {'heavier' if result.mass_kg > 0 else 'lighter'}"
    speeds = f"{first} {words.speed(result.first_ms)}, {second} {words.speed(result.second_ms)}"
    sides = ((first, result.first_problems), (second, result.second_problems))
    illegal = [(name, problems) for name, problems in sides if problems]
    lines = [
        wrapped(_capital(f"{speeds}: {lead}; {second} {money}{weighs}.")),
        *(wrapped(f"NOT LEGAL: {name}. {_capital('; '.join(problems))}.") for name, problems in illegal),
        *([wrapped(AS_NAMED)] if any(name.startswith("number 1 ") for name, _ in illegal) else []),
        wrapped(band_text(words, result.band, first, second)),
        "",
        words.heading(f"What each difference is worth, from {first} to {second}"),
        *([wrapped("The middle of what it is worth alone, put into the first, and as the last.")] * (differ > 1)),
    ]
    for each in result.differences:
        text = change_text(words, [each.slot], each.first, each.second)
        worth = f"{words.gap(each.mean_ms, sign=True)} (alone {words.gap(each.in_first_ms, sign=True)}, "
        worth += f"as the last {words.gap(each.in_second_ms, sign=True)})"
        alone = "" if each.first_legal and each.second_legal else "; not legal alone"
        lines.append(wrapped(f"{worth}: {text}{alone}", "  - "))
    if differ > 1 and abs(result.together_ms) >= SMALL_MS:
        beyond = f"{words.gap(result.together_ms, sign=True)}: what they do to each other beyond that"
        lines.append(wrapped(f"{beyond}; {words.gap(result.gain_ms, sign=True)} in all", "  - "))
    lines += ["", words.heading("What would have to be true for the order to turn")]
    turning = [_switch(words, each) for each in result.switching if each.value is not None]
    lines += [wrapped(each, "  - ") for each in turning[:SHOWN_SWITCHES]]
    if not turning:
        lines.append(wrapped("No single unknown was found to turn it within values that make sense."))
    return told(words, _capital(f"{first} against {second}"), lines)


def _switch(words: Words, each: SwitchingValue) -> str:
    unknown, value, away = each.unknown, each.value or 0.0, abs(each.deviations or 0.0)

    def say(value: float) -> str:
        return shown(value, unknown.dimension, metric=words.metric, digits=4) if unknown.dimension else f"{value:.4g}"

    likely = "well possible" if away < 1 else "possible" if away < 2 else "unlikely"
    return (
        f"{unknown.name}: {say(value)} instead of {say(unknown.value)} ({unknown.basis.kind}); "
        f"{away:.1f} standard uncertainties away, {likely}"
    )


# --- conditions


def salts_text(words: Words, options: Options, rows: Sequence[OnEverySalt]) -> str:
    """Builds under every condition of the salt: speed and place in each, marked where places change."""
    head = "The best builds of each condition in all of them: speed, and place among those listed here."
    dash = " (-): not legal there." if any(not each.place for row in rows for each in row.by_salt.values()) else ""
    lines = [wrapped(f"{head}{dash} * marks a place that changes with the salt.")]
    lines += ["", *_on_salts(words, rows)]
    fitted, first = options.decode(options.fitted), options.decode(rows[0].build)
    for number, row in enumerate(rows, 1):
        said = "; ".join(
            f"{salt} {words.speed(each.speed_ms)}, {f'place {each.place}' if each.place else 'not legal'}"
            for salt, each in row.by_salt.items()
        )
        lines += ["", wrapped(f"{words.price(row.cents)}: {said}{' *' if _moves(row) else ''}.", f"{number}. ")]
        lines.append("   Unlike number 1:" if number > 1 else "   Changes from the car as it stands:")
        lines += builds_differ(words, options.decode(row.build), first if number > 1 else fitted, "   - ")
    moved = sum(map(_moves, rows))
    text = f"{plural(moved, 'build changes', 'builds change')} place" if moved else "No build changes place"
    return told(words, "Best builds on every salt", [*lines, "", wrapped(f"{text} with the salt.")])


def _on_salts(words: Words, rows: Sequence[OnEverySalt]) -> list[str]:
    """Builds by conditions: speed and place; a dash where it is not legal."""
    salts, unit = list(rows[0].by_salt), words.unit
    cells = [
        (
            f"{number}",
            words.price(row.cents),
            *(f"{to_unit(each.speed_ms, unit, 'speed'):.1f} ({each.place or '-'})" for each in row.by_salt.values()),
            "*" if _moves(row) else "",
        )
        for number, row in enumerate(rows, 1)
    ]
    return Table(("", "price", *salts, ""), tuple(cells), frozenset()).lines()


def _moves(row: OnEverySalt) -> bool:
    """Whether a build's place changes with the salt."""
    return len({each.place for each in row.by_salt.values()}) > 1
