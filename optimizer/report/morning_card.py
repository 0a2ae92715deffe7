"""The card for the morning as blocks of words and tables: side 1 what to expect, side 2 what to heed. And as text."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from optimizer.answers.day_air import density_altitude_of
from optimizer.answers.marks import SLOWER_SHARE, Shortfall
from optimizer.answers.morning_card import BAROMETER_SHARE
from optimizer.answers.morning_records import Cell, Day, Mark, MorningCard, Tach
from optimizer.answers.set_ups import SetUp
from optimizer.answers.swaps import MATTERS_MS
from optimizer.report.calibration import checked_sentences
from optimizer.report.tables import Table
from optimizer.report.wording import CAUTION, GRIP_WARNING, Words, both, ordinal, rpm, wrapped
from optimizer.run.panels import LimitName
from optimizer.units import shown, to_unit, usual

NO_RUN = "NO RUN: tires"
TOO_FAST = "LIFT"
GETS_NOWHERE = "does not get there"
RPM_STEP = 10
READING = "How to read the tables"
NEAR_M = 150.0
"""How far from its only row air may be for that to tell of it."""


@dataclass(frozen=True, slots=True)
class Block:
    """A heading with sentences, a list and a table under it, and a remark; each may be empty."""

    heading: str
    sentences: tuple[str, ...] = ()
    items: tuple[str, ...] = ()
    table: Table | None = None
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Side:
    """One side of the card."""

    title: str
    blocks: tuple[Block, ...]


def sides_of(words: Words, card: MorningCard) -> tuple[Side, Side]:
    """Both sides of the card."""
    event = words.scenario.event
    name = f"{words.scenario.car.name}, {event.name}, class {event.race_class}"
    front = (_build(words, card), *_expected(words, card))
    back = (
        _before(words, card), _break_off(words, card), _stopping(words, card), _air(words, card),
        Block("Caution", sentences=CAUTION),
    )  # fmt: skip
    return Side(f"{name}: what to expect", front), Side(f"{name}: before the start, and when to stop", back)


def card_text(words: Words, card: MorningCard) -> str:
    """The card as text."""
    lines: list[str] = []
    for side in sides_of(words, card):
        lines += [words.heading(side.title)]
        for block in side.blocks:
            lines += ["", words.heading(block.heading)]
            lines += [wrapped(each) for each in block.sentences]
            lines += [wrapped(each, "  - ") for each in block.items]
            lines += block.table.lines() if block.table is not None else []
            lines += [wrapped(block.remark)] if block.remark else []
        lines.append("")
    return "\n".join(lines[:-1]) + "\n"


# --- side 1


def _build(words: Words, card: MorningCard) -> Block:
    """What the card is about."""
    changes = words.changes(card.card.changes)
    first = f"The build: {'; '.join(changes)}." if changes else "The car as it stands."
    checked = " ".join(checked_sentences(words, card.last_run))
    wrong = tuple(f"NOT LEGAL: {each}." for each in card.card.problems)
    spares = [*(_set_up(words, each) for each in card.set_ups[1:])]
    spares += [f"{each.spare} stays in the trailer: {'; '.join(each.reasons)}" for each in card.unfit]
    return Block("The car", sentences=(*wrong, first, checked), items=tuple(spares))


def _set_up(words: Words, each: SetUp) -> str:
    return f"set-up {each.letter}: {'; '.join(words.changes(each.changes))}"


def _expected(words: Words, card: MorningCard) -> Iterator[Block]:
    """A table for each condition of the salt, and how they are to be read."""
    headers = ("density altitude", "", *wind_names(words, card))
    for salt in card.salts:
        rows = tuple(row for place in range(len(card.days)) for row in day_rows(words, card, place, (salt,)))
        yield Block(f"{salt} salt", table=Table(headers, rows, frozenset({0, 1})))
    yield Block(READING, sentences=(_legend(words, card),))


def wind_names(words: Words, card: MorningCard) -> list[str]:
    """The columns of a table."""
    return [_wind(words, each.headwind_ms) for each in card.winds]


def day_rows(words: Words, card: MorningCard, place: int, salts: Sequence[str]) -> list[tuple[str, ...]]:
    """The rows of one day: what a row says, then a cell for each wind on each of the salts."""
    day = card.days[place]
    cells = [each for salt in salts for each in card.cells if each.salt == salt and _is(each, day)]
    rows: list[tuple[str, ...]] = [("counts", *(_score(words, each) for each in cells))]
    gear = usual_gear(card)
    for name, pick in (("half-way", "half"), ("first board", "first"), ("last board", "last")):
        rows.append((name, *(_mark(words, each, getattr(each, pick), gear) for each in cells)))
    if len(card.set_ups) > 1:
        rows.append(("fit", *(_fit(words, each) for each in cells)))
    air = shown(day.temperature_k, "temperature", metric=words.metric)
    head = (height(words, day.density_altitude_m), f"({air})")
    return [(head[n] if n < len(head) else "", *row) for n, row in enumerate(rows)]


def _is(cell: Cell, day: Day) -> bool:
    return cell.density_altitude_m == day.density_altitude_m


def usual_gear(card: MorningCard) -> int:
    """The gear in which most marks of the card are passed: it need not be said."""
    gears = [mark.gear for cell in card.cells for mark in (cell.half, cell.first, cell.last)]
    return max(sorted(set(gears)), key=gears.count)


HELD: Mapping[LimitName, str] = MappingProxyType({"revs": "revs", "grip": "grip", "speed cap": "cap"})
"""What is said beside a speed that something other than power or distance holds."""


def _score(words: Words, cell: Cell) -> str:
    if cell.over_tires:
        return NO_RUN
    if cell.score_ms <= 0:
        return GETS_NOWHERE
    held = TOO_FAST if cell.over_brakes else HELD.get(cell.limit, "")
    return f"{held} {number(words, cell.score_ms)}".strip()


def _mark(words: Words, cell: Cell, mark: Mark, gear: int) -> str:
    """Speed and revs, the gear where it is not the usual; ``!`` at the last board where little grip is left."""
    if cell.over_tires or not math.isfinite(mark.speed_ms):
        return "-"
    warned = "!" if mark is cell.last and cell.grip_use > GRIP_WARNING else ""
    other = "" if mark.gear == gear else f" {ordinal(mark.gear)}"
    return f"{warned}{number(words, mark.speed_ms)} {round(mark.rpm, -1):,.0f}{other}"


def _fit(words: Words, cell: Cell) -> str:
    return cell.set_up if cell.gain_ms <= 0 else f"{cell.set_up} +{number(words, cell.gain_ms)}"


def _legend(words: Words, card: MorningCard) -> str:
    """How the tables are to be read."""
    barometer = shown(card.days[0].pressure_pa, "air pressure", metric=words.metric, digits=4)
    half = words.distance(card.cells[0].half.at_m)
    wind = _speed_round(words, card.winds[-1].headwind_ms)
    too_fast = any(each.over_brakes for each in card.cells)
    sentences = [
        (f"Each cell is one run. counts: {words.unit} that the clocks give, with what holds it where that is the rev "
        "limit (revs), grip or a speed cap (cap)."),
        (f"Then {words.unit} and rpm at half of the run-up ({half} from the start) and at both boards, in "
        f"{ordinal(usual_gear(card))} gear where no other is said."),
    ]
    if len(card.set_ups) > 1:
        worth = words.gap(MATTERS_MS)
        held = ", each held to what its brakes stop from" if too_fast else ""
        sentences.append(
            f"fit: the set-up to put on, and what it gains on A{held}; A where nothing gains more than {worth}."
        )
    sentences += [
        f"!: more than {GRIP_WARNING:.0%} of the grip is used, little is left sideways.",
        "Two runs: read each in its own wind.",
        *_why_none(words, card),
        *_beyond(words, card),
        *([f"{TOO_FAST}: faster than the brakes may stop from; the other side says where."] if too_fast else []),
        (f"Rows are for a barometer of {barometer} at the course and the temperature under the density altitude; with "
        f"the barometer {BAROMETER_SHARE:.0%} off at the same density altitude speeds are up to "
        f"{words.gap(card.barometer_ms)} off."),
        (f"{wind} of wind from the side takes up to {words.gap(card.side_wind_ms)}; what it does to the car's line is "
        "not modeled."),
    ]
    return " ".join(sentences)


def _beyond(words: Words, card: MorningCard) -> Iterator[str]:
    """Air of the event itself that lies beyond the rows, where some does."""
    event = words.scenario.event
    levels = [day.density_altitude_m for day in card.days]
    margin = (levels[1] - levels[0]) if len(levels) > 1 else NEAR_M
    own = sorted({density_altitude_of(each) for each in (*event.weather, event.fast_case.weather)})
    outside = [height(words, each) for each in own if not levels[0] - margin <= each <= levels[-1] + margin]
    if outside:
        yield f"Air that the event itself names lies beyond the rows: density altitude {both(outside)}."


def _why_none(words: Words, card: MorningCard) -> Iterator[str]:
    """Why a cell says that there is no run, where one does."""
    if any(each.over_tires for each in card.cells):
        margin = words.scenario.event.fast_case.tire_speed_margin
        less = f", less the margin of {margin:.0%}," if margin else ""
        yield f"{NO_RUN}: a tire would turn faster than its rating{less} allows; do not run in such air and wind."
        yield "It may do so on slower days than the fast day of the event: in denser air driven tires slip more."
    if any(each.score_ms <= 0 and not each.over_tires for each in card.cells):
        yield f"{GETS_NOWHERE}: the car does not come to the end of the clocks."


# --- side 2


def _before(words: Words, card: MorningCard) -> Block:
    """Limiter and pressures."""
    items = _grouped([(set_up, _limiter(words, tachs)) for set_up, tachs in _by_set_up(card)])
    pressures = both(
        [f"{axle} {shown(each, 'tire pressure', metric=words.metric)}" for axle, each in card.pressures_pa]
    )
    items.append(f"Tire pressures that all this is computed with: {pressures}.")
    return Block("Before the start", items=tuple(items))


def _by_set_up(card: MorningCard) -> list[tuple[str, list[Tach]]]:
    """What the tach shows of each set-up, in each of its gears, rising."""
    return [(each.letter, [tach for tach in card.tachs if tach.set_up == each.letter]) for each in card.set_ups]


def _limiter(words: Words, tachs: Sequence[Tach]) -> str:
    """What the limiter is to be set to: in the tallest gear, for lower ones reach no such speed at the same revs."""
    tach = tachs[-1]
    limit, gear = rpm(tach.rev_limit_rpm), f"{ordinal(tach.gear)} gear"
    slower = (
        f"The tables are made with {limit} in all lower gears: with a limiter that holds these down too the car is "
        "slower than they say."
    )
    if tach.limiter_rpm is not None and tach.limiter_rpm < tach.rev_limit_rpm:
        return f"Set the limiter to {_rpm_down(tach.limiter_rpm)} in {gear}: the tires' rating. {slower}"
    if tach.cap_rpm >= tach.rev_limit_rpm:
        return f"Limiter: the engine's own, {limit}; no rule asks for less."
    cap = f"{_down(words, tach.cap_ms)}, the most that its equipment allows"
    if not tach.adjustable:
        return f"Limiter: the engine's own, {limit}, comes after {cap}: the driver has to hold that."
    return f"Set to {_rpm_down(tach.cap_rpm)} the limiter holds the car in {gear} under {cap}. {slower}"


def _grouped(texts: Sequence[tuple[str, str]]) -> list[str]:
    """Texts about set-ups by their letters: equal ones said once, without letters where all are equal."""
    letters: dict[str, list[str]] = {}
    for letter, text in texts:
        letters.setdefault(text, []).append(letter)
    if len(letters) == 1:
        return list(letters)
    return [f"Set-up{'' if len(of) == 1 else 's'} {both(of)}: {text}" for text, of in letters.items()]


def _break_off(words: Words, card: MorningCard) -> Block:
    """Numbers at which to break off."""
    items = [*(_short(words, "half-way", each) for each in card.half)]
    items += [_short(words, "the first board", each) for each in card.first_board]
    if any(tach.unrated for tach in card.tachs):
        items.append(
            "What heat the rotors may take is NOT KNOWN: no speed can be told from which they bear a stop. Their maker "
            "has to say, before any run."
        )
    items += [text for each in sorted(_lifts(words, card), key=lambda each: each[0]) for text in each[1]]
    items += [
        "Lift if revs rise and speed does not: the tires slide.",
        "Lift for anything you hear, smell or feel that was not there before.",
    ]
    remark = (
        f"Behind by more than that is slower than {1 - SLOWER_SHARE:.0%} of what is not known exactly of car, salt and "
        "parts allows for: something else is wrong. Where salt is assumed the allowance is wide; runs of your own "
        "narrow it. In the same gear revs fall by the same share as the speed."
    )
    return Block("Break the run off", items=tuple(items), remark=remark)


def _lifts(words: Words, card: MorningCard) -> Iterator[tuple[float, list[str]]]:
    """Where to lift, by what asks for it: the lowest engine speed there, and what is said of the set-ups."""
    by_set_up = _by_set_up(card)
    for at, said in (("tire_rpm", _tires), ("stop_rpm", _brakes)):
        first = min(getattr(tach, at) for tach in card.tachs)
        yield first, _grouped([(set_up, said(words, tachs)) for set_up, tachs in by_set_up])
    if capped := [(set_up, tachs) for set_up, tachs in by_set_up if math.isfinite(tachs[0].cap_ms)]:
        first = min(tach.cap_rpm for _, tachs in capped for tach in tachs)
        yield first, _grouped([(set_up, _equipment(words, tachs)) for set_up, tachs in capped])


def _on_tach(tachs: Sequence[Tach], at: str) -> tuple[str, str]:
    """Engine speeds of a field in the gears that reach them, "6,000 rpm in 4th gear or ..."; and the other gears."""
    within = [tach for tach in tachs if getattr(tach, at) <= tach.rev_limit_rpm]
    told = " or ".join(f"{_rpm_down(getattr(tach, at))} in {ordinal(tach.gear)} gear" for tach in within)
    others = [f"{ordinal(tach.gear)} gear" for tach in tachs if tach not in within]
    return told, both(others) if others else ""


def _at(words: Words, tachs: Sequence[Tach], speed_ms: float, at: str) -> str:
    """A ground speed that may not be passed, on the tach where that gets there."""
    told, beyond = _on_tach(tachs, at)
    never = f" (beyond the rev limit in {beyond})" if beyond else ""
    return f"{told}{', ' if told else ''}{_down(words, speed_ms)}{never}"


def _tires(words: Words, tachs: Sequence[Tach]) -> str:
    """Where the tires' rating ends, on the tach."""
    told, beyond = _on_tach(tachs, "tire_rpm")
    tach, at_tires = tachs[-1], f"{_down(words, tachs[-1].tire_speed_ms)} at the tires"
    if not told:
        ends = f"{_rpm_down(tach.tire_rpm)} in {ordinal(tach.gear)} gear, {at_tires}"
        return f"The rev limit comes before the end of the tires' rating ({ends}, margin counted: {tach.tire})."
    never = f" In {beyond} the rev limit comes before." if beyond else ""
    return f"Lift at {told}, {at_tires}: the end of the rating of {words.part(tach.tire)}, margin counted.{never}"


