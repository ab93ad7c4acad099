"""The adjustment of residuals for few clusters (CR2), and the degrees of freedom it leaves.

Sources: Bell & McCaffrey (2002), Survey Methodology 28:169; Pustejovsky & Tipton (2018), J.
Business & Economic Statistics 36:672, for the form used here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dynostats.arrays import Floats, Ints

# A direction that a cluster determines alone to this share has no residual there.
ALONE = 1.0 - 1e-10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Adjustment:
    """The adjustment (I - H_gg)^(-1/2) of each cluster, by the sums alone.

    With M = L L' the inverse of the cross-products, L' S_g L has the squared singular values of
    X_g L: in its eigenvectors the adjustment is diagonal, whatever the number of rows.
    """

    root: Floats
    inverse_root: Floats
    vectors: Floats
    leverage: Floats

    @classmethod
    def of(cls, products: Floats, bread: Floats) -> Adjustment:
        """Return the adjustments, from each cluster's cross-products and their whole's inverse."""
        root = np.asarray(np.linalg.cholesky(bread), dtype=np.float64)
        leverage, vectors = np.linalg.eigh(root.T @ products @ root)
        inverse = np.asarray(np.linalg.inv(root), dtype=np.float64)
        return cls(
            root=root,
            inverse_root=inverse.T,
            vectors=vectors,
            leverage=np.clip(leverage, 0.0, 1.0),
        )

    def _stretch(self) -> Floats:
        """Return (1 - leverage)^(-1/2), zero where a cluster has no residual left."""
        free = np.where(self.leverage < ALONE, 1.0 - self.leverage, np.inf)
        return 1.0 / np.sqrt(free)

    def scores(self, scores: Floats) -> Floats:
        """Return X_g' A_g e_g of each cluster, from X_g' e_g."""
        rotated = (scores @ self.root)[:, None, :] @ self.vectors
        inside = self.vectors @ (rotated * self._stretch()[:, None, :]).transpose(0, 2, 1)
        return inside[:, :, 0] @ self.inverse_root.T

    def satterthwaite(self, asked: Floats, level: Ints | None) -> tuple[Floats, Floats]:
        """Return degrees of freedom and share told of the variance of each thing asked.

        (sum of eigenvalues)^2 / sum of squared eigenvalues of the quadratic form that the variance
        is, were errors independent with one variance. Its trace is then that variance, but for
        directions that one cluster determines alone.

        Args:
            asked: Shape (wanted, columns).
            level: As in `ClusterSums`.
        """
        stretch = self._stretch()
        # A row for each thing asked, in the coordinates of L, and in each cluster's own.
        rows = asked @ self.root
        turned = rows @ self.vectors
        own = (turned**2 * (self.leverage * stretch**2)[:, None, :]).sum(axis=2)
        along = (turned * (self.leverage * stretch)[:, None, :]) @ self.vectors.transpose(0, 2, 1)
        mixed = (along**2).sum(axis=2)
        trace = own.sum(axis=0) - mixed.sum(axis=0)
        squares = (own**2).sum(axis=0) - 2.0 * (own * mixed).sum(axis=0)
        squares = squares + _squares_of_pairs(along, level)
        return trace**2 / squares, trace / (rows**2).sum(axis=1)


def _squares_of_pairs(along: Floats, level: Ints | None) -> Floats:
    """Return the sum over pairs of clusters of their squared inner products, shape (wanted,).

    Args:
        along: Shape (clusters, wanted, columns).
        level: Of each cluster, shape (clusters,): the first column then only counts in pairs of
            one level, for it stands for a column of its own in each.
    """
    if level is None:
        return _squared_gram(along)
    constant, others = along[:, :, 0], along[:, :, 1:]
    by_level = np.zeros((int(level.max()) + 1, *along.shape[1:]))
    np.add.at(by_level, level, constant[:, :, None] * along)
    return (
        _squared_gram(others)
        + (by_level[:, :, 0] ** 2).sum(axis=0)
        + 2.0 * (by_level[:, :, 1:] ** 2).sum(axis=(0, 2))
    )


def _squared_gram(along: Floats) -> Floats:
    by_asked = along.transpose(1, 0, 2)
    shared = by_asked.transpose(0, 2, 1) @ by_asked
    return (shared**2).sum(axis=(1, 2))
