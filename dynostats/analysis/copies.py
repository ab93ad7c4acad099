"""Pulls that are copies of another: one pull filed twice is not a repeat.

Counted as repeats, copies make the noise look like nothing and any difference look certain.
"""

from __future__ import annotations

import numpy as np

from dynostats.analysis.curve_set import CurveSet
from dynostats.arrays import Flags, Floats, Ints

# Two pulls whose curves lie nearer together than this, root mean square of the log ratio, are one:
# rounding in another format moves a curve by less, and of pulls that repeat within 0.4% (SD, smooth
# over some 1000 rpm) about one pair in five million comes so near. Own estimate.
SAME_LOG = 1e-4
# Fewer speeds in common than this tell of no copy.
LEAST_SHARED = 10


def find_copies(curves: CurveSet) -> dict[str, str]:
    """Find the pulls of a setup that hold the readings of another of its pulls.

    Args:
        curves: Pulls in the order they were stored.

    Returns:
        By copy the pull it is one of: the first stored.
    """
    copies: dict[str, str] = {}
    rows_of: dict[tuple[str, str], list[int]] = {}
    for row, key in enumerate(zip(curves.engine, curves.setup, strict=True)):
        rows_of.setdefault(key, []).append(row)
    for rows in rows_of.values():
        own = np.array(rows, dtype=np.intp)
        for place, row in enumerate(own):
            if curves.pull[row] not in copies:
                near = _perhaps_alike(curves.log_torque, row, own[place + 1 :])
                for at in near[_alike(curves.log_torque[near], curves.log_torque[row])]:
                    copies.setdefault(curves.pull[at], curves.pull[row])
    return copies


def _perhaps_alike(logs: Floats, row: int, others: Ints) -> Ints:
    """Return the rows not shown to be unlike at the one speed: most are, at little cost.

    Where the mean square over the speeds is small, no single square exceeds it by more than their
    number.
    """
    known = np.flatnonzero(np.isfinite(logs[row]))
    if known.size < LEAST_SHARED:
        return others[:0]
    away = logs[others, known[known.size // 2]] - logs[row, known[known.size // 2]]
    return others[~(np.abs(away) > SAME_LOG * np.sqrt(logs.shape[1]))]


def _alike(logs: Floats, one: Floats) -> Flags:
    away = logs - one
    shared = np.isfinite(away)
    counts = shared.sum(axis=1)
    square = (np.where(shared, away, 0.0) ** 2).sum(axis=1)
    return (counts >= LEAST_SHARED) & (square <= counts * SAME_LOG**2)


def say_copies(copies: dict[str, str]) -> str:
    """Return in words which pulls were left out as copies; "" where none was."""
    if not copies:
        return ""
    told = ", ".join(f"{copy} (of {first})" for copy, first in copies.items())
    return (
        f"Left out as copies of another pull of the setup: {told}. Their torque is the same at "
        "every speed, nearer than pulls repeat; one pull filed twice is no repeat. Look at the "
        "files."
    )
