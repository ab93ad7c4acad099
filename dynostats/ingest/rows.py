"""The rows of samples: which there are, which were left out and why, all of one width."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from dynostats.errors import InputError
from dynostats.ingest.layout import Grid, Layout, is_blank, show_row
from dynostats.ingest.log import Finding, Severity
from dynostats.ingest.numerals import Cell

# A log with more faulty rows than this is misread, not faulty.
_MOST_FAULTY_SHARE = 0.05
_FEW_FAULTY = 3
# Rows needed before a shorter last number is taken for a cut one.
_ROWS_TO_JUDGE = 10
_FRACTION = re.compile(r"[.,](\d+)$")
_MOST_SHOWN = 5
# Delimiters that may also stand inside a number or a name, so that cells may have shifted.
_IN_NUMBERS = {",", " "}


@dataclass(slots=True)
class Rows:
    """The samples while they are being cleaned.

    Args:
        cells: Samples.
        lines: Their lines in the file.
        findings: What was left out, growing.
        trailer: Lines and text of what follows the samples, growing.
    """

    cells: list[list[Cell]]
    lines: list[int]
    findings: list[Finding] = field(default_factory=list[Finding])
    trailer: dict[int, str] = field(default_factory=dict[int, str])

    def tell(self, check: str, severity: Severity, message: str) -> None:
        """Keep a finding."""
        self.findings.append(Finding(check=check, severity=severity, message=message))

    def drop(self, places: Iterable[int]) -> None:
        """Leave out rows."""
        gone = set(places)
        if gone:
            self.cells = [row for place, row in enumerate(self.cells) if place not in gone]
            self.lines = [line for place, line in enumerate(self.lines) if place not in gone]


def name_lines(lines: Sequence[int], *, noun: str = "line") -> str:
    """Return "line 7" or "lines 7, 9, 12 and 4 more"."""
    shown = ", ".join(str(line) for line in lines[:_MOST_SHOWN])
    more = f" and {len(lines) - _MOST_SHOWN} more" if len(lines) > _MOST_SHOWN else ""
    return f"{noun}{'s' if len(lines) > 1 else ''} {shown}{more}"


def take_rows(grid: Grid, layout: Layout, *, name: str) -> Rows:
    """Return the samples of a grid, all as wide as the table, with findings on the rest.

    Args:
        grid: The file's cells.
        layout: Where things stand in it.
        name: Name of the file, for messages.

    Raises:
        InputError: If rows and header do not fit each other.
    """
    rows = Rows(
        [grid.rows[place] for place in layout.body], [grid.lines[place] for place in layout.body]
    )
    _tell_between(rows, grid, layout)
    _tell_repeats(rows, grid, layout)
    _keep_trailer(rows, grid, layout)
    _square(rows, grid, layout, name=name)
    _drop_cut_number(rows, grid)
    return rows


def _tell_between(rows: Rows, grid: Grid, layout: Layout) -> None:
    """Tell of blank rows and markers among the samples."""
    known = {*layout.body, *layout.repeats, *_units_below(grid, layout), *layout.others}
    between = [place for place in range(layout.body[0], layout.body[-1]) if place not in known]
    blank = [grid.lines[place] for place in between if is_blank(grid.rows[place])]
    marks = [place for place in between if not is_blank(grid.rows[place])]
    if blank:
        rows.tell("blank_rows", "note", f"Left out {name_lines(blank)}: empty.")
    if marks:
        lines = name_lines([grid.lines[place] for place in marks])
        rows.tell(
            "odd_rows",
            "note",
            f"Left out {lines} among the samples ('{show_row(grid.rows[marks[0]])}'): no sample.",
        )


def _tell_repeats(rows: Rows, grid: Grid, layout: Layout) -> None:
    if layout.repeats:
        lines = name_lines([grid.lines[place] for place in layout.repeats])
        rows.tell(
            "repeated_header",
            "note",
            f"The header stands again on {lines}: several recordings in one file, read as one log "
            "in file order.",
        )
    for place in layout.others:
        rows.tell(
            "other_table",
            "doubtful",
            f"Another table on line {grid.lines[place]} ('{show_row(grid.rows[place])}') was left "
            "out; only the longest table of a file is read.",
        )


def _units_below(grid: Grid, layout: Layout) -> set[int]:
    """Return the rows below a repeated header that repeat the units row."""
    if layout.units is None:
        return set()
    step = layout.units - layout.header
    units = grid.rows[layout.units]
    below = {place + step for place in layout.repeats}
    return {place for place in below if place < len(grid.rows) and grid.rows[place] == units}


def _keep_trailer(rows: Rows, grid: Grid, layout: Layout) -> None:
    last = max(layout.body[-1], *layout.others, 0)
    for place in range(last + 1, len(grid.rows)):
        if not is_blank(grid.rows[place]):
            rows.trailer[grid.lines[place]] = show_row(grid.rows[place])


def tell_trailer(rows: Rows) -> None:
    """Tell of what follows the samples: summaries and remarks."""
    if rows.trailer:
        lines = sorted(rows.trailer)
        text = "; ".join(rows.trailer[line] for line in lines[:_MOST_SHOWN])
        rows.tell(
            "trailer",
            "note",
            f"{name_lines(lines).capitalize()} after the samples are a summary, not samples, and "
            f"were left out: {text}.",
        )


def _square(rows: Rows, grid: Grid, layout: Layout, *, name: str) -> None:
    """Make all rows one width, dropping the few that cannot be."""
    common = Counter(len(row) for row in rows.cells).most_common(1)[0][0]
    named = _filled_width(grid.rows[layout.header])
    filled = max(_filled_width(row) for row in rows.cells if len(row) == common)
    if grid.delimiter in _IN_NUMBERS and (filled > named or common < named):
        raise _shifted(grid, layout, named, filled if filled > named else common, name=name)
    _drop_cut_row(rows, grid, min(common, filled))
    faulty = [
        place
        for place, row in enumerate(rows.cells)
        if len(row) < min(common, filled) or _filled_width(row) > common
    ]
    _drop_faulty(rows, faulty, common, name=name)
    width = max(common, named)
    rows.cells = [
        row if len(row) == width else [*row[:width], *[""] * (width - len(row))]
        for row in rows.cells
    ]


def _filled_width(row: Sequence[Cell]) -> int:
    """Return the width of a row without the empty cells at its end."""
    width = len(row)
    while width and isinstance(row[width - 1], str) and not str(row[width - 1]).strip():
        width -= 1
    return width


def _shifted(grid: Grid, layout: Layout, named: int, cells: int, *, name: str) -> InputError:
    line = grid.lines[layout.body[0]]
    return InputError(
        f"Nothing ingested: the rows from line {line} on have {cells} cells, but the header on "
        f"line {grid.lines[layout.header]} names {named} columns, so it is not certain which "
        "number belongs to which name.",
        where=name,
        mend="A comma or blank inside a number or a name does this: export with semicolons or tabs "
        "between the columns, or with such cells in quotes.",
    )


def _drop_cut_row(rows: Rows, grid: Grid, least: int) -> None:
    """Drop the last row if it ends early and is the last thing in the file."""
    last_row = rows.cells[-1]
    ends_file = rows.lines[-1] == max(
        line for row, line in zip(grid.rows, grid.lines, strict=True) if not is_blank(row)
    )
    if len(last_row) < least and ends_file and len(rows.cells) > 1:
        rows.tell(
            "truncated",
            "doubtful",
            f"The file breaks off in line {rows.lines[-1]} ('{show_row(last_row)}'); that line was "
            "left out. The pull may have gone on.",
        )
        rows.drop([len(rows.cells) - 1])


def _drop_faulty(rows: Rows, faulty: list[int], width: int, *, name: str) -> None:
    if not faulty:
        return
    lines = name_lines([rows.lines[place] for place in faulty])
    if len(faulty) > max(_FEW_FAULTY, _MOST_FAULTY_SHARE * len(rows.cells)) or len(faulty) == len(
        rows.cells
    ):
        raise InputError(
            f"Nothing ingested: {len(faulty)} of {len(rows.cells)} rows do not have {width} cells "
            f"({lines}).",
            where=name,
            mend="A separator inside a number or a text does this: export with another separator, "
            "or with such cells in quotes.",
        )
    rows.tell("ragged_rows", "doubtful", f"Left out {lines}: more or fewer than {width} cells.")
    rows.drop(faulty)


def _drop_cut_number(rows: Rows, grid: Grid) -> None:
    """Drop the last row if the file ends inside its last number (0.8 where all have 0.860)."""
    if not grid.ends_open or len(rows.cells) <= _ROWS_TO_JUDGE or rows.lines[-1] != grid.lines[-1]:
        return
    place = _filled_width(rows.cells[-1]) - 1
    lengths = {fraction_length(row[place]) for row in rows.cells[:-1]}
    if len(lengths) == 1 and fraction_length(rows.cells[-1][place]) < lengths.pop():
        rows.tell(
            "truncated",
            "doubtful",
            f"The file breaks off in the last number of line {rows.lines[-1]} "
            f"('{rows.cells[-1][place]}'); that line was left out. The pull may have gone on.",
        )
        rows.drop([len(rows.cells) - 1])


def fraction_length(cell: Cell) -> int:
    """Return how many digits stand behind the decimal sign at the end of a cell."""
    found = _FRACTION.search(cell) if isinstance(cell, str) else None
    return len(found[1]) if found else 0
