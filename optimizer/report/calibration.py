"""What measurements say about the car, and said against done, as text: what is known now, what is not told apart."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby

import numpy as np

from optimizer.answers.said_done import Logged, SaidDone, Suspect
from optimizer.answers.unknowns import WORDS
from optimizer.calibration.calibrating import Calibrated
from optimizer.calibration.results import GROUPS, Found, Residual, clock
from optimizer.calibration.ridges import KNOWN, Ridge
from optimizer.report.wording import UNCHECKED, Words, both, caution, plural, remarks, wrapped
from optimizer.scenario.calibration_file import FILE
from optimizer.units import shown

CLEARLY_MOVED, CLEARLY_NARROWED = 0.25, 0.85
"""Estimates below are counted, not listed."""
GOES_TOGETHER = 0.7
MOST_PAIRS = 4
POWER = WORDS["curve"][0]
_KEPT = {"measured": "measured before", "rated": "still rated", "assumed": "still assumed"}
ABOUT = "± is one standard uncertainty: two times in three the truth is within it, nine times in ten within 1.6 of it."


# --- said against done


def said_done_text(words: Words, found: SaidDone | None) -> list[str]:
    """What opens answers about speeds: the last run, what the model says of it, which number is most likely wrong."""
    sentences = checked_sentences(words, found)
    if found is None:
        return [wrapped(" ".join(sentences))]
    if found.used:
        sentences.append("The numbers behind it were estimated from this run too.")
    elif found.used is not None:
        again = "saltmile calibrate takes it in, with the same files as before"
        sentences.append(f"The numbers behind it were estimated without this run; {again}.")
    if found.suspects and not _as_said(words, found):
        sentences.append(_suspicion(words, found))
    return [wrapped(" ".join(sentences))]


def checked_sentences(words: Words, found: SaidDone | None) -> list[str]:
    """The last run, or that none was compared; and whether estimates are in use."""
    first = UNCHECKED if found is None else last_run_sentence(words, found)
    return [each for each in (first, estimated_sentence(words)) if each]


def estimated_sentence(words: Words) -> str:
    """That numbers in use are estimates from measurements; empty where they are not."""
    calibration = words.scenario.calibration
    if calibration is None:
        return ""
    number, sources = len(calibration.estimates), both(list(calibration.sources))
    are = f"{plural(number, 'number')} {'is' if number == 1 else 'are'}"
    return f"{are} as calibrate estimated from {sources} ({FILE}), not as your files state."


def last_run_sentence(words: Words, found: SaidDone) -> str:
    """What was said of the last run, and what it did."""
    parts = f" with {both([words.part(part) for part in found.changes.values()])}" if found.changes else ""
    which = f"{_dated(found.name, found.date)}, {found.salt} salt, {found.file} row {found.row}"
    return (
        f"Said against done: in the last run timed ({which}) the car{parts} did {words.speed(found.done_ms)}; for "
        f"that car on that day the model says {words.speed(found.said_ms)} ± "
        f"{words.gap(found.spread_ms, digits=1)}. {_verdict(words, found)}"
    )


def _verdict(words: Words, found: SaidDone) -> str:
    """How far apart the two are."""
    if _as_said(words, found):
        return "It ran as said."
    gap = words.gap(found.difference_ms, digits=1)
    way = "faster" if found.difference_ms > 0 else "slower"
    if found.expected:
        return f"It ran {gap} {way} than said, which is within what is not known exactly."
    return f"It ran {gap} {way} than said: fewer than one run in ten would be so far off, by what is not known exactly."


def _as_said(words: Words, found: SaidDone) -> bool:
    """Whether the two are the same to the decimal that is shown."""
    return words.gap(found.difference_ms, digits=1).startswith("0.0 ")


def _suspicion(words: Words, found: SaidDone) -> str:
    """Which number is most likely wrong."""
    first, *others = found.suspects
    if found.out_of_reach:
        return (
            f"No number of the car explains so much: look first at {found.file} row {found.row}. Is the speed copied "
            "right and in its unit, was that the car, and was the throttle held? If not: counted, no."
        )
    held = ""
    if found.limit == "revs":
        held = "In the model the rev limiter holds the car: "
        gearing = first.key.split(":")[-1] in GROUPS[0][1]
        held += "only gearing, roll-out and slip show there. " if gearing else "it was too slow to have reached that. "
    text = f"{held}Most likely wrong: {_suspect(words, first)}"
    if others:
        text += f"; then {'; '.join(_suspect(words, each) for each in others[:2])}"
    return f"{text}. " + ("This run alone cannot tell these apart." if found.tied else "")


def _suspect(words: Words, each: Suspect) -> str:
    """One number: what it most likely is, and its share."""
    share = f"{min(each.share, 1.0):.0%} of the difference"
    if each.of_day:
        off = shown(abs(each.likely), each.dimension, metric=words.metric, digits=2)
        return f"{_short(each.name)}, off by {off} ({share})"
    likely, value = (_number(words, number, each.dimension) for number in (each.likely, each.value))
    peak = " at the peak" if each.dimension == "torque" else ""
    return f"{_short(each.name)}, {likely} in place of {value}{peak} ({share})"


def _dated(name: str, date: str) -> str:
    """A run with its date, once."""
    return name if not date or date in name else f"{name}, {date}"


def _short(name: str) -> str:
    """A quantity in a sentence: as short as it is told from others."""
    return name.replace(f"{POWER} of", "power of").replace(" of the car", "")


def _number(words: Words, value: float, dimension: str, digits: int = 3) -> str:
    """A number in the unit its readers use."""
    return shown(value, dimension, metric=words.metric, digits=digits)


def runs_text(words: Words, log: Sequence[Logged], last: SaidDone | None, notices: Sequence[str] = ()) -> str:
    """The log of said and done over the years, how the estimates narrowed, and remarks on the sheet of runs."""
    lines = [words.heading("Said and done"), *said_done_text(words, last)]
    if log:
        lines += [
            "",
            words.heading("Every run against what was known before it"),
            wrapped(
                "Said: what the model gives for that car on that day with what the runs before it had taught, starting "
                "from what your files state."
            ),
            *(_logged(words, each) for each in log),
            "",
            words.heading("What these runs alone narrow"),
            wrapped(
                f"What is left of each uncertainty after each run; 100% is what your files leave open.{_beside(words)}"
            ),
            *_narrowing(words, log),
            "",
            wrapped(ABOUT),
        ]
    return "\n".join([*lines, *remarks(words, notices), *caution(words)]) + "\n"


def _logged(words: Words, each: Logged) -> str:
    """One run."""
    gap = words.gap(each.difference_ms, sign=True, digits=1)
    said = f"{words.speed(each.said_ms)} ± {words.gap(each.spread_ms, digits=1)}"
    head = _dated(each.name, each.date)
    return wrapped(f"{head} (row {each.row}): said {said}, timed {words.speed(each.done_ms)}: {gap}.", "  - ")


def _beside(words: Words) -> str:
    """Which estimates answers use instead, where there are any."""
    if words.scenario.calibration is None:
        return ""
    return " Other answers use calibration.json, into which other measurements may have gone: its values differ."


def _narrowing(words: Words, log: Sequence[Logged]) -> list[str]:
    """A line for each main quantity that narrowed."""
    last = log[-1]
    names = [name for name, left in last.left.items() if left < 0.98]
    lines = [
        wrapped(
            f"{_short(name)}: {', '.join(f'{run.left[name]:.0%}' for run in log)}; after the last "
            f"{_with_spread(words, last.value[name], last.deviation[name], last.dimension[name])}.",
            "  - ",
        )
        for name in names
    ]
    return lines or [wrapped("Nothing narrowed yet.")]


# --- calibration


def calibration_text(words: Words, found: Calibrated, written: str | None) -> str:
    """The whole answer of ``calibrate``; ``written`` is the file, None where nothing was written."""
    files = len(found.calibration.sources)
    lines = [words.heading(
        f"{found.scenario.car.name}: what {plural(files, 'file')} of measurements {'says' if files == 1 else 'say'}"
    )]
    lines += _estimates(words, found.found)
    for ridge in found.ridges:
        lines += ["", *_ridge(words, found, ridge)]
    lines += _together(words, found)
    lines += ["", words.heading("What is left of each measurement")]
    lines.append(wrapped("Measured less fitted: usual size, and the largest."))
    lines += _residuals(words, found.residuals)
    if found.outliers:
        lines += ["", words.heading("What does not belong")]
        lines += [wrapped(f"{_place(each.file, each.row)}: {each.text}.", "  - ") for each in found.outliers]
    lines += ["", wrapped(ABOUT)]
    if found.notices:
        lines += ["", words.heading("Notices"), *(wrapped(each, "  - ") for each in found.notices)]
    kept = plural(len(found.calibration.estimates), "estimate")
    if written is None:
        lines += ["", wrapped(f"Nothing was written: {kept} would have been kept.")]
    else:
        lines += [
            "",
            wrapped(
                f"Wrote {kept} into {written}. Every answer about this folder uses them from now on; your own files "
                "stay as they are. Delete the file to go back to what is stated."
            ),
        ]
    return "\n".join([*lines, *caution(words)]) + "\n"


def _estimates(words: Words, every: Iterable[Found]) -> list[str]:
    """What is known now, group by group; what hardly changed is counted."""
    lines: list[str] = []
    noticed = [each for each in every if each.noticed]
    told = [each for each in noticed if abs(each.moved) > CLEARLY_MOVED or each.narrowed < CLEARLY_NARROWED]
    for group, (name, _) in enumerate(GROUPS):
        here = [each for each in told if each.group == group]
        if here:
            lines += ["", words.heading(name[0].upper() + name[1:])]
            lines += [wrapped(_estimate(words, each), "  - ") for each in here]
    if not told:
        lines.append(wrapped("The measurements hardly change what is known: see below what would."))
    if len(noticed) > len(told):
        lines += ["", wrapped(f"{plural(len(noticed) - len(told), 'more number')} moved or narrowed a little.")]
    return lines


def _estimate(words: Words, each: Found) -> str:
    """One estimate against what was stated."""
    dimension = each.parameter.dimension
    value, stated = _with_spread(words, each.value, each.deviation, dimension), _with_spread(
        words, each.stated, each.stated_deviation, dimension
    )
    narrowed = f"{each.narrowed:.0%} of its ± is left"
    known = "measured now" if each.narrowed <= KNOWN else f"{_KEPT[each.kind]}: {narrowed}"
    return f"{each.parameter.name}: {value}, stated {stated}; {known}"


def _with_spread(words: Words, value: float, deviation: float, dimension: str) -> str:
    """A value and its standard uncertainty, as many digits as the latter deserves."""
    digits = int(np.clip(2 + np.floor(np.log10(abs(value) / deviation)), 2, 5)) if value else 2
    text = _number(words, value, dimension, digits)
    spread = _number(words, deviation, dimension, 2)
    number, _, unit = text.partition(" ")
    return f"{number} ± {spread}" if unit else f"{text} ± {spread}"


def _ridge(words: Words, found: Calibrated, ridge: Ridge) -> list[str]:
    """Numbers that are tied, the two that trade, and the test that would tell them apart."""
    parameters = found.fit.problem.parameters
    names = [_short(parameters[p].name) for p in ridge.members[:6]]
    more = len(ridge.members) - len(names)
    days = [_short(parameters[p].name) for p in ridge.partners[:2]]
    first, second = parameters[ridge.first], parameters[ridge.second]
    low, high = (_number(words, end, first.dimension) for end in ridge.first_ends)
    from_, to = (_number(words, end, second.dimension) for end in ridge.second_ends)
    one, other = _short(first.name), _short(second.name)
    tied = both([*names, *days, *([f"{more} more"] if more > 0 else [])])
    text = (
        f"{tied[0].upper() + tied[1:]}: only what they come to together, at about {words.speed(ridge.at_ms)}, is "
        f"known, not each. All else as estimated, {one} may be {low} to {high} if {other} is {from_} to {to}."
    )
    lines = [words.heading("Not told apart by these measurements"), wrapped(text)]
    if ridge.test is None:
        return [*lines, wrapped("None of the usual tests would tell them apart.")]
    shares = [ridge.test.narrowed[p] / found.fit.narrowed[p] for p in (ridge.first, ridge.second)]
    test = (
        f"What would tell them apart, the cheapest first: {ridge.test.words}. It would leave {shares[0]:.0%} of the ± "
        f"of {one} and {shares[1]:.0%} of that of {other}."
    )
    return [*lines, wrapped(test)]


def _together(words: Words, found: Calibrated) -> list[str]:
    """Pairs of kept estimates that are off together."""
    estimates, table = found.calibration.estimates, np.array(found.calibration.correlation)
    names = {each.parameter.key: each.parameter.name for each in found.found}
    pairs = [
        (float(table[i, j]), names[estimates[i].key], names[estimates[j].key])
        for i in range(len(estimates))
        for j in range(i)
        if abs(table[i, j]) > GOES_TOGETHER
    ]
    if not pairs:
        return []
    pairs.sort(key=lambda each: -abs(each[0]))
    lines = ["", words.heading("Off together")]
    for size, one, other in pairs[:MOST_PAIRS]:
        way = "is higher too" if size > 0 else "is lower"
        lines.append(wrapped(f"if {one} is higher than estimated, {other} {way} (correlation {size:+.2f})", "  - "))
    return lines


def _residuals(words: Words, every: Sequence[Residual]) -> list[str]:
    """What is left, a line for each trace, and one for all numbers of a row."""
    lines: list[str] = []
    for (file, row), some in groupby(every, key=lambda each: (each.file, each.row)):
        found = list(some)
        traces, alone = [each for each in found if each.count > 1], [each for each in found if each.count == 1]
        lines += [wrapped(f"{_place(file, row)}, {_trace(words, each)}", "  - ") for each in traces]
        if alone:
            name = alone[0].what
            texts = [f"{each.what.removeprefix(f'{name}, ')} {_size(words, each)}" for each in alone]
            lines.append(wrapped(f"{_place(file, row)}, {'; '.join(texts)}", "  - "))
    return lines


def _trace(words: Words, each: Residual) -> str:
    """What is left of one trace."""
    usual = words.gap(each.rms) if each.of_speed else f"{each.rms:.2%}"
    at = "" if each.at_s is None else f" at {clock(each.at_s)}"
    largest = f"largest {_size(words, each)}{at}"
    return f"{each.what}: {usual}, {largest}; {each.count} means, as good as {each.worth:.0f} alone"


def _size(words: Words, each: Residual) -> str:
    """The largest number left, with its sign; nothing has none."""
    text = words.gap(each.largest, sign=True) if each.of_speed else f"{each.largest:+.2%}"
    return text[1:] if text[1:].startswith(("0.00 ", "0.00%")) else text


def _place(file: str, row: int) -> str:
    return f"{file} row {row}" if row else file
