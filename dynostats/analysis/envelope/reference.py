"""What an envelope rests on: the accepted pulls of a setup, and the history around them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.arrays import Flags, Floats
from dynostats.errors import AnalysisError

# A speed is one of the band's when this share of the reference pulls cover it.
MOST_OF_THEM = 0.7
# Speeds closer than the smoothing is wide tell the same: every second one of the grid is enough.
STEP_RPM = 100.0
# Engine speed that rises so many times as fast as in the pulls moves what lags behind it.
OTHER_PACE = 2.0
# A pull has a channel when it covers this share of those speeds.
MOSTLY_COVERED = 0.95


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reference:
    """The pulls of an envelope.

    Args:
        engine: The engine.
        setup: The reference setup.
        dyno: The dyno; "" where none is named.
        pulls: One row an accepted pull on that dyno: pull, engine, session, setup, order.
        curves: One row a pull and grid speed: pull, rpm, then channels.
        samples: The logs of the reference pulls: how much a single sample scatters.
    """

    engine: str
    setup: str
    dyno: str
    pulls: pl.DataFrame
    curves: pl.DataFrame
    samples: Sequence[pl.DataFrame] = ()

    def __post_init__(self) -> None:
        """Refuse a reference that no range can be learned from."""
        count = len(self.members)
        if count < 2:
            pulls = "no accepted pull" if count == 0 else "only one accepted pull"
            raise AnalysisError(
                f"there is {pulls} of setup '{self.setup}' on engine '{self.engine}': one pull "
                "has no range",
                where="--reference",
                mend="Pull it at least twice; three pulls or more make a useful band.",
            )

    @property
    def members(self) -> list[str]:
        """Return the names of the reference pulls."""
        return self.pulls.filter(engine=self.engine, setup=self.setup)["pull"].to_list()

    @property
    def channels(self) -> list[str]:
        """Return the channels that any reference pull has."""
        own = self.curves.filter(pl.col("pull").is_in(self.members))
        return [
            name
            for name in own.columns
            if name not in {"pull", "rpm"} and own[name].null_count() < own.height
        ]

    def table(self, channel: str) -> Table:
        """Lay a channel out over all pulls that have it, on the speeds its band can hold."""
        on_step = pl.col("rpm") % STEP_RPM == 0.0
        known = self.curves.select("pull", "rpm", channel).drop_nulls().filter(on_step)
        rpm = np.unique(known["rpm"].to_numpy())
        values = _lay_out(self.pulls["pull"].to_list(), known, channel, rpm)
        own = self.pulls["pull"].is_in(self.members).to_numpy()
        covered = np.isfinite(values)
        having = max(int((own & covered.any(axis=1)).sum()), 1)
        usual: Flags = covered[own].sum(axis=0) >= MOST_OF_THEM * having
        if not usual.any():  # no two pulls share their speeds
            none = np.zeros(len(own), dtype=np.bool_)
            return Table(rpm=rpm[:0], values=values[:0, :0], pulls=self.pulls.head(0), own=none[:0])
        has = covered[:, usual].mean(axis=1) >= MOSTLY_COVERED
        speeds = usual & np.all(covered[own & has], axis=0)
        # History that covers little of the band would hide what the rest of it tells.
        kept = has | (~own & (covered[:, speeds].mean(axis=1) >= MOSTLY_COVERED))
        return Table(
            rpm=rpm[speeds],
            values=values[np.ix_(kept, speeds)],
            pulls=self.pulls.filter(pl.Series(kept)),
            own=own[kept],
        )

    def pace(self) -> float | None:
        """Return how fast engine speed rises in the reference pulls, rpm/s; None without clocks."""
        if "time" not in self.curves.columns:
            return None
        own = self.curves.filter(pl.col("pull").is_in(self.members)).drop_nulls("time")
        ends = own.group_by("pull").agg(
            rise=pl.col("rpm").max() - pl.col("rpm").min(),
            lasts=pl.col("time").max() - pl.col("time").min(),
        )
        timed = ends.filter(pl.col("lasts") > 0)
        paces = (timed["rise"] / timed["lasts"]).to_numpy()
        return float(np.median(paces)) if paces.size else None

    def mean_of(self, channel: str) -> tuple[Floats, Floats]:
        """Return grid speeds and the mean of a channel over the reference pulls that have it."""
        own = self.curves.filter(pl.col("pull").is_in(self.members)).drop_nulls(channel)
        means = own.group_by("rpm").agg(pl.col(channel).mean()).sort("rpm")
        return means["rpm"].to_numpy(), means[channel].to_numpy()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """One channel over pulls and speeds.

    Args:
        rpm: Shape (speeds,).
        values: Shape (pulls, speeds), in the channel's unit; NaN where history does not cover.
        pulls: Labels of the pulls, in the same order.
        own: Shape (pulls,): True for reference pulls.
    """

    rpm: Floats
    values: Floats
    pulls: pl.DataFrame
    own: Flags


def _lay_out(pulls: list[str], known: pl.DataFrame, channel: str, rpm: Floats) -> Floats:
    places = pl.DataFrame({"pull": pulls, "row": np.arange(len(pulls))})
    located = known.join(places, on="pull", how="inner")
    laid = np.full((len(pulls), len(rpm)), np.nan)
    columns = np.searchsorted(rpm, located["rpm"].to_numpy())
    laid[located["row"].to_numpy(), columns] = located[channel].to_numpy()
    return laid
