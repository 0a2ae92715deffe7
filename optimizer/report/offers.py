"""Answers about single parts as text: why one is not in the list, and what parts on offer are worth."""

from __future__ import annotations

import math

from optimizer.answers.offers import Landing, OfferAnswer, OffersAnswer
from optimizer.answers.price_limit import PriceLimit
from optimizer.answers.why_not import PriceAnswer, PutIn, WhyNot
from optimizer.choice.price import BUDGET
from optimizer.report.questions import band_text, change_text, completeness, told
from optimizer.report.wording import Words, both, wrapped
from optimizer.units import from_unit, shown, shown_in, to_unit, usual


def why_not_text(words: Words, found: WhyNot) -> str:
    """Why a part is not in the best build, and what would bring it in."""
    name = words.part(found.named.rpartition("=")[2])
    where = both(list(found.slots))
    lines = [wrapped(_verdict(words, found, name))]
    if found.band is not None and not found.in_best:
        lines.append(wrapped(band_text(words, found.band, "the best build", f"the best with {name}")))
    if found.put_in is not None:
        lines.append(wrapped(_put_in(words, found.put_in)))
    if found.differences and not found.in_best:
        lines += ["", words.heading(f"What else changes with {name} in")]
        lines += [
            wrapped(change_text(words, [each.slot], each.without, each.with_it), "  - ") for each in found.differences
        ]
    if found.price is not None or found.mass is not None:
        lines += ["", words.heading("How dear it may be" if found.in_best else "What would bring it in")]
    if found.price is not None:
        lines += _price(words, found.price)
    if found.mass is not None:
        stated = shown(found.mass.stated_kg, "mass", metric=words.metric)
        lightest = found.mass.first_kg
        when = "at no mass that was tried"
        if lightest is not None:
            inertia = ", its inertia less in proportion," if found.mass.with_inertia else ""
            weight = _no_more(words, lightest)
            when = f"if it weighed {weight}{inertia or ','} and not if a little more"
        lines.append(wrapped(f"At its price it would take first place {when}; it weighs {stated}.", "  - "))
    if found.kept_out is not None:
        lines += _what_keeps_out(found.kept_out.text, found.kept_out.reasons)
        for near in found.kept_out.nearest:
            lines.append(wrapped(f"Nearest that would do: {words.part(near.id)} as {near.slot}.", "  - "))
    title = f"{name} ({where})" if found.in_best else f"Why not {name} ({where})"
    return told(words, title, [*lines, "", completeness(found.closed)])


def _what_keeps_out(text: str, reasons: tuple[str, ...]) -> list[str]:
    """Why no legal build has a part, in words, and by the names that are not among them."""
    unsaid = [each for each in reasons if each not in text]
    names = [f"What keeps it out: {', '.join(unsaid)}."] if unsaid else []
    return [wrapped(each) for each in (text, *names) if each]


def _verdict(words: Words, found: WhyNot, name: str) -> str:
    """The answer in a sentence or two."""
    if found.with_it is None:
        return f"No legal build within the budget has {name} there."
    speed = words.speed(found.with_it.speed_ms)
    if found.in_best:
        text = f"{name[0].upper()}{name[1:]} is in the best build: {speed}."
        if found.loss_ms is not None:
            text += f" Without it the best does {words.gap(-found.loss_ms)} less."
        return text
    best = "" if found.without is None else f" {words.speed(found.without.speed_ms)} without it"
    lost = "" if found.loss_ms is None else f": it loses {words.gap(found.loss_ms)}"
    return f"The best build with {name} does {speed},{best}{lost}. It costs {words.price(found.with_it.cents)}."


def _no_more(words: Words, mass_kg: float) -> str:
    """A mass to three digits, none of them rounded up: with more it does not hold."""
    unit = usual("mass", metric=words.metric)
    number = to_unit(mass_kg, unit, "mass")
    scale = 10.0 ** max(0, 2 - math.floor(math.log10(number)))
    return shown_in(from_unit(math.floor(number * scale + 1e-9) / scale, unit, "mass"), unit, "mass")


def _put_in(words: Words, put_in: PutIn) -> str:
    """What the part does in the best build without it."""
    text = f"Put into the best build without it, nothing else changed, it would do {words.speed(put_in.speed_ms)}"
    if put_in.problems and all(each.startswith(f"{BUDGET}: ") for each in put_in.problems):
        return f"{text}, and cost more than there is."
    return f"{text}, and NOT be legal: {'; '.join(put_in.problems)}." if put_in.problems else f"{text}."


