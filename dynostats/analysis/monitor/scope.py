"""What of a warehouse is monitored: one reference setup on one dyno, and what was done to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

from dynostats.analysis.monitor.result import CellEvent


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scope:
    """What is monitored.

    Args:
        dyno: The dyno; "" where none is named.
        engine: Engine of the reference setup.
        setup: The reference setup.
        pulls: One row an accepted pull of it on that dyno, in order of storing: pull, session,
            started.
        curves: One row a pull and grid speed: pull, rpm, torque and channels.
        events: What was logged of the dyno, by date.
        units: Unit of each channel; torque is charted in percent.
        correction: Ambient correction that the torque is brought to; "none" for none.
        remarks: What bringing it there leaves to be known.
    """

    dyno: str
    engine: str
    setup: str
    pulls: pl.DataFrame
    curves: pl.DataFrame
    events: tuple[CellEvent, ...] = ()
    units: Mapping[str, str] = field(default_factory=dict[str, str])
    correction: str = "none"
    remarks: tuple[str, ...] = ()

    def calibrations(self) -> tuple[CellEvent, ...]:
        """Return the calibrations, by date."""
        return tuple(event for event in self.events if event.kind == "calibration")

    def unit_of(self, channel: str) -> str:
        """Return the unit a channel is charted in; "" where it is not known."""
        return "%" if channel == "torque" else self.units.get(channel, "")
