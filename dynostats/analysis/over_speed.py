"""Variance and correlation of curves over engine speed, from few curves."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from dynostats.arrays import Floats, Ints

# Standard deviation of the weights by which sums of squares of neighbouring speeds are pooled.
POOLING_RPM = 400.0
# Weight of speeds far away: it matters only where nothing nearer is covered.
FAR_WEIGHT = 1e-9
# Fewer contrasts than this, counted with their weights, are none.
LEAST_COUNT = 1e-12
# Weight of the smooth stationary correlation against the sample correlation, in contrasts: from
# few curves the sample correlation has low rank and understates how rough the noise is.
STATIONARY_CONTRASTS = 10.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpeedSums:
    """Sums over contrasts: all that their variance and correlation over speed rest on.

    Those of several sets of contrasts are added up.

    Args:
        products: Sums of products at each pair of speeds, shape (speeds, speeds).
        counts: How many contrasts cover both speeds, likewise.
        contrasts: How many contrasts cover any speed.
    """

    products: Floats
    counts: Floats
    contrasts: int

    def __len__(self) -> int:
        """Return the number of contrasts."""
        return self.contrasts

    def __add__(self, other: SpeedSums) -> SpeedSums:
        """Return the sums over both sets."""
        return SpeedSums(
            products=self.products + other.products,
            counts=self.counts + other.counts,
            contrasts=self.contrasts + other.contrasts,
        )

    def __sub__(self, other: SpeedSums) -> SpeedSums:
        """Return the sums over the contrasts that are not in the other set, a part of this."""
        return SpeedSums(
            products=self.products - other.products,
            counts=self.counts - other.counts,
            contrasts=self.contrasts - other.contrasts,
        )

    def over(self, scale: Floats) -> SpeedSums:
        """Return the sums over the contrasts divided by a scale, shape (speeds,)."""
        return SpeedSums(
            products=self.products / np.outer(scale, scale),
            counts=self.counts,
            contrasts=self.contrasts,
        )

    def pooled(self, rpm: Floats) -> Floats:
        """Return the mean square, pooled over neighbouring speeds, shape (speeds,)."""
        return _pool(np.diagonal(self.products), np.diagonal(self.counts), rpm)

    def mean_square(self) -> float:
        """Return the mean square over contrasts and speeds; 0 where there is none."""
        counted = float(np.trace(self.counts))
        return float(np.trace(self.products)) / counted if counted else 0.0

    def correlation(self, rpm: Floats) -> Floats:
        """Return the correlation over speed, as `correlation_over_speed` does."""
        return _correlate(self.products, self.counts, self.contrasts, rpm)


def sum_contrasts(curves: Floats) -> SpeedSums:
    """Sum contrasts, shape (contrasts, speeds), NaN where not covered."""
    covered = np.isfinite(curves)
    filled = np.where(covered, curves, 0.0)
    counts = covered.astype(np.float64)
    return SpeedSums(
        products=filled.T @ filled,
        counts=counts.T @ counts,
        contrasts=int(covered.any(axis=1).sum()),
    )


def pool_over_speed(curves: Floats, rpm: Floats) -> Floats:
    """Return the mean square of contrasts, pooled over neighbouring speeds, shape (speeds,)."""
    covered = np.isfinite(curves)
    squares = np.where(covered, curves, 0.0) ** 2
    return _pool(squares.sum(axis=0), covered.sum(axis=0), rpm)


def _pool(squares: Floats, counts: Floats | Ints, rpm: Floats) -> Floats:
    weights = pooling_weights(rpm)
    return (weights @ squares) / np.maximum(weights @ counts, LEAST_COUNT)


def pooling_weights(rpm: Floats) -> Floats:
    """Return the weights by which sums of squares of neighbours are pooled, rows summing to 1.

    A speed with no covered neighbour at all gets the mean of what is covered.
    """
    return _weights_at(tuple(rpm.tolist()))


@lru_cache(maxsize=8)  # engine after engine asks for those of one grid
def _weights_at(speeds: tuple[float, ...]) -> Floats:
    rpm = np.array(speeds)
    weights = np.exp(-0.5 * ((rpm[:, None] - rpm[None, :]) / POOLING_RPM) ** 2) + FAR_WEIGHT
    weights /= weights.sum(axis=1, keepdims=True)
    weights.flags.writeable = False
    return weights


def effective_speeds(correlation: Floats) -> float:
    """Return how many independent speeds a band mean of squares is worth.

    Source: Satterthwaite (1946), Biometrics Bulletin 2:110: (trace S)^2 / trace(S S).
    """
    return float(np.trace(correlation) ** 2 / (correlation**2).sum())


def wavier(correlation: Floats, contrasts: int) -> Floats:
    """Return the correlation with its own error allowed for when contrasts are few.

    Pooling a variance over speed gains the more, the less speeds are correlated. From few
    contrasts the long-range correlation is hardly known, so a share of noise common to all speeds
    is allowed for, as much as one contrast among those seen.
    """
    share = 1.0 / (1.0 + contrasts)
    return (1.0 - share) * correlation + share


def correlation_over_speed(scaled: Floats, rpm: Floats) -> Floats:
    """Return the correlation over speed: the sample's, drawn toward a stationary one, definite.

    Args:
        scaled: Contrasts over their SD, shape (contrasts, speeds); NaN where not covered.
        rpm: Grid speeds, shape (speeds,).
    """
    covered = np.isfinite(scaled).astype(np.float64)
    filled = np.where(covered > 0, scaled, 0.0)
    return _correlate(filled.T @ filled, covered.T @ covered, len(scaled), rpm)


def _correlate(products: Floats, counts: Floats, contrasts: int, rpm: Floats) -> Floats:
    lag = np.abs(np.subtract.outer(np.arange(len(rpm)), np.arange(len(rpm))))
    by_lag = np.bincount(lag.ravel(), products.ravel()) / np.maximum(
        np.bincount(lag.ravel(), counts.ravel()), 1e-12
    )
    if by_lag[0] <= LEAST_COUNT:  # pulls equal to the last digit: nothing tells of a correlation
        return np.ones_like(products)
    stationary = (by_lag / by_lag[0])[lag]
    sample = np.where(counts > 0, products / np.maximum(counts, 1e-12), stationary)
    weight = STATIONARY_CONTRASTS / (STATIONARY_CONTRASTS + contrasts)
    return _nearest_correlation((1.0 - weight) * sample + weight * stationary)


def _nearest_correlation(matrix: Floats) -> Floats:
    """Clip negative eigenvalues and scale the diagonal to one."""
    size, basis = np.linalg.eigh((matrix + matrix.T) / 2.0)
    definite = (basis * np.clip(size, 1e-8 * float(size.max()), None)) @ basis.T
    scale = np.sqrt(np.diag(definite))
    return definite / np.outer(scale, scale)
