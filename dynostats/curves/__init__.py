"""From samples in time to curves over engine speed: sweep, then common grid."""

from __future__ import annotations

from dynostats.curves.grid import GRID_STEP_RPM, bandwidth_of, curve_of, fit_curves, smooth
from dynostats.curves.lag import Aligned, align_channels
from dynostats.curves.sweep import Sweep, Sweeps, find_sweeps

__all__ = [
    "GRID_STEP_RPM",
    "Aligned",
    "Sweep",
    "Sweeps",
    "align_channels",
    "bandwidth_of",
    "curve_of",
    "find_sweeps",
    "fit_curves",
    "smooth",
]
