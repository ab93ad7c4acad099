"""The command that watches the folder that logs land in, between pulls."""

from __future__ import annotations

import time
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dynostats.cli import options
from dynostats.cli.output import answer_console, print_json, say, tell
from dynostats.cli.settings import answers, current, current_warehouse

if TYPE_CHECKING:
    from rich.console import Console

    from dynostats.analysis.planning.state import StudyState
    from dynostats.api.watching import Scene, Watch

POLL_S = 0.5
# The page is written anew at least so often, that it can tell a watch that has died.
HEARTBEAT_S = 5.0


@click.command()
@answers
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--question",
    "number",
    type=int,
    metavar="N",
    help="Number of the declared question [default: the one declared last].",
)
@click.option(
    "--page",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="The page that renews itself [default: watch.html beside the warehouse].",
)
@click.option(
    "--settle",
    "settle_s",
    type=click.FloatRange(min=0.1),
    default=3.0,
    show_default=True,
    metavar="SECONDS",
    help="How long a log must stand still before it is read. Longer than your logger pauses while "
    "it writes.",
)
@options.channels()
@click.option("--once", is_flag=True, help="End when no file in the folder is waited for.")
def watch(folder: Path, page: Path | None, once: bool, **asked: object) -> None:
    """At the cell, between pulls: accepted or not, effect so far, what to do next.

    A log that lands in FOLDER is taken in as soon as it is complete, judged, and added to the
    question that `plan --declare` stored. A half-written file is never taken in. The answer so far
    stands here and on a page that renews itself. Stop with Ctrl-C and start again at any time:
    nothing is lost. With --json the last state is printed at the end.

    \b
    Examples:
      dynostats watch logs/
      dynostats watch logs/ --page /home/shop/cell.html --settle 10
    """
    where = page or current().warehouse.with_name("watch.html")
    with current_warehouse() as warehouse:
        watching = warehouse.watch(folder, **asked)  # pyright: ignore[reportArgumentType]
    if not current().as_json:
        tell(f"Page: {where}   (open it in a browser; it renews itself)")
    _run(watching, where, once=once)


def _run(watching: Watch, page: Path, *, once: bool) -> None:
    """Look again and again, until interrupted or, with `once`, until nothing is waited for."""
    from dynostats.report.watch_page import write_watch

    shown: object = None
    written = float("-inf")
    scene: Scene | None = None
    try:
        while True:
            now = time.monotonic()
            scene = watching.step(now)
            key = (id(scene.state), scene.notes())
            if key != shown or now - written >= HEARTBEAT_S:
                write_watch(scene.state, scene.notes(), page, written=datetime.now().astimezone())
                written = now
            if key != shown and not current().as_json:
                _print_scene(scene, answer_console())
            shown = key
            if once and watching.settled(scene):
                break
            time.sleep(POLL_S)
    finally:
        if scene is not None and current().as_json:
            print_json(scene.to_dict())


def _print_scene(scene: Scene, console: Console) -> None:
    """Print what happened, then where the study stands."""
    for event in scene.events:
        console.print(f"{event.file}  {event.text}".strip())
    for note in scene.notes():
        console.print(f"{note.file}  {note.state}: {note.why}", style="yellow")
    _print_state(scene.state, console)


def _print_state(state: StudyState, console: Console) -> None:
    from rich.text import Text

    progress = state.progress
    planned = state.declared.pulls_per_setup
    style = "bold green" if state.stopped else "bold"
    console.print(
        Text.assemble(
            (f"{datetime.now():%H:%M:%S}  ", ""),  # noqa: DTZ005 - the wall clock of the cell
            (state.advice(), style),
        )
    )
    effect = "no effect yet"
    if state.finding is not None:
        effect = f"effect so far {state.finding.overall.effect_pct:+.2f}%"
    console.print(
        f"  {progress.baseline} + {progress.candidate} of {planned} + {planned} pulls; {effect}"
    )
    for look in state.looks[-1:]:
        from dynostats.analysis.planning.wording import say_look

        console.print(f"  look {look.number}, {say_look(look)}")
    if progress.next is not None and not state.stopped:
        console.print(f"  next: {progress.next.setup} (log {progress.next.file})")
    for finding in state.judged:
        if finding.severity != "note":
            console.print(
                f"  {finding.pull}, {finding.severity}: {say(finding.message)}", style="yellow"
            )
    for text in state.departures:
        console.print(f"  Departure: {text}", style="yellow")
