"""What the files around the package promise: the two commands of the README, and no addresses in what ships."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from optimizer.cli import cli

ROOT = Path(__file__).parent.parent
TEXTS = sorted(
    file
    for pattern in ("*.md", "*.toml", "docs/*", "optimizer/**/*", "catalogs_demo/**/*", "tests/**/*", ".ci/*")
    for file in ROOT.glob(pattern)
    if file.suffix in {"", ".md", ".toml", ".py", ".csv", ".lp", ".html", ".css", ".js"} and file.is_file()
)
ADDRESS = re.compile(r"\bhttps?:/{2}|\bwww[.]|(?<![\w.}])/(?:home|root|tmp|Users|mnt|work|usr/local)/")


def commands() -> list[str]:
    """The README's first two code blocks, each of one command."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    return [block.strip() for block in re.findall(r"```sh\n(.*?)```", text, re.DOTALL)][:2]


def test_the_readme_opens_with_the_job_and_two_commands():
    assert [command.split()[-1] for command in commands()] == ["catalogs_demo/thrennel_flat", ".venv/bin/pytest"]


def test_the_checks_run_the_commands_of_the_readme():
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    for command in commands():
        assert command in lines


def typed_commands(text: str) -> list[list[str]]:
    """Words of every command line of the program in a text, up to a remark; in blocks, sentences and tables."""
    lines = re.findall(r"(?<![\w/])(?:\.venv/bin/)?saltmile ((?:[a-z][a-z-]*)(?: [^`\n#|]*)?)", text)
    return [re.sub(r"'[^']*'", "QUOTED", line).split() for line in lines]


@pytest.mark.parametrize("file", ["README.md", "docs/your-car.md", "catalogs_demo/thrennel_flat/README.md"])
def test_commands_and_options_in_texts_are_there(file: str):
    found = [words for words in typed_commands((ROOT / file).read_text(encoding="utf-8")) if words[0] in cli.commands]
    assert len(found) > 1
    for name, *words in found:
        known = {option for param in cli.commands[name].params for option in param.opts}
        assert {word.split("=")[0] for word in words if word.startswith("--")} <= known, name


def test_the_pictures_of_the_readme_are_there_and_small():
    pictures = re.findall(r"!\[[^\]]+\]\((docs/pictures/[^)]+)\)", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert pictures
    assert {ROOT / picture for picture in pictures} == set((ROOT / "docs" / "pictures").iterdir())
    assert max((ROOT / picture).stat().st_size for picture in pictures) < 150_000


@pytest.mark.parametrize("file", TEXTS, ids=lambda file: str(file.relative_to(ROOT)))
def test_no_file_names_an_address(file):
    """Sources are given by author and title, and no path leads to anybody's disk."""
    text = file.read_text(encoding="utf-8")
    found = ADDRESS.search(text)
    assert found is None, f"line {text[: found.start()].count(chr(10)) + 1}: {found.group()!r}"


def test_addresses_are_recognized():
    for text in ("see https:{}//example.org", "www{}.example.org", "open('/home{}/me/a.csv')"):
        assert ADDRESS.search(text.format(""))
    for text in ("m/s", "kg/home", "catalogs_demo/tmp/", "a/b/work/c"):
        assert not ADDRESS.search(text)
