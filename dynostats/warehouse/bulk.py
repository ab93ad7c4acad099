"""Curves in bulk: many pulls at once, at the speed of the storage engine's bare scan.

Joining, sorting and naming within the storage engine takes five times the bare scan of the rows
(measured on two million): a run of pulls lies in order, and needs neither.
"""

from __future__ import annotations

from collections.abc import Sequence

import duckdb
import polars as pl

from dynostats.warehouse.named import named_query

# From this share of the pulls in their range, reading all of the range and leaving out the others
# is faster than looking the pulls up.
_DENSE = 0.25


def read_curves(
    connection: duckdb.DuckDBPyConnection, numbers: pl.Series, channels: Sequence[str]
) -> pl.DataFrame:
    """Return the curves of pulls: pull, rpm and the channels, ordered by pull and rpm.

    Args:
        connection: To the warehouse.
        numbers: Numbers of the pulls, each once, rising.
        channels: Channels that curves have.
    """
    rows = read_numbered(connection, numbers, channels)
    last = -1 if numbers.is_empty() else int(numbers[-1])
    names = pl.select("P" + pl.int_range(last + 1).cast(pl.String)).to_series()
    return rows.drop("pull_no").insert_column(0, names.gather(_place(rows)).alias("pull"))


def read_numbered(
    connection: duckdb.DuckDBPyConnection, numbers: pl.Series, channels: Sequence[str]
) -> pl.DataFrame:
    """Return likewise pull_no, rpm and the channels: a text for each row costs as much as all else.

    Args:
        connection: To the warehouse.
        numbers: Numbers of the pulls, each once, rising.
        channels: Channels that curves have.
    """
    columns = [duckdb.ColumnExpression(name) for name in ("pull_no", "rpm", *channels)]
    first, last = (0, -1) if numbers.is_empty() else (int(numbers[0]), int(numbers[-1]))
    if numbers.len() < _DENSE * (last - first + 1):
        query, values = "store/curves_of", {"pull_nos": numbers.to_list()}
    else:
        query, values = "store/curves_between", {"first": first, "last": last}
    rows = pl.DataFrame(connection.sql(named_query(query).sql, params=values).select(*columns))
    if query == "store/curves_between" and numbers.len() < last - first + 1:
        rows = rows.filter(_chosen(numbers, last).gather(_place(rows)))
    # A scan gives the rows as they were stored: pull by pull, but for pulls that were read again.
    if not rows["pull_no"].is_sorted():
        rows = rows.sort("pull_no", "rpm")
    return rows


def _chosen(numbers: pl.Series, last: int) -> pl.Series:
    """Return for every number up to the last whether it is among the numbers."""
    return pl.select(pl.int_range(last + 1, dtype=pl.Int32)).to_series().is_in(numbers.implode())


def _place(rows: pl.DataFrame) -> pl.Series:
    return rows["pull_no"].cast(pl.UInt32)
