"""The lines above the header: key and value, air of the cell, date."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from dynostats.ingest.channels import ChannelTable
from dynostats.ingest.labels import read_labels
from dynostats.ingest.log import Ambient
from dynostats.ingest.numerals import Cell, decimal_proofs, read_date, read_numbers
from dynostats.units import convert, humidity_pct, unit_dimension

_COMMENT = "#%;/*\"' \t"
_LONGEST_KEY = 80
_QUANTITY = re.compile(r"^\s*([+-]?[\d.,']*\d)\s*([^\d\s].*)?$")
_DATE_KEYS = frozenset(
    {
        "date",
        "datum",
        "fecha",
        "data",
        "date time",
        "datetime",
        "start",
        "started",
        "start time",
        "test date",
        "date of test",
        "messdatum",
    }
)
_TIME_KEYS = frozenset({"time", "uhrzeit", "zeit", "heure", "hora", "ora", "time of day"})


def read_preamble(rows: Iterable[tuple[int, Sequence[Cell]]], *, delimiter: str) -> dict[str, str]:
    """Return the preamble as key to value, nothing interpreted.

    Args:
        rows: Line number and cells of each line above the header.
        delimiter: What separated the cells, to put a sentence together again.

    Returns:
        A line without key stands under "line N"; a key that comes twice gets a number.
    """
    metadata: dict[str, str] = {}
    for line, cells in rows:
        words = [str(cell) for cell in cells]
        while words and not words[-1].strip():
            words.pop()
        if not words:
            continue
        key, value = _split_key(words, delimiter)
        _put(metadata, key or f"line {line}", value)
    return metadata


def _split_key(words: list[str], delimiter: str) -> tuple[str, str]:
    first = words[0].lstrip(_COMMENT)
    key = first.rstrip(":= ")
    if len(words) > 1 and _has_letter(key) and _find_mark(key) is None:
        rest = (word.strip() for word in words[1:])
        return key.strip(), " ".join(word for word in rest if word)
    text = delimiter.join(words).lstrip(_COMMENT) if delimiter else " ".join(words)
    place = _find_mark(text)
    if place is None or not _has_letter(text[:place]):
        return "", text.strip()
    return text[:place].strip(), text[place + 1 :].strip()


def _find_mark(text: str) -> int | None:
    """Return where the first : or = ends a key; None where there is no key."""
    found = re.search("[:=]", text[: _LONGEST_KEY + 1])
    return found.start() if found and found.start() else None


def _has_letter(text: str) -> bool:
    """Return whether a text may be a key (16:05 has none)."""
    return any(letter.isalpha() for letter in text)


def _put(metadata: dict[str, str], key: str, value: str) -> None:
    name, number = key, 1
    while name in metadata:
        number += 1
        name = f"{key} ({number})"
    metadata[name] = value


def read_air(metadata: Mapping[str, str], table: ChannelTable) -> Ambient:
    """Return the air of the cell as far as the preamble states it with units."""
    found: dict[str, float] = {}
    for key, text in metadata.items():
        for channel, value in _read_quantity(key, text, table):
            found.setdefault(channel, value)
    temperature = found.get("ambient_temperature")
    humidity = found.get("relative_humidity")
    vapour = found.get("vapour_pressure")
    if humidity is None and vapour is not None and temperature is not None:
        humidity = humidity_pct(vapour, temperature)
    return Ambient(
        pressure_kpa=found.get("ambient_pressure"),
        temperature_c=temperature,
        humidity_pct=humidity,
    )


def _read_quantity(key: str, text: str, table: ChannelTable) -> list[tuple[str, float]]:
    """Return channel and value in stored unit; empty unless name, number and unit are all clear."""
    parts = _QUANTITY.match(text)
    if parts is None:
        return []
    decimals = decimal_proofs([parts[1]]) or ({"."} if parts[1].isdigit() else set[str]())
    values, unread = read_numbers([parts[1]], decimal="".join(decimals) or ".")
    if len(decimals) != 1 or unread:
        return []
    for way in read_labels(key, parts[2] or ""):
        for match in table.find(way.name):
            unit = way.unit.unit
            if match.spec and unit_dimension(unit) == unit_dimension(match.spec.unit):
                return [(match.channel, float(convert(values, unit, match.spec.unit)[0]))]
    return []


def read_start(metadata: Mapping[str, str]) -> datetime | None:
    """Return when the test was run, if the preamble states a date that has one reading only."""
    keys = {key.lower().strip(" ."): value for key, value in metadata.items()}
    date = next((keys[key] for key in keys if key in _DATE_KEYS), "")
    time = next((keys[key] for key in keys if key in _TIME_KEYS), "")
    return read_date(f"{date} {time}".strip()) or read_date(date) if date else None
