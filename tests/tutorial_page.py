"""Writes what the blocks of docs/tutorial.md print under them: ``python -m tests.tutorial_page``."""

from __future__ import annotations

import contextlib
import io
import os
import re
import tempfile
from pathlib import Path

from optimizer import cli

TUTORIAL = Path(__file__).parent.parent / "docs" / "tutorial.md"
BLOCK = re.compile(r"```python\n(.*?)```\n(?:\n```text\n(.*?)```)?", re.DOTALL)


def printed(code: str, names: dict[str, object]) -> str:
    """What code prints; it sees and leaves names."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exec(compile(code, TUTORIAL.name, "exec"), names)  # noqa: S102
    return out.getvalue()


def written(text: str) -> str:
    """The page with what its blocks print, run one after the other in a folder with a new ``my_car``."""
    names: dict[str, object] = {}

    def block(found: re.Match[str]) -> str:
        told = printed(found[1], names)
        return f"```python\n{found[1]}```\n" + (f"\n```text\n{told}```" if told else "")

    here = Path.cwd()
    with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(io.StringIO()):
        os.chdir(folder)
        try:
            cli.run(["new", "my_car"])
            return BLOCK.sub(block, text)
        finally:
            os.chdir(here)


if __name__ == "__main__":
    TUTORIAL.write_text(written(TUTORIAL.read_text(encoding="utf-8")), encoding="utf-8")
