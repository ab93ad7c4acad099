"""Lines of delimited text to cells, with quotes honoured where there are any."""

from __future__ import annotations

import csv
import re

from dynostats.ingest.layout import Grid
from dynostats.ingest.numerals import Cell

DELIMITERS = ("\t", ";", "|", ",")
# Tried when none of those gives a table: columns set apart by two and more blanks, or by one.
BLANKS = ("  ", " ")


def split_line(line: str, delimiter: str) -> list[Cell]:
    """Return the cells of one line."""
    if delimiter in BLANKS:
        return list(re.split(r"\s{2,}" if delimiter == BLANKS[0] else r"\s+", line.strip()))
    if '"' not in line:
        return list(line.split(delimiter))
    return list(next(csv.reader([line], delimiter=delimiter), []))


def split_lines(lines: list[str], delimiter: str, *, ends_open: bool = False) -> Grid:
    """Return the cells of each line; quotes are honoured where there are any."""
    if delimiter in BLANKS or '"' not in "".join(lines):
        rows = [split_line(line, delimiter) for line in lines]
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
