"""The mean difference over a window of engine speed that the reader picks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.errors import AnalysisError


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowEffect:
    """Mean difference over a window of engine speed.

    Args:
        from_rpm: First grid speed inside the window.
        to_rpm: Last grid speed inside the window.
        n_speeds: Grid speeds averaged.
        effect_pct: Mean difference, percent of the baseline.
        low_pct: Lower simultaneous bound; None when the noise is unknown.
        high_pct: Upper simultaneous bound, likewise.
    """

    from_rpm: float
    to_rpm: float
    n_speeds: int
    effect_pct: float
    low_pct: float | None
    high_pct: float | None


def window_effect(result: Comparison, *, low_rpm: float, high_rpm: float) -> WindowEffect:
    """Return the mean difference over a window with an interval that holds for any window.

    The mean is taken over the grid speeds inside the window, on the log scale. The interval is
    the mean of the simultaneous bounds, likewise: whenever the band covers the true curve at
    every speed, the mean of its bounds covers the mean of the true curve, over every window at
    once. So the window may be chosen after looking, at the price of an interval that is wider
    than one for a window declared beforehand.

    Args:
        result: The comparison.
        low_rpm: Lower end of the window in rpm, included.
        high_rpm: Upper end of the window in rpm, included.

    Returns:
        The mean with its simultaneous interval.

    Raises:
        AnalysisError: When no grid speed lies inside the window.
    """
    inside = result.curve.filter(pl.col("rpm").is_between(low_rpm, high_rpm))
    if inside.is_empty():
        msg = f"no compared speed lies between {low_rpm:g} and {high_rpm:g} rpm"
        low, high = result.band
        raise AnalysisError(
            msg, where="window", mend=f"Choose a window inside {low:g} to {high:g} rpm."
        )
    return WindowEffect(
        from_rpm=float(inside["rpm"][0]),
        to_rpm=float(inside["rpm"][-1]),
        n_speeds=inside.height,
        effect_pct=_log_mean_pct(inside["effect_pct"]),
        low_pct=_bound(inside["low_pct"]),
        high_pct=_bound(inside["high_pct"]),
    )


def _bound(values: pl.Series) -> float | None:
    return None if values.null_count() else _log_mean_pct(values)


def _log_mean_pct(values: pl.Series) -> float:
    """Return the mean of ratios given in percent, taken on the log scale."""
    return float(100 * np.expm1(np.log1p(values.to_numpy() / 100).mean()))
