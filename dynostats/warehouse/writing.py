"""Writing pulls: from a batch of new pulls to one frame a table, and one insert a frame."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

import duckdb
import numpy as np
import polars as pl

from dynostats.warehouse.connection import rows_of
from dynostats.warehouse.inserting import insert
from dynostats.warehouse.originals import insert_sources
from dynostats.warehouse.records import NewPull
from dynostats.warehouse.schema import program, utc_now
from dynostats.warehouse.wide import KEYS, channels_of, make_room

# What is derived from a file's bytes, and can be derived again.
_DATA_TABLES = (
    "samples",
    "curves",
    "other_channels",
    "channel_readings",
    "file_attributes",
    "findings",
)

_LABEL_TYPES: dict[str, type[pl.DataType]] = {
    "pull_no": pl.Int32,
    "file": pl.String,
    "sha256": pl.String,
    "part": pl.Int32,
    "first_row": pl.Int32,
    "row_count": pl.Int32,
    "engine": pl.String,
    "dyno": pl.String,
    "session": pl.String,
    "setup": pl.String,
    "run_order": pl.Int32,
    "started": pl.Datetime,
    "state": pl.String,
    "why": pl.String,
    "rpm_low": pl.Float64,
    "rpm_high": pl.Float64,
    "ambient_pressure_kpa": pl.Float64,
    "ambient_temperature_c": pl.Float64,
    "ambient_humidity_pct": pl.Float64,
    "notes": pl.String,
    "stored_at": pl.Datetime,
    "importer": pl.String,
}

_NUMBER: dict[str, type[pl.DataType]] = {"pull_no": pl.Int32}
_READING: dict[str, type[pl.DataType]] = {
    "position": pl.Int32,
    "channel": pl.String,
    "unit": pl.String,
    "source": pl.String,
    "source_unit": pl.String,
    "how": pl.String,
    "known": pl.Boolean,
    "stored": pl.Boolean,
}


def take_numbers(
    connection: duckdb.DuckDBPyConnection, *, pulls: int = 0, amendments: int = 0
) -> tuple[int, int]:
    """Take the next numbers for pulls and corrections; return the last of each.

    Of two transactions that take numbers at once, one fails: that is what keeps them unique.
    """
    last = rows_of(connection, "store/take_numbers", {"pulls": pulls, "amendments": amendments})[0]
    return int(last[0]), int(last[1])


def write_pulls(connection: duckdb.DuckDBPyConnection, pulls: Sequence[NewPull]) -> list[int]:
    """Insert a batch of pulls into all tables, inside the caller's transaction.

    Returns:
        The numbers given to the pulls, in their order.
    """
    void = [pull.void for pull in pulls if pull.void is not None]
    last_pull, last_amendment = take_numbers(connection, pulls=len(pulls), amendments=len(void))
    numbers = list(range(last_pull - len(pulls) + 1, last_pull + 1))
    at = utc_now()
    table = _pull_rows(pulls, numbers, at)
    for labels in ("engines", "dynos", "sessions"):
        insert(connection, labels, table)
    insert(connection, "setups", _setup_rows(pulls, table))
    insert_sources(connection, _source_rows(connection, pulls, at))
    insert(connection, "pulls", table.select(list(_LABEL_TYPES)))
    insert(connection, "amendments", _void_rows(pulls, numbers, at, last=last_amendment))
    attributes = [(n, pull.labels.attributes) for n, pull in zip(numbers, pulls, strict=True)]
    insert(connection, "attributes", _attribute_rows(attributes, "sheet"))
    write_data(connection, pulls, numbers)
    return numbers


def write_data(
    connection: duckdb.DuckDBPyConnection, pulls: Sequence[NewPull], numbers: Sequence[int]
) -> None:
    """Insert what was read from the files: samples, curves, readings, metadata and findings."""
    known = channels_of(connection)
    samples = [(n, p.samples) for n, p in zip(numbers, pulls, strict=True)]
    curves = [(n, p.curve) for n, p in zip(numbers, pulls, strict=True) if p.curve is not None]
    for table, frames in (("samples", samples), ("curves", curves)):
        for stack in _stacked(frames):
            channels = [name for name in known[table] if name in stack.columns]
            make_room(connection, table, channels)
            insert(connection, table, stack.select(*KEYS[table], *channels))
    insert(connection, "other_channels", _other_rows(pulls, numbers, known["samples"]))
    insert(connection, "channel_readings", _reading_rows(pulls, numbers, known["samples"]))
    metadata = [(n, pull.metadata) for n, pull in zip(numbers, pulls, strict=True)]
    insert(connection, "attributes", _attribute_rows(metadata, "file"))
    insert(connection, "findings", _finding_rows(pulls, numbers))


def replace_data(
    connection: duckdb.DuckDBPyConnection, pulls: Sequence[NewPull], numbers: Sequence[int]
) -> None:
    """Put what a file says now in the place of what it was read as before; labels stay."""
    for table in _DATA_TABLES:
        rows_of(connection, f"store/delete_{table}", {"pull_nos": numbers})
    for number, pull in zip(numbers, pulls, strict=True):
        low, high = _range_of(pull.curve)
        facts = {
            "pull_no": number,
            "first_row": pull.first_row,
            "row_count": pull.samples.height,
            "rpm_low": low,
            "rpm_high": high,
            "importer": program(),
        }
        rows_of(connection, "store/update_reading", facts)
    write_data(connection, pulls, numbers)


def _pull_rows(pulls: Sequence[NewPull], numbers: Sequence[int], at: datetime) -> pl.DataFrame:
    rows = [
        (
            number,
            pull.source.file,
            pull.source.sha256,
            pull.part,
            pull.first_row,
            pull.samples.height,
            pull.labels.engine,
            pull.labels.dyno,
            pull.labels.session,
            pull.labels.setup,
            pull.labels.order,
            pull.labels.started,
            "accepted" if pull.void is None else "excluded",
            pull.void,
            *_range_of(pull.curve),
            pull.labels.ambient_pressure_kpa,
            pull.labels.ambient_temperature_c,
            pull.labels.ambient_humidity_pct,
            pull.labels.notes,
            at,
            program(),
        )
        for number, pull in zip(numbers, pulls, strict=True)
    ]
    return pl.DataFrame(rows, schema=_LABEL_TYPES, orient="row")


def _range_of(curve: pl.DataFrame | None) -> tuple[float | None, float | None]:
    if curve is None:
        return None, None
    rpm = curve.get_column("rpm")
    return rpm[0], rpm[-1]


def _setup_rows(pulls: Sequence[NewPull], table: pl.DataFrame) -> pl.DataFrame:
    said = {
        name: pl.Series(name, [p.labels.attributes.get(name) for p in pulls], dtype=pl.String)
        for name in ("relative_to", "changed")
    }
    return table.select("pull_no", "engine", "setup", "stored_at").with_columns(**said)


def _source_rows(
    connection: duckdb.DuckDBPyConnection, pulls: Sequence[NewPull], at: datetime
) -> pl.DataFrame:
    """Return one row a file that is not stored yet; several pulls may share one."""
    sources = {pull.source.sha256: pull.source for pull in pulls}
    rows = rows_of(connection, "store/labels_of_sources", {"sha256": list(sources)})
    stored = {sha256 for sha256, *_ in rows}
    new = [source for key, source in sources.items() if key not in stored]
    return pl.DataFrame(
        {
            "sha256": [source.sha256 for source in new],
            "file": [source.file for source in new],
            "size": [len(source.data) for source in new],
            "data": pl.Series([source.data for source in new], dtype=pl.Binary),
        }
    ).with_columns(stored_at=pl.lit(at))


def _void_rows(
    pulls: Sequence[NewPull], numbers: Sequence[int], at: datetime, *, last: int
) -> pl.DataFrame:
    void = [(n, pull.void) for n, pull in zip(numbers, pulls, strict=True) if pull.void is not None]
    return pl.DataFrame(
        {
            "amendment_no": range(last - len(void) + 1, last + 1),
            "pull_no": [number for number, _ in void],
            "field": ["state"] * len(void),
            "old_value": pl.Series([None] * len(void), dtype=pl.String),
            "new_value": ["excluded"] * len(void),
            "why": [why for _, why in void],
            "who": [program()] * len(void),
        }
    ).with_columns(amended_at=pl.lit(at))


def _attribute_rows(said: Iterable[tuple[int, Mapping[str, str]]], origin: str) -> pl.DataFrame:
    rows = [
        (number, origin, name, value) for number, values in said for name, value in values.items()
    ]
    return _texts(rows, ("origin", "name", "value"))


def _finding_rows(pulls: Sequence[NewPull], numbers: Sequence[int]) -> pl.DataFrame:
    rows = [
        (number, finding.check, finding.severity, finding.message)
        for number, pull in zip(numbers, pulls, strict=True)
        for finding in pull.findings
    ]
    return _texts(rows, ("finding", "severity", "message"))


def _texts(rows: list[tuple[int | str, ...]], names: tuple[str, ...]) -> pl.DataFrame:
    schema = {"pull_no": pl.Int32} | dict.fromkeys(names, pl.String)
    return pl.DataFrame(rows, schema=schema, orient="row")


def _reading_rows(
    pulls: Sequence[NewPull], numbers: Sequence[int], known: Sequence[str]
) -> pl.DataFrame:
    """Return a row a pull and column; pulls whose files were read alike share what it says."""
    alike: dict[tuple[int, tuple[str, ...]], list[int]] = {}
    for place, pull in enumerate(pulls):
        key = (id(pull.readings), tuple(pull.samples.columns))
        alike.setdefault(key, []).append(place)
    parts = [
        pl.DataFrame({"pull_no": [numbers[place] for place in places]}, schema=_NUMBER).join(
            pl.DataFrame(
                list(_readings_of(pulls[places[0]], known)), schema=_READING, orient="row"
            ),
            how="cross",
        )
        for places in alike.values()
    ]
    return pl.concat(parts) if parts else pl.DataFrame(schema=_NUMBER | _READING)


def _readings_of(pull: NewPull, known: Sequence[str]) -> Iterable[tuple[object, ...]]:
    """Return a row a column of the pull's table, then a row a reading that was not taken."""
    by_channel = {reading.channel: reading for reading in pull.readings}
    columns = pull.samples.columns
    for position, name in enumerate(columns):
        reading = by_channel.get(name)
        if reading is None:
            yield position, name, None, None, None, None, name in known, True
        else:
            facts = (reading.unit, reading.source, reading.source_unit, reading.how, reading.known)
            yield position, name, *facts, True
    left_out = [reading for reading in pull.readings if reading.channel not in columns]
    for position, reading in enumerate(left_out, start=len(columns)):
        facts = (reading.unit, reading.source, reading.source_unit, reading.how, reading.known)
        yield position, reading.channel, *facts, False


