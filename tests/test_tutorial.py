"""The tutorial's blocks of code are run one after the other, and print what stands under them."""

from __future__ import annotations

from tests.tutorial_page import BLOCK, TUTORIAL, written


def test_every_block_runs_and_prints_what_stands_under_it() -> None:
    text = TUTORIAL.read_text(encoding="utf-8")

    assert len(BLOCK.findall(text)) == text.count("```python") > 8
    assert written(text) == text, "python -m tests.tutorial_page"
