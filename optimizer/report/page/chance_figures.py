"""The charts of what is sure and what is not: runs against what was said before them, chances over the meet."""

from __future__ import annotations

from optimizer.answers.odds import Odds
from optimizer.decision import Decision
from optimizer.report.odds import chance_words, points_words
from optimizer.report.page.charts import Plot
from optimizer.report.page.figures import WIDE, Figure, Rows, figure
from optimizer.report.page.section import candidate_name, capital
from optimizer.report.page.words import PageWords, typed

SHOWN_RUNS = 8
NINE_IN_TEN = 1.645
"""Standard uncertainties either side that hold nine in ten."""


def log_figure(words: PageWords, decision: Decision) -> Figure | None:
    """Runs that were timed against what the model said before each; None where none is known."""
    runs = decision.log[-SHOWN_RUNS:]
    if not runs:
        return None
    ends = [(each.said_ms - NINE_IN_TEN * each.spread_ms, each.said_ms + NINE_IN_TEN * each.spread_ms) for each in runs]
    inside = sum(low <= each.done_ms <= high for each, (low, high) in zip(runs, ends, strict=True))
    title = f"{inside} of {len(runs)} runs fell within what was known before them"
    described = "; ".join(f"{e.name}: said {words.speed(e.said_ms)}, timed {words.speed(e.done_ms)}" for e in runs)

    def draw(width: float) -> Plot:
        speeds = [words.figure(value) for pair in ends for value in pair] + [words.figure(e.done_ms) for e in runs]
        plot = Rows(width, [typed(each.name) for each in runs], speeds)
        plot.x_axis(words.unit, "{:g}", grid=True, about=8 if width == WIDE else 5)
        plot.label_rows()
        for row, (each, (low, high)) in enumerate(zip(runs, ends, strict=True)):
            y, start = plot.middle(row), plot.x(words.figure(low))
            plot.box(start, y - 7, plot.x(words.figure(high)) - start, 14, "band")
            said = plot.x(words.figure(each.said_ms))
            plot.line([(said, y - 7), (said, y + 7)], "main")
            plot.dot(plot.x(words.figure(each.done_ms)), y, "hollow", "diamond", 4.5)
        return plot

    rows = [
        [typed(e.name), f"{words.speed(e.said_ms)} ± {words.gap(e.spread_ms, digits=1)}", words.speed(e.done_ms),
         words.gap(e.done_ms - e.said_ms, sign=True, digits=1)]
        for e in runs
    ]  # fmt: skip
    columns = ("run", "said before it", "timed", "timed less said")
    note = "Band: where nine runs in ten should fall by what was known before; line: said; diamond: timed."
    return figure("log", title, described, draw, (columns, rows), note)


def odds_figure(odds: Odds) -> Figure:
    """Chance of the record over the meet, build by build."""
    names = [candidate_name(each.name) for each in odds.builds]
    best = max(odds.builds, key=lambda each: each.meet.value)
    title = f"{capital(candidate_name(best.name))} has the best chance of these: {chance_words(best.meet)}"
    described = "; ".join(f"{n} {100 * e.meet.value:.0f} in 100" for n, e in zip(names, odds.builds, strict=True))

    def draw(width: float) -> Plot:
        plot = Rows(width, names, [0.0, 1.0])
        plot.scales((0.0, 1.0))
        plot.x_axis("chance over the meet, in 100", "{:g}", grid=True, about=5, times=100)
        plot.label_rows()
        for row, each in enumerate(odds.builds):
            y, at, off = plot.middle(row), each.meet.value, 2 * each.meet.error
            plot.box(plot.left, y - 7, plot.x(at) - plot.left, 14, "bar" if row == 0 else "bar2")
            plot.line([(plot.x(max(0.0, at - off)), y), (plot.x(min(1.0, at + off)), y)], "whisker")
            text = f"{100 * at:.0f}" if at >= 0.005 else "next to none"
            plot.text(plot.x(min(1.0, at + off)) + 6, y + 4, text, "label")
        return plot

    rows = [
        [name, *(chance_words(chance) for chance in (each.as_scored, each.attempt, each.meet)),
         "-" if each is odds.builds[0] else points_words(each.ahead)]
        for name, each in zip(names, odds.builds, strict=True)
    ]  # fmt: skip
    columns = ("build", "as scored", "one attempt, with gusts and scatter", "over the meet", "against number 1")
    note = "Lines: give or take, twice the standard error of the draws."
    return figure("odds", title, described, draw, (columns, rows), note)