def _other_rows(
    pulls: Sequence[NewPull], numbers: Sequence[int], known: Sequence[str]
) -> pl.DataFrame:
    rows = [
        _other_row(number, pull, name)
        for number, pull in zip(numbers, pulls, strict=True)
        for name in pull.samples.columns
        if name not in known
    ]
    schema: dict[str, pl.DataType] = {
        "pull_no": pl.Int32(),
        "channel": pl.String(),
        "unit": pl.String(),
        "numbers": pl.List(pl.Float64),
        "texts": pl.List(pl.String),
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def _other_row(number: int, pull: NewPull, name: str) -> tuple[object, ...]:
    unit = next((reading.unit for reading in pull.readings if reading.channel == name), None)
    values = pull.samples[name]
    if values.dtype.is_numeric():
        return number, name, unit, values.cast(pl.Float64), None
    return number, name, unit, None, values.cast(pl.String)


def _stacked(frames: Sequence[tuple[int, pl.DataFrame]]) -> Iterable[pl.DataFrame]:
    """Stack frames of the same columns: few inserts, instead of one a pull.

    Every row gets the number of its pull, and its place within it.
    """
    alike: dict[tuple[str, ...], list[tuple[int, pl.DataFrame]]] = {}
    for number, frame in frames:
        alike.setdefault(tuple(frame.columns), []).append((number, frame))
    for group in alike.values():
        numbers = np.array([number for number, _ in group], np.int32)
        heights = np.array([frame.height for _, frame in group], np.int32)
        starts = np.repeat(np.cumsum(heights) - heights, heights)
        yield pl.concat([frame for _, frame in group], how="vertical_relaxed").with_columns(
            pull_no=pl.Series(np.repeat(numbers, heights)),
            sample=pl.Series(np.arange(len(starts)) - starts, dtype=pl.Int32),
        )
