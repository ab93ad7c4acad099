"""Is the cell still the cell it was? Control charts and change points of a reference setup."""

from __future__ import annotations

from dynostats.analysis.monitor.breaks import (
    Break,
    mark_eras,
    read_breaks,
    warn_compared,
    warn_history,
)
from dynostats.analysis.monitor.result import CellEvent, Change, Chart, Monitoring, Signal
from dynostats.analysis.monitor.scope import Scope
from dynostats.analysis.monitor.study import least_sessions
from dynostats.analysis.monitor.watch import ALPHA, CHANNELS, monitor_cell

__all__ = [
    "ALPHA",
    "CHANNELS",
    "Break",
    "CellEvent",
    "Change",
    "Chart",
    "Monitoring",
    "Scope",
    "Signal",
    "least_sessions",
    "mark_eras",
    "monitor_cell",
    "read_breaks",
    "warn_compared",
    "warn_history",
]
