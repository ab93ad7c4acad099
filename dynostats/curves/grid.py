"""Put every channel of a pull on the common grid of engine speed.

Source: local-linear kernel regression, Fan & Gijbels (1996), Local Polynomial Modelling and Its
Applications, eq. (2.4) to (2.7), with the Epanechnikov kernel.
"""

from __future__ import annotations

import math

import numpy as np
import polars as pl

from dynostats.arrays import Flags, Floats
from dynostats.curves.steps import mean_of_steps
from dynostats.curves.sweep import Sweep, column_of
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
    left_out = {"time", "engine_speed"} if sweep.steps else {"engine_speed"}
    names = [
        name for name, kind in samples.schema.items() if kind.is_numeric() and name not in left_out
    ]
    table = _table(samples, ["engine_speed", *names])
    usable = np.isfinite(table[:, 0])
    usable[list(sweep.dropouts)] = False
    table = table[sweep.rows][usable[sweep.rows]]
    if sweep.steps:
        table = mean_of_steps(table)
    speed, values = table[:, 0], table[:, 1:]
    grid = _grid(speed)
    smoothed = smooth(speed, values, grid, bandwidth_rpm=_bandwidth(speed))
    curve = pl.from_numpy(np.column_stack([grid, smoothed]), schema=["rpm", *names])
    return curve.fill_nan(None) if np.isnan(smoothed).any() else curve


def _table(samples: pl.DataFrame, names: list[str]) -> Floats:
    """Return channels as one array, shape (samples, channels), NaN where missing.

    The frame is taken as a whole where it can be: column by column costs more than the curve.
    """
    if not all(kind.is_numeric() for kind in samples.dtypes):
        samples = samples.select(names)
    places = [samples.columns.index(name) for name in names]
    return samples.to_numpy()[:, places].astype(np.float64, copy=False)


def bandwidth_of(samples: pl.DataFrame, sweep: Sweep) -> float:
    """Return the half-width of the smoothing kernel used for a pull, rpm."""
    speed = column_of(samples, "engine_speed")[sweep.rows]
    speed = speed[np.isfinite(speed)]
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
    result = np.full((len(grid), values.shape[1]), np.nan)
    known = np.isfinite(values)
    whole = known.all(axis=0)
    if whole.any():
        result[:, whole] = _operator(speed, grid, bandwidth_rpm) @ values[:, whole]
    for at in np.flatnonzero(~whole):
        rows = known[:, at]
        if rows.sum() >= 2:
            result[:, at] = _operator(speed[rows], grid, bandwidth_rpm) @ values[rows, at]
    return result


def _operator(speed: Floats, grid: Floats, bandwidth_rpm: float) -> Floats:
    """Return the weights of the samples at each grid speed, shape (speeds, samples).

    Only the samples within the kernel are worked on: sorted by speed they are one run of a row,
    a tenth of all samples in an ordinary pull.
    """
    order = np.argsort(speed, kind="stable")
    ordered = speed[order]
    first = np.searchsorted(ordered, grid - bandwidth_rpm, side="right")
    last = np.searchsorted(ordered, grid + bandwidth_rpm, side="left")
    places = first[:, None] + np.arange((last - first).max(initial=0))
    within = places < last[:, None]
    places = np.minimum(places, len(ordered) - 1)
    away = ordered[places] - grid[:, None]
    kernel = np.where(within, 1.0 - (away / bandwidth_rpm) ** 2, 0.0)
    s0 = kernel.sum(axis=1)
    s1 = (kernel * away).sum(axis=1)
    s2 = (kernel * away**2).sum(axis=1)
    determinant = s0 * s2 - s1**2
    usable = (determinant > 1e-9 * np.maximum(s0, 1e-300) ** 2 * bandwidth_rpm**2) & _bracketed(
        ordered, grid, bandwidth_rpm
    )
    scale: Floats = np.where(usable, determinant, np.nan)
    weights = kernel * (s2[:, None] - away * s1[:, None]) / scale[:, None]
    rows = np.broadcast_to(np.arange(len(grid))[:, None], places.shape)
    operator = np.zeros((len(grid), len(speed)))
    operator[rows[within], order[places[within]]] = weights[within]
    operator[~usable] = np.nan
    return operator


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
