"""Parquet files to a table."""

from __future__ import annotations

import io

import numpy as np
import polars as pl

from dynostats.arrays import Floats
from dynostats.errors import InputError
from dynostats.ingest.log import Finding
from dynostats.ingest.table import Header, Table


def read_parquet(data: bytes, *, name: str) -> Table:
    """Return the numeric columns of a Parquet file; units stand in the column names.

    Args:
        data: The whole file.
        name: Name of the file, for messages.

    Raises:
        InputError: If it is no Parquet file that can be read, or it has no rows.
    """
    frame = _read_frame(data, name=name)
    columns = {title: _as_floats(frame[title]) for title in frame.columns}
    kept = {title: values for title, values in columns.items() if values is not None}
    if not kept or frame.height == 0:
        raise InputError(
            "Nothing ingested: the Parquet file has no rows of numbers.",
            where=name,
            mend="Export the log again; the pull may not have been recorded.",
        )
    return Table(
        header=Header(
            names=tuple(kept),
            units=tuple(_unit(frame[title]) for title in kept),
            numbers=tuple(frame.columns.index(title) + 1 for title in kept),
        ),
        values=np.array(list(kept.values())),
        findings=tuple(
            Finding(
                check="text_column",
                severity="note",
                message=f"Column '{title}' is {frame[title].dtype}, which stays in the file only.",
            )
            for title, values in columns.items()
            if values is None
        ),
    )


def _read_frame(data: bytes, *, name: str) -> pl.DataFrame:
    try:
        return pl.read_parquet(io.BytesIO(data))
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError, ValueError) as error:
        raise InputError(
            f"Nothing ingested: the Parquet file cannot be read ({type(error).__name__}).",
            where=name,
            mend="Write it again with the program that made it.",
        ) from error


def _as_floats(column: pl.Series) -> Floats | None:
    """Return a column as numbers, times as seconds since the first; None for anything else."""
    dtype = column.dtype
    if dtype.is_temporal() and dtype != pl.Date:
        counts = column.cast(pl.Int64)
        first = counts.drop_nulls().head(1)
        start = int(first[0]) if first.len() and dtype != pl.Duration else 0
        return _floats((counts - start).cast(pl.Float64) / _ticks_per_second(dtype))
    if dtype.is_numeric() or dtype == pl.Boolean:
        return _floats(column.cast(pl.Float64))
    return None


def _ticks_per_second(dtype: pl.DataType) -> float:
    unit = getattr(dtype, "time_unit", "ns")
    return {"ms": 1e3, "us": 1e6, "ns": 1e9}[unit]


def _floats(column: pl.Series) -> Floats:
    values = column.fill_null(float("nan")).to_numpy().astype(np.float64)
    values[~np.isfinite(values)] = np.nan
    return values


def _unit(column: pl.Series) -> str:
    """Return the unit that the type of a column states: a time or duration is in seconds now."""
    return "s" if column.dtype.is_temporal() else ""