def _brakes(words: Words, tachs: Sequence[Tach]) -> str:
    """Where stopping by the rule ends."""
    why = "the rotors take no more heat" if tachs[0].stop_limit == "rotors" else "the shutdown ends"
    at = _at(words, tachs, tachs[0].stop_ms, "stop_rpm")
    return f"Lift at {at}: in a stop from more, with a circuit failed, {why}."


def _equipment(words: Words, tachs: Sequence[Tach]) -> str:
    """Where a bracket asks for more than the car has."""
    return f"Lift at {_at(words, tachs, tachs[0].cap_ms, 'cap_rpm')}: more asks for equipment that is not in the car."


def _short(words: Words, where: str, each: Shortfall) -> str:
    if each.expected_ms <= 0:
        return f"{each.salt} salt: the car does not get to {where} as planned."
    share = each.short_ms / each.expected_ms
    return (
        f"{each.salt} salt, {where}: more than {words.gap(each.short_ms, digits=1)} ({share:.0%} of revs) under the "
        "table."
    )


def _stopping(words: Words, card: MorningCard) -> Block:
    """Stopping distances from round speeds."""
    unit = usual("distance", metric=words.metric)

    def far(length_m: float) -> str:
        return f"{to_unit(length_m, unit, 'distance'):.2f}" if math.isfinite(length_m) else "never"

    cases = [case.replace("brakes failed", "failed") for case, _ in card.stops[0].distances_m]
    headers = (words.unit, *cases, "no brakes", "left over", "rotors")
    rows = tuple(
        (
            f"{to_unit(row.from_ms, words.unit, 'speed'):.0f}",
            *(far(each) for _, each in row.distances_m),
            far(row.coast_m),
            far(row.spare_m) if row.spare_m > 0 else "TOO SHORT",
            words.share_of_heat(row.rise_share) + ("!" if row.rise_share > 1 else ""),
        )
        for row in card.stops
    )
    rule = words.scenario.event.stopping
    return Block(
        f"Stopping, in {unit}, from the speed at the last board",
        table=Table(headers, rows, frozenset()),
        remark=(
            f"At {rule.gentle_g:g} g on the shutdown's salt, neither air nor a parachute counted; no brakes: rolling "
            f"out in air and salt. The shutdown has {words.distance(card.stops[0].shutdown_m)}; left "
            "over is how far past the last board braking may begin at the latest. Rotors: share of the heat they may "
            "take in one stop."
        ),
    )


