"""ASAM MDF 4 files to a table on one clock; needs the optional library asammdf."""

from __future__ import annotations

import gc
import io
import logging
import re
import sys
import warnings
from collections.abc import Generator
from contextlib import contextmanager
from typing import Any

import numpy as np

from dynostats.arrays import Floats
from dynostats.errors import InputError
from dynostats.ingest.channels import ChannelTable
from dynostats.ingest.decimals import find_column
from dynostats.ingest.log import Finding
from dynostats.ingest.table import Header, Table

# Two samples bracket a moment only when they stand no further apart than this many usual steps.
_WIDEST_BRACKET = 2.5
_TAGS = re.compile(r"<[^<>]*>")


def read_measurement(data: bytes, table: ChannelTable, *, name: str) -> Table:
    """Return the channels of an MDF 4 file on the clock of its engine speed.

    A channel sampled at another rate is read between two of its samples that stand next to each
    other (whole numbers keep the earlier one); before its first, after its last, and across a gap
    it is missing.

    Args:
        data: The whole file.
        table: Names of channels; tells which clock is the engine speed's.
        name: Name of the file, for messages.

    Raises:
        InputError: If asammdf is not installed, or the file cannot be read or holds no channel.
    """
    signals, metadata = _read_signals(data, name=name)
    usable = [signal for signal in signals if _is_numeric(signal)]
    if not usable:
        raise InputError("Nothing ingested: the MDF file holds no channel of numbers.", where=name)
    header = Header(
        names=("time", *(str(signal.name) for signal in usable)),
        units=("s", *(str(signal.unit or "") for signal in usable)),
        numbers=tuple(range(1, len(usable) + 2)),
    )
    speed = find_column(header, "engine_speed", table)
    clock = np.asarray(usable[0 if speed is None else speed - 1].timestamps, dtype=np.float64)
    rates = {signal.name for signal in usable if not np.array_equal(signal.timestamps, clock)}
    values = [clock - clock[0] if clock.size else clock]
    values.extend(
        sample_at(
            np.asarray(signal.timestamps, dtype=np.float64),
            np.asarray(signal.samples, dtype=np.float64),
            clock,
            hold=signal.samples.dtype.kind in "iub",
        )
        for signal in usable
    )
    return Table(
        header=header,
        values=np.array(values),
        metadata=metadata,
        findings=tuple(_tell(signals, rates)),
    )


def _tell(signals: list[Any], rates: set[str]) -> list[Finding]:
    findings: list[Finding] = []
    if rates:
        names = ", ".join(sorted(rates))
        message = f"On another clock than engine speed, read between neighbouring samples: {names}."
        findings.append(Finding(check="resampled", severity="note", message=message))
    skipped = [str(signal.name) for signal in signals if not _is_numeric(signal)]
    if skipped:
        message = f"No numbers, which stay in the file only: {', '.join(skipped)}."
        findings.append(Finding(check="text_column", severity="note", message=message))
    return findings


def _is_numeric(signal: Any) -> bool:  # noqa: ANN401 - asammdf is optional, so its types are too
    samples = signal.samples
    return bool(samples.ndim == 1 and samples.dtype.kind in "fiub" and len(samples))


def _read_signals(data: bytes, *, name: str) -> tuple[list[Any], dict[str, str]]:
    try:
        from asammdf import MDF  # noqa: PLC0415 - optional, and slow to import
    except ImportError as error:
        raise InputError(
            "Nothing ingested: this is an ASAM MDF file, and the library that reads those is not "
            "installed.",
            where=name,
            mend="Install it with: pip install 'dynostats[mdf]', or export the log as CSV.",
        ) from error
    kind = ""
    with _quiet_leftovers():
        try:
            with MDF(io.BytesIO(data)) as file:
                return list(file.iter_channels()), _read_metadata(file)
        except Exception as error:  # noqa: BLE001 - a broken file makes the library raise anything
            kind = type(error).__name__
    raise InputError(
        f"Nothing ingested: the MDF file cannot be read ({kind}).",
        where=name,
        mend="Write it again with the program that made it, as MDF 4.",
    )


@contextmanager
def _quiet_leftovers() -> Generator[None]:
    """Keep what the library says about features no log needs, and about its own half-read files.

    A file it could not read leaves objects behind that fail while being thrown away; Python prints
    such failures, so they are thrown away here.
    """
    hook, log = sys.unraisablehook, logging.getLogger("asammdf")
    was_disabled = log.disabled
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sys.unraisablehook = _ignore
        log.disabled = True
        try:
            yield
        finally:
            gc.collect()
            sys.unraisablehook = hook
            log.disabled = was_disabled


def _ignore(_: object) -> None:
    """Say nothing."""


def _read_metadata(file: Any) -> dict[str, str]:  # noqa: ANN401 - asammdf is optional
    fields = {
        "start time": file.header.start_time.replace(tzinfo=None).isoformat(sep=" "),
        "author": file.header.author,
        "department": file.header.department,
        "project": file.header.project,
        "subject": file.header.subject,
        "comment": file.header.comment,
    }
    words = {key: _TAGS.sub(" ", str(value)).strip() for key, value in fields.items()}
    return {key: value for key, value in words.items() if value}


def sample_at(stamps: Floats, values: Floats, moments: Floats, *, hold: bool) -> Floats:
    """Return a channel at given moments, only where two of its samples bracket them.

    Args:
        stamps: Times of the channel's samples, s, shape (samples,).
        values: Its values, shape (samples,).
        moments: Times wanted, s, shape (rows,).
        hold: Keep the earlier of the two samples instead of the straight line between them.

    Returns:
        Shape (rows,), NaN where the channel has no sample on both sides within 2.5 usual steps.

    Example:
        >>> sample_at(np.r_[0.0, 1.0], np.r_[10.0, 20.0], np.r_[0.5, 1.5], hold=False)
        array([15., nan])
    """
    forward = np.concatenate(([True], stamps[1:] > np.maximum.accumulate(stamps)[:-1]))
    stamps, values = stamps[forward], values[forward]
    found = np.full(moments.size, np.nan)
    after = np.searchsorted(stamps, moments, side="left")
    exact = (after < stamps.size) & (stamps[np.minimum(after, stamps.size - 1)] == moments)
    found[exact] = values[after[exact]]
    if stamps.size > 1:
        inside = ~exact & (after > 0) & (after < stamps.size)
        left, right = after[inside] - 1, after[inside]
        gap = stamps[right] - stamps[left]
        share = (moments[inside] - stamps[left]) / gap
        line = values[left] + share * (values[right] - values[left])
        between = values[left] if hold else line
        near = gap <= _WIDEST_BRACKET * np.median(np.diff(stamps))
        found[inside] = np.where(near, between, np.nan)
    found[~np.isfinite(found)] = np.nan
    return found
