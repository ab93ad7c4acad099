"""The command that says how many pulls to make, and in what order."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dynostats.cli import options
from dynostats.cli.output import answer_console, print_json, tell, working
from dynostats.cli.settings import answers, current, current_warehouse

if TYPE_CHECKING:
    from rich.console import Console

    from dynostats.analysis.planning.plan import Plan


_RULES = {
    "obrien-fleming": "obrien_fleming",
    "lan-demets-pocock": "lan_demets_pocock",
    "lan-demets": "lan_demets_obrien_fleming",
}


class Looks(click.ParamType[int | None]):
    """A number of looks, or "pair" for one after every pair."""

    name = "looks"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> int | None:
        """Return the number, None for after every pair."""
        text = str(value).strip().lower()
        if text == "pair":
            return None
        if not text.isascii() or not text.isdigit():
            self.fail(f"'{value}' is neither a whole number nor 'pair'", param, ctx)
        return int(text)


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
@options.alpha("Accepted chance of any false claim.")
@click.option("--engine", metavar="E", help="Engine [default: of which most pulls are].")
@click.option("--dyno", metavar="D", help="Dyno [default: where most pulls are].")
@click.option("--baseline", metavar="SETUP", help="Setup before the change, for the run sheet.")
@click.option("--candidate", metavar="SETUP", help="Setup with the change, for the run sheet.")
@click.option("--session", metavar="S", help="Name of the session(s) to come, for the run sheet.")
@options.band("Engine speeds, rpm [default: what most pulls of the engine cover].")
@options.quantity("What the question is about.")
@options.margin("margin_pct")
@click.option(
    "--looks",
    type=Looks(),
    default="1",
    show_default=True,
    metavar="N|pair",
    help="How often the study is looked at: once at its end, N times, or after every pair of "
    "pulls. Looks share alpha.",
)
@click.option(
    "--boundary",
    "rule",
    type=click.Choice(["pocock", "obrien-fleming", "lan-demets-pocock", "lan-demets"]),
    default="lan-demets",
    show_default=True,
    help="How alpha is shared: lan-demets spends it as O'Brien and Fleming do.",
)
@click.option(
    "--declare",
    is_flag=True,
    help="Store the question and the run sheet in the warehouse, before the first pull. Needs the "
    "same names as --sheet.",
)
@click.option("--who", metavar="NAME", help="Who declares it [default: your login name].")
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
def plan(
    sheets: tuple[Path, ...], declare: bool, who: str | None, rule: str, **asked: object
) -> None:
    """How many pulls, in what order, to see an effect.

    From the noise of your own cell where the warehouse knows it, else from a stated assumption.
    The run order cancels a drift and is drawn at random within blocks. Also: the smallest effect
    visible with fewer or more pulls, and what never alternating would cost.

    \b
    Examples:
      dynostats plan --effect 1.5
      dynostats plan --effect 1 --power 0.9 --sessions 2
      dynostats plan --effect 1.5 --engine QB-21T --baseline outlet-54 --candidate outlet-70 \\
          --session T09 --looks pair --declare --sheet run_sheet.html --sheet sheet.csv
    """
    from dynostats.analysis.planning.wording import say_declared

    with working("planning"), current_warehouse() as warehouse:
        made = warehouse.plan(rule=_RULES.get(rule, rule), **asked)  # pyright: ignore[reportArgumentType]
        if declare or sheets:
            made.named()  # refused before anything is stored or written
        declared = warehouse.declare(made, who=who) if declare else None
        written = [warehouse.run_sheet(made, path) for path in sheets]
    if current().as_json:
        number = None if declared is None else declared.number
        print_json(made.to_dict() | {"declared": number})
    else:
        print_plan(made, answer_console())
    if declared is not None:
        tell(say_declared(declared))
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
    for line in _looks(made):
        console.print(line)
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


def _looks(made: Plan) -> list[str]:
    """Return one line a look, and when a study with these looks ends on average."""
    from dynostats.analysis.question import LEAST_ALPHA

    effect = f"{made.aim.effect_pct:g}%"
    lines = [
        f"Look after pair {look['after_pairs']}: "
        + (
            "too early for any claim"
            if look["level"] < LEAST_ALPHA
            else f"level {look['level']:.4f}, an effect of {effect} is found by then with "
            f"{look['found_by_then']:.0%}"
        )
        for look in made.looks()
    ]
    if lines:
        lines.append(
            f"With an effect of {effect} the study ends after {made.expected_pairs:.1f} pairs on "
            "average."
        )
    return lines
