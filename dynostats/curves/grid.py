"""Put every channel of a pull on the common grid of engine speed.

Source: local-linear kernel regression, Fan & Gijbels (1996), Local Polynomial Modelling and Its
Applications, eq. (2.4) to (2.7), with the Epanechnikov kernel.
"""

from __future__ import annotations

import math

import numpy as np
import polars as pl
from numpy.lib.stride_tricks import sliding_window_view

from dynostats.arrays import Channels, Flags, Floats
from dynostats.curves.steps import mean_of_steps
from dynostats.curves.sweep import Sweep
from dynostats.errors import InputError

GRID_STEP_RPM = 50.0
# Half-width of the kernel. Fixed before any answer is looked at: a verdict may not hang on it.
BANDWIDTH_RPM = 150.0
# A log with few rows needs a wider kernel to hold enough of them.
ROWS_IN_HALF_WIDTH = 2.5
LEAST_GRID_POINTS = 4


def curve_of(samples: pl.DataFrame, sweep: Sweep) -> pl.DataFrame:
    """Return the pull as curves over engine speed.

    Args:
        samples: One row a sample in file order, with engine_speed (rpm).
        sweep: The rows of the pull.

    Returns:
        One row a grid speed: rpm, then every numeric channel but engine_speed in its own unit;
        null where the pull has no samples near. Never extrapolated. Time is the clock at which the
        sweep passed that speed; a test held step by step has none.

    Raises:
        InputError: The pull covers fewer than four grid speeds.
    """
    return fit_curves(Channels.of(samples), sweep).frame()


def fit_curves(samples: Channels, sweep: Sweep) -> Channels:
    """Return what `curve_of` does, as channels of which the first is rpm."""
    left_out = {"time", "engine_speed"} if sweep.steps else {"engine_speed"}
    names = [name for name in samples.names if name not in left_out]
    table = samples.take(["engine_speed", *names])[:, sweep.rows]
    usable = np.isfinite(table[0]) & sweep.used
    if not usable.all():
        table = table[:, usable]
    if sweep.steps:
        table = mean_of_steps(table.T).T
    speed, values = table[0], table[1:]
    grid = _grid(speed)
    curve = np.empty((1 + len(names), len(grid)))
    curve[0] = grid
    curve[1:] = smooth(speed, values.T, grid, bandwidth_rpm=_bandwidth(speed)).T
    return Channels(("rpm", *names), curve)


def bandwidth_of(samples: pl.DataFrame | Channels, sweep: Sweep) -> float:
    """Return the half-width of the smoothing kernel used for a pull, rpm."""
    speed = Channels.of(samples)["engine_speed"][sweep.rows]
    speed = speed[np.isfinite(speed) & sweep.used]
    if sweep.steps:
        speed = mean_of_steps(speed[:, None])[:, 0]
    return _bandwidth(speed)


def smooth(speed: Floats, values: Floats, grid: Floats, *, bandwidth_rpm: float) -> Floats:
    """Return the local-linear fit of each column at each grid speed.

    Args:
        speed: Engine speed of the samples, shape (samples,), rpm.
        values: Channels, shape (samples, channels); NaN where missing.
        grid: Speeds asked for, shape (speeds,), rpm.
        bandwidth_rpm: Half-width of the Epanechnikov kernel, rpm.

    Returns:
        Shape (speeds, channels); NaN where no two samples lie within the kernel or the samples
        around the grid speed are further apart than the kernel is wide.
    """
    order = np.argsort(speed, kind="stable")
    ordered, columns = speed[order], np.take(values.T, order, axis=1)
    known = np.isfinite(columns)
    whole = known.all(axis=1)
    if whole.all():
        return _fit(ordered, columns, grid, bandwidth_rpm).T
    result = np.full((len(columns), len(grid)), np.nan)
    if whole.any():
        result[whole] = _fit(ordered, columns[whole], grid, bandwidth_rpm)
    for at in np.flatnonzero(~whole):
        rows = known[at]
        if rows.sum() >= 2:
            result[at] = _fit(ordered[rows], columns[at : at + 1, rows], grid, bandwidth_rpm)
    return result.T


def _fit(ordered: Floats, columns: Floats, grid: Floats, bandwidth_rpm: float) -> Floats:
    """Return the local-linear fit of channels at each grid speed, shape (channels, speeds).

    Only the samples within the kernel are worked on: sorted by speed they are one run of rows, a
    tenth of all samples in an ordinary pull. The runs are taken equally long; the kernel is zero
    on what that adds.

    Args:
        ordered: Engine speed, rising, shape (samples,), rpm.
        columns: Channels in that order, shape (channels, samples), nothing missing.
        grid: Speeds asked for, shape (speeds,), rpm.
        bandwidth_rpm: Half-width of the kernel, rpm.
    """
    first = np.searchsorted(ordered, grid - bandwidth_rpm, side="right")
    last = np.searchsorted(ordered, grid + bandwidth_rpm, side="left")
    width = max(int((last - first).max()), 1)
    starts = np.minimum(first, len(ordered) - width)
    # Distances in half-widths of the kernel.
    away = (ordered[starts[:, None] + np.arange(width)] - grid[:, None]) / bandwidth_rpm
    kernel = np.maximum(1.0 - away**2, 0.0)
    leaning = kernel * away
    s0, s1 = np.einsum("sw->s", kernel), np.einsum("sw->s", leaning)
    s2 = np.einsum("sw,sw->s", leaning, away)
    determinant = s0 * s2 - s1**2
    usable = (determinant > 1e-9 * s0**2) & _bracketed(ordered, grid, bandwidth_rpm)
    scale = np.where(usable, determinant, np.nan)
    kernel *= (s2 / scale)[:, None]
    leaning *= (s1 / scale)[:, None]
    weights = kernel - leaning
    runs = sliding_window_view(columns, width, axis=1)[:, starts]
    return np.einsum("csw,sw->cs", runs, weights)


def _bracketed(ordered: Floats, grid: Floats, bandwidth_rpm: float) -> Flags:
    right = np.searchsorted(ordered, grid, side="left")
    inside = (right < len(ordered)) & (grid >= ordered[0])
    above = ordered[np.minimum(right, len(ordered) - 1)]
    below = np.where(above == grid, grid, ordered[np.maximum(right - 1, 0)])
    return inside & (above - below <= bandwidth_rpm)


def _grid(speed: Floats) -> Floats:
    first = math.ceil(speed.min() / GRID_STEP_RPM)
    last = math.floor(speed.max() / GRID_STEP_RPM)
    if last - first + 1 < LEAST_GRID_POINTS:
        raise InputError(
            f"the pull covers only {speed.min():.0f} to {speed.max():.0f} rpm, "
            f"fewer than {LEAST_GRID_POINTS} steps of {GRID_STEP_RPM:.0f} rpm",
            mend="Log the pull over a wider range of engine speed.",
        )
    return np.arange(first, last + 1) * GRID_STEP_RPM


def _bandwidth(speed: Floats) -> float:
    spacing = (speed.max() - speed.min()) / max(len(speed) - 1, 1)
    return max(BANDWIDTH_RPM, ROWS_IN_HALF_WIDTH * float(spacing))
