"""Control charts of single values: individuals, moving range, EWMA.

The constants are those of normal, independent values (ASTM/NIST tables): with fewer than about 20
values behind the limits, or with values that follow one another, false alarms are more frequent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from dynostats.arrays import Flags, Floats

# Mean and upper limit of the range of two normal values, in SDs and in mean ranges.
# Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
D2 = 1.128
D4 = 3.267
SIGMAS = 3.0
# Share of normal values beyond 3 SDs on either side.
BEYOND = 0.0027
# Weight of the newest value, and width in SDs. Source: Lucas & Saccucci (1990), Technometrics 32:1:
# 0.2 with 2.86 gives one false alarm in some 370 values, as 3 SDs do on the individuals chart.
EWMA_WEIGHT = 0.2
EWMA_WIDTH = 2.86


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Individuals:
    """An individuals chart with its moving ranges.

    Args:
        centre: Mean.
        sigma: Mean moving range over 1.128.
        low: Centre less three sigma.
        high: Centre and three sigma.
        ranges: Absolute difference from the value before; NaN for the first, shape (values,).
        range_high: Upper limit of the ranges.
    """

    centre: float
    sigma: float
    low: float
    high: float
    ranges: Floats
    range_high: float


def chart_individuals(values: Floats) -> Individuals:
    """Return the individuals and moving-range chart of at least two values in order of time.

    Source: NIST/SEMATECH e-Handbook, 6.3.2.2.

    Example:
        >>> chart = chart_individuals(np.array([1.0, 2.0, 1.0, 2.0]))
        >>> round(chart.high, 3)
        4.16
    """
    ranges = np.abs(np.diff(values))
    mean_range = float(ranges.mean())
    centre, sigma = float(values.mean()), mean_range / D2
    return Individuals(
        centre=centre,
        sigma=sigma,
        low=centre - SIGMAS * sigma,
        high=centre + SIGMAS * sigma,
        ranges=np.concatenate([[np.nan], ranges]),
        range_high=D4 * mean_range,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ewma:
    """An exponentially weighted moving average with its limits, each of shape (values,)."""

    values: Floats
    low: Floats
    high: Floats

    @property
    def outside(self) -> Flags:
        """Return which averages lie beyond their limits."""
        return (self.values > self.high) | (self.values < self.low)


def chart_ewma(
    values: Floats,
    *,
    target: float,
    sigma: float,
    weight: float = EWMA_WEIGHT,
    width: float = EWMA_WIDTH,
) -> Ewma:
    """Return the EWMA chart of values in order of time, with exact limits from the first on.

    Args:
        values: Shape (values,).
        target: Where the average starts, and its centre line.
        sigma: SD of one value.
        weight: Weight of the newest value, above 0 and at most 1.
        width: Limits in SDs of the average.

    Source: NIST/SEMATECH e-Handbook, 6.3.2.4; the exact variance after t values is
    sigma^2 weight / (2 - weight) (1 - (1 - weight)^(2 t)).
    """
    averages = np.empty(len(values))
    last = target
    for at, value in enumerate(values.tolist()):
        last = weight * value + (1.0 - weight) * last
        averages[at] = last
    count = np.arange(1, len(values) + 1)
    share = weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * count))
    half = width * sigma * np.sqrt(share)
    return Ewma(values=averages, low=target - half, high=target + half)


def within_limits(sd: float, df: Floats) -> tuple[Floats, Floats]:
    """Return the limits of session SDs about a pooled one, shape (sessions,); NaN without df.

    Source: the chi-square distribution of a mean square; the two tails together hold as much as
    those beyond 3 SDs.
    """
    known = np.where(df > 0, df, np.nan)
    low = sd * np.sqrt(chi2.ppf(BEYOND / 2.0, known) / known)
    high = sd * np.sqrt(chi2.isf(BEYOND / 2.0, known) / known)
    return low, high


def autocorrelation(values: Floats) -> float | None:
    """Return the correlation of values with the ones before; None with fewer than three.

    Source: NIST/SEMATECH e-Handbook, 1.3.5.12, lag 1.
    """
    away = values - values.mean()
    square = float(away @ away)
    if len(values) < 3 or square <= 0.0:
        return None
    return float(away[1:] @ away[:-1]) / square
