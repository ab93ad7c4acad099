"""The command that judges stored pulls: fit to be compared, labelled as their data look?"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import click

from dynostats.cli.gathered import gather, gather_alike, name_pulls
from dynostats.cli.output import answer_console, print_json, say, working
from dynostats.cli.settings import answers, current, current_warehouse
from dynostats.words import count

if TYPE_CHECKING:
    from rich.console import Console

    from dynostats.analysis.acceptance import Acceptance, PullFinding


@click.command()
@answers
@click.argument("pulls", nargs=-1, metavar="[PULL…]")
def check(pulls: tuple[str, ...]) -> None:
    """Judge stored pulls: fit to compare, and labelled right?

    A pull is void (ended early, torque collapsed, speed fell back, fuel pressure lost, a needed
    channel missing), doubtful (a channel flat, spiked or at its limit, clock gaps, started hot or
    cold, far from the others of its setup, data like another setup), or worth a note. Limits come
    from your own past pulls where there are enough. Nothing is changed: void pulls were left out
    when they were read, and `exclude`, `include` and `amend` are yours. Without PULL, all are
    judged.

    \b
    Examples:
      dynostats check
      dynostats check P31 P35
    """
    with working("judging the pulls"):
        result = current_warehouse().check(*pulls)
    if current().as_json:
        print_json(result.to_dict())
    else:
        print_acceptance(result, answer_console())


def print_acceptance(result: Acceptance, console: Console) -> None:
    """Print dangers first, then what is void, doubtful, worth a note, and what cannot be told."""
    console.print(_summary(result))
    _print_dangers(result.dangers(), console)
    headings = (
        ("Void: not fit to be compared", "bold", _safe(result.of("void")), gather),
        ("Doubtful: look at them", "bold yellow", _safe(result.of("doubtful")), gather_alike),
        ("Good to know", "bold", _safe(result.of("note")), gather_alike),
    )
    for title, style, findings, gathered in headings:
        if findings:
            console.print(f"\n{title}", style=style)
            told = [(one.pull, f"({one.check}): {one.message}") for one in findings]
            _print_gathered(gathered(told), console)
    if result.cannot_tell:
        console.print("\nCannot be told", style="bold")
        for text in result.cannot_tell:
            _print_indented(text, console)


def _print_dangers(findings: Iterable[PullFinding], console: Console) -> None:
    """Print each warning once, and under it what was found in which pulls."""
    from dynostats.curves.acceptance import split_warning

    warned: dict[str, list[tuple[str, str]]] = {}
    for one in findings:
        warning, found = split_warning(one.message)
        told = f"({one.check}): {found} [{one.severity}]"
        warned.setdefault(warning, []).append((one.pull, told))
    if warned:
        console.print("\nDanger to the engine first, a matter of data second", style="bold red")
    for warning, told in warned.items():
        _print_indented(warning, console)
        _print_gathered(gather(told), console)


def _summary(result: Acceptance) -> str:
    worst: dict[str, str] = {}
    for finding in result.findings:  # the gravest of a pull comes first
        worst.setdefault(finding.pull, finding.severity)
    kinds = list(worst.values())
    judged = len(result.pulls)
    return (
        f"{count(judged, 'pull')} judged: {kinds.count('void')} void, "
        f"{kinds.count('doubtful')} doubtful, {kinds.count('note')} with notes, "
        f"{judged - len(kinds)} without a finding."
    )


def _safe(findings: Iterable[PullFinding]) -> tuple[PullFinding, ...]:
    return tuple(finding for finding in findings if not finding.danger)


def _print_gathered(told: Iterable[tuple[list[str], str]], console: Console) -> None:
    """Print each text once, with the pulls it holds for."""
    for names, text in told:
        _print_indented(f"{name_pulls(names)} {text}", console)


def _print_indented(text: str, console: Console) -> None:
    from rich.padding import Padding
    from rich.text import Text

    console.print(Padding(Text(say(text)), (0, 0, 0, 2), expand=False))
