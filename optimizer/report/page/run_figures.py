"""The charts of the run: speed and revs along the course, thrust against resistance, where the power goes."""

from __future__ import annotations

import numpy as np

from optimizer.answers.run_trace import GearThrust, RunTrace
from optimizer.decision import Decision
from optimizer.report.page.charts import Plot, apart
from optimizer.report.page.figures import WIDE, Figure, Rows, figure
from optimizer.report.page.words import PageWords
from optimizer.report.wording import ordinal, rpm
from optimizer.units import shown, to_unit, usual

RUN_LOOKS = ("main", "dash")
TABLE_STEPS = 12
"""Distances told in the table beside a chart of the run."""


def run_name(number: int, trace: RunTrace, words: PageWords) -> str:
    """A run by its number and wind."""
    if abs(trace.headwind_ms) < 0.01:
        return f"run {number}"
    return f"run {number}, {'headwind' if trace.headwind_ms > 0 else 'tailwind'} {words.speed(abs(trace.headwind_ms))}"


def speed_figure(words: PageWords, decision: Decision) -> Figure:
    """Speed over distance with boards and shifts."""
    traces = decision.traces
    first, last = traces[0].boards
    title = (
        f"The car enters the timed stretch at {words.speed(first.speed_ms)} and leaves it at "
        f"{words.speed(last.speed_ms)}, in {ordinal(last.gear)} gear"
    )
    shifts = [
        f"{ordinal(after.gear)} at {words.length(after.distance_m[0]):.2f} {words.far}" for after in traces[0].legs[1:]
    ]
    described = f"Speed over distance from the start to the last board. Shifts of run 1: {', '.join(shifts) or 'none'}."

    def draw(width: float) -> Plot:
        plot = Plot(width, 300 if width == WIDE else 260, margins=(40.0, 40.0, 58.0, 42.0))
        top = max(leg.speed_ms.max() for trace in traces for leg in trace.legs)
        plot.scales((0, words.length(last.distance_m)), (0, words.figure(top) * 1.06))
        plot.y_axis(words.unit)
        plot.x_axis(f"distance from the start [{words.far}]", "{:g}")
        _boards(plot, words, traces[0])
        for look, trace in zip(RUN_LOOKS, traces, strict=False):
            xs = np.concatenate([leg.distance_m for leg in trace.legs])
            ys = np.concatenate([leg.speed_ms for leg in trace.legs])
            plot.curve([words.length(x) for x in xs], [words.figure(y) for y in ys], look)
        taken = -1e9
        for leg in traces[0].legs:
            x, y = plot.x(words.length(leg.distance_m[0])), plot.y(words.figure(leg.speed_ms[0]))
            if leg.gear > 1:
                plot.dot(x, y, "hollow", size=3.5)
                if x - taken > 30:
                    plot.text(x + 7, y + 15, ordinal(leg.gear), "quiet")
                    taken = x
        ends = [plot.y(words.figure(trace.boards[1].speed_ms)) for trace in traces]
        for number, at in enumerate(apart(ends, 15, plot.top, plot.bottom), 1):
            plot.text(plot.right + 6, at + 4, f"run {number}", "key" if number == 1 else "label")
        return plot

    columns = (f"distance [{words.far}]", *(f"{run_name(n, t, words)} [{words.unit}]" for n, t in enumerate(traces, 1)))
    marks = np.linspace(0, last.distance_m, TABLE_STEPS + 1)
    rows = [
        [f"{words.length(mark):.2f}", *(f"{words.figure(_at(trace, float(mark))):.1f}" for trace in traces)]
        for mark in marks
    ]
    lines = [f"{'solid' if n == 1 else 'dashed'}: {run_name(n, t, words)}" for n, t in enumerate(traces, 1)]
    note = f"{'; '.join(lines)}. Rings: shifts of run 1, with the gear then taken."
    return figure("speed", title, described, draw, (columns, rows), note[0].upper() + note[1:])


def _at(trace: RunTrace, distance_m: float) -> float:
    """Ground speed of a run at a distance [m/s]."""
    xs = np.concatenate([leg.distance_m for leg in trace.legs])
    ys = np.concatenate([leg.speed_ms for leg in trace.legs])
    return float(np.interp(distance_m, xs, ys))


