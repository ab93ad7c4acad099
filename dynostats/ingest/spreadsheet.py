"""XLSX workbooks to rows of cells and tables."""

from __future__ import annotations

import io
import warnings
import zipfile
from collections.abc import Generator
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta
from typing import Any

from openpyxl import load_workbook

from dynostats.errors import InputError
from dynostats.ingest.body import read_grid
from dynostats.ingest.channels import ChannelTable
from dynostats.ingest.decimals import find_column
from dynostats.ingest.layout import Grid, is_blank
from dynostats.ingest.log import Finding
from dynostats.ingest.numerals import Cell
from dynostats.ingest.table import Table

# A small file may unpack to far more than any log holds.
_MOST_UNPACKED_BYTES = 1_000_000_000


def read_spreadsheet(data: bytes, table: ChannelTable, *, name: str) -> Table:
    """Return the table of the first worksheet that holds engine speed.

    Args:
        data: The whole workbook.
        table: Names of channels.
        name: Name of the file, for messages.

    Raises:
        InputError: If it is no workbook, or none of its worksheets holds a table.
    """
    found: dict[str, Table] = {}
    refused: list[InputError] = []
    for title, grid in read_worksheets(data, name=name):
        if len(grid.rows) == 0:
            continue
        try:
            found[title] = read_grid(grid, table, name=name).table
        except InputError as error:
            refused.append(error)
    if not found:
        raise (
            refused[0]
            if refused
            else InputError("Nothing ingested: the workbook is empty.", where=name)
        )
    return _choose(found, table)


def _choose(found: dict[str, Table], table: ChannelTable) -> Table:
    chosen = next(
        (
            title
            for title, one in found.items()
            if find_column(one.header, "engine_speed", table) is not None
        ),
        next(iter(found)),
    )
    others = [title for title in found if title != chosen]
    taken = found[chosen]
    if not others:
        return taken
    message = f"Only worksheet '{chosen}' was read; {', '.join(map(repr, others))} left out."
    finding = Finding(check="other_worksheet", severity="note", message=message)
    return Table(
        header=taken.header,
        values=taken.values,
        metadata=taken.metadata,
        findings=(*taken.findings, finding),
    )


def read_worksheets(data: bytes, *, name: str) -> list[tuple[str, Grid]]:
    """Return title and cells of each worksheet; numbers as numbers, the rest as text.

    Args:
        data: The whole workbook.
        name: Name of the file, for messages.

    Raises:
        InputError: If it is no workbook that can be read.
    """
    with _workbook_errors(name):
        _refuse_bomb(data, name=name)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # styles and validations openpyxl does not keep
            workbook = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
            try:
                return [(sheet.title, _read_sheet(sheet)) for sheet in workbook.worksheets]
            finally:
                workbook.close()


@contextmanager
def _workbook_errors(name: str) -> Generator[None]:
    """Turn whatever a broken workbook makes the libraries raise into one sentence."""
    try:
        yield
    except InputError:
        raise
    except Exception as error:
        raise InputError(
            f"Nothing ingested: the workbook cannot be read ({type(error).__name__}).",
            where=name,
            mend="Open it in a spreadsheet program and save it again as XLSX or CSV.",
        ) from error


def _refuse_bomb(data: bytes, *, name: str) -> None:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        size = sum(entry.file_size for entry in archive.infolist())
    if size > _MOST_UNPACKED_BYTES:
        raise InputError(
            f"Nothing ingested: the workbook unpacks to {size / 1e9:.1f} GB.",
            where=name,
            mend="Export the log as CSV or Parquet.",
        )


def _read_sheet(sheet: Any) -> Grid:  # noqa: ANN401 - openpyxl's read-only worksheet has no stub
    sheet.reset_dimensions()
    rows = [[_read_cell(cell) for cell in row] for row in sheet.iter_rows()]
    while rows and is_blank(rows[-1]):
        rows.pop()
    return Grid(rows=rows, lines=list(range(1, len(rows) + 1)))


def _read_cell(cell: Any) -> Cell:  # noqa: ANN401 - openpyxl's cell kinds share no type
    value = cell.value
    if isinstance(value, bool):
        return float(value)
    if isinstance(value, int | float):
        shown_as_percent = "%" in (cell.number_format or "")
        return round(value * 100.0, 12) if shown_as_percent else float(value)
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        return value.total_seconds()
    return "" if value is None else str(value)
