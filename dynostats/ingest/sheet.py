"""The shop's sheet: one row a pull."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from dynostats.errors import InputError
from dynostats.ingest.channels import load_channel_table
from dynostats.ingest.encoding import decode_text
from dynostats.ingest.figures import POSSIBLE_AIR
from dynostats.ingest.labels import Label, read_labels
from dynostats.ingest.layout import Grid, is_blank
from dynostats.ingest.lines import DELIMITERS, split_lines
from dynostats.ingest.log import Ambient, SheetRow
from dynostats.ingest.numerals import (
    Cell,
    decimal_proofs,
    is_missing,
    read_column_dates,
    read_numbers,
)
from dynostats.units import convert, unit_dimension

_REQUIRED = ("file", "engine", "session", "setup")
_OPTIONAL = ("dyno", "order", "started", "notes")
_AIR = ("ambient_pressure", "ambient_temperature", "relative_humidity")
# Units that a reading under another unit's name is mostly written in.
_OTHER_UNITS = {
    "ambient_pressure": ("mbar", "inHg", "mmHg", "psi", "bar"),
    "ambient_temperature": ("degF", "K"),
}
_ROWS_SEARCHED = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """A sheet's cells, and which column holds what.

    Args:
        name: Name of the file, for messages.
        rows: Rows below the header, with their lines.
        titles: Header cells as found.
        places: Field to column.
        labels: Air field to its header taken apart.
    """

    name: str
    rows: list[tuple[int, list[Cell]]]
    titles: list[str]
    places: dict[str, int]
    labels: dict[str, Label]

    def cells(self, field: str) -> list[Cell]:
        """Return the column of a field; empty cells when the sheet has none."""
        place = self.places.get(field)
        return [
            row[place] if place is not None and place < len(row) else "" for _, row in self.rows
        ]


def read_sheet(path: Path) -> tuple[SheetRow, ...]:
    """Read the sheet, one row a pull.

    Args:
        path: CSV (any delimiter, encoding and decimal sign) or XLSX with the columns file, engine,
            session, setup, and if wanted dyno, order, started, ambient_pressure,
            ambient_temperature, relative_humidity (unit in brackets), notes. Others become
            attributes.

    Raises:
        InputError: If it cannot be read, lacks a column, or a cell is not what its column says;
            with the line.
    """
    name = path.name
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"The sheet cannot be read ({error.strerror}).", where=str(path)
        ) from error
    sheet = _find_header(_read_grid(data, name=name), name=name)
    texts = {
        field: [_text(cell) for cell in sheet.cells(field)]
        for field in (*_REQUIRED, "dyno", "notes")
    }
    for field in _REQUIRED:
        _require_filled(sheet, field, texts[field])
    orders = _read_orders(sheet)
    starts = _read_starts(sheet)
    air = {field: _read_air(sheet, field) for field in _AIR}
    return tuple(
        SheetRow(
            file=texts["file"][index],
            engine=texts["engine"][index],
            dyno=texts["dyno"][index],
            session=texts["session"][index],
            setup=texts["setup"][index],
            order=orders[index],
            started=starts[index],
            ambient=Ambient(
                pressure_kpa=air["ambient_pressure"][index],
                temperature_c=air["ambient_temperature"][index],
                humidity_pct=air["relative_humidity"][index],
            ),
            notes=texts["notes"][index],
            attributes=_read_attributes(sheet, row),
            line=line,
        )
        for index, (line, row) in enumerate(sheet.rows)
    )


def _read_grid(data: bytes, *, name: str) -> Grid:
    if data.startswith(b"PK\x03\x04"):
        from dynostats.ingest.spreadsheet import read_worksheets  # noqa: PLC0415 - large library

        grids = [grid for _, grid in read_worksheets(data, name=name)]
        return next((grid for grid in grids if _header_place(grid) is not None), grids[0])
    lines = decode_text(data, name=name).split("\n")
    for delimiter in DELIMITERS:
        grid = split_lines(lines, delimiter)
        if _header_place(grid) is not None:
            return grid
    return split_lines(
        lines, max(DELIMITERS, key=lambda sign: sum(line.count(sign) for line in lines))
    )


def _field(title: str) -> str:
    return "_".join(title.lower().replace("_", " ").split())


def _header_place(grid: Grid) -> int | None:
    for place, row in enumerate(grid.rows[:_ROWS_SEARCHED]):
        fields = {_field(str(cell)) for cell in row}
        if "file" in fields and fields.intersection(_REQUIRED[1:]):
            return place
    return None


def _find_header(grid: Grid, *, name: str) -> _Sheet:
    place = _header_place(grid)
    first = (
        [str(cell).strip() for cell in grid.rows[0 if place is None else place]]
        if grid.rows
        else []
    )
    places: dict[str, int] = {}
    labels: dict[str, Label] = {}
    for column, title in enumerate(first):
        field, label = _name_field(title)
        if field in places:
            raise InputError(
                f"The sheet has two columns '{field}'.", where=name, mend="Leave one of them out."
            )
        if field:
            places[field] = column
        if label is not None:
            labels[field] = label
    missing = [field for field in _REQUIRED if field not in places]
    if missing or place is None:
        raise InputError(
            f"The sheet lacks the column {' and '.join(missing)}. "
            f"Columns found: {', '.join(title for title in first if title) or 'none'}.",
            where=name,
            mend=f"A sheet has one row a pull and at least the columns {', '.join(_REQUIRED)}.",
        )
    below = zip(grid.lines[place + 1 :], grid.rows[place + 1 :], strict=True)
    rows = [(line, row) for line, row in below if not is_blank(row)]
    return _Sheet(name=name, rows=rows, titles=first, places=places, labels=labels)


def _name_field(title: str) -> tuple[str, Label | None]:
    """Return the field a header names, with its unit where the field is a quantity."""
    field = _field(title)
    if field in {*_REQUIRED, *_OPTIONAL}:
        return field, None
    for label in read_labels(title):
        for match in load_channel_table().find(label.name):
            if match.channel in _AIR:
                return match.channel, label
    return "", None


def _text(cell: Cell) -> str:
    if isinstance(cell, str):
        return cell.strip()
    return f"{cell:.0f}" if float(cell).is_integer() else repr(cell)


def _require_filled(sheet: _Sheet, field: str, texts: Sequence[str]) -> None:
    for (line, _), text in zip(sheet.rows, texts, strict=True):
        if not text:
            raise InputError(
                f"The cell in column '{field}' is empty.",
                where=f"{sheet.name}:{line}",
                mend=f"Write the {field} of this pull, or delete the row.",
            )


def _read_orders(sheet: _Sheet) -> list[int | None]:
    orders: list[int | None] = []
    for (line, _), cell in zip(sheet.rows, sheet.cells("order"), strict=True):
        text = _text(cell)
        if text and not text.isdecimal():
            raise InputError(
                f"order is '{text}'.",
                where=f"{sheet.name}:{line}",
                mend="Write the place in the session's run order: 1, 2, 3, …",
            )
        orders.append(int(text) if text else None)
    return orders


def _read_starts(sheet: _Sheet) -> list[datetime | None]:
    texts = [_text(cell) for cell in sheet.cells("started")]
    starts = read_column_dates(texts)
    for (line, _), text, start in zip(sheet.rows, texts, starts, strict=True):
        if text and start is None:
            raise InputError(
                f"started is '{text}', which is no date or can be read as two.",
                where=f"{sheet.name}:{line}",
                mend="Write it as 2025-03-14 16:05.",
            )
    return starts


def _read_air(sheet: _Sheet, field: str) -> list[float | None]:
    """Return a column of ambient values in stored units; None where the cell is empty."""
    cells = sheet.cells(field)
    if all(is_missing(cell) for cell in cells):
        return [None] * len(cells)
    stored = load_channel_table().channels[field]
    unit = _air_unit(sheet, field, stored.unit)
    low, high = POSSIBLE_AIR[field]
    proofs = decimal_proofs(cells)
    outside: list[int] = []
    for decimal in sorted(proofs) or (".", ","):
        values, unread = read_numbers(cells, decimal=decimal)
        if unread and len(proofs) <= 1:
            raise _not_number(sheet, field, unread[0], cells)
        turned = [float(value) for value in convert(values, unit, stored.unit)]
        wrong = [place for place, value in enumerate(turned) if value < low or value > high]
        if not wrong:
            return [value if value == value else None for value in turned]  # noqa: PLR0124 - NaN
        outside = outside or wrong
    raise _impossible(sheet, field, unit, cells, outside)


def _air_unit(sheet: _Sheet, field: str, stored: str) -> str:
    """Return the unit beside a header; the stored one when there is none."""
    stated = sheet.labels[field].unit
    if not stated.text:
        return stored
    if unit_dimension(stated.unit) != unit_dimension(stored):
        raise InputError(
            f"'{stated.text}' is no unit for {field}.",
            where=sheet.name,
            mend=f"Write for example {field} [{stored}].",
        )
    return stated.unit


def _not_number(sheet: _Sheet, field: str, place: int, cells: Sequence[Cell]) -> InputError:
    return InputError(
        f"{field} is '{cells[place]}', which is no number.",
        where=f"{sheet.name}:{sheet.rows[place][0]}",
        mend="Write a number, or leave the cell empty.",
    )


def _impossible(
    sheet: _Sheet, field: str, unit: str, cells: Sequence[Cell], places: list[int]
) -> InputError:
    """Name the first impossible value, its line, and the units it would be possible in."""
    low, high = POSSIBLE_AIR[field]
    stored = load_channel_table().channels[field].unit
    first = cells[places[0]]
    more = f" and {len(places) - 1} more" if len(places) > 1 else ""
    fits = _fitting_units(field, first, stored)
    hint = f"It would be possible in {' or '.join(fits)}. " if fits else ""
    example = fits[0] if fits else stored
    return InputError(
        f"{field} is '{first}' {unit}{more}, which no test cell has: {low:g} to {high:g} {stored}.",
        where=f"{sheet.name}:{sheet.rows[places[0]][0]}",
        mend=f"{hint}State the unit behind the name, for example {field} [{example}], or mend the "
        "value.",
    )


def _fitting_units(field: str, cell: Cell, stored: str) -> list[str]:
    low, high = POSSIBLE_AIR[field]
    values, unread = read_numbers([cell], decimal=".")
    if unread:
        return []
    return [
        other
        for other in _OTHER_UNITS.get(field, ())
        if low <= float(convert(values[0], other, stored)) <= high
    ]


def _read_attributes(sheet: _Sheet, row: Sequence[Cell]) -> dict[str, str]:
    taken = set(sheet.places.values())
    return {
        title: _text(row[place]) if place < len(row) else ""
        for place, title in enumerate(sheet.titles)
        if title and place not in taken
    }