def _boards(plot: Plot, words: PageWords, trace: RunTrace) -> None:
    """Both boards as lines across, named above."""
    for name, board in zip(("first board", "last board"), trace.boards, strict=True):
        at = plot.x(words.length(board.distance_m))
        plot.line([(at, plot.top - 6), (at, plot.bottom)], "mark")
        plot.text(at, plot.top - 12, name, "quiet", "end")


def revs_figure(words: PageWords, decision: Decision) -> Figure:
    """Revs over speed, gear by gear, against the limit."""
    best = decision.best
    number, trace = max(enumerate(decision.traces, 1), key=lambda each: each[1].boards[1].rpm)
    first, last = trace.boards
    limit = best.rev_limit_rpm
    title = (
        f"Tachometer: {rpm(first.rpm)} at the first board, {rpm(last.rpm)} at the last, "
        f"{1 - last.rpm / limit:.0%} below the limit of {rpm(limit)}"
    )
    legs = ", ".join(f"{ordinal(leg.gear)} from {rpm(leg.rpm[0])} to {rpm(leg.rpm[-1])}" for leg in trace.legs)
    described = f"Engine speed over road speed, gear by gear, in run {number}: {legs}."

    def draw(width: float) -> Plot:
        plot = Plot(width, 270 if width == WIDE else 250, margins=(52.0, 40.0, 16.0, 42.0))
        fastest = max(float(leg.speed_ms.max()) for leg in trace.legs)
        plot.scales((0, words.figure(fastest) * 1.04), (0, limit * 1.1))
        plot.y_axis("rpm")
        plot.x_axis(f"speed [{words.unit}]")
        plot.line([(plot.left, plot.y(limit)), (plot.right, plot.y(limit))], "dash")
        plot.text(plot.right, plot.y(limit) - 6, f"rev limit {limit:,.0f}", "label", "end")
        for leg in trace.legs:
            plot.curve([words.figure(each) for each in leg.speed_ms], leg.rpm, "main")
            middle = (leg.speed_ms[0] + leg.speed_ms[-1]) / 2
            at = float(np.interp(middle, leg.speed_ms, leg.rpm))
            plot.text(plot.x(words.figure(middle)) + 6, plot.y(at) + 14, ordinal(leg.gear), "quiet")
        for board, shape in zip(trace.boards, ("diamond", "circle"), strict=True):
            plot.dot(plot.x(words.figure(board.speed_ms)), plot.y(board.rpm), "hollow", shape, 4.5)
        return plot

    columns = ("gear", f"from [{words.far}]", f"to [{words.far}]", "rpm taken up", "rpm left", f"to [{words.unit}]")
    rows = [
        [
            ordinal(leg.gear), f"{words.length(leg.distance_m[0]):.2f}", f"{words.length(leg.distance_m[-1]):.2f}",
            rpm(leg.rpm[0]), rpm(leg.rpm[-1]), f"{words.figure(leg.speed_ms[-1]):.1f}",
        ]
        for leg in trace.legs
    ]  # fmt: skip
    note = f"Run {number}, gear by gear. Diamond: first board; ring: last board."
    return figure("revs", title, described, draw, (columns, rows), note)


