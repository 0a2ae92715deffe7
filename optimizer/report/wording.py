"""Numbers and parts in the words of a shed: how all texts round, name and wrap."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from optimizer.answers.cards import BuildCard, RunCard, StopCard, TireCard
from optimizer.answers.plausibility import Doubt
from optimizer.answers.power_in_air import PowerSpread
from optimizer.answers.swaps import Swap
from optimizer.report.width import line_width
from optimizer.run.judge import least_for
from optimizer.scenario.cells import CURRENCIES
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import NONE_ID, Tire
from optimizer.units import shown, to_unit, usual

GRIP_WARNING = 0.70
"""Share of grip above which a tire that pulls holds little sideways: a warning."""

CAUTION = (
    (
        "This is a prediction, not permission to run. Inspectors, the current rule book, the makers' ratings and "
        "qualified people decide about every tire, wheel, brake and safety part named here."
    ),
    (
        "Yaw stability and lift-off are not modeled: less load in front, shorter tires and ballast behind the rear "
        "axle are things to ask about."
    ),
    (
        "Go up in speed by steps and look the car over after each. A full-grip stop is never the plan: leave room "
        "to roll out, and never count on a parachute alone."
    ),
)
FIXED = "With all else kept, no other choice is legal in these slots: {}."
UNCHECKED = "Not checked against this car: no run of it has been compared with these speeds."


@dataclass(frozen=True, slots=True)
class Words:
    """Wording for one scenario; ``color`` puts headings in bold."""

    scenario: Scenario
    color: bool = False

    @property
    def unit(self) -> str:
        """Unit that speeds are shown in."""
        return self.scenario.event.speed_unit

    @property
    def metric(self) -> bool:
        """Whether readers think in meters."""
        return self.unit == "km/h"

    def speed(self, speed_ms: float) -> str:
        """Text of a speed [m/s], to one decimal."""
        return f"{to_unit(speed_ms, self.unit, 'speed'):.1f} {self.unit}"

    def gap(self, difference_ms: float, *, sign: bool = False, digits: int = 2) -> str:
        """Text of a difference of speeds [m/s], to two decimals; without sign unless asked for."""
        # minus zero is zero
        number = round(to_unit(difference_ms, self.unit, "speed"), digits) + 0.0
        text = f"{number:+.{digits}f}" if sign else f"{abs(number):.{digits}f}"
        return f"{text} {self.unit}"

    def money(self, cents: float) -> str:
        """Text of an amount in whole units of the currency."""
        return self._amount(round(cents / 100))

    def price(self, cents: int) -> str:
        """Text of a price, rounded up, so that it never looks cheaper than it is."""
        return self._amount(math.ceil(cents / 100))

    def exact(self, cents: int) -> str:
        """Text of an amount of 0 or more, to the cent where it is no whole one: such as one beside its multiple."""
        whole, rest = divmod(cents, 100)
        return f"{self._amount(whole)}{f'.{rest:02}' if rest else ''}"

    def left(self, cents: int) -> str:
        """Text of the budget less a price: what is left, rounded down, or what is missing; empty without a budget."""
        budget = self.scenario.event.budget_cents
        if budget is None:
            return ""
        rest = budget - cents
        if rest < 0:
            return f"{self.money(math.ceil(-rest / 100) * 100)} over the budget of {self.money(budget)}"
        return f"{self.money(rest // 100 * 100)} left of {self.money(budget)}"

    def extra_money(self, cents: int) -> str:
        """Text of a change of price."""
        if round(cents / 100) == 0:
            return "no change of price"
        return f"{self.money(abs(cents))} {'more' if cents > 0 else 'less'}"

    def costs(self, cents: int) -> str:
        """What a build costs beside another, as the end of a sentence."""
        return "costs the same" if round(cents / 100) == 0 else f"costs {self.extra_money(cents)}"

    def _amount(self, whole: int) -> str:
        return f"{'-' if whole < 0 else ''}{CURRENCIES[self.scenario.event.currency]}{abs(whole):,}"

    def distance(self, length_m: float) -> str:
        """Text of a distance along the course."""
        if not math.isfinite(length_m):
            return "no distance at all"
        name = usual("distance", metric=self.metric)
        return f"{to_unit(length_m, name, 'distance'):.2f} {name}"

    def part(self, part_id: str) -> str:
        """Name and id of a part; the size too where it is a tire."""
        if part_id == NONE_ID:
            return "nothing"
        part = self.scenario.parts[part_id]
        name = part.name
        if isinstance(part, Tire) and str(part.size) not in name:
            name = f"{name} {part.size}".strip()
        return f"{name} ({part_id})" if name else part_id

    def changes(self, changes: Iterable[tuple[str, str, str]]) -> list[str]:
        """Changes from the car as it stands, slots that get the same part said together."""
        by_part: dict[tuple[str, str], list[str]] = {}
        for slot, _, new in changes:
            kind = next(each.kind for each in self.scenario.car.slots if each.name == slot)
            by_part.setdefault((kind if new == NONE_ID else "", new), []).append(slot)
        return [f"{both(slots)}: {self.part(new)}" for (_, new), slots in by_part.items()]

    def heading(self, text: str) -> str:
        """A heading, underlined; bold where color is wanted."""
        lines = wrapped(text)
        line = "-" * max(map(len, lines.splitlines()))
        return f"\033[1m{lines}\033[0m\n{line}" if self.color else f"{lines}\n{line}"

    # --- sentences about one build, shared by the ranking and the prediction

    def limited(self, card: BuildCard) -> str:
        """What limits the slowest run, as a sentence that names it where there are several."""
        slowest = min(card.runs, key=lambda run: run.score_ms)
        which = f" in run {card.runs.index(slowest) + 1}, the slower one," if len(card.runs) > 1 else ""
        return f"Limited{which} by {self.limit(card, slowest)}."

    def limit(self, card: BuildCard, run: RunCard) -> str:
        """What limits the speed at the last board."""
        settles = self.speed(run.settles_ms)
        cap = "" if card.cap_ms is None else f" of {self.speed(card.cap_ms)}{self.bracket(card.cap_ms)}"
        return {
            "power": f"power: what the engine has is used up by air and salt, it settles at {settles}",
            "revs": f"revs: the rev limit of {rpm(card.rev_limit_rpm)} in {ordinal(run.gear)} gear",
            "grip": "grip: the driven tires push no harder on this salt",
            "distance": f"distance: it is still gaining at the last board and would settle at {settles}",
            "speed cap": f"the speed cap{cap}: the car would do more but may not",
        }[run.limit]

    def bracket(self, cap_ms: float) -> str:
        """The equipment without which a car may not pass a speed; nothing where that is not what caps it."""
        needed = [each for each in self.scenario.race_class.brackets if math.isclose(each.cap_ms, cap_ms)]
        return f" (without {needed[0].requires}, for {needed[0].name})" if needed else ""

    def at_board(self, card: BuildCard) -> str:
        """Gear and revs at the last board, in the run that asks for most, and what the limiter is to be set to.

        Empty for a car that gets to no last board, as what is said of grip is.
        """
        there = [run for run in card.runs if math.isfinite(run.exit_ms)]
        if not there:
            return ""
        hardest = max(there, key=lambda run: run.rpm_last)
        which = f" of run {card.runs.index(hardest) + 1}" if len(card.runs) > 1 else ""
        text = (
            f"{ordinal(hardest.gear)} gear and {rpm(hardest.rpm_last)} at the last board{which}, "
            f"rev limit {rpm(card.rev_limit_rpm)}."
        )
        if card.limiter_rpm is not None and round(card.limiter_rpm, -1) < card.rev_limit_rpm:
            text += (
                f" Set the limiter to {rpm(math.floor(card.limiter_rpm / 10) * 10)} in "
                f"{ordinal(max(run.gear for run in there))} gear for the tires' rating. The speeds are for "
                f"{rpm(card.rev_limit_rpm)} in all lower gears: with a limiter that holds these down too the car is "
                "slower."
            )
        return text

    def grip(self, card: BuildCard) -> str:
        """Share of grip used, with a warning where it is high."""
        shares = [run.grip_use for run in card.runs if math.isfinite(run.exit_ms)]
        if not shares:
            return ""
        share = max(shares)
        text = f"Grip used at the last board: {share:.0%}."
        if share > GRIP_WARNING:
            text += " WARNING: a tire that pulls this hard holds little sideways."
        return text

    def tire(self, tire: TireCard) -> str:
        """Highest surface speed of an axle's tires, on the fast day or in the runs, against their rating."""
        if tire.rated_ms <= 0:
            return f"{tire.axle} {self.speed(tire.surface_ms)}, NO KNOWN RATING"
        margin = self.scenario.event.fast_case.tire_speed_margin
        most = f", so {self.speed(tire.rated_ms / (1 + margin))} with the margin of {margin:.0%}" if margin else ""
        return f"{tire.axle} {self.speed(tire.surface_ms)}, rated {self.speed(tire.rated_ms)}{most}"

    def stop(self, stop: StopCard) -> str:
        """Longest stop against the shutdown, and the heat in the rotors."""
        case, longest = max(stop.distances_m.items(), key=lambda each: each[1])
        text = (
            f"Stopping from {self.speed(stop.from_ms)}: {self.distance(longest)} in the longest case ({case}), "
            f"the shutdown has {self.distance(stop.shutdown_m)}. {self._hottest(stop)}"
        )
        return f"{text} {self.fast_day_stop(stop)}".rstrip()

    def fast_day_stop(self, stop: StopCard) -> str:
        """What a stop from the speed of the fast day would ask for too much of, as a sentence; empty for nothing."""
        fast, wrong = stop.fast_day, []
        if fast.rise_share > 1:
            wrong.append(f"its rotors would rise by {max(fast.rise_share, 1.01):.0%} of what is allowed")
        if fast.distance_m > stop.shutdown_m:
            wrong.append(f"it would need {self.distance(fast.distance_m)}")
        if not wrong or fast.from_ms <= stop.from_ms:
            return ""
        salt = self.scenario.event.fast_case.salt
        reached = f"on the fast day ({salt} salt) it may pass the last board at {self.speed(fast.from_ms)}"
        return f"WARNING: {reached}; from there {both(wrong)}: lift before."

    @staticmethod
    def _hottest(stop: StopCard) -> str:
        if not stop.rotors:
            return "The sheets have no rotors: their heat is not counted."
        if math.isnan(stop.rise_share):
            return "What heat the rotors may take is NOT KNOWN."
        return f"Rotors rise by {stop.rise_share:.0%} of what is allowed."

    def rotors(self, stop: StopCard) -> str:
        """What a stop does to the rotors of each axle, as a sentence."""
        if not stop.rotors:
            return self._hottest(stop)
        each = [
            f"the {rotor.axle} rotors rise by {shown(rotor.rise_k, 'temperature rise', metric=self.metric)}, "
            + ("with NO KNOWN LIMIT" if math.isnan(rotor.share) else f"{rotor.share:.0%} of what is allowed")
            for rotor in stop.rotors
        ]
        return f"At worst {'; '.join(each)}."

    @staticmethod
    def share_of_heat(share: float) -> str:
        """Heat of the rotors as a share of what is allowed, in a table."""
        return "?" if math.isnan(share) else f"{share:.0%}"

    def against_record(self, card: BuildCard) -> str:
        """Speed against the record and its margin, as the end of a sentence."""
        return self.beside_record(card.speed_ms, card.planned_ms)

    def beside_record(self, speed_ms: float, planned_ms: float) -> str:
        """The same of any speed, against what takes the record."""
        over = "over" if speed_ms >= least_for(planned_ms) else "short of"
        return f"{self.gap(speed_ms - planned_ms)} {over} the {self.speed(planned_ms)} that takes the record"

    def shortfall(self, speed_ms: float, planned_ms: float) -> str:
        """By how much a speed is short of what takes the record, after a comma; empty where it takes it."""
        if speed_ms >= least_for(planned_ms):
            return ""
        return f", {self.gap(planned_ms - speed_ms)} short of what takes the record"


