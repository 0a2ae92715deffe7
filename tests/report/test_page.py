"""The page as a file: the same bytes, nothing from elsewhere, sections that others fill, and how it is written."""

from __future__ import annotations

import base64
import hashlib
import json
import pathlib
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from optimizer import cli
from optimizer.answers.said_done import Logged, SaidDone, Suspect
from optimizer.decision import Decision
from optimizer.pipeline import Question
from optimizer.report.page.charts import readable
from optimizer.report.page.choice_sections import shortlist_section
from optimizer.report.page.section import Section, Table
from optimizer.report.page.single import charts_of
from optimizer.report.page.whole import page_of
from optimizer.report.page.words import PageWords, say, typed
from optimizer.report.questions import shortlist_text
from optimizer.report.wording import CAUTION, UNCHECKED, Words
from optimizer.scenario.event import Scenario
from optimizer.search.sharing import Helper
from optimizer.search.state import Progress
from tests.report.pages import SCRIPT
from tests.scenes import STARTER
from tests.test_cli import FORBIDDEN


@pytest.fixture(scope="module")
def page(decision: Decision) -> str:
    return page_of(decision)


def test_same_decision_same_bytes(decision, page):
    assert page_of(decision) == page


def test_nothing_comes_from_elsewhere(page):
    """No address, no file beside it, no style or handler in an attribute, which the policy would refuse."""
    assert not re.search(r"https?:|//\w|@import|url\(|<link|<iframe", page)
    assert not re.search(r"<[a-z][^>]* (src|style|on\w+)=", re.sub(r'="[^"]*"', '=""', page))


def test_the_policy_names_the_hashes_of_style_and_script(page):
    """Worked out again from the bytes between the tags."""
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)
    assert policy
    for name in ("style", "script"):
        text = re.findall(rf"<{name}>(.*?)</{name}>", page, re.DOTALL)
        assert len(text) == 1
        digest = base64.b64encode(hashlib.sha256(text[0].encode()).digest()).decode()
        assert f"{name}-src &#39;sha256-{digest}&#39;" in policy[1]
    assert policy[1].startswith("default-src &#39;none&#39;;")


def test_every_chart_has_a_title_a_text_alternative_and_its_numbers(page):
    figures = re.findall(r"<figure.*?</figure>", page, re.DOTALL)
    assert len(figures) == 12
    for each in figures:
        assert each.count('role="img"') == 2
        assert len(re.findall(r"<desc id=[^>]*>[^<]{20,}</desc>", each)) == 2
        assert re.search(r"<figcaption>.{20,}</figcaption>", each, re.DOTALL)
        assert each.count("<tr>") > 1
    ids = re.findall(r' id="([^"]*)"', page)
    assert len(ids) == len(set(ids))


def test_it_says_what_every_answer_says(page):
    """The caution, that no run was compared, and none of the words that would pass for a permission."""
    for text in (*CAUTION, UNCHECKED):
        assert text.replace("'", "&#39;") in page
    assert not FORBIDDEN.search(re.sub(r"<[^>]*>", " ", page))


def test_sections_that_others_fill(decision, page):
    """Odds say which command works them out where they were not; others may be added."""
    assert "saltmile odds" not in page
    assert "Over the meet the chance of number 1 is" in page
    assert "saltmile odds" in page_of(replace(decision, odds=None, measure=None))
    bill = Table("The bill", ("what", "#price"), [["tires & tubes", "$96"]])
    view = {"texts": ["Ask first."], "items": ["run 3 <i>"], "tables": [bill]}
    note = Section("notes", "Notes", "What else.", view)
    filled = page_of(decision, more=[note])
    for text in ("<li>run 3 &lt;i&gt;</li>", "<p>Ask first.</p>", '<th scope="row">tires &amp; tubes</th>'):
        assert text in filled
    assert filled.index('id="why-not"') < filled.index('id="notes"') < filled.index('id="assumed"')


