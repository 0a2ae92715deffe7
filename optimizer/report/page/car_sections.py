"""Sections about the car: the run, the salt, stopping, steps; and about the sheets: what is kept out, what assumed."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

from optimizer.answers.every_part import TriedPart
from optimizer.decision import Decision
from optimizer.report.before_buying import about_unknown, first_to_measure
from optimizer.report.odds import basis_words, chance_words, lasting_words, meet_words, speed_gain_words
from optimizer.report.page import chance_figures, choice_figures, run_figures
from optimizer.report.page.section import Section, Table, candidate_name, capital
from optimizer.report.page.words import PageWords, typed
from optimizer.report.purchase_note import about_item, bill_rows
from optimizer.report.wording import assumed, looks, ordinal, plural, rpm
from optimizer.scenario.parts import NONE_ID

PRICES = ("Buy ", "Not above ", "Some build with it ")
"""How sentences about the price of a thing to buy begin: they stand together."""
MEASURED = 6
"""Numbers told that are worth knowing."""
AFTER_EACH = (
    "tires: cuts, bulges, tread lifting at the edges, stems and caps, pressure against cold",
    "wheels: cracks at the bolt holes, nuts at their torque",
    "brakes: rotors for heat marks and cracks, pads, fluid, a pedal that has grown long",
    "salt: packed in wheels, ducts and the belly; clean it out before it shakes or burns",
    "engine: oil and water where they were, plugs read, no new noise",
    "bodywork: every fastener, film or tape that air could lift",
    "driver: was it straight, did anything shake, could the tachometer be read",
)
"""What to look at after each step, for any car; the event's own list comes first."""




# --- the run, the salt, odds


def run_section(words: PageWords, decision: Decision) -> Section:
    """What holds the car, and the run drawn."""
    best = decision.best
    lead = f"{words.limited(best)} {words.at_board(best)} {words.grip(best)}"
    return Section("run", "The run of number 1", lead, {"figures": run_figures.run_figures(words, decision)})


def salt_section(words: PageWords, decision: Decision) -> Section:
    """Builds in every condition of the salt."""
    names = salt_names(decision)
    figure = choice_figures.salts_figure(words, decision, names)
    if figure is None:
        lead = "The event names one condition of the salt, so there is nothing to set beside it."
        return Section("salt", "If the salt is different", lead, {})
    how = "the searches were complete" if decision.salts_complete else "a search could not be completed"
    searched = f"The shortlist, and the best build of every other condition: {how}. `saltmile salts` lists more."
    hurried = "The shortlist only: the best of the other conditions was not searched for. `saltmile salts` does."
    lead = f"{hurried if decision.quick else searched} The condition is assumed until somebody drives on it."
    first, builds = decision.best.build, []
    for name, row in zip(names, decision.salts, strict=True):
        build = decision.options.decode(row.build)
        if all(each.card.build != build for each in decision.candidates):
            builds.append((capital(name), words.grouped([(s, first[s], p) for s, p in build.items() if p != first[s]])))
    return Section("salt", "If the salt is different", lead, {"figure": figure, "builds": builds})


def salt_names(decision: Decision) -> list[str]:
    """What the builds set beside each other on every salt are called."""
    names = []
    for row in decision.salts:
        build = decision.options.decode(row.build)
        known = next((each.key for each in decision.candidates if each.card.build == build), None)
        first_on = [salt for salt, each in row.by_salt.items() if each.place == 1]
        names.append(candidate_name(known) if known else f"best on {first_on[0] if first_on else 'no salt'}")
    return names


