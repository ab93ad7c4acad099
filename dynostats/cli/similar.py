"""The command that finds pulls like one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from dynostats.cli import options
from dynostats.cli.output import answer_console, print_json, print_rows, tell
from dynostats.cli.settings import answers, current, current_warehouse

if TYPE_CHECKING:
    from rich.console import Console

    from dynostats.analysis.likeness import SimilarPulls

_LIKE = {
    "one_session": "as in a session",
    "two_sessions": "as in two sessions",
    "neither": "no",
    None: "not known",
}


@click.command()
@answers
@click.argument("pull")
@click.option(
    "--by",
    type=click.Choice(["shape", "level", "channels", "conditions"]),
    default="shape",
    show_default=True,
    help="Order by the shape of the torque curve (level taken out), by shape and level together, "
    "by channels, or by air and start temperatures.",
)
@click.option(
    "--channel",
    "channels",
    multiple=True,
    metavar="NAME",
    help="Channel to compare; may be given several times [default with --by channels: boost, "
    "charge temperature, lambda, fuel flow, oil pressure, as the pull has them].",
)
@options.band("Engine speeds compared, rpm [default: what the pull covers].")
@click.option(
    "--overlap",
    type=float,
    default=0.8,
    show_default=True,
    metavar="SHARE",
    help="Share of those speeds that another pull must cover.",
)
@click.option("--engine", metavar="E", help="Only pulls of this engine.")
@click.option("--dyno", metavar="D", help="Only pulls on this dyno.")
@click.option(
    "--most", type=int, default=10, show_default=True, metavar="N", help="How many are listed."
)
def similar(pull: str, channels: tuple[str, ...], overlap: float, **asked: object) -> None:
    """Which pulls are most like this one?

    All accepted pulls are held against it, and the nearest listed with what sets them apart and
    whether they are as like as two pulls of one setup: in one session, or in two.

    \b
    Examples:
      dynostats similar P12
      dynostats similar P12 --by level --band 3000:6000 --engine QB-21T
      dynostats similar P12 --by channels --channel lambda --channel charge_temperature
      dynostats similar P12 --by conditions --most 20 --json
    """
    settings = current()
    found = current_warehouse().similar(
        pull,
        channels=channels or None,
        least_overlap=overlap,
        **asked,  # pyright: ignore[reportArgumentType]
    )
    if settings.as_json:
        print_json(found.to_dict())
        for warning in found.warnings:
            tell(f"Warning: {warning}")
    else:
        _print_similar(found, answer_console())


def _print_similar(found: SimilarPulls, console: Console) -> None:
    console.print(found.answer)
    console.print(
        f"Compared from {found.band[0]:,.0f} to {found.band[1]:,.0f} rpm; a pull must cover at "
        f"least {found.least_overlap:.0%} of it.\n"
    )
    distance = [] if found.unit == "%" else ["distance [SD]"]
    rows = [
        [
            row["pull"],
            row["engine"],
            row["session"],
            row["setup"],
            *([] if found.unit == "%" else [f"{row['distance']:.2f}"]),
            f"{row['shape_pct']:.2f}",
            f"{row['level_pct']:+z.2f}",
            f"{row['overlap']:.0%}",
            _LIKE[row["like"]],
            row["differs"],
        ]
        for row in found.matches.iter_rows(named=True)
    ]
    print_rows(
        (
            "pull",
            "engine",
            "session",
            "setup",
            *distance,
            "shape [%]",
            "level [%]",
            "overlap",
            "like a repeat",
            "apart in",
        ),
        rows,
    )
    console.print()
    for warning in found.warnings:
        console.print(f"Warning: {warning}", style="yellow")