def _air(words: Words, card: MorningCard) -> Block:
    """Density altitude without a meter."""
    pressures = sorted({each.pressure_pa for each in card.air})
    temperatures = sorted({each.temperature_k for each in card.air})
    at = {(each.temperature_k, each.pressure_pa): each.density_altitude_m for each in card.air}
    headers = ("", *(shown(each, "air pressure", metric=words.metric, digits=4) for each in pressures))
    rows = tuple(
        (
            shown(kelvin, "temperature", metric=words.metric),
            *(height(words, at[kelvin, pascal], 50) for pascal in pressures),
        )
        for kelvin in temperatures
    )
    humidity = words.scenario.event.weather[0].humidity
    return Block(
        "Density altitude without a meter",
        table=Table(headers, rows),
        remark=f"Station pressure, as a barometer on the spot shows it, at a humidity of {humidity:.0%}.",
    )


# --- words


def number(words: Words, speed_ms: float) -> str:
    """A speed without its unit, to one decimal."""
    return f"{to_unit(speed_ms, words.unit, 'speed'):.1f}"


def height(words: Words, altitude_m: float, step: int = 1) -> str:
    """A density altitude, to a step in its unit."""
    unit = "m" if words.metric else "ft"
    value = round(to_unit(altitude_m, unit, "length") / step) * step
    return f"{value:,} {unit}"


def _wind(words: Words, headwind_ms: float) -> str:
    if headwind_ms == 0:
        return "no wind"
    return f"{'headwind' if headwind_ms > 0 else 'tailwind'} {_speed_round(words, abs(headwind_ms))}"


def _speed_round(words: Words, speed_ms: float) -> str:
    return f"{to_unit(speed_ms, words.unit, 'speed'):.0f} {words.unit}"


def _down(words: Words, speed_ms: float) -> str:
    """A speed that may not be passed, rounded down."""
    return f"{math.floor(10 * to_unit(speed_ms, words.unit, 'speed') + 1e-9) / 10:.1f} {words.unit}"


def _rpm_down(value: float) -> str:
    """An engine speed that may not be passed, rounded down."""
    return f"{math.floor(value / RPM_STEP) * RPM_STEP:,} rpm"