def rpm(value: float) -> str:
    """Engine speed to 10 rpm."""
    return f"{round(value, -1):,.0f} rpm"


def ordinal(number: int) -> str:
    """``1st``, ``2nd``, ``3rd``, ``4th``; there are no 21 gears."""
    return str(number) + {1: "st", 2: "nd", 3: "rd"}.get(number, "th")


def unswapped(scenario: Scenario, swaps: Iterable[Swap]) -> list[str]:
    """Slots of the car in which no single swap is legal."""
    swapped = {each.slot for each in swaps}
    return [slot.name for slot in scenario.car.slots if slot.name not in swapped]


def both(words: list[str]) -> str:
    """Words joined for a sentence."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def plural(count: int, one: str, many: str = "") -> str:
    """A count with its noun."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def wrapped(text: str, first: str = "", rest: str | None = None) -> str:
    """Text wrapped to the width; ``first`` starts its first line and ``rest`` the others."""
    return textwrap.fill(
        text,
        line_width(),
        initial_indent=first,
        subsequent_indent=" " * len(first) if rest is None else rest,
        break_long_words=False,
        break_on_hyphens=False,
    )


def assumed(scenario: Scenario) -> list[tuple[int, str, str]]:
    """Assumed numbers by (count, quantity, why), the most frequent first, then in the order they were met."""
    counts: dict[tuple[str, str], int] = {}
    for each in scenario.assumptions:
        counts[each.quantity, each.why] = counts.get((each.quantity, each.why), 0) + 1
    return [(n, *key) for key, n in sorted(counts.items(), key=lambda item: -item[1])]


