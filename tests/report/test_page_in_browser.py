"""The page in a real browser, without a network: it draws, sorts, filters, compares, prints, and reads without scripts.

Where there is no browser these tests are skipped, but in continuous integration they fail.
"""

from __future__ import annotations

import os
import pathlib
import unicodedata
from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright
from pypdf import PdfReader

from optimizer.answers.morning_card import morning_card
from optimizer.decision import Decision
from optimizer.report.card_page import card_page
from optimizer.report.page.whole import page_of
from optimizer.report.wording import Words
from optimizer.scenario.reading import read_scenario
from optimizer.search.study import Study
from tests.report.browser import chromium, launch
from tests.report.pages import CLOSING, LONG, QUOTES, SCRIPT
from tests.scenes import DEMO

TITLES = (
    "What changes on the car", "Said against done", "Builds worth an argument", "The 5 fastest builds",
    "What money buys, and what first", "What to buy", "What each part is worth", "The run of number 1",
    "If the salt is different", "Odds, and what to measure", "Stopping",
    "Why not my favorite", "Assumed numbers, and what each is worth",
    "Going up in steps", "Caution",
)  # fmt: skip


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory, decision: Decision) -> str:
    """Where the page of the hostile scenario lies."""
    file = tmp_path_factory.mktemp("page") / "page.html"
    file.write_text(page_of(decision), encoding="utf-8")
    return file.as_uri()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    if chromium() is None:
        if os.environ.get("CI") == "true":
            pytest.fail("there is no chromium, which these tests need")
        pytest.skip("there is no chromium")
    with sync_playwright() as made:
        found = launch(made)
        yield found
        found.close()


@pytest.fixture
def opened(browser: Browser, address: str) -> Iterator:
    """Open the page in a context of its own, cut off from any network."""
    contexts: list[BrowserContext] = []

    def open_it(width: int = 1280, scheme: str = "light", *, scripts: bool = True) -> Page:
        context = browser.new_context(
            viewport={"width": width, "height": 900}, color_scheme=scheme, java_script_enabled=scripts, offline=True
        )
        contexts.append(context)
        page = context.new_page()
        page.goto(address)
        return page

    yield open_it
    for each in contexts:
        each.close()


def column(page: Page, number: int) -> list[float]:
    """Values of a column of the ranking, from top to bottom."""
    cells = page.locator(f"#builds > tbody > tr > :nth-child({number})")
    return [float(cells.nth(row).get_attribute("data-v") or "nan") for row in range(cells.count())]


def test_it_draws_without_a_request_or_a_complaint(browser, address):
    """Nothing but the file itself is asked for, the console stays empty, and every chart has a size."""
    context = browser.new_context(offline=True)
    page = context.new_page()
    asked, said = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda fault: said.append(str(fault)))
    page.goto(address)
    charts = page.locator(".wide svg")
    drawn = [charts.nth(place).bounding_box() for place in range(charts.count())]
    context.close()

    assert asked == [address]
    assert said == []
    assert len(drawn) == 12
    assert all(box and box["width"] > 500 and box["height"] > 80 for box in drawn)


def test_the_policy_stops_what_is_not_ours(opened):
    """A script, a style or an image that got into the page all the same would be refused."""
    page = opened()
    refused = page.evaluate(
        """() => new Promise((done) => {
            const found = [];
            document.addEventListener("securitypolicyviolation", (each) => {
                found.push(each.effectiveDirective);
                if (found.length === 3) done(found.sort());
            });
            const script = document.createElement("script"); script.textContent = "window.hacked = 1";
            const image = document.createElement("img"); image.src = "image.png";
            const style = document.createElement("style"); style.textContent = "body { color: red }";
            document.body.append(script, image, style);
        })"""
    )

    assert refused == ["img-src", "script-src-elem", "style-src-elem"]
    assert page.evaluate("window.hacked") is None


def test_sorting_by_a_heading(opened):
    """Once upward, again downward; the heading says which way, and the keyboard does it too."""
    page = opened()
    button = page.locator("#builds thead button", has_text="price")
    button.click()
    rising = column(page, 4)
    assert rising == sorted(rising)
    expect(page.locator("#builds thead th").nth(3)).to_have_attribute("aria-sort", "ascending")
    expect(page.locator("#builds thead th").nth(0)).not_to_have_attribute("aria-sort", "ascending")
    button.press("Enter")
    assert column(page, 4) == rising[::-1]
    expect(page.locator("#builds thead th").nth(3)).to_have_attribute("aria-sort", "descending")


