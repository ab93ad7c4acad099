"""Wild cluster bootstrap: p values that hold with a handful of clusters.

The signs of whole clusters' residuals are drawn, with the null imposed. It needs no more than the
clusters' sums, and with few clusters every draw there is can be looked at.

Sources: Cameron, Gelbach & Miller (2008), Review of Economics and Statistics 90:414; Webb (2023),
Canadian J. Economics 56:839, for the six-point weights with very few clusters; Roodman, MacKinnon,
Nielsen & Webb (2019), Stata Journal 19:4, for the form by sums.
"""

from __future__ import annotations

from itertools import product

import numpy as np

from dynostats.analysis.regression.clusters import ClusterSums, fit_clusters
from dynostats.arrays import Floats

RADEMACHER = (-1.0, 1.0)
WEBB = (-np.sqrt(1.5), -1.0, -np.sqrt(0.5), np.sqrt(0.5), 1.0, np.sqrt(1.5))
# With fewer clusters than this two signs give too few different draws.
FEW_CLUSTERS = 7
# All draws are looked at where there are at most so many.
MOST_DRAWS = 50_000
DRAWS = 9_999
SEED = 20_250_307
# Draws this close to the observed statistic tie with it, and ties count.
TIED = 1.0 - 1e-10


def wild_p_values(sums: ClusterSums, *, draws: int = DRAWS, seed: int = SEED) -> Floats:
    """Return the two-sided p value of each coefficient being zero, shape (columns,).

    Every draw is looked at where there are few enough clusters, so that the p value is exact;
    otherwise `draws` random ones, and the observed one counts among them.

    Args:
        sums: The rows, summed by cluster.
        draws: Random draws, where not all can be looked at.
        seed: Seed of the random draws.

    Raises:
        AnalysisError: As in `fit_clusters`.
    """
    weights, exact = _weights(len(sums), draws=draws, seed=seed)
    fit = fit_clusters(sums, kind="CR1S")
    observed = np.abs(fit.coefficients) / fit.standard_errors
    bread = np.linalg.inv(sums.products.sum(axis=0))
    found = np.empty(len(observed))
    for at, limit in enumerate(observed):
        drawn = _null_statistics(sums, bread, at, weights)
        factor = fit.covariance[at, at] / _robust_variance(sums, fit.coefficients, bread, at)
        as_extreme = int((drawn >= TIED * limit * np.sqrt(factor)).sum())
        found[at] = as_extreme / len(drawn) if exact else (1 + as_extreme) / (1 + len(drawn))
    return found


def _weights(clusters: int, *, draws: int, seed: int) -> tuple[Floats, bool]:
    """Return the clusters' weights in each draw, shape (draws, clusters), and whether it is all."""
    points = WEBB if clusters < FEW_CLUSTERS else RADEMACHER
    if len(points) ** clusters <= MOST_DRAWS:
        return np.array(list(product(points, repeat=clusters))), True
    rng = np.random.default_rng(seed)
    return rng.choice(np.array(points), size=(draws, clusters)), False


def _null_statistics(sums: ClusterSums, bread: Floats, at: int, weights: Floats) -> Floats:
    """Return |coefficient| over its uncorrected robust error in each draw under the null."""
    scores = sums.moments - sums.products @ _restricted(sums, at)
    moved = weights @ scores
    along = sums.products @ bread[:, at]
    spread = weights * (scores @ bread[:, at]) - moved @ bread @ along.T
    return np.abs(moved @ bread[:, at]) / np.sqrt((spread**2).sum(axis=1))


def _restricted(sums: ClusterSums, at: int) -> Floats:
    """Return the least-squares coefficients with one of them held at zero."""
    others = np.arange(sums.moments.shape[1]) != at
    whole = sums.products.sum(axis=0)[np.ix_(others, others)]
    beta = np.zeros(len(others))
    beta[others] = np.linalg.solve(whole, sums.moments.sum(axis=0)[others])
    return beta


def _robust_variance(sums: ClusterSums, beta: Floats, bread: Floats, at: int) -> float:
    scores = (sums.moments - sums.products @ beta) @ bread[:, at]
    return float(scores @ scores)
