"""Chances in words: the odds of the record, and choosing under doubt."""

from __future__ import annotations

import math

from optimizer.answers.doubt import Candidate, Outside, UnderDoubt
from optimizer.answers.meet_worlds import Chance
from optimizer.answers.odds import BuildOdds, Odds
from optimizer.choice.options import IntArray, Options
from optimizer.report.questions import told
from optimizer.report.wording import Words, both, plural, wrapped
from optimizer.scenario.event import Meet

SHOWN_CANDIDATES = 6
FIELDS = {
    "days": "days", "runs_a_day": "runs a day", "pairs": "which pairs count", "breakage": "what breaks",
    "run_scatter": "scatter from run to run",
}  # fmt: skip


# --- chances as words


def chance_words(chance: Chance) -> str:
    """A chance as one would say it, with twice its standard error as what it may be off by."""
    value, off = chance.value, give_or_take(chance)
    if value < 0.005:
        return "next to none (less than 1 in 100)"
    if value > 0.995:
        return "next to sure (more than 99 in 100)"
    per_cent = round(100 * value)
    if off < 2 or not 0.15 <= value <= 0.85:
        return f"about {per_cent} in 100, give or take {off}"
    return f"about {round(10 * value)} in 10 ({per_cent} in 100, give or take {off})"


def give_or_take(chance: Chance) -> int:
    """Twice the standard error in hundredths, at least 1."""
    return max(1, math.ceil(200 * chance.error - 1e-9))


def points_words(chance: Chance) -> str:
    """A difference of chances in hundredths, with what it may be off by."""
    if abs(chance.value) < 0.0005 and chance.error < 0.0005:
        return "no difference in these draws"
    return f"{100 * chance.value:+.1f} in 100, give or take {200 * chance.error:.1f}"


def speed_gain_words(words: Words, gain: Chance) -> str:
    """A gain of speed with what it may be off by."""
    return f"{words.gap(gain.value, sign=True)}, give or take {words.gap(2 * gain.error)}"


def _holds_a_pair(meet: Meet) -> bool:
    """Whether a meet has two runs that may be joined."""
    return {"same day": meet.runs_a_day, "next day": meet.days, "any": meet.days * meet.runs_a_day}[meet.pairs] > 1


def meet_words(words: Words, meet: Meet, *, two_runs: bool) -> str:
    """A meet in a sentence, with what of it is assumed."""
    pairs = {"same day": "both on one day", "next day": "one a day, on days that follow", "any": "any two"}
    text = f"{plural(meet.days, 'day')} of {plural(meet.runs_a_day, 'run')}"
    if two_runs:
        text += f"; the two runs that count: {pairs[meet.pairs]}"
        if not _holds_a_pair(meet):
            text += ", and there are no such two: no record can fall"
    if meet.license_steps_ms:
        steps = both([words.speed(step) for step in meet.license_steps_ms])
        text += f"; the driver must first show {steps}"
    text += f"; a run breaks the car {_of_hundred(meet.breakage)} times in 100, which ends the meet"
    text += f"; runs scatter by {meet.run_scatter:.1%}"
    assumed = [name for field, name in FIELDS.items() if field not in meet.stated and (two_runs or field != "pairs")]
    if assumed:
        text += f". Assumed, not in event.toml: {both(assumed)}"
    return f"{text}."


def _of_hundred(share: float) -> str:
    return f"{100 * share:g}"


# --- the odds of the record


def odds_text(words: Words, found: Odds) -> str:
    """What the chances are, build by build; what lasts and what changes; what is assumed."""
    two = words.scenario.event.scoring.runs > 1
    first = found.builds[0]
    lines = [
        wrapped(
            f"{words.speed(found.needed_ms)} takes the record of class {found.race_class}, margin included. Over the "
            f"meet the chance of {_called(first.name)} is {chance_words(first.meet)}, in this model."
        ),
        "",
        wrapped(f"The meet: {meet_words(words, found.meet, two_runs=two)}"),
    ]
    for each in found.builds:
        lines += ["", *_build_odds(words, each, found, two_runs=two)]
    lines += ["", words.heading("What the chances rest on"), wrapped(basis_words(found))]
    lines.append(wrapped(lasting_words(words, first, _called(first.name))))
    return told(words, "The odds of the record", lines)