def test_filtering_builds(opened):
    """Only builds that have the part are left, and it is said how many; an empty field brings all back."""
    page = opened()
    rows = page.locator("#builds > tbody > tr")
    page.fill("#find-build", "w02")
    shown = [row for row in rows.all() if row.is_visible()]
    assert 0 < len(shown) < 5
    assert all("(W02)" in (row.get_attribute("data-find") or "") for row in shown)
    expect(page.locator("[data-count=builds]")).to_have_text(f"{len(shown)} of 5")
    page.fill("#find-build", "")
    assert all(row.is_visible() for row in rows.all())


def test_finding_a_part(opened):
    """The table opens, and only rows with all the words are left."""
    page = opened()
    page.fill("#find-part", "G02 gearset")
    shown = [row for row in page.locator("#tried > tbody > tr").all() if row.is_visible()]
    assert len(shown) == 1
    assert LONG in (shown[0].text_content() or "")


def test_comparing_two_builds(opened):
    """Two builds side by side: numbers, the parts in which they differ, and how sure the order is."""
    page = opened()
    page.select_option("#pick-0", "1")
    page.select_option("#pick-1", "now")
    place = page.locator("#compared")
    expect(place.locator("p")).to_contain_text("umber 1 is faster than the car as it stands in")
    expect(place.locator("thead th")).to_have_text(["what", "Number 1", "The car as it stands"])
    expect(place.locator("tbody tr", has_text="engine").locator("td").nth(1)).to_contain_text("(E01)")
    speeds = place.locator("tbody tr").first.locator("td").all_text_contents()
    assert float(speeds[0].split()[0]) > float(speeds[1].split()[0])
    # the other way round the same band is found
    page.select_option("#pick-0", "now")
    page.select_option("#pick-1", "1")
    expect(place.locator("p")).to_contain_text("umber 1 is faster than the car as it stands in")
    page.select_option("#pick-1", "now")
    expect(place).to_contain_text("Both are the same build")


def test_hostile_names_are_text(opened):
    """Tags, quotes and ends of elements in names stand on the page as typed, and nothing of them comes alive."""
    page = opened()
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    page.select_option("#pick-1", "now")
    text = page.locator("body").inner_text()
    for name in (SCRIPT, QUOTES, CLOSING, LONG, "Sparrow <b>& 'co'</b>"):
        assert name in text
    assert page.evaluate("window.hacked") is None
    assert page.locator("img, [onload], [onerror], b b").count() == 0
    assert page.locator("script").count() == 2


def test_a_name_from_right_to_left_turns_nothing_around_it(opened):
    """Its element is an island: the words before and after it run on from left to right."""
    page = opened()
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    row = page.locator("#tried > tbody > tr", has_text="(F02)").first
    name = row.locator("th bdi")
    assert "\u202e" in (name.text_content() or "")
    slot, cell = row.locator("td").first.bounding_box(), name.bounding_box()
    assert slot is not None
    assert cell is not None
    assert slot["x"] < cell["x"]
    after = page.evaluate(
        """() => {
            const range = document.createRange();
            const said = document.querySelector("#answer .first").firstChild;
            range.setStart(said, 0); range.setEnd(said, 3);
            return [range.getBoundingClientRect().left, said.parentElement.getBoundingClientRect().left];
        }"""
    )
    assert after[0] == pytest.approx(after[1], abs=2)


@pytest.mark.parametrize("width", [390, 820, 1280])
def test_nothing_hangs_over_the_edge(opened, width):
    """No page is wider than its screen, however long a name is and whatever is opened."""
    page = opened(width)
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    over = page.evaluate(
        """() => [...document.querySelectorAll("main *")].filter((each) => {
            const box = each.getBoundingClientRect();
            return box.right > innerWidth + 1 && !each.closest(".scroll, svg");
        }).length"""
    )
    assert over == 0


