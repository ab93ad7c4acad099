"""Asking the warehouse: named queries, and the user's own SQL, which can only read."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Generator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import duckdb
import polars as pl
from duckdb.sqltypes import DOUBLE, VARCHAR, DuckDBPyType

from dynostats.errors import InputError, WarehouseError
from dynostats.warehouse.connection import errors_in_words
from dynostats.warehouse.named import Value, named_query, suggest

_OUT_OF_MEMORY = "--out FILE writes the result without holding it in memory."

_PLAIN = frozenset(
    {
        *("boolean", "tinyint", "smallint", "integer", "bigint"),
        *("utinyint", "usmallint", "uinteger", "ubigint", "float", "double", "varchar", "blob"),
        *("date", "time", "timestamp", "timestamp_s", "timestamp_ms", "timestamp_ns"),
        "timestamp with time zone",
    }
)
_WIDE_NUMBERS = frozenset({"hugeint", "uhugeint", "decimal"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A checked statement with its bound parameters.

    Args:
        where: What to call it in an error.
        sql: One statement that reads.
        values: A value for every parameter.
    """

    where: str
    sql: str
    values: dict[str, Value]


def question(
    connection: duckdb.DuckDBPyConnection, text: str, given: Mapping[str, Value]
) -> Question:
    """Return the question a name or a SQL text asks, checked before it runs.

    Args:
        connection: Parses the text; nothing is run.
        text: Name of a query (one word), or SQL.
        given: Values of its parameters by name; they are bound, never pasted into the text.

    Raises:
        InputError: If there is no such query, the SQL is not one statement that reads, or the
            parameters do not fit.
    """
    if re.fullmatch(r"(\w+/)?\w+", text.strip()):
        named = named_query(text.strip())
        return Question(where=f"query {named.name}", sql=named.sql, values=named.bind(given))
    return Question(
        where="--sql", sql=text, values=_checked_values(_statement(connection, text), given)
    )


@contextlib.contextmanager
def answer(
    connection: duckdb.DuckDBPyConnection, path: Path, asked: Question
) -> Generator[duckdb.DuckDBPyRelation]:
    """Run a question in a read-only transaction of its own and hand out its rows.

    The kind of a statement does not tell enough: `with new as (insert …) select …` counts as a
    selection. The transaction is what keeps it from writing.

    Raises:
        InputError: If the statement is wrong, would write, or reaches outside the warehouse.
        WarehouseError: If the warehouse could not be read.
    """
    cursor = connection.cursor()
    try:
        cursor.execute("begin transaction read only")
        yield plain_rows(cursor.sql(asked.sql, params=asked.values), asked)
    except (duckdb.ProgrammingError, duckdb.DataError, duckdb.PermissionException) as error:
        raise _refusal(error, asked) from error
    except duckdb.OutOfMemoryException as error:
        raise WarehouseError(
            "the result does not fit into memory", where=asked.where, mend=_OUT_OF_MEMORY
        ) from error
    except duckdb.Error as error:
        if _would_write(str(error)):
            raise _refusal(error, asked) from error
        with errors_in_words(path):
            raise
    finally:
        cursor.close()


def write_answer(rows: duckdb.DuckDBPyRelation, out: Path) -> None:
    """Stream the rows to a file, in the form its name ends in; kept only when complete.

    Raises:
        InputError: If the ending is not .parquet, .csv or .ndjson, or the file cannot be written.
    """
    stream = pl.scan_arrow_c_stream(_without_lists(rows) if out.suffix == ".csv" else rows)
    draft = out.with_name(f".{out.name}.part")
    try:
        if out.suffix == ".parquet":
            stream.sink_parquet(draft)
        elif out.suffix == ".csv":
            stream.sink_csv(draft)
        elif out.suffix == ".ndjson":
            stream.sink_ndjson(draft)
        else:
            raise InputError(
                f"the ending '{out.suffix}' is not a form a result can be written in",
                where=str(out),
                mend="Use .parquet, .csv or .ndjson.",
            )
        draft.replace(out)
    except OSError as error:
        raise InputError(
            f"the result could not be written ({error.strerror or error})",
            where=str(out),
            mend="Check that the folder exists, that you may write in it, and that it has space.",
        ) from error
    finally:
        draft.unlink(missing_ok=True)


