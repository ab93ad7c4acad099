"""How alike the noise of sessions is, and how far a study's own noise leans on history.

Sources: Smyth (2004), Statistical Applications in Genetics and Molecular Biology 3(1):3, for the
moment estimator of the prior degrees of freedom and the moderated variance; Schmidli et al.
(2014), Biometrics 70:1023, for carrying the uncertainty of the prior instead of a point estimate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betaln, digamma, polygamma

from dynostats.arrays import Floats

# Prior degrees of freedom looked at: from 'sessions differ wildly' to 'all sessions are alike'.
PRIOR_DF_GRID: Floats = np.geomspace(2.5, 2000.0, 40)
# Stated assumption where few sessions speak: the log SD of a session's noise varies between
# sessions with a standard deviation of up to about 0.3 (half-normal). Common practice, no
# published source; many sessions override it.
LOG_SD_SPREAD = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class PriorFit:
    """Scaled inverse chi-square prior of a variance.

    Args:
        variance: Prior variance, unit of the data squared.
        df: Prior degrees of freedom; may be infinite.
    """

    variance: float
    df: float


def fit_prior(variances: Floats, df: Floats) -> PriorFit:
    """Fit the prior from sample variances of many groups.

    Args:
        variances: Shape (groups,), positive.
        df: Degrees of freedom of each, shape (groups,).

    Returns:
        The moment estimate of Smyth (2004), section 6.2, for unequal degrees of freedom.
    """
    half = df / 2.0
    excess = np.log(variances) - digamma(half) + np.log(half)
    mean = float(excess.mean())
    spread = float(((excess - mean) ** 2).sum() / (len(excess) - 1))
    spread -= float(np.mean(polygamma(1, half)))
    if spread <= 0.0:
        return PriorFit(variance=float(np.exp(mean)), df=float("inf"))
    prior_df = 2.0 * _trigamma_inverse(spread)
    variance = float(np.exp(mean + digamma(prior_df / 2.0) - np.log(prior_df / 2.0)))
    return PriorFit(variance=variance, df=prior_df)


def moderate(variance: Floats, df: Floats, prior: PriorFit) -> Floats:
    """Return the moderated variances (d0 s0^2 + d s^2) / (d0 + d); Smyth (2004), eq. 5."""
    if np.isinf(prior.df):
        return np.full_like(variance, prior.variance)
    return (prior.df * prior.variance + df * variance) / (prior.df + df)


def weigh_prior_df(ratios: Floats, df: Floats) -> Floats:
    """Return the probability of each prior df of PRIOR_DF_GRID.

    Args:
        ratios: Variance of each session over the pooled variance, shape (sessions,), positive.
        df: Effective degrees of freedom of each, shape (sessions,).

    Returns:
        Shape (grid,), summing to 1: the F likelihood of the ratios times the stated prior on how
        much sessions differ.
    """
    log_sd_spread = 1.0 / np.sqrt(2.0 * PRIOR_DF_GRID)
    log_weight = -0.5 * (log_sd_spread / LOG_SD_SPREAD) ** 2 + np.log(log_sd_spread)
    for ratio, own in zip(ratios, df, strict=True):
        log_weight = log_weight + _log_f_density(float(ratio), float(own))
    weight = np.exp(log_weight - log_weight.max())
    return weight / weight.sum()


def _log_f_density(ratio: float, own: float) -> Floats:
    """Log density of F(own, d0) at a ratio, for every d0 of the grid."""
    first, second = own / 2.0, PRIOR_DF_GRID / 2.0
    scaled = own * ratio / PRIOR_DF_GRID
    return (
        first * np.log(own / PRIOR_DF_GRID)
        + (first - 1.0) * np.log(ratio)
        - (first + second) * np.log1p(scaled)
        - betaln(first, second)
    )


def _trigamma_inverse(value: float) -> float:
    """Solve trigamma(x) = value by Newton's method on 1/trigamma; Smyth (2004), appendix."""
    if value > 1e7:
        return float(1.0 / np.sqrt(value))
    if value < 1e-6:
        return 1.0 / value
    x = 0.5 + 1.0 / value
    for _ in range(50):
        slope = float(polygamma(1, x))
        step = slope * (1.0 - slope / value) / float(polygamma(2, x))
        x += step
        if -step / x < 1e-8:
            break
    return x
