"""Orthonormal columns of a formula's space: no digits are lost to columns that are alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dynostats.analysis.regression import refusals
from dynostats.analysis.regression.clusters import ClusterSums, sum_clusters
from dynostats.analysis.regression.formula import INTERCEPT, Design
from dynostats.analysis.regression.levels import about_levels
from dynostats.analysis.regression.structure import Structure, codes, require_nested
from dynostats.arrays import Floats, Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Basis:
    """Orthonormal columns of the formula's space, levels taken out.

    Args:
        names: What each coefficient is.
        columns: Shape (rows, columns).
        back: What turns coefficients of them into the formula's, shape (columns, columns).
        response: Shape (rows,), levels taken out.
        level: Number of each row's level; None for none.
    """

    names: tuple[str, ...]
    columns: Floats
    back: Floats
    response: Floats
    level: Ints | None

    def sums(self, clusters: Ints) -> ClusterSums:
        """Return the sums of each cluster."""
        if self.level is None:
            return sum_clusters(self.columns, self.response, clusters)
        root = 1.0 / np.sqrt(np.bincount(self.level))
        summed = sum_clusters(
            np.column_stack((root[self.level], self.columns)), self.response, clusters
        )
        above = np.zeros(len(summed), dtype=np.intp)
        above[clusters] = self.level
        return ClusterSums(
            products=summed.products,
            moments=summed.moments,
            squares=summed.squares,
            rows=summed.rows,
            level=above,
        )


def basis_of(design: Design, shared: Structure | None) -> Basis:
    """Return the orthonormal columns of a design.

    Args:
        design: The design.
        shared: Which rows share what; None to take no levels out.

    Raises:
        InputError: A cluster lies in several levels.
        AnalysisError: A column does not vary within the levels, or follows from others.
    """
    names, columns, response, level = design.names, design.columns, design.response, None
    if shared is not None and shared.within:
        level = codes(design.frame, shared.within)
        require_nested(design.frame, shared)
        before = np.linalg.norm(columns - columns.mean(axis=0), axis=0)
        columns, response = about_levels(columns, level), about_levels(response, level)
        after = np.linalg.norm(columns, axis=0)
        refusals.require_inside(names, before, after, within=shared.within)
    elif design.intercept:
        names = (INTERCEPT, *names)
        columns = np.column_stack((np.ones(len(columns)), columns))
    levels = 0 if level is None else int(level.max()) + 1
    refusals.require_spare(len(response), len(names), levels)
    length = np.linalg.norm(columns, axis=0)
    refusals.require_independent(names, columns / length)
    basis, upper = np.linalg.qr(columns / length)
    back = np.linalg.inv(upper) / length[:, None]
    return Basis(names=names, columns=basis, back=back, response=response, level=level)
