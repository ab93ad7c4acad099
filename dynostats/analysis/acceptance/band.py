"""Torque far outside what a setup's pulls usually do within a session."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from dynostats.analysis.acceptance.finding import PullFinding
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.outliers import find_outlying
from dynostats.arrays import Flags, Floats

# Of a pair the one is odd that lies so many times farther off what other sessions say.
CLEARLY = 2.0


def check_band(curves: CurveSet) -> Iterator[PullFinding]:
    """Yield the pulls whose torque lies far from the others of their setup in their session.

    Args:
        curves: Accepted pulls of a dyno: how far pulls usually lie apart is learned from them.
    """
    outlying = find_outlying(curves)
    for row in np.flatnonzero(outlying).tolist():
        alike = [other for other in _cell(curves, row) if other != row]
        sound = [other for other in alike if not outlying[other]] or alike
        known: Flags = np.all(np.isfinite(curves.log_torque[[row, *sound]]), axis=0)
        if not known.any():
            continue
        pair = ""
        if len(alike) == 1:
            odd = _odd_of_pair(curves, row, alike[0], outlying)
            if odd == alike[0]:
                continue
            pair = (
                " Nothing tells which of the two is odd."
                if odd is None
                else " What the setup does in other sessions says that this one of the two is odd."
            )
        away = np.full(len(curves.rpm), np.nan)
        away[known] = curves.log_torque[row, known] - curves.log_torque[sound][:, known].mean(
            axis=0
        )
        worst = int(np.nanargmax(np.abs(away)))
        yield PullFinding(
            pull=curves.pull[row],
            check="outside_band",
            severity="doubtful",
            message=f"Torque lies {100.0 * np.nanmean(away):+.1f}% from the other pulls of its "
            f"setup in its session on the mean, {100.0 * away[worst]:+.1f}% at "
            f"{curves.rpm[worst]:.0f} rpm: far outside what pulls usually do here.{pair} A number "
            "alone is no reason to exclude it; look for what happened.",
        )


def _cell(curves: CurveSet, row: int) -> list[int]:
    """Return the pulls of a pull's setup in its session, itself among them."""
    own = (curves.engine[row], curves.session[row], curves.setup[row])
    keys = zip(curves.engine, curves.session, curves.setup, strict=True)
    return [other for other, key in enumerate(keys) if key == own]


def _odd_of_pair(curves: CurveSet, row: int, mate: int, outlying: Flags) -> int | None:
    """Return which pull of a pair is odd by what other sessions say; None where they do not."""
    expected = _expected(curves, row, outlying)
    away = np.abs(curves.log_torque[[row, mate]] - expected)
    known: Flags = np.all(np.isfinite(away), axis=0)
    if not known.any():
        return None
    own, other = away[:, known].mean(axis=1)
    if own > CLEARLY * other:
        return row
    return mate if other > CLEARLY * own else None


def _expected(curves: CurveSet, row: int, outlying: Flags) -> Floats:
    """Return the setup's curve of other sessions, moved as the other setups of this session say."""
    engine, session = curves.engine[row], curves.session[row]
    mine = [place for place in np.flatnonzero(~outlying).tolist() if curves.engine[place] == engine]

    def elsewhere(setup: str) -> Floats:
        rows = [x for x in mine if curves.session[x] != session and curves.setup[x] == setup]
        return curves.log_torque[rows].mean(axis=0) if rows else np.full(len(curves.rpm), np.nan)

    moves = [
        curves.log_torque[place] - elsewhere(curves.setup[place])
        for place in mine
        if curves.session[place] == session and curves.setup[place] != curves.setup[row]
    ]
    told = [move for move in moves if np.isfinite(move).any()]
    return elsewhere(curves.setup[row]) + (np.mean(told, axis=0) if told else 0.0)
