"""Questions declared before their pulls, and the looks taken at them: rows that are only added."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import duckdb
import polars as pl

from dynostats.errors import WarehouseError
from dynostats.warehouse.connection import rows_of
from dynostats.warehouse.named import Value
from dynostats.warehouse.schema import utc_now
from dynostats.warehouse.writing import insert

_INTEGERS = ("declaration_no", "place", "run_order", "pulls_per_setup", "looks", "seed", "look")


def declare(
    connection: duckdb.DuckDBPyConnection,
    question: Mapping[str, Value],
    pulls: Sequence[Mapping[str, Value]],
) -> int:
    """Store a question and its run sheet, inside the caller's transaction.

    Args:
        connection: The open warehouse.
        question: The columns of `declarations`, but for its number and when.
        pulls: The rows of the run sheet: the columns of `declared_pulls`, but for the number.

    Returns:
        The number of the declaration.
    """
    number = len(rows_of(connection, "store/declarations", {"number": None, "as_of": None})) + 1
    insert(
        connection,
        "declarations",
        _frame([dict(question) | {"declaration_no": number, "declared_at": utc_now()}]),
    )
    rows = [dict(pull) | {"declaration_no": number} for pull in pulls]
    insert(connection, "declared_pulls", _frame(rows))
    return number


def note_look(
    connection: duckdb.DuckDBPyConnection, number: int, look: Mapping[str, Value]
) -> None:
    """Store a look at a declared study, inside the caller's transaction.

    Args:
        connection: The open warehouse.
        number: The declaration.
        look: The columns of `looks`, but for the number.

    Raises:
        WarehouseError: The look was taken before.
    """
    taken = rows_of(connection, "looks", {"number": number, "as_of": None})
    if any(row[1] == look["look"] for row in taken):
        raise WarehouseError(f"look {look['look']} at question {number} was taken before")
    insert(connection, "looks", _frame([dict(look) | {"declaration_no": number}]))


def _frame(rows: list[dict[str, Value]]) -> pl.DataFrame:
    frame = pl.DataFrame(rows)
    whole = [name for name in _INTEGERS if name in frame.columns]
    return frame.with_columns(pl.col(whole).cast(pl.Int32))
