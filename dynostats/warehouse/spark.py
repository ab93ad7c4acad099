"""The reductions on another engine: the same statements in the dialect of Spark SQL.

What speaks the Spark Connect protocol can run them. Needs the optional extra `lake`.
"""

from __future__ import annotations

import contextlib
import importlib
import warnings
from collections.abc import Generator
from types import ModuleType
from typing import Protocol

import polars as pl

from dynostats.errors import InputError, WarehouseError
from dynostats.warehouse.lake import TABLES, reduction


class Rows(Protocol):
    """A frame of Spark."""

    def createOrReplaceTempView(self, name: str) -> None: ...  # noqa: D102, N802
    def toArrow(self) -> pl.DataFrame: ...  # noqa: D102, N802


class Reader(Protocol):
    """What reads files there."""

    def option(self, key: str, value: str) -> Reader: ...  # noqa: D102
    def parquet(self, path: str) -> Rows: ...  # noqa: D102


class SparkSession(Protocol):
    """What is used of a session of Spark SQL, whoever offers it."""

    @property
    def read(self) -> Reader: ...  # noqa: D102
    def sql(self, statement: str) -> Rows: ...  # noqa: D102
    def stop(self) -> None: ...  # noqa: D102


_WITHOUT_EXTRA = "pip install 'dynostats[lake]' installs it."


def spark_statement(name: str) -> str:
    """Return a reduction in the dialect of Spark SQL.

    Raises:
        InputError: If there is no such reduction, or sqlglot is not installed.
    """
    statement = reduction(name).rstrip().removesuffix(";")
    sqlglot = _needed("sqlglot")
    (told,) = sqlglot.transpile(statement, read="duckdb", write="spark", comments=False)
    return str(told)


@contextlib.contextmanager
def spark_session(url: str) -> Generator[SparkSession]:
    """Open a session on a Spark Connect server.

    Args:
        url: Such as "sc://host:15002".

    Raises:
        InputError: If the client is not installed.
        WarehouseError: If the server cannot be reached.
    """
    with warnings.catch_warnings():
        # The client says so of a version of pandas that nothing here uses.
        warnings.filterwarnings("ignore", "PySpark does not yet fully support pandas")
        client = _needed("pyspark.sql.connect.session")
        try:
            session = client.SparkSession.builder.remote(url).create()
        except Exception as error:
            raise _unreached(url, error) from error
        try:
            yield session
        finally:
            with contextlib.suppress(Exception):  # the answer is in; the server may be gone
                session.stop()


def reduce_on_spark(session: SparkSession, where: str, name: str) -> pl.DataFrame:
    """Run a reduction over a lake on a Spark session.

    Args:
        session: A session of `spark_session`, or any other of Spark SQL.
        where: The lake's folder as the server finds it: a path or an address such as "s3a://…".
        name: One of `dynostats.warehouse.lake.reductions`.

    Returns:
        What the header of queries/lake/NAME.sql says.

    Raises:
        InputError: If there is no such reduction, or the extra is not installed.
        WarehouseError: If the server cannot be reached, or cannot read the lake.
    """
    statement = spark_statement(name)
    try:
        for table in TABLES:
            rows = session.read.option("mergeSchema", "true").parquet(
                f"{where.rstrip('/')}/{table}"
            )
            rows.createOrReplaceTempView(f"lake_{table}")
        answer = pl.DataFrame(session.sql(statement).toArrow())
    except Exception as error:
        raise _unreached(where, error) from error
    return answer


def _needed(module: str) -> ModuleType:
    try:
        return importlib.import_module(module)
    except ImportError as error:
        raise InputError(
            f"running on Spark needs {module.partition('.')[0]}, which is not installed",
            mend=_WITHOUT_EXTRA,
        ) from error


def _unreached(where: str, error: Exception) -> WarehouseError:
    said = str(error).strip().splitlines()
    return WarehouseError(
        f"Spark could not answer: {said[0] if said else type(error).__name__}",
        where=where,
        mend="Check the address, that the server runs, and that it can read the lake's folder.",
    )
