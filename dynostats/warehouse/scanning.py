"""Rows out of the warehouse without copying more than asked: lazy frames, and Arrow streams.

A lazy frame asks the storage engine for the columns and rows that its plan needs, when it is
collected; an Arrow stream hands over batches as they come. Both open the file for themselves, so
that a notebook that holds one does not keep the cell's computer from storing a pull.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, field, replace
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

import duckdb
import polars as pl
from duckdb.polars_io import duckdb_source

from dynostats.errors import InputError
from dynostats.warehouse.asking import Question, plain_rows
from dynostats.warehouse.connection import connect, errors_in_words
from dynostats.warehouse.named import (
    Value,
    named_query,
    queries_folder,
    query_names,
    suggest,
)
from dynostats.warehouse.schema import require_current
from dynostats.warehouse.store import no_warehouse

if TYPE_CHECKING:
    import pyarrow as pa

_WAIT_S = 10.0

Step = Callable[[duckdb.DuckDBPyRelation], duckdb.DuckDBPyRelation]


def scanned_names() -> tuple[str, ...]:
    """Return what can be scanned: the tables, then the named queries."""
    tables = sorted(path.stem for path in (queries_folder() / "scan").glob("*.sql"))
    return (*tables, *(name for name in query_names() if name not in tables))


def rows_asked(name: str, values: Mapping[str, Value]) -> Question:
    """Return the statement behind a table or a named query, with its values bound.

    Raises:
        InputError: There is nothing of that name, or the parameters do not fit.
    """
    if name not in scanned_names():
        raise InputError(
            "there is nothing of that name to scan",
            where=name,
            mend=suggest(name, scanned_names(), "tables and queries"),
        )
    table = (queries_folder() / "scan" / f"{name}.sql").is_file()
    query = named_query(f"scan/{name}" if table else name)
    return Question(where=f"query {name}", sql=query.sql, values=query.bind(values))


@contextlib.contextmanager
def relation_of(path: Path, asked: Question) -> Generator[duckdb.DuckDBPyRelation]:
    """Open the warehouse for reading and hand out the rows of a statement, not yet read.

    Raises:
        WarehouseError: There is no warehouse, it is in use, or it could not be read.
    """
    if not path.exists():
        raise no_warehouse(path)
    connection = connect(path, write=False, wait_s=_WAIT_S)
    try:
        with errors_in_words(path):
            connection = require_current(connection, path, write=False)
            yield plain_rows(connection.sql(asked.sql, params=asked.values), asked)
    finally:
        connection.close()


def scan(path: Path, asked: Question) -> pl.LazyFrame:
    """Return a lazy frame whose columns and filters are pushed into the storage engine.

    Args:
        path: The warehouse.
        asked: What to scan.

    Raises:
        InputError: pyarrow, which the batches pass through, is not installed.
    """
    _pyarrow()
    with relation_of(path, asked) as rows:
        schema = pl.DataFrame(rows.limit(0)).schema
        late = _Late(path=path, asked=asked, columns=rows.columns, types=rows.types)
    # It asks of a relation only what _Late has; the file is opened when rows are wanted.
    return duckdb_source(late, schema)  # pyright: ignore[reportArgumentType]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Late:
    """A relation that is not open: what is asked of it is done when its rows are wanted."""

    path: Path
    asked: Question
    columns: list[str]
    types: list[Any]
    steps: tuple[Step, ...] = field(default=())

    def project(self, columns: str) -> _Late:
        return self._then(lambda rows: rows.project(columns))

    def filter(self, condition: duckdb.Expression) -> _Late:
        return self._then(lambda rows: rows.filter(condition))

    def limit(self, count: int) -> _Late:
        return self._then(lambda rows: rows.limit(count))

    def to_arrow_reader(self, batch_size: int = 1_000_000) -> _Reader:
        opened = contextlib.ExitStack()
        try:
            rows = opened.enter_context(relation_of(self.path, self.asked))
            for step in self.steps:
                rows = step(rows)
            return _Reader(rows.to_arrow_reader(batch_size), opened)
        except BaseException:
            opened.close()
            raise

    def _then(self, step: Step) -> _Late:
        return replace(self, steps=(*self.steps, step))


class _Reader:
    """An Arrow reader that lets go of the warehouse when it is closed."""

    def __init__(self, reader: pa.RecordBatchReader, opened: contextlib.ExitStack) -> None:  # pyright: ignore[reportUnknownParameterType]
        self._reader = reader
        self._opened = opened

    @property
    def schema(self) -> object:
        return self._reader.schema

    def read_next_batch(self) -> pa.RecordBatch:  # pyright: ignore[reportUnknownParameterType]
        return self._reader.read_next_batch()

    def close(self) -> None:
        self._reader.close()
        self._opened.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrowRows:
    """Rows of the warehouse for anything that reads the Arrow C stream interface.

    `polars.DataFrame(rows)`, `pyarrow.table(rows)` and others take it as it is; each reading opens
    the file and lets go of it with the last batch.

    Args:
        path: The warehouse.
        asked: What is read.
        columns: Columns wanted; None for all.
    """

    path: Path
    asked: Question
    columns: tuple[str, ...] | None = None

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        """Return the PyCapsule of a stream of record batches."""
        return self.reader().__arrow_c_stream__(requested_schema)

    def reader(self) -> pa.RecordBatchReader:  # pyright: ignore[reportUnknownParameterType]
        """Return the rows as a pyarrow reader of record batches.

        Raises:
            InputError: pyarrow is not installed, or there is no such column.
        """
        pa = _pyarrow()
        late = self._late()
        with contextlib.closing(late.limit(0).to_arrow_reader()) as empty:
            schema = empty.schema
        return pa.RecordBatchReader.from_batches(schema, _batches(late))

    def _late(self) -> _Late:
        with relation_of(self.path, self.asked) as rows:
            late = _Late(path=self.path, asked=self.asked, columns=rows.columns, types=rows.types)
        if self.columns is None:
            return late
        for name in self.columns:
            if name not in late.columns:
                raise InputError(
                    f"there is no column {name}",
                    where=self.asked.where,
                    mend=suggest(name, tuple(late.columns), "columns"),
                )
        return late.project(", ".join(f'"{name}"' for name in self.columns))


def _batches(late: _Late) -> Generator[pa.RecordBatch]:  # pyright: ignore[reportUnknownParameterType]
    reader = late.to_arrow_reader()
    try:
        while True:
            try:
                yield reader.read_next_batch()
            except StopIteration:
                return
    finally:
        reader.close()


def _pyarrow() -> ModuleType:
    try:
        return import_module("pyarrow")
    except ModuleNotFoundError as error:
        raise InputError(
            "lazy frames and Arrow streams need pyarrow, which is not installed",
            where="pyarrow",
            mend="Install it: pip install 'dynostats[arrow]'. `query` and `export` work without.",
        ) from error