def thrust_figure(words: PageWords, decision: Decision) -> Figure:
    """Thrust in each gear against resistance, and where they cross."""
    thrust = decision.thrust
    meets = [gear for gear in thrust.gears if gear.meets_ms is not None]
    if meets:
        said = [f"in {ordinal(gear.gear)} gear at {words.speed(gear.meets_ms or 0.0)}" for gear in meets]
        title = f"Thrust meets resistance {' and '.join(said)}: there the car settles"
    else:
        title = "Thrust stays above resistance in every gear up to the limiter: revs hold the car"
    described = "Thrust at the ground in each gear, and what air and salt take together, over ground speed."

    def force(newton: float) -> float:
        return to_unit(newton, usual("force", metric=words.metric), "force")

    def draw(width: float) -> Plot:
        plot = Plot(width, 330 if width == WIDE else 290, margins=(48.0, 34.0, 16.0, 42.0))
        most = max(force(gear.thrust_n.max()) for gear in thrust.gears)
        plot.scales((0, words.figure(thrust.speed_ms[-1])), (0, most * 1.08))
        plot.y_axis(f"{usual('force', metric=words.metric)} at the ground")
        plot.x_axis(f"speed [{words.unit}]")
        xs = [words.figure(each) for each in thrust.speed_ms]
        plot.curve(xs, [force(each) for each in thrust.air_n], "dots")
        plot.curve(xs, [force(each) for each in thrust.resistance_n], "other")
        for gear in thrust.gears:
            last = gear.gear == decision.traces[0].boards[1].gear
            xs = [words.figure(each) for each in gear.speed_ms]
            plot.curve(xs, [force(each) for each in gear.thrust_n], "main" if last else "thin")
            _name_gear(plot, xs, [force(each) for each in gear.thrust_n], gear, last=last)
            if gear.meets_ms is not None:
                at = words.figure(gear.meets_ms)
                against = float(np.interp(gear.meets_ms, thrust.speed_ms, thrust.resistance_n))
                plot.dot(plot.x(at), plot.y(force(against)), "full" if last else "hollow", size=4.5)
        third = len(thrust.speed_ms) // 4
        x = plot.x(words.figure(thrust.speed_ms[third]))
        plot.text(x, plot.y(force(thrust.resistance_n[third])) - 7, "air and salt", "label", "middle")
        plot.text(x, plot.y(force(thrust.air_n[third])) - 6, "air alone", "quiet", "middle")
        return plot

    columns = ("gear", f"from [{words.unit}]", f"to [{words.unit}]", "most thrust", "thrust at the end", "settles at")
    rows = [
        [
            ordinal(gear.gear), f"{words.figure(gear.speed_ms[0]):.0f}", f"{words.figure(gear.speed_ms[-1]):.0f}",
            shown(float(gear.thrust_n.max()), "force", metric=words.metric),
            shown(float(gear.thrust_n[-1]), "force", metric=words.metric),
            "-" if gear.meets_ms is None else words.speed(gear.meets_ms),
        ]
        for gear in thrust.gears
    ]  # fmt: skip
    note = (
        "At a steady speed, in the air and wind of run 1. A line ends at the rev limit, or where the chart ends; where "
        "it is flat the grip of the salt holds it. Dots mark where thrust and resistance meet."
    )
    return figure("thrust", title, described, draw, (columns, rows), note)


def _name_gear(plot: Plot, xs: list[float], ys: list[float], gear: GearThrust, *, last: bool) -> None:
    """The gear's name above the left end of its line."""
    plot.text(plot.x(xs[0]), plot.y(ys[0]) - 7, ordinal(gear.gear), "key" if last else "quiet")


def power_figure(words: PageWords, decision: Decision) -> Figure:
    """Where the power goes at the last board of the first run."""
    flow = decision.worth.flows[0]
    parts = [
        ("air", flow.air_w),
        ("salt, tires and dragging brakes", flow.rolling_w),
        ("between engine and wheels", flow.driveline_w),
        ("slip of the driven tires", flow.slip_w),
        ("still getting faster", flow.accelerating_w),
    ]
    shares = [(name, max(0.0, watt / flow.engine_w), watt) for name, watt in parts]
    most = max(shares, key=lambda each: each[1])
    total = shown(flow.engine_w, "power", metric=words.metric)
    title = f"Of {total} at the flywheel, {most[0]} takes {most[1]:.0%}" if most[0] == "air" else (
        f"Of {total} at the flywheel, {most[1]:.0%} goes into {most[0]}"
    )  # fmt: skip
    described = "; ".join(f"{name} {share:.1%}" for name, share, _ in shares)

    def draw(width: float) -> Plot:
        plot = Rows(width, [name for name, _, _ in shares], [0, most[1]], axis=False)
        plot.scales((0, most[1] * 1.02))
        plot.label_rows()
        for row, (_, share, _) in enumerate(shares):
            y = plot.middle(row)
            plot.box(plot.left, y - 7, plot.x(share) - plot.left, 14, "bar" if row == 0 else "bar2")
            plot.text(plot.x(share) + 6, y + 4, f"{share:.0%}" if share >= 0.01 else f"{share:.1%}", "label")
        return plot

    rows = [[name, f"{share:.1%}", shown(watt, "power", metric=words.metric)] for name, share, watt in shares]
    held = " The engine is not asked for all it has: something else holds the car." if flow.held else ""
    note = f"At {words.speed(flow.speed_ms)}, the last board of run 1.{held}"
    return figure("power", title, described, draw, (("goes into", "share", "power"), rows), note)


def run_figures(words: PageWords, decision: Decision) -> list[Figure]:
    """All charts of the run, in the order in which they are read."""
    return [
        speed_figure(words, decision),
        revs_figure(words, decision),
        thrust_figure(words, decision),
        power_figure(words, decision),
    ]
