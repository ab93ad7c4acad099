"""The commands that watch the cell over time, and log what is done to it."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dynostats.cli import options
from dynostats.cli.output import answer_console, print_json, print_rows, say, shown, tell, working
from dynostats.cli.settings import answers, current, current_warehouse
from dynostats.words import command_line

if TYPE_CHECKING:
    from rich.console import Console

    from dynostats.analysis.monitor import Monitoring

_STYLES = {
    "changed": ("CHANGED", "bold red"),
    "signals": ("SESSIONS STAND OUT", "bold yellow"),
    "no_change_shown": ("NO CHANGE SHOWN", "bold"),
    "too_few_sessions": ("TOO FEW SESSIONS", "bold yellow"),
}
SHOWN_SESSIONS = 12


@click.command()
@answers
@click.option("--dyno", metavar="D", help="Only this dyno.")
@click.option("--engine", metavar="E", help="Only this engine.")
@click.option(
    "--setup", metavar="S", help="Reference setup [default: the one pulled in most sessions]."
)
@click.option(
    "--channel",
    "channels",
    multiple=True,
    metavar="NAME",
    help="Channel charted beside torque; may be given several times [default: boost, mixture, "
    "fuel and oil pressure, as far as the pulls have them].",
)
@click.option(
    "--correction",
    metavar="NAME",
    help="Ambient correction of torque, as in `compare`: takes the weather out of an engine that "
    "breathes freely [default: what the sheet says the torque already has, else none].",
)
@options.report("Also write the charts as one HTML page that needs no network.")
def monitor(channels: tuple[str, ...], report: Path | None, **scope: str | None) -> None:
    """Is the cell still the cell it was?

    A reference setup, session by session: charts of single values, of the differences from session
    to session, of a running mean, and of the scatter within each session. A lasting change is
    looked for with a stated chance of a false one, and dated. Calibrations logged with `event`
    split the history.

    \b
    Examples:
      dynostats monitor
      dynostats monitor --dyno cell-1 --setup outlet-54 --report cell.html
      dynostats monitor --channel charge_temperature --channel lambda
    """
    settings = current()
    warehouse = current_warehouse()
    with working("looking for changes"):
        found = warehouse.monitor(channels=channels or None, **scope)
    if report is not None:
        command = command_line("monitor", {**scope, "channel": channels})
        warehouse.report_monitoring(found, report, command=command)
    if settings.as_json:
        print_json(found.to_dict())
        for warning in found.warnings:
            tell(f"Warning: {warning}")
    else:
        print_monitoring(found, answer_console())
    if report is not None:
        tell(f"Report: {report}")


def print_monitoring(found: Monitoring, console: Console) -> None:
    """Print the answer, the changes with dates, the sessions, and what to do."""
    from rich.padding import Padding
    from rich.text import Text

    word, style = _STYLES[found.verdict]
    place = f" on {found.dyno}" if found.dyno else ""
    console.print(
        Text.assemble(
            (word, style),
            f"  {found.setup} of {found.engine}{place}, {found.band[0]:.0f} to "
            f"{found.band[1]:.0f} rpm",
        )
    )
    console.print()
    lines = [found.answer, *(one.text for one in found.changes if one.kind == "calibration")]
    lines += [signal.text for signal in found.signals]
    for line in dict.fromkeys(lines):
        console.print(Padding(Text(say(line)), (0, 0, 0, 2), expand=False))
    console.print()
    _print_sessions(found)
    if found.events:
        console.print()
        print_rows(
            ("logged", "kind", "when", "what"),
            [
                (one.event, one.kind, f"{one.happened_at:%Y-%m-%d %H:%M}", one.what)
                for one in found.events
            ],
        )
    console.print()
    for warning in found.warnings:
        console.print(Text.assemble(("Warning: ", "yellow"), say(warning)))
    console.print(Text.assemble(("Next: ", "bold"), say(found.next)))


def _print_sessions(found: Monitoring) -> None:
    torque = found.charts[0]
    points = torque.points.tail(SHOWN_SESSIONS)
    rows = [
        (
            row["session"],
            "" if row["date"] is None else f"{row['date']:%Y-%m-%d}",
            row["pulls"],
            f"{row['value']:+.2f}%",
            "" if row["low"] is None else f"{row['low']:+.2f} to {row['high']:+.2f}%",
            "" if row["ewma"] is None else f"{row['ewma']:+.2f}%",
            ", ".join(row["signal"]).replace("_", " "),
        )
        for row in points.iter_rows(named=True)
    ]
    columns = ("session", "date", "pulls", "torque", "limits", "running mean", "beyond limits")
    print_rows(columns, rows)
    left = torque.points.height - points.height
    if left:
        tell(f"The last {points.height} of {torque.points.height} sessions; --json has all.")
    unit = shown("N.m")
    level = f"{unit.of(torque.level):.1f} {unit.name}"
    tell(f"Torque in percent of the present level, {level} over the band.")


@click.group()
def event() -> None:
    """Log what is done to the cell: calibration, service, repair.

    The log is append-only. Calibrations split the history that `monitor` looks at, and every event
    is drawn on its charts.

    \b
    Examples:
      dynostats event add calibration "load cell, dead weights" --at 2025-05-12
      dynostats event list
    """


@event.command("add")
@answers
@click.argument("kind", type=click.Choice(["calibration", "service", "repair", "other"]))
@click.argument("what")
@click.option(
    "--at",
    type=click.DateTime(),
    metavar="TIME",
    help="When, on the shop's clock, for example 2025-05-12T08:30:00 [default: now].",
)
@click.option("--dyno", metavar="D", help="Needed when several dynos are stored.")
@click.option("--who", metavar="NAME", help="Who says so [default: your login name].")
def add_event(kind: str, what: str, at: datetime | None, dyno: str | None, who: str | None) -> None:
    """Log something that was done to the cell.

    \b
    Examples:
      dynostats event add calibration "load cell, dead weights" --at 2025-05-12
      dynostats event add repair "water brake bearing changed" --dyno cell-1
    """
    name = current_warehouse().event(kind, what, at=at, dyno=dyno, who=who)
    if current().as_json:
        print_json({"event": name, "kind": kind, "what": what})
    else:
        answer_console().print(f"{name}: {kind} logged: {what}")


@event.command("withdraw")
@answers
@click.argument("name", metavar="EVENT")
@click.option("--why", required=True, metavar="TEXT", help="The reason; kept in the log.")
@click.option("--who", metavar="NAME", help="Who says so [default: your login name].")
def withdraw_event(name: str, why: str, who: str | None) -> None:
    """Take a wrong entry back.

    Both stay in the log.

    \b
    Example:
      dynostats event withdraw E3 --why "wrong cell"
    """
    taken = current_warehouse().withdraw_event(name, why=why, who=who)
    if current().as_json:
        print_json({"event": taken, "withdrawn": why})
    else:
        answer_console().print(f"{taken}: taken back: {why}")


@event.command("list")
@answers
@click.option("--dyno", metavar="D", help="Only this dyno.")
def list_events(dyno: str | None) -> None:
    """List what was done to the cells, by date.

    \b
    Example:
      dynostats event list --dyno cell-1
    """
    found = current_warehouse().events(dyno=dyno)
    if current().as_json:
        print_json(found.to_dict())
        return
    rows = found.frame.select("event", "dyno", "kind", "happened_at", "what", "who", "withdrawn")
    print_rows(rows.columns, rows.rows())
    if rows.is_empty():
        tell("Nothing is logged yet; `dynostats event add` logs something.")
