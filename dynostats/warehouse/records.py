"""What goes into the warehouse: a pull with its source, labels, samples, curve and findings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

import polars as pl

if TYPE_CHECKING:  # the importer is heavy to load, and reading a warehouse does not need it
    from dynostats.ingest import ChannelReading, Finding

LabelValue = str | float | datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One file as it came.

    Args:
        file: Its name, without folder.
        sha256: SHA-256 of the bytes, 64 hexadecimal digits.
        data: The bytes.
    """

    file: str
    sha256: str
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Labels:
    """What the paperwork says of a pull.

    Args:
        engine: Engine it was pulled on.
        session: Stay on the dyno without anything being re-mounted.
        setup: What was fitted.
        dyno: Dynamometer; None when not stated.
        order: Place in the session, from 1; None when not stated.
        started: When it began, local time of the shop; None when not stated.
        ambient_pressure_kpa: Air pressure in the cell.
        ambient_temperature_c: Air temperature at the inlet.
        ambient_humidity_pct: Relative humidity.
        notes: Free words.
        attributes: Everything else the paperwork says, by name. `relative_to` and `changed` say
            what the setup was changed from, and how.
    """

    engine: str
    session: str
    setup: str
    dyno: str | None = None
    order: int | None = None
    started: datetime | None = None
    ambient_pressure_kpa: float | None = None
    ambient_temperature_c: float | None = None
    ambient_humidity_pct: float | None = None
    notes: str | None = None
    attributes: Mapping[str, str] = field(default_factory=dict[str, str])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NewPull:
    """A pull on its way into the warehouse.

    Args:
        source: The file it comes from.
        labels: What the paperwork says of it.
        samples: One row a sample in file order, a column a channel.
        curve: One row a grid speed: rpm, then channels; None when no curve can be made of it.
        part: Number of the pull within its file, from 1.
        first_row: Row of the file's table that `samples` begins with, from 0.
        readings: What the file's columns became.
        metadata: What the file says of itself, by name.
        findings: What was noticed.
        void: Why it cannot be used; None when it can. A void pull is stored as excluded.
    """

    source: Source
    labels: Labels
    samples: pl.DataFrame
    curve: pl.DataFrame | None
    part: int = 1
    first_row: int = 0
    readings: Sequence[ChannelReading] = ()
    metadata: Mapping[str, str] = field(default_factory=dict[str, str])
    findings: Sequence[Finding] = ()
    void: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredLabels:
    """The labels of a stored pull, now and at any time before.

    Args:
        pull: Its name.
        now: Current value by field.
        ever: Every value the field had, as text, by field.
    """

    pull: str
    now: Mapping[str, LabelValue]
    ever: Mapping[str, AbstractSet[str]]


def label_text(value: LabelValue) -> str:
    """Return a label as the history of corrections writes it."""
    return value.isoformat(sep=" ") if isinstance(value, datetime) else str(value)
