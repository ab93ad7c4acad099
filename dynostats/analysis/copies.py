"""Pulls that are copies of another: one pull filed twice is not a repeat.

Counted as repeats, copies make the noise look like nothing and any difference look certain.
"""

from __future__ import annotations

from collections.abc import Container, Iterator

import numpy as np

from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.groups import number, runs_of
from dynostats.analysis.outliers import MOST_OF_THEM
from dynostats.arrays import Flags, Floats, Ints

# Two pulls whose curves lie nearer together than this, root mean square of the log ratio, are one:
# rounding in another format moves a curve by less, and of pulls that repeat within 0.4% (SD, smooth
# over some 1000 rpm) about one pair in five million comes so near. Own estimate.
SAME_LOG = 1e-4
# Fewer speeds in common than this tell of no copy.
LEAST_SHARED = 10
# Two means that differ by so little more may be as near as allowed, but for rounding.
ROUNDED = 1.0 + 1e-9
_NO_PAIRS = np.zeros((0, 2), dtype=np.intp)


def find_copies(curves: CurveSet) -> dict[str, str]:
    """Find the pulls of a setup that hold the readings of another of its pulls.

    Args:
        curves: Pulls in the order they were stored.

    Returns:
        By copy the pull it is one of: the first stored.
    """
    copies: dict[str, str] = {}
    groups = number(curves.engine, curves.setup)
    level, reach = _levels(curves.log_torque, groups)
    pairs = [
        _alike_in_level(curves.log_torque, level, reach, groups),
        *_alike_one_by_one(curves.log_torque, np.isnan(level), groups),
    ]
    found = np.concatenate(pairs)
    for first, again in found[np.lexsort((found[:, 1], found[:, 0], groups[found[:, 0]]))].tolist():
        if curves.pull[first] not in copies:
            copies.setdefault(curves.pull[again], curves.pull[first])
    return copies


def _levels(logs: Floats, groups: Ints) -> tuple[Floats, Floats]:
    """Return each pull's mean over the speeds that most of its group cover, and copies' distance.

    Over speeds that both cover, the mean square of their difference is at most that over all they
    share, times how many those are to these; and the means lie no further apart than its root.

    Args:
        logs: All curves.
        groups: Number of each one's group.

    Returns:
        The means, NaN for a pull that does not cover all those speeds; and by group the most by
        which the means of two copies may differ.
    """
    covered = np.isfinite(logs)
    place = np.argsort(groups, kind="stable")
    starts = runs_of(groups[place])
    share = np.add.reduceat(covered[place], starts[:-1], axis=0, dtype=np.float64)
    usual = share / np.diff(starts)[:, None] >= MOST_OF_THEM
    speeds = usual.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):  # groups that share no speed
        level = np.where(usual[groups], logs, 0.0).sum(axis=1) / speeds[groups]
        reach = SAME_LOG * np.sqrt(logs.shape[1] / speeds) * ROUNDED
    return level, reach


def _alike_in_level(logs: Floats, level: Floats, reach: Floats, groups: Ints) -> Ints:
    """Return the pairs of one group that are alike, shape (pairs, 2), the first stored first.

    Only pulls with almost the same mean are compared, the nearest in mean first.

    Args:
        logs: All curves.
        level: Their means, NaN where not known.
        reach: By group how far apart the means of copies may lie.
        groups: Number of each curve's group.
    """
    place = np.lexsort((level, groups))
    place = place[np.isfinite(level[place])]
    found = [_NO_PAIRS]
    at = np.arange(len(place))
    for step in range(1, len(place)):
        at = at[at + step < len(place)]
        one, other = place[at], place[at + step]
        near = (groups[one] == groups[other]) & (level[other] - level[one] <= reach[groups[one]])
        at, one, other = at[near], one[near], other[near]
        if not at.size:
            break
        same = _alike(logs[one], logs[other])
        found.append(np.sort(np.stack([one[same], other[same]], axis=1), axis=1))
    return np.concatenate(found)


def _alike_one_by_one(logs: Floats, rows: Flags, groups: Ints) -> Iterator[Ints]:
    """Yield likewise the pairs that some pulls are one of: those that cover less than most."""
    if not rows.any():
        return
    place = np.argsort(groups, kind="stable")
    starts = runs_of(groups[place])
    for row in np.flatnonzero(rows).tolist():
        group = place[starts[groups[row]] : starts[groups[row] + 1]]
        others = group[(group > row) | ~rows[group]]
        near = _perhaps_alike(logs, row, others)
        again = near[_alike(logs[near], logs[row])]
        yield np.sort(np.stack([np.full_like(again, row), again], axis=1), axis=1)


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


def _alike(logs: Floats, others: Floats) -> Flags:
    away = logs - others
    shared = np.isfinite(away)
    counts = shared.sum(axis=1)
    square = (np.where(shared, away, 0.0) ** 2).sum(axis=1)
    return (counts >= LEAST_SHARED) & (square <= counts * SAME_LOG**2)


def without(curves: CurveSet, copies: Container[str]) -> CurveSet:
    """Return the curves but for those that are copies."""
    kept = np.array([pull not in copies for pull in curves.pull], dtype=np.bool_)
    return curves if kept.all() else curves.take(kept)


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
