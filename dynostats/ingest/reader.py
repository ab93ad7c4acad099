"""Bytes of one file to a Log."""

from __future__ import annotations

import csv
import hashlib
import io
import re

import polars as pl

from dynostats.errors import InputError
from dynostats.ingest.channels import ChannelTable
from dynostats.ingest.log import Ambient, ChannelReading, Log

_HEADER = re.compile(r"^\s*(.*?)\s*(?:[\[(]([^\])]*)[\])])?\s*$")
_FIRST_NAMES = {"rpm": "engine_speed", "map": "manifold_pressure"}


def read_log(
    data: bytes, *, name: str, table: ChannelTable | None = None, ambient: Ambient | None = None
) -> Log:
    """Read one plain comma-separated log whose headers are stored names with stored units."""
    del table, ambient
    rows = list(csv.reader(io.StringIO(data.decode("utf-8-sig"))))
    if len(rows) < 2:
        raise InputError("Nothing ingested: no data rows.", where=name)
    readings = tuple(_read_header(cell) for cell in rows[0])
    columns = zip(*rows[1:], strict=True)
    samples = pl.DataFrame(
        {
            reading.channel: [float(cell) if cell else None for cell in column]
            for reading, column in zip(readings, columns, strict=True)
        },
        schema_overrides={reading.channel: pl.Float64 for reading in readings},
    )
    return Log(
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        samples=samples,
        channels=readings,
        metadata={},
        findings=(),
    )


def _read_header(cell: str) -> ChannelReading:
    match = _HEADER.match(cell)
    label, unit = (match.group(1), match.group(2) or "") if match else (cell, "")
    cleaned = re.sub(r"\W+", "_", label.strip().lower()).strip("_")
    channel = _FIRST_NAMES.get(cleaned, cleaned)
    return ChannelReading(
        source=cell, channel=channel, unit=unit, source_unit=unit, how="as named", known=True
    )
