"""Files below a header seen before, with nothing but plain numbers in them: many in one go.

The dialect of a header is decided once, by the careful reading in `delimited`. Files that follow it
to the letter are parsed together, which takes a fraction of the time; whatever is odd about one of
them (a missing cell, a text, a cut line, a number that can be read in two ways) sends it back to
the careful reading.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
import polars as pl

from dynostats.arrays import Floats
from dynostats.ingest.channels import ChannelTable
from dynostats.ingest.encoding import decode_head
from dynostats.ingest.lines import split_lines
from dynostats.ingest.preamble import read_preamble
from dynostats.ingest.rows import fraction_length
from dynostats.ingest.table import Header, Table

SEPARATOR_LINE = re.compile(r'^"?sep=(.)"?;*$', re.IGNORECASE)
_HEAD_SEARCHED = 200
_MOST_HEAD_LINES = 4
_MOST_PLANS = 256
# A line of numbers in any dialect.
_NUMBER_LINE = re.compile(rb"^[+\-.,eE;|\t ]*[0-9][0-9+\-.,eE;|\t ]*$", re.MULTILINE)
# A number that can be read only with this decimal sign, as in `numerals`, anywhere in a line.
_PROOF = {
    sign: re.compile(
        rf"(?:\d{{4}}|(?<!\d)0|(?<!\d)){re.escape(sign)}\d|{re.escape(sign)}(?:\d{{1,2}}(?!\d)|\d{{4}})".encode()
    )
    for sign in ".,"
}
_NUMBER_BYTES = b"0123456789+-eE\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """How to read samples below a known header.

    Args:
        delimiter: What stands between the cells.
        decimal: The decimal sign.
        header: The columns.
    """

    delimiter: str
    decimal: str
    header: Header


# Header lines to plan, for each table of channel names.
_PLANS: WeakKeyDictionary[ChannelTable, dict[tuple[str, ...], Plan]] = WeakKeyDictionary()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """A file below a known header.

    Args:
        plan: How to read it.
        above: The lines above the header.
        body: The lines of samples, without the last line's end.
    """

    plan: Plan
    above: list[str]
    body: bytes


def remember_plan(lines: Sequence[str], head_lines: int, plan: Plan, table: ChannelTable) -> None:
    """Keep the plan of a header whose samples are plain numbers with one decimal sign.

    Args:
        lines: The file.
        head_lines: Lines from the first header line to the last line before the samples.
        plan: How its samples were read.
        table: Names of channels it was read with.
    """
    first = _first_number_line("\n".join(lines[: _HEAD_SEARCHED + 1]).encode())
    if first is None or not 0 < head_lines <= min(first[0], _MOST_HEAD_LINES):
        return
    plans = _PLANS.setdefault(table, {})
    if len(plans) >= _MOST_PLANS:
        plans.clear()
    plans[tuple(lines[first[0] - head_lines : first[0]])] = plan


def read_plain(files: Sequence[bytes], table: ChannelTable) -> list[Table | None]:
    """Return the tables of files of known headers, read together; None where care is needed.

    Args:
        files: The bytes of each.
        table: Names of channels.
    """
    found = [_find_plan(data, table) for data in files]
    groups: dict[int, list[int]] = {}
    for place, known in enumerate(found):
        if known is not None:
            groups.setdefault(id(known.plan), []).append(place)
    tables: list[Table | None] = [None] * len(files)
    for places in groups.values():
        group = [known for place in places if (known := found[place]) is not None]
        for place, result in zip(places, _read_group(group), strict=True):
            tables[place] = result
    return tables


def _find_plan(data: bytes, table: ChannelTable) -> _Known | None:
    plans = _PLANS.get(table)
    if not plans:
        return None
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    first = _first_number_line(data)
    head = decode_head(data[: first[1]]) if first is not None else None
    if first is None or head is None:
        return None
    lines = head.split("\n")[:-1]
    for count in range(1, min(first[0], _MOST_HEAD_LINES) + 1):
        plan = plans.get(tuple(lines[-count:]))
        if plan is not None:
            known = _Known(plan=plan, above=lines[:-count], body=data[first[1] :].rstrip(b"\n"))
            if _is_plain(known) and (data.endswith(b"\n") or _ends_whole(known)):
                return known
            return None
    return None


def _first_number_line(data: bytes) -> tuple[int, int] | None:
    """Return number and place of the first line of numbers, below at least one other line."""
    found = _NUMBER_LINE.search(data)
    if found is None:
        return None
    above = data.count(b"\n", 0, found.start())
    return (above, found.start()) if 0 < above < _HEAD_SEARCHED else None


def _ends_whole(known: _Known) -> bool:
    """Return whether the last number, at the open end of the file, is as long as the one above."""
    delimiter = known.plan.delimiter.encode()
    lines = known.body.rsplit(b"\n", 2)[-2:]
    last, above = (line.rpartition(delimiter)[2].decode() for line in (lines[-1], lines[0]))
    return len(lines) == 2 and fraction_length(last) >= fraction_length(above)


def _is_plain(known: _Known) -> bool:
    """Return whether nothing but numbers stands in a file, with a decimal sign that is certain."""
    decimal = known.plan.decimal
    if known.body.translate(None, _NUMBER_BYTES + (known.plan.delimiter + decimal).encode()):
        return False
    # Whatever would make the careful reading weigh one decimal sign against the other goes there.
    return decimal.encode() not in known.body or _PROOF[decimal].search(known.body) is not None


def _read_group(group: Sequence[_Known]) -> list[Table | None]:
    """Return the tables of files of one plan; None for each that has not all cells in all rows."""
    plan = group[0].plan
    ends = np.cumsum([_count_lines(known.body) for known in group])
    values = _parse(b"\n".join(known.body for known in group), plan)
    if values is None or values.shape[1] != ends[-1]:  # one of them is odd
        return [None] if len(group) == 1 else [_read_group([known])[0] for known in group]
    return [
        Table(header=plan.header, values=part, metadata=_metadata(known))
        if np.isfinite(part).all()
        else None
        for known, part in zip(group, np.split(values, ends[:-1], axis=1), strict=True)
    ]


def _count_lines(body: bytes) -> int:
    """Return the number of lines; numpy counts three times as fast as bytes do."""
    return int(np.count_nonzero(np.frombuffer(body, np.uint8) == ord("\n"))) + 1


def _parse(body: bytes, plan: Plan) -> Floats | None:
    """Return the numbers of lines, shape (columns, lines), NaN for none; None if one is unread."""
    width = len(plan.header.names)
    try:
        frame = pl.read_csv(
            body,
            has_header=False,
            separator=plan.delimiter,
            decimal_comma=plan.decimal == ",",
            quote_char=None,
            schema={f"column_{place}": pl.Float64 for place in range(width)},
        )
    except pl.exceptions.PolarsError:  # not a number, or more of them than columns
        return None
    return np.ascontiguousarray(frame.to_numpy().T)


def _metadata(known: _Known) -> dict[str, str]:
    """Return what the lines above the header say."""
    if not known.above:
        return {}
    grid = split_lines(known.above, known.plan.delimiter)
    rows = zip(grid.lines, grid.rows, strict=True)
    return read_preamble(
        ((line, row) for line, row in rows if not SEPARATOR_LINE.match(known.above[line - 1])),
        delimiter=known.plan.delimiter,
    )