def overrides(words: Words) -> list[str]:
    """Overrides of the event, as paragraphs: always printed."""
    return [
        wrapped(f"{each.check} for {each.part}: {each.reason} (says {each.by})", "  - ")
        for each in words.scenario.event.overrides
    ]


def remarks(words: Words, notices: Iterable[str]) -> list[str]:
    """Overrides and notices, each under its heading; nothing where there are none."""
    lines: list[str] = []
    if lifted := overrides(words):
        lines += ["", words.heading("Refusals lifted by name in event.toml"), *lifted]
    if said := list(dict.fromkeys(notices)):
        lines += ["", words.heading("Notices"), *(wrapped(notice, "  - ") for notice in said)]
    return lines


def second_looks(words: Words, doubts: Iterable[Doubt], spreads: Iterable[PowerSpread] = ()) -> list[str]:
    """What is worth a second look, and power in this air, under their heading; nothing where there is nothing."""
    found = looks(words, doubts, spreads)
    return ["", words.heading("Worth a second look"), *(wrapped(each, "  - ") for each in found)] if found else []


def looks(words: Words, doubts: Iterable[Doubt], spreads: Iterable[PowerSpread] = ()) -> list[str]:
    """The same as sentences."""
    return [_doubt(words, each) for each in doubts] + [_power(words, each) for each in spreads]