def odds_section(words: PageWords, decision: Decision) -> Section:
    """The chance of the record over the meet, and what to measure; or which commands say."""
    found, measure, title = decision.odds, decision.measure, "Odds, and what to measure"
    if found is None or measure is None:
        lead = "The chance of the record over a meet is not worked out on this page: `saltmile odds` does it, and "
        return Section("odds", title, f"{lead}`saltmile measure` says what to measure before money is spent.", {})
    first, two = found.builds[0], words.scenario.event.scoring.runs > 1
    lead = (
        f"Over the meet the chance of number 1 is {chance_words(first.meet)}, in this model. "
        f"The meet: {meet_words(words, found.meet, two_runs=two)}"
    )
    fallen = ", ".join(str(round(100 * each)) for each in first.by_run)
    everything = speed_gain_words(words, measure.everything_ms)
    texts = [
        f"By the end of run 1, 2, ... the record has fallen to number 1 in {fallen} of 100 draws.",
        lasting_words(words, first, "number 1"),
        basis_words(replace(found, calibrated=found.calibrated or decision.result.said_done is not None)),
        f"{first_to_measure(words, measure)} To know everything beforehand would be worth {everything}.",
        "No test is worth more.",
    ]
    worth = [each for each in measure.unknowns if each.matters][:MEASURED]
    rows = [[typed(each.unknown.name), " ".join(list(about_unknown(words, each))[1:]) or "No test in the table.",
             speed_gain_words(words, each.all_of_it.gain_ms)] for each in worth]  # fmt: skip
    heads = ("number", "test, its effort, what it leaves", "#worth")
    tables = [Table("Worth knowing before money is spent", heads, rows, wordy=True)] if rows else []
    view = {"figure": chance_figures.odds_figure(found), "texts": texts, "tables": tables}
    return Section("odds", title, lead, view)


# --- stopping and steps


def stop_section(words: PageWords, decision: Decision) -> Section:
    """Stops, heat, and which wheels lock first."""
    stop = decision.best.stop
    first, at = min((("front", stop.front_locks_g), ("rear", stop.rear_locks_g)), key=lambda each: each[1])
    rule = words.scenario.event.stopping
    lead = (
        f"Stops are at a gentle {rule.gentle_g:.2g} g from {words.speed(stop.from_ms)}, with each circuit failed in "
        f"turn. {words.rotors(stop)} Braked harder the {first} wheels lock first, at {at:.2f} g. "
        f"A full-grip stop is never the plan. {words.fast_day_stop(stop)}"
    ).rstrip()
    tires = []
    for tire in decision.best.tires:
        rated = words.speed(tire.rated_ms) if tire.rated_ms > 0 else "no known rating"
        tires.append([tire.axle, words.part(tire.part), words.speed(tire.surface_ms), rated])
    heads = ("axle", "tire", "#surface speed", "#rated")
    table = Table("Tires at their fastest, on the fast day or in the runs", heads, tires, wordy=True)
    view = {"figure": choice_figures.stops_figure(words, decision), "tables": [table]}
    return Section("stop", "Stopping", lead, view)


def steps_section(words: PageWords, decision: Decision) -> Section:
    """Planned speeds as steps."""
    rows = [
        [words.speed(step.speed_ms), f"{rpm(step.rpm)}, {ordinal(step.gear)}", f"{step.throttle:.0%}",
         f"{words.distance(step.stop_m)}", words.distance(step.coast_m), words.share_of_heat(step.rise_share)]
        for step in decision.steps
    ]  # fmt: skip
    heads = ("speed", "#revs and gear", "#pull used", "#longest stop", "#rolling out", "#rotor heat, of allowed")
    lead = (
        "Nobody begins at the top. Each step is a run of its own: hold the speed, roll out, stop, look the car over, "
        "and go on only if all of it is as it was. Revs that differ from the table by more than 2 % say that slip, "
        "tires or gears are not what the sheets say."
    )
    if words.scenario.event.meet.license_steps_ms:
        lead += " The steps that a license asks for are among them."
    view = {"tables": [Table("Steps up to the speed of number 1", heads, rows, wordy=True)], "after": AFTER_EACH}
    return Section("steps", "Going up in steps", lead, view)


# --- what to buy


def buy_section(words: PageWords, decision: Decision) -> Section:
    """The note for buying number 1: each thing with its prices, what instead, what to ask; and the bill."""
    note = decision.purchase
    if not note.items:
        return Section("buy", "What to buy", "Nothing is to be bought for number 1.", {})
    items = []
    for item in note.items:
        name = typed(f"{item.name} ({item.id})".strip()) if item.kind == "kit" else words.part(item.id)
        texts = list(about_item(words, note, item))
        prices = [text for text in texts if text.startswith(PRICES)]
        items.append(
            {
                "name": name,
                "slots": words.slots(item.slots) if item.slots else "",
                "said": [" ".join(prices), *(text for text in texts if not text.startswith((*PRICES, "Ask: ")))],
                "asks": [text.removeprefix("Ask: ") for text in texts if text.startswith("Ask: ")],
            }
        )
    lead = (
        f"{plural(len(items), 'thing')} to buy for number 1, the dearest first. "
        + ("" if note.budget_cents is None else "Not above: the price at which number 1 just costs the whole budget, "
           "all else at the prices of your sheets; the limits do not add up. ")
        + "If an answer of the seller is not what your sheet says, put it into the sheet and ask again before you pay."
    )  # fmt: skip
    heads = ("line", "what", f"#{words.scenario.event.currency}", "#own hours")
    bill = Table("The bill", heads, [list(row) for row in bill_rows(words, note)], wordy=True)
    return Section("buy", "What to buy", lead, {"buys": items, "tables": [bill]})


