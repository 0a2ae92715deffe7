"""The note for buying as text and as a sheet."""

from __future__ import annotations

from collections.abc import Iterator

from optimizer.answers.price_limit import PriceLimit
from optimizer.answers.purchase_note import PurchaseNote, ToBuy
from optimizer.answers.seller import Ask
from optimizer.answers.uncertainties import PRACTICE
from optimizer.choice.receipt import BillLine
from optimizer.report.questions import completeness, told
from optimizer.report.sheets import Cell, csv_text
from optimizer.report.tables import Table, shortened
from optimizer.report.wording import Words, both, plural, wrapped
from optimizer.units import shown, to_unit

REST = {
    "owned": "Owned, put to new use",
    "fitting": "Fitting",
    "work": "Work",
    "fixed": "Fixed costs",
    "resale": "Sold again",
}
"""Kinds of line of a bill that are no purchases."""


def purchase_text(words: Words, note: PurchaseNote) -> str:
    """The whole note."""
    bill = note.bill
    left = words.left(bill.total_cents)
    head = (
        f"Number {note.place} of the ranking, {words.speed(note.speed_ms)}: {words.price(bill.total_cents)} in all"
        f"{f', {left}' if left else ''}, {bill.hours:.0f} h of your own work."
    )
    lines = [wrapped(head)]
    if note.items:
        lines += [wrapped(_meaning(note)), "", words.heading(plural(len(note.items), "thing") + " to buy")]
    else:
        lines.append("Nothing is to be bought.")
    for item in note.items:
        lines += ["", *_item(words, note, item)]
    lines += ["", words.heading("The bill"), *_bill(words, note)]
    if note.items:
        source = f"What to ask the seller is {PRACTICE}; where the answer is not what your sheet says, put it into the "
        lines += ["", wrapped(f"{source}sheet and ask here again before you pay.")]
    return told(words, "What to buy", [*lines, "", completeness(note.closed)])


def _meaning(note: PurchaseNote) -> str:
    """What the prices mean."""
    if note.budget_cents is None:
        return "Money is not limited here, so no price is too high for it."
    if note.place > 1:
        return (
            "Not above: the price at which this build just costs the whole budget, all else at the prices of your "
            "sheets. It is not the build in first place."
        )
    return (
        "Not above: the price at which this build just costs the whole budget, all else at the prices of your "
        "sheets; for more it drops out of first place. What one part costs more, the others may cost less: the limits "
        "do not add up."
    )


def _item(words: Words, note: PurchaseNote, item: ToBuy) -> Iterator[str]:
    """One thing to buy."""
    name = f"{item.name} ({item.id})".strip() if item.kind == "kit" else words.part(item.id)
    yield wrapped(f"{name}, for {both(list(item.slots))}" if item.slots else name)
    yield from (wrapped(text, "  - ") for text in about_item(words, note, item))


def about_item(words: Words, note: PurchaseNote, item: ToBuy) -> Iterator[str]:
    """What is to be said of a thing to buy, beside its name: sentences."""
    total = "" if item.number == 1 else f"{_each(item)}, {words.exact(item.cents)} together"
    yield f"Buy {_number(item)} at {words.exact(item.price_cents)}{total}."
    if note.budget_cents is not None:
        yield f"Not above {_limit(words, item.up_to)}{_each(item)}."
    if item.first is not None:
        yield f"Some build with it comes first up to {_limit(words, item.first)}{_each(item)}."
    yield _backup(words, item)
    for ask in item.asks:
        yield f"Ask: {_ask(words, ask)}"
    if item.notes:
        yield f"Your sheet notes: {item.notes}"


def _number(item: ToBuy) -> str:
    """How many purchases, in words."""
    if item.kind == "kit":
        return "the kit" if item.number == 1 else f"{item.number} kits"
    if item.pack == 1:
        return str(item.number)
    one, many = ("a pair", "pairs") if item.pack == 2 else (f"a lot of {item.pack}", f"lots of {item.pack}")
    return one if item.number == 1 else f"{item.number} {many}"


def _each(item: ToBuy) -> str:
    if item.number == 1:
        return ""
    return " each" if item.pack == 1 or item.kind == "kit" else " a pair" if item.pack == 2 else " a lot"


