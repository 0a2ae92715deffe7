"""The command that writes the page people argue over. What is heavy is imported inside it."""

from __future__ import annotations

from pathlib import Path

import click

from optimizer.console import Progress, cents_of, common, read, salt_option, studies, write
from optimizer.files import refuse_unwritable, write_whole


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="FILE", required=True,
              help="Where to write the page, such as page.html; a page that is there is replaced.")
@click.option("--charts", type=click.Path(path_type=Path), metavar="FOLDER",
              help="Write every chart into FOLDER too, each as a picture of its own (SVG).")
@click.option("--budget", metavar="N", help="Most to spend, instead of the event's budget.")
@click.option("--top", type=click.IntRange(1, 30), default=10, show_default=True, help="How many builds are ranked.")
@click.option("--with", "with_parts", metavar="PART", multiple=True, help="A part that must be in: id, or slot=id.")
@click.option("--without", "without_parts", metavar="PART", multiple=True, help="A part that must not be in.")
@click.option("--quick", is_flag=True, help="Sooner: fewer budgets, no search on other salt, no order of buying.")
@click.option("--class", "race_class", metavar="NAME", help="Class to run in, instead of the event's.")
@salt_option
@common
def report(
    folder: Path,
    output: Path,
    charts: Path | None,
    budget: str | None,
    top: int,
    with_parts: tuple[str, ...],
    without_parts: tuple[str, ...],
    quick: bool,
    race_class: str | None,
    salt: str | None,
) -> None:
    """Write one page with the whole decision about FOLDER: it needs no network, prints, and fits a phone.

    It answers many questions at once: up to a minute for a large catalog.
    """
    from optimizer.decision import decision_of  # noqa: PLC0415
    from optimizer.pipeline import Question  # noqa: PLC0415
    from optimizer.report.page.single import charts_of  # noqa: PLC0415
    from optimizer.report.page.whole import page_of  # noqa: PLC0415

    refuse_unwritable(output)
    if charts is not None:
        refuse_unwritable(charts / "speed.svg")
    scenario = read(folder)
    question = Question(
        top=top,
        budget_cents=None if budget is None else cents_of(budget, scenario),
        race_class=race_class,
        salt=salt,
        with_parts=with_parts,
        without_parts=without_parts,
        thorough=not quick,
    )
    with Progress() as progress:
        decision = decision_of(scenario, question, progress, studies())
    page = page_of(decision)
    write_whole(output, page)
    text = f"Wrote {output}, {len(page.encode()) / 1000:.0f} kB. Open it in any browser; it needs no network.\n"
    if charts is not None:
        pictures = charts_of(decision)
        for name, picture in pictures.items():
            write_whole(charts / f"{name}.svg", picture)
        text += f"Wrote {len(pictures)} charts into {charts}: {', '.join(f'{name}.svg' for name in pictures)}.\n"
    write(text)
