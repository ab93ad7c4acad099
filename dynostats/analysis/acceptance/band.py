"""Torque far outside what a setup's pulls usually do within a session."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from dynostats.analysis.acceptance.finding import PullFinding
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.outliers import find_outlying
from dynostats.arrays import Flags


def check_band(curves: CurveSet) -> Iterator[PullFinding]:
    """Yield the pulls whose torque lies far from the others of their setup in their session.

    Args:
        curves: Accepted pulls of a dyno: how far pulls usually lie apart is learned from them.
    """
    outlying = find_outlying(curves)
    for row in np.flatnonzero(outlying).tolist():
        alike = [
            other
            for other in range(len(curves))
            if other != row
            and curves.engine[other] == curves.engine[row]
            and curves.session[other] == curves.session[row]
            and curves.setup[other] == curves.setup[row]
        ]
        sound = [other for other in alike if not outlying[other]] or alike
        known: Flags = np.all(np.isfinite(curves.log_torque[[row, *sound]]), axis=0)
        if not known.any():
            continue
        away = np.full(len(curves.rpm), np.nan)
        away[known] = curves.log_torque[row, known] - curves.log_torque[sound][:, known].mean(
            axis=0
        )
        worst = int(np.nanargmax(np.abs(away)))
        pair = " Nothing tells which of the two is odd." if len(alike) == 1 else ""
        yield PullFinding(
            pull=curves.pull[row],
            check="outside_band",
            severity="doubtful",
            message=f"Torque lies {100.0 * np.nanmean(away):+.1f}% from the other pulls of its "
            f"setup in its session on the mean, {100.0 * away[worst]:+.1f}% at "
            f"{curves.rpm[worst]:.0f} rpm: far outside what pulls usually do here.{pair} A number "
            "alone is no reason to exclude it; look for what happened.",
        )