def _called(name: str) -> str:
    """What a build is called in sentences."""
    if name == "now":
        return "the car as it stands"
    return f"number {name}" if name.isdigit() else f"number 1 with {name.replace('+', ' and ')}"


def _build_odds(words: Words, odds: BuildOdds, found: Odds, *, two_runs: bool) -> list[str]:
    """One build's chances."""
    name, first = _called(odds.name), found.builds[0]
    known = "as calibrated" if found.calibrated else "at the stated values"
    lines = [words.heading(name[0].upper() + name[1:])]
    legal = "" if odds.legal else " It is NOT legal as stated."
    lines.append(
        wrapped(
            f"{words.speed(odds.speed_ms)} {known}, {words.price(odds.cents)}.{legal} Nine times in ten "
            f"{words.speed(odds.low_ms)} to {words.speed(odds.high_ms)}, for all that is not known."
        )
    )
    attempt = "one pair of runs" if two_runs else "one run"
    items = [
        f"as the event scores it, no run better or worse than another: {chance_words(odds.as_scored)}",
        f"{attempt}, with gusts and scatter: {chance_words(odds.attempt)}",
        f"over the meet: {chance_words(odds.meet)}",
        f"fallen by the end of run 1, 2, ...: {', '.join(str(round(100 * each)) for each in odds.by_run)} in 100",
    ]
    if odds is not first:
        items.append(f"over the meet against {_called(first.name)}, in the same worlds: {points_words(odds.ahead)}")
    return [*lines, *(wrapped(each, "  - ") for each in items)]


def basis_words(found: Odds) -> str:
    """What was drawn."""
    return (
        f"{found.draws} draws of {found.unknowns} numbers that are not known exactly, the same for every build; "
        "give or take is twice the standard error of the draws, not what the model may be wrong by."
        + ("" if found.calibrated else " No measurement of this car has gone into them: see saltmile calibrate.")
    )


def lasting_words(words: Words, odds: BuildOdds, name: str) -> str:
    """What of a run's spread lasts, of a build called by a name."""
    spread = odds.spread
    return (
        f"A run of {name} is off by {words.gap(spread.lasting_ms, digits=1)} for what lasts (car, parts, the salt of "
        f"the meet), {words.gap(spread.daily_ms, digits=1)} for the day and {words.gap(spread.run_ms, digits=1)} for "
        "the run, two times in three. More runs help against the day and the run, not against what lasts."
    )


# --- choosing under doubt


def doubt_text(words: Words, options: Options, found: UnderDoubt) -> str:
    """Which build for this aim, what it costs, the others, and what lies outside."""
    two = words.scenario.event.scoring.runs > 1
    lines = [wrapped(_choice(words, found)), "", *build_lines(words, options, found.fastest.build, found.chosen.build)]
    lines += ["", wrapped(f"The meet: {meet_words(words, found.meet, two_runs=two)}"), ""]
    title = {"record": "Most likely to take it", "regret": "Least to regret", "speed": "Fastest as stated"}[found.aim]
    lines.append(words.heading(title))
    for each in found.candidates[:SHOWN_CANDIDATES]:
        lines += _candidate(words, options, each, found.fastest)
    compared = len(found.candidates)
    listed = sum(each.listed for each in found.candidates)
    lines += [
        "",
        wrapped(
            f"{plural(compared, 'build')} compared in {found.draws} draws of all that is not known exactly: the "
            f"{listed} fastest, and {compared - listed} others near them. Regret is what a build is slower than the "
            "fastest of these, world by world."
        ),
        "",
        words.heading("What a build that was not compared could gain"),
        *_outside(words, found.outside, found),
    ]
    return told(words, {"record": "Most likely to take the record", "regret": "Least to regret"}.get(
        found.aim, "Fastest as stated"), lines)  # fmt: skip


def _choice(words: Words, found: UnderDoubt) -> str:
    """The answer."""
    goal = {"record": "likelier to take the record", "regret": "safer from regret", "speed": "faster"}[found.aim]
    chance = chance_words(found.chosen.chance)
    if not found.changes:
        text = (
            f"The choice does not change: no build compared is {goal} than the fastest by more than the draws "
            f"leave open. Its chance over the meet is {chance}; {words.speed(found.fastest.speed_ms)} as stated, "
            f"{words.price(found.fastest.cents)}."
        )
        if found.picked.place != found.fastest.place:
            gain = points_words(found.gain) if found.aim == "record" else speed_gain_words(words, found.gain)
            text += (
                f" The nearest to another choice is number {found.picked.place} by speed: {gain}, in draws that did "
                "not pick it; the list counts all draws."
            )
        return text
    gain = points_words(found.gain) if found.aim == "record" else speed_gain_words(words, found.gain)
    return (
        f"The choice changes: number {found.chosen.place} by speed is {goal} than the fastest ({gain}, in draws "
        f"that did not pick it). Its chance over the meet is {chance}. It is slower by "
        f"{words.gap(found.costs_speed_ms)} as stated, and {words.costs(found.costs_cents)}."
    )


