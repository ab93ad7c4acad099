"""A log that is looked at and not stored."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NewLog:
    """A log to be checked.

    Args:
        name: Name of the file.
        samples: One row a sample in file order, channels in stored units; needs engine_speed.
        remarks: What its reader found doubtful, in sentences.
    """

    name: str
    samples: pl.DataFrame
    remarks: tuple[str, ...] = ()
