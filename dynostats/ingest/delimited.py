"""Delimited text of any dialect to a table.

The dialect is decided here, on the text, once for each header; `plain` reads later files with the
same header and nothing but plain numbers below it.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence

from dynostats.errors import InputError
from dynostats.ingest.body import Reading, read_grid
from dynostats.ingest.channels import ChannelTable
from dynostats.ingest.encoding import decode_text
from dynostats.ingest.layout import count_texts, looks_like_sample
from dynostats.ingest.lines import BLANKS, DELIMITERS, split_line, split_lines
from dynostats.ingest.plain import SEPARATOR_LINE, Plan, read_plain, remember_plan
from dynostats.ingest.table import Table

_SAMPLED_LINES = 150


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
    (plain,) = read_plain([data], table)
    if plain is not None:
        return plain
    lines = decode_text(data, name=name).split("\n")
    ends_open = bool(lines[-1])
    while len(lines) > 1 and not lines[-1].strip():
        lines.pop()
    return _read_lines(lines, table, name=name, ends_open=ends_open)


def _read_lines(lines: list[str], table: ChannelTable, *, name: str, ends_open: bool) -> Table:
    stated = next(
        (
            (place, match[1])
            for place, line in enumerate(lines[:3])
            if (match := SEPARATOR_LINE.match(line))
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
    """Keep how a header's samples are read, if they are plain numbers with one decimal sign."""
    if delimiter in DELIMITERS and reading.decimal not in {"", delimiter}:
        plan = Plan(delimiter=delimiter, decimal=reading.decimal, header=reading.table.header)
        remember_plan(lines, reading.head_lines, plan, table)


def _find_delimiter(lines: Sequence[str]) -> str:
    """Return the delimiter that gives the most numbers in rows of one width."""
    sample = [*lines[:_SAMPLED_LINES], *lines[_SAMPLED_LINES:][-_SAMPLED_LINES:]]
    for delimiters in (DELIMITERS, BLANKS):
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
            cells = split_line(line, delimiter)
            if looks_like_sample(cells):
                score = len(cells) - 3 * count_texts(cells)
                counts[len(cells)] = counts.get(len(cells), 0) + score
    return max(counts.values(), default=0)
