"""The command that says why: how much boost, charge temperature and mixture explain."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import click

from dynostats.cli import options
from dynostats.cli.output import answer_console, print_json, say, shown, tell, working
from dynostats.cli.settings import answers, current, current_warehouse

if TYPE_CHECKING:
    import polars as pl
    from rich.console import Console
    from rich.table import Table

    from dynostats.analysis.attribution import Attribution, Part
    from dynostats.analysis.channel_change import Measured


@click.command()
@answers
@click.option("--baseline", required=True, metavar="SETUP", help="Setup before the change.")
@click.option("--candidate", required=True, metavar="SETUP", help="Setup with the change.")
@click.option("--engine", metavar="E", help="Needed when several engines have both setups.")
@options.band("Engine speeds looked at, rpm [default: what every pull covers].")
@options.alpha("One less the level of the intervals.")
def attribute(**question: object) -> None:
    """Why it changed: boost, charge temperature, mixture, and what is left.

    Torque is regressed on absolute manifold pressure, absolute charge temperature and lambda, pull
    by pull, in all sessions of the engine. Where the pulls cannot tell how torque follows one of
    them, physics stands in, and the answer says 'assumed'. The parts add up to the total; what no
    cause explains is 'unexplained', never hidden. It is an accounting, no proof of cause.

    \b
    Examples:
      dynostats attribute --baseline stock --candidate big_cooler
      dynostats attribute --baseline stock --candidate big_cooler --band 3000:6500 --json
    """
    settings = current()
    with working("attributing"), current_warehouse() as warehouse:
        found = warehouse.attribute(**question)  # pyright: ignore[reportArgumentType]
    if settings.as_json:
        print_json(found.to_dict())
        for warning in found.warnings:
            tell(f"Warning: {warning}")
    else:
        print_attribution(found, answer_console())


_NAMES = {
    "boost": "boost",
    "charge_temperature": "charge temperature",
    "mixture": "mixture",
    "unexplained": "unexplained",
}
_SPEEDS_SHOWN = 6


def print_attribution(found: Attribution, console: Console) -> None:
    """Print the split, the exponents behind it, and what the reader must know."""
    from rich.padding import Padding
    from rich.text import Text

    low, high = found.band
    console.print(
        Text.assemble(
            ("WHY", "bold"),
            f"  {found.candidate} against {found.baseline} on {found.engine}: mean over "
            f"{low:.0f} to {high:.0f} rpm, from {found.pulls['baseline']} + "
            f"{found.pulls['candidate']} pulls",
        )
    )
    console.print()
    tables = (
        _parts(found, console),
        _speeds(found),
        _coefficients(found),
        *(_figures(title, rows) for title, rows in _beside(found)),
    )
    for table in (table for table in tables if table.row_count):
        console.print(Padding(table, (0, 0, 0, 2), expand=False))
        console.print()
    for text in _unmeasured(found):
        console.print(Text.assemble(("Note: ", "bold"), say(text)))
    for warning in found.warnings:
        console.print(Text.assemble(("Warning: ", "yellow"), say(warning)))
    console.print(Text.assemble(("Next: ", "bold"), say(found.next)))


def _table(*columns: str) -> Table:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for at, column in enumerate(columns):
        table.add_column(column, justify="right" if at else "left")
    return table


def _parts(found: Attribution, console: Console) -> Table:
    """Return one row a part, with a bar that begins where the one above ended."""
    from rich.text import Text

    from dynostats.cli.finding import format_pct

    table = _table("part", "effect", "at least", "at most", shown("kW").name)
    table.add_column("from the baseline to the candidate")
    ends = [0.0]
    for part in found.parts:
        ends.append(ends[-1] + part.log_pct)
    ink = "\u2588" if console.encoding.startswith("utf") else "#"
    total = found.total
    power = shown("kW")
    bars = [*pairwise(ends), (0.0, total.log_pct)]
    rows = [
        (f"{_NAMES[part.name]}{' (assumed)' if _rests_on_physics(part) else ''}", part)
        for part in found.parts
    ]
    for (label, row), bar in zip((*rows, ("total", total)), bars, strict=True):
        numbers = (format_pct(v) for v in (row.effect_pct, row.low_pct, row.high_pct))
        table.add_row(
            label, *numbers, f"{power.of(row.effect_kw):+z.1f}", Text(_bar(bar, ends, ink=ink))
        )
    return table


def _rests_on_physics(part: Part) -> bool:
    return part.assumed and part.name != "unexplained"


def _bar(bar: tuple[float, float], ends: Sequence[float], *, ink: str, columns: int = 32) -> str:
    """Return a bar in characters: from one value to another, zero marked by a stroke."""
    low, high = min(*ends, 0.0), max(*ends, 0.0)
    scale = (columns - 1) / ((high - low) or 1.0)
    first, last, zero = (round((value - low) * scale) for value in (min(bar), max(bar), 0.0))
    cells = [ink if first <= at < max(last, first + 1) else " " for at in range(columns)]
    if cells[zero] == " ":
        cells[zero] = "|"
    return "".join(cells).rstrip()


def _speeds(found: Attribution) -> Table:
    """Return the parts at a few engine speeds, percent."""
    from dynostats.cli.finding import format_pct

    names = [part.name for part in found.parts]
    table = _table("rpm", *(_NAMES[name] for name in names), "total")
    for row in _few(found.curve).iter_rows(named=True):
        values = [row[f"{name}_pct"] for name in (*names, "total")]
        table.add_row(f"{row['rpm']:.0f}", *(format_pct(value) for value in values))
    return table


def _few(curve: pl.DataFrame) -> pl.DataFrame:
    """Return a few rows of a curve, evenly spread, the first and the last among them."""
    last = curve.height - 1
    shown = min(_SPEEDS_SHOWN, last)
    return curve[[round(last * at / max(shown, 1)) for at in range(shown + 1)]]


def _beside(found: Attribution) -> tuple[tuple[str, tuple[Measured, ...]], ...]:
    """Return what was measured beside torque, by the title of its table."""
    cooler, fuel = found.cooler, found.fuel
    return (
        ("charge cooler", () if cooler is None else (*cooler.figures, *cooler.heat_soak)),
        ("fuel and mixture", () if fuel is None else (*fuel.figures, *fuel.cylinders)),
    )


def _unmeasured(found: Attribution) -> tuple[str, ...]:
    """Return what these readings do not say."""
    cooler, fuel = found.cooler, found.fuel
    return (
        *(() if cooler is None else cooler.cannot),
        *(() if fuel is None else (*fuel.cannot, *fuel.notes)),
    )


def _figures(title: str, measured: tuple[Measured, ...]) -> Table:
    from dynostats.report.figures import figure_rows

    table = _table(title, "baseline", "candidate", "change")
    for row, one in zip(figure_rows(measured, current().units), measured, strict=True):
        table.add_row(row.name, row.baseline, row.candidate, row.change)
        if one.why:
            table.add_row(f"  no interval: {one.why}")
    return table


def _coefficients(found: Attribution) -> Table:
    table = _table("percent of torque per percent of", "exponent", "at least", "at most")
    table.add_column("it is")
    for one in found.coefficients:
        told = "assumed: physics and these pulls" if one.assumed else "what the pulls say"
        numbers = (f"{value:+.2f}" for value in (one.estimate, one.low, one.high))
        table.add_row(_CAUSES[one.name], *numbers, told)
    return table


_CAUSES = {
    "boost": "absolute manifold pressure",
    "charge_temperature": "absolute charge temperature",
    "mixture": "lambda",
}
