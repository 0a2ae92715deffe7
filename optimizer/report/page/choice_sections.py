"""Sections about the choice: the answer, builds worth an argument, the ranking, money, what each part is worth."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

from markupsafe import Markup

from optimizer.answers.buying_order import BuyingPlan, Stage
from optimizer.answers.cards import BuildCard
from optimizer.answers.said_done import Suspect
from optimizer.answers.shortlist import Entry
from optimizer.answers.swaps import Swap
from optimizer.decision import Candidate, Decision
from optimizer.report.calibration import checked_sentences, said_done_text
from optimizer.report.odds import chance_words
from optimizer.report.page import chance_figures, choice_figures
from optimizer.report.page.section import Section, Table, candidate_name, capital, price_of
from optimizer.report.page.words import PageWords, typed
from optimizer.report.questions import COMPLETE, INCOMPLETE, arguments_text, band_text
from optimizer.report.stages import PUT_OFF
from optimizer.report.terminal import is_complete
from optimizer.report.wording import FIXED, UNCHECKED, both, different, ordinal, plural, rpm, unswapped
from optimizer.scenario.parts import NONE_ID
from optimizer.units import shown, to_unit

RAISED = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")


# --- the answer


def answer_section(words: PageWords, decision: Decision) -> Section:
    """The answer in two sentences, how sure, how complete, and what is changed."""
    best, now, event = decision.best, decision.result.as_it_stands, words.scenario.event
    first = (
        f"The fastest legal build does {words.speed(best.speed_ms)}, the model says, {words.against_record(best)}; "
        f"the car as it stands does {words.speed(now.speed_ms)}."
    )
    left = words.left(best.cents) if best.cents is not None else ""
    count = len(best.changes)
    second = f"It costs {price_of(words, best)}{f', {left}' if left else ''}, and changes {plural(count, 'slot')}."
    return Section(
        "answer",
        "The answer",
        first,
        {
            "speed": f"{words.figure(best.speed_ms):.1f}",
            "unit": words.unit,
            "asked": [typed(words.scenario.car.name), typed(event.name), f"class {typed(event.race_class)}",
                      f"{typed(decision.result.salt)} salt"],
            "second": second,
            "beaten": "" if best.beats_record else "The record is not beaten within these sheets and rules.",
            "complete": completeness(words, decision),
            "changes": words.grouped(best.changes),
            "figure": choice_figures.ladder_figure(words, decision),
            "checked": checked(words, decision),
            "odds": "" if decision.odds is None else (
                f"Over the meet its chance of the record is {chance_words(decision.odds.builds[0].meet)}."
            ),
        },
    )  # fmt: skip


def completeness(words: PageWords, decision: Decision) -> str:
    """How complete the search was, in two sentences."""
    evidence = decision.result.evidence
    counts = (
        f"Your sheets make {_large(evidence.combinations)} combinations; the best case of each of "
        f"{plural(evidence.drive_sets, 'legal combination')} of tires, gears and engine was run, and "
        f"{plural(evidence.completions, 'build')} one by one."
    )
    if evidence.closed:
        end = "Complete search: nothing else in your sheets is faster in this model than the last build listed."
    elif is_complete(evidence):
        end = "As far as the search can tell nothing else in your sheets is faster; not every step follows by argument."
    elif evidence.kth_ms > 0:
        within = to_unit(evidence.highest_left_ms - evidence.kth_ms, words.unit, "speed")
        end = f"Best found, within {math.ceil(within * 100) / 100:.2f} {words.unit}: the search was not complete."
    else:
        end = "The search is NOT complete."
    return f"{end} {counts}"


def _large(count: int) -> str:
    """A count, as a power of ten where it has too many digits to read."""
    if count < 10**9:
        return f"{count:,}"
    digits, power = f"{count:.1e}".split("e+")
    return f"{digits} \u00d7 10{power.lstrip('0').translate(RAISED)}"


def checked(words: PageWords, decision: Decision) -> str:
    """Whether a run of this car was compared, in one sentence."""
    found = decision.result.said_done
    if found is None:
        return UNCHECKED
    return (
        f"The last run timed did {words.speed(found.done_ms)}; for that car on that day the model says "
        f"{words.speed(found.said_ms)} ± {words.gap(found.spread_ms, digits=1)}."
    )


def done_section(words: PageWords, decision: Decision) -> Section:
    """Said against done: the last run, what may be wrong, the log of runs; or that no run was compared."""
    found, title = decision.result.said_done, "Said against done"
    if found is None:
        text = "Until one has, read every speed here as the model's, and every difference as surer than that."
        return Section("done", title, " ".join([*checked_sentences(words, None), text]), {})
    date = "" if found.date in found.name else typed(found.date)
    named = replace(found, name=typed(found.name), date=date, salt=typed(found.salt))
    lead = " ".join(" ".join(said_done_text(words, named)).split()).removeprefix("Said against done: ")
    rows = [
        [typed(e.name), _value(words, e, e.value), _value(words, e, e.likely), f"{min(e.share, 1):.0%}"]
        for e in found.suspects
    ]
    heads = ("number", "#as the model has it", "#most likely by this run", "#of the difference")
    tables = []
    if rows and not found.out_of_reach:
        tables = [Table("Which number is most likely wrong", heads, rows, wordy=True)]
    calibration = words.scenario.calibration
    texts = []
    if calibration is not None:
        count, sources = len(calibration.estimates), both([typed(each) for each in calibration.sources])
        texts.append(f"{plural(count, 'number')} of your files gave way to estimates made from {sources}.")
    texts.append("`saltmile calibrate` makes estimates from runs and logs; `saltmile runs` has the log of them.")
    view = {"figure": chance_figures.log_figure(words, decision), "texts": texts, "tables": tables}
    return Section("done", title, capital(lead), view)


def _value(words: PageWords, suspect: Suspect, value: float) -> str:
    """A number in its readers' unit; one of the day is told as how far it is off."""
    if suspect.of_day and not value:
        return "as stated"
    text = shown(value, suspect.dimension, metric=words.metric)
    return f"off by {text}" if suspect.of_day else text


