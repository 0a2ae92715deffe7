"""Any chart as a picture of its own: an SVG file with its title, its caption and its style in it."""

from __future__ import annotations

import textwrap
from html import escape

from optimizer.decision import Decision
from optimizer.report.page.charts import number, readable
from optimizer.report.page.figures import WIDE, Figure
from optimizer.report.page.sections import figures_of, sections_of
from optimizer.report.page.whole import text_of
from optimizer.report.page.words import PageWords

NAMESPACE = "http:{0}{0}{1}.w3.org/2000/svg".format("/", "w" * 3)
"""The name by which a file says that it is SVG: a name in the form of an address, nothing is fetched by it."""
EDGE = 20.0
TITLE_LETTERS, NOTE_LETTERS = 88, 118
"""Letters of a line of title and caption."""
TITLE_LINE, NOTE_LINE = 21.0, 17.0
STYLE = (
    "svg{font-family:system-ui,'Liberation Sans',Arial,sans-serif}.paper{fill:#fff}"
    ".head{fill:#14181b;font-size:16px;font-weight:650}.foot{fill:#545c62;font-size:12.5px}"
)


def charts_of(decision: Decision) -> dict[str, str]:
    """Every chart of the page, by its name: text of an SVG file. The same decision gives the same bytes."""
    found = figures_of(sections_of(PageWords(decision.scenario), decision))
    return {figure.key: _alone(figure) for figure in found}


def _alone(figure: Figure) -> str:
    """A chart under its title and above its caption, on white."""
    chart = str(figure.wide)
    height = float(chart.split(' height="', 1)[1].split('"', 1)[0])
    title = textwrap.wrap(figure.title, TITLE_LETTERS)
    note = textwrap.wrap(figure.note, NOTE_LETTERS)
    top = EDGE + TITLE_LINE * len(title) + 8.0
    foot = top + height + 24.0
    whole = (number(WIDE + 2 * EDGE), number(foot + NOTE_LINE * len(note) + EDGE - 8.0))
    heads = [_line("head", TITLE_LINE * i + EDGE + 14, text) for i, text in enumerate(title)]
    feet = [_line("foot", foot + NOTE_LINE * i, text) for i, text in enumerate(note)]
    return (
        f'<svg xmlns="{NAMESPACE}" width="{whole[0]}" height="{whole[1]}" viewBox="0 0 {whole[0]} {whole[1]}">'
        f"<style>{STYLE}{text_of('charts.css')}</style>"
        f'<rect class="paper" width="{whole[0]}" height="{whole[1]}"/>{"".join(heads)}'
        f'<g transform="translate({number(EDGE)} {number(top)})">{chart}</g>{"".join(feet)}</svg>\n'
    )


def _line(look: str, y: float, text: str) -> str:
    return f'<text class="{look}" x="{number(EDGE)}" y="{number(y)}">{escape(readable(text), quote=False)}</text>'
