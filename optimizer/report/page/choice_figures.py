"""The charts of the choice: the record, what is too close, money, shares, salt, stops, what to measure."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.answers.closeness import Band
from optimizer.answers.sensitivity import Worth
from optimizer.answers.shares import Change
from optimizer.decision import Decision
from optimizer.questions import OnEverySalt
from optimizer.report.page.charts import LETTER, Plot, apart, around, shorter
from optimizer.report.page.figures import WIDE, Figure, Rows, figure
from optimizer.report.page.section import capital
from optimizer.report.page.words import PageWords, typed
from optimizer.report.prediction import step_of
from optimizer.report.wording import both
from optimizer.scenario.parts import NONE_ID

SHAPES = ("circle", "square", "diamond", "triangle")
LINES = ("main", "other", "dash", "dots", "long", "thin")
SHOWN_WORTHS = 10
SMALL_MS = 0.0022
"""Less is nothing on any screen."""


def ladder_figure(words: PageWords, decision: Decision) -> Figure:
    """Number 1 among the speeds it is measured by."""
    best, now = decision.best, decision.result.as_it_stands
    marks = [
        ("the car as it stands", now.speed_ms, "square"),
        ("the record as it is", best.record_ms, "triangle"),
        ("takes the record", best.planned_ms, "diamond"),
        ("number 1", best.speed_ms, "circle"),
    ]
    low, high = decision.low_ms, decision.high_ms
    title = (
        f"Nine times in ten number 1 does {words.figure(low):.0f} to {words.figure(high):.0f} {words.unit}, for all "
        "that is not known exactly"
    )
    described = "; ".join(f"{name} {words.speed(speed)}" for name, speed, _ in marks)

    def draw(width: float) -> Plot:
        ends = [words.figure(each) for each in (low, high, *(speed for _, speed, _ in marks))]
        plot = Rows(width, [name for name, _, _ in marks], ends)
        plot.x_axis(words.unit, "{:g}", grid=True, about=8 if width == WIDE else 5)
        plot.label_rows()
        last = len(marks) - 1
        y = plot.middle(last)
        plot.box(plot.x(words.figure(low)), y - 7, plot.x(words.figure(high)) - plot.x(words.figure(low)), 14, "band")
        for row, (_, speed, shape) in enumerate(marks):
            at = plot.x(words.figure(speed))
            plot.dot(at, plot.middle(row), "full" if row == last else "hollow", shape, 5)
            plot.text(at + 10, plot.middle(row) + 4, f"{words.figure(speed):.1f}", "key" if row == last else "strong")
        return plot

    rows = [[name, words.speed(speed)] for name, speed, _ in marks]
    rows.append(["number 1, nine draws of ten", f"{words.figure(low):.1f} to {words.speed(high)}"])
    note = (
        "The band holds the middle 90 % of draws of everything that is assumed, rated or measured of the car, the "
        "salt, the weather and the parts. It is not the chance of the record over a meet."
    )
    return figure("ladder", title, described, draw, (("what", "speed"), rows), note)


def close_figure(words: PageWords, decision: Decision) -> Figure | None:
    """Ranked builds against number 1, with how well each difference is known; None where there is no other."""
    bands = [(place, decision.bands["1", str(place)]) for place in range(2, len(decision.result.builds) + 1)]
    if not bands:
        return None
    told = [place for place, band in bands if not band.too_close]
    if not told:
        title = f"None of the {len(bands)} builds below number 1 is told apart from it" if len(bands) > 1 else (
            "Number 2 is not told apart from number 1"
        )  # fmt: skip
    else:
        those = both([f"number {each}" for each in told])
        title = f"Told apart from number 1: {those}" + ("" if len(told) == len(bands) else "; the others are too close")
    described = "; ".join(f"number {place} {_gap(words, band)}" for place, band in bands)

    def draw(width: float) -> Plot:
        ends = [words.figure(-v) for _, b in bands for v in (b.low_ms, b.high_ms, b.difference_ms)]
        plot = Rows(width, [f"number {place}" for place, _ in bands], [0.0, *ends], room=84.0)
        plot.x_axis(f"against number 1 [{words.unit}]", "{:+g}", grid=True, about=8 if width == WIDE else 4)
        plot.label_rows()
        plot.upright(0.0, "other")
        for row, (_, band) in enumerate(bands):
            low, at, high = (plot.x(words.figure(-v)) for v in (band.high_ms, band.difference_ms, band.low_ms))
            y = plot.middle(row)
            plot.line([(low, y), (high, y)], "whisker")
            plot.line([(low, y - 4), (low, y + 4)], "whisker")
            plot.line([(high, y - 4), (high, y + 4)], "whisker")
            plot.dot(at, y, "hollow" if band.too_close else "full", size=4.5)
        return plot

    rows = [[f"number {place}", *_interval(words, band)] for place, band in bands]
    columns = ("build", "against number 1", "nine draws of ten", "number 1 is faster in")
    note = "Lines hold nine draws of ten of what is not known exactly of the parts in which two builds differ."
    note += " Rings: too close to call. Dots: told apart."
    return figure("close", title, described, draw, (columns, rows), note)


def _gap(words: PageWords, band: Band) -> str:
    return words.gap(-band.difference_ms, sign=True)


def _interval(words: PageWords, band: Band) -> list[str]:
    return [
        _gap(words, band),
        f"{words.gap(-band.high_ms, sign=True)} to {words.gap(-band.low_ms, sign=True)}",
        f"{band.chance:.0%}",
    ]


def money_figure(words: PageWords, decision: Decision) -> Figure | None:
    """Money against speed as steps; None without a budget."""
    if decision.money is None:
        return None
    steps, planned = decision.money.steps, decision.best.planned_ms
    target = decision.target if decision.target is not None and decision.target.reached else None
    over = [step for step in steps if step.speed_ms >= planned]
    if not over:
        title = f"No budget up to {words.price(steps[-1].until_cents)} takes the record"
    elif target is not None:
        title = f"The record takes {words.price(target.cents)}: no cheaper car is fast enough"
    else:
        title = f"The record is passed at {words.price(over[0].cents)}, if not just below"
    described = "; ".join(f"{words.price(step.cents)} buys {words.speed(step.speed_ms)}" for step in steps)

    def draw(width: float) -> Plot:
        plot = Plot(width, 300 if width == WIDE else 260, margins=(46.0, 34.0, 20.0, 42.0))
        high = steps[-1].until_cents / 100
        speeds = [words.figure(step.speed_ms) for step in steps]
        low = steps[0].cents / 100
        room = 0.04 * max(high - low, 1.0)
        plot.scales((low - room, high + room), around([*speeds, words.figure(planned)], 0.1))
        plot.y_axis(words.unit, "{:g}")
        plot.x_axis(f"budget [{words.scenario.event.currency}]", about=7 if width == WIDE else 4)
        level = plot.y(words.figure(planned))
        plot.line([(plot.left, level), (plot.right, level)], "dash")
        label = f"takes the record, {words.figure(planned):.1f}"
        crossed = target.cents if target is not None else over[0].cents if over else high * 100
        if plot.x(crossed / 100) > (plot.left + plot.right) / 2:
            plot.text(plot.left + 4, level - 6, label, "label")
        else:
            plot.text(plot.right, level + 16, label, "label", "end")
        corners: list[tuple[float, float]] = []
        for step, speed in zip(steps, speeds, strict=True):
            corners += [(step.cents / 100, corners[-1][1])] if corners else []
            corners.append((step.cents / 100, speed))
        corners.append((high, speeds[-1]))
        plot.line([(plot.x(x), plot.y(y)) for x, y in corners], "main")
        for number, (step, speed) in enumerate(zip(steps, speeds, strict=True), 1):
            x, y = plot.x(step.cents / 100), plot.y(speed)
            plot.dot(x, y, "full", size=4.5)
            plot.text(x - 7, y - 7, str(number), "strong", "end")
        if target is not None:
            plot.dot(plot.x(target.cents / 100), plot.y(words.figure(target.speed_ms)), "hollow", "diamond", 4.5)
        return plot

    rows = [
        [str(n), words.price(each.cents), words.speed(each.speed_ms), words.gap(each.speed_ms - planned, sign=True)]
        for n, each in enumerate(steps, 1)
    ]
    columns = ("step", "price", "speed", "against what takes the record")
    note = "" if target is None else "Diamond: the cheapest build that takes the record. "
    note += "Numbers are those of the steps below. Between two steps there may be others, none faster than the next."
    return figure("money", title, described, draw, (columns, rows), note)


def shares_figure(words: PageWords, decision: Decision) -> Figure | None:
    """What each change is worth; None where nothing is changed."""
    shares = decision.worth.shares.shares
    if not shares:
        return None
    gain = decision.worth.shares.gain_ms
    names = [_change(words, share.change) for share in shares]
    big = shares[0]
    title = f"Of {words.gap(gain, sign=True)} over the car as it stands, {words.gap(big.share_ms)} is due to {names[0]}"
    if abs(gain) < SMALL_MS:
        title = "The changes bring no speed in all"
    described = "; ".join(f"{name} {words.gap(s.share_ms, sign=True)}" for name, s in zip(names, shares, strict=True))

    def draw(width: float) -> Plot:
        values = [words.figure(share.share_ms) for share in shares]
        plot = Rows(width, names, [0.0, *values], room=300.0)
        low, high = around([0.0, *values], 0.0)
        plot.scales((low - (0.16 * (high - low) if low < 0 else 0.0), high * 1.04))
        plot.x_axis(f"share of the gain [{words.unit}]", "{:+g}", grid=True, about=6 if width == WIDE else 4)
        plot.label_rows()
        for row, value in enumerate(values):
            y, zero, at = plot.middle(row), plot.x(0.0), plot.x(value)
            plot.box(min(zero, at), y - 7, abs(at - zero), 14, "bar" if value >= 0 else "bar2")
            plot.text(at + (6 if value >= 0 else -6), y + 4, f"{value:+.2f}", "label", "start" if value >= 0 else "end")
        plot.upright(0.0, "axis")
        return plot

    rows = [
        [name, words.gap(s.share_ms, sign=True), words.gap(s.first_ms, sign=True), words.gap(s.last_ms, sign=True)]
        for name, s in zip(names, shares, strict=True)
    ]
    columns = ("change", "share", "alone, on the car as it stands", "as the last change")
    note = "A share is what a change brings on the average over all orders of making the changes. The shares add up."
    return figure("shares", title, described, draw, (columns, rows), note)


def _change(words: PageWords, change: Change) -> str:
    """Parts that come in, each once; slots that are emptied."""
    parts = dict.fromkeys(part for part in change.after if part != NONE_ID)
    empty = [f"no {typed(slot)}" for slot, part in zip(change.slots, change.after, strict=True) if part == NONE_ID]
    return both([*(words.named(part) for part in parts), *empty])


def salts_figure(words: PageWords, decision: Decision, names: Sequence[str]) -> Figure | None:
    """Builds in every condition of the salt, from firm to soft; None where there is one condition."""
    salts = sorted(words.scenario.event.salts.values(), key=lambda each: each.rolling_coefficient)
    if len(salts) < 2:
        return None
    rows_of = decision.salts
    own = rows_of[0]
    moved = [salt.name for salt in salts if own.by_salt[salt.name].place not in {1, None}]
    first = names[0][0].upper() + names[0][1:]
    title = f"{first} is the fastest of these on every salt"
    if moved:
        title = f"{first} is not the fastest on {both([typed(each) for each in moved])} salt"
    described = "; ".join(
        f"{name}: {', '.join(f'{salt.name} {words.speed(row.by_salt[salt.name].speed_ms)}' for salt in salts)}"
        for name, row in zip(names, rows_of, strict=True)
    )

    def draw(width: float) -> Plot:
        plot = Plot(width, 320 if width == WIDE else 300, margins=(46.0, 34.0, 100.0, 42.0))
        speeds = [words.figure(row.by_salt[salt.name].speed_ms) for row in rows_of for salt in salts]
        plot.scales((-0.15, len(salts) - 0.95), around(speeds, 0.08))
        plot.y_axis(words.unit, "{:g}")
        plot.line([(plot.left, plot.bottom), (plot.right, plot.bottom)], "axis")
        for place, salt in enumerate(salts):
            plot.line([(plot.x(place), plot.top), (plot.x(place), plot.bottom)], "grid")
            plot.text(plot.x(place), plot.bottom + 17, salt.name, "tick", "middle")
        plot.text(plot.right, plot.bottom + 33, "salt, from firm to soft", "unit", "end")
        ends, points_end = [], plot.x(len(salts) - 1) + 7
        for number, row in enumerate(rows_of):
            points = [(plot.x(i), plot.y(words.figure(row.by_salt[s.name].speed_ms))) for i, s in enumerate(salts)]
            plot.line(points, LINES[0 if number == 0 else 1 + (number - 1) % (len(LINES) - 1)])
            for x, y in points:
                plot.dot(x, y, "full" if number == 0 else "hollow", SHAPES[number % len(SHAPES)], 4)
            ends.append(points[-1][1])
        for number, at in enumerate(apart(ends, 15, plot.top, plot.bottom)):
            plot.line([(points_end, ends[number]), (plot.right + 14, at)], "grid")
            plot.text(plot.right + 18, at + 4, shorter(names[number], 92), "key" if number == 0 else "label")
        return plot

    table = [
        [name, words.price(row.cents), *(_on(words, row, salt.name) for salt in salts)]
        for name, row in zip(names, rows_of, strict=True)
    ]
    columns = ("build", "price", *(salt.name for salt in salts))
    return figure("salts", title, described, draw, (columns, table))


def _on(words: PageWords, row: OnEverySalt, salt: str) -> str:
    found = row.by_salt[salt]
    return f"{words.speed(found.speed_ms)}, {f'place {found.place}' if found.place else 'not legal'}"


def stops_figure(words: PageWords, decision: Decision) -> Figure:
    """Stops case by case against the shutdown."""
    stop = decision.best.stop
    cases = [*stop.distances_m.items(), ("rolling out, no brakes at all", stop.coast_m)]
    worst, length = max(stop.distances_m.items(), key=lambda each: each[1])
    fits = all(far <= stop.shutdown_m for far in stop.distances_m.values())
    title = (
        f"From {words.speed(stop.from_ms)} the longest stop takes {words.distance(length)} ({worst}); "
        f"the shutdown has {words.distance(stop.shutdown_m)}"
    )
    described = "; ".join(f"{case} {words.distance(far)}" for case, far in cases)

    def draw(width: float) -> Plot:
        finite = [words.length(far) for _, far in cases if far < 1e6]
        end = words.length(stop.shutdown_m)
        plot = Rows(width, [case for case, _ in cases], [0.0, *finite, end])
        plot.scales((0.0, max(*finite, end) * 1.04))
        plot.x_axis(f"distance [{words.far}]", "{:g}", grid=True, about=6 if width == WIDE else 4)
        plot.label_rows()
        plot.upright(end, "dash")
        for row, (case, far) in enumerate(cases):
            at = plot.x(min(words.length(far), plot.x.high))
            coast = row == len(cases) - 1
            plot.box(plot.left, plot.middle(row) - 7, at - plot.left, 14, "bar" if case == worst else "bar2")
            room = width - at
            text = words.distance(far) + ("" if not coast or far <= stop.shutdown_m else ", beyond")
            if at < plot.x(end) < at + 6 + LETTER * len(text):  # beside the bar the line would go through it
                plot.text(at - 6, plot.middle(row) + 4, text, "inside", "end")
            else:
                plot.text(at + 6 if room > 70 else width, plot.middle(row) + 4 if room > 70 else plot.middle(row) - 12,
                          text, "label", "start" if room > 70 else "end")  # fmt: skip
        return plot

    rows = [[case, words.distance(far), "inside" if far <= stop.shutdown_m else "BEYOND"] for case, far in cases]
    note = "Dashed: the end of the shutdown. No air drag and no parachute is counted in a stop."
    note += "" if fits else " A stop that ends beyond the shutdown is not allowed."
    return figure("stops", title, described, draw, (("case", "distance", "the shutdown"), rows), note)


def worths_figure(words: PageWords, decision: Decision) -> Figure | None:
    """What the numbers that are worth most are worth; None where none moves the speed."""
    worths = [each for each in decision.worths if each.size_ms > SMALL_MS][:SHOWN_WORTHS]
    if not worths:
        return None
    first = worths[0]
    names = [f"{each.name}, {_step(words, each)}" for each in worths]
    title = f"{capital(first.name)} moves the speed most: {_step(words, first)} is worth {words.gap(first.size_ms)}"
    described = "; ".join(f"{name}: {words.gap(each.size_ms)}" for name, each in zip(names, worths, strict=True))

    def draw(width: float) -> Plot:
        values = [words.figure(each.size_ms) for each in worths]
        plot = Rows(width, names, [0.0, *values], room=340.0)
        plot.scales((0.0, max(values) * 1.02))
        plot.x_axis(f"change of speed for one step [{words.unit}]", "{:g}", grid=True, about=5 if width == WIDE else 4)
        plot.label_rows()
        for row, (each, value) in enumerate(zip(worths, values, strict=True)):
            assumed = each.basis.kind == "assumed"
            y = plot.middle(row)
            plot.box(plot.left, y - 7, plot.x(value) - plot.left, 14, "bar" if assumed else "bar2")
            plot.text(plot.x(value) + 6, y + 4, f"{value:.2f}", "label")
        return plot

    rows = [[name, each.basis.kind, *_both_ways(words, each)] for name, each in zip(names, worths, strict=True)]
    columns = ("number and step", "known as", "a step higher", "a step lower")
    note = "Accent bars are assumed numbers, gray ones rated or measured; see the table."
    return figure("worths", title, described, draw, (columns, rows), note)


def _step(words: PageWords, worth: Worth) -> str:
    size, unit = step_of(worth, metric=words.metric)
    return f"{size:.3g} {unit}".strip()


def _both_ways(words: PageWords, worth: Worth) -> list[str]:
    return ["-" if each is None else words.gap(each, sign=True) for each in (worth.up_ms, worth.down_ms)]
