"""The page as one file: template, style, script and data in it, and a policy that lets nothing else in."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from importlib.resources import files

from jinja2 import DictLoader, Environment, StrictUndefined
from markupsafe import Markup

from optimizer.decision import Decision
from optimizer.report.page.section import Section
from optimizer.report.page.sections import sections_of
from optimizer.report.page.words import PageWords, say
from optimizer.report.wording import CAUTION

HERE = files("optimizer.report.page")


def page_of(
    decision: Decision,
    more: Sequence[Section] = (),
) -> str:
    """The page of a decision; the same decision gives the same bytes.

    Parameters
    ----------
    decision : Decision
    more : sequence of Section
        Further sections, set before the assumptions; a section with ``html`` in its view shows that.
    """
    words = PageWords(decision.scenario)
    style = text_of("page.css").replace("/* charts */", text_of("charts.css"))
    script = text_of("page.js")
    sections = sections_of(words, decision, more)
    environment = Environment(
        loader=DictLoader({"page.html": text_of("page.html")}),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["say"] = say
    return environment.get_template("page.html").render(
        title=f"{decision.scenario.car.name}: {words.speed(decision.best.speed_ms)}",
        policy=policy_of(style, script),
        style=Markup(style),  # noqa: S704  our own file
        script=Markup(script),  # noqa: S704  our own file
        sections=sections,
        caution=CAUTION,
    )


def text_of(name: str) -> str:
    """A file of the page, without the line end at its end."""
    return HERE.joinpath(name).read_text(encoding="utf-8").strip()


def policy_of(style: str, script: str) -> str:
    """Content policy that lets in this style and this script, and nothing from anywhere else."""
    return (
        f"default-src 'none'; style-src {_hash(style)}; script-src {_hash(script)}; base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode('utf-8')).digest()).decode('ascii')}'"
