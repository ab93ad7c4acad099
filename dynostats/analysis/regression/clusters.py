"""Least squares whose standard errors allow for errors that a cluster has in common.

Everything is computed from sums over each cluster: cross-products of the columns, and of the
columns with the response. They can be taken in memory or by a database, and a million rows cost no
more here than their clusters do.

Sources: Bell & McCaffrey (2002), Survey Methodology 28:169, for the adjusted residuals (CR2) and
the degrees of freedom; Pustejovsky & Tipton (2018), J. Business & Economic Statistics 36:672, for
the form used here; Liang & Zeger (1986), Biometrika 73:13, for CR0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import stdtr, stdtrit

from dynostats.analysis.regression.adjustment import Adjustment
from dynostats.arrays import Floats, Ints
from dynostats.errors import AnalysisError

Kind = Literal["CR0", "CR1", "CR1S", "CR2"]

# Columns of unit length whose cross-products are worse conditioned than this lose more than six
# of sixteen digits in the sums.
WORST_CONDITION = 1e10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClusterSums:
    """What a regression needs of its rows, summed over each cluster.

    Args:
        products: Cross-products of the columns, shape (clusters, columns, columns).
        moments: Of the columns with the response, shape (clusters, columns).
        squares: Sum of squares of the response, shape (clusters,).
        rows: Number of rows, shape (clusters,).
        level: Where clusters lie in larger groups, each with a level of its own that is taken out
            (`within_levels`): number of each cluster's group, from 0, shape (clusters,). The first
            column is then the level's, one over the root of the group's rows, and no coefficient.
    """

    products: Floats
    moments: Floats
    squares: Floats
    rows: Ints
    level: Ints | None = None

    def __len__(self) -> int:
        """Return the number of clusters."""
        return len(self.rows)

    @property
    def columns(self) -> int:
        """Return the number of columns that have a coefficient."""
        return self.moments.shape[1] - (self.level is not None)

    @property
    def spare(self) -> int:
        """Return how many rows there are beyond the coefficients and levels that are fitted."""
        levels = 0 if self.level is None else int(self.level.max()) + 1
        return int(self.rows.sum()) - self.columns - levels


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClusterFit:
    """Coefficients with their cluster-robust covariance.

    Args:
        coefficients: Shape (columns,).
        covariance: Shape (columns, columns).
        df: Degrees of freedom of each standard error, shape (columns,): Satterthwaite's for CR2,
            clusters less one for the others.
        kind: Which correction for few clusters.
        clusters: Number of clusters.
        rows: Number of rows.
        residual_squares: Sum of squared residuals.
        told: Share of each coefficient's variance that the clusters tell, were errors independent,
            shape (columns,): below 1, a part rests on what one cluster alone determines, and the
            standard error knows nothing of that part. 1 for kinds but CR2, which do not look.
    """

    coefficients: Floats
    covariance: Floats
    df: Floats
    kind: Kind
    clusters: int
    rows: int
    residual_squares: float
    told: Floats

    @property
    def standard_errors(self) -> Floats:
        """Return the standard errors, shape (columns,)."""
        return np.sqrt(np.diag(self.covariance))

    def interval(self, level: float = 0.95) -> tuple[Floats, Floats]:
        """Return lower and upper bounds of each coefficient, by Student's t with its own df."""
        half = stdtrit(self.df, 0.5 + level / 2.0) * self.standard_errors
        return self.coefficients - half, self.coefficients + half

    def p_values(self) -> Floats:
        """Return the two-sided p value of each coefficient being zero, shape (columns,)."""
        return 2.0 * stdtr(self.df, -np.abs(self.coefficients) / self.standard_errors)


def sum_clusters(columns: Floats, response: Floats, cluster: Ints) -> ClusterSums:
    """Sum the rows of each cluster.

    Args:
        columns: Shape (rows, columns).
        response: Shape (rows,).
        cluster: Number of each row's cluster, any integers, shape (rows,).
    """
    order = np.argsort(cluster, kind="stable")
    ordered = cluster[order]
    starts = np.flatnonzero(np.diff(ordered, prepend=ordered[:1] - 1))
    X, y = columns[order], response[order]
    return ClusterSums(
        products=np.add.reduceat(X[:, :, None] * X[:, None, :], starts),
        moments=np.add.reduceat(X * y[:, None], starts),
        squares=np.add.reduceat(y * y, starts),
        rows=np.diff(starts, append=len(y)),
    )