# --- why not, assumed


def why_not_section(words: PageWords, decision: Decision) -> Section:
    """Every part of the sheets in number 1, or what keeps it out."""
    tried = [each for each in decision.tried if not each.inside]
    never = {each.part for each in tried if each.never and each.part != NONE_ID}
    usable = {each.part for each in decision.tried if not each.never}
    out = sorted(never - usable)
    checks = Counter(reason.split(":")[0] for each in tried if each.part in out for reason in dict.fromkeys(each.never))
    kept = [f"{typed(check)} ({count})" for check, count in sorted(checks.items(), key=lambda e: (-e[1], e[0]))]
    out_text = f"{plural(len(out), 'part')} of {len(words.scenario.parts)} may stand nowhere on this car in this class"
    out_text += f". What keeps them out, and in how many places: {', '.join(kept)}." if kept else "."
    failed = [f"{name} {count:,}" for name, count in decision.result.evidence.refused.items() if count]
    speed = f"Of the builds simulated one by one, checks at speed refused: {', '.join(failed)}." if failed else ""
    lead = (
        "Every part in the sheets put into number 1, one at a time, all else kept. Look yours up. What does not go "
        "with number 1 may go with another build: `saltmile why-not FOLDER PART` finds the best one that has it, and "
        "the price or weight that would bring it in."
    )
    view = {"rows": [_tried(words, each) for each in tried], "speed": speed, "out": out_text}
    return Section("why-not", "Why not my favorite", lead, view)


def _tried(words: PageWords, each: TriedPart) -> dict[str, str]:
    """One part in one slot."""
    reasons = each.never or each.here
    part = words.part(each.part) if each.part != NONE_ID else "leaving it empty"
    text = "; ".join(reason.replace(f": {each.part}: ", ": ", 1) for reason in reasons)
    return {
        "slot": typed(each.slot),
        "part": part,
        "speed": "" if each.gain_ms is None else words.gap(each.gain_ms, sign=True),
        "price": "" if each.cents is None else words.extra_money(each.cents),
        "kind": "never" if each.never else "here" if each.here else "may",
        "why": ("Never here. " if each.never else "Not with number 1. ") + typed(text) if reasons else "",
    }


def assumed_section(words: PageWords, decision: Decision) -> Section:
    """Numbers nobody measured, and what each number is worth."""
    groups = assumed(words.scenario)
    total = sum(count for count, _, _ in groups)
    rows = [[typed(quantity), str(count), typed(why)] for count, quantity, why in groups]
    lead = (
        f"{plural(total, 'number')} in these answers {'was' if total == 1 else 'were'} assumed, not measured. The "
        "chart says how far number 1 moves for one step of each. A number that moves every build alike changes no "
        "purchase: which to measure before money is spent stands under Odds, and what to measure."
    )
    table = Table("Assumed numbers", ("number", "#how often", "why it was taken"), rows, wordy=True)
    overrides = [f"{typed(e.check)} for {typed(e.part)}: {typed(e.reason)} (says {typed(e.by)})"
                 for e in words.scenario.event.overrides]  # fmt: skip
    doubts = looks(words, decision.result.second_looks, decision.result.power_in_this_air)
    notices = [typed(each) for each in dict.fromkeys(decision.result.notices)]
    view = {"figure": choice_figures.worths_figure(words, decision), "tables": [], "assumed": table if rows else None,
            "overrides": overrides, "notices": notices, "looks": [capital(each) for each in doubts]}  # fmt: skip
    return Section("assumed", "Assumed numbers, and what each is worth", lead, view)
