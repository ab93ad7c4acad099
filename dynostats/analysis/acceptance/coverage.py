"""Pulls that cover less engine speed than the others of their session."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl

from dynostats.analysis.acceptance.finding import PullFinding
from dynostats.arrays import Floats

# A pull that covers less than this share of what its session usually covers is void: kept, it
# would hide the rest of the band. Common practice, no published source.
VOID_SHARE = 0.8
# Less than this much missing is the speed at which somebody lifted.
LEAST_MISSING_RPM = 100.0
LEAST_MISSING_SHARE = 0.03
# Other pulls of the session that must agree on what is usual.
LEAST_OTHERS = 2
# Two pulls of a setup that end alike were meant to.
ALIKE_RPM = 100.0


def find_cut_short(pulls: pl.DataFrame) -> tuple[PullFinding, ...]:
    """Find the pulls that ended early or began late.

    Args:
        pulls: One row a stored pull: pull, engine, dyno, session, setup, state, rpm_low, rpm_high.

    Returns:
        One finding a pull that covers less than the median of the other accepted pulls of its
        session. Void only where no other pull of its setup was ended alike.
    """
    known = pulls.filter(pl.col("rpm_low").is_not_null()).with_columns(pl.col("dyno").fill_null(""))
    return tuple(
        finding
        for _, session in known.group_by("engine", "dyno", "session", maintain_order=True)
        for finding in _in_session(session)
    )


def _in_session(session: pl.DataFrame) -> Iterator[PullFinding]:
    ends = session.select("rpm_low", "rpm_high").to_numpy()
    accepted = (session["state"] == "accepted").to_numpy()
    setups = np.array(session["setup"].to_list())
    for row, pull in enumerate(session["pull"]):
        others = accepted.copy()
        others[row] = False
        if others.sum() < LEAST_OTHERS:
            continue
        usual = np.median(ends[others], axis=0)
        twins = ends[others & (setups == setups[row])]
        finding = _judge(pull, ends[row], usual, twins)
        if finding is not None:
            yield finding


def _judge(pull: str, own: Floats, usual: Floats, twins: Floats) -> PullFinding | None:
    late, early = max(own[0] - usual[0], 0.0), max(usual[1] - own[1], 0.0)
    span = float(usual[1] - usual[0])
    missing = float(late + early)
    if missing <= max(LEAST_MISSING_RPM, LEAST_MISSING_SHARE * span):
        return None
    ends_early = early >= late
    side = 1 if ends_early else 0
    meant = bool((np.abs(twins[:, side] - own[side]) <= ALIKE_RPM).any())
    void = missing > (1.0 - VOID_SHARE) * span and not meant
    word = "ended early" if ends_early else "began late"
    alike = "; another pull of this setup did so too" if meant else ""
    return PullFinding(
        pull=pull,
        check="ended_early" if ends_early else "began_late",
        severity="void" if void else "doubtful",
        message=f"The pull {word}: it covers {own[0]:.0f} to {own[1]:.0f} rpm, the others of its "
        f"session {usual[0]:.0f} to {usual[1]:.0f}{alike}. A comparison can use only what all of "
        "its pulls cover.",
    )
