"""What the checks of one pull look at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.arrays import Floats
from dynostats.curves.sweep import Sweep, column_of


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """One pull as it was read.

    Args:
        samples: The whole log, one row a sample in file order, channels in stored units.
        sweep: The rows of the pull.
        curve: The pull on the grid: rpm, then channels.
        others: Other rises under load in the same stretch of the log.
        last_row: Last row of the log that belongs to this pull and not to the next one.
    """

    samples: pl.DataFrame
    sweep: Sweep
    curve: pl.DataFrame
    others: tuple[Sweep, ...] = ()
    last_row: int

    def rpm(self) -> Floats:
        """Return the grid speeds, rpm."""
        return self.curve["rpm"].to_numpy()

    def channel(self, name: str) -> Floats | None:
        """Return a channel on the grid, NaN where missing; None if the pull does not have it."""
        if name not in self.curve.columns:
            return None
        values = self.curve[name].cast(pl.Float64).to_numpy()
        return values if np.isfinite(values).sum() > 1 else None

    def pace(self, part: Sweep) -> float:
        """Return how fast engine speed rises over a part of the log, rpm a second (or a row)."""
        speed = column_of(self.samples, "engine_speed")
        lasts = float(part.last_row - part.first_row)
        if "time" in self.samples.columns:
            clock = column_of(self.samples, "time")
            lasts = float(clock[part.last_row] - clock[part.first_row])
        return float(speed[part.last_row] - speed[part.first_row]) / lasts if lasts > 0 else np.inf
