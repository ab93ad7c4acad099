"""The command for the researcher: a formula on the stored pulls."""

from __future__ import annotations

import click

from dynostats.cli import options
from dynostats.cli.output import print_json, print_rows, tell, working
from dynostats.cli.settings import answers, current, current_warehouse


@click.command()
@answers
@click.argument("formula")
@click.option(
    "--errors",
    type=click.Choice(["cr2", "wild", "mixed", "independent"]),
    default="cr2",
    show_default=True,
    help="How the errors are reckoned: cluster-robust, wild cluster bootstrap, mixed model, plain.",
)
@click.option(
    "--by",
    metavar="COLUMN",
    help="Rows that share an error [default: pulls, and a level for each session].",
)
@click.option("--engine", metavar="E", help="Only this engine.")
@click.option("--setup", "setups", multiple=True, metavar="S", help="Only these setups; repeat it.")
@options.band("Engine speeds used, rpm [default: all].")
@options.alpha("One less the level of the intervals.")
def regress(formula: str, setups: tuple[str, ...], **question: object) -> None:
    """Regress by a formula of your own on the accepted pulls.

    A row is a pull at an engine speed; `dynostats query regression_rows` shows the columns. Rows of
    a pull share an error, and each session has a level of its own, unless --by says otherwise.

    \b
    Examples:
      dynostats regress "log_torque ~ log_manifold_pressure + log_charge_temperature + log_rpm"
      dynostats regress "log_torque ~ bs(rpm, df=6) + setup" --errors mixed --engine QB-18T
    """
    settings = current()
    with working("regressing"), current_warehouse() as warehouse:
        found = warehouse.regress(
            formula,
            setups=setups or None,
            **question,  # pyright: ignore[reportArgumentType]
        )
    if settings.as_json:
        print_json(found.to_dict())
    else:
        click.echo(found.headline())
        print_rows(found.table.columns, found.table.rows())
    for note in found.notes:
        tell(f"Note: {note}")
