"""Takes the README's pictures of the page: the demo on a desk and on a phone.

Usage: ``python -m tests.page_pictures``; writes into docs/pictures and takes a minute or two.
"""

from __future__ import annotations

import pathlib
import tempfile

from playwright.sync_api import sync_playwright

from optimizer.decision import decision_of
from optimizer.report.page.whole import page_of
from optimizer.scenario.reading import read_scenario
from tests.report.browser import launch
from tests.scenes import DEMO

PLACE = pathlib.Path(__file__).parent.parent / "docs" / "pictures"
PICTURES = (
    ("page-answer", 1200, 760, "light", "#answer"),
    ("page-run", 900, 900, "light", "#chart-speed"),
    ("page-phone", 390, 800, "dark", "#answer"),
)
"""Name, width and height, scheme, and what stands at the top."""


def main() -> None:
    """Take all pictures."""
    PLACE.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as made:
        file = pathlib.Path(folder) / "page.html"
        file.write_text(page_of(decision_of(read_scenario(DEMO))), encoding="utf-8")
        browser = launch(made)
        for name, width, height, scheme, top in PICTURES:
            context = browser.new_context(
                viewport={"width": width, "height": height}, color_scheme=scheme, offline=True
            )
            page = context.new_page()
            page.goto(file.as_uri())
            if top != "#answer":
                page.evaluate("(top) => document.querySelector(top).scrollIntoView({behavior: 'instant'})", top)
            page.screenshot(path=PLACE / f"{name}.png")
            context.close()
        browser.close()


if __name__ == "__main__":
    main()