def _doubt(words: Words, doubt: Doubt) -> str:
    """One doubt: value, usual range, source, what to look at."""

    def say(value: float) -> str:
        # as many digits as it takes to tell the value from the end it has passed
        ends = [end for end in (doubt.low, doubt.high) if end is not None]
        texts = (
            [shown(each, doubt.dimension, metric=words.metric, digits=digits) for each in (value, doubt.value, *ends)]
            for digits in range(3, 8)
        )
        return next((each[0] for each in texts if each[1] not in each[2:]), f"{value:g}")

    unit = usual(doubt.dimension, metric=words.metric) if doubt.dimension else ""
    low, high = (None if end is None else say(end) for end in (doubt.low, doubt.high))
    if low is not None and high is not None:
        ordinary = f"usual {low.removesuffix(unit).strip()} to {high}, by "
    else:
        ordinary = f"usual at least {low}, by " if low else f"usual up to {high}, by " if high else ""
    hint = doubt.hint[0].upper() + doubt.hint[1:]
    return f"{doubt.what}: {say(doubt.value)}; {ordinary}{doubt.source}. {hint}."


def _power(words: Words, spread: PowerSpread) -> str:
    """How far power in this air is open, and what that is worth."""
    other = "no loss to the air at all" if spread.blown else "other formulas"
    return (
        f"power of engine {spread.engine} in this air: {spread.low:.1%} to {spread.high:.1%} of what "
        f"{spread.formula} gives, with {other}; the speed moves by {words.gap(spread.low_ms, sign=True)} to "
        f"{words.gap(spread.high_ms, sign=True)}."
    )


def caution(words: Words) -> list[str]:
    """The caution that ends every answer."""
    return ["", words.heading("Caution"), *(wrapped(each) for each in CAUTION)]


def different(card: BuildCard, other: BuildCard) -> list[tuple[str, str, str]]:
    """Slots in which a build differs from another, as (slot, there, here)."""
    there: Mapping[str, str] = other.build
    return [(slot, there[slot], part) for slot, part in card.build.items() if part != there[slot]]
