"""Sessions of a reference setup as single values in order of time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np
import polars as pl

from dynostats.arrays import Flags, Floats, Ints

# A speed is in the band when this share of the setup's pulls cover it; a pull counts when it
# covers all of them.
MOST_OF_THEM = 0.8
# So many sessions, the latest, are looked at: some years of them.
MOST_SESSIONS = 250


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """One channel of the reference setup, session by session.

    Args:
        channel: Stored name.
        band: First and last speed of the band mean, rpm.
        sessions: Names, in order of time.
        dates: First start of each; None where not known.
        values: Mean over pulls of the mean over the band: of log torque in percent (100 times the
            logarithm), of other channels in their unit; shape (sessions,).
        pulls: Pulls of each, shape (sessions,).
        within: Sum of squares between the pulls of each session, shape (sessions,).
        left_out: Pulls that do not cover the band.
        older: Sessions before the first of these that are not looked at.
    """

    channel: str
    band: tuple[float, float]
    sessions: tuple[str, ...]
    dates: tuple[datetime | None, ...]
    values: Floats
    pulls: Ints
    within: Floats
    left_out: tuple[str, ...]
    older: int

    def __len__(self) -> int:
        """Return the number of sessions."""
        return len(self.sessions)

    @property
    def dated(self) -> bool:
        """Tell whether the date of every session is known."""
        return all(date is not None for date in self.dates)


def read_series(pulls: pl.DataFrame, curves: pl.DataFrame, channel: str) -> Series | None:
    """Lay a channel out session by session.

    Args:
        pulls: One row an accepted pull of the reference setup, in order of storing: pull, session,
            started.
        curves: One row a pull and grid speed: pull, rpm and the channel.
        channel: Its stored name.

    Returns:
        The series; None where no pull has the channel.
    """
    known = curves.select("pull", "rpm", channel).drop_nulls()
    if channel == "torque":
        known = known.filter(pl.col(channel) > 0).with_columns(pl.col(channel).log() * 100.0)
    known = known.join(pulls.select("pull"), on="pull", how="semi")
    if known.is_empty():
        return None
    counts = known.group_by("rpm").len().sort("rpm")
    usual = counts.filter(pl.col("len") >= MOST_OF_THEM * known["pull"].n_unique())["rpm"]
    inside = known.filter(pl.col("rpm").is_in(usual.to_list()))
    means = inside.group_by("pull").agg(pl.col(channel).mean().alias("mean"), pl.len())
    whole = means.filter(pl.col("len") == usual.len())
    rows = pulls.join(whole, on="pull", how="inner", maintain_order="left")
    every = _by_session(rows)
    sessions = every.tail(MOST_SESSIONS)
    return Series(
        channel=channel,
        band=(float(usual[0]), float(usual[-1])),
        sessions=tuple(sessions["session"].to_list()),
        dates=tuple(sessions["date"].to_list()),
        values=sessions["value"].to_numpy(),
        pulls=sessions["pulls"].to_numpy().astype(np.intp),
        within=sessions["within"].to_numpy(),
        left_out=tuple(means.join(whole, on="pull", how="anti")["pull"].sort().to_list()),
        older=every.height - sessions.height,
    )


def _by_session(rows: pl.DataFrame) -> pl.DataFrame:
    """Return one row a session, by date where every date is known, else in order of storing."""
    sessions = rows.group_by("session", maintain_order=True).agg(
        date=pl.col("started").min(),
        value=pl.col("mean").mean(),
        pulls=pl.len(),
        within=((pl.col("mean") - pl.col("mean").mean()) ** 2).sum(),
    )
    known = sessions["date"].null_count() == 0
    return sessions.sort("date", maintain_order=True) if known else sessions


def segments_of(count: int, places: tuple[int, ...]) -> list[slice]:
    """Return the stretches between breaks.

    Args:
        count: Number of sessions.
        places: Sessions before each break, rising.
    """
    edges = [0, *places, count]
    return [slice(first, last) for first, last in pairwise(edges)]


def calibrated_at(series: Series, moments: tuple[datetime, ...]) -> tuple[int, ...]:
    """Return the places of the series that calibrations fall on: sessions before each.

    A calibration before the first or after the last session splits nothing.
    """
    if not series.dated:
        return ()
    dates = [date for date in series.dates if date is not None]
    places = {sum(date < moment for date in dates) for moment in moments}
    return tuple(sorted(place for place in places if 0 < place < len(series)))


def repeated(series: Series) -> Flags:
    """Return which sessions have more than one pull."""
    return series.pulls > 1
