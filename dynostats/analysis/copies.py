"""Pulls that are copies of another: one pull filed twice is not a repeat.

Counted as repeats, copies make the noise look like nothing and any difference look certain.
"""

from __future__ import annotations

import numpy as np

from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.groups import number
from dynostats.arrays import Flags, Floats, Ints

# Two pulls whose curves lie nearer together than this, root mean square of the log ratio, are one:
# rounding in another format moves a curve by less, and of pulls that repeat within 0.4% (SD, smooth
# over some 1000 rpm) about one pair in five million comes so near. Own estimate.
SAME_LOG = 1e-4
# Fewer speeds in common than this tell of no copy.
LEAST_SHARED = 10
# Two means that differ by so little more may be as near as allowed, but for rounding.
ROUNDED = 1.0 + 1e-9


def find_copies(curves: CurveSet) -> dict[str, str]:
    """Find the pulls of a setup that hold the readings of another of its pulls.

    Args:
        curves: Pulls in the order they were stored.

    Returns:
        By copy the pull it is one of: the first stored.
    """
    copies: dict[str, str] = {}
    groups = number(curves.engine, curves.setup)
    whole: Flags = np.all(np.isfinite(curves.log_torque), axis=1)
    parted = np.unique(groups[~whole])
    quick = np.flatnonzero(~np.isin(groups, parted)) if len(curves.rpm) >= LEAST_SHARED else []
    pairs = [_alike_pairs(curves.log_torque, np.asarray(quick, dtype=np.intp), groups)]
    pairs += [
        _pairs_one_by_one(curves.log_torque, np.flatnonzero(groups == group)) for group in parted
    ]
    found = np.concatenate(pairs)
    for first, again in found[np.lexsort((found[:, 1], found[:, 0], groups[found[:, 0]]))].tolist():
        if curves.pull[first] not in copies:
            copies.setdefault(curves.pull[again], curves.pull[first])
    return copies


def _alike_pairs(logs: Floats, rows: Ints, groups: Ints) -> Ints:
    """Return the pairs of one group that are alike, shape (pairs, 2), the first stored first.

    The means of two curves lie no further apart than the curves do, root mean square: so only
    pulls with almost the same mean are compared, the nearest in mean first.

    Args:
        logs: All curves; those of `rows` cover every speed.
        rows: The pulls looked at.
        groups: Number of each pull's group.
    """
    level = logs.mean(axis=1)
    place = rows[np.lexsort((level[rows], groups[rows]))]
    found = [np.zeros((0, 2), dtype=np.intp)]
    at = np.arange(len(place))
    for step in range(1, len(place)):
        at = at[at + step < len(place)]
        one, other = place[at], place[at + step]
        near = (groups[one] == groups[other]) & (level[other] - level[one] <= SAME_LOG * ROUNDED)
        at, one, other = at[near], one[near], other[near]
        if not at.size:
            break
        same = ((logs[one] - logs[other]) ** 2).mean(axis=1) <= SAME_LOG**2
        pairs = np.stack([one[same], other[same]], axis=1)
        found.append(np.sort(pairs, axis=1))
    return np.concatenate(found)


def _pairs_one_by_one(logs: Floats, rows: Ints) -> Ints:
    """Return likewise the pairs among pulls that do not all cover the same speeds."""
    found = [np.zeros((0, 2), dtype=np.intp)]
    for place, row in enumerate(rows):
        near = _perhaps_alike(logs, int(row), rows[place + 1 :])
        again = near[_alike(logs[near], logs[row])]
        found.append(np.stack([np.full_like(again, row), again], axis=1))
    return np.concatenate(found)


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
