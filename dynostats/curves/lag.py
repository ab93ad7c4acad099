"""Slow sensors: reading each channel as late as it is behind engine speed."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.arrays import Floats
from dynostats.curves.lag_estimate import FASTER, Lag, estimate_lag
from dynostats.curves.sweep import Sweep, column_of
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


def align_channels(
    samples: pl.DataFrame, lags: Mapping[str, float | None], pulls: Sequence[Sweep] = ()
) -> Aligned:
    """Align channels that read late, such as lambda behind its transport delay.

    Args:
        samples: One row a sample in file order.
        lags: Channel to how late it reads, s, None to estimate it; a lag of `lambda` is that of
            `lambda_1` too.
        pulls: The sweeps that a lag is estimated from.

    Returns:
        The log with the value at time t + lag in the row of time t, between two samples that
        stand next to each other on a straight line. In a log without a clock a late channel is
        empty, since where it belongs is not known. A channel whose lag cannot be estimated stays
        as it was logged.

    Example:
        >>> log = pl.DataFrame({"time": [0.0, 0.5, 1.0], "lambda": [1.0, 0.9, 0.8]})
        >>> align_channels(log, {"lambda": 0.5}).samples["lambda"].to_list()
        [0.9, 0.8, None]
    """
    late = {name: key for name in samples.columns if (key := _key_of(name, lags)) is not None}
    if not late:
        return Aligned(samples=samples, findings=())
    clock = (
        column_of(samples, "time") if "time" in samples.columns else np.full(len(samples), np.nan)
    )
    moved: list[pl.Series] = []
    findings: list[str] = []
    for name, key in late.items():
        stated = lags[key]
        lag = estimate_lag(samples, pulls, name) if stated is None else Lag(seconds=stated)
        findings.append(_say(name, lag, has_clock=bool(np.isfinite(clock).any())))
        if lag.seconds is not None:
            values = _moved(clock, column_of(samples, name), lag.seconds)
            moved.append(pl.Series(name, values, nan_to_null=True))
    return Aligned(samples=samples.with_columns(moved), findings=tuple(findings))


def _key_of(name: str, lags: Mapping[str, float | None]) -> str | None:
    family = re.sub(r"_\d+$", "", name)
    return next((key for key in (name, family) if key in lags), None)


def _moved(clock: Floats, values: Floats, lag: float) -> Floats:
    known = np.isfinite(clock) & np.isfinite(values)
    moved = np.full(len(values), np.nan)
    timed = np.isfinite(clock)
    if known.any():
        moved[timed] = sample_at(clock[known], values[known], clock[timed] + lag, hold=False)
    return moved


def _say(name: str, lag: Lag, *, has_clock: bool) -> str:
    if lag.seconds is None:
        return (
            f"How late {name} reads cannot be estimated: {lag.why_not}. Its curve is as logged; a "
            "lag in seconds in the channel file aligns it."
        )
    if not has_clock:
        return (
            f"{name} reads {lag.seconds:g} s late, and there is no clock to align it by: it has no "
            "curve."
        )
    if lag.low is None:
        return (
            f"{name} reads {lag.seconds:g} s late, as the channel file says; its curve is aligned "
            "by that."
        )
    return (
        f"{name} reads {lag.seconds:.2f} s late ({lag.low:.2f} to {lag.high:.2f}), estimated from "
        f"how it follows {FASTER[0]} over {FASTER[1]}; its curve is aligned by that."
    )
