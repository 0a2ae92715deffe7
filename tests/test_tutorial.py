"""The tutorial's blocks of code are run one after the other, and print what stands under them."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path

import pytest

from optimizer import cli

TUTORIAL = Path(__file__).parent.parent / "docs" / "tutorial.md"
BLOCK = re.compile(r"```python\n(.*?)```\n(?:\n```text\n(.*?)```)?", re.DOTALL)


def printed(code: str, names: dict[str, object]) -> str:
    """What code prints; it sees and leaves names."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exec(compile(code, str(TUTORIAL), "exec"), names)  # noqa: S102
    return out.getvalue()


def test_every_block_runs_and_prints_what_stands_under_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = TUTORIAL.read_text(encoding="utf-8")
    blocks = BLOCK.findall(text)
    monkeypatch.chdir(tmp_path)
    assert cli.run(["new", "my_car"]) == 0
    names: dict[str, object] = {}

    told = [(code, expected, printed(code, names)) for code, expected in blocks]

    assert len(told) == text.count("```python") > 8
    for code, expected, found in told:
        assert found == expected, code