def fit_clusters(
    sums: ClusterSums, *, kind: Kind = "CR2", wanted: Floats | None = None
) -> ClusterFit:
    """Fit by least squares, with a covariance that holds when errors within a cluster are alike.

    Args:
        sums: The rows, summed by cluster. For weights, multiply rows by the roots of the weights
            before summing: CR2 then takes the weights for inverse variances.
        kind: "CR2" corrects for few clusters and for leverage, with Satterthwaite's degrees of
            freedom; "CR0" not at all; "CR1" by G / (G - 1); "CR1S" by G (N - 1) / (G - 1)(N - k).
        wanted: Shape (wanted, columns): what is asked of the coefficients, a row each; None for
            the coefficients themselves. So columns may be centred or made orthogonal beforehand.

    Raises:
        AnalysisError: There are fewer than two clusters, or the columns are so nearly dependent
            that sums cannot tell them apart.
    """
    if len(sums) < 2:
        raise AnalysisError(
            f"a regression with cluster-robust errors needs two clusters; there is {len(sums)}",
            mend="Use rows of more pulls, or another column for the clusters.",
        )
    bread = bread_of(sums)
    beta = bread @ sums.moments.sum(axis=0)
    asked = asked_of(sums, wanted)
    scores = sums.moments - sums.products @ beta
    df, told = np.full(len(asked), len(sums) - 1.0), np.ones(len(asked))
    if kind == "CR2":
        adjusted = Adjustment.of(sums.products, bread)
        scores = adjusted.scores(scores)
        df, told = adjusted.satterthwaite(asked, sums.level)
    rows = int(sums.rows.sum())
    reach = asked @ bread
    return ClusterFit(
        coefficients=asked @ beta,
        covariance=reach @ (scores.T @ scores) @ reach.T * _factor(kind, sums),
        df=df,
        kind=kind,
        clusters=len(sums),
        rows=rows,
        residual_squares=float(sums.squares.sum() - beta @ sums.moments.sum(axis=0)),
        told=told,
    )


def bread_of(sums: ClusterSums) -> Floats:
    """Return the inverse of the whole cross-products, shape (columns, columns).

    A level's column is orthogonal to the others and of unit length in each group.

    Raises:
        AnalysisError: As in `fit_clusters`.
    """
    whole = sums.products.sum(axis=0)
    if sums.level is None:
        return _inverse(whole)
    bread = np.eye(len(whole))
    bread[1:, 1:] = _inverse(whole[1:, 1:])
    return bread


def asked_of(sums: ClusterSums, wanted: Floats | None) -> Floats:
    """Return what is asked of the coefficients, with a zero for the level's column if any."""
    asked = np.eye(sums.columns) if wanted is None else wanted
    return asked if sums.level is None else np.pad(asked, ((0, 0), (1, 0)))


def _factor(kind: Kind, sums: ClusterSums) -> float:
    groups, rows = len(sums), float(sums.rows.sum())
    if kind in {"CR0", "CR2"}:
        return 1.0
    few = groups / (groups - 1.0)
    return few if kind == "CR1" else few * (rows - 1.0) / sums.spare


def _inverse(products: Floats) -> Floats:
    """Invert cross-products, after scaling the columns to unit length."""
    length = np.sqrt(np.diag(products))
    if not (length > 0).all():
        raise AnalysisError(
            "a column of the regression is zero in every row",
            mend="Leave it out: nothing can be learned of it.",
        )
    scaled = products / np.outer(length, length)
    if np.linalg.cond(scaled) > WORST_CONDITION:
        raise AnalysisError(
            "the columns of the regression are so nearly dependent that they cannot be told apart",
            mend="Leave one of them out, or centre columns that hardly vary beside their size.",
        )
    return np.linalg.inv(scaled) / np.outer(length, length)
