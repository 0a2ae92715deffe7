"""The note for buying: prices up to which a build can be had, what comes instead, a total that is the bill's."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from optimizer.answers.brings_in import with_part
from optimizer.answers.purchase_note import PurchaseNote, ToBuy, purchase_note
from optimizer.answers.seller import asks_of
from optimizer.choice.options import options_of
from optimizer.choice.price import PriceBook
from optimizer.papers import purchase
from optimizer.report.purchase_note import about_item
from optimizer.report.wording import Words
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import NONE_ID
from optimizer.scenario.reading import read_scenario
from optimizer.search.study import Study
from tests.choice.records import make_kit
from tests.scenes import STARTER
from tests.search.catalogs import enumerate_all, random_catalog

SEEDS = (3, 5, 13)
"""Two of these buy a kit."""


@pytest.fixture(scope="module", params=SEEDS)
def noted(request: pytest.FixtureRequest) -> tuple[Study, PurchaseNote]:
    study = Study.of(random_catalog(request.param))
    return study, purchase(study)


def at_price(scenario: Scenario, item: ToBuy, cents: int) -> Scenario:
    """The scenario with another price of one part or kit."""
    if item.kind == "kit":
        kits = tuple(replace(kit, price_cents=cents) if kit.id == item.id else kit for kit in scenario.kits)
        return replace(scenario, kits=kits)
    return with_part(scenario, replace(scenario.parts[item.id], price_cents=cents))


def cost(scenario: Scenario, build: np.ndarray) -> int:
    return int(PriceBook(options_of(scenario)).price(build[None]).cents[0])


def test_all_lines_add_up_to_the_bill(noted) -> None:
    study, note = noted
    others = [line.cents for line in note.bill.lines if line.kind not in ("pack", "kit")]

    assert sum(each.cents for each in note.items) + sum(others) == note.bill.total_cents
    assert note.bill.total_cents == cost(study.scenario, note.build)
    assert note.bill.total_cents <= study.scenario.event.budget_cents


def test_a_price_beside_its_sum_adds_up(noted) -> None:
    """Also where it is no whole amount: both are told to the cent."""
    study, note = noted
    words = Words(study.scenario)
    for item in note.items:
        dear = replace(item, number=3, price_cents=7850, cents=3 * 7850)
        assert next(about_item(words, note, dear)).endswith("$235.50 together.")
        told = next(about_item(words, note, item))
        each, *together = [float(text.replace(",", "")) for text in re.findall(r"\$([\d,]+(?:\.\d\d)?)", told)]
        assert together in ([], [pytest.approx(item.number * each, abs=0.001)])


def test_at_the_highest_price_the_build_can_just_be_had(noted) -> None:
    """At that price it keeps to the budget, a cent more and it does not; at any price it can be had without."""
    study, note = noted
    budget = study.scenario.event.budget_cents
    assert note.items
    for item in note.items:
        if item.up_to.any_price:
            assert cost(at_price(study.scenario, item, 10**9), note.build) <= budget
            continue
        assert item.up_to.cents >= item.price_cents
        assert cost(at_price(study.scenario, item, item.up_to.cents), note.build) <= budget
        assert cost(at_price(study.scenario, item, item.up_to.cents + 1), note.build) > budget


def test_a_kit_says_what_its_parts_cost_apart() -> None:
    study = Study.of(random_catalog(3))
    note = purchase(study)
    kit = next(each for each in note.items if each.kind == "kit")
    none = replace(study.scenario, kits=tuple(each for each in study.scenario.kits if each.id != kit.id))
    apart = PriceBook(options_of(none)).price(note.build[None])

    assert kit.apart_cents == (int(apart.cents[0]) - note.bill.total_cents if apart.available[0] else None)


def test_the_backup_is_the_fastest_other_part_that_may_stand_there(noted) -> None:
    """Every other part in the same slots, and none, is tried by hand: legal, affordable if any is, and none faster."""
    study, note = noted
    options, judge, budget = study.options, study.judge, study.scenario.event.budget_cents
    own = float(judge.speeds(note.build[None])[0])
    for item in (each for each in note.items if each.kind != "kit"):
        slots = [options.position(slot) for slot in item.slots]
        tried = []
        for part in (*study.scenario.parts, NONE_ID):
            row = note.build.copy()
            places = [[each.id for each in options.parts[s]] for s in slots]
            if part == item.id or any(part not in each for each in places):
                continue
            row[slots] = [each.index(part) for each in places]
            if not study.legality.violations(row) and judge.judge(row[None], judge.runs(row[None])).legal[0]:
                price = study.book.price(row[None])
                if price.available[0]:
                    gain = float(judge.speeds(row[None])[0]) - own
                    tried.append((bool(price.cents[0] <= budget), gain))
        if not tried:
            assert item.backup is None
            continue
        assert (item.backup.affordable, item.backup.gain_ms) == pytest.approx(max(tried))


def test_a_part_stays_in_first_place_up_to_its_price() -> None:
    """By trying everything: at that price the best of all builds has the part, a cent more and it has not."""
    study = Study.of(random_catalog(23))
    note = purchase(study, first_place=True)
    assert len(note.items) == 2
    for item in note.items:
        s = study.options.position(item.slots[0])
        limit = item.first
        assert limit is not None
        assert limit.any_price or limit.cents >= item.up_to.cents
        for cents, there in ((limit.cents, True), (None if limit.cents is None else limit.cents + 1, False)):
            if cents is None:
                continue
            scenario = at_price(study.scenario, item, cents)
            best = enumerate_all(scenario)[0][0]
            assert (options_of(scenario).parts[s][int(best[s])].id == item.id) is there


def test_owned_pieces_are_not_bought() -> None:
    """The starter's car has four of its tires: two that stay cost nothing and are no line to buy."""
    study = Study.of(read_scenario(STARTER))
    build = study.options.encode({"front tires": "T2"})
    note = purchase_note(study, build, 7, closed=True)

    assert [(each.id, each.number, each.pieces, each.slots) for each in note.items] == [("T2", 2, 2, ("front tires",))]
    assert note.items[0].first is None
    assert (note.place, note.closed) == (7, True)