def test_said_against_done(decision):
    """With a run timed: it stands beside the answer in place of the remark that none was compared, and is drawn."""
    suspect = Suspect("car::drag_area_m2", "drag area <b>", "area", 0.54, 0.55, 0.57, 0.2, 0.8, of_day=False)
    last = SaidDone(
        "run 2", "2027-09-19", "runs.csv", 3, {}, "ordinary", 47.0, 46.0, 1.5, "power", (suspect,), used=False, others=1
    )  # fmt: skip
    logged = Logged("run 2", "2027-09-19", 3, 47.0, 46.0, 1.5, -0.7, {}, {}, {}, {})
    early = replace(logged, name="run 1", done_ms=42.0)
    page = page_of(replace(decision, result=replace(decision.result, said_done=last), log=(early, logged)))
    assert UNCHECKED not in page
    assert page.count("102.9 mph") >= 3  # timed: beside the answer, in the section, in the log
    assert "drag area &lt;b&gt;" in page
    assert "1 of 2 runs fell within what was known before them" in page  # 42 is 3.3 uncertainties below 47


def test_the_answer_is_in_the_first_words(decision, page):
    """Speed, record, price and what is left stand before anything else."""
    words = PageWords(decision.scenario)
    start = page[page.index("<main>") :][:1600]
    assert f"{words.figure(decision.best.speed_ms):.1f}" in start
    assert words.price(decision.best.cents or 0) in start
    assert "Complete search: nothing else in your sheets is faster" in page


def test_data_for_comparing_cannot_break_out(decision, page):
    """It is JSON without a sign that HTML reads, with a band for every two builds."""
    text = re.search(r'id="builds-data">(.*?)</script>', page, re.DOTALL)
    assert text
    assert not set(text[1]) & set("<>&")
    data = json.loads(text[1])
    count = len(decision.candidates)
    assert len(data["builds"]) == count
    assert len(data["bands"]) == count * (count - 1) // 2
    assert any(SCRIPT in part for build in data["builds"].values() for part in build["parts"])


def test_typed_text_is_kept_apart():
    """Isolates in a name are taken out, so that its own cannot be closed early; tags are shown."""
    name = "a<b>\u2069c"
    assert str(say(f"in {typed(name)} out")) == "in <bdi>a&lt;b&gt;c</bdi> out"
    assert str(say("`saltmile odds`")) == "<code>saltmile odds</code>"


def test_builds_short_of_the_record_say_so_on_the_page_and_in_the_terminal(decision):
    """A build too close to call with one that takes the record may itself fall short; whoever buys it has to know."""
    entry = decision.shortlist.entries[0]
    best = replace(decision.best, planned_ms=entry.speed_ms + 0.44704)
    result = replace(decision.result, builds=(best, *decision.result.builds[1:]))
    assert "1.00 mph short of what takes the record" in page_of(replace(decision, result=result))
    race = replace(decision.result.scenario.race_class, record_ms=entry.speed_ms + 0.44704, record_margin=0.0)
    event = decision.result.scenario.event
    asked = replace(
        decision.result.scenario, event=replace(event, classes={**event.classes, event.race_class: race})
    )  # fmt: skip
    told = " ".join(shortlist_text(Words(asked), replace(decision.shortlist, entries=(entry,))).split())
    assert "1.00 mph short of what takes the record" in told
    care = replace(entry, care=0.0299)
    assert "2% left" in shortlist_text(Words(asked), replace(decision.shortlist, entries=(care,)))  # never rounded up


def test_the_best_on_soft_salt_is_said_of_the_salt_by_its_name(decision):
    """The softest condition need not be called soft: it is named as the crew calls it, on the page kept apart."""
    entry = decision.shortlist.entries[0]
    entry = replace(entry, arguments=(replace(entry.arguments[0], name="best on soft salt"),), hours=7.4)
    found = replace(decision.shortlist, entries=(entry,), soft_salt="wet <crust>")
    told = " ".join(shortlist_text(Words(decision.scenario), found).split())
    assert "1. The best on wet <crust> salt: " in told
    assert "7 h of your own work" in told
    listed = shortlist_section(PageWords(decision.scenario), replace(decision, shortlist=found)).view["entries"]
    assert listed[0]["arguments"] == f"The best on {typed('wet <crust>')} salt"