def build_lines(words: Words, options: Options, before: IntArray, after: IntArray) -> list[str]:
    """Parts of a build against another, as list items; those of the car as it stands where they are the same."""
    there = options.decode(options.fitted if (before == after).all() else before)
    here = options.decode(after)
    changes = [(slot, there[slot], part) for slot, part in here.items() if part != there[slot]]
    head = "Changes from the car as it stands:" if (before == after).all() else "What it has that the fastest has not:"
    if not changes:
        return [wrapped("It is the car as it stands.")]
    return [wrapped(head), *(wrapped(each, "  - ") for each in words.changes(changes))]


def _candidate(words: Words, options: Options, each: Candidate, fastest: Candidate) -> list[str]:
    """One of the builds compared."""
    beside = "" if each.place == fastest.place else f" ({points_words(each.ahead)} against the fastest)"
    text = (
        f"number {each.place} by speed: {words.speed(each.speed_ms)}, {words.price(each.cents)}. Over the meet "
        f"{chance_words(each.chance)}{beside}. Regret {words.gap(each.regret_ms.value)} on the average, over "
        f"{words.gap(each.worst_ms)} in one world of twenty; fastest of all in {each.fastest_in:.0%}."
    )
    lines = [wrapped(text, "  - ")]
    if each.place != fastest.place:
        here, there = options.decode(each.build), options.decode(fastest.build)
        changes = words.changes([(slot, there[slot], part) for slot, part in here.items() if part != there[slot]])
        lines.append(wrapped(f"It has {'; '.join(changes)}.", "    "))
    return lines


def _outside(words: Words, outside: Outside, found: UnderDoubt) -> list[str]:
    """What is shown by argument about builds that were not compared, and what is only sampled."""
    if math.isinf(outside.behind_ms):
        return [wrapped("Nothing: every legal build within the budget was compared.")]
    shown_by = "By argument (complete search)" if outside.closed else "As far as the search went"
    lines = [
        wrapped(
            f"{shown_by}: every build outside the list is slower than the fastest by at least "
            f"{words.gap(outside.behind_ms)} at the stated values.",
            "  - ",
        ),
        wrapped(
            f"Sampled: of the builds compared none moves against the choice by more than "
            f"{words.gap(outside.spread_ms)} (standard deviation), nor on the average by more than "
            f"{words.gap(outside.moved_ms)}. If no build outside moves more, none has an expected regret that is less "
            f"by more than {words.gap(outside.regret_bound_ms)}; {_chance_bound(outside)}.",
            "  - ",
        ),
    ]
    others = [each for each in found.candidates if not each.listed]
    if others:
        best = max(others, key=lambda each: each.ahead.value)
        lines.append(
            wrapped(
                f"Sampled: of the {len(others)} builds outside the list that were compared too, the likeliest to take "
                f"the record is number {best.place} by speed: {points_words(best.ahead)} against the fastest.",
                "  - ",
            )
        )
    lines += [wrapped(_world(words, outside), "  - ")]
    return lines


def _chance_bound(outside: Outside) -> str:
    """What that leaves a build outside to gain in chance."""
    if outside.chance_bound > 0.5:
        return "about the chance of the record that says nothing"
    most = math.ceil(100 * outside.chance_bound)
    return f"none is likelier to take the record with one attempt by more than {most} in 100"


def _world(words: Words, outside: Outside) -> str:
    """What complete searches in drawn worlds found."""
    if not outside.searched:
        return "No drawn world was searched completely: --worlds 3 does it, one search each."
    losses = ", ".join(words.gap(each.loss_ms) for each in outside.searched)
    return (
        f"Sampled: {plural(len(outside.searched), 'drawn world')} searched completely, with the checks made there. The "
        f"best build of each, known beforehand, beats all that were compared until then by {losses}; it is compared "
        "too, where it is legal as stated."
    )
