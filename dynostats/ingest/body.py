"""Rows of cells to a table of numbers, with everything left out on the way named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dynostats.arrays import Flags, Floats
from dynostats.errors import InputError
from dynostats.ingest.channels import ChannelTable
from dynostats.ingest.decimals import settle_decimals
from dynostats.ingest.layout import Grid, Layout, find_layout, show_row
from dynostats.ingest.numerals import Cell, drop_units, is_missing, read_clock, read_numbers
from dynostats.ingest.preamble import read_preamble
from dynostats.ingest.rows import Rows, name_lines, take_rows, tell_trailer
from dynostats.ingest.table import Header, Table

_MOST_SHOWN = 5
_TEXT_SHARE = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """A table and how it was read.

    Args:
        table: The table.
        head_lines: Lines from the first header line to the last line before the samples.
        decimal: The decimal sign of the file; "" when its columns differ.
        plain: Whether the samples are nothing but plain numbers, all columns kept, so that the
            next file with the same header may be read in one go.
    """

    table: Table
    head_lines: int
    decimal: str
    plain: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Column:
    """One column, read.

    Args:
        cells: As found.
        values: Its numbers, NaN where there is none.
        unread: Rows whose cell is text.
        unit: Unit that the cells state (clock times are seconds, 45 % are percent); "" otherwise.
    """

    cells: list[Cell]
    values: Floats
    unread: list[int]
    unit: str = ""

    def is_text(self) -> bool:
        """Return whether the column holds words rather than numbers."""
        if not self.unread:
            return False
        filled = sum(not is_missing(cell) for cell in self.cells)
        return len(self.unread) > _TEXT_SHARE * filled

    def is_empty(self) -> bool:
        """Return whether no cell holds anything."""
        return not np.isfinite(self.values).any() and all(is_missing(cell) for cell in self.cells)


def read_grid(grid: Grid, table: ChannelTable, *, name: str) -> Reading:
    """Return the table of a grid.

    Args:
        grid: The file's cells.
        table: Names of channels.
        name: Name of the file, for messages.

    Raises:
        InputError: If there is no table, or it cannot be read in one way only.
    """
    layout = find_layout(grid, table, name=name)
    rows = take_rows(grid, layout, name=name)
    header = _read_header(grid, layout, len(rows.cells[0]))
    columns, decimals = _read_columns(rows, header, table, name=name)
    kept = _keep_columns(rows, columns, header)
    if not kept:
        raise _no_rows(grid, layout, name=name)
    gone = _find_odd_rows(rows, [columns[place] for place in kept])
    if gone.all():
        raise _no_rows(grid, layout, name=name)
    tell_trailer(rows)
    _tell_missing(rows, [(header.names[place], columns[place]) for place in kept], gone)
    values = np.vstack([columns[place].values for place in kept])[:, ~gone]
    return Reading(
        table=Table(
            header=Header(
                names=tuple(header.names[place] for place in kept),
                units=tuple(columns[place].unit or header.units[place] for place in kept),
                numbers=tuple(header.numbers[place] for place in kept),
            ),
            values=np.ascontiguousarray(values),
            metadata=_read_metadata(grid, layout),
            findings=tuple(rows.findings),
        ),
        head_lines=grid.lines[layout.body[0]] - grid.lines[_first_header_row(layout)],
        decimal=decimals[0] if len(set(decimals)) == 1 else "",
        plain=not rows.findings and len(kept) == len(columns) and not any(c.unit for c in columns),
    )


def _no_rows(grid: Grid, layout: Layout, *, name: str) -> InputError:
    return InputError(
        f"Nothing ingested: the header on line {grid.lines[layout.header]} has no data rows below "
        "it.",
        where=name,
        mend="Export the log again; the pull may not have been recorded.",
    )


def _first_header_row(layout: Layout) -> int:
    return layout.header if layout.units is None else min(layout.header, layout.units)


def _read_metadata(grid: Grid, layout: Layout) -> dict[str, str]:
    above = range(_first_header_row(layout))
    return read_preamble(
        ((grid.lines[place], grid.rows[place]) for place in above), delimiter=grid.delimiter
    )


def _read_header(grid: Grid, layout: Layout, width: int) -> Header:
    def texts(row: Sequence[Cell]) -> tuple[str, ...]:
        words = [" ".join(str(cell).split()) for cell in row[:width]]
        return (*words, *[""] * (width - len(words)))

    names = texts(grid.rows[layout.header])
    return Header(
        names=(names[0].lstrip("#%; "), *names[1:]),
        units=texts(grid.rows[layout.units] if layout.units is not None else []),
        numbers=tuple(range(1, width + 1)),
    )


def _read_columns(
    rows: Rows, header: Header, table: ChannelTable, *, name: str
) -> tuple[list[_Column], list[str]]:
    """Return the columns and the decimal sign of each."""
    columns = [list(cells) for cells in zip(*rows.cells, strict=True)]
    decimals = settle_decimals(columns, header, table, name=name)
    return [
        _read_column(cells, decimal) for cells, decimal in zip(columns, decimals, strict=True)
    ], decimals


def _read_column(cells: list[Cell], decimal: str) -> _Column:
    values, unread = read_numbers(cells, decimal=decimal)
    if unread:
        seconds = read_clock(cells)
        if seconds is not None:
            return _Column(cells=cells, values=seconds, unread=[], unit="s")
        bare, unit = drop_units(cells)
        if unit:
            values, unread = read_numbers(bare, decimal=decimal)
            return _Column(cells=cells, values=values, unread=unread, unit=unit)
    return _Column(cells=cells, values=values, unread=unread)


def _keep_columns(rows: Rows, columns: list[_Column], header: Header) -> list[int]:
    """Return the places of columns with numbers; tell of the others."""
    kept: list[int] = []
    nameless = 0
    for place, column in enumerate(columns):
        title = header.names[place]
        if column.is_empty():
            nameless += not title
            if title:
                rows.tell(
                    "empty_column", "note", f"Column {place + 1} '{title}' is empty: left out."
                )
        elif column.is_text():
            example = next(column.cells[row] for row in column.unread)
            rows.tell(
                "text_column",
                "note",
                f"Column {place + 1} '{title}' holds text ('{example}'), which stays in the file "
                "only.",
            )
        else:
            kept.append(place)
    if nameless:
        rows.tell("empty_column", "note", f"{nameless} nameless empty column(s) left out.")
    return kept


def _find_odd_rows(rows: Rows, columns: list[_Column]) -> Flags:
    """Return which rows are no samples: summaries at the end, markers in between.

    A row with a text where all others have a number is a summary if no clean row follows, a marker
    if the text stands in the first column or in most columns; else only that cell is missing.
    """
    count = len(rows.cells)
    texts = np.zeros((len(columns), count), dtype=np.bool_)
    for place, column in enumerate(columns):
        texts[place, column.unread] = True
    odd: Flags = np.any(texts, axis=0)
    clean = np.flatnonzero(~odd)
    gone = np.zeros(count, dtype=np.bool_)
    end = int(clean[-1]) + 1 if clean.size else 0
    end = _end_of_clocked_rows(columns, end)
    gone[end:] = True
    for row in np.flatnonzero(gone):
        rows.trailer[rows.lines[row]] = show_row(rows.cells[row])
    marks = np.flatnonzero(
        odd[:end] & (texts[0, :end] | (texts[:, :end].mean(axis=0) > _TEXT_SHARE))
    )
    gone[marks] = True
    if marks.size:
        rows.tell(
            "odd_rows",
            "note",
            f"Left out {name_lines([rows.lines[row] for row in marks])} among the samples "
            f"('{show_row(rows.cells[marks[0]])}'): no sample.",
        )
    return gone


def _end_of_clocked_rows(columns: list[_Column], end: int) -> int:
    """Return where a summary without a word begins: last rows that alone lack the first column."""
    if not columns or end < 2:
        return end
    missing = np.isnan(columns[0].values[:end])
    last = int(np.flatnonzero(~missing)[-1]) + 1 if not missing.all() else end
    return last if not missing[:last].any() else end


def _tell_missing(rows: Rows, columns: list[tuple[str, _Column]], gone: Flags) -> None:
    """Tell of cells without a number, with the first few of them."""
    places = [
        (int(row), title, column.cells[row])
        for title, column in columns
        for row in np.flatnonzero(np.isnan(column.values) & ~gone)
    ]
    if not places:
        return
    shown = ", ".join(
        f"line {rows.lines[row]} {title} '{cell}'"
        for row, title, cell in sorted(places)[:_MOST_SHOWN]
    )
    more = f" and {len(places) - _MOST_SHOWN} more" if len(places) > _MOST_SHOWN else ""
    words = any(not is_missing(cell) for _, _, cell in places)
    rows.tell(
        "missing_cells",
        "doubtful" if words else "note",
        f"{len(places)} cell(s) hold no number and are missing: {shown}{more}.",
    )
