"""What one car will do, as text: problems first, then speeds, revs, what limits it, stopping, tires, price."""

from __future__ import annotations

import math
from collections.abc import Sequence

from optimizer.answers.cards import BuildCard, RunCard
from optimizer.answers.sensitivity import Worth
from optimizer.pipeline import Prediction
from optimizer.report.calibration import said_done_text
from optimizer.report.wording import Words, caution, ordinal, remarks, rpm, second_looks, wrapped
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import Basis
from optimizer.units import shown, to_unit, usual

WHAT_WIDTH = 64
"""Columns for the words of a bill; the amounts stand right of them."""


def prediction_text(
    scenario: Scenario,
    prediction: Prediction,
    salt: str,
    notices: tuple[str, ...] = (),
    worths: Sequence[Worth] | None = None,
    *,
    color: bool = False,
) -> str:
    """The whole answer of ``predict``; ``worths`` are what its inputs are worth, where that is asked."""
    words, card = Words(scenario, color), prediction.card
    event = scenario.event
    asked = f"{scenario.car.name}, {event.name}, class {event.race_class}, {salt} salt"
    lines = [words.heading(asked)]
    if card.problems:
        lines += [wrapped("NOT LEGAL as asked. What is wrong:"), *(wrapped(each, "  - ") for each in card.problems)]
        lines += [wrapped("The speeds below are what the model gives if it ran all the same."), ""]
    beaten = "" if card.beats_record else " The record is not beaten."
    speed = f"It does {words.speed(card.speed_ms)}, the model says, {words.against_record(card)}."
    if card.speed_ms <= 0:
        speed = "It does not get to the end of the clocks in every run that counts, the model says: no speed counts."
    lines.append(wrapped(speed + beaten))
    lines += ["", *said_done_text(words, prediction.said_done), "", words.heading("The car")]
    changes = words.changes(card.changes)
    if changes:
        lines += ["Changes from the car as it stands:", *(wrapped(change, "  - ") for change in changes)]
    else:
        lines.append("The car as it stands, nothing changed.")
    lines.append(wrapped(f"It weighs {shown(card.mass_kg, 'mass', metric=words.metric)} with driver and fuel."))
    lines += ["", words.heading("The run" if len(card.runs) == 1 else "The runs")]
    lines += [_run(words, card, number, run) for number, run in enumerate(card.runs, 1)]
    lines += [wrapped(each) for each in (words.at_board(card), words.grip(card)) if each]
    lines += _stopping(words, card)
    lines += ["", words.heading("Tires at their fastest: speed at their surface, on the fast day or in the runs")]
    lines += [wrapped(f"{words.part(tire.part)}: {words.tire(tire)}", "  - ") for tire in card.tires]
    lines += _price(words, card)
    lines += _worths(words, worths) if worths is not None else []
    lines += second_looks(words, prediction.second_looks, prediction.power_in_this_air)
    lines += remarks(words, notices)
    lines += caution(words)
    return "\n".join(lines) + "\n"


def _run(words: Words, card: BuildCard, number: int, run: RunCard) -> str:
    """One run as a paragraph."""
    which = f"Run {number}: " if len(card.runs) > 1 else ""
    wind = "against a headwind of" if run.headwind_ms > 0 else "with a tailwind of"
    wind = f", {wind} {words.speed(abs(run.headwind_ms))}" if abs(run.headwind_ms) > 0.01 else ""
    if not math.isfinite(run.exit_ms):
        return wrapped(f"{which}it does not get to the end of the clocks{wind}.", "  - ")
    text = (
        f"{which}{words.speed(run.score_ms)} counts{wind}. First board at {words.speed(run.first_board_ms)} and "
        f"{rpm(run.rpm_first)}; last board at {words.speed(run.exit_ms)} and {rpm(run.rpm_last)} in "
        f"{ordinal(run.gear)} gear after {run.time_s:.0f} s. Limited by {words.limit(card, run)}."
    )
    if run.limit not in {"power", "distance", "speed cap"}:
        text += f" Given room it settles at {words.speed(run.settles_ms)}."
    return wrapped(text, "  - ")


