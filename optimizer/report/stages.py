"""What to buy first when the money comes in stages, as text."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from optimizer.answers.buying_order import BuyingPlan, PutOff, Stage
from optimizer.report.questions import SMALL_MS, change_text, completeness, told
from optimizer.report.wording import Words, wrapped

PUT_OFF: Mapping[PutOff, str] = MappingProxyType(
    {
        "not yet": "Of what later stages put in, nothing can be had yet: it is too dear so far, or not legal without "
        "the rest.",
        "no faster": "Of what later stages put in, what can be had now makes the car no faster yet.",
        "later": "To buy some of what later stages put in now would leave this stage or a later one short of money, or "
        "a later one slower.",
    }
)
"""Why nothing is bought in a stage."""
ONCE = (
    "Something else may be faster now, but each slot is changed only once: what a later stage would take off again is "
    "not bought."
)


def order_text(words: Words, plan: BuyingPlan) -> str:
    """What to buy first."""
    lines: list[str] = []
    for number, stage in enumerate(plan.stages, 1):
        title = f"Stage {number}: {words.money(stage.money_cents)} comes in"
        lines += ["", words.heading(title), *_stage(words, stage)]
    last, once = plan.stages[-1], plan.at_once
    lost = once.speed_ms - last.speed_ms
    more = plan.total_cents - plan.last_at_once_cents
    lines += ["", words.heading("What staging costs")]
    text = f"All at once, {words.price(once.cents)} would buy {words.speed(once.speed_ms)}: "
    text += "no faster" if lost < SMALL_MS else f"{words.gap(lost)} faster than the last stage"
    text += f". The last car bought at once would cost {words.price(plan.last_at_once_cents)}"
    text += "." if more <= 0 else f", {words.money(more)} less."
    lines.append(wrapped(text))
    lines += [
        wrapped(f"{job.name} is paid {job.times} times: {words.money(job.cents)} more.", "  - ")
        for job in plan.repeated_jobs
    ]
    aims = "The last car comes first, then those on the way to it. Nothing bought is thrown away"
    lines += ["", wrapped(f"{aims}; fixed costs are counted in the first stage.")]
    return told(words, "What to buy first", [*lines[1:], "", completeness(plan.complete)])


def _stage(words: Words, stage: Stage) -> list[str]:
    outlay = words.price(max(stage.outlay_cents, 0))
    spent = f"Spend {outlay}" if stage.changes else "Buy nothing"
    if not stage.changes and stage.outlay_cents > 0:
        spent += f", and pay {outlay} of fixed costs"
    left = words.money(stage.left_cents // 100 * 100)
    changes = [change_text(words, [each.slot], each.before, each.after) for each in stage.changes]
    first = wrapped(f"{spent}; then the car does {words.speed(stage.speed_ms)}, {left} left.")
    why = [wrapped(f"{PUT_OFF[stage.put_off]} {ONCE}")] if stage.put_off else []
    return [first, *why, *(wrapped(each, "  - ") for each in changes)]