# --- what to argue about


def shortlist_section(words: PageWords, decision: Decision) -> Section:
    """Builds that really differ, each with its arguments."""
    found = decision.shortlist
    lead = (
        f"Of {plural(found.candidates, 'build')} within {words.gap(found.window_ms)} of the fastest that are too close "
        "to call with it, or no worse in any way than one that is, these are the ones with something to say for "
        "themselves."
    )
    entries = [_entry(words, decision, place) for place in range(len(found.entries))]
    return Section("shortlist", "Builds worth an argument", lead, {"entries": entries})


def _entry(words: PageWords, decision: Decision, place: int) -> dict[str, Any]:
    found = decision.shortlist
    entry, first = found.entries[place], found.entries[0]
    changes = words.grouped([(s, first.build[s], part) for s, part in entry.build.items() if part != first.build[s]])
    short = words.shortfall(entry.speed_ms, decision.best.planned_ms)
    facts = [
        *([] if not short else [short.removeprefix(", ")]),
        f"{words.price(entry.cents)}",
        f"{math.floor(100 * entry.care)} % left of what is tightest",
        f"{words.speed(entry.soft_ms)} on {typed(found.soft_salt)} salt",
        f"{entry.hours:.0f} h of own work",
    ]
    same = ""
    if entry.least_instead and entry.least_cents < entry.cents:
        parts = both([f"{typed(slot)}: {words.part(part)}" for slot, part in entry.least_instead.items()])
        same = f"As fast for {words.price(entry.least_cents)}, with {parts}."
    return {
        "name": build_name(decision, entry),
        "arguments": capital(arguments_text(entry.names, typed(found.soft_salt))),
        "speed": words.speed(entry.speed_ms),
        "facts": facts,
        "head": "Unlike number 1" if place else "",
        "changes": changes,
        "same": same,
        "close": "" if place == 0 else band_text(words, entry.band, "number 1", "it"),
    }


def build_name(decision: Decision, entry: Entry) -> str:
    """What a build of the shortlist is called: by its place in the ranking, or its letter."""
    key = next(each.key for each in decision.candidates if each.card.build == entry.build)
    return candidate_name(key)


# --- ranked builds


def ranking_section(words: PageWords, decision: Decision) -> Section:
    """Ranked builds, what is too close to call, and data for comparing two of them."""
    builds = decision.result.builds
    lead = "Ranked by speed as the model has it." + (
        " Builds worth an argument, above, looked at more than the ranking: it has those that are slower by little and "
        "better in something else." if len(builds) > 1 else ""
    )  # fmt: skip
    return Section(
        "ranking",
        f"The {plural(len(builds), 'fastest build')}" if len(builds) > 1 else "The only build listed",
        lead,
        {
            "rows": [_ranked(words, decision, place) for place in range(1, len(builds) + 1)],
            "figure": choice_figures.close_figure(words, decision),
            "names": [(each.key, _option(words, each)) for each in decision.candidates],
            "data": compare_data(words, decision),
        },
    )


