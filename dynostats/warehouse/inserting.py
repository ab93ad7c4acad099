"""Frames into tables: one statement a frame."""

from __future__ import annotations

import contextlib
from collections.abc import Generator
from dataclasses import dataclass

import duckdb
import polars as pl
import polars.selectors as cs

from dynostats.warehouse.connection import rows_of


@dataclass(frozen=True, slots=True)
class ArrowFrame:
    """Shows only the Arrow stream of a frame: what the storage engine reads without pyarrow."""

    frame: pl.DataFrame

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        """Return the stream."""
        return self.frame.__arrow_c_stream__(requested_schema)


def insert(connection: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    """Insert a frame into a table by column names; one statement."""
    if not frame.is_empty():
        with incoming(connection, frame):
            rows_of(connection, f"store/insert_{table}")


@contextlib.contextmanager
def incoming(connection: duckdb.DuckDBPyConnection, frame: pl.DataFrame) -> Generator[None]:
    """Let a frame be read as the table "incoming" inside the block."""
    typed = frame.with_columns(cs.by_dtype(pl.Null).cast(pl.String))  # it cannot take untyped nulls
    connection.register("incoming", ArrowFrame(typed))
    try:
        yield
    finally:
        connection.unregister("incoming")
