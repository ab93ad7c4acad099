"""Where answers and errors go: answers to standard output, everything else to standard error."""

from __future__ import annotations

import math
import sys
from collections.abc import Generator, Iterable, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from typing import TYPE_CHECKING, Protocol, cast, runtime_checkable

from dynostats.cli.settings import current
from dynostats.errors import DynostatsError

if TYPE_CHECKING:
    from rich.console import Console

    from dynostats.units import Shown


# Of so many studies one is told, that a long run shows that it goes on.
_SAID_OFTEN = 10
# Cells up to this many letters are never broken in a table.
_UNBROKEN = 24
_GAP = 2


@runtime_checkable
class SupportsItem(Protocol):
    """A numpy scalar, without importing numpy."""

    def item(self) -> object:
        """Return the Python number it holds."""
        ...


def plain(value: object) -> object:
    """Return a value as JSON can hold it: what is unknown or not finite is null."""
    match value:
        case float():
            plainer = float(value) if math.isfinite(value) else None
        case None | bool() | int() | str():
            plainer = value
        case Mapping():
            items = cast("Mapping[object, object]", value)
            plainer = {str(key): plain(item) for key, item in items.items()}
        case Sequence() | set() | frozenset():
            plainer = [plain(item) for item in cast("Iterable[object]", value)]
        case date():  # datetime too
            plainer = value.isoformat()
        case SupportsItem():  # a numpy scalar
            plainer = plain(value.item())
        case _:
            plainer = str(value)
    return plainer


def to_json(document: Mapping[str, object]) -> str:
    """Return one JSON document (RFC 8259), in ASCII so that no terminal's encoding can spoil it."""
    import json

    return json.dumps(plain(document), allow_nan=False, indent=1)


def print_json(document: Mapping[str, object]) -> None:
    """Print one JSON document on standard output."""
    sys.stdout.write(to_json(document) + "\n")


def answer_console() -> Console:
    """Return the console for answers; into a pipe it is wide, so that no name is cut off."""
    from rich.console import Console

    width = None if sys.stdout.isatty() else 200
    return Console(file=sys.stdout, width=width, highlight=False, emoji=False, markup=False)


def print_rows(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Print rows as a table; no value is cut off, and only a long one is broken into lines.

    On a terminal too narrow even so, the table keeps its width and the terminal breaks its lines.
    """
    from rich.table import Table

    console = answer_console()
    cells = [[_cell(value) for value in row] for row in rows]
    table = Table(box=None, pad_edge=False, padding=(0, _GAP, 0, 0))
    needed = 0
    for column, *values in zip(columns, *cells, strict=True):
        width = max(len(text) for text in (column, *values))
        least = min(width, _UNBROKEN)
        table.add_column(column, overflow="fold", min_width=least, no_wrap=width == least)
        needed += least + _GAP
    for row in cells:
        table.add_row(*row)
    console.print(table, width=max(console.width, needed), crop=False)


def _cell(value: object) -> str:
    match value:
        case None:
            return ""
        case float():
            return f"{value:.6g}"
        case _:
            return str(value)


def tell(message: str) -> None:
    """Print a line for the person at the terminal on standard error."""
    sys.stderr.write(message + "\n")


def tell_judged(done: int, every: int) -> None:
    """Say now and then, on standard error, how many studies are judged."""
    if done % _SAID_OFTEN == 0 and done < every:
        tell(f"{done} of {every} studies judged")


def say(text: str) -> str:
    """Return a sentence with its numbers in the units that were asked for."""
    from dynostats.units import say_in

    return say_in(text, current().units)


def shown(unit: str) -> Shown:
    """Return how a stored unit is shown in the units that were asked for."""
    from dynostats.units import shown_unit

    return shown_unit(unit, current().units)


@contextmanager
def working(words: str) -> Generator[None]:
    """Show on standard error that work goes on, and for how long, if that is a terminal."""
    if not sys.stderr.isatty():
        yield
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn("line"), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        bar.add_task(words)
        yield


def report_error(error: DynostatsError, *, as_json: bool) -> None:
    """Say what is wrong, where, and how to mend it."""
    tell(f"Error: {error.headline()}")
    if error.mend:
        tell(f"  {error.mend}")
    if as_json:
        print_json({"error": error.to_dict()})
