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
# The typical spread is the median of at most so many pulls, taken evenly from all of them: its
# standard error at one speed is then 2%, where the limit is ten times the spread.
MOST_FOR_TYPICAL = 16_384
# Where fewer of those cover a speed, all pulls that do are taken: engines of a range of their own.
LEAST_FOR_TYPICAL = 1_024


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
    rows = np.argsort(cells, kind="stable")
    rows = rows[np.bincount(cells)[cells[rows]] > 1]
    squares = _squares(curves.log_torque[rows], cells[rows])
    while True:
        ratio, limit = _ratios(squares, engines[rows])
        starts = runs_of(cells[rows])
        largest = np.repeat(np.maximum.reduceat(ratio, starts[:-1]), np.diff(starts))
        # Only the worst of each cell at a time: it has moved the mean that the others stand off.
        worst = (ratio > limit) & (ratio >= TIED * largest)
        if not worst.any():
            return flags
        flags[rows[worst]] = True
        changed = np.isin(cells[rows], cells[rows[worst]])
        alone = np.bincount(cells[rows[~worst]], minlength=len(cells))[cells[rows]] < 2
        kept = ~worst & ~alone
        rows, squares, changed = rows[kept], squares[kept], changed[kept]
        squares[changed] = _squares(curves.log_torque[rows[changed]], cells[rows[changed]])


def find_short(curves: CurveSet) -> Flags:
    """Flag the pulls that cover less than most pulls of their engine do.

    A difference between pulls is known only where all of them are, so one that ended early would
    hide what the rest tell.

    Returns:
        Shape (pulls,): True where a speed is missing that most pulls of the engine cover. Where
        each pull of an engine lacks some, none is short: what all of them cover still tells.
    """
    covered = np.isfinite(curves.log_torque)
    if covered.all():
        return np.zeros(len(curves), dtype=np.bool_)
    engines = number(curves.engine)
    place = np.argsort(engines, kind="stable")
    starts = runs_of(engines[place])
    share = np.add.reduceat(covered[place].astype(np.float64), starts[:-1], axis=0)
    usual = share / np.diff(starts)[:, None] >= MOST_OF_THEM
    short: Flags = ~np.all(covered | ~usual[engines], axis=1)
    whole = np.bincount(engines[~short], minlength=len(usual)) > 0
    return short & whole[engines]


def _ratios(squares: Floats, engines: Ints) -> tuple[Floats, float]:
    """Return each pull's mean square over the typical one, 0 where not known, and the limit.

    Args:
        squares: Of the pulls that are not alone in their cell, see `_squares`.
        engines: Number of each one's engine.
    """
    covered = np.isfinite(squares)
    speeds = covered.sum(axis=1)
    known = speeds > 0
    pulls = int(known.sum())
    if pulls < LEAST_PULLS:
        return np.zeros(len(squares)), np.inf
    squares, speeds = np.where(covered, squares, 0.0), np.maximum(speeds, 1)
    scale = np.ones(len(squares))
    scale[known] = _scale((squares.sum(axis=1) / speeds)[known], engines[known])
    typical = _typical(squares, covered, scale)
    ratio = (squares @ (1.0 / typical)) / speeds / scale
    # A band mean of squares is worth at least the two degrees of freedom of a level and a slope.
    allowed = float(f_distribution.isf(OUTLYING_P, 2.0, 2.0 * pulls - 2.0))
    return ratio, max(allowed, OUTLYING_RATIO)


def _typical(squares: Floats, covered: Flags, scale: Floats) -> Floats:
    """Return the variance that is usual at each speed, in scales; infinite where none is known."""
    some = np.unique(np.linspace(0, len(squares) - 1, MOST_FOR_TYPICAL).astype(np.intp))
    median = _medians_where(covered[some], squares[some] / scale[some, None])
    few = covered[some].sum(axis=0) < LEAST_FOR_TYPICAL
    if len(some) < len(squares) and few.any():
        rows = covered[:, few].any(axis=1)
        median[few] = _medians_where(
            covered[rows][:, few], squares[rows][:, few] / scale[rows, None]
        )
    return np.maximum(median / CHI_SQUARE_MEDIAN, 1e-6)


def _medians_where(covered: Flags, values: Floats) -> Floats:
    """Return the median of each column's covered values; infinite where there is none."""
    if not len(values):
        return np.full(values.shape[1], np.inf)
    ordered = np.sort(np.where(covered, values, np.inf).T, axis=1)
    count = covered.sum(axis=0)
    at = np.arange(len(ordered))
    return (ordered[at, np.maximum(count - 1, 0) // 2] + ordered[at, count // 2]) / 2.0


def _squares(logs: Floats, cells: Ints) -> Floats:
    """Return squares of each pull less its cell's mean, scaled to the spread of one.

    Args:
        logs: Curves of pulls that are not alone in their cell, cell by cell.
        cells: Number of each one's cell.
    """
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
