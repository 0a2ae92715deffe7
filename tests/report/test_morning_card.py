"""The card as text and as a page: two sides, words of a terminal's width, nothing from outside, nothing that runs."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from types import MappingProxyType

import pytest

from optimizer.answers.morning_card import morning_card
from optimizer.answers.morning_records import MorningCard
from optimizer.report.card_page import card_page
from optimizer.report.morning_card import NO_RUN, card_text, sides_of
from optimizer.report.wording import CAUTION, UNCHECKED, Words
from optimizer.scenario.event import Scenario
from optimizer.scenario.reading import read_scenario
from optimizer.search.study import Study
from tests.scenes import STARTER
from tests.test_cli import FORBIDDEN

HOSTILE = "<script>alert('1')</script>\u202e\"&amp;" + "x" * 300


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return read_scenario(STARTER)


def made(scenario: Scenario, *spares: str) -> tuple[Words, MorningCard]:
    study = Study.of(scenario)
    return Words(study.scenario), morning_card(study, study.options.fitted, spares)


@pytest.fixture(scope="module")
def plain(scenario: Scenario) -> tuple[Words, MorningCard]:
    return made(scenario)


@pytest.fixture(scope="module")
def spared(scenario: Scenario) -> tuple[Words, MorningCard]:
    return made(scenario, "F2", "F4")


def flat(text: str) -> str:
    return " ".join(text.split())


class Page(HTMLParser):
    """Tags and texts of a page."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def test_text_fits_and_says_what_matters(spared) -> None:
    text = card_text(*spared)

    assert max(map(len, text.splitlines())) <= 79
    assert not FORBIDDEN.search(text)
    for said in (
        UNCHECKED, *CAUTION, "Limiter: the engine's own, 6,500 rpm", "F4 stays in the trailer: housing",
        "set-up B: final drive: long (F2)", "Density altitude without a meter", "front failed", "under the table",
    ):  # fmt: skip
        assert said in flat(text), said


def test_numbers_of_the_table_are_those_of_the_cells(plain) -> None:
    """Speed to a tenth, revs to ten, the gear only where it is not the usual."""
    words, card = plain
    text = card_text(words, card)
    for cell in card.cells:
        last = f"{cell.last.speed_ms * 3600 / 1609.344:.1f} {round(cell.last.rpm, -1):,.0f}"
        assert last in text
    assert "4th" not in "".join(line for line in text.splitlines() if "last board  " in line)


def test_limits_are_never_rounded_up(scenario: Scenario) -> None:
    """What may not be passed is rounded down: 126.68 mph at the tires is told as 126.6."""
    words, card = made(scenario)
    tach = card.tachs[0]
    told = flat(card_text(words, card))

    assert f"{int(tach.tire_rpm // 10) * 10:,} rpm in 4th gear" in told
    assert float(re.search(r"in 4th gear, (\d+\.\d) mph at the tires", told)[1]) <= tach.tire_speed_ms * 3600 / 1609.344


def test_a_limiter_for_the_tires_is_told_with_its_setting(scenario: Scenario) -> None:
    """Where the event lets the limiter hold the rating and the tires are slow, the rpm is printed."""
    event = scenario.event
    slow = replace(event, rating_rule="limiter", fast_case=replace(event.fast_case, tire_speed_margin=0.4))
    car = replace(scenario.car, limiter_adjustable=True)
    words, card = made(replace(scenario, event=slow, car=car))
    limiter = card.tachs[0].limiter_rpm

    assert limiter is not None
    assert limiter < card.tachs[0].rev_limit_rpm
    assert f"Set the limiter to {int(limiter // 10) * 10:,} rpm" in flat(card_text(words, card))
    assert not any(each.over_tires for each in card.cells), "the limiter holds them"


def test_days_without_a_run_are_told(scenario: Scenario) -> None:
    fast = replace(scenario.event.fast_case, tire_speed_margin=1.0)
    words, card = made(replace(scenario, event=replace(scenario.event, fast_case=fast)))

    text = card_text(words, card)
    assert text.count(NO_RUN) == len(card.cells) + 1, "in every cell, and in how they are read"
    assert f"{NO_RUN}: a tire would turn faster than its rating, less the margin of 100%, allows; do not" in flat(text)
    assert NO_RUN not in card_text(*made(scenario))
    assert "NOT LEGAL: tire speed" in flat(card_text(words, card))


