"""Exact tolerance factors of the normal distribution, also where the SD is pooled from history.

Mean +/- factor x SD holds at least a stated share of all future values (the content) with a stated
confidence, whatever the true mean and SD are.
"""

from __future__ import annotations

from functools import lru_cache
from typing import cast

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2, ncx2

from dynostats.arrays import Floats
from dynostats.errors import AnalysisError

# Beyond this many SDs of the mean its distribution holds nothing that counts.
_REACH = 8.5
_NODES = 64
_LARGEST_FACTOR = 1e5


@lru_cache(maxsize=512)
def tolerance_factor(
    n: float, df: float, *, content: float = 0.95, confidence: float = 0.95
) -> float:
    """Return the exact two-sided factor k of mean +/- k x SD.

    Args:
        n: Observations behind the mean; its variance is the variance over n (need not be whole).
        df: Degrees of freedom behind the SD; n - 1, or more when history is pooled into it.
        content: Share of future values to be held, between 0 and 1.
        confidence: Chance that they are, between 0 and 1.

    Raises:
        AnalysisError: If a share lies outside 0 to 1, or n or df is not positive.

    Source: Krishnamoorthy & Mathew (2009), Statistical Tolerance Regions, eq. 2.3.6; the degrees
    of freedom of the SD need not belong to the mean.

    Example:
        >>> round(tolerance_factor(2, 1), 1)  # two pulls and no history: useless
        36.5
        >>> round(tolerance_factor(2, 20), 2)
        3.42
    """
    for name, value in (("content", content), ("confidence", confidence)):
        if not 0.0 < value < 1.0:
            raise AnalysisError(f"{name} is {value:g}; it must be between 0 and 1, such as 0.95")
    if n <= 0.0 or df <= 0.0:
        raise AnalysisError(f"n is {n:g} and df is {df:g}; both must be positive")
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    away: Floats = (node + 1.0) / 2.0 * _REACH  # of the mean, in its own SDs
    # Twice the half-normal density, over the half interval.
    chance: Floats = weight * _REACH / np.sqrt(2.0 * np.pi) * np.exp(-0.5 * away**2)
    held: Floats = np.asarray(ncx2.ppf(content, 1.0, away**2 / n))

    def short_of(factor: float) -> float:
        return float(chance @ chi2.sf(df * held / factor**2, df)) - confidence

    return cast("float", brentq(short_of, 1e-3, _LARGEST_FACTOR, xtol=1e-10))