def _price(words: Words, price: PriceAnswer) -> list[str]:
    """At which price a part would be in."""
    if not price.matters:
        why = "no build has to buy one at it (enough are owned or on the car, or a kit brings it)"
        if words.scenario.event.budget_cents is None:
            why = "money is not limited"
        return [wrapped(f"Its price does not matter: {why}.", "  - ")]
    unit = "each" if price.pack == 1 else "a pair" if price.pack == 2 else f"a set of {price.pack}"
    lines = [wrapped(f"First place {_limit(words, price.first, unit)}{_stated(words, price, unit)}.", "  - ")]
    if price.close is not None:
        lines.append(wrapped(_close(words, price.close, unit), "  - "))
    return lines


def _close(words: Words, limit: PriceLimit, unit: str) -> str:
    """At which price it is too close to call: for less another build has it, and may be told apart again."""
    if limit.any_price:
        return "Too close to call, or better, at any price."
    if limit.cents is None:
        return "Too close to call at no price that was tried."
    most = words.money(limit.cents // 100 * 100)
    return f"Too close to call, or better, at {most} {unit}; for more no such build was found."


def _stated(words: Words, price: PriceAnswer, unit: str) -> str:
    """What a part costs, as the end of a sentence; of one that is owned, how many are and whether more are needed."""
    costs = "" if price.stated_cents is None else f"{words.exact(price.stated_cents)} {unit}"
    if not price.owned:
        return f"; it costs {costs}" if costs else ""
    enough = ", all that the best build with it takes" if 0 < price.used <= price.owned else ""
    more = f"; more cost {costs}" if costs else ""
    return f"; {price.owned} {'is' if price.owned == 1 else 'are'} owned already{enough}{more}"


def _limit(words: Words, limit: PriceLimit, unit: str) -> str:
    if limit.any_price:
        return "at any price"
    return "at no price" if limit.cents is None else f"up to {words.money(limit.cents // 100 * 100)} {unit}"


def offers_text(words: Words, found: OffersAnswer) -> str:
    """Where the best build with each offer lands, what it displaces, what it is worth paying."""
    lines: list[str] = []
    if found.without is not None:
        without = found.without
        lines.append(wrapped(f"Without any offer: {words.speed(without.speed_ms)} for {words.price(without.cents)}."))
    for offer in found.offers:
        kind = "kit" if offer.is_kit else words.part(offer.id)
        title = f"{offer.id}: {kind}" if offer.is_kit else kind
        lines += ["", words.heading(title), *_offer(words, offer, found.without)]
    for together in found.only_together:
        lines += ["", wrapped(f"Only together do they pay: {both(list(together))}.")]
    if found.together is not None and len(found.offers) > 1:
        used = any(each.in_best for each in found.offers)
        told_of = _landing(words, found.together) if used else [wrapped(_not_bought(words, found.together))]
        lines += ["", words.heading("With all of them at hand"), *told_of]
    return told(words, "Parts on offer", [*lines, "", completeness(found.closed)])


def _offer(words: Words, offer: OfferAnswer, without: Landing | None) -> list[str]:
    if offer.refused:
        reasons = [wrapped(f"{each.check}: {each.text}", "  - ") for each in offer.refused]
        return [wrapped("It may stand nowhere on this car:"), *reasons]
    if offer.alone is None:
        return [wrapped("No legal build within the budget has it."), *_what_keeps_out(offer.why_none, offer.reasons)]
    lines = _landing(words, offer.alone) if offer.used else [wrapped(_not_bought(words, offer.alone))]
    if without is not None:
        if offer.most_worth_cents is not None:
            most = words.money(offer.most_worth_cents // 100 * 100)
            lines.append(wrapped(f"Worth paying for it: {most} at the most; above that the best build is without it."))
        elif not offer.helps:
            no = "it makes no build faster than the best, nor one as fast for less."
            lines.append(wrapped(f"Not worth having, not even for nothing: {no}"))
    return lines


def _not_bought(words: Words, landing: Landing) -> str:
    """That the best build is what it was."""
    return f"The best build does without: {words.speed(landing.speed_ms)} for {words.price(landing.cents)}, as before."


def _landing(words: Words, landing: Landing) -> list[str]:
    gain = "" if landing.gain_ms is None else f", {words.gap(landing.gain_ms, sign=True)} against the best without"
    record = words.beside_record(landing.speed_ms, words.scenario.race_class.planned_ms)
    head = f"The best build with it: {words.speed(landing.speed_ms)} for {words.price(landing.cents)}{gain}; {record}."
    changes = [change_text(words, [each.slot], each.before, each.now) for each in landing.displaced]
    return [wrapped(head), *(wrapped(each, "  - ") for each in changes)]