def _stopping(words: Words, card: BuildCard) -> list[str]:
    """The stops, case by case."""
    stop = card.stop
    lines = ["", words.heading(f"Stopping from {words.speed(stop.from_ms)}")]
    rows = [*stop.distances_m.items(), ("rolling out, no brakes at all", stop.coast_m)]
    width = max(len(case) for case, _ in rows)
    for case, length in rows:
        inside = "inside" if length <= stop.shutdown_m else "BEYOND"
        lines.append(f"  {case:<{width}}  {words.distance(length):>9}  {inside} the shutdown")
    lines.append(wrapped(f"The shutdown has {words.distance(stop.shutdown_m)}. {words.rotors(stop)}"))
    if fast := words.fast_day_stop(stop):
        lines.append(wrapped(fast))
    first, at = min((("front", stop.front_locks_g), ("rear", stop.rear_locks_g)), key=lambda each: each[1])
    lines.append(wrapped(f"Braked harder on the shutdown's salt the {first} wheels lock first, at {at:.2f} g."))
    return lines


def _price(words: Words, card: BuildCard) -> list[str]:
    """The bill, line by line."""
    lines = ["", words.heading("Price")]
    if card.bill is None:
        return [*lines, "It cannot be bought as asked."]
    exact = any(line.cents % 100 for line in card.bill.lines)
    for line in card.bill.lines:
        what = f"{line.kind}: {words.part(line.what) if line.what in words.scenario.parts else line.what}"
        count = f" x {line.number or line.pieces}" if (line.number or line.pieces) > 1 else ""
        amount = f"{line.cents / 100:,.2f}" if exact else words.money(line.cents)
        *above, last = wrapped(what + count, "  ", "    ").splitlines()
        lines += above if len(last) <= WHAT_WIDTH else [*above, last]
        lines.append(f"{last if len(last) <= WHAT_WIDTH else '':<{WHAT_WIDTH}} {amount:>12}")
    total = f"In all {words.price(card.bill.total_cents)}"
    if exact:
        total += f" ({card.bill.total_cents / 100:,.2f} to the cent)"
    left = words.left(card.bill.total_cents)
    return [*lines, wrapped(f"{total}{', ' if left else ''}{left}; own work {card.bill.hours:.0f} h.")]


# --- what each number is worth


def step_of(worth: Worth, *, metric: bool) -> tuple[float, str]:
    """Number and unit of a step; a fraction steps by percentage points."""
    if worth.relative:
        return 100 * worth.step, "%"
    if worth.dimension == "fraction":
        return 100 * worth.step, "percentage point"
    dimension = "temperature rise" if worth.dimension == "temperature" else worth.dimension
    unit = usual(dimension, metric=metric)
    return to_unit(worth.step, unit, dimension), unit


def _worths(words: Words, worths: Sequence[Worth]) -> list[str]:
    """What each assumed or measured number is worth, the largest first; those worth nothing in one sentence."""
    lines = ["", words.heading("What each number is worth: measure first what stands first")]
    lines.append(wrapped(f"Change of the speed in {words.unit} with the number a step higher | a step lower."))
    small = []
    for worth in worths:
        up, down = (_signed(words, change) for change in (worth.up_ms, worth.down_ms))
        if {up, down} <= {"+0.00", "-"}:
            small.append(worth.name)
            continue
        number, unit = step_of(worth, metric=words.metric)
        value = shown(worth.value, worth.dimension, metric=words.metric, digits=4)
        text = f"{worth.name}: {value}, {_basis(worth.basis)}; step {number:.4g} {unit}"
        lines.append(wrapped(text, f"  {up:>6} | {down:>6}  "))
    if small:
        lines.append(wrapped(f"Worth less than 0.005 {words.unit} a step: {'; '.join(small)}."))
    return lines


def _signed(words: Words, change_ms: float | None) -> str:
    """A change of speed to two decimals, with its sign; a dash where there is none to tell. Minus zero is zero."""
    if change_ms is None:
        return "-"
    return f"{round(to_unit(change_ms, words.unit, 'speed'), 2) + 0.0:+.2f}"


def _basis(basis: Basis) -> str:
    """How a number is known, and who says so."""
    if basis.by:
        return f"{basis.kind} ({basis.by})"
    return "no basis given" if basis.kind == "rated" else basis.kind
