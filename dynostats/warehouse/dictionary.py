"""The data dictionary of an export: every column of every file, its unit, meaning and source.

It is put together from where these are said already: the headers of queries/export, the channel
table, and the headings that the warehouse's own files had.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import polars as pl

from dynostats.ingest import load_channel_table
from dynostats.warehouse.named import NamedQuery, named_query
from dynostats.warehouse.store import Store

_WIDE = {"samples", "curves"}
_SHOWN_HEADINGS = 4
_SCHEMA = {
    "file": pl.String,
    "column": pl.String,
    "type": pl.String,
    "unit": pl.String,
    "meaning": pl.String,
    "source": pl.String,
}


def data_dictionary(store: Store, tables: tuple[str, ...]) -> pl.DataFrame:
    """Return one row a column of an export.

    Args:
        store: The open warehouse.
        tables: Names of the tables exported.

    Returns:
        Columns file, column, type, unit ("" where it has none), meaning, source.
    """
    rows = [row for table in tables for row in _rows_of(store, table)]
    return pl.DataFrame(rows, schema=_SCHEMA, orient="row")


def _rows_of(store: Store, table: str) -> Iterator[tuple[str, ...]]:
    query = named_query(f"export/{table}")
    file = f"{table}.parquet"
    for column in query.columns:
        yield (file, column.name, column.type, column.unit, column.meaning, _said_by(query))
    if table in _WIDE:
        yield from _channels(store, file, skip=table == "curves")


def _said_by(query: NamedQuery) -> str:
    return f"queries/{query.name}.sql"


def _channels(store: Store, file: str, *, skip: bool) -> Iterator[tuple[str, ...]]:
    headings = _headings(store)
    described = load_channel_table().channels
    for name, unit in store.query("export/channels").rows():
        if skip and name == "engine_speed":  # in curves it is the grid itself
            continue
        base, number = _split_number(name)
        spec = described.get(name) or described.get(base)
        meaning = "" if spec is None else spec.meaning
        if number and spec is not None and name not in described:
            meaning = f"{meaning}, cylinder or bank {number}"
        how = "as function of engine speed; " if file == "curves.parquet" else ""
        yield (file, name, "double", unit, meaning, how + _say_headings(headings.get(name, [])))


def _headings(store: Store) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for channel, _, source, _ in store.query("store/channel_headings").rows():
        found.setdefault(channel, []).append(source)
    return found


def _say_headings(headings: list[str]) -> str:
    if not headings:
        return "in no file here"
    shown = ", ".join(f"'{heading}'" for heading in headings[:_SHOWN_HEADINGS])
    more = len(headings) - _SHOWN_HEADINGS
    return f"files, headed {shown}" + (f" and {more} more" if more > 0 else "")


def _split_number(name: str) -> tuple[str, str]:
    match = re.fullmatch(r"(.+)_(\d+)", name)
    return (name, "") if match is None else (match[1], match[2])
