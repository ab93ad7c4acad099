"""The warehouse as a Python object.

What only one function needs is imported by it: scipy and altair cost most of a second, and a list
of pulls needs neither.
"""

from __future__ import annotations

from pathlib import Path

from dynostats.api.declaring import Declaring
from dynostats.api.opened import AnyPath
from dynostats.api.reporting import Reporting


def open_warehouse(path: AnyPath) -> Warehouse:
    """Return the warehouse at a path; `ingest` makes the file when there is none.

    Example:
        >>> import dynostats as ds
        >>> with ds.open_warehouse("shop.duckdb") as wh:
        ...     wh.path.name
        'shop.duckdb'
    """
    return Warehouse(Path(path))


class Warehouse(Reporting, Declaring):
    """A warehouse file. Made by `open_warehouse`.

    Each call opens the file for itself and lets go of it at its end, so that a notebook left open
    does not keep the cell's computer from storing the next pull.
    """
