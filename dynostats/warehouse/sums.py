"""Sums over clusters, taken where the rows lie: all that a regression needs of a million rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from itertools import combinations_with_replacement
from math import isfinite
from operator import add, and_

import duckdb
import polars as pl
from duckdb import ColumnExpression, ConstantExpression, Expression, FunctionExpression
from duckdb.sqltypes import DOUBLE, DuckDBPyType

# The columns are taken about their means over so many rows: near enough to lose no digits.
SAMPLE = 2048


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowSums:
    """Sums of products of columns over each cluster.

    Args:
        frame: One row a cluster, in no order: cluster, level where asked, rows, then a column `s0`,
            `s1` … for each pair of columns, in the order of `combinations_with_replacement`; the
            columns are one, those asked for, and the response last, all but the first less its
            centre.
        centres: What was taken off each column asked for, the response last.
        left_out: Rows in which a column is null or not finite.
    """

    frame: pl.DataFrame
    centres: tuple[float, ...]
    left_out: int


def sum_rows(
    rows: duckdb.DuckDBPyRelation,
    *,
    columns: Sequence[str],
    response: str,
    cluster: str,
    level: str | None = None,
) -> RowSums:
    """Sum products of columns over the rows of each cluster.

    Args:
        rows: The rows; those in which a column is null or not finite are left out.
        columns: What the response is regressed on, beside a constant.
        response: What is explained.
        cluster: Column that says which rows share an error.
        level: Column of the larger group a cluster lies in; None for none.
    """
    groups = {"cluster": cluster} if level is None else {"cluster": cluster, "level": level}
    numbers = {f"c{at}": name for at, name in enumerate((*columns, response))}
    named = rows.select(
        *(ColumnExpression(of).alias(name) for name, of in groups.items()),
        *(ColumnExpression(of).cast(DOUBLE).alias(name) for name, of in numbers.items()),
    )
    centres = _centres(named, list(numbers))
    # Looking first whether each row has everything would cost more than to sum them again.
    found = _summed(named, list(groups), numbers=list(numbers), centres=centres)
    total = int(found["rows"].sum())
    if not _whole(found, list(groups)):
        values = [ColumnExpression(name) for name in numbers]
        known = [ColumnExpression(name).isnotnull() for name in groups]
        finite = [FunctionExpression("isfinite", value) for value in values]
        rows = named.filter(reduce(and_, known + finite))
        found = _summed(rows, list(groups), numbers=list(numbers), centres=centres)
    left_out = total - int(found["rows"].sum())
    return RowSums(frame=found.drop("known"), centres=centres, left_out=left_out)


def _summed(
    rows: duckdb.DuckDBPyRelation,
    groups: Sequence[str],
    *,
    numbers: Sequence[str],
    centres: Sequence[float],
) -> pl.DataFrame:
    """Return the sums of each group, with `known`: how many of its rows have every number."""
    keys = [ColumnExpression(name) for name in groups]
    values = [ColumnExpression(name) for name in numbers]
    about = rows.select(
        *keys,
        *(
            (value - ConstantExpression(centre)).alias(name)
            for name, value, centre in zip(numbers, values, centres, strict=True)
        ),
    )
    counts = (
        FunctionExpression("count").alias("rows"),
        FunctionExpression("count", reduce(add, values)).alias("known"),
    )
    pairs = combinations_with_replacement([None, *values], 2)
    sums = [_sum(left, right).alias(f"s{at}") for at, (left, right) in enumerate(pairs)]
    return pl.DataFrame(about.aggregate([*keys, *counts, *sums], ", ".join(groups)))


def _whole(found: pl.DataFrame, groups: Sequence[str]) -> bool:
    """Return whether every row went into every sum, and none spoiled it."""
    sums = [name for name in found.columns if name not in {*groups, "rows", "known"}]
    return found.select(
        (pl.col("rows") == pl.col("known")).all()
        & pl.all_horizontal(pl.col(list(groups)).is_not_null().all())
        & pl.all_horizontal(pl.col(sums).is_finite().all())
    ).item()


def _sum(left: Expression | None, right: Expression | None) -> Expression:
    """Return the sum of a product; None stands for one."""
    if right is None:
        return FunctionExpression("count").cast(DOUBLE)
    return FunctionExpression("sum", right if left is None else left * right)


def is_number(kind: DuckDBPyType) -> bool:
    """Return whether a column of a type can be summed."""
    return kind.id in {"double", "float", "integer", "bigint"}


def _centres(rows: duckdb.DuckDBPyRelation, numbers: Sequence[str]) -> tuple[float, ...]:
    """Return rough means; zero where there is none."""
    means = [FunctionExpression("avg", ColumnExpression(name)) for name in numbers]
    (found,) = rows.limit(SAMPLE).aggregate(means).fetchall()
    return tuple(mean if mean is not None and isfinite(mean) else 0.0 for mean in found)