def test_without_a_budget_no_price_is_too_high() -> None:
    scenario = read_scenario(STARTER)
    free = Study.of(replace(scenario, event=replace(scenario.event, budget_cents=None)))
    note = purchase_note(free, free.options.encode({"engine": "E2"}), 1, closed=True)

    assert all(each.up_to.any_price for each in note.items)


@pytest.mark.parametrize(
    ("part", "words"),
    [
        ("T2", ["sidewall", "date code", "pressure"]),
        ("W1", ["bolt pattern", "bore", "offset", "load rating"]),
        ("F2", ["teeth", "splines"]),
        ("G3", ["teeth"]),
        ("RF1", ["thickness", "caliper", "heat"]),
        ("E3", ["displacement", "dyno"]),
        ("X5", ["label", "mount"]),
        ("X2", ["mount"]),
    ],
)
def test_every_kind_has_its_questions(part: str, words: list[str]) -> None:
    scenario = read_scenario(STARTER)
    tags = frozenset(each.requires for each in scenario.race_class.brackets)
    asked = " ".join(each.what for each in asks_of(scenario.parts[part], scenario.parts, tags))

    assert all(word in asked for word in words)
    assert ("label" in asked) is (part == "X5"), "only what a speed calls for has dates"


@pytest.mark.parametrize(
    ("mass_kg", "pressure_pa", "asked"),
    [(5.0, 0.0, ["weight", "mount"]), (0.0, 0.0, ["weight", "mount"]), (0.2, 0.0, ["mount"]), (0.05, 41e3, [])],
    ids=["heavy", "mass not known", "light", "air"],
)
def test_what_weighs_next_to_nothing_is_not_weighed(mass_kg: float, pressure_pa: float, asked: list[str]) -> None:
    extra = replace(read_scenario(STARTER).parts["X2"], mass_kg=mass_kg, pressure_pa=pressure_pa)  # type: ignore[call-arg]
    words = " ".join(each.what for each in asks_of(extra, {}))
    assert [word for word in ("weight", "mount") if word in words] == asked


def test_of_a_kit_every_part_has_its_questions() -> None:
    """Tires in a kit are as old as any: each part is named with what its own kind asks."""
    scenario = read_scenario(STARTER)
    kit = make_kit("K9", 10_000, {"T2": 2, "W2": 4})
    asked = asks_of(kit, scenario.parts)
    assert asked[0].words == "2 x T2; 4 x W2"
    alone = [(part, each) for part in ("T2", "W2") for each in asks_of(scenario.parts[part], scenario.parts)]
    assert [each.what for each in asked[1:]] == [f"{part}: {each.what}" for part, each in alone]
    assert [each.words for each in asked[1:]] == [each.words for _, each in alone]
    assert any("date code" in each.what for each in asked)
