"""Wild cluster bootstrap: p values that hold with a handful of clusters.

The residuals of whole clusters are turned by random weights, with the null imposed. It needs no
more than the clusters' sums, and with few clusters every draw there is can be looked at.

Sources: Cameron, Gelbach & Miller (2008), Review of Economics and Statistics 90:414; Webb (2023),
Canadian J. Economics 56:839, for the six-point weights with very few clusters; Roodman, MacKinnon,
Nielsen & Webb (2019), Stata Journal 19:4, for the form by sums.
"""

from __future__ import annotations

from collections.abc import Generator
from itertools import product

import numpy as np

from dynostats.analysis.regression.clusters import ClusterSums, asked_of, bread_of
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
# So many numbers are held at a time.
BLOCK = 4_000_000


def wild_p_values(
    sums: ClusterSums, *, wanted: Floats | None = None, draws: int = DRAWS, seed: int = SEED
) -> Floats:
    """Return the two-sided p value of each thing asked being zero, shape (wanted,).

    Every draw is looked at where there are few enough clusters, so that the p value is exact;
    otherwise `draws` random ones, and the observed one counts among them.

    Args:
        sums: The rows, summed by cluster.
        wanted: As in `fit_clusters`.
        draws: Random draws, where not all can be looked at.
        seed: Seed of the random draws.

    Raises:
        AnalysisError: As in `fit_clusters`.
    """
    bread = bread_of(sums)
    beta = bread @ sums.moments.sum(axis=0)
    exact = _all_draws(len(sums)) is not None
    found: list[float] = []
    for asked in asked_of(sums, wanted):
        limit = _statistics(sums, bread, asked, beta, np.ones((1, len(sums))))[0]
        along = bread @ asked
        null = beta - along * (asked @ beta) / (asked @ along)
        as_extreme = count = 0
        for weights in _weights(len(sums), draws=draws, seed=seed):
            as_extreme += int(
                (_statistics(sums, bread, asked, null, weights) >= TIED * limit).sum()
            )
            count += len(weights)
        found.append(as_extreme / count if exact else (1 + as_extreme) / (1 + count))
    return np.array(found)


def _all_draws(clusters: int) -> Floats | None:
    """Return every draw there is, shape (draws, clusters); None where there are too many."""
    points = _points(clusters)
    if len(points) ** clusters > MOST_DRAWS:
        return None
    return np.array(list(product(points, repeat=clusters)))


def _points(clusters: int) -> tuple[float, ...]:
    return WEBB if clusters < FEW_CLUSTERS else RADEMACHER


def _weights(clusters: int, *, draws: int, seed: int) -> Generator[Floats]:
    """Hand out the clusters' weights, some draws at a time, each of shape (draws, clusters)."""
    size = max(1, BLOCK // clusters)
    whole = _all_draws(clusters)
    if whole is not None:
        yield from np.array_split(whole, -(-len(whole) // size))
        return
    rng = np.random.default_rng(seed)
    points = np.array(_points(clusters))
    for start in range(0, draws, size):
        yield rng.choice(points, size=(min(size, draws - start), clusters))


def _statistics(
    sums: ClusterSums, bread: Floats, asked: Floats, beta: Floats, weights: Floats
) -> Floats:
    """Return |what is asked| over its robust error in each draw, shape (draws,).

    The error is not corrected for few clusters: the same factor would stand on both sides.

    Args:
        sums: The rows, summed by cluster.
        bread: Inverse of their cross-products.
        asked: Shape (columns,).
        beta: Coefficients whose residuals are weighted; what is asked is zero in them, or the
            weights are one and they are the fit.
        weights: Shape (draws, clusters).
    """
    scores = sums.moments - sums.products @ beta
    along = bread @ asked
    moved = weights @ scores
    refitted = moved @ bread
    if sums.level is not None:  # each level has a column of its own, of unit length
        refitted[:, 0] = 0.0
    spread = weights * (scores @ along) - refitted @ (sums.products @ along).T
    if sums.level is not None:
        by_level = np.zeros((int(sums.level.max()) + 1, len(weights)))
        np.add.at(by_level, sums.level, (weights * scores[:, 0]).T)
        spread = spread - by_level[sums.level].T * (sums.products[:, 0] @ along)
    estimate = np.abs(refitted @ asked + (asked @ beta))
    return estimate / np.sqrt((spread**2).sum(axis=1))