def test_metric_cards(scenario: Scenario) -> None:
    words, card = made(replace(scenario, event=replace(scenario.event, speed_unit="km/h")))
    text = card_text(words, card)

    assert "km/h" in text
    assert not re.search(r"\bmph\b|\bft\b| F\b|inHg|psi", text.split("Caution")[0])
    assert "size: A4" in card_page(words, card)


def test_the_page_has_two_sides_and_nothing_from_outside(spared) -> None:
    words, card = spared
    page = card_page(words, card)
    seen = Page(page)
    names = [tag for tag, _ in seen.tags]
    style = re.search(r"<style>(.*?)</style>", page, re.DOTALL)
    policy = next(attrs["content"] for tag, attrs in seen.tags if attrs.get("http-equiv") == "Content-Security-Policy")

    assert names.count("section") == 2
    assert not {"script", "link", "img", "iframe", "object", "form"} & set(names)
    attributes = {name for _, attrs in seen.tags for name in attrs}
    assert not {name for name in attributes if name.startswith("on") or name in ("src", "href", "style")}
    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    assert policy == f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    assert "url(" not in style[1]
    assert "@import" not in style[1]
    assert dict(seen.tags)["html"] == {"lang": "en"}


def test_the_page_says_what_the_text_says(spared) -> None:
    """Every sentence, item and number of the blocks."""
    words, card = spared
    told = flat(" ".join(Page(card_page(words, card)).texts))
    for side in sides_of(words, card):
        for block in side.blocks:
            for each in (*block.sentences, *block.items, block.remark):
                assert flat(each) in told
            for row in () if block.table is None else block.table.rows:
                for cell in row:
                    assert cell in told


def test_hostile_names_are_text(scenario: Scenario) -> None:
    parts = {**scenario.parts, "F2": replace(scenario.parts["F2"], name=HOSTILE)}
    hostile = replace(scenario, parts=MappingProxyType(parts), car=replace(scenario.car, name=HOSTILE))
    page = card_page(*made(hostile, "F2"))

    assert "<script" not in page
    assert HOSTILE in unescape(page)


def test_what_to_lift_for_stands_lowest_first_with_its_engine_speed(scenario: Scenario) -> None:
    """A driver reads the tach: what comes first on it stands first."""
    words, card = made(scenario)
    for tires, stop, cap in ((5000.0, 4000.0, 4500.0), (4000.0, 5000.0, 4500.0), (6000.0, 9000.0, 5000.0)):
        tachs = tuple(
            replace(each, tire_rpm=tires, stop_rpm=stop, cap_rpm=cap, cap_ms=50.0) for each in card.tachs
        )
        text = flat(card_text(words, replace(card, tachs=tachs)))
        shown = [int(each.replace(",", "")) for each in re.findall(r"Lift at ([\d,]+) rpm in", text)]

        assert shown == sorted(each for each in (tires, stop, cap) if each < card.tachs[0].rev_limit_rpm)
        assert ("beyond the rev limit in" in text) is (stop > card.tachs[0].rev_limit_rpm)


def test_what_no_limit_is_known_of_is_said(scenario: Scenario) -> None:
    """Nothing but a number can be wrong: where there is none, that is said in its place."""
    words, card = made(scenario)
    assert "NOT KNOWN" not in card_text(words, card)
    tachs = tuple(replace(each, unrated=True) for each in card.tachs)
    stops = tuple(replace(each, rise_share=float("nan")) for each in card.stops)
    text = card_text(words, replace(card, tachs=tachs, stops=stops))
    assert "What heat the rotors may take is NOT KNOWN" in flat(text)
    assert len(re.findall(r" \?$", text, re.MULTILINE)) == len(stops)
    assert "nan" not in text


@pytest.mark.parametrize("adjustable", [True, False])
def test_a_cap_is_for_the_limiter_where_that_can_be_set(scenario: Scenario, adjustable: bool) -> None:
    words, card = made(scenario)
    tachs = tuple(replace(each, cap_ms=45.0, cap_rpm=5123.0, adjustable=adjustable) for each in card.tachs)
    text = flat(card_text(words, replace(card, tachs=tachs)))
    assert ("Set to 5,120 rpm the limiter holds the car in 4th gear under 100.6 mph" in text) is adjustable
    assert ("the driver has to hold that" in text) is not adjustable
    assert "no rule asks for less" not in text
