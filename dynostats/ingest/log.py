"""What a file became: its samples, how each column was read, and what is odd about it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import polars as pl

from dynostats.arrays import Channels

Severity = Literal["void", "doubtful", "note"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ambient:
    """Air of the test cell during a pull; None where nobody wrote it down.

    Args:
        pressure_kpa: Barometer, kPa absolute.
        temperature_c: Dry-bulb temperature, degrees Celsius.
        humidity_pct: Relative humidity, percent.
    """

    pressure_kpa: float | None = None
    temperature_c: float | None = None
    humidity_pct: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelReading:
    """What one column of the file became, and how that was decided.

    Args:
        source: Header as found in the file; "" for a channel derived from others.
        channel: Stored name.
        unit: Stored unit; "" when unknown.
        source_unit: Unit of the file's own numbers; "" when unknown.
        how: How name, unit and reference were decided, in words.
        known: Whether the channel is one of the table's, so that analyses may use it.
    """

    source: str
    channel: str
    unit: str
    source_unit: str
    how: str
    known: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something about the file that its reader should know.

    Args:
        check: Name of the check, stable, for filters.
        severity: "void": not fit for a comparison; "doubtful": look at it; "note": good to know.
        message: One or two sentences with rows, lines and numbers.
        rows: First and last row, from 0, of each stretch it concerns; empty when it concerns all.
    """

    check: str
    severity: Severity
    message: str
    rows: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Log:
    """One file, read.

    Args:
        name: Name of the file.
        sha256: SHA-256 of the file's bytes, hexadecimal.
        values: Samples in file order under stored names in stored units; unknown channels under
            their own cleaned name.
        channels: One reading per channel of `values`, in the same order.
        metadata: The file's own preamble, key to value, as text.
        findings: What is odd, in the order it was found.
        ambient: Air of the cell as the file itself states it (preamble or columns).
        started: Date and time the file itself states, when it can be read in one way only.
    """

    name: str
    sha256: str
    values: Channels
    channels: tuple[ChannelReading, ...]
    metadata: dict[str, str]
    findings: tuple[Finding, ...]
    ambient: Ambient = field(default_factory=Ambient)
    started: datetime | None = None

    @property
    def samples(self) -> pl.DataFrame:
        """Return the samples as a frame: one row a sample, Float64, missing values null."""
        return self.values.frame()


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRow:
    """One pull as the shop's sheet describes it.

    Args:
        file: Name of the pull's file.
        engine: Engine pulled.
        dyno: Dynamometer; "" when the sheet has no such column.
        session: Session (day, mounting) the pull belongs to.
        setup: What was bolted on.
        order: Place in the session's run order, from 1; None when not stated.
        started: Date and time of the pull; None when not stated.
        ambient: Air of the cell.
        notes: Free text.
        attributes: All other columns, header to text.
        line: Line (CSV) or row (XLSX) of the sheet.
    """

    file: str
    engine: str
    dyno: str
    session: str
    setup: str
    order: int | None
    started: datetime | None
    ambient: Ambient
    notes: str
    attributes: dict[str, str]
    line: int
