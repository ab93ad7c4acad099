"""The command that holds new logs against the range of the accepted pulls."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dynostats.cli import options
from dynostats.cli.output import answer_console, print_json, say, tell, working
from dynostats.cli.settings import answers, current, current_warehouse
from dynostats.words import command_line

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from dynostats.analysis.envelope import ChannelRange, Envelope

_STYLES = {
    "inside": ("INSIDE THE RANGE OF THE PULLS", "bold"),
    "outside": ("OUTSIDE THE RANGE OF THE PULLS", "bold red"),
    "not_enough_covered": ("NOT ENOUGH COVERED", "bold yellow"),
}
_STATUS = {
    "inside": ("inside", ""),
    "outside": ("outside", "red"),
    "not_covered": ("not covered", "yellow"),
}


@click.command()
@answers
@click.option(
    "--reference",
    required=True,
    metavar="SETUP",
    help="Setup whose accepted pulls form the range.",
)
@click.argument(
    "files",
    nargs=-1,
    required=True,
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE…",
)
@click.option("--engine", metavar="E", help="Needed when several engines have that setup.")
@options.channels()
@click.option(
    "--ambient-pressure",
    type=float,
    metavar="KPA",
    help="Barometer where the logs were made: makes gauge boost absolute where they have none.",
)
@options.report("Also write the finding as one HTML page that needs no network.")
def envelope(
    reference: str, files: tuple[Path, ...], report: Path | None, **options: object
) -> None:
    """Is this log within the range of the accepted pulls?

    A log from the vehicle (part load and part of the speeds will do) or from the engine back on
    the dyno is held against the pulls of a setup: boost, mixture, fuel and oil pressure, charge
    temperature and what else protects the engine, compared at full load only. Each channel is
    inside, outside (where, by how much), or not covered enough. Nothing is stored. Inside means
    that the log looks like the pulls, and no more than that: the list of steps goes up to full
    load slowly, and every log is looked at before the next step.

    \b
    Examples:
      dynostats envelope --reference outlet-70 first_run.csv
      dynostats envelope --reference outlet-70 run1.csv run2.csv --report ranges.html
    """
    settings = current()
    with (
        working("looking at the logs"),
        current_warehouse() as warehouse,
    ):
        found = warehouse.envelope(*files, reference=reference, **options)  # pyright: ignore[reportArgumentType]
        if report is not None:
            command = command_line("envelope", {"reference": reference, **options}, *files)
            warehouse.report_envelope(found, report, command=command)
    if settings.as_json:
        print_json(found.to_dict())
        for warning in (*found.dangers, *found.warnings):
            tell(f"Warning: {warning}")
    else:
        print_envelope(found, answer_console())
    if report is not None:
        tell(f"Report: {report}")


def print_envelope(found: Envelope, console: Console) -> None:
    """Print dangers first, then the answer, the channels, what to know, and the next step."""
    from rich.padding import Padding
    from rich.text import Text

    for text in found.dangers:
        console.print(Text(say(text), style="bold red"))
    if found.dangers:
        console.print()
    word, style = _STYLES[found.verdict]
    pulls = max((one.pulls for one in found.channels), default=0)
    console.print(
        Text.assemble(
            (word, style), f"  {found.reference} on {found.engine}: {pulls} accepted pulls"
        )
    )
    console.print()
    console.print(Padding(Text(say(found.answer)), (0, 0, 0, 2), expand=False))
    console.print()
    console.print(Padding(_channel_table(found.channels), (0, 0, 0, 2), expand=False))
    console.print()
    for warning in found.warnings:
        console.print(Text.assemble(("Warning: ", "yellow"), say(warning)))
    console.print(Text("\nThe way up, one step at a time", style="bold"))
    for number, step in enumerate(found.steps, start=1):
        line = Text.assemble(f"{number}. ", (step.title, "bold"), f". {say(step.text)}")
        console.print(Padding(line, (0, 0, 0, 2), expand=False))
    console.print()
    console.print(Text.assemble(("Next: ", "bold"), say(found.next)))


def _channel_table(channels: tuple[ChannelRange, ...]) -> Table:
    from rich.table import Table
    from rich.text import Text

    from dynostats.analysis.envelope import format_value

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for column in ("channel", "against the pulls", "compared", "outside", "worst at", "beyond by"):
        table.add_column(column, justify="left" if column.startswith(("ch", "ag")) else "right")
    for one in channels:
        word, style = _STATUS[one.status]
        worst = one.status == "outside" and one.worst_rpm is not None
        table.add_row(
            one.channel,
            Text(f"{word}{', ' + (one.side or '') if worst else ''}", style=style),
            ""
            if one.covered_rpm is None
            else f"{one.covered_rpm[0]:.0f} to {one.covered_rpm[1]:.0f}",
            "" if one.share_outside is None else f"{one.share_outside:.0%}",
            f"{one.worst_rpm:.0f} rpm" if worst else "",
            say(format_value(one.worst_excess or 0.0, one.unit)) if worst else "",
        )
    return table
