"""The stretches of a log whose load is that of the reference pulls, as curves over engine speed.

A log from a vehicle holds traffic, lifts and part load. A channel means the same only under the
same load, so only rows at full load are compared, and channels other than boost only where boost
is at least what the pulls had: with less of it, mixture and fuel pressure differ by themselves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.analysis.envelope.channels import Watched
from dynostats.analysis.envelope.reference import STEP_RPM
from dynostats.arrays import Flags, Floats, Ints
from dynostats.curves import bandwidth_of, find_sweeps, smooth
from dynostats.curves.grid import BANDWIDTH_RPM, GRID_STEP_RPM, ROWS_IN_HALF_WIDTH
from dynostats.curves.sweep import FULL_THROTTLE_SHARE, Sweep, column_of
from dynostats.errors import InputError

# Common practice, no published source: after the throttle opens, boost and mixture need so long.
SETTLE_S = 1.0
# Rows off load for so short a moment do not end a run.
BRIDGED_ROWS = 2
LEAST_ROWS = 5
# A run with more rows than this averages so many of them that their own scatter does not count.
MANY_ROWS = 2000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Load:
    """What the reference pulls say of load.

    Args:
        throttle: Grid speeds and mean throttle, %; None where the pulls have none.
        least_boost: Grid speeds and lower edge of the band of boost, kPa absolute; None likewise.
        torque: Whether the pulls have torque.
    """

    throttle: tuple[Floats, Floats] | None
    least_boost: tuple[Floats, Floats] | None
    torque: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run:
    """One stretch of a log at full load.

    Args:
        first_row: First row, from 0.
        last_row: Last row, inclusive.
        rpm: Grid speeds it reaches, shape (speeds,).
        values: Channel to its curve in stored units, shape (speeds,); NaN where not comparable.
        weight: Sum of the squared weights of the samples at each speed, shape (speeds,): times the
            variance of one sample it is what few samples add to the curve.
        pace: How fast engine speed moved, rpm/s; None without a clock.
    """

    first_row: int
    last_row: int
    rpm: Floats
    values: Mapping[str, Floats]
    weight: Floats
    pace: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Runs:
    """What of a log can be compared.

    Args:
        runs: In file order.
        told_by: What the load was told by: "throttle", "torque", "boost", or "" when by nothing.
        rows: Rows of the log.
        loaded: Rows at full load.
    """

    runs: tuple[Run, ...]
    told_by: str
    rows: int
    loaded: int


def find_runs(samples: pl.DataFrame, load: Load, watched: tuple[Watched, ...]) -> Runs:
    """Find the stretches of a log at the load of the reference pulls.

    Args:
        samples: One row a sample in file order, with engine_speed (rpm).
        load: What the pulls say of load.
        watched: Channels wanted.
    """
    told_by, full = _full_load(samples, load)
    rows = _bridge(full)
    boosted = _boosted(samples, load)
    stretches = [part for part in _stretches(rows) if part.stop - part.start >= LEAST_ROWS]
    runs = [
        run
        for part in stretches
        if (run := _read_run(samples, part, rows & full, boosted, watched)) is not None
    ]
    return Runs(runs=tuple(runs), told_by=told_by, rows=samples.height, loaded=int(full.sum()))


def _full_load(samples: pl.DataFrame, load: Load) -> tuple[str, Flags]:
    """Return what tells the load, and which rows are settled at full load."""
    speed = column_of(samples, "engine_speed")
    if load.throttle is not None and _has(samples, "throttle"):
        full = column_of(samples, "throttle") >= FULL_THROTTLE_SHARE * _at(speed, load.throttle)
        return "throttle", full & _settled(samples, full)
    if load.torque and _has(samples, "torque"):
        return "torque", _in_sweeps(samples)
    if load.least_boost is not None and _has(samples, "manifold_pressure"):
        full = column_of(samples, "manifold_pressure") >= _at(speed, load.least_boost)
        return "boost", full & _settled(samples, full)
    return "", np.zeros(samples.height, dtype=np.bool_)


def _has(samples: pl.DataFrame, name: str) -> bool:
    return name in samples.columns and bool(np.isfinite(column_of(samples, name)).any())


def _in_sweeps(samples: pl.DataFrame) -> Flags:
    """Return the rows of the full-load rises that `ingest` would take for pulls."""
    full = np.zeros(samples.height, dtype=np.bool_)
    try:
        pulls = find_sweeps(samples).pulls
    except InputError:  # no full-load rise: nothing to compare
        return full
    for pull in pulls:
        full[pull.rows] = pull.used
    return full


def _boosted(samples: pl.DataFrame, load: Load) -> Flags:
    """Return the rows with at least the boost of the pulls; all where it is not known."""
    if load.least_boost is None or not _has(samples, "manifold_pressure"):
        return np.ones(samples.height, dtype=np.bool_)
    least = _at(column_of(samples, "engine_speed"), load.least_boost)
    return column_of(samples, "manifold_pressure") >= least


def _at(speed: Floats, curve: tuple[Floats, Floats]) -> Floats:
    """Return a curve at the speed of each row; beyond its ends NaN, which is never reached."""
    return np.interp(speed, *curve, left=np.nan, right=np.nan)


def _settled(samples: pl.DataFrame, full: Flags) -> Flags:
    """Return the rows at which full load has lasted long enough; all without a clock."""
    if "time" not in samples.columns:
        return np.ones(len(full), dtype=np.bool_)
    clock = column_of(samples, "time")
    settled = np.zeros(len(full), dtype=np.bool_)
    for part in _stretches(_bridge(full)):
        settled[part] = ~(clock[part] - clock[part.start] < SETTLE_S)
    return settled


def _bridge(full: Flags) -> Flags:
    """Take gaps of a few rows as loaded."""
    whole = full.copy()
    for part in _stretches(~full):
        if part.stop - part.start <= BRIDGED_ROWS and part.start > 0 and part.stop < len(full):
            whole[part] = True
    return whole


def _stretches(flags: Flags) -> list[slice]:
    edges: Ints = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _read_run(
    samples: pl.DataFrame, part: slice, full: Flags, boosted: Flags, watched: tuple[Watched, ...]
) -> Run | None:
    speed = column_of(samples, "engine_speed")[part]
    usable = full[part] & np.isfinite(speed)
    if usable.sum() < LEAST_ROWS:
        return None
    speed = speed[usable]
    rpm = _speeds_of(speed)
    names = [one.channel for one in watched if one.channel in samples.columns]
    values = np.full((len(speed), len(names)), np.nan)
    for at, name in enumerate(names):
        values[:, at] = column_of(samples, name)[part][usable]
    low = ~boosted[part][usable]
    others = np.array([name != "manifold_pressure" for name in names], dtype=np.bool_)
    values[low[:, None] & others[None, :]] = np.nan
    width = _half_width(speed)
    curves = _smooth(speed, values, rpm, width)
    return Run(
        first_row=part.start,
        last_row=part.stop - 1,
        rpm=rpm,
        values=dict(zip(names, curves.T, strict=True)),
        weight=_squared_weights(speed, rpm, width),
        pace=_pace(samples, part),
    )


def _speeds_of(speed: Floats) -> Floats:
    """Return the grid speeds that a run passes; the nearest where it was held at one speed."""
    first = np.ceil(speed.min() / GRID_STEP_RPM)
    last = np.floor(speed.max() / GRID_STEP_RPM)
    if speed.max() - speed.min() < STEP_RPM:
        return np.array([np.round(speed.mean() / STEP_RPM) * STEP_RPM])
    return np.arange(first, last + 1.0) * GRID_STEP_RPM


def _smooth(speed: Floats, values: Floats, rpm: Floats, width: float) -> Floats:
    """Return the curves of a run, shape (speeds, channels); of a held speed the mean."""
    if len(rpm) > 1:
        return smooth(speed, values, rpm, bandwidth_rpm=width)
    known = np.isfinite(values)
    count = known.sum(axis=0)
    total = np.where(known, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)[None, :]


def _half_width(speed: Floats) -> float:
    """Return the kernel's half-width as for a pull: wider where rows are sparse."""
    spacing = float(speed.max() - speed.min()) / max(len(speed) - 1, 1)
    return max(BANDWIDTH_RPM, ROWS_IN_HALF_WIDTH * spacing)