def _option(words: PageWords, candidate: Candidate) -> str:
    card = candidate.card
    return f"{candidate_name(candidate.key)}: {words.speed(card.speed_ms)}, {price_of(words, card)}"


def _ranked(words: PageWords, decision: Decision, place: int) -> dict[str, Any]:
    card, best = decision.result.builds[place - 1], decision.best
    band = decision.bands.get(("1", str(place)))
    slowest = min(card.runs, key=lambda run: run.score_ms)
    return {
        "place": place,
        "find": "; ".join(f"{slot} {words.part(part)}" for slot, part in card.build.items()),
        "speed": (f"{card.speed_ms:.4f}", words.speed(card.speed_ms)),
        "margin": (f"{card.speed_ms - card.planned_ms:.4f}", words.gap(card.speed_ms - card.planned_ms, sign=True)),
        "price": (str(card.cents or 0), price_of(words, card)),
        "mass": (f"{card.mass_kg:.3f}", shown(card.mass_kg, "mass", metric=words.metric, digits=4)),
        "care": (f"{card.care:.5f}", f"{math.floor(100 * card.care)} %"),
        "limit": slowest.limit,
        "sure": "" if band is None else ("too close to call" if band.too_close else "told apart"),
        "unlike": words.grouped(different(card, best)) if place > 1 else [],
        "changes": words.grouped(card.changes),
    }


def compare_data(words: PageWords, decision: Decision) -> Markup:
    """What the script sets side by side, as JSON that no name can break out of."""
    names = {each.key: candidate_name(each.key) for each in decision.candidates}
    document = {
        "slots": [typed(slot.name) for slot in words.scenario.car.slots],
        "builds": {
            each.key: {
                "name": capital(names[each.key]),
                "facts": _facts(words, each.card),
                "parts": [words.part(part) for part in each.card.build.values()],
            }
            for each in decision.candidates
        },
        "bands": {
            f"{first} {second}": capital(band_text(words, band, names[first], names[second]))
            for (first, second), band in decision.bands.items()
        },
    }
    text = json.dumps(document, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)  # noqa: S704  no sign is left in it that HTML reads


def _facts(words: PageWords, card: BuildCard) -> list[list[str]]:
    hardest = max(card.runs, key=lambda run: run.rpm_last)
    slowest = min(card.runs, key=lambda run: run.score_ms)
    case, longest = max(card.stop.distances_m.items(), key=lambda each: each[1])
    return [
        ["Speed", words.speed(card.speed_ms)],
        ["Against what takes the record", words.gap(card.speed_ms - card.planned_ms, sign=True)],
        ["Price", price_of(words, card)],
        ["Own work", "not known" if card.bill is None else f"{card.bill.hours:.0f} h"],
        ["Weight", shown(card.mass_kg, "mass", metric=words.metric, digits=4)],
        ["Limited by", slowest.limit],
        ["At the last board", f"{ordinal(hardest.gear)} gear, {rpm(hardest.rpm_last)}"],
        ["Grip used", f"{max(run.grip_use for run in card.runs):.0%}"],
        ["Longest stop", f"{words.distance(longest)}, {case}"],
        ["Left of what is tightest", f"{math.floor(100 * card.care)} %"],
        ["Not legal because", "; ".join(card.problems) or "-"],
    ]


# --- money


def money_section(words: PageWords, decision: Decision) -> Section:
    """The best for every budget, what changes at each step, and what to buy first."""
    figure = choice_figures.money_figure(words, decision)
    if decision.money is None or figure is None:
        return Section("money", "What money buys", "The event names no budget, so money decides nothing here.", {})
    steps = []
    options, before = decision.options, dict(decision.result.as_it_stands.build)
    for place, (step, band) in enumerate(zip(decision.money.steps, decision.money.bands, strict=True)):
        build = options.decode(step.build)
        gain = ""
        if place:
            last = decision.money.steps[place - 1]
            gain = words.gap(step.speed_ms - last.speed_ms, sign=True)
            gain += f" for {words.money(step.cents - last.cents)} more"
        steps.append(
            {
                "price": words.price(step.cents),
                "speed": words.speed(step.speed_ms),
                "gain": gain,
                "close": f"too close to call: faster in {band.chance:.0%} of draws" if band and band.too_close else "",
                "changes": words.grouped([(s, before[s], p) for s, p in build.items() if p != before[s]]),
            }
        )
        before = build
    closed = all(step.closed for step in decision.money.steps)
    lead = (
        f"The fastest legal build for {plural(len(steps), 'budget')} up to "
        f"{words.money(words.scenario.event.budget_cents or 0)}, trip and entry included. "
        f"{COMPLETE if closed else INCOMPLETE} "
        "Not every small step is asked about here: `saltmile budget --every` lists all."
    )
    if decision.quick:
        lead += " This page was made in a hurry: `saltmile buy-order` says what to buy first."
    view = {
        "figure": figure,
        "steps": steps,
        "target": _target(words, decision),
        "order": _order(words, decision.order),
        "no_order": decision.no_order,
    }
    return Section("money", "What money buys, and what first", lead, view)


