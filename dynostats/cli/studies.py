"""The command that lists every study, and writes the page that finds them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dynostats.cli import options
from dynostats.cli.output import print_json, print_rows, tell, tell_judged
from dynostats.cli.settings import answers, current, current_warehouse
from dynostats.words import command_line

if TYPE_CHECKING:
    from dynostats.analysis.study_list import Study


@click.command()
@answers
@click.option("--engine", metavar="E", help="Only this engine.")
@options.margin("margin")
@options.correction()
@options.alpha("Accepted chance of any false claim, in each study by itself.")
@options.report("Also write them as one HTML page with a search, linked to the reports beside it.")
@click.option(
    "--each",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="DIR",
    help="Also write the report of each study into this folder; --report links them.",
)
@click.option(
    "--shop",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="A TOML file with the shop's name and logo, as in `compare`.",
)
def studies(
    report: Path | None, each: Path | None, shop: Path | None, **asked: str | float | None
) -> None:
    """Which studies are there, and what came out?

    Every declared question (asked as it was declared), every setup that says which other one it was
    changed from, and any two setups of an engine that met in a session; each judged by itself, as
    `compare` does. With --report, a page on which they are searched and sorted.

    \b
    Examples:
      dynostats studies
      dynostats studies --report studies.html --each reports
      dynostats studies --engine QB-21T --json
    """
    if each is not None and report is None:
        msg = "--each needs --report, the page that leads to the reports"
        raise click.UsageError(msg)
    letterhead = None
    if shop is not None:
        from dynostats.report import load_shop

        letterhead = load_shop(shop)
    warehouse = current_warehouse()
    found = warehouse.studies(progress=tell_judged, **asked)  # pyright: ignore[reportArgumentType]
    if report is not None:
        command = command_line("studies", asked | {"report": report, "each": each})
        warehouse.report_studies(found, report, each=each, shop=letterhead, command=command)
    if current().as_json:
        print_json(found.to_dict())
    else:
        columns = ("study", "engine", "verdict", "effect", "interval", "pulls", "last pull")
        print_rows(columns, [_row(one) for one in found.studies])
        tell(found.caution)
    if report is not None:
        tell(f"Page: {report}")
    if each is not None:
        tell(f"Reports: {each}")


def _row(study: Study) -> tuple[str, ...]:
    from dynostats.cli.finding import format_pct

    found = study.finding
    name = f"{study.candidate} against {study.baseline}"
    when = "" if study.when is None else f"{study.when:%Y-%m-%d}"
    if found is None:
        return name, study.engine, "not judged", "", "", "", when
    low, high = found.overall.low_pct, found.overall.high_pct
    interval = "" if low is None or high is None else f"{format_pct(low)} to {format_pct(high)}"
    pulls = f"{found.pulls.baseline} + {found.pulls.candidate}"
    verdict = found.verdict.replace("_", " ")
    return name, study.engine, verdict, format_pct(found.overall.effect_pct), interval, pulls, when