def _squared_weights(speed: Floats, rpm: Floats, width: float) -> Floats:
    if len(speed) > MANY_ROWS:
        return np.zeros(len(rpm))
    # Smoothing the unit vectors gives the weights themselves.
    weights = _smooth(speed, np.eye(len(speed)), rpm, width)
    return (weights**2).sum(axis=1)


def _pace(samples: pl.DataFrame, part: slice) -> float | None:
    if "time" not in samples.columns:
        return None
    speed, clock = (column_of(samples, name)[part] for name in ("engine_speed", "time"))
    lasts = float(clock[-1] - clock[0])
    if not lasts > 0.0:
        return None
    return float(np.nanmax(speed) - np.nanmin(speed)) / lasts


def sample_variance(samples: pl.DataFrame, watched: Watched) -> float | None:
    """Return the variance of a single sample of a pull about its own course, log units squared.

    Source: from third differences of neighbouring samples, which a smooth course hardly enters:
    Hall, Kay & Titterington (1990), Biometrika 77:521, for difference-based variances.
    """
    try:
        sweep = find_sweeps(samples).pulls[0]
    except InputError:
        return None
    if watched.channel not in samples.columns or _is_wide(samples, sweep):
        return None
    logs = watched.to_log(column_of(samples, watched.channel)[sweep.rows])
    third = np.diff(logs, n=3)
    third = third[np.isfinite(third)]
    # The weights 1, -3, 3, -1 have the sum of squares 20.
    return float(np.mean(third**2) / 20.0) if third.size > LEAST_ROWS else None


def _is_wide(samples: pl.DataFrame, sweep: Sweep) -> bool:
    """Tell whether rows lie so far apart that differences between them are the course itself."""
    return bandwidth_of(samples, sweep) > BANDWIDTH_RPM
