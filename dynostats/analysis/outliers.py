"""Pulls unlike the others of their setup: labelled, and kept out of what the noise is learned from.

They are never dropped from the answer itself: that is a person's decision (`exclude`).
"""

from __future__ import annotations

import numpy as np
from scipy.stats import f as f_distribution

from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.groups import medians, number, runs_of
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
    engines = number(curves.engine)
    cells = number(engines, curves.session, curves.setup)
    place = np.argsort(cells, kind="stable")
    while True:
        rows = place[~flags[place]]
        count = np.bincount(cells[rows], minlength=int(cells.max(initial=0)) + 1)
        rows = rows[count[cells[rows]] > 1]
        ratio, limit = _ratios(curves.log_torque[rows], cells[rows], engines[rows])
        ratio = np.nan_to_num(ratio, nan=0.0)
        if not (ratio > limit).any():
            return flags
        starts = runs_of(cells[rows])
        largest = np.repeat(np.maximum.reduceat(ratio, starts[:-1]), np.diff(starts))
        # Only the worst of each cell at a time: it has moved the mean that the others stand off.
        flags[rows[(ratio > limit) & (ratio >= TIED * largest)]] = True


def find_short(curves: CurveSet) -> Flags:
    """Flag the pulls that cover less than most pulls of their engine do.

    A difference between pulls is known only where all of them are, so one that ended early would
    hide what the rest tell.

    Returns:
        Shape (pulls,): True where a speed is missing that most pulls of the engine cover.
    """
    covered = np.isfinite(curves.log_torque)
    if covered.all():
        return np.zeros(len(curves), dtype=np.bool_)
    engines = number(curves.engine)
    place = np.argsort(engines, kind="stable")
    starts = runs_of(engines[place])
    share = np.add.reduceat(covered[place].astype(np.float64), starts[:-1], axis=0)
    usual = share / np.diff(starts)[:, None] >= MOST_OF_THEM
    return ~np.all(covered | ~usual[engines], axis=1)


def _ratios(logs: Floats, cells: Ints, engines: Ints) -> tuple[Floats, float]:
    """Return each pull's mean square over the typical one, NaN where not known, and the limit.

    Args:
        logs: Curves of the pulls that are not alone in their cell, cell by cell.
        cells: Number of each one's cell.
        engines: Number of each one's engine.
    """
    ratio = np.full(len(logs), np.nan)
    if len(logs) < LEAST_PULLS:
        return ratio, np.inf
    squares = _squares(logs, cells)
    known: Flags = np.any(np.isfinite(squares), axis=1)
    if known.sum() < LEAST_PULLS:
        return ratio, np.inf
    squares, engines = squares[known], engines[known]
    squares /= _scale(np.nanmean(squares, axis=1), engines)[:, None]
    seen: Flags = np.any(np.isfinite(squares), axis=0)
    squares = squares[:, seen]
    typical = _column_medians(squares) / CHI_SQUARE_MEDIAN
    ratio[known] = np.nanmean(squares / np.maximum(typical, 1e-6), axis=1)
    # A band mean of squares is worth at least the two degrees of freedom of a level and a slope.
    allowed = float(f_distribution.isf(OUTLYING_P, 2.0, 2.0 * int(known.sum()) - 2.0))
    return ratio, max(allowed, OUTLYING_RATIO)


def _squares(logs: Floats, cells: Ints) -> Floats:
    """Return squares of each pull less its cell's mean, scaled to the spread of one."""
    starts = runs_of(cells)
    size = np.diff(starts)
    mean = np.add.reduceat(logs, starts[:-1], axis=0) / size[:, None]
    away = logs - np.repeat(mean, size, axis=0)
    away *= away
    away /= np.repeat(1.0 - 1.0 / size, size)[:, None]
    return away


def _scale(level: Floats, engines: Ints) -> Floats:
    """Return what to scale each pull's squares by: a noisier engine's are not outlying.

    Few repeats tell little of their engine's scale: it is not taken below the usual one.
    """
    usual = float(np.median(level))
    own = medians(level, engines)
    few = np.bincount(engines) < LEAST_PULLS
    return np.maximum(np.where(few, np.fmax(own, usual), own), 1e-12)[engines]


def _column_medians(values: Floats) -> Floats:
    columns = np.ascontiguousarray(values.T)
    whole = np.isfinite(columns).all()
    return np.median(columns, axis=1) if whole else np.nanmedian(columns, axis=1)
