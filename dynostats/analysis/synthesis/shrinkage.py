"""What true effects are like, the SD between studies averaged over instead of taken as known.

Each effect drawn toward its fellows: what remains of a large estimate when luck is taken out. And
the effect that the next study will have.

The largest of many estimates is large by luck too. Under a model in which the true effects of a
group scatter about its mean, the estimate of each is drawn toward that mean by as much as its own
noise calls for, and the intervals hold whichever study is picked out afterwards.

Source: Efron & Morris (1975), J. American Statistical Association 70:311; Rubin (1981), J.
Educational Statistics 6:377, and Gelman (2006), Bayesian Analysis 1:515, for averaging over the SD
between studies with a flat prior; Efron (2011), J. American Statistical Association 106:1602, for
selection. A spread of a few large effects among many that are nothing is not normal: then the few
are drawn in too far, and their intervals lie too low.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from dynostats.analysis.synthesis.random_effects import LEAST_STUDIES, Fit, fit_at, tau_grid
from dynostats.arrays import Floats
from dynostats.errors import AnalysisError

_TAUS = 240
_HALVINGS = 60


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shrunken:
    """True effects given all studies of a group, each of shape (studies,).

    Args:
        mean: Expected effect.
        low: Lower bound.
        high: Upper bound.
        positive: Probability that the effect is above zero.
        weight: Share of the own estimate in the mean, 1 where nothing is drawn toward the fellows.
    """

    mean: Floats
    low: Floats
    high: Floats
    positive: Floats
    weight: Floats


def shrink(effects: Floats, covariance: Floats, *, alpha: float = 0.05) -> Shrunken:
    """Return the true effects of a group of studies, given all of them.

    Args:
        effects: Shape (studies,).
        covariance: Of their errors, shape (studies, studies).
        alpha: One less the level of the intervals.

    Raises:
        AnalysisError: Fewer than three studies.
    """
    taus, fits, chance = _spreads(effects, covariance)
    design = np.ones((len(effects), 1))
    means, variances, weights = [], [], []
    for tau, fit in zip(taus.tolist(), fits, strict=True):
        pulled = tau**2 * fit.precision  # effects less mean, times this, is the own deviation
        rest = np.eye(len(effects)) - pulled
        means.append(design[:, 0] * fit.coefficients[0] + pulled @ fit.residuals)
        toward = rest @ design
        spread = tau**2 * rest + toward @ fit.covariance @ toward.T
        variances.append(np.diag(spread))
        weights.append(np.diag(pulled))
    mean, sd = np.array(means), np.sqrt(np.maximum(np.array(variances), 0.0))
    return Shrunken(
        mean=chance @ mean,
        low=_quantile(alpha / 2.0, chance, mean, sd),
        high=_quantile(1.0 - alpha / 2.0, chance, mean, sd),
        positive=chance @ norm.sf(0.0, mean, np.maximum(sd, 1e-300)),
        weight=chance @ np.array(weights),
    )


def predict_next(
    effects: Floats, covariance: Floats, *, alpha: float = 0.05
) -> tuple[float, float]:
    """Return the bounds of the true effect of the next study.

    The usual interval takes the SD between studies as estimated; where that comes out too small by
    luck, the next effect lies outside much too often (measured in reports/history.md). Here every
    SD counts by how likely the studies make it.

    Args:
        effects: Shape (studies,).
        covariance: Of their errors, shape (studies, studies).
        alpha: One less the level.

    Raises:
        AnalysisError: Fewer than three studies.
    """
    taus, fits, chance = _spreads(effects, covariance)
    mean = np.array([[fit.coefficients[0]] for fit in fits])
    variance = np.array([[fit.covariance[0, 0]] for fit in fits]) + taus[:, None] ** 2
    low, high = (
        _quantile(level, chance, mean, np.sqrt(variance))[0]
        for level in (alpha / 2.0, 1.0 - alpha / 2.0)
    )
    return float(low), float(high)


def _spreads(effects: Floats, covariance: Floats) -> tuple[Floats, list[Fit], Floats]:
    """Return SDs between studies, the fit at each, and how likely the studies make it."""
    if len(effects) < LEAST_STUDIES:
        raise AnalysisError(
            f"{len(effects)} studies tell nothing of how far effects differ; at least "
            f"{LEAST_STUDIES} do"
        )
    design = np.ones((len(effects), 1))
    taus = tau_grid(effects, covariance, _TAUS)
    fits = [fit_at(tau**2, effects, covariance, design) for tau in taus.tolist()]
    # Flat in the SD: each value counts by its likelihood and by the width of grid it stands for.
    likely = np.array([fit.log_likelihood for fit in fits])
    chance = np.exp(likely - likely.max()) * np.gradient(taus)
    return taus, fits, chance / chance.sum()


def _quantile(level: float, chance: Floats, mean: Floats, sd: Floats) -> Floats:
    """Return a quantile of each study's mixture of normals, by bisection, shape (studies,)."""
    reach = float(np.abs(norm.ppf(level))) + 6.0
    safe = np.maximum(sd, 1e-300)
    low, high = (mean - reach * sd).min(axis=0), (mean + reach * sd).max(axis=0)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        below = chance @ norm.cdf(middle, mean, safe) < level
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return 0.5 * (low + high)