@pytest.mark.parametrize("width", [800, 1100, 1400])
def test_the_card_shows_every_salt_side_by_side(browser, tmp_path, width):
    """What is to be expected on the last one would else lie beyond the edge of a table that shows no sign of it."""
    study = Study.of(read_scenario(DEMO))
    card = morning_card(study, study.options.fitted, ())
    assert len(card.salts) == 3
    file = tmp_path / "card.html"
    file.write_text(card_page(Words(study.scenario), card), encoding="utf-8")
    page = browser.new_page(viewport={"width": width, "height": 900})
    page.goto(file.as_uri())
    over = page.evaluate("[...document.querySelectorAll('.scroll')].map((each) => each.scrollWidth - each.clientWidth)")
    page.close()
    assert over
    assert max(over) == 0


def test_numbers_for_safety_need_no_scrolling_sideways_on_a_phone(opened):
    """Steps up to the speed and the bill stand upright there, a row under the other, all columns in sight."""
    page = opened(390)
    for key in ("steps", "buy"):
        wide = page.evaluate(
            "(key) => [...document.querySelectorAll(`#${key} td, #${key} th[scope=row]`)]"
            ".filter((each) => each.getBoundingClientRect().right > innerWidth).length", key
        )  # fmt: skip
        assert wide == 0
    assert page.locator("#steps td[data-label='longest stop']").first.is_visible()


def test_letters_in_charts_are_large_enough_on_a_phone(opened):
    """Charts are drawn for the phone, not shrunk to it: 11 pixels at the least."""
    page = opened(390)
    sizes = page.evaluate(
        """() => [...document.querySelectorAll(".narrow svg")].map((each) => {
            return 12 * each.getBoundingClientRect().width / each.viewBox.baseVal.width;
        })"""
    )
    assert len(sizes) == 12
    assert min(sizes) >= 11


def test_it_reads_with_scripts_switched_off(opened):
    """All text and charts are there; what only a script could do is not shown at all."""
    page = opened(scripts=False)
    text = page.locator("body").inner_text()
    for title in TITLES:
        assert title in text
    assert page.locator(".wide svg").first.is_visible()
    assert page.locator("#builds > tbody > tr").count() == 5
    for tool in page.locator(".tool").all():
        assert not tool.is_visible()
    assert page.locator("#builds thead button").count() == 0
    page.locator("summary", has_text="places a part could go").click()
    assert page.locator("#tried > tbody > tr").first.is_visible()


def plain(text: str) -> str:
    """Text of a sheet in one line; a font's joined letters (one sign for f and i) are letters again."""
    return " ".join(unicodedata.normalize("NFKC", text).split())


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_paper_holds_every_section_and_repeats_headings(opened, tmp_path: pathlib.Path, scripts):
    """Printed with and without scripts: what is folded on the screen too, and headings on every page of a table."""
    page = opened(scripts=scripts)
    file = tmp_path / "page.pdf"
    page.pdf(path=file, format="A4")
    sheets = [plain(sheet.extract_text()) for sheet in PdfReader(file).pages]
    text = " ".join(sheets)
    for title in TITLES:
        assert title in text
    assert "settles at" in text  # in the numbers behind a folded chart
    assert "Never here" in text or "Not with number 1" in text  # in a folded table
    assert "Show builds with" not in text
    long_table = [sheet for sheet in sheets if "(W01)" in sheet and "what keeps it out" in sheet]
    assert long_table


@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (1280, "dark")])
def test_the_accessibility_checker_finds_nothing(opened, width, scheme):
    """With everything opened and two builds compared."""
    page = opened(width, scheme)
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    found = Axe().run(page)
    assert len(found.response["passes"]) > 30
    assert [each["id"] for each in found.response["violations"]] == []


def test_dark_and_light_differ(opened):
    """The page follows the reader's scheme."""
    papers = [
        opened(scheme=scheme).evaluate("getComputedStyle(document.documentElement).backgroundColor")
        for scheme in ("light", "dark")
    ]
    assert papers == ["rgb(251, 252, 252)", "rgb(17, 20, 22)"]


def test_the_keyboard_reaches_every_tool(opened):
    """From the field above the ranking, tab by tab: its headings, every fold, both choices; focus always shows."""
    page = opened()
    page.focus("#find-build")
    seen = []
    for _ in range(24):
        page.keyboard.press("Tab")
        seen.append(page.evaluate("document.activeElement.tagName + ' ' + document.activeElement.id"))
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"
    assert seen.count("BUTTON ") == 8
    assert seen.index("SELECT pick-0") < seen.index("SELECT pick-1")
    assert "SUMMARY " in seen
