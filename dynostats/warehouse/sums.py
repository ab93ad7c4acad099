"""Sums over clusters, taken where the rows lie: all that a regression needs of a million rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

import duckdb
import polars as pl
from duckdb import ColumnExpression, ConstantExpression, Expression, FunctionExpression

# The columns are taken about their means over so many rows: near enough to lose no digits.
SAMPLE = 2048


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowSums:
    """Sums of products of columns over each cluster.

    Args:
        frame: One row a cluster, in no order: cluster, rows, then a column `s0`, `s1` … for each
            pair of columns, in the order of `combinations_with_replacement`; the columns are one,
            those asked for, and the response last, all but the first less its centre.
        centres: What was taken off each column asked for, the response last.
    """

    frame: pl.DataFrame
    centres: tuple[float, ...]


def sum_rows(
    rows: duckdb.DuckDBPyRelation, *, columns: Sequence[str], response: str, cluster: str
) -> RowSums:
    """Sum products of columns over the rows of each cluster.

    Args:
        rows: The rows; those in which a column is null are left out.
        columns: What the response is regressed on, beside a constant.
        response: What is explained.
        cluster: Column that says which rows share an error.
    """
    wanted = [*columns, response]
    named = rows.select(
        ColumnExpression(cluster).alias("cluster"),
        *(ColumnExpression(name).alias(f"c{at}") for at, name in enumerate(wanted)),
    )
    whole = named.filter(_known(["cluster", *(f"c{at}" for at in range(len(wanted)))]))
    centres = _centres(whole, len(wanted))
    values = [ConstantExpression(1.0), *(_about(at, centre) for at, centre in enumerate(centres))]
    sums = [
        FunctionExpression("sum", left * right).alias(f"s{at}")
        for at, (left, right) in enumerate(combinations_with_replacement(values, 2))
    ]
    counted = FunctionExpression("count").alias("rows")
    table = whole.aggregate([ColumnExpression("cluster"), counted, *sums], "cluster")
    return RowSums(frame=pl.DataFrame(table), centres=centres)


def _about(at: int, centre: float) -> Expression:
    return ColumnExpression(f"c{at}") - ConstantExpression(centre)


def _known(names: Sequence[str]) -> Expression:
    first, *rest = (ColumnExpression(name).isnotnull() for name in names)
    for one in rest:
        first = first & one
    return first


def _centres(rows: duckdb.DuckDBPyRelation, count: int) -> tuple[float, ...]:
    asked = [FunctionExpression("avg", ColumnExpression(f"c{at}")) for at in range(count)]
    (found,) = rows.limit(SAMPLE).aggregate(asked).fetchall()
    return tuple(0.0 if value is None else float(value) for value in found)
