"""Tests held step by step: engine speed stands still at a few levels and jumps between them."""

from __future__ import annotations

import numpy as np

from dynostats.arrays import Floats, Ints

# Fewer levels than this are a sweep with a hold before or after it.
LEAST_LEVELS = 4
# Over a 40th of the rows a sweep always moves; a step test mostly does not.
REACH_SHARE = 40
STILL_SHARE = 0.35
# A row further from its level than this, or than six times the usual distance (four standard
# deviations of a speed that hunts), is on its way to the next one.
LEAST_WIDTH_RPM = 15.0
HUNTING_WIDTH = 6.0


def find_levels(speed: Floats) -> Floats:
    """Return the levels at which engine speed was held, rising; empty for a sweep.

    Args:
        speed: Engine speed by row, shape (rows,), rpm; NaN where missing.
    """
    known = speed[np.isfinite(speed)]
    reach = max(len(known) // REACH_SHARE, 2)
    if len(known) < 10 * reach:
        return np.zeros(0)
    moves = known[reach:] - known[:-reach]
    mean_move = (known[-1] - known[0]) / (len(known) - 1) * reach
    still = moves < 0.1 * mean_move
    if still.sum() <= STILL_SHARE * len(still):
        return np.zeros(0)
    held = np.sort(known[:-reach][still])
    apart = max(LEAST_WIDTH_RPM, (known.max() - known.min()) / 100.0)
    levels = [part.mean() for part in np.split(held, np.flatnonzero(np.diff(held) > apart) + 1)]
    return np.array(levels) if len(levels) >= LEAST_LEVELS else np.zeros(0)


def mean_of_steps(table: Floats) -> Floats:
    """Average the rows of each step; rows on the way between steps are left out.

    Args:
        table: Shape (rows, 1 + channels), engine speed first, rpm; NaN where a channel is missing.

    Returns:
        Shape (steps, 1 + channels); NaN where a channel is missing throughout a step.
    """
    speed = table[:, 0]
    levels = find_levels(speed)
    level: Ints = np.abs(speed[:, None] - levels[None, :]).argmin(axis=1)
    away = np.abs(speed - levels[level])
    stands = away <= max(LEAST_WIDTH_RPM, HUNTING_WIDTH * float(np.median(away)))
    means: list[Floats] = []
    for number in range(len(levels)):
        rows = table[stands & (level == number)]
        known = np.isfinite(rows)
        count = known.sum(axis=0)
        total = np.where(known, rows, 0.0).sum(axis=0)
        means.append(np.where(count > 0, total / np.maximum(count, 1), np.nan))
    return np.array(means)
