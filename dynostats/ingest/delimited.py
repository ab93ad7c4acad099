"""Delimited text of any dialect to a table.

The dialect is decided here, on the text, once for each header; a later file with the same header
and nothing but plain numbers below it is read in one go, and only if that gives the same numbers.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np

from dynostats.arrays import Floats
from dynostats.errors import InputError
from dynostats.ingest.body import Reading, read_grid
from dynostats.ingest.channels import ChannelTable
from dynostats.ingest.encoding import decode_text
from dynostats.ingest.layout import Grid, count_texts, looks_like_sample
from dynostats.ingest.numerals import Cell
from dynostats.ingest.preamble import read_preamble
from dynostats.ingest.rows import fraction_length
from dynostats.ingest.table import Header, Table

DELIMITERS = ("\t", ";", "|", ",")
# Tried when none of those gives a table: columns set apart by two and more blanks, or by one.
_BLANKS = ("  ", " ")
_SEPARATOR_LINE = re.compile(r'^"?sep=(.)"?;*$', re.IGNORECASE)
_SAMPLED_LINES = 150
_HEAD_SEARCHED = 200
_MOST_HEAD_LINES = 4
_CHUNK_LINES = 20_000
_MOST_PLANS = 256
# A number that can be read only with this decimal sign, as in `numerals`, anywhere in a line.
_PROOF = {
    sign: re.compile(
        rf"(?:\d{{4}}|(?<!\d)0|(?<!\d)){re.escape(sign)}\d|{re.escape(sign)}(?:\d{{1,2}}(?!\d)|\d{{4}})",
        re.ASCII,
    )
    for sign in ".,"
}
_NUMBER_BYTES = b"0123456789+-eE"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """How to read samples below a known header."""

    delimiter: str
    decimal: str
    header: Header


# Header lines to plan, for each table of channel names.
_PLANS: WeakKeyDictionary[ChannelTable, dict[tuple[str, ...], _Plan]] = WeakKeyDictionary()


def read_delimited(data: bytes, table: ChannelTable, *, name: str) -> Table:
    """Return the table of a delimited text file.

    Args:
        data: The whole file.
        table: Names of channels.
        name: Name of the file, for messages.

    Raises:
        InputError: If the bytes are no text, or no table stands in it, or it can be read in more
            ways than one.
    """
    lines = decode_text(data, name=name).split("\n")
    ends_open = bool(lines[-1])
    while len(lines) > 1 and not lines[-1].strip():
        lines.pop()
    return _read_known(lines, table, ends_open=ends_open) or _read_new(
        lines, table, name=name, ends_open=ends_open
    )


# --- a header seen before -------------------------------------------------------------------------


def _read_known(lines: list[str], table: ChannelTable, *, ends_open: bool) -> Table | None:
    """Return the table if the header is known and all below it are plain numbers; else None."""
    plans = _PLANS.get(table)
    first = _first_number_line(lines) if plans else 0
    if not plans or not first:
        return None
    for count in range(1, min(first, _MOST_HEAD_LINES) + 1):
        plan = plans.get(tuple(lines[first - count : first]))
        if plan is not None:
            break
    else:
        return None
    if ends_open and not _ends_whole(lines, plan):
        return None
    values = _read_plain(lines[first:], plan)
    if values is None:
        return None
    above = lines[: first - count]
    return Table(header=plan.header, values=values, metadata=_split_above(above, plan.delimiter))


def _first_number_line(lines: Sequence[str]) -> int:
    for place, line in enumerate(lines[:_HEAD_SEARCHED]):
        if line and not line.strip("0123456789+-.,eE;|\t ") and line.strip("+-.,eE;|\t "):
            return place
    return 0


def _ends_whole(lines: list[str], plan: _Plan) -> bool:
    """Return whether the last number, at the open end of the file, is as long as the one above."""
    last, above = (line.rpartition(plan.delimiter)[2] for line in (lines[-1], lines[-2]))
    return fraction_length(last) >= fraction_length(above)


def _read_plain(lines: list[str], plan: _Plan) -> Floats | None:
    """Return values, shape (columns, rows), if every line is a full row of plain numbers."""
    width = len(plan.header.names)
    parts: list[Floats] = []
    for start in range(0, len(lines), _CHUNK_LINES):
        chunk = lines[start : start + _CHUNK_LINES]
        part = _read_chunk(chunk, plan, width)
        if part is None:
            return None
        parts.append(part)
    values = parts[0] if len(parts) == 1 else np.concatenate(parts)
    return np.ascontiguousarray(values.T)


def _read_chunk(lines: list[str], plan: _Plan, width: int) -> Floats | None:
    text = plan.delimiter.join(lines)
    allowed = _NUMBER_BYTES + plan.delimiter.encode() + plan.decimal.encode()
    if not text.isascii() or text.encode("ascii").translate(None, allowed):
        return None
    # Whatever would make the careful reading weigh one decimal sign against the other goes there.
    if plan.decimal in text and _PROOF[plan.decimal].search(text) is None:
        return None
    if plan.decimal != ".":
        lines = [line.replace(plan.decimal, ".") for line in lines]
    try:
        values = np.loadtxt(lines, delimiter=plan.delimiter, comments=None, ndmin=2)
    except ValueError:  # not a number, or not as many as above
        return None
    # Empty lines are passed over by the reader; they are not full rows.
    whole = values.shape == (len(lines), width) and bool(np.isfinite(values).all())
    return values if whole else None


def _split_above(lines: list[str], delimiter: str) -> dict[str, str]:
    """Return the metadata of the lines above a known header."""
    if not lines:
        return {}
    grid = split_lines(lines, delimiter)
    rows = zip(grid.lines, grid.rows, strict=True)
    return read_preamble(
        ((line, row) for line, row in rows if not _SEPARATOR_LINE.match(lines[line - 1])),
        delimiter=delimiter,
    )


# --- a header not seen before ---------------------------------------------------------------------


def _read_new(lines: list[str], table: ChannelTable, *, name: str, ends_open: bool) -> Table:
    stated = next(
        (
            (place, match[1])
            for place, line in enumerate(lines[:3])
            if (match := _SEPARATOR_LINE.match(line))
        ),
        None,
    )
    if stated is not None:
        lines = [*lines[: stated[0]], "", *lines[stated[0] + 1 :]]
    delimiter = stated[1] if stated else _find_delimiter(lines)
    try:
        grid = split_lines(lines, delimiter, ends_open=ends_open)
    except csv.Error as error:
        raise InputError(
            f"Nothing ingested: the file is no readable table ({error}).",
            where=name,
            mend="Export the log again as CSV.",
        ) from error
    reading = read_grid(grid, table, name=name)
    if reading.plain and '"' not in "".join(lines):
        _remember(lines, delimiter, reading, table)
    return reading.table


def _remember(lines: Sequence[str], delimiter: str, reading: Reading, table: ChannelTable) -> None:
    """Keep the plan of a header whose samples are plain numbers with one decimal sign."""
    first = _first_number_line(lines)
    usable = delimiter in DELIMITERS and reading.decimal not in {"", delimiter}
    if not usable or not 0 < reading.head_lines <= min(first, _MOST_HEAD_LINES):
        return
    plans = _PLANS.setdefault(table, {})
    if len(plans) >= _MOST_PLANS:
        plans.clear()
    plans[tuple(lines[first - reading.head_lines : first])] = _Plan(
        delimiter=delimiter, decimal=reading.decimal, header=reading.table.header
    )


def _find_delimiter(lines: Sequence[str]) -> str:
    """Return the delimiter that gives the most numbers in rows of one width."""
    sample = [*lines[:_SAMPLED_LINES], *lines[_SAMPLED_LINES:][-_SAMPLED_LINES:]]
    for delimiters in (DELIMITERS, _BLANKS):
        scores = {delimiter: _count_numbers(sample, delimiter) for delimiter in delimiters}
        best = max(delimiters, key=lambda delimiter: scores[delimiter])
        if scores[best] > 0:
            return best
    return max(DELIMITERS, key=lambda delimiter: sum(line.count(delimiter) for line in sample))


def _count_numbers(lines: Sequence[str], delimiter: str) -> int:
    """Return how many numbers stand in sample rows of one width, texts counted against them."""
    counts: dict[int, int] = {}
    for line in lines:
        if delimiter in line:
            cells = _split_line(line, delimiter)
            if looks_like_sample(cells):
                score = len(cells) - 3 * count_texts(cells)
                counts[len(cells)] = counts.get(len(cells), 0) + score
    return max(counts.values(), default=0)


def _split_line(line: str, delimiter: str) -> list[Cell]:
    if delimiter in _BLANKS:
        return list(re.split(r"\s{2,}" if delimiter == _BLANKS[0] else r"\s+", line.strip()))
    if '"' not in line:
        return list(line.split(delimiter))
    return list(next(csv.reader([line], delimiter=delimiter), []))


def split_lines(lines: list[str], delimiter: str, *, ends_open: bool = False) -> Grid:
    """Return the cells of each line; quotes are honoured where there are any."""
    if delimiter in _BLANKS or '"' not in "".join(lines):
        rows = [_split_line(line, delimiter) for line in lines]
        numbers = list(range(1, len(lines) + 1))
    else:
        rows, numbers = _split_quoted(lines, delimiter)
    return Grid(rows=rows, lines=numbers, delimiter=delimiter, ends_open=ends_open)


_MOST_LINES_IN_CELL = 4


def _split_quoted(lines: list[str], delimiter: str) -> tuple[list[list[Cell]], list[int]]:
    """Return cells and first lines; a quote that swallows many lines is no quote but an inch."""
    rows: list[list[Cell]] = []
    numbers: list[int] = []
    start = 0
    while start < len(lines):
        used, cells = _take_record(lines, start, delimiter)
        rows.append(cells)
        numbers.append(start + 1)
        start += used
    return rows, numbers


def _take_record(lines: list[str], start: int, delimiter: str) -> tuple[int, list[Cell]]:
    """Return how many lines a record takes and its cells."""
    if '"' not in lines[start]:
        return 1, list(lines[start].split(delimiter))
    few = [line + "\n" for line in lines[start : start + _MOST_LINES_IN_CELL]]
    for used in range(1, len(few) + 1):
        try:
            records = list(csv.reader(few[:used], delimiter=delimiter, strict=True))
        except csv.Error:
            continue
        if len(records) == 1:
            return used, [cell.strip("\n") for cell in records[0]]
    return 1, list(lines[start].split(delimiter))
