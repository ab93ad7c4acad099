"""Bytes of one file to a Log."""

from __future__ import annotations

import hashlib
from functools import lru_cache

import numpy as np

from dynostats.arrays import Channels
from dynostats.ingest.binding import Binding, bind_header
from dynostats.ingest.channels import ChannelTable, load_channel_table
from dynostats.ingest.checks import check_samples
from dynostats.ingest.draft import Column, Draft
from dynostats.ingest.figures import POSSIBLE_AIR, find_median
from dynostats.ingest.formats import read_table
from dynostats.ingest.log import Ambient, ChannelReading, Log
from dynostats.ingest.preamble import read_air, read_start
from dynostats.ingest.pressures import settle_pressures
from dynostats.ingest.settling import settle_columns
from dynostats.ingest.table import Table

_AMBIENT_DIFFERS_KPA = 0.5


def read_log(
    data: bytes, *, name: str, table: ChannelTable | None = None, ambient: Ambient | None = None
) -> Log:
    """Read one file: delimited text of any dialect, XLSX, Parquet or MDF 4.

    Args:
        data: The whole file.
        name: Its name, for messages.
        table: Names of channels; the shipped table when None.
        ambient: Air of the cell from the shop's sheet; makes gauge pressures absolute where the
            file has no barometer column.

    Returns:
        Samples in stored units in file order, how each column was read, and what is odd.

    Raises:
        InputError: If nothing of the file can be trusted, with the reason and what to do.
    """
    names = table or load_channel_table()
    raw = read_table(data, names, name=name)
    return understand(raw, names, name=name, sha256=hashlib.sha256(data).hexdigest(), sheet=ambient)


def understand(
    raw: Table, names: ChannelTable, *, name: str, sha256: str, sheet: Ambient | None
) -> Log:
    """Return what the columns of a file's table mean.

    Args:
        raw: The table.
        names: Names of channels.
        name: Name of the file, for messages.
        sha256: SHA-256 of the file's bytes.
        sheet: Air of the cell from the shop's sheet.

    Raises:
        InputError: As `read_log`.
    """
    draft = _draft(raw, names, name=name)
    settle_columns(draft)
    _set_aside_impossible_air(draft)
    stated = _own_air(draft, raw, names)
    draft.air = _merge(_merge(_column_air(draft), sheet), stated)
    _compare_air(draft, sheet, stated)
    settle_pressures(draft)
    check_samples(draft)
    return Log(
        name=name,
        sha256=sha256,
        values=Channels(
            tuple(column.channel for column in draft.columns),
            np.array([column.values for column in draft.columns]),
        ),
        channels=_read_out(
            tuple(
                (
                    column.source,
                    column.channel,
                    column.unit,
                    column.source_unit,
                    "; ".join(column.how),
                    column.spec is not None or column.number == 0,
                )
                for column in draft.columns
            )
        ),
        metadata=raw.metadata,
        findings=tuple(draft.findings),
        ambient=stated,
        started=read_start(raw.metadata) if raw.metadata else None,
    )


def _draft(raw: Table, names: ChannelTable, *, name: str) -> Draft:
    bindings = bind_header(raw.header, names)
    findings = [*raw.findings, *(b.finding for b in bindings if b.finding is not None)]
    columns = [_column(binding, raw, place) for place, binding in enumerate(bindings)]
    return Draft(name=name, columns=columns, air=Ambient(), findings=findings)


def _column(binding: Binding, raw: Table, place: int) -> Column:
    return Column(
        source=binding.source,
        number=binding.number,
        channel=binding.channel,
        match=binding.match,
        spec=binding.match.spec if binding.match else None,
        unit=binding.source_unit,
        source_unit=binding.source_unit,
        values=raw.values[place],
        how=[binding.how],
        reference=binding.reference,
    )


def _set_aside_impossible_air(draft: Draft) -> None:
    """Keep a barometer that reads zero, or in another unit, from making pressures absolute."""
    for channel in ("ambient_pressure", "ambient_temperature", "relative_humidity"):
        column = draft.get(channel)
        if column is None or column.reference == "gauge":
            continue
        middle = find_median(column.values[np.isfinite(column.values)])
        low, high = POSSIBLE_AIR[channel]
        if np.isnan(middle) or low <= middle <= high:
            continue
        name = draft.free_name(f"{channel}_as_found", column.number)
        draft.tell(
            "impossible_air",
            "doubtful",
            f"Column {column.number} '{column.source}' was kept as {name}, not as {channel}: "
            f"{middle:g} {column.unit} in the middle, and test cells have {low:g} to {high:g}. "
            "State its unit in a --channels file, or put the air into the sheet.",
        )
        column.demote(name, f"{middle:g} {column.unit}, which no test cell has")


def _column_air(draft: Draft) -> Ambient:
    def middle(channel: str) -> float | None:
        column = draft.get(channel)
        if column is None or not np.isfinite(column.values).any():
            return None
        return find_median(column.values[np.isfinite(column.values)])

    return Ambient(
        pressure_kpa=middle("ambient_pressure"),
        temperature_c=middle("ambient_temperature"),
        humidity_pct=middle("relative_humidity"),
    )


def _own_air(draft: Draft, raw: Table, names: ChannelTable) -> Ambient:
    """Return the air that the file itself states: columns, then preamble."""
    if not raw.metadata:
        return _column_air(draft)
    air, findings = read_air(raw.metadata, names)
    draft.findings.extend(findings)
    return _merge(_column_air(draft), air)


def _merge(first: Ambient, second: Ambient | None) -> Ambient:
    if second is None:
        return first

    def pick(one: float | None, other: float | None) -> float | None:
        return other if one is None else one

    return Ambient(
        pressure_kpa=pick(first.pressure_kpa, second.pressure_kpa),
        temperature_c=pick(first.temperature_c, second.temperature_c),
        humidity_pct=pick(first.humidity_pct, second.humidity_pct),
    )


def _compare_air(draft: Draft, sheet: Ambient | None, stated: Ambient) -> None:
    if sheet is None or sheet.pressure_kpa is None or stated.pressure_kpa is None:
        return
    if abs(sheet.pressure_kpa - stated.pressure_kpa) > _AMBIENT_DIFFERS_KPA:
        draft.tell(
            "ambient_differs",
            "doubtful",
            f"The sheet says {sheet.pressure_kpa:g} kPa ambient pressure, the file "
            f"{stated.pressure_kpa:g} kPa.",
        )


@lru_cache(maxsize=1024)
def _read_out(
    columns: tuple[tuple[str, str, str, str, str, bool], ...],
) -> tuple[ChannelReading, ...]:
    """Return how columns were read; files read alike share one answer."""
    return tuple(
        ChannelReading(
            source=source, channel=channel, unit=unit, source_unit=source_unit, how=how, known=known
        )
        for source, channel, unit, source_unit, how, known in columns
    )
