"""Pulls that cover less engine speed than the others of their session."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

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
# Other pulls of the session that must agree on what is usual; where there are fewer, so many other
# pulls of the engine say so, with less weight.
LEAST_OTHERS = 2
LEAST_OF_ENGINE = 4
# Two pulls of a setup that end alike were meant to.
ALIKE_RPM = 100.0


def find_cut_short(pulls: pl.DataFrame) -> tuple[PullFinding, ...]:
    """Find the pulls that ended early or began late.

    Args:
        pulls: One row a stored pull: pull, engine, dyno, session, setup, state, rpm_low, rpm_high.

    Returns:
        One finding a pull that covers less than the median of the other accepted pulls of its
        session, or of its engine where the session has too few. Void only against its session, and
        where no other pull of its setup in it was ended alike.
    """
    known = pulls.filter(pl.col("rpm_low").is_not_null()).with_columns(pl.col("dyno").fill_null(""))
    return tuple(
        finding
        for _, engine in known.group_by("engine", "dyno", maintain_order=True)
        for finding in _of_engine(engine)
    )


def _of_engine(pulls: pl.DataFrame) -> Iterator[PullFinding]:
    ends = pulls.select("rpm_low", "rpm_high").to_numpy()
    accepted = (pulls["state"] == "accepted").to_numpy()
    _, session = np.unique(pulls["session"].to_numpy(), return_inverse=True)
    setups = pulls["setup"].to_numpy()
    whole = np.median(ends[accepted], axis=0) if accepted.sum() > LEAST_OF_ENGINE else None
    for number in range(int(session.max(initial=-1)) + 1):
        rows = np.flatnonzero(session == number)
        if accepted[rows].sum() > LEAST_OTHERS and _all_alike(ends[rows]):
            continue
        for row in rows:
            others = rows[(rows != row) & accepted[rows]]
            alone = len(others) < LEAST_OTHERS
            usual = whole if alone else np.median(ends[others], axis=0)
            if usual is None:
                continue
            twins = ends[others[setups[others] == setups[row]]]
            finding = _judge(pulls["pull"][int(row)], ends[row], usual, twins)
            if finding is not None:
                yield replace(finding, severity="doubtful") if alone else finding


def _all_alike(ends: Floats) -> bool:
    """Tell the ordinary session: none of its pulls can miss enough of what the others cover."""
    return bool(np.ptp(ends, axis=0).sum() <= LEAST_MISSING_RPM)


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
        message=f"The pull {word}: it covers {own[0]:.0f} to {own[1]:.0f} rpm, the others "
        f"usually {usual[0]:.0f} to {usual[1]:.0f}{alike}. A comparison can use only what all of "
        "its pulls cover.",
    )