def plain_rows(rows: duckdb.DuckDBPyRelation, asked: Question) -> duckdb.DuckDBPyRelation:
    """Return the rows with column types that frames, JSON and files all know.

    Exact numbers wider than 64 bits or with decimals become floats; kinds that frames lack, such
    as intervals and maps, become text.
    """
    twice = {name for name in rows.columns if rows.columns.count(name) > 1}
    if twice:
        raise InputError(
            f"several columns are called {', '.join(sorted(twice))}",
            where=asked.where,
            mend="Give each a name of its own with `as`.",
        )
    columns: list[duckdb.Expression] = []
    for name, kind in zip(rows.columns, rows.types, strict=True):
        target = _plain_type(kind)
        column = duckdb.ColumnExpression(name)
        columns.append(column if target is None else column.cast(target).alias(name))
    return rows.select(*columns)


def _without_lists(rows: duckdb.DuckDBPyRelation) -> duckdb.DuckDBPyRelation:
    """Return the rows with lists as text, since a field of a CSV file holds one value."""
    columns = [
        duckdb.ColumnExpression(name).cast(VARCHAR).alias(name)
        if kind.id in {"list", "array"}
        else duckdb.ColumnExpression(name)
        for name, kind in zip(rows.columns, rows.types, strict=True)
    ]
    return rows.select(*columns)


def _plain_type(kind: DuckDBPyType) -> DuckDBPyType | None:
    """Return what a column type must be cast to, None when it can stay."""
    if kind.id in _PLAIN and str(kind) != "JSON":
        return None
    if kind.id in {"list", "array"}:
        inner = _plain_type(cast("DuckDBPyType", kind.children[0][1]))
        return None if inner is None else duckdb.list_type(inner)
    return DOUBLE if kind.id in _WIDE_NUMBERS else VARCHAR


def _statement(connection: duckdb.DuckDBPyConnection, text: str) -> duckdb.Statement:
    try:
        statements = connection.extract_statements(text)
    except duckdb.Error as error:
        raise InputError(
            f"this is not SQL: {_message(error)}", where="--sql", mend="Correct the statement."
        ) from error
    if len(statements) != 1:
        raise InputError(
            f"there are {len(statements)} statements; one is run at a time",
            where="--sql",
            mend="Give one select statement.",
        )
    if (kind := _kind(statements[0])) != duckdb.StatementType.SELECT.name:
        raise InputError(
            f"this is a statement of the kind {kind.lower()}; only reading is possible here",
            where="--sql",
            mend="Give a select statement.",
        )
    return statements[0]


def _kind(statement: duckdb.Statement) -> str:
    try:
        return statement.type.name
    except ValueError:  # newer kinds, which the engine has no name for in Python
        return "unknown"


def _checked_values(statement: duckdb.Statement, given: Mapping[str, Value]) -> dict[str, Value]:
    wanted = dict.fromkeys(sorted(statement.named_parameters))
    for name in given:
        if name not in wanted:
            raise InputError(
                f"the statement has no parameter ${name}",
                where="--sql",
                mend=suggest(name, wanted, "parameters"),
            )
    for name in wanted:
        if name not in given:
            raise InputError(
                f"the statement needs a value for ${name}",
                where="--sql",
                mend=f"Give it with --param {name}=VALUE.",
            )
    return dict(given)


def _refusal(error: duckdb.Error, asked: Question) -> InputError:
    text = str(error)
    if isinstance(error, duckdb.PermissionException):
        return InputError(
            "a query can read nothing outside the warehouse",
            where=asked.where,
            mend="Export the result with --out and combine it with other files there.",
        )
    if _would_write(text):
        return InputError(
            "a query cannot change the warehouse",
            where=asked.where,
            mend="exclude, include and amend are the ways to correct what is stored.",
        )
    return InputError(
        f"the query cannot be answered: {_message(error)}",
        where=asked.where,
        mend="`dynostats query` without a name lists what can be asked.",
    )


def _would_write(text: str) -> bool:
    return "read-only mode" in text


def _message(error: duckdb.Error) -> str:
    return str(error).strip().split("\n\n")[0].replace("\n", " ")
