"""A regression from sums that a database took: what a million rows come to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations_with_replacement

import numpy as np
import polars as pl

from dynostats.analysis.regression import refusals
from dynostats.analysis.regression.clustered import Asked, of_clusters
from dynostats.analysis.regression.clusters import ClusterSums, fit_clusters
from dynostats.analysis.regression.formula import INTERCEPT
from dynostats.analysis.regression.levels import within_levels
from dynostats.analysis.regression.result import Regression
from dynostats.analysis.regression.structure import codes
from dynostats.arrays import Floats

# Cross-products of columns of unit length worse conditioned than this are left to the rows, whose
# columns can be made orthogonal: sums would lose more than five of sixteen digits.
WORST_CONDITION = 1e5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Summed:
    """Sums of products of columns over clusters: one, the terms, and the response last.

    Args:
        frame: One row a cluster: cluster, level where there is one, rows, and `s0`, `s1` … for each
            pair of columns, in the order of `combinations_with_replacement`, all but the first less
            its centre.
        centres: What was taken off each of them.
        terms: Names of the terms.
    """

    frame: pl.DataFrame
    centres: Sequence[float]
    terms: tuple[str, ...]

    def whole(self) -> ClusterSums:
        """Return them as cross-products and moments."""
        size = len(self.terms) + 2
        products = np.empty((self.frame.height, size, size))
        for at, (i, j) in enumerate(combinations_with_replacement(range(size), 2)):
            products[:, i, j] = products[:, j, i] = self.frame[f"s{at}"].to_numpy()
        return ClusterSums(
            products=products[:, :-1, :-1],
            moments=products[:, :-1, -1],
            squares=products[:, -1, -1],
            rows=self.frame["rows"].to_numpy().astype(np.intp),
        )


def regress_sums(summed: Summed, asked: Asked) -> Regression | None:
    """Regress with cluster-robust errors (CR2, Satterthwaite).

    Args:
        summed: The sums.
        asked: What was asked.

    Returns:
        The regression; None where only the rows themselves can tell: the columns are nearly or
        wholly dependent, or do not vary.

    Raises:
        AnalysisError: There are too few clusters, or one alone determines a coefficient.
    """
    shared = asked.structure
    refusals.require_clusters(summed.frame.height, shared.by)
    sums, size = summed.whole(), len(summed.terms)
    if shared.within:
        sums = within_levels(sums, codes(summed.frame, "level"))
    if not _sound(sums.products.sum(axis=0)[-size:, -size:]) or sums.spare < 1:
        return None
    if shared.within:
        fit, names = fit_clusters(sums), summed.terms
    else:
        *centres, middle = summed.centres
        back = np.eye(size + 1)
        back[0, 1:] = [-centre for centre in centres]
        fit, names = fit_clusters(sums, wanted=back), (INTERCEPT, *summed.terms)
        fit = replace(fit, coefficients=fit.coefficients + middle * (np.arange(size + 1) == 0))
    return of_clusters(fit, names, asked, spare=sums.spare)


def _sound(products: Floats) -> bool:
    length = np.sqrt(np.diag(products))
    if not (length > 0).all():
        return False
    return bool(np.linalg.cond(products / np.outer(length, length)) < WORST_CONDITION)