def _limit(words: Words, limit: PriceLimit) -> str:
    if limit.any_price:
        return "any price: the build can be had without it from this seller"
    return "nothing: not even as a gift" if limit.cents is None else words.money(limit.cents // 100 * 100)


def _backup(words: Words, item: ToBuy) -> str:
    if item.kind == "kit":
        if item.apart_cents is None:
            return "If it is gone: its parts are not for sale apart; ask for the build without it."
        return f"If it is gone: with its parts apart the build {words.costs(item.apart_cents)}."
    if item.backup is None:
        return "If it is gone: no other part may stand there with all else kept; take another build of the ranking."
    each = item.backup
    dear = "" if each.affordable else " (over the budget)"
    return (
        f"If it is gone: {words.part(each.part)}, {words.gap(each.gain_ms, sign=True)}, "
        f"{words.extra_money(each.cents)}{dear}.{_held(words, each.cap_ms)}"
    )


def _held(words: Words, cap_ms: float | None) -> str:
    """What a car may not pass then, as a sentence after another."""
    if cap_ms is None:
        return ""
    return f" The car may then NOT pass {words.speed(cap_ms)}{words.bracket(cap_ms)}: the driver has to hold it there."


def _ask(words: Words, ask: Ask) -> str:
    """A question with what the sheet says."""
    said = ask.words
    if ask.value is not None:
        metric = words.metric
        said = shown(ask.value, ask.dimension, metric=metric, digits=4) if ask.dimension else f"{ask.value:.4g}"
    return f"{ask.what} (sheet: {said})" if said else ask.what


def _bill(words: Words, note: PurchaseNote) -> list[str]:
    """The bill as a table."""
    headers = ("", "", words.scenario.event.currency, "own hours")
    rows = tuple((name, shortened(what, WHAT_LETTERS), *rest) for name, what, *rest in bill_rows(words, note))
    return Table(headers, rows, frozenset({0, 1})).lines()


def bill_rows(words: Words, note: PurchaseNote) -> list[tuple[str, str, str, str]]:
    """Lines of the bill as (kind, what, amount, own hours): what adds up to the total."""
    lines = note.bill.lines
    table: list[tuple[str, str, str, str]] = []
    bought = sum(line.cents for line in lines if line.kind in ("kit", "pack"))
    hours = sum(line.hours for line in lines if line.kind in ("kit", "pack"))
    table.append(("to buy, as above", "", _amount(bought), _hours(hours)))
    for kind, name in REST.items():
        table += [
            (name, _what(words, line), _amount(line.cents), _hours(line.hours)) for line in lines if line.kind == kind
        ]
    table.append(("in all", "", _amount(note.bill.total_cents), _hours(note.bill.hours)))
    return table


WHAT_LETTERS = 32
"""Letters of what a line of the bill is about; the rest is left out."""


def _what(words: Words, line: BillLine) -> str:
    """What a line is about."""
    known = line.what in words.scenario.parts
    count = f"{line.pieces} x " if known and line.pieces > 1 else ""
    return f"{count}{words.part(line.what) if known else line.what}"


def _amount(cents: int) -> str:
    return f"{cents / 100:,.2f}"


def _hours(hours: float) -> str:
    return f"{hours:.1f}" if hours else ""


# --- as a sheet


def purchase_csv(words: Words, note: PurchaseNote) -> str:
    """The note as a sheet: what to buy with prices, backup and questions, then the rest of the bill, then the total."""
    unit = words.unit
    money = words.scenario.event.currency
    headers = [
        "what", "id", "name", "kind", "slots", "purchases", "pieces", f"price each purchase [{money}]",
        f"amount [{money}]", f"not above [{money}]", f"first place up to [{money}]", "backup",
        f"backup changes speed by [{unit}]", f"backup changes price by [{money}]", "own hours", "ask the seller",
        "notes",
    ]  # fmt: skip
    rows: list[list[Cell]] = []
    for item in note.items:
        backup = item.backup
        rows.append(
            [
                "buy", item.id, item.name, item.kind, "; ".join(item.slots), item.number, item.pieces,
                item.price_cents / 100, item.cents / 100, _sheet_limit(item.up_to),
                None if item.first is None else _sheet_limit(item.first), None if backup is None else backup.part,
                None if backup is None else round(to_unit(backup.gain_ms, unit, "speed"), 3),
                None if backup is None else backup.cents / 100, None,
                "; ".join(_ask(words, ask) for ask in item.asks), item.notes,
            ]
        )  # fmt: skip
    rows += [_sheet_line(words, line) for line in note.bill.lines if line.kind in REST]
    total: list[Cell] = ["in all", *[None] * (len(headers) - 1)]
    total[8], total[14] = note.bill.total_cents / 100, round(note.bill.hours, 2)
    return csv_text(headers, [*rows, total])


def _sheet_line(words: Words, line: BillLine) -> list[Cell]:
    part = words.scenario.parts.get(line.what)
    row: list[Cell] = [None] * 17
    row[0], row[1], row[2] = REST[line.kind].lower(), line.what if part else None, part.name if part else line.what
    row[5], row[6], row[8] = line.number or None, line.pieces or None, line.cents / 100
    row[14] = round(line.hours, 2) or None
    return row


def _sheet_limit(limit: PriceLimit) -> Cell:
    if limit.any_price:
        return "any price"
    return "no price" if limit.cents is None else limit.cents / 100