def test_a_label_never_lies_on_the_line_of_the_shutdown(decision):
    """Where a bar ends so near the line that its label would cross it, the label stands inside the bar."""
    stop = decision.best.stop
    near = replace(decision.best, stop=replace(stop, coast_m=0.95 * stop.shutdown_m))
    far = replace(decision.best, stop=replace(stop, coast_m=0.5 * stop.shutdown_m))
    for best, inside in ((near, 1), (far, 0)):
        page = page_of(replace(decision, result=replace(decision.result, builds=(best, *decision.result.builds[1:]))))
        drawn = page.split('id="chart-stops"')[1].split("</svg>")[0]
        assert drawn.count('class="inside"') == inside


@pytest.mark.parametrize("complete", [True, False])
def test_whether_searches_on_other_salt_were_complete_is_said(decision, complete):
    page = page_of(replace(decision, salts_complete=complete))
    assert ("the searches were complete" in page) == complete
    assert ("a search could not be completed" in page) == (not complete)


def test_without_a_budget_or_another_salt(decision):
    """Sections that have nothing to say, say so."""
    without = page_of(replace(decision, money=None, order=None, target=None))
    assert "The event names no budget" in without
    assert "What to buy first" not in without


def test_a_page_made_in_a_hurry_says_what_it_left_out(decision):
    hurried = page_of(replace(decision, quick=True, order=None, target=None))
    assert "made in a hurry" in hurried
    assert "was not searched for" in hurried
    assert "The cheapest way past the record" not in hurried


def test_the_command_writes_the_page(hostile, tmp_path: pathlib.Path, capsys, monkeypatch, decision):
    """From the folder to the files; the question is passed on, the size is said, and it is far below 500 kB."""
    asked = []

    def decided(scenario: Scenario, question: Question, _progress: Progress, _helper: Helper | None) -> Decision:
        asked.append((scenario.car.name, question))
        return decision

    monkeypatch.setattr("optimizer.decision.decision_of", decided)
    file = tmp_path / "page.html"
    assert cli.run(["report", str(hostile), "-o", str(file), "--quick", "--top", "2", "--charts", str(tmp_path)]) == 0
    out, err = capsys.readouterr()
    text = file.read_text(encoding="utf-8")
    assert asked == [(decision.scenario.car.name, Question(top=2, thorough=False))]
    assert out.startswith(f"Wrote {file}, ")
    assert err == ""
    assert text.startswith("<!doctype html>")
    assert len(text.encode()) < 500_000
    assert len(list(tmp_path.glob("*.svg"))) == len(list(tmp_path.iterdir())) - 1 > 8


def test_charts_as_pictures_of_their_own(decision, page):
    """Each is one well-formed file of SVG with title, text alternative and style, and nothing from elsewhere."""
    pictures = charts_of(decision)
    assert len(pictures) == 12
    assert pictures == charts_of(decision)
    for name, text in pictures.items():
        root = ET.fromstring(text)  # noqa: S314  our own text
        assert root.tag.endswith("}svg")
        assert len(root.findall(".//{*}desc")) == 1
        assert f'id="chart-{name}"' in page
        assert not re.search(r"href|url\(|@import", text)


def test_names_with_signs_that_svg_may_not_hold():
    assert readable("a\x00b\x1b\ufffec\td") == "abc\td"


def test_kilometers(decision):
    """The same decision for readers of metric units: nothing is in miles or pounds, nothing is not a number."""
    scenario = decision.scenario
    metric = replace(scenario, event=replace(scenario.event, speed_unit="km/h", currency="EUR"))
    text = page_of(replace(decision, result=replace(decision.result, scenario=metric)))
    text = re.sub(r"<style>.*?</style>|<script>.*?</script>", "", text, flags=re.DOTALL)
    assert "km/h" in text
    assert "\N{EURO SIGN}" in text
    text = text[: text.index('id="why-not"')]  # after it stand reasons and cells as the crew typed them
    assert not re.search(r"\b(mph|mi|lbf|lb|nan|inf)\b", text)


@pytest.mark.parametrize("place", ["", "missing/page.html"])
def test_a_place_that_cannot_be_written_is_said_before_the_work(tmp_path, capsys, place, monkeypatch):
    """A folder, or a file in a folder that is not there: exit code 2, nothing computed, nothing written."""
    monkeypatch.setattr("optimizer.decision.decision_of", lambda *_: pytest.fail("it was computed all the same"))
    assert cli.run(["report", str(STARTER), "-o", str(tmp_path / place)]) == 2
    assert "cannot write" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
