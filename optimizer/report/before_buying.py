"""What to measure and what to bring, in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

from optimizer.answers.bring import Bring, Trailer
from optimizer.answers.measure_next import MeasureNext, WorthKnowing
from optimizer.choice.options import IntArray, Options
from optimizer.report.odds import build_lines, chance_words, points_words, speed_gain_words
from optimizer.report.questions import told
from optimizer.report.wording import Words, both, plural, wrapped
from optimizer.units import shown

SHOWN_UNKNOWNS = 8


# --- what to measure


def measure_text(words: Words, options: Options, found: MeasureNext) -> str:
    """What is worth measuring, by how much, and how."""
    worth = [each for each in found.unknowns if each.matters]
    everything = speed_gain_words(words, found.everything_ms)
    lines = [
        wrapped(first_to_measure(words, found)),
        wrapped(
            f"The purchase without: {words.price(found.purchase_cents)}, with one attempt at the record "
            f"{chance_words(found.chance)}. To know everything beforehand would be worth {everything}, or "
            f"{points_words(found.everything_chance)} for the record: no test is worth more."
        ),
        "",
        *build_lines(words, options, found.purchase, found.purchase),
        "",
        words.heading("Worth knowing before money is spent"),
    ]
    for each in (worth or list(found.unknowns))[:SHOWN_UNKNOWNS]:
        head, *rest = about_unknown(words, each)
        lines += [wrapped(head, "  - "), *(wrapped(text, "    ") for text in rest)]
    by_share = sorted(found.unknowns, key=lambda each: -each.share)[:5]
    shares = ", ".join(f"{each.unknown.name} {each.share:.0%}" for each in by_share)
    lines += [
        "",
        wrapped(
            f"What moves the speed most is another matter: {shares} of its variance, each by itself. It moves all "
            "builds alike, so it changes what you can hope for, not what you buy."
        ),
        "",
        wrapped(
            f"{found.builds} builds to choose from, {found.draws} draws. Values are what the rule gains in draws it "
            "was not made from; give or take is twice their standard error. Tests, their errors and effort: common "
            "practice, no source. Weather shows on the morning: saltmile bring."
        ),
    ]
    return told(words, "What to measure next", lines)


def first_to_measure(words: Words, found: MeasureNext) -> str:
    """What to measure first, or that nothing is worth it."""
    first = next((each for each in found.unknowns if each.matters), None)
    if first is None:
        return "No single number is worth measuring before buying: none gains more than the draws leave open."
    whole = first.all_of_it
    return (
        f"Measure {first.unknown.name} first: knowing it is worth {words.gap(whole.gain_ms.value)} on the average and "
        f"changes the purchase {whole.changes * 10:.0f} times in 10."
    )


def about_unknown(words: Words, each: WorthKnowing) -> list[str]:
    """One unknown: what it is worth, the test, how well it must be done."""
    whole, name = each.all_of_it, each.unknown.name
    sure = "" if each.matters else " (within what the draws leave open)"
    record = points_words(whole.chance) if whole.chance.value > 2 * whole.chance.error else "nothing that shows"
    head = (
        f"{name}, known to {_amount(words, each, each.deviation)}: {speed_gain_words(words, whole.gain_ms)}{sure}; for "
        f"the record {record}. Changes the purchase {100 * whole.changes:.0f} times in 100"
    )
    if whole.changes > 0:
        head += f", for {words.extra_money(whole.cents)} on the average"
    texts = [f"{head}."]
    if each.test is not None and each.test_deviation is not None:
        test = f"Test: {each.test.how} ({each.test.effort}); leaves {_amount(words, each, each.test_deviation)}"
        if each.by_test is not None:
            test += f", worth {speed_gain_words(words, each.by_test.gain_ms)}"
        texts.append(f"{test}.")
    elif each.matters:
        texts.append("No test in the table.")
    if each.good_enough is not None:
        texts.append(f"Most of it is got with an error of {_amount(words, each, each.good_enough)}.")
    return texts


def _amount(words: Words, each: WorthKnowing, deviation: float) -> str:
    """A standard uncertainty: as a share of the value where that says more."""
    value, dimension = each.unknown.value, each.unknown.dimension
    if dimension in {"temperature", "angle", "fraction"} or value == 0:
        return f"{deviation:.2g}" if not dimension or dimension == "fraction" else shown(
            deviation, dimension, metric=words.metric)  # fmt: skip
    return f"{deviation / abs(value):.1%}"


# --- what to bring


def bring_text(words: Words, options: Options, found: Bring) -> str:
    """Base and spares, what they gain on one fixed build, and what they cost."""
    best, fixed = found.best, found.fixed
    gain = f"{points_words(found.gain)}; {speed_gain_words(words, found.gain_ms)} on the average, on fresh mornings"
    limited = words.left(fixed.cents)
    within, bought = ("within the budget ", " at the budget and below it") if limited else ("", "")
    if found.worth_it:
        first = (
            f"Bring {_spares(best)}: with the best of them fitted on the morning one attempt takes the record "
            f"{_share(best.chance)}, against {_share(fixed.chance)} for the best fixed build ({gain})."
        )
    else:
        first = (
            f"Bring no spare: {within}no spare tires or final drive make the record likelier than one fixed build "
            f"does, {_share(fixed.chance)}, by what the draws can tell."
        )
        if best is not fixed:
            first += f" The nearest to it is {_spares(best)}: {gain}."
    title = "The best fixed build" if found.advised is fixed else "The car and its spares"
    lines = [wrapped(first), "", *_trailer(words, options, found.advised, title)]
    if best is not found.advised:
        lines += ["", *_trailer(words, options, best, f"The best with {plural(len(best.groups), 'spare')}")]
    elif best is not fixed:
        lines += ["", *_trailer(words, options, fixed, "The best fixed build")]
    for fewer, each in pairwise((fixed, *found.with_spares)):
        if each.chance <= fewer.chance:
            number = plural(len(each.groups), "spare")
            lines += ["", wrapped(f"With {number} nothing is gained beyond that for the money.")]
    sampled = (
        f" A screening left {found.configurations} of {found.screened}, which is a sample: another might be better."
        if found.screened > found.configurations
        else ""
    )
    lines += [
        "",
        wrapped(
            f"{found.configurations} configurations in {found.mornings} mornings and {found.cars} cars, "
            f"{found.tried:,} trailers priced.{sampled} On the morning salt and air are taken as known, the car's own "
            "numbers are not. Every configuration is legal as stated. Bases are the fastest builds that the search "
            f"met{bought}. Money is for all pieces together; work on the salt costs time, not money: ask "
            "whether a final drive may be changed there (--no-final-drive leaves it out)."
        ),
    ]
    return told(words, "What to bring", lines)


def _share(chance: float) -> str:
    return f"about {round(100 * chance)} times in 100"


def _spares(trailer: Trailer) -> str:
    names = {"tires": ("a spare set of tires", "spare sets of tires"),
             "final drive": ("a spare final drive", "spare final drives")}  # fmt: skip
    counts = Counter(trailer.groups)
    return both([names[group][0] if n == 1 else f"{n} {names[group][1]}" for group, n in counts.items()])


def _trailer(words: Words, options: Options, trailer: Trailer, title: str) -> list[str]:
    """Base, spares, money, and how often each is fitted."""
    base = trailer.configurations[0]
    lines = [
        words.heading(title),
        wrapped(
            f"{words.price(trailer.cents)} all together, {words.left(trailer.cents) or 'no budget'}; one attempt "
            f"{_share(trailer.chance)}, {words.speed(trailer.speed_ms)} on the average."
        ),
        *build_lines(words, options, base, base),
    ]
    for spare, used in zip(trailer.configurations[1:], trailer.used[1:], strict=True):
        lines.append(wrapped(f"Spare, fitted on {used:.0%} of mornings: {_swap(words, options, base, spare)}", "  + "))
    return lines


def _swap(words: Words, options: Options, base: IntArray, spare: IntArray) -> str:
    here, there = options.decode(spare), options.decode(base)
    changes: Sequence[tuple[str, str, str]] = [
        (slot, there[slot], part) for slot, part in here.items() if part != there[slot]
    ]
    return "; ".join(words.changes(changes))