def _target(words: PageWords, decision: Decision) -> dict[str, Any] | None:
    """The cheapest build that takes the record, where that was asked for and one does."""
    target = decision.target
    if target is None or not target.reached:
        return None
    fitted = decision.result.as_it_stands.build
    build = decision.options.decode(target.build)
    text = f"It does {words.speed(target.speed_ms)}. {COMPLETE if target.closed else INCOMPLETE}"
    changes = words.grouped([(s, fitted[s], p) for s, p in build.items() if p != fitted[s]])
    return {"head": f"The cheapest way past the record: {words.price(target.cents)}", "text": text, "changes": changes}


def _order(words: PageWords, plan: BuyingPlan | None) -> dict[str, Any] | None:
    if plan is None:
        return None
    stages = []
    for number, stage in enumerate(plan.stages):
        money, spent = words.money(stage.money_cents), words.price(max(stage.outlay_cents, 0))
        stages.append(
            {
                "head": f"With {money} later" if number else f"With the first {money}",
                "text": f"{spent} is spent; then the car does {words.speed(stage.speed_ms)}.{_why_nothing(stage)}",
                "changes": words.grouped([(each.slot, each.before, each.after) for each in stage.changes]),
            }
        )
    lost = plan.at_once.speed_ms - plan.stages[-1].speed_ms
    text = "Buying in two halves costs no speed in the end." if lost < 0.0005 else (
        f"Buying in two halves costs {words.gap(lost)} in the end, against all at once."
    )  # fmt: skip
    return {"stages": stages, "text": text}


def _why_nothing(stage: Stage) -> str:
    """Why nothing is bought in a stage though a later one buys."""
    return f" {PUT_OFF[stage.put_off]}" if stage.put_off else ""


# --- what each part is worth


def _is_required(words: PageWords, part_id: str) -> bool:
    """Whether a part is equipment that a speed bracket asks for: leaving it off is no saving to argue for."""
    tags = words.scenario.parts[part_id].tags if part_id != NONE_ID else ()
    return any(bracket.requires in tags for bracket in words.scenario.race_class.brackets)


def parts_section(words: PageWords, decision: Decision) -> Section:
    """Shares of the gain, changes that help or hurt each other, swaps."""
    worth = decision.worth
    figure = choice_figures.shares_figure(words, decision)
    lead = "Nothing is changed from the car as it stands." if figure is None else (
        "Gains of parts do not simply add up: a taller gear is worth more once the air is cleaner. Fair shares do."
    )  # fmt: skip
    budget, price = words.scenario.event.budget_cents, decision.best.cents

    def swap(each: Swap) -> list[str]:
        dear = budget is not None and price is not None and price + each.cents > budget
        text = f"{words.part(each.other)} in place of {words.part(each.here)}" + (", over the budget" if dear else "")
        return [typed(each.slot), text, words.gap(each.gain_ms, sign=True), words.extra_money(each.cents)]

    swaps = [swap(each) for each in worth.swaps if each.slot not in decision.result.indifferent]
    heads = ("slot", "swap", "#speed", "#price")
    tables = [Table("Best single swap in each slot, from number 1; money aside", heads, swaps, wordy=True)]
    savings = [swap(each) for each in worth.savings if not _is_required(words, each.here)]
    if savings:
        tables.append(Table("Single swaps that save money", heads, savings, wordy=True))
    even = decision.result.indifferent
    texts = [f"These slots do not matter for speed: {words.slots(even)}."] if even else []
    if fixed := unswapped(words.scenario, worth.swaps):
        texts.append(FIXED.format(words.slots(fixed)))
    return Section("parts", "What each part is worth", lead, {"figure": figure, "tables": tables, "texts": texts})
