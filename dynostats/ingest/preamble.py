"""The lines above the header: key and value, air of the cell, date."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from dynostats.ingest.channels import Channel, ChannelTable
from dynostats.ingest.figures import POSSIBLE_AIR
from dynostats.ingest.labels import Label, read_labels
from dynostats.ingest.log import Ambient, Finding
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


def read_air(
    metadata: Mapping[str, str], table: ChannelTable
) -> tuple[Ambient, tuple[Finding, ...]]:
    """Return the air of the cell that the preamble states, and what had to be decided for it.

    Args:
        metadata: The preamble, key to value.
        table: Names of channels.
    """
    found: dict[str, float] = {}
    findings: list[Finding] = []
    for key, text in metadata.items():
        for channel, value, decided in _read_quantity(key, text, table):
            if channel not in found and decided:
                message = f"'{key}: {text}' states no unit and was read as {decided}."
                findings.append(Finding(check="unit_decided", severity="note", message=message))
            found.setdefault(channel, value)
    temperature = found.get("ambient_temperature")
    humidity = found.get("relative_humidity")
    vapour = found.get("vapour_pressure")
    if humidity is None and vapour is not None and temperature is not None:
        humidity = humidity_pct(vapour, temperature)
    air = Ambient(
        pressure_kpa=found.get("ambient_pressure"),
        temperature_c=temperature,
        humidity_pct=humidity,
    )
    return air, tuple(findings)


def _read_quantity(key: str, text: str, table: ChannelTable) -> list[tuple[str, float, str]]:
    """Return channel, value in stored unit, and the unit if it had to be decided.

    Empty unless the name is one of the cell's air and number and unit have one possible reading.
    """
    parts = _QUANTITY.match(text)
    if parts is None:
        return []
    for way in read_labels(key, parts[2] or ""):
        for match in table.find_above(way.name):
            spec = match.spec
            if spec is not None and spec.name in POSSIBLE_AIR and not match.needs_unit:
                readings = _possible_readings(parts[1], way, spec)
                return [(spec.name, *readings.pop())] if len(readings) == 1 else []
    return []


def _possible_readings(number: str, way: Label, spec: Channel) -> set[tuple[float, str]]:
    """Return value and decided unit for each reading of a number that a test cell can have."""
    low, high = POSSIBLE_AIR[spec.name]
    found: set[tuple[float, str]] = set()
    for decimal in decimal_proofs([number]) or {".", ","}:
        values, unread = read_numbers([number], decimal=decimal)
        if unread:
            continue
        value = float(values[0])
        if way.unit.text:
            same_kind = unit_dimension(way.unit.unit) == unit_dimension(spec.unit)
            turned = {(convert(value, way.unit.unit, spec.unit), "")} if same_kind else set()
        else:
            turned = {
                (convert(value, unit, spec.unit), unit)
                for unit, (least, most) in spec.likely.items()
                if least <= value <= most
            }
        found |= {(result, unit) for result, unit in turned if low <= result <= high}
    return found


def read_start(metadata: Mapping[str, str]) -> datetime | None:
    """Return when the test was run, if the preamble states a date that has one reading only."""
    keys = {key.lower().strip(" ."): value for key, value in metadata.items()}
    date = next((keys[key] for key in keys if key in _DATE_KEYS), "")
    time = next((keys[key] for key in keys if key in _TIME_KEYS), "")
    return read_date(f"{date} {time}".strip()) or read_date(date) if date else None
