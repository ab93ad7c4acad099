"""From samples in time to curves over engine speed: sweep, then common grid."""

from __future__ import annotations

from dynostats.curves.grid import GRID_STEP_RPM, bandwidth_of, curve_of, fit_curves, smooth
from dynostats.curves.sweep import Sweep, Sweeps, find_sweeps

__all__ = [
    "GRID_STEP_RPM",
    "Sweep",
    "Sweeps",
    "bandwidth_of",
    "curve_of",
    "find_sweeps",
    "fit_curves",
    "smooth",
]
