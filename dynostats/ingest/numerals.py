"""Cells to numbers: decimal comma or point, thousands separators, error cells, clock times."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache
from typing import cast

import numpy as np

from dynostats.arrays import Floats
from dynostats.units import find_unit

Cell = str | float

MISSING = frozenset(
    {
        "",
        "-",
        "--",
        "---",
        "----",
        ".",
        "*",
        "***",
        "nan",
        "-nan",
        "nan(ind)",
        "-nan(ind)",
        "1.#qnan",
        "-1.#ind",
        "1.#inf",
        "inf",
        "+inf",
        "-inf",
        "infinity",
        "-infinity",
        "null",
        "nil",
        "none",
        "na",
        "n/a",
        "n.a.",
        "n.v.",
        "err",
        "error",
        "invalid",
        "void",
        "open",
        "short",
        "#div/0!",
        "#n/a",
        "#nv",
        "#num!",
        "#zahl!",
        "#ref!",
        "#bezug!",
        "#value!",
        "#wert!",
        "#valeur!",
        "#name?",
        "#null!",
        "#div/0",
    }
)

_NUMBER = re.compile(
    r"[+-]?(?:\d[\d.,'\u2019\u00a0\u202f ]*|[.,]\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII
)
_WITH_UNIT = re.compile(r"([+-]?[\d.,]*\d)\s*([^\d\s.,][^\d]{0,11})", re.ASCII)
_CLOCK = re.compile(
    r"(?:(?P<date>\d{1,4}[-./]\d{1,2}[-./]\d{1,4})[T ]+)?"
    r"(?:(?P<hours>\d{1,3}):)?(?P<minutes>\d{1,2}):(?P<seconds>\d{1,2}(?:[.,]\d{1,9})?)Z?",
    re.ASCII,
)
_SPACES = str.maketrans(dict.fromkeys("'\u2019\u00a0\u202f "))
_DIGITS = str.maketrans(dict.fromkeys("0123456789+-eE\n"))
_SPACED = re.compile(
    r"[+-]?\d{1,3}(?:['\u2019\u00a0\u202f ]\d{3})+(?:[.,]\d*)?(?:[eE][+-]?\d{1,3})?", re.ASCII
)
_OTHER = {".": ",", ",": "."}
_EXPONENT = r"(?:[eE][+-]?\d{1,3})?"
# A cell that can be read only with this sign as the decimal one: a whole part that is no group of
# thousands, a fraction that is no group of three, or groups made with the other sign.
_PROOF = {
    sign: re.compile(
        rf"^[+-]?(?:(?:0\d*|\d{{4,}})?{re.escape(sign)}\d+|\d*{re.escape(sign)}(?:\d{{0,2}}|\d{{4,}})"
        rf"|\d*{re.escape(sign)}\d*[eE][+-]?\d{{1,3}}"
        rf"|\d{{1,3}}(?:{re.escape(other)}\d{{3}})+{re.escape(sign)}\d*"
        rf"|\d{{1,3}}(?:{re.escape(other)}\d{{3}}){{2,}}){_EXPONENT}$",
        re.MULTILINE | re.ASCII,
    )
    for sign, other in _OTHER.items()
}
_TWO_GROUPS = {
    sign: re.compile(rf"{re.escape(other)}\d{{3}}{re.escape(other)}", re.ASCII)
    for sign, other in _OTHER.items()
}
_LOOSE = re.compile("['\u2019\u00a0\u202f \t]")
_GROUPED = {
    sign: re.compile(
        rf"[+-]?\d{{1,3}}(?:{re.escape(other)}\d{{3}})+(?:{re.escape(sign)}\d*)?{_EXPONENT}",
        re.ASCII,
    )
    for sign, other in _OTHER.items()
}
_PLAIN = {
    sign: re.compile(
        rf"[+-]?(?:\d+(?:{re.escape(sign)}\d*)?|{re.escape(sign)}\d+){_EXPONENT}", re.ASCII
    )
    for sign in _OTHER
}
_DAY_S = 86_400.0


def is_missing(cell: Cell) -> bool:
    """Return whether a cell holds no value: empty, an error of a spreadsheet, a dash."""
    return isinstance(cell, str) and cell.strip().lower() in MISSING


def is_number(cell: Cell) -> bool:
    """Return whether a cell is a number in some way of writing."""
    return not isinstance(cell, str) or _NUMBER.fullmatch(cell.strip()) is not None


def is_clock(cell: Cell) -> bool:
    """Return whether a cell is a time of day, with or without a date."""
    return isinstance(cell, str) and _CLOCK.fullmatch(cell.strip()) is not None


def decimal_proofs(cells: Sequence[Cell]) -> set[str]:
    """Return the decimal signs that some cell of a column proves ("." and ",").

    Example:
        >>> decimal_proofs(["2.125", "330,0"]), decimal_proofs(["2.125"])
        ({','}, set())
    """
    text = "\n".join(cell for cell in cells if isinstance(cell, str))
    if _LOOSE.search(text):
        text = "\n".join(_drop_spaces(cell) for cell in text.split("\n"))
    return {
        sign
        for sign, proof in _PROOF.items()
        if (sign in text or _TWO_GROUPS[sign].search(text)) and proof.search(text)
    }


def _drop_spaces(cell: str) -> str:
    """Return a cell without outer blanks and without blanks or apostrophes between thousands."""
    bare = cell.strip()
    return bare.translate(_SPACES) if _SPACED.fullmatch(bare) else bare


def read_numbers(cells: Sequence[Cell], *, decimal: str) -> tuple[Floats, list[int]]:
    """Return a column's numbers and the places of cells that are neither number nor missing.

    Args:
        cells: The column, text or numbers.
        decimal: Its decimal sign; the other sign then separates thousands.

    Returns:
        float64 with NaN for missing and unreadable cells; places of the unreadable ones.

    Example:
        >>> read_numbers(["2.125", "1.234,5", "#N/A", "x"], decimal=",")
        (array([2125. , 1234.5,    nan,    nan]), [3])
    """
    plain = _read_plain(cells, decimal)
    if plain is not None:
        return plain, []
    values = np.full(len(cells), np.nan)
    unread: list[int] = []
    for place, cell in enumerate(cells):
        value = cell if isinstance(cell, float | int) else _read_number(cell, decimal)
        if value is not None:
            values[place] = value
        elif not is_missing(cell):
            unread.append(place)
    values[~np.isfinite(values)] = np.nan
    return values, unread


def _read_plain(cells: Sequence[Cell], decimal: str) -> Floats | None:
    """Return a column of numbers without separators, gaps or text in one go; None if it is none."""
    try:
        text = "\n".join(cast("Sequence[str]", cells))
    except TypeError:
        return None
    if text.translate(_DIGITS).strip(decimal) or len(cells) == 0:
        return None
    try:
        values = np.array(list(map(float, text.replace(decimal, ".").split("\n"))))
    except ValueError:
        return None
    return values if np.isfinite(values).all() and len(values) == len(cells) else None


def _read_number(cell: str, decimal: str) -> float | None:
    bare = _drop_spaces(cell)
    if _PLAIN[decimal].fullmatch(bare):
        return float(bare.replace(decimal, "."))
    if _GROUPED[decimal].fullmatch(bare):
        return float(bare.replace(_OTHER[decimal], "").replace(decimal, "."))
    return None


def drop_units(cells: Sequence[Cell]) -> tuple[list[Cell], str]:
    """Return a column without the unit that stands behind each number, and that unit.

    Example:
        >>> drop_units(["45 %", "", "50 %"]), drop_units(["45 %", "50 V"])
        ((['45', '', '50'], '%'), (['45 %', '50 V'], ''))
    """
    parts = [
        _WITH_UNIT.fullmatch(cell.strip()) if isinstance(cell, str) else None for cell in cells
    ]
    units = {found[2] for found in parts if found}
    stray = any(
        not found and not is_missing(cell) for found, cell in zip(parts, cells, strict=True)
    )
    if len(units) != 1 or stray:
        return list(cells), ""
    unit = units.pop()
    if find_unit(unit) is None:
        return list(cells), ""
    return [found[1] if found else cell for found, cell in zip(parts, cells, strict=True)], unit


def read_clock(cells: Sequence[Cell]) -> Floats | None:
    """Return a column of clock times as seconds since its first one; None if it is none.

    A clock that passes midnight without a date goes on counting.
    """
    stamps = [_clock_parts(cell) for cell in cells]
    present = np.array([stamp is not None for stamp in stamps])
    found = [stamp for stamp in stamps if stamp is not None]
    if not found or len(found) != sum(not is_missing(cell) for cell in cells):
        return None
    day = np.array([stamp[0] - found[0][0] for stamp in found], dtype=np.float64)
    second = np.array([stamp[1] for stamp in found])
    elapsed = day * _DAY_S + second - second[0]
    midnights = np.cumsum(np.diff(elapsed, prepend=0.0) < -_DAY_S / 2)
    seconds = np.full(len(cells), np.nan)
    seconds[present] = np.round(elapsed + midnights * _DAY_S, 9)
    return seconds


def _clock_parts(cell: Cell) -> tuple[int, float] | None:
    """Return day number (0 without a date) and second of the day; None for no clock time."""
    parts = _CLOCK.fullmatch(cell.strip()) if isinstance(cell, str) else None
    if parts is None:
        return None
    hours, minutes = int(parts["hours"] or 0), int(parts["minutes"])
    seconds = float(parts["seconds"].replace(",", "."))
    day = _day_number(parts["date"]) if parts["date"] else 0
    return day, hours * 3600.0 + minutes * 60.0 + seconds


@lru_cache(maxsize=64)
def _day_number(text: str) -> int:
    date = read_date(text)
    return date.toordinal() if date else 0


def read_date(text: str) -> datetime | None:
    """Return a date, with time if there is one, that can be read in one way only; else None.

    2025-03-14 and 14.03.2025 have one reading; 14/03/2025 and 03/14/2025 too, because no year has
    14 months; 03/04/2025 has two, so it has none.

    Example:
        >>> read_date("14/03/2025 16:05"), read_date("03/04/2025")
        (datetime.datetime(2025, 3, 14, 16, 5), None)
    """
    readings = {_read_layout(text, layout) for layout in _DATE_LAYOUTS} - {None}
    return readings.pop() if len(readings) == 1 else None


def read_column_dates(texts: Sequence[str]) -> list[datetime | None]:
    """Return a column of dates; one date with a day over 12 tells the order of the others.

    Args:
        texts: One date a row, "" for none.

    Returns:
        None where there is no date, or where it can still be read in two ways.

    Example:
        >>> read_column_dates(["03/04/2025", "13/04/2025"])[0]
        datetime.datetime(2025, 4, 3, 0, 0)
    """
    filled = [text for text in texts if text]
    ways: list[list[datetime]] = []
    for layout in _DATE_LAYOUTS:
        dates = [_read_layout(text, layout) for text in filled]
        if all(date is not None for date in dates):
            ways.append([date for date in dates if date is not None])
    if ways and all(way == ways[0] for way in ways):
        rest = iter(ways[0])
        return [next(rest) if text else None for text in texts]
    return [read_date(text) if text else None for text in texts]


def _read_layout(text: str, layout: str) -> datetime | None:
    try:
        return datetime.strptime(text.strip().replace(",", "."), layout)  # noqa: DTZ007 - local clock
    except ValueError:
        return None


_DATE_LAYOUTS = tuple(
    date + time
    for date in (
        "%Y-%m-%d",
        "%Y/%m/%d",
        "%Y.%m.%d",
        "%d.%m.%Y",
        "%d.%m.%y",
        "%d/%m/%Y",
        "%m/%d/%Y",
        "%d-%m-%Y",
        "%m-%d-%Y",
        "%d %b %Y",
        "%d %B %Y",
        "%b %d. %Y",
    )
    for time in (
        "",
        " %H:%M",
        " %H:%M:%S",
        " %H:%M:%S.%f",
        "T%H:%M",
        "T%H:%M:%S",
        "T%H:%M:%S.%f",
        " %I:%M %p",
        " %I:%M:%S %p",
    )
)
