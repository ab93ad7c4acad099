"""What every reader hands on: named columns of numbers, before anyone asks what they mean."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from dynostats.arrays import Floats
from dynostats.ingest.log import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """The columns of a table as the file names them.

    Args:
        names: Header cells as found; "" for a column without a name.
        units: Cells of the units row, or units the format itself states; "" where there is none.
        numbers: Number of each column in the file, from 1.
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    numbers: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """A file's table of numbers.

    Args:
        header: Its columns.
        values: Shape (columns, rows), float64, NaN where a value is missing.
        metadata: The preamble, key to value, as text.
        findings: What was left out or repaired while reading.
    """

    header: Header
    values: Floats
    metadata: dict[str, str] = field(default_factory=dict[str, str])
    findings: tuple[Finding, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a table whose parts do not fit each other."""
        if self.values.shape[0] != len(self.header.names) or self.values.dtype != np.float64:
            msg = f"{len(self.header.names)} headers for values of shape {self.values.shape}"
            raise ValueError(msg)
