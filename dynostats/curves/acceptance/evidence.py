"""What the checks of one pull look at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dynostats.arrays import Channels, Floats
from dynostats.curves.sweep import Sweep

# A screen passes only what the check itself would pass, whatever the last digit says.
ROUNDING = 1e-9


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

    samples: Channels
    sweep: Sweep
    curve: Channels
    others: tuple[Sweep, ...] = ()
    last_row: int

    def rpm(self) -> Floats:
        """Return the grid speeds, rpm."""
        return self.curve["rpm"]

    def channel(self, name: str) -> Floats | None:
        """Return a channel on the grid, NaN where missing; None if the pull does not have it."""
        values = self.curve.get(name)
        return None if values is None or np.isfinite(values).sum() < 2 else values

    def pace(self, part: Sweep) -> float:
        """Return how fast engine speed rises over a part of the log, rpm a second (or a row)."""
        speed, clock = self.samples["engine_speed"], self.samples.get("time")
        lasts = float(part.last_row - part.first_row)
        if clock is not None:
            lasts = float(clock[part.last_row] - clock[part.first_row])
        return float(speed[part.last_row] - speed[part.first_row]) / lasts if lasts > 0 else np.inf
