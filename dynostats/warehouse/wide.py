"""The wide tables of samples and curves: a column a channel, made when it is first needed.

A column that is empty everywhere still costs its share of every insert (measured: 10 ms a column
and 1,000 pulls, four fifths of the whole insert for the cylinder channels that few files have). The
views `samples` and `curves` show a column for every known channel all the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import duckdb

from dynostats.warehouse.connection import rows_of

# The columns that every row has; in curves, engine speed is the grid itself.
KEYS = {"samples": ("pull_no", "sample"), "curves": ("pull_no", "rpm")}
_NOT_IN_CURVES = frozenset({"engine_speed"})


def channels_of(connection: duckdb.DuckDBPyConnection) -> dict[str, tuple[str, ...]]:
    """Return the known channels of each wide table, in the order of the channel table."""
    names = [name for name, *_ in rows_of(connection, "store/channel_columns")]
    curves = tuple(name for name in names if name not in _NOT_IN_CURVES)
    return {"samples": tuple(names), "curves": curves}


def make_room(connection: duckdb.DuckDBPyConnection, table: str, wanted: Iterable[str]) -> None:
    """Add the columns that channels of a batch need, inside the caller's transaction."""
    stored = _stored(connection, table)
    missing = [name for name in wanted if name not in stored]
    for name in missing:
        # The name stands in the channel table: it is one of ours, not a user's.
        connection.execute(f'alter table stored_{table} add column "{name}" double')
    if missing:
        show(connection, table)


def show(connection: duckdb.DuckDBPyConnection, table: str) -> None:
    """Make the view of a wide table anew, with null where a channel has no column yet."""
    stored = _stored(connection, table)
    channels = channels_of(connection)[table]
    columns = [*KEYS[table], *(_column(name, stored=name in stored) for name in channels)]
    listed = ",\n    ".join(columns)
    connection.execute(
        f"create or replace view {table} as\nselect\n    {listed},\nfrom stored_{table}"
    )


def _stored(connection: duckdb.DuckDBPyConnection, table: str) -> Sequence[str]:
    rows = rows_of(connection, "store/channel_columns")
    return [name for name, *here in rows if here[list(KEYS).index(table)]]


def _column(name: str, *, stored: bool) -> str:
    return f'"{name}"' if stored else f'null::double as "{name}"'
