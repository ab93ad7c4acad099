"""Groups of clusters that each keep a level of their own: sessions, above the pulls in them.

The levels are taken out of the sums instead of fitted as columns: a thousand sessions cost no more
than one. The clusters within a group then share its mean, and the adjustment of residuals and the
degrees of freedom know of it; they are what columns of ones and zeros for the groups would give.

Source: Frisch & Waugh (1933), Econometrica 1:387; Lovell (1963), J. American Statistical
Association 58:993.
"""

from __future__ import annotations

import numpy as np

from dynostats.analysis.regression.clusters import ClusterSums
from dynostats.arrays import Floats, Ints


def within_levels(sums: ClusterSums, level: Ints) -> ClusterSums:
    """Take each group's mean out of the sums of its clusters.

    Args:
        sums: The rows, summed by cluster; the first column is one in every row.
        level: Number of each cluster's group, from 0 with none left out, shape (clusters,).

    Returns:
        Sums in which the first column is the level's, and the others lie about their group's mean.
    """
    rows = sums.rows.astype(np.float64)
    whole = level_totals(rows, level)
    total, response = sums.products[:, 0, 1:], sums.moments[:, 0]
    mean = (level_totals(total, level) / whole[:, None])[level]
    mean_response = (level_totals(response, level) / whole)[level]
    inner = (
        sums.products[:, 1:, 1:]
        - total[:, :, None] * mean[:, None, :]
        - mean[:, :, None] * total[:, None, :]
        + rows[:, None, None] * mean[:, :, None] * mean[:, None, :]
    )
    left, left_response = total - rows[:, None] * mean, response - rows * mean_response
    moments = sums.moments[:, 1:] - total * mean_response[:, None] - mean * left_response[:, None]
    root = np.sqrt(whole)[level]
    products = np.empty_like(sums.products)
    products[:, 0, 0] = rows / whole[level]
    products[:, 0, 1:] = products[:, 1:, 0] = left / root[:, None]
    products[:, 1:, 1:] = inner
    return ClusterSums(
        products=products,
        moments=np.column_stack((left_response / root, moments)),
        squares=sums.squares - 2.0 * mean_response * response + rows * mean_response**2,
        rows=sums.rows,
        level=level,
    )


def about_levels(values: Floats, level: Ints) -> Floats:
    """Return rows less the mean of their group, shape as given.

    Args:
        values: Shape (rows,) or (rows, columns).
        level: Number of each row's group, from 0, shape (rows,).
    """
    count = np.bincount(level).astype(np.float64)
    means = (level_totals(values, level).T / count).T
    return values - means[level]


def level_totals(values: Floats, level: Ints) -> Floats:
    """Return each group's totals, shape (groups,) or (groups, columns).

    Args:
        values: Shape (rows,) or (rows, columns).
        level: Number of each row's group, from 0, shape (rows,).
    """
    total = np.zeros((int(level.max()) + 1, *values.shape[1:]))
    np.add.at(total, level, values)
    return total
