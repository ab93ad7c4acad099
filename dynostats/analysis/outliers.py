"""Pulls unlike the others of their setup: labelled, and kept out of what the noise is learned from.

They are never dropped from the answer itself: that is a person's decision (`exclude`).
"""

from __future__ import annotations

import numpy as np
from scipy.stats import f as f_distribution

from dynostats.analysis.curve_set import CurveSet
from dynostats.arrays import Flags, Floats, Ints

# Both limits must be passed: far beyond what the F distribution allows, and three times the usual
# spread, so that noise with heavy tails is not trimmed into looking quiet.
OUTLYING_P = 1e-4
OUTLYING_RATIO = 10.0
# Two pulls of a pair lie equally far from their mean, but for rounding.
TIED = 1.0 - 1e-9
# A speed that this share of an engine's pulls cover is one that its pulls usually cover.
MOST_OF_THEM = 0.7
# With fewer repeated pulls than this no pull can be called unusual.
LEAST_PULLS = 8
# Median of the chi-square distribution with one degree of freedom.
CHI_SQUARE_MEDIAN = 0.4549364


def find_outlying(curves: CurveSet) -> Flags:
    """Flag the pulls that lie far from the other pulls of their setup in their session.

    Args:
        curves: All pulls in scope.

    Returns:
        Shape (pulls,). In a pair both are flagged: nothing tells which of the two is odd. The
        typical spread at each speed is a median over pulls, which a few bad pulls do not move.
    """
    flags = np.zeros(len(curves), dtype=np.bool_)
    while True:
        ratio, limit = _ratios(curves, ~flags)
        ratio = np.nan_to_num(ratio, nan=0.0)
        cells = _cells(curves)
        worst = [
            row
            for rows in cells.values()
            for row in rows
            if ratio[row] > limit and ratio[row] >= TIED * max(ratio[rows])
        ]
        if not worst:
            return flags
        # Only the worst of each cell at a time: it has moved the mean that the others stand off.
        flags[worst] = True


def find_short(curves: CurveSet) -> Flags:
    """Flag the pulls that cover less than most pulls of their engine do.

    A difference between pulls is known only where all of them are, so one that ended early would
    hide what the rest tell.

    Returns:
        Shape (pulls,): True where a speed is missing that most pulls of the engine cover.
    """
    covered = np.isfinite(curves.log_torque)
    flags = np.zeros(len(curves), dtype=np.bool_)
    for name in set(curves.engine):
        rows = np.array([label == name for label in curves.engine])
        usual = covered[rows].mean(axis=0) >= MOST_OF_THEM
        flags |= rows & ~np.all(covered | ~usual, axis=1)
    return flags


def _ratios(curves: CurveSet, kept: Flags) -> tuple[Floats, float]:
    """Return each pull's mean square over the typical one, NaN where alone, and the limit."""
    residual = _by_own_scale(_residuals(curves, kept), curves.engine)
    repeated: Flags = np.any(np.isfinite(residual), axis=1)
    ratio = np.full(len(curves), np.nan)
    if repeated.sum() < LEAST_PULLS:
        return ratio, np.inf
    squares = residual[repeated] ** 2
    seen: Flags = np.any(np.isfinite(squares), axis=0)
    typical: Floats = np.nanmedian(squares[:, seen], axis=0) / CHI_SQUARE_MEDIAN
    ratio[repeated] = np.nanmean(squares[:, seen] / np.maximum(typical, 1e-6), axis=1)
    # A band mean of squares is worth at least the two degrees of freedom of a level and a slope.
    allowed = float(f_distribution.isf(OUTLYING_P, 2.0, 2.0 * int(repeated.sum()) - 2.0))
    return ratio, max(allowed, OUTLYING_RATIO)


def _by_own_scale(residual: Floats, engine: list[str]) -> Floats:
    """Scale engines with enough repeats by their own median: a noisier one is not outlying."""
    squares = residual**2
    alone: Flags = np.all(np.isnan(residual), axis=1)
    level: Floats = np.nanmean(np.where(alone[:, None], 0.0, squares), axis=1)
    scaled = residual.copy()
    usual = float(np.median(level[~alone])) if not alone.all() else 0.0
    for name in set(engine):
        rows = np.array([label == name for label in engine]) & ~alone
        if rows.any():
            # Few repeats tell little of their engine's scale: it is not taken below the usual one.
            floor = usual if rows.sum() < LEAST_PULLS else 0.0
            scaled[rows] /= np.sqrt(max(float(np.median(level[rows])), floor, 1e-12))
    return scaled


def _cells(curves: CurveSet) -> dict[tuple[str, str, str], Ints]:
    """Return the rows of each setup in each session of each engine."""
    cells: dict[tuple[str, str, str], list[int]] = {}
    for row, key in enumerate(zip(curves.engine, curves.session, curves.setup, strict=True)):
        cells.setdefault(key, []).append(row)
    return {key: np.array(rows, dtype=np.intp) for key, rows in cells.items()}


def _residuals(curves: CurveSet, kept: Flags) -> Floats:
    """Return each kept pull less its cell's mean, scaled to the spread of one; NaN if alone."""
    residual = np.full_like(curves.log_torque, np.nan)
    for members in _cells(curves).values():
        rows = members[kept[members]]
        if len(rows) > 1:
            own = curves.log_torque[rows]
            residual[rows] = (own - own.mean(axis=0)) / np.sqrt(1.0 - 1.0 / len(rows))
    return residual
