"""The card for the morning as a page to print: two sides, nothing from outside, no script."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Sequence
from html import escape

from optimizer.answers.morning_records import MorningCard
from optimizer.report.morning_card import READING, Block, Side, day_rows, sides_of, wind_names
from optimizer.report.tables import Table
from optimizer.report.wording import Words

ABREAST = 3
"""Conditions of the salt in one table: as many as a sheet is wide."""
STYLE = """
@page { size: %(paper)s; margin: 9mm; }
* { box-sizing: border-box; }
body { margin: 0; color: #111; background: #fff; }
body { font: 8.4pt/1.28 "Helvetica Neue", Arial, "Liberation Sans", sans-serif; }
section { max-width: 190mm; margin: 0 auto; padding: 4mm 2mm; break-after: page; }
section:last-child { break-after: auto; }
h1 { font-size: 12pt; margin: 0 0 2mm; border-bottom: 1.5pt solid #111; }
h2 { font-size: 9.5pt; margin: 2.4mm 0 0.8mm; break-after: avoid; }
p, ul { margin: 0 0 1mm; }
ul { padding-left: 4mm; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; width: 100%%; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
th, td { padding: 0.2mm 1.6mm; text-align: right; white-space: nowrap; }
th { font-weight: 600; }
th.word, td.word { text-align: left; }
thead th { border-bottom: 0.8pt solid #111; }
caption { text-align: left; font-weight: 600; font-size: 9.5pt; }
table.days { font-size: 7.8pt; margin-bottom: 2mm; }
table.days th, table.days td { padding: 0.5mm 0.7mm; }
table.days thead th { white-space: normal; }
table.days .edge { border-left: 0.4pt solid #777; }
table.days th[colspan] { text-align: center; border-bottom: 0.4pt solid #777; }
table.days tbody tr:first-child > * { border-top: 0.4pt solid #777; }
tr.counts td { font-weight: 700; font-size: 8.8pt; }
.remark { color: #333; margin-top: 0.8mm; }
@media print { .scroll { overflow: visible; } }
@media screen {
  body { font-size: 11pt; }
  /* all conditions of the salt side by side in any window but that of a phone, which scrolls */
  table.days { font-size: clamp(7pt, 1.2vw, 11pt); }
  section { max-width: 320mm; padding: 6mm 4mm; }
  tr.counts td { font-size: 1.13em; }
  h2, caption { font-size: 12.5pt; }
  h1 { font-size: 15pt; }
}
"""


def card_page(words: Words, card: MorningCard) -> str:
    """The whole page."""
    style = STYLE % {"paper": "A4" if words.metric else "letter"}
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    sides = sides_of(words, card)
    body = "\n".join(line for side in sides for line in _side(words, card, side))
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{escape(policy)}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{escape(sides[0].title)}</title>\n<style>{style}</style>\n</head>\n<body>\n<main>\n{body}\n"
        "</main>\n</body>\n</html>\n"
    )


def _side(words: Words, card: MorningCard, side: Side) -> Iterator[str]:
    """One side; its tables of days beside each other, a few conditions of the salt in each."""
    yield f'<section>\n<h1 dir="auto">{escape(side.title)}</h1>'
    for block in side.blocks:
        if block.table is not None and len(block.table.left) > 1:
            continue
        if block.heading == READING:
            for start in range(0, len(card.salts), ABREAST):
                yield from _days(words, card, card.salts[start : start + ABREAST])
        yield from _block(block)
    yield "</section>"


def _days(words: Words, card: MorningCard, salts: Sequence[str]) -> Iterator[str]:
    """Days on some conditions of the salt, as one table."""
    winds = wind_names(words, card)
    name = " and ".join(salts)
    yield f'<div class="scroll" role="region" tabindex="0" aria-label="{escape(name)} salt"><table class="days">'
    yield f"<caption>{words.unit} and rpm to expect</caption>"
    span = f'<th scope="colgroup" class="edge" colspan="{len(winds)}">'
    groups = "".join(f"{span}{escape(salt)} salt</th>" for salt in salts)
    yield f'<thead><tr><th scope="col" class="word">density altitude</th><td></td>{groups}</tr>'
    edges = [' class="edge"' if n % len(winds) == 0 else "" for n in range(len(winds) * len(salts))]
    named = zip(edges, winds * len(salts), strict=True)
    columns = "".join(f'<th scope="col"{edge}>{escape(wind)}</th>' for edge, wind in named)
    yield f"<tr><td></td><td></td>{columns}</tr></thead>"
    for place in range(len(card.days)):
        yield "<tbody>"
        for head, what, *cells in day_rows(words, card, place, salts):
            rest = "".join(_days_cell(each, what, edge) for each, edge in zip(cells, edges, strict=True))
            first = f'<th scope="row" class="word">{escape(head)}</th>' if head else "<td></td>"
            yield f'<tr class="{what.split()[0]}">{first}<td class="word">{escape(what)}</td>{rest}</tr>'
        yield "</tbody>"
    yield "</table></div>"


def _days_cell(text: str, what: str, edge: str) -> str:
    """Speed in bold, revs beside it."""
    if what == "counts":
        return f"<td{edge}>{escape(text)}</td>"
    speed, _, revs = text.partition(" ")
    return f"<td{edge}><b>{escape(speed)}</b> {escape(revs)}</td>"


def _block(block: Block) -> Iterator[str]:
    yield f'<h2 dir="auto">{escape(block.heading)}</h2>'
    yield from (f'<p dir="auto">{escape(each)}</p>' for each in block.sentences)
    if block.items:
        yield "<ul>"
        yield from (f'<li dir="auto">{escape(each)}</li>' for each in block.items)
        yield "</ul>"
    if block.table is not None:
        yield from _table(block.heading, block.table)
    if block.remark:
        yield f'<p class="remark">{escape(block.remark)}</p>'


def _table(name: str, table: Table) -> Iterator[str]:
    yield f'<div class="scroll" role="region" tabindex="0" aria-label="{escape(name)}"><table>'
    yield "<thead><tr>" + "".join(_cell("th", text, c, table) for c, text in enumerate(table.headers)) + "</tr></thead>"
    yield "<tbody>"
    for row in table.rows:
        yield "<tr>" + "".join(_cell("td", text, c, table) for c, text in enumerate(row)) + "</tr>"
    yield "</tbody></table></div>"


def _cell(tag: str, text: str, column: int, table: Table) -> str:
    """A cell; the first of a row is its header."""
    tag = "th" if column == 0 and tag == "td" and text else tag
    scope = "" if tag == "td" else ' scope="row"' if text != table.headers[column] else ' scope="col"'
    word = ' class="word"' if column in table.left else ""
    return f"<{tag}{scope}{word}>{escape(text)}</{tag}>"
