"""The command that shows the whole job on a simulated shop."""

from __future__ import annotations

import shlex
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dynostats.cli.output import answer_console, print_json
from dynostats.cli.settings import answers, current
from dynostats.words import count

if TYPE_CHECKING:
    from dynostats.api.demo import Demo


@click.command()
@answers
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("dynostats-demo"),
    show_default=True,
    metavar="DIR",
    help="Where everything goes: logs, sheet, a warehouse of its own, report.",
)
def demo(out: Path) -> None:
    """Show the whole job on a simulated shop.

    An invented shop is simulated, its pulls stored, its study answered, the report written. What
    is true is known there, so the answer can be checked. Safe to repeat.

    \b
    Examples:
      dynostats demo
      dynostats demo --out /tmp/try
    """
    from dynostats.api.demo import demo as run_demo
    from dynostats.cli.stored import ingest_progress

    with ingest_progress() as progress:
        made = run_demo(out, progress=progress)
    if current().as_json:
        print_json(made.to_dict())
    else:
        print_demo(made)


def print_demo(made: Demo) -> None:
    """Print the answer, whether it holds the truth, where things are, and what to try next."""
    from dynostats.cli.finding import format_pct, print_finding

    console = answer_console()
    stored, skipped = len(made.ingested.stored), len(made.ingested.skipped)
    console.print(
        f"{made.shop}, an invented shop: {count(stored, 'pull')} stored now, "
        f"{count(skipped, 'file')} skipped.\n"
    )
    print_finding(made.finding, console)
    inside = "inside" if made.holds_truth() else "outside"
    console.print(
        f"\nThe simulator knows the true mean effect: {format_pct(made.true_effect_pct())}, "
        f"{inside} the interval."
    )
    console.print(f"\nLogs and sheet  {made.files}")
    console.print(f"Warehouse       {made.warehouse}")
    console.print(f"Report          {made.report}   (open it in a browser)")
    console.print("\nTry next:")
    for command in _next_commands(made):
        console.print(f"  {command}", soft_wrap=True)


def _own_name() -> list[str]:
    """Return how this program is started here, so that the commands shown can be copied."""
    typed = Path(sys.argv[0])
    if typed.name != "dynostats":
        return [sys.executable, "-m", "dynostats"]
    found = shutil.which("dynostats")
    on_path = found is not None and typed.exists() and Path(found).samefile(typed)
    return ["dynostats" if on_path else str(typed)]


def _next_commands(made: Demo) -> list[str]:
    start = shlex.join([*_own_name(), "--warehouse", str(made.warehouse)])
    return [
        f"{start} pulls",
        f"{start} repeatability",
        *(
            f"{start} compare "
            + shlex.join(["--baseline", question.baseline, "--candidate", question.candidate])
            for question in made.other_questions
        ),
        f"{start} query",
    ]
