"""The commands that answer: compare two setups, measure the noise of the cell."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dynostats.cli import options
from dynostats.cli.output import answer_console, print_json, print_rows, tell, working
from dynostats.cli.settings import answers, current, current_warehouse
from dynostats.words import command_line

if TYPE_CHECKING:
    from datetime import datetime

    from rich.console import Console

    from dynostats.analysis.repeatability import Repeatability
    from dynostats.report import Shop


# A curve of fewer speeds than this is no curve.
LEAST_SKETCHED = 4


@click.command()
@answers
@click.option("--baseline", required=True, metavar="SETUP", help="Setup before the change.")
@click.option(
    "--candidate",
    "candidates",
    required=True,
    multiple=True,
    metavar="SETUP",
    help="Setup with the change. Give it again for more candidates: their bounds hold together.",
)
@click.option("--engine", metavar="E", help="Needed when several engines have both setups.")
@options.quantity(
    "What is reported in absolute numbers; in percent both are the same at a given speed."
)
@options.margin("margin")
@options.band("Engine speeds compared, rpm [default: what every pull covers].")
@click.option(
    "--correction",
    metavar="NAME",
    help="Ambient correction: sae_j1349, iso_1585, un_r85, din_70020, none; a wrong name lists "
    "all [default: what the sheet says the torque already has, else none].",
)
@options.alpha("Accepted chance of any false claim.")
@click.option(
    "--as-of",
    type=click.DateTime(),
    metavar="TIME",
    help="As the paperwork stood at that time, for example 2025-03-14T16:00:00.",
)
@click.option(
    "--report",
    "reports",
    type=click.Path(dir_okay=False, path_type=Path),
    multiple=True,
    metavar="FILE",
    help="Also write the finding: .html is one page that needs no network, .pdf is for paper, .md "
    "is Markdown with its pictures beside it. Give it again for more forms.",
)
@click.option(
    "--charts",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="DIR",
    help="Also write every chart of the report into this folder, as SVG and PNG.",
)
@click.option(
    "--shop",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="A TOML file with the shop's name, address, logo, remarks and photographs for the report.",
)
def compare(
    candidates: tuple[str, ...],
    reports: tuple[Path, ...],
    charts: Path | None,
    shop: Path | None,
    **question: object,
) -> None:
    """Did it help, where, by how much, how sure.

    The difference is judged against the noise of the cell, learned from every accepted pull in the
    warehouse. All speeds of the band and the mean hold together: any claim at all is false at most
    as often as --alpha says. 'Undecided' is an answer: it means these pulls cannot tell, and says
    what would.

    \b
    Examples:
      dynostats compare --baseline stock --candidate new_manifold
      dynostats compare --baseline stock --candidate new_manifold --report finding.html
      dynostats compare --baseline stock --candidate new_manifold --band 3000:6500 --margin 1
      dynostats compare --baseline stock --candidate new_manifold \\
          --report finding.html --report finding.pdf --charts pictures/ --shop our_shop.toml
      dynostats compare --baseline stock --candidate long_runner --candidate short_runner
    """
    settings = current()
    if len(candidates) > 1:
        if reports or charts:
            msg = "a report is about one candidate: give --candidate once"
            raise click.UsageError(msg)
        _compare_several(candidates, question)
        return
    candidate = next(iter(candidates))
    question = {"baseline": question.pop("baseline"), "candidate": candidate, **question}
    letterhead = _prepare(reports, shop)
    with working("comparing"), current_warehouse() as warehouse:
        finding = warehouse.compare(**question)  # pyright: ignore[reportArgumentType]
        as_of: datetime | None = question["as_of"]  # pyright: ignore[reportAssignmentType]
        if reports:
            command = command_line("compare", question)
            warehouse.report(
                finding,
                *reports,
                shop=letterhead,
                command=command,
                as_of=as_of,
                units=settings.units,
            )
        if charts is not None:
            warehouse.charts(finding, charts, as_of=as_of)
    if settings.as_json:
        print_json(finding.to_dict())
        for warning in finding.warnings:
            tell(f"Warning: {warning}")
    else:
        from dynostats.cli.finding import print_finding

        print_finding(finding, answer_console())
    for report in reports:
        tell(f"Report: {report}")
    if charts is not None:
        tell(f"Charts: {charts}")


def _prepare(reports: tuple[Path, ...], shop: Path | None) -> Shop | None:
    """Refuse what no report can be before anything is worked out; return what the shop adds."""
    if not reports:
        if shop is not None:
            msg = "--shop is for a report: give --report FILE, too"
            raise click.UsageError(msg)
        return None
    # Charts and templates cost as much as the answer: they are loaded for a report only.
    from dynostats.report import form_of, load_shop

    for report in reports:
        form_of(report)
    return None if shop is None else load_shop(shop)


def _compare_several(candidates: tuple[str, ...], question: dict[str, object]) -> None:
    settings = current()
    with working("comparing"), current_warehouse() as warehouse:
        family = warehouse.compare_candidates(candidates=candidates, **question)  # pyright: ignore[reportArgumentType]
    if settings.as_json:
        print_json(family.to_dict())
        return
    from dynostats.cli.finding import print_family

    print_family(family, answer_console())


@click.command()
@answers
@click.option("--dyno", metavar="D", help="Only pulls on this dyno.")
@click.option("--engine", metavar="E", help="Only pulls of this engine.")
def repeatability(dyno: str | None, engine: str | None) -> None:
    """Measure the noise of the cell, by engine speed.

    How far two pulls of the same setup differ within a session, and how far sessions differ. The
    limits are for the difference of two single pulls: a smaller difference is no evidence.

    \b
    Examples:
      dynostats repeatability
      dynostats repeatability --dyno cell-1 --engine QB-21T --json
    """
    settings = current()
    with working("measuring the noise"), current_warehouse() as warehouse:
        result = warehouse.repeatability(dyno=dyno, engine=engine)
    if settings.as_json:
        print_json(result.to_dict())
    else:
        _print_repeatability(result, answer_console())


def _sketch_noise(result: Repeatability, console: Console) -> list[str]:
    from dynostats.cli.finding import ink_for
    from dynostats.cli.sketch import sketch_effect

    ink = ink_for(console)
    names = ("rpm", "pull_sd_pct", "pull_sd_low_pct", "pull_sd_high_pct")
    known = result.curve.drop_nulls("pull_sd_pct")
    if known.height < LEAST_SKETCHED:
        return []
    columns = max(20, min(60, console.width - 14))
    title = f"  pull to pull, SD in percent: {ink.estimate} estimate, {ink.band} 95% at each speed"
    curves = (known[name].to_list() for name in names)
    return [title, *sketch_effect(*curves, ink=ink, columns=columns, rows=6, signed=False)]


def _print_repeatability(result: Repeatability, console: Console) -> None:
    from rich.table import Table

    from dynostats.cli.finding import format_sd

    overall = result.overall
    console.print(
        f"Noise from {result.pulls} accepted pulls, {result.engines} engine(s), "
        f"{result.sessions} session(s)"
    )
    console.print(
        f"  pull to pull        {format_sd(overall.pull_sd_pct)} SD, {result.pull_df:.0f} df"
    )
    between = (
        "unknown: no setup was repeated in another session"
        if result.session_df is None
        else f"{format_sd(overall.session_sd_pct)} SD, {result.session_df:.0f} df"
    )
    console.print(f"  session to session  {between}\n")
    for line in _sketch_noise(result, console):
        console.print(line, no_wrap=True, overflow="crop")
    console.print()
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for column in ("rpm", "pull SD", "session SD", "limit, one session", "limit, two sessions"):
        table.add_column(column, justify="right")
    for row in result.curve.gather_every(max(1, result.curve.height // 16)).iter_rows(named=True):
        names = ("pull_sd", "session_sd", "repeatability_limit", "reproducibility_limit")
        table.add_row(f"{row['rpm']:.0f}", *(format_sd(row[f"{name}_pct"]) for name in names))
    console.print(table)
    console.print("\nThe limits are for the difference of two single pulls, at 95%.")
    if result.groups.height > 1:
        console.print()
        print_rows(result.groups.columns, result.groups.rows())
    for warning in result.warnings:
        console.print(f"Warning: {warning}", style="yellow")
