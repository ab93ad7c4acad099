"""Where things stand in a grid of cells: preamble, header, units row, samples, trailer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

from dynostats.errors import InputError
from dynostats.ingest.channels import ChannelTable
from dynostats.ingest.labels import is_unit_cell, read_labels
from dynostats.ingest.numerals import Cell, is_clock, is_missing, is_number

_SIGNS = "+-.,eE "
_NUMBER_LETTERS = "0123456789" + _SIGNS
_ROWS_ABOVE = 4
_SHOWN = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A file as rows of cells.

    Args:
        rows: The rows, each a list of cells.
        lines: Line (text) or row (spreadsheet) of the file for each of them, from 1.
        delimiter: What separated the cells; "" in a spreadsheet.
        ends_open: Whether the last line lacks its line end, so that it may have been cut.
    """

    rows: list[list[Cell]]
    lines: list[int]
    delimiter: str = ""
    ends_open: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Places in a grid.

    Args:
        header: Row of the names.
        units: Row of the units; None when there is none.
        body: Rows of the samples, in file order.
        repeats: Rows at which the same header stands again.
        others: First rows of other tables, which are left out.
    """

    header: int
    units: int | None
    body: list[int]
    repeats: list[int]
    others: list[int]


@dataclass(slots=True)
class _Segment:
    """Rows of samples and the text rows above them."""

    above: list[int]
    body: list[int]


def find_layout(grid: Grid, table: ChannelTable, *, name: str) -> Layout:
    """Find header, units row and samples.

    Args:
        grid: The cells.
        table: Names of channels; tells a header from a line of the preamble.
        name: Name of the file, for messages.

    Raises:
        InputError: If no row of numbers stands below a row of names.
    """
    segments = _split_segments(grid.rows)
    filled = [segment for segment in segments if segment.body]
    if not filled:
        raise _no_samples(grid, table, name=name)
    main = max(filled, key=lambda segment: len(segment.body))
    header, units = _find_header(grid.rows, main.above, table)
    if header is None:
        raise InputError(
            f"Nothing ingested: line {grid.lines[main.body[0]]} holds numbers, but no line above "
            "it names the columns.",
            where=name,
            mend="Put a line of column names above the numbers, for example "
            "time [s],engine speed [rpm],torque [N.m].",
        )
    body, repeats, others = _join_segments(grid.rows, filled, main, header)
    return Layout(header=header, units=units, body=body, repeats=repeats, others=others)


def is_blank(row: Sequence[Cell]) -> bool:
    """Return whether a row holds nothing."""
    return not any(not isinstance(cell, str) or cell.strip() for cell in row)


def is_sample(row: Sequence[Cell]) -> bool:
    """Return whether a row looks like a sample: numbers, and hardly any text."""
    if len(row) < 2:
        return False
    numbers = sum(is_number(cell) or is_clock(cell) for cell in row)
    texts = count_texts(row)
    return numbers > 0 and texts * 2 <= numbers and not (texts and numbers < 2)


def count_texts(row: Sequence[Cell]) -> int:
    """Return how many cells are neither number nor time nor missing."""
    return sum(not (is_number(cell) or is_clock(cell) or is_missing(cell)) for cell in row)


def show_row(row: Sequence[Cell]) -> str:
    """Return the beginning of a row, for messages."""
    text = " ".join(str(cell) for cell in row if str(cell).strip())
    return text if len(text) <= _SHOWN else text[:_SHOWN] + "…"


def _split_segments(rows: list[list[Cell]]) -> list[_Segment]:
    """Return the runs of samples; a row that may be a header begins a new one."""
    segments = [_Segment([], [])]
    for place, row in enumerate(rows):
        if looks_like_sample(row):
            segments[-1].body.append(place)
        elif not is_blank(row):
            if segments[-1].body and _may_be_header(row):
                segments.append(_Segment([], []))
            if not segments[-1].body:
                segments[-1].above.append(place)
    return segments


def looks_like_sample(row: list[Cell]) -> bool:
    """Return `is_sample` of a row; rows of nothing but digits, the great majority, go fast."""
    try:
        text = "".join(cast("list[str]", row))
    except TypeError:
        return is_sample(row)
    if len(row) > 1 and not text.strip(_NUMBER_LETTERS) and text.strip(_SIGNS):
        return True
    return is_sample(row)


def _may_be_header(row: list[Cell]) -> bool:
    filled = [cell for cell in row if isinstance(cell, str) and not is_missing(cell)]
    texts = [cell for cell in filled if not is_number(cell) and not is_clock(cell)]
    return len(texts) > 1 and len(texts) * 2 >= len(filled)


def _find_header(
    rows: list[list[Cell]], above: list[int], table: ChannelTable
) -> tuple[int | None, int | None]:
    """Return the rows of names and of units among the last rows above the samples.

    Some words are both (RPM, Lambda, Nm), so a row of names is one with a name that is no unit.
    """
    near = [place for place in above if _is_wide(rows[place])][-_ROWS_ABOVE:]
    if not near:
        return None, None
    units = [place for place in near if _is_units_row(rows[place])]
    names = {place: _count_known(rows[place], table, units_too=False) for place in near}
    candidates = [place for place in near if place not in units or names[place]] or units[:1]
    header = max(
        candidates,
        key=lambda place: (
            names[place],
            _count_known(rows[place], table),
            _filled(rows[place]),
            place,
        ),
    )
    beside = [place for place in units if place != header]
    return header, (beside[-1] if beside else None)


def _filled(row: list[Cell]) -> int:
    return sum(isinstance(cell, str) and bool(cell.strip()) for cell in row)


def _is_wide(row: list[Cell]) -> bool:
    return _filled(row) > 1


def _is_units_row(row: list[Cell]) -> bool:
    cells = [cell for cell in row if isinstance(cell, str) and not is_missing(cell.strip("[]() "))]
    known = sum(is_unit_cell(cell) for cell in cells)
    return known > 0 and known * 5 >= len(cells) * 3


def _count_known(row: list[Cell], table: ChannelTable, *, units_too: bool = True) -> int:
    """Return how many cells of a row name a channel of the table."""
    cells = [
        cell
        for cell in row
        if isinstance(cell, str) and cell.strip() and (units_too or not is_unit_cell(cell))
    ]
    return sum(
        any(table.find_rule(cell) or table.find(way.name) for way in read_labels(cell))
        for cell in cells
    )


def _join_segments(
    rows: list[list[Cell]], segments: list[_Segment], main: _Segment, header: int
) -> tuple[list[int], list[int], list[int]]:
    """Return the samples below the main header wherever it stands, its repeats, other tables."""
    body: list[int] = []
    repeats: list[int] = []
    others: list[int] = []
    for segment in segments:
        again = [place for place in segment.above if rows[place] == rows[header]]
        if segment is main or again:
            body.extend(segment.body)
            repeats.extend(place for place in again if place != header)
        else:
            others.append((segment.above or segment.body)[-1])
    return body, repeats, others


def _no_samples(grid: Grid, table: ChannelTable, *, name: str) -> InputError:
    """Return the error for a file without samples: a bare header, or no table at all."""
    for row, line in zip(grid.rows, grid.lines, strict=True):
        if _count_known(row, table) > 1:
            return InputError(
                f"Nothing ingested: the header on line {line} has no data rows below it.",
                where=name,
                mend="Export the log again; the pull may not have been recorded.",
            )
    return InputError(
        "Nothing ingested: no table of numbers was found in this file.",
        where=name,
        mend="A log is a line of column names and, below it, lines of numbers, separated by comma, "
        "semicolon, tab or |. If this is the sheet, name it with --sheet, or call it sheet.csv.",
    )
