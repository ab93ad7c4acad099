"""The command that puts all past studies together."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dynostats.cli import options
from dynostats.cli.output import answer_console, print_json, print_rows, tell, tell_judged
from dynostats.cli.settings import answers, current, current_warehouse
from dynostats.words import command_line

if TYPE_CHECKING:
    from rich.console import Console

    from dynostats.analysis.synthesis import History

_SHOWN_STUDIES = 20


@click.command()
@answers
@click.option("--engine", metavar="E", help="Only this engine.")
@click.option("--kind", metavar="K", help="Only this kind of change.")
@options.margin("margin")
@options.correction()
@options.alpha(
    "One less the level of the intervals; share of false ones accepted among what is found."
)
@options.report("Also write it as one HTML page that needs no network.")
def history(report: Path | None, **asked: str | float | None) -> None:
    """What do all past studies say together?

    Every setup that says which other setup it was changed from (columns `relative_to` and `changed`
    of the sheet) and every declared question is a study. Each is judged anew, as `compare` does.
    Together: what a kind of change does on average and on the next engine, the best changes with
    the luck taken out, and which claims of the past would not stand today. The kind of a change is
    what stands before the first colon of `changed`: "cooler: deeper core".

    \b
    Examples:
      dynostats history
      dynostats history --kind cooler --report history.html
      dynostats amend P12 relative_to=outlet-54 --why "the sheet did not say"
      dynostats amend P12 changed="exhaust: 70 mm outlet" --why "the sheet did not say"
    """
    settings = current()
    warehouse = current_warehouse()
    found = warehouse.history(progress=tell_judged, **asked)  # pyright: ignore[reportArgumentType]
    if report is not None:
        warehouse.report_history(found, report, command=command_line("history", asked))
    if settings.as_json:
        print_json(found.to_dict())
        for warning in found.warnings:
            tell(f"Warning: {warning}")
    else:
        print_history(found, answer_console())
    if report is not None:
        tell(f"Report: {report}")


def print_history(found: History, console: Console) -> None:
    """Print the answer, the kinds, the best changes, the claims that fell, and the studies."""
    from rich.padding import Padding
    from rich.text import Text

    console.print(found.answer)
    for title, lines in (
        ("Kinds of change", _kind_lines(found)),
        (
            "What effects go with",
            [f"{one.kind}, {one.text}" for one in found.moderators] or [found.moderators_lacking],
        ),
        ("Claims that would not stand today", [one.text for one in found.fallen]),
    ):
        if lines:
            console.print()
            console.print(Text(title, "bold"))
        for line in lines:
            console.print(Padding(Text(line), (0, 0, 0, 2), expand=False))
    _print_studies(found, console)
    console.print()
    for warning in found.warnings:
        console.print(Text.assemble(("Warning: ", "yellow"), warning))
    console.print(Text.assemble(("Next: ", "bold"), found.next))


def _kind_lines(found: History) -> list[str]:
    """Return a line a kind that can be put together, and one for all the others."""
    few = [one.kind for one in found.kinds if one.effect_pct is None]
    lines = [f"{one.kind}: {one.text}" for one in found.kinds if one.effect_pct is not None]
    if few:
        lines.append(f"{', '.join(few)}: on too few engines to say anything of other engines.")
    return lines


def _print_studies(found: History, console: Console) -> None:
    from rich.text import Text

    console.print()
    console.print(Text("Studies, best first", "bold"))
    rows = [
        (
            f"{row['candidate']} against {row['baseline']}",
            row["engine"],
            row["kind"],
            f"{row['baseline_pulls']} + {row['candidate_pulls']}",
            _span(row["effect_pct"], row["low_pct"], row["high_pct"]),
            "" if row["p_adjusted"] is None else f"{row['p_adjusted']:.2g}",
            ""
            if row["shrunken_pct"] is None
            else _span(row["shrunken_pct"], row["shrunken_low_pct"], row["shrunken_high_pct"]),
            row["verdict"].replace("_", " ") + (", doubtful" if row["doubts"] else ""),
        )
        for row in found.studies.head(_SHOWN_STUDIES).iter_rows(named=True)
    ]
    print_rows(
        (
            "change",
            "engine",
            "kind",
            "pulls",
            "by itself",
            "adjusted p",
            "beside its fellows",
            "verdict",
        ),
        rows,
    )
    left = found.studies.height - len(rows)
    if left:
        tell(f"The first {len(rows)} of {found.studies.height} studies; --json has all.")
    for row in found.left_out.iter_rows(named=True):
        tell(f"Not judged: {row['candidate']} against {row['baseline']}: {row['why']}")


def _span(value: float, low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return f"{value:+z.2f}% (no interval)"
    return f"{value:+z.2f}% ({low:+z.2f} to {high:+z.2f})"
