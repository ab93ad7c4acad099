"""The command that says how many pulls to make, and in what order."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dynostats.cli.output import answer_console, print_json, tell
from dynostats.cli.settings import answers, current
from dynostats.cli.study import Band

if TYPE_CHECKING:
    from rich.console import Console

    from dynostats.analysis.planning.plan import Plan


@click.command()
@answers
@click.option(
    "--effect",
    type=float,
    required=True,
    metavar="PCT",
    help="Smallest effect on the mean over the band that you must not miss, percent.",
)
@click.option(
    "--power",
    type=float,
    default=0.8,
    show_default=True,
    metavar="P",
    help="Chance of seeing it if it is there.",
)
@click.option(
    "--sessions",
    type=int,
    default=1,
    show_default=True,
    metavar="N",
    help="Sessions the pulls are spread over, both setups in each.",
)
@click.option(
    "--alpha",
    type=float,
    default=0.05,
    show_default=True,
    metavar="A",
    help="Accepted chance of any false claim.",
)
@click.option("--engine", metavar="E", help="Engine [default: of which most pulls are].")
@click.option("--dyno", metavar="D", help="Dyno [default: where most pulls are].")
@click.option("--baseline", metavar="SETUP", help="Setup before the change, for the run sheet.")
@click.option("--candidate", metavar="SETUP", help="Setup with the change, for the run sheet.")
@click.option("--session", metavar="S", help="Name of the session(s) to come, for the run sheet.")
@click.option(
    "--band",
    type=Band(),
    metavar="LOW:HIGH",
    help="Engine speeds, rpm [default: what most pulls of the engine cover].",
)
@click.option(
    "--seed", type=int, metavar="N", help="Draw the same run order again [default: a new one]."
)
@click.option(
    "--sheet",
    "sheets",
    type=click.Path(dir_okay=False, path_type=Path),
    multiple=True,
    metavar="FILE",
    help="Write the run sheet: .html to print, .csv to fill in and give to `ingest --sheet`. "
    "May be given twice. Needs --baseline, --candidate and --session.",
)
def plan(sheets: tuple[Path, ...], **asked: object) -> None:
    """How many pulls, in what order, to see an effect.

    From the noise of your own cell where the warehouse knows it, else from a stated assumption.
    The run order cancels a drift and is drawn at random within blocks. Also: the smallest effect
    visible with fewer or more pulls, and what never alternating would cost.

    \b
    Examples:
      dynostats plan --effect 1.5
      dynostats plan --effect 1 --power 0.9 --sessions 2
      dynostats plan --effect 1.5 --engine QB-21T --baseline outlet-54 --candidate outlet-70 \\
          --session T09 --sheet run_sheet.html --sheet sheet.csv
    """
    from dynostats.api import open_warehouse

    with open_warehouse(current().warehouse) as warehouse:
        made = warehouse.plan(**asked)  # pyright: ignore[reportArgumentType]
        written = [warehouse.run_sheet(made, path) for path in sheets]
    if current().as_json:
        print_json(made.to_dict())
    else:
        print_plan(made, answer_console())
    for path in written:
        tell(f"Run sheet: {path}")


def print_plan(made: Plan, console: Console) -> None:
    """Print the number of pulls, the order, what is visible, and what it rests on."""
    from rich.table import Table

    aim, noise = made.aim, made.noise
    sessions = f" over {aim.sessions} sessions" if aim.sessions > 1 else " in one session"
    console.print(
        f"{made.pulls_per_setup} pulls of each setup{sessions} see an effect of "
        f"{aim.effect_pct:g}% with a chance of {made.power:.0%}.\n"
    )
    for number, order in enumerate(made.orders, start=1):
        label = "Run order" if aim.sessions == 1 else f"Session {number} "
        console.print(f"  {label}  {' '.join(order)}")
    console.print("  A the baseline, B the candidate; a void pull is repeated at once.\n")
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("pulls of each setup", justify="right")
    table.add_column("smallest effect seen", justify="right")
    for row in made.detectable.iter_rows(named=True):
        seen = "none: no interval" if row["pct"] is None else f"{row['pct']:.2f}%"
        table.add_row(str(row["n"]), seen)
    console.print(table)
    console.print()
    for shortcut in made.shortcuts:
        console.print(shortcut.text)
    if noise.learned:
        drawn = noise.to_dict()
        console.print(
            f"\nNoise of the mean over the band: {drawn['pull_sd_pct']:.2f}% from pull to pull, "
            f"from {noise.source}."
        )
    for text in made.warnings:
        console.print(f"Warning: {text}", style="yellow")
