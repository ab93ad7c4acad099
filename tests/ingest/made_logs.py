"""Small logs made by hand, for the ingest tests."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from dynostats.ingest import ChannelReading, Log, read_log

ROWS = 30
SPEED = np.linspace(2000.0, 6000.0, ROWS)
TORQUE = 300.0 + 50.0 * np.sin(np.linspace(0.0, 3.0, ROWS))


def write_csv(columns: Mapping[str, Sequence[object]], *, delimiter: str = ",") -> bytes:
    """Return a log; numbers are written as Python writes them, texts as they are."""
    rows = [list(columns), *zip(*columns.values(), strict=True)]
    return "\n".join([*(delimiter.join(map(str, row)) for row in rows), ""]).encode()


def pull(**columns: Sequence[object]) -> dict[str, Sequence[object]]:
    """Return the columns of an ordinary pull, with others beside them."""
    base = {
        "Time [s]": np.arange(ROWS) * 0.1,
        "RPM": SPEED,
        "Torque [Nm]": TORQUE,
    }
    return {**base, **columns}


def read_columns(columns: Mapping[str, Sequence[object]], **options) -> Log:
    """Return the log of some columns."""
    return read_log(write_csv(columns, delimiter=";"), name="run.csv", **options)


def messages(log: Log, check: str) -> list[str]:
    """Return the messages of one check."""
    return [finding.message for finding in log.findings if finding.check == check]


def reading(log: Log, channel: str) -> ChannelReading:
    """Return how a channel was read."""
    return next(one for one in log.channels if one.channel == channel)
