"""Slow sensors: reading each channel as late as it is behind engine speed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.arrays import Floats
from dynostats.curves.sweep import column_of
from dynostats.ingest.measurement import sample_at


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Aligned:
    """A log whose late channels are moved to when they happened.

    Args:
        samples: The log, the late channels aligned; null where the log ends before they come.
        findings: Sentences about what was moved.
    """

    samples: pl.DataFrame
    findings: tuple[str, ...]


def align_channels(samples: pl.DataFrame, lags: Mapping[str, float]) -> Aligned:
    """Align channels that read late, such as lambda behind its transport delay.

    Args:
        samples: One row a sample in file order.
        lags: Channel to how late it reads, s; a lag of `lambda` is that of `lambda_1` too.

    Returns:
        The log with the value at time t + lag in the row of time t, between two samples that
        stand next to each other on a straight line. In a log without a clock a late channel is
        empty, since where it belongs is not known.

    Example:
        >>> log = pl.DataFrame({"time": [0.0, 0.5, 1.0], "lambda": [1.0, 0.9, 0.8]})
        >>> align_channels(log, {"lambda": 0.5}).samples["lambda"].to_list()
        [0.9, 0.8, None]
    """
    late = {name: lag for name in samples.columns if (lag := _lag_of(name, lags)) is not None}
    if not late:
        return Aligned(samples=samples, findings=())
    clock = (
        column_of(samples, "time") if "time" in samples.columns else np.full(len(samples), np.nan)
    )
    moved = [
        pl.Series(name, _moved(clock, column_of(samples, name), lag), nan_to_null=True)
        for name, lag in late.items()
    ]
    return Aligned(
        samples=samples.with_columns(moved),
        findings=tuple(
            _say(name, lag, has_clock=bool(np.isfinite(clock).any())) for name, lag in late.items()
        ),
    )


def _lag_of(name: str, lags: Mapping[str, float]) -> float | None:
    return lags.get(name, lags.get(re.sub(r"_\d+$", "", name)))


def _moved(clock: Floats, values: Floats, lag: float) -> Floats:
    known = np.isfinite(clock) & np.isfinite(values)
    moved = np.full(len(values), np.nan)
    timed = np.isfinite(clock)
    if known.any():
        moved[timed] = sample_at(clock[known], values[known], clock[timed] + lag, hold=False)
    return moved


def _say(name: str, lag: float, *, has_clock: bool) -> str:
    if not has_clock:
        return (
            f"{name} reads {lag:g} s late, and there is no clock to align it by: it has no curve."
        )
    return f"{name} reads {lag:g} s late, as the channel file says; its curve is aligned by that."
